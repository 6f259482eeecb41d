"""Trace every cheapest set of lots, from none to all, by parametric minimum cuts in exact fractions."""

from __future__ import annotations

from fractions import Fraction
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from geotools.errors import LayerError
from geotools.separation._flow import LARGEST, Network
from geotools.separation._ground import group_rooms

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from geotools.separation._ground import Ground

    Ints = NDArray[np.intp]
    Costs = NDArray[np.int64]
    Flags = NDArray[np.bool_]

__all__ = ["Part", "Step", "rank", "split_ground", "trace_steps"]


class Step(NamedTuple):
    """Lots that join the protected ones together, with the cents and the worth that they add."""

    cents: int
    worth: int
    lots: list[int]

    @property
    def price(self) -> Fraction:
        """Cents for a unit of worth; 0 for what is closed already."""
        return Fraction(self.cents, self.worth) if self.worth else Fraction(0)


class Part(NamedTuple):
    """A group of rooms that can be solved by itself, numbered anew: 0 outside, rooms, a node per lot of several rooms.

    `one`, `other`, `cost` are the priced pairs; `tie_room`, `tie_node` the rooms of such a lot with its node; per lot
    `lot` its number in the ground and `node` the node that stands for it. `row` is the place of each pair among the
    ground's, `room` the ground's room of each node: 0 outside, -1 for a lot's own node.
    """

    nodes: int
    one: Ints
    other: Ints
    cost: Costs
    tie_room: Ints
    tie_node: Ints
    lot: Ints
    node: Ints
    row: Ints
    room: Ints


def split_ground(ground: Ground) -> list[Part]:
    """Split the ground into parts that share no line; only lots that can be closed take part.

    Examples
    --------
    >>> import pandas as pd
    >>> from geotools.separation._ground import read_ground
    >>> pieces = pd.DataFrame({"piece_id": ["a", "b"], "left_face": [0, 0], "right_face": [1, 2], "cost_cents": [500,
    ...     700],
    ...     "left_parcel": ["", ""], "right_parcel": ["7", "8"], "left_habitat": [True, True],
    ...     "right_habitat": [False, False]})
    >>> [part.cost.tolist() for part in split_ground(read_ground(pieces))]
    [[500], [700]]
    """
    group = group_rooms(ground)
    usable = ground.closable[ground.lot_at]
    lot_at, room_at = ground.lot_at[usable], ground.room_at[usable]
    piece_group = group[ground.other]
    pieces = np.argsort(piece_group, kind="stable")
    pairs = np.lexsort((room_at, lot_at, group[room_at]))
    rooms = np.argsort(group, kind="stable")
    labels = np.unique(group[room_at])
    spans = [
        np.stack([np.searchsorted(keys[order], labels, side=side) for side in ("left", "right")], axis=1).tolist()
        for keys, order in ((piece_group, pieces), (group[room_at], pairs), (group, rooms))
    ]
    local = np.zeros(ground.rooms, dtype=np.intp)
    parts = []
    for (low, high), (first, last), (start, stop) in zip(*spans, strict=True):
        mine, rows, own = pieces[low:high], pairs[first:last], rooms[start:stop]
        local[own] = np.arange(1, len(own) + 1)
        lots, number, count = np.unique(lot_at[rows], return_inverse=True, return_counts=True)
        room = local[room_at[rows]]
        node = np.zeros(len(lots), dtype=np.intp)
        node[number] = room
        many = count > 1
        node[many] = len(own) + 1 + np.arange(int(many.sum()))
        tied = many[number]
        parts.append(
            Part(
                len(own) + 1 + int(many.sum()),
                local[ground.one[mine]] * (ground.one[mine] > 0),
                local[ground.other[mine]],
                ground.cost[mine],
                room[tied],
                node[number[tied]],
                lots,
                node,
                mine,
                np.concatenate([[0], own, np.full(int(many.sum()), -1)]),
            )
        )
    return parts


