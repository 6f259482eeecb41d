"""Gather the lines that stop or slow an animal as segments, joined where they close and cut where they open."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

__all__ = ["Barriers", "gather_barriers"]

_SNAP_M = 0.1
"""Ends of walls that miss each other by less meet (assumption of this project, twice that of the barrier standard)."""
_JOINED_M = 0.5
"""A wall that ends this near to a house ends at the house, and one that passes an opening this near is open there
(assumption of this project)."""
_OPENING_TO_WALL_M = 2.0
"""An opening drawn off its wall belongs to the nearest wall within this (assumption of this project)."""
_CROSSED_M = 1.0
"""Crossing a wall that can be crossed costs as much as this many metres of its resistance (assumption of this
project): a line has no width of its own, and what it costs must not hang on the size of a cell."""
_OVERLAP_M = 1e-3
"""Segments that can't be crossed reach this far beyond their ends: no rounding leaves a way between two that meet."""


class Barriers(NamedTuple):
    """Segments (n x 2 x 2), what crossing each costs (infinite: can't be crossed), and the places of the openings."""

    segments: NDArray[np.float64]
    costs_m: NDArray[np.float64]
    openings: NDArray[np.float64]


def gather_barriers(
    judged_walls: gpd.GeoDataFrame | None,
    judged_gates: gpd.GeoDataFrame | None,
    openings: gpd.GeoDataFrame | None,
    houses: NDArray[Any],
    *,
    values: dict[str, float],
    sealed: Sequence[Any] = (),
) -> Barriers:
    """Take walls, gates, openings and houses apart into segments.

    Parameters
    ----------
    judged_walls, judged_gates : GeoDataFrame, optional
        With `sound_now`; gates with `width_m` if known.
    openings : GeoDataFrame, optional
    houses : array of Polygon
        Those that can't be crossed.
    values : dict of str to float
        Resistance of `sound wall` and `unsound wall`, infinite for what can't be crossed.
    sealed : sequence of geometries
        Lines that can't be crossed and that nothing opens.

    Returns
    -------
    Barriers
    """
    walls, sound = _sound(judged_walls)
    gates, shut = _sound(judged_gates)
    each = np.where(sound, values["sound wall"], values["unsound wall"])
    lines, at = shapely.get_parts(_outlines(walls), return_index=True)
    each = each[at]
    stops = np.isinf(each)
    hard = lines[stops]
    hard = np.concatenate([hard, _joints(hard, houses), _shut_gates(hard, judged_gates, gates, shut)])
    places = np.concatenate([_middles(_passages(openings)), gates[~shut]])
    places = _onto(places, hard)
    hard, soft = _opened(hard, places), lines[~stops]
    fixed = np.concatenate([_outlines(houses), _outlines(np.array(list(sealed), dtype=object))])
    closed = _segments(np.concatenate([hard, fixed]))
    along = closed[:, 1] - closed[:, 0]
    along /= np.maximum(np.linalg.norm(along, axis=1, keepdims=True), _OVERLAP_M)
    closed = closed + _OVERLAP_M * np.stack([-along, along], axis=1)
    crossed, whose = _segments_at(soft)
    return Barriers(
        np.concatenate([closed, crossed]),
        np.concatenate([np.full(len(closed), np.inf), each[~stops][whose] * _CROSSED_M]),
        shapely.get_coordinates(places),
    )


def _sound(table: gpd.GeoDataFrame | None) -> tuple[NDArray[Any], NDArray[np.bool_]]:
    if table is None:
        return np.zeros(0, dtype=object), np.zeros(0, dtype=bool)
    return np.asarray(table.geometry.to_numpy(), dtype=object), table["sound_now"].to_numpy(dtype=bool)


def _passages(openings: gpd.GeoDataFrame | None) -> NDArray[Any]:
    """Gaps and gates; an unsound wall has its own resistance along its whole length."""
    if openings is None:
        return np.zeros(0, dtype=object)
    if "kind" in openings.columns:
        openings = openings[openings["kind"].astype(str).str.contains("gap|gate|opening$", regex=True)]
    return np.asarray(openings.geometry.to_numpy(), dtype=object)


def _outlines(shapes: NDArray[Any]) -> NDArray[Any]:
    return np.asarray(np.where(shapely.get_dimensions(shapes) == 2, shapely.boundary(shapes), shapes), dtype=object)


