"""Hold the shortest closed line round a house against closed forms, an exhaustive oracle and its own symmetries."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
import shapely
from oracles.loops import brute_force_length_m, shrink
from shapely import affinity
from shapely.geometry.base import BaseGeometry

from geotools.alignment._loop import TOLERANCE_M, Loop, shortest_loop, shortest_loops
from geotools.errors import DesignError, LayerError

HOUSE = shapely.box(0, 0, 10, 6)
ELL = shapely.Polygon([(0, 0), (10, 0), (10, 4), (4, 4), (4, 10), (0, 10)])
# A court 5 m wide and 6 m deep, open to the north.
COURT = shapely.Polygon([(0, 0), (12, 0), (12, 9), (8.5, 9), (8.5, 3), (3.5, 3), (3.5, 9), (0, 9)])
WIDE = shapely.box(-30, -30, 40, 40)
CLEARANCE_M = 0.9
INSIDE_M = 0.3


def crossing_tangent_m(apart_m: float, first_m: float, second_m: float) -> float:
    """Length of the tangent that passes two discs on opposite sides."""
    return math.sqrt(apart_m**2 - (first_m + second_m) ** 2)


def assert_sound(loop: Loop, structures: BaseGeometry, ground: BaseGeometry) -> None:
    assert loop.status == "closed"
    assert loop.line is not None
    assert loop.line.is_closed
    assert loop.line.is_simple
    assert shapely.is_ccw(shapely.LinearRing(loop.line))
    assert shapely.Polygon(loop.line).contains(structures)
    assert loop.line.distance(structures) >= CLEARANCE_M - TOLERANCE_M
    assert ground.buffer(TOLERANCE_M).covers(loop.line)
    # Drawn curves run outside the true ones, by less than one part in a thousand.
    assert loop.length_m <= loop.line.length + 1e-9
    assert loop.line.length < loop.length_m * 1.001


@pytest.mark.parametrize("structures", [HOUSE, ELL, COURT, shapely.union(HOUSE, shapely.box(12, 3, 15, 9))])
def test_with_nothing_in_the_way_it_is_the_hull_and_a_circle(structures: BaseGeometry) -> None:
    loop = shortest_loop(structures, WIDE)
    assert loop.length_m == pytest.approx(structures.convex_hull.length + 2 * math.pi * CLEARANCE_M, rel=1e-12)
    assert_sound(loop, structures, WIDE)


def test_a_thing_by_the_wall_is_taken_inside() -> None:
    # Post 1.5 m south of the middle of the wall: two equal tangents from the corners' discs to the post's smaller disc.
    loop = shortest_loop(HOUSE, WIDE, [shapely.Point(5, -1.5)], setbacks_m=[0.9])
    apart_m, less_m = math.hypot(5, 1.5), CLEARANCE_M - INSIDE_M
    tilt = math.atan2(1.5, 5) - math.asin(less_m / apart_m)
    expected_m = 22 + 2 * math.pi * CLEARANCE_M + 2 * math.sqrt(apart_m**2 - less_m**2) - 2 * tilt * less_m
    assert loop.length_m == pytest.approx(expected_m, rel=1e-12)
    assert (loop.inside, loop.outside) == ((0,), ())
    assert_sound(loop, HOUSE, WIDE)


def bent_in_m(chord_m: float, depth_m: float, setback_m: float) -> float:
    """Length gained where a chord is pushed in by a disc centred `depth_m` outside the middle of its corners."""
    apart_m = math.hypot(chord_m / 2, depth_m)
    lean = math.asin((CLEARANCE_M + setback_m) / apart_m) - math.atan2(depth_m, chord_m / 2)
    tangents_m = 2 * crossing_tangent_m(apart_m, CLEARANCE_M, setback_m)
    return tangents_m + 2 * lean * (CLEARANCE_M + setback_m) - chord_m


def test_a_thing_before_the_nook_is_kept_outside() -> None:
    # The chord of the nook runs from (10, 4) to (4, 10); the post stands 1.6 m outside its middle.
    post = shapely.Point(np.array([7.0, 7.0]) + 1.6 / math.sqrt(2))
    loop = shortest_loop(ELL, WIDE, [post], setbacks_m=[1.0])
    hull_m = ELL.convex_hull.length + 2 * math.pi * CLEARANCE_M
    assert loop.length_m == pytest.approx(hull_m + bent_in_m(math.hypot(6, 6), 1.6, 1.0), rel=1e-12)
    assert (loop.inside, loop.outside) == ((), (0,))
    assert_sound(loop, ELL, WIDE)


def test_inside_or_outside_changes_where_the_lengths_are_equal() -> None:
    # Bisect for the depth at which both ways are equally long, by the closed forms; the choice must change there.
    chord_m, setback_m = math.hypot(6, 6), 0.8

    def bent_out_m(depth_m: float) -> float:
        apart_m, less_m = math.hypot(chord_m / 2, depth_m), CLEARANCE_M - INSIDE_M
        tilt = math.atan2(depth_m, chord_m / 2) - math.asin(less_m / apart_m)
        return 2 * math.sqrt(apart_m**2 - less_m**2) - 2 * tilt * less_m - chord_m

    low_m, high_m = 0.7, 1.6
    for _ in range(60):
        middle_m = (low_m + high_m) / 2
        if bent_out_m(middle_m) < bent_in_m(chord_m, middle_m, setback_m):
            low_m = middle_m
        else:
            high_m = middle_m
    for depth_m, inside in ((low_m - 1e-6, (0,)), (low_m + 1e-6, ())):
        post = shapely.Point(np.array([7.0, 7.0]) + depth_m / math.sqrt(2))
        assert shortest_loop(ELL, WIDE, [post], setbacks_m=[setback_m]).inside == inside


def test_a_thing_in_a_court_that_can_not_be_inside_is_held_off() -> None:
    # An easement comes down into the court with a post at its end: the line has to dip into the court, turning on the
    # disc of one wall's end, on the post's and on that of the other wall's end.
    ground = shapely.box(-3, -3, 15, 30) - shapely.box(5.9, 6, 6.1, 30)
    loop = shortest_loop(COURT, ground, [shapely.Point(6, 6)], setbacks_m=[0.7])
    apart_m = math.hypot(2.5, 3.0)
    # From straight down the court the tangent leans by the angle of the centres less that of the crossing.
    down = math.atan2(3.0, 2.5)
    lean = down + math.asin((CLEARANCE_M + 0.7) / apart_m)
    dip_m = 2 * crossing_tangent_m(apart_m, CLEARANCE_M, 0.7) + 2 * lean * (CLEARANCE_M + 0.7)
    expected_m = COURT.convex_hull.length - 5 + 2 * math.pi * CLEARANCE_M + dip_m
    assert loop.length_m == pytest.approx(expected_m, rel=1e-12)
    assert loop.outside == (0,)
    assert_sound(loop, COURT, ground)


def test_a_corner_of_the_lot_that_juts_in_bends_the_line() -> None:
    corner = (7.0, 7.0)
    ground = shapely.box(-5, -5, 15, 15) - shapely.box(*corner, 20, 20)
    loop = shortest_loop(ELL, ground)
    # A corner is a disc of no radius; (7, 7) is the middle of the chord.
    expected_m = ELL.convex_hull.length + 2 * math.pi * CLEARANCE_M + bent_in_m(math.hypot(6, 6), 0.0, 0.0)
    assert loop.length_m == pytest.approx(expected_m, rel=1e-12)
    assert_sound(loop, ELL, ground)


@pytest.mark.parametrize(("near_m", "far_m", "inside"), [(0.7, 2.0, False), (0.1, 1.2, True)])
def test_an_island_is_passed_on_the_shorter_side(near_m: float, far_m: float, inside: bool) -> None:
    # An easement 1 m wide lies square across the chord of the nook; depths are measured from the chord of the corners.
    out, along = np.array([1.0, 1.0]) / math.sqrt(2), np.array([-1.0, 1.0]) / math.sqrt(2)
    corners = [(-0.5, near_m), (0.5, near_m), (0.5, far_m), (-0.5, far_m)]
    island = shapely.Polygon([np.array([7.0, 7.0]) + side * along + depth_m * out for side, depth_m in corners])
    ground = WIDE - island
    loop = shortest_loop(ELL, ground)
    half_m, depth_m = math.hypot(6, 6) / 2 - 0.5, far_m if inside else near_m
    apart_m = math.hypot(half_m, depth_m)
    lean = math.asin(CLEARANCE_M / apart_m) - math.atan2(depth_m, half_m)
    gained_m = 2 * math.sqrt(apart_m**2 - CLEARANCE_M**2) - 2 * half_m + 2 * lean * CLEARANCE_M
    expected_m = ELL.convex_hull.length + 2 * math.pi * CLEARANCE_M + gained_m
    assert loop.length_m == pytest.approx(expected_m, rel=1e-12)
    assert loop.line is not None
    assert shapely.Polygon(loop.line).contains(island.centroid) == inside
    assert_sound(loop, ELL, ground)


def random_lot(seed: int) -> tuple[BaseGeometry, BaseGeometry, list[BaseGeometry], list[float]]:
    """House, lot with a bite or an island, and three things about it, turned by any angle."""
    draw = np.random.default_rng(seed)
    two = shapely.union(shapely.box(0, 0, 6, 5), shapely.box(8 + draw.uniform(0, 3), draw.uniform(-3, 6), 14, 8))
    house = affinity.rotate([HOUSE, ELL, COURT, two][seed % 4], draw.uniform(0, 360), origin=(0, 0))
    low, high = np.array(house.bounds[:2]), np.array(house.bounds[2:])
    ground: BaseGeometry = shapely.box(*(low - draw.uniform(1.2, 4, 2)), *(high + draw.uniform(1.2, 4, 2)))
    strip = shapely.LineString(draw.uniform(low - 2, high + 2, (2, 2))).buffer(draw.uniform(0.1, 0.6), cap_style="flat")
    if strip.distance(house) > 0.3 and (ground - strip).geom_type == "Polygon":
        ground -= strip
    things: list[BaseGeometry] = []
    while len(things) < 3:
        place = draw.uniform(low - 3, high + 3)
        other = place + draw.uniform(-2.5, 2.5, 2)
        stone = shapely.MultiPoint(place + draw.uniform(-1, 1, (4, 2))).convex_hull
        thing = [shapely.Point(place), shapely.LineString([place, other]), stone][draw.integers(3)]
        if thing.distance(house) > 0.05:
            things.append(thing)
    return house, ground, things, draw.uniform(0.1, 1.1, 3).tolist()


def solve(case: tuple[BaseGeometry, BaseGeometry, list[BaseGeometry], list[float]], scale: float = 1.0) -> Loop:
    house, ground, things, setbacks_m = case
    return shortest_loop(
        house,
        ground,
        things,
        setbacks_m=scale * np.array(setbacks_m),
        clearance_m=scale * CLEARANCE_M,
        inside_clearance_m=scale * INSIDE_M,
    )


@pytest.mark.parametrize("seed", range(48))
def test_it_is_as_short_as_the_best_of_all_ways(seed: int) -> None:
    # The oracle's polygons lie between the discs and slightly smaller ones, so its length lies between the exact two.
    case = random_lot(seed)
    house, ground, things, setbacks_m = case
    body = house
    if house.geom_type == "MultiPolygon":
        body = shapely.union_all([house, shapely.shortest_line(*shapely.get_parts(house))])
    oracle_m = brute_force_length_m(
        body, ground, things, setbacks_m, clearance_m=CLEARANCE_M, inside_clearance_m=INSIDE_M
    )
    loop, smaller = solve(case), solve(case, shrink())
    assert "unverified" not in {loop.status, smaller.status}
    longest_m, shortest_m = (math.inf if way.line is None else way.length_m for way in (loop, smaller))
    # 1 micrometre: the oracle lets lines into its polygons by 0.1 micrometre at each corner.
    assert shortest_m - 1e-6 <= oracle_m <= longest_m + 1e-6


@pytest.mark.parametrize("seed", range(24))
def test_turning_moving_and_mirroring_do_not_matter(seed: int) -> None:
    house, ground, things, setbacks_m = random_lot(seed)
    loop = solve((house, ground, things, setbacks_m))
    for by in (
        [math.cos(1), -math.sin(1), math.sin(1), math.cos(1), 0, 0],
        [1, 0, 0, 1, 431_000, 3_702_000],
        [-1, 0, 0, 1, 0, 0],
    ):
        house_2, ground_2, *things_2 = (affinity.affine_transform(shape, by) for shape in (house, ground, *things))
        moved = solve((house_2, ground_2, things_2, setbacks_m))
        assert moved.length_m == pytest.approx(loop.length_m, rel=1e-9, nan_ok=True)
        assert moved[2:] == loop[2:]


@pytest.mark.parametrize("seed", range(24))
def test_more_things_never_shorten_it_and_their_order_does_not_matter(seed: int) -> None:
    house, ground, things, setbacks_m = random_lot(seed)
    lengths_m = [solve((house, ground, things[:count], setbacks_m[:count])).length_m for count in range(4)]
    lengths_m = np.nan_to_num(lengths_m, nan=np.inf).tolist()
    assert all(after >= before - 1e-9 for before, after in itertools.pairwise(lengths_m))
    loop, turned = solve((house, ground, things, setbacks_m)), solve((house, ground, things[::-1], setbacks_m[::-1]))
    assert turned.length_m == pytest.approx(loop.length_m, rel=1e-12, nan_ok=True)
    assert sorted(2 - item for item in turned.inside) == list(loop.inside)


def test_many_lots_at_once_give_the_same_as_each_alone() -> None:
    cases = [random_lot(seed) for seed in range(12)]
    things = [thing for case in cases for thing in case[2]]
    setbacks_m = [setback_m for case in cases for setback_m in case[3]]
    lots = np.repeat(np.arange(12), 3)
    shuffled = np.random.default_rng(1).permutation(len(things))
    loops = shortest_loops(
        [case[0] for case in cases],
        [case[1] for case in cases],
        [things[item] for item in shuffled],
        item_lots=lots[shuffled],
        setbacks_m=np.array(setbacks_m)[shuffled],
    )
    for lot, (case, loop) in enumerate(zip(cases, loops, strict=True)):
        alone = solve(case)
        assert loop.length_m == pytest.approx(alone.length_m, rel=1e-12, nan_ok=True)
        assert loop.status == alone.status
        assert sorted(shuffled[list(loop.inside)] - 3 * lot) == list(alone.inside)


def test_what_stands_in_the_way_is_named() -> None:
    assert shortest_loop(HOUSE, shapely.box(-0.5, -5, 20, 20)).status == "allowed ground"
    assert shortest_loop(HOUSE, shapely.box(20, 0, 30, 30)).status == "allowed ground"
    assert shortest_loop(HOUSE, shapely.Polygon()).status == "allowed ground"
    assert shortest_loop(shapely.Polygon(), WIDE).status == "no structures"
    # A boulder between the wall and the lot line: too near to be outside, no room to be inside. The other is harmless.
    narrow = shapely.box(-1.2, -5, 20, 20)
    loop = shortest_loop(HOUSE, narrow, [shapely.Point(15, 3), shapely.Point(-1.1, 3)], setbacks_m=[0.9, 0.9])
    assert (loop.line, loop.inside, loop.outside) == (None, (), ())
    assert (loop.status, loop.blocked_by) == ("items", (1,))
    assert math.isnan(loop.length_m)


def test_two_things_that_only_together_block_are_both_named() -> None:
    # The ground ends 2.6 m beyond the wall. One stone by the wall must be inside, one by the edge outside: each
    # can be, but between the two there is no room.
    ground = shapely.box(-2.6, -5, 20, 15)
    near, far = shapely.Point(-1.2, 3), shapely.Point(-2.5, 3)
    assert shortest_loop(HOUSE, ground, [near], setbacks_m=[1.1]).inside == (0,)
    assert shortest_loop(HOUSE, ground, [far], setbacks_m=[1.1]).inside == ()
    loop = shortest_loop(HOUSE, ground, [near, shapely.Point(15, 12), far], setbacks_m=[1.1, 1.1, 1.1])
    assert (loop.status, loop.blocked_by) == ("items", (0, 2))


@pytest.mark.parametrize(
    ("thing", "setback_m"),
    [
        pytest.param(shapely.Point(5, 3), 0.9, id="inside the house"),
        pytest.param(shapely.box(9, 5, 11, 7), 0.9, id="half in the house"),
        pytest.param(shapely.Point(10, 6), 0.9, id="on a corner"),
        pytest.param(shapely.Point(10 + CLEARANCE_M + 0.5, 3), 0.5, id="just far enough"),
        pytest.param(
            shapely.LineString([(-4, -5), (-2, -5), (-2, -5), (0, -5), (14, -5)]), 0.9, id="along the lot line"
        ),
        pytest.param(shapely.Point(-8, 3), 0.9, id="outside the lot"),
        pytest.param(shapely.LineString([(-3, -3), (13, -3), (13, 9), (-3, 9), (-3, -3)]), 0.9, id="a wall all round"),
        pytest.param(shapely.Point(10, 6).buffer(3).boundary, 0.2, id="a ring across a corner"),
        pytest.param(shapely.MultiPoint([(11.2, 3), (-2.5, 3)]), 0.9, id="two parts, one inside"),
        pytest.param(
            shapely.GeometryCollection([shapely.Point(5, -1.2), shapely.box(4, -1.2, 6, -1)]), 0.9, id="mixed"
        ),
    ],
)
def test_awkward_things(thing: BaseGeometry, setback_m: float) -> None:
    # Duplicate and collinear corners in the house as well.
    house = shapely.Polygon([(0, 0), (5, 0), (5, 0), (10, 0), (10, 6), (4, 6), (0, 6), (0, 3)])
    ground = shapely.box(-5, -5, 15, 11)
    loop = shortest_loop(house, ground, [thing], setbacks_m=[setback_m])
    assert_sound(loop, house, ground)
    assert loop.line is not None
    area = shapely.Polygon(loop.line)
    for part in shapely.get_parts(thing):
        needed_m = INSIDE_M if area.contains(part) else setback_m
        assert loop.line.distance(part) >= needed_m - TOLERANCE_M


def test_a_court_goes_with_the_house_and_no_setback_is_no_rule() -> None:
    ring = shapely.box(0, 0, 10, 10) - shapely.box(3, 3, 7, 7)
    loop = shortest_loop(ring, WIDE, [shapely.Point(5, 5), shapely.Point(5, -0.9)], setbacks_m=[0.9, 0.0])
    assert loop.length_m == pytest.approx(40 + 2 * math.pi * CLEARANCE_M, rel=1e-12)
    assert loop.inside == (0,)


def test_of_ground_in_pieces_the_one_with_the_house_counts() -> None:
    pieces = shapely.MultiPolygon([shapely.box(30, 0, 40, 10), shapely.box(-5, -5, 15, 11)])
    assert shortest_loop(HOUSE, pieces).status == "closed"


def test_no_lots_and_missing_geometries() -> None:
    assert shortest_loops([], []) == []
    loops = shortest_loops([None, HOUSE, HOUSE], [WIDE, None, WIDE], [None], item_lots=[2], setbacks_m=[0.9])
    assert [loop.status for loop in loops] == ["no structures", "allowed ground", "closed"]


def test_wrong_input_is_refused() -> None:
    with pytest.raises(DesignError, match="clearance"):
        shortest_loop(HOUSE, WIDE, clearance_m=0.0)
    with pytest.raises(DesignError, match="setback"):
        shortest_loop(HOUSE, WIDE, [shapely.Point(0, 0)], setbacks_m=[-1.0])
    with pytest.raises(LayerError, match="match"):
        shortest_loop(HOUSE, WIDE, [shapely.Point(0, 0)])
    with pytest.raises(LayerError, match="no lot"):
        shortest_loops([HOUSE], [WIDE], [shapely.Point(0, 0)], item_lots=[1], setbacks_m=[1.0])
    with pytest.raises(LayerError, match="polygon"):
        shortest_loop(shapely.LineString([(0, 0), (1, 1)]), WIDE)
    with pytest.raises(LayerError, match="repair the allowed ground"):
        shortest_loop(HOUSE, shapely.Polygon([(0, 0), (20, 20), (20, 0), (0, 20)]))
    with pytest.raises(LayerError, match="1 lots and ground for 2"):
        shortest_loops([HOUSE], [WIDE, WIDE])
