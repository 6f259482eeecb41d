"""Choose a place for each planned gate of a barrier line, by a rule that is stated."""

from __future__ import annotations

import warnings
from typing import TYPE_CHECKING, Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from geotools.alignment._gate_places import Places, cut_places, hit_by_others, on_own_line, slopes_pct
from geotools.alignment._street import bearing_deg
from geotools.errors import Assumed, DesignError, StepError
from geotools.rasters import Raster
from geotools.units import METRES_PER_FOOT, write_length

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    Flags = NDArray[np.bool_]

__all__ = ["place_gates"]

_STREET_WITHIN_DEG = 60.0
"""A stretch whose outer side turns no further from the street than this faces it (assumption of this project)."""
_STANDING = 0
"""Rank of a place where a gate stands."""
_TEXTS = {
    "existing gate": "at the gate that stands there",
    "street side": "on the street side, as near to the house as the rule allows",
    "other side": "no place on the street side: the nearest to the house elsewhere",
}


def place_gates(
    candidate_lines: gpd.GeoDataFrame,
    ground: gpd.GeoDataFrame,
    conflicts: gpd.GeoDataFrame | None = None,
    gates: gpd.GeoDataFrame | None = None,
    easements: gpd.GeoDataFrame | None = None,
    wash_ground: gpd.GeoDataFrame | None = None,
    pools: gpd.GeoDataFrame | None = None,
    elevation: Raster | None = None,
    *,
    units: str = "us",
    gate_width_m: float = 3 * METRES_PER_FOOT,
    snap_m: float = 5 * METRES_PER_FOOT,
    corner_clear_m: float = 1 * METRES_PER_FOOT,
    clear_m: float = 2 * METRES_PER_FOOT,
    corner_deg: float = 20.0,
    most_slope_pct: float = 10.0,
    apart_m: float = 10 * METRES_PER_FOOT,
    step_m: float = 0.5,
    every_line: bool = False,
) -> gpd.GeoDataFrame:
    """Place the gates of each line: where one stands already, else on the street side beside the house.

    A place is allowed where the opening and the corner distance either side of it are straight, without corner or end;
    where no climbable thing that conflicts with the line, no easement and no wash lies within the clear distance; where
    the ground along and across the opening is no steeper than the slope allowed; where the leaf has room to swing on
    the lot, free of house and pool; and where it leads onto the lot's own ground or ground that is no other lot. Of the
    allowed places a gate that stands within the snap distance comes first (with its own width if that is more; it is
    taken as it stands, only the line must be straight there), then stretches that face the street, then the others;
    within each the nearest to the house (rounded to 0.1 m), and then the first along the line. A further gate of the
    line keeps its distance from the first. The leaf swings into the protected side (published extension guides for
    snake fences), but out, away from the water, where a pool lies within the line (A.R.S. 36-1681: a pool gate opens
    outward; the pool code wins). Slope counts only where an elevation layer is given. All of this but the swing is an
    assumption of this project.

    Parameters
    ----------
    candidate_lines : GeoDataFrame
        Lines with line_id, parcel_id, gates, recommended and the polygon column `enclosed`.
    ground : GeoDataFrame
        As `find_lot_ground` gives it: lots, houses, direction to the street.
    conflicts : GeoDataFrame, optional
        Climbable things in conflict, with line_id.
    gates, easements, wash_ground, pools : GeoDataFrame, optional
        Gates that stand, and ground to keep clear of.
    elevation : Raster, optional
        Ground heights.
    units : str
        Units of the texts: `us` or `metric`.
    gate_width_m : float
        Clear width of a new gate (assumption of this project: 3 ft).
    snap_m : float
        A gate that stands this near a line is used (assumption of this project: 5 ft).
    corner_clear_m : float
        Distance of the opening from a corner or end of the line (assumption of this project: 1 ft).
    clear_m : float
        Distance of the opening from climbable things, easements and washes (assumption of this project: 2 ft).
    corner_deg : float
        Bends that add up to this are a corner (as in `count_materials`).
    most_slope_pct : float
        Steepest ground along and across the opening (assumption of this project: 10 %).
    apart_m : float
        Least distance between two gates of a line (assumption of this project: 10 ft).
    step_m : float
        Places are tried this far apart along the line.
    every_line : bool
        Place the gates of lines that are not recommended as well.

    Returns
    -------
    GeoDataFrame
        A row per planned gate: gate_id, line_id, parcel_id, option, gate (number on its line), station_m (its middle,
        along the line from piece to piece), width_m, swing (in, out), swing_deg (way of the open leaf, clockwise from
        north; NaN without a place), placed (existing gate, street side, other side,
        or empty), agree_on_site (no place meets the rule), recommended, reason, geometry (point, missing where there
        is no place).

    Raises
    ------
    DesignError
        If a measure is negative or the step is not above 0.
    StepError
        If a column is missing.

    Examples
    --------
    >>> from geotools.alignment import draw_lot_lines, find_lot_ground
    >>> lot = gpd.GeoDataFrame({"parcel_id": ["1"]}, geometry=[shapely.box(0, 0, 20, 40)], crs=32612)
    >>> house = gpd.GeoDataFrame(geometry=[shapely.box(4, 8, 16, 20)], crs=32612)
    >>> street = gpd.GeoDataFrame(geometry=[shapely.LineString([(-50, -8), (50, -8)])], crs=32612)
    >>> land = find_lot_ground(lot, house, street)
    >>> with warnings.catch_warnings():
    ...     warnings.simplefilter("ignore", Assumed)
    ...     placed = place_gates(draw_lot_lines(land, gates=1).assign(recommended=True), land)
    >>> placed[["placed", "swing"]].values.tolist(), [round(x, 2) for x in placed.geometry.item().coords[0]]
    ([['street side', 'in']], [16.43, 0.3])
    """
    for name, value in {
        "gate_width_m": gate_width_m, "snap_m": snap_m, "clear_m": clear_m, "most_slope_pct": most_slope_pct,
        "apart_m": apart_m,
        "corner_clear_m": corner_clear_m,
    }.items():  # fmt: skip
        if not 0 <= value < np.inf:
            raise DesignError(f"{name} is {value}", mend="give 0 or more")
    if not step_m > 0:
        raise DesignError(f"step_m is {step_m}", mend="give a length above 0")
    for name in ("line_id", "parcel_id", "gates", "recommended", "enclosed"):
        if name not in candidate_lines.columns:
            raise StepError(f"the lines have no column {name!r}", mend="take the lines that `recommend_lines` gives")
    wanted = candidate_lines.geometry.notna() & (candidate_lines["gates"].fillna(0) > 0)
    wanted &= candidate_lines["recommended"].astype(bool) | every_line
    lines = candidate_lines[wanted].reset_index(drop=True)
    lot_at = pd.Index(ground["parcel_id"].astype(str)).get_indexer(pd.Index(lines["parcel_id"].astype(str)))
    lines, lot_at = lines[lot_at >= 0].reset_index(drop=True), lot_at[lot_at >= 0]
    land = ground.iloc[lot_at].reset_index(drop=True)
    pool_inside = _touches(lines["enclosed"].to_numpy(), pools)
    places = cut_places(
        lines.geometry.to_numpy(), lines["enclosed"].to_numpy(), land["lot"].to_numpy(), gates, width_m=gate_width_m,
        clear_m=corner_clear_m, corner_deg=corner_deg, snap_m=snap_m, step_m=step_m,
    )  # fmt: skip
    if elevation is None and len(lines):
        warnings.warn("gates are placed without looking at slopes: no layer elevation", Assumed, stacklevel=2)
    facing = _faces_street(places, land["street_deg"].to_numpy(dtype=np.float64)[places.line])
    rank = np.where(np.isfinite(places.stands_m), _STANDING, np.where(facing, 1, 2))

    def allowed(rows: NDArray[np.intp]) -> NDArray[np.intp]:
        tried = places.take(rows)
        kept = ~_near(tried, lines, conflicts, easements, wash_ground, clear_m)
        kept &= ~hit_by_others(tried, ground["lot"].to_numpy(), lot_at)
        kept[kept] = _leaf_free(tried.take(np.flatnonzero(kept)), land, pools, pool_inside)
        kept[kept] = slopes_pct(tried.take(np.flatnonzero(kept)), elevation, lines.crs) <= most_slope_pct
        return rows[kept]

    gates_of = lines["gates"].to_numpy(dtype=np.int64)
    chosen = _choose(places, rank, land["house"].to_numpy(), gates_of, apart_m, allowed)
    nowhere = (
        f"agree on site: no place is straight and {write_length(corner_clear_m, units=units)} clear of corners, no "
        f"steeper than {most_slope_pct:g} %, {write_length(clear_m, units=units)} clear of climbable things, easements "
        f"and washes, with room for the leaf and a way on, and {write_length(apart_m, units=units)} from another gate"
    )
    return _table(lines, places, chosen, rank, pool_inside, gate_width_m, nowhere)


