"""Choose and check the CRS that lengths are measured in, and say how far its scale is from the ground."""

from __future__ import annotations

import math
import re
import warnings
from functools import cache
from typing import TYPE_CHECKING, Any

import numpy as np
from pyproj import CRS, Proj, Transformer
from pyproj.aoi import AreaOfInterest
from pyproj.database import query_utm_crs_info
from pyproj.exceptions import CRSError, ProjError
from pyproj.transformer import TransformerGroup

from geotools.errors import CrsError
from geotools.findings import Finding

if TYPE_CHECKING:
    from collections.abc import Sequence

__all__ = [
    "LARGEST_SCALE_ERROR_PCT",
    "check_source_crs",
    "check_working_crs",
    "choose_working_crs",
    "coded_crs",
    "describe_crs",
    "lonlat_bounds",
    "parse_crs",
    "place_findings",
    "scale_error_pct",
    "transform_bounds",
    "transformation_findings",
]

LARGEST_SCALE_ERROR_PCT = 0.2
"""Largest departure of the working CRS's ground scale from 1 (assumption of this project: 2 ft in 1,000 ft)."""

_LONLAT = "OGC:CRS84"
_SCALE_POINTS = 5
_OUTSIDE_USE_DEG = 3.0  # half a grid zone; assumption of this project


def parse_crs(text: object, *, where: str = "") -> CRS:
    """Read a CRS from its code or text, flat and without a vertical part.

    Raises
    ------
    CrsError
        If it is not known.

    Examples
    --------
    >>> parse_crs("EPSG:26912").name
    'NAD83 / UTM zone 12N'
    """
    try:
        return _flat(CRS.from_user_input(text))
    except CRSError:
        raise CrsError(
            f"{text!r} is no CRS that is known", where=where, mend="give a code such as EPSG:2223 or EPSG:26912"
        ) from None


def describe_crs(crs: CRS) -> str:
    """Name a CRS by its code where it has one.

    Examples
    --------
    >>> describe_crs(CRS(2223))
    'EPSG:2223'
    """
    coded = coded_crs(crs).to_authority(min_confidence=100)
    return ":".join(coded) if coded else str(crs.name)


def coded_crs(crs: CRS) -> CRS:
    """Give a CRS that was written out in full its entry of the CRS database, which knows its area of use.

    The entry must have the same unit: a zone in US survey feet is not its sister in international feet.

    Examples
    --------
    >>> coded_crs(CRS.from_wkt(CRS(26912).to_wkt("WKT1_GDAL"))).area_of_use is None
    False
    """
    authority = crs.to_authority(min_confidence=90)
    if authority is None:
        return crs
    coded = CRS.from_authority(*authority)
    units = [[axis.unit_conversion_factor for axis in one.axis_info] for one in (coded, crs)]
    return coded if units[0] == units[1] else crs


