"""Check the ground of awkward lots, made by hand, and that it does not hang on order, place or direction."""

from __future__ import annotations

import math
from typing import Any

import geopandas as gpd
import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from lot_cases import CASES, CORNER, CRS, HOUSE, LOT, NORTH_M, Case, Town, make_town, moved_town
from shapely import LineString, Polygon, box

from geotools.alignment import find_lot_ground
from geotools.design import BarrierStandard

OFFSET_M = BarrierStandard().lot_line_offset_m


def ground_of(case: Case | str, **how: Any) -> Any:
    town = make_town({"x": CASES[case] if isinstance(case, str) else case})
    return find_lot_ground(*town, **how).iloc[0]


def by_hand(shape: Any) -> Any:
    return shapely.transform(shape, lambda points: points + CORNER)


def same(one: Any, other: Any, tolerance_m: float = 1e-6) -> bool:
    """Whether two areas are the same but for roundings."""
    return bool(one.symmetric_difference(other).area <= tolerance_m * (1 + one.length))


@pytest.fixture(scope="module")
def town() -> Town:
    return make_town()


@pytest.fixture(scope="module")
def ground(town: Town) -> gpd.GeoDataFrame:
    return find_lot_ground(*town)


def test_every_parcel_has_its_row(town: Town, ground: gpd.GeoDataFrame) -> None:
    assert ground.index.equals(town.parcels.index)
    assert ground["parcel_id"].tolist() == list(CASES)
    for name in ("geometry", "lot", "house", "front", "protected"):
        assert not shapely.is_missing(ground[name].to_numpy()).any()
        assert shapely.is_valid(ground[name].to_numpy()).all()
        kinds = set(ground[name].geom_type)
        assert kinds <= {"Polygon", "MultiPolygon"}, name
        assert ground[name].crs == CRS
    assert set(ground.geom_type) == {"Polygon"}


def test_plain_lot_by_hand() -> None:
    row = ground_of("plain")
    assert same(row["geometry"], by_hand(box(OFFSET_M, OFFSET_M, 20 - OFFSET_M, 40 - OFFSET_M)))
    assert same(row["house"], by_hand(HOUSE))
    beside_house = shapely.union(by_hand(box(0, 20, 4, 20.6)), by_hand(box(16, 20, 20, 20.6)))
    assert same(row["protected"], by_hand(box(0, 20, 20, 40)).difference(beside_house))
    assert row["street_deg"] == 180.0
    assert (row["protect"], row["cut_by"]) == ("rear_yard", "")
    # The line returns to the house 0.6 m behind its street corners.
    behind = row["geometry"].difference(row["front"]).difference(row["house"])
    assert same(behind, row["geometry"].difference(by_hand(box(0, 0, 20, 8.6))).difference(row["house"]))


def test_what_is_protected_is_chosen() -> None:
    for name, area_m2 in (("lot", 800 - 144), ("house", 144)):
        row = ground_of("plain", standard=BarrierStandard(protect=name))
        assert row["protect"] == name
        assert row["protected"].area == pytest.approx(area_m2)
    assert ground_of("no building")["protect"] == "lot"
    assert ground_of("no building")["protected"].area == pytest.approx(800)


def test_obstacles_are_taken_out_and_named(town: Town, ground: gpd.GeoDataFrame) -> None:
    for name in ("easements", "wash_ground"):
        obstacles = shapely.union_all(getattr(town, name).geometry.to_numpy())
        assert shapely.area(shapely.intersection(ground.geometry.to_numpy(), obstacles)).max() < 1e-6
    cuts = dict(zip(ground["parcel_id"], ground["cut_by"], strict=True))
    assert cuts["easement at the rear"] == cuts["easement everywhere"] == "easement"
    assert cuts["wash behind the house"] == "wash"
    assert cuts["easement and wash"] == "easement and wash"
    beside = {"easement beside"}
    cut_names = {name for name in CASES if "wash" in name or "easement " in name} - beside
    assert {name for name, cut in cuts.items() if cut} == cut_names