def _middles(shapes: NDArray[Any]) -> NDArray[Any]:
    """The middle of each part of each opening."""
    parts = shapely.get_parts(shapes[~(shapely.is_missing(shapes) | shapely.is_empty(shapes))])
    line = shapely.get_dimensions(parts) == 1
    middles = shapely.centroid(parts)
    middles[line] = shapely.line_interpolate_point(parts[line], 0.5, normalized=True)
    return np.asarray(middles, dtype=object)


def _ends(lines: NDArray[Any]) -> tuple[NDArray[Any], NDArray[np.intp]]:
    ends = np.concatenate([shapely.get_point(lines, 0), shapely.get_point(lines, -1)])
    whose = np.tile(np.arange(len(lines)), 2)
    kept = ~shapely.is_missing(ends)
    return ends[kept], whose[kept]


def _joints(lines: NDArray[Any], houses: NDArray[Any]) -> NDArray[Any]:
    """What closes the small gaps that were never meant: from ends of walls to houses and to other walls."""
    ends, whose = _ends(lines)
    end_at, house_at = shapely.STRtree(houses).query(ends, predicate="dwithin", distance=_JOINED_M)
    to_houses = shapely.shortest_line(ends[end_at], houses[house_at])
    end_at, line_at = shapely.STRtree(lines).query(ends, predicate="dwithin", distance=_SNAP_M)
    others = whose[end_at] != line_at
    to_walls = shapely.shortest_line(ends[end_at[others]], lines[line_at[others]])
    return np.concatenate([to_houses, to_walls[shapely.length(to_walls) > 0]])


def _shut_gates(
    lines: NDArray[Any], judged_gates: gpd.GeoDataFrame | None, gates: NDArray[Any], shut: NDArray[np.bool_]
) -> NDArray[Any]:
    """Lines from a sound gate to the ends of walls that it hangs between."""
    if judged_gates is None or not shut.any():
        return np.zeros(0, dtype=object)
    width_m = np.zeros(len(gates))
    if "width_m" in judged_gates.columns:
        width_m = np.nan_to_num(pd.to_numeric(judged_gates["width_m"]).to_numpy(dtype=np.float64, na_value=np.nan))
    sound = gates[shut]
    ends, _ = _ends(lines)
    gate_at, end_at = shapely.STRtree(ends).query(sound, predicate="dwithin", distance=width_m[shut] / 2 + _JOINED_M)
    return np.asarray(shapely.shortest_line(sound[gate_at], ends[end_at]), dtype=object)


def _onto(places: NDArray[Any], lines: NDArray[Any]) -> NDArray[Any]:
    """Move each opening onto the nearest wall, if one is near, and keep one of those that fall together."""
    places = places[~(shapely.is_missing(places) | shapely.is_empty(places))].copy()
    if len(lines) and len(places):
        at, line_at = shapely.STRtree(lines).query_nearest(places, max_distance=_OPENING_TO_WALL_M, all_matches=False)
        places[at] = shapely.get_point(shapely.shortest_line(lines[line_at], places[at]), 0)
    xy = shapely.get_coordinates(places)
    _, first = np.unique(xy.round(2), axis=0, return_index=True)
    return places[np.sort(first)]


def _opened(lines: NDArray[Any], places: NDArray[Any]) -> NDArray[Any]:
    """Take out of walls what lies near their openings."""
    place_at, line_at = shapely.STRtree(places).query(lines, predicate="dwithin", distance=_JOINED_M)[::-1]
    if not len(line_at):
        return lines
    order = np.argsort(line_at, kind="stable")
    cut, number = np.unique(line_at[order], return_inverse=True)
    holes = shapely.multipoints(places[place_at[order]], indices=number)
    opened = lines.copy()
    opened[cut] = shapely.difference(lines[cut], shapely.buffer(holes, _JOINED_M))
    return np.asarray(shapely.get_parts(opened), dtype=object)


def _segments(lines: NDArray[Any]) -> NDArray[np.float64]:
    return _segments_at(lines)[0]


def _segments_at(lines: NDArray[Any]) -> tuple[NDArray[np.float64], NDArray[np.intp]]:
    """Straight segments of lines, n x 2 x 2, and the line each is of."""
    parts, line_at = shapely.get_parts(lines, return_index=True)
    xy, part_at = shapely.get_coordinates(parts, return_index=True)
    same = part_at[1:] == part_at[:-1]
    segments = np.stack([xy[:-1], xy[1:]], axis=1)[same]
    whose = line_at[part_at[:-1][same]]
    long = np.any(segments[:, 0] != segments[:, 1], axis=1)
    return segments[long], whose[long]
