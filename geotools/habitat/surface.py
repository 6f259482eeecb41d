"""Map habitat with its quality from whatever the office has: polygons, vegetation, land cover classes, terrain."""

from __future__ import annotations

import warnings
from typing import TYPE_CHECKING, Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from geotools.errors import Assumed, DesignError, LayerError
from geotools.rasters import Raster, read_window
from geotools.vegetation import green_threshold, read_green

if TYPE_CHECKING:
    from affine import Affine
    from numpy.typing import NDArray

__all__ = ["find_slope", "map_habitat_surface"]

QUALITY = {"open desert": 1.0, "wash": 1.0, "steep rock": 0.8, "vegetation": 0.5}
"""How much of an animal's needs a kind of ground meets, 0 to 1 (assumptions of this project; that arroyos and
rocky slopes are used is published: Mata-Silva et al. 2018, Emerson et al. 2022, Herpetologica 74:245 and 78:110)."""
CLASS_QUALITY = {"52": 1.0, "71": 0.6, "31": 0.5, "42": 0.4, "90": 0.6, "95": 0.6}
"""Quality of national land cover classes (52 shrub, 71 grassland, 31 barren, 42 evergreen forest, 90 and 95 wetlands);
every other class is no habitat. Codes from memory, qualities assumptions of this project."""
_WINDOW_M = 1000.0
_SQUARE_CELLS = 3


def map_habitat_surface(
    parcels: gpd.GeoDataFrame,
    open_desert: gpd.GeoDataFrame | None = None,
    wash_ground: gpd.GeoDataFrame | None = None,
    vegetation: gpd.GeoDataFrame | Raster | None = None,
    land_cover: gpd.GeoDataFrame | Raster | None = None,
    elevation: Raster | None = None,
    *,
    around_m: float = 450.0,
    cell_m: float = 5.0,
    green_index: float | str = 0.2,
    rock_slope_deg: float = 20.0,
    least_rock_m2: float = 1000.0,
    quality: dict[str, float] | None = None,
    class_quality: dict[str, float] | None = None,
) -> gpd.GeoDataFrame:
    """Map habitat around the lots, without overlaps, each piece with its kind and quality.

    Rasters are read in windows of 1 km; vegetation, land cover and steep ground count outside the lots only (what grows
    on a lot is cover, not the place the animals come from). Where kinds overlap the better one holds.

    Parameters
    ----------
    parcels : GeoDataFrame
        Polygons in a projected CRS in metres.
    open_desert, wash_ground : GeoDataFrame, optional
        Habitat polygons.
    vegetation : GeoDataFrame or Raster, optional
        Polygons with `cover` (half cover or more counts), or a raster with red and near infrared or an index.
    land_cover : GeoDataFrame or Raster, optional
        Polygons with `land_class`, or a raster of class codes.
    elevation : Raster, optional
    around_m : float
        How far around the lots the rasters are read, metres.
    cell_m : float
        Size of the cells that rasters are read in, metres (assumption of this project).
    green_index : float or str
        A cell counts as vegetation from this vegetation index on (0.2: assumption of this project for desert scrub),
        or "otsu" for the threshold of Otsu's method.
    rock_slope_deg : float
        Ground from this slope on counts as steep rock, degrees (assumption of this project).
    least_rock_m2 : float
        Smaller patches of steep ground are banks and pads, no habitat, square metres (assumption of this project).
    quality : dict of str to float, optional
        Quality, 0 to 1, of `open desert`, `wash`, `steep rock`, `vegetation` where it isn't the default.
    class_quality : dict of str to float, optional
        Land cover class to quality, in place of the table of national land cover classes.

    Returns
    -------
    GeoDataFrame
        kind, quality, geometry (polygons without overlaps).

    Raises
    ------
    LayerError
        If no layer gives habitat, or land cover has no classes.
    DesignError
        If a quality, length or slope is out of range.
    RasterError
        If a raster's bands can't be used.

    Examples
    --------
    >>> lots = gpd.GeoDataFrame({"parcel_id": ["1"]}, geometry=[shapely.box(0, 0, 9, 9)], crs=32612)
    >>> desert = gpd.GeoDataFrame(geometry=[shapely.box(0, 9, 9, 99)], crs=32612)
    >>> wash = gpd.GeoDataFrame(geometry=[shapely.box(4, 5, 6, 50)], crs=32612)
    >>> surface = map_habitat_surface(lots, desert, wash, quality={"wash": 0.9})
    >>> dict(zip(surface["kind"], surface.area, strict=True))
    {'open desert': 810.0, 'wash': 8.0}
    """
    qualities = _qualities(QUALITY, quality, "quality")
    if not (around_m >= 0 and cell_m > 0 and 0 < rock_slope_deg < 90):
        raise DesignError("a length or slope is out of range", where="map_habitat_surface", mend="give values above 0")
    lots = parcels.geometry.to_numpy()
    lots = lots[~(shapely.is_missing(lots) | shapely.is_empty(lots))]
    pieces: list[tuple[str, float, NDArray[Any]]] = []
    for kind, layer in {"open desert": open_desert, "wash": wash_ground}.items():
        if layer is not None:
            pieces.append((kind, qualities[kind], layer.geometry.to_numpy()))
    if isinstance(vegetation, Raster):
        index = green_threshold(green_index, vegetation, lots, crs=parcels.crs)

        def is_green(bounds: tuple[float, ...]) -> tuple[NDArray[Any], Affine]:
            green, transform = read_green(vegetation, bounds, crs=parcels.crs, green_index=index, resolution_m=cell_m)
            return np.nan_to_num(green).astype(np.uint8), transform

        shapes = [shape for _, shape in _outline(is_green, lots, around_m)]
        pieces.append(("vegetation", qualities["vegetation"], np.array(shapes, dtype=object)))
    elif vegetation is not None and (open_desert is not None or wash_ground is not None or land_cover is not None):
        full = pd.to_numeric(vegetation["cover"]).fillna(1.0).to_numpy(dtype=np.float64) >= 0.5
        pieces.append(("vegetation", qualities["vegetation"], _outside(vegetation.geometry.to_numpy()[full], lots)))
    if land_cover is not None:
        pieces += _classes(land_cover, lots, parcels.crs, around_m, cell_m, class_quality)
    if elevation is not None:

        def is_steep(bounds: tuple[float, ...]) -> tuple[NDArray[Any], Affine]:
            crs: Any = parcels.crs
            heights, transform = read_window(elevation, bounds, crs=crs, resolution_m=cell_m)
            return (find_slope(heights[0], cell_m=cell_m) >= rock_slope_deg).astype(np.uint8), transform

        patches = shapely.get_parts(shapely.union_all([shape for _, shape in _outline(is_steep, lots, around_m)]))
        pieces.append(("steep rock", qualities["steep rock"], patches[shapely.area(patches) >= least_rock_m2]))
    if open_desert is None and wash_ground is None and land_cover is None and not isinstance(vegetation, Raster):
        raise LayerError(
            "there is no habitat layer",
            where="[inputs]",
            mend="give open_desert, washes or both, else land cover or a vegetation raster: exposure needs one",
        )
    return _without_overlaps(pieces, parcels.crs)


