"""The map's classes and colours, held against the colour standards."""

from __future__ import annotations

import numpy as np
import pytest

from geotools.outputs.map_style import EXPOSURE_CLASSES, LINE_STYLES, NO_SCORE, OTHER_LINE, classify_exposure

FILLS = [exposure_class.fill for exposure_class in EXPOSURE_CLASSES]


def _rgb(colours):
    return np.array([[int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)] for colour in colours])


@pytest.mark.parametrize(
    ("score", "number"), [(0, 1), (19.999, 1), (20, 2), (39.9, 2), (40, 3), (60, 4), (80, 5), (100, 5), (np.nan, 0)]
)
def test_classes_are_five_steps_of_twenty(score, number):
    assert classify_exposure([score]).tolist() == [number]


@pytest.mark.published("IEC 61966-2-1 (sRGB) and CIE 15 (lightness L*)")
def test_fills_step_down_evenly_in_lightness():
    linear = np.where(_rgb(FILLS) <= 0.04045, _rgb(FILLS) / 12.92, ((_rgb(FILLS) + 0.055) / 1.055) ** 2.4)
    lightness = 116 * np.cbrt(linear @ [0.2126, 0.7152, 0.0722]) - 16
    # eight bits a channel place a colour to about 0.3 of L*
    np.testing.assert_allclose(-np.diff(lightness), 16, atol=0.5)


def test_fills_are_equally_far_apart_in_an_independent_colour_library():
    color = pytest.importorskip("skimage.color", reason="scikit-image is not installed")
    lab = color.rgb2lab(_rgb(FILLS)[None])[0]
    # one in twenty of a step is not seen
    np.testing.assert_allclose(color.deltaE_ciede2000(lab[:-1], lab[1:]), 20.3, rtol=0.05)


def test_classes_are_told_apart_without_colour():
    every = (*EXPOSURE_CLASSES, NO_SCORE)
    assert len({(c.hatch, c.outline_px) for c in every}) == len(every)
    assert len({c.hatch for c in EXPOSURE_CLASSES}) == len(EXPOSURE_CLASSES)
    assert len({style.dash for style in (*LINE_STYLES.values(), OTHER_LINE)}) == len(LINE_STYLES) + 1
