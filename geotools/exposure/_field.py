"""Lay the graph of moves over one window, and find which of its places lie in or beside each yard."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import shapely

from geotools.exposure._crossings import Net, find_narrows, lay_net
from geotools.exposure._graph import Graph, lay_graph
from geotools.exposure._surface import Ground, Window, burn_ground

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["Field", "lay_field"]

_BLOCK = 8
"""Cells of a side of the blocks in which distances are judged roughly."""


class Field(NamedTuple):
    """A window with its resistance, the graph of its moves, its walls, and per kind of habitat its shapes and cells.

    `within` and `beside` are pairs of a place of the graph and the target that it lies in or beside.
    """

    window: Window
    resistance: NDArray[np.float64]
    graph: Graph
    net: Net
    sources: dict[str, NDArray[Any]]
    inside: dict[str, NDArray[np.bool_]]
    targets: NDArray[Any]
    within: tuple[NDArray[np.int64], NDArray[np.intp]]
    beside: tuple[NDArray[np.int64], NDArray[np.intp]]

    def at(self, places: NDArray[np.float64]) -> NDArray[np.float64]:
        """Resistance of the cells that places (column and row) lie in."""
        last = np.array(self.window.shape[::-1]) - 1
        column, row = np.clip(np.floor(places + 0.5), 0, last).astype(np.intp).T
        return np.asarray(self.resistance[row, column])


def lay_field(
    window: Window, ground: Ground, sources: dict[str, NDArray[Any]], targets: NDArray[Any], farthest_m: float
) -> Field:
    """Lay the graph of moves over a window, and find what each target can be reached from."""
    inside = {}
    for kind, shapes in sources.items():
        mask = np.zeros(window.shape, dtype=np.uint8)
        window.burn(shapes, 1, out=mask)
        inside[kind] = mask > 0
    whole = burn_ground(ground, window)
    useful = _useful(window, sources, inside, targets, farthest_m)
    resistance = np.where(useful, whole, np.inf)
    segments = window.in_cells(ground.barriers.segments)
    size = np.array(window.shape[::-1])
    near = (segments.min(axis=1) < size).all(axis=1) & (segments.max(axis=1) > -1).all(axis=1)
    net = lay_net(segments[near], ground.barriers.costs_m[near], useful)
    openings, narrows = window.in_cells(ground.barriers.openings), find_narrows(net)
    extra = np.concatenate([openings, narrows])
    cell = np.floor(extra + 0.5).astype(np.intp)
    held = (cell >= 0).all(axis=1) & (cell < size).all(axis=1)
    value = np.full(len(extra), np.inf)
    value[held] = resistance[cell[held, 1], cell[held, 0]]
    opened = held & np.isfinite(value) & (np.arange(len(extra)) < len(openings))
    value[opened] = ground.opening
    kept = np.isfinite(value)
    graph = lay_graph(resistance, window.cell_m, net=net, extra=extra[kept], extra_resistance=value[kept])
    labels = np.zeros(window.shape, dtype=np.int32)
    window.burn(targets, np.arange(1, len(targets) + 1), out=labels)
    within = _cells_in(graph, labels)
    beside = _places_near(window, graph, labels, targets)
    return Field(window, whole, graph, net, sources, inside, targets, within, beside)


def _useful(
    window: Window,
    sources: dict[str, NDArray[Any]],
    inside: dict[str, NDArray[np.bool_]],
    targets: NDArray[Any],
    farthest_m: float,
) -> NDArray[np.bool_]:
    """Leave out cells within habitat and those that no way of that cost leads over: none costs less than its length."""
    from affine import Affine
    from scipy.ndimage import distance_transform_edt

    block_m = _BLOCK * window.cell_m
    shape = -(-window.shape[0] // _BLOCK), -(-window.shape[1] // _BLOCK)
    corner = window.transform
    blocks = Window(Affine(block_m, 0.0, corner.c, 0.0, -block_m, corner.f), shape)

    def away_m(shapes: NDArray[Any]) -> NDArray[np.float64]:
        mask = np.zeros(shape, dtype=np.uint8)
        blocks.burn(shapes, 1, out=mask, all_touched=True)
        # Between any two places of two blocks it may be a diagonal less than between their middles.
        return np.asarray(np.maximum(distance_transform_edt(mask == 0) - np.sqrt(2), 0) * block_m)

    to_lots_m = away_m(targets)
    useful = np.zeros(window.shape, dtype=bool)
    for kind, shapes in sources.items():
        short = away_m(shapes) + to_lots_m <= farthest_m
        whole = short.repeat(_BLOCK, axis=0).repeat(_BLOCK, axis=1)[: window.shape[0], : window.shape[1]]
        useful |= whole & ~inside[kind]
    return useful


def _cells_in(graph: Graph, labels: NDArray[np.int32]) -> tuple[NDArray[np.int64], NDArray[np.intp]]:
    """Numbers of the places at the middles of cells in each target, and whose they are."""
    own = (labels > 0) & (graph.numbers >= 0)
    return graph.numbers[own].astype(np.int64), labels[own].astype(np.intp) - 1


def _places_near(
    window: Window, graph: Graph, labels: NDArray[np.int32], targets: NDArray[Any]
) -> tuple[NDArray[np.int64], NDArray[np.intp]]:
    """Pairs of a place of the graph and a target that it lies beside, or in if the target holds no middle of a cell."""
    numbers, shape = graph.numbers, labels.shape
    # Around each cell the targets of its neighbours, and around each extra place those of the cells about it.
    pairs = []
    rim = np.zeros(shape, dtype=bool)
    rim[1:] |= labels[1:] != labels[:-1]
    rim[:-1] |= labels[1:] != labels[:-1]
    rim[:, 1:] |= labels[:, 1:] != labels[:, :-1]
    rim[:, :-1] |= labels[:, 1:] != labels[:, :-1]
    row, column = np.nonzero(rim & (numbers >= 0))
    pairs += _labelled(labels, row, column, numbers[row, column].astype(np.int64), np.arange(-1, 2))
    first = int((numbers >= 0).sum())
    extra = np.arange(first, len(graph.places))
    cell = np.floor(graph.places[extra]).astype(np.intp)
    pairs += _labelled(labels, cell[:, 1], cell[:, 0], extra, np.arange(2))
    # Small or stacked targets have no cell of their own there, or not all of theirs.
    turned = np.zeros(shape, dtype=np.int32)
    window.burn(targets[::-1], np.arange(len(targets), 0, -1), out=turned)
    shared = turned != labels
    alone = np.setdiff1d(labels, np.concatenate([labels[shared], turned[shared]]))
    left = np.setdiff1d(np.arange(1, len(targets) + 1), alone) - 1
    if len(left):
        middle = window.in_cells(shapely.get_coordinates(shapely.centroid(targets[left])))
        half = np.ceil((shapely.bounds(targets[left]) @ [[-1, 0], [0, -1], [1, 0], [0, 1]]) / 2 / window.cell_m)
        for target, (x, y), (wide, high) in zip(left.tolist(), middle.tolist(), half.tolist(), strict=True):
            rows = slice(max(int(y - high) - 1, 0), int(y + high) + 3)
            columns = slice(max(int(x - wide) - 1, 0), int(x + wide) + 3)
            near = numbers[rows, columns]
            own = near[near >= 0].astype(np.int64)
            pairs.append(np.stack([own, np.full(len(own), target)], axis=1))
    found = np.concatenate(pairs)
    return found[:, 0], found[:, 1].astype(np.intp)


def _labelled(
    labels: NDArray[np.int32], row: NDArray[np.intp], column: NDArray[np.intp], number: NDArray[np.int64], steps: Any
) -> list[NDArray[np.int64]]:
    """Pairs of a place and each target that has a cell the given steps from it."""
    found = []
    for down in steps:
        for right in steps:
            at_row, at_column = row + down, column + right
            held = (at_row >= 0) & (at_row < labels.shape[0]) & (at_column >= 0) & (at_column < labels.shape[1])
            target = labels[at_row[held], at_column[held]].astype(np.int64) - 1
            found.append(np.stack([number[held], target], axis=1)[target >= 0])
    return found
