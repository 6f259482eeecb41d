"""Measure how well a score finds the places of records that say nothing of where no animal was."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import shapely

if TYPE_CHECKING:
    from typing import Any

    from numpy.typing import ArrayLike, NDArray

__all__ = ["area_under_curve", "boyce_index", "hit_rate_curve", "spatial_blocks", "top_lift"]

WINDOWS = 101
"""Positions of the moving window of the continuous Boyce index (common in its implementations)."""


def area_under_curve(score: ArrayLike, presence: ArrayLike, *, weights: ArrayLike | None = None) -> float:
    """Probability that a place with records scores above one of the background, equal scores counting half.

    With presence-only records the background holds unrecorded presences: even a perfect score stays below 1.

    Parameters
    ----------
    score : array_like, n
    presence : array_like of bool, n
        Where records are.
    weights : array_like, n, optional
        Number of records; 1 where there are some without it.

    Returns
    -------
    float
        0 to 1; NaN where one of the two groups is empty.

    Examples
    --------
    >>> area_under_curve([0.9, 0.4, 0.4, 0.1], [True, False, True, False])
    0.875
    """
    values, found = np.asarray(score, dtype=np.float64), np.asarray(presence, dtype=bool)
    if not found.any() or found.all():
        return float("nan")
    each = np.ones(len(values)) if weights is None else np.asarray(weights, dtype=np.float64)
    background = np.sort(values[~found])
    below = np.searchsorted(background, values[found], side="left")
    equal = np.searchsorted(background, values[found], side="right") - below
    better = (below + equal / 2) / len(background)
    return float(np.average(better, weights=each[found]))


def boyce_index(score: ArrayLike, records: ArrayLike, *, window_share: float = 0.1) -> float:
    """Tell by the continuous Boyce index whether records grow against chance as the score grows.

    Hirzel et al. 2006, Ecol. Modelling 199:142-152 (definition from memory): a window of a tenth of the score's range
    moves along it; in each, P is the share of the records and E the share of all places; the index is Spearman's
    correlation of P/E with the score. Windows without any place are left out.

    Parameters
    ----------
    score : array_like, n
    records : array_like, n
        Number of records at each place.
    window_share : float
        Width of the window as a share of the score's range.

    Returns
    -------
    float
        -1 to 1, near 0 for a score no better than chance; NaN where it can't be computed.

    Examples
    --------
    >>> scores = np.arange(1000)
    >>> round(boyce_index(scores, scores**2), 6), round(boyce_index(scores, 1e6 - scores), 6)
    (1.0, -1.0)
    """
    from scipy.stats import rankdata

    values, number = np.asarray(score, dtype=np.float64), np.asarray(records, dtype=np.float64)
    if not number.sum() or np.ptp(values) == 0:
        return float("nan")
    least, width = values.min(), np.ptp(values) * window_share
    lower = np.linspace(least, values.max() - width, WINDOWS)
    order = np.argsort(values, kind="stable")
    ranked, summed = values[order], np.concatenate([[0.0], np.cumsum(number[order])])
    slack = np.ptp(values) * 1e-12
    start = np.searchsorted(ranked, lower - slack, side="left")
    stop = np.searchsorted(ranked, lower + width + slack, side="right")
    expected = (stop - start) / len(values)
    kept = expected > 0
    ratio = (summed[stop] - summed[start])[kept] / summed[-1] / expected[kept]
    if kept.sum() < 3 or np.ptp(ratio) == 0:
        return float("nan")
    return float(np.corrcoef(rankdata(np.round(ratio, 12)), np.arange(kept.sum()))[0, 1])


def hit_rate_curve(score: ArrayLike, records: ArrayLike, shares: ArrayLike) -> NDArray[np.float64]:
    """Share of the records in the highest-scored share of the places; equal scores share their records evenly.

    Parameters
    ----------
    score, records : array_like, n
    shares : array_like, m
        Shares of the places, 0 to 1.

    Returns
    -------
    numpy.ndarray, float64, m

    Examples
    --------
    >>> hit_rate_curve([4, 3, 2, 1], [3, 1, 0, 0], [0.25, 0.5, 1.0]).tolist()
    [0.75, 1.0, 1.0]
    """
    values, number = np.asarray(score, dtype=np.float64), np.asarray(records, dtype=np.float64)
    if not number.sum():
        return np.full(np.shape(shares), np.nan)
    levels, which = np.unique(-values, return_inverse=True)
    places = np.concatenate([[0.0], np.cumsum(np.bincount(which, minlength=len(levels)))]) / len(values)
    hits = np.concatenate([[0.0], np.cumsum(np.bincount(which, number, minlength=len(levels)))]) / number.sum()
    return np.asarray(np.interp(np.asarray(shares, dtype=np.float64), places, hits))


def top_lift(score: ArrayLike, records: ArrayLike, *, share: float = 0.1) -> float:
    """How many times more records the highest-scored share of the places holds than chance would put there.

    Examples
    --------
    >>> top_lift([4, 3, 2, 1], [3, 1, 0, 0], share=0.25)
    3.0
    """
    return float(hit_rate_curve(score, records, [share])[0] / share)


def spatial_blocks(lots: NDArray[Any], *, block_m: float, folds: int, seed: int) -> NDArray[np.intp]:
    """Deal square blocks of ground out to folds, so that neighbours are tested together.

    Parameters
    ----------
    lots : array of geometries, length n
    block_m : float
        Side of a block, metres.
    folds, seed : int

    Returns
    -------
    numpy.ndarray of int, n
        Fold of each lot, from 0.

    Examples
    --------
    >>> spatial_blocks(shapely.points([1, 2, 150], [1, 2, 1]), block_m=100.0, folds=2, seed=1).tolist()
    [0, 0, 1]
    """
    middle = shapely.get_coordinates(shapely.centroid(lots))
    block = np.floor((middle - middle.min(axis=0)) / block_m).astype(np.int64)
    _, which = np.unique(block, axis=0, return_inverse=True)
    count = int(which.max()) + 1
    dealt = np.random.default_rng(seed).permutation(count) % folds
    return np.asarray(dealt[which.ravel()], dtype=np.intp)
