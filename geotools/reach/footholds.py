"""Hold each line against the climbable things near it."""

from __future__ import annotations

import warnings

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from geotools.design import BarrierStandard, specified_height
from geotools.errors import Assumed, DesignError
from geotools.reach.envelope import local_height, reserve, setback
from geotools.signature import ids_of_rows
from geotools.units import write_at_least, write_length

__all__ = ["find_conflicts", "measure_setbacks"]

_TOUCH_M = 1e-3
"""A line drawn exactly at the setback, with vertices rounded to a millimetre, holds it."""


def measure_setbacks(footholds: gpd.GeoDataFrame, *, standard: BarrierStandard | None = None) -> gpd.GeoDataFrame:
    """Measure the setback that each climbable thing asks of a barrier of the specified height.

    A thing without a height is taken to be as high as the barrier, which asks for the whole reach (assumption of this
    project).

    Parameters
    ----------
    footholds : GeoDataFrame, n rows
        Points, lines or polygons in a projected CRS in metres, with `kind` and `height_m` where known; `number` where
        they are a part of a larger layer, for their ids.
    standard : BarrierStandard, optional
        What the barrier is designed to.

    Returns
    -------
    GeoDataFrame, n rows on the same index
        The footholds with `foothold_id`, `height_assumed` and `setback_m`.

    Raises
    ------
    DesignError
        If a height is negative.

    Examples
    --------
    >>> rocks = gpd.GeoDataFrame({"height_m": [0.0, 0.9144]}, geometry=gpd.points_from_xy([0, 1], [0, 0]), crs=32612)
    >>> measure_setbacks(rocks)["setback_m"].round(4).tolist()
    [0.0, 0.9144]
    """
    standard = standard or BarrierStandard()
    heights_m = pd.to_numeric(footholds["height_m"]).to_numpy(dtype=np.float64, na_value=np.nan)
    if np.any(heights_m < 0):
        row = int(np.flatnonzero(heights_m < 0)[0])
        raise DesignError(
            f"the height is {heights_m[row]} m", where=f"footholds, row {row + 1}", mend="give a height of 0 or more"
        )
    assumed = np.isnan(heights_m)
    if assumed.any():
        warnings.warn(
            f"{assumed.sum():,} of {len(assumed):,} footholds have no height: taken to be as high as the barrier",
            Assumed,
            stacklevel=2,
        )
    measured = setback(np.where(assumed, standard.height_m, heights_m), standard.height_m, reach_m=standard.reach_m)
    ids = ids_of_rows(footholds, "F")
    return footholds.assign(
        foothold_id=pd.Series(ids, index=footholds.index, dtype=str), height_assumed=assumed, setback_m=measured
    )


def find_conflicts(
    candidate_lines: gpd.GeoDataFrame,
    setback_footholds: gpd.GeoDataFrame | None = None,
    *,
    standard: BarrierStandard | None = None,
    units: str = "us",
) -> gpd.GeoDataFrame:
    """Find the climbable things outside each line that stand nearer than their setback.

    A thing counts when it is not wholly within the ground that the line encloses (only footholds on the snake's side
    count). Distances run to the thing's nearest edge.

    Parameters
    ----------
    candidate_lines : GeoDataFrame, n rows
        Lines with `line_id`, `parcel_id`, `option` and the polygon column `enclosed`; rows without a line are passed
        over.
    setback_footholds : GeoDataFrame, optional
        Footholds with `foothold_id`, `kind`, `height_m`, `setback_m`; without it there is no conflict to find.
    standard : BarrierStandard, optional
        What the barrier is designed to.
    units : str
        Units of the texts: `us` or `metric`.

    Returns
    -------
    GeoDataFrame
        A row per line and thing, ordered by both: line_id, parcel_id, option, foothold_id, kind, height_m, setback_m,
        distance_m, reserve_m (distance of the top edge from it, less the reach), local_height_m (height to build
        there if nothing else is done), remedy, and the thing's geometry.

    Raises
    ------
    DesignError
        If the reach is not positive.

    Examples
    --------
    >>> from shapely import box
    >>> line = gpd.GeoDataFrame(
    ...     {"line_id": ["A"], "parcel_id": ["1"], "option": ["lot line"]},
    ...     geometry=[box(0, 0, 9, 9).exterior], crs=32612,
    ... ).assign(enclosed=[box(0, 0, 9, 9)])
    >>> at = gpd.points_from_xy([9.5], [5])
    >>> rock = gpd.GeoDataFrame({"kind": ["rock"], "height_m": [0.5]}, geometry=at, crs=32612)
    >>> find_conflicts(line, measure_setbacks(rock))["distance_m"].tolist()
    [0.5]
    """
    standard = standard or BarrierStandard()
    if setback_footholds is None:
        warnings.warn("no layer of climbable things is given: lines are judged on smooth ground", Assumed, stacklevel=2)
        nothing: dict[str, list[float]] = {"height_m": [], "kind": []}
        none = gpd.GeoDataFrame(nothing, geometry=[], crs=candidate_lines.crs)
        setback_footholds = measure_setbacks(none, standard=standard)
    lines = candidate_lines.geometry.to_numpy()
    things = setback_footholds.geometry.to_numpy()
    setbacks_m = setback_footholds["setback_m"].to_numpy(dtype=np.float64)
    tree = shapely.STRtree(lines)
    thing_at, line_at = tree.query(things, predicate="dwithin", distance=standard.reach_m)
    distances_m = shapely.distance(things[thing_at], lines[line_at])
    near = distances_m < setbacks_m[thing_at] - _TOUCH_M
    thing_at, line_at, distances_m = thing_at[near], line_at[near], distances_m[near]
    enclosed = np.asarray(candidate_lines["enclosed"])[line_at]
    outside = ~shapely.within(things[thing_at], enclosed)
    thing_at, line_at, distances_m = thing_at[outside], line_at[outside], distances_m[outside]
    order = np.lexsort((thing_at, line_at))
    thing_at, line_at, distances_m = thing_at[order], line_at[order], distances_m[order]
    kept = setback_footholds[["foothold_id", "kind", "height_m", "setback_m", "geometry"]]
    table: gpd.GeoDataFrame = kept.iloc[thing_at].reset_index(drop=True)
    for position, column in enumerate(("line_id", "parcel_id", "option")):
        table.insert(position, column, candidate_lines[column].to_numpy()[line_at])
    heights_m = pd.to_numeric(table["height_m"]).to_numpy(dtype=np.float64, na_value=np.nan)
    asked_m = local_height(heights_m, distances_m, reach_m=standard.reach_m)
    local_m = specified_height(asked_m, least_height_m=standard.height_m, height_step_m=standard.height_step_m)
    table["distance_m"] = distances_m
    table["reserve_m"] = reserve(heights_m, distances_m, standard.height_m, reach_m=standard.reach_m)
    table["local_height_m"] = local_m
    table["remedy"] = pd.Series(
        [_remedy(setback_m, raised_m, units) for setback_m, raised_m in zip(table["setback_m"], local_m, strict=True)],
        index=table.index,
        dtype=str,
    )
    return table


def _remedy(setback_m: float, raised_m: float, units: str) -> str:
    held = f"remove or trim it, or keep the line {write_at_least(setback_m - _TOUCH_M, units=units)} away"
    return (
        f"{held}; height not known: measure it"
        if np.isnan(raised_m)
        else f"{held}, or build {write_length(raised_m, units=units)} high here"
    )
