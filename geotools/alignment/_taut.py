"""Pull a closed line taut round what it encloses: tangents between discs, and the shortest closed walk over them."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import shapely
from scipy.sparse import csr_array
from scipy.sparse.csgraph import dijkstra

from geotools.alignment._discs import TURN, Discs, cross, find_corners, turn_left, unit

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Integers = NDArray[np.int64]
    Flags = NDArray[np.bool_]

__all__ = ["RAY_SHARE", "SLACK_M", "Keep", "Taut", "pull_taut"]

SLACK_M = 1e-7
"""Slack of every test, metres: far below what can be built, far above rounding in coordinates near the origin."""

RAY_SHARE = 0.381966
"""Where between the normals of a corner's edges a ray leaves it: the golden part keeps clear of parallels."""

_ANGLE_SLACK = 1e-7  # radians


class Keep(NamedTuple):
    """Things to keep clear of: g geometries, and the clearance of each on the line's left and on its right, metres."""

    things: NDArray[np.object_]
    left_m: Floats
    right_m: Floats


class Taut(NamedTuple):
    """Curves of a closed line in order, straight lines between them; `sweep` is positive where the line turns left."""

    centre: Floats
    radius_m: Floats
    angle: Floats
    sweep: Floats
    length_m: float


class _Tangents(NamedTuple):
    tail: Integers
    head: Integers
    begin: Floats
    end: Floats
    leave: Floats
    arrive: Floats
    length_m: Floats

    def take(self, index: Flags | Integers) -> _Tangents:
        ways, places = (self.tail[index], self.head[index]), (self.begin[index], self.end[index])
        return _Tangents(*ways, *places, self.leave[index], self.arrive[index], self.length_m[index])


def pull_taut(discs: Discs, keep: Keep, *, ground: shapely.Geometry, core: shapely.Geometry) -> Taut | None:
    """Shortest closed line that runs once counter-clockwise round the core and keeps clear of everything.

    A shortest line is straight but for curves on discs, and with the turn of every disc given there is just one tangent
    from each disc to each other. Tangents that come too near a thing or leave the ground go out. Of the closed walks
    over the rest that cross a ray from the core once more leftward than rightward, the shortest is the line (exact;
    Dijkstra 1959).

    Parameters
    ----------
    discs : Discs
        All that the line may turn on.
    keep : Keep
        What it keeps clear of. Where a thing's two clearances differ, the side is told where the line passes nearest.
    ground : Geometry
        Polygon that the line stays within; it may touch the outline.
    core : Geometry
        Convex polygon about which the line runs.

    Returns
    -------
    Taut or None
        None where there is no such line.

    Examples
    --------
    >>> house = shapely.box(0, 0, 10, 6)
    >>> keep = Keep(np.array([house]), np.array([1.0]), np.array([1.0]))
    >>> from geotools.alignment._discs import make_discs
    >>> discs = make_discs(house, radius_m=1.0, turn=1)
    >>> taut = pull_taut(discs, keep, ground=shapely.box(-9, -9, 19, 19), core=house)
    >>> round(taut.length_m - 2 * np.pi, 9)
    32.0
    """
    tangents = _tangents(discs)
    tangents = tangents.take(_is_free(tangents, keep, ground))
    before, after, sweep = _curves(tangents, discs)
    open_curve = _is_open(tangents.arrive[before], sweep, tangents.head[before], _spots(discs, keep, ground))
    before, after, sweep = before[open_curve], after[open_curve], sweep[open_curve]
    if before.size == 0:
        return None
    origin, ray = _ray(core, tangents)
    disc = tangents.head[before]
    crossings = _curve_crossings(origin, ray, discs, disc, tangents.arrive[before], sweep)
    crossings += _line_crossings(origin, ray, tangents.begin, tangents.end)[after]
    cost = discs.radius_m[disc] * np.abs(sweep) + tangents.length_m[after]
    walk = _shortest_round(before, after, cost, crossings, len(tangents.tail))
    if walk is None:
        return None
    disc = disc[walk]
    return Taut(
        discs.centre[disc],
        discs.radius_m[disc],
        tangents.arrive[before[walk]],
        sweep[walk],
        float(cost[walk].sum()),
    )


