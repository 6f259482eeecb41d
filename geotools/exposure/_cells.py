"""Cover the cells of a grid with polygons and average them over lots, exactly, from the edges of the outlines."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import shapely

if TYPE_CHECKING:
    from affine import Affine
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Integers = NDArray[np.int64]

__all__ = ["average_over", "weigh_cells"]

_DECIMALS = 12
"""Sums along a row of cells end in roundings: a cell without ground is to hold 0, a full one 1."""


class _Pieces(NamedTuple):
    """Edges cut where they leave a cell: shape, cell, middle east of the cell's west side and run south, in cells."""

    shape: Integers
    row: Integers
    column: Integers
    east: Floats
    south: Floats


def weigh_cells(polygons: NDArray[Any], values: Floats, transform: Affine, shape: tuple[int, int]) -> Floats:
    """Sum of value times the exact part of each cell that the polygons cover.

    The ground east of an edge, less that east of the opposite one, is the ground between (Green's theorem): each edge
    adds its run south to all cells east of it, and a part of that to the cell that it crosses.

    Parameters
    ----------
    polygons : array of Polygon or MultiPolygon, length m
        Without overlaps.
    values : numpy.ndarray, length m
    transform : affine.Affine
        Of square cells, north up.
    shape : tuple of int
        Rows, columns.

    Returns
    -------
    numpy.ndarray, float64, rows x columns
        Exact to 1e-12.

    Examples
    --------
    >>> from affine import Affine
    >>> weigh_cells(np.array([shapely.box(0, 0, 1.5, 1)]), np.ones(1), Affine(1, 0, 0, 0, -1, 1), (1, 3)).tolist()
    [[1.0, 0.5, 0.0]]
    """
    rows, columns = shape
    pieces = _pieces(polygons, transform, shape)
    weight = np.asarray(values, dtype=np.float64)[pieces.shape] * pieces.south
    wide = columns + 1
    at = pieces.row * wide + pieces.column
    here = np.bincount(at, weight * (1.0 - pieces.east), minlength=rows * wide).reshape(rows, wide)
    beyond = np.bincount(at + 1, weight * pieces.east, minlength=rows * wide + 1)[:-1].reshape(rows, wide)
    # The cell of an edge lacks what lies west of the edge; all cells from the next one on get the whole run.
    covered = np.cumsum(here + beyond, axis=1)[:, :columns]
    return np.asarray(np.round(covered, _DECIMALS) + 0.0, dtype=np.float64)


def average_over(values: Floats, transform: Affine, areas: NDArray[Any]) -> Floats:
    """Average the cells of a grid over each area, a cell at the edge weighing as much as its part that is inside.

    Parameters
    ----------
    values : numpy.ndarray, rows x columns
    transform : affine.Affine
        Of square cells, north up.
    areas : array of Polygon or MultiPolygon, length n
        Within the grid.

    Returns
    -------
    numpy.ndarray, float64, length n
        NaN for an area of nothing.

    Examples
    --------
    >>> from affine import Affine
    >>> grid = np.array([[1.0, 5.0]])
    >>> average_over(grid, Affine(1, 0, 0, 0, -1, 1), np.array([shapely.box(0.5, 0, 2, 1)])).round(6).tolist()
    [3.666667]
    """
    pieces = _pieces(areas, transform, values.shape)
    count = len(areas)
    west = np.full(count, values.shape[1], dtype=np.int64)
    np.minimum.at(west, pieces.shape, pieces.column)
    # What lies west of the area's first cell cancels out; leaving it out keeps the sums small.
    sums = np.zeros((values.shape[0], values.shape[1] + 1))
    np.cumsum(values, axis=1, out=sums[:, 1:])
    before = west[pieces.shape]
    padded = np.pad(values, ((0, 0), (0, 1)))
    held = sums[pieces.row, pieces.column] - sums[pieces.row, before]
    held += padded[pieces.row, pieces.column] * pieces.east
    total = np.bincount(pieces.shape, held * pieces.south, minlength=count)
    ground = np.bincount(pieces.shape, (pieces.column - before + pieces.east) * pieces.south, minlength=count)
    return np.asarray(np.divide(total, ground, out=np.full(count, np.nan), where=ground != 0))


def _pieces(polygons: NDArray[Any], transform: Affine, shape: tuple[int, int]) -> _Pieces:
    """Cut the edges of polygons at the lines between cells; what is west or east of the grid counts for that side."""
    rows, columns = shape
    parts, part_of = shapely.get_parts(polygons, return_index=True)
    rings, ring_of = shapely.get_rings(shapely.orient_polygons(parts), return_index=True)
    points, ring = shapely.get_coordinates(rings, return_index=True)
    u, v = (points[:, 0] - transform.c) / transform.a, (points[:, 1] - transform.f) / transform.e
    begin = np.flatnonzero(ring[1:] == ring[:-1])
    u0, u1, v0, v1 = u[begin], u[begin + 1], v[begin], v[begin + 1]
    met = (np.maximum(v0, v1) > 0) & (np.minimum(v0, v1) < rows) & (v0 != v1)
    u0, u1, v0, v1 = u0[met], u1[met], v0[met], v1[met]
    owner = part_of[ring_of[ring[begin[met]]]]
    edge, share = np.concatenate(
        [
            np.stack([np.tile(np.arange(len(u0), dtype=np.float64), 2), np.repeat([0.0, 1.0], len(u0))]),
            _crossings(u0, u1, columns),
            _crossings(v0, v1, rows),
        ],
        axis=1,
    )
    order = np.lexsort((share, edge))
    edge, share = edge[order].astype(np.int64), share[order]
    first = np.flatnonzero((edge[1:] == edge[:-1]) & (share[1:] > share[:-1]))
    edge, start, end = edge[first], share[first], share[first + 1]
    du, dv = u1 - u0, v1 - v0
    east, south = u0[edge] + (start + end) / 2 * du[edge], v0[edge] + (start + end) / 2 * dv[edge]
    within = (south > 0) & (south < rows)
    edge, east, south = edge[within], np.clip(east[within], 0.0, columns), south[within]
    column = np.floor(east).astype(np.int64)
    row = np.minimum(np.floor(south), rows - 1).astype(np.int64)
    return _Pieces(owner[edge], row, column, east - column, (end - start)[within] * dv[edge])


def _crossings(begin: Floats, end: Floats, most: int) -> Floats:
    """Edge and share of its length where it crosses whole numbers from 0 to the most."""
    low = np.maximum(np.ceil(np.minimum(begin, end)), 0)
    high = np.minimum(np.floor(np.maximum(begin, end)), most)
    counts = np.where(begin != end, np.maximum(high - low + 1, 0), 0).astype(np.int64)
    edge = np.repeat(np.arange(len(counts)), counts)
    number = np.arange(len(edge)) - np.repeat(np.cumsum(counts) - counts, counts)
    share = (low[edge] + number - begin[edge]) / (end - begin)[edge]
    return np.stack([edge.astype(np.float64), np.clip(share, 0.0, 1.0)])
