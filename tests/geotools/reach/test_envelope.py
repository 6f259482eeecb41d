"""Check the closed forms of the reach against each other and against dense sampling of what an animal can touch."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from geotools.errors import DesignError
from geotools.reach import local_height, reserve, setback, slope_height

R_M = 0.9144
heights_m = st.floats(0.0, 3.0)
distances_m = st.floats(0.0, 3.0)
reaches_m = st.floats(0.1, 2.0)


def touches_top(foothold_m: float, away_m: float, top_m: float, reach_m: float) -> bool:
    """Try every place of the animal's foot on the thing, from its top down to the ground, in fine steps."""
    feet_m = np.linspace(0.0, foothold_m, 2001)
    return bool((np.hypot(away_m, top_m - feet_m) < reach_m).any())


@pytest.mark.parametrize(
    ("foothold_in", "setback_in"),
    [(0, 0.0), (18, math.sqrt(36**2 - 18**2)), (36, 36.0), (48, 36.0), (6, math.sqrt(396))],
)
def test_setback_by_hand_at_36_in(foothold_in: float, setback_in: float) -> None:
    at_m = setback(foothold_in * 0.0254, 36 * 0.0254, reach_m=36 * 0.0254)
    assert at_m / 0.0254 == pytest.approx(setback_in, abs=1e-6)


@pytest.mark.parametrize(("away_in", "height_in"), [(0, 54.0), (36, 36.0), (50, 36.0), (21.6, 18 + 28.8), (35.9, 36.0)])
def test_local_height_by_hand_beside_an_18_in_rock(away_in: float, height_in: float) -> None:
    raised_m = local_height(18 * 0.0254, away_in * 0.0254, reach_m=36 * 0.0254)
    assert raised_m / 0.0254 == pytest.approx(height_in, abs=1e-9)


def test_level_ground_asks_for_no_setback() -> None:
    assert setback(0.0, R_M, reach_m=R_M) == 0.0
    assert local_height(0.0, 0.0, reach_m=R_M) == R_M


@given(heights_m, distances_m, heights_m, reaches_m)
def test_reserve_setback_and_local_height_say_the_same(h: float, d: float, top: float, reach_m: float) -> None:
    spare_m = float(reserve(h, d, top, reach_m=reach_m))
    # Nearer to 0 than this the root turns roundings into millionths of a metre.
    assume(abs(spare_m) > 1e-9)
    assert (spare_m > 0) == (d >= float(setback(h, top, reach_m=reach_m)))
    if top >= reach_m and d < reach_m:
        assert (spare_m > 0) == (top >= float(local_height(h, d, reach_m=reach_m)))


@given(heights_m, st.floats(0.01, 0.99), reaches_m)
def test_local_height_at_the_setback_is_the_height(h: float, share: float, reach_m: float) -> None:
    top = h + share * reach_m
    assume(top >= reach_m)
    away_m = float(setback(h, top, reach_m=reach_m))
    # The square root is steep near its ends: roundings of 1e-16 grow to 1e-8 there.
    assert float(local_height(h, away_m, reach_m=reach_m)) == pytest.approx(top, abs=1e-7)


@given(heights_m, distances_m, reaches_m)
def test_setback_at_the_local_height_is_the_distance(h: float, d: float, reach_m: float) -> None:
    raised_m = float(local_height(h, d, reach_m=reach_m))
    assume(d < reach_m and raised_m > reach_m)
    assert float(setback(h, raised_m, reach_m=reach_m)) == pytest.approx(d, abs=1e-6)


@given(heights_m, distances_m, heights_m, reaches_m)
def test_against_every_place_of_the_foot(h: float, d: float, top: float, reach_m: float) -> None:
    # Steps of h / 2000 leave out less than 1e-6 m of reach below the top of the thing.
    spare_m = float(reserve(h, d, top, reach_m=reach_m))
    assume(abs(spare_m) > 1e-5)
    assert touches_top(h, d, top, reach_m) == (spare_m < 0)


@given(heights_m, st.floats(0.0, 1.0), distances_m, reaches_m)
def test_higher_and_nearer_things_ask_for_more(h: float, more: float, d: float, reach_m: float) -> None:
    assert setback(h + more, 1.0, reach_m=reach_m) >= setback(h, 1.0, reach_m=reach_m)
    assert setback(h, 1.0 + more, reach_m=reach_m) <= setback(h, 1.0, reach_m=reach_m)
    assert local_height(h + more, d, reach_m=reach_m) >= local_height(h, d, reach_m=reach_m)
    assert local_height(h, d + more, reach_m=reach_m) <= local_height(h, d, reach_m=reach_m)
    assert local_height(h, d, reach_m=reach_m) >= reach_m
    assert 0.0 <= setback(h, 1.0, reach_m=reach_m) <= reach_m


@pytest.mark.parametrize("slope_deg", [-60.0, -10.0, 0.0, 5.0, 30.0, 60.0, 80.0])
def test_slope_against_dense_sampling_of_the_ground(slope_deg: float) -> None:
    along_m = np.linspace(0.0, 30.0, 300_001)
    ground = along_m * math.cos(math.radians(slope_deg)), along_m * math.sin(math.radians(slope_deg))
    top_m = float(slope_height(slope_deg, reach_m=R_M))
    nearest_m = float(np.hypot(ground[0], ground[1] - top_m).min())
    # Samples stand 0.1 mm apart: the nearest point is missed by 2e-9 m at most.
    assert nearest_m == pytest.approx(R_M, abs=1e-8)


@pytest.mark.published("Length factors 1/cos: 15 deg 1.03528, 30 deg 1.15470 (derived)")
def test_slope_factors() -> None:
    assert slope_height([15.0, 30.0], reach_m=1.0) == pytest.approx([1.03528, 1.15470], abs=5e-6)


def test_missing_values_stay_missing_and_shapes_broadcast() -> None:
    assert np.isnan(setback([np.nan, 1.0], 1.0, reach_m=R_M)).tolist() == [True, False]
    assert np.isnan(local_height([0.5, np.nan], [np.nan, 0.1], reach_m=R_M)).all()
    assert np.isnan(reserve(np.nan, 0.1, 1.0, reach_m=R_M))
    assert np.isnan(slope_height(np.nan, reach_m=R_M))
    assert setback(np.zeros((3, 1)), np.ones(2), reach_m=R_M).shape == (3, 2)
    assert local_height([], [], reach_m=R_M).shape == (0,)


@pytest.mark.parametrize("reach_m", [0.0, -1.0, math.nan, math.inf])
def test_a_reach_has_to_be_above_0(reach_m: float) -> None:
    for question in (
        lambda: setback(0.0, 1.0, reach_m=reach_m),
        lambda: local_height(0.0, 1.0, reach_m=reach_m),
        lambda: reserve(0.0, 1.0, 1.0, reach_m=reach_m),
        lambda: slope_height(0.0, reach_m=reach_m),
    ):
        with pytest.raises(DesignError, match="reach is"):
            question()


def test_impossible_distances_and_slopes_are_refused() -> None:
    with pytest.raises(DesignError, match=r"distance is -0\.5 m"):
        local_height(0.0, [0.2, -0.5], reach_m=R_M)
    with pytest.raises(DesignError, match="distance is"):
        reserve(0.0, -0.1, 1.0, reach_m=R_M)
    for slope_deg in (90.0, -90.0, 120.0):
        with pytest.raises(DesignError, match="90 degrees"):
            slope_height(slope_deg, reach_m=R_M)
