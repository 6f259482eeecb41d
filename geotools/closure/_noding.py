"""Cut the plane inside a frame into faces along lines rounded to a grid, one block of a coarse net after the other."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING

import numpy as np
import shapely

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Ints = NDArray[np.intp]
    Flags = NDArray[np.bool_]
    Shapes = NDArray[np.object_]

__all__ = ["GRID_M", "cut_faces", "first_drawn", "split"]

GRID_M = 0.001
"""Coordinates are rounded to this while the plane is cut up (assumption of this project: a sixth of the least gap)."""
_BLOCK_M = 200.0
_NEAR_M = 10 * GRID_M
_THREADS = 2


def cut_faces(
    lines: Shapes, origin: Floats, width_m: float, height_m: float, *, merge: bool = False
) -> tuple[Shapes, Shapes, Shapes]:
    """Cut a frame into faces along lines and a coarse net of free lines, noded on the grid.

    Rounding to the grid is local, and every line has a vertex wherever it crosses the net: noding all that comes near a
    block of the net and keeping what lies within gives just what noding the whole plane at once would, in linear time.

    Parameters
    ----------
    lines : array of LineString, n
        Inside the frame.
    origin : array of float, (2,)
        Lower left corner of the frame; what is returned is counted from there.
    width_m, height_m : float
        Sides of the frame, whole metres.
    merge : bool
        Join lines that follow on each other first: fewer lines are noded faster, but rings then start elsewhere.

    Returns
    -------
    faces : array of Polygon
    bridges, ends : arrays of LineString
        What bounds no face: lines between two rings, and those with a free end.

    Examples
    --------
    >>> lines = shapely.linestrings([[(0, 5), (9, 5)], [(3, 6), (4, 6)]])
    >>> faces, bridges, ends = cut_faces(lines, np.zeros(2), 9, 9)
    >>> shapely.area(faces).tolist(), len(bridges), len(ends)
    ([45.0, 36.0], 0, 1)
    """
    east, north = _marks(width_m), _marks(height_m)
    column, row = (np.ravel(at) for at in np.meshgrid(np.arange(len(east) - 1), np.arange(len(north) - 1)))
    bounds = np.stack([east[column], north[row], east[column + 1], north[row + 1]], axis=1)
    runs, first = _share_out(lines, origin, bounds)
    upright, level = _net(east, north, width_m, height_m)

    def cut(block: int) -> tuple[Shapes, Shapes, Shapes]:
        x, y = column[block], row[block]
        own = runs[first[block] : first[block + 1]]
        if merge and len(own):
            own = shapely.get_parts(shapely.line_merge(shapely.multilinestrings(own)))
        near = np.concatenate([own, upright[x : x + 2], level[y : y + 2]])
        noded = shapely.get_parts(shapely.union_all(near, grid_size=GRID_M))
        west_m, south_m, east_m, north_m = bounds[block]
        inside = (shapely.bounds(noded) * [1, 1, -1, -1] >= [west_m, south_m, -east_m, -north_m]).all(axis=1)
        polygons, bridges, ends, _ = shapely.polygonize_full(noded[inside])
        return shapely.get_parts(polygons), shapely.get_parts(bridges), shapely.get_parts(ends)

    with ThreadPoolExecutor(_THREADS) as pool:  # noding lets go of the interpreter's lock
        faces, bridges, ends = zip(*pool.map(cut, range(len(bounds))), strict=True)
    return np.concatenate(faces), np.concatenate(bridges), np.concatenate(ends)


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


def first_drawn(segments: Floats) -> tuple[Ints, Flags]:
    """Of segments drawn on each other keep the first; tell which of all segments are drawn more than once.

    Examples
    --------
    >>> kept, shared = first_drawn(np.array([[[0, 0], [1, 1]], [[5, 5], [6, 6]], [[1, 1], [0, 0]]]))
    >>> kept.tolist(), shared.tolist()
    ([0, 1], [True, False, True])
    """
    ends = segments.reshape(-1, 4).copy()
    turned = (ends[:, 0] > ends[:, 2]) | ((ends[:, 0] == ends[:, 2]) & (ends[:, 1] > ends[:, 3]))
    ends[turned] = ends[turned][:, [2, 3, 0, 1]]
    order = np.lexsort(ends.T)
    new = np.append(True, np.any(ends[order[1:]] != ends[order[:-1]], axis=1))[: len(order)]
    shared = np.empty(len(order), dtype=bool)
    shared[order] = ~new | ~np.append(new[1:], True)[: len(order)]
    return np.sort(order[new]), shared


def _marks(length_m: float) -> Floats:
    """Place the lines of the net along one side of the frame."""
    return np.append(np.arange(0, length_m, _BLOCK_M), length_m)


def _net(east: Floats, north: Floats, width_m: float, height_m: float) -> tuple[Shapes, Shapes]:
    """Draw the lines of the net from side to side of the frame, upright and level."""
    upright = np.stack([np.stack([east, 0 * east], 1), np.stack([east, 0 * east + height_m], 1)], 1)
    level = np.stack([np.stack([0 * north, north], 1), np.stack([0 * north + width_m, north], 1)], 1)
    return np.asarray(shapely.linestrings(upright), dtype=object), np.asarray(shapely.linestrings(level), dtype=object)


def _share_out(lines: Shapes, origin: Floats, bounds: Floats) -> tuple[Shapes, Ints]:
    """List the stretches of lines near each block, block by block, with the position of each block's first."""
    segments, line_at = split(lines)
    segments -= origin
    kept, shared = first_drawn(segments)
    tree = shapely.STRtree(np.asarray(shapely.linestrings(segments[kept]), dtype=object))
    near = shapely.box(*(bounds + _NEAR_M * np.array([-1, -1, 1, 1])).T)
    block, at = tree.query(near, predicate="intersects")
    segment = kept[at]
    order = np.lexsort((segment, block))
    block, segment = block[order], segment[order]
    # Segments that follow each other stay one line: a vertex between them is no end, unless other lines meet there.
    goes_on = (block[1:] == block[:-1]) & (segment[1:] == segment[:-1] + 1)
    goes_on &= (line_at[segment[1:]] == line_at[segment[:-1]]) & ~shared[segment[1:]] & ~shared[segment[:-1]]
    new = np.append(True, ~goes_on)[: len(segment)]
    run = np.cumsum(new) - 1
    place = np.arange(len(segment)) + run
    corners = np.empty((len(segment) + int(new.sum()), 2))
    of = np.empty(len(corners), dtype=np.intp)
    corners[place[new]], of[place[new]] = segments[segment[new], 0], run[new]
    corners[place + 1], of[place + 1] = segments[segment, 1], run
    runs = np.asarray(shapely.linestrings(corners, indices=of), dtype=object)
    return runs, np.searchsorted(block[new], np.arange(len(bounds) + 1))
