"""Score how exposed each lot is to rattlesnakes, with every factor's part in the score kept."""

from __future__ import annotations

import warnings
from typing import TYPE_CHECKING, Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from geotools.errors import Assumed, DesignError, LayerError, RasterError
from geotools.rasters import Raster, read_window, vegetation_index
from geotools.units import METRES_PER_FOOT

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["measure_contact", "measure_cover", "measure_distance", "score_exposure"]

_CELL_M = 250.0
"""Large habitat polygons are cut into cells of this size, so that a lot meets only what is near."""
_WINDOW_M2 = 4e5
"""Lots whose vegetation is read from the raster in one window lie within about this."""
_TOUCH_M = 1e-6
"""Boundaries nearer than this touch: where polygons are cut up, edges move by roundings."""
_FULL_SCORE = 100.0
_LEAST_SHOWN_SHARE = 0.005


def score_exposure(
    parcels: gpd.GeoDataFrame,
    open_desert: gpd.GeoDataFrame | None = None,
    wash_ground: gpd.GeoDataFrame | None = None,
    vegetation: gpd.GeoDataFrame | Raster | None = None,
    *,
    decay_m: float = 150.0,
    reach_decays: float = 3.0,
    contact_within_m: float = 5.0,
    cover_around_m: float = 15.0,
    green_index: float = 0.2,
    weight_contact: float = 0.35,
    weight_desert: float = 0.25,
    weight_wash: float = 0.25,
    weight_cover: float = 0.15,
) -> gpd.GeoDataFrame:
    """Score each lot's exposure from 0 to 100 and rank the lots.

    Score = 100 sum(w f) / sum(w) over the factors that the given layers allow: contact (share of the boundary on or
    near open desert), nearness to desert and to a wash (exp(-d / decay)), vegetation cover on and around the lot. The
    decay length stands for published home ranges, whose equal-area radii are about 95 to 270 m; weights are assumptions
    of this project.

    Parameters
    ----------
    parcels : GeoDataFrame, n rows
        Polygons in a projected CRS in metres; a missing geometry gives missing scores.
    open_desert, wash_ground : GeoDataFrame, optional
        Habitat polygons in the same CRS; at least one of the two.
    vegetation : GeoDataFrame or Raster, optional
        Polygons with `cover` (0-1), or a raster with red and near-infrared bands or an index band.
    decay_m : float
        Distance at which nearness falls to 1/e, metres.
    reach_decays : float
        A lot farther from all habitat than this many decay lengths needs no barrier (assumption of this project).
    contact_within_m : float
        Boundary within this distance of open desert is in contact, metres (assumption of this project).
    cover_around_m : float
        Cover is measured on the lot and this far around it, metres (assumption of this project).
    green_index : float
        A cell counts as vegetation from this vegetation index on (assumption of this project for desert scrub).
    weight_contact, weight_desert, weight_wash, weight_cover : float
        Weights of the factors, 0 or more.

    Returns
    -------
    GeoDataFrame, n rows on the parcels' index
        parcel_id, exposure, exposure_rank (1 = most exposed; equal scores share a rank), in_reach, habitat_distance_m,
        per factor its measured value (contact_share, desert_distance_m, wash_distance_m, cover_share) and its part of
        the score (points_contact, points_desert, points_wash, points_cover, which add up to the exposure; missing where
        the layer is), exposure_reason, geometry.

    Raises
    ------
    LayerError
        If no habitat layer is given.
    DesignError
        If a weight is negative, all usable weights are 0, or a length is not above 0.

    Examples
    --------
    >>> lots = gpd.GeoDataFrame({"parcel_id": ["1"]}, geometry=[shapely.box(0, 0, 20, 40)], crs=32612)
    >>> desert = gpd.GeoDataFrame(geometry=[shapely.box(0, 40, 20, 90)], crs=32612)
    >>> score_exposure(lots, desert, weight_contact=0)["exposure"].tolist()
    [100.0]
    """
    if open_desert is None and wash_ground is None:
        raise LayerError(
            "there is no habitat layer",
            where="[inputs]",
            mend="give open_desert, washes or both: exposure is measured from them",
        )
    if not (decay_m > 0 and reach_decays > 0 and contact_within_m >= 0 and cover_around_m >= 0):
        raise DesignError(
            "a length of the exposure score is not above 0", where="score_exposure", mend="give positive lengths"
        )
    usable = ~(shapely.is_missing(parcels.geometry.to_numpy()) | shapely.is_empty(parcels.geometry.to_numpy()))
    lots = parcels.geometry.to_numpy()[usable]
    factors: dict[str, tuple[NDArray[np.float64], float]] = {}
    measured: dict[str, NDArray[np.float64]] = {}
    if open_desert is not None:
        desert = _subdivide(open_desert.geometry.to_numpy())
        measured["contact_share"] = measure_contact(lots, desert, within_m=contact_within_m)
        measured["desert_distance_m"] = measure_distance(lots, desert)
        factors["contact"] = measured["contact_share"], weight_contact
        factors["desert"] = np.exp(-measured["desert_distance_m"] / decay_m), weight_desert
    if wash_ground is not None:
        measured["wash_distance_m"] = measure_distance(lots, _subdivide(wash_ground.geometry.to_numpy()))
        factors["wash"] = np.exp(-measured["wash_distance_m"] / decay_m), weight_wash
    if vegetation is not None:
        around = shapely.buffer(lots, cover_around_m) if cover_around_m else lots
        measured["cover_share"] = measure_cover(around, vegetation, crs=parcels.crs, green_index=green_index)
        factors["cover"] = measured["cover_share"], weight_cover
    points = _points(factors)
    exposure = np.round(sum(np.nan_to_num(part) for part in points.values()), 6)
    habitat_m = np.fmin(measured.get("desert_distance_m", np.inf), measured.get("wash_distance_m", np.inf))
    columns: dict[str, Any] = {
        "exposure": exposure,
        "exposure_rank": pd.Series(-exposure).rank(method="min").to_numpy(),
        "habitat_distance_m": habitat_m,
        **{name: measured.get(name, np.full(len(lots), np.nan)) for name in _MEASURES},
        **{f"points_{name}": points.get(name, np.full(len(lots), np.nan)) for name in _FACTORS},
    }
    table = pd.DataFrame(columns, index=parcels.index[usable]).reindex(parcels.index)
    reasons = pd.Series(_reasons(columns), index=parcels.index[usable], dtype=str).reindex(parcels.index)
    return gpd.GeoDataFrame(
        {
            "parcel_id": parcels["parcel_id"],
            **table.astype({"exposure_rank": "Int64"}),
            "in_reach": (table["habitat_distance_m"] <= reach_decays * decay_m).astype(bool),
            "exposure_reason": reasons.fillna("the lot has no usable outline"),
        },
        geometry=parcels.geometry,
    )


