"""Take the planned gates of lines into account: where each opens its line, and the posts between them."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import geopandas as gpd
import numpy as np
import pandas as pd

from geotools.errors import StepError
from geotools.takeoff.posts import Openings, PostCounts, classify_posts, cut_openings, straighten

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

__all__ = ["classify_between_gates", "cut_runs", "find_gate_openings"]

_SLACK_M = 1e-6


def find_gate_openings(lines: gpd.GeoDataFrame, planned_gates: gpd.GeoDataFrame | None) -> Openings:
    """Find where the gates that have a place open their lines.

    Parameters
    ----------
    lines : GeoDataFrame, n rows
        With line_id.
    planned_gates : GeoDataFrame, optional
        As `place_gates` gives it: line_id, station_m (NaN without a place), width_m.

    Returns
    -------
    Openings
        By row of the lines; along the plan, not along grade.

    Raises
    ------
    StepError
        If a column is missing.

    Examples
    --------
    >>> import shapely
    >>> line = gpd.GeoDataFrame({"line_id": ["A"]}, geometry=[shapely.LineString([(0, 0), (9, 0)])])
    >>> gate = gpd.GeoDataFrame({"line_id": ["A"], "station_m": [4.0], "width_m": [1.0]}, geometry=[None])
    >>> [values.tolist() for values in find_gate_openings(line, gate)]
    [[0], [3.5], [4.5]]
    """
    if planned_gates is None:
        nothing = np.zeros(0)
        return Openings(nothing.astype(np.int64), nothing, nothing.copy())
    for name in ("line_id", "station_m", "width_m"):
        if name not in planned_gates.columns:
            raise StepError(f"the planned gates have no column {name!r}", mend="take what `place_gates` gives")
    row = pd.Index(lines["line_id"].astype(str)).get_indexer(pd.Index(planned_gates["line_id"].astype(str)))
    station_m, width_m = (
        planned_gates[name].to_numpy(dtype=np.float64, na_value=np.nan) for name in ("station_m", "width_m")
    )
    placed = (row >= 0) & np.isfinite(station_m)
    return Openings(row[placed].astype(np.int64), (station_m - width_m / 2)[placed], (station_m + width_m / 2)[placed])


def classify_between_gates(
    lines: NDArray[Any],
    openings: Openings,
    *,
    straighten_m: float,
    post_spacing_m: float,
    corner_deg: float,
    closer_on_curves: bool,
    grade_factor: ArrayLike = 1.0,
) -> PostCounts:
    """Count posts as `classify_posts` does, spaced afresh either side of each gate; the gates' posts are not counted.

    Examples
    --------
    >>> import shapely
    >>> run = np.array([shapely.LineString([(0, 0), (30.48, 0)])])  # 100 ft, a gate of 3 ft in its middle
    >>> gate = Openings(np.array([0]), np.array([14.7828]), np.array([15.6972]))  # 48.5 ft: 5 spans either side of it
    >>> counts = classify_between_gates(
    ...     run, gate, straighten_m=0.15, post_spacing_m=3.048, corner_deg=20, closer_on_curves=True)
    >>> counts.line.tolist(), counts.end.tolist()
    ([8], [2])
    """
    kept, gate_ends = cut_openings(lines, openings)
    counts = classify_posts(
        straighten(kept, within_m=straighten_m),
        post_spacing_m=post_spacing_m,
        corner_deg=corner_deg,
        closer_on_curves=closer_on_curves,
        grade_factor=grade_factor,
    )
    return counts._replace(end=np.maximum(counts.end - gate_ends, 0))


def cut_runs(runs: pd.DataFrame, openings: Openings) -> pd.DataFrame:
    """Cut the openings of gates out of runs of mesh; behind a gate a new run begins.

    Parameters
    ----------
    runs : DataFrame
        row (of the line), from_m (along the line), length_m, joined (to the row before), and more; in order along each
        line.
    openings : Openings

    Returns
    -------
    DataFrame
        The same columns; rows that a gate lies in are cut or shortened, those within a gate are left out.

    Examples
    --------
    >>> runs = pd.DataFrame({"row": [0], "from_m": [0.0], "length_m": [9.0], "joined": [False]})
    >>> gate = Openings(np.array([0]), np.array([3.5]), np.array([4.5]))
    >>> cut_runs(runs, gate)[["from_m", "length_m"]].values.tolist()
    [[0.0, 3.5], [4.5, 4.5]]
    """
    for row, begin_m, end_m in zip(*(values.tolist() for values in openings), strict=True):
        to_m = runs["from_m"] + runs["length_m"]
        # What begins where the gate ends is hit as well: it is the new run.
        hit = (runs["row"] == row) & (runs["from_m"] < end_m + _SLACK_M) & (to_m > begin_m + _SLACK_M)
        if not hit.any():
            continue
        before = runs[hit].assign(length_m=(begin_m - runs.loc[hit, "from_m"]).clip(lower=0.0))
        start_m = runs.loc[hit, "from_m"].clip(lower=end_m)
        after = runs[hit].assign(from_m=start_m, length_m=to_m[hit] - start_m, joined=False)
        runs = pd.concat([runs[~hit], before, after], ignore_index=True)
        runs = runs[runs["length_m"] > _SLACK_M].sort_values(["row", "from_m"], kind="stable", ignore_index=True)
    return runs