def _tangents(discs: Discs) -> _Tangents:
    # A line of left normal n touches both discs where n . (c_head - c_tail) = r_head - r_tail, radii signed by turn.
    count = len(discs.turn)
    tail, head = np.nonzero(~np.eye(count, dtype=np.bool_))
    apart = discs.centre[head] - discs.centre[tail]
    distance = np.hypot(*apart.T)
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
    begin = discs.centre[tail] - signed[tail][:, None] * normal
    end = discs.centre[head] - signed[head][:, None] * normal
    every = _Tangents(tail, head, begin, end, leave, arrive, np.sqrt(np.maximum(distance**2 - rise**2, 0.0)))
    return every.take(leaves & arrives)


def _within(discs: Discs, disc: Integers, normal: Floats) -> tuple[Floats, Flags]:
    # Direction from the disc's centre to the tangent, pulled onto the disc's own range of directions.
    outward = -discs.turn[disc][:, None] * normal
    start, width = discs.start[disc], discs.width[disc]
    offset = np.mod(np.arctan2(outward[:, 1], outward[:, 0]) - start, TURN)
    offset = np.where((offset > TURN - _ANGLE_SLACK) & (width < TURN), 0.0, offset)
    return start + np.minimum(offset, width), offset <= width + _ANGLE_SLACK


def _is_free(tangents: _Tangents, keep: Keep, ground: shapely.Geometry) -> Flags:
    if len(tangents.tail) == 0:
        return np.zeros(0, dtype=np.bool_)
    lines: NDArray[np.object_] = np.asarray(shapely.linestrings(np.stack([tangents.begin, tangents.end], axis=1)))
    free: Flags = (tangents.length_m < SLACK_M) | shapely.covers(ground, lines)
    least, most = np.minimum(keep.left_m, keep.right_m), np.maximum(keep.left_m, keep.right_m)
    for thing, least_m in zip(keep.things, least, strict=True):
        left = np.flatnonzero(free)
        free[left] = ~shapely.dwithin(thing, lines[left], least_m - SLACK_M)
    # Between the two clearances of a thing the side decides, and only where the line passes it abreast.
    sided = np.flatnonzero(most - least > SLACK_M)
    left = np.flatnonzero(free)
    apart_m = shapely.distance(lines[left][:, None], keep.things[sided][None, :])
    line, which = np.nonzero(apart_m < most[sided] - SLACK_M)
    line, which = left[line], sided[which]
    if line.size == 0:
        return free
    ends = shapely.get_coordinates(shapely.shortest_line(lines[line], keep.things[which])).reshape(-1, 2, 2)
    across = ends[:, 1] - ends[:, 0]
    along = tangents.end[line] - tangents.begin[line]
    away = np.hypot(*across.T)
    abreast = np.abs((along * across).sum(axis=1)) <= _ANGLE_SLACK * 10 * tangents.length_m[line] * away
    needed = np.where(cross(along, across) > 0.0, keep.left_m[which], keep.right_m[which])
    free[line[abreast & (away < needed - SLACK_M)]] = False
    return free


def _curves(tangents: _Tangents, discs: Discs) -> tuple[Integers, Integers, Floats]:
    # Every way to arrive at a disc with every way to leave it, and the signed angle between.
    order = np.argsort(tangents.tail, kind="stable")
    first = np.searchsorted(tangents.tail[order], tangents.head, side="left")
    ways = np.searchsorted(tangents.tail[order], tangents.head, side="right") - first
    before = np.repeat(np.arange(len(ways)), ways)
    rank = np.arange(len(before)) - np.repeat(np.cumsum(ways) - ways, ways)
    after = order[first[before] + rank]
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
    spot_disc, spot_angle = spots
    offset = np.mod((spot_angle[None, :] - arrive[:, None]) * np.sign(sweep)[:, None], TURN)
    hit = (disc[:, None] == spot_disc[None, :]) & (offset < np.abs(sweep)[:, None])
    return np.asarray(~hit.any(axis=1), dtype=np.bool_)


