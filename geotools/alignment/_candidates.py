"""Put candidate lines into the one table that all kinds of line share."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from geotools.units import write_area

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from geotools.design import BarrierStandard

MILLIMETRE_M = 0.001
"""Vertices are rounded to this."""
_SHORTEST_PIECE_M = 0.01
"""A shorter piece of line is a sliver left over by the overlay."""
_STRIP_M = 0.3
"""Ground left out in a narrower strip along the line is not worth a word."""
_MARKS = {"lot line": "L", "yard": "Y", "house loop": "H"}


def make_candidates(
    ground: gpd.GeoDataFrame,
    *,
    fits: NDArray[np.bool_],
    lines: NDArray[Any],
    enclosed: NDArray[Any],
    reasons: NDArray[np.object_],
    option: str,
    gates: int,
    covers: NDArray[np.bool_],
    standard: BarrierStandard,
    units: str,
) -> gpd.GeoDataFrame:
    """Build the candidate table of one option, a row per lot; lines that do not fit are left out."""
    drawn, inside = np.full(len(ground), None, dtype=object), np.full(len(ground), shapely.Polygon(), dtype=object)
    drawn[fits], inside[fits] = lines[fits], enclosed[fits]
    if option != "house loop":
        reasons = _say_what_stays_outside(reasons, ground, inside, fits, standard, units)
    table = gpd.GeoDataFrame(
        {
            "line_id": ground["parcel_id"].astype(str) + f"-{_MARKS[option]}",
            "parcel_id": ground["parcel_id"],
            "option": option,
            "kind": "new",
            "length_m": shapely.length(drawn),
            "height_m": np.where(fits, standard.height_m, np.nan),
            "gates": np.where(fits, gates, 0),
            "covers_protected": covers & fits,
            "reason": pd.Series(reasons, index=ground.index, dtype=str),
        },
        geometry=gpd.GeoSeries(drawn, index=ground.index, crs=ground.crs),
    )
    table["enclosed"] = gpd.GeoSeries(inside, index=ground.index, crs=ground.crs)
    return table


def _say_what_stays_outside(
    reasons: NDArray[np.object_],
    ground: gpd.GeoDataFrame,
    enclosed: NDArray[Any],
    fits: NDArray[np.bool_],
    standard: BarrierStandard,
    units: str,
) -> NDArray[np.object_]:
    """Add how much protected ground an easement or a wash keeps outside the line."""
    cut = np.flatnonzero(fits & (ground["cut_by"].to_numpy() != "").astype(bool))
    covered = shapely.buffer(enclosed[cut], standard.lot_line_offset_m + _STRIP_M, join_style="mitre")
    outside_m2 = shapely.area(shapely.difference(ground["protected"].to_numpy()[cut], covered))
    said = reasons.copy()
    for lot, area_m2 in zip(cut, outside_m2, strict=True):
        if area_m2 >= standard.least_area_m2:
            said[lot] += f"; {write_area(area_m2, units=units)} of the protected ground beyond it stay outside"
    return said


def tidy_lines(lines: NDArray[Any]) -> NDArray[Any]:
    """Merge touching pieces, round vertices to a millimetre and drop slivers; what vanishes becomes missing."""
    merged = shapely.line_merge(shapely.set_precision(lines, MILLIMETRE_M))
    parts, at = shapely.get_parts(merged, return_index=True)
    long = shapely.length(parts) >= _SHORTEST_PIECE_M
    parts, at = parts[long], at[long]
    tidy = np.full(len(lines), None, dtype=object)
    counts = np.bincount(at, minlength=len(lines))
    single = counts[at] == 1
    tidy[at[single]] = parts[single]
    if (~single).any():
        several = np.unique(at[~single])
        tidy[several] = shapely.multilinestrings(parts[~single], indices=np.searchsorted(several, at[~single]))
    return tidy
