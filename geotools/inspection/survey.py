"""Let what was measured on the ground take the place of what was assumed from the map."""

from __future__ import annotations

import warnings
from typing import TYPE_CHECKING, Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from geotools.errors import Assumed, DesignError, Noticed
from geotools.layers.columns import canonical_columns, resolve_columns
from geotools.layers.schema import LAYERS
from geotools.signature import ADDED, NUMBER

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["apply_foothold_survey", "apply_gate_survey", "apply_wall_survey"]

_GONE, _AS_DRAWN = "gone", "as drawn"
_MOSTLY = 0.5
"""A wall of which this share lies along a surveyed one is that wall (assumption of this project)."""


def apply_wall_survey(
    walls: gpd.GeoDataFrame,
    surveyed_walls: gpd.GeoDataFrame | None = None,
    surveyed_openings: gpd.GeoDataFrame | None = None,
    *,
    within_m: float = 1.0,
) -> gpd.GeoDataFrame:
    """Let surveyed walls and openings replace what the wall layer says.

    A wall most of which lies along a surveyed one takes every value measured there; what was not measured stays. A
    surveyed wall that is nowhere drawn is added, one that is gone is taken out. An opening on a wall makes it at least
    as open as that.

    Parameters
    ----------
    walls : GeoDataFrame, n rows
        Lines in a projected CRS in metres, columns as a run reads them.
    surveyed_walls : GeoDataFrame, optional
        Layer `walls` of a survey: `state` "measured", "as drawn" or "gone"; lengths under a name with its unit.
    surveyed_openings : GeoDataFrame, optional
        Layer `openings` of a survey.
    within_m : float
        How far a surveyed thing may lie from the drawn one, metres (assumption of this project: 1 m).

    Returns
    -------
    GeoDataFrame
        The walls that stand, with `measured` (whether a survey says so).

    Raises
    ------
    LayerError
        If a surveyed value can't be read.
    DesignError
        If the distance is not above 0.

    Examples
    --------
    >>> line = shapely.LineString([(0, 0), (9, 0)])
    >>> walls = gpd.GeoDataFrame({"height_m": [1.0]}, geometry=[line], crs=32612)
    >>> found = gpd.GeoDataFrame({"height_in": [24.0], "state": ["measured"]}, geometry=[line], crs=32612)
    >>> with warnings.catch_warnings():
    ...     warnings.simplefilter("ignore")
    ...     known = apply_wall_survey(walls, found)
    >>> known["height_m"].tolist()
    [0.6096]
    """
    made = _apply("walls", walls, surveyed_walls, within_m)
    if surveyed_openings is None or surveyed_openings.empty or made.empty:
        return made
    found = surveyed_openings.assign(kind=None)
    table = _canonical(found, "gates", "surveyed_openings")
    kept = (_state(found) != _AS_DRAWN) & (_state(found) != _GONE) & table["opening_m"].notna().to_numpy()
    points, sizes_m = found.geometry.to_numpy()[kept], table["opening_m"].to_numpy()[kept]
    lines = made.geometry.to_numpy()
    at, which = shapely.STRtree(lines).query_nearest(points, max_distance=within_m, all_matches=False)
    opening_m = made["opening_m"].to_numpy(dtype=np.float64, copy=True)
    np.fmax.at(opening_m, which, sizes_m[at])
    measured = made["measured"].to_numpy(copy=True)
    measured[which] = True
    warnings.warn(f"{len(at)} of {len(points)} surveyed openings lie on a wall and open it", Noticed, stacklevel=2)
    return made.assign(opening_m=opening_m, measured=measured)


def apply_gate_survey(
    gates: gpd.GeoDataFrame, surveyed_gates: gpd.GeoDataFrame | None = None, *, within_m: float = 2.0
) -> gpd.GeoDataFrame:
    """Let surveyed gates replace what the gate layer says.

    Parameters
    ----------
    gates : GeoDataFrame, n rows
        Points in a projected CRS in metres.
    surveyed_gates : GeoDataFrame, optional
        Layer `gates` of a survey.
    within_m : float
        How far a surveyed gate may lie from the drawn one, metres (assumption of this project: 2 m).

    Returns
    -------
    GeoDataFrame
        The gates that stand, at their surveyed places, with `measured`.

    Raises
    ------
    LayerError
        If a surveyed value can't be read.
    DesignError
        If the distance is not above 0.

    Examples
    --------
    >>> gates = gpd.GeoDataFrame({"opening_m": [0.1]}, geometry=[shapely.Point(0, 0)], crs=32612)
    >>> apply_gate_survey(gates)["measured"].tolist()
    [False]
    """
    return _apply("gates", gates, surveyed_gates, within_m)


def apply_foothold_survey(
    footholds: gpd.GeoDataFrame, surveyed_footholds: gpd.GeoDataFrame | None = None, *, within_m: float = 1.5
) -> gpd.GeoDataFrame:
    """Let surveyed climbable things replace what the foothold layer says; only things of one kind are the same.

    Parameters
    ----------
    footholds : GeoDataFrame, n rows
        Any shapes in a projected CRS in metres.
    surveyed_footholds : GeoDataFrame, optional
        Layer `footholds` of a survey.
    within_m : float
        How far a surveyed thing may lie from the drawn one, metres (assumption of this project: 1.5 m).

    Returns
    -------
    GeoDataFrame
        The things that are there, at their surveyed places, with `measured`.

    Raises
    ------
    LayerError
        If a surveyed value can't be read.
    DesignError
        If the distance is not above 0.

    Examples
    --------
    >>> rocks = gpd.GeoDataFrame({"kind": ["rock"]}, geometry=[shapely.Point(0, 0)], crs=32612)
    >>> apply_foothold_survey(rocks)["measured"].tolist()
    [False]
    """
    return _apply("footholds", footholds, surveyed_footholds, within_m)


