"""Draw every barrier as it stands: walls, their gates, house walls, joints within the tolerance and gaps to fill."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import shapely
from shapely.ops import substring

from geotools.closure._noding import envelopes, nearest, split

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Ints = NDArray[np.intp]
    Flags = NDArray[np.bool_]
    Shapes = NDArray[np.object_]

__all__ = ["GAP", "GATE", "HOUSE", "JOINT", "WALL", "Linework", "draw_linework"]

HOUSE, GATE, JOINT, WALL, GAP = range(5)
"""Kinds of barrier; where several lie on each other the first of them speaks for all, and of one kind a sound one."""

_TOUCH_M = 1e-6
_AT_ONCE = 50_000
_THREADS = 2
_MOST_GAPS = 3
_GATE_SLACK_M = 0.5
_SAME_WAY_DEG = 30.0


class Linework(NamedTuple):
    """Lines with the position of each one's item; per item its kind, soundness, row in its layer and cost per metre.

    `unplaced` are the rows of gates that stand too far from any wall.
    """

    lines: Shapes
    item_at: Ints
    kind: Ints
    sound: Flags
    row: Ints
    cost_per_m: Floats
    unplaced: Ints


class _Parts(NamedTuple):
    """Barrier lines taken apart: segments with their part and their stretch along it, vertices likewise."""

    lines: Shapes
    closed: Flags
    length_m: Floats
    segments: Shapes
    ends: Floats
    tree: shapely.STRtree
    segment_part: Ints
    segment_from_m: Floats
    segment_to_m: Floats
    vertices: Floats
    vertex_part: Ints
    vertex_at_m: Floats


def draw_linework(
    house_lines: Shapes,
    wall_lines: Shapes,
    wall_row: Ints,
    wall_sound: Flags,
    gate_points: Shapes,
    gate_sound: Flags,
    gate_width_m: Floats,
    *,
    snap_m: float,
    gap_m: float,
    gate_within_m: float,
    gate_cost_m: float,
    gap_cost_ratio: float,
) -> Linework:
    """Draw joints, gaps and gates beside the walls and houses.

    A joint is drawn from every vertex to every other line within `snap_m`, and counts as sound. A gap is the shortest
    way from a wall end that hangs free to each of the nearest other lines within `gap_m`. A gate is the stretch of its
    width on the nearest wall (and on every wall that lies on that one within `snap_m`), or the whole of the gap that it
    stands in.

    Parameters
    ----------
    house_lines, wall_lines : arrays of LineString
    wall_row : array of int
        Row of each wall line in its layer.
    wall_sound : array of bool
        One per row of the walls' layer.
    gate_points, gate_sound, gate_width_m : arrays
        One per row of the gates' layer, widths all known.
    snap_m, gap_m, gate_within_m : float
        Tolerances, metres.
    gate_cost_m : float
        Metres of wall that cost as much to mend as one gate.
    gap_cost_ratio : float
        Cost of a metre of gap against a metre of wall.

    Returns
    -------
    Linework
        Items in the order house, joint, walls, gates, gaps.
    """
    parts = _take_apart(np.concatenate([house_lines, wall_lines]))
    first_wall = len(house_lines)
    longest_gap_m = max(gap_m, float(gate_width_m.max(initial=0.0)) + _GATE_SLACK_M)
    gaps = _find_gaps(parts, first_wall, snap_m, longest_gap_m)
    gate_lines, gate_row, gated = _place_gates(
        parts, first_wall, gaps, gate_points, gate_width_m, snap_m, gap_m, gate_within_m
    )
    gaps = gaps[(shapely.length(gaps) <= gap_m) & ~gated]
    joints = _find_joints(parts, snap_m)

    counts = [1, 1, len(wall_sound), len(gate_points), len(gaps)]
    start = np.concatenate([[0], np.cumsum(counts)])
    gate_item = start[3] + gate_row
    length_m = np.zeros(len(gate_points))
    np.maximum.at(length_m, gate_row, shapely.length(gate_lines))
    groups: list[tuple[Shapes, Ints]] = [
        (house_lines, np.zeros(len(house_lines), dtype=np.intp)),
        (joints, np.ones(len(joints), dtype=np.intp)),
        (wall_lines, start[2] + wall_row),
        (gate_lines, gate_item),
        (gaps, start[4] + np.arange(len(gaps))),
    ]
    return Linework(
        lines=np.concatenate([lines for lines, _ in groups]),
        item_at=np.concatenate([item for _, item in groups]).astype(np.intp),
        kind=np.repeat([HOUSE, JOINT, WALL, GATE, GAP], counts),
        sound=np.concatenate([[True, True], wall_sound, gate_sound, np.zeros(len(gaps), dtype=bool)]).astype(bool),
        row=np.concatenate([[-1, -1], *(np.arange(count) for count in counts[2:])]).astype(np.intp),
        cost_per_m=np.concatenate(
            [
                [0.0, 0.0],
                np.ones(len(wall_sound)),
                gate_cost_m / np.where(length_m > 0, length_m, 1.0),
                np.full(len(gaps), gap_cost_ratio),
            ]
        ),
        unplaced=np.setdiff1d(np.arange(len(gate_points)), gate_row),
    )


def _take_apart(lines: Shapes) -> _Parts:
    xy, part_at = shapely.get_coordinates(lines, return_index=True)
    step_m = np.hypot(*np.diff(xy, axis=0, prepend=xy[:1]).T)
    first = np.searchsorted(part_at, np.arange(len(lines)))
    step_m[first] = 0.0
    along_m = np.cumsum(step_m)
    along_m -= along_m[first][part_at]
    ends, segment_part = split(lines)
    segments = np.asarray(shapely.linestrings(ends), dtype=object)
    whole = np.flatnonzero((part_at[:-1] == part_at[1:]) & (step_m[1:] > 0))
    return _Parts(
        lines,
        shapely.is_closed(lines),
        shapely.length(lines),
        segments,
        ends,
        shapely.STRtree(segments),
        segment_part,
        along_m[whole],
        along_m[whole + 1],
        xy,
        part_at,
        along_m,
    )


def _near(parts: _Parts, chosen: Ints, within_m: float, snap_m: float) -> tuple[Ints, Ints, Floats]:
    """Pair vertices with the segments within a distance, less those that hang together with the vertex anyway."""
    reach_m = within_m + _TOUCH_M

    def search(first: int) -> tuple[Ints, Ints, Floats]:
        some = chosen[first : first + _AT_ONCE]
        xy = parts.vertices[some]
        at, segment = parts.tree.query(envelopes(xy - reach_m, xy + reach_m))
        vertex = some[at]
        distance_m = np.hypot(*(parts.vertices[vertex] - nearest(parts.vertices[vertex], parts.ends[segment])).T)
        part = parts.segment_part[segment]
        where_m = parts.vertex_at_m[vertex]
        low_m, high_m = parts.segment_from_m[segment], parts.segment_to_m[segment]
        along_m = np.maximum(np.maximum(low_m - where_m, where_m - high_m), 0.0)
        round_m = parts.length_m[part] - (np.maximum(high_m, where_m) - np.minimum(low_m, where_m))
        along_m = np.where(parts.closed[part], np.minimum(along_m, round_m), along_m)
        apart = (part != parts.vertex_part[vertex]) | (along_m > 2 * np.maximum(distance_m, snap_m))
        counts = apart & (distance_m <= reach_m)
        return vertex[counts], segment[counts], distance_m[counts]

    parts.tree.query(parts.segments[:1])  # builds the tree, before two threads ask it
    with ThreadPoolExecutor(_THREADS) as pool:
        found = list(pool.map(search, range(0, max(len(chosen), 1), _AT_ONCE)))
    vertex, segment, distance = zip(*found, strict=True)
    return np.concatenate(vertex), np.concatenate(segment), np.concatenate(distance)


def _ways(parts: _Parts, vertex: Ints, segment: Ints) -> Shapes:
    """Draw the shortest way from each vertex to its segment."""
    start = parts.vertices[vertex]
    ways = np.stack([start, nearest(start, parts.ends[segment])], axis=1)
    return np.asarray(shapely.linestrings(ways), dtype=object)


def _find_joints(parts: _Parts, snap_m: float) -> Shapes:
    vertex, segment, distance_m = _near(parts, np.arange(len(parts.vertices)), snap_m, snap_m)
    apart = distance_m > _TOUCH_M
    return _ways(parts, vertex[apart], segment[apart])


def _find_gaps(parts: _Parts, first_wall: int, snap_m: float, within_m: float) -> Shapes:
    """Draw the shortest ways from free wall ends to the nearest other lines."""
    is_end = (parts.vertex_at_m == 0) | np.append(
        parts.vertex_part[1:] != parts.vertex_part[:-1], [True] * bool(len(parts.vertices))
    )
    ends = np.flatnonzero(is_end & (parts.vertex_part >= first_wall) & ~parts.closed[parts.vertex_part])
    vertex, segment, distance_m = _near(parts, ends, within_m, snap_m)
    joined = np.zeros(len(parts.vertices), dtype=bool)
    joined[vertex[distance_m <= snap_m + _TOUCH_M]] = True
    free = ~joined[vertex]
    vertex, segment, distance_m = vertex[free], segment[free], distance_m[free]
    part = parts.segment_part[segment]
    order = np.lexsort((distance_m, part, vertex))
    nearest = order[_firsts(vertex[order], part[order])]
    order = nearest[np.lexsort((distance_m[nearest], vertex[nearest]))]
    turn = np.arange(len(order)) - np.searchsorted(vertex[order], vertex[order])
    order = order[turn < _MOST_GAPS]
    gaps = _ways(parts, vertex[order], segment[order])
    # Two ends that face each other give the same gap twice.
    drawn = shapely.to_wkb(shapely.normalize(shapely.set_precision(gaps, 1e-4, mode="pointwise")))
    return np.asarray(gaps[np.sort(np.unique(drawn, return_index=True)[1])], dtype=object) if len(gaps) else gaps


def _place_gates(
    parts: _Parts,
    first_wall: int,
    gaps: Shapes,
    points: Shapes,
    width_m: Floats,
    snap_m: float,
    gap_m: float,
    within_m: float,
) -> tuple[Shapes, Ints, Flags]:
    """Return the gates' lines with the row of each, and which gaps hold a gate."""
    gated = np.zeros(len(gaps), dtype=bool)
    walls = np.flatnonzero(parts.segment_part >= first_wall)
    to_wall_m, to_gap_m = np.full(len(points), np.inf), np.full(len(points), np.inf)
    wall_at, gap_at = np.zeros(len(points), dtype=np.intp), np.zeros(len(points), dtype=np.intp)
    if len(walls):
        (gate, near), apart_m = shapely.STRtree(parts.segments[walls]).query_nearest(
            points, max_distance=within_m, return_distance=True, all_matches=False
        )
        to_wall_m[gate], wall_at[gate] = apart_m, walls[near]
    if len(gaps):
        gate, near = shapely.STRtree(gaps).query(points, predicate="dwithin", distance=within_m)
        apart_m = shapely.distance(points[gate], gaps[near])
        fits = shapely.length(gaps[near]) <= np.maximum(gap_m, width_m[gate] + _GATE_SLACK_M)
        gate, near, apart_m = gate[fits], near[fits], apart_m[fits]
        order = np.lexsort((near, apart_m, gate))
        order = order[_firsts(gate[order])]
        to_gap_m[gate[order]], gap_at[gate[order]] = apart_m[order], near[order]
    in_gap = np.flatnonzero(np.isfinite(to_gap_m) & (to_gap_m <= to_wall_m + _TOUCH_M))
    on_wall = np.setdiff1d(np.flatnonzero(np.isfinite(to_wall_m)), in_gap)
    gated[gap_at[in_gap]] = True

    host = wall_at[on_wall]
    middle = shapely.get_point(shapely.shortest_line(points[on_wall], parts.segments[host]), 1)
    at, other = parts.tree.query(middle, predicate="dwithin", distance=snap_m + _TOUCH_M)
    on_walls = parts.segment_part[other] >= first_wall
    at, other = at[on_walls], other[on_walls]
    turn_deg = np.degrees(np.abs(_heading(parts.segments[other]) - _heading(parts.segments[host[at]])))
    turn_deg = np.minimum(turn_deg % 180, 180 - turn_deg % 180)
    beside = (turn_deg <= _SAME_WAY_DEG) | (other == host[at])
    at, part = np.unique(np.stack([at[beside], parts.segment_part[other[beside]]]), axis=1) if len(at) else (at, other)
    row = on_wall[at]
    stretches = _stretches(parts.lines[part], middle[at], width_m[row])
    return np.concatenate([stretches, gaps[gap_at[in_gap]]]), np.concatenate([row, in_gap]).astype(np.intp), gated


