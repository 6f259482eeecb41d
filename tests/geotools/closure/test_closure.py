"""Closure on plans drawn by hand: every verdict can be read off the sketch."""

from __future__ import annotations

from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from shapely import LineString, Point, Polygon, box

from geotools.closure import find_ways_in, prove_closure
from geotools.errors import Assumed, CrsError, DesignError, LayerError, Noticed

CRS = 26912
DESERT = box(-200, 40, 400, 300)


def layer(shapes: list[Any], **columns: Any) -> gpd.GeoDataFrame:
    return gpd.GeoDataFrame(columns, geometry=shapes, crs=CRS)


def lots(*yards: Polygon | None, houses: list[Polygon | None] | None = None) -> gpd.GeoDataFrame:
    table = layer(list(yards), parcel_id=[f"L{n}" for n in range(1, len(yards) + 1)])
    table["protected"] = gpd.GeoSeries(list(yards), crs=CRS)
    if houses is not None:
        table["house"] = gpd.GeoSeries(houses, crs=CRS)
    return table


def walls(*lines: tuple[LineString, bool]) -> gpd.GeoDataFrame:
    return layer([line for line, _ in lines], sound_now=[sound for _, sound in lines])


def line(*xy: tuple[float, float]) -> LineString:
    return LineString(xy)


def prove(
    ground: gpd.GeoDataFrame, barriers: gpd.GeoDataFrame, gates: gpd.GeoDataFrame | None = None, **options: Any
) -> gpd.GeoDataFrame:
    return prove_closure(ground, layer([DESERT]), barriers, gates, **options)


ROW = [box(20 * n, 0, 20 * n + 20, 36) for n in range(3)]
"""Three yards side by side, 4 m south of the desert, their rear wall along y = 36."""
REAR = [line((20 * n, 36), (20 * n + 20, 36)) for n in range(3)]
FRONT = [line((20 * n, 0), (20 * n + 20, 0)) for n in range(3)]
SIDES = [line((20 * n, 0), (20 * n, 36)) for n in range(4)]


def row_walls(
    rear: tuple[bool | None, ...] = (True, True, True), sides: tuple[bool | None, ...] = (True, True, True, True)
) -> gpd.GeoDataFrame:
    kept = [(one, sound) for one, sound in zip([*REAR, *SIDES], [*rear, *sides], strict=True) if sound is not None]
    return walls(*[(one, bool(sound)) for one, sound in kept], *[(front, True) for front in FRONT])


