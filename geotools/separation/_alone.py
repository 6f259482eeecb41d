"""Find the line that each lot would build by itself."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from geotools.separation._flow import Network
from geotools.separation._frontier import split_ground

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from geotools.separation._frontier import Part
    from geotools.separation._ground import Ground

    Ints = NDArray[np.intp]
    Costs = NDArray[np.int64]
    Flags = NDArray[np.bool_]

__all__ = ["Own", "find_own_lines"]

_BUSY = 32
_MOST_HUBS = 8
_SMALL_PAIRS = 2_000


class Own(NamedTuple):
    """A lot, the cents of its own line, and the rooms inside that line."""

    lot: int
    cents: int
    inside: Ints


def find_own_lines(ground: Ground, wanted: Flags) -> Iterator[Own]:
    """Find the minimum cut of each wanted lot by itself.

    In a large part the rooms with the most neighbours (the streets) are parted first. A line that takes in such a room
    costs at least what parting the room itself costs; a lot that can be closed for no more without it needs no look
    beyond its block.

    Parameters
    ----------
    ground : Ground
    wanted : array of bool, one per lot

    Yields
    ------
    Own
        For the wanted lots that can be closed, part by part.

    Examples
    --------
    >>> import pandas as pd
    >>> from geotools.separation._ground import read_ground
    >>> pieces = pd.DataFrame({"piece_id": ["a", "b"], "left_face": [0, 1], "right_face": [1, 2], "cost_cents": [500,
    ...     700],
    ...     "left_parcel": ["", "7"], "right_parcel": ["7", "8"], "left_habitat": [True, False],
    ...     "right_habitat": [False, False]})
    >>> [own.cents for own in find_own_lines(read_ground(pieces), np.array([True, True]))]
    [500, 500]
    """
    for part in split_ground(ground):
        mine = wanted[part.lot] & ground.closable[part.lot]
        if not mine.any():
            continue
        if len(part.one) <= _SMALL_PAIRS:
            yield from _solve_each(part, part.room, mine)
        else:
            yield from _solve_by_blocks(ground, part, mine)


def _network(part: Part) -> Network:
    endless = np.full(len(part.tie_room), int(part.cost.sum()) + 1, dtype=np.int64)
    tail = np.concatenate([part.one, part.other, part.tie_room])
    head = np.concatenate([part.other, part.one, part.tie_node])
    return Network(part.nodes, tail, head, np.concatenate([part.cost, part.cost, endless]))


def _solve_each(part: Part, rooms: Ints, mine: Flags) -> Iterator[Own]:
    """Solve lot by lot; `rooms` are the names of the nodes, in which the lines are told."""
    lots = part.lot[mine].tolist()
    if part.nodes == 2 or not len(part.one) or part.one.min() > 0:  # one room, or closed as things stand
        cents = int(part.cost[part.one == 0].sum())
        yield from (Own(lot, cents, rooms[rooms > 0]) for lot in lots)
        return
    network = _network(part)
    for lot, node in zip(lots, part.node[mine].tolist(), strict=True):
        cut = network.cut(0, node)
        inside = rooms[~cut.outside]
        yield Own(lot, cut.flow, inside[inside > 0])


def _solve_by_blocks(ground: Ground, part: Part, mine: Flags) -> Iterator[Own]:
    degree = np.bincount(part.one, minlength=part.nodes) + np.bincount(part.other, minlength=part.nodes)
    degree[0] = 0
    degree[np.append(part.node, part.tie_room)] = 0
    busy = np.argsort(-degree, kind="stable")[:_MOST_HUBS]
    hubs = busy[degree[busy] >= _BUSY]
    if not len(hubs):
        yield from _solve_each(part, part.room, mine)
        return
    network = _network(part)
    least = min(network.cut(0, hub).flow for hub in hubs.tolist())
    again = np.zeros(len(part.lot), dtype=bool)
    for block in split_ground(_open_up(ground, part, hubs)):
        for own in _solve_each(block, np.append(part.room, -1)[block.room], mine[block.lot]):
            if own.cents <= least:
                yield own._replace(lot=int(part.lot[own.lot]))
            else:
                again[own.lot] = True
    if again.any():
        yield from _solve_each(part, part.room, again)


def _open_up(ground: Ground, part: Part, hubs: Ints) -> Ground:
    """Make a ground of one part: its nodes are the rooms, some of them counted as outside, its lots numbered anew."""
    node = np.arange(part.nodes)
    node[hubs] = 0
    one, other = np.sort(np.stack([node[part.one], node[part.other]]), axis=0)
    apart = one != other
    lot_of = np.zeros(part.nodes, dtype=np.intp)
    lot_of[part.node] = np.arange(len(part.lot))
    single = np.flatnonzero(part.room[part.node] >= 0)
    return ground._replace(
        rooms=part.nodes,
        one=one[apart],
        other=other[apart],
        cost=part.cost[apart],
        lot_at=np.concatenate([single, lot_of[part.tie_node]]),
        room_at=np.concatenate([part.node[single], part.tie_room]),
        closable=np.ones(len(part.lot), dtype=bool),
    )
