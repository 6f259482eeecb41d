"""Check lines round houses on awkward lots: lengths by hand, clearances by distance, and the sentences."""

from __future__ import annotations

import math
import re
from typing import Any

import geopandas as gpd
import numpy as np
import pytest
import shapely
from lot_cases import CASES, CRS, EAST_M, NORTH_M, Case, Town, make_town, moved_town
from shapely import Point, box

from geotools.alignment import draw_house_loops, find_lot_ground
from geotools.design import BarrierStandard
from geotools.reach import find_conflicts, measure_setbacks

STANDARD = BarrierStandard()
CLEAR_M, OFFSET_M, R_M = STANDARD.house_clearance_m, STANDARD.lot_line_offset_m, STANDARD.reach_m


@pytest.fixture(scope="module")
def town() -> Town:
    return make_town()


@pytest.fixture(scope="module")
def ground(town: Town) -> gpd.GeoDataFrame:
    return find_lot_ground(*town)


@pytest.fixture(scope="module")
def loops(ground: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    return draw_house_loops(ground)


def rocks(*at: tuple[float, float], height_m: float = 1.0) -> gpd.GeoDataFrame:
    points = [Point(EAST_M + x, NORTH_M + y) for x, y in at]
    shapes = gpd.GeoSeries(points, crs=CRS)
    columns = {"kind": ["rock"] * len(at), "height_m": [height_m] * len(at)}
    return measure_setbacks(gpd.GeoDataFrame(columns, geometry=shapes))


def loop_of(case: Case | str, footholds: gpd.GeoDataFrame | None = None, **how: Any) -> Any:
    town = make_town({"x": CASES[case] if isinstance(case, str) else case})
    return draw_house_loops(find_lot_ground(*town), footholds, **how).iloc[0]


def test_every_parcel_has_its_row(town: Town, loops: gpd.GeoDataFrame) -> None:
    assert loops.index.equals(town.parcels.index)
    assert loops["line_id"].tolist() == [f"{name}-H" for name in CASES]
    assert set(loops["option"]) == {"house loop"}


def test_lots_without_a_loop_say_why(loops: gpd.GeoDataFrame) -> None:
    gone = loops[loops.geometry.isna()]
    reasons = dict(zip(gone["parcel_id"], gone["reason"], strict=True))
    assert reasons["missing lot"] == reasons["empty lot"] == "the lot has no usable outline"
    assert reasons["no building"] == reasons["house elsewhere"] == "no house on the lot"
    assert reasons["zero lot line"] == "a building stands 0 in from the lot line; a loop needs 4 ft"
    assert (
        reasons["wash through the house"] == "the house stands too near to the wash or the lot line; a loop needs 4 ft"
    )
    assert all(text for text in reasons.values())
    assert not {"plain", "court to the rear", "turned house", "shed in the yard"} & set(reasons)


@pytest.mark.parametrize(
    ("name", "hull_m"),
    [("plain", 48.0), ("garage to the street", 4 * 2 + 12 + 14 + 10 + math.hypot(6, 4)), ("court to the rear", 52.0)],
)
def test_lengths_by_hand(loops: gpd.GeoDataFrame, name: str, hull_m: float) -> None:
    hull_m = shapely.convex_hull(shapely.union_all(CASES[name].buildings)).length if name != "plain" else hull_m
    length_m = loops.set_index("parcel_id").loc[name, "length_m"]
    exact_m = hull_m + 2 * math.pi * CLEAR_M
    # Drawn outside the true curve, longer by less than 0.1 %; vertices are rounded to a millimetre.
    assert exact_m - 0.01 < length_m < exact_m * 1.001 + 0.01


def test_loops_keep_clear_and_stay_on_the_ground(ground: gpd.GeoDataFrame, loops: gpd.GeoDataFrame) -> None:
    drawn = loops.index[loops.geometry.notna()]
    lines = loops.geometry.to_numpy()[drawn]
    away_m = shapely.distance(lines, ground["house"].to_numpy()[drawn])
    assert away_m.min() >= CLEAR_M - 0.0025  # a millimetre each for drawing and rounding
    assert shapely.covers(shapely.buffer(ground.geometry.to_numpy()[drawn], 0.003), lines).all()
    assert shapely.covers(loops["enclosed"].to_numpy()[drawn], ground["house"].to_numpy()[drawn]).all()
    assert shapely.is_closed(lines).all()


def test_a_near_rock_is_kept_off_or_taken_inside_and_said() -> None:
    plain = loop_of("plain")
    near = loop_of("plain", rocks((10, 21.5)))  # 1.5 m behind the house
    assert plain["length_m"] < near["length_m"]
    inside = near["enclosed"].contains(Point(EAST_M + 10, NORTH_M + 21.5))
    assert ("rock F00001 taken inside" in near["reason"]) == inside
    assert inside
    far = loop_of("plain", rocks((10, 30)))
    assert far["length_m"] == pytest.approx(plain["length_m"], abs=1e-6)
    assert "F00001" not in far["reason"]


def test_no_loop_is_in_conflict_with_the_things_it_was_drawn_for() -> None:
    rng = np.random.default_rng(6)
    at = [tuple(xy) for xy in rng.uniform([0, 0], [20, 40], (12, 2))]
    footholds = rocks(*at, height_m=0.6)
    town = make_town({"x": CASES["plain"]})
    loop = draw_house_loops(find_lot_ground(*town), footholds)
    assert loop["length_m"].notna().all()
    conflicts = find_conflicts(loop, footholds)
    # Drawing and rounding may take a millimetre each.
    assert (conflicts["setback_m"] - conflicts["distance_m"] < 0.003).all()


def test_things_on_the_ground_ask_for_nothing() -> None:
    flat = loop_of("plain", rocks((10, 21), (3.2, 14), height_m=0.0))
    assert flat["length_m"] == loop_of("plain")["length_m"]


def test_many_names_are_counted() -> None:
    row = loop_of("plain", rocks(*[(5 + 2 * number, 21.2) for number in range(5)]))
    assert "2 more taken inside" in row["reason"]


def test_sentence_holds_the_numbers_of_the_table(loops: gpd.GeoDataFrame) -> None:
    for row in loops[loops.geometry.notna()].itertuples():
        assert int(re.findall(r"\d+", row.reason)[0]) == round(row.length_m / 0.3048)


def test_only_a_house_is_covered_by_a_house_loop() -> None:
    town = make_town({"x": CASES["plain"]})
    for protect, covers in (("rear_yard", False), ("lot", False), ("house", True)):
        standard = BarrierStandard(protect=protect)
        table = draw_house_loops(find_lot_ground(*town, standard=standard), standard=standard)
        assert table["covers_protected"].item() == covers


def test_no_lots_and_no_things_at_all(town: Town) -> None:
    nothing = rocks()
    assert len(draw_house_loops(find_lot_ground(*(layer.iloc[:0] for layer in town)), nothing)) == 0
    assert loop_of("plain", nothing)["length_m"] == loop_of("plain")["length_m"]
    lost = make_town({"a": CASES["missing lot"], "b": CASES["no building"]})
    table = draw_house_loops(find_lot_ground(*lost), rocks((0, 0)))
    assert table.geometry.isna().all()


def test_a_footprint_beyond_the_lot_line_does_not_break_the_run() -> None:
    case = Case(
        buildings=[shapely.Polygon([(15, 8), (26, 8), (26, 18), (20, 18), (20, 12), (15, 12)]), box(4, 8, 14.5, 20)]
    )
    assert "0 in from the lot line" in loop_of(case)["reason"]


def test_loops_move_with_the_town(town: Town, loops: gpd.GeoDataFrame) -> None:
    for how in ({"mirror": True}, {"turn_deg": 33.0}, {"by_m": (1234.5678, -9876.54321)}):
        there = draw_house_loops(find_lot_ground(*moved_town(town, **how)))
        assert there.geometry.isna().tolist() == loops.geometry.isna().tolist()
        # Curves are drawn from another corner: up to 0.1 % of some metres of curve.
        assert there["length_m"].to_numpy() == pytest.approx(loops["length_m"].to_numpy(), abs=0.03, nan_ok=True)


def test_order_of_rows_does_not_matter(town: Town, loops: gpd.GeoDataFrame) -> None:
    shuffled = draw_house_loops(find_lot_ground(town.parcels.iloc[::-1], *town[1:])).sort_index()
    assert shuffled["length_m"].to_numpy() == pytest.approx(loops["length_m"].to_numpy(), abs=1e-6, nan_ok=True)
    assert shuffled["reason"].tolist() == loops["reason"].tolist()
