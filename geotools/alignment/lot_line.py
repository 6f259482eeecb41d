"""Draw a barrier line along each lot's boundary."""

from __future__ import annotations

from typing import TYPE_CHECKING

import geopandas as gpd
import numpy as np
import shapely

from geotools.alignment._candidates import MILLIMETRE_M, make_candidates, tidy_lines
from geotools.design import BarrierStandard
from geotools.units import write_length, write_run

if TYPE_CHECKING:
    from typing import Any

    from numpy.typing import NDArray

__all__ = ["draw_lot_lines"]


def draw_lot_lines(
    ground: gpd.GeoDataFrame, *, standard: BarrierStandard | None = None, units: str = "us", gates: int = 2
) -> gpd.GeoDataFrame:
    """Draw the lot boundary, drawn in by the offset and clear of easements and washes.

    Where a building stands across the line, its wall takes the line's place.

    Parameters
    ----------
    ground : GeoDataFrame, n rows
        Lot ground as `find_lot_ground` gives it.
    standard : BarrierStandard, optional
        Height, least area.
    gates : int
        Gates in such a line (assumption of this project: one for the drive, one for the walk).
    units : str
        Units of the texts: `us` or `metric`.

    Returns
    -------
    GeoDataFrame, n rows on the same index
        Candidate lines: line_id, parcel_id, option, kind, length_m, height_m, gates, covers_protected, reason, geometry
        (missing where no line fits; `reason` then says what stands in the way) and the polygon column `enclosed`.

    Examples
    --------
    >>> from geotools.alignment.ground import find_lot_ground
    >>> lot = gpd.GeoDataFrame({"parcel_id": ["1"]}, geometry=[shapely.box(0, 0, 20, 40)], crs=32612)
    >>> round(draw_lot_lines(find_lot_ground(lot))["length_m"].item(), 3)
    117.56
    """
    standard = standard or BarrierStandard()
    outlines = shapely.set_precision(shapely.get_exterior_ring(ground.geometry.to_numpy()), MILLIMETRE_M)
    enclosed = np.asarray(shapely.polygons(outlines), dtype=object)
    lines = tidy_lines(_keep_off_walls(outlines, ground["house"].to_numpy()))
    fits = ~shapely.is_missing(lines) & (shapely.area(enclosed) >= standard.least_area_m2)
    return make_candidates(
        ground,
        fits=fits,
        lines=lines,
        enclosed=enclosed,
        reasons=np.where(fits, _reasons(ground, lines, standard, units), _obstacles(ground, outlines)),
        option="lot line",
        gates=gates,
        covers=np.full(len(ground), True),
        standard=standard,
        units=units,
    )


def _keep_off_walls(outlines: NDArray[Any], houses: NDArray[Any]) -> NDArray[Any]:
    lines = outlines.copy()
    crossing = shapely.intersects(outlines, houses)
    lines[crossing] = shapely.difference(outlines[crossing], houses[crossing])
    return lines


def _reasons(
    ground: gpd.GeoDataFrame, lines: NDArray[Any], standard: BarrierStandard, units: str
) -> NDArray[np.object_]:
    offset = standard.lot_line_offset_m
    inside = f", {write_length(offset, units=units)} inside" if offset else ""
    return np.array(
        [
            f"{write_run(length_m, units=units)} along the lot boundary{inside}"
            + (f" and clear of the {cut_by}" if cut_by else "")
            for length_m, cut_by in zip(shapely.length(lines), ground["cut_by"], strict=True)
        ],
        dtype=object,
    )


def _obstacles(ground: gpd.GeoDataFrame, outlines: NDArray[Any]) -> NDArray[np.object_]:
    empty = shapely.is_empty(ground["lot"].to_numpy())
    cut_by = ground["cut_by"].to_numpy(dtype=object)
    left = np.array(
        [f"the {cut} leaves no ground for a line" if cut else "the lot is too small for a line" for cut in cut_by],
        dtype=object,
    )
    left[shapely.covers(ground["house"].to_numpy(), outlines)] = "buildings stand on the whole line"
    return np.where(empty, "the lot has no usable outline", left)