def _touches(shapes: NDArray[Any], table: gpd.GeoDataFrame | None) -> Flags:
    hit = np.zeros(len(shapes), dtype=np.bool_)
    if table is not None and len(table):
        hit[shapely.STRtree(table.geometry.to_numpy()).query(shapes, predicate="intersects")[0]] = True
    return hit


def _near(
    places: Places,
    lines: gpd.GeoDataFrame,
    conflicts: gpd.GeoDataFrame | None,
    easements: gpd.GeoDataFrame | None,
    wash_ground: gpd.GeoDataFrame | None,
    clear_m: float,
) -> Flags:
    """Whether something to keep clear of lies too near the opening."""
    openings = places.openings()
    hit = np.zeros(len(openings), dtype=np.bool_)
    if conflicts is not None and len(conflicts):
        near, thing = shapely.STRtree(conflicts.geometry.to_numpy()).query(
            openings, predicate="dwithin", distance=clear_m
        )
        own = on_own_line(places, lines["line_id"], conflicts["line_id"], near, thing)
        hit[near[own]] = True
    for table in (easements, wash_ground):
        if table is not None and len(table):
            tree = shapely.STRtree(table.geometry.to_numpy())
            hit[tree.query(openings, predicate="dwithin", distance=clear_m)[0]] = True
    return hit


