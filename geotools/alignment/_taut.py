"""Pull closed lines taut round what they enclose: tangents between discs, and the shortest closed walk over them."""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import shapely

from geotools.alignment._discs import SLACK_M, TURN, Discs, cross, dot, find_corners, match, turn_left, unit
from geotools.alignment._rims import find_spots
from geotools.alignment._walks import shortest_rounds

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Integers = NDArray[np.int64]
    Flags = NDArray[np.bool_]
    Geometries = NDArray[np.object_]

__all__ = ["RAY_SHARE", "Keep", "Taut", "pull_taut"]

RAY_SHARE = 0.381966
"""Where between the normals of a corner's edges a ray leaves it: the golden part keeps clear of parallels."""

_ANGLE_SLACK = 1e-7  # radians
_PAIRS_AT_ONCE = 16_000
"""Pairs of discs that are worked on together: as many as the processor's cache holds with all that hangs on them."""


class Keep(NamedTuple):
    """Things to keep clear of, by lot: g geometries, and the clearance of each on a line's left and right, metres."""

    lot: Integers
    things: Geometries
    left_m: Floats
    right_m: Floats

    def take(self, index: Flags | Integers | slice) -> Keep:
        """Return the things at an index."""
        return Keep(self.lot[index], self.things[index], self.left_m[index], self.right_m[index])


class Taut(NamedTuple):
    """Curves of closed lines in order, straight lines between them; `sweep` is positive where a line turns left.

    `length_m` is of each lot: NaN where there is no line.
    """

    lot: Integers
    centre: Floats
    radius_m: Floats
    angle: Floats
    sweep: Floats
    length_m: Floats


class _Tangents(NamedTuple):
    lot: Integers
    tail: Integers
    head: Integers
    begin: Floats
    end: Floats
    leave: Floats
    arrive: Floats
    length_m: Floats

    def take(self, index: Flags | Integers) -> _Tangents:
        ways, places = (self.lot[index], self.tail[index], self.head[index]), (self.begin[index], self.end[index])
        return _Tangents(*ways, *places, self.leave[index], self.arrive[index], self.length_m[index])


def pull_taut(discs: Discs, keep: Keep, *, ground: Geometries, core: Geometries) -> Taut:
    """Shortest closed line of each lot that runs once counter-clockwise round its core and keeps clear of everything.

    A shortest line is straight but for curves on discs, and with the turn of every disc given there is just one tangent
    from each disc to each other. Tangents that come too near a thing or leave the ground go out. Of the closed walks
    over the rest that cross a ray from the core once more leftward than rightward, the shortest is the line (exact;
    Dijkstra 1959). A lot's line does not hang on the other lots.

    Parameters
    ----------
    discs : Discs
        All that the lines may turn on, by lot.
    keep : Keep
        What they keep clear of, by lot. Where a thing's two clearances differ, the side is told where the line passes
        nearest.
    ground : (n,) array of Polygon
        Where the line of each lot stays; it may touch the outline.
    core : (n,) array of Polygon
        Convex polygon about which the line runs.

    Returns
    -------
    Taut
        Curves by lot.

    Examples
    --------
    >>> houses = shapely.box(0, 0, [10, 10], [6, 7])
    >>> keep = Keep(np.arange(2), houses, np.ones(2), np.ones(2))
    >>> from geotools.alignment._discs import make_discs
    >>> discs = make_discs(houses, np.arange(2), radius_m=1.0, turn=1)
    >>> taut = pull_taut(discs, keep, ground=shapely.box(-9, -9, [19, 19], 19), core=houses)
    >>> (taut.length_m - 2 * np.pi).round(9).tolist()
    [32.0, 34.0]
    """
    pairs = np.cumsum(np.bincount(discs.lot, minlength=len(ground)) ** 2)
    batch = pairs // _PAIRS_AT_ONCE
    bounds = np.append(np.flatnonzero(np.append(True, batch[1:] != batch[:-1])[: len(batch)]), len(batch)).tolist()
    found = []
    for first, last in pairwise(bounds):
        own = slice(*np.searchsorted(discs.lot, [first, last]))
        kept = slice(*np.searchsorted(keep.lot, [first, last]))
        some, clear_of = discs.take(own), keep.take(kept)
        some, clear_of = some._replace(lot=some.lot - first), clear_of._replace(lot=clear_of.lot - first)
        taut = _pull_some(some, clear_of, ground[first:last], core[first:last])
        found.append(taut._replace(lot=taut.lot + first))
    return Taut(*(np.concatenate(columns) for columns in zip(_no_lines(0), *found, strict=True)))


