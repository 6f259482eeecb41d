"""Count money in whole cents, so that every total is the sum of what is printed."""

from __future__ import annotations

from decimal import ROUND_HALF_UP, Decimal
from typing import TYPE_CHECKING

import numpy as np

from geotools.errors import StepError

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

__all__ = ["allot_cents", "exact", "round_to", "share_cents", "to_cents"]


def exact(number: float) -> Decimal:
    """Return the decimal number that a float was written as.

    Examples
    --------
    >>> exact(0.1)
    Decimal('0.1')
    """
    return Decimal(repr(float(number)))


def round_to(number: Decimal, decimals: int) -> Decimal:
    """Round to decimals, halves away from zero, as spreadsheets and invoices do.

    Examples
    --------
    >>> round_to(Decimal("2.345"), 2)
    Decimal('2.35')
    """
    return number.quantize(Decimal(1).scaleb(-decimals), ROUND_HALF_UP)


def to_cents(amount: Decimal) -> int:
    """Round an amount to whole cents.

    Examples
    --------
    >>> to_cents(Decimal("4.125"))
    413
    """
    return int(round_to(amount, 2) * 100)


def share_cents(cents: int, percent: Decimal) -> int:
    """Take a percentage of an amount in cents, in whole cents.

    Examples
    --------
    >>> share_cents(1050, Decimal("10"))
    105
    """
    return to_cents(Decimal(cents) * percent / 10_000)


def allot_cents(total_cents: int, weights: ArrayLike) -> NDArray[np.int64]:
    """Allot an amount in proportion to weights, so that the shares add up to it exactly (largest remainder).

    Parameters
    ----------
    total_cents : int
    weights : array_like, n
        0 or more.

    Returns
    -------
    numpy.ndarray of int64, n
        All 0 where all weights are.

    Raises
    ------
    StepError
        If a weight is negative or not finite.

    Examples
    --------
    >>> allot_cents(100, [1, 1, 1]).tolist()
    [34, 33, 33]
    """
    parts = np.asarray(weights, dtype=np.float64)
    if not np.all((parts >= 0) & np.isfinite(parts)):
        raise StepError("a share is negative or not finite", mend="give weights of 0 or more")
    if not parts.sum() > 0:
        return np.zeros(len(parts), dtype=np.int64)
    ideal = parts / parts.sum() * total_cents
    shares: NDArray[np.int64] = np.floor(ideal).astype(np.int64)
    left = int(total_cents - shares.sum())
    # Rounding of the ideal shares can leave a cent too many out of a large sum: never more than there are shares.
    first = np.argsort(-(ideal - shares), kind="stable")
    shares[first[: max(left, 0)]] += 1
    if left < 0:
        shares[np.flatnonzero(shares > 0)[:-left]] -= 1
    return shares
