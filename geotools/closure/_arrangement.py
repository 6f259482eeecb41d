"""Cut the plane into ground faces along a set of lines, and keep which faces lie on either side of each edge."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import shapely

from geotools.closure._faces import trace_faces
from geotools.closure._noding import GRID_M, Edges, codes, node, ranges, split, unique_segments
from geotools.errors import LayerError

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Ints = NDArray[np.intp]
    Flags = NDArray[np.bool_]
    Shapes = NDArray[np.object_]

__all__ = [
    "NOTHING",
    "Arrangement",
    "arrange",
    "arrange_segments",
    "ends_of",
    "find_faces_in",
    "segments_of",
    "wide_enough",
]

NOTHING = np.iinfo(np.int32).max
"""Rank of a line that only bounds ground."""
_MARGIN_M = 10.0
_NET_M = 200
_TILE_M = 5 * _NET_M
_NEAR_M = 10 * GRID_M
_THREADS = 2
_LARGEST = 1 << 31


class Arrangement(NamedTuple):
    """Faces and edges of the plane inside a frame around all lines; coordinates in metres from `origin`.

    `edges` are two-point segments of shape (n, 2, 2); `left` and `right` the two different faces beside each; `rank`
    the lowest rank of the lines that made it; `outer` the faces at the frame; `loose` the segments inside a face that
    bound nothing (free ends and bridges), (k, 2, 2), with `loose_rank`; `inside` a tree of one point in each face.
    """

    origin: Floats
    faces: Shapes
    edges: Floats
    left: Ints
    right: Ints
    rank: Ints
    outer: Flags
    loose: Floats
    loose_rank: Ints
    inside: shapely.STRtree


class _Tile(NamedTuple):
    """Faces of a tile with a point in each, and its edges with their faces."""

    shapes: Shapes
    inside: Shapes
    edges: Edges
    left: Ints
    right: Ints


def arrange(lines: Shapes, rank: Ints | None = None) -> Arrangement:
    """Cut the plane along lines, rounded to a millimetre.

    A frame and a coarse net of free lines are added, so that no face is large: they stop nobody. Ends that hang free
    and bridges bound no face and are kept apart. Exact for the rounded lines (every crossing becomes a vertex).

    Rounding is local, and every line has a corner wherever it crosses the net: rounding all that comes near a tile of
    the net and keeping what lies within gives just what rounding the whole plane at once would, in linear time.

    Parameters
    ----------
    lines : array of LineString, n
        In metres; empty ones are passed over.
    rank : array of int, n, optional
        Where lines lie on each other the lowest counts; `NOTHING` without.

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
    segments, line_at = split(lines)
    return arrange_segments(segments, np.full(len(segments), NOTHING, dtype=np.intp) if rank is None else rank[line_at])


def arrange_segments(segments: Floats, rank: Ints) -> Arrangement:
    """Cut the plane along segments, (n, 2, 2), with a rank each, as `arrange` does; they need not stand as shapes.

    Raises
    ------
    LayerError
        As `arrange`.

    Examples
    --------
    >>> len(arrange_segments(np.array([[[0.0, 0.0], [9.0, 0.0]]]), np.array([NOTHING])).faces)
    1
    """
    ends = segments.reshape(-1, 2) if len(segments) else np.zeros((1, 2))
    origin = np.floor(ends.min(axis=0)) - _MARGIN_M
    size_m = np.ceil(ends.max(axis=0) - origin + _MARGIN_M)
    if not size_m.max() / GRID_M < _LARGEST:
        raise LayerError(
            f"the layers reach over {size_m.max() / 1000:,.0f} km",
            mend="look for a coordinate that is wrong, or plan one site at a time",
        )
    segments, of = unique_segments((segments - origin) / GRID_M, rank)
    marks = [np.append(np.arange(0, side_m, _NET_M), side_m) / GRID_M for side_m in size_m]
    tiles = _share_out(segments, marks)

    def cut(tile: tuple[Floats, Ints]) -> _Tile:
        bounds, at = tile
        own, net = segments[at], _net(marks, bounds)
        return _cut(*unique_segments(np.concatenate([own, net]), np.append(of[at], np.full(len(net), NOTHING))), bounds)

    with ThreadPoolExecutor(_THREADS) as pool:  # noding and tracing let go of the interpreter's lock
        return _join(origin, list(pool.map(cut, tiles)))


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


