"""What budgets between the frontier's points buy, against trying every set of lots."""

from __future__ import annotations

import json
from itertools import combinations

import numpy as np
import pytest
from oracles.barrier_plans import least_cents, owners, random_plan, scored

from geotools.errors import DesignError, LayerError
from geotools.separation import list_budget_choices, trace_frontier


@pytest.mark.parametrize("seed", range(8))
def test_every_choice_is_the_best_of_all_sets_and_proven(seed: int) -> None:
    rng = np.random.default_rng(seed)
    pieces = random_plan(rng, faces=7, pieces=14, lots=5)
    lots = scored(pieces, rng.integers(1, 10, 5).astype(float).tolist())
    worth = dict(zip(lots["parcel_id"], lots["exposure"].astype(int), strict=True))
    closable = [lot for lot in sorted(owners(pieces)) if least_cents(pieces, [lot]) is not None]
    points = {
        some: (least_cents(pieces, list(some)) or 0, sum(worth[lot] for lot in some))
        for count in range(len(closable) + 1)
        for some in combinations(closable, count)
    }
    frontier = trace_frontier(pieces, lots)
    choices = list_budget_choices(pieces, lots, frontier, budgets_count=9, least_gain_pct=0.0)
    possible = sum(worth[lot] for lot in closable)
    assert choices["budget_cents"].tolist() == [frontier["cost_cents"].iloc[-1] * k // 10 for k in range(1, 10)]
    for row in choices.to_dict("records"):
        best = max(gain for cost, gain in points.values() if cost <= row["budget_cents"])
        assert row["worth"] == best
        assert row["bound_pct"] == row["worth_pct"] == (100 * best / possible if possible else 100.0)
        names = json.loads(row["lots_closed"])
        assert row["lots"] == len(names)
        assert sum(worth[name] for name in names) == best
        assert (least_cents(pieces, names) or 0) == row["cost_cents"] <= row["budget_cents"]


def test_budgets_are_left_out_where_the_frontier_is_as_good() -> None:
    rng = np.random.default_rng(3)
    pieces = random_plan(rng, faces=7, pieces=14, lots=5)
    lots = scored(pieces, [5.0, 3.0, 8.0, 1.0, 2.0])
    frontier = trace_frontier(pieces, lots)
    kept = list_budget_choices(pieces, lots, frontier, budgets_count=40, least_gain_pct=8.0)
    cost, pct = frontier["cost_cents"].to_numpy(), frontier["worth_pct"].to_numpy()
    budgets = [int(cost[-1]) * k // 41 for k in range(1, 41)]
    gain = [np.interp(budget, cost, pct) - pct[cost <= budget][-1] for budget in budgets]
    assert kept["budget_cents"].tolist() == [b for b, g in zip(budgets, gain, strict=True) if g >= 8.0]
    assert 0 < len(kept) < 40


def test_what_does_not_fit_is_refused() -> None:
    pieces = random_plan(np.random.default_rng(3), faces=7, pieces=14, lots=5)
    lots = scored(pieces, [1.0] * 5)
    frontier = trace_frontier(pieces, lots)
    with pytest.raises(DesignError, match="budgets_count"):
        list_budget_choices(pieces, lots, frontier, budgets_count=-1)
    with pytest.raises(LayerError, match="names lots that the pieces don't have"):
        list_budget_choices(pieces, lots, frontier.assign(lots_added='["no such lot"]'))
