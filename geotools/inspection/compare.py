"""Compare a barrier as it was built with its plan: low, moved, open and missing stretches."""

from __future__ import annotations

import warnings
from itertools import pairwise
from typing import TYPE_CHECKING, Any, NamedTuple

import geopandas as gpd
import numpy as np
import pandas as pd
from shapely.ops import substring

from geotools.errors import DesignError, LayerError, Noticed
from geotools.inspection._measured import Parts, Samples, cut_parts, find_samples
from geotools.inspection._spots import find_missing_gates, find_openings
from geotools.units import METRES_PER_FOOT, METRES_PER_INCH, write_length, write_small

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["FINDINGS", "compare_as_built"]

FINDINGS = ("pass", "low", "moved", "opening", "missing gate", "not built", "not measured")
"""What a stretch can be; all but the first are to be dealt with."""
_SAME_M = 1e-6
_EDGE_M = 0.15
"""This near the end of a panel either height will do: a post is not set to the inch (assumption of this project)."""


class _Cover(NamedTuple):
    """A measured stretch of one part: where, its heights at both ends, and how far off the plan it lies."""

    begin_m: float
    end_m: float
    begin_height_m: float
    end_height_m: float
    away_m: float


def compare_as_built(
    barrier_lines: gpd.GeoDataFrame,
    as_built: gpd.GeoDataFrame,
    panels: gpd.GeoDataFrame | None = None,
    planned_gates: gpd.GeoDataFrame | None = None,
    *,
    units: str = "us",
    snap_m: float = 5 * METRES_PER_FOOT,
    tolerance_m: float = 0.5 * METRES_PER_INCH,
    spacing_m: float = 12 * METRES_PER_FOOT,
    moved_within_m: float = 15 * METRES_PER_FOOT,
) -> gpd.GeoDataFrame:
    """Judge each recommended line by stretches, from measured points or lines.

    A measured place belongs to the nearest planned line within `moved_within_m`, or to the line or lot that it names;
    it lies on the plan within `snap_m` and is `moved` beyond. Between two neighbouring measured points no more than
    `spacing_m` apart, and along a measured line, the top runs straight; it is low where it lies more than
    `tolerance_m` under the height that the panel there asks for. What no measurement covers is `not measured` where
    points were measured, and `not built` where lines were. A point that is called an opening or gap, or has an opening
    of 1/4 in or more, opens the line; a planned gate is missing that no gate point within `snap_m` of its place is
    found for, or, where it has no place, none that is left over on its line.

    Parameters
    ----------
    barrier_lines : GeoDataFrame
        As `list_barrier_lines` gives it; its recommended lines are judged.
    as_built : GeoDataFrame
        Points or lines with `height_m`, and where known `kind` (post, gate, opening, ...), `opening_m`, `line_id`,
        `parcel_id`.
    panels : GeoDataFrame, optional
        Height schedule; without it the line's own height is asked for.
    planned_gates : GeoDataFrame, optional
        As `place_gates` gives it: line_id, gate, station_m; without it gates are counted by line.
    snap_m, tolerance_m, spacing_m, moved_within_m : float
        Metres (assumptions of this project: 5 ft, 1/2 in, 12 ft, 15 ft).
    units : str
        Units of the texts: `us` or `metric`.

    Returns
    -------
    GeoDataFrame
        A row per stretch, in the order of the lines: line_id, parcel_id, stretch (from 1 on each line), from_m, to_m,
        length_m, needed_height_m and measured_height_m (where it is worst; NaN where not measured), short_m, away_m,
        finding, passes, what, geometry.

    Raises
    ------
    LayerError
        If nothing that was measured lies near a planned line.
    DesignError
        If a distance is negative.

    Examples
    --------
    >>> from shapely import LineString, Point
    >>> line = LineString([(0, 0), (12, 0)])
    >>> plan = gpd.GeoDataFrame({"line_id": ["A"], "parcel_id": ["1"], "height_m": [0.9], "recommended": [True],
    ...     "gates": [0]}, geometry=[line], crs=32612)
    >>> posts = gpd.GeoDataFrame({"height_m": [0.9, 0.9, 0.7, 0.9, 0.9]}, crs=32612,
    ...     geometry=[Point(x, 0.1) for x in (0, 3, 6, 9, 12)])
    >>> with warnings.catch_warnings():
    ...     warnings.simplefilter("ignore")
    ...     found = compare_as_built(plan, posts, tolerance_m=0.0)
    >>> found[["from_m", "to_m", "finding"]].values.tolist()
    [[0.0, 3.0, 'pass'], [3.0, 9.0, 'low'], [9.0, 12.0, 'pass']]
    """
    given = {"snap_m": snap_m, "tolerance_m": tolerance_m, "spacing_m": spacing_m, "moved_within_m": moved_within_m}
    for name, value in given.items():
        if not 0 <= value < np.inf:
            raise DesignError(f"{name} is {value}", mend="give a distance of 0 or more")
    advised = barrier_lines["recommended"].astype(bool) & barrier_lines.geometry.notna()
    lines = barrier_lines[advised & ~barrier_lines.geometry.is_empty].reset_index(drop=True)
    parts = cut_parts(lines)
    samples = find_samples(lines, parts, as_built, within_m=max(snap_m, moved_within_m))
    if len(lines) and not len(samples.row):
        raise LayerError(
            f"nothing measured lies within {max(snap_m, moved_within_m):.3g} m of a planned line",
            where="as built",
            mend="check that plan and measurement are of the same place, and the CRS of both",
        )
    as_lines = bool((samples.chain >= 0).any())
    schedule = _schedule(panels, lines)
    rows: list[dict[str, Any]] = []
    for number in range(len(parts.shapes)):
        covers = _covers(parts, samples, number, snap_m, spacing_m)
        rows += _judge_part(lines, parts, number, covers, schedule, snap_m, tolerance_m, as_lines, units)
    rows += find_openings(parts, samples, as_built, units)
    rows += find_missing_gates(lines, parts, samples, as_built, planned_gates, snap_m=snap_m)
    rows.sort(key=lambda row: (row["line"], row["from_m"], row["to_m"]))
    table = pd.DataFrame(rows, columns=[*_COLUMNS, "line", "geometry"])
    own = lines.iloc[table["line"].to_numpy(dtype=np.int64)].reset_index(drop=True)
    _tell(as_built, samples, snap_m, units)
    return gpd.GeoDataFrame(
        {
            "line_id": own["line_id"].astype(str),
            "parcel_id": own["parcel_id"].astype(str),
            "stretch": table.groupby("line").cumcount() + 1,
            **{name: table[name] for name in _COLUMNS},
        },
        geometry=gpd.GeoSeries(table["geometry"].to_numpy(), crs=barrier_lines.crs),
    )


