"""Cut pieces from stock rolls so that as few rolls as possible are opened, and prove how few are enough."""

from __future__ import annotations

import bisect
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from geotools.errors import DesignError

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    Integers = NDArray[np.int64]

__all__ = ["CuttingPlan", "cut_stock", "fewest_rolls_bound", "split_run"]

_MM = 1000
_SLACK_MM = 1e-6
"""Pieces are taken up and stock down to the whole millimetre, but for this rounding of binary lengths."""
_MOST_KINDS = 200
MOST_PATTERNS = 4000
"""Above this many ways to cut a roll the proven optimum gives way to best fit with a bound (assumption)."""


class CuttingPlan(NamedTuple):
    """Which roll each piece is cut from, how many rolls that opens, and how few could do at best.

    Attributes
    ----------
    rolls : int
    bound : int
        No plan opens fewer rolls than this (proven); the gap is `rolls - bound`.
    roll_of_piece : numpy.ndarray of int, n
        Number of the roll, from 0, in the order of the pieces; -1 for a piece of no length.
    offcuts_m : numpy.ndarray, rolls
        What is left of each roll, metres.
    method : str
        `best fit` or `integer programme`.
    """

    rolls: int
    bound: int
    roll_of_piece: Integers
    offcuts_m: NDArray[np.float64]
    method: str


def cut_stock(pieces_m: ArrayLike, *, stock_m: float, most_patterns: int = MOST_PATTERNS) -> CuttingPlan:
    """Cut pieces from rolls of one length, offcuts reused, opening as few rolls as can be found.

    Best fit decreasing comes first; where it meets the bound L2 it is optimal. Where it does not and the ways to cut a
    roll can be listed, an integer programme over these patterns finds the optimum (Gilmore and Gomory 1961, Operations
    Research 9:849-859; solved by the HiGHS solver). Otherwise the best fit stands, with the gap to the bound.

    Parameters
    ----------
    pieces_m : array_like, n
        Lengths to cut, laps and wraps included, metres.
    stock_m : float
        Length of a roll, metres.
    most_patterns : int
        List no more ways to cut a roll than this; 0 leaves the integer programme out.

    Returns
    -------
    CuttingPlan

    Raises
    ------
    DesignError
        If a piece is negative, not finite or longer than a roll, or the roll has no length.

    Examples
    --------
    >>> plan = cut_stock([6, 5, 4, 3, 2], stock_m=10)
    >>> plan.rolls, plan.bound
    (2, 2)
    """
    lengths_m = np.atleast_1d(np.asarray(pieces_m, dtype=np.float64))
    if not (np.isfinite(stock_m) and stock_m > 0):
        raise DesignError(f"the stock roll is {stock_m} m long", mend="give a length above 0")
    wrong = ~((lengths_m >= 0) & (lengths_m <= stock_m * (1 + 1e-9)))
    if wrong.any():
        raise DesignError(
            f"a piece of {lengths_m[wrong][0]} m can't be cut from a roll of {stock_m} m",
            mend="split long runs with laps first",
        )
    stock_mm = int(np.floor(stock_m * _MM + _SLACK_MM))
    sizes_mm = np.minimum(np.ceil(lengths_m * _MM - _SLACK_MM), stock_mm).astype(np.int64)
    bound = fewest_rolls_bound(sizes_mm, stock=stock_mm)
    rolls, roll_of_piece = _best_fit(sizes_mm, stock_mm)
    method = "best fit"
    if rolls > bound and most_patterns:
        exact = _by_patterns(sizes_mm, stock_mm, most_patterns)
        if exact is not None:
            bound, method = exact.bound, "integer programme"
            if exact.rolls < rolls:
                rolls, roll_of_piece = exact.rolls, exact.roll_of_piece
    cut = roll_of_piece >= 0
    used_m = np.bincount(roll_of_piece[cut], lengths_m[cut], minlength=rolls)
    return CuttingPlan(rolls, bound, roll_of_piece, np.maximum(stock_m - used_m, 0.0), method)


