"""Merge the height that a line needs at every place into panels that can be built."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from geotools.design import BarrierStandard, specified_height
from geotools.errors import DesignError, StepError
from geotools.units import METRES_PER_FOOT, METRES_PER_INCH

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Integers = NDArray[np.int64]

__all__ = ["mark_highest_panels", "merge_runs", "schedule_panels"]

LEAST_PANEL_M = 8 * METRES_PER_FOOT
"""Heights change at a post, and posts stand up to 10 ft apart (assumption of this project: panels of 8 ft or more)."""
NEGLECT_M = 1.0 * METRES_PER_INCH
"""An excess over a step up to this is left to the buffer (assumption of this project: 1 in of 6, above the error of the
profile and less than a tape reads on rough ground)."""
_SAME_M = 1e-6


def schedule_panels(
    height_profile: pd.DataFrame,
    candidate_lines: gpd.GeoDataFrame,
    *,
    standard: BarrierStandard | None = None,
    least_panel_m: float = LEAST_PANEL_M,
    neglect_m: float = NEGLECT_M,
) -> gpd.GeoDataFrame:
    """Schedule the panels of each line: where each begins and ends, and how high it is.

    Heights go in the standard's steps from the specified height upward. A stretch that needs more is widened to the
    least panel length; a lower stretch shorter than that is built as high as the lower of its higher neighbours. So
    every panel is at least as high as its profile asks (less `neglect_m`), and none is shorter than the least length
    unless its whole part of the line is.

    Parameters
    ----------
    height_profile : DataFrame
        As `profile_heights` gives it.
    candidate_lines : GeoDataFrame
        The same lines, with `line_id` and, where known, `parcel_id`, `option` and `recommended`.
    standard : BarrierStandard, optional
        Specified height and height step.
    least_panel_m : float
        Metres.
    neglect_m : float
        An excess over a step up to this is left to the buffer, metres.

    Returns
    -------
    GeoDataFrame
        A row per panel in the order of the profile: line_id, parcel_id, option (both empty where unknown), panel (from
        1 on each line), from_m, to_m, length_m, height_m, required_height_m, governed_by, recommended, geometry.

    Raises
    ------
    DesignError
        If a length is negative.
    StepError
        If the profile names a line that is not there.

    Examples
    --------
    >>> profile = pd.DataFrame({
    ...     "line_id": "A", "part": 0, "station_m": [0.0, 8.0, 8.2], "to_m": [8.0, 8.2, 20.0],
    ...     "required_height_m": [0.9144, 1.05, 0.9144], "governed_by": ["ground", "F00001", "ground"],
    ... })
    >>> line = gpd.GeoDataFrame({"line_id": ["A"]}, geometry=[shapely.LineString([(0, 0), (20, 0)])], crs=32612)
    >>> panels = schedule_panels(profile, line, least_panel_m=2.0)
    >>> panels[["from_m", "to_m", "height_m"]].round(4).values.tolist()
    [[0.0, 7.1, 0.9144], [7.1, 9.1, 1.0668], [9.1, 20.0, 0.9144]]
    """
    standard = standard or BarrierStandard()
    for name, value in {"least_panel_m": least_panel_m, "neglect_m": neglect_m}.items():
        if not 0 <= value < np.inf:
            raise DesignError(f"{name} is {value}", mend="give a length of 0 or more")
    line, distinct = pd.factorize(height_profile["line_id"])
    ids = np.array([str(one) for one in distinct], dtype=object)
    rows = pd.Index(_line_ids(candidate_lines)).get_indexer(pd.Index(ids))
    if (rows < 0).any():
        raise StepError(
            f"the profile has line {ids[rows < 0][0]!r}, the lines do not", mend="make both from the same lines"
        )
    part = height_profile["part"].to_numpy(dtype=np.int64)
    begin_m, end_m = (height_profile[name].to_numpy(dtype=np.float64) for name in ("station_m", "to_m"))
    required_m = height_profile["required_height_m"].to_numpy(dtype=np.float64)
    needed_m = np.maximum(required_m - neglect_m, 0)
    above = needed_m > standard.height_m
    height_m = np.where(above, specified_height(needed_m, height_step_m=standard.height_step_m), standard.height_m)
    # The specified height need not be on a step itself; the heights above it are.
    base = int(np.floor(standard.height_m / standard.height_step_m + _SAME_M))
    level = np.where(above, np.rint(height_m / standard.height_step_m).astype(np.int64) - base, 0)
    run = np.cumsum(np.append(True, (np.diff(line) != 0) | (np.diff(part) != 0))[: len(line)]) - 1
    panel_run, panel_from, panel_to, panel_level = merge_runs(run, begin_m, end_m, level, least_length_m=least_panel_m)
    first = np.searchsorted(run, panel_run)
    panel_line, panel_part = line[first], part[first]
    needed_m, governed = _worst(run, begin_m, end_m, required_m, panel_run, panel_from, panel_to)
    built_m = np.where(panel_level > 0, (base + panel_level) * standard.height_step_m, standard.height_m)
    row = rows[panel_line]
    lines = candidate_lines.geometry.to_numpy()[row]
    number = pd.Series(panel_line).groupby(panel_line).cumcount().to_numpy() + 1
    table: dict[str, Any] = {"line_id": pd.Series(ids[panel_line], dtype=str)}
    for name in ("parcel_id", "option"):
        known = (
            candidate_lines[name].astype(str).to_numpy()
            if name in candidate_lines.columns
            else np.full(len(candidate_lines), "")
        )
        table[name] = pd.Series(known[row], dtype=str)
    advised = (
        candidate_lines["recommended"].to_numpy(dtype=bool)
        if "recommended" in candidate_lines.columns
        else np.ones(len(candidate_lines), dtype=bool)
    )
    return gpd.GeoDataFrame(
        {
            **table,
            "panel": number,
            "from_m": panel_from,
            "to_m": panel_to,
            "length_m": panel_to - panel_from,
            "height_m": built_m,
            "required_height_m": needed_m,
            "governed_by": pd.Series(height_profile["governed_by"].to_numpy(dtype=object)[governed], dtype=str),
            "recommended": advised[row],
        },
        geometry=_cut(lines, panel_part, panel_from, panel_to),
        crs=candidate_lines.crs,
    )


def mark_highest_panels(compared_lines: gpd.GeoDataFrame, panels: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Note on each line how high its highest panel is and how much of it is built above the specified height.

    Parameters
    ----------
    compared_lines : GeoDataFrame, n rows
        Lines with `line_id` and `height_m`.
    panels : GeoDataFrame
        As `schedule_panels` gives them.

    Returns
    -------
    GeoDataFrame, n rows on the same index
        The lines with `highest_panel_m` and `raised_length_m`, NaN where a line has no panels.

    Examples
    --------
    >>> lines = gpd.GeoDataFrame({"line_id": ["A", "B"], "height_m": [0.9, 0.9]})
    >>> panels = gpd.GeoDataFrame({"line_id": ["A", "A"], "height_m": [0.9, 1.2], "length_m": [8.0, 2.0]})
    >>> mark_highest_panels(lines, panels)[["highest_panel_m", "raised_length_m"]].values.tolist()
    [[1.2, 2.0], [nan, nan]]
    """
    highest = panels.groupby("line_id")["height_m"].max()
    base = panels["line_id"].map(compared_lines.drop_duplicates("line_id").set_index("line_id")["height_m"])
    raised = panels["length_m"].where(panels["height_m"] > base + _SAME_M, 0.0).groupby(panels["line_id"]).sum()
    return compared_lines.assign(
        highest_panel_m=compared_lines["line_id"].map(highest).astype(np.float64),
        raised_length_m=compared_lines["line_id"].map(raised).astype(np.float64),
    )


