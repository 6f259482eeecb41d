"""Round segments to a grid so that they meet at common corners only, one tile after the other."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import shapely

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Ints = NDArray[np.intp]
    Steps = NDArray[np.int64]
    Flags = NDArray[np.bool_]
    Shapes = NDArray[np.object_]

__all__ = ["GRID_M", "Edges", "codes", "envelopes", "nearest", "node", "ranges", "split", "unique_segments"]

GRID_M = 0.001
"""Coordinates are rounded to this while the plane is cut up (assumption of this project: a sixth of the least gap)."""
_TOUCH = 0.01
"""In steps of the grid: an end this near to a line lies on it (a hundredth of a step, far above rounding noise)."""
_HALF = 0.5
_AT_ONCE = 20_000


class Edges(NamedTuple):
    """Edges between corners on the grid: steps of the grid (n, 2) at both ends, low end first, each edge once.

    `rank` is the lowest rank of the segments that run along an edge.
    """

    start: Steps
    stop: Steps
    rank: Ints


def node(segments: Floats, rank: Ints) -> Edges:
    """Round segments to the grid; every end, touch and crossing becomes a corner of all segments that come by.

    Snap rounding (Hobby 1999): the square around each corner's place on the grid is hot, and each segment bends to the
    middle of every hot square that it passes. Rounded segments then never cross between corners.

    Parameters
    ----------
    segments : array of float, (n, 2, 2)
        In steps of the grid, none of length zero, each once and low end first (`unique_segments`).
    rank : array of int, n
        What to keep of the segments that run along each other, within a step: the lowest.

    Returns
    -------
    Edges

    Examples
    --------
    >>> cross = np.array([[[0.0, 5.0], [10.0, 5.0]], [[5.2, 0.0], [5.2, 10.0]]])
    >>> edges = node(cross, np.array([7, 3]))
    >>> edges.start.tolist(), edges.rank.tolist()
    ([[0, 5], [5, 0], [5, 5], [5, 5]], [7, 3, 3, 7])
    """
    one, other = _near_pairs(segments)
    line = [np.repeat(np.arange(len(segments)), 2)]
    point = [segments.reshape(-1, 2)]
    touching = np.zeros(len(one), dtype=bool)
    corner = np.floor(segments + _HALF).astype(np.int64)
    hit_line: list[Ints] = []
    hit: list[Steps] = []
    for mine, its in ((one, other), (other, one)):
        for end in (0, 1):
            touches = _touches(segments[its, end], segments[mine])
            touching |= touches
            line.append(mine[touches])
            point.append(segments[its[touches], end])
            passes = _passes(segments[mine], corner[its, end])
            hit_line.append(mine[passes])
            hit.append(corner[its[passes], end])
    apart = np.flatnonzero(~touching)
    crossing, place = _crossings(segments[one[apart]], segments[other[apart]])
    crossing = apart[crossing]
    line += [one[crossing], other[crossing]]
    point += [place, place]
    # A third segment may pass the square of a crossing; it is near both of those that cross.
    square = np.floor(place + _HALF).astype(np.int64)
    first, second = np.concatenate([one, other]), np.concatenate([other, one])
    by_second = np.argsort(second, kind="stable")
    low, high = (np.searchsorted(second[by_second], one[crossing], side=side) for side in ("left", "right"))
    third = first[by_second[ranges(low, high - low)]]
    at = np.repeat(np.arange(len(crossing)), high - low)
    passes = _passes(segments[third], square[at])
    hit_line.append(third[passes])
    hit.append(square[at[passes]])

    all_lines = np.concatenate(line + hit_line)
    corners = np.concatenate([np.floor(np.concatenate(point) + _HALF).astype(np.int64), *hit])
    way_x, way_y = _way(segments)
    along = (corners[:, 0] - segments[all_lines, 0, 0]) * way_x[all_lines]
    along += (corners[:, 1] - segments[all_lines, 0, 1]) * way_y[all_lines]
    order = np.lexsort((along, all_lines))
    all_lines, corners = all_lines[order], corners[order]
    step = (all_lines[1:] == all_lines[:-1]) & _differ(corners)
    start_at, stop_at, of = corners[:-1][step], corners[1:][step], all_lines[:-1][step]
    better = rank[second] < rank[first]
    best = _beside(start_at, stop_at, of, segments, rank, first[better], second[better])
    return _each_once(start_at, stop_at, best)


def split(lines: Shapes) -> tuple[Floats, Ints]:
    """Take lines apart into segments, (n, 2, 2), with the position of each one's line; zero-length ones are left out.

    Examples
    --------
    >>> split(shapely.linestrings([[(0, 0), (0, 0), (2, 3)]]))[0].tolist()
    [[[0.0, 0.0], [2.0, 3.0]]]
    """
    xy, line_at = shapely.get_coordinates(lines, return_index=True)
    whole = np.flatnonzero((line_at[:-1] == line_at[1:]) & np.any(xy[:-1] != xy[1:], axis=1))
    return np.stack([xy[whole], xy[whole + 1]], axis=1), line_at[whole]


def unique_segments(segments: Floats, rank: Ints) -> tuple[Floats, Ints]:
    """Keep each segment once, low end first and in a fixed order, with its lowest rank.

    Examples
    --------
    >>> twice = np.array([[[0.0, 0.0], [1.0, 1.0]], [[1.0, 1.0], [0.0, 0.0]]])
    >>> unique_segments(twice, np.array([4, 2]))[1].tolist()
    [2]
    """
    ends = segments.reshape(-1, 4).copy()
    turned = (ends[:, 0] > ends[:, 2]) | ((ends[:, 0] == ends[:, 2]) & (ends[:, 1] > ends[:, 3]))
    ends[turned] = ends[turned][:, [2, 3, 0, 1]]
    # Complex numbers sort by their real parts first: two keys are sorted quicker than four.
    order = np.lexsort((rank, ends[:, 2] + 1j * ends[:, 3], ends[:, 0] + 1j * ends[:, 1]))
    ends = ends[order]
    new = np.append(True, _differ(ends))[: len(ends)]
    return ends[new].reshape(-1, 2, 2), rank[order[new]]


def codes(corners: Steps) -> Steps:
    """Code corners on the grid as one whole number each, in the order of x, then y; steps are below 2^31.

    Examples
    --------
    >>> np.argsort(codes(np.array([[2, -1], [1, 5], [1, -5]]))).tolist()
    [2, 1, 0]
    """
    return np.asarray((corners[:, 0] << 32) + corners[:, 1], dtype=np.int64)


def envelopes(low: Floats, high: Floats) -> Shapes:
    """Draw the diagonals of rectangles: for a tree that is asked for rectangles they do as well, at half the time.

    Examples
    --------
    >>> envelopes(np.array([[0.0, 1.0]]), np.array([[2.0, 4.0]]))[0].bounds
    (0.0, 1.0, 2.0, 4.0)
    """
    return np.asarray(shapely.linestrings(np.stack([low, high], axis=1)), dtype=object)


def nearest(points: Floats | Steps, segments: Floats) -> Floats:
    """Find the place on each point's segment that is nearest to it.

    Examples
    --------
    >>> nearest(np.array([[1.0, 2.0]]), np.array([[[0.0, 0.0], [4.0, 0.0]]])).tolist()
    [[1.0, 0.0]]
    """
    way_x, way_y = _way(segments)
    start = segments[:, 0]
    along = (points[:, 0] - start[:, 0]) * way_x + (points[:, 1] - start[:, 1]) * way_y
    along = np.clip(along / (way_x * way_x + way_y * way_y), 0, 1)
    place = np.stack([start[:, 0] + along * way_x, start[:, 1] + along * way_y], axis=1)
    return np.asarray(np.where((along == 1)[:, None], segments[:, 1], place), dtype=np.float64)


def ranges(low: Ints, count: Ints) -> Ints:
    """List `count` whole numbers from each of `low` on.

    Examples
    --------
    >>> ranges(np.array([4, 9]), np.array([2, 1])).tolist()
    [4, 5, 9]
    """
    return np.asarray(np.repeat(low - np.cumsum(count) + count, count) + np.arange(int(count.sum())), dtype=np.intp)


def _each_once(start: Steps, stop: Steps, rank: Ints) -> Edges:
    begin, end = codes(start), codes(stop)
    turned = (begin > end)[:, None]
    start, stop = np.where(turned, stop, start), np.where(turned, start, stop)
    low, high = np.minimum(begin, end), np.maximum(begin, end)
    order = np.lexsort((rank, high, low))
    low, high = low[order], high[order]
    first = order[np.append(True, (low[1:] != low[:-1]) | (high[1:] != high[:-1]))[: len(order)]]
    return Edges(start[first], stop[first], rank[first])


def _beside(start: Steps, stop: Steps, of: Ints, segments: Floats, rank: Ints, line: Ints, better: Ints) -> Ints:
    """Give each edge the rank of a better segment, paired with its own, that it runs along within one step."""
    best = rank[of]
    order = np.argsort(line, kind="stable")
    low, high = (np.searchsorted(line[order], of, side=side) for side in ("left", "right"))
    edge, other = np.repeat(np.arange(len(of)), high - low), better[order[ranges(low, high - low)]]
    for points in (start, stop):
        near = np.hypot(*(points[edge] - nearest(points[edge], segments[other])).T) <= 1
        edge, other = edge[near], other[near]
    np.minimum.at(best, edge, rank[other])
    return best


def _near_pairs(segments: Floats) -> tuple[Ints, Ints]:
    """Pair the segments whose rectangles come within two steps of each other, each pair once."""
    grown = envelopes(segments.min(axis=1) - 1, segments.max(axis=1) + 1)
    tree = shapely.STRtree(grown)
    pairs = []
    for first in range(0, len(segments), _AT_ONCE):
        at, other = tree.query(grown[first : first + _AT_ONCE])
        once = at + first < other
        pairs.append(np.stack([at[once] + first, other[once]]))
    one, other = np.concatenate(pairs, axis=1) if pairs else np.zeros((2, 0), dtype=np.intp)
    return one, other


def _touches(points: Floats, segments: Floats) -> Flags:
    """Tell which points lie on their segment, off its ends."""
    way_x, way_y = _way(segments)
    away_x, away_y = points[:, 0] - segments[:, 0, 0], points[:, 1] - segments[:, 0, 1]
    found = np.flatnonzero(np.abs(way_x * away_y - way_y * away_x) <= _TOUCH * (np.abs(way_x) + np.abs(way_y)))
    way_x, way_y, away_x, away_y = way_x[found], way_y[found], away_x[found], away_y[found]
    length = np.hypot(way_x, way_y)
    along = (away_x * way_x + away_y * way_y) / length
    beside = np.abs(way_x * away_y - way_y * away_x) / length
    touches = np.zeros(len(points), dtype=bool)
    touches[found] = (beside <= _TOUCH) & (along > _TOUCH) & (along < length - _TOUCH)
    return touches


def _passes(segments: Floats, corner: Steps) -> Flags:
    """Tell which segments pass the square around their corner, its left and lower side included."""
    way_x, way_y = _way(segments)
    away_x, away_y = corner[:, 0] - segments[:, 0, 0], corner[:, 1] - segments[:, 0, 1]
    inside = np.abs(way_x * away_y - way_y * away_x) <= _HALF * (np.abs(way_x) + np.abs(way_y))
    found = np.flatnonzero(inside)
    for axis in (0, 1):
        one, other, place = segments[found, 0, axis], segments[found, 1, axis], corner[found, axis]
        inside[found] &= (np.maximum(one, other) >= place - _HALF) & (np.minimum(one, other) < place + _HALF)
    return inside


def _crossings(one: Floats, other: Floats) -> tuple[Ints, Floats]:
    """Find which pairs of segments cross between their ends, and where."""
    side, its_side = _sides(one, other), _sides(other, one)
    found = np.flatnonzero(
        (np.sign(side[0]) * np.sign(side[1]) < 0) & (np.sign(its_side[0]) * np.sign(its_side[1]) < 0)
    )
    along = its_side[0][found] / (its_side[0][found] - its_side[1][found])
    return found, one[found, 0] + along[:, None] * (one[found, 1] - one[found, 0])


def _sides(one: Floats, other: Floats) -> list[Floats]:
    """Tell how far left of `one` either end of `other` lies, times the length of `one`."""
    way_x, way_y = _way(one)
    return [way_x * (other[:, end, 1] - one[:, 0, 1]) - way_y * (other[:, end, 0] - one[:, 0, 0]) for end in (0, 1)]


def _way(segments: Floats) -> tuple[Floats, Floats]:
    return segments[:, 1, 0] - segments[:, 0, 0], segments[:, 1, 1] - segments[:, 0, 1]


def _differ(rows: Floats | Steps) -> Flags:
    """Tell which rows differ from the one before, from the second on."""
    differ = rows[1:, 0] != rows[:-1, 0]
    for column in range(1, rows.shape[1]):
        differ |= rows[1:, column] != rows[:-1, column]
    return np.asarray(differ, dtype=bool)
