"""Hold the cutting plans against exhaustive search and published instances."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from oracles.cutting_plans import fewest_rolls

from geotools.errors import DesignError
from geotools.takeoff import CuttingPlan, cut_stock, fewest_rolls_bound, split_run
from geotools.takeoff.cutting import _list_patterns

FOOT_M = 0.3048


def check_plan(plan: CuttingPlan, pieces_m: list[float], stock_m: float) -> None:
    """Every piece is cut once, no roll gives more than it has, every opened roll is used."""
    lengths_m = np.array(pieces_m)
    cut = plan.roll_of_piece >= 0
    assert (cut == (lengths_m > 0)).all()
    used_m = np.bincount(plan.roll_of_piece[cut], lengths_m[cut], minlength=plan.rolls)
    assert len(used_m) == plan.rolls
    assert (used_m > 0).all()
    # Pieces are taken up to the millimetre before they are packed, so real lengths never overrun.
    assert (used_m <= stock_m + 1e-9).all()
    assert plan.offcuts_m == pytest.approx(stock_m - used_m, abs=1e-9)
    assert plan.bound <= plan.rolls


@settings(max_examples=150, deadline=None)
@given(st.lists(st.integers(1, 20), max_size=9), st.integers(20, 40))
def test_small_instances_against_exhaustive_search(pieces: list[int], stock: int) -> None:
    plan = cut_stock(pieces, stock_m=float(stock))
    check_plan(plan, [float(piece) for piece in pieces], stock)
    fewest = fewest_rolls(pieces, stock)
    assert plan.rolls == plan.bound == fewest
    assert fewest_rolls_bound(pieces, stock=stock) <= fewest
    without = cut_stock(pieces, stock_m=float(stock), most_patterns=0)
    assert without.bound <= fewest <= without.rolls
    # Best fit decreasing opens at most 11/9 of the fewest and 6/9 more (Johnson; Dosa).
    assert without.rolls <= 11 / 9 * fewest + 6 / 9 + 1e-9


@pytest.mark.published(
    "paper machine example of 13 widths on master rolls of 5600 mm, widely reproduced: 407,160 mm in all, at least "
    "72.7 rolls (both read); optimum 73 (from memory, proven here by the bound)"
)
def test_the_paper_machine() -> None:
    widths = [1380, 1520, 1560, 1710, 1820, 1880, 1930, 2000, 2050, 2100, 2140, 2150, 2200]
    demand = [22, 25, 12, 14, 18, 18, 20, 10, 12, 14, 16, 18, 20]
    pieces = np.repeat(widths, demand)
    assert pieces.sum() == 407_160
    plan = cut_stock(pieces / 1000, stock_m=5.6)
    check_plan(plan, (pieces / 1000).tolist(), 5.6)
    assert (plan.rolls, plan.bound, plan.method) == (73, 73, "integer programme")


@pytest.mark.published(
    "raws of 100, finals 45, 36, 31 and 14 wanted 97, 610, 395 and 211 times, a textbook example reproduced in public "
    "code (data read); 453 raws (from memory)"
)
def test_the_textbook_raws() -> None:
    pieces = np.repeat([45.0, 36.0, 31.0, 14.0], [97, 610, 395, 211])
    plan = cut_stock(pieces, stock_m=100.0)
    check_plan(plan, pieces.tolist(), 100.0)
    assert (plan.rolls, plan.bound) == (453, 453)


def test_best_fit_alone_opens_one_more_where_it_does() -> None:
    assert cut_stock([5.0, 5.0], stock_m=10.0, most_patterns=0).rolls == 1  # an offcut of just the length is used
    pieces = [4.0, 4.0, 3.0, 3.0, 2.0, 2.0, 2.0]  # 4+4+2, 3+3+2+2 fill two rolls of 10
    assert cut_stock(pieces, stock_m=10.0).rolls == 2
    awkward = [6.0, 5.0, 4.0, 4.0, 3.0, 3.0, 3.0, 2.0]  # 6+4, 5+3+2, 4+3+3
    assert cut_stock(awkward, stock_m=10.0).rolls == 3


@pytest.mark.parametrize(
    ("pieces", "stock", "bound"),
    [([], 10, 0), ([1, 0], 10, 1), ([10], 10, 1), ([6] * 7, 10, 7), ([5] * 5, 10, 3), ([7, 7, 3, 3, 4], 10, 3)],
)
def test_bounds_by_hand(pieces: list[int], stock: int, bound: int) -> None:
    assert fewest_rolls_bound(pieces, stock=stock) == bound


def test_the_least_pieces_in_the_integer_programme() -> None:
    pieces = [5.0, 4.0, 4.0, 3.0, 2.0, 1.999, 0.001, 0.0]  # 5+3+2, 4+4+1.999+.001; best fit takes 5+4, 4+3+2 first
    assert cut_stock(pieces, stock_m=10.0, most_patterns=0).rolls == 3
    plan = cut_stock(pieces, stock_m=10.0)
    check_plan(plan, pieces, 10.0)
    assert (plan.rolls, plan.bound, plan.method, plan.roll_of_piece[-1]) == (2, 2, "integer programme", -1)


def test_nothing_to_cut_and_pieces_of_no_length() -> None:
    assert cut_stock([], stock_m=10.0)[:2] == (0, 0)
    plan = cut_stock([0.0, 3.0], stock_m=10.0)
    assert plan.roll_of_piece.tolist() == [-1, 0]


@settings(max_examples=50, deadline=None)
@given(st.lists(st.integers(2, 9), min_size=1, max_size=4, unique=True), st.data())
def test_patterns_are_all_the_full_ways_to_cut_a_roll(kinds: list[int], data: st.DataObject) -> None:
    demand = [data.draw(st.integers(1, 3)) for _ in kinds]
    ways = itertools.product(*(range(most + 1) for most in demand))
    fitting = {way: 10 - sum(c * k for c, k in zip(way, kinds, strict=True)) for way in ways}
    full = {
        way
        for way, room in fitting.items()
        if room >= 0 and all(c == d or k > room for c, d, k in zip(way, demand, kinds, strict=True))
    }
    found = _list_patterns(kinds, demand, 10, len(full))
    assert found is not None
    assert len(found) == len(full)
    assert {tuple(way) for way in found} == full
    assert _list_patterns(kinds, demand, 10, len(full) - 1) is None


def test_ten_thousand_pieces_within_the_stated_gap() -> None:
    pieces = np.random.default_rng(7).uniform(0.5, 30.48, 10_000)
    plan = cut_stock(pieces, stock_m=30.48)
    check_plan(plan, pieces.tolist(), 30.48)
    assert plan.rolls - plan.bound <= 0.01 * plan.rolls


@pytest.mark.parametrize(
    ("pieces", "stock_m"),
    [([11.0], 10.0), ([-1.0], 10.0), ([math.nan], 10.0), ([1.0], 0.0), ([], 0.0), ([1.0], math.inf)],
)
def test_impossible_cuts_are_refused(pieces: list[float], stock_m: float) -> None:
    with pytest.raises(DesignError):
        cut_stock(pieces, stock_m=stock_m)


@given(st.floats(0.01, 500.0), st.floats(0.0, 1.0), st.floats(0.0, 0.5))
def test_pieces_of_a_run_cover_it_with_its_laps(length_m: float, lap_m: float, wrap_m: float) -> None:
    pieces = split_run(length_m, stock_m=30.48, lap_m=lap_m, wrap_m=wrap_m)
    covered_m = sum(pieces) - lap_m * (len(pieces) - 1)
    assert covered_m == pytest.approx(length_m + 2 * wrap_m)
    assert max(pieces) <= 30.48
    assert all(piece == 30.48 for piece in pieces[:-1])


@given(st.lists(st.floats(0.1, 120.0), min_size=1, max_size=4), st.floats(0.0, 60.0), st.integers(0, 3))
@settings(max_examples=60, deadline=None)
def test_a_longer_run_never_takes_fewer_rolls(runs_m: list[float], more_m: float, which: int) -> None:
    def rolls(lengths_m: list[float]) -> tuple[int, bool]:
        pieces = [piece for run in lengths_m for piece in split_run(run, stock_m=30.48, lap_m=0.15, wrap_m=0.15)]
        plan = cut_stock(pieces, stock_m=30.48)
        return plan.rolls, plan.rolls == plan.bound

    longer_m = [run + more_m * (at == which % len(runs_m)) for at, run in enumerate(runs_m)]
    (fewer, proven), (more, _) = rolls(runs_m), rolls(longer_m)
    assert more >= fewer or not proven


def test_runs_that_rolls_give_to_the_last_bit() -> None:
    # 9.5 and 19 m with .25 m round each end post: 10 m, and 10 + 10 m less a lap of .5 m.
    assert split_run(9.5, stock_m=10.0, lap_m=0.5, wrap_m=0.25) == [10.0]
    assert split_run(19.0, stock_m=10.0, lap_m=0.5, wrap_m=0.25) == [10.0, 10.0]
    assert split_run(19.5, stock_m=10.0, lap_m=0.5, wrap_m=0.25) == [10.0, 10.0, 1.0]


def test_runs_that_cant_be_split() -> None:
    assert split_run(0.0, stock_m=10.0, lap_m=0.1, wrap_m=0.1) == []
    with pytest.raises(DesignError, match="lap"):
        split_run(5.0, stock_m=10.0, lap_m=10.0, wrap_m=0.0)
