"""Price takeoffs by hand and by property: totals are sums, more never costs less, lots add up to the bid."""

from __future__ import annotations

import warnings
from decimal import ROUND_HALF_UP, Decimal
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from geotools.errors import DesignError, Noticed, StepError
from geotools.pricing import price_lots, price_takeoff

LIST = """
title = "By hand"
[labour]
rate = 50.00
[charges]
mobilisation = 100.00
minimum_charge = 500.00
overhead_pct = 10
contingency_pct = 5
profit_pct = 20
tax_pct = 8
[items]
post_line = { unit = "each", price = 2.50, hours = 0.2 }
gate = { unit = "each", price = [100.00, 200.00, 360.00], hours = [1.0, 2.0, 4.5] }
wire = { unit = "ft", price = 0.125, hours = 0 }
hang_48 = { unit = "ft", price = 0, hours = [0.02, 0.04, 0.09] }
roll_48 = { unit = "each", price = [150.00, 180.00, 240.00], hours = 0 }
"""


@pytest.fixture(scope="module")
def price_list(tmp_path_factory: pytest.TempPathFactory) -> str:
    path: Path = tmp_path_factory.mktemp("prices") / "hand.toml"
    path.write_text(LIST, encoding="utf-8")
    return str(path)


def takeoff_of(scope: str = "project", parcel_id: str = "", **quantities: float) -> pd.DataFrame:
    units = {"wire": "ft", "hang_48": "ft"}
    return pd.DataFrame(
        {
            "scope": scope,
            "parcel_id": parcel_id,
            "line_id": "",
            "item": list(quantities),
            "description": [f"Item {item}" for item in quantities],
            "section": "32 31 13",
            "unit": [units.get(item, "each") for item in quantities],
            "net_quantity": list(quantities.values()),
            "waste_pct": 0.0,
            "quantity": list(quantities.values()),
            "note": "",
        }
    )


def cents(prices: pd.DataFrame) -> dict[str, int]:
    known = prices.dropna(subset="amount_cents")
    return dict(zip(known["item"], known["amount_cents"].astype(int), strict=True))


def test_a_bid_by_hand(price_list: str) -> None:
    prices = price_takeoff(takeoff_of(post_line=10.0, gate=2.0), price_list=price_list)
    found = cents(prices)
    # Posts: 10 x 2.50 + 2 h x 50; gates: price (100 + 800 + 360) / 6 = 210, hours (1 + 8 + 4.5) / 6 = 2.25.
    assert found["post_line"] == 12_500
    assert found["gate"] == 2 * 21_000 + 22_500
    base = 12_500 + 64_500 + 10_000
    assert found["mobilisation"] == 10_000
    assert (found["overhead_pct"], found["contingency_pct"]) == (8_700, 4_350)
    assert found["profit_pct"] == (base + 8_700 + 4_350) // 5
    assert found["minimum_charge"] == 0
    assert found["tax_pct"] == 44_500 * 8 // 100
    assert found["total"] == base + 8_700 + 4_350 + 20_010 + 3_560


def test_a_small_job_is_topped_up_to_the_minimum(price_list: str) -> None:
    found = cents(price_takeoff(takeoff_of(post_line=1.0), price_list=price_list))
    assert found["total"] - found["tax_pct"] == 50_000


def test_prices_of_parts_of_a_cent(price_list: str) -> None:
    # 12.5 cents a foot: 101 ft are 12.625, rounded away from zero.
    assert cents(price_takeoff(takeoff_of(wire=101.0), price_list=price_list))["wire"] == 1_263


def test_quantities_in_other_units_are_converted(price_list: str) -> None:
    metric = takeoff_of(wire=30.48).assign(unit="m")
    line = price_takeoff(metric, price_list=price_list).iloc[0]
    assert (line["unit"], line["quantity"], line["amount_cents"]) == ("ft", 100.0, 1_250)
    with pytest.raises(StepError, match="measured in m and priced per each"):
        price_takeoff(takeoff_of(gate=1.0).assign(unit="m"), price_list=price_list)


def test_the_invented_list_is_noticed() -> None:
    with pytest.warns(Noticed, match="invented"):
        prices = price_takeoff(takeoff_of(gate=1.0))
    assert "invented" in prices.loc[prices["kind"] == "term", "item"].tolist()


quantities = st.fixed_dictionaries(
    {
        "post_line": st.integers(0, 500).map(float),
        "gate": st.integers(0, 20).map(float),
        "wire": st.integers(0, 99_999).map(lambda tenths: tenths / 10),
        "hang_48": st.integers(0, 99_999).map(lambda tenths: tenths / 10),
    }
)