class TestThreeLotsInARow:
    def test_all_sound(self) -> None:
        closure = prove(lots(*ROW), row_walls())
        assert closure["closed_now"].tolist() == [True] * 3
        assert closure["closable"].all()
        assert closure["ways_in"].tolist() == [0, 0, 0]
        assert closure["mend_length_m"].tolist() == [0.0] * 3
        assert closure.geometry.isna().all()
        assert find_ways_in(closure).empty

    def test_middle_rear_wall_low_opens_only_the_middle(self) -> None:
        closure = prove(lots(*ROW), row_walls(rear=(True, False, True)))
        assert closure["closed_now"].tolist() == [True, False, True]
        assert closure["closable"].all()
        assert closure["mend_length_m"].tolist() == pytest.approx([0, 20, 0])

    def test_low_side_wall_lets_in_by_the_neighbour(self) -> None:
        # The rear wall of lot 2 (20 m) is cheaper to mend than the side wall between lots 2 and 3 (36 m).
        closure = prove(lots(*ROW), row_walls(rear=(True, False, True), sides=(True, True, False, True)))
        assert closure["closed_now"].tolist() == [True, False, False]
        assert closure["mend_length_m"].tolist() == pytest.approx([0, 20, 20])
        ways = find_ways_in(closure)
        assert ways["parcel_id"].tolist() == ["L2", "L3"]
        assert all(shape.equals(REAR[1]) for shape in shapely.normalize(ways.geometry.to_numpy()))

    def test_neighbours_missing_wall(self) -> None:
        closure = prove(lots(*ROW), row_walls(rear=(True, None, True), sides=(True, True, None, True)))
        assert closure["closed_now"].tolist() == [True, False, False]
        assert closure["closable"].tolist() == [True, False, False]
        assert "by way of lot L2" in closure["why"].iloc[2]
        assert closure["mend_length_m"].isna().tolist() == [False, True, True]
        ways = find_ways_in(closure)
        assert ways["kind"].tolist() == ["open side", "open side"]
        # Lot 2 lies open over its rear (20 m) and its side (36 m), lot 3 over the side alone.
        assert ways["length_m"].tolist() == pytest.approx([56, 36])

    def test_neighbours_missing_side_wall_behind_a_low_rear_wall(self) -> None:
        closure = prove(lots(*ROW), row_walls(rear=(True, False, False), sides=(True, True, None, True)))
        assert closure["closable"].all()
        assert closure["mend_length_m"].tolist() == pytest.approx([0, 40, 40])
        assert closure["ways_in"].tolist() == [0, 2, 2]

    def test_lots_without_protected_ground(self) -> None:
        closure = prove(lots(ROW[0], None, Polygon(), box(60, 0, 60.2, 20)), row_walls())
        assert closure["closed_now"].tolist() == [True, False, False, False]
        assert closure["closable"].tolist() == [True, False, False, False]
        assert all("no ground to protect" in why for why in closure["why"].iloc[1:])
        assert closure["reached_pct"].isna().tolist() == [False, True, True, True]
        assert prove(lots(None), row_walls())["closed_now"].tolist() == [False]

    def test_stacked_lots_and_kept_index(self) -> None:
        ground = lots(ROW[1], ROW[1], ROW[0]).set_axis([7, 3, 5])
        closure = prove(ground, row_walls(rear=(True, False, True)))
        assert closure.index.tolist() == [7, 3, 5]
        assert closure["mend_length_m"].tolist() == pytest.approx([20, 20, 0])


