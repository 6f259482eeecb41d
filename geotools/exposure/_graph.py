"""Search least-cost ways over a grid whose moves no wall lets through, with places of their own where it is narrow."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from geotools.exposure._crossings import Net, meet_walls, moves_near

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["Graph", "lay_graph", "spread_cost"]

_MOVES = ((1, 0), (0, 1), (1, 1), (-1, 1))
"""Columns and rows of each move; the reverse ones follow from them."""
_NEXT = 1.0 + 1e-6
"""Extra places lead to cells and to each other over at most this, in cells, in each direction of the grid."""


class Graph(NamedTuple):
    """Compressed rows of moves between numbered places; `numbers` tells the number at each cell, -1 where none is.

    `places` are columns and rows, `resistance` that of each place.
    """

    numbers: NDArray[np.int32]
    places: NDArray[np.float64]
    resistance: NDArray[np.float64]
    first: NDArray[np.int64]
    stops: NDArray[np.int32]
    costs_m: NDArray[np.float64]


def lay_graph(
    resistance: NDArray[np.float64],
    cell_m: float,
    *,
    net: Net | None = None,
    extra: NDArray[np.float64] | None = None,
    extra_resistance: NDArray[np.float64] | None = None,
) -> Graph:
    """Join each cell with its eight neighbours, and extra places with the cells and places near them.

    A move costs its length times the mean resistance of its two ends, and what crossing walls costs; moves that meet a
    wall that can't be crossed are left out.

    Parameters
    ----------
    resistance : numpy.ndarray, rows x columns
        Infinite where no way leads.
    cell_m : float
        Metres.
    net : Net, optional
        The walls.
    extra : numpy.ndarray, n x 2, optional
        Columns and rows of extra places.
    extra_resistance : numpy.ndarray, n, optional

    Returns
    -------
    Graph
    """
    usable = np.isfinite(resistance)
    count = int(usable.sum())
    numbers = np.full(resistance.shape, -1, dtype=np.int32)
    numbers[usable] = np.arange(count, dtype=np.int32)
    costs_m = np.full((count, 2 * len(_MOVES)), np.inf)
    stops = np.zeros((count, 2 * len(_MOVES)), dtype=np.int32)
    for at, (right, down) in enumerate(_MOVES):
        here, there = _shifted(resistance.shape, right, down)
        cost_m = np.full(resistance.shape, np.inf)
        cost_m[here] = (resistance[here] + resistance[there]) * (float(np.hypot(right, down)) * cell_m / 2)
        if net is not None:
            cells, more_m = moves_near(net, resistance.shape, right=right, down=down)
            cost_m.reshape(-1)[cells] += more_m
        made = np.isfinite(cost_m[here])
        start, stop = numbers[here][made], numbers[there][made]
        costs_m[start, at] = costs_m[stop, at + len(_MOVES)] = cost_m[here][made]
        stops[start, at], stops[stop, at + len(_MOVES)] = stop, start
    row, column = np.nonzero(usable)
    places = np.stack([column, row], axis=1).astype(np.float64)
    values = resistance[usable]
    if net is not None and extra is not None and extra_resistance is not None and len(extra):
        places, values = np.concatenate([places, extra]), np.concatenate([values, extra_resistance])
        links = _links(numbers, extra, count)
        links = links[np.isfinite(values[links]).all(axis=1)]
        start, stop = places[links[:, 0]], places[links[:, 1]]
        length_m = np.linalg.norm(stop - start, axis=1) * cell_m
        cost_m = length_m * values[links].mean(axis=1) + meet_walls(net, start, stop)
        made = np.isfinite(cost_m)
        return _compressed(numbers, places, values, stops, costs_m, links[made], cost_m[made])
    return _compressed(numbers, places, values, stops, costs_m, np.zeros((0, 2), dtype=np.int64), np.zeros(0))


def spread_cost(
    graph: Graph,
    cells: NDArray[np.int64],
    costs_m: NDArray[np.float64],
    *,
    farthest_m: float = np.inf,
    never: NDArray[np.bool_] | None = None,
    traced: bool = False,
) -> tuple[NDArray[np.float64], NDArray[np.int32]]:
    """Spread cost from where ways begin.

    Parameters
    ----------
    graph : Graph
    cells : numpy.ndarray of int, n
        Numbers of the places where ways begin.
    costs_m : numpy.ndarray, n
        What they cost there.
    farthest_m : float
    never : numpy.ndarray of bool, one per place, optional
        Places that no way leads to.
    traced : bool
        Whether to tell the place before each.

    Returns
    -------
    costs_m : numpy.ndarray, one per place
        Infinite beyond `farthest_m`.
    before : numpy.ndarray of int, one per place
        The place before; negative, or the number of places, where the way begins. Empty if not `traced`.
    """
    from scipy.sparse import csr_matrix
    from scipy.sparse.csgraph import dijkstra

    count = len(graph.places)
    finite = np.isfinite(costs_m)
    weights = graph.costs_m
    if never is not None and never.any():
        weights = np.where(never[graph.stops], np.inf, weights)
    # One place more stands for all habitat.
    data = np.concatenate([weights, costs_m[finite]])
    stops = np.concatenate([graph.stops, cells[finite].astype(np.int32)])
    first = np.append(graph.first, len(stops))
    moves = csr_matrix((data, stops, first.astype(np.int32)), shape=(count + 1, count + 1))
    start = np.array([count])
    if not traced:
        return dijkstra(moves, indices=start, limit=farthest_m)[0, :count], np.zeros(0, dtype=np.int32)
    spread, before = dijkstra(moves, True, start, True, limit=farthest_m)
    return spread[0, :count], before[0, :count].astype(np.int32)


def _shifted(shape: tuple[int, int], right: int, down: int) -> tuple[Any, Any]:
    rows, columns = shape
    west, east = max(-right, 0), columns - max(right, 0)
    return np.s_[: rows - down, west:east], np.s_[down:, west + right : east + right]


def _links(numbers: NDArray[np.int32], extra: NDArray[np.float64], count: int) -> NDArray[np.int64]:
    """Pairs of numbers: each extra place with the cells and the extra places near."""
    from scipy.spatial import cKDTree

    base = np.floor(extra).astype(np.int64)
    own = np.arange(len(extra)) + count
    pairs = []
    for down in range(-1, 3):
        for right in range(-1, 3):
            row, column = base[:, 1] + down, base[:, 0] + right
            inside = (row >= 0) & (row < numbers.shape[0]) & (column >= 0) & (column < numbers.shape[1])
            inside &= (abs(column - extra[:, 0]) <= _NEXT) & (abs(row - extra[:, 1]) <= _NEXT)
            number = np.full(len(extra), -1)
            number[inside] = numbers[row[inside], column[inside]]
            pairs.append(np.stack([own, number], axis=1)[number >= 0])
    near = cKDTree(extra).query_pairs(_NEXT, p=np.inf, output_type="ndarray")
    return np.concatenate([*pairs, near + count]).astype(np.int64)


def _compressed(
    numbers: NDArray[np.int32],
    places: NDArray[np.float64],
    values: NDArray[np.float64],
    stops: NDArray[np.int32],
    costs_m: NDArray[np.float64],
    links: NDArray[np.int64],
    link_m: NDArray[np.float64],
) -> Graph:
    made = np.isfinite(costs_m)
    both = np.concatenate([links, links[:, ::-1]])
    order = np.argsort(both[:, 0], kind="stable")
    start, stop, more_m = both[order, 0], both[order, 1], np.concatenate([link_m, link_m])[order]
    counts = np.bincount(start, minlength=len(places))
    own = np.zeros(len(places), dtype=np.int64)
    own[: len(made)] = made.sum(axis=1)
    first = np.concatenate([[0], np.cumsum(own + counts)])
    rank = np.arange(len(start)) - np.repeat(np.cumsum(counts) - counts, counts)
    at = first[start] + own[start] + rank
    linked = np.zeros(first[-1], dtype=bool)
    linked[at] = True
    all_stops, all_m = np.empty(first[-1], dtype=np.int32), np.empty(first[-1])
    all_stops[~linked], all_m[~linked] = stops[made], costs_m[made]
    all_stops[linked], all_m[linked] = stop, more_m
    return Graph(numbers, places, values, first, all_stops, all_m)