@settings(max_examples=15, deadline=None)
@given(quantities)
def test_totals_are_the_sums_of_printed_lines(price_list: str, amounts: dict[str, float]) -> None:
    prices = price_takeoff(takeoff_of(**amounts), price_list=price_list, samples=20)
    parts = prices[prices["kind"].isin(["line", "charge"])]
    assert cents(prices)["total"] == int(parts["amount_cents"].sum())
    for line in prices[prices["kind"] == "line"].to_dict("records"):
        exact = Decimal(str(line["quantity"])) * Decimal(str(line["material_price"]))
        assert line["material_cents"] == int((exact * 100).quantize(Decimal(1), ROUND_HALF_UP))
        assert line["amount_cents"] == line["material_cents"] + line["labour_cents"]


@settings(max_examples=15, deadline=None)
@given(quantities, quantities)
def test_more_never_costs_less(price_list: str, amounts: dict[str, float], more: dict[str, float]) -> None:
    larger = {item: round(amount + more[item], 1) for item, amount in amounts.items()}
    less, greater = (
        cents(price_takeoff(takeoff_of(**one), price_list=price_list, samples=1)) for one in (amounts, larger)
    )
    assert greater["total"] >= less["total"]


def test_the_range_is_seeded_ordered_and_widens_with_correlation(price_list: str) -> None:
    takeoff = takeoff_of(gate=10.0, hang_48=2000.0, roll_48=20.0)

    def spread(**how: Any) -> tuple[int, int, int]:
        found = cents(price_takeoff(takeoff, price_list=price_list, **how))
        return found["low"], found["total"], found["high"]

    low, total, high = spread()
    assert low <= total <= high
    assert spread() == spread()
    assert spread() != spread(seed=2)
    alone, together = spread(correlation_pct=0.0), spread(correlation_pct=100.0)
    assert together[2] - together[0] > alone[2] - alone[0]


def test_the_mean_of_the_draws_is_the_total(price_list: str) -> None:
    found = cents(price_takeoff(takeoff_of(gate=10.0, roll_48=20.0), price_list=price_list, samples=20_000))
    # Hours and rate are drawn apart, so the mean is that of the bid; standard error about 0.1 % at this size.
    assert found["mean"] == pytest.approx(found["total"], rel=0.005)


def test_lots_add_up_to_the_bid(price_list: str) -> None:
    table = pd.concat(
        [
            takeoff_of("lot", "a", gate=1.0, hang_48=100.0),
            takeoff_of("lot", "b", gate=1.0, hang_48=300.0),
            takeoff_of("project", gate=2.0, hang_48=400.0, roll_48=5.0),
        ],
        ignore_index=True,
    )
    prices = price_takeoff(table, price_list=price_list)
    lots = gpd.GeoDataFrame(
        {"parcel_id": ["c", "b", "a", "d"], "verdict": ["not needed", "build", "build", "do not build"]},
        index=[3, 5, 7, 9],
    )
    priced = price_lots(lots, table, prices)
    assert priced.index.tolist() == [3, 5, 7, 9]
    assert round(priced["cost_likely"].sum() * 100) == cents(prices)["total"]
    assert priced.loc[3, "cost_likely"] == 0.0
    assert priced.loc[[9], ["cost_low", "cost_likely", "cost_high"]].isna().all(axis=None)
    assert priced.loc[5, "cost_likely"] > priced.loc[7, "cost_likely"]
    built = priced.loc[[5, 7]]
    assert (built["cost_low"] <= built["cost_likely"]).all()
    assert (built["cost_likely"] <= built["cost_high"]).all()
    # b takes three quarters of the rolls, by its length of mesh, and half the gates.
    found = cents(prices)
    work = found["gate"] + found["hang_48"] + found["roll_48"]
    share = (found["gate"] / 2 + 0.75 * (found["hang_48"] + found["roll_48"])) / work
    assert priced.loc[5, "cost_likely"] == pytest.approx(share * found["total"] / 100, abs=0.011)


def test_an_empty_takeoff_costs_nothing(price_list: str) -> None:
    empty = takeoff_of()
    prices = price_takeoff(empty, price_list=price_list)
    assert cents(prices)["total"] == 0
    lots = gpd.GeoDataFrame({"parcel_id": ["a"], "verdict": ["not needed"]})
    assert price_lots(lots, empty, prices)["cost_likely"].tolist() == [0.0]


def test_impossible_ranges_and_tables(price_list: str) -> None:
    with pytest.raises(DesignError, match="quantiles"):
        price_takeoff(takeoff_of(gate=1.0), price_list=price_list, low_pct=90.0, high_pct=10.0)
    with pytest.raises(StepError, match="rows of the project"):
        price_takeoff(takeoff_of("lot", "a", gate=1.0), price_list=price_list)
    with pytest.raises(StepError, match="no price for 'post_gate'"):
        price_takeoff(takeoff_of(post_gate=1.0), price_list=price_list)


def test_types_hold_for_the_next_step(price_list: str) -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        prices = price_takeoff(takeoff_of(gate=1.0), price_list=price_list)
    assert str(prices["amount_cents"].dtype) == "Int64"
    assert prices["quantity"].dtype == np.float64
