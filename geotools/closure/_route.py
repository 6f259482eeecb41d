"""Trace the way in: the shortest walk over open ground and unsound pieces from the habitat to the protected ground."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING

import numpy as np
import shapely
from scipy.sparse import coo_array
from scipy.sparse.csgraph import dijkstra

from geotools.closure._arrangement import ends_of
from geotools.closure._noding import GRID_M, ranges

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from geotools.closure._arrangement import Arrangement

    Floats = NDArray[np.float64]
    Ints = NDArray[np.intp]
    Flags = NDArray[np.bool_]
    Shapes = NDArray[np.object_]

__all__ = ["trace_routes"]

_STUB_M = 0.002
"""A stub of sound wall is a slit of twice this width in the ground, as far from the face's outline."""
_LEAST_GAP_M = 0.00635
"""An animal passes no narrower opening (published extension guides: 1/4 in)."""
_THIN_M = 0.02
"""A triangle lower than this is crossed by the short way, not along (assumption of this project)."""
_ROOMY_M = 3 * GRID_M
"""In a triangle this high the centre lies a step of the grid from every side: rounding doesn't move it out."""
_NO_WAY_M = 1e6
_AT_ONCE = 2000
_THREADS = 2


def trace_routes(
    plan: Arrangement,
    ground: Flags,
    source: Flags,
    cost_m: Floats,
    stubs: Floats,
    target_lot: Ints,
    target_face: Ints,
    lots: int,
) -> tuple[Shapes, Ints]:
    """Trace one route for each lot with reachable protected ground.

    The ground is cut into triangles; a walk goes from triangle to triangle through the middles of their common sides,
    so it stays on the ground that it claims. It is the shortest of these walks, close to but not exactly the shortest
    of all.

    Parameters
    ----------
    plan : Arrangement
    ground, source : arrays of bool, one per face
        Faces that can be reached, and those of them where the animals live.
    cost_m : array of float, one per edge
        What crossing it counts in metres of walking, infinite where it can't be crossed.
    stubs : array of float, (k, 2, 2)
        Segments inside faces that can't be crossed.
    target_lot, target_face : arrays of int
        Faces to be reached, by lot.
    lots : int

    Returns
    -------
    routes : array of LineString, lots
        In world coordinates; None where nothing can be reached.
    before : array of int, lots
        The face from which the route comes into the protected ground, -1 where it begins there.
    """
    routes = np.full(lots, None, dtype=object)
    before = np.full(lots, -1, dtype=np.intp)
    if not len(target_lot):
        return routes, before
    fences = np.asarray(shapely.linestrings(stubs), dtype=object)
    corners, face, fenced = _triangles(plan, np.flatnonzero(ground), fences)
    count = len(face)
    one, other, sides, extra_m = _sides(plan, corners, cost_m)
    middle, height_m = sides.mean(axis=1), _heights(corners)
    centre = corners.mean(axis=1)
    length_m = np.hypot(*(centre[one] - middle).T) + np.hypot(*(centre[other] - middle).T) + extra_m
    tested = np.flatnonzero(fenced[one] | fenced[other])
    legs = shapely.linestrings(np.stack([centre[one[tested]], middle[tested], centre[other[tested]]], axis=1))
    length_m[tested[np.unique(shapely.STRtree(fences).query(legs, predicate="intersects")[0])]] += _NO_WAY_M
    graph = coo_array((np.maximum(length_m, 1e-6), (one, other)), shape=(count, count)).tocsr()
    starts = _roomy(np.flatnonzero(source[face]), face, height_m)
    far_m, previous, _ = dijkstra(graph, directed=False, indices=starts, return_predecessors=True, min_only=True)

    wanted, wanted_lot = _grow(target_face, target_lot, face)
    inside = np.isin(wanted, _roomy(np.unique(wanted), face, height_m))
    wanted, wanted_lot = wanted[inside], wanted_lot[inside]
    order = np.lexsort((wanted, far_m[wanted], wanted_lot))
    order = order[np.append(True, wanted_lot[order][1:] != wanted_lot[order][:-1])]
    ends, asked = wanted[order], wanted_lot[order]
    code = ends_of(one, other, count)
    by_code = np.argsort(code, kind="stable")
    thin = height_m < _THIN_M
    own = np.sort(target_lot.astype(np.int64) * len(plan.faces) + target_face)
    for first in range(0, len(ends), _AT_ONCE):
        lot = asked[first : first + _AT_ONCE]
        walk, step, cell = _walk_back(previous.astype(np.intp), ends[first : first + _AT_ONCE])
        code_here = lot[walk] * len(plan.faces) + face[cell]
        at = np.minimum(np.searchsorted(own, code_here), len(own) - 1)
        outside = np.flatnonzero(own[at] != code_here)
        # Steps count from the yard outwards, and are in order: the first one outside comes first.
        nearest, row = np.unique(walk[outside], return_index=True)
        before[lot[nearest]] = face[cell[outside[row]]]

        last = np.append(walk[1:] != walk[:-1], True)
        onward = np.flatnonzero(~last)
        side = by_code[np.searchsorted(code[by_code], ends_of(cell[onward], cell[onward + 1], count))]
        # Within a triangle the walk goes straight from side to side; by the centre where a stub might be in the way.
        by_centre = np.flatnonzero((step == 0) | last | fenced[cell])
        lone = np.flatnonzero((step == 0) & last)
        passed = _pass_points(sides[side], np.flatnonzero(np.diff(onward) == 1), step[onward], thin[cell[onward]])
        xy = np.concatenate([centre[cell[by_centre]], passed, (centre + corners[:, 0])[cell[lone]] / 2])
        of = np.concatenate([walk[by_centre], walk[onward], walk[lone]])
        place = np.concatenate([2 * step[by_centre], 2 * step[onward] + 1, np.full(len(lone), -1)])
        order = np.lexsort((-place, of))
        lines = np.full(len(lot), None, dtype=object)
        shapely.linestrings(xy[order] + plan.origin, indices=of[order], out=lines)
        routes[lot] = lines
    return routes, before