def _spots(discs: Discs, keep: Keep, ground: shapely.Geometry) -> tuple[Integers, Floats]:
    # Directions on each disc at which its rim is too near a thing. A curve between two free tangents that is blocked at
    # all is blocked where a thing is nearest to the rim, or its outline crosses the rim, or the ground is left between
    # two crossings of the ground's outline.
    edges, owner = _edges(keep.things)
    disc, edge, foot, crossing = _nearest(discs, edges)
    away = foot - discs.centre[disc]
    far = np.hypot(*away.T)
    off_rim = np.where(crossing, 0.0, np.abs(far - discs.radius_m[disc]))
    thing = owner[edge]
    most, least = np.maximum(keep.left_m, keep.right_m), np.minimum(keep.left_m, keep.right_m)
    near = (off_rim < most[thing] - SLACK_M) & (far > 1e-9)
    disc, thing, off_rim, far, away = disc[near], thing[near], off_rim[near], far[near], away[near]
    direction = np.arctan2(away[:, 1], away[:, 0])
    rim = discs.centre[disc] + discs.radius_m[disc][:, None] * unit(direction)
    true = shapely.distance(shapely.points(rim), keep.things[thing])
    beyond_is_left = (far > discs.radius_m[disc]) == (discs.turn[disc] < 0.0)
    needed = np.where(beyond_is_left, keep.left_m[thing], keep.right_m[thing])
    needed = np.where(np.abs(true - off_rim) <= SLACK_M, needed, least[thing])
    blocked = true < needed - SLACK_M
    outside = _spots_off_ground(discs, ground)
    return np.concatenate([disc[blocked], outside[0]]), np.concatenate([direction[blocked], outside[1]])


def _nearest(discs: Discs, edges: Floats) -> tuple[Integers, Integers, Floats, Flags]:
    # For each disc and edge: its ends, the point nearest to the centre, and the crossings of the rim.
    begin, run = edges[:, :2], edges[:, 2:] - edges[:, :2]
    square = np.maximum((run**2).sum(axis=1), 1e-18)
    toward = discs.centre[:, None, :] - begin[None, :, :]
    along = (toward * run).sum(axis=2) / square
    off_line = (toward**2).sum(axis=2) - along**2 * square
    half = np.sqrt(np.maximum(discs.radius_m[:, None] ** 2 - off_line, 0.0) / square)
    ends = np.zeros_like(along), np.ones_like(along)
    at = np.stack([np.clip(along, 0.0, 1.0), *ends, along - half, along + half], axis=2)
    crosses = (off_line <= discs.radius_m[:, None] ** 2)[:, :, None] & (np.arange(5) >= 3)
    disc, edge, kind = np.nonzero((crosses & (at >= 0.0) & (at <= 1.0)) | (np.arange(5) < 3))
    foot = begin[edge] + at[disc, edge, kind][:, None] * run[edge]
    return disc, edge, foot, kind >= 3


def _spots_off_ground(discs: Discs, ground: shapely.Geometry) -> tuple[Integers, Floats]:
    edges, _ = _edges(np.array([shapely.boundary(ground)], dtype=object))
    disc, _, foot, crossing = _nearest(discs, edges)
    cuts = crossing & (discs.radius_m[disc] > 0.0)
    disc, away = disc[cuts], (foot - discs.centre[disc])[cuts]
    angle = np.arctan2(away[:, 1], away[:, 0])
    order = np.lexsort([angle, disc])
    disc, angle = disc[order], angle[order]
    last = np.append(disc[1:] != disc[:-1], True)[: len(disc)]
    first = np.maximum.accumulate(np.where(np.roll(last, 1), np.arange(len(disc)), 0))
    following = np.where(last, angle[first] + TURN, np.roll(angle, -1)) if len(disc) else angle
    middle = (angle + following) / 2
    rim = discs.centre[disc] + discs.radius_m[disc][:, None] * unit(middle)
    outside = ~shapely.intersects_xy(ground, rim)
    return disc[outside], middle[outside]