_COLUMNS = (
    "from_m", "to_m", "length_m", "needed_height_m", "measured_height_m", "short_m", "away_m", "finding", "passes",
    "what",
)  # fmt: skip


def _schedule(panels: gpd.GeoDataFrame | None, lines: gpd.GeoDataFrame) -> dict[int, NDArray[np.float64]]:
    """Panels of each line as rows of from, to, height."""
    if panels is None or panels.empty:
        return {}
    row_of = {line_id: row for row, line_id in enumerate(lines["line_id"].astype(str))}
    own = panels[panels["line_id"].astype(str).isin(row_of)]
    grouped = own.groupby(own["line_id"].astype(str), sort=False)
    return {
        row_of[str(line_id)]: rows[["from_m", "to_m", "height_m"]].to_numpy(dtype=np.float64)
        for line_id, rows in grouped
    }


def _covers(parts: Parts, samples: Samples, number: int, snap_m: float, spacing_m: float) -> list[_Cover]:
    """Measured stretches of a part, from neighbouring points and along measured lines."""
    mine = (samples.part == number) & ~np.isnan(samples.height_m)
    start_m, length_m = parts.start_m[number], parts.length_m[number]
    end_m = start_m + length_m
    covers: list[_Cover] = []
    for chain in np.unique(samples.chain[mine]):
        chosen = np.flatnonzero(mine & (samples.chain == chain))
        alike = samples.station_m if chain < 0 else samples.order
        chosen = chosen[np.argsort(alike[chosen], kind="stable")]
        at, height, away = samples.station_m[chosen], samples.height_m[chosen], samples.away_m[chosen]
        order = samples.order[chosen]
        joined = np.diff(at) <= spacing_m + _SAME_M if chain < 0 else np.diff(order) == 1
        for one in np.flatnonzero(joined):
            covers += _between(at[one], at[one + 1], height[one], height[one + 1], max(away[one], away[one + 1]),
                               parts.closed[number], start_m, length_m)  # fmt: skip
        if parts.closed[number] and chain < 0 and len(at) > 1 and at[0] + length_m - at[-1] <= spacing_m + _SAME_M:
            covers += _between(at[-1], at[0], height[-1], height[0], max(away[0], away[-1]), True, start_m, length_m)
        if not parts.closed[number]:
            low, high = int(np.argmin(at)), int(np.argmax(at))
            if _SAME_M < at[low] - start_m <= snap_m:
                covers.append(_Cover(start_m, at[low], height[low], height[low], away[low]))
            if _SAME_M < end_m - at[high] <= snap_m:
                covers.append(_Cover(at[high], end_m, height[high], height[high], away[high]))
    return covers