def _walk_back(previous: Ints, ends: Ints) -> tuple[Ints, Ints, Ints]:
    """Follow the shortest walks from their ends to their starts: walk, step and triangle, ordered by walk and step."""
    walk, cell = np.arange(len(ends), dtype=np.intp), ends
    walks, cells, steps = [walk], [cell], [np.zeros(len(ends), dtype=np.intp)]
    while len(walk):
        cell = previous[cell]
        going = cell >= 0
        walk, cell = walk[going], cell[going]
        walks.append(walk)
        cells.append(cell)
        steps.append(np.full(len(walk), len(steps), dtype=np.intp))
    found = np.concatenate(walks)
    order = np.argsort(found, kind="stable")
    return found[order], np.concatenate(steps)[order], np.concatenate(cells).astype(np.intp)[order]


def _triangles(plan: Arrangement, walked: Ints, fences: Shapes) -> tuple[Floats, Ints, Flags]:
    """Cut faces into triangles, (n, 3, 2), with the face of each and whether stubs stand in it as slits."""
    shapes = plan.faces[walked].copy()
    fenced = np.zeros(len(walked), dtype=bool)
    if len(fences):
        slits = np.asarray(shapely.buffer(fences, _STUB_M, cap_style="square", join_style="mitre"), dtype=object)
        middles = shapely.line_interpolate_point(fences, 0.5, normalized=True)
        slit_at, face_at = shapely.STRtree(shapes).query(middles, predicate="within")
        order = np.argsort(face_at, kind="stable")
        at, first = np.unique(face_at[order], return_index=True)
        fenced[at] = True
        groups = np.split(slits[slit_at[order]], first[1:]) if len(at) else []
        slit = np.array([shapely.union_all(group) for group in groups], dtype=object)
        shapes[at] = _slit(shapes[at], slit)
    # In portions, so that the triangles needn't all stand as shapes at once; it lets go of the interpreter's lock.
    firsts = range(0, len(shapes), _AT_ONCE)
    with ThreadPoolExecutor(_THREADS) as pool:
        portions = list(pool.map(lambda first: _in_triangles(shapes[first : first + _AT_ONCE]), firsts))
    cell_at = np.concatenate([at + first for first, (_, at) in zip(firsts, portions, strict=True)])
    return np.concatenate([corners for corners, _ in portions]), walked[cell_at], fenced[cell_at]


def _in_triangles(shapes: Shapes) -> tuple[Floats, Ints]:
    cells = shapely.constrained_delaunay_triangles(shapes)
    cell_at = np.repeat(np.arange(len(shapes)), shapely.get_num_geometries(cells))
    return shapely.get_coordinates(cells).reshape(-1, 4, 2)[:, :3], cell_at


def _slit(shapes: Shapes, slits: Shapes) -> Shapes:
    """Cut slits out of faces, but for the faces' own corners, so that their neighbours still share them."""
    near = shapely.intersection(shapely.boundary(shapes), shapely.buffer(slits, 2 * _STUB_M, quad_segs=2))
    clear = shapely.buffer(near, 2 * _STUB_M, quad_segs=2)
    return np.asarray(shapely.difference(shapes, shapely.difference(slits, clear)), dtype=object)


