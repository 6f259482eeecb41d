"""Check the four ways out of a conflict: what each takes, when it is open, and which is cheapest."""

from __future__ import annotations

import math
import warnings
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely

from geotools.errors import Assumed, DesignError, StepError
from geotools.reach import find_conflicts, measure_setbacks, price_remedies

CRS = 32612
YARD = shapely.box(0, 0, 20, 20)
R_M = 0.9144


def ground_of(house: Any = None, allowed: Any = None) -> gpd.GeoDataFrame:
    house = house or shapely.box(8, 8, 12, 12)
    table = gpd.GeoDataFrame({"parcel_id": ["1"]}, geometry=[allowed or shapely.box(-5, -5, 25, 25)], crs=CRS)
    return table.assign(
        house=gpd.GeoSeries([house], crs=CRS), lot=gpd.GeoSeries([shapely.box(-6, -6, 26, 26)], crs=CRS)
    )


def priced(
    shape: Any, height_m: float | None = 0.5, kind: str | None = "rock", ground: Any = None, **options: Any
) -> Any:
    line = gpd.GeoDataFrame(
        {"line_id": ["A"], "parcel_id": ["1"], "option": ["yard"]}, geometry=[YARD.exterior], crs=CRS
    ).assign(enclosed=gpd.GeoSeries([YARD], crs=CRS))
    thing = gpd.GeoDataFrame({"kind": [kind], "height_m": [height_m]}, geometry=[shape], crs=CRS).astype({"kind": str})
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", Assumed)
        return price_remedies(find_conflicts(line, measure_setbacks(thing)), line, ground, **options).iloc[0]


def test_holding_the_setback_takes_an_arc_for_a_chord() -> None:
    """Setback S, distance e: 2 S acos(e / S) - 2 sqrt(S^2 - e^2); drawn arcs of 16 steps a quarter are 0.04 % short."""
    setback_m = math.sqrt(R_M**2 - (R_M - 0.5) ** 2)
    row = priced(shapely.Point(10, -0.4))
    exact_m = 2 * setback_m * math.acos(0.4 / setback_m) - 2 * math.sqrt(setback_m**2 - 0.16)
    assert row["hold_extra_m"] == pytest.approx(exact_m, abs=0.003)
    assert row["hold_cost"] == pytest.approx(row["hold_extra_m"] * 80 + 160)


def test_a_house_in_the_way_closes_the_setback() -> None:
    assert np.isnan(priced(shapely.Point(10, -0.1), ground=ground_of(house=shapely.box(8, 0.5, 12, 9)))["hold_cost"])
    assert priced(shapely.Point(10, -0.1), ground=ground_of())["hold_cost"] > 0


def test_taking_it_inside_needs_ground_on_its_far_side() -> None:
    rock = shapely.Point(10, -0.5)
    assert np.isnan(priced(rock)["inside_cost"])
    row = priced(rock, ground=ground_of())
    # From places 0.98 m to both sides (1.1 m from the rock) by tangents round a disc of 0.3 m, 0.5 m off the line.
    half_m, tangent_m = math.sqrt(1.1**2 - 0.5**2), math.sqrt(1.1**2 - 0.3**2)
    turn = math.pi / 2 + math.atan2(0.5, half_m) - math.acos(0.3 / 1.1)
    assert row["inside_extra_m"] == pytest.approx(2 * tangent_m + 2 * 0.3 * turn - 2 * half_m, abs=0.002)
    assert row["inside_cost"] == pytest.approx(row["inside_extra_m"] * 80 + 4 * 40)
    tight = ground_of(allowed=shapely.box(-0.2, -0.2, 20.2, 20.2))
    assert np.isnan(priced(rock, ground=tight)["inside_cost"])


def test_a_detour_that_needs_the_house_is_no_way() -> None:
    # The rock stands clear of the house, 0.2 m further out; the clearance of 0.3 m does not fit between them.
    beside = ground_of(house=shapely.box(9, -2, 11, -0.7))
    assert np.isnan(priced(shapely.Point(10, -0.5), ground=beside)["inside_cost"])
    assert priced(shapely.Point(10, -0.5), ground=beside, inside_clearance_m=0.1)["inside_cost"] > 0


@pytest.mark.parametrize(("side_m", "is_open"), [(2.2, False), (2.4, True)])
def test_a_setback_that_takes_more_than_a_quarter_of_the_ground_is_no_way(side_m: float, is_open: bool) -> None:
    """Half a disc of 0.9144 m is 1.313 m2: more than a quarter of 4.84 m2, less than one of 5.76 m2."""
    yard = shapely.box(0, 0, side_m, side_m)
    line = gpd.GeoDataFrame({"line_id": ["A"], "parcel_id": ["1"], "option": ["yard"]}, geometry=[yard.exterior])
    line = line.set_crs(CRS).assign(enclosed=gpd.GeoSeries([yard], crs=CRS))
    post = gpd.GeoDataFrame({"kind": ["post"], "height_m": [2.0]}, geometry=[shapely.Point(side_m / 2, 0)], crs=CRS)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", Assumed)
        row = price_remedies(find_conflicts(line, measure_setbacks(post)), line).iloc[0]
    assert np.isfinite(row["hold_cost"]) == is_open
    # Half a circle for its diameter.
    assert not is_open or row["hold_extra_m"] == pytest.approx((math.pi - 2) * R_M, abs=0.003)


