"""Draw a barrier line around each rear yard, the house wall being part of the closure."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import geopandas as gpd
import numpy as np
import shapely

from geotools.alignment._candidates import MILLIMETRE_M, make_candidates, tidy_lines
from geotools.design import BarrierStandard
from geotools.units import write_length, write_run

if TYPE_CHECKING:
    from typing import Any

    from numpy.typing import NDArray

__all__ = ["draw_yard_lines"]


def draw_yard_lines(
    ground: gpd.GeoDataFrame, *, standard: BarrierStandard | None = None, units: str = "us", gates: int = 1
) -> gpd.GeoDataFrame:
    """Draw the line from the side walls of the house around the rear yard.

    The yard is the ground where a line may run, behind the street ends of the house's side walls; house walls close it
    there.

    Parameters
    ----------
    ground : GeoDataFrame, n rows
        Lot ground as `find_lot_ground` gives it.
    standard : BarrierStandard, optional
        Height, least area.
    gates : int
        Gates in such a line (assumption of this project: one beside the house).
    units : str
        Units of the texts: `us` or `metric`.

    Returns
    -------
    GeoDataFrame, n rows on the same index
        Candidate lines as `draw_lot_lines` gives them, option `yard`.

    Examples
    --------
    >>> from geotools.alignment.ground import find_lot_ground
    >>> lot = gpd.GeoDataFrame({"parcel_id": ["1"]}, geometry=[shapely.box(0, 0, 20, 40)], crs=32612)
    >>> house = gpd.GeoDataFrame(geometry=[shapely.box(4, 8, 16, 20)], crs=32612)
    >>> street = gpd.GeoDataFrame(geometry=[shapely.LineString([(-50, -8), (50, -8)])], crs=32612)
    >>> at_the_line = BarrierStandard(lot_line_offset_m=0)
    >>> line = draw_yard_lines(find_lot_ground(lot, house, street, standard=at_the_line), standard=at_the_line)
    >>> round(line["length_m"].item(), 1)  # rear 20, sides 2 x (40 - 8.6), returns 2 x 4
    90.8
    """
    standard = standard or BarrierStandard()
    houses = ground["house"].to_numpy()
    fronts = ground["front"].to_numpy()
    known = ~shapely.is_empty(fronts) & ~shapely.is_empty(ground.geometry.to_numpy())
    yards = np.full(len(ground), shapely.Polygon(), dtype=object)
    behind = shapely.difference(ground.geometry.to_numpy()[known], fronts[known])
    pieces = shapely.difference(behind, houses[known])
    yards[known], apart = _beside_house(pieces, houses[known])
    fits = shapely.area(yards) >= standard.least_area_m2
    left_out = np.zeros(len(ground), dtype=bool)
    left_out[known] = _has_piece_apart(apart, ground["protected"].to_numpy()[known], standard)
    # Holes are sheds and easements within the yard: what stands round them keeps animals out of them as well.
    yards[fits] = shapely.polygons(shapely.get_exterior_ring(yards[fits]))
    lines = np.full(len(ground), None, dtype=object)
    walls = shapely.buffer(houses[fits], MILLIMETRE_M)
    lines[fits] = tidy_lines(shapely.difference(shapely.boundary(yards[fits]), walls))
    fits &= ~shapely.is_missing(lines)
    return make_candidates(
        ground,
        fits=fits,
        lines=lines,
        enclosed=yards,
        reasons=np.where(fits, _reasons(ground, lines, standard, units), _obstacles(ground)),
        option="yard",
        gates=gates,
        covers=(ground["protect"].to_numpy() == "rear_yard") & ~left_out,
        standard=standard,
        units=units,
    )


class _Pieces(NamedTuple):
    """Pieces of ground and the lot of each."""

    shape: NDArray[Any]
    lot: NDArray[np.intp]


def _beside_house(yards: NDArray[Any], houses: NDArray[Any]) -> tuple[NDArray[Any], _Pieces]:
    """Pick the largest piece of each yard that touches the house, and give the others."""
    parts, at = shapely.get_parts(yards, return_index=True)
    beside = np.flatnonzero(
        shapely.dwithin(parts, houses[at], MILLIMETRE_M) & (shapely.get_type_id(parts) == shapely.GeometryType.POLYGON)
    )
    order = beside[np.lexsort((np.round(shapely.area(parts[beside]), 6), at[beside]))]
    chosen = order[np.append(np.diff(at[order]) > 0, True)] if len(order) else order
    largest = np.full(len(yards), shapely.Polygon(), dtype=object)
    largest[at[chosen]] = parts[chosen]
    others = np.delete(np.arange(len(parts)), chosen)
    return largest, _Pieces(parts[others], at[others])


def _has_piece_apart(pieces: _Pieces, protected: NDArray[Any], standard: BarrierStandard) -> NDArray[np.bool_]:
    """Whether protected ground worth a line lies apart from the yard."""
    large = shapely.area(pieces.shape) >= standard.least_area_m2
    shape, lot = pieces.shape[large], pieces.lot[large]
    apart = shapely.area(shapely.intersection(shape, protected[lot])) >= standard.least_area_m2
    return np.bincount(lot[apart], minlength=len(protected)) > 0


def _reasons(
    ground: gpd.GeoDataFrame, lines: NDArray[Any], standard: BarrierStandard, units: str
) -> NDArray[np.object_]:
    offset = standard.lot_line_offset_m
    inside = f", {write_length(offset, units=units)} inside the lot line" if offset else ""
    return np.array(
        [
            f"{write_run(length_m, units=units)} from the side walls of the house around the rear yard{inside}"
            + (f" and clear of the {cut_by}" if cut_by else "")
            for length_m, cut_by in zip(shapely.length(lines), ground["cut_by"], strict=True)
        ],
        dtype=object,
    )


def _obstacles(ground: gpd.GeoDataFrame) -> NDArray[np.object_]:
    cut_by = ground["cut_by"].to_numpy(dtype=object)
    return np.select(
        [
            shapely.is_empty(ground["lot"].to_numpy()),
            shapely.is_empty(ground["house"].to_numpy()),
            np.isnan(ground["street_deg"].to_numpy()),
            cut_by != "",
        ],
        [
            np.full(len(ground), "the lot has no usable outline", dtype=object),
            np.full(len(ground), "no house on the lot to close the yard with", dtype=object),
            np.full(len(ground), "no road near enough to tell the street side", dtype=object),
            np.array([f"the {cut} leaves no yard beside the house" for cut in cut_by], dtype=object),
        ],
        default=np.array("the house leaves no rear yard", dtype=object),
    )