def fewest_rolls_bound(pieces: ArrayLike, *, stock: int) -> int:
    """Bound L2 on the number of rolls: no cutting plan opens fewer.

    For every a: pieces over stock - a take a roll each, those over stock / 2 one each, and what of the pieces of a or
    more finds no room beside the latter takes rolls of its own (Martello and Toth 1990, Knapsack Problems, chapter 8;
    from memory, checked against exhaustive search).

    Parameters
    ----------
    pieces : array_like of int, n
        In whole units, each at most `stock`.
    stock : int
        In the same units.

    Returns
    -------
    int

    Examples
    --------
    >>> fewest_rolls_bound([6, 6, 6, 3], stock=10), fewest_rolls_bound([5, 5, 5], stock=10)
    (3, 2)
    """
    sizes = np.sort(np.asarray(pieces, dtype=np.int64))
    sizes = sizes[sizes > 0]
    if not len(sizes):
        return 0
    total = np.append(0, np.cumsum(sizes))
    least = np.unique(np.append(0, sizes[2 * sizes <= stock]))
    huge_from = np.searchsorted(sizes, stock - least, side="right")
    large_from = np.searchsorted(2 * sizes, stock, side="right")
    small_from = np.searchsorted(sizes, least, side="left")
    huge, large = len(sizes) - huge_from, np.maximum(huge_from - large_from, 0)
    large_sum = np.where(huge_from > large_from, total[huge_from] - total[large_from], 0)
    small_sum = total[large_from] - total[np.minimum(small_from, large_from)]
    beside = large * stock - large_sum
    extra = np.maximum(-(-(small_sum - beside) // stock), 0)
    return int((huge + large + extra).max())


def split_run(length_m: float, *, stock_m: float, lap_m: float, wrap_m: float) -> list[float]:
    """Split the mesh of one run into pieces that a roll can give, longest first.

    The run takes its length and a wrap round the post at each end; pieces lap at each joint, and a post is set where
    they do. All pieces but the last are whole rolls.

    Parameters
    ----------
    length_m : float
        Along the ground, metres.
    stock_m, lap_m, wrap_m : float
        Length of a roll, lap of two pieces, and what goes round an end post, metres.

    Returns
    -------
    list of float
        Metres; empty for a run of no length.

    Raises
    ------
    DesignError
        If the lap or wrap is negative, or the lap is not shorter than a roll.

    Examples
    --------
    >>> split_run(25.0, stock_m=10.0, lap_m=0.5, wrap_m=0.25)
    [10.0, 10.0, 6.5]
    """
    if not (lap_m >= 0 and wrap_m >= 0 and lap_m < stock_m):
        raise DesignError(
            f"a lap of {lap_m} m and a wrap of {wrap_m} m don't suit a roll of {stock_m} m",
            mend="give 0 or more, and a lap shorter than the roll",
        )
    if not length_m > 0:
        return []
    needed_m = length_m + 2 * wrap_m
    whole = max(int(np.ceil((needed_m - stock_m) / (stock_m - lap_m) - 1e-9)), 0)
    return [stock_m] * whole + [min(needed_m - whole * (stock_m - lap_m), stock_m)]


def _best_fit(sizes: Integers, stock: int) -> tuple[int, Integers]:
    """Each piece, longest first, from the opened roll that it fills best; a new roll where none has room."""
    roll_of_piece = np.full(len(sizes), -1, dtype=np.int64)
    rooms: list[tuple[int, int]] = []
    rolls = 0
    for piece in np.argsort(-sizes, kind="stable").tolist():
        size = int(sizes[piece])
        if not size:
            continue
        at = bisect.bisect_left(rooms, (size, -1))
        if at < len(rooms):
            room, roll = rooms.pop(at)
        else:
            room, roll = stock, rolls
            rolls += 1
        roll_of_piece[piece] = roll
        if room > size:
            bisect.insort(rooms, (room - size, roll))
    return rolls, roll_of_piece


class _Exact(NamedTuple):
    rolls: int
    bound: int
    roll_of_piece: Integers


def _by_patterns(sizes: Integers, stock: int, most_patterns: int) -> _Exact | None:
    """Optimum by an integer programme over all full patterns; nothing where there are too many, or no proof in time."""
    from scipy.optimize import Bounds, LinearConstraint, milp

    kinds, demand = np.unique(sizes[sizes > 0], return_counts=True)
    patterns = _list_patterns(kinds[::-1].tolist(), demand[::-1].tolist(), stock, most_patterns)
    if patterns is None:
        return None
    cuts = np.array(patterns, dtype=np.float64)[:, ::-1].T
    solved = milp(
        np.ones(cuts.shape[1]),
        constraints=LinearConstraint(cuts, lb=demand),
        integrality=np.ones(cuts.shape[1], dtype=np.int64),
        bounds=Bounds(0, np.inf),
        options={"time_limit": 20.0},
    )
    if solved.x is None:
        return None
    times = np.rint(solved.x).astype(np.int64)
    waiting = {int(kind): np.flatnonzero(sizes == kind).tolist() for kind in kinds}
    roll_of_piece = np.full(len(sizes), -1, dtype=np.int64)
    rolls = 0
    for pattern in np.repeat(np.arange(len(times)), times).tolist():
        used = False
        for kind, count in zip(kinds.tolist(), cuts[:, pattern].astype(int).tolist(), strict=True):
            for _ in range(min(count, len(waiting[kind]))):
                roll_of_piece[waiting[kind].pop()] = rolls
                used = True
        rolls += used
    return _Exact(rolls, int(np.ceil(solved.mip_dual_bound - 1e-6)), roll_of_piece)


def _list_patterns(kinds: list[int], demand: list[int], stock: int, most: int) -> list[list[int]] | None:
    """All ways to cut a roll that leave no room for a further piece; nothing if there are more than `most`."""
    patterns: list[list[int]] = []
    stack: list[tuple[list[int], int]] = [([], stock)]
    tried = 0
    while stack:
        tried += 1
        if len(kinds) > _MOST_KINDS or tried > 20 * most:
            return None
        counts, room = stack.pop()
        at = len(counts)
        if at == len(kinds):
            full = all(counts[k] == demand[k] or kinds[k] > room for k in range(at))
            if full:
                patterns.append(counts)
                if len(patterns) > most:
                    return None
            continue
        top = min(room // kinds[at], demand[at])
        stack.extend(([*counts, count], room - count * kinds[at]) for count in range(top + 1))
    return patterns