def _apply(
    layer: str, assumed: gpd.GeoDataFrame, surveyed: gpd.GeoDataFrame | None, within_m: float
) -> gpd.GeoDataFrame:
    if not 0 < within_m < np.inf:
        raise DesignError(f"within_m is {within_m}", mend="give a distance above 0")
    if surveyed is None:
        return assumed.assign(measured=False)
    found = _canonical(surveyed, layer, f"surveyed_{layer}")
    state = _state(surveyed)
    visited = state != _AS_DRAWN
    shapes = surveyed.geometry.to_numpy()
    visited &= ~(shapely.is_missing(shapes) | shapely.is_empty(shapes))
    found, shapes, gone = found[visited], shapes[visited], state[visited] == _GONE
    match = _match(layer, assumed, found, shapes, within_m)
    made = assumed.assign(measured=match >= 0)
    replaced = 0
    rows = np.flatnonzero(match >= 0)
    for column in (column.name for column in LAYERS[layer].columns):
        if column not in made.columns:
            made[column] = found[column].iloc[:0].reindex(made.index)
        values = found[column].reset_index(drop=True).iloc[match[rows]]
        known = values.notna().to_numpy()
        replaced += int(known.sum())
        made.loc[made.index[rows[known]], column] = values[known].to_numpy()
    if layer != "walls":
        places = made.geometry.to_numpy().copy()
        places[rows] = shapes[match[rows]]
        made = made.set_geometry(gpd.GeoSeries(places, index=made.index, crs=made.crs))
    lost = np.zeros(len(made), dtype=bool)
    lost[rows] = gone[match[rows]]
    fresh = np.setdiff1d(np.flatnonzero(~gone), match[rows])
    added = gpd.GeoDataFrame(
        found.iloc[fresh].assign(measured=True).reset_index(drop=True), geometry=shapes[fresh], crs=assumed.crs
    )
    if NUMBER in assumed.columns:
        numbers = surveyed[NUMBER] if NUMBER in surveyed.columns else pd.Series(range(1, len(surveyed) + 1))
        added = added.assign(**{NUMBER: numbers.to_numpy()[visited][fresh], ADDED: True})
        made = made.assign(**{ADDED: False})
    parts = [part for part in (made[~lost], added) if len(part)]
    table = gpd.GeoDataFrame(pd.concat(parts, ignore_index=True), crs=assumed.crs) if parts else made[~lost]
    measured = int(table["measured"].sum())
    warnings.warn(
        f"{measured} of {len(table)} {layer} are measured on the ground: {replaced} values replaced, "
        f"{len(fresh)} added, {int(lost.sum())} gone",
        Noticed,
        stacklevel=3,
    )
    if measured < len(table):
        rest = len(table) - measured
        warnings.warn(f"{rest} of {len(table)} {layer} are taken as the map draws them", Assumed, stacklevel=3)
    return table


def _canonical(surveyed: gpd.GeoDataFrame, layer: str, where: str) -> pd.DataFrame:
    frame = pd.DataFrame(surveyed.drop(columns=surveyed.geometry.name))
    uses = resolve_columns([str(name) for name in frame.columns], LAYERS[layer], {}, where=where)
    table = canonical_columns(frame, uses, LAYERS[layer], rows=np.arange(1, len(frame) + 1), where=where)
    return table.set_index(frame.index)


def _state(surveyed: gpd.GeoDataFrame) -> NDArray[Any]:
    """What the surveyor says of each row; a row without a state was measured."""
    if "state" not in surveyed.columns:
        return np.full(len(surveyed), "measured", dtype=object)
    return surveyed["state"].astype(object).fillna("measured").astype(str).str.strip().str.casefold().to_numpy()


def _match(
    layer: str, assumed: gpd.GeoDataFrame, found: pd.DataFrame, shapes: NDArray[Any], within_m: float
) -> NDArray[np.int64]:
    """Number of the surveyed thing that each drawn one is, or -1."""
    match = np.full(len(assumed), -1, dtype=np.int64)
    drawn = assumed.geometry.to_numpy()
    if not len(drawn) or not len(shapes):
        return match
    if layer == "walls":
        around: Any = shapely.buffer(shapes, within_m, cap_style="flat")
        at, which = shapely.STRtree(around).query(drawn, predicate="intersects")
        shared = shapely.length(shapely.intersection(drawn[at], around[which]))
        keep = shared >= _MOSTLY * shapely.length(drawn[at])
        at, which, rank = at[keep], which[keep], shared[keep]
    else:
        at, which = shapely.STRtree(shapes).query(drawn, predicate="dwithin", distance=within_m)
        rank = -shapely.distance(drawn[at], shapes[which])
        if layer == "footholds" and "kind" in assumed.columns:
            ours = assumed["kind"].astype(object).fillna("").str.casefold().to_numpy()[at]
            theirs = found["kind"].astype(object).fillna("").str.casefold().to_numpy()[which]
            keep = (ours == theirs) | (ours == "") | (theirs == "")
            at, which, rank = at[keep], which[keep], rank[keep]
    order = np.argsort(rank, kind="stable")
    match[at[order]] = which[order]
    if layer != "walls":
        # One surveyed thing stands for one drawn thing: the nearest.
        best: dict[int, int] = {}
        for row, other in zip(at[order], which[order], strict=True):
            if match[row] == other:
                best[int(other)] = int(row)
        match = np.array([one if best.get(int(one)) == row else -1 for row, one in enumerate(match)], dtype=np.int64)
    return match
