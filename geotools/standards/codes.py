"""Hold the plan of each lot against the thresholds of common pool, permit and floodplain codes."""

from __future__ import annotations

import warnings
from typing import TYPE_CHECKING, NamedTuple

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from geotools.design import BarrierStandard
from geotools.errors import Assumed
from geotools.units import METRES_PER_FOOT, METRES_PER_INCH

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["CODES", "Code", "flag_codes"]

READ_ELSEWHERE = "published, read as restated elsewhere"
READ = "published, text read"
DERIVED = "derived from two published rules"


class Code(NamedTuple):
    """A rule of a code: its key, source, threshold in words, and how far it was verified."""

    key: str
    source: str
    text: str
    status: str


CODES = (
    Code(
        "pool", "A.R.S. 36-1681 (pool enclosure)",
        "barrier at least 60 in high on its outside, no opening that passes a 4 in sphere, mesh up to 1-3/4 in, "
        "horizontals 45 in apart, no hand or footholds, 20 in from the water, latch at 54 in; applies where a child "
        "under 6 lives, to water at least 18 in deep and over 8 ft wide",
        READ_ELSEWHERE,
    ),
    Code(
        "gate swing", "A.R.S. 36-1681 against the extension guides",
        "a snake gate swings into the protected side, a pool gate away from the water: the pool code wins",
        DERIVED,
    ),
    Code(
        "fence permit", "IRC R105.2 item 2 (model code)",
        "fences up to 7 ft need no building permit; older and local codes say 6 ft or 4 ft; zoning and floodplain "
        "rules still hold",
        READ_ELSEWHERE,
    ),
    Code(
        "retaining wall", "IRC R105.2 (model code)",
        "retaining walls over 4 ft from the bottom of the footing need a permit",
        READ_ELSEWHERE,
    ),
    Code(
        "floodplain", "Pima County regulated wash, as an example of a local rule",
        "a base flood of 100 cfs or more: fences and walls there need a floodplain permit",
        READ,
    ),
)  # fmt: skip
POOL_HEIGHT_M = 60 * METRES_PER_INCH
POOL_CLEAR_M = 20 * METRES_PER_INCH
POOL_WIDTH_M = 8 * METRES_PER_FOOT
PERMIT_HEIGHT_M = 7 * METRES_PER_FOOT
LOCAL_PERMIT_M = 4 * METRES_PER_FOOT
RETAINING_M = 4 * METRES_PER_FOOT
REGULATED_CFS = 100.0
_RETAINING = r"\bretaining\b"
_NEAR_M = 1.0
_VERIFY = "verify locally"
_SLACK_M = 1e-6