def merge_runs(
    run: Integers, begin_m: Floats, end_m: Floats, level: Integers, *, least_length_m: float
) -> tuple[Integers, Floats, Floats, Integers]:
    """Merge stretches into pieces of one level that are long enough, never below the level of what they cover.

    Parameters
    ----------
    run : numpy.ndarray of int, n
        Number of the unbroken run that a stretch is part of, in order.
    begin_m, end_m : numpy.ndarray, n
        Of the stretches, in order.
    level : numpy.ndarray of int, n
        0 or more.
    least_length_m : float

    Returns
    -------
    run, begin_m, end_m, level : numpy.ndarray, m
        Of the pieces, in order.

    Examples
    --------
    >>> one = np.zeros(3, dtype=int)
    >>> begin, end, level = np.array([0.0, 5, 5.5]), np.array([5.0, 5.5, 7]), np.array([0, 1, 0])
    >>> _, begin, end, level = merge_runs(one, begin, end, level, least_length_m=2.0)
    >>> begin.tolist(), level.tolist()
    ([0.0, 4.25], [0, 1])
    """
    starts = np.searchsorted(run, np.arange(run[-1] + 1 if len(run) else 0))
    stops = np.append(starts[1:], len(run))[: len(starts)] - 1
    lowest, farthest = begin_m[starts], end_m[stops]
    # Grow what needs the most first, so that a lower level always covers the one above it.
    covering: list[tuple[Integers, Floats, Floats]] = []
    above = (np.zeros(0, dtype=np.int64), np.zeros(0), np.zeros(0))
    for number in range(int(level.max()) if len(level) else 0, 0, -1):
        here = level >= number
        intervals = _unite(
            *(np.concatenate(pair) for pair in zip((run[here], begin_m[here], end_m[here]), above, strict=True))
        )
        above = _unite(*_widen(*intervals, lowest, farthest, least_length_m))
        covering.append(above)
    pieces = _layer(np.arange(len(starts)), lowest, farthest, covering)
    return _fill_short(*pieces, least_length_m)


