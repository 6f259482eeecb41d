"""Estimate from three points: the mean, the spread, and correlated draws."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from geotools.errors import DesignError

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    Floats = NDArray[np.float64]

__all__ = ["draw_correlated", "pert_mean", "pert_quantile", "pert_sd"]


def pert_mean(low: ArrayLike, likely: ArrayLike, high: ArrayLike) -> Floats:
    """Mean of a three-point estimate, (low + 4 likely + high) / 6 (PERT; Malcolm et al. 1959, from memory).

    Raises
    ------
    DesignError
        If low is not the least or high not the greatest.

    Examples
    --------
    >>> float(pert_mean(1, 2, 9))
    3.0
    """
    a, m, b = _checked(low, likely, high)
    return np.asarray((a + 4 * m + b) / 6)


def pert_sd(low: ArrayLike, likely: ArrayLike, high: ArrayLike) -> Floats:
    """Standard deviation of a three-point estimate, (high - low) / 6 (PERT; Malcolm et al. 1959, from memory).

    Raises
    ------
    DesignError
        If low is not the least or high not the greatest.

    Examples
    --------
    >>> round(float(pert_sd(1, 2, 9)), 4)
    1.3333
    """
    a, _, b = _checked(low, likely, high)
    return np.asarray((b - a) / 6)


def pert_quantile(share: ArrayLike, low: ArrayLike, likely: ArrayLike, high: ArrayLike) -> Floats:
    """Value below which a share of the outcomes lie: a beta distribution from low to high with the PERT mean.

    Its shape is 1 + 4 (likely - low) / (high - low) and 1 + 4 (high - likely) / (high - low) (common practice).

    Parameters
    ----------
    share : array_like
        0 to 1; broadcast against the three points.
    low, likely, high : array_like

    Returns
    -------
    numpy.ndarray, float64

    Raises
    ------
    DesignError
        If low is not the least or high not the greatest.

    Examples
    --------
    >>> float(pert_quantile(0.5, 2.0, 2.0, 2.0)), round(float(pert_quantile(0.5, 0.0, 1.0, 2.0)), 6)
    (2.0, 1.0)
    """
    from scipy.special import betaincinv

    a, m, b = _checked(low, likely, high)
    span = b - a
    place = np.divide(m - a, span, out=np.full(np.shape(span), 0.5), where=span > 0)
    shares = np.asarray(share, dtype=np.float64)
    return np.asarray(a + span * np.asarray(betaincinv(1 + 4 * place, 5 - 4 * place, shares)))


def draw_correlated(count: int, samples: int, *, correlation: float, seed: int) -> Floats:
    """Draw shares between 0 and 1 for several things that rise and fall together.

    One common normal factor drives all of them (one-factor Gaussian copula; assumption of this project).

    Parameters
    ----------
    count, samples : int
    correlation : float
        Between any two of the normal scores, 0 to 1.
    seed : int

    Returns
    -------
    numpy.ndarray, samples x count
        The first columns stay the same when further things are added.

    Raises
    ------
    DesignError
        If the correlation is out of range or there are no samples.

    Examples
    --------
    >>> draws = draw_correlated(2, 5, correlation=1.0, seed=1)
    >>> bool(np.allclose(draws[:, 0], draws[:, 1]))
    True
    """
    from scipy.special import ndtr

    if not 0 <= correlation <= 1:
        raise DesignError(f"the correlation is {correlation}", mend="give 0 to 1")
    if samples < 1:
        raise DesignError(f"{samples} samples tell nothing", mend="give 1 or more")
    scores = np.random.default_rng(seed).standard_normal((count + 1, samples))
    common, own = scores[0], scores[1:]
    return np.asarray(ndtr(np.sqrt(correlation) * common + np.sqrt(1 - correlation) * own).T)


def _checked(low: ArrayLike, likely: ArrayLike, high: ArrayLike) -> tuple[Floats, Floats, Floats]:
    a, m, b = (np.asarray(value, dtype=np.float64) for value in (low, likely, high))
    if not np.all((a <= m) & (m <= b)):
        raise DesignError("three points are not in order", mend="give low, likely and high in rising order")
    return a, m, b
