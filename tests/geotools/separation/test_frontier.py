"""The frontier against the hull of all sets of lots, and the budget against trying them all."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pandas as pd
import pytest
from oracles.barrier_plans import least_cents, owners, plan_of, random_plan, scored

from geotools.errors import DesignError, LayerError
from geotools.separation import choose_lots, trace_frontier
from geotools.separation._frontier import split_ground, trace_steps
from geotools.separation._ground import read_ground

pytestmark = pytest.mark.filterwarnings("ignore::geotools.errors.Noticed")

Point = tuple[int, int]


def all_points(pieces: pd.DataFrame, worth: dict[str, int]) -> dict[frozenset[str], Point]:
    """Cost and worth of every set of lots that can be closed."""
    lots = [lot for lot in sorted(owners(pieces)) if least_cents(pieces, [lot]) is not None]
    sets = [frozenset(some) for count in range(len(lots) + 1) for some in combinations(lots, count)]
    return {some: (least_cents(pieces, sorted(some)) or 0, sum(worth[lot] for lot in some)) for some in sets}


def hull(points: list[Point]) -> list[Point]:
    """Corners of the upper left hull."""
    corners: list[Point] = []
    for cost, worth in sorted(set(points), key=lambda point: (point[0], -point[1])):
        if corners and worth <= corners[-1][1]:
            continue
        while len(corners) > 1:
            (c1, w1), (c2, w2) = corners[-2:]
            if (w2 - w1) * (cost - c2) > (worth - w2) * (c2 - c1):
                break
            corners.pop()
        corners.append((cost, worth))
    return corners


@pytest.mark.parametrize("seed", range(60))
def test_frontier_is_the_hull_of_all_sets(seed: int) -> None:
    rng = np.random.default_rng(seed)
    pieces = random_plan(rng)
    lots = scored(pieces, rng.integers(0, 10, 4).astype(float).tolist())
    worth = dict(zip(lots["parcel_id"], lots["exposure"].astype(int), strict=True))
    frontier = trace_frontier(pieces, lots)
    found = list(zip(frontier["cost_cents"], frontier["worth"].astype(int), strict=True))
    assert found == hull(list(all_points(pieces, worth).values()))


@pytest.mark.parametrize("seed", range(10))
def test_large_costs_and_worths_are_exact(seed: int) -> None:
    # A common prime factor on both axes stretches the hull and nothing else, far beyond what floats would keep apart.
    rng = np.random.default_rng(seed)
    pieces = random_plan(rng)
    worth = rng.integers(1, 10, len(owners(pieces)))

    def steps(times: int) -> list[tuple[int, int, list[int]]]:
        cost = np.where(pieces["cost_cents"] > 0, pieces["cost_cents"] * times, pieces["cost_cents"])
        parts = split_ground(read_ground(pieces.assign(cost_cents=cost)))
        found = [step for part in parts for step in trace_steps(part, worth[part.lot] * times)]
        return [(step.cents // times, step.worth // times, step.lots) for step in found]

    assert steps(100_000_007) == steps(1)


def test_price_that_can_not_be_counted_is_refused() -> None:
    pieces = plan_of([("a", 0, 1, 10**15 + 1), ("b", 0, 2, 10**15 + 7), ("c", 1, 2, 10**15 + 9)], {1: "A", 2: "B"}, {0})
    lots = scored(pieces, [999_999_999_937.0, 999_999_999_961.0])
    with pytest.raises(LayerError, match="more than can be counted exactly"):
        trace_frontier(pieces, lots)


def test_nested_points_of_a_row_by_hand() -> None:
    # A pays 300 alone, B 200 behind A's line; together 300: one step, since the line around A closes B as well.
    pieces = plan_of([("rear", 0, 1, 300), ("between", 1, 2, 200), ("far", 0, 3, 900)], {1: "A", 2: "B", 3: "C"}, {0})
    frontier = trace_frontier(pieces, scored(pieces, [1.0, 1.0, 1.0]))
    assert frontier[["cost_cents", "worth", "lots_added"]].to_numpy().tolist() == [
        [0, 0.0, "[]"], [300, 2.0, '["A", "B"]'], [1200, 3.0, '["C"]'],
    ]  # fmt: skip
    assert frontier["price_cents"].tolist() == [0.0, 150.0, 900.0]
    assert frontier["worth_pct"].round(6).tolist() == [0.0, 66.666667, 100.0]


@pytest.mark.parametrize("seed", range(6))
def test_budget_against_every_set(seed: int) -> None:
    rng = np.random.default_rng(seed)
    pieces = random_plan(rng, faces=7, pieces=14, lots=5)
    lots = scored(pieces, rng.integers(0, 10, 5).astype(float).tolist())
    worth = dict(zip(lots["parcel_id"], lots["exposure"].astype(int), strict=True))
    points = all_points(pieces, worth).values()
    frontier = trace_frontier(pieces, lots)
    before = -1
    for budget in range(0, 60, 7):
        chosen = choose_lots(pieces, lots, frontier, budget_usd=budget / 100)
        told = chosen.attrs["run_record"]["budget"]
        protected = sum(worth[lot] for lot in chosen.loc[chosen["protect_this"], "parcel_id"])
        assert protected == told["worth"] == max(gain for cost, gain in points if cost <= budget)
        assert told["cost_cents"] <= budget
        assert told["gap_pct"] == 0
        assert told["worth_bound"] == told["worth"]
        assert protected >= before
        before = protected


def test_without_a_budget_all_lots_that_can_be_closed() -> None:
    pieces = plan_of([("a", 0, 1, 300), ("road", 0, 2, -1)], {1: "A", 2: "B"}, {0})
    lots = scored(pieces, [1.0, 1.0])
    chosen = choose_lots(pieces, lots, trace_frontier(pieces, lots))
    assert chosen["protect_this"].tolist() == [True, False]
    assert chosen["closable"].tolist() == [True, False]
    assert chosen["joins_at_cents"].tolist() == [300, pd.NA]
    assert chosen["chosen_why"].tolist() == ["chosen", "ground where nothing can be built leads to it"]


def test_lots_without_ground_keep_their_row() -> None:
    pieces = plan_of([("a", 0, 1, 300)], {1: "A"}, {0})
    lots = pd.concat([scored(pieces, [1.0])] * 2, ignore_index=True).assign(parcel_id=["none", "A"])
    lots.index = pd.Index([7, 3])
    chosen = choose_lots(pieces, lots, trace_frontier(pieces, lots), budget_usd=2.0)
    assert chosen.index.tolist() == [7, 3]
    assert chosen["closable"].isna().tolist() == [True, False]
    assert chosen["protect_this"].tolist() == [False, False]


def test_a_gap_is_said() -> None:
    # One line closes both for 300; nothing fits into 299, and the bound can't know that without the programme.
    pieces = plan_of([("rear", 0, 1, 300), ("between", 1, 2, 400)], {1: "A", 2: "B"}, {0})
    lots = scored(pieces, [1.0, 1.0])
    chosen = choose_lots(pieces, lots, trace_frontier(pieces, lots), budget_usd=2.99)
    assert chosen.attrs["run_record"]["budget"]["worth"] == 0
    assert chosen.attrs["run_record"]["budget"]["gap_pct"] == 0


@pytest.mark.parametrize(("worth", "text"), [(-1.0, "exposure is -1.0"), (np.inf, "exposure is inf")])
def test_bad_worth_is_refused(worth: float, text: str) -> None:
    pieces = plan_of([("a", 0, 1, 300)], {1: "A"}, {0})
    with pytest.raises(LayerError, match=text):
        trace_frontier(pieces, scored(pieces, [worth]))


def test_tables_that_do_not_fit_are_refused() -> None:
    pieces = plan_of([("a", 0, 1, 300)], {1: "A"}, {0})
    lots = scored(pieces, [1.0])
    frontier = trace_frontier(pieces, lots)
    with pytest.raises(LayerError, match="there is no column 'value'"):
        trace_frontier(pieces, lots, worth_column="value")
    with pytest.raises(LayerError, match="lot 'A' of the pieces has no row"):
        trace_frontier(pieces, lots.assign(parcel_id="B"))
    with pytest.raises(LayerError, match="names lots that the pieces don't have"):
        choose_lots(pieces, lots, frontier.assign(lots_added='["Z"]'))
    with pytest.raises(DesignError, match="the budget is -1 dollars"):
        choose_lots(pieces, lots, frontier, budget_usd=-1)