def _unite(run: Integers, begin_m: Floats, end_m: Floats) -> tuple[Integers, Floats, Floats]:
    """Join intervals of a run that touch or overlap."""
    order = np.lexsort((begin_m, run))
    run, begin_m, end_m = run[order], begin_m[order], end_m[order]
    if not len(run):
        return run, begin_m, end_m
    # Farthest end so far within a run: ends are lifted by the run's number times more than any length.
    span_m = float(end_m.max() - min(begin_m.min(), 0.0)) + 1.0
    farthest = np.maximum.accumulate(end_m + run * span_m) - run * span_m
    new = np.append(True, (np.diff(run) != 0) | (begin_m[1:] > farthest[:-1] + _SAME_M))
    first = np.flatnonzero(new)
    return run[first], begin_m[first], np.maximum.reduceat(end_m, first)


def _widen(
    run: Integers, begin_m: Floats, end_m: Floats, lowest: Floats, farthest: Floats, least_m: float
) -> tuple[Integers, Floats, Floats]:
    """Widen intervals to the least length to both sides, within their runs."""
    missing = np.maximum(least_m - (end_m - begin_m), 0)
    begin = np.maximum(begin_m - missing / 2, lowest[run])
    end = np.minimum(np.where(missing > 0, begin + least_m, end_m), farthest[run])
    begin = np.where(missing > 0, np.maximum(np.minimum(begin, end - least_m), lowest[run]), begin)
    return run, begin, end


def _layer(
    run: Integers, lowest: Floats, farthest: Floats, covering: list[tuple[Integers, Floats, Floats]]
) -> tuple[Integers, Floats, Floats, Integers]:
    """Cut runs at the ends of the intervals that cover them; the level of a piece is how many cover it."""
    runs = np.concatenate([run, *(one[0] for one in covering), *(one[0] for one in covering)])
    at_m = np.concatenate([lowest, *(one[1] for one in covering), *(one[2] for one in covering)])
    steps = np.concatenate(
        [
            np.zeros(len(run), dtype=np.int64),
            *(np.ones(len(one[0]), dtype=np.int64) for one in covering),
            *(-np.ones(len(one[0]), dtype=np.int64) for one in covering),
        ]
    )
    order = np.lexsort((at_m, runs))
    runs, at_m, level = runs[order], at_m[order], np.cumsum(steps[order])
    end_m = np.append(at_m[1:], 0.0)[: len(at_m)]
    last = np.append(runs[1:] != runs[:-1], True)[: len(runs)]
    end_m[last] = farthest[runs[last]]
    proper = end_m - at_m > _SAME_M
    return _join_equal(runs[proper], at_m[proper], end_m[proper], level[proper])


def _join_equal(
    run: Integers, begin_m: Floats, end_m: Floats, level: Integers
) -> tuple[Integers, Floats, Floats, Integers]:
    first = np.flatnonzero(np.append(True, (np.diff(run) != 0) | (np.diff(level) != 0))[: len(run)])
    last = np.append(first[1:], len(run))[: len(first)] - 1
    # Pieces of a run meet: a sliver that was dropped goes to the one before it.
    ends = end_m[last]
    inner = run[first][1:] == run[first][:-1]
    ends[:-1] = np.where(inner, begin_m[first][1:], ends[:-1])
    return run[first], begin_m[first], ends, level[first]