def flag_codes(
    lots: gpd.GeoDataFrame,
    barrier_lines: gpd.GeoDataFrame,
    panels: gpd.GeoDataFrame | None = None,
    pools: gpd.GeoDataFrame | None = None,
    washes: gpd.GeoDataFrame | None = None,
    walls: gpd.GeoDataFrame | None = None,
    *,
    standard: BarrierStandard | None = None,
    wash_within_m: float = 15.24,
) -> gpd.GeoDataFrame:
    """Flag per lot the thresholds of common codes that its plan meets, and those to verify where data doesn't tell.

    The thresholds are those of `CODES`, each with its source and how far it was verified. They are reminders, not legal
    advice; the local code comes first.

    Parameters
    ----------
    lots : GeoDataFrame, n rows
        As `specify_lots` gives it.
    barrier_lines : GeoDataFrame
        As `list_barrier_lines` gives it.
    panels : GeoDataFrame, optional
        Height schedule.
    pools : GeoDataFrame, optional
        Polygons of water, a layer of the user's own; without it every lot with a line says "verify locally".
    washes : GeoDataFrame, optional
        Washes with `q100_cfs` where known.
    walls : GeoDataFrame, optional
        Walls that stand, with `kind` and `height_m`.
    standard : BarrierStandard, optional
    wash_within_m : float
        A line within this of a wash may lie in its floodplain, metres (assumption of this project: 50 ft).

    Returns
    -------
    GeoDataFrame, n rows on the same index
        parcel_id, `pool`, `gate_swing`, `fence_permit`, `retaining_wall`, `floodplain` (each empty, "meets: ...",
        "conflict: ..." or "verify locally: ..."), `conflicts` (number of them), geometry.

    Examples
    --------
    >>> from geotools.steps import find_step
    >>> find_step("flag_codes").layers["pools"]
    False
    """
    standard = standard or BarrierStandard()
    advised = barrier_lines[barrier_lines["recommended"].astype(bool)].drop_duplicates("parcel_id")
    line = advised.set_index("parcel_id").reindex(lots["parcel_id"]).set_index(lots.index)
    works = lots["verdict"].isin(["build", "retrofit"]).to_numpy()
    height_m = pd.to_numeric(line["height_m"]).to_numpy(dtype=np.float64, na_value=np.nan)
    if panels is not None and len(panels):
        highest = panels.groupby("line_id")["height_m"].max()
        height_m = np.fmax(height_m, line["line_id"].map(highest).to_numpy(dtype=np.float64))
    height_m = np.where(np.isnan(height_m), standard.height_m, height_m)
    lines = line["geometry"].where(line["geometry"].notna() & works, None).to_numpy(dtype=object)
    outlines = lots.geometry.to_numpy()
    if pools is None:
        warnings.warn("no layer of pools is given: pool codes are to be verified locally", Assumed, stacklevel=2)
    flags = {
        "pool": _pool(outlines, lines, height_m, works, pools, standard),
        "gate_swing": _swing(outlines, works, pools),
        "fence_permit": [_permit(height) if work else "" for height, work in zip(height_m, works, strict=True)],
        "retaining_wall": _retaining(outlines, walls),
        "floodplain": _floodplain(lines, washes, wash_within_m),
    }
    conflicts = [sum(text.startswith("conflict") for text in texts) for texts in zip(*flags.values(), strict=True)]
    return gpd.GeoDataFrame(
        {"parcel_id": lots["parcel_id"], **flags, "conflicts": conflicts}, geometry=lots.geometry, index=lots.index
    )


def _pool(
    outlines: NDArray[np.object_],
    lines: NDArray[np.object_],
    height_m: NDArray[np.float64],
    works: NDArray[np.bool_],
    pools: gpd.GeoDataFrame | None,
    standard: BarrierStandard,
) -> list[str]:
    """A snake barrier is lower than a pool barrier: it does not stand in for one."""
    if pools is None:
        text = f"{_VERIFY}: is there a pool? A {_inches(standard.height_m)} barrier is no pool barrier"
        return [text if work else "" for work in works]
    water = _on_lots(outlines, pools)
    texts = []
    for row, pool in enumerate(water):
        if pool is None or not works[row]:
            texts.append("")
            continue
        found = []
        if height_m[row] < POOL_HEIGHT_M - _SLACK_M:
            found.append(
                f"{_inches(height_m[row])} is below {_inches(POOL_HEIGHT_M)}: no pool barrier, keep the pool's own"
            )
        away_m = np.inf if lines[row] is None else float(shapely.distance(lines[row], pool))
        if away_m < POOL_CLEAR_M - _SLACK_M:
            found.append(f"the line is {_inches(away_m)} from the water, {_inches(POOL_CLEAR_M)} is the least")
        small = _width(pool) <= POOL_WIDTH_M
        kind = _VERIFY if small else "conflict"
        told = "; ".join([*found, "the pool is no wider than 8 ft: the rule may not apply"] if small else found)
        texts.append(f"{kind}: {told}" if found else "meets: height and distance from the water")
    return texts


def _swing(outlines: NDArray[np.object_], works: NDArray[np.bool_], pools: gpd.GeoDataFrame | None) -> list[str]:
    if pools is None:
        return ["" for _ in works]
    text = "conflict: a snake gate swings in, a pool gate away from the water; at the pool the pool code wins"
    water = _on_lots(outlines, pools)
    return [text if work and pool is not None else "" for work, pool in zip(works, water, strict=True)]


