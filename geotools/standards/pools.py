"""Hold a snake barrier that stands about a pool against the common pool codes."""

from __future__ import annotations

from typing import NamedTuple

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from geotools.design import BarrierStandard
from geotools.units import METRES_PER_FOOT, METRES_PER_INCH, write_length, write_small

__all__ = ["Pools", "find_pools", "judge_climbing", "judge_pools", "judge_swing"]

POOL_HEIGHT_M = 60 * METRES_PER_INCH
POOL_CLEAR_M = 20 * METRES_PER_INCH
POOL_WIDTH_M = 8 * METRES_PER_FOOT
POOL_DEPTH_M = 18 * METRES_PER_INCH
"""Thresholds of A.R.S. 36-1681, read as restated elsewhere: height, distance from the water, width and depth."""
CLEAR_ZONE_M = 36 * METRES_PER_INCH
"""Ground about a pool barrier free of what helps climbing (model codes; from memory, text not seen)."""
_VERIFY = "verify locally"
_SLACK_M = 1e-6


class Pools(NamedTuple):
    """The water of each lot, n each: largest pool or None, depth, line or None, whether the line is round it."""

    given: bool
    works: NDArray[np.bool_]
    water: NDArray[np.object_]
    depth_m: NDArray[np.float64]
    line: NDArray[np.object_]
    within: NDArray[np.object_]
    """`round it`, `past it`, or empty where that is not known."""

    @property
    def at(self) -> NDArray[np.intp]:
        """Lots with work to do and a pool."""
        there = np.array([pool is not None for pool in self.water], dtype=bool)
        return np.flatnonzero(there & self.works)


def find_pools(
    outlines: NDArray[np.object_],
    works: NDArray[np.bool_],
    pools: gpd.GeoDataFrame | None,
    lines: NDArray[np.object_],
    enclosed: NDArray[np.object_],
) -> Pools:
    """Find the largest water on each lot, and whether the lot's line runs round it.

    Examples
    --------
    >>> lot, pool = np.array([shapely.box(0, 0, 9, 9)]), gpd.GeoDataFrame(geometry=[shapely.box(2, 2, 5, 5)])
    >>> find_pools(lot, np.array([True]), pool, np.array([lot[0].exterior]), lot).within.tolist()
    ['round it']
    """
    water, depth_m = np.full(len(outlines), None, dtype=object), np.full(len(outlines), np.nan)
    within = np.full(len(outlines), "", dtype=object)
    if pools is None:
        return Pools(False, works, water, depth_m, lines, within)
    kept = pools[~(pools.geometry.isna() | pools.geometry.is_empty)]
    shapes = kept.geometry.to_numpy()
    depths_m = (
        pd.to_numeric(kept["depth_m"]).to_numpy(dtype=np.float64, na_value=np.nan)
        if "depth_m" in kept.columns
        else np.full(len(kept), np.nan)
    )
    at, which = shapely.STRtree(shapes).query(outlines, predicate="intersects")
    order = np.argsort(shapely.area(shapes[which]), kind="stable")
    water[at[order]], depth_m[at[order]] = shapes[which[order]], depths_m[which[order]]
    known = ~(shapely.is_missing(enclosed) | shapely.is_missing(water) | shapely.is_missing(lines))
    inside = shapely.intersects(enclosed[known], water[known])
    within[known] = np.where(inside, "round it", "past it")
    return Pools(True, works, water, depth_m, lines, within)


def judge_pools(pools: Pools, height_m: NDArray[np.float64], standard: BarrierStandard, units: str) -> list[str]:
    """Judge height and distance from the water; a snake barrier that is lower does not stand in for a pool barrier.

    Examples
    --------
    >>> judge_pools(Pools(False, np.array([False]), *[np.array([None])] * 4), np.array([1.0]), BarrierStandard(), "us")
    ['']
    """
    if not pools.given:
        own = write_small(standard.height_m, units=units)
        text = f"{_VERIFY}: is there a pool? A {own} barrier is no pool barrier"
        return [text if work else "" for work in pools.works]
    texts = [""] * len(pools.works)
    least, clear = (write_small(size_m, units=units) for size_m in (POOL_HEIGHT_M, POOL_CLEAR_M))
    for row in pools.at.tolist():
        pool, line = pools.water[row], pools.line[row]
        if line is None:
            texts[row] = f"{_VERIFY}: height, openings and latch of the walls and gates that stand round the pool"
            continue
        found = []
        if height_m[row] < POOL_HEIGHT_M - _SLACK_M:
            own = write_small(float(height_m[row]), units=units)
            found.append(f"{own} is below {least}: no pool barrier, keep the pool's own")
        away_m = float(shapely.distance(line, pool))
        if away_m < POOL_CLEAR_M - _SLACK_M:
            away = f"is {write_small(away_m, units=units)} from" if away_m > _SLACK_M else "crosses"
            found.append(f"the line {away} the water, {clear} is the least")
        doubts = _doubts(pool, float(pools.depth_m[row]), units)
        runs = f"the line runs {pools.within[row]}" if pools.within[row] else ""
        kind = "meets" if not found else _VERIFY if doubts else "conflict"
        told = found or ["height and distance from the water"]
        texts[row] = f"{kind}: {'; '.join(filter(None, [*told, runs, doubts]))}"
    return texts


