"""Draw the shortest barrier line round the buildings of each lot."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import geopandas as gpd
import numpy as np
import shapely

from geotools.alignment._candidates import make_candidates, tidy_lines
from geotools.alignment._loop import Loop, shortest_loops
from geotools.design import BarrierStandard
from geotools.units import write_length, write_run

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["draw_house_loops"]

_NAMED = 3
"""Things named in a reason; more are counted."""


def draw_house_loops(
    ground: gpd.GeoDataFrame,
    setback_footholds: gpd.GeoDataFrame | None = None,
    *,
    standard: BarrierStandard | None = None,
    units: str = "us",
    gates: int = 1,
    inside_clearance_m: float = 0.3,
) -> gpd.GeoDataFrame:
    """Draw the shortest closed line round the buildings that keeps the setback from every climbable thing outside.

    Exact: curves and tangents, with each climbable thing taken inside where that makes the line shorter. The line stays
    on the ground where one may run and never crosses an easement or a wash.

    Parameters
    ----------
    ground : GeoDataFrame, n rows
        Lot ground as `find_lot_ground` gives it.
    setback_footholds : GeoDataFrame, optional
        Footholds with `foothold_id`, `kind` and `setback_m`.
    standard : BarrierStandard, optional
        Height, clearance from the house, reach.
    gates : int
        Gates in such a line (assumption of this project).
    inside_clearance_m : float
        Least distance from things that are taken inside, metres (assumption of this project).
    units : str
        Units of the texts: `us` or `metric`.

    Returns
    -------
    GeoDataFrame, n rows on the same index
        Candidate lines as `draw_lot_lines` gives them, option `house loop`; `length_m` is the drawn line's, which is
        longer than the exact curve by less than 0.1 %.

    Raises
    ------
    LayerError
        If a building or the ground is not valid.

    Examples
    --------
    >>> from geotools.alignment.ground import find_lot_ground
    >>> lot = gpd.GeoDataFrame({"parcel_id": ["1"]}, geometry=[shapely.box(0, 0, 40, 40)], crs=32612)
    >>> house = gpd.GeoDataFrame(geometry=[shapely.box(10, 10, 20, 20)], crs=32612)
    >>> metre = BarrierStandard(house_clearance_m=1.0)
    >>> loop = draw_house_loops(find_lot_ground(lot, house), standard=metre)
    >>> round(loop["length_m"].item() - 40, 2)  # 2 pi for the four corners
    6.28
    """
    standard = standard or BarrierStandard()
    lot_at, thing_at = _things_near(ground, setback_footholds, standard)
    things = (
        np.array([], dtype=object) if setback_footholds is None else setback_footholds.geometry.to_numpy()[thing_at]
    )
    setbacks_m = (
        np.array([])
        if setback_footholds is None
        else setback_footholds["setback_m"].to_numpy(dtype=np.float64)[thing_at]
    )
    loops = shortest_loops(
        ground["house"].to_numpy(),
        ground.geometry.to_numpy(),
        things,
        item_lots=lot_at,
        setbacks_m=setbacks_m,
        clearance_m=standard.house_clearance_m,
        inside_clearance_m=inside_clearance_m,
    )
    names = _thing_names(setback_footholds, thing_at)
    lines = np.array([loop.line for loop in loops] + [None], dtype=object)[:-1]
    fits = ~shapely.is_missing(lines)
    lines[fits] = tidy_lines(lines[fits])
    enclosed = np.full(len(ground), shapely.Polygon(), dtype=object)
    enclosed[fits] = _fill(lines[fits])
    room_m = shapely.distance(ground["house"].to_numpy(), shapely.boundary(ground["lot"].to_numpy()))
    needed_m = standard.house_clearance_m + standard.lot_line_offset_m
    reasons = [
        _reason(loop, length_m, cut_by, names, room, needed_m, units)
        for loop, length_m, cut_by, room in zip(loops, shapely.length(lines), ground["cut_by"], room_m, strict=True)
    ]
    for row in np.flatnonzero(shapely.is_empty(ground["lot"].to_numpy())):
        reasons[row] = "the lot has no usable outline"
    return make_candidates(
        ground,
        fits=fits,
        lines=lines,
        enclosed=enclosed,
        reasons=np.array(reasons, dtype=object),
        option="house loop",
        gates=gates,
        covers=ground["protect"].to_numpy() == "house",
        standard=standard,
        units=units,
    )


def _things_near(
    ground: gpd.GeoDataFrame, footholds: gpd.GeoDataFrame | None, standard: BarrierStandard
) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Pairs of lot and climbable thing that stands on or within reach of its ground and asks for a setback."""
    if footholds is None or footholds.empty:
        return np.zeros(0, dtype=np.intp), np.zeros(0, dtype=np.intp)
    things = footholds.geometry.to_numpy()
    tree = shapely.STRtree(ground.geometry.to_numpy())
    thing_at, lot_at = tree.query(things, predicate="dwithin", distance=standard.reach_m)
    asks = footholds["setback_m"].to_numpy(dtype=np.float64)[thing_at] > 0
    order = np.lexsort((thing_at[asks], lot_at[asks]))
    return lot_at[asks][order], thing_at[asks][order]


def _thing_names(footholds: gpd.GeoDataFrame | None, thing_at: NDArray[np.intp]) -> list[str]:
    if footholds is None:
        return []
    some = footholds.iloc[thing_at]
    kinds = some["kind"].fillna("climbable thing").astype(str)
    return [f"{kind} {number}" for kind, number in zip(kinds, some["foothold_id"], strict=True)]


def _fill(lines: NDArray[Any]) -> NDArray[Any]:
    points, at = shapely.get_coordinates(lines, return_index=True)
    return np.asarray(shapely.polygons(shapely.linearrings(points, indices=at)), dtype=object)


def _reason(
    loop: Loop, length_m: float, cut_by: str, names: list[str], room_m: float, needed_m: float, units: str
) -> str:
    if loop.status == "closed":
        inside = [names[item] for item in loop.inside]
        outside = [names[item] for item in loop.outside]
        text = f"{write_run(length_m, units=units)} round the house"
        text += f", {_list(inside)} taken inside" if inside else ""
        return text + (f", setback kept from {_list(outside)}" if outside else "")
    if loop.status == "no structures":
        return "no house on the lot"
    if loop.status == "items":
        return f"{_list([names[item] for item in loop.blocked_by])} leave no room between house and lot line"
    if loop.status == "unverified":
        return "the loop that was found does not hold every clearance"
    needs = f"a loop needs {write_length(needed_m, units=units)}"
    if room_m < needed_m and not cut_by:
        return f"a building stands {write_length(room_m, units=units)} from the lot line; {needs}"
    if cut_by:
        return f"the house stands too near to the {cut_by} or the lot line; {needs}"
    return "the lot leaves no ground for a loop round the house"


def _list(names: list[str]) -> str:
    shown = names[:_NAMED] + ([f"{len(names) - _NAMED} more"] if len(names) > _NAMED else [])
    return " and ".join([", ".join(shown[:-1]), shown[-1]] if len(shown) > 1 else shown)
