"""Tell vegetation from bare ground in polygons or a raster, and measure how much of an area it covers."""

from __future__ import annotations

import warnings
from typing import TYPE_CHECKING, Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from geotools.errors import Assumed, DesignError, Noticed, RasterError
from geotools.rasters import Raster, read_window, vegetation_index
from geotools.windows import average_cells, group_near

if TYPE_CHECKING:
    from collections.abc import Sequence

    from affine import Affine
    from numpy.typing import ArrayLike, NDArray

__all__ = ["find_green_index", "green_threshold", "measure_cover", "otsu_threshold", "read_green", "read_index"]

WINDOW_M2 = 4e5
"""Areas whose vegetation is read from the raster in one window lie within about this."""
_BINS = 256
"""Classes of the index between -1 and 1 (Otsu's method works on a histogram; 256 are the grey levels of his paper)."""
_AROUND_M, _TILE_M = 100.0, 600.0
"""Otsu's method looks this far around the lots, in tiles of this size."""
_SWAPPED_SHARE = 0.9
"""An index below 0 on more of the cells than this is no land: soil and plants reflect more infrared than red
(assumption of this project)."""
_LEAST_SPREAD = 0.02
"""Vegetation indices whose two classes lie nearer than this are one class (assumption of this project)."""


def read_index(
    vegetation: Raster, bounds: Sequence[float], *, crs: Any, resolution_m: float | None = None
) -> tuple[NDArray[np.float64], Affine]:
    """Read the vegetation index of a window: from red and near infrared, or as it stands in the raster.

    Parameters
    ----------
    vegetation : Raster
        With the bands `red` and `near_infrared`, or `index`; one band alone is taken as an index.
    bounds : sequence of 4 float
        West, south, east, north in `crs`.
    crs : pyproj.CRS
    resolution_m : float, optional
        Size of a cell; the raster's own without it.

    Returns
    -------
    index : numpy.ndarray, rows x columns
        NaN where there is no value.
    transform : affine.Affine

    Raises
    ------
    RasterError
        If nothing says which band is which, or red and near infrared seem to be swapped.
    """
    named = vegetation.bands
    if "red" in named and "near_infrared" in named:
        bands = [named["red"], named["near_infrared"]]
        values, transform = read_window(vegetation, bounds, crs=crs, bands=bands, resolution_m=resolution_m)
        return vegetation_index(values[0], values[1]), transform
    if "index" not in named and vegetation.count > 1:
        raise RasterError(
            f"it has {vegetation.count} bands and nothing says which is which",
            where=vegetation.path,
            mend="write red and near_infrared, or index, with their band numbers under [vegetation]",
        )
    values, transform = read_window(
        vegetation, bounds, crs=crs, bands=[named.get("index", 1)], resolution_m=resolution_m
    )
    index = values[0].astype(np.float64)
    _check_range(index, vegetation)
    return index, transform


def read_green(
    vegetation: Raster, bounds: Sequence[float], *, crs: Any, green_index: float, resolution_m: float | None = None
) -> tuple[NDArray[np.float64], Affine]:
    """Read where a window is green: 1 from the threshold of the index on, 0 below, NaN where there is no value.

    Parameters
    ----------
    vegetation : Raster
    bounds : sequence of 4 float
    crs : pyproj.CRS
    green_index : float
        Threshold.
    resolution_m : float, optional

    Returns
    -------
    green : numpy.ndarray, rows x columns
    transform : affine.Affine
    """
    index, transform = read_index(vegetation, bounds, crs=crs, resolution_m=resolution_m)
    return np.where(np.isnan(index), np.nan, index >= green_index), transform