def measure_contact(lots: NDArray[Any], desert: NDArray[Any], *, within_m: float) -> NDArray[np.float64]:
    """Share of each lot's boundary that lies within a distance of open desert.

    Parameters
    ----------
    lots : array of Polygon or MultiPolygon, length n
    desert : array of Polygon
        Without overlaps.
    within_m : float
        Metres; 0 counts what touches.

    Returns
    -------
    numpy.ndarray, float64, length n
        0 to 1.

    Examples
    --------
    >>> lot, desert = shapely.box(0, 0, 10, 10), shapely.box(0, 10, 10, 50)
    >>> measure_contact(np.array([lot]), np.array([desert]), within_m=0).round(6).tolist()
    [0.25]
    """
    outlines = shapely.boundary(lots)
    lengths_m = shapely.length(outlines)
    if not len(desert):
        return np.zeros(len(lots))
    within_m = max(within_m, _TOUCH_M)
    near = np.unique(shapely.STRtree(desert).query(outlines, predicate="dwithin", distance=within_m)[1])
    cells = _subdivide(shapely.buffer(desert[near], within_m))
    lot_at, cell_at = shapely.STRtree(cells).query(outlines, predicate="intersects")
    touching_m = shapely.length(shapely.intersection(outlines[lot_at], cells[cell_at]))
    return np.minimum(np.bincount(lot_at, touching_m, minlength=len(lots)) / lengths_m, 1.0)


def measure_distance(lots: NDArray[Any], habitat: NDArray[Any]) -> NDArray[np.float64]:
    """Distance from each lot's edge to the nearest habitat, 0 where they touch or overlap.

    Parameters
    ----------
    lots, habitat : array of geometries in the same projected CRS

    Returns
    -------
    numpy.ndarray, float64, length of `lots`
        Metres; infinite where there is no habitat at all.

    Examples
    --------
    >>> measure_distance(np.array([shapely.box(0, 0, 1, 1)]), np.array([shapely.box(4, 5, 9, 9)])).tolist()
    [5.0]
    """
    distances_m = np.full(len(lots), np.inf)
    if len(habitat):
        (lot_at, _), found_m = shapely.STRtree(habitat).query_nearest(lots, return_distance=True, all_matches=False)
        distances_m[lot_at] = found_m
    return distances_m


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

    Examples
    --------
    >>> half = gpd.GeoDataFrame({"cover": [1.0]}, geometry=[shapely.box(0, 0, 5, 10)], crs=32612)
    >>> measure_cover(np.array([shapely.box(0, 0, 10, 10)]), half, crs=half.crs).tolist()
    [0.5]
    """
    if isinstance(vegetation, Raster):
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


_FACTORS = ("contact", "desert", "wash", "cover")
_MEASURES = ("contact_share", "desert_distance_m", "wash_distance_m", "cover_share")


def _points(factors: dict[str, tuple[NDArray[np.float64], float]]) -> dict[str, NDArray[np.float64]]:
    """Part of each factor in the score; a lot for which a factor can't be measured is scored on the others."""
    negative = [name for name, (_, weight) in factors.items() if not weight >= 0]
    if negative:
        raise DesignError("the weight is negative", where=f"weight_{negative[0]}", mend="give weights of 0 or more")
    total = sum(np.where(np.isnan(values), 0.0, weight) for values, weight in factors.values())
    if np.any(np.asarray(total) <= 0):
        raise DesignError(
            "the weights of the factors that the given layers allow add up to 0",
            where="score_exposure",
            mend=f"give a weight above 0 to one of: {', '.join(factors)}",
        )
    return {name: _FULL_SCORE * weight * values / total for name, (values, weight) in factors.items()}