def _between(
    begin_m: float, end_m: float, begin_height: float, end_height: float, away_m: float, closed: bool, start_m: float,
    length_m: float,
) -> list[_Cover]:  # fmt: skip
    """One stretch between two places; on a closed line the short way round, in two where it passes the seam."""
    if abs(end_m - begin_m) <= _SAME_M:
        return []
    if not closed or abs(end_m - begin_m) <= length_m / 2:
        if begin_m > end_m:
            begin_m, end_m, begin_height, end_height = end_m, begin_m, end_height, begin_height
        return [_Cover(begin_m, end_m, begin_height, end_height, away_m)]
    if begin_m < end_m:
        begin_m, end_m, begin_height, end_height = end_m, begin_m, end_height, begin_height
    first_m = start_m + length_m - begin_m
    whole_m = first_m + end_m - start_m
    seam = begin_height + (end_height - begin_height) * first_m / whole_m
    halves = [
        _Cover(begin_m, start_m + length_m, begin_height, seam, away_m),
        _Cover(start_m, end_m, seam, end_height, away_m),
    ]
    return [half for half in halves if half.end_m - half.begin_m > _SAME_M]


def _judge_part(
    lines: gpd.GeoDataFrame,
    parts: Parts,
    number: int,
    covers: list[_Cover],
    schedule: dict[int, NDArray[np.float64]],
    snap_m: float,
    tolerance_m: float,
    as_lines: bool,
    units: str,
) -> list[dict[str, Any]]:
    line, start_m = int(parts.line[number]), float(parts.start_m[number])
    end_m = start_m + float(parts.length_m[number])
    panels = schedule.get(line, np.array([[start_m, end_m, float(lines["height_m"].iloc[line])]]))
    cover = np.array(covers, dtype=np.float64).reshape(-1, 5)
    breaks = _breaks(panels, cover, start_m, end_m, tolerance_m)
    runs: list[dict[str, Any]] = []
    for begin_m, after_m in pairwise(breaks.tolist()):
        middle_m = (begin_m + after_m) / 2
        needed_m = _needed(panels, middle_m, float(lines["height_m"].iloc[line]))
        found = _lowest(cover, begin_m, after_m)
        if found is None:
            finding, height_m, away_m = ("not built" if as_lines else "not measured"), np.nan, np.nan
        else:
            height_m, away_m = found
            low = height_m < needed_m - tolerance_m - _SAME_M
            finding = "low" if low else "moved" if away_m > snap_m + _SAME_M else "pass"
        short_m = max(needed_m - height_m, 0.0) if np.isfinite(height_m) else np.nan
        last = runs[-1] if runs else None
        if last is None or last["finding"] != finding:
            runs.append(
                {"from_m": begin_m, "to_m": after_m, "needed_height_m": needed_m, "measured_height_m": height_m,
                 "short_m": short_m, "away_m": away_m, "finding": finding, "line": line}
            )  # fmt: skip
            continue
        last["to_m"] = after_m
        last["away_m"] = max(last["away_m"], away_m)
        if short_m > last["short_m"] or (short_m == last["short_m"] and height_m < last["measured_height_m"]):
            last |= {"needed_height_m": needed_m, "measured_height_m": height_m, "short_m": short_m}
    for run in runs:
        run["length_m"] = run["to_m"] - run["from_m"]
        run["passes"] = run["finding"] == "pass"
        run["what"] = _say(run, units)
        run["geometry"] = substring(parts.shapes[number], run["from_m"] - start_m, run["to_m"] - start_m)
    return runs


