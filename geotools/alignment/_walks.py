"""Find the shortest walk of each lot that comes back to its start after going once round."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from scipy.sparse import csr_array
from scipy.sparse.csgraph import dijkstra

from geotools.alignment._discs import match

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Integers = NDArray[np.int64]

__all__ = ["shortest_rounds"]

_LEAST_M = 1e-11
"""Cost of a step that costs nothing, metres: above rounding in a walk of many kilometres, so none goes in circles."""


def shortest_rounds(
    before: Integers, after: Integers, cost: Floats, crossings: Integers, node_lot: Integers, lots: int
) -> Integers:
    """Steps of the shortest closed walk of each lot whose crossings add up to one.

    A copy of a lot's nodes for each number of crossings so far; from a node to its copy one crossing on is once round.
    Every node that a crossing leads to may be the start, each in a copy of the lot's graph, so that one run of
    Dijkstra's method (1959) does for all lots and starts.

    Parameters
    ----------
    before, after : (k,) arrays of int
        Nodes that each step leads from and to, both of one lot; no two steps between the same two.
    cost : (k,) array
        Length of each step, metres.
    crossings : (k,) array of int
        Crossings of the lot's ray, leftward less rightward.
    node_lot : array of int
        Lot of each node, ascending.
    lots : int
        Number of lots.

    Returns
    -------
    array of int
        Steps in order, lot after lot; none for a lot without such a walk.

    Examples
    --------
    >>> before, after, cost = np.array([0, 1, 1, 2]), np.array([1, 0, 2, 0]), np.array([1.0, 5.0, 1.0, 2.0])
    >>> shortest_rounds(before, after, cost, np.array([1, 0, 0, 0]), np.zeros(3, dtype=np.int64), 1).tolist()
    [2, 3, 0]
    """
    first_node = np.searchsorted(node_lot, np.arange(lots))
    size = np.bincount(node_lot, minlength=lots)
    back = np.bincount(node_lot[before[crossings < 0]], minlength=lots) > 0
    low, levels = np.where(back, -1, 0), np.where(back, 4, 2)
    starts = np.unique(after[crossings > 0])
    start_lot = node_lot[starts]
    wide = size[start_lot] * levels[start_lot]
    base = np.cumsum(wide) - wide
    order = np.argsort(node_lot[before], kind="stable")
    start, step = match(start_lot, node_lot[before][order])
    step = order[step]
    lot = start_lot[start]
    level = np.concatenate([np.full(len(step), which) for which in range(4)])
    start, step, lot = (np.tile(column, 4) for column in (start, step, lot))
    to_level = level + crossings[step]
    there = (level < levels[lot]) & (to_level >= 0) & (to_level < levels[lot])
    start, step, lot, level, to_level = (column[there] for column in (start, step, lot, level, to_level))
    tail = base[start] + level * size[lot] + before[step] - first_node[lot]
    head = base[start] + to_level * size[lot] + after[step] - first_node[lot]
    weight = np.maximum(cost[step], _LEAST_M)
    source = base + -low[start_lot] * size[start_lot] + starts - first_node[start_lot]
    target = source + size[start_lot]
    count = int(wide.sum())
    if not len(tail):
        return np.zeros(0, dtype=np.int64)
    graph: Any = csr_array((weight, (tail, head)), shape=(count, count))  # stubs for it are not on every machine
    places: Any = source
    length_m: Floats = dijkstra(graph, indices=places, min_only=True)
    # The shortest start of each lot, the first where several are.
    ranked = np.lexsort((np.arange(len(starts)), length_m[target], start_lot))
    best = ranked[np.append(True, start_lot[ranked][1:] != start_lot[ranked][:-1])]
    best = best[np.isfinite(length_m[target[best]])]
    # Back from the targets; of ways that are equally long the first, whatever the other lots are.
    tight = np.flatnonzero(length_m[tail] + weight == length_m[head])
    tight = tight[np.lexsort((step[tight], head[tight]))]
    known, at = np.unique(head[tight], return_index=True)
    way_in = np.full(count, -1, dtype=np.int64)
    way_in[known] = tight[at]
    here, open_ = target[best], np.arange(len(best))
    steps: list[tuple[Integers, Integers]] = []
    for _ in range(count):
        edge = way_in[here]
        steps.append((open_, step[edge]))
        here = tail[edge]
        goes = here != source[best[open_]]
        here, open_ = here[goes], open_[goes]
        if not len(open_):
            break
    if not len(best):
        return np.zeros(0, dtype=np.int64)
    walk_of, walked = (np.concatenate(column) for column in zip(*reversed(steps), strict=True))
    return walked[np.argsort(walk_of, kind="stable")]
