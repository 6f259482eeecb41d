"""Choose the classes, colours and strokes of the map, each told apart without colour as well."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

__all__ = [
    "EXPOSURE_CLASSES",
    "GROUND_STYLES",
    "LINE_STYLES",
    "MARK_STYLES",
    "NO_SCORE",
    "NO_VERDICT",
    "OTHER_LINE",
    "ROUTE_STYLE",
    "VERDICT_CLASSES",
    "WALL_STYLES",
    "ExposureClass",
    "LineStyle",
    "candidate_stroke",
    "classify_exposure",
    "lot_style",
    "recommended_stroke",
]

CLASS_WIDTH = 20.0
"""Width of an exposure class in points, the same on every map, so that two maps can be held side by side."""


class ExposureClass(NamedTuple):
    """One class of exposure: its number, words, fill, hatch and outline width in pixels."""

    number: int
    title: str
    note: str
    fill: str
    hatch: str
    hatch_ink: str
    outline_px: float


class LineStyle(NamedTuple):
    """How a kind of line is drawn: its title, colour and dash pattern."""

    slug: str
    title: str
    colour: str
    dash: str


EXPOSURE_CLASSES = (
    ExposureClass(1, "0 to 20", "least", "#f5ebc4", "", "", 0.7),
    ExposureClass(2, "20 to 40", "", "#f7af68", "dashes", "rgba(90,50,10,0.45)", 0.9),
    ExposureClass(3, "40 to 60", "", "#e17457", "lines", "rgba(80,20,10,0.4)", 1.2),
    ExposureClass(4, "60 to 80", "", "#b24655", "close lines", "rgba(255,255,255,0.32)", 1.6),
    ExposureClass(5, "80 to 100", "most", "#6e2c5a", "cross", "rgba(255,255,255,0.32)", 2.2),
)
"""Least to most exposed. The fills step down in lightness by 16 of CIE L* and are equally far apart (CIEDE2000 20),
so that the order holds for every kind of colour sight and in grey; computed for this project."""

NO_SCORE = ExposureClass(0, "No score", "", "#ffffff", "dots", "rgba(120,120,120,0.6)", 0.7)
"""A lot whose exposure is missing."""

VERDICT_CLASSES = (
    ExposureClass(1, "not needed", "", "#f4f0e6", "", "", 0.7),
    ExposureClass(2, "already sound", "", "#a8d0cf", "dots", "rgba(20,80,80,0.5)", 0.9),
    ExposureClass(3, "retrofit", "mend what stands", "#f6cf5f", "dashes", "rgba(90,60,0,0.5)", 1.2),
    ExposureClass(4, "build", "new line", "#e08a5b", "lines", "rgba(90,30,10,0.4)", 1.6),
    ExposureClass(5, "do not build", "nothing closes it", "#5a4a6e", "cross", "rgba(255,255,255,0.35)", 2.2),
)
"""In the order of the verdicts; told apart by hatch and outline as well, like the classes of exposure."""

NO_VERDICT = ExposureClass(0, "No verdict", "", "#ffffff", "dots", "rgba(120,120,120,0.6)", 0.7)

LINE_STYLES = {
    "shared line": LineStyle("shared_line", "Shared", "#7a1fa2", "18 5"),
    "lot line": LineStyle("lot_line", "Along the lot line", "#0a4fa3", ""),
    "yard": LineStyle("yard", "Around the yard", "#00695e", "11 6"),
    "house loop": LineStyle("house_loop", "Around the house", "#161616", "4 4"),
}
WALL_STYLES = {
    "sound wall": LineStyle("sound_wall", "Sound", "#4a4a4a", ""),
    "wall to mend": LineStyle("wall_to_mend", "To mend or measure", "#c8002b", "2 4"),
}
"""Walls that stand, by their option."""
OTHER_LINE = LineStyle("other", "Other", "#5b3fb5", "14 5 2 5")
"""A kind of line that another step made."""

GROUND_STYLES: dict[str, dict[str, Any]] = {
    "open_desert": {
        "color": "#b3a468",
        "weight": 1,
        "fillColor": "#e9e2c0",
        "fillOpacity": 1,
        "hatch": "dots",
        "hatchInk": "rgba(120,105,40,0.55)",
    },
    "wash_ground": {
        "color": "#4a86b8",
        "weight": 2,
        "dashArray": "7 4",
        "fillColor": "#b5d5ec",
        "fillOpacity": 0.9,
        "hatch": "waves",
        "hatchInk": "rgba(50,105,160,0.6)",
    },
    "roads": {"color": "#cdc7bb", "weight": 3, "fillColor": "#dedad1", "fillOpacity": 1},
    "buildings": {"color": "#55504b", "weight": 0.8, "fillColor": "#a5a09a", "fillOpacity": 0.95},
}
MARK_STYLES: dict[str, dict[str, Any]] = {
    "footholds": {
        "shape": "circle",
        "radius": 4.5,
        "color": "#1c1c1c",
        "weight": 1.5,
        "fillColor": "#ffd91a",
        "fillOpacity": 1,
    },
    "planned_gates": {
        "shape": "gate",
        "radius": 6,
        "color": "#111111",
        "weight": 1.5,
        "fillColor": "#ffffff",
        "fillOpacity": 1,
    },
    "ways_in": {
        "shape": "diamond",
        "radius": 7,
        "color": "#c8002b",
        "weight": 5,
        "edge": "#ffffff",
        "fillColor": "#c8002b",
        "fillOpacity": 1,
    },
}
ROUTE_STYLE: dict[str, Any] = {
    "color": "#c8002b",
    "weight": 2,
    "dashArray": "2 4",
    "casing": 1,
    "fill": False,
    "arrow": True,
}
"""The walk from the habitat to the protected ground, with its direction."""
_OUTLINE = "#43352f"


def classify_exposure(exposure: ArrayLike) -> NDArray[np.int64]:
    """Put scores into five equal classes of 20 points; the lower bound belongs to the class, and 100 to the last.

    floor(exposure / 20) + 1, at most 5; assumption of this project.

    Parameters
    ----------
    exposure : array_like, n scores from 0 to 100

    Returns
    -------
    numpy.ndarray, int64, n class numbers
        1 (least) to 5 (most exposed); 0 where the score is missing.

    Examples
    --------
    >>> classify_exposure([0.0, 19.9, 20.0, 100.0, float("nan")]).tolist()
    [1, 1, 2, 5, 0]
    """
    scores = np.asarray(exposure, dtype=float)
    known = np.isfinite(scores)
    steps = np.floor(np.where(known, scores, 0.0) / CLASS_WIDTH).astype(np.int64) + 1
    return np.where(known, np.clip(steps, 1, len(EXPOSURE_CLASSES)), 0)


def lot_style(exposure_class: ExposureClass) -> dict[str, Any]:
    """Draw a lot of one class: fill, hatch and an outline that grows with the class.

    Examples
    --------
    >>> lot_style(EXPOSURE_CLASSES[4])["hatch"]
    'cross'
    """
    return {
        "color": _OUTLINE,
        "weight": exposure_class.outline_px,
        "fillColor": exposure_class.fill,
        "fillOpacity": 0.92,
        "hatch": exposure_class.hatch,
        "hatchInk": exposure_class.hatch_ink,
    }


def recommended_stroke(style: LineStyle) -> dict[str, Any]:
    """Draw an advised line: wide, with a white edge on both sides.

    Examples
    --------
    >>> recommended_stroke(LINE_STYLES["yard"])["dashArray"]
    '11 6'
    """
    return {"color": style.colour, "weight": 4, "dashArray": style.dash, "casing": 2, "fill": False, "lineCap": "butt"}


def candidate_stroke(style: LineStyle) -> dict[str, Any]:
    """Draw a line that was looked at but is not advised: thin.

    Examples
    --------
    >>> candidate_stroke(LINE_STYLES["yard"])["weight"]
    1.6
    """
    return {
        "color": style.colour,
        "weight": 1.6,
        "dashArray": style.dash,
        "casing": 1,
        "fill": False,
        "lineCap": "butt",
    }
