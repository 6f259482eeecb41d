"""Find places for a plan's labels where they cover neither each other nor the lines that matter."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from numpy.typing import NDArray

__all__ = ["Board", "Place", "find_place", "keep_free", "readable_angle"]


class Place(NamedTuple):
    """Where a label goes: its middle, points, and how it is turned, degrees."""

    x_pt: float
    y_pt: float
    angle_deg: float = 0.0


@dataclass
class Board:
    """What is taken of a plan: discs (x, y, radius in points), within the bounds left, bottom, right, top."""

    bounds_pt: tuple[float, float, float, float]
    discs: list[tuple[float, float, float]] = field(default_factory=list)


def keep_free(board: Board, points_pt: NDArray[np.float64], *, radius_pt: float) -> None:
    """Take the ground along a line, so that no label covers it.

    Parameters
    ----------
    board : Board
    points_pt : numpy.ndarray, n x 2
        Points along the line.
    radius_pt : float

    Examples
    --------
    >>> board = Board((0, 0, 100, 100))
    >>> keep_free(board, np.array([[5.0, 5.0]]), radius_pt=2.0)
    >>> board.discs
    [(5.0, 5.0, 2.0)]
    """
    board.discs += [(float(x), float(y), radius_pt) for x, y in points_pt]


def find_place(board: Board, width_pt: float, height_pt: float, places: Iterable[Place]) -> Place | None:
    """Take the first of the places that is free, and note that it is taken.

    A label is held to be a row of discs as high as it is.

    Parameters
    ----------
    board : Board
    width_pt, height_pt : float
        Size of the label, points.
    places : iterable of Place
        Best first.

    Returns
    -------
    Place or None
        None where every place is taken or leaves the plan.

    Examples
    --------
    >>> board = Board((0, 0, 100, 100))
    >>> both = [Place(50, 50), Place(50, 70)]
    >>> [find_place(board, 30, 8, both) for _ in range(3)]
    [Place(x_pt=50, y_pt=50, angle_deg=0.0), Place(x_pt=50, y_pt=70, angle_deg=0.0), None]
    """
    left, bottom, right, top = board.bounds_pt
    radius = height_pt / 2
    taken = np.array(board.discs, dtype=np.float64).reshape(-1, 3)
    for place in places:
        middles = _row(place, width_pt, radius)
        low, high = middles.min(axis=0) - radius, middles.max(axis=0) + radius
        if low[0] < left or low[1] < bottom or high[0] > right or high[1] > top:
            continue
        if len(taken):
            gap = np.hypot(middles[:, None, 0] - taken[:, 0], middles[:, None, 1] - taken[:, 1])
            if (gap < radius + taken[:, 2]).any():
                continue
        board.discs += [(float(x), float(y), radius) for x, y in middles]
        return place
    return None


def readable_angle(along: Sequence[float]) -> float:
    """Angle at which text along a direction reads from below or from the right, degrees.

    Examples
    --------
    >>> readable_angle((-1.0, 0.0)), round(readable_angle((0.0, -1.0)))
    (0.0, 90)
    """
    angle = math.degrees(math.atan2(along[1], along[0])) % 180.0
    return angle - 180.0 if angle > 90.0 + 1e-9 else angle


def _row(place: Place, width_pt: float, radius_pt: float) -> NDArray[np.float64]:
    count = max(1, math.ceil(width_pt / (1.4 * radius_pt)))
    reach = max(width_pt / 2 - radius_pt, 0.0)
    steps = np.linspace(-reach, reach, count) if count > 1 else np.zeros(1)
    turn = math.radians(place.angle_deg)
    return np.column_stack([place.x_pt + steps * math.cos(turn), place.y_pt + steps * math.sin(turn)])