class TestTolerance:
    """A rear wall that stops short of a house."""

    HOUSE = box(0, -10, 20, 10)
    YARD = box(0, 10, 20, 36)

    def three_sided(self, short_m: float) -> gpd.GeoDataFrame:
        return walls((line((0, 10), (0, 36), (20, 36), (20, 10 + short_m)), True))

    @pytest.mark.parametrize(
        ("short_m", "closed"), [(0.0, True), (0.04, True), (0.05, True), (0.06, False), (0.3, False)]
    )
    def test_wall_end_short_of_a_house(self, short_m: float, closed: bool) -> None:
        closure = prove(lots(self.YARD, houses=[self.HOUSE]), self.three_sided(short_m))
        assert closure["closed_now"].tolist() == [closed]
        assert closure["closable"].tolist() == [True]
        if not closed:
            ways = find_ways_in(closure)
            assert ways["kind"].tolist() == ["gap"]
            assert ways["opening_m"].tolist() == pytest.approx(
                [short_m], abs=0.002
            )  # coordinates are rounded to a millimetre

    def test_stated_tolerance_is_the_standards(self) -> None:
        from geotools.design import BarrierStandard

        ground = lots(self.YARD, houses=[self.HOUSE])
        wide = BarrierStandard(snap_m=0.1)
        assert prove(ground, self.three_sided(0.09), standard=wide)["closed_now"].all()
        assert not prove(ground, self.three_sided(0.11), standard=wide)["closed_now"].any()

    def test_gap_longer_than_can_be_filled_is_open_ground(self) -> None:
        ground = lots(self.YARD, houses=[self.HOUSE])
        assert prove(ground, self.three_sided(2.9))["closable"].all()
        assert not prove(ground, self.three_sided(3.1))["closable"].any()
        assert prove(ground, self.three_sided(3.1), gap_m=4.0)["closable"].all()

    def test_one_line_that_misses_its_own_start(self) -> None:
        yard = box(0, 0, 20, 36)
        for miss_m, closed in ((0.03, True), (0.08, False)):
            ring = line((0, 0), (20, 0), (20, 36), (0, 36), (0, miss_m))
            assert prove(lots(yard), walls((ring, True)))["closed_now"].tolist() == [closed]

    def test_overshooting_ends_are_harmless(self) -> None:
        cross = [line((-1, y), (21, y)) for y in (0, 36)] + [line((x, -1), (x, 37)) for x in (0, 20)]
        assert prove(lots(box(0, 0, 20, 36)), walls(*[(one, True) for one in cross]))["closed_now"].all()

    def test_survey_noise_between_wall_and_lot_line(self) -> None:
        # The wall stands 3 cm inside the lot line on one side and 30 cm on the other: strips outside it don't count.
        wall = Polygon([(0.03, 0.02), (19.7, -0.03), (20.03, 35.98), (-0.02, 36.03)]).exterior
        closure = prove(lots(box(0, 0, 20, 36)), walls((wall, True)))
        assert closure["closed_now"].all()
        assert not prove(lots(box(0, 0, 20, 36)), walls((wall, True)), strip_m=0.01)["closed_now"].any()

    def test_desert_drawn_across_the_wall_by_a_hand(self) -> None:
        desert = layer([box(-200, 35.9, 400, 300)])
        ring = walls((box(0, 0, 20, 36).exterior, True))
        assert prove_closure(lots(box(0, 0, 20, 36)), desert, ring)["closed_now"].all()

    def test_wall_that_ends_beside_a_lot_line(self) -> None:
        # The wall runs 1.4 mm beside the lot line for 11 of its 20 m: the rest of the lot line is no wall.
        yard = box(0, 0, 20, 36)
        stopped = line((11, 36.0014), (0, 36), (0, 0), (20, 0), (20, 36))
        closure = prove(lots(yard), walls((stopped, True)))
        assert closure["closable"].tolist() == [False]
        assert closure["closed_now"].tolist() == [False]

    def test_narrow_wash_is_still_a_wash(self) -> None:
        wash = layer([box(5, 5, 5.3, 30)])
        closure = prove_closure(lots(box(0, 0, 20, 36)), wash, walls((box(-1, -1, 21, 37).exterior, True)))
        assert not closure["closed_now"].any()

    def test_two_sides_that_touch_are_named(self) -> None:
        # An hourglass: the waist is 4 cm wide between a wall and a shed.
        yard = box(0, 0, 20, 36)
        shed = box(0, 17, 19.96, 19)
        barriers = walls((yard.exterior, True)).assign(kind=["block"])
        closure = prove_closure(lots(yard), layer([DESERT]), barriers, buildings=layer([shed]))
        assert closure["closed_now"].all()
        assert "house wall" in closure["warning"].item()
        assert "block (walls, row 1)" in closure["warning"].item()
        wide = prove_closure(lots(yard), layer([DESERT]), barriers, buildings=layer([box(0, 17, 19.9, 19)]))
        assert wide["warning"].item() == ""


class TestWallsOnEachOther:
    YARD = box(0, 0, 20, 36)

    @pytest.mark.parametrize("first", [True, False])
    @pytest.mark.parametrize("apart_m", [0.0, 0.0007, 0.02])
    def test_the_better_one_counts(self, first: bool, apart_m: float) -> None:
        other = shapely.box(-apart_m, -apart_m, 20 + apart_m, 36 + apart_m).exterior
        assert prove(lots(self.YARD), walls((self.YARD.exterior, first), (other, not first)))["closed_now"].all()

    def test_both_low_are_mended_once(self) -> None:
        twice = walls((self.YARD.exterior, False), (shapely.reverse(self.YARD.exterior), False))
        assert prove(lots(self.YARD), twice)["mend_length_m"].tolist() == pytest.approx([112])

    def test_part_of_a_low_wall_under_a_sound_one(self) -> None:
        both = walls((self.YARD.exterior, False), (line((0, 36), (0, 0), (20, 0)), True))
        assert prove(lots(self.YARD), both)["mend_length_m"].tolist() == pytest.approx([56])