def _no_lines(lots: int) -> Taut:
    nothing = np.zeros(0)
    return Taut(np.zeros(0, dtype=np.int64), np.zeros((0, 2)), nothing, nothing, nothing, np.full(lots, np.nan))


def _pull_some(discs: Discs, keep: Keep, ground: Geometries, core: Geometries) -> Taut:
    tangents = _tangents(discs)
    tangents = tangents.take(_is_free(tangents, keep, ground))
    before, after, sweep = _curves(tangents, discs)
    spots = find_spots(discs, np.unique(tangents.head), keep.lot, keep.things, keep.left_m, keep.right_m, ground)
    open_curve = _is_open(tangents.arrive[before], sweep, tangents.head[before], spots)
    before, after, sweep = before[open_curve], after[open_curve], sweep[open_curve]
    if before.size == 0:
        return _no_lines(len(ground))
    origin, ray = _rays(core, tangents)
    disc = tangents.head[before]
    crossings = _curve_crossings(origin, ray, discs, disc, tangents.arrive[before], sweep)
    of = tangents.lot
    crossings += _line_crossings(origin[of], ray[of], tangents.begin, tangents.end)[after]
    cost = discs.radius_m[disc] * np.abs(sweep) + tangents.length_m[after]
    walk = shortest_rounds(before, after, cost, crossings, of, len(ground))
    lot, disc = of[before[walk]], disc[walk]
    has_line = np.bincount(lot, minlength=len(ground)) > 0
    length_m = np.where(has_line, np.bincount(lot, cost[walk], minlength=len(ground)).astype(np.float64), np.nan)
    return Taut(lot, discs.centre[disc], discs.radius_m[disc], tangents.arrive[before[walk]], sweep[walk], length_m)


def _tangents(discs: Discs) -> _Tangents:
    # A line of left normal n touches both discs where n . (c_head - c_tail) = r_head - r_tail, radii signed by turn.
    tail, head = match(discs.lot, discs.lot)
    apart = discs.centre[head] - discs.centre[tail]
    distance = np.hypot(apart[:, 0], apart[:, 1])
    signed = discs.turn * discs.radius_m
    rise = signed[head] - signed[tail]
    exists = (distance > 1e-9) & (np.abs(rise) <= distance + SLACK_M)
    tail, head, apart, distance, rise = tail[exists], head[exists], apart[exists], distance[exists], rise[exists]
    toward = apart / distance[:, None]
    sine = np.clip(rise / distance, -1.0, 1.0)[:, None]
    along = np.sqrt(1.0 - sine**2) * toward - sine * turn_left(toward)
    normal = turn_left(along)
    leave, leaves = _within(discs, tail, normal)
    arrive, arrives = _within(discs, head, normal)
    fits = leaves & arrives
    tail, head, normal, distance, rise = tail[fits], head[fits], normal[fits], distance[fits], rise[fits]
    begin = discs.centre[tail] - signed[tail][:, None] * normal
    end = discs.centre[head] - signed[head][:, None] * normal
    length_m = np.sqrt(np.maximum(distance**2 - rise**2, 0.0))
    return _Tangents(discs.lot[tail], tail, head, begin, end, leave[fits], arrive[fits], length_m)


def _within(discs: Discs, disc: Integers, normal: Floats) -> tuple[Floats, Flags]:
    # Direction from the disc's centre to the tangent, pulled onto the disc's own range of directions.
    outward = -discs.turn[disc][:, None] * normal
    start, width = discs.start[disc], discs.width[disc]
    offset = np.mod(np.arctan2(outward[:, 1], outward[:, 0]) - start, TURN)
    offset = np.where((offset > TURN - _ANGLE_SLACK) & (width < TURN), 0.0, offset)
    return start + np.minimum(offset, width), offset <= width + _ANGLE_SLACK


