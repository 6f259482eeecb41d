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
from geotools.standards.pools import find_pools, judge_climbing, judge_pools, judge_swing
from geotools.units import METRES_PER_FOOT, METRES_PER_INCH, write_length, write_small

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["Code", "flag_codes", "list_codes"]

READ_ELSEWHERE = "published, read as restated elsewhere"
READ = "published, text read"
DERIVED = "derived from two published rules"
FROM_MEMORY = "from memory, text not seen: not verified"


class Code(NamedTuple):
    """A rule of a code: its key, source, threshold in words, and how far it was verified."""

    key: str
    source: str
    text: str
    status: str


PERMIT_HEIGHT_M = 7 * METRES_PER_FOOT
LOCAL_PERMIT_M = 4 * METRES_PER_FOOT
RETAINING_M = 4 * METRES_PER_FOOT
REGULATED_CFS = 100.0
_RETAINING = r"\bretaining\b"
_NEAR_M = 1.0
_VERIFY = "verify locally"
_CFS_PER_M3_S = 1 / METRES_PER_FOOT**3
_SLACK_M = 1e-6


def list_codes(*, units: str = "us") -> tuple[Code, ...]:
    """List the codes whose thresholds are flagged, in words.

    Parameters
    ----------
    units : str
        Units of the texts: `us` or `metric`.

    Returns
    -------
    tuple of Code

    Examples
    --------
    >>> [code.key for code in list_codes()][:2]
    ['pool', 'pool clear zone']
    """

    def inches(size_in: float) -> str:
        return write_small(size_in * METRES_PER_INCH, units=units)

    def feet(size_ft: float) -> str:
        return write_length(size_ft * METRES_PER_FOOT, units=units)

    return (
        Code(
            "pool", "A.R.S. 36-1681 (pool enclosure)",
            f"barrier at least {inches(60)} high on its outside, no opening that passes a {inches(4)} sphere, mesh up "
            f"to {inches(1.75)}, horizontals {inches(45)} apart, no hand or footholds, {inches(20)} from the water, "
            f"latch at {inches(54)}; applies where a child under 6 lives, to water at least {inches(18)} deep and over "
            f"{feet(8)} wide",
            READ_ELSEWHERE,
        ),
        Code(
            "pool clear zone", "ISPSC 305.2 / IRC Appendix G (model codes)",
            f"nothing that helps climbing within {inches(36)} of a pool barrier; a barrier of {inches(48)} or more",
            FROM_MEMORY,
        ),
        Code(
            "gate swing", "A.R.S. 36-1681 against the extension guides",
            "a snake gate swings into the protected side, a pool gate away from the water: the pool code wins",
            DERIVED,
        ),
        Code(
            "fence permit", "IRC R105.2 item 2 (model code)",
            f"fences up to {feet(7)} need no building permit; older and local codes say {feet(6)} or {feet(4)}; zoning "
            "and floodplain rules still hold",
            READ_ELSEWHERE,
        ),
        Code(
            "retaining wall", "IRC R105.2 (model code)",
            f"retaining walls over {feet(4)} from the bottom of the footing need a permit",
            READ_ELSEWHERE,
        ),
        Code(
            "floodplain", "Pima County regulated wash, as an example of a local rule",
            f"a base flood of {_flow(REGULATED_CFS, units)} or more: fences and walls there need a floodplain permit",
            READ,
        ),
    )  # fmt: skip


