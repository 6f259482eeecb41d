"""Read the ground as a surface that is bilinear between cell centres."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import shapely
from pyproj import CRS

from geotools.rasters import Raster, open_cells, read_window

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import ArrayLike, NDArray

__all__ = ["FINEST_CELL_M", "Surface", "cross_grid", "elevation_at", "group_by_tile", "read_surface"]

FINEST_CELL_M = 0.1
"""Finer rasters are read at this cell size, a ninth of the usual reach (assumption of this project)."""
_TILE_M = 2000.0
_METRES_PER_DEGREE = 111_000.0
"""Nearly; only to choose how much to read."""


class Surface(NamedTuple):
    """Elevations in metres at the centres of square cells, north up, in the working CRS; bilinear between the centres.

    `west_m` and `north_m` are the centre of the first cell.
    """

    cells: NDArray[np.float64]
    west_m: float
    north_m: float
    cell_m: float


def read_surface(elevation: Raster, bounds: Sequence[float], *, crs: Any, margin_m: float = 0.0) -> Surface:
    """Read the ground within bounds in the working CRS.

    A raster in the same CRS keeps its own cells; any other is warped (bilinear) to the working CRS at its own cell
    size. Cells finer than 10 cm are read at 10 cm.

    Parameters
    ----------
    elevation : Raster
    bounds : sequence of 4 float
        West, south, east, north in `crs`, metres.
    crs : pyproj.CRS or anything it reads
        The working CRS.
    margin_m : float
        How much more to read on each side, metres.

    Returns
    -------
    Surface
        Metres; NaN where there is no data.

    Raises
    ------
    RasterError
        If the bounds are no window, or the window is too large.

    Examples
    --------
    >>> read_surface.__annotations__["return"]
    'Surface'
    """
    working = CRS.from_user_input(crs)
    west, south, east, north = (float(value) for value in bounds)
    across_m, down_m = elevation.resolution
    if elevation.crs == working and np.isclose(across_m, down_m, rtol=1e-9, atol=0) and across_m >= FINEST_CELL_M:
        native = _read_own_cells(elevation, (west - margin_m, south - margin_m, east + margin_m, north + margin_m))
        if native is not None:
            return native
    cell_m = _cell_size_m(elevation)
    values, transform = read_window(
        elevation,
        (west, south, max(east, west + cell_m), max(north, south + cell_m)),
        crs=working,
        bands=[1],
        resolution_m=FINEST_CELL_M if cell_m < FINEST_CELL_M else None,
        margin_m=margin_m + 2 * max(cell_m, FINEST_CELL_M),
    )
    half_m = transform.a / 2
    return Surface(values[0].astype(np.float64), transform.c + half_m, transform.f - half_m, transform.a)


def elevation_at(surface: Surface, points_xy: ArrayLike) -> NDArray[np.float64]:
    """Elevation at points, bilinear between the centres of the four cells around each.

    Parameters
    ----------
    surface : Surface
    points_xy : array_like, n x 2
        Metres.

    Returns
    -------
    numpy.ndarray, float64, n
        Metres; NaN outside the outermost centres and where one of the four cells has no data.

    Examples
    --------
    >>> elevation_at(Surface(np.array([[0.0, 1.0], [2.0, 3.0]]), 0.0, 1.0, 1.0), [(0.5, 0.5), (9, 9)]).tolist()
    [1.5, nan]
    """
    points = np.asarray(points_xy, dtype=np.float64).reshape(-1, 2)
    cells = surface.cells
    rows, columns = cells.shape
    if rows < 2 or columns < 2:
        return np.full(len(points), np.nan)
    u = (points[:, 0] - surface.west_m) / surface.cell_m
    v = (surface.north_m - points[:, 1]) / surface.cell_m
    with np.errstate(invalid="ignore"):
        inside = (u >= 0) & (v >= 0) & (u <= columns - 1) & (v <= rows - 1)
    u, v = np.where(inside, u, 0.0), np.where(inside, v, 0.0)
    column, row = np.minimum(u.astype(np.int64), columns - 2), np.minimum(v.astype(np.int64), rows - 2)
    u, v = u - column, v - row
    at = row * columns + column
    flat = cells.ravel()
    upper = flat[at] * (1 - u) + flat[at + 1] * u
    lower = flat[at + columns] * (1 - u) + flat[at + columns + 1] * u
    return np.where(inside, upper * (1 - v) + lower * v, np.nan)


def cross_grid(
    start: NDArray[np.float64], end: NDArray[np.float64], surface: Surface
) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Where segments cross the lines through the cell centres, with both ends: the segment and the share of its length.

    Examples
    --------
    >>> level = Surface(np.zeros((2, 3)), 0.0, 1.0, 1.0)
    >>> np.sort(cross_grid(np.array([[0.5, 0.5]]), np.array([[1.5, 0.5]]), level)[1]).tolist()
    [0.0, 0.5, 1.0]
    """
    count = len(start)
    segments = [np.arange(count), np.arange(count)]
    shares = [np.zeros(count), np.ones(count)]
    for axis, origin in enumerate((surface.west_m, surface.north_m)):
        a, b = (start[:, axis] - origin) / surface.cell_m, (end[:, axis] - origin) / surface.cell_m
        low, high = np.ceil(np.minimum(a, b)), np.floor(np.maximum(a, b))
        crossings = np.maximum(high - low + 1, 0).astype(np.int64)
        segment = np.repeat(np.arange(count), crossings)
        number = np.arange(len(segment)) - np.repeat(np.cumsum(crossings) - crossings, crossings)
        span = (b - a)[segment]
        share = np.divide(low[segment] + number - a[segment], span, out=np.zeros(len(segment)), where=span != 0)
        segments.append(segment)
        shares.append(np.clip(share, 0.0, 1.0))
    return np.concatenate(segments), np.concatenate(shares)


