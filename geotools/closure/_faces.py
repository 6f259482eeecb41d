"""Trace the faces of the plane between edges that meet at common corners only."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import shapely
from scipy.sparse import csr_array
from scipy.sparse.csgraph import connected_components, depth_first_order

from geotools.closure._noding import codes

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Ints = NDArray[np.intp]
    Steps = NDArray[np.int64]
    Flags = NDArray[np.bool_]
    Shapes = NDArray[np.object_]

__all__ = ["Faces", "trace_faces"]


class Faces(NamedTuple):
    """Polygons, and per edge the face on its left and right: -1 outside of all, -2 on both where it bounds nothing."""

    shapes: Shapes
    left: Ints
    right: Ints


def trace_faces(start: Steps, stop: Steps, step_m: float) -> Faces:
    """Trace the faces between edges.

    At each corner a walk along a face turns as sharply left as it can. An edge with the same walk on both sides is a
    bridge or ends freely: it bounds nothing. A walk that comes by a corner twice is parted into rings there; the ring
    that runs anticlockwise is the face's shell, the others are holes. What stands free in a face is a hole of the
    smallest shell around it.

    Parameters
    ----------
    start, stop : arrays of int, (n, 2)
        Corners in steps of the grid; each edge once, and none crosses another.
    step_m : float
        Size of a step, metres.

    Returns
    -------
    Faces

    Examples
    --------
    >>> square = np.array([[0, 0], [4, 0], [4, 4], [0, 4]])
    >>> faces = trace_faces(np.vstack([square, [[4, 4]]]), np.vstack([np.roll(square, -1, axis=0), [[9, 9]]]), 0.5)
    >>> shapely.area(faces.shapes).tolist(), faces.left.tolist(), faces.right.tolist()
    ([4.0], [0, 0, 0, 0, -2], [-1, -1, -1, -1, -2])
    """
    number = len(start)
    corners, at = _number(np.vstack([start, stop]))
    walk = _walks(at, _onward(at, corners))[1]
    bounding = np.flatnonzero(walk[:number] != walk[number:])
    kept = len(bounding)
    left, right = np.full(number, -2, dtype=np.intp), np.full(number, -2, dtype=np.intp)
    if not kept:
        return Faces(np.zeros(0, dtype=object), left, right)
    at = at[np.append(bounding, bounding + number)]
    onward = _onward(at, corners)
    order, walk = _walks(at, onward)
    onward = _part(at, onward, order, walk)
    order, ring = _walks(at, onward)
    begin = np.flatnonzero(np.append(True, ring[order][1:] != ring[order][:-1]))
    xy = corners[at[order]]
    origin = xy.min(axis=0)
    area = _areas(xy - origin, begin)
    ring_walk = walk[order[begin]]
    shell = np.flatnonzero(area > 0)
    face_of_walk = np.full(int(walk.max()) + 1, -1, dtype=np.intp)
    face_of_walk[ring_walk[shell]] = np.arange(len(shell))

    size = np.diff(np.append(begin, len(order)))
    shut = np.insert(np.arange(len(order)), begin + size, begin)  # each ring comes back to its first corner
    shut_ring = np.repeat(np.arange(len(begin)), size + 1)
    rings = np.asarray(shapely.linearrings(xy[shut] * step_m, indices=shut_ring), dtype=object)
    free = np.flatnonzero(face_of_walk[ring_walk] < 0)
    loose_walk, first = np.unique(ring_walk[free], return_index=True)
    outlines = np.asarray(shapely.polygons(rings[shell]), dtype=object)
    face_of_walk[loose_walk] = _around(outlines, xy[begin[free[first]]].astype(np.float64) * step_m)

    face = face_of_walk[ring_walk]
    holes = np.setdiff1d(np.flatnonzero(face >= 0), shell)
    parts = np.concatenate([shell, holes])
    parts = parts[np.argsort(face[parts], kind="stable")]
    shapes = np.asarray(shapely.polygons(rings[parts], indices=face[parts]), dtype=object)
    sides = face_of_walk[walk]
    left[bounding], right[bounding] = sides[:kept], sides[kept:]
    return Faces(shapes, left, right)


def _number(steps: Steps) -> tuple[Steps, Ints]:
    """Number the corners."""
    code = codes(steps[:, ::-1])
    order = np.argsort(code, kind="stable")
    new = np.append(True, np.diff(code[order]) != 0)[: len(order)]
    at = np.empty(len(order), dtype=np.intp)
    at[order] = np.cumsum(new) - 1
    return steps[order[new]], at


def _onward(at: Ints, corners: Steps) -> Ints:
    """Find for each half-edge the next along the face on its left; the second half are the first ones turned round.

    `at` is the corner where each half-edge begins.
    """
    number = len(at) // 2
    turned = np.append(np.arange(number, 2 * number), np.arange(number))
    way = corners[at[turned]] - corners[at]
    order = np.lexsort((np.arctan2(way[:, 1], way[:, 0]), at))
    place = np.empty(len(order), dtype=np.intp)
    place[order] = np.arange(len(order))
    begin = np.append(True, at[order][1:] != at[order][:-1])
    last_of = np.append(np.flatnonzero(begin)[1:], len(order)) - 1
    group = np.cumsum(begin) - 1
    before = np.where(begin, last_of[group], np.arange(len(order)) - 1)  # clockwise next around the corner
    return np.asarray(order[before[place[turned]]], dtype=np.intp)


def _walks(at: Ints, onward: Ints) -> tuple[Ints, Ints]:
    """List the half-edges walk by walk in the order of the walk, and number the walks by their first half-edge."""
    count = len(at)
    links = csr_array((np.ones(count, dtype=np.int8), onward.copy(), np.arange(count + 1)), shape=(count, count))
    walk = np.asarray(connected_components(links, directed=False)[1], dtype=np.intp)
    first = np.unique(walk, return_index=True)[1]
    # The last half-edge of each walk leads on to the next walk: one search follows all walks, each in a row.
    back = np.empty(count, dtype=np.intp)
    back[onward] = np.arange(count)
    links.indices[back[first[:-1]]] = first[1:]
    order = depth_first_order(links, first[0], return_predecessors=False) if count else first
    return np.asarray(order, dtype=np.intp), walk


def _part(at: Ints, onward: Ints, order: Ints, walk: Ints) -> Ints:
    """Part walks into rings wherever they come by a corner again."""
    back = np.empty(len(onward), dtype=np.intp)
    back[onward] = np.arange(len(onward))
    place = np.empty(len(order), dtype=np.intp)
    place[order] = np.arange(len(order))
    by_corner = np.lexsort((place, walk, at))
    same = (walk[by_corner][1:] == walk[by_corner][:-1]) & (at[by_corner][1:] == at[by_corner][:-1])
    begin = np.append(True, ~same)
    first = np.flatnonzero(begin)[np.cumsum(begin) - 1]
    following = np.where(np.append(same, False), np.arange(len(order)) + 1, first)
    parted = onward.copy()
    parted[back[by_corner[following]]] = by_corner
    return parted


def _areas(xy: Steps, begin: Ints) -> Floats:
    """Twice the area within each ring, positive where it runs anticlockwise."""
    size = np.diff(np.append(begin, len(xy)))
    after = np.arange(1, len(xy) + 1)
    after[begin + size - 1] = begin
    anchor = np.repeat(xy[begin], size, axis=0)
    near, far = xy - anchor, xy[after] - anchor
    return np.asarray(np.add.reduceat(near[:, 0] * far[:, 1] - near[:, 1] * far[:, 0], begin), dtype=np.float64)


def _around(shells: Shapes, points: Floats) -> Ints:
    """Find the smallest shell around each point, -1 for none."""
    around = np.full(len(points), -1, dtype=np.intp)
    at, shell = shapely.STRtree(shells).query(shapely.points(points), predicate="within")
    order = np.lexsort((shell, shapely.area(shells)[shell], at))
    at, shell = at[order], shell[order]
    first = np.flatnonzero(np.append(True, at[1:] != at[:-1]))[: len(at)]
    around[at[first]] = shell[first]
    return around