def _leaf_free(places: Places, land: gpd.GeoDataFrame, pools: gpd.GeoDataFrame | None, pool_inside: Flags) -> Flags:
    """Whether the leaf can swing: on the lot, and clear of house and pool."""
    leaves = places.leaves(pool_inside[places.line])
    lots, houses = land["lot"].to_numpy(), land["house"].to_numpy()
    shapely.prepare(lots)
    shapely.prepare(houses)
    free = shapely.covers(lots[places.line], leaves) & ~shapely.intersects(houses[places.line], leaves)
    return np.asarray(free & ~_touches(leaves, pools), dtype=np.bool_)


def _faces_street(places: Places, street_deg: NDArray[np.float64]) -> Flags:
    outward_deg = np.degrees(np.arctan2(places.outward[:, 0], places.outward[:, 1]))
    off_deg = np.abs((outward_deg - street_deg + 180.0) % 360.0 - 180.0)
    return np.asarray(off_deg <= _STREET_WITHIN_DEG, dtype=np.bool_)


def _choose(
    places: Places,
    rank: NDArray[np.int64],
    houses: NDArray[Any],
    gates: NDArray[np.int64],
    apart_m: float,
    allowed: Callable[[NDArray[np.intp]], NDArray[np.intp]],
) -> NDArray[np.intp]:
    """Pick the first, second, ... place of all lines at once, rank by rank; -1 where no place is left."""
    chosen = np.full((len(gates), int(gates.max(initial=0))), -1, dtype=np.intp)
    have = np.zeros(len(gates), dtype=np.int64)
    shapely.prepare(houses)
    for turn in range(_STANDING, len(_TEXTS)):
        rows = np.flatnonzero((rank == turn) & (have < gates)[places.line])
        rows = rows if turn == _STANDING else allowed(rows)
        house_m = np.full(len(places.line), np.nan)
        points = shapely.points(places.middle[rows])
        house_m[rows] = np.nan_to_num(shapely.distance(houses[places.line[rows]], points)).round(1)
        rows = rows[np.lexsort((places.station_m[rows], house_m[rows], places.line[rows]))]
        while len(rows):
            line = places.line[rows]
            best = rows[np.append(True, line[1:] != line[:-1])]
            owner = places.line[best]
            chosen[owner, have[owner]] = best
            have[owner] += 1
            taken = np.full(len(gates), -1, dtype=np.intp)
            taken[owner] = best
            gap_m = np.hypot(*(places.middle[rows] - places.middle[taken[line]]).T)
            rows = rows[(gap_m >= apart_m) & (have < gates)[line]]
        # What is chosen keeps later ranks away as well.
        for column in chosen.T:
            near = (column >= 0)[places.line]
            near[near] = np.hypot(*(places.middle[near] - places.middle[column[places.line[near]]]).T) < apart_m
            rank = np.where(near, -1, rank)
    return chosen


