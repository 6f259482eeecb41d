"""Find the least costly set of repairs that parts one room of open ground from the habitat."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from ortools.graph.python.max_flow import SimpleMaxFlow
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from geotools.errors import LayerError

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Ints = NDArray[np.intp]
    Costs = NDArray[np.int64]
    Flags = NDArray[np.bool_]

__all__ = ["Cut", "find_cuts", "join"]

_SMALL = 400_000
_BUSY = 32
_LARGEST = 1 << 62


class Cut(NamedTuple):
    """The cost of a set of repairs, and the rooms on the protected side of it (sorted, as few as will do)."""

    cost: int
    inside: Ints


def join(count: int, one: Ints, other: Ints) -> Ints:
    """Number the connected groups of `count` things of which `one` and `other` are pairs that hang together.

    Examples
    --------
    >>> join(3, np.array([0]), np.array([2])).tolist()
    [0, 1, 0]
    """
    pairs = coo_array((np.ones(len(one), dtype=np.int8), (one, other)), shape=(count, count))
    return np.asarray(connected_components(pairs, directed=False)[1], dtype=np.intp)


def find_cuts(
    one: Ints, other: Ints, cost: Costs, source: Flags, sinks: list[Ints], *, small: int = _SMALL
) -> list[Cut]:
    """Find the minimum cut between the source rooms and each set of sink rooms.

    Exact. Rooms of the source are drawn together; what is left falls into clusters, and each sink only sees its own. In
    a large cluster the room with the most neighbours (the streets behind a common wall) is parted first: a cut around
    it is either as cheap as its own minimum cut, or the room may be counted with the source (submodularity of cuts).

    Parameters
    ----------
    one, other, cost : arrays of int, m
        Rooms on both sides of each unsound piece and what it costs to mend, whole units.
    source : array of bool, one per room
        Rooms where the animals live.
    sinks : list of arrays of int
        Rooms of each protected ground, none of them a source.
    small : int
        Clusters with fewer pieces times sinks than this are solved one by one.

    Returns
    -------
    list of Cut
        One per sink; of several cheapest cuts the one nearest to the sink, which doesn't depend on the input's order.

    Raises
    ------
    LayerError
        If the costs add up to more than a whole number can hold.

    Examples
    --------
    >>> rooms = np.array([0, 1]), np.array([1, 2])
    >>> find_cuts(*rooms, np.array([5, 3]), np.array([True, False, False]), [np.array([2])])[0].cost
    3
    """
    if float(np.sum(cost, dtype=np.float64)) > _LARGEST:
        raise LayerError(
            "the repairs cost more than can be counted exactly", mend="look for a coordinate or a cost that is wrong"
        )
    node = np.where(source, 0, np.cumsum(~source))
    one, other, cost = _merge(node[one], node[other], cost)
    nodes = int(node.max(initial=0)) + 1
    rooms_of = np.append(-1, np.flatnonzero(~source))
    drawn = [np.unique(node[sink]) if len(sink) > 1 else node[sink] for sink in sinks]
    found = _solve(nodes, one, other, cost, drawn, small)
    return [Cut(cut.cost, rooms_of[cut.inside]) for cut in found]


def _merge(one: Ints, other: Ints, cost: Costs) -> tuple[Ints, Ints, Costs]:
    """Add up pieces between the same two nodes and drop those within one."""
    low, high = np.minimum(one, other), np.maximum(one, other)
    apart = low != high
    pairs, at = np.unique(np.stack([low[apart], high[apart]]), axis=1, return_inverse=True)
    total = np.zeros(pairs.shape[1], dtype=np.int64)
    np.add.at(total, at, cost[apart])
    return pairs[0], pairs[1], total


def _solve(nodes: int, one: Ints, other: Ints, cost: Costs, sinks: list[Ints], small: int) -> list[Cut]:
    """Solve for all sinks; node 0 is the source, every pair has one < other."""
    inner = one > 0
    cluster = join(nodes, one[inner], other[inner])
    members: dict[int, list[int]] = {}
    results = [Cut(0, np.zeros(0, dtype=np.intp))] * len(sinks)
    order = np.argsort(cluster[other], kind="stable")
    sorted_cluster = cluster[other][order]
    spans: list[int] = []
    for number, sink in enumerate(sinks):
        clusters = np.unique(cluster[sink]) if len(sink) > 1 else cluster[sink]
        if len(clusters) == 1:
            members.setdefault(int(clusters[0]), []).append(number)
        else:
            spans.append(number)

    def pieces_of(clusters: Ints) -> Ints:
        bounds = [np.searchsorted(sorted_cluster, clusters, side=side) for side in ("left", "right")]
        return np.concatenate([order[low:high] for low, high in zip(*bounds, strict=True)])

    for number in spans:
        rows = pieces_of(np.unique(cluster[sinks[number]]))
        results[number] = _cut(one[rows], other[rows], cost[rows], sinks[number])
    for label, numbers in members.items():
        rows = pieces_of(np.array([label]))
        piece = one[rows], other[rows], cost[rows]
        if len(rows) == 1:  # one room beside the source, its pieces drawn together
            price = int(cost[rows[0]]) if one[rows[0]] == 0 else 0
            for number in numbers:
                results[number] = Cut(price, sinks[number])
        elif len(rows) * len(numbers) <= small:
            for number in numbers:
                results[number] = _cut(*piece, sinks[number])
        else:
            for number, cut in zip(numbers, _solve_large(*piece, [sinks[n] for n in numbers], small), strict=True):
                results[number] = cut
    return results


def _solve_large(one: Ints, other: Ints, cost: Costs, sinks: list[Ints], small: int) -> list[Cut]:
    """Part the busiest room of a cluster first, then solve the rest with that room counted as source."""
    names = np.unique(np.concatenate([[0], one, other]))
    one, other = np.searchsorted(names, one), np.searchsorted(names, other)
    degree = np.bincount(one, minlength=len(names)) + np.bincount(other, minlength=len(names))
    degree[0] = 0
    hub = int(np.argmax(degree))
    local = [np.searchsorted(names, sink) for sink in sinks]
    if degree[hub] < _BUSY:
        return [_named(_cut(one, other, cost, sink), names) for sink in local]
    hub_cut = _cut(one, other, cost, np.array([hub]))
    renumber = np.arange(len(names))
    renumber[hub] = 0
    renumber[hub + 1 :] -= 1
    back = np.delete(np.arange(len(names)), hub)
    without_hub = [number for number, sink in enumerate(local) if hub not in sink]
    merged = _merge(renumber[one], renumber[other], cost)
    nested = _solve(len(names) - 1, *merged, [renumber[local[number]] for number in without_hub], small)
    results: dict[int, Cut] = {n: Cut(cut.cost, back[cut.inside]) for n, cut in zip(without_hub, nested, strict=True)}
    for number, sink in enumerate(local):
        if number in results and results[number].cost <= hub_cut.cost:
            continue
        inside_hub = np.isin(sink, hub_cut.inside).all()
        results[number] = hub_cut if inside_hub else _cut(one, other, cost, sink)
    return [_named(results[number], names) for number in range(len(local))]


def _named(cut: Cut, names: Ints) -> Cut:
    return Cut(cut.cost, names[cut.inside])


def _cut(one: Ints, other: Ints, cost: Costs, sink: Ints) -> Cut:
    """Solve one minimum cut between node 0 and the sink's nodes."""
    names = np.unique(np.concatenate([[0], one, other, sink]))
    joined = np.searchsorted(names, sink)
    node = np.arange(len(names))
    node[joined] = joined[0]
    tail, head = node[np.searchsorted(names, one)], node[np.searchsorted(names, other)]
    flow = SimpleMaxFlow()
    flow.add_arcs_with_capacity(np.append(tail, head), np.append(head, tail), np.append(cost, cost))
    if not len(tail) or 0 not in (tail.min(), head.min()):
        return Cut(0, sink)
    status = flow.solve(0, int(joined[0]))
    if status != SimpleMaxFlow.OPTIMAL:
        raise LayerError(f"the repairs can't be added up exactly ({status})", mend="look for a cost that is wrong")
    inside = np.union1d(names[flow.get_sink_side_min_cut()], sink)
    side = np.isin(one, inside) != np.isin(other, inside)
    total = int(cost[side].sum())
    if total != flow.optimal_flow():
        raise AssertionError(f"cut {total} is not the flow {flow.optimal_flow()}")
    return Cut(total, inside)