def test_an_easement_that_only_touches_cuts_nothing() -> None:
    case = Case(easements=[box(20, 0, 25, 40)])
    assert ground_of(case, standard=BarrierStandard(lot_line_offset_m=0.0))["cut_by"] == ""


def test_of_two_pieces_the_one_with_the_house_else_the_larger() -> None:
    assert same(ground_of("wash behind the house")["geometry"], by_hand(box(OFFSET_M, OFFSET_M, 20 - OFFSET_M, 25)))
    assert ground_of("wash cuts an empty lot")["geometry"].area == pytest.approx((25 - OFFSET_M) * (20 - 2 * OFFSET_M))
    front_only = Case(buildings=[box(4, 30, 16, 36)], wash_ground=[box(-5, 25, 25, 28)])
    assert same(ground_of(front_only)["geometry"], by_hand(box(OFFSET_M, 28, 20 - OFFSET_M, 40 - OFFSET_M)))


def test_equal_pieces_are_chosen_alike_wherever_the_town_stands() -> None:
    """Halves of the same size: the southern one, and not whichever rounding makes larger."""
    case = Case(lot=box(0, 0, 20, 41), buildings=(), wash_ground=[box(-5, 19, 25, 22)])
    rng = np.random.default_rng(2)
    for by_m in rng.uniform(-5e4, 5e4, (10, 2)):
        row = find_lot_ground(*moved_town(make_town({"x": case}), by_m=tuple(by_m))).iloc[0]
        assert row["geometry"].bounds[1] - NORTH_M - by_m[1] == pytest.approx(OFFSET_M)


def test_necks_too_narrow_for_a_line_are_left_out_where_something_was_cut() -> None:
    case = Case(easements=[box(0, 24, 19.2, 26)])  # 0.5 m remain beside it
    assert ground_of(case)["geometry"].bounds[3] - NORTH_M == pytest.approx(24)


def test_offset_nothing_is_the_lot_itself(town: Town) -> None:
    row = ground_of("slanted lot", standard=BarrierStandard(lot_line_offset_m=0.0))
    assert same(row["geometry"], row["lot"])


def test_ground_keeps_the_offset(town: Town, ground: gpd.GeoDataFrame) -> None:
    there = ~ground.geometry.is_empty.to_numpy()
    edge_m = shapely.distance(ground.geometry.to_numpy()[there], shapely.boundary(ground["lot"].to_numpy()[there]))
    assert edge_m.min() >= OFFSET_M - 1e-6
    assert ground.geometry.is_empty.to_numpy().tolist() == [
        name in {"easement everywhere", "missing lot", "empty lot", "sliver lot"} for name in CASES
    ]


def test_houses_are_what_stands_on_the_lot(ground: gpd.GeoDataFrame) -> None:
    houses = ground.set_index("parcel_id")["house"]
    assert houses["over the lot line"].area == pytest.approx(10 * 12)
    assert houses["house over all"].area == pytest.approx(800)
    assert houses["neighbour's eaves"].area == pytest.approx(144)  # 0.4 m of eaves are survey noise
    assert houses["two touching parts"].geom_type == "Polygon"
    assert houses["house elsewhere"].is_empty
    # A footprint that runs along the lot line beyond it leaves an edge on the line, which is no building.
    assert houses["along the lot line"].area == pytest.approx(5 * 4 + 10.5 * 12)
    assert houses["shed in the yard"].area == pytest.approx(144 + 9)


@pytest.mark.parametrize("shed", [box(1, 34, 4, 37), box(17, 22, 19.5, 26), Polygon([(1, 30), (3, 32), (1, 34)])])
def test_a_shed_does_not_move_the_street_side(shed: Any) -> None:
    plain, with_shed = ground_of("plain"), ground_of(Case(buildings=[HOUSE, shed]))
    assert with_shed["street_deg"] == plain["street_deg"]
    assert same(with_shed["front"].intersection(by_hand(LOT)), plain["front"].intersection(by_hand(LOT)))


def test_courts_to_the_street_belong_to_the_front(ground: gpd.GeoDataFrame) -> None:
    row = ground.set_index("parcel_id").loc["court to the street"]
    court = shapely.transform(box(8, 8.6, 12, 14), lambda points: points + CORNER + (300.0, 0.0))
    assert row["front"].intersection(court).area == pytest.approx(court.area, abs=1e-6)


