"""Find the ground of each lot: where a line may run, which side faces the street, and what is to be protected."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from geotools.alignment._street import TIE_M, bearing_deg, best_of_each, find_street_side
from geotools.design import BarrierStandard

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

__all__ = ["find_lot_ground"]

_LEAST_BUILDING_M2 = 1.0
_LEAST_BUILDING_WIDTH_M = 1.0
"""A building that overlaps a lot by less, or by a narrower strip, is survey noise (assumption of this project)."""
_LEAST_NECK_M = 0.6
"""Ground narrower than this can't take a line (assumption of this project)."""
_RETURN_BEHIND_CORNER_M = 0.6
"""A line meets a side wall this far behind its street corner (assumption of this project: 2 ft)."""
_SIDE_WALL_M = 0.5
"""Wall points within this of the outermost one belong to the same side wall (assumption of this project)."""
_FAR_M = 1e4
"""Half-size of the box that stands for all ground on the street side of a house."""
_LEAST_CUT_M2 = 1e-6
"""Ground that merely touches an easement or a wash loses nothing but roundings."""


def find_lot_ground(
    parcels: gpd.GeoDataFrame,
    buildings: gpd.GeoDataFrame | None = None,
    roads: gpd.GeoDataFrame | None = None,
    easements: gpd.GeoDataFrame | None = None,
    wash_ground: gpd.GeoDataFrame | None = None,
    *,
    standard: BarrierStandard | None = None,
    street_within_m: float = 30.0,
) -> gpd.GeoDataFrame:
    """Find where a line may run on each lot and which ground it has to protect.

    A line may run on the lot drawn in by the offset, less easements and washes; of several such pieces the one with the
    house. The street side is the side of the best-fitting rectangle of the house, the largest building, that faces the
    road nearest to it (of roads equally near, the one nearest to the lot, then the first clockwise from north); on a
    corner lot, which fronts two streets, the one along its shorter side (common zoning practice, no source).
    Protected is, by `standard.protect`, the lot behind the rear ends of the house's side walls where a house and a
    street are known (side yards come with it as far as they are open to it: existing walls return to the house anywhere
    along its sides), else the lot less its buildings; or the house.

    Parameters
    ----------
    parcels : GeoDataFrame, n rows
        Polygons with `parcel_id`, in a projected CRS in metres; missing geometries give empty ground.
    buildings, roads, easements, wash_ground : GeoDataFrame, optional
        In the same CRS; roads as lines or polygons.
    standard : BarrierStandard, optional
        Offset, protected ground, least area.
    street_within_m : float
        A road farther than this from the lot is not its street, metres (assumption of this project).

    Returns
    -------
    GeoDataFrame, n rows on the parcels' index
        parcel_id, `geometry` (polygon where a line may run, empty where there is none), `lot`, `house` (all buildings
        on the lot), `front` (ground on the street side of the house, with its courts), `protected` (all four polygon
        columns, empty where unknown), `protect` (the rule that was used), `cut_by` (what was taken out of the lot:
        easement, wash) and `street_deg` (direction to the street, clockwise from north; NaN where unknown).

    Examples
    --------
    >>> from shapely import box
    >>> lot = gpd.GeoDataFrame({"parcel_id": ["1"]}, geometry=[box(0, 0, 20, 40)], crs=32612)
    >>> house = gpd.GeoDataFrame(geometry=[box(4, 8, 16, 20)], crs=32612)
    >>> street = gpd.GeoDataFrame(geometry=[shapely.LineString([(-50, -8), (50, -8)])], crs=32612)
    >>> ground = find_lot_ground(lot, house, street)
    >>> ground["protect"].item(), round(ground["street_deg"].item())
    ('rear_yard', 180)
    """
    standard = standard or BarrierStandard()
    lots = _polygons(parcels)
    houses = _join_buildings(lots, buildings)
    ground, cut_by = _buildable(lots, houses, easements, wash_ground, standard)
    main = _main_buildings(houses, standard.snap_m)
    street = find_street_side(lots, main, roads, street_within_m)
    open_ground = shapely.difference(lots, houses)
    front = _add_courts(_ground_before(main, street, rear=False), lots, open_ground)
    protected, protect = _protected(open_ground, houses, _ground_before(main, street, rear=True), standard)
    street_deg = bearing_deg(street)
    table = gpd.GeoDataFrame(
        {"parcel_id": parcels["parcel_id"], "protect": pd.Series(protect, index=parcels.index, dtype=str)},
        geometry=gpd.GeoSeries(ground, index=parcels.index, crs=parcels.crs),
    )
    for name, column in {"lot": lots, "house": houses, "front": front, "protected": protected}.items():
        table[name] = gpd.GeoSeries(column, index=parcels.index, crs=parcels.crs)
    return table.assign(cut_by=pd.Series(cut_by, index=parcels.index, dtype=str), street_deg=street_deg)


