"""Read the table of pieces as rooms of ground with prices between them."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import pandas as pd
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from geotools.errors import LayerError
from geotools.separation._flow import Cut, check_range, min_cut

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Ints = NDArray[np.intp]
    Costs = NDArray[np.int64]
    Flags = NDArray[np.bool_]

__all__ = ["BARRED", "SEPARATOR", "Ground", "cut_lots", "group_rooms", "join", "pick", "read_ground"]

BARRED = -1
"""Cost of a piece where nothing may be built and anything may pass."""
SEPARATOR = " | "
"""Between the lots in `left_parcel` and `right_parcel` where several lots (stacked ones) share the ground."""
NEEDED = (
    "piece_id",
    "left_face",
    "right_face",
    "cost_cents",
    "left_parcel",
    "right_parcel",
    "left_habitat",
    "right_habitat",
)


class Ground(NamedTuple):
    """Rooms of ground, what it costs to part them, and where the lots are.

    Room 0 is the habitat with all ground that can't be parted from it. Per piece `left_room` and `right_room`; per pair
    of rooms with a price `one` < `other` and `cost`; `lots` in sorted order, and pairs `lot_at`, `room_at` of their
    protected ground. `closable` says of each lot that none of its ground is in room 0; `wild` that habitat lies in it.
    """

    left_room: Ints
    right_room: Ints
    rooms: int
    one: Ints
    other: Ints
    cost: Costs
    lots: list[str]
    lot_at: Ints
    room_at: Ints
    closable: Flags
    wild: Flags


def read_ground(pieces: pd.DataFrame, *, barred: Flags | None = None) -> Ground:
    """Read and check the pieces.

    Parameters
    ----------
    pieces : DataFrame, n rows
        piece_id, left_face, right_face, cost_cents (-1 where nothing can be built), left_parcel, right_parcel ('' for
        none), left_habitat, right_habitat.
    barred : array of bool, n, optional
        Pieces that are left as they stand: those that cost something are as if nothing could be built.

    Returns
    -------
    Ground
        The same whatever the order of the rows.

    Raises
    ------
    LayerError
        If a column is missing, a value can't be used, a face is said to be two things, or the costs are beyond whole
        numbers.

    Examples
    --------
    >>> pieces = pd.DataFrame({"piece_id": ["a"], "left_face": [0], "right_face": [1], "cost_cents": [500],
    ...     "left_parcel": [""],
    ...     "right_parcel": ["7"], "left_habitat": [True], "right_habitat": [False]})
    >>> ground = read_ground(pieces)
    >>> ground.lots, ground.rooms, ground.cost.tolist(), ground.closable.tolist()
    (['7'], 2, [500], [True])
    """
    cost = _check(pieces)
    if barred is not None:
        cost = np.where(barred & (cost > 0), BARRED, cost)
    sides = np.concatenate([pieces["left_face"].to_numpy(), pieces["right_face"].to_numpy()])
    names, face = np.unique(sides, return_inverse=True)
    left, right = face[: len(pieces)], face[len(pieces) :]
    parcel = np.concatenate(
        [pieces["left_parcel"].to_numpy(dtype=object), pieces["right_parcel"].to_numpy(dtype=object)]
    )
    habitat = np.concatenate(
        [pieces["left_habitat"].to_numpy(dtype=bool), pieces["right_habitat"].to_numpy(dtype=bool)]
    )
    first = np.unique(face, return_index=True)[1]
    _check_faces(names, face, parcel, habitat, first)
    owner, wild_face = parcel[first].astype(str), habitat[first]

    room = _rooms(len(names), left, right, cost, wild_face)
    rooms = int(room.max(initial=0)) + 1
    left_room, right_room = room[left], room[right]
    priced = (cost > 0) & (left_room != right_room)
    one, other, merged = _merge(rooms, left_room[priced], right_room[priced], cost[priced])
    owned = np.flatnonzero(owner != "")
    lists = [owner[at].split(SEPARATOR) for at in owned.tolist()]
    at = np.repeat(owned, [len(ids) for ids in lists]) if lists else owned
    lots, number = np.unique(np.array([name for ids in lists for name in ids], dtype=str), return_inverse=True)
    lot_at, room_at = np.divmod(np.unique(number * rooms + room[at]), rooms)
    closable = np.ones(len(lots), dtype=bool)
    closable[lot_at[room_at == 0]] = False
    wild = np.zeros(len(lots), dtype=bool)
    wild[number[wild_face[at]]] = True
    return Ground(left_room, right_room, rooms, one, other, merged, lots.tolist(), lot_at, room_at, closable, wild)


def join(count: int, one: Ints, other: Ints) -> Ints:
    """Number the connected groups of `count` things of which `one` and `other` are pairs that hang together."""
    pairs = coo_array((np.ones(len(one), dtype=np.int8), (one, other)), shape=(count, count))
    return np.asarray(connected_components(pairs, directed=False)[1], dtype=np.intp)


def group_rooms(ground: Ground) -> Ints:
    """Number the groups of rooms that have no price between each other but through room 0, which is -1.

    The lots of one group never share a line with those of another: each group can be solved by itself.
    """
    inner = ground.one > 0
    order = np.argsort(ground.lot_at, kind="stable")
    lot, room = ground.lot_at[order], ground.room_at[order]
    same = (lot[1:] == lot[:-1]) & (room[1:] > 0) & (room[:-1] > 0)
    group = join(
        ground.rooms,
        np.append(ground.one[inner], room[:-1][same]),
        np.append(ground.other[inner], room[1:][same]),
    )
    group = np.unique(group, return_inverse=True)[1].astype(np.intp)
    group[0] = -1
    return group


def cut_lots(ground: Ground, wanted: Flags) -> Cut:
    """Find the cheapest line that parts all wanted lots that can be closed from room 0.

    Returns
    -------
    Cut
        `outside` per room. Of several cheapest cuts the one that leaves the least ground outside.

    Examples
    --------
    >>> pieces = pd.DataFrame({"piece_id": ["a"], "left_face": [0], "right_face": [1], "cost_cents": [500],
    ...     "left_parcel": [""],
    ...     "right_parcel": ["7"], "left_habitat": [True], "right_habitat": [False]})
    >>> cut_lots(read_ground(pieces), np.array([True])).flow
    500
    """
    sink = ground.rooms
    node = np.arange(sink + 1)
    node[ground.room_at[(wanted & ground.closable)[ground.lot_at]]] = sink
    cut = min_cut(sink + 1, node[ground.one], node[ground.other], ground.cost, 0, sink)
    outside = cut.outside[node[:sink]]
    price = int(ground.cost[outside[ground.one] != outside[ground.other]].sum())
    if price != cut.flow:
        raise AssertionError(f"the line costs {price}, but the flow is {cut.flow}")
    return Cut(cut.flow, price, outside)


def pick(ground: Ground, chosen: pd.DataFrame | None) -> Flags:
    """Tell which lots are wanted: those with `protect_this`, or all.

    Raises
    ------
    LayerError
        If the table lacks a column.
    """
    if chosen is None:
        return np.ones(len(ground.lots), dtype=bool)
    for name in ("parcel_id", "protect_this"):
        if name not in chosen.columns:
            raise LayerError(f"there is no column {name!r}", where="chosen_lots", mend="run choose_lots, or add it")
    flags = chosen["protect_this"].astype("boolean").fillna(False).to_numpy(dtype=bool)
    # Not np.isin: on objects it tries every pair.
    return np.asarray(pd.Series(ground.lots, dtype=str).isin(chosen["parcel_id"].astype(str)[flags]), dtype=bool)


def _check(pieces: pd.DataFrame) -> Costs:
    missing = [name for name in NEEDED if name not in pieces.columns]
    if missing:
        raise LayerError(f"there is no column {missing[0]!r}", where="pieces", mend="run arrange_site first")
    twice = np.flatnonzero(pieces["piece_id"].duplicated())
    if len(twice):
        raise LayerError(
            f"piece_id {pieces['piece_id'].iloc[twice[0]]!r} stands twice",
            where=f"pieces, row {twice[0] + 1}",
            mend="give every piece its own id",
        )
    for name in ("left_face", "right_face", "cost_cents"):
        column = pieces[name]
        if column.isna().any() or not pd.api.types.is_integer_dtype(column.dtype):
            raise LayerError(
                "it holds something else than whole numbers", where=f"pieces, column {name}", mend="give whole numbers"
            )
    for name in ("left_parcel", "right_parcel", "left_habitat", "right_habitat"):
        if pieces[name].isna().any():
            row = int(np.flatnonzero(pieces[name].isna())[0]) + 1
            mend = "give true or false" if "habitat" in name else "give '' where there is no protected lot"
            raise LayerError(f"{name} is missing", where=f"pieces, row {row}", mend=mend)
    if np.issubdtype(pieces["cost_cents"].to_numpy().dtype, np.unsignedinteger):
        big = pieces["cost_cents"].to_numpy() > np.uint64(np.iinfo(np.int64).max)
        if big.any():
            raise LayerError(
                "a cost is beyond whole numbers of 64 bits",
                where="pieces, column cost_cents",
                mend="look for a wrong price",
            )
    cost = pieces["cost_cents"].to_numpy(dtype=np.int64)
    low = np.flatnonzero(cost < BARRED)
    if len(low):
        raise LayerError(
            f"cost_cents is {cost[low[0]]}",
            where=f"pieces, row {low[0] + 1} ({pieces['piece_id'].iloc[low[0]]})",
            mend="give 0 or more, or -1 where nothing can be built",
        )
    check_range(np.maximum(cost, 0))
    return cost


def _check_faces(names: Ints, face: Ints, parcel: NDArray[np.object_], habitat: Flags, first: Ints) -> None:
    odd = np.flatnonzero((parcel != parcel[first][face]) | (habitat != habitat[first][face]))
    if len(odd):
        at = odd[0]
        raise LayerError(
            f"face {names[face[at]]} is said to be both {_say(parcel[first][face[at]], habitat[first][face[at]])} "
            f"and {_say(parcel[at], habitat[at])}",
            where=f"pieces, row {at % (len(face) // 2) + 1}",
            mend="make every row say the same of a face",
        )


def _say(parcel: str, habitat: bool) -> str:
    what = f"protected ground of {parcel!r}" if parcel else "no protected ground"
    return f"{what} in the habitat" if habitat else what


def _rooms(faces: int, left: Ints, right: Ints, cost: Costs, wild: Flags) -> Ints:
    """Number the rooms by their first face, the habitat's first."""
    through = cost == BARRED
    start = np.flatnonzero(wild)
    group = join(
        faces + 1, np.concatenate([left[through], start]), np.concatenate([right[through], np.full(len(start), faces)])
    )
    first = np.unique(group, return_index=True)[1]
    first[group[faces]] = -1
    number = np.empty(len(first), dtype=np.intp)
    number[np.argsort(first, kind="stable")] = np.arange(len(first))
    return number[group[:faces]]


def _merge(rooms: int, one: Ints, other: Ints, cost: Costs) -> tuple[Ints, Ints, Costs]:
    """Add up the pieces between the same two rooms."""
    pairs, at = np.unique(np.minimum(one, other) * rooms + np.maximum(one, other), return_inverse=True)
    total = np.zeros(len(pairs), dtype=np.int64)
    np.add.at(total, at, cost)
    low, high = np.divmod(pairs, rooms)
    return low, high, total