def _is_free(tangents: _Tangents, keep: Keep, ground: Geometries) -> Flags:
    least, most = np.minimum(keep.left_m, keep.right_m), np.maximum(keep.left_m, keep.right_m)
    free = _misses_corners(tangents, keep, least)
    some = np.flatnonzero(free)
    lines: Geometries = np.asarray(shapely.linestrings(np.stack([tangents.begin[some], tangents.end[some]], axis=1)))
    on_ground = (tangents.length_m[some] < SLACK_M) | shapely.covers(ground[tangents.lot[some]], lines)
    free[some] = on_ground
    some, lines = some[on_ground], lines[on_ground]
    point = shapely.get_type_id(keep.things) == shapely.GeometryType.POINT
    solid = np.flatnonzero(~point)
    line, which = match(tangents.lot[some], keep.lot[solid])
    within_m: Any = least - SLACK_M  # the stubs know of one distance only
    near = shapely.dwithin(keep.things[solid[which]], lines[line], within_m[solid[which]])
    free[some[line[near]]] = False
    # Between the two clearances of a thing the side decides, and only where the line passes it abreast.
    some, lines = some[free[some]], lines[free[some]]
    sided = np.flatnonzero(most - least > SLACK_M)
    line, which = match(tangents.lot[some], keep.lot[sided])
    at, which = some[line], sided[which]
    across = np.full((len(line), 2), np.inf)
    single = np.flatnonzero(point[which])
    places = shapely.get_coordinates(keep.things[which[single]])
    across[single] = _from_line(tangents.begin[at[single]], tangents.end[at[single]], places)
    rest = np.flatnonzero(~point[which])
    within_m = most - SLACK_M
    rest = rest[shapely.dwithin(lines[line[rest]], keep.things[which[rest]], within_m[which[rest]])]
    between = shapely.get_coordinates(shapely.shortest_line(lines[line[rest]], keep.things[which[rest]]))
    across[rest] = between[1::2] - between[::2]
    away = np.hypot(across[:, 0], across[:, 1])
    near = away < most[which] - SLACK_M
    at, which, across, away = at[near], which[near], across[near], away[near]
    along = tangents.end[at] - tangents.begin[at]
    abreast = np.abs(dot(along, across)) <= _ANGLE_SLACK * 10 * tangents.length_m[at] * away
    needed = np.where(cross(along, across) > 0.0, keep.left_m[which], keep.right_m[which])
    free[at[abreast & (away < needed - SLACK_M)]] = False
    return free


def _misses_corners(tangents: _Tangents, keep: Keep, least_m: Floats) -> Flags:
    # A corner of a thing that is too near settles it, and points have no more than that. One corner of each lot at a
    # time: most tangents are settled by the first few.
    corners, thing = shapely.get_coordinates(keep.things, return_index=True)
    east, north = np.ascontiguousarray(corners.T)
    limit = np.square(np.maximum(least_m - SLACK_M, 0.0))[thing]
    lots = np.arange(int(tangents.lot.max(initial=-1)) + 1)
    first, last = (np.searchsorted(keep.lot[thing], lots, side=side) for side in ("left", "right"))
    free = np.ones(len(tangents.lot), dtype=np.bool_)
    some = np.arange(len(free))
    (west, south), (right, up) = tangents.begin.T.copy(), (tangents.end - tangents.begin).T.copy()
    square = np.maximum(right**2 + up**2, 1e-18)
    at, end = first[tangents.lot], last[tangents.lot]
    while len(some):
        along, across = east[at] - west, north[at] - south
        share = np.clip((along * right + across * up) / square, 0.0, 1.0)
        near = (along - share * right) ** 2 + (across - share * up) ** 2 <= limit[at]
        free[some[near]] = False
        at = at + 1
        stay = np.flatnonzero(~near & (at < end))
        some, at, end, square = some[stay], at[stay], end[stay], square[stay]
        west, south, right, up = west[stay], south[stay], right[stay], up[stay]
    return free