def check_source_crs(crs: CRS | None, bounds: Sequence[float], *, layer: str, where: str) -> CRS:
    """Refuse a missing CRS, and coordinates that can't be in the CRS stated.

    Parameters
    ----------
    crs : pyproj.CRS or None
    bounds : sequence of 4 float
        West, south, east, north in that CRS.
    layer, where : str
        The layer's name (for the remedy) and its source.

    Returns
    -------
    pyproj.CRS
        Flat: without a vertical part.

    Raises
    ------
    CrsError
        If there is none, it is neither geographic nor projected, or the coordinates are degrees where metres are
        stated, or outside the range of degrees.

    Examples
    --------
    >>> check_source_crs(CRS(4326), (-112, 33, -111, 34), layer="parcels", where="a.gpkg").name
    'WGS 84'
    """
    remedy = f"say it: --set {layer}.crs=EPSG:... (the plat, the assessor or the .prj of a sister file has it)"
    if crs is None or crs.is_engineering or crs.name.lower().startswith(("undefined", "unknown")):
        raise CrsError("there is no CRS, so its lengths mean nothing", where=where, mend=remedy)
    crs = _flat(crs)
    if not (crs.is_geographic or crs.is_projected):
        raise CrsError(f"the CRS {crs.name!r} is neither geographic nor projected", where=where, mend=remedy)
    west, south, east, north = bounds
    if not all(map(math.isfinite, bounds)):
        return crs
    digits = 4 if max(map(abs, bounds)) <= 360.0 else 0
    shown = f"{west:,.{digits}f} to {east:,.{digits}f} east, {south:,.{digits}f} to {north:,.{digits}f} north"
    like_degrees = max(abs(west), abs(east)) <= 360.0 and max(abs(south), abs(north)) <= 90.0
    if crs.is_geographic and not like_degrees:
        swapped = max(abs(west), abs(east)) <= 90.0 and max(abs(south), abs(north)) <= 180.0
        cause = "latitude and longitude look swapped" if swapped else "they look like metres or feet"
        raise CrsError(
            f"absurd coordinates for a CRS in degrees ({describe_crs(crs)}): {shown}; {cause}",
            where=where,
            mend="swap them in the source" if swapped else remedy,
        )
    if crs.is_geographic and max(abs(west), abs(east)) > 180.0:
        raise CrsError(
            f"there are longitudes beyond 180 degrees: {shown}",
            where=where,
            mend="write longitudes west of Greenwich below 0 (take 360 from them)",
        )
    if crs.is_projected and like_degrees and _outside_use(crs, bounds, slack_deg=0.0):
        raise CrsError(
            f"the coordinates look like degrees, but the CRS stated is projected ({describe_crs(crs)}): {shown}",
            where=where,
            mend=f"say the true one: --set {layer}.crs=EPSG:4326 (or EPSG:4269)",
        )
    return crs


def choose_working_crs(bounds: Sequence[float], source_crs: CRS) -> CRS:
    """Choose a projected CRS in metres whose scale at the data is true to the ground.

    The source's own where it will do, otherwise the zone of the Universal Transverse Mercator grid that holds the
    centre, on the source's own datum (NAD27 goes to NAD83), otherwise on WGS 84.

    Parameters
    ----------
    bounds : sequence of 4 float
        West, south, east, north in `source_crs`.
    source_crs : pyproj.CRS

    Raises
    ------
    CrsError
        If none will do: the data are too wide, or beyond the grid.

    Examples
    --------
    >>> choose_working_crs((-112.0, 33.0, -111.9, 33.1), CRS(4269)).to_epsg()
    26912
    """
    own = _flat(source_crs)
    lonlat = lonlat_bounds(bounds, own)
    if own.is_projected and _in_metres(own) and scale_error_pct(own, lonlat) <= LARGEST_SCALE_ERROR_PCT:
        return own
    lon, lat = (lonlat[0] + lonlat[2]) / 2, (lonlat[1] + lonlat[3]) / 2
    point = AreaOfInterest(lon, lat, lon, lat)
    for datum in _datums(own):
        found = query_utm_crs_info(datum_name=datum, area_of_interest=point, contains=True)
        for info in sorted(found, key=lambda info: (len(info.code), info.code)):
            crs = CRS.from_authority(info.auth_name, info.code)
            if scale_error_pct(crs, lonlat) <= LARGEST_SCALE_ERROR_PCT:
                return crs
    raise CrsError(
        f"no metre grid keeps its scale within {LARGEST_SCALE_ERROR_PCT} % over {_show_lonlat(lonlat)}",
        mend="split the data into smaller areas, or name a CRS that fits it",
    )