def group_by_tile(shapes: NDArray[Any]) -> Iterator[NDArray[np.intp]]:
    """Group rows of shapes by tiles of 2 km, so that only their ground is read at once; missing ones are left out.

    Examples
    --------
    >>> near, far = shapely.Point(10, 10), shapely.Point(9000, 10)
    >>> [rows.tolist() for rows in group_by_tile(np.array([near, far, near, None]))]
    [[0, 2], [1]]
    """
    known = np.flatnonzero(~(shapely.is_missing(shapes) | shapely.is_empty(shapes)))
    if not len(known):
        return
    bounds = shapely.bounds(shapes[known])
    tiles = np.floor((bounds[:, :2] + bounds[:, 2:]) / (2 * _TILE_M)).astype(np.int64)
    _, tile = np.unique(tiles, axis=0, return_inverse=True)
    order = np.argsort(tile.ravel(), kind="stable")
    yield from np.split(known[order], np.flatnonzero(np.diff(tile.ravel()[order])) + 1)


def _cell_size_m(elevation: Raster) -> float:
    """The larger side of a cell, nearly: a degree taken as 111 km."""
    size = max(elevation.resolution)
    return (
        size * _METRES_PER_DEGREE
        if elevation.crs.is_geographic
        else size * float(elevation.crs.axis_info[0].unit_conversion_factor)
    )


def _read_own_cells(elevation: Raster, bounds: tuple[float, float, float, float]) -> Surface | None:
    """The raster's own cells around bounds; nothing where its grid is turned."""
    from rasterio.windows import Window

    with open_cells(elevation) as dataset:
        transform = dataset.transform
        if transform.b or transform.d or transform.a <= 0 or transform.e >= 0:
            return None
        size_m = transform.a
        left = max(int(np.floor((bounds[0] - transform.c) / size_m)) - 2, 0)
        top = max(int(np.floor((transform.f - bounds[3]) / size_m)) - 2, 0)
        right = min(int(np.ceil((bounds[2] - transform.c) / size_m)) + 2, dataset.width)
        bottom = min(int(np.ceil((transform.f - bounds[1]) / size_m)) + 2, dataset.height)
        if right - left < 2 or bottom - top < 2:
            return Surface(np.full((2, 2), np.nan), bounds[0], bounds[3], size_m)
        window = Window(left, top, right - left, bottom - top)
        values = dataset.read(1, window=window).astype(np.float64)
        values[dataset.read_masks(1, window=window) == 0] = np.nan
        values = (values * dataset.scales[0] + dataset.offsets[0]) * elevation.value_factor
        return Surface(values, transform.c + (left + 0.5) * size_m, transform.f - (top + 0.5) * size_m, size_m)
