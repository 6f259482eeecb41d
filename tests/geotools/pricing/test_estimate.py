"""Hold three-point estimates and money against published values, arithmetic and an independent beta distribution."""

from __future__ import annotations

from decimal import Decimal

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from geotools.errors import DesignError, StepError
from geotools.pricing import allot_cents, pert_mean, pert_quantile, pert_sd, to_cents
from geotools.pricing.estimate import draw_correlated
from geotools.pricing.money import share_cents


@pytest.mark.published(
    "PERT: mean (O + 4M + P) / 6, sd (P - O) / 6; 1, 2, 9 -> 3.0, 1.3333 (formula from memory, value derived)"
)
def test_pert() -> None:
    assert float(pert_mean(1, 2, 9)) == 3.0
    assert float(pert_sd(1, 2, 9)) == pytest.approx(1.3333, abs=5e-5)


@pytest.mark.parametrize("points", [(1.0, 2.0, 9.0), (0.0, 0.0, 1.0), (5.0, 6.0, 6.0)])
def test_quantiles_are_those_of_the_beta_distribution(points: tuple[float, float, float]) -> None:
    low, likely, high = points
    a, b = 1 + 4 * (likely - low) / (high - low), 1 + 4 * (high - likely) / (high - low)
    beta = stats.beta(a, b, loc=low, scale=high - low)
    shares = np.linspace(0.01, 0.99, 25)
    assert pert_quantile(shares, low, likely, high) == pytest.approx(beta.ppf(shares))
    assert beta.mean() == pytest.approx(float(pert_mean(*points)))


def test_points_out_of_order_are_refused() -> None:
    with pytest.raises(DesignError, match="order"):
        pert_mean(3, 2, 9)
    assert float(pert_quantile(0.3, 4.0, 4.0, 4.0)) == 4.0


@pytest.mark.parametrize("correlation", [0.0, 0.5, 1.0])
def test_draws_correlate_as_asked(correlation: float) -> None:
    draws = draw_correlated(3, 40_000, correlation=correlation, seed=3)
    found = np.corrcoef(stats.norm.ppf(draws).T)
    # 40,000 pairs: the standard error of a correlation is 0.005 at most.
    assert found[0, 1] == pytest.approx(correlation, abs=0.02)
    assert draws.mean(axis=0) == pytest.approx(0.5, abs=0.01)


def test_draws_are_seeded_and_stay_when_things_are_added() -> None:
    few, many = (draw_correlated(count, 50, correlation=0.4, seed=9) for count in (2, 5))
    assert np.array_equal(few, many[:, :2])
    assert not np.array_equal(few, draw_correlated(2, 50, correlation=0.4, seed=10))


@pytest.mark.parametrize(("correlation", "samples"), [(-0.1, 10), (1.1, 10), (0.5, 0)])
def test_impossible_draws(correlation: float, samples: int) -> None:
    with pytest.raises(DesignError):
        draw_correlated(2, samples, correlation=correlation, seed=1)


def test_halves_are_rounded_away_from_zero() -> None:
    assert [to_cents(Decimal(text)) for text in ("0.005", "0.015", "1.1249", "-0.005")] == [1, 2, 112, -1]
    assert share_cents(1005, Decimal(50)) == 503


@given(st.integers(0, 10**9), st.lists(st.floats(0, 1e6), min_size=1, max_size=50))
def test_allotted_cents_add_up(total_cents: int, weights: list[float]) -> None:
    shares = allot_cents(total_cents, weights)
    assert (shares >= 0).all()
    assert shares.sum() == (total_cents if sum(weights) > 0 else 0)
    if sum(weights) > 0:
        ideal = np.array(weights) / sum(weights) * total_cents
        # Largest remainder: nobody is more than a cent off, but for rounding of sums near a billion cents.
        assert np.abs(shares - ideal).max() <= 1 + 1e-6


def test_shares_can_not_be_negative() -> None:
    with pytest.raises(StepError):
        allot_cents(10, [1.0, -1.0])
