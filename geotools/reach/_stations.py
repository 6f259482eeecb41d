"""Cut lines where the height that a foothold or the ground asks for can turn, so that it is monotone in between."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import shapely

from geotools.reach._ground import LEVEL_M, Steepness
from geotools.reach.surface import cross_grid

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Integers = NDArray[np.int64]

__all__ = ["Segments", "Stations", "cut_at_footholds", "cut_at_ground", "make_segments", "place_stations"]

_SAME_M = 1e-9
_STEEP, _VERY_STEEP = 0.75, 1.5


class Segments(NamedTuple):
    """Straight pieces of lines: ends, length, row of the line, number of its part, station where the piece begins."""

    start: Floats
    end: Floats
    size_m: Floats
    line: Integers
    part: Integers
    begins_m: Floats


class Stations(NamedTuple):
    """Places along segments: segment, metres from its start, coordinates, next on the same part (-1 at an end)."""

    segment: Integers
    along_m: Floats
    xy: Floats
    following: Integers


def make_segments(lines: NDArray[Any]) -> Segments:
    """Take lines apart; stations run on from one part of a line to the next.

    Examples
    --------
    >>> make_segments(np.array([shapely.LineString([(0, 0), (3, 0), (3, 4)])])).begins_m.tolist()
    [0.0, 3.0]
    """
    parts, line_at = shapely.get_parts(lines, return_index=True)
    points, part_at = shapely.get_coordinates(parts, return_index=True)
    steps = np.diff(points, axis=0)
    sizes_m = np.asarray(np.hypot(steps[:, 0], steps[:, 1]))
    first = np.flatnonzero((part_at[:-1] == part_at[1:]) & (sizes_m > _SAME_M))
    size_m, part = sizes_m[first], part_at[first]
    line = line_at[part]
    total = np.cumsum(size_m) - size_m
    opening = np.searchsorted(line, line)
    begins_m = total - total[opening] if len(line) else total
    return Segments(points[first], points[first + 1], size_m, line, part, begins_m)


def cut_at_footholds(
    segments: Segments, segment_at: Integers, shapes: NDArray[Any], *, reach_m: float
) -> tuple[Integers, Floats]:
    """Where a segment enters, leaves and comes closest to the reach of shapes, in closed form.

    For each vertex of a shape the foot of its perpendicular and the two ends of the chord of its circle; for each edge
    the crossings with it and with its parallels at the reach. Between two neighbouring cuts the distance to each
    vertex and edge is monotone, and either below the reach or not below it.

    Parameters
    ----------
    segments : Segments
    segment_at : numpy.ndarray of int, n
        Segment of each pair.
    shapes : array of geometry, n
        Shape of each pair.
    reach_m : float

    Returns
    -------
    segment, along_m : numpy.ndarray, m
        Cuts within the segments.

    Examples
    --------
    >>> road = make_segments(np.array([shapely.LineString([(0, 0), (9, 0)])]))
    >>> np.sort(cut_at_footholds(road, np.array([0]), np.array([shapely.Point(4, 3)]), reach_m=5.0)[1]).tolist()
    [4.0, 8.0]
    """
    vertices, vertex_pair, edges, edge_pair = _take_apart(shapes)
    axis = (segments.end - segments.start) / segments.size_m[:, None]
    segment = segment_at[vertex_pair]
    offset = vertices - segments.start[segment]
    along = np.einsum("nd,nd->n", offset, axis[segment])
    half2 = reach_m**2 - (np.einsum("nd,nd->n", offset, offset) - along**2)
    near = half2 > 0
    segment, along, half = segment[near], along[near], np.sqrt(half2[near])
    found_segment, found_along = [np.tile(segment, 3)], [np.concatenate([along, along - half, along + half])]
    segment = segment_at[edge_pair]
    direction = edges[:, 1] - edges[:, 0]
    length = np.asarray(np.hypot(direction[:, 0], direction[:, 1]))
    proper = length > 0
    segment, direction, origin = segment[proper], direction[proper] / length[proper, None], edges[proper, 0]
    normal = np.column_stack([-direction[:, 1], direction[:, 0]])
    gap = np.einsum("nd,nd->n", segments.start[segment] - origin, normal)
    closing = np.einsum("nd,nd->n", axis[segment], normal)
    crossing = np.abs(closing) > 1e-12
    for parallel_m in (-reach_m, 0.0, reach_m):
        found_segment.append(segment[crossing])
        found_along.append((parallel_m - gap[crossing]) / closing[crossing])
    segment, along = np.concatenate(found_segment), np.concatenate(found_along)
    within = (along > 0) & (along < segments.size_m[segment])
    return segment[within], along[within]


def cut_at_ground(segments: Segments, steep: Steepness, *, reach_m: float, spacing_m: float) -> tuple[Integers, Floats]:
    """Where a segment is sampled for the ground.

    At a spacing that shrinks with steepness, and where it crosses the lines between cell centres; not on level ground.

    Examples
    --------
    >>> from geotools.reach._ground import steepness
    >>> from geotools.reach.surface import Surface
    >>> ramp = Surface(np.array([[0.0, 5.0], [0.0, 5.0]]), 0.0, 10.0, 10.0)
    >>> road = make_segments(np.array([shapely.LineString([(1, 1), (3, 1)])]))
    >>> np.unique(cut_at_ground(road, steepness(ramp, reach_m=1.0), reach_m=1.0, spacing_m=0.5)[1]).tolist()
    [0.0, 0.5, 1.0, 1.5, 2.0]
    """
    counts = np.maximum(np.ceil(segments.size_m / spacing_m), 1).astype(np.int64) + 1
    segment = np.repeat(np.arange(len(counts)), counts)
    number = np.arange(len(segment)) - np.repeat(np.cumsum(counts) - counts, counts)
    step_m = (segments.size_m / (counts - 1))[segment]
    along = number * step_m
    axis = (segments.end - segments.start) / segments.size_m[:, None]
    gradient = steep.at(segments.start[segment] + along[:, None] * axis[segment])
    sloping = reach_m * (np.sqrt(1 + gradient**2) - 1) > LEVEL_M
    same = segment[1:] == segment[:-1]
    beside = sloping.copy()
    beside[1:] |= sloping[:-1] & same
    beside[:-1] |= sloping[1:] & same
    inner = np.append(same, False)
    found_segment, found_along = [segment[beside]], [along[beside]]
    for least, shares in ((_STEEP, (0.5,)), (_VERY_STEEP, (0.25, 0.75))):
        halved = inner & (gradient > least)
        for part in shares:
            found_segment.append(segment[halved])
            found_along.append((along + part * step_m)[halved])
    crossed, share = cross_grid(segments.start, segments.end, steep.surface)
    xy = segments.start[crossed] + share[:, None] * (segments.end - segments.start)[crossed]
    sloping = reach_m * (np.sqrt(1 + steep.at(xy) ** 2) - 1) > LEVEL_M
    found_segment.append(crossed[sloping])
    found_along.append((share * segments.size_m[crossed])[sloping])
    return np.concatenate(found_segment), np.concatenate(found_along)


def place_stations(segments: Segments, cut_segment: Integers, cut_along_m: Floats) -> Stations:
    """Put the ends of the segments and the cuts in order, each place once.

    Examples
    --------
    >>> road = make_segments(np.array([shapely.LineString([(0, 0), (9, 0)])]))
    >>> place_stations(road, np.array([0, 0]), np.array([4.0, 4.0])).along_m.tolist()
    [0.0, 4.0, 9.0]
    """
    count = len(segments.size_m)
    every = np.arange(count)
    segment = np.concatenate([every, every, cut_segment])
    along = np.concatenate([np.zeros(count), segments.size_m, np.clip(cut_along_m, 0, segments.size_m[cut_segment])])
    order = np.lexsort((along, segment))
    segment, along = segment[order], along[order]
    turns = segment[1:] != segment[:-1]
    first, last = np.append(True, turns)[: len(segment)], np.append(turns, True)[: len(segment)]
    apart = np.append(True, np.diff(along) > 1e-7)[: len(segment)]
    to_end = segments.size_m[segment] - along
    kept = first | last | (apart & (to_end > 1e-7))
    segment, along = segment[kept], along[kept]
    axis = (segments.end - segments.start) / segments.size_m[:, None]
    xy = segments.start[segment] + along[:, None] * axis[segment]
    part = segments.part[segment]
    following = np.append(np.arange(1, len(segment)), -1)[: len(segment)]
    ends = np.flatnonzero(np.append(part[1:] != part[:-1], True)[: len(part)])
    following[ends] = -1
    opening = np.searchsorted(part, part[ends])
    closed = np.all(np.abs(xy[opening] - xy[ends]) < 1e-6, axis=1)
    following[ends[closed]] = opening[closed]
    return Stations(segment, along, xy, following)


def _take_apart(shapes: NDArray[Any]) -> tuple[Floats, Integers, Floats, Integers]:
    """Vertices and edges of shapes, with the shape of each."""
    parts, pair = shapely.get_parts(shapes, return_index=True)
    while (shapely.get_type_id(parts) > shapely.GeometryType.POLYGON).any():
        parts, whole = shapely.get_parts(parts, return_index=True)
        pair = pair[whole]
    polygons = shapely.get_type_id(parts) == shapely.GeometryType.POLYGON
    rings, ring_at = shapely.get_rings(parts[polygons], return_index=True)
    simple = np.concatenate([parts[~polygons], rings])
    pair = np.concatenate([pair[~polygons], pair[polygons][ring_at]])
    vertices, at = shapely.get_coordinates(simple, return_index=True)
    joined = np.flatnonzero(at[:-1] == at[1:])
    return vertices, pair[at], np.stack([vertices[joined], vertices[joined + 1]], axis=1), pair[at[joined]]
