"""Shade the terrain under the map as a small picture that the page carries in itself."""

from __future__ import annotations

import base64
import warnings
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from pyproj import CRS

from geotools.rasters import Raster, read_window

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["Relief", "draw_relief", "shade_slopes"]

_PAGE_CRS = CRS.from_epsg(3857)
_MOST_CELLS_ACROSS = 900
_SUN_FROM_DEG = (315.0, 270.0, 0.0)
"""North-west with its neighbours, so that slopes along one sun's rays show too (common practice, no source)."""
_SUN_WEIGHTS = (0.6, 0.2, 0.2)
_SUN_HEIGHT_DEG = 45.0
_STEEP_DEG = 30.0
_MOST_EXAGGERATION = 3.0
_DARKEST, _LIGHTEST = 120, 110
_FADE = 0.08
"""Share of the picture's lesser side over which the shade fades out where the data end: their edge is no feature."""


class Relief(NamedTuple):
    """A shaded picture as a data address, and west, south, east, north of its outer edges in the page's projection."""

    picture: str
    bounds: tuple[float, float, float, float]


def draw_relief(elevation: Raster, bounds: tuple[float, float, float, float]) -> Relief | None:
    """Warp the terrain to the page's projection (Web Mercator) and shade it; None where it has no data there.

    Parameters
    ----------
    elevation : Raster
    bounds : tuple of float
        West, south, east, north of what the map shows, in EPSG:3857.

    Returns
    -------
    Relief or None
        The picture has two bands, black or white and how much of it, so that colours under it keep their hue.

    Examples
    --------
    >>> draw_relief(elevation, (0.0, 0.0, 9.0, 9.0))  # doctest: +SKIP
    """
    west, south, east, north = bounds
    stretch = 1 / np.cos(2 * np.arctan(np.exp((south + north) / 2 / 6378137.0)) - np.pi / 2)
    cell = max(min(elevation.resolution) * _metres_per_unit(elevation) * stretch, (east - west) / _MOST_CELLS_ACROSS)
    heights_m, transform = read_window(elevation, bounds, crs=_PAGE_CRS, resolution_m=float(cell), bands=[1])
    shade = shade_slopes(heights_m[0], cell_m=float(cell / stretch))
    if not np.isfinite(shade).any():
        return None
    picture = _write_picture(shade)
    rows, columns = shade.shape
    edges = (transform.c, transform.f - rows * cell, transform.c + columns * cell, transform.f)
    return Relief(picture, edges)


def shade_slopes(heights_m: NDArray[np.floating], *, cell_m: float) -> NDArray[np.float64]:
    """Shade a grid of heights under three suns: 0 as light as level ground, down to -1 and up to 1.

    Lambert's cosine law; gentle ground is exaggerated so that its steep slopes (95 of 100) stand at 30 degrees, at most
    three times (assumption of this project: the picture is to be read, not measured).

    Parameters
    ----------
    heights_m : array, rows x columns
        North is up; NaN where there is no data.
    cell_m : float
        Size of a cell on the ground, metres.

    Returns
    -------
    numpy.ndarray, rows x columns
        NaN where there is no data.

    Examples
    --------
    >>> float(np.abs(shade_slopes(np.zeros((3, 3)), cell_m=1.0)).max())
    0.0
    """
    if min(heights_m.shape) < 2:
        return np.full(heights_m.shape, np.nan)
    south_up, east_up = np.gradient(np.asarray(heights_m, dtype=np.float64), cell_m)
    slope = np.hypot(south_up, east_up)
    known = slope[np.isfinite(slope)]
    steep = np.percentile(known, 95) if len(known) else 0.0
    factor = min(_MOST_EXAGGERATION, np.tan(np.radians(_STEEP_DEG)) / steep) if steep > 0 else 1.0
    up = 1 / np.sqrt(1 + (factor * slope) ** 2)
    high = np.radians(_SUN_HEIGHT_DEG)
    light = np.zeros_like(slope)
    for from_deg, weight in zip(_SUN_FROM_DEG, _SUN_WEIGHTS, strict=True):
        east, north = np.sin(np.radians(from_deg)), np.cos(np.radians(from_deg))
        facing = factor * (-east_up * east + south_up * north) * np.cos(high)
        light += weight * np.clip(up * (np.sin(high) + facing), 0, 1)
    level = np.sin(high)
    shade = np.where(light < level, light / level - 1, (light - level) / (1 - level))
    return np.where(np.isfinite(heights_m), shade, np.nan)


def _metres_per_unit(elevation: Raster) -> float:
    axis = elevation.crs.axis_info[0]
    return 111_320.0 if elevation.crs.is_geographic else float(axis.unit_conversion_factor)


def _fade(known: NDArray[np.bool_]) -> NDArray[np.float64]:
    from scipy.ndimage import distance_transform_edt

    inside = np.asarray(distance_transform_edt(np.pad(known, 1))[1:-1, 1:-1], dtype=np.float64)
    return np.asarray(np.clip(inside / max(1.0, _FADE * min(known.shape)), 0, 1), dtype=np.float64)


def _write_picture(shade: NDArray[np.float64]) -> str:
    from rasterio.errors import NotGeoreferencedWarning
    from rasterio.io import MemoryFile

    light = np.nan_to_num(shade, nan=0.0) * _fade(np.isfinite(shade))
    grey = np.where(light > 0, 255, 0).astype(np.uint8)
    much = np.round(np.where(light > 0, light * _LIGHTEST, -light * _DARKEST)).astype(np.uint8)
    much &= 0xFC  # coarser steps, not seen, halve the file
    rows, columns = shade.shape
    with warnings.catch_warnings(), MemoryFile() as memory:
        warnings.simplefilter("ignore", NotGeoreferencedWarning)  # a picture, placed by the page
        with memory.open(driver="PNG", width=columns, height=rows, count=2, dtype="uint8", zlevel=9) as picture:
            picture.write(np.stack([grey, much]))
        content = memory.read()
    return "data:image/png;base64," + base64.b64encode(content).decode("ascii")
