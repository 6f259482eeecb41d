"""Weigh factors by pairwise comparison, and say how consistent the comparisons are."""

from __future__ import annotations

import math
import warnings
from fractions import Fraction
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import pandas as pd

from geotools.errors import DesignError, Noticed
from geotools.exposure.factors import FACTORS

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

__all__ = ["RANDOM_INDEX", "Comparison", "compare_pairs", "default_weights", "given_weights", "weigh_factors"]

RANDOM_INDEX = (0.0, 0.0, 0.58, 0.90, 1.12, 1.24, 1.32, 1.41, 1.45, 1.49, 1.51)
"""Mean consistency index of random comparisons of 1 to 11 things (Saaty; read as restated in public code)."""
MOST_INCONSISTENT = 0.1
"""A consistency ratio up to this is accepted (Saaty)."""
JUDGEMENTS: tuple[tuple[float | str, ...], ...] = (
    (1, 1, 2, 3, 4, 5, 2),
    (1, 2, 3, 4, 5, 2),
    (2, 3, 4, 5, 2),
    (2, 3, 4, 1),
    (2, 3, "1/2"),
    (2, "1/3"),
    ("1/4",),
)
"""How many times as much each factor counts as the ones after it, in the order of `FACTORS` (assumption of this
project, from what is published of the urban edge: nearness to desert first, washes as routes, then cover)."""
_LARGEST_SCALE = 9.0
"""The published scale runs from 1 (equal) to 9 (extreme)."""


class Comparison(NamedTuple):
    """Weights that add up to 1, the largest eigenvalue of the comparisons, and their consistency ratio."""

    weights: NDArray[np.float64]
    largest_eigenvalue: float
    consistency_ratio: float


def weigh_factors(
    *,
    factors: list[str] | None = None,
    judgements: list[list[float | str]] | None = None,
    weights: dict[str, float] | None = None,
    force: bool = False,
) -> pd.DataFrame:
    """Weigh the factors by pairwise comparison, or take weights as they are given.

    The weights are the principal eigenvector of the comparison matrix (Saaty 2008, Int. J. Services Sci. 1:83-98).
    Consistency index (l - n) / (n - 1), ratio = index / random index; above 0.1 the comparisons contradict each other.

    Parameters
    ----------
    factors : list of str, optional
        The factors compared; the eight of this project without it.
    judgements : list of list, optional
        Row by row the upper triangle: how many times as much each factor counts as each after it; 1/9 to 9, as numbers
        or as text such as "1/3". The comparisons of this project without it.
    weights : dict of str to float, optional
        Weights given directly; they need not add up to 1 and are brought to it, which is said.
    force : bool
        Use comparisons that contradict each other.

    Returns
    -------
    DataFrame
        factor, weight (adding up to 1), consistency_ratio (NaN where given directly).

    Raises
    ------
    DesignError
        If the comparisons are no full triangle, a value is out of range, they contradict each other and are not forced,
        or a weight is negative.

    Examples
    --------
    >>> with warnings.catch_warnings(action="ignore"):
    ...     drinks = weigh_factors(factors=["tea", "milk"], judgements=[[3]])
    >>> drinks["weight"].round(3).tolist(), drinks["consistency_ratio"].round(3).tolist()
    ([0.75, 0.25], [0.0, 0.0])
    """
    if weights is not None:
        if factors is not None or judgements is not None:
            raise DesignError("weights and comparisons are both given", where="weigh_factors", mend="keep one of them")
        return given_weights(weights)
    names = list(factors) if factors is not None else list(FACTORS)
    if len(set(names)) != len(names):
        raise DesignError("a factor is named twice", where="weigh_factors factors", mend="name each once")
    if judgements is None and factors is not None:
        raise DesignError("factors without judgements", where="weigh_factors", mend="give the comparisons as well")
    result = compare_pairs(judgements if judgements is not None else JUDGEMENTS, count=len(names))
    ratio = result.consistency_ratio
    if ratio > MOST_INCONSISTENT and not force:
        raise DesignError(
            f"the comparisons contradict each other: their consistency ratio is {ratio:.3f}, above {MOST_INCONSISTENT}",
            where="weigh_factors judgements",
            mend="compare again, or set force = true",
        )
    pairs = ", ".join(f"{name} {weight:.3f}" for name, weight in zip(names, result.weights, strict=True))
    forced = ", forced" if ratio > MOST_INCONSISTENT else ""
    warnings.warn(f"weights by comparison: {pairs}; consistency ratio {ratio:.3f}{forced}", Noticed, stacklevel=2)
    return pd.DataFrame({"factor": names, "weight": result.weights, "consistency_ratio": ratio})


