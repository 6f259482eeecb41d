"""Find the shortest closed line by trying all ways to put things inside or outside, on visibility graphs."""

from __future__ import annotations

import itertools
import math
from typing import TYPE_CHECKING

import numpy as np
import shapely
from scipy.sparse import coo_array
from scipy.sparse.csgraph import dijkstra

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray


def brute_force_length_m(
    structures: shapely.Geometry,
    ground: shapely.Geometry,
    items: Sequence[shapely.Geometry],
    setbacks_m: Sequence[float],
    *,
    clearance_m: float,
    inside_clearance_m: float,
    quad_segs: int = 8,
) -> float:
    """Length of the shortest closed line, with polygons inscribed in the discs for discs; infinite where there is none.

    Inscribed polygons lie between the discs and discs smaller by `shrink(quad_segs)`, so the length lies between the
    exact lengths for the two.
    """
    best = math.inf
    body = shapely.buffer(structures, clearance_m, quad_segs=quad_segs)
    for sides in itertools.product((False, True), repeat=len(items)):
        fat = [body] + [
            shapely.buffer(item, inside_clearance_m if inside else setback_m, quad_segs=quad_segs)
            for item, setback_m, inside in zip(items, setbacks_m, sides, strict=True)
        ]
        cores = [structures, *items]
        best = min(best, _shortest_round(cores, fat, (True, *sides), ground))
    return best


def shrink(quad_segs: int = 8) -> float:
    """Radius of the largest disc in the polygon that is inscribed in a disc of radius 1."""
    return math.cos(math.pi / (4 * quad_segs))


def _shortest_round(
    cores: Sequence[shapely.Geometry],
    fat: Sequence[shapely.Geometry],
    inside: tuple[bool, ...],
    ground: shapely.Geometry,
) -> float:
    points, before, after = _corners(fat, ground)
    allowed = shapely.buffer(ground, 1e-7, join_style="mitre")
    solid = [shapely.buffer(shape, -1e-7, join_style="mitre") for shape in fat]
    shapely.prepare([allowed, *solid])
    tail, head = np.triu_indices(len(points), 1)
    keep = _supports(points, before, after, tail, head) & _supports(points, before, after, head, tail)
    tail, head = tail[keep], head[keep]
    lines: NDArray[np.object_] = np.asarray(shapely.linestrings(np.stack([points[tail], points[head]], axis=1)))
    keep = np.asarray(shapely.covers(allowed, lines))
    for shape in solid:
        keep &= ~shapely.intersects(shape, lines)
    tail, head = tail[keep], head[keep]
    if tail.size == 0:
        return math.inf
    # One bit for each thing: has the way so far crossed the ray from it an odd number of times?
    bits = np.zeros(len(tail), dtype=np.int64)
    for bit, core in enumerate(cores):
        start = shapely.get_coordinates(shapely.point_on_surface(core))[0]
        ray = shapely.LineString([start, start + 1e4 * np.array([math.cos(0.7123 + bit), math.sin(0.7123 + bit)])])
        bits += shapely.intersects(ray, lines[keep]) * (1 << bit)
    target = sum(1 << bit for bit, within in enumerate(inside) if within)
    count, states = len(points), 1 << len(cores)
    lengths = np.hypot(*(points[head] - points[tail]).T)
    rows, columns, weights = [], [], []
    for state in range(states):
        for begin, end in ((tail, head), (head, tail)):
            rows.append(state * count + begin)
            columns.append((state ^ bits) * count + end)
            weights.append(lengths)
    links = np.concatenate(weights), (np.concatenate(rows), np.concatenate(columns))
    graph = coo_array(links, shape=(states * count, states * count)).tocsr()
    starts = np.unique(tail[(bits & 1) == 1])
    if starts.size == 0:
        return math.inf
    return float(dijkstra(graph, indices=starts)[np.arange(len(starts)), target * count + starts].min())


def _corners(
    fat: Sequence[shapely.Geometry], ground: shapely.Geometry
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    rings = [ring for shape in fat for ring in shapely.get_rings(shape)] + list(shapely.get_rings(ground))
    points, before, after = [], [], []
    for ring in rings:
        corners = shapely.get_coordinates(ring)[:-1]
        points.append(corners)
        before.append(np.roll(corners, 1, axis=0))
        after.append(np.roll(corners, -1, axis=0))
    return np.vstack(points), np.vstack(before), np.vstack(after)


def _supports(
    points: NDArray[np.float64],
    before: NDArray[np.float64],
    after: NDArray[np.float64],
    here: NDArray[np.int64],
    there: NDArray[np.int64],
) -> NDArray[np.bool_]:
    # A shortest line only bends where both edges of a corner lie on one side of it.
    along = points[there] - points[here]
    sides = [
        along[:, 0] * (other[here] - points[here])[:, 1] - along[:, 1] * (other[here] - points[here])[:, 0]
        for other in (before, after)
    ]
    return (np.minimum(*sides) >= -1e-9) | (np.maximum(*sides) <= 1e-9)
