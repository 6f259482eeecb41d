"""Check the height rule, its steps and its inverse, and how a [design] table is read."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from geotools.design import BarrierStandard, design_height, excluded_body_length, specified_height
from geotools.errors import DesignError

INCH_M = 0.0254
HEIGHTS_IN = [(48, 30), (60, 36), (72, 42)]
"""Body length and design height: common practice of the trade, no source."""
lengths_m = st.floats(0.0, 3.0)


@pytest.mark.parametrize(("body_in", "height_in"), HEIGHTS_IN)
def test_height_table_of_the_trade(body_in: float, height_in: float) -> None:
    assert design_height(body_in * INCH_M) / INCH_M == pytest.approx(height_in, abs=1e-9)
    assert specified_height(design_height(body_in * INCH_M)) / INCH_M == pytest.approx(height_in, abs=1e-9)
    assert excluded_body_length(height_in * INCH_M) / INCH_M == pytest.approx(body_in, abs=1e-9)


def test_a_community_rule_of_24_in_is_good_for_36_in_animals_only() -> None:
    assert excluded_body_length(24 * INCH_M) / INCH_M == pytest.approx(36, abs=1e-9)
    assert excluded_body_length([0.0, 0.1]).tolist() == [0.0, 0.0]


@pytest.mark.published(
    "Lillywhite et al. 2000, J. Herpetol. 34:523-528: 30-50 % of total length, table derived from it"
)
@pytest.mark.parametrize(
    ("total_cm", "half_in"), [(85, 16.7), (120, 23.6), (150, 29.5), (180, 35.4), (213, 41.9), (244, 48.0)]
)
def test_reach_is_half_the_length_of_animals_of_published_sizes(total_cm: float, half_in: float) -> None:
    # The table is rounded to a tenth of an inch.
    assert design_height(total_cm / 100, buffer_m=0.0) / INCH_M == pytest.approx(half_in, abs=0.05)


@given(lengths_m, st.floats(0.0, 1.0))
def test_the_rule_and_its_inverse_agree(length_m: float, buffer_m: float) -> None:
    height_m = design_height(length_m, buffer_m=buffer_m)
    assert excluded_body_length(height_m, buffer_m=buffer_m) == pytest.approx(length_m, abs=1e-12)


@given(st.floats(0.0, 4.0), st.floats(0.01, 1.0), st.floats(0.0, 2.0))
def test_specified_height_is_the_next_step(height_m: float, step_m: float, least_m: float) -> None:
    built_m = float(specified_height(height_m, least_height_m=least_m, height_step_m=step_m))
    assert built_m >= max(height_m, least_m)
    if built_m > least_m:
        assert built_m < height_m + step_m * (1 + 1e-9)
        # On a step, but for heights that pass a step by a rounding and are taken for it.
        assert abs(built_m / step_m - round(built_m / step_m)) < 1e-6


@pytest.mark.parametrize("body_in", range(20, 118, 2))
def test_what_is_built_is_never_below_the_reach(body_in: int) -> None:
    standard = BarrierStandard.from_table({"body_length": f"{body_in} in"})
    assert standard.height_m >= standard.reach_m
    assert standard.height_m / INCH_M == pytest.approx(max(30, 6 * np.ceil((body_in / 2 + 6) / 6)), abs=1e-9)


def test_shapes_are_kept_and_missing_heights_stay_missing() -> None:
    assert design_height(np.ones((2, 3))).shape == (2, 3)
    assert design_height([]).shape == (0,)
    built_m = specified_height([np.nan, 1.0])
    assert np.isnan(built_m[0])
    assert built_m[1] == pytest.approx(42 * INCH_M)


@pytest.mark.parametrize("wrong", [-0.1, np.nan, np.inf, [1.0, -2.0]])
def test_impossible_lengths_are_refused_by_value(wrong: float) -> None:
    with pytest.raises(DesignError, match="body length is"):
        design_height(wrong)
    with pytest.raises(DesignError, match="height is"):
        excluded_body_length(wrong)
    with pytest.raises(DesignError, match="buffer is"):
        design_height(1.0, buffer_m=-1.0)


def test_impossible_steps_are_refused() -> None:
    with pytest.raises(DesignError, match="height is -1"):
        specified_height([2.0, -1.0])
    for step_m in (0.0, -0.1, np.nan):
        with pytest.raises(DesignError, match="step"):
            specified_height(1.0, height_step_m=step_m)


def test_defaults_are_those_of_the_trade() -> None:
    standard = BarrierStandard()
    assert standard.reach_m == pytest.approx(36 * INCH_M, abs=1e-12)
    assert standard.height_m == pytest.approx(36 * INCH_M, abs=1e-12)
    assert (standard.mesh_opening_m, standard.burial_m) == pytest.approx((0.25 * INCH_M, 6 * INCH_M))


@pytest.mark.parametrize(
    "table",
    [
        {"body_length": "48 in"},
        {"body_length": "4 ft"},
        {"body_length_in": 48},
        {"body_length_ft": 4},
        {"body_length_m": 1.2192},
        {"body_length_mm": 1219.2},
        {"body_length": "121.92 cm"},
    ],
)
def test_a_length_may_be_written_in_many_ways(table: dict[str, object]) -> None:
    assert BarrierStandard.from_table(table).body_length_m == pytest.approx(48 * INCH_M, abs=1e-12)


def test_values_without_a_length_are_read_as_they_are() -> None:
    standard = BarrierStandard.from_table({"protect": "lot", "least_area_m2": 4})
    assert (standard.protect, standard.least_area_m2) == ("lot", 4.0)


@pytest.mark.parametrize(
    ("table", "words"),
    [
        ({"body_lenght": "48 in"}, "did you mean 'body_length'"),
        ({"colour": "red"}, "use one of: .*body_length"),
        ({"body_length": 48}, "body_length: 48 has no unit"),
        ({"body_length": "48"}, "has no unit"),
        ({"body_length": "48 kg"}, "does not measure"),
        ({"body_length": True}, "has no unit"),
        ({"body_length_in": True}, "is not a length"),
        ({"body_length": "48 in", "body_length_ft": 4}, "given twice"),
        ({"body_length": "0 in"}, "'0 in' can't be: it must be greater"),
        ({"body_length": "20 ft"}, "'20 ft' can't be: .* 3 m"),
        ({"burial_in": -1}, "-1 can't be"),
        ({"protect": "garage"}, "'garage' can't be: it must be 'rear_yard'"),
        ({"least_area_m2": "wide"}, "'wide' can't be"),
    ],
)
def test_a_wrong_table_says_what_and_where(table: dict[str, object], words: str) -> None:
    with pytest.raises(DesignError, match=words) as caught:
        BarrierStandard.from_table(table)
    assert caught.value.where.startswith("[design]")
    assert caught.value.mend


def test_a_standard_can_not_be_changed_in_passing() -> None:
    with pytest.raises(ValueError, match="frozen"):
        BarrierStandard().buffer_m = 1.0  # type: ignore[misc]
