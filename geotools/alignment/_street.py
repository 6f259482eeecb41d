"""Tell which side of each house faces its street."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from geotools.alignment._body import shift

if TYPE_CHECKING:
    import geopandas as gpd
    from numpy.typing import NDArray

TIE_M = 0.001
"""Distances nearer than this are equal: a choice between them does not hang on roundings."""
_SIGHT_M = 500.0
"""Farther than any house stands from the edge of its lot."""
_CLEARLY = 0.9
"""A side counts as the shorter one from this share of the other on; else the nearest road decides."""
_FRONTAGE_M = 15.0
"""A lot fronts a street whose middle runs this near its edge (assumption of this project: half a 100 ft street)."""


def find_street_side(
    lots: NDArray[Any], houses: NDArray[Any], roads: gpd.GeoDataFrame | None, street_within_m: float
) -> NDArray[np.float64]:
    """Find the unit vector from each house to its street, along an axis of the house; NaN where either is missing."""
    direction = np.full((len(lots), 2), np.nan)
    if roads is None or roads.empty:
        return direction
    lines = shapely.get_parts(roads.geometry.to_numpy())
    tree = shapely.STRtree(lines)
    known = np.flatnonzero(~shapely.is_empty(houses))
    if not len(known):
        return direction
    centres = shapely.centroid(houses[known])
    (nearest_at, _), nearest_m = tree.query_nearest(centres, all_matches=False, return_distance=True)
    at, road_at = tree.query(centres[nearest_at], predicate="dwithin", distance=nearest_m + TIE_M)
    centres, lot_at = centres[nearest_at][at], known[nearest_at][at]
    from_lot_m = shapely.distance(lots[lot_at], lines[road_at])
    ends = shapely.get_coordinates(shapely.shortest_line(centres, lines[road_at])).reshape(-1, 2, 2)
    towards = ends[:, 1] - ends[:, 0]
    # Far from the origin the fitted rectangle is turned by roundings.
    near_origin = shift(houses[lot_at], -shapely.get_coordinates(centres))
    corners = shapely.get_coordinates(shapely.oriented_envelope(near_origin)).reshape(len(lot_at), 5, 2)
    axis = corners[:, 1] - corners[:, 0]
    axis /= np.linalg.norm(axis, axis=1, keepdims=True)
    axes = np.stack([axis, -axis, axis[:, ::-1] * [-1, 1], axis[:, ::-1] * [1, -1]], axis=1)
    best = np.argmax(np.einsum("nkd,nd->nk", axes, towards), axis=1)
    along = axes[np.arange(len(best)), best]
    chosen = best_of_each(lot_at, -np.round(from_lot_m / TIE_M), -bearing_deg(along))
    chosen = chosen[from_lot_m[chosen] <= street_within_m]
    lot_at, centres, along = lot_at[chosen], centres[chosen], along[chosen]
    direction[lot_at] = _turn_corner_lots(lots[lot_at], shapely.get_coordinates(centres), along, tree)
    return direction


def _turn_corner_lots(
    lots: NDArray[Any], centres: NDArray[np.float64], along: NDArray[np.float64], roads: shapely.STRtree
) -> NDArray[np.float64]:
    """Face the lots that front two streets to the street along their shorter side."""
    across = along[:, ::-1] * [1, -1]
    points, at = shapely.get_coordinates(shapely.convex_hull(lots), return_index=True)
    depth_m, width_m = (_extents(np.einsum("nd,nd->n", points, axis[at]), at, len(lots)) for axis in (along, across))
    some = np.flatnonzero(depth_m < _CLEARLY * width_m)
    some = some[_fronts(lots[some], centres[some], along[some], roads)]
    turned = along.copy()
    for side in (-across, across):
        front = some[_fronts(lots[some], centres[some], side[some], roads)]
        turned[front] = side[front]
    return turned


def _extents(along_m: NDArray[np.float64], at: NDArray[np.intp], count: int) -> NDArray[np.float64]:
    starts = np.searchsorted(at, np.arange(count))
    return np.asarray(np.maximum.reduceat(along_m, starts) - np.minimum.reduceat(along_m, starts)) if count else along_m


def _fronts(
    lots: NDArray[Any], centres: NDArray[np.float64], side: NDArray[np.float64], roads: shapely.STRtree
) -> NDArray[np.bool_]:
    """Whether a road passes close beyond the edge of each lot, seen from the middle of the house."""
    sight = shapely.linestrings(np.stack([centres, centres + _SIGHT_M * side], axis=1))
    edge = centres + shapely.length(shapely.intersection(sight, lots))[:, None] * side
    beyond = shapely.linestrings(np.stack([edge, edge + _FRONTAGE_M * side], axis=1))
    met = np.zeros(len(lots), dtype=np.bool_)
    met[roads.query(beyond, predicate="intersects")[0]] = True
    return met


def bearing_deg(vectors: NDArray[np.float64]) -> NDArray[np.float64]:
    """Direction of vectors clockwise from north, 0 to 360 degrees."""
    return np.asarray(np.round(np.degrees(np.arctan2(vectors[:, 0], vectors[:, 1])), 9) % 360)


def best_of_each(group: NDArray[np.intp], *keys: NDArray[np.float64]) -> NDArray[np.intp]:
    """Position of the largest of each group, by the first key, then the next; millionths count as equal."""
    order = np.lexsort((*(np.round(key, 6) for key in reversed(keys)), group))
    return order[np.append(np.diff(group[order]) > 0, True)] if len(order) else order
