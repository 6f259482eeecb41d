"""Split the cost of a common line so that no group of lots could build alone for less."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from geotools.separation._flow import LARGEST, Network
from geotools.separation._frontier import trace_steps

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from geotools.separation._frontier import Part

    Costs = NDArray[np.int64]
    Flags = NDArray[np.bool_]

__all__ = ["split_cost"]


def split_cost(part: Part, players: Flags, alone: Costs) -> Costs:
    """Split the cost of the line around all players of a part.

    The cost of a group's own line is submodular, so there are splits that no group could undercut (Shapley 1971). Of
    these the one is taken whose shares, in parts of what each lot would pay alone, are as even as can be: the greatest
    is least, then the next, and so on; it is also nearest to the plain ratio, by its largest departure and by the sum
    of all. There is just one, and it follows from the frontier whose worth is what each lot would pay alone: lots that
    join together pay at the price of their step (Fujishige 1980, lexicographically optimal base of a polymatroid).

    Whole cents come from a flow from outside to the lots in which each lot takes its share, rounded down or up. The
    fractions are such a flow, so a whole one exists. All that reaches a group of lots has crossed any line around it:
    no group pays more than a line of its own, and the flow found proves it.

    Parameters
    ----------
    part : Part
    players : array of bool, one per lot of the part
        Lots that take part.
    alone : array of int64, one per player
        Cents of each one's own line.

    Returns
    -------
    array of int64, one per player
        Cents; they add up to the cost of the line around all.

    Examples
    --------
    >>> none = np.zeros(0, dtype=np.intp)
    >>> from geotools.separation._frontier import Part
    >>> rooms = np.array([0, 0, 1]), np.array([1, 1, 2])
    >>> two = Part(3, *rooms, np.array([5, 7, 4]), none, none, np.arange(2), np.array([1, 2]), none, np.arange(3))
    >>> split_cost(two, np.array([True, True]), np.array([12, 4])).tolist()
    [9, 3]
    """
    if len(alone) == 1:
        return alone
    # Weights only say what is fair: drawn down where they would take prices beyond 64 bits.
    scale = max(-(-4 * int(alone.sum()) * int(part.cost.sum()) // LARGEST), 1)
    weight = np.zeros(len(part.lot), dtype=np.int64)
    weight[players] = -(-alone // scale)
    steps = trace_steps(part, weight)
    place = {lot: at for at, lot in enumerate(part.lot.tolist())}
    least, odd = np.zeros_like(weight), np.zeros_like(weight)
    for step in steps:
        lots = [place[lot] for lot in step.lots]
        least[lots] = weight[lots] * step.cents // max(step.worth, 1)
        odd[lots] = weight[lots] * step.cents % max(step.worth, 1) > 0
    return _carry(part, players, least[players], odd[players], sum(step.cents for step in steps))


def _carry(part: Part, players: Flags, least: Costs, odd: Costs, total: int) -> Costs:
    """Bring each lot its least share by a flow from outside, and as many of the odd cents as are missing."""
    node = part.node[players]
    purse, sink = part.nodes, part.nodes + 1
    # A tied lot's node hangs below its rooms without end; nothing flows back out of it.
    tied = np.isin(part.tie_node, node)
    tie_room, tie_node = part.tie_room[tied], part.tie_node[tied]
    to_sink, to_purse = np.full(len(node), sink), np.full(len(node), purse)
    endless = np.full(len(tie_room), int(part.cost.sum()) + 1, dtype=np.int64)
    network = Network(
        part.nodes + 2,
        np.concatenate([part.one, part.other, tie_room, node, node, [purse]]),
        np.concatenate([part.other, part.one, tie_node, to_sink, to_purse, [sink]]),
        np.concatenate([part.cost, part.cost, endless, least, odd, [total - int(least.sum())]]),
    )
    flow = network.cut(0, sink).flow
    if flow != total:
        raise AssertionError(f"a group of lots would save {total - flow} cents by building alone")
    arcs = 2 * len(part.one) + len(tie_room) + np.arange(2 * len(node))
    return np.asarray(network.flows(arcs).reshape(2, -1).sum(axis=0), dtype=np.int64)