def find_slope(heights_m: NDArray[Any], *, cell_m: float) -> NDArray[np.float64]:
    """Slope of each cell from the eight cells around it.

    Horn 1981, "Hill shading and the reflectance map", Proc. IEEE 69:14-47: differences across and down with weights 1,
    2, 1 over eight cells.

    Parameters
    ----------
    heights_m : numpy.ndarray, rows x columns
        Metres.
    cell_m : float
        Size of a cell, metres.

    Returns
    -------
    numpy.ndarray of float64, rows x columns
        Degrees; NaN at the rim and beside missing heights.

    Examples
    --------
    >>> heights = np.array([[50.0, 45, 50], [30, 30, 30], [8, 10, 10]])
    >>> round(float(find_slope(heights, cell_m=5.0)[1, 1]), 5)
    75.25766
    """
    z = np.asarray(heights_m, dtype=np.float64)
    slope = np.full(z.shape, np.nan)
    if min(z.shape) < _SQUARE_CELLS:
        return slope
    west, east = z[:, :-2], z[:, 2:]
    across = (east[:-2] + 2 * east[1:-1] + east[2:] - west[:-2] - 2 * west[1:-1] - west[2:]) / (8 * cell_m)
    north, south = z[:-2], z[2:]
    down = (south[:, :-2] + 2 * south[:, 1:-1] + south[:, 2:] - north[:, :-2] - 2 * north[:, 1:-1] - north[:, 2:]) / (
        8 * cell_m
    )
    slope[1:-1, 1:-1] = np.degrees(np.arctan(np.hypot(across, down)))
    return slope


def _qualities(table: dict[str, float], given: dict[str, float] | None, where: str) -> dict[str, float]:
    unknown = [name for name in given or {} if name not in table]
    if unknown:
        raise DesignError(f"there is no kind {unknown[0]!r}", where=where, mend=f"use one of: {', '.join(table)}")
    merged = {**table, **(given or {})}
    _check_qualities(merged, where)
    return merged