def check_working_crs(crs: CRS, bounds: Sequence[float], bounds_crs: CRS) -> float:
    """Hold a CRS against the rule for measuring: projected, in metres, its scale within 0.2 % of the ground's.

    Returns
    -------
    float
        Its largest scale error at the bounds, in percent.

    Raises
    ------
    CrsError
        If it breaks the rule.

    Examples
    --------
    >>> round(check_working_crs(CRS(26912), (-112.0, 33.0, -111.9, 33.1), CRS(4269)), 3)
    0.031
    """
    where = f"working CRS {describe_crs(crs)}"
    mend = "leave it out (working_crs = 'auto'), or name a projected CRS in metres for this place"
    if not crs.is_projected:
        raise CrsError("it is not projected, so it can't measure lengths", where=where, mend=mend)
    if not _in_metres(crs):
        metres = crs.axis_info[0].unit_conversion_factor
        raise CrsError(f"its unit is {metres:.10g} m, not 1 m", where=where, mend=mend)
    lonlat = lonlat_bounds(bounds, bounds_crs)
    error_pct = scale_error_pct(crs, lonlat)
    if not error_pct <= LARGEST_SCALE_ERROR_PCT:
        raise CrsError(
            f"lengths in it are up to {error_pct:.2f} % off the ground at {_show_lonlat(lonlat)} "
            f"(allowed: {LARGEST_SCALE_ERROR_PCT} %)",
            where=where,
            mend=mend,
        )
    return error_pct


def scale_error_pct(crs: CRS, lonlat: Sequence[float]) -> float:
    """Compute the largest departure of a projected CRS's scale from 1 on a grid of 5 x 5 points over bounds.

    Scale along the meridian and along the parallel, as the projection library computes them from its formulae.

    Examples
    --------
    >>> round(scale_error_pct(CRS(3857), (-111.0, 32.2, -110.9, 32.3)), 1)
    18.3
    """
    west, south, east, north = lonlat
    if not all(map(math.isfinite, lonlat)):
        return math.inf
    # The corners alone don't do: a grid is true to scale again on the far side of the Earth.
    grid = np.meshgrid(np.linspace(west, east, _SCALE_POINTS), np.linspace(south, north, _SCALE_POINTS))
    lon, lat = (axis.ravel() for axis in grid)
    try:
        factors = Proj(crs).get_factors(lon, lat)
    except (ProjError, CRSError):
        return math.inf
    scales = np.array([factors.meridional_scale, factors.parallel_scale], dtype=float)
    return float(np.abs(scales - 1.0).max() * 100.0) if np.isfinite(scales).all() else math.inf


def lonlat_bounds(bounds: Sequence[float], crs: CRS) -> tuple[float, float, float, float]:
    """Bring bounds into longitude and latitude, in degrees."""
    return transform_bounds(bounds, crs, CRS(_LONLAT))


def transform_bounds(bounds: Sequence[float], crs: CRS, to: CRS) -> tuple[float, float, float, float]:
    """Bring bounds (west, south, east, north) into another CRS, its edges followed; infinite where that can't be done.

    Examples
    --------
    >>> transform_bounds((0.0, 0.0, 1.0, 1.0), CRS(4326), CRS(4326))
    (0.0, 0.0, 1.0, 1.0)
    """
    west, south, east, north = map(float, bounds)
    try:
        found = _transformer(crs, to).transform_bounds(west, south, east, north, densify_pts=21)
    except ProjError:
        return (math.inf,) * 4
    return (float(found[0]), float(found[1]), float(found[2]), float(found[3]))


def place_findings(crs: CRS, bounds: Sequence[float], *, layer: str) -> list[Finding]:
    """Warn where a layer lies far outside the area that its CRS is made for, as feet taken for metres do.

    Examples
    --------
    >>> len(place_findings(CRS(26912), (2_400_000, 3_000_000, 2_400_100, 3_000_100), layer="parcels"))
    1
    """
    use = crs.area_of_use
    if use is None or not all(map(math.isfinite, bounds)) or not _outside_use(crs, bounds, slack_deg=_OUTSIDE_USE_DEG):
        return []
    return [
        Finding(
            "place",
            "warning",
            layer,
            f"it lies at {_show_lonlat(lonlat_bounds(bounds, crs))}, "
            f"outside the area of its CRS {describe_crs(crs)} ({use.name})",
            mend="check the CRS and its unit (feet or metres)",
        )
    ]