def find_green_index(vegetation: Raster, areas: NDArray[Any], *, crs: Any) -> float:
    """Find the threshold between bare ground and vegetation by Otsu's method from the cells around the areas.

    The index is read window by window into one histogram of 256 classes. Use it where values are raw digital numbers,
    for which a threshold of reflectance is biased low.

    Parameters
    ----------
    vegetation : Raster
    areas : array of geometries
    crs : pyproj.CRS

    Returns
    -------
    float

    Raises
    ------
    RasterError
        If the raster has no value around the areas, or the values do not fall into two classes.
    """
    edges = np.linspace(-1.0, 1.0, _BINS + 1)
    counts = np.zeros(_BINS)
    for some in group_near(areas, window_m2=WINDOW_M2):
        index, _ = read_index(vegetation, shapely.total_bounds(areas[some]).tolist(), crs=crs)
        counts += np.histogram(index[np.isfinite(index)], edges)[0]
    used = np.flatnonzero(counts)
    if len(used) < 2 or edges[used[-1]] - edges[used[0]] < _LEAST_SPREAD:
        raise RasterError(
            "its vegetation index has " + ("one value only" if len(used) else "no value around the lots"),
            where=vegetation.path,
            mend="give green_index as a number",
        )
    return otsu_threshold(counts, edges)


def green_threshold(
    green_index: float | str, vegetation: gpd.GeoDataFrame | Raster | None, lots: NDArray[Any], *, crs: Any
) -> float:
    """Read the option `green_index`: a number, or "otsu" for the threshold that the raster shows around the lots.

    Parameters
    ----------
    green_index : float or str
    vegetation : GeoDataFrame, Raster or None
        Polygons need no threshold.
    lots : array of geometries
    crs : pyproj.CRS

    Returns
    -------
    float

    Raises
    ------
    DesignError
        If it is neither a number nor "otsu".
    RasterError
        If the raster shows no two classes.

    Examples
    --------
    >>> green_threshold("0.3", None, np.array([]), crs=None)
    0.3
    """
    if green_index == "otsu":
        if not isinstance(vegetation, Raster) or not len(lots):
            return 0.0
        west, south, east, north = shapely.total_bounds(lots) + _AROUND_M * np.array([-1, -1, 1, 1])
        x, y = np.meshgrid(np.arange(west, east, _TILE_M), np.arange(south, north, _TILE_M))
        tiles = np.asarray(shapely.box(x, y, np.minimum(x + _TILE_M, east), np.minimum(y + _TILE_M, north)).ravel())
        near = np.unique(shapely.STRtree(lots).query(tiles, predicate="dwithin", distance=_AROUND_M)[0])
        found = find_green_index(vegetation, tiles[near], crs=crs)
        warnings.warn(f"vegetation is told from bare ground at an index of {found:.3f}", Assumed, stacklevel=3)
        return found
    try:
        return float(green_index)
    except ValueError:
        raise DesignError(f"green_index is {green_index!r}", mend="give a number, or otsu") from None


def otsu_threshold(counts: ArrayLike, edges: ArrayLike) -> float:
    """Split a histogram in two classes with the greatest variance between them.

    Otsu 1979, "A threshold selection method from gray-level histograms", IEEE Trans. SMC 9:62-66 (formula from memory;
    held against an independent library in the tests).

    Parameters
    ----------
    counts : array_like, n
    edges : array_like, n + 1
        Edges of the classes, rising.

    Returns
    -------
    float
        The edge between the two; of several equally good ones, their middle.

    Examples
    --------
    >>> otsu_threshold([10, 10, 0, 10], [0, 1, 2, 3, 4])
    2.5
    """
    number, edge = np.asarray(counts, dtype=float), np.asarray(edges, dtype=float)
    middle = (edge[:-1] + edge[1:]) / 2
    below = np.cumsum(number)[:-1]
    above = number.sum() - below
    sum_below = np.cumsum(number * middle)[:-1]
    with np.errstate(invalid="ignore", divide="ignore"):
        gap = sum_below / below - ((number * middle).sum() - sum_below) / above
        between = np.where((below > 0) & (above > 0), below * above * gap**2, -1.0)
    best = np.flatnonzero(between >= between.max() * (1 - 1e-12))
    return float((edge[best[0] + 1] + edge[best[-1] + 1]) / 2)