def _fill_short(
    run: Integers, begin_m: Floats, end_m: Floats, level: Integers, least_m: float
) -> tuple[Integers, Floats, Floats, Integers]:
    """Raise pieces that are too short to the lower of their higher neighbours, until none is left that has one."""
    while len(run) > 1:
        inner = np.append(run[1:] == run[:-1], False)
        far = np.iinfo(np.int64).max
        left = np.where(np.append(False, inner[:-1]), np.append(far, level[:-1]), far)
        right = np.where(inner, np.append(level[1:], far), far)
        target = np.minimum(np.where(left > level, left, far), np.where(right > level, right, far))
        short = (end_m - begin_m < least_m - _SAME_M) & (target < far)
        if not short.any():
            break
        # The lowest of them first: a neighbour that rises as well would be raised too far.
        chosen = short & (level == level[short].min())
        level = np.where(chosen, target, level)
        run, begin_m, end_m, level = _join_equal(run, begin_m, end_m, level)
    return run, begin_m, end_m, level


def _worst(
    run: Integers,
    begin_m: Floats,
    end_m: Floats,
    required_m: Floats,
    panel_run: Integers,
    panel_from: Floats,
    panel_to: Floats,
) -> tuple[Floats, Integers]:
    """The largest height that is asked for within each panel, and the stretch that asks for it."""
    span_m = float(end_m.max(initial=0.0)) + 1.0
    low = np.searchsorted(run * span_m + end_m, panel_run * span_m + panel_from + _SAME_M)
    high = np.searchsorted(run * span_m + begin_m, panel_run * span_m + panel_to - _SAME_M)
    counts = np.maximum(high - low, 1)
    panel = np.repeat(np.arange(len(low)), counts)
    stretch = np.arange(len(panel)) - np.repeat(np.cumsum(counts) - counts, counts) + low[panel]
    order = np.lexsort((-stretch, required_m[stretch], panel))
    last = np.append(np.diff(panel[order]) > 0, True)[: len(order)]
    worst = stretch[order][last]
    return required_m[worst], worst


def _cut(lines: NDArray[Any], part: Integers, from_m: Floats, to_m: Floats) -> NDArray[Any]:
    """The piece of each line's part between two stations of the line."""
    if not len(lines):
        return np.zeros(0, dtype=object)
    parts, at = shapely.get_parts(lines, return_index=True)
    length_m = shapely.length(parts)
    opening = np.searchsorted(at, np.arange(len(lines)))
    before = np.cumsum(length_m) - length_m
    own = opening + part
    begin_m = before[own] - before[opening]
    # A place a rounding below 0 would be counted from the far end.
    low, high = np.maximum(from_m - begin_m, 0.0), np.maximum(to_m - begin_m, 0.0)
    chosen = parts[own]
    whole = (low <= _SAME_M) & (high >= length_m[own] - _SAME_M)
    points, piece = shapely.get_coordinates(chosen[~whole], return_index=True)
    pieces = chosen.copy()
    if not len(points):
        return np.asarray(pieces)
    first = np.searchsorted(piece, np.arange(piece[-1] + 1))
    walked = np.cumsum(np.append(0.0, np.hypot(*np.diff(points, axis=0).T)))
    walked -= walked[first][piece]
    low, high = low[~whole], high[~whole]
    inner = (walked > low[piece] + _SAME_M) & (walked < high[piece] - _SAME_M)
    ends = shapely.line_interpolate_point(np.concatenate([chosen[~whole]] * 2), np.concatenate([low, high]))
    number = np.arange(len(low))
    xy = np.concatenate([points[inner], shapely.get_coordinates(ends)])
    at = np.concatenate([piece[inner], number, number])
    along = np.concatenate([walked[inner], low, high])
    order = np.lexsort((along, at))
    pieces[~whole] = shapely.linestrings(xy[order], indices=at[order])
    return np.asarray(pieces, dtype=object)


def _line_ids(lines: gpd.GeoDataFrame) -> NDArray[np.object_]:
    if "line_id" in lines.columns:
        return np.asarray(lines["line_id"].astype(str).to_numpy(dtype=object))
    return np.array([f"W{number:05d}" for number in range(1, len(lines) + 1)], dtype=object)