def _sides(plan: Arrangement, corners: Floats, cost_m: Floats) -> tuple[Ints, Ints, Floats, Floats]:
    """Pair the triangles that share a side which can be crossed, with its ends and what crossing it adds."""
    dear = np.append(np.flatnonzero(cost_m), 0)  # any one more, so that there is one to look up
    ends = np.concatenate([corners.reshape(-1, 2), plan.edges[dear].reshape(-1, 2)])
    vertex = np.unique(ends.view(np.complex128).ravel(), return_inverse=True)[1]
    del ends  # there are many triangles: this is where most memory is used
    number = int(vertex.max()) + 1
    cell_vertex = vertex[: 3 * len(corners)].reshape(-1, 3)
    code = ends_of(cell_vertex.ravel(), np.roll(cell_vertex, -1, axis=1).ravel(), number)
    edge_vertex = vertex[3 * len(corners) :].reshape(-1, 2)
    edge_code = ends_of(edge_vertex[:, 0], edge_vertex[:, 1], number)
    del vertex, cell_vertex, edge_vertex
    order = np.argsort(code, kind="stable")
    first = np.flatnonzero(code[order[:-1]] == code[order[1:]])
    one, other = order[first], order[first + 1]
    by_code = np.argsort(edge_code)
    at = by_code[np.minimum(np.searchsorted(edge_code[by_code], code[one]), len(by_code) - 1)]
    start, stop = corners.reshape(-1, 2)[one], corners.reshape(-1, 2)[np.where(one % 3 == 2, one - 2, one + 1)]
    narrow = np.hypot(*(stop - start).T) < _LEAST_GAP_M
    extra_m = np.where(edge_code[at] == code[one], cost_m[dear[at]], 0.0) + _NO_WAY_M * narrow
    ok = np.isfinite(extra_m)
    return one[ok] // 3, other[ok] // 3, np.stack([start[ok], stop[ok]], axis=1), extra_m[ok]


def _heights(corners: Floats) -> Floats:
    """Least height of each triangle: twice its area over its longest side."""
    ways = np.roll(corners, -1, axis=1) - corners
    twice_m2 = np.abs(ways[:, 0, 0] * ways[:, 1, 1] - ways[:, 0, 1] * ways[:, 1, 0])
    return np.asarray(twice_m2 / np.hypot(ways[..., 0], ways[..., 1]).max(axis=1), dtype=np.float64)


def _roomy(cells: Ints, face: Ints, height_m: Floats) -> Ints:
    """Leave out low triangles, where their face has others."""
    high = height_m[cells] >= _ROOMY_M
    return cells[high | ~np.isin(face[cells], face[cells[high]])]


def _pass_points(sides: Floats, pairs: Ints, step: Ints, thin: Flags) -> Floats:
    """Place where walks pass the sides on their way: in the middle, but beside a thin triangle across, not along it.

    Of two sides of a thin triangle the longer is passed as far from their common corner as the shorter. `sides` are in
    the order of the walks, with their `step`; `pairs` the places whose next side belongs to the same walk, and `thin`
    tells of the triangle before each side.
    """
    points = sides.mean(axis=1)
    length_m = np.hypot(*(sides[:, 1] - sides[:, 0]).T)
    pairs = pairs[thin[pairs + 1]]
    for turn in (-1, 1):  # from the habitat inwards, then from the yard outwards
        source, goal = (pairs, pairs + 1) if turn == 1 else (pairs + 1, pairs)
        follows = length_m[goal] >= length_m[source]
        source, goal = source[follows], goal[follows]
        order = np.argsort(turn * step[source], kind="stable")
        for rows in np.split(order, np.flatnonzero(np.diff(step[source[order]])) + 1):
            near, far = source[rows], goal[rows]
            first = (sides[far, :1] == sides[near]).all(axis=2).any(axis=1)
            corner = np.where(first[:, None], sides[far, 0], sides[far, 1])
            way = np.where(first[:, None], sides[far, 1], sides[far, 0]) - corner
            least_m = np.minimum(length_m[far], _LEAST_GAP_M) / 2
            away_m = np.clip(np.hypot(*(points[near] - corner).T), least_m, length_m[far] - least_m)
            points[far] = corner + way * (away_m / length_m[far])[:, None]
    return np.asarray(points, dtype=np.float64)


def _grow(target_face: Ints, target_lot: Ints, face: Ints) -> tuple[Ints, Ints]:
    """List the triangles of every target face, with the lot."""
    order = np.argsort(face, kind="stable")
    low = np.searchsorted(face[order], target_face)
    number = np.searchsorted(face[order], target_face, side="right") - low
    return order[ranges(low, number)], np.repeat(target_lot, number)
