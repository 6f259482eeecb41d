"""Split the cost of a common line so that no group of lots could build alone for less."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from geotools.separation._flow import Network

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from geotools.separation._frontier import Part

    Ints = NDArray[np.intp]
    Costs = NDArray[np.int64]
    Floats = NDArray[np.float64]
    Flags = NDArray[np.bool_]

__all__ = ["Game", "split_cost"]

_FINE = 1000
"""While shares are looked for, a cent is counted in this many parts."""
_MOST_ROUNDS = 500
_MOST_PLAYERS = 24
"""Lots of a part up to which the linear programme is solved; beyond, a flow gives the shares, held to the same test."""


class Game:
    """The cost game of one part: what any group of its lots pays for a line of its own.

    Parameters
    ----------
    part : Part
    players : array of bool, one per lot of the part
        Lots that take part.

    Examples
    --------
    >>> from geotools.separation._frontier import Part
    >>> none = np.zeros(0, dtype=np.intp)
    >>> two = Part(3, np.array([0, 0]), np.array([1, 2]), np.array([5, 7]), none, none, np.arange(2), np.array([1,
    ...     2]), np.arange(2))
    >>> game = Game(two, np.array([True, True]))
    >>> game.together(), game.worst(np.array([6, 6]))[0]
    (12, 1)
    """

    def __init__(self, part: Part, players: Flags) -> None:
        self.node = part.node[players]
        self.count = len(self.node)
        self._sink = part.nodes
        self.total_cents = int(part.cost.sum())
        self._endless = self.total_cents + 1
        # A tied lot's node hangs below its rooms without end; nothing flows back out of it.
        tied = np.isin(part.tie_node, self.node)
        tie_room, tie_node = part.tie_room[tied], part.tie_node[tied]
        pieces, ties = 2 * len(part.one), len(tie_room)
        self._lot_arcs = pieces + ties + np.arange(self.count)
        self._cost = np.concatenate([part.cost, part.cost, np.full(ties, self._endless, dtype=np.int64)])
        tail = np.concatenate([part.one, part.other, tie_room, self.node])
        head = np.concatenate([part.other, part.one, tie_node, np.full(self.count, self._sink)])
        self._ends = tail, head
        self._exact = Network(part.nodes + 1, tail, head, np.append(self._cost, np.zeros(self.count, dtype=np.int64)))
        self._fine: Network | None = None

    def together(self) -> int:
        """Cents of the line around all."""
        return self._least(self._exact, np.full(self.count, self._endless, dtype=np.int64))[0]

    def worst(self, shares: Costs) -> tuple[int, Flags]:
        """Find the group that would save most by building alone: what it saves (0 where none would) and who it is."""
        least, group = self._least(self._exact, shares)
        return int(shares.sum()) - least, group

    def worst_fine(self, shares: Floats) -> tuple[float, Flags]:
        """Do the same for shares in fractions of a cent, to a thousandth."""
        if self._fine is None:
            tail, head = self._ends
            self._fine = Network(
                self._exact.nodes, tail, head, np.append(self._cost * _FINE, np.zeros(self.count, dtype=np.int64))
            )
        fine = np.maximum(np.rint(shares * _FINE), 0).astype(np.int64)
        least, group = self._least(self._fine, fine)
        return (int(fine.sum()) - least) / _FINE, group

    def cents_of(self, group: Flags) -> int:
        """Cents of the line around a group."""
        return self._least(self._exact, np.where(group, self._endless, 0))[0]

    def slack(self, shares: Costs, player: int) -> int:
        """Cents that a lot could pay more before a group with it in would build alone."""
        forced = shares.copy()
        forced[player] = self._endless
        least = self._least(self._exact, forced)[0]
        return least - int(shares.sum())

    def carried(self, most: Costs) -> Costs:
        """Cents that a greatest flow brings to each lot, none above its most."""
        self._least(self._exact, most)
        return self._exact.flows(self._lot_arcs)

    def _least(self, network: Network, shares: Costs) -> tuple[int, Flags]:
        network.set_capacity(self._lot_arcs, shares)
        cut = network.cut(0, self._sink)
        return cut.flow, ~cut.outside[self.node]


def split_cost(game: Game, alone: Costs) -> tuple[Costs, int]:
    """Split the cost of the line around all lots of a game.

    The shares lie as near as can be to the ratio of what each lot would pay alone: the largest departure from it, in
    parts of what a lot pays alone, is least (a linear programme; the groups that matter are found one by one by minimum
    cuts). Shares in whole cents: the cost of a group's own line never grows faster for a larger group (it is
    submodular: Shapley 1971), so whole shares beside those of the programme exist, and raising them cent by cent while
    no group objects ends at the full sum.

    Returns
    -------
    shares, alone : arrays of int64
        Cents; the shares add up to the cost.
    worst : int
        Cents that some group would save by building alone: 0, checked in whole numbers.
    """
    total = game.together()
    if game.count == 1 or total == int(alone.sum()):
        return alone, 0
    ratio = alone * (total / alone.sum())
    if game.count > _MOST_PLAYERS:
        shares = _near_ratio_by_flow(game, ratio, alone, total)
        return shares, game.worst(shares)[0] + total - int(shares.sum())
    wanted = _near_ratio(game, ratio, alone, total)
    shares = np.clip(np.floor(wanted + 1e-6), 0, alone).astype(np.int64)
    excess, group = game.worst(shares)
    while excess > 0:
        members = np.flatnonzero(group & (shares > 0))[: max(excess, 1)]
        shares[members] -= 1
        excess, group = game.worst(shares)
    order = np.argsort(-(wanted - shares), kind="stable")
    missing = total - int(shares.sum())
    for most in (1, missing):
        for player in order.tolist():
            if missing <= 0:
                break
            more = min(most, missing, game.slack(shares, player))
            shares[player] += more
            missing -= more
    return shares, game.worst(shares)[0] + missing


def _near_ratio_by_flow(game: Game, ratio: Floats, alone: Costs, total: int) -> Costs:
    """Halve towards the least multiple of the ratio, in thousandths, with which the flow brings the full sum."""
    low, high = 1000, int(np.ceil(1000 * float((alone / np.maximum(ratio, 1e-9)).max(initial=1.0)))) + 1
    while low < high:
        middle = (low + high) // 2
        most = np.minimum(np.ceil(ratio * (middle / 1000)).astype(np.int64), alone)
        if int(game.carried(most).sum()) >= total:
            high = middle
        else:
            low = middle + 1
    return game.carried(np.minimum(np.ceil(ratio * (high / 1000)).astype(np.int64), alone))


def _near_ratio(game: Game, ratio: Floats, alone: Costs, total: int) -> Floats:
    """Solve the linear programme with the groups that matter."""
    from scipy.optimize import linprog

    count = game.count
    saved, group = game.worst_fine(ratio)
    if saved <= 1 / _FINE * count:
        return ratio
    weight = np.maximum(alone, 1).astype(np.float64)
    # Columns: shares, departures, the largest departure in parts of what the lot would pay alone.
    cost = np.concatenate([np.zeros(count), np.ones(count) / (weight.sum() * count), [1.0]])
    unit, nothing, column = np.eye(count), np.zeros((count, count)), np.zeros((count, 1))
    rows = np.vstack(
        [
            np.hstack([unit, -unit, column]),
            np.hstack([-unit, -unit, column]),
            np.hstack([nothing, unit, -weight[:, None]]),
        ]
    )
    limit = np.concatenate([ratio, -ratio, np.zeros(count)])
    whole = np.concatenate([np.ones(count), np.zeros(count + 1)])[None, :]
    bounds = [(0.0, float(cents)) for cents in alone] + [(0.0, None)] * (count + 1)
    shares = ratio
    for _ in range(_MOST_ROUNDS):
        rows = np.vstack([rows, np.concatenate([group.astype(np.float64), np.zeros(count + 1)])])
        limit = np.append(limit, float(game.cents_of(group)))
        result = linprog(cost, A_ub=rows, b_ub=limit, A_eq=whole, b_eq=[float(total)], bounds=bounds, method="highs")
        if result.x is None:
            break
        shares = result.x[:count]
        saved, group = game.worst_fine(shares)
        if saved <= 1 / _FINE * count:
            break
    return np.asarray(shares, dtype=np.float64)
