"""Shares that no group of lots could undercut, and the alternates, on plans where every group can be tried."""

from __future__ import annotations

import json
from itertools import combinations

import numpy as np
import pytest
from oracles.barrier_plans import least_cents, least_cents_of_groups, plan_of, random_plan, scored
from scipy.optimize import linprog

from geotools.errors import DesignError, Noticed
from geotools.separation import _alone, compare_alternates, share_costs
from geotools.separation.shares import CORE, OPEN_RULE

pytestmark = pytest.mark.filterwarnings("ignore::geotools.errors.Noticed")


@pytest.mark.parametrize("by_blocks", [False, True])
@pytest.mark.parametrize("seed", range(40))
def test_no_group_could_build_alone_for_less(seed: int, by_blocks: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    if by_blocks:
        monkeypatch.setattr(_alone, "_SMALL_PAIRS", 1)
        monkeypatch.setattr(_alone, "_BUSY", 1)
    pieces = random_plan(np.random.default_rng(seed), faces=7, pieces=14, lots=5)
    lots = scored(pieces, [1.0] * 5).assign(protect_this=True)
    shares = share_costs(pieces, lots)
    paying = shares.dropna(subset="share_cents").set_index("parcel_id")
    assert paying["share_cents"].sum() == (least_cents(pieces, list(paying.index)) or 0)
    assert (paying["share_cents"] >= 0).all()
    for count in range(1, len(paying) + 1):
        for group in combinations(paying.index, count):
            alone = least_cents(pieces, list(group))
            assert alone is not None
            assert paying.loc[list(group), "share_cents"].sum() <= alone
            if count == 1:
                assert paying.loc[group[0], "alone_cents"] == alone


@pytest.mark.parametrize("seed", range(12))
def test_up_to_ten_lots_against_every_group_and_the_linear_programme(seed: int) -> None:
    # Dear pieces, so that rounding to whole cents is small beside what is compared.
    pieces = random_plan(np.random.default_rng(seed), faces=11, pieces=26, lots=10)
    pieces["cost_cents"] *= np.where(pieces["cost_cents"] > 0, 1000, 1)
    shares = share_costs(pieces, scored(pieces, [1.0] * 10).assign(protect_this=True)).dropna(subset="share_cents")
    share, alone = shares["share_cents"].to_numpy(np.int64), shares["alone_cents"].to_numpy(np.int64)
    count = len(share)
    groups = np.arange(1 << count)[:, None] >> np.arange(count) & 1
    most = least_cents_of_groups(pieces, shares["parcel_id"].tolist())
    assert (groups @ share <= most).all()
    assert share.sum() == most[-1]
    assert most[1 << np.arange(count)].tolist() == alone.tolist()
    paying = alone > 0
    ratio = alone * (share.sum() / max(alone.sum(), 1))
    far = np.abs(share - ratio)
    # Columns: shares, departures from the plain ratio, the largest departure in parts of what the lot pays alone.
    unit, nothing = np.eye(count), np.zeros((count, count))
    rows = np.vstack(
        [
            np.hstack([unit, -unit, np.zeros((count, 1))]),
            np.hstack([-unit, -unit, np.zeros((count, 1))]),
            np.hstack([nothing, unit, -alone[:, None]]),
            np.hstack([groups, np.zeros((len(groups), count + 1))]),
        ]
    )
    limit = np.concatenate([ratio, -ratio, np.zeros(count), most])
    whole = np.concatenate([np.ones(count), np.zeros(count + 1)])[None]
    largest = np.append(np.zeros(2 * count), 1.0)
    together = np.concatenate([np.zeros(count), np.ones(count), [0.0]])
    for cost, ours, rounding in (
        (largest, (far[paying] / alone[paying]).max(initial=0.0), 1 / alone[paying].min(initial=10**9)),
        (together, far.sum(), count),
    ):
        best = linprog(cost, A_ub=rows, b_ub=limit, A_eq=whole, b_eq=[share.sum()]).fun
        assert ours == pytest.approx(best, abs=rounding + 1e-6)


def test_shares_by_hand() -> None:
    # Alone each pays 300, together 400: equal lots pay equally, and the odd cent of three goes to one of them.
    rows = [("rear", 0, 1, 300), ("gap", 0, 1, 100), ("a", 1, 2, 300), ("b", 1, 3, 300), ("c", 1, 4, 300)]
    pieces = plan_of(rows, {2: "A", 3: "B", 4: "C"}, {0})
    shares = share_costs(pieces, scored(pieces, [1.0] * 3).assign(protect_this=True))
    assert shares["alone_cents"].tolist() == [300, 300, 300]
    assert sorted(shares["share_cents"]) == [133, 133, 134]
    assert shares["share_rule"].unique().tolist() == [CORE]


def test_dear_lines_are_shared_to_the_cent_as_well() -> None:
    # Cost times cost is far beyond 64 bits here.
    cents = 10**14 + 1
    rows = [("rear", 0, 1, 3 * cents), ("gap", 0, 1, cents), *((f"{lot}", 1, lot, 3 * cents) for lot in (2, 3, 4))]
    pieces = plan_of(rows, {2: "A", 3: "B", 4: "C"}, {0})
    shares = share_costs(pieces, scored(pieces, [1.0] * 3).assign(protect_this=True))["share_cents"]
    assert shares.sum() == 4 * cents
    assert shares.max() - shares.min() <= 1


def test_a_group_that_would_go_alone_pays_no_more_than_that() -> None:
    # Alone 10, 10 and 101, together 110: by that ratio A and B would pay 18, but the two of them close for 11.
    rows = [("pair", 0, 1, 10), ("a", 1, 2, 10), ("b", 1, 3, 10), ("far", 0, 4, 100), ("near", 1, 4, 1)]
    pieces = plan_of(rows, {2: "A", 3: "B", 4: "C"}, {0})
    shares = share_costs(pieces, scored(pieces, [1.0] * 3).assign(protect_this=True)).set_index("parcel_id")[
        "share_cents"
    ]
    assert shares["A"] + shares["B"] <= 11
    assert shares.sum() == 110


def test_a_dearer_bid_has_no_such_split_and_says_so() -> None:
    pieces = plan_of([("a", 0, 1, 300), ("b", 0, 2, 100)], {1: "A", 2: "B"}, {0})
    lots = scored(pieces, [1.0] * 2).assign(protect_this=True)
    with pytest.warns(Noticed, match="the cheapest \\$4.00: the cost is split in the ratio"):
        shares = share_costs(pieces, lots, total_usd=10.01)
    assert shares["share_cents"].tolist() == [751, 250]
    assert shares["share_rule"].unique().tolist() == [OPEN_RULE]
    cheaper = share_costs(pieces, lots, total_usd=3.99)
    assert cheaper["share_cents"].sum() == 399
    assert (cheaper["share_cents"] <= cheaper["alone_cents"]).all()


def test_a_bid_for_lots_that_are_closed_already_is_split_equally_among_those_that_take_part() -> None:
    pieces = plan_of([("a", 0, 1, 0), ("b", 0, 2, 0), ("c", 0, 3, 300)], {1: "A", 2: "B", 3: "C"}, {0})
    lots = scored(pieces, [1.0] * 3).assign(protect_this=[True, True, False])
    shares = share_costs(pieces, lots, total_usd=10.01)
    assert sorted(shares["share_cents"].dropna()) == [500, 501]
    assert shares["share_cents"].isna().tolist() == [False, False, True]
    nobody = share_costs(pieces, lots.assign(protect_this=False), total_usd=10.01)
    assert nobody["share_cents"].isna().all()


def test_lots_that_take_no_part_have_no_share() -> None:
    pieces = plan_of([("a", 0, 1, 300), ("b", 0, 2, 100)], {1: "A", 2: "B"}, {0})
    shares = share_costs(pieces, scored(pieces, [1.0] * 2).assign(protect_this=[False, True]))
    assert shares["share_cents"].isna().tolist() == [True, False]
    with pytest.raises(DesignError, match="the total is -1 dollars"):
        share_costs(pieces, scored(pieces, [1.0] * 2).assign(protect_this=True), total_usd=-1)


@pytest.mark.parametrize("seed", range(40))
def test_alternates_against_every_set(seed: int) -> None:
    pieces = random_plan(np.random.default_rng(seed), faces=7, pieces=14, lots=5)
    table = compare_alternates(pieces).set_index("alternate")
    lots = [lot for lot in scored(pieces, [1.0] * 5)["parcel_id"] if least_cents(pieces, [lot]) is not None]
    assert table.loc["cheapest", "cost_cents"] == (least_cents(pieces, lots) or 0)
    assert table.loc["lot by lot", "cost_cents"] == sum(least_cents(pieces, [lot]) or 0 for lot in lots)
    one_side = (pieces["left_parcel"] == "") != (pieces["right_parcel"] == "")
    edge_only = pieces.assign(cost_cents=pieces["cost_cents"].where(one_side | (pieces["cost_cents"] <= 0), -1))
    closed = [lot for lot in lots if least_cents(edge_only, [lot]) is not None]
    assert table.loc["edge line", "cost_cents"] == (least_cents(edge_only, closed) or 0)
    assert table.loc["edge line", "lots_closed"] == len(closed)
    # The length of a piece is its cents in these plans.
    assert table["length_m"].tolist() == table["cost_cents"].tolist()


def test_alternates_say_what_stays_open() -> None:
    rows = [("rear", 0, 1, 300), ("return", 1, 2, 50), ("street", 0, 2, -1)]
    pieces = plan_of(rows, {1: "A"}, {0}).assign(line=["edge", "inside", "edge"])
    table = compare_alternates(pieces).set_index("alternate")
    assert table["lots_closed"].to_dict() == {"edge line": 0, "lot by lot": 1, "cheapest": 1}
    assert json.loads(table.loc["edge line", "left_open"]) == ["A"]
    assert "1 lots that open ground leads to" in table.loc["edge line", "leaves"]
    assert table.loc["cheapest", "leaves"] == "nothing"