class TestGates:
    YARD = box(0, 0, 20, 36)

    def gate(self, x: float, y: float, sound: bool, width_m: float = 1.0) -> gpd.GeoDataFrame:
        return layer([Point(x, y)], sound_now=[sound], width_m=[width_m], opening_m=[0.0 if sound else 0.05])

    @pytest.mark.parametrize("off_m", [0.0, 0.4, -1.4])
    def test_gate_in_a_sound_wall(self, off_m: float) -> None:
        ring = walls((self.YARD.exterior, True))
        assert prove(lots(self.YARD), ring, self.gate(10, 36 + off_m, True))["closed_now"].all()
        closure = prove(lots(self.YARD), ring, self.gate(10, 36 + off_m, False))
        assert closure["ways_in"].tolist() == [1]
        assert closure["mend_length_m"].tolist() == [0.0]
        ways = find_ways_in(closure)
        assert ways["kind"].tolist() == ["gate"]
        assert ways["opening_m"].tolist() == [0.05]
        assert ways["length_m"].tolist() == pytest.approx([1.0], abs=0.002)
        assert ways.geometry.iloc[0].centroid.distance(Point(10, 36)) < 0.002

    def test_sound_gate_in_a_low_wall(self) -> None:
        closure = prove(lots(self.YARD), walls((self.YARD.exterior, False)), self.gate(10, 36, True))
        assert closure["mend_length_m"].tolist() == pytest.approx([111], abs=0.002)

    def test_gate_opens_a_wall_that_is_drawn_twice(self) -> None:
        other = shapely.box(-0.03, -0.03, 20.03, 36.03).exterior
        twice = walls((self.YARD.exterior, True), (other, True))
        assert not prove(lots(self.YARD), twice, self.gate(10, 36.1, False))["closed_now"].any()

    def test_gate_stands_in_the_gap_that_is_drawn_for_it(self) -> None:
        parted = walls((line((9.4, 36), (0, 36), (0, 0), (20, 0), (20, 36), (10.6, 36)), True))
        assert prove(lots(self.YARD), parted, self.gate(10, 36.1, True, 1.2))["closed_now"].all()
        ways = find_ways_in(prove(lots(self.YARD), parted, self.gate(10, 36.1, False, 1.2)))
        assert ways["kind"].tolist() == ["gate"]
        wide = walls((line((8, 36), (0, 36), (0, 0), (20, 0), (20, 36), (12, 36)), True))
        assert prove(lots(self.YARD), wide, self.gate(10, 36, True, 4.0))["closed_now"].all()
        with pytest.warns(Noticed, match="from any wall"):
            assert not prove(lots(self.YARD), wide, self.gate(10, 36, True, 1.0))["closable"].any()

    def test_gate_round_a_corner(self) -> None:
        ways = find_ways_in(prove(lots(self.YARD), walls((self.YARD.exterior, True)), self.gate(20, 35.8, False)))
        assert ways["length_m"].tolist() == pytest.approx([1.0], abs=0.002)

    def test_gate_far_from_any_wall_is_listed(self) -> None:
        with pytest.warns(Noticed, match="row 1"):
            closure = prove(lots(self.YARD), walls((self.YARD.exterior, True)), self.gate(10, 20, False))
        assert closure["closed_now"].all()

    def test_gate_without_a_width_is_assumed_openly(self) -> None:
        gate = self.gate(10, 36, False).assign(width_m=[np.nan])
        with pytest.warns(Assumed, match="taken as 3 ft"):
            ways = find_ways_in(prove(lots(self.YARD), walls((self.YARD.exterior, True)), gate))
        assert ways["length_m"].tolist() == pytest.approx([0.9144], abs=0.002)

    def test_dear_gates_are_passed_over_for_a_cheaper_wall(self) -> None:
        # A low fence 2 m long parts the yard from the gate's side: mending 2 m is cheaper than a gate worth 3 m.
        neck = Polygon([(0, 0), (20, 0), (20, 30), (11, 30), (11, 36), (9, 36), (9, 30), (0, 30)])
        barriers = walls((neck.exterior, True), (line((9, 30), (11, 30)), False))
        gate = self.gate(10, 36, False)
        yard = lots(box(0, 0, 20, 30))
        assert find_ways_in(prove(yard, barriers, gate))["kind"].tolist() == ["wall not sound"]
        assert find_ways_in(prove(yard, barriers, gate, gate_cost_m=1.5))["kind"].tolist() == ["gate"]