def _stretches(lines: Shapes, middles: Shapes, width_m: Floats) -> Shapes:
    """Cut the stretch of a width around a point out of each line."""
    at_m = shapely.line_locate_point(lines, middles)
    from_m = np.maximum(at_m - width_m / 2, 0.0)
    to_m = np.minimum(at_m + width_m / 2, shapely.length(lines))
    ends = [shapely.get_coordinates(shapely.line_interpolate_point(lines, place_m)) for place_m in (from_m, to_m)]
    cut = np.asarray(shapely.linestrings(np.stack(ends, axis=1)), dtype=object)
    for bent in np.flatnonzero(shapely.length(cut) < to_m - from_m - _TOUCH_M):
        cut[bent] = substring(lines[bent], from_m[bent], to_m[bent])
    return cut


def _heading(segments: Shapes) -> Floats:
    xy = shapely.get_coordinates(segments).reshape(-1, 2, 2)
    along = xy[:, 1] - xy[:, 0]
    return np.asarray(np.arctan2(along[:, 1], along[:, 0]), dtype=np.float64)


def _firsts(*keys: Ints) -> Ints:
    """Return the positions where sorted keys begin anew."""
    if not len(keys[0]):
        return np.zeros(0, dtype=np.intp)
    new = np.any([key[1:] != key[:-1] for key in keys], axis=0)
    return np.flatnonzero(np.append(True, new))