def measure_cover(
    areas: NDArray[Any], vegetation: gpd.GeoDataFrame | Raster, *, crs: Any, green_index: float = 0.2
) -> NDArray[np.float64]:
    """Share of each area that vegetation covers.

    From polygons: the area-weighted cover, with overlaps counted up to full cover; a polygon without a value is taken
    as full cover (assumption of this project). From a raster: the share of the area
    whose vegetation index, (NIR - red) / (NIR + red), reaches the threshold, with cells at the edge counted by the part
    that is inside.

    Parameters
    ----------
    areas : array of Polygon or MultiPolygon, length n
    vegetation : GeoDataFrame with `cover`, or Raster
    crs : pyproj.CRS
        CRS of the areas.
    green_index : float
        Threshold of the index.

    Returns
    -------
    numpy.ndarray, float64, length n
        0 to 1; NaN where the raster has no value in the area.

    Raises
    ------
    RasterError
        If the raster's bands can't be an index.
    DesignError
        If the threshold is no index.

    Examples
    --------
    >>> half = gpd.GeoDataFrame({"cover": [1.0]}, geometry=[shapely.box(0, 0, 5, 10)], crs=32612)
    >>> measure_cover(np.array([shapely.box(0, 0, 10, 10)]), half, crs=half.crs).tolist()
    [0.5]
    """
    if isinstance(vegetation, Raster):
        if not -1 <= green_index <= 1:
            raise DesignError(f"green_index is {green_index}", mend="give an index from -1 to 1")
        return _raster_cover(areas, vegetation, crs, green_index)
    patches = vegetation.geometry.to_numpy()
    shares = pd.to_numeric(vegetation["cover"]).to_numpy(dtype=np.float64, na_value=np.nan)
    unknown = np.isnan(shares)
    if unknown.any():
        warnings.warn(
            f"{unknown.sum():,} of {len(unknown):,} vegetation polygons have no cover: taken as full",
            Assumed,
            stacklevel=3,
        )
    shares = np.where(unknown, 1.0, shares)
    area_at, patch_at = shapely.STRtree(patches).query(areas, predicate="intersects")
    shapely.prepare(areas)
    covered_m2 = shapely.area(patches)[patch_at]
    cut = ~shapely.contains_properly(areas[area_at], patches[patch_at])
    covered_m2[cut] = shapely.area(shapely.intersection(areas[area_at[cut]], patches[patch_at[cut]]))
    covered_m2 *= shares[patch_at]
    return np.minimum(np.bincount(area_at, covered_m2, minlength=len(areas)) / shapely.area(areas), 1.0)


def _raster_cover(areas: NDArray[Any], vegetation: Raster, crs: Any, green_index: float) -> NDArray[np.float64]:
    cover = np.full(len(areas), np.nan)
    below, known = 0, 0
    for some in group_near(areas, window_m2=WINDOW_M2):
        index, transform = read_index(vegetation, shapely.total_bounds(areas[some]).tolist(), crs=crs)
        below, known = below + int((index < 0).sum()), known + int((~np.isnan(index)).sum())
        green = np.where(np.isnan(index), np.nan, index >= green_index)
        cover[some] = average_cells(green, transform, areas[some], crs=crs)
    if "red" in vegetation.bands and known and below > _SWAPPED_SHARE * known:
        warnings.warn(
            f"the vegetation index is below 0 on {below / known:.0%} of the cells: "
            "red and near_infrared may be swapped, or the ground is water",
            Noticed,
            stacklevel=4,
        )
    return cover


def _check_range(index: NDArray[np.float64], vegetation: Raster) -> None:
    known = index[np.isfinite(index)]
    if known.size and (known.min() < -1.001 or known.max() > 1.001):
        raise RasterError(
            f"the vegetation index runs from {known.min():g} to {known.max():g}, outside -1 to 1",
            where=vegetation.path,
            mend="check the band numbers under [vegetation]: a band of light is no index",
        )
