"""Closed forms of the three-dimensional reach from a foothold to the top edge of a barrier."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from geotools.errors import DesignError

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

__all__ = ["local_height", "reserve", "setback", "slope_height"]

_SLACK = 1e-12
"""A rise this share short of the reach is the reach."""


def setback(foothold_height_m: ArrayLike, barrier_height_m: ArrayLike, *, reach_m: float) -> NDArray[np.float64]:
    """Least horizontal distance from a foothold to a barrier.

    sqrt(R^2 - (H - h)^2) for h < H, 0 where H - h >= R, and R where h >= H: the top edge lies outside the ball of
    radius R around the foothold (assumption of this project, consistent with the height rule on level ground).

    Parameters
    ----------
    foothold_height_m : array_like
        Height h of the foothold above the ground at the barrier, metres.
    barrier_height_m : array_like
        Height H of the barrier, metres.
    reach_m : float
        Reach R = L / 2 + buffer, metres.

    Returns
    -------
    numpy.ndarray, float64
        Metres, in the common shape of the arguments; NaN where an argument is NaN.

    Raises
    ------
    DesignError
        If the reach is not a positive number.

    Examples
    --------
    >>> float(setback(0.0, 0.9144, reach_m=0.9144))
    0.0
    >>> round(float(setback(18 * 0.0254, 36 * 0.0254, reach_m=36 * 0.0254)) / 0.0254, 2)
    31.18
    """
    _check_reach(reach_m)
    rise_m = np.maximum(
        np.asarray(barrier_height_m, dtype=np.float64) - np.asarray(foothold_height_m, dtype=np.float64), 0.0
    )
    # The root would make a setback of a rounding: 54 in less 18 in is 36 in but for the last digit.
    rise_m = np.where(rise_m >= reach_m * (1 - _SLACK), reach_m, rise_m)
    return np.asarray(np.sqrt((reach_m - rise_m) * (reach_m + rise_m)))


def local_height(foothold_height_m: ArrayLike, distance_m: ArrayLike, *, reach_m: float) -> NDArray[np.float64]:
    """Least height of a barrier at a horizontal distance from a foothold.

    h + sqrt(R^2 - d^2) for d < R, never less than R from the ground at its foot (assumption of this project).

    Parameters
    ----------
    foothold_height_m : array_like
        Height h of the foothold above the ground at the barrier, metres.
    distance_m : array_like
        Horizontal distance d to the nearest edge of the foothold, metres.
    reach_m : float
        Reach R, metres.

    Returns
    -------
    numpy.ndarray, float64
        Metres, in the common shape of the arguments; NaN where an argument is NaN.

    Raises
    ------
    DesignError
        If the reach is not a positive number or a distance is negative.

    Examples
    --------
    >>> float(local_height(0.5, 0.0, reach_m=0.9))
    1.4
    >>> float(local_height(0.5, 2.0, reach_m=0.9))
    0.9
    """
    _check_reach(reach_m)
    distances_m = _checked_distance(distance_m)
    above_m = np.sqrt(np.maximum((reach_m - distances_m) * (reach_m + distances_m), 0.0))
    raised_m = np.asarray(foothold_height_m, dtype=np.float64) + above_m
    return np.where(distances_m < reach_m, np.maximum(raised_m, reach_m), np.where(np.isnan(raised_m), np.nan, reach_m))


def slope_height(slope_deg: ArrayLike, *, reach_m: float) -> NDArray[np.float64]:
    """Height of a barrier on ground that rises outward at an angle.

    H = R / cos t for t > 0 (the ball rolls down to the barrier's foot along the slope), and H = R on level or falling
    ground (closed form of the reach rule; assumption of this project).

    Parameters
    ----------
    slope_deg : array_like
        Angle of the ground outside, degrees, positive where it rises away from the barrier; below 90.
    reach_m : float
        Reach R, metres.

    Returns
    -------
    numpy.ndarray, float64
        Metres.

    Raises
    ------
    DesignError
        If an angle is 90 degrees or more, or the reach is not positive.

    Examples
    --------
    >>> slope_height([-20.0, 0.0, 60.0], reach_m=0.9).round(6).tolist()
    [0.9, 0.9, 1.8]
    """
    _check_reach(reach_m)
    slopes_deg = np.asarray(slope_deg, dtype=np.float64)
    if np.any(np.abs(slopes_deg) >= 90):
        raise DesignError("the slope is 90 degrees or more", mend="treat it as a step: a foothold with a height")
    return np.asarray(reach_m / np.cos(np.radians(np.maximum(slopes_deg, 0.0))))


def reserve(
    foothold_height_m: ArrayLike, distance_m: ArrayLike, barrier_height_m: ArrayLike, *, reach_m: float
) -> NDArray[np.float64]:
    """Distance of the top edge from a foothold, less the reach; safe where it is 0 or more.

    sqrt(d^2 + max(0, H - h)^2) - R (assumption of this project).

    Parameters
    ----------
    foothold_height_m, distance_m, barrier_height_m : array_like
        h, d and H, metres.
    reach_m : float
        Reach R, metres.

    Returns
    -------
    numpy.ndarray, float64
        Metres, in the common shape of the arguments; NaN where an argument is NaN.

    Raises
    ------
    DesignError
        If the reach is not a positive number or a distance is negative.

    Examples
    --------
    >>> round(float(reserve(0.0, 0.3, 0.4, reach_m=0.5)), 9)
    0.0
    """
    _check_reach(reach_m)
    rise_m = np.maximum(
        np.asarray(barrier_height_m, dtype=np.float64) - np.asarray(foothold_height_m, dtype=np.float64), 0.0
    )
    return np.asarray(np.hypot(_checked_distance(distance_m), rise_m) - reach_m)


def _checked_distance(distance_m: ArrayLike) -> NDArray[np.float64]:
    distances_m = np.asarray(distance_m, dtype=np.float64)
    if np.any(distances_m < 0):
        raise DesignError(f"the distance is {float(np.nanmin(distances_m))} m", mend="give a distance of 0 or more")
    return distances_m


def _check_reach(reach_m: float) -> None:
    if not 0 < reach_m < np.inf:
        raise DesignError(
            f"the reach is {reach_m} m", mend="give a body length and a buffer that add up to more than 0"
        )