def _polygons(parcels: gpd.GeoDataFrame) -> NDArray[Any]:
    lots = parcels.geometry.to_numpy().copy()
    lots[shapely.is_missing(lots)] = shapely.Polygon()
    return np.asarray(lots, dtype=object)


def _fold(
    target: NDArray[Any], at: NDArray[np.intp], with_: NDArray[Any], operation: Callable[..., Any]
) -> NDArray[Any]:
    """Apply an operation to each target with all its partners: first partners of all at once, then second ones."""
    folded = target.copy()
    order = np.argsort(at, kind="stable")
    at, with_ = at[order], with_[order]
    first = np.searchsorted(at, at)
    turn = np.arange(len(at)) - first
    for number in range(int(turn.max()) + 1 if len(turn) else 0):
        now = turn == number
        folded[at[now]] = operation(folded[at[now]], with_[now])
    return folded


def _join_buildings(lots: NDArray[Any], buildings: gpd.GeoDataFrame | None) -> NDArray[Any]:
    houses = np.full(len(lots), shapely.Polygon(), dtype=object)
    if buildings is None or buildings.empty:
        return houses
    footprints = buildings.geometry.to_numpy()
    building_at, lot_at = shapely.STRtree(lots).query(footprints, predicate="intersects")
    parts, pair = shapely.get_parts(shapely.intersection(footprints[building_at], lots[lot_at]), return_index=True)
    lot_at = lot_at[pair]
    large = shapely.area(parts) >= _LEAST_BUILDING_M2
    large[large] = ~shapely.is_empty(shapely.buffer(parts[large], -_LEAST_BUILDING_WIDTH_M / 2, join_style="mitre"))
    return _fold(houses, lot_at[large], parts[large], shapely.union)


def _main_buildings(houses: NDArray[Any], snap_m: float) -> NDArray[Any]:
    """Pick the largest building of each lot, of parts that meet: sheds do not say where the street is."""
    main = houses.copy()
    several = np.flatnonzero(shapely.get_num_geometries(houses) > 1)
    parts, at = shapely.get_parts(shapely.buffer(houses[several], snap_m / 2, join_style="mitre"), return_index=True)
    parts = shapely.intersection(parts, houses[several[at]])
    chosen = best_of_each(at, shapely.area(parts), *_south_west(parts))
    main[several[at[chosen]]] = parts[chosen]
    return main