def _from_line(begin: Floats, end: Floats, point: Floats) -> Floats:
    """From the place of a straight line that is nearest to a point to that point."""
    run, toward = end - begin, point - begin
    share = dot(toward, run) / np.maximum(dot(run, run), 1e-18)
    return np.asarray(toward - np.clip(share, 0.0, 1.0)[:, None] * run)


def _curves(tangents: _Tangents, discs: Discs) -> tuple[Integers, Integers, Floats]:
    # Every way to arrive at a disc with every way to leave it, and the signed angle between.
    order = np.argsort(tangents.tail, kind="stable")
    before, after = match(tangents.head, tangents.tail[order])
    after = order[after]
    disc = tangents.head[before]
    turn = discs.turn[disc]
    swept = turn * (tangents.leave[after] - tangents.arrive[before])
    round_disc = discs.width[disc] >= TURN
    whole = np.mod(swept, TURN)
    whole = np.where(whole > TURN - _ANGLE_SLACK, 0.0, whole)
    swept = np.where(round_disc, whole, swept)
    fits = swept >= -_ANGLE_SLACK
    return before[fits], after[fits], (turn * np.maximum(swept, 0.0))[fits]


def _is_open(arrive: Floats, sweep: Floats, disc: Integers, spots: tuple[Integers, Floats]) -> Flags:
    order = np.argsort(spots[0], kind="stable")
    curve, spot = match(disc, spots[0][order])
    offset = np.mod((spots[1][order][spot] - arrive[curve]) * np.sign(sweep[curve]), TURN)
    is_open = np.ones(len(disc), dtype=np.bool_)
    is_open[curve[offset < np.abs(sweep[curve])]] = False
    return is_open


def _rays(core: Geometries, tangents: _Tangents) -> tuple[Floats, Floats]:
    # Any ray from a core will do; the fewest crossings are the quickest.
    lot, points, start, width = find_corners(core)
    rays = unit(start + RAY_SHARE * width)
    corner, tangent = match(lot, tangents.lot)
    crossed = _line_crossings(points[corner], rays[corner], tangents.begin[tangent], tangents.end[tangent])
    times = np.bincount(corner, np.abs(crossed), minlength=len(lot))
    order = np.lexsort((np.arange(len(lot)), times, lot))
    best = order[np.searchsorted(lot[order], np.arange(len(core)))]
    return points[best], rays[best]


def _line_crossings(origin: Floats, ray: Floats, begin: Floats, end: Floats) -> Integers:
    side_begin, side_end = cross(ray, begin - origin), cross(ray, end - origin)
    crosses = (side_begin < 0.0) != (side_end < 0.0)
    ahead = dot(begin - origin, ray) * side_end - dot(end - origin, ray) * side_begin
    sign = np.where(side_begin < 0.0, 1, -1)
    return np.where(crosses & (ahead * sign > 0.0), sign, 0)


def _curve_crossings(
    origin: Floats, ray: Floats, discs: Discs, disc: Integers, arrive: Floats, sweep: Floats
) -> Integers:
    origin, ray = origin[discs.lot], ray[discs.lot]
    toward = discs.centre - origin
    middle = dot(toward, ray)
    half_square = discs.radius_m**2 - cross(ray, toward) ** 2
    half = np.sqrt(np.maximum(half_square, 0.0))
    crossings = np.zeros(len(disc), dtype=np.int64)
    for along in (middle - half, middle + half):
        away = origin + along[:, None] * ray - discs.centre
        angle = np.arctan2(away[:, 1], away[:, 0])
        offset = np.mod((angle[disc] - arrive) * np.sign(sweep), TURN)
        crosses = ((half_square > 0.0) & (along > 0.0))[disc] & (offset < np.abs(sweep))
        leftward = np.sign(cross(ray, turn_left(away)))[disc] * np.sign(sweep)
        crossings += np.where(crosses, leftward, 0.0).astype(np.int64)
    return crossings
