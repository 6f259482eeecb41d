"""Choose the lots of most worth within a budget, by an integer programme near the frontier."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from geotools.separation._frontier import rank, split_ground, trace_steps
from geotools.separation._ground import cut_lots

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from geotools.separation._frontier import Part
    from geotools.separation._ground import Ground

    Ints = NDArray[np.intp]
    Costs = NDArray[np.int64]
    Flags = NDArray[np.bool_]

__all__ = ["Choice", "choose_within"]


_MOST_PAIRS = 8_000
"""Larger programmes take minutes and seldom gain (assumption of this project)."""


class Choice(NamedTuple):
    """The lots, what their line costs, what they are worth, and a worth that no lots within the budget can be above."""

    lots: Flags
    cents: int
    worth: int
    bound: int


def choose_within(
    ground: Ground,
    worth: Costs,
    added: Sequence[Sequence[int]],
    cost_cents: Sequence[int],
    budget_cents: int,
    most_undecided: int,
    most_nodes: int,
) -> Choice:
    """Choose lots within a budget.

    Maximise sum w y subject to sum c z <= budget, z >= |x_u - x_v| for each priced pair of rooms, y <= x for each room
    of a lot, x = 0 in the habitat. For whole y the rest is a minimum cut, whose x and z are whole by themselves (total
    unimodularity).

    Parameters
    ----------
    ground : Ground
    worth : array of int64, one per lot
    added, cost_cents : sequences
        Lots that join at each point of the frontier, and its cost.
    budget_cents : int
    most_undecided, most_nodes : int

    Returns
    -------
    Choice
        `bound` is the lower of the frontier's own bound (the straight line between its points) and the programme's.
    """
    last = int(np.searchsorted(np.array(cost_cents), budget_cents, side="right")) - 1
    base = np.zeros(len(worth), dtype=bool)
    base[[lot for lots in added[: last + 1] for lot in lots]] = True
    best = _priced(ground, worth, base)
    bound = best.worth
    order = [lot for lots in added for lot in lots]
    if last + 1 < len(added):
        step_cents = cost_cents[last + 1] - cost_cents[last]
        step_worth = int(worth[list(added[last + 1])].sum())
        bound += step_worth * (budget_cents - cost_cents[last]) // step_cents
    if bound == best.worth:
        return Choice(best.lots, best.cents, best.worth, bound)

    best = _fill_up(ground, worth, best, budget_cents)
    middle = int(base.sum())
    low = max(0, min(middle - most_undecided // 2, len(order) - most_undecided))
    undecided = np.zeros(len(worth), dtype=bool)
    undecided[order[low : low + most_undecided]] = True
    undecided &= worth > 0
    kept = base & ~undecided
    parts = [part for part in split_ground(ground) if undecided[part.lot].any()]
    if sum(len(part.one) for part in parts) > _MOST_PAIRS:
        return Choice(best.lots, best.cents, best.worth, bound)
    found, limit = _solve(ground, worth, parts, kept, undecided, budget_cents, most_nodes)
    if found is not None:
        better = _priced(ground, worth, found)
        if better.cents <= budget_cents and (better.worth, -better.cents) > (best.worth, -best.cents):
            best = better
    if len(order) == int(undecided.sum()) + int((worth[order] == 0).sum()) and limit is not None:
        bound = min(bound, max(limit, best.worth))
    return Choice(best.lots, best.cents, best.worth, bound)


def _priced(ground: Ground, worth: Costs, wanted: Flags) -> Choice:
    """Price a set exactly, and count in every lot that its line closes as well."""
    cut = cut_lots(ground, wanted)
    lots = ground.closable.copy()
    lots[ground.lot_at[cut.outside[ground.room_at]]] = False
    gained = int(worth[lots].sum())
    return Choice(lots, cut.flow, gained, gained)


def _fill_up(ground: Ground, worth: Costs, base: Choice, budget_cents: int) -> Choice:
    """Add what fits, cheapest protection first, each group of neighbouring lots by itself.

    All ground without a lot counts as outside while the steps are looked for, so a whole site that one line could close
    falls into its blocks; each try is priced on the real ground.
    """
    lotless = np.ones(ground.rooms, dtype=bool)
    lotless[ground.room_at] = False
    room = np.where(lotless, 0, np.cumsum(~lotless))
    one, other = np.sort(np.stack([room[ground.one], room[ground.other]]), axis=0)
    apart = one != other
    blocks = ground._replace(
        rooms=int((~lotless).sum()) + 1,
        one=one[apart],
        other=other[apart],
        cost=ground.cost[apart],
        room_at=room[ground.room_at],
    )
    steps = [
        (step, number)
        for number, part in enumerate(split_ground(blocks))
        for step in trace_steps(part, worth[part.lot])
    ]
    steps.sort(key=lambda pair: rank(pair[0]))
    lots = [step.lots for step, _ in steps]

    def with_first(count: int) -> Choice:
        chosen = base.lots.copy()
        chosen[[lot for some in lots[:count] for lot in some]] = True
        return _priced(ground, worth, chosen)

    low, high = 0, len(steps)
    while low < high:
        middle = (low + high + 1) // 2
        if with_first(middle).cents <= budget_cents:
            low = middle
        else:
            high = middle - 1
    best = with_first(low)
    # Then what still fits farther on, as long as nothing of its own block is passed over.
    left, passed, chosen = budget_cents - best.cents, set(), best.lots.copy()
    for step, block in steps[low:]:
        if block in passed or step.cents > left:
            passed.add(block)
        else:
            chosen[step.lots] = True
            left -= step.cents
    more = _priced(ground, worth, chosen)
    return more if more.cents <= budget_cents and more.worth > best.worth else best


def _solve(
    ground: Ground, worth: Costs, parts: list[Part], kept: Flags, undecided: Flags, budget_cents: int, most_nodes: int
) -> tuple[Flags | None, int | None]:
    from scipy.optimize import Bounds, LinearConstraint, milp
    from scipy.sparse import coo_array

    elsewhere = kept.copy()
    for part in parts:
        elsewhere[part.lot] = False
    spent = cut_lots(ground, elsewhere).flow if elsewhere.any() else 0
    one, other, cost, tie, node, lot, nodes = _stack(parts)
    lots, pieces = len(lot), len(one)
    # Columns: x of the nodes, z of the pairs, y of the lots.
    size = nodes + pieces + lots
    z, y = nodes + np.arange(pieces), nodes + pieces + np.arange(lots)
    rows = np.arange(pieces)
    blocks = [
        (rows, z, 1.0), (rows, one, -1.0), (rows, other, 1.0), (rows + pieces, z, 1.0), (rows + pieces, one, 1.0), (rows
        + pieces, other, -1.0), (2 * pieces + np.arange(lots), y, -1.0), (2 * pieces + np.arange(lots), node, 1.0), (2 *
        pieces + lots + np.arange(len(tie)), tie[:, 0], 1.0), (2 * pieces + lots + np.arange(len(tie)), tie[:, 1],
        -1.0),
    ]  # fmt: skip
    last = 2 * pieces + lots + len(tie)
    left = max(budget_cents - spent, 0)
    row = np.concatenate([*(block[0] for block in blocks), np.full(pieces, last)])
    column = np.concatenate([*(block[1] for block in blocks), z])
    value = np.concatenate([*(np.full(len(block[0]), block[2]) for block in blocks), -cost.astype(np.float64)])
    matrix = coo_array((value, (row, column)), shape=(last + 1, size)).tocsr()
    floor = np.zeros(last + 1)
    floor[last] = -left
    lower, upper = np.zeros(size), np.ones(size)
    upper[0] = 0.0
    lower[y[kept[lot]]] = 1.0
    upper[y[~kept[lot] & ~undecided[lot]]] = 0.0
    gains = np.zeros(size)
    gains[y] = -worth[lot].astype(np.float64)
    # Whole x and z follow from whole y; asking for them spares the solver a second look at rounded answers.
    integral = np.ones(size, dtype=np.int64)
    result = milp(
        gains,
        constraints=LinearConstraint(matrix, lb=floor),
        bounds=Bounds(lower, upper),
        integrality=integral,
        options={"mip_rel_gap": 0.0, "node_limit": most_nodes},
    )
    outside = int(worth[elsewhere].sum())
    dual = result.mip_dual_bound
    limit = None if dual is None else outside + int(np.floor(0.5 - dual))
    if result.x is None:
        return None, limit
    found = elsewhere.copy()
    found[lot] = result.x[y] > 0.5
    return found, limit


def _stack(parts: list[Part]) -> tuple[Ints, Ints, Costs, Ints, Ints, Ints, int]:
    """Number the nodes of several parts through, with node 0 in common."""
    nodes = 1
    stacks: list[list[NDArray[np.int64]]] = [[] for _ in range(6)]
    for part in parts:
        shift = nodes - 1

        def moved(numbers: Ints, shift: int = shift) -> Ints:
            return np.where(numbers > 0, numbers + shift, 0)

        ties = np.stack([moved(part.tie_room), moved(part.tie_node)], axis=1)
        for stack, column in zip(
            stacks, (moved(part.one), moved(part.other), part.cost, ties, moved(part.node), part.lot), strict=True
        ):
            stack.append(column)
        nodes += part.nodes - 1
    one, other, cost, tie, node, lot = (np.concatenate(stack) for stack in stacks)
    return one, other, cost, tie, node, lot, nodes