def compare_pairs(judgements: Sequence[Sequence[float | str]], *, count: int) -> Comparison:
    """Weights and consistency of pairwise comparisons, by the principal eigenvector.

    Parameters
    ----------
    judgements : sequence of sequences
        Upper triangle, row by row.
    count : int
        How many things are compared.

    Returns
    -------
    Comparison

    Raises
    ------
    DesignError
        If it is no full triangle, a value is out of range, or there are more than 11 things.

    Examples
    --------
    >>> compare_pairs([[3, 5], [2]], count=3).weights.round(4).tolist()
    [0.6483, 0.2297, 0.122]
    """
    if [len(row) for row in judgements] != list(range(count - 1, 0, -1)):
        raise DesignError(
            f"{count} factors need comparisons in rows of {', '.join(map(str, range(count - 1, 0, -1)))}",
            where="judgements",
            mend="give each factor's row against all that come after it",
        )
    if count > len(RANDOM_INDEX):
        raise DesignError(f"{count} factors", mend=f"compare up to {len(RANDOM_INDEX)} at once")
    matrix = np.eye(count)
    for row, values in enumerate(judgements):
        for column, value in enumerate(values, start=row + 1):
            matrix[row, column] = _judgement(value)
            matrix[column, row] = 1 / matrix[row, column]
    eigenvalues, vectors = np.linalg.eig(matrix)
    at = int(np.argmax(eigenvalues.real))
    largest = float(eigenvalues[at].real)
    weights = np.abs(vectors[:, at].real)
    random_index = RANDOM_INDEX[count - 1]
    index = max(largest - count, 0.0) / (count - 1) if count > 1 else 0.0
    return Comparison(weights / weights.sum(), largest, index / random_index if random_index else 0.0)


def given_weights(weights: dict[str, float]) -> pd.DataFrame:
    """Take weights as they are given, brought to a sum of 1.

    Raises
    ------
    DesignError
        If one is negative or no number, or all are 0.

    Examples
    --------
    >>> with warnings.catch_warnings(action="ignore"):
    ...     given_weights({"desert": 3, "wash": 1})["weight"].tolist()
    [0.75, 0.25]
    """
    for name, weight in weights.items():
        if not 0 <= weight < math.inf:
            raise DesignError(f"the weight is {weight}", where=f"weight {name}", mend="give weights of 0 or more")
    total = sum(weights.values())
    if not total > 0:
        raise DesignError("the weights add up to 0", where="weights", mend="give one above 0")
    if not math.isclose(total, 1.0, abs_tol=1e-6):
        warnings.warn(f"the weights add up to {total:g}: brought to 1", Noticed, stacklevel=3)
    return pd.DataFrame(
        {"factor": list(weights), "weight": [w / total for w in weights.values()], "consistency_ratio": np.nan}
    )


def default_weights() -> dict[str, float]:
    """Weights of this project's own comparisons.

    Examples
    --------
    >>> round(sum(default_weights().values()), 9)
    1.0
    """
    result = compare_pairs(JUDGEMENTS, count=len(FACTORS))
    return dict(zip(FACTORS, result.weights.tolist(), strict=True))


def _judgement(value: float | str) -> float:
    try:
        number = float(Fraction(value)) if isinstance(value, str) else float(value)
    except (ValueError, ZeroDivisionError):
        number = math.nan
    if not 1 / _LARGEST_SCALE - 1e-9 <= number <= _LARGEST_SCALE:
        raise DesignError(f"the comparison {value!r} is out of range", where="judgements", mend="give 1/9 to 9")
    return number