def _breaks(
    panels: NDArray[np.float64], cover: NDArray[np.float64], start_m: float, end_m: float, tolerance_m: float
) -> NDArray[np.float64]:
    """Every station where what is asked for or what was measured can change, and where a top crosses its need."""
    ends = np.concatenate([panels[:, 0], panels[:, 1]])
    stations = [np.array([start_m, end_m]), ends, ends - _EDGE_M, ends + _EDGE_M, cover[:, 0], cover[:, 1]]
    for height in np.unique(panels[:, 2]) - tolerance_m:
        rise = cover[:, 3] - cover[:, 2]
        with np.errstate(divide="ignore", invalid="ignore"):
            share = (height - cover[:, 2]) / rise
        crossed = (share > 0) & (share < 1)
        stations.append((cover[:, 0] + share * (cover[:, 1] - cover[:, 0]))[crossed])
    together = np.unique(np.clip(np.concatenate(stations), start_m, end_m))
    apart = np.append(True, np.diff(together) > _SAME_M)
    kept = together[apart]
    kept[-1] = end_m
    return np.asarray(kept, dtype=np.float64)


def _needed(panels: NDArray[np.float64], station_m: float, height_m: float) -> float:
    """Height that the panel at a station asks for; near its end, the lower of the two that meet there."""
    near = (panels[:, 0] - _EDGE_M < station_m) & (station_m < panels[:, 1] + _EDGE_M)
    return float(panels[near, 2].min()) if near.any() else height_m


def _lowest(cover: NDArray[np.float64], begin_m: float, end_m: float) -> tuple[float, float] | None:
    """Lowest measured height of a stretch and its distance from the plan; of several tops the highest counts."""
    over = (cover[:, 0] <= begin_m + _SAME_M) & (cover[:, 1] >= end_m - _SAME_M)
    if not over.any():
        return None
    rows = cover[over]
    span_m = rows[:, 1] - rows[:, 0]
    heights = [
        rows[:, 2] + (rows[:, 3] - rows[:, 2]) * np.clip((at_m - rows[:, 0]) / span_m, 0, 1)
        for at_m in (begin_m, end_m)
    ]
    lowest = np.minimum(*heights)
    best = int(np.argmax(lowest))
    return float(lowest[best]), float(rows[best, 4])


def _say(run: dict[str, Any], units: str) -> str:
    needed = write_small(run["needed_height_m"], units=units)
    if run["finding"] == "low":
        return f"{write_small(run['short_m'], units=units)} too low: {needed} is asked for"
    if run["finding"] == "moved":
        return f"up to {write_length(run['away_m'], units=units)} off the plan; high enough"
    return {"not built": "nothing was built here", "not measured": f"not measured; {needed} is asked for"}.get(
        run["finding"], f"{needed} or more"
    )


def _tell(as_built: gpd.GeoDataFrame, samples: Samples, snap_m: float, units: str) -> None:
    used = len(np.unique(samples.row))
    beyond = int((samples.away_m > snap_m + _SAME_M).sum())
    warnings.warn(
        f"{used} of {len(as_built)} measured features lie by a planned line; {beyond} of {len(samples.row)} measured "
        f"places lie more than {write_length(snap_m, units=units)} off it",
        Noticed,
        stacklevel=3,
    )
