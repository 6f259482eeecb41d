"""Find a minimum cut in whole numbers, and check it against its own flow."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from ortools.graph.python.max_flow import SimpleMaxFlow

from geotools.errors import LayerError

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Ints = NDArray[np.intp]
    Costs = NDArray[np.int64]
    Flags = NDArray[np.bool_]

__all__ = ["LARGEST", "Cut", "Network", "check_range", "min_cut"]

LARGEST = 1 << 61
"""Capacities must add up to less than this; both ways of a piece then still fit into 64 bits."""


class Cut(NamedTuple):
    """A minimum cut: the flow that no cut can be below, the price of this cut (the same), and its source side."""

    flow: int
    price: int
    outside: Flags


class Network:
    """A network whose arcs stay and whose capacities and terminals may change between cuts.

    Parameters
    ----------
    nodes : int
    tail, head : arrays of int, m
        Directed arcs.
    capacity : array of int64, m
        None above `LARGEST`; no more than that may leave the source in all.
    backwards : bool
        Push the flow from the sink: then no more than `LARGEST` may enter the sink instead. The cut is the same.

    Examples
    --------
    >>> line = Network(3, np.array([0, 1]), np.array([1, 2]), np.array([5, 3]))
    >>> line.cut(0, 2).flow, line.cut(0, 1).flow
    (3, 5)
    """

    def __init__(self, nodes: int, tail: Ints, head: Ints, capacity: Costs, *, backwards: bool = False) -> None:
        self.nodes, self.tail, self.head, self.capacity = nodes, tail, head, capacity.astype(np.int64)
        self._backwards = backwards
        self._flow = SimpleMaxFlow()
        ends = (head, tail) if backwards else (tail, head)
        self._arcs = self._flow.add_arcs_with_capacity(*ends, self.capacity)

    def flows(self, arcs: Ints) -> Costs:
        """What the flow of the last cut carries on some arcs."""
        return np.asarray(self._flow.flows(self._arcs[arcs]), dtype=np.int64)

    def cut(self, source: int, sink: int) -> Cut:
        """Cut the source from the sink; of several minimum cuts the one with the fewest nodes on the source side.

        That side is the same for every minimum cut algorithm and every order of the arcs: it is the intersection of the
        source sides of all minimum cuts.

        Raises
        ------
        LayerError
            If the flow can't be counted exactly.
        """
        pushed = self.head == sink if self._backwards else self.tail == source
        check_range(self.capacity[pushed])
        outside = np.zeros(self.nodes, dtype=bool)
        outside[source] = True
        used = int(max(self.tail.max(initial=-1), self.head.max(initial=-1))) + 1
        if max(source, sink) >= used:
            return Cut(0, 0, outside | _reached(self, source))
        status = self._flow.solve(sink, source) if self._backwards else self._flow.solve(source, sink)
        if status != SimpleMaxFlow.OPTIMAL:
            raise LayerError(
                f"the least-cost line can't be added up exactly ({status})", mend="look for a cost that is wrong"
            )
        side = self._flow.get_sink_side_min_cut() if self._backwards else self._flow.get_source_side_min_cut()
        outside[side] = True
        crossing = outside[self.tail] & ~outside[self.head]
        flow, price = int(self._flow.optimal_flow()), int(self.capacity[crossing].sum())
        if flow != price or outside[sink]:
            raise AssertionError(f"the cut costs {price}, but the flow is {flow}")
        return Cut(flow, price, outside)


def min_cut(nodes: int, one: Ints, other: Ints, cost: Costs, source: int, sink: int) -> Cut:
    """Find the minimum cut of an undirected network.

    Maximum flow by push and relabel, in 64-bit whole numbers, and the cut read from what the flow leaves (Ford and
    Fulkerson 1956: the greatest flow is the least cut).

    Parameters
    ----------
    nodes : int
    one, other : arrays of int, m
        Ends of each piece.
    cost : array of int64, m
        What each piece costs, 0 or more.
    source, sink : int

    Returns
    -------
    Cut
        The one with the fewest nodes on the source side.

    Raises
    ------
    LayerError
        If a cost is negative, or they add up to more than whole numbers can hold.

    Examples
    --------
    >>> min_cut(3, np.array([0, 1, 0]), np.array([1, 2, 2]), np.array([5, 3, 1]), 0, 2)[:2]
    (4, 4)
    """
    check_range(cost)
    useful = (one != other) & (cost > 0)
    one, other, cost = one[useful], other[useful], cost[useful]
    return Network(nodes, np.append(one, other), np.append(other, one), np.append(cost, cost)).cut(source, sink)


def check_range(cost: Costs) -> None:
    """Refuse costs that are no whole numbers of 0 or more, or that add up to more than can be counted exactly.

    Raises
    ------
    LayerError
    """
    if not np.issubdtype(cost.dtype, np.integer):
        raise LayerError("costs are not whole cents", where="cost_cents", mend="round them to cents")
    if np.any(cost < 0):
        raise LayerError(f"a cost is {int(cost.min())} cents", where="cost_cents", mend="give 0 or more")
    # Summed in floating point first: a sum of integers would wrap round without a word.
    if float(np.sum(cost, dtype=np.float64)) >= LARGEST:
        raise LayerError(
            f"the costs add up to {float(np.sum(cost, dtype=np.float64)):.3g}, more than can be counted exactly",
            where="cost_cents",
            mend="look for a price or a length that is wrong, or plan one site at a time",
        )


def _reached(network: Network, source: int) -> Flags:
    """Nodes that arcs with room lead to from the source, where the sink hangs on none."""
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import breadth_first_order

    room = network.capacity > 0
    pairs = network.tail[room], network.head[room]
    graph = coo_array((np.ones(int(room.sum()), dtype=np.int8), pairs), shape=(network.nodes, network.nodes)).tocsr()
    reached = np.zeros(network.nodes, dtype=bool)
    reached[breadth_first_order(graph, source, return_predecessors=False)] = True
    return reached