def _net(marks: list[Floats], bounds: Floats) -> Floats:
    """Draw the lines of the net within a tile, from crossing to crossing."""
    x, y = (mark[(mark >= low) & (mark <= high)] for mark, low, high in zip(marks, bounds[:2], bounds[2:], strict=True))
    upright = np.stack(np.broadcast_arrays(x[:, None], y[:-1], x[:, None], y[1:]), axis=-1)
    level = np.stack(np.broadcast_arrays(x[:-1], y[:, None], x[1:], y[:, None]), axis=-1)
    return np.concatenate([upright.reshape(-1, 2, 2), level.reshape(-1, 2, 2)])


def _share_out(segments: Floats, marks: list[Floats]) -> list[tuple[Floats, Ints]]:
    """List the tiles, in steps of the grid, with the segments whose rectangles come near each."""
    every = _TILE_M // _NET_M
    sides = [np.append(mark[:-1][::every], mark[-1]) for mark in marks]
    near = _NEAR_M / GRID_M
    low = np.minimum(segments[:, 0], segments[:, 1]) - near
    high = np.maximum(segments[:, 0], segments[:, 1]) + near
    first = [np.maximum(np.searchsorted(side, low[:, axis], side="left") - 1, 0) for axis, side in enumerate(sides)]
    last = [
        np.minimum(np.searchsorted(side, high[:, axis], side="right") - 1, len(side) - 2)
        for axis, side in enumerate(sides)
    ]
    wide, count = last[0] - first[0] + 1, (last[0] - first[0] + 1) * (last[1] - first[1] + 1)
    at = np.repeat(np.arange(len(segments)), count)
    turn = ranges(np.zeros_like(count), count)
    row, column = first[1][at] + turn // wide[at], first[0][at] + turn % wide[at]
    columns, rows = len(sides[0]) - 1, len(sides[1]) - 1
    tile = row * columns + column
    order = np.argsort(tile, kind="stable")
    begin = np.searchsorted(tile[order], np.arange(rows * columns + 1))
    return [
        (
            np.array(
                [sides[0][n % columns], sides[1][n // columns], sides[0][n % columns + 1], sides[1][n // columns + 1]]
            ),
            at[order[begin[n] : begin[n + 1]]],
        )
        for n in range(rows * columns)
    ]


def _cut(segments: Floats, rank: Ints, bounds: Floats) -> _Tile:
    edges = node(segments, rank)
    low, high = np.minimum(edges.start, edges.stop), np.maximum(edges.start, edges.stop)
    within = (low[:, 0] >= bounds[0]) & (low[:, 1] >= bounds[1]) & (high[:, 0] <= bounds[2]) & (high[:, 1] <= bounds[3])
    edges = Edges(*(column[within] for column in edges))
    shapes, left, right = trace_faces(edges.start, edges.stop, GRID_M)
    return _Tile(shapes, np.asarray(shapely.point_on_surface(shapes), dtype=object), edges, left, right)


def _join(origin: Floats, tiles: list[_Tile]) -> Arrangement:
    """Put tiles together: an edge on the border of two has a face in each."""
    first = np.cumsum([0, *(len(tile.shapes) for tile in tiles)])
    left, right = (
        np.concatenate([np.where(side < 0, side, side + n) for side, n in zip(sides, first, strict=False)])
        for sides in ([tile.left for tile in tiles], [tile.right for tile in tiles])
    )
    start, stop, rank = (np.concatenate([tile.edges[column] for tile in tiles]) for column in range(3))
    order = np.lexsort((codes(stop), codes(start)))
    start, stop, rank, left, right = start[order], stop[order], rank[order], left[order], right[order]
    xy = np.stack([start, stop], axis=1) * GRID_M
    double = np.flatnonzero(np.all(xy[1:] == xy[:-1], axis=(1, 2)))
    del start, stop
    left[double] = np.maximum(left[double], left[double + 1])
    right[double] = np.maximum(right[double], right[double + 1])
    rank[double] = np.minimum(rank[double], rank[double + 1])
    once = np.ones(len(xy), dtype=bool)
    once[double + 1] = False

    faces = np.concatenate([tile.shapes for tile in tiles])
    inside = np.concatenate([tile.inside for tile in tiles])
    order = np.lexsort([*shapely.get_coordinates(inside).T, *shapely.bounds(faces).T])
    number = np.append(np.empty(len(order), dtype=np.intp), [-2, -1])
    number[order] = np.arange(len(order))
    left, right = number[left], number[right]
    loose, bounding = once & (left == -2), once & (left >= 0) & (right >= 0)
    outer = np.zeros(len(faces), dtype=bool)
    for side, other in ((left, right), (right, left)):
        outer[side[once & (other == -1) & (side >= 0)]] = True
    return Arrangement(
        origin,
        faces[order],
        xy[bounding],
        left[bounding],
        right[bounding],
        rank[bounding],
        outer,
        xy[loose],
        rank[loose],
        shapely.STRtree(inside[order]),
    )
