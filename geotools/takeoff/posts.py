"""Count posts by class: line, corner, end and gate."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import shapely

from geotools.errors import DesignError
from geotools.units import METRES_PER_FOOT

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    Floats = NDArray[np.float64]
    Integers = NDArray[np.int64]

__all__ = [
    "CURVE_SPACING_M",
    "POST_SPACING_M",
    "Openings",
    "PostCounts",
    "classify_posts",
    "count_posts",
    "cut_openings",
    "straighten",
]

POST_SPACING_M = 10 * METRES_PER_FOOT
"""Posts stand at most 10 ft apart, measured along grade (ASTM F567)."""
CURVE_SPACING_M = tuple(
    (radius_ft * METRES_PER_FOOT, spacing_ft * METRES_PER_FOOT)
    for radius_ft, spacing_ft in ((500, 8), (200, 6), (100, 5))
)
"""Largest spacing up to a radius: 8 ft at 200-500 ft, 6 ft at 100-200 ft, 5 ft at 100 ft (a published town standard,
Tremonton, Utah); below 100 ft 5 ft as well."""
_FEWEST_POSTS_OF_A_LOOP = 3
_SLACK = 1e-6
"""A run this share over a whole number of spans is that number: roundings of coordinates, not a further post."""


class Openings(NamedTuple):
    """Gates in lines, m each: row of the line, and where the opening begins and ends along it, metres."""

    line: Integers
    from_m: Floats
    to_m: Floats


class PostCounts(NamedTuple):
    """Posts of each line, n each: `line` between the others, `corner` at bends, `end` where a piece of line ends."""

    line: Integers
    corner: Integers
    end: Integers

    @property
    def all(self) -> Integers:
        """All posts of each line but those of gates."""
        return self.line + self.corner + self.end


def count_posts(
    lines: NDArray[Any], *, post_spacing_m: float = POST_SPACING_M, corner_deg: float = 20.0
) -> tuple[Integers, Integers]:
    """Count the posts and corners of lines, with the same spacing everywhere.

    Parameters
    ----------
    lines : array of LineString, MultiLineString or None, length n
    post_spacing_m, corner_deg : float

    Returns
    -------
    posts, corners : numpy.ndarray, int64, length n

    Raises
    ------
    DesignError
        If the spacing is not above 0.

    Examples
    --------
    >>> posts, corners = count_posts(np.array([shapely.box(0, 0, 30.48, 30.48).exterior]))
    >>> posts.tolist(), corners.tolist()  # a closed loop of 400 ft with posts every 10 ft
    ([40], [4])
    """
    counts = classify_posts(lines, post_spacing_m=post_spacing_m, corner_deg=corner_deg, closer_on_curves=False)
    return counts.all, counts.corner


def classify_posts(
    lines: NDArray[Any],
    *,
    post_spacing_m: float = POST_SPACING_M,
    corner_deg: float = 20.0,
    closer_on_curves: bool = True,
    grade_factor: ArrayLike = 1.0,
) -> PostCounts:
    """Count line, corner and end posts of lines.

    A run between two corners or ends of length l takes ceil(l / spacing) spans; a line has a post more than it has
    spans, a closed loop as many, at least 3. Separate pieces of a line have their own end posts. Bends below the
    corner angle make a curve: the radius of a segment is its length over half the bends at its ends, in radians.

    Parameters
    ----------
    lines : array of LineString, MultiLineString or None, length n
    post_spacing_m : float
        Largest spacing of posts along grade, metres (ASTM F567: 10 ft).
    corner_deg : float
        A bend of this angle or more takes a corner post (assumption of this project).
    closer_on_curves : bool
        Set posts closer on curves, as `CURVE_SPACING_M` says.
    grade_factor : array_like, scalar or n
        Length along the ground over plan length.

    Returns
    -------
    PostCounts

    Raises
    ------
    DesignError
        If the spacing is not above 0.

    Examples
    --------
    >>> counts = classify_posts(np.array([shapely.LineString([(0, 0), (30.48, 0)])]))
    >>> counts.line.tolist(), counts.corner.tolist(), counts.end.tolist()
    ([9], [0], [2])
    """
    if not post_spacing_m > 0:
        raise DesignError(f"the post spacing is {post_spacing_m} m", mend="give a spacing above 0")
    nothing = np.zeros(len(lines), dtype=np.int64)
    parts, line_at = shapely.get_parts(shapely.remove_repeated_points(lines), return_index=True)
    parts, line_at = parts[shapely.length(parts) > 0], line_at[shapely.length(parts) > 0]
    points, part_at = shapely.get_coordinates(parts, return_index=True)
    if not len(points):
        return PostCounts(nothing, nothing.copy(), nothing.copy())
    starts = np.searchsorted(part_at, np.arange(len(parts)))
    ends = np.append(starts[1:], len(points)) - 1
    closed = np.all(points[starts] == points[ends], axis=1)
    turns_deg = _turns(points, starts, ends, closed)
    is_end = np.zeros(len(points), dtype=bool)
    is_end[starts[~closed]] = is_end[ends[~closed]] = True
    corner = (turns_deg >= corner_deg) & ~is_end
    factor = np.broadcast_to(np.asarray(grade_factor, dtype=np.float64), len(lines))[line_at[part_at[1:]]]
    steps_m = np.hypot(*np.diff(points, axis=0).T)
    widest_m = _spacing(steps_m, np.where(corner | is_end, 0.0, turns_deg), post_spacing_m, closer_on_curves)
    spans = steps_m * factor / widest_m
    spans[ends[:-1]] = 0.0
    at = np.concatenate([[0.0], np.cumsum(spans)])
    corner[ends[closed]] = False
    part_spans = _whole_spans(at, part_at, starts, ends, closed, np.flatnonzero(corner | is_end))
    part_posts = part_spans + ~closed
    part_posts[closed] = np.maximum(part_posts[closed], _FEWEST_POSTS_OF_A_LOOP)
    size = len(lines)
    corners = np.bincount(line_at[part_at[corner]], minlength=size).astype(np.int64)
    end_posts = 2 * np.bincount(line_at[~closed], minlength=size).astype(np.int64)
    total = np.bincount(line_at, part_posts, minlength=size).astype(np.int64)
    return PostCounts(np.maximum(total - corners - end_posts, 0), corners, end_posts)


def straighten(lines: NDArray[Any], *, within_m: float) -> NDArray[Any]:
    """Leave out the vertices of lines that lie within a distance of the line without them (Douglas and Peucker 1973).

    Where a line begins and which way it was drawn make no difference: posts stand at corners and ends, and a loop has
    no end where its drawing happens to begin. So loops begin at their sharpest bend, and once more at the sharpest that
    is left, which frees the first one if it was none to build.

    Parameters
    ----------
    lines : array of LineString, MultiLineString or None, length n
    within_m : float

    Returns
    -------
    array, length n

    Examples
    --------
    >>> ring = shapely.LineString([(5, 0.1), (10, 0), (10, 10), (0, 10), (0, 0), (5, 0.1)])
    >>> straighten(np.array([ring]), within_m=0.15)[0].wkt
    'LINESTRING (0 0, 0 10, 10 10, 10 0, 0 0)'
    """
    kept = shapely.remove_repeated_points(lines)
    for _ in range(2):
        kept = shapely.simplify(_begin_at_corner(kept), within_m)
    return np.asarray(kept, dtype=object)


def cut_openings(lines: NDArray[Any], openings: Openings) -> tuple[NDArray[Any], Integers]:
    """Cut the openings of gates out of lines; a ring that is cut begins behind its first gate.

    Parameters
    ----------
    lines : array of LineString, MultiLineString or None, length n
    openings : Openings
        Measured along each line, from piece to piece.

    Returns
    -------
    lines : array, length n
        What is left of each line.
    gate_ends : numpy.ndarray, int64, length n
        Ends of pieces that are posts of a gate.

    Examples
    --------
    >>> ring = shapely.box(0, 0, 10, 10).exterior
    >>> left, ends = cut_openings(np.array([ring]), Openings(np.array([0]), np.array([2.0]), np.array([3.0])))
    >>> round(left[0].length, 6), int(shapely.get_num_geometries(left[0])), ends.tolist()
    (39.0, 1, [2])
    """
    from shapely.ops import substring

    kept, gate_ends = lines.copy(), np.zeros(len(lines), dtype=np.int64)
    # A loop over the lines with gates: where each is cut hangs on its own pieces.
    for row in np.unique(openings.line):
        own = openings.line == row
        gaps = sorted(zip(openings.from_m[own].tolist(), openings.to_m[own].tolist(), strict=True))
        pieces: list[Any] = []
        start_m = 0.0
        for part in shapely.get_parts(lines[row]).tolist():
            length_m = float(part.length)
            inside = [(max(a - start_m, 0.0), min(b - start_m, length_m)) for a, b in gaps]
            inside = _merge([(a, b) for a, b in inside if b - a > _SLACK])
            bounds = [0.0, *(at for gap in inside for at in gap), length_m]
            runs = [substring(part, a, b) for a, b in zip(bounds[::2], bounds[1::2], strict=True) if b - a > _SLACK]
            ring = bool(shapely.is_ring(part))
            through = bool(inside) and inside[0][0] > _SLACK and inside[-1][1] < length_m - _SLACK
            if ring and through and len(runs) > 1:
                runs = [shapely.LineString(np.vstack([runs[-1].coords, runs[0].coords[1:]])), *runs[1:-1]]
            # All ends of a ring that was cut are at gates.
            at_gates = 2 * len(runs) if ring else sum((a > _SLACK) + (b < length_m - _SLACK) for a, b in inside)
            gate_ends[row] += at_gates if inside else 0
            pieces += runs if inside else [part]
            start_m += length_m
        kept[row] = shapely.MultiLineString(pieces) if len(pieces) != 1 else pieces[0]
    return kept, gate_ends


def _begin_at_corner(lines: NDArray[Any]) -> NDArray[Any]:
    """Let loops begin at the sharpest bend, and all lines run in the direction that their coordinates tell."""
    points, part_at = shapely.get_coordinates(shapely.get_parts(lines), return_index=True)
    if not len(points):
        return lines
    starts = np.flatnonzero(np.append(True, part_at[1:] != part_at[:-1]))
    ends = np.append(starts[1:], len(points)) - 1
    steps = ends - starts
    closed = np.all(points[starts] == points[ends], axis=1)
    bends_deg = _turns(points, starts, ends, closed)
    bends_deg[ends] = -1.0
    sharpest = np.lexsort((points[:, 1], points[:, 0], -bends_deg, part_at))[starts] - starts
    first = np.where(closed, sharpest, 0)
    one, other = (
        points[starts + np.where(closed, (first + by) % np.maximum(steps, 1), at)] for by, at in ((1, 0), (-1, steps))
    )
    back = (other[:, 0] < one[:, 0]) | ((other[:, 0] == one[:, 0]) & (other[:, 1] < one[:, 1]))
    first = np.where(back & ~closed, steps, first)
    part = np.repeat(np.arange(len(starts)), steps + 1)
    index = first[part] + np.where(back, -1, 1)[part] * (np.arange(len(points)) - starts[part])
    index = np.where(closed[part], index % np.maximum(steps, 1)[part], index)
    return np.asarray(shapely.set_coordinates(lines.copy(), points[starts[part] + index]), dtype=object)


def _merge(gaps: list[tuple[float, float]]) -> list[tuple[float, float]]:
    """Join stretches, in order, that overlap."""
    merged: list[tuple[float, float]] = []
    for begin_m, end_m in gaps:
        if merged and begin_m <= merged[-1][1] + _SLACK:
            merged[-1] = (merged[-1][0], max(end_m, merged[-1][1]))
        else:
            merged.append((begin_m, end_m))
    return merged


def _whole_spans(
    at: Floats, part_at: Integers, starts: Integers, ends: Integers, closed: NDArray[np.bool_], nodes: Integers
) -> Floats:
    """Spans of each part: the runs between its corners and ends, each taken up to a whole number."""
    size = len(starts)
    following = np.append(nodes[1:], 0)
    same = np.append(part_at[nodes[1:]] == part_at[nodes[:-1]], False) if len(nodes) else np.zeros(0, dtype=bool)
    runs = np.where(same, at[following] - at[nodes], 0.0)
    length = at[ends] - at[starts]
    last_of_loop = ~same & closed[part_at[nodes]]
    first = nodes[np.searchsorted(part_at[nodes], part_at[nodes])] if len(nodes) else nodes
    runs[last_of_loop] = (length[part_at[nodes]] - (at[nodes] - at[first]))[last_of_loop]
    whole = np.bincount(part_at[nodes], np.ceil(runs - _SLACK), minlength=size)
    round_loop = closed & (np.bincount(part_at[nodes], minlength=size) == 0)
    whole[round_loop] = np.ceil(length[round_loop] - _SLACK)
    return np.asarray(whole, dtype=np.float64)


def _spacing(steps_m: Floats, bends_deg: Floats, post_spacing_m: float, closer_on_curves: bool) -> Floats:
    """Largest spacing on each segment, by the radius that its bends make."""
    widest_m = np.full(len(steps_m), post_spacing_m)
    if not closer_on_curves:
        return widest_m
    bend = np.radians(bends_deg[:-1] + bends_deg[1:]) / 2
    radius_m = np.divide(steps_m, bend, out=np.full(len(steps_m), np.inf), where=bend > 0)
    for most_m, spacing_m in CURVE_SPACING_M:
        widest_m = np.where(radius_m <= most_m * (1 + _SLACK), np.minimum(spacing_m, widest_m), widest_m)
    return widest_m


def _turns(points: Floats, starts: Integers, ends: Integers, closed: NDArray[np.bool_]) -> Floats:
    """Bend at every vertex, degrees; at the first and last vertex of a loop the bend where it closes."""
    before, after = np.arange(len(points)) - 1, np.arange(len(points)) + 1
    before[starts], after[ends] = starts, ends
    before[starts[closed]] = ends[closed] - 1
    after[ends[closed]] = starts[closed] + 1
    incoming = points - points[before]
    outgoing = points[after] - points
    cross = incoming[:, 0] * outgoing[:, 1] - incoming[:, 1] * outgoing[:, 0]
    return np.asarray(np.degrees(np.abs(np.arctan2(cross, np.einsum("nd,nd->n", incoming, outgoing)))))
