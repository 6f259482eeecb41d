"""The cheapest barrier of small plans, by hand, by brute force and by networkx; what never changes; what is refused."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from oracles.barrier_plans import (
    BARRED,
    STACKED,
    closable_lots,
    least_cents,
    least_cents_by_pieces,
    networkx_cents,
    plan_of,
    random_lattice_plan,
    random_plan,
)

from geotools.errors import LayerError, Noticed
from geotools.separation import list_shared_lines, separate_lots
from geotools.separation._ground import SEPARATOR, read_ground

pytestmark = pytest.mark.filterwarnings("ignore::geotools.errors.Noticed")


def record(barrier: pd.DataFrame) -> dict[str, int]:
    return barrier.attrs["run_record"]["separation"]


ROW_OF_THREE = [
    # Rear line to the desert 20 m, street line 20 m, sides 40 m at 100 cents a metre; face 0 desert, 4 street.
    *[(f"rear {lot}", 0, lot, 2000) for lot in (1, 2, 3)],
    *[(f"street {lot}", 4, lot, 2000) for lot in (1, 2, 3)],
    ("west", 0, 1, 4000), ("1-2", 1, 2, 4000), ("2-3", 2, 3, 4000), ("east", 0, 3, 4000),
]  # fmt: skip
LOTS = {1: "A", 2: "B", 3: "C"}


def test_three_lots_in_a_row_share_one_line() -> None:
    barrier = separate_lots(plan_of([*ROW_OF_THREE, ("mouth", 0, 4, BARRED)], LOTS, {0}))
    assert record(barrier) == {
        "flow_cents": 20000, "cut_cents": 20000, "lots_closed": 3, "lots_that_can_not_be_closed": 0,
        "pieces_to_build": 8,
    }  # fmt: skip
    assert barrier.loc[~barrier["to_build"], "piece_id"].tolist() == ["1-2", "2-3", "mouth"]
    assert barrier.loc[barrier["to_build"], "serves_lots"].unique().tolist() == [3]


def test_the_middle_lot_alone_pays_for_its_own_ring_or_less() -> None:
    pieces = plan_of([*ROW_OF_THREE, ("mouth", 0, 4, BARRED)], LOTS, {0})
    chosen = pd.DataFrame({"parcel_id": ["A", "B", "C"], "protect_this": [False, True, None]})
    barrier = separate_lots(pieces, chosen)
    assert record(barrier)["flow_cents"] == 12000
    assert barrier.loc[barrier["to_build"], "piece_id"].tolist() == ["rear 2", "street 2", "1-2", "2-3"]
    assert barrier.loc[barrier["to_build"], "serves_only"].unique().tolist() == ["B"]


def test_a_street_that_can_be_shut_is_shut() -> None:
    barrier = separate_lots(plan_of([*ROW_OF_THREE, ("gate", 0, 4, 5000)], LOTS, {0}))
    assert record(barrier)["flow_cents"] == 3 * 2000 + 2 * 4000 + 5000
    assert barrier.loc[barrier["piece_id"].str.startswith("street"), "to_build"].tolist() == [False] * 3


def test_a_neighbours_missing_wall_is_filled_where_that_is_cheaper() -> None:
    rows = [("shared", 1, 2, 4000), ("his rear", 0, 2, 1500), ("mine", 0, 1, 0), ("his sides", 0, 2, 0)]
    chosen = pd.DataFrame({"parcel_id": ["mine"], "protect_this": [True]})
    barrier = separate_lots(plan_of(rows, {1: "mine", 2: "his"}, {0}), chosen)
    assert barrier.loc[barrier["to_build"], "piece_id"].tolist() == ["his rear"]
    # What he may not build, the owner builds on the common line.
    rows[1] = ("his rear", 0, 2, BARRED)
    barrier = separate_lots(plan_of(rows, {1: "mine", 2: "his"}, {0}), chosen)
    assert barrier.loc[barrier["to_build"], "piece_id"].tolist() == ["shared"]
    # The sound wall is relied on, but not built.
    assert barrier.loc[barrier["in_barrier"], "piece_id"].tolist() == ["shared", "mine"]


def test_a_lot_that_open_ground_leads_to_is_left_out_and_said() -> None:
    pieces = plan_of([("road", 0, 1, BARRED), ("rear", 0, 2, 700)], {1: "open", 2: "good"}, {0})
    with pytest.warns(Noticed, match=r"1 lots can't be closed: .*: open"):
        barrier = separate_lots(pieces)
    assert record(barrier)["flow_cents"] == 700
    assert record(barrier)["lots_that_can_not_be_closed"] == 1


def test_a_lot_in_the_habitat_is_left_out_and_said() -> None:
    with pytest.warns(Noticed, match="1 lots lie in the habitat"):
        barrier = separate_lots(plan_of([("rear", 0, 1, 700)], {0: "wild", 1: "good"}, {0}))
    assert record(barrier)["lots_closed"] == 1


def test_chosen_lots_without_ground_are_said() -> None:
    chosen = pd.DataFrame({"parcel_id": ["good", "nowhere"], "protect_this": [True, True]})
    with pytest.warns(Noticed, match="1 chosen lots have no protected ground: nowhere"):
        separate_lots(plan_of([("rear", 0, 1, 700)], {1: "good"}, {0}), chosen)


def test_without_habitat_nothing_is_needed() -> None:
    barrier = separate_lots(plan_of([("rear", 0, 1, 700)], {1: "A"}, set()))
    assert record(barrier)["flow_cents"] == 0
    assert not barrier["to_build"].any()


def test_stacked_lots_share_their_ground() -> None:
    barrier = separate_lots(plan_of([("rear", 0, 1, 700)], {1: f"A{SEPARATOR}B"}, {0}))
    assert (record(barrier)["flow_cents"], barrier["serves_lots"].tolist()) == (700, [2])
    assert SEPARATOR == STACKED


@pytest.mark.parametrize("seed", range(60))
def test_against_every_set_of_faces(seed: int) -> None:
    pieces = random_plan(np.random.default_rng(seed), faces=7, pieces=16)
    barrier = separate_lots(pieces)
    assert record(barrier)["flow_cents"] == least_cents(pieces, closable_lots(pieces))
    assert barrier.loc[barrier["to_build"], "cost_cents"].sum() == record(barrier)["cut_cents"]


@pytest.mark.parametrize("seed", range(12))
def test_against_every_set_of_pieces(seed: int) -> None:
    pieces = random_plan(np.random.default_rng(1000 + seed), faces=6, pieces=13 if seed else 16, lots=3)
    assert record(separate_lots(pieces))["flow_cents"] == least_cents_by_pieces(pieces, closable_lots(pieces))


@pytest.mark.parametrize("seed", range(8))
def test_against_networkx_on_planar_plans(seed: int) -> None:
    pieces = random_lattice_plan(np.random.default_rng(seed), 9)
    lots = closable_lots(pieces)
    assert record(separate_lots(pieces))["flow_cents"] == networkx_cents(pieces, lots)


def test_what_is_built_closes_every_lot() -> None:
    for seed in range(40):
        pieces = random_plan(np.random.default_rng(seed))
        barrier = separate_lots(pieces)
        left = barrier.assign(cost_cents=np.where(barrier["to_build"], 0, barrier["cost_cents"]))
        assert record(separate_lots(left))["flow_cents"] == 0


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 10**6), st.randoms(use_true_random=False))
def test_order_names_and_sides_change_nothing(seed: int, draw: object) -> None:
    rng = np.random.default_rng(seed)
    pieces = random_plan(rng)
    first = separate_lots(pieces).set_index("piece_id")
    turned = pieces.copy()
    for name in ("face", "parcel", "habitat"):
        turned[[f"left_{name}", f"right_{name}"]] = pieces[[f"right_{name}", f"left_{name}"]].to_numpy()
    renamed = rng.permutation(6) * 7 + 3
    turned[["left_face", "right_face"]] = renamed[turned[["left_face", "right_face"]].to_numpy().astype(int)]
    turned = turned.astype({"left_habitat": bool, "right_habitat": bool}).sample(frac=1, random_state=seed % 2**32)
    second = separate_lots(turned).set_index("piece_id").loc[first.index]
    assert second[["to_build", "in_barrier", "serves_lots"]].equals(first[["to_build", "in_barrier", "serves_lots"]])


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 10**6), st.integers(2, 1000))
def test_prices_scale_the_cost_and_a_wall_never_raises_it(seed: int, times: int) -> None:
    pieces = random_plan(np.random.default_rng(seed))
    cost = record(separate_lots(pieces))["flow_cents"]
    dearer = pieces.assign(
        cost_cents=np.where(pieces["cost_cents"] > 0, pieces["cost_cents"] * times, pieces["cost_cents"])
    )
    assert record(separate_lots(dearer))["flow_cents"] == cost * times
    lots = pd.DataFrame({"parcel_id": closable_lots(pieces), "protect_this": True})
    for row in range(len(pieces)):
        walled = pieces.assign(cost_cents=pieces["cost_cents"].where(np.arange(len(pieces)) != row, 0))
        assert record(separate_lots(walled, lots))["flow_cents"] <= cost


def test_more_lots_never_cost_less() -> None:
    for seed in range(30):
        pieces = random_plan(np.random.default_rng(seed))
        lots = sorted(closable_lots(pieces))
        costs = [
            record(
                separate_lots(pieces, pd.DataFrame({"parcel_id": lots, "protect_this": np.arange(len(lots)) < count}))
            )["flow_cents"]
            for count in range(len(lots) + 1)
        ]
        assert costs == sorted(costs)


def test_shared_lines_stand_before_the_others() -> None:
    barrier = separate_lots(plan_of([("rear", 0, 1, 700), ("wall", 0, 1, 0)], {1: "A"}, {0}))
    lines = list_shared_lines(barrier)
    assert lines[["line_id", "parcel_id", "option", "kind", "recommended"]].to_numpy().tolist() == [
        ["S00001", "A", "shared line", "new", True]
    ]
    assert "1 lot: $7 at" in lines["reason"].item()
    other = lines.assign(line_id="L1", option="yard")
    assert list_shared_lines(barrier, other)["recommended"].tolist() == [True, False]


GOOD = [("a", 0, 1, 700), ("b", 1, 2, 300)]


@pytest.mark.parametrize(
    ("change", "text"),
    [
        ({"cost_cents": [700, -2]}, "cost_cents is -2"),
        ({"cost_cents": [700.5, 2.0]}, "something else than whole numbers"),
        ({"cost_cents": pd.array([700, None], dtype="Int64")}, "something else than whole numbers"),
        ({"cost_cents": [2**62, 2**62]}, "more than can be counted exactly"),
        ({"cost_cents": np.array([2**63 + 5, 1], dtype=np.uint64)}, "64 bits"),
        ({"piece_id": ["a", "a"]}, "'a' stands twice"),
        ({"left_parcel": ["", None]}, "left_parcel is missing"),
        ({"left_parcel": ["", "B"]}, "face 1 is said to be both"),
        ({"right_habitat": [True, False]}, "face 1 is said to be both"),
    ],
)
def test_bad_pieces_are_refused(change: dict[str, object], text: str) -> None:
    pieces = plan_of(GOOD, {1: "A"}, {0}).assign(**change)
    with pytest.raises(LayerError, match=text):
        read_ground(pieces)


def test_missing_column_is_named() -> None:
    with pytest.raises(LayerError, match="there is no column 'left_face'; run arrange_site first"):
        separate_lots(plan_of(GOOD, {1: "A"}, {0}).drop(columns="left_face"))
    with pytest.raises(LayerError, match="there is no column 'protect_this'"):
        separate_lots(plan_of(GOOD, {1: "A"}, {0}), pd.DataFrame({"parcel_id": ["A"]}))


def test_no_pieces_at_all() -> None:
    barrier = separate_lots(plan_of(GOOD, {1: "A"}, {0}).iloc[:0])
    assert len(barrier) == 0
    assert record(barrier)["flow_cents"] == 0
