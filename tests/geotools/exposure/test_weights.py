"""Hold pairwise comparison against published examples and indices, and refuse what contradicts itself."""

from __future__ import annotations

import math
import warnings
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from geotools.errors import DesignError, Noticed
from geotools.exposure import weigh_factors
from geotools.exposure.factors import FACTORS
from geotools.exposure.weights import JUDGEMENTS, RANDOM_INDEX, compare_pairs, default_weights

DRINKS: list[list[float | str]] = [
    [9, 5, 2, 1, 1, "1/2"],
    ["1/3", "1/9", "1/9", "1/9", "1/9"],
    ["1/3", "1/4", "1/3", "1/9"],
    ["1/2", 1, "1/3"],
    [2, "1/2"],
    ["1/3"],
]


@pytest.mark.published("Saaty 2008, Int. J. Services Sci. 1:83-98, drinks; as restated in public tests, and recomputed")
def test_published_drinks() -> None:
    found = compare_pairs(DRINKS, count=7)
    published = [0.177, 0.019, 0.042, 0.116, 0.190, 0.129, 0.327]
    # Printed to three places.
    assert found.weights == pytest.approx(published, abs=0.00051)
    assert found.weights == pytest.approx([0.1775, 0.0191, 0.0418, 0.1164, 0.1896, 0.1288, 0.3268], abs=0.00006)
    assert found.largest_eigenvalue == pytest.approx(7.17663, abs=1e-5)
    assert found.consistency_ratio == pytest.approx(0.022, abs=0.0005)
    # The geometric mean gives .1787 and .3243: it is another method.
    assert abs(found.weights[0] - 0.1787) > 0.001


@pytest.mark.published("Saaty's random indices for 1 to 11, as restated in public code")
def test_published_random_indices() -> None:
    assert RANDOM_INDEX == (0, 0, 0.58, 0.90, 1.12, 1.24, 1.32, 1.41, 1.45, 1.49, 1.51)


@pytest.mark.published("distances from Philadelphia, an example of Saaty: matrix from memory, weights recomputed")
def test_published_distances() -> None:
    rows: list[list[float | str]] = [
        ["1/3", 8, 3, 3, 7],
        [9, 3, 3, 9],
        ["1/6", "1/5", 2],
        ["1/3", 6],
        [6],
    ]
    found = compare_pairs(rows, count=6)
    assert found.weights == pytest.approx([0.262, 0.397, 0.033, 0.116, 0.164, 0.027], abs=0.0006)
    assert found.largest_eigenvalue == pytest.approx(6.4536, abs=1e-4)
    assert found.consistency_ratio == pytest.approx(0.073, abs=0.0005)


def test_three_by_hand() -> None:
    found = compare_pairs([[3, 5], [2]], count=3)
    assert found.weights == pytest.approx([0.6483, 0.2297, 0.1220], abs=5e-5)
    assert (found.largest_eigenvalue, found.consistency_ratio) == pytest.approx((3.00369, 0.0032), abs=5e-5)


@settings(max_examples=50, deadline=None)
@given(st.lists(st.floats(1.0, 3.0), min_size=2, max_size=9))
def test_consistent_comparisons_give_back_their_weights(shares: list[float]) -> None:
    rows: list[list[float | str]] = [
        [shares[i] / shares[j] for j in range(i + 1, len(shares))] for i in range(len(shares) - 1)
    ]
    found = compare_pairs(rows, count=len(shares))
    assert found.weights == pytest.approx(np.array(shares) / sum(shares))
    assert found.consistency_ratio == pytest.approx(0, abs=1e-9)


def test_contradictions_are_refused_unless_forced() -> None:
    circle: list[list[float | str]] = [[9, "1/9"], [9]]
    how: dict[str, Any] = {"factors": ["desert", "wash", "cover"], "judgements": circle}
    with pytest.raises(DesignError, match="contradict each other"):
        weigh_factors(**how)
    with pytest.warns(Noticed, match="forced"):
        table = weigh_factors(**how, force=True)
    assert table["weight"].tolist() == pytest.approx([1 / 3] * 3)
    assert table["consistency_ratio"].iloc[0] > 1


def test_the_projects_own_comparisons_are_consistent() -> None:
    assert compare_pairs(JUDGEMENTS, count=len(FACTORS)).consistency_ratio < 0.05
    weights = default_weights()
    assert sum(weights.values()) == pytest.approx(1)
    assert list(weights) == list(FACTORS)
    with pytest.warns(Noticed, match=r"consistency ratio 0\.009"):
        assert weigh_factors()["weight"].tolist() == pytest.approx(list(weights.values()))


def test_given_weights_are_brought_to_one_and_said() -> None:
    with pytest.warns(Noticed, match="add up to 4: brought to 1"):
        table = weigh_factors(weights={"desert": 3.0, "wash": 1.0})
    assert table["weight"].tolist() == [0.75, 0.25]
    assert table["consistency_ratio"].isna().all()
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        weigh_factors(weights={"desert": 0.7, "wash": 0.3})


@pytest.mark.parametrize(
    ("how", "words"),
    [
        ({"weights": {"desert": -0.1}}, "weight is -0.1"),
        ({"weights": {"desert": math.nan}}, "weight is nan"),
        ({"weights": {"desert": 0.0}}, "add up to 0"),
        ({"weights": {"desert": 1.0}, "judgements": [[1]]}, "both given"),
        ({"factors": ["a", "b"], "judgements": [[10]]}, "out of range"),
        ({"factors": ["a", "b"], "judgements": [["1/0"]]}, "out of range"),
        ({"factors": ["a", "b"], "judgements": [["much"]]}, "out of range"),
        ({"factors": ["a", "b"], "judgements": [[1, 2]]}, "need comparisons in rows of 1"),
        ({"factors": ["a", "a"], "judgements": [[1]]}, "named twice"),
        ({"factors": ["a", "b"]}, "without judgements"),
        ({"factors": list("abcdefghijkl"), "judgements": [[1] * n for n in range(11, 0, -1)]}, "12 factors"),
    ],
)
def test_impossible_weights_are_refused(how: dict[str, Any], words: str) -> None:
    with pytest.raises(DesignError, match=words):
        weigh_factors(**how)