@pytest.mark.parametrize(("turn_deg", "street_deg"), [(0, 180), (90, 90), (180, 0), (270, 270), (30, 150), (-45, 225)])
def test_street_direction_turns_with_the_town(turn_deg: float, street_deg: float) -> None:
    town = moved_town(make_town({"x": CASES["plain"]}), turn_deg=turn_deg)
    assert find_lot_ground(*town)["street_deg"].item() == pytest.approx(street_deg, abs=1e-6)


def test_the_street_has_to_be_near() -> None:
    assert np.isnan(ground_of("plain", street_within_m=7.9)["street_deg"])
    assert ground_of("plain", street_within_m=8.1)["street_deg"] == 180
    row = ground_of("plain", street_within_m=7.9)
    assert row["protect"] == "lot"
    assert row["front"].is_empty


def test_roads_may_be_polygons_or_in_parts() -> None:
    town = make_town({"x": CASES["plain"]})
    for shape in (
        by_hand(box(-50, -12, 50, -4)),
        shapely.MultiLineString([by_hand(LineString([(-50, -8), (50, -8)]))]),
    ):
        roads = gpd.GeoDataFrame(geometry=[None, shape], crs=CRS)
        assert find_lot_ground(town.parcels, town.buildings, roads)["street_deg"].item() == 180


@pytest.mark.published("a corner lot fronts the street along its shorter side: common zoning practice, no source")
def test_a_corner_lot_faces_the_street_along_its_shorter_side() -> None:
    """The plain lot is 20 m wide and 40 m deep, its street south; seen from a second street it is 40 m wide."""
    town = make_town({"x": CASES["plain"]})
    for east_m in (25, 32, 40):
        side = by_hand(LineString([(east_m, -50), (east_m, 90)]))
        roads = gpd.GeoDataFrame(geometry=[side, *town.roads.geometry], crs=CRS)
        assert find_lot_ground(town.parcels, town.buildings, roads)["street_deg"].item() == 180
    only = gpd.GeoDataFrame(geometry=[by_hand(LineString([(25, -50), (25, 90)]))], crs=CRS)
    assert find_lot_ground(town.parcels, town.buildings, only)["street_deg"].item() == 90
    wide = gpd.GeoDataFrame({"parcel_id": ["x"]}, geometry=[by_hand(box(-40, 0, 20, 40))], crs=CRS)
    both = gpd.GeoDataFrame(geometry=[*only.geometry, *town.roads.geometry], crs=CRS)
    assert find_lot_ground(wide, town.buildings, both)["street_deg"].item() == 90


def test_equally_near_streets_are_chosen_alike_in_any_order() -> None:
    """The house's middle, (10, 14), is 22 m from both streets; the lot is nearer to the southern one."""
    town = make_town({"x": CASES["plain"]})
    side = by_hand(LineString([(32, -50), (32, 90)]))
    for streets in ([side, *town.roads.geometry], [*town.roads.geometry, side]):
        roads = gpd.GeoDataFrame(geometry=streets, crs=CRS)
        for by_m in ((0.0, 0.0), (0.1, 0.3), (1234.567, -77.77)):
            moved = moved_town(town._replace(roads=roads), by_m=by_m)
            assert find_lot_ground(*moved)["street_deg"].item() == 180


def test_streets_at_the_same_distance_of_house_and_lot_are_taken_clockwise_from_north() -> None:
    square = Case(lot=box(0, 0, 20, 20), buildings=[box(5, 5, 15, 15)])
    town = make_town({"x": square})
    sides = [
        by_hand(LineString(ends)) for ends in ([(-8, -50), (-8, 90)], [(-50, 28), (90, 28)], [(28, -50), (28, 90)])
    ]
    for order in ([0, 1, 2], [2, 1, 0], [1, 0, 2]):
        roads = gpd.GeoDataFrame(geometry=[*town.roads.geometry, *(sides[at] for at in order)], crs=CRS)
        assert find_lot_ground(town.parcels, town.buildings, roads)["street_deg"].item() == 0
        roads = gpd.GeoDataFrame(geometry=[*town.roads.geometry, *(sides[at] for at in order if at != 1)], crs=CRS)
        assert find_lot_ground(town.parcels, town.buildings, roads)["street_deg"].item() == 90


