"""Group shapes that lie near each other, and average a grid over shapes with exact area weights."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import geopandas as gpd
import numpy as np
import shapely

if TYPE_CHECKING:
    from affine import Affine
    from numpy.typing import NDArray

__all__ = ["average_cells", "cut_along_grid", "group_near"]

_CELL_M = 250.0
"""Large polygons are cut into cells of this size, so that a shape meets only what is near."""


def group_near(shapes: NDArray[Any], *, window_m2: float) -> list[NDArray[np.intp]]:
    """Group shapes so that the window around each group is small, halving along the longer side.

    Parameters
    ----------
    shapes : array of geometries, length n
        Without missing or empty ones, in metres.
    window_m2 : float
        A group of more than one shape has a window of at most this area.

    Returns
    -------
    list of numpy.ndarray of int
        Positions; each shape is in one group.

    Examples
    --------
    >>> apart = shapely.points([0, 1, 100, 101], [0, 1, 0, 1])
    >>> sorted(group.tolist() for group in group_near(apart, window_m2=10.0))
    [[0, 1], [2, 3]]
    """
    bounds = shapely.bounds(shapes)
    middle = (bounds[:, :2] + bounds[:, 2:]) / 2
    small, left = [], [np.arange(len(shapes))] if len(shapes) else []
    while left:
        some = left.pop()
        size = bounds[some, 2:].max(axis=0) - bounds[some, :2].min(axis=0)
        if len(some) == 1 or size.prod() <= window_m2:
            small.append(some)
            continue
        order = some[np.argsort(middle[some, int(np.argmax(size))], kind="stable")]
        left += [order[: len(order) // 2], order[len(order) // 2 :]]
    return small


def average_cells(values: NDArray[Any], transform: Affine, areas: NDArray[Any], *, crs: Any) -> NDArray[np.float64]:
    """Average the cells of a grid over each area, a cell at the edge weighing as much as its part that is inside.

    Parameters
    ----------
    values : numpy.ndarray, rows x columns
        NaN where there is no value; such cells carry no weight.
    transform : affine.Affine
        From column and row to x and y.
    areas : array of Polygon or MultiPolygon, length n
    crs : pyproj.CRS
        Of the areas and the grid.

    Returns
    -------
    numpy.ndarray, float64, length n
        NaN where no cell with a value is in the area.

    Examples
    --------
    >>> from affine import Affine
    >>> grid = np.array([[1.0, 5.0]])
    >>> average_cells(grid, Affine(1, 0, 0, 0, -1, 1), np.array([shapely.box(0.5, 0, 2, 1)]), crs="EPSG:32612").round(6)
    array([3.66666...])
    """
    from exactextract import exact_extract
    from exactextract.raster import NumPyRasterSource

    if not len(areas):
        return np.zeros(0)
    rows, columns = values.shape
    west, north = transform.c, transform.f
    zones = gpd.GeoDataFrame(geometry=areas, crs=crs)
    source = NumPyRasterSource(
        np.asarray(values, dtype=np.float64),
        xmin=west,
        ymin=north + transform.e * rows,
        xmax=west + transform.a * columns,
        ymax=north,
        nodata=np.nan,
        srs_wkt=zones.crs.to_wkt() if zones.crs else None,
    )
    found = exact_extract(source, zones, ["mean"], output="pandas")
    return np.asarray(found["mean"].to_numpy(dtype=np.float64))


def cut_along_grid(polygons: NDArray[Any]) -> NDArray[Any]:
    """Join polygons that overlap and cut the large ones along a grid, so that a query meets small pieces.

    Parameters
    ----------
    polygons : array of Polygon or MultiPolygon
        Missing and empty ones are left out.

    Returns
    -------
    array of Polygon
        Without overlaps; together the same ground.

    Examples
    --------
    >>> pieces = cut_along_grid(np.array([shapely.box(0, 0, 400, 100), shapely.box(300, 0, 500, 100)]))
    >>> len(pieces), round(shapely.area(pieces).sum())
    (3, 50000)
    """
    parts = shapely.get_parts(shapely.union_all(polygons))
    parts = parts[shapely.get_dimensions(parts) == 2]
    bounds = shapely.bounds(parts)
    large = (bounds[:, 2:] - bounds[:, :2]).max(axis=1, initial=0) > _CELL_M
    if not large.any():
        return np.asarray(parts)
    west, south, east, north = shapely.total_bounds(parts[large])
    # The odd shift keeps the grid off round coordinates, where a boundary along a cell's edge would count twice.
    x, y = np.meshgrid(np.arange(west - 0.1237, east, _CELL_M), np.arange(south - 0.1237, north, _CELL_M))
    cells = shapely.box(x.ravel(), y.ravel(), x.ravel() + _CELL_M, y.ravel() + _CELL_M)
    part_at, cell_at = shapely.STRtree(cells).query(parts[large], predicate="intersects")
    pieces = shapely.get_parts(shapely.intersection(parts[large][part_at], cells[cell_at]))
    return np.concatenate([parts[~large], pieces[shapely.get_dimensions(pieces) == 2]])