def _edges(things: NDArray[np.object_]) -> tuple[Floats, Integers]:
    parts, owner = shapely.get_parts(things, return_index=True)
    polygons = shapely.get_type_id(parts) == shapely.GeometryType.POLYGON
    rings, ring_owner = shapely.get_rings(parts[polygons], return_index=True)
    lines = np.concatenate([rings, parts[~polygons]])
    owner = np.concatenate([owner[polygons][ring_owner], owner[~polygons]])
    points, line = shapely.get_coordinates(lines, return_index=True)
    alone = np.bincount(line, minlength=len(lines))[line] == 1
    joined = np.append(line[1:] == line[:-1], False)[: len(line)]
    begins = np.flatnonzero(joined | alone)
    ends = np.where(alone[begins], begins, begins + 1)
    return np.hstack([points[begins], points[ends]]), owner[line[begins]]


def _ray(core: shapely.Geometry, tangents: _Tangents) -> tuple[Floats, Floats]:
    # Any ray will do; the fewest crossings are the quickest.
    points, start, width = find_corners(core)
    rays = unit(start + RAY_SHARE * width)
    every = [_line_crossings(point, ray, tangents.begin, tangents.end) for point, ray in zip(points, rays, strict=True)]
    best = int(np.argmin(np.abs(every).sum(axis=1)))
    return points[best], rays[best]


def _line_crossings(origin: Floats, ray: Floats, begin: Floats, end: Floats) -> Integers:
    side_begin, side_end = cross(ray, begin - origin), cross(ray, end - origin)
    crosses = (side_begin < 0.0) != (side_end < 0.0)
    ahead = ((begin - origin) @ ray) * side_end - ((end - origin) @ ray) * side_begin
    sign = np.where(side_begin < 0.0, 1, -1)
    return np.where(crosses & (ahead * sign > 0.0), sign, 0)


def _curve_crossings(
    origin: Floats, ray: Floats, discs: Discs, disc: Integers, arrive: Floats, sweep: Floats
) -> Integers:
    toward = discs.centre - origin
    middle = toward @ ray
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


def _shortest_round(
    before: Integers, after: Integers, cost: Floats, crossings: Integers, count: int
) -> Integers | None:
    # A copy of the tangents for each number of crossings so far; from a tangent to its copy one crossing on is once
    # round.
    low, high = (-1, 2) if (crossings < 0).any() else (0, 1)
    levels = np.arange(low, high + 1)[:, None]
    to_level = levels + crossings[None, :]
    exists = (to_level >= low) & (to_level <= high)
    tail = ((levels - low) * count + before[None, :])[exists]
    head = ((to_level - low) * count + after[None, :])[exists]
    size = count * len(levels)
    # A weight of nothing would be no link at all.
    weight = np.broadcast_to(np.maximum(cost, 1e-12), exists.shape)[exists]
    starts = np.unique(after[crossings > 0])
    if starts.size == 0:
        return None
    graph = csr_array((weight, (tail, head)), shape=(size, size))
    lengths, previous = dijkstra(graph, indices=starts - low * count, return_predecessors=True)
    rounds = lengths[np.arange(len(starts)), starts + (1 - low) * count]
    best = int(np.argmin(rounds))
    if not np.isfinite(rounds[best]):
        return None
    nodes = [int(starts[best] + (1 - low) * count)]
    while nodes[-1] != starts[best] - low * count:
        nodes.append(int(previous[best, nodes[-1]]))
    tangents = np.array(nodes[::-1]) % count
    key = before * count + after
    order = np.argsort(key)
    return np.asarray(order[np.searchsorted(key[order], tangents[:-1] * count + tangents[1:])], dtype=np.int64)