def _table(
    lines: gpd.GeoDataFrame,
    places: Places,
    chosen: NDArray[np.intp],
    rank: NDArray[np.int64],
    pool_inside: Flags,
    gate_width_m: float,
    nowhere: str,
) -> gpd.GeoDataFrame:
    gates = lines["gates"].to_numpy(dtype=np.int64)
    row = np.repeat(np.arange(len(lines)), gates)
    number = np.arange(len(row)) - np.repeat(np.cumsum(gates) - gates, gates)
    picked = chosen[row, number]
    there = picked >= 0
    middle = np.full((len(row), 2), np.nan)
    middle[there] = places.middle[picked[there]]
    station_m, width_m = np.full(len(row), np.nan), np.full(len(row), gate_width_m)
    station_m[there], width_m[there] = places.station_m[picked[there]], places.width_m[picked[there]]
    names = np.array([*_TEXTS], dtype=object)
    placed = np.full(len(row), "", dtype=object)
    placed[there] = names[rank[picked[there]]]
    points = np.full(len(row), None, dtype=object)
    points[there] = shapely.points(middle[there])
    swing = np.where(pool_inside[row], "out", "in")
    swing_deg = np.full(len(row), np.nan)
    way = places.outward[picked[there]] * np.where(pool_inside[row[there]], 1.0, -1.0)[:, None]
    swing_deg[there] = bearing_deg(way)
    water = "; it swings out, away from the pool"
    reason = [(_TEXTS.get(one) or nowhere) + water * (to == "out") for one, to in zip(placed, swing, strict=True)]
    own = lines.iloc[row].reset_index(drop=True)
    table = own[["line_id", "parcel_id", *(["option"] if "option" in own.columns else [])]].assign(
        gate=number + 1,
        station_m=station_m,
        width_m=width_m,
        swing=swing,
        swing_deg=swing_deg,
        placed=placed,
        agree_on_site=~there,
        recommended=own["recommended"].to_numpy(dtype=bool),
        reason=reason,
    )
    table.insert(0, "gate_id", [f"{line}-G{one}" for line, one in zip(own["line_id"], number + 1, strict=True)])
    return gpd.GeoDataFrame(table, geometry=gpd.GeoSeries(points, crs=lines.crs), crs=lines.crs)