def rank(step: Step) -> tuple[float, Fraction, list[int]]:
    """Order steps by price, exactly: rounding a quotient to the nearest float swaps no two, and floats sort fast.

    Examples
    --------
    >>> sorted([Step(10, 3, [1]), Step(3, 1, [0]), Step(0, 0, [2])], key=rank)[0].lots
    [2]
    """
    return step.cents / step.worth if step.worth else 0.0, step.price, step.lots


def trace_steps(part: Part, worth: Costs) -> list[Step]:
    """Trace one part's steps from no lot to all lots that are worth something.

    For a price p of a unit of worth the best set makes cost - p x worth least: a minimum cut in which giving a lot up
    costs p times its worth. The best sets grow with p (Gallo, Grigoriadis and Tarjan 1989). Between two of them the
    price at which they are equally good is tried: either a better set lies between, or nothing does (Eisner and
    Severance 1976). Each half then keeps only the ground between its ends, drawn together at both.

    Parameters
    ----------
    part : Part
    worth : array of int64, one per lot of the part
        0 or more.

    Returns
    -------
    list of Step
        At rising price; a first step of price 0 holds the lots that are closed as things stand.

    Raises
    ------
    LayerError
        If cost times worth can't be counted exactly.
    """
    if not len(part.one) or part.one.min() > 0:
        return [Step(0, int(worth.sum()), part.lot.tolist())]
    if part.nodes == 2:  # one room: its whole outline
        return [Step(int(part.cost.sum()), int(worth.sum()), part.lot.tolist())] if worth.any() else []
    most = _protect_all(part, worth)
    if most is None:
        return []
    whole = _Problem.of(part, worth)
    start = _draw_together(whole, kept=np.insert(most, 1, True), sunk=np.zeros(whole.nodes, dtype=bool))
    return [Step(cents, gained, sorted(part.lot[lots].tolist())) for cents, gained, lots in _halve(start)]


class _Problem(NamedTuple):
    """Ground between two best sets: node 0 is outside both, node 1 inside both; lots with their node and worth."""

    nodes: int
    one: Ints
    other: Ints
    cost: Costs
    tie_room: Ints
    tie_node: Ints
    lot: Ints
    node: Ints
    worth: Costs

    @classmethod
    def of(cls, part: Part, worth: Costs) -> _Problem:
        """Make room for node 1."""
        shift = np.arange(part.nodes) + (np.arange(part.nodes) > 0)
        return cls(
            part.nodes + 1,
            shift[part.one],
            shift[part.other],
            part.cost,
            shift[part.tie_room],
            shift[part.tie_node],
            np.arange(len(part.lot)),
            shift[part.node],
            worth,
        )


def _protect_all(part: Part, worth: Costs) -> Flags | None:
    """Nodes inside the cheapest line around all lots that are worth something."""
    wanted = worth > 0
    if not wanted.any():
        return None
    sink = part.nodes
    node = np.arange(sink + 1)
    node[part.node[wanted]] = sink
    tied = np.isin(part.tie_node, part.node[wanted])
    node[part.tie_room[tied]] = sink
    one, other = node[part.one], node[part.other]
    apart = one != other
    one, other, cost = one[apart], other[apart], part.cost[apart]
    network = Network(sink + 1, np.append(one, other), np.append(other, one), np.append(cost, cost))
    inside = ~network.cut(0, sink).outside[node[:sink]]
    # The node of a lot that nobody asked for is inside where all of its rooms are.
    loose = part.tie_node[~tied]
    inside[loose] = True
    inside[loose[~inside[part.tie_room[~tied]]]] = False
    return np.asarray(inside, dtype=bool)