def _permit(height_m: float) -> str:
    if height_m > PERMIT_HEIGHT_M + _SLACK_M:
        return f"conflict: {_inches(height_m)} is over {_inches(PERMIT_HEIGHT_M)}: a building permit is needed"
    if height_m > LOCAL_PERMIT_M + _SLACK_M:
        return f"{_VERIFY}: {_inches(height_m)} is over the 4 ft of some local codes"
    return "meets: no more than 4 ft"


def _retaining(outlines: NDArray[np.object_], walls: gpd.GeoDataFrame | None) -> list[str]:
    if walls is None or walls.empty or "kind" not in walls.columns:
        return ["" for _ in outlines]
    kinds = walls["kind"].astype(object).fillna("").astype(str)
    held = walls[kinds.str.contains(_RETAINING, case=False, regex=True).to_numpy()]
    heights_m = pd.to_numeric(held["height_m"]).to_numpy(dtype=np.float64, na_value=np.nan)
    texts = ["" for _ in outlines]
    if held.empty:
        return texts
    at, which = shapely.STRtree(held.geometry.to_numpy()).query(outlines, predicate="dwithin", distance=_NEAR_M)
    for row, wall in zip(at, which, strict=True):
        if heights_m[wall] > RETAINING_M + _SLACK_M:
            texts[row] = f"conflict: a retaining wall of {_inches(heights_m[wall])} is over {_inches(RETAINING_M)}"
        elif not texts[row]:
            texts[row] = f"{_VERIFY}: a retaining wall is measured from the bottom of its footing"
    return texts


def _floodplain(lines: NDArray[np.object_], washes: gpd.GeoDataFrame | None, within_m: float) -> list[str]:
    if washes is None or washes.empty:
        return [_VERIFY + ": no layer of washes" if line is not None else "" for line in lines]
    floods = (
        pd.to_numeric(washes["q100_cfs"]) if "q100_cfs" in washes.columns else pd.Series(np.nan, index=washes.index)
    )
    cfs = floods.to_numpy(dtype=np.float64, na_value=np.nan)
    texts = ["" for _ in lines]
    at, which = shapely.STRtree(washes.geometry.to_numpy()).query(lines, predicate="dwithin", distance=within_m)
    for row, wash in zip(at, which, strict=True):
        if cfs[wash] >= REGULATED_CFS:
            texts[row] = f"conflict: near a wash of {cfs[wash]:,.0f} cfs: a floodplain permit is needed"
        elif np.isnan(cfs[wash]) and not texts[row]:
            texts[row] = f"{_VERIFY}: near a wash whose base flood is not known"
        elif not texts[row]:
            texts[row] = f"{_VERIFY}: near a wash of {cfs[wash]:,.0f} cfs, below 100; local limits differ"
    return texts


def _on_lots(outlines: NDArray[np.object_], pools: gpd.GeoDataFrame) -> list[shapely.Geometry | None]:
    """The largest water on each lot."""
    shapes = pools.geometry.to_numpy()
    shapes = shapes[~(shapely.is_missing(shapes) | shapely.is_empty(shapes))]
    found: list[shapely.Geometry | None] = [None] * len(outlines)
    at, which = shapely.STRtree(shapes).query(outlines, predicate="intersects")
    order = np.argsort(shapely.area(shapes[which]), kind="stable")
    for row, pool in zip(at[order], which[order], strict=True):
        found[row] = shapes[pool]
    return found


def _width(pool: shapely.Geometry) -> float:
    """Greatest extent of the water, metres: the longer side of its least rectangle."""
    corners = shapely.get_coordinates(shapely.minimum_rotated_rectangle(pool))
    return float(np.hypot(*np.diff(corners, axis=0).T).max()) if len(corners) > 1 else 0.0


def _inches(height_m: float) -> str:
    return f"{height_m / METRES_PER_INCH:.4g} in"