class TestCulDeSac:
    """Yards stand in a ring round a court; the court is joined to the desert by a street, or closed off by a wall."""

    YARDS = (box(0, 0, 20, 20), box(40, 0, 60, 20))
    COURT = box(0, 0, 60, 20)

    def plan(self, street: list[tuple[LineString, bool]]) -> gpd.GeoDataFrame:
        ring = line((20, 0), (0, 0), (0, 20), (60, 20), (60, 0), (40, 0))
        fronts = [(line((20, 0), (20, 20)), False), (line((40, 0), (40, 20)), False)]
        return walls((ring, True), *fronts, *street)

    def test_open_street_leaves_the_front_walls_to_mend(self) -> None:
        closure = prove(lots(*self.YARDS), self.plan([]))
        assert closure["closable"].all()
        assert closure["mend_length_m"].tolist() == pytest.approx([20, 20])

    def test_wall_across_the_street_closes_the_whole_court(self) -> None:
        assert prove(lots(*self.YARDS), self.plan([(line((20, 0), (40, 0)), True)]))["closed_now"].all()

    def test_gap_in_the_wall_across_the_street(self) -> None:
        parted = [(line((20, 0), (29, 0)), True), (line((31, 0), (40, 0)), True)]
        closure = prove(lots(*self.YARDS, self.COURT), self.plan(parted))
        assert closure["closable"].all()
        # Filling 2 m of gap (worth 4 m of wall) is cheaper than either front wall.
        assert closure["mend_length_m"].tolist() == pytest.approx([2, 2, 2])
        assert find_ways_in(closure)["kind"].tolist() == ["gap"] * 3


class TestCornerLot:
    def test_open_on_the_road_side(self) -> None:
        yard = box(0, 0, 20, 36)
        barriers = walls((line((0, 0), (0, 36), (20, 36)), True))
        closure = prove(lots(yard), barriers)
        assert closure["closable"].tolist() == [False]
        ways = find_ways_in(closure)
        assert ways["kind"].tolist() == ["open side"]
        assert ways["length_m"].tolist() == pytest.approx([56])
        assert closure["reached_pct"].tolist() == pytest.approx([100])

    def test_house_walls_are_part_of_the_barrier(self) -> None:
        yard, house = box(0, 10, 20, 36), box(4, 0, 16, 10)
        returns = [(line((0, 10), (4, 10)), True), (line((16, 10), (20, 10)), True)]
        rest = (line((0, 10), (0, 36), (20, 36), (20, 10)), True)
        assert prove(lots(yard, houses=[house]), walls(rest, *returns))["closed_now"].all()
        assert not prove(lots(yard, houses=[None]), walls(rest, *returns))["closable"].any()


class TestHabitat:
    YARD = box(0, 0, 20, 36)

    def test_yard_in_the_habitat(self) -> None:
        for desert, length_m in ((box(-50, -50, 90, 90), 112.0), (box(-50, 26, 90, 90), 60.0)):
            closure = prove_closure(lots(self.YARD), layer([desert]), walls((self.YARD.exterior, True)))
            assert closure["closable"].tolist() == [False]
            assert "lies partly or wholly in the habitat" in closure["why"].item()
            ways = find_ways_in(closure)
            assert ways["kind"].tolist() == ["habitat inside"]
            assert ways["length_m"].tolist() == pytest.approx([length_m])
            assert closure.geometry.item().within(self.YARD.buffer(0.01))

    def test_without_habitat_they_come_from_beyond_the_data(self) -> None:
        none = layer([])
        assert prove_closure(lots(self.YARD), none, walls((self.YARD.exterior, True)))["closed_now"].all()
        closure = prove_closure(lots(self.YARD), none, walls((self.YARD.exterior, False)))
        assert not closure["closed_now"].any()
        assert "beyond the data" in closure["why"].item()

    def test_habitat_shut_in_by_a_sound_wall(self) -> None:
        pen = walls((box(-210, 38, 410, 310).exterior, True))
        assert prove(lots(self.YARD), pen)["closed_now"].all()