def transformation_findings(crs: CRS, to: CRS, bounds: Sequence[float], *, layer: str) -> list[Finding]:
    """Warn where the best way from one CRS to another needs a grid file that isn't there.

    Parameters
    ----------
    crs, to : pyproj.CRS
    bounds : sequence of 4 float
        West, south, east, north in `crs`.
    layer : str

    Examples
    --------
    >>> transformation_findings(CRS(2223), CRS(26912), (700_000, 900_000, 701_000, 901_000), layer="parcels")
    []
    """
    lonlat = lonlat_bounds(bounds, crs)
    if not all(map(math.isfinite, lonlat)) or crs == to:
        return []
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", UserWarning)  # it warns of what is reported below
        here: Any = AreaOfInterest(*lonlat)
        group = TransformerGroup(crs, to, always_xy=True, area_of_interest=here)
    if group.best_available or not group.transformers:
        return []
    accuracy_m = group.transformers[0].accuracy
    best = group.unavailable_operations[0] if group.unavailable_operations else None
    used = f"good to {accuracy_m:g} m" if accuracy_m >= 0 else "of unknown accuracy (several metres may be lost)"
    better = ""
    if best is not None and best.accuracy >= 0:
        better = f"; one good to {best.accuracy:g} m needs a grid file that is not here"
    return [
        Finding(
            "transformation",
            "warning",
            layer,
            f"moved from {describe_crs(crs)} to {describe_crs(to)} by a transformation {used}{better}",
            mend="deliver all layers on one datum where lot lines must meet",
        )
    ]


def _flat(crs: CRS) -> CRS:
    if crs.is_compound:
        crs = crs.sub_crs_list[0]
    if crs.is_bound and crs.source_crs is not None:
        crs = crs.source_crs
    return crs.to_2d() if len(crs.axis_info) > 2 and crs.is_geographic else crs


def _in_metres(crs: CRS) -> bool:
    return all(axis.unit_conversion_factor == 1.0 for axis in crs.axis_info)


def _datums(crs: CRS) -> list[str]:
    """Names under which the CRS database may know the source's datum, the likeliest first."""
    geodetic = crs.geodetic_crs
    if geodetic is None:
        return ["WGS 84"]
    names = [] if "NAD27" in geodetic.name else [geodetic.name]
    written = f"{geodetic.name} {geodetic.datum.name if geodetic.datum else ''}"
    if "northamerican" in re.sub(r"[^a-z]", "", written.lower()):
        names.append("NAD83")
    return [*names, "WGS 84"]


def _outside_use(crs: CRS, bounds: Sequence[float], *, slack_deg: float) -> bool:
    """Whether the bounds lie wholly outside the area that the CRS is made for."""
    lon_west, lat_south, lon_east, lat_north = lonlat_bounds(bounds, crs)
    use = crs.area_of_use
    if use is None or not all(map(math.isfinite, (lon_west, lat_south, lon_east, lat_north))):
        return True
    if use.west <= -180.0 and use.east >= 180.0:
        return slack_deg == 0.0  # a world-wide CRS has no outside: some hundred metres are its null point
    west, east = (use.west, use.east) if use.west <= use.east else (use.west, use.east + 360.0)
    return not (
        any(lon_west + turn <= east + slack_deg and lon_east + turn >= west - slack_deg for turn in (0.0, 360.0))
        and lat_south <= use.north + slack_deg
        and lat_north >= use.south - slack_deg
    )


def _show_lonlat(lonlat: Sequence[float]) -> str:
    west, south, east, north = lonlat
    return f"longitude {west:.3f} to {east:.3f}, latitude {south:.3f} to {north:.3f}"


@cache
def _transformer(crs: CRS, to: CRS) -> Transformer:
    return Transformer.from_crs(crs, to, always_xy=True)