@pytest.mark.parametrize(("height_m", "built_in"), [(1.30, 84), (1.32, None)])
def test_nothing_is_raised_over_7_ft(height_m: float, built_in: int | None) -> None:
    """0.4 m off the reach goes 0.822 m up: 2.122 m is below 84 in, 2.142 m asks for 90 in."""
    row = priced(shapely.Point(10, -0.4), height_m)
    expected = None if built_in is None else 8 * 0.3048 * (built_in - 36) * 0.0254 * 60 + 35
    assert np.isnan(row["raise_cost"]) if expected is None else row["raise_cost"] == pytest.approx(expected)
    assert priced(shapely.Point(10, -0.4), height_m, build_over_m=2.3)["raise_cost"] > 0


def test_whose_ground_it_stands_on_is_known_with_the_ground_alone() -> None:
    assert pd.isna(priced(shapely.Point(10, -0.4))["on_lot"])
    assert bool(priced(shapely.Point(10, -0.4), ground=ground_of())["on_lot"])


def test_raising_is_priced_by_area_and_panel() -> None:
    """1/2 m high at 0.4 m: 0.5 + 0.822 = 1.322 m, built 54 in: 18 in more over a panel of 8 ft."""
    row = priced(shapely.Point(10, -0.4))
    assert row["local_height_m"] / 0.0254 == pytest.approx(54)
    assert row["raise_length_m"] == pytest.approx(8 * 0.3048)
    assert row["raise_cost"] == pytest.approx(8 * 0.3048 * 18 * 0.0254 * 60 + 35)


def test_a_long_thing_is_raised_over_all_of_its_length() -> None:
    row = priced(shapely.LineString([(5, -0.4), (15, -0.4)]))
    assert row["raise_length_m"] == pytest.approx(10 + 2 * math.sqrt(R_M**2 - 0.16), abs=0.01)


@pytest.mark.parametrize(
    ("kind", "cost"),
    [
        ("shrub", 75),
        ("Palo Verde tree", 75),
        ("boulder", 120),
        (None, 120),
        ("retaining wall", None),
        ("pool-pump steps", None),
    ],
)
def test_what_grows_is_trimmed_what_stands_is_removed_and_what_is_fixed_stays(
    kind: str | None, cost: float | None
) -> None:
    clear = priced(shapely.Point(10, -0.4), kind=kind)["clear_cost"]
    assert np.isnan(clear) if cost is None else clear == cost


def test_a_canopy_over_the_line_is_trimmed_or_taken_inside() -> None:
    row = priced(shapely.Point(10, -0.5).buffer(1.5), height_m=2.0, kind="mesquite canopy", ground=ground_of())
    assert row["overhangs"]
    assert np.isnan(row["hold_cost"])
    assert np.isnan(row["raise_cost"])
    assert row["inside_cost"] > 0
    assert row["cheapest"] == "clear"
    assert "no setback helps" in row["remedy"]


def test_a_trunk_on_the_line_does_not_hang_over_it() -> None:
    row = priced(shapely.Point(10, 0), height_m=2.0, kind="tree")
    assert not row["overhangs"]
    assert row["hold_cost"] > 0


def test_the_cheapest_is_recommended_and_all_are_said() -> None:
    row = priced(shapely.Point(10, -0.4), price_remove=1.0)
    assert (row["cheapest"], row["cheapest_cost"]) == ("clear", 1.0)
    assert row["remedy"] == "remove it; or bend the line inward to keep 33 in away, or build 4 ft 6 in high over 8 ft"
    assert (
        priced(shapely.Point(10, -0.4), price_remove=999.0, price_line_per_m=0.0, price_bend=0.0)["cheapest"] == "hold"
    )


def test_a_thing_of_unknown_height_is_not_raised_over() -> None:
    row = priced(shapely.Point(10, -0.4), height_m=None)
    assert np.isnan(row["raise_cost"])
    assert row["remedy"].endswith("height not known: measure it")


def test_no_way_out_is_said() -> None:
    wall = shapely.LineString([(-1, -0.1), (21, -0.1)])
    tight = ground_of(shapely.box(1, 0.2, 19, 9), allowed=YARD)
    row = priced(wall, 1.8, "block wall", tight, build_over_m=1.0)
    assert row["cheapest"] == ""
    assert np.isnan(row["cheapest_cost"])
    assert row["remedy"].startswith("no way out on this line")


def test_other_peoples_ground_is_said() -> None:
    beyond = ground_of().assign(lot=gpd.GeoSeries([YARD], crs=CRS))
    row = priced(shapely.Point(10, -0.4), ground=beyond, price_remove=1.0)
    assert not row["on_lot"]
    assert "ask its owner first" in row["remedy"]


def test_no_conflicts_give_an_empty_table_and_bad_prices_are_refused() -> None:
    far = gpd.GeoDataFrame({"kind": ["rock"], "height_m": [0.5]}, geometry=[shapely.Point(99, 99)], crs=CRS)
    line = gpd.GeoDataFrame(
        {"line_id": ["A"], "parcel_id": ["1"], "option": ["yard"]}, geometry=[YARD.exterior], crs=CRS
    )
    line = line.assign(enclosed=gpd.GeoSeries([YARD], crs=CRS))
    conflicts = find_conflicts(line, measure_setbacks(far))
    with pytest.warns(Assumed, match="invented"):
        assert price_remedies(conflicts, line, ground_of()).empty
    with pytest.raises(DesignError, match="price_trim is -1"):
        price_remedies(conflicts, line, price_trim=-1)
    near = find_conflicts(line, measure_setbacks(far.set_geometry([shapely.Point(10, -0.2)], crs=CRS)))
    with pytest.warns(Assumed), pytest.raises(StepError, match="no line 'A'"):
        price_remedies(near, line.assign(line_id="B"))