def _raster_cover(areas: NDArray[Any], vegetation: Raster, crs: Any, green_index: float) -> NDArray[np.float64]:
    from exactextract import exact_extract
    from exactextract.raster import NumPyRasterSource

    cover = np.full(len(areas), np.nan)
    for some in _blocks(areas):
        bounds = tuple(float(value) for value in shapely.total_bounds(areas[some]))
        index, transform = _read_index(vegetation, bounds, crs)
        green = np.where(np.isnan(index), np.nan, index >= green_index)
        rows, columns = green.shape
        west, north = transform.c, transform.f
        east, south = west + transform.a * columns, north + transform.e * rows
        source = NumPyRasterSource(
            green, xmin=west, ymin=south, xmax=east, ymax=north, nodata=np.nan, srs_wkt=crs.to_wkt()
        )
        found = exact_extract(source, gpd.GeoDataFrame(geometry=areas[some], crs=crs), ["mean"], output="pandas")
        cover[some] = found["mean"].to_numpy(dtype=np.float64)
    return cover


def _blocks(areas: NDArray[Any]) -> list[NDArray[np.intp]]:
    """Group areas that lie near each other, halving along the longer side until a window holds each group."""
    bounds = shapely.bounds(areas)
    middle = (bounds[:, :2] + bounds[:, 2:]) / 2
    small, left = [], [np.arange(len(areas))] if len(areas) else []
    while left:
        some = left.pop()
        size = bounds[some, 2:].max(axis=0) - bounds[some, :2].min(axis=0)
        if len(some) == 1 or size.prod() <= _WINDOW_M2:
            small.append(some)
            continue
        order = some[np.argsort(middle[some, int(np.argmax(size))], kind="stable")]
        left += [order[: len(order) // 2], order[len(order) // 2 :]]
    return small


def _read_index(vegetation: Raster, bounds: tuple[float, ...], crs: Any) -> tuple[NDArray[np.float64], Any]:
    named = vegetation.bands
    if "red" in named and "near_infrared" in named:
        values, transform = read_window(vegetation, bounds, crs=crs, bands=[named["red"], named["near_infrared"]])
        return vegetation_index(values[0], values[1]), transform
    if "index" not in named and vegetation.count > 1:
        raise RasterError(
            f"it has {vegetation.count} bands and nothing says which is which",
            where=vegetation.path,
            mend="write red and near_infrared, or index, with their band numbers under [vegetation]",
        )
    values, transform = read_window(vegetation, bounds, crs=crs, bands=[named.get("index", 1)])
    return values[0].astype(np.float64), transform


def _subdivide(polygons: NDArray[Any]) -> NDArray[Any]:
    """Cut polygons along a grid, so that a query meets small pieces; overlaps are joined first."""
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


def _reasons(columns: dict[str, Any]) -> list[str]:
    """Write a sentence a lot: its measured factors, the one with the largest part first."""
    texts = {
        "contact": [f"{_share(share)} of the boundary meets open desert" for share in columns["contact_share"]],
        "desert": [f"open desert is {_feet(distance_m)} away" for distance_m in columns["desert_distance_m"]],
        "wash": [f"a wash is {_feet(distance_m)} away" for distance_m in columns["wash_distance_m"]],
        "cover": [f"vegetation covers {_share(share)}" for share in columns["cover_share"]],
    }
    names = np.array(_FACTORS)
    parts = np.column_stack([np.nan_to_num(columns[f"points_{name}"], nan=-1.0) for name in _FACTORS])
    order = np.argsort(-parts, axis=1, kind="stable")
    return [
        "; ".join(texts[name][lot] for name in names[order[lot]] if parts[lot, list(_FACTORS).index(name)] > 0)
        or "far from desert, wash and cover"
        for lot in range(len(parts))
    ]


def _share(share: float) -> str:
    return "less than 1%" if 0 < share < _LEAST_SHOWN_SHARE else f"{share:.0%}"


def _feet(distance_m: float) -> str:
    return "0 ft" if distance_m == 0 else f"{distance_m / METRES_PER_FOOT:,.0f} ft"
