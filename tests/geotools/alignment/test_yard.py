"""Check lines round rear yards: lengths by hand, and that line and house walls together leave no way in."""

from __future__ import annotations

import re
from typing import Any

import geopandas as gpd
import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from lot_cases import CASES, CORNER, HOUSE, LOT, Case, Town, make_town, moved_town
from shapely import Polygon, box

from geotools.alignment import draw_yard_lines, find_lot_ground
from geotools.design import BarrierStandard

OFFSET_M = BarrierStandard().lot_line_offset_m
RETURN_M = 0.6
"""The line meets a side wall this far behind its street corner."""


@pytest.fixture(scope="module")
def town() -> Town:
    return make_town()


@pytest.fixture(scope="module")
def ground(town: Town) -> gpd.GeoDataFrame:
    return find_lot_ground(*town)


@pytest.fixture(scope="module")
def lines(ground: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    return draw_yard_lines(ground)


def line_of(case: Case, **design: Any) -> Any:
    standard = BarrierStandard(**design)
    return draw_yard_lines(find_lot_ground(*make_town({"x": case}), standard=standard), standard=standard).iloc[0]


def test_every_parcel_has_its_row(town: Town, lines: gpd.GeoDataFrame) -> None:
    assert lines.index.equals(town.parcels.index)
    assert lines["line_id"].tolist() == [f"{name}-Y" for name in CASES]
    assert set(lines["option"]) == {"yard"}


def test_lots_without_a_line_say_why(lines: gpd.GeoDataFrame) -> None:
    gone = lines[lines.geometry.isna()]
    assert dict(zip(gone["parcel_id"], gone["reason"], strict=True)) == {
        "wash cuts an empty lot": "no house on the lot to close the yard with",
        "easement everywhere": "the easement leaves no yard beside the house",
        "no building": "no house on the lot to close the yard with",
        "house elsewhere": "no house on the lot to close the yard with",
        "house over all": "the house leaves no rear yard",
        "house to the rear": "the house leaves no rear yard",
        "missing lot": "the lot has no usable outline",
        "empty lot": "the lot has no usable outline",
        "tiny lot": "no house on the lot to close the yard with",
        "sliver lot": "no house on the lot to close the yard with",
    }
    assert not gone["covers_protected"].any()
    town = make_town({"x": CASES["plain"]})
    alone = draw_yard_lines(find_lot_ground(town.parcels, town.buildings))
    assert alone["reason"].item() == "no road near enough to tell the street side"


def sides_m(front_m: float, rear_m: float = 40.0) -> float:
    return 2 * (rear_m - OFFSET_M - front_m - RETURN_M)


@pytest.mark.parametrize(
    ("name", "length_m"),
    [
        ("plain", (20 - 2 * OFFSET_M) + sides_m(8) + 2 * (4 - OFFSET_M)),
        ("shed in the yard", (20 - 2 * OFFSET_M) + sides_m(8) + 2 * (4 - OFFSET_M)),
        ("court to the street", (20 - 2 * OFFSET_M) + sides_m(8) + 2 * (4 - OFFSET_M)),
        ("court to the rear", (20 - 2 * OFFSET_M) + sides_m(8) + 2 * (4 - OFFSET_M)),
        ("easement island", (20 - 2 * OFFSET_M) + sides_m(8) + 2 * (4 - OFFSET_M)),
        # The western side wall starts at 12 m, the eastern one at 8 m.
        ("garage to the street", (20 - 2 * OFFSET_M) + sides_m(8) - 4 + 2 * (4 - OFFSET_M)),
        # The outermost part of the western wall starts at 13 m and stands 2.5 m from the lot line.
        ("jog in the side wall", (20 - 2 * OFFSET_M) + sides_m(8) - 5 + (4 - OFFSET_M) + (2.5 - OFFSET_M)),
        ("easement at the rear", (20 - 2 * OFFSET_M) + sides_m(8, 37) + 2 * OFFSET_M + 2 * (4 - OFFSET_M)),
        ("wash behind the house", (20 - 2 * OFFSET_M) + sides_m(8, 25) + 2 * OFFSET_M + 2 * (4 - OFFSET_M)),
        # The house stands on the western lot line: the line starts at its rear corner.
        ("zero lot line", (20 - 2 * OFFSET_M) + sides_m(8) - (20 - 8 - RETURN_M) + (8 - OFFSET_M)),
        ("over the lot line", (20 - 2 * OFFSET_M) + sides_m(8) - (20 - 8 - RETURN_M) + (10 - OFFSET_M)),
    ],
)
def test_lengths_by_hand(lines: gpd.GeoDataFrame, name: str, length_m: float) -> None:
    row = lines.set_index("parcel_id").loc[name]
    # The line ends a millimetre from each wall and is rounded to one.
    assert row["length_m"] == pytest.approx(length_m, abs=0.02)
    assert row["length_m"] == pytest.approx(row["geometry"].length, abs=1e-9)


def test_lines_stay_on_their_lot_and_off_easements_washes_and_houses(
    town: Town, ground: gpd.GeoDataFrame, lines: gpd.GeoDataFrame
) -> None:
    drawn = lines[lines.geometry.notna()]
    lots = town.parcels.geometry.to_numpy()[drawn.index]
    assert shapely.length(shapely.difference(drawn.geometry.to_numpy(), shapely.buffer(lots, 0.001))).max() == 0
    for shapes in (town.easements.geometry, town.wash_ground.geometry, ground["house"]):
        inner = shapely.buffer(np.asarray(shapes), -0.001)  # vertices are rounded to a millimetre
        assert shapely.STRtree(inner).query(drawn.geometry.to_numpy(), predicate="intersects").size == 0


def closes(line: Any, house: Any, enclosed: Any) -> bool:
    """Whether nothing that starts outside gets into the enclosed ground but through line or house (2 mm of slack)."""
    barrier = shapely.union_all([line.buffer(0.002), house.buffer(0.001)])
    world = enclosed.union(house).envelope.buffer(10.0, join_style="mitre")
    free = shapely.get_parts(world.difference(barrier))
    outside = shapely.union_all(free[shapely.intersects(free, world.boundary)])
    tight = enclosed.boundary.difference(barrier.buffer(0.002)).length == 0
    # Vertices rounded to a millimetre leave slivers along the line.
    return bool(tight and outside.intersection(enclosed).area < 0.001 * enclosed.length)


def test_faces_of_line_and_walls_hold_the_yard(ground: gpd.GeoDataFrame, lines: gpd.GeoDataFrame) -> None:
    """The same by way of faces, where line and walls meet at right angles and can be snapped."""
    for name in ("plain", "garage to the street", "jog in the side wall", "zero lot line", "court to the rear"):
        row = lines[lines["parcel_id"] == name].iloc[0]
        house = ground.loc[row.name, "house"]
        parts = [shapely.snap(row["geometry"], house, 0.005), shapely.snap(house.boundary, row["geometry"], 0.005)]
        faces = [face for face in shapely.polygonize([shapely.union_all(parts)]).geoms if face.area > 1]
        yards = [face for face in faces if face.intersection(house).area < 1]
        assert len(yards) == 1, name
        assert yards[0].symmetric_difference(row["enclosed"]).area < 0.1


def test_line_and_house_walls_enclose_the_yard(ground: gpd.GeoDataFrame, lines: gpd.GeoDataFrame) -> None:
    houses = ground["house"].to_numpy()
    for row in lines.itertuples():
        if row.geometry is not None:
            assert closes(row.geometry, houses[row.Index], row.enclosed), row.parcel_id
    plain = lines.iloc[0]
    gap = plain["geometry"].difference(plain["geometry"].interpolate(0.3, normalized=True).buffer(0.05))
    assert not closes(gap, houses[0], plain["enclosed"])  # the check can fail


def test_the_yard_holds_the_protected_ground_that_may_be_built_on(
    ground: gpd.GeoDataFrame, lines: gpd.GeoDataFrame
) -> None:
    covered = lines["covers_protected"].to_numpy()
    wanted = shapely.intersection(ground["protected"].to_numpy()[covered], ground.geometry.to_numpy()[covered])
    left_m2 = shapely.area(shapely.difference(wanted, shapely.buffer(lines["enclosed"].to_numpy()[covered], 0.002)))
    assert covered.sum() > 15
    assert left_m2.max() < 0.01


def test_a_yard_in_two_pieces_does_not_cover_all() -> None:
    """A house from lot line to lot line but for one corner behind a wing: the smaller piece is left out, and said."""
    wing = Polygon([(0, 8), (20, 8), (20, 20), (14, 20), (14, 40), (12, 40), (12, 20), (0, 20)])
    row = line_of(Case(buildings=[wing]), lot_line_offset_m=0.0)
    assert row["enclosed"].area == pytest.approx(12 * 20, abs=0.1)
    assert not row["covers_protected"]


def test_only_a_rear_yard_is_covered_by_a_yard_line() -> None:
    for protect, covers in (("rear_yard", True), ("lot", False), ("house", False)):
        row = line_of(CASES["plain"], protect=protect)
        assert row["geometry"] is not None
        assert row["covers_protected"] == covers


def test_sheds_and_islands_within_the_yard_need_no_line_of_their_own(lines: gpd.GeoDataFrame) -> None:
    by_name = lines.set_index("parcel_id")
    for name in ("shed in the yard", "easement island", "lot with a hole"):
        assert by_name.loc[name, "geometry"].geom_type == "LineString", name
        assert len(by_name.loc[name, "enclosed"].interiors) == 0


def test_a_shed_on_the_line_lends_its_wall() -> None:
    plain, row = line_of(CASES["plain"]), line_of(Case(buildings=[HOUSE, box(-1, 30, 3, 34)]))
    assert row["length_m"] == pytest.approx(plain["length_m"] - 4, abs=0.02)
    assert row["geometry"].geom_type == "MultiLineString"


def test_small_yards_are_not_worth_a_line() -> None:
    case = Case(lot=box(0, 0, 20, 21), buildings=[box(0, 8, 20, 20)])
    assert line_of(case)["geometry"] is not None  # 0.7 m deep, 13.5 m2
    assert line_of(case, least_area_m2=14.0)["reason"] == "the house leaves no rear yard"


def test_sentence_holds_the_numbers_of_the_table(lines: gpd.GeoDataFrame) -> None:
    for row in lines[lines.geometry.notna()].itertuples():
        length_ft, offset_ft = (int(text) for text in re.findall(r"\d+", row.reason.partition(";")[0]))
        assert length_ft == round(row.length_m / 0.3048)
        assert offset_ft == 1
    at_the_line = line_of(CASES["plain"], lot_line_offset_m=0.0)
    assert at_the_line["reason"].endswith("around the rear yard")


def test_no_lots_at_all(town: Town) -> None:
    assert len(draw_yard_lines(find_lot_ground(*(layer.iloc[:0] for layer in town)))) == 0


@settings(max_examples=10, deadline=None)
@given(st.floats(0, 360), st.booleans(), st.tuples(st.floats(-9e4, 9e4), st.floats(-9e5, 9e5)))
def test_lines_move_with_the_town_and_close_everywhere(
    turn_deg: float, mirror: bool, by_m: tuple[float, float]
) -> None:
    town = make_town()
    here = draw_yard_lines(find_lot_ground(*town))
    ground = find_lot_ground(*moved_town(town, turn_deg=turn_deg, mirror=mirror, by_m=by_m))
    there = draw_yard_lines(ground)
    assert there.geometry.isna().tolist() == here.geometry.isna().tolist()
    # Vertices are rounded to a millimetre on either side: 1.5 mm an end, and up to twenty of them.
    assert there["length_m"].to_numpy() == pytest.approx(here["length_m"].to_numpy(), abs=0.03, nan_ok=True)
    assert there["covers_protected"].tolist() == here["covers_protected"].tolist()
    for row, house in zip(there.itertuples(), ground["house"].to_numpy(), strict=True):
        if row.geometry is not None:
            assert closes(row.geometry, house, row.enclosed), row.parcel_id


def test_mirrored_towns_have_mirrored_lines(town: Town, lines: gpd.GeoDataFrame) -> None:
    mirrored = draw_yard_lines(find_lot_ground(*moved_town(town, mirror=True)))
    expected = moved_town(town._replace(parcels=lines), mirror=True).parcels
    apart_m = shapely.hausdorff_distance(mirrored.geometry.to_numpy(), expected.geometry.to_numpy())
    assert np.nanmax(apart_m) < 0.003


def test_order_of_rows_does_not_matter(town: Town, lines: gpd.GeoDataFrame) -> None:
    shuffled = draw_yard_lines(find_lot_ground(*(layer.iloc[::-1] for layer in town))).sort_index()
    assert shuffled["length_m"].to_numpy() == pytest.approx(lines["length_m"].to_numpy(), abs=1e-6, nan_ok=True)
    assert shuffled["reason"].tolist() == lines["reason"].tolist()


@settings(max_examples=60, deadline=None)
@given(
    st.lists(
        st.tuples(st.integers(0, 16), st.integers(6, 30), st.integers(2, 9), st.integers(2, 9)), min_size=1, max_size=4
    ),
    st.sampled_from([0.0, OFFSET_M]),
)
def test_houses_of_any_boxes_close(boxes: list[tuple[int, int, int, int]], offset_m: float) -> None:
    """Wings, jogs, courts, sheds and houses on the lot line, put together at random."""
    case = Case(buildings=[box(x, y, x + wide, y + deep) for x, y, wide, deep in boxes])
    standard = BarrierStandard(lot_line_offset_m=offset_m)
    ground = find_lot_ground(*make_town({"x": case}), standard=standard)
    row = draw_yard_lines(ground, standard=standard).iloc[0]
    if row["geometry"] is not None:
        assert closes(row["geometry"], ground["house"].iloc[0], row["enclosed"])
        lot = shapely.transform(LOT, lambda points: points + CORNER).buffer(0.001)
        assert row["geometry"].difference(lot).length == 0