def _south_west(parts: NDArray[Any]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    middle = shapely.centroid(parts)
    return -shapely.get_y(middle), -shapely.get_x(middle)


def _buildable(
    lots: NDArray[Any],
    houses: NDArray[Any],
    easements: gpd.GeoDataFrame | None,
    wash_ground: gpd.GeoDataFrame | None,
    standard: BarrierStandard,
) -> tuple[NDArray[Any], NDArray[np.str_]]:
    ground = (
        shapely.buffer(lots, -standard.lot_line_offset_m, join_style="mitre")
        if standard.lot_line_offset_m
        else lots.copy()
    )
    cut_by = np.full(len(lots), "", dtype=object)
    for name, layer in {"easement": easements, "wash": wash_ground}.items():
        if layer is None or layer.empty:
            continue
        obstacles = layer.geometry.to_numpy()
        obstacle_at, lot_at = shapely.STRtree(ground).query(obstacles, predicate="intersects")
        before_m2 = shapely.area(ground)
        ground = _fold(ground, lot_at, obstacles[obstacle_at], shapely.difference)
        cut = np.flatnonzero(before_m2 - shapely.area(ground) > _LEAST_CUT_M2)
        cut_by[cut] = [f"{before} and {name}" if before else name for before in cut_by[cut]]
    cut = cut_by != ""
    opened = shapely.buffer(
        shapely.buffer(ground[cut], -_LEAST_NECK_M / 2, join_style="mitre"), _LEAST_NECK_M / 2, join_style="mitre"
    )
    ground[cut] = shapely.intersection(ground[cut], opened)
    return _main_part(ground, houses), cut_by.astype(str)


def _main_part(ground: NDArray[Any], houses: NDArray[Any]) -> NDArray[Any]:
    """Pick the piece of ground that holds most of the house, else the largest."""
    parts, at = shapely.get_parts(ground, return_index=True)
    polygons = (shapely.get_type_id(parts) == shapely.GeometryType.POLYGON) & ~shapely.is_empty(parts)
    parts, at = parts[polygons], at[polygons]
    held_m2 = shapely.area(shapely.intersection(parts, houses[at]))
    main = np.full(len(ground), shapely.Polygon(), dtype=object)
    chosen = best_of_each(at, held_m2, shapely.area(parts), *_south_west(parts))
    main[at[chosen]] = parts[chosen]
    return main


def _ground_before(houses: NDArray[Any], street: NDArray[np.float64], *, rear: bool) -> NDArray[Any]:
    """Find all ground on the street side of the street ends (or of the rear ends) of each house's two side walls."""
    front = np.full(len(houses), shapely.Polygon(), dtype=object)
    known = np.flatnonzero(~np.isnan(street[:, 0]))
    if not len(known):
        return front
    to_street = street[known]
    to_right = np.column_stack([to_street[:, 1], -to_street[:, 0]])
    points, at = shapely.get_coordinates(shapely.convex_hull(houses[known]), return_index=True)
    across = np.einsum("nd,nd->n", points, to_right[at])
    along = np.einsum("nd,nd->n", points, to_street[at])
    starts = np.searchsorted(at, np.arange(len(known)))
    left, right = np.minimum.reduceat(across, starts), np.maximum.reduceat(across, starts)
    end, none = (np.minimum, np.inf) if rear else (np.maximum, -np.inf)
    left_end = end.reduceat(np.where(across <= left[at] + _SIDE_WALL_M, along, none), starts)
    right_end = end.reduceat(np.where(across >= right[at] - _SIDE_WALL_M, along, none), starts)
    middle = np.maximum(left_end, right_end) if rear else np.minimum(left_end, right_end) - _RETURN_BEHIND_CORNER_M
    left_end, right_end = left_end - _RETURN_BEHIND_CORNER_M, right_end - _RETURN_BEHIND_CORNER_M
    far = np.full(len(known), _FAR_M)
    top = np.maximum(left_end, right_end) + _FAR_M
    outline = [
        (left - far, left_end), (left, left_end), (left, middle), (right, middle),
        (right, right_end), (right + far, right_end), (right + far, top), (left - far, top),
    ]  # fmt: skip
    corners = np.stack([a[:, None] * to_right + b[:, None] * to_street for a, b in outline], axis=1)
    front[known] = shapely.polygons(corners)
    return front


def _add_courts(front: NDArray[Any], lots: NDArray[Any], open_ground: NDArray[Any]) -> NDArray[Any]:
    """Add courts that open to the street: ground that only the house and the front ground bound."""
    known = np.flatnonzero(~shapely.is_empty(front))
    behind = shapely.difference(open_ground[known], front[known])
    parts, at = shapely.get_parts(behind, return_index=True)
    several = np.bincount(at, minlength=len(known))[at] > 1
    parts, at = parts[several], known[at[several]]
    court = shapely.dwithin(parts, front[at], TIE_M) & ~shapely.dwithin(parts, shapely.boundary(lots[at]), TIE_M)
    return _fold(front, at[court], parts[court], shapely.union)


def _protected(
    open_ground: NDArray[Any], houses: NDArray[Any], before_rear: NDArray[Any], standard: BarrierStandard
) -> tuple[NDArray[Any], NDArray[np.str_]]:
    if standard.protect == "house":
        return houses.copy(), np.full(len(houses), "house")
    if standard.protect == "lot":
        return open_ground, np.full(len(houses), "lot")
    rear = ~shapely.is_empty(before_rear)
    protected = open_ground.copy()
    protected[rear] = shapely.difference(open_ground[rear], before_rear[rear])
    return protected, np.where(rear, "rear_yard", "lot")
