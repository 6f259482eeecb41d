"""List what is to be put right, in the order of a short walk over the site."""

from __future__ import annotations

from typing import TYPE_CHECKING

import geopandas as gpd
import numpy as np
import shapely

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["list_punch", "walking_order"]

_EXACT_STOPS = 9
"""Up to this many stops the shortest walk is found exactly; beyond, nearest neighbour and exchanges (2-opt)."""
_MOST_SWEEPS = 60
_GAIN_M = 1e-9
_WORK = {
    "low": "raise it",
    "moved": "agree on the new place, or move it back",
    "opening": "seal it",
    "missing gate": "hang it, with a rigid sweep to a hard sill",
    "not built": "build it",
    "not measured": "measure it",
}


def list_punch(stretches: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """List the stretches that do not pass, in walking order.

    The walk is short, in straight lines from stop to stop: the shortest for up to nine stops, else nearest neighbour
    made better by exchanges (2-opt). It begins at the end from which it is read first by lot.

    Parameters
    ----------
    stretches : GeoDataFrame
        As `compare_as_built` gives it.

    Returns
    -------
    GeoDataFrame
        A row per stop: stop (from 1), parcel_id, line_id, station_m, finding, work, what, walk_m (from the stop
        before), geometry (point).

    Examples
    --------
    >>> found = gpd.GeoDataFrame({"parcel_id": "1", "line_id": "A", "from_m": [0.0, 9.0], "to_m": [2.0, 9.0],
    ...     "finding": ["low", "opening"], "passes": False, "what": ["", ""]}, crs=32612,
    ...     geometry=[shapely.LineString([(0, 0), (2, 0)]), shapely.LineString([(9, 0), (9, 0.1)])])
    >>> list_punch(found)["walk_m"].round(2).tolist()
    [0.0, 8.0]
    """
    todo = stretches[~stretches["passes"].astype(bool)].reset_index(drop=True)
    middles = shapely.line_interpolate_point(todo.geometry.to_numpy(), 0.5, normalized=True)
    points = shapely.get_coordinates(middles)
    order = walking_order(points)
    if len(order) and todo["parcel_id"].iloc[order[-1]] < todo["parcel_id"].iloc[order[0]]:
        order = order[::-1]
    walk_m = np.append(0.0, np.hypot(*np.diff(points[order], axis=0).T))[: len(order)]
    kept = todo.iloc[order].reset_index(drop=True)
    return gpd.GeoDataFrame(
        {
            "stop": np.arange(1, len(kept) + 1),
            "parcel_id": kept["parcel_id"],
            "line_id": kept["line_id"],
            "station_m": (kept["from_m"] + kept["to_m"]) / 2,
            "finding": kept["finding"],
            "work": kept["finding"].map(_WORK).fillna("").astype(str),
            "what": kept["what"],
            "walk_m": walk_m,
        },
        geometry=gpd.GeoSeries(middles[order], crs=stretches.crs),
    )


def walking_order(points: NDArray[np.float64]) -> NDArray[np.int64]:
    """Order of a short open walk through all points.

    Exact for up to nine (dynamic programming over subsets, Held & Karp 1962); else nearest neighbour from the
    outermost point, with 2-opt exchanges until none shortens it.

    Parameters
    ----------
    points : numpy.ndarray, n x 2
        Metres.

    Returns
    -------
    numpy.ndarray of int, n

    Examples
    --------
    >>> walking_order(np.array([[0.0, 0.0], [9.0, 0.0], [1.0, 0.0], [5.0, 0.0]])).tolist()
    [0, 2, 3, 1]
    """
    count = len(points)
    if count < 3:
        return np.arange(count)
    away = np.hypot(points[:, None, 0] - points[:, 0], points[:, None, 1] - points[:, 1])
    return _exact(away) if count <= _EXACT_STOPS else _exchanged(away)


def _exact(away: NDArray[np.float64]) -> NDArray[np.int64]:
    count = len(away)
    best = np.full((1 << count, count), np.inf)
    came = np.full((1 << count, count), -1, dtype=np.int64)
    best[1 << np.arange(count), np.arange(count)] = 0.0
    for subset in range(1, 1 << count):
        for last in np.flatnonzero(np.isfinite(best[subset])).tolist():
            for after in range(count):
                if subset >> after & 1:
                    continue
                wider, length = subset | 1 << after, best[subset, last] + away[last, after]
                if length < best[wider, after] - _GAIN_M:
                    best[wider, after], came[wider, after] = length, last
    left, here = (1 << count) - 1, int(np.argmin(best[-1]))
    order = [here]
    while came[left, here] >= 0:
        left, here = left ^ 1 << here, int(came[left, here])
        order.append(here)
    turned = order[::-1]
    return np.array(turned if turned[0] < turned[-1] else order)


def _exchanged(away: NDArray[np.float64]) -> NDArray[np.int64]:
    count = len(away)
    here = int(np.argmax(away.sum(axis=1)))
    order, left = [here], np.ones(count, dtype=bool)
    left[here] = False
    while left.any():
        here = int(np.argmin(np.where(left, away[here], np.inf)))
        left[here] = False
        order.append(here)
    walk = np.array(order)
    for _ in range(_MOST_SWEEPS):
        improved = False
        for first in range(count - 1):
            # Turn round walk[first:last + 1]; an open walk has no edge before its first or after its last stop.
            last = np.arange(first + 1, count)
            before = away[walk[first - 1], walk[first]] if first else 0.0
            joined = away[walk[first - 1], walk[last]] if first else np.zeros(len(last))
            after = np.append(away[walk[last[:-1]], walk[last[:-1] + 1]], 0.0)
            again = np.append(away[walk[first], walk[last[:-1] + 1]], 0.0)
            gain = before + after - joined - again
            best = int(np.argmax(gain))
            if gain[best] > _GAIN_M:
                walk[first : last[best] + 1] = walk[first : last[best] + 1][::-1]
                improved = True
        if not improved:
            break
    return walk