def test_missing_layers_empty_layers_and_missing_shapes() -> None:
    town = make_town({"x": CASES["plain"], "y": CASES["missing lot"]})
    nothing = gpd.GeoDataFrame(geometry=gpd.GeoSeries([], crs=CRS))
    gone = gpd.GeoDataFrame(geometry=gpd.GeoSeries([None, Polygon()], crs=CRS))
    for layer in (None, nothing, gone):
        alone = find_lot_ground(town.parcels, layer, layer, layer, layer)
        assert alone["house"].is_empty.all()
        assert alone["protect"].tolist() == ["lot", "lot"]
        assert alone.area.tolist() == pytest.approx([(20 - 2 * OFFSET_M) * (40 - 2 * OFFSET_M), 0.0])
    none = find_lot_ground(town.parcels.iloc[:0], town.buildings, town.roads, town.easements, town.wash_ground)
    assert len(none) == 0
    assert len(find_lot_ground(*(layer.iloc[:0] for layer in town))) == 0


def test_order_of_rows_does_not_matter(town: Town, ground: gpd.GeoDataFrame) -> None:
    rng = np.random.default_rng(4)
    shuffled = find_lot_ground(*(layer.iloc[rng.permutation(len(layer))] for layer in town)).sort_index()
    for name in ("geometry", "house", "front", "protected"):
        differ_m2 = shapely.area(shapely.symmetric_difference(shuffled[name].to_numpy(), ground[name].to_numpy()))
        assert differ_m2.max() < 1e-6, name
    assert shuffled["cut_by"].tolist() == ground["cut_by"].tolist()
    assert shuffled["street_deg"].to_numpy() == pytest.approx(ground["street_deg"].to_numpy(), nan_ok=True)


@settings(max_examples=12, deadline=None)
@given(st.floats(0, 360), st.booleans(), st.tuples(st.floats(-9e4, 9e4), st.floats(-9e5, 9e5)))
def test_ground_moves_with_the_town(turn_deg: float, mirror: bool, by_m: tuple[float, float]) -> None:
    town = make_town()
    here = find_lot_ground(*town)
    there = find_lot_ground(*moved_town(town, turn_deg=turn_deg, mirror=mirror, by_m=by_m))
    # The walls of the turned house are not square to its fitted rectangle: which corner is outermost may turn with it.
    for name in ("geometry", "house", "protected"):
        # Coordinates of millions of metres are kept to 1e-9 m; areas of a lot to 1e-6 m2.
        assert there[name].area.to_numpy() == pytest.approx(here[name].area.to_numpy(), abs=1e-4), name
    bearing = -here["street_deg"] if mirror else here["street_deg"]
    turned = (there["street_deg"] - (bearing - turn_deg) + 180) % 360 - 180
    assert np.nanmax(np.abs(turned.to_numpy())) < 1e-5
    assert there["street_deg"].isna().tolist() == here["street_deg"].isna().tolist()
    assert there["street_deg"].dropna().between(0, 360, inclusive="left").all()


def test_many_obstacles_on_one_lot() -> None:
    """Ten easements one after the other, against one union."""
    strips = [box(1 + 1.7 * number, 25, 1.9 + 1.7 * number, 39) for number in range(10)]
    row = ground_of(Case(easements=strips))
    naive = by_hand(box(OFFSET_M, OFFSET_M, 20 - OFFSET_M, 40 - OFFSET_M)).difference(
        by_hand(shapely.union_all(strips))
    )
    opened = naive.buffer(-0.3, join_style="mitre").buffer(0.3, join_style="mitre").intersection(naive)
    largest = max(shapely.get_parts(opened), key=lambda part: part.area)
    assert same(row["geometry"], largest)
    assert math.isclose(row["geometry"].area, largest.area, abs_tol=1e-6)