def _halve(problem: _Problem) -> Iterator[tuple[int, int, Ints]]:
    waiting = [problem]
    while waiting:
        problem = waiting.pop()
        gained = int(problem.worth.sum())
        fixed = problem.one == 0
        cents = int(problem.cost[fixed].sum()) - int(problem.cost[problem.other == 1].sum())
        if not gained:
            continue
        inside = None if len(problem.lot) == 1 else _try_between(problem, cents, gained)
        if inside is None:
            yield cents, gained, problem.lot
        else:
            nothing = np.zeros(problem.nodes, dtype=bool)
            waiting.append(_draw_together(problem, kept=~nothing, sunk=inside))
            waiting.append(_draw_together(problem, kept=inside, sunk=nothing))


def _try_between(problem: _Problem, cents: int, gained: int) -> Flags | None:
    """Cut at the price where both ends are equally good; None if nothing is better there.

    Where that price has too many digits, the nearest that can be counted exactly finds a set that is better, and shown
    to be so; but it can't show that there is none.
    """
    between = (problem.one != 0) | (problem.other != 1)
    one, other, cost = problem.one[between], problem.other[between], problem.cost[between]
    fixed = int(problem.cost[~between].sum())
    start = int(problem.cost[problem.other == 1].sum())
    exact = Fraction(cents, gained)
    near = exact.limit_denominator(max(LARGEST // (2 * (start + cents)), 1))
    price, unit = near.numerator, near.denominator
    bound = price * gained + unit * int(cost[other == 1].sum())
    # Nothing can carry more than the bound: what is wider is cut down to it, so that no product leaves 64 bits.
    wide = np.where(cost > bound // unit, bound + 1, np.minimum(cost, bound // unit) * unit)
    ties = np.full(len(problem.tie_room), bound + 1, dtype=np.int64)
    tail = np.concatenate([one, other, problem.tie_room, problem.node])
    head = np.concatenate([other, one, problem.tie_node, np.ones(len(problem.node), dtype=np.intp)])
    capacity = np.concatenate([wide, wide, ties, problem.worth * price])
    cut = Network(problem.nodes, tail, head, capacity, backwards=True).cut(0, 1)
    if near == exact and cut.flow == bound:
        return None
    inside = np.asarray(~cut.outside, dtype=bool)
    spent = int(cost[inside[one] != inside[other]].sum()) + fixed - start
    if not spent * gained < cents * int(problem.worth[inside[problem.node]].sum()):
        raise LayerError(
            f"{start + cents:,} cents times a worth of {gained:,} is more than can be counted exactly",
            where="frontier",
            mend="give the worth in rounder numbers (fewer decimals), or plan one site at a time",
        )
    return inside


def _draw_together(problem: _Problem, *, kept: Flags, sunk: Flags) -> _Problem:
    """Draw the nodes that are not kept into the outside, and the sunk ones into the inside."""
    kept, sunk = kept.copy(), sunk.copy()
    kept[0], sunk[0], sunk[1], kept[1] = False, False, True, True
    free = kept & ~sunk
    node = np.where(sunk, 1, 0)
    node[free] = np.arange(2, 2 + int(free.sum()))
    nodes = 2 + int(free.sum())
    low, high = node[problem.one], node[problem.other]
    low, high = np.minimum(low, high), np.maximum(low, high)
    apart = low != high
    pairs, at = np.unique(low[apart] * nodes + high[apart], return_inverse=True)
    cost = np.zeros(len(pairs), dtype=np.int64)
    np.add.at(cost, at, problem.cost[apart])
    one, other = np.divmod(pairs, nodes)
    # A pair with node 1 and a free node has 1 as its lower end; node 1 is wanted as the upper one.
    flip = one == 1
    one, other = np.where(flip, other, one), np.where(flip, 1, other)
    lots = free[problem.node]
    ties = free[problem.tie_node]
    tie_room, tie_node = node[problem.tie_room[ties]], node[problem.tie_node[ties]]
    loose = tie_room != 1
    return _Problem(
        nodes,
        one,
        other,
        cost,
        tie_room[loose],
        tie_node[loose],
        problem.lot[lots],
        node[problem.node[lots]],
        problem.worth[lots],
    )