class TestWayIn:
    def test_route_crosses_only_what_lets_through(self) -> None:
        barriers = row_walls(rear=(True, False, False), sides=(True, False, True, None))
        closure = prove(lots(*ROW), barriers)
        sound = barriers[barriers["sound_now"]].geometry.to_numpy()
        assert closure["closed_now"].tolist() == [False, False, False]
        for route, yard in zip(closure.geometry, ROW, strict=True):
            assert route.is_valid
            assert route.geom_type == "LineString"
            assert DESERT.contains(Point(route.coords[0]))
            assert yard.contains(Point(route.coords[-1]))
        # Lot 3 lies open; lot 1 is reached only over the low rear wall of lot 2 and the low wall between them.
        assert not shapely.intersects(closure.geometry.iloc[2], sound).any()

    def test_route_goes_round_walls_that_hang_free(self) -> None:
        yard = box(0, 0, 20, 36)
        stubs = [line((-30, 38), (60, 38)), line((10, 36), (10, 20)), line((5, 10), (15, 10))]
        barriers = walls((line((0, 36), (20, 36)), True), *[(stub, True) for stub in stubs])
        route = prove(lots(yard), barriers).geometry.item()
        assert not shapely.intersects(route, barriers.geometry.to_numpy()).any()
        assert route.length > 40


class TestBadInput:
    YARD = box(0, 0, 20, 36)

    def test_crossing_itself_and_without_length(self) -> None:
        loop = line((0, 0), (20, 0), (20, 36), (0, 36), (0, -1), (0, 36), (10, 36), (10, 40), (12, 40), (12, 36))
        point = line((3, 3), (3, 3))
        with pytest.warns(Noticed, match="2 of 3 walls have no length"):
            closure = prove(lots(self.YARD), walls((loop, True), (point, True), (LineString(), True)))
        assert closure["closed_now"].all()

    def test_layers_that_do_not_fit(self) -> None:
        ground, ring = lots(self.YARD), walls((self.YARD.exterior, True))
        with pytest.raises(CrsError, match="is not"):
            prove_closure(ground, layer([DESERT]).set_crs(32612, allow_override=True), ring)
        with pytest.raises(CrsError, match="degrees"):
            prove_closure(*(one.set_crs(4326, allow_override=True) for one in (ground, layer([DESERT]), ring)))
        with pytest.raises(LayerError, match="run judge_walls first"):
            prove(ground, ring.drop(columns="sound_now"))
        with pytest.raises(LayerError, match="run find_lot_ground first"):
            prove(ground.drop(columns="protected"), ring)
        with pytest.raises(LayerError, match="widen_washes"):
            prove_closure(ground, layer([line((0, 50), (90, 50))]), ring)
        with pytest.raises(DesignError, match="gap_m"):
            prove(ground, ring, gap_m=-1.0)

    def test_coordinate_out_of_this_world(self) -> None:
        far = walls((self.YARD.exterior, True), (line((0, 0), (3e6, 0)), True))
        with pytest.raises(LayerError, match="reach over 3,000 km"):
            prove(lots(self.YARD), far)

    def test_missing_soundness_is_not_sound(self) -> None:
        ring = walls((self.YARD.exterior, True)).assign(sound_now=pd.array([pd.NA], dtype="boolean"))
        assert not prove(lots(self.YARD), ring)["closed_now"].any()


def test_remedies_come_from_the_judgement() -> None:
    ring = layer(
        [box(0, 0, 20, 36).exterior], sound_now=[False], judgement=["too low"], mend=["raise it"], opening_m=[np.nan]
    )
    ways = find_ways_in(prove(lots(box(0, 0, 20, 36)), ring))
    assert ways[["kind", "remedy"]].to_numpy().tolist() == [["wall too low", "raise it"]]
    assert ways["opening_m"].isna().all()
