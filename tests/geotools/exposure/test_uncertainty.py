"""Check that ranks are as sure as what they stand on, and that the same seed gives the same draws."""

from __future__ import annotations

from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest

from geotools.errors import DesignError, LayerError
from geotools.exposure import rank_uncertainty
from geotools.exposure.uncertainty import compare_decays, draw_ranks

pytestmark = pytest.mark.filterwarnings("ignore::geotools.errors.Noticed")


def lots_of(**factors: list[float]) -> tuple[gpd.GeoDataFrame, pd.DataFrame, dict[str, float]]:
    table = pd.DataFrame({f"factor_{name}": values for name, values in factors.items()})
    weights = dict.fromkeys(factors, 1 / len(factors))
    exposure = 100 * table.mean(axis=1, skipna=True)
    return gpd.GeoDataFrame({"exposure": exposure}), table, weights


def test_a_lot_ahead_in_everything_is_surely_first() -> None:
    scored, factors, weights = lots_of(desert=[0.9, 0.5, 0.1], cover=[0.8, 0.3, 0.2])
    table = rank_uncertainty(scored, factors, samples=300, top_count=1, factor_weights=weights)
    assert table["rank_low"].tolist() == table["rank_high"].tolist() == [1, 2, 3]
    assert table["top_probability"].tolist() == [1, 0, 0]
    assert table["rank_group"].tolist() == [1, 2, 3]


def test_the_error_of_ways_widens_the_interval_of_lots_that_have_one() -> None:
    # Three lots a metre apart in cost and one that touches the desert, weights being sure and the decay fixed.
    cost_m = np.array([0.0, 100.0, 101.0, 102.0])
    scored, factors, weights = lots_of(desert=np.exp(-cost_m / 150).tolist())
    sure = {"samples": 400, "decay_low_m": 150.0, "decay_high_m": 150.0, "factor_weights": weights}
    plain = rank_uncertainty(scored, factors, **sure)
    assert plain["rank_low"].tolist() == plain["rank_high"].tolist() == [1, 2, 3, 4]
    table = rank_uncertainty(scored, factors.assign(desert_cost_m=cost_m, cost_error_m=7.5), **sure)
    assert table["rank_low"].tolist() == [1, 2, 2, 2]
    assert table["rank_high"].tolist() == [1, 4, 4, 4]
    assert table["rank_group"].tolist() == [1, 2, 2, 2]


def test_equal_lots_and_lots_that_hang_on_the_weights_are_not_told_apart() -> None:
    scored, factors, weights = lots_of(cover=[0.9, 0.5, 0.1, 0.1], footholds=[0.1, 0.5, 0.9, 0.0])
    table = rank_uncertainty(scored, factors, samples=2000, top_count=1, factor_weights=weights)
    assert table["rank_group"].tolist() == [1, 1, 1, 2]
    assert table["rank_low"].tolist()[0] == 1
    assert table["rank_high"].tolist()[0] == 3
    # By symmetry the first and the third are first equally often; the one between is never first alone.
    assert table["top_probability"].iloc[0] == pytest.approx(0.5, abs=0.05)
    assert "one of 3 lots that can't be told apart" in table["rank_note"].iloc[0]
    same, factors, weights = lots_of(desert=[0.4] * 5)
    table = rank_uncertainty(same, factors, samples=50, factor_weights=weights)
    assert table["rank_low"].tolist() == table["rank_high"].tolist() == [1] * 5
    assert table["rank_group"].tolist() == [1] * 5


def test_top_probabilities_add_up_to_the_number_of_places() -> None:
    rng = np.random.default_rng(5)
    scored, factors, weights = lots_of(
        **{name: rng.random(40).tolist() for name in ("desert", "wash", "cover", "dogs")}
    )
    table = rank_uncertainty(scored, factors, samples=200, top_count=7, factor_weights=weights)
    assert table["top_probability"].sum() == pytest.approx(7)


def test_gaps_widen_the_interval() -> None:
    rng = np.random.default_rng(6)
    values = {name: rng.random(60) for name in ("cover", "footholds")}
    full = lots_of(**{name: column.tolist() for name, column in values.items()})
    values["cover"][10] = np.nan
    gap = lots_of(**{name: column.tolist() for name, column in values.items()})

    def width(town: tuple[Any, Any, Any]) -> int:
        row = rank_uncertainty(town[0], town[1], samples=500, factor_weights=town[2]).iloc[10]
        return int(row["rank_high"] - row["rank_low"])

    assert width(gap) > 2 * width(full)


def test_seed_makes_the_draws() -> None:
    rng = np.random.default_rng(7)
    scored, factors, weights = lots_of(desert=rng.random(30).tolist(), cover=rng.random(30).tolist())
    first = rank_uncertainty(scored, factors, samples=50, seed=1, factor_weights=weights)
    again = rank_uncertainty(scored, factors, samples=50, seed=1, factor_weights=weights)
    other = rank_uncertainty(scored, factors, samples=50, seed=2, factor_weights=weights)
    pd.testing.assert_frame_equal(pd.DataFrame(first), pd.DataFrame(again))
    assert not first["top_probability"].equals(other["top_probability"])


def test_another_decay_length_is_a_power_of_the_nearness() -> None:
    away_m = np.array([10.0, 200.0, 80.0])
    values = np.column_stack([np.exp(-away_m / 150), [0.2, 0.5, 0.3]])
    ranks = draw_ranks(
        values, np.array([0.5, 0.5]), near=[0], powers=(150 / 400, 150 / 400), concentration=1e9, samples=3, seed=0
    )
    scores = np.exp(-away_m / 400) + values[:, 1]
    assert ranks[0].tolist() == (1 + np.argsort(np.argsort(-scores))).tolist()
    found = compare_decays(values, np.array([1.0, 0.0]), near=[0], decay_m=150.0, decays_m=[564.0])
    assert found == {564.0: pytest.approx(1.0)}


def test_lots_without_an_outline_are_not_ranked() -> None:
    scored, factors, weights = lots_of(desert=[0.9, 0.5])
    scored.loc[1, "exposure"] = np.nan
    table = rank_uncertainty(scored, factors, samples=10, factor_weights=weights)
    assert table["rank_low"].isna().tolist() == [False, True]
    assert table["rank_note"].tolist()[1] == "not ranked"
    scored["exposure"] = np.nan
    assert rank_uncertainty(scored, factors, samples=10, factor_weights=weights)["rank_group"].isna().all()


@pytest.mark.parametrize(
    "how",
    [{"samples": 0}, {"top_count": 0}, {"sure_pct": 100.0}, {"decay_low_m": 300.0}, {"weight_concentration": 0.0}],
)
def test_impossible_options_are_refused(how: dict[str, Any]) -> None:
    scored, factors, weights = lots_of(desert=[0.9, 0.5])
    with pytest.raises(DesignError):
        rank_uncertainty(scored, factors, factor_weights=weights, **how)
    with pytest.raises(LayerError, match="not of the same parcels"):
        rank_uncertainty(scored, factors.iloc[1:], factor_weights=weights)
