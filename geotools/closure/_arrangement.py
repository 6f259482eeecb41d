"""Cut the plane into ground faces along a set of lines, and keep which faces lie on either side of each edge."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import shapely

from geotools.closure._noding import GRID_M, cut_faces
from geotools.errors import LayerError

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Ints = NDArray[np.intp]
    Flags = NDArray[np.bool_]
    Shapes = NDArray[np.object_]

__all__ = ["Arrangement", "arrange", "ends_of", "find_faces_in", "match_edges", "segments_of", "wide_enough"]

_MATCH_M = GRID_M
"""Rounding moves a line by less than one grid step, so an edge lies wholly within this of the lines that made it."""
_MARGIN_M = 10.0
_AT_ONCE = 100_000
_LARGEST = 1 << 31


class Arrangement(NamedTuple):
    """Faces and edges of the plane inside a frame around all lines; coordinates in metres from `origin`.

    `edges` are two-point segments of shape (n, 2, 2); `left` and `right` the two different faces beside each; `outer`
    the faces at the frame; `loose` the segments inside a face that bound nothing (free ends and bridges), (k, 2, 2);
    `inside` a tree of one point in each face.
    """

    origin: Floats
    faces: Shapes
    edges: Floats
    left: Ints
    right: Ints
    outer: Flags
    loose: Floats
    inside: shapely.STRtree


def arrange(lines: Shapes, *, merge: bool = False) -> Arrangement:
    """Cut the plane along lines, rounded to a millimetre.

    A frame and a coarse net of free lines are added, so that no face is large: they stop nobody. Ends that hang free
    and bridges bound no face and are kept apart. Exact for the rounded lines (every crossing becomes a vertex).

    Parameters
    ----------
    lines : array of LineString, n
        In metres; empty ones are passed over.
    merge : bool
        Join lines that follow on each other first, which is faster for many short ones.

    Returns
    -------
    Arrangement

    Raises
    ------
    LayerError
        If the lines reach over more than 2,147 km (a coordinate is wrong).

    Examples
    --------
    >>> ring = shapely.box(0, 0, 4, 4).exterior
    >>> plan = arrange(np.array([ring, shapely.LineString([(2, -1), (2, 6)])]))
    >>> len(plan.faces), round(float(shapely.area(plan.faces).sum()))
    (3, 648)
    """
    west, south, east, north = np.nan_to_num(shapely.total_bounds(lines))
    origin = np.floor([west, south]) - _MARGIN_M
    width_m, height_m = np.ceil(np.array([east, north]) - origin + _MARGIN_M)
    if not max(width_m, height_m) / GRID_M < _LARGEST:
        raise LayerError(
            f"the layers reach over {max(width_m, height_m) / 1000:,.0f} km",
            mend="look for a coordinate that is wrong, or plan one site at a time",
        )
    faces, bridges, ends = cut_faces(lines, origin, width_m, height_m, merge=merge)
    inside = shapely.point_on_surface(faces)
    order = np.lexsort([*shapely.get_coordinates(inside).T, *shapely.bounds(faces).T])
    faces, inside = faces[order], inside[order]
    loose, _ = segments_of(np.concatenate([bridges, ends]))
    return _with_edges(faces, inside, origin, shapely.get_coordinates(loose).reshape(-1, 2, 2))


def match_edges(plan: Arrangement, edges: Floats, segments: Floats) -> tuple[Ints, Ints]:
    """Find which segments each edge of an arrangement runs along.

    Parameters
    ----------
    plan : Arrangement
    edges : array of float, (n, 2, 2)
        Its edges or loose segments.
    segments : array of float, (m, 2, 2)
        Segments in world coordinates that took part in `arrange`, none of length zero.

    Returns
    -------
    edge_at, segment_at : arrays of int, k
        One pair for each edge and segment that lie on each other.
    """
    local = segments - plan.origin
    tree = shapely.STRtree(np.asarray(shapely.linestrings(local), dtype=object))
    found = [np.zeros((2, 0), dtype=np.intp)]
    for first in range(0, len(edges), _AT_ONCE):
        some = edges[first : first + _AT_ONCE]
        middles = some.mean(axis=1)
        edge_at, segment_at = tree.query(shapely.box(*(middles - 2 * _MATCH_M).T, *(middles + 2 * _MATCH_M).T))
        # An edge that runs on past the end of a segment is not part of it.
        for points in (middles, some[:, 0], some[:, 1]):
            along = _away_m(points[edge_at], local[segment_at]) <= _MATCH_M
            edge_at, segment_at = edge_at[along], segment_at[along]
        found.append(np.stack([edge_at + first, segment_at]))
    edge_at, segment_at = np.concatenate(found, axis=1)
    return edge_at, segment_at


def find_faces_in(plan: Arrangement, polygons: Shapes) -> tuple[Ints, Ints]:
    """Find the faces that lie in each polygon, by a point inside the face.

    Parameters
    ----------
    plan : Arrangement
        Made with the polygons' outlines among its lines, so that a face lies wholly inside or outside.
    polygons : array of Polygon or MultiPolygon, n
        In world coordinates; empty ones hold no face.

    Returns
    -------
    polygon_at, face_at : arrays of int, m
    """
    polygon_at, face_at = plan.inside.query(
        shapely.transform(polygons, lambda xy: xy - plan.origin), predicate="intersects"
    )
    return polygon_at, face_at


def wide_enough(shapes: Shapes, width_m: float) -> Flags:
    """Tell which polygons hold a disc of this diameter.

    Parameters
    ----------
    shapes : array of Polygon or MultiPolygon, n
    width_m : float
        Diameter, metres.

    Returns
    -------
    array of bool, n

    Examples
    --------
    >>> wide_enough(np.array([shapely.box(0, 0, 9, 0.1), shapely.box(0, 0, 1, 1)]), 0.6).tolist()
    [False, True]
    """
    # The area of a polygon without holes is at most its perimeter times the radius of its largest disc.
    area_m2 = shapely.area(shapes)
    holes = shapely.get_num_interior_rings(shapes) != 0
    simple = shapely.get_type_id(shapes) == shapely.GeometryType.POLYGON.value
    wide = simple & ~holes & (area_m2 > shapely.length(shapes) * width_m / 2)
    rest = np.flatnonzero(~wide)
    wide[rest] = ~shapely.is_empty(shapely.buffer(shapes[rest], -width_m / 2, quad_segs=4))
    return np.asarray(wide, dtype=bool)


def segments_of(lines: Shapes) -> tuple[Shapes, Ints]:
    """Take lines apart into two-point segments, with the position of each one's line; zero-length ones are left out."""
    xy, line_at = shapely.get_coordinates(lines, return_index=True)
    pairs = np.stack([xy[:-1], xy[1:]], axis=1) if len(xy) else np.empty((0, 2, 2))
    whole = (line_at[:-1] == line_at[1:]) & np.any(pairs[:, 0] != pairs[:, 1], axis=1) if len(xy) else np.zeros(0, bool)
    return np.asarray(shapely.linestrings(pairs[whole]), dtype=object), line_at[:-1][whole]