def judge_climbing(pools: Pools, footholds: gpd.GeoDataFrame | None, units: str) -> list[str]:
    """Tell of climbable things within the clear zone of a line on a lot with a pool.

    Examples
    --------
    >>> judge_climbing(Pools(False, np.array([False]), *[np.array([None])] * 4), None, "us")
    ['']
    """
    texts = [""] * len(pools.works)
    zone = write_small(CLEAR_ZONE_M, units=units)
    for row in pools.at.tolist():
        if pools.line[row] is None or footholds is None:
            texts[row] = f"{_VERIFY}: nothing to climb on within {zone} of a pool barrier"
    if footholds is None or not len(footholds):
        return texts
    lots = np.array([row for row in pools.at.tolist() if pools.line[row] is not None], dtype=np.intp)
    things = footholds.geometry.to_numpy()
    at, thing = shapely.STRtree(things).query(pools.line[lots], predicate="dwithin", distance=CLEAR_ZONE_M)
    kinds = (
        footholds["kind"].astype(object).where(footholds["kind"].notna(), "thing").to_numpy()
        if "kind" in footholds.columns
        else np.full(len(footholds), "thing", dtype=object)
    )
    for place, row in enumerate(lots.tolist()):
        near = [str(kind) for kind in kinds[thing[at == place]]]
        named = ", ".join(f"{near.count(kind)} {kind}" for kind in dict.fromkeys(near))
        # The zone is that of a pool barrier, and from memory: never more than a thing to look into.
        texts[row] = f"{_VERIFY}: {named} within {zone} of the line" if near else f"meets: nothing within {zone}"
    return texts


def judge_swing(pools: Pools, line: pd.DataFrame, planned_gates: gpd.GeoDataFrame | None) -> list[str]:
    """Tell how the gates swing on lots with a pool: the pool code wins over the guides for snake gates.

    Examples
    --------
    >>> judge_swing(Pools(False, np.array([False]), *[np.array([None])] * 4), pd.DataFrame({"line_id": [None]}), None)
    ['']
    """
    texts = [""] * len(pools.works)
    ids = line["line_id"].to_numpy(dtype=object)
    swings: dict[object, set[str]] = {}
    if planned_gates is not None:
        for line_id, swing in zip(planned_gates["line_id"], planned_gates["swing"], strict=True):
            swings.setdefault(line_id, set()).add(str(swing))
    for row in pools.at.tolist():
        if pools.line[row] is None:
            texts[row] = f"{_VERIFY}: gates that stand must open away from the water"
        elif pools.within[row] == "past it":
            texts[row] = "meets: the line does not run round the pool"
        elif swings.get(ids[row]) == {"out"}:
            texts[row] = "meets: planned to swing out, away from the water; the guides for snake gates ask for in"
        else:
            texts[row] = (
                "conflict: a snake gate swings in, a pool gate away from the water; at the pool the pool code wins"
            )
    return texts


def _doubts(pool: shapely.Geometry, depth_m: float, units: str) -> str:
    """Say why the rule may not apply to a water at all."""
    if _width(pool) <= POOL_WIDTH_M + _SLACK_M:
        return f"the pool is no wider than {write_length(POOL_WIDTH_M, units=units)}: the rule may not apply"
    if depth_m < POOL_DEPTH_M - _SLACK_M:
        return f"the water is less than {write_small(POOL_DEPTH_M, units=units)} deep: the rule may not apply"
    return ""


def _width(pool: shapely.Geometry) -> float:
    """Greatest extent of the water, metres: the longer side of its least rectangle."""
    corners = shapely.get_coordinates(shapely.minimum_rotated_rectangle(pool))
    return float(np.hypot(*np.diff(corners, axis=0).T).max()) if len(corners) > 1 else 0.0