def flag_codes(
    lots: gpd.GeoDataFrame,
    barrier_lines: gpd.GeoDataFrame,
    panels: gpd.GeoDataFrame | None = None,
    pools: gpd.GeoDataFrame | None = None,
    washes: gpd.GeoDataFrame | None = None,
    walls: gpd.GeoDataFrame | None = None,
    footholds: gpd.GeoDataFrame | None = None,
    planned_gates: gpd.GeoDataFrame | None = None,
    counted_lines: gpd.GeoDataFrame | None = None,
    *,
    standard: BarrierStandard | None = None,
    units: str = "us",
    wash_within_m: float = 15.24,
) -> gpd.GeoDataFrame:
    """Flag per lot the thresholds of common codes that its plan meets, and those to verify where data doesn't tell.

    The thresholds are those of `list_codes`, each with its source and how far it was verified. They are reminders, not
    legal advice; the local code comes first.

    Parameters
    ----------
    lots : GeoDataFrame, n rows
        As `specify_lots` gives it.
    barrier_lines : GeoDataFrame
        As `list_barrier_lines` gives it.
    panels : GeoDataFrame, optional
        Height schedule.
    pools : GeoDataFrame, optional
        Polygons of water, with `depth_m` where known; without the layer every lot with a line says "verify locally".
    washes : GeoDataFrame, optional
        Washes with `q100_cfs` where known.
    walls : GeoDataFrame, optional
        Walls that stand, with `kind` and `height_m`.
    footholds : GeoDataFrame, optional
        Climbable things, with `kind` and `height_m`.
    planned_gates : GeoDataFrame, optional
        As `place_gates` gives it: which way each gate swings.
    counted_lines : GeoDataFrame, optional
        Lines with `line_id` and `enclosed`, to tell whether a line runs round the pool.
    standard : BarrierStandard, optional
    units : str
        Units of the texts: `us` or `metric`.
    wash_within_m : float
        A line within this of a wash may lie in its floodplain, metres (assumption of this project: 50 ft).

    Returns
    -------
    GeoDataFrame, n rows on the same index
        parcel_id, `pool`, `pool_clear_zone`, `gate_swing`, `fence_permit`, `retaining_wall`, `floodplain` (each empty,
        "meets: ...", "conflict: ..." or "verify locally: ..."), `conflicts` (number of them), geometry.

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
    lowest_m = height_m
    if panels is not None and len(panels):
        by_line = panels.groupby("line_id")["height_m"]
        # A pool barrier is as good as its lowest panel, a permit is asked for by the highest.
        lowest = line["line_id"].map(by_line.min()).to_numpy(dtype=np.float64)
        lowest_m = np.where(np.isnan(lowest), height_m, lowest)
        highest = by_line.max()
        height_m = np.fmax(height_m, line["line_id"].map(highest).to_numpy(dtype=np.float64))
    height_m, lowest_m = (np.where(np.isnan(each), standard.height_m, each) for each in (height_m, lowest_m))
    lines = line["geometry"].where(line["geometry"].notna() & works, None).to_numpy(dtype=object)
    outlines = lots.geometry.to_numpy()
    if pools is None:
        warnings.warn("no layer of pools is given: pool codes are to be verified locally", Assumed, stacklevel=2)
    enclosed = _enclosed(line, counted_lines)
    at_hand = find_pools(outlines, works, pools, lines, enclosed)
    flags = {
        "pool": judge_pools(at_hand, lowest_m, standard, units),
        "pool_clear_zone": judge_climbing(at_hand, footholds, units),
        "gate_swing": judge_swing(at_hand, line, planned_gates),
        "fence_permit": [_permit(height, units) if work else "" for height, work in zip(height_m, works, strict=True)],
        "retaining_wall": _retaining(outlines, walls, units),
        "floodplain": _floodplain(lines, washes, wash_within_m, units),
    }
    conflicts = [sum(text.startswith("conflict") for text in texts) for texts in zip(*flags.values(), strict=True)]
    return gpd.GeoDataFrame(
        {"parcel_id": lots["parcel_id"], **flags, "conflicts": conflicts}, geometry=lots.geometry, index=lots.index
    )


def _enclosed(line: pd.DataFrame, counted_lines: gpd.GeoDataFrame | None) -> NDArray[np.object_]:
    """Ground that each lot's line encloses; None where that is not known."""
    if counted_lines is None or "enclosed" not in counted_lines.columns:
        return np.full(len(line), None, dtype=object)
    known = counted_lines.drop_duplicates("line_id").set_index("line_id")["enclosed"]
    return np.asarray(known.reindex(line["line_id"]).to_numpy(dtype=object))


def _flow(cfs: float, units: str) -> str:
    return f"{cfs:,.0f} cfs" if units == "us" else f"{cfs / _CFS_PER_M3_S:,.3g} m3/s"


def _permit(height_m: float, units: str) -> str:
    own, most = write_small(height_m, units=units), write_small(PERMIT_HEIGHT_M, units=units)
    local = write_length(LOCAL_PERMIT_M, units=units)
    if height_m > PERMIT_HEIGHT_M + _SLACK_M:
        return f"conflict: {own} is over {most}: a building permit is needed"
    if height_m > LOCAL_PERMIT_M + _SLACK_M:
        return f"{_VERIFY}: {own} is over the {local} of some local codes"
    return f"meets: no more than {local}"


def _retaining(outlines: NDArray[np.object_], walls: gpd.GeoDataFrame | None, units: str) -> list[str]:
    if walls is None or walls.empty or "kind" not in walls.columns:
        return ["" for _ in outlines]
    kinds = walls["kind"].astype(object).fillna("").astype(str)
    held = walls[kinds.str.contains(_RETAINING, case=False, regex=True).to_numpy()]
    heights_m = pd.to_numeric(held["height_m"]).to_numpy(dtype=np.float64, na_value=np.nan)
    texts = ["" for _ in outlines]
    most = write_small(RETAINING_M, units=units)
    if held.empty:
        return texts
    at, which = shapely.STRtree(held.geometry.to_numpy()).query(outlines, predicate="dwithin", distance=_NEAR_M)
    for row, wall in zip(at, which, strict=True):
        if heights_m[wall] > RETAINING_M + _SLACK_M:
            texts[row] = f"conflict: a retaining wall of {write_small(heights_m[wall], units=units)} is over {most}"
        elif not texts[row]:
            texts[row] = f"{_VERIFY}: a retaining wall is measured from the bottom of its footing"
    return texts


def _floodplain(lines: NDArray[np.object_], washes: gpd.GeoDataFrame | None, within_m: float, units: str) -> list[str]:
    if washes is None or washes.empty:
        return [_VERIFY + ": no layer of washes" if line is not None else "" for line in lines]
    floods = (
        pd.to_numeric(washes["q100_cfs"]) if "q100_cfs" in washes.columns else pd.Series(np.nan, index=washes.index)
    )
    cfs = floods.to_numpy(dtype=np.float64, na_value=np.nan)
    texts = ["" for _ in lines]
    least = _flow(REGULATED_CFS, units)
    at, which = shapely.STRtree(washes.geometry.to_numpy()).query(lines, predicate="dwithin", distance=within_m)
    for row, wash in zip(at, which, strict=True):
        if cfs[wash] >= REGULATED_CFS:
            texts[row] = f"conflict: near a wash of {_flow(cfs[wash], units)}: a floodplain permit is needed"
        elif np.isnan(cfs[wash]) and not texts[row]:
            texts[row] = f"{_VERIFY}: near a wash whose base flood is not known"
        elif not texts[row]:
            texts[row] = f"{_VERIFY}: near a wash of {_flow(cfs[wash], units)}, below {least}; local limits differ"
    return texts
