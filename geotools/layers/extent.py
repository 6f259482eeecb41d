"""Say whether layers lie near each other, and what may be wrong where they don't."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from geotools.crs import describe_crs, transform_bounds

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pyproj import CRS

__all__ = ["APART_M", "gap_m", "likely_cause", "show_bounds"]

APART_M = 5000.0
"""Gap beyond which a layer can't be meant for these parcels (assumption of this project)."""

_FOOT_M = 0.3048


def gap_m(bounds: Sequence[float], others: Sequence[float]) -> float:
    """Measure the gap between two bounds (west, south, east, north); 0 where they meet, infinite if one is not finite.

    Examples
    --------
    >>> gap_m((0, 0, 1, 1), (4, 5, 6, 7))
    5.0
    """
    if not all(map(math.isfinite, [*bounds, *others])):
        return math.inf
    across = max(bounds[0] - others[2], others[0] - bounds[2], 0.0)
    along = max(bounds[1] - others[3], others[1] - bounds[3], 0.0)
    return math.hypot(across, along)


def likely_cause(
    bounds: Sequence[float], crs: CRS, *, near: Sequence[float], working_crs: CRS, parcels_crs: CRS, layer: str
) -> str:
    """Find what would bring a layer to the parcels: swapped axes, the parcels' CRS, or the other unit.

    Parameters
    ----------
    bounds : sequence of 4 float
        Of the layer, in `crs`.
    near : sequence of 4 float
        Of the parcels, in `working_crs`.
    parcels_crs : pyproj.CRS
        The CRS that the parcels came in.

    Returns
    -------
    str
        A remedy.
    """
    west, south, east, north = bounds
    tries = [
        ((south, west, north, east), crs, "its x and y look swapped: swap them in the source"),
        (
            bounds,
            parcels_crs,
            f"its coordinates fit the parcels' CRS: --set {layer}.crs={describe_crs(parcels_crs)} if it is in that",
        ),
        (
            [value * _FOOT_M for value in bounds],
            crs,
            "its coordinates look like feet where metres are stated: name the CRS that is in feet",
        ),
        (
            [value / _FOOT_M for value in bounds],
            crs,
            "its coordinates look like metres where feet are stated: name the CRS that is in metres",
        ),
    ]
    for tried, tried_crs, remedy in tries:
        if gap_m(transform_bounds(tried, tried_crs, working_crs), near) <= APART_M:
            return remedy
    return f"check that it is of the same place, and its CRS (--set {layer}.crs=EPSG:...)"


def show_bounds(bounds: Sequence[float]) -> str:
    """Write bounds as people read them.

    Examples
    --------
    >>> show_bounds((0.0, 1.0, 2500.25, 3.0))
    '0 to 2,500 east, 1 to 3 north'
    """
    west, south, east, north = bounds
    digits = 5 if max(map(abs, bounds)) <= 360.0 and max(abs(south), abs(north)) <= 90.0 else 0

    def show(value: float) -> str:
        return f"{value:,.{digits}f}".rstrip("0").rstrip(".") if digits else f"{value:,.0f}"

    return f"{show(west)} to {show(east)} east, {show(south)} to {show(north)} north"