def ends_of(starts: Ints, stops: Ints, count: int) -> NDArray[np.int64]:
    """Code undirected pairs of numbered things as one integer each."""
    return np.asarray(np.minimum(starts, stops).astype(np.int64) * count + np.maximum(starts, stops), dtype=np.int64)


def _away_m(points: Floats, segments: Floats) -> Floats:
    """Return the distance of each point from its segment."""
    start, way = segments[:, 0], segments[:, 1] - segments[:, 0]
    along = ((points - start) * way).sum(axis=1) / (way * way).sum(axis=1)
    nearest = start + np.clip(along, 0, 1)[:, None] * way
    beyond_m = np.hypot(*(points - nearest).T)
    beside_m = np.abs(way[:, 0] * (points - start)[:, 1] - way[:, 1] * (points - start)[:, 0]) / np.hypot(*way.T)
    return np.asarray(np.where((along > 0) & (along < 1), beside_m, beyond_m), dtype=np.float64)


def _with_edges(faces: Shapes, inside: Shapes, origin: Floats, loose: Floats) -> Arrangement:
    """Pair the faces that share a side, by the side's corners on the grid."""
    rings, face_of_ring = shapely.get_rings(faces, return_index=True)
    xy, ring_at = shapely.get_coordinates(rings, return_index=True)
    steps = np.rint(xy / GRID_M).astype(np.int64)
    vertices, number = np.unique(steps[:, 0] * _LARGEST + steps[:, 1], return_inverse=True)
    places = np.flatnonzero(ring_at[:-1] == ring_at[1:])
    face = face_of_ring[ring_at[places]]
    code = ends_of(number[places], number[places + 1], len(vertices))
    order = np.argsort(code, kind="stable")
    first = np.flatnonzero(code[order][:-1] == code[order][1:])
    one, other = order[first], order[first + 1]
    outer = np.zeros(len(faces), dtype=bool)
    alone = np.ones(len(order), dtype=bool)
    alone[first] = alone[first + 1] = False
    outer[face[order[alone]]] = True
    apart = face[one] != face[other]
    one, other = one[apart], other[apart]
    edges = np.stack([xy[places[one]], xy[places[one] + 1]], axis=1)
    return Arrangement(origin, faces, edges, face[one], face[other], outer, loose, shapely.STRtree(inside))