def _check_qualities(table: dict[str, float], where: str) -> None:
    for name, value in table.items():
        if not 0 <= value <= 1:
            raise DesignError(f"the quality of {name!r} is {value}", where=where, mend="give a quality from 0 to 1")


def _outline(read: Any, lots: NDArray[Any], around_m: float) -> list[tuple[float, Any]]:
    """Outline the cells of each value above 0 outside the lots, window by window."""
    from rasterio.features import geometry_mask, shapes

    found: list[tuple[float, Any]] = []
    if not len(lots):
        return found
    west, south, east, north = shapely.total_bounds(lots) + around_m * np.array([-1, -1, 1, 1])
    tree = shapely.STRtree(lots)
    for left in np.arange(west, east, _WINDOW_M):
        for bottom in np.arange(south, north, _WINDOW_M):
            bounds = (left, bottom, min(left + _WINDOW_M, east), min(bottom + _WINDOW_M, north))
            values, transform = read(bounds)
            near = lots[tree.query(shapely.box(*bounds))]
            if len(near):
                values = np.where(geometry_mask(near, values.shape, transform, invert=True), 0, values)
            values = np.ascontiguousarray(values, dtype=np.int32)
            frame = shapely.box(*bounds)
            for outline, value in shapes(values, mask=values > 0, transform=transform):
                found.append((value, shapely.intersection(shapely.geometry.shape(outline), frame)))
    return found


def _classes(
    land_cover: gpd.GeoDataFrame | Raster,
    lots: NDArray[Any],
    crs: Any,
    around_m: float,
    cell_m: float,
    class_quality: dict[str, float] | None,
) -> list[tuple[str, float, NDArray[Any]]]:
    table = {str(name): value for name, value in (class_quality or CLASS_QUALITY).items()}
    _check_qualities(table, "class_quality")
    if isinstance(land_cover, Raster):
        codes = [int(name) for name in table if name.isdecimal()]

        def read_codes(bounds: tuple[float, ...]) -> tuple[NDArray[Any], Affine]:
            values, transform = read_window(land_cover, bounds, crs=crs, resolution_m=cell_m, resampling="nearest")
            known = np.nan_to_num(values[0]).round().astype(np.int32)
            return np.where(np.isin(known, codes), known, 0), transform

        found = _outline(read_codes, lots, around_m)
        classes = np.array([str(int(code)) for code, _ in found], dtype=object)
        shapes = np.array([shape for _, shape in found], dtype=object)
    else:
        if "land_class" not in land_cover.columns:
            raise LayerError("it has no classes", where="land_cover", mend="name the column: [land_cover] land_class")
        classes = land_cover["land_class"].astype(str).str.removesuffix(".0").to_numpy(dtype=object)
        shapes = land_cover.geometry.to_numpy()
    unknown = sorted({str(name) for name in classes} - set(table))
    if unknown:
        warnings.warn(f"land cover classes taken as no habitat: {', '.join(unknown[:10])}", Assumed, stacklevel=3)
    pieces = []
    for name, value in table.items():
        if value > 0 and len(shapes) and (classes == name).any():
            pieces.append((f"land cover {name}", value, _outside(shapes[classes == name], lots)))
    return pieces


def _outside(shapes: NDArray[Any], lots: NDArray[Any]) -> NDArray[Any]:
    return np.asarray(shapely.difference(shapes, shapely.union_all(lots)), dtype=object) if len(shapes) else shapes


def _without_overlaps(pieces: list[tuple[str, float, NDArray[Any]]], crs: Any) -> gpd.GeoDataFrame:
    """Lay the kinds over each other, the better one on top; of equally good ones the first."""
    taken: Any = shapely.Polygon()
    kinds: list[str] = []
    qualities: list[float] = []
    shapes: list[Any] = []
    for kind, value, polygons in sorted(pieces, key=lambda piece: -piece[1]):
        ground = shapely.union_all(polygons)
        parts = shapely.get_parts(shapely.difference(ground, taken))
        parts = parts[shapely.get_dimensions(parts) == 2]
        kinds += [kind] * len(parts)
        qualities += [value] * len(parts)
        shapes += list(parts)
        taken = shapely.union(taken, ground)
    return gpd.GeoDataFrame({"kind": kinds, "quality": qualities}, geometry=gpd.GeoSeries(shapes, crs=crs))
