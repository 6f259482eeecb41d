"""Tell by exact tests which straight moves meet a wall, whatever the size of the cells that the moves lead between."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["Net", "find_narrows", "lay_net", "meet_walls", "moves_near"]

_TOUCH = 1e-6
"""A move that comes this near to a wall, in cells, touches it."""
_REACH = 2
"""A move reaches over at most this many squares more than the one it begins in."""
_APART = 0.01
_BEYOND = 0.05
_MOVES_AT_ONCE = 20_000
_NARROW = 1.0
"""Between walls farther apart than this, in cells, moves from middle to middle find their way."""


class Net(NamedTuple):
    """Segments in cells (middles of cells lie at whole numbers), each listed by the squares between middles it meets.

    `keys` are the squares, row times `width` plus column, sorted, and `whose` the segment of each; those of square k
    stand from `first[k]` to `first[k + 1]`. A place is `lines @ (column, row, 1)` off the line of a segment.
    """

    segments: NDArray[np.float64]
    lines: NDArray[np.float64]
    costs_m: NDArray[np.float64]
    keys: NDArray[np.int64]
    whose: NDArray[np.intp]
    first: NDArray[np.int32]
    width: int


def lay_net(segments: NDArray[np.float64], costs_m: NDArray[np.float64], useful: NDArray[np.bool_]) -> Net:
    """List segments by the squares that they meet, where any cell about the square is of use.

    Parameters
    ----------
    segments : numpy.ndarray, n x 2 x 2
        Column and row of both ends, in cells.
    costs_m : numpy.ndarray, n
        What crossing costs; infinite where it can't be crossed.
    useful : numpy.ndarray of bool, rows x columns
        The cells that ways are sought over.

    Returns
    -------
    Net
    """
    about = np.pad(useful, _REACH + 1)
    about = about[:-1, :-1] | about[1:, :-1] | about[:-1, 1:] | about[1:, 1:]
    width = about.shape[1]
    whose, pieces = _pieces(segments, longest=1.0)
    low = np.floor(pieces.min(axis=1) - _TOUCH).astype(np.int64)
    high = np.floor(pieces.max(axis=1) + _TOUCH).astype(np.int64)
    keys, at = [], []
    for down in range(3):
        for right in range(3):
            square = low + np.array([right, down])
            inside = (square <= high).all(axis=1)
            place = np.clip(square[inside] + _REACH + 1, 0, np.array(about.shape[::-1]) - 1)
            held = about[place[:, 1], place[:, 0]]
            keys.append((place[:, 1] * width + place[:, 0])[held])
            at.append(whose[inside][held])
    pairs = np.unique(np.concatenate(keys) * len(segments) + np.concatenate(at)) if len(segments) else whose
    keys_at, whose = np.divmod(pairs, max(len(segments), 1))
    first = np.concatenate([[0], np.cumsum(np.bincount(keys_at, minlength=about.size))]).astype(np.int32)
    along = segments[:, 1] - segments[:, 0]
    normal = np.stack([-along[:, 1], along[:, 0]], axis=1) / np.linalg.norm(along, axis=1, keepdims=True)
    lines = np.column_stack([normal, -_dot(normal, segments[:, 0])])
    return Net(segments, lines, costs_m, keys_at, whose.astype(np.intp), first, width)


def moves_near(
    net: Net, shape: tuple[int, int], *, right: int, down: int
) -> tuple[NDArray[np.intp], NDArray[np.float64]]:
    """What the moves of one direction from middle to middle cost beside the ground, where they meet walls.

    Parameters
    ----------
    net : Net
    shape : tuple of 2 int
        Rows and columns.
    right, down : int
        The direction, in cells.

    Returns
    -------
    cells : numpy.ndarray of int
        Flat positions of the cells where moves that meet a wall begin.
    costs_m : numpy.ndarray
        Infinite where they can't be made.
    """
    square_row, square_column = np.divmod(net.keys, net.width)
    row, column = square_row - _REACH - 1, square_column - _REACH - 1 + (right < 0)
    kept = (row >= 0) & (row + down < shape[0]) & (column >= 0) & (column < shape[1])
    kept &= (column + right >= 0) & (column + right < shape[1])
    row, column, whose = row[kept], column[kept], net.whose[kept]
    start = np.stack([column, row], axis=1).astype(np.float64)
    met, cost_m = _met(start, start + np.array([right, down]), net.segments[whose], net.costs_m[whose])
    cells = (row * shape[1] + column)[met]
    at, number = np.unique(cells, return_inverse=True)
    return at.astype(np.intp), np.bincount(number, cost_m[met], minlength=len(at)).astype(np.float64)


def meet_walls(net: Net, start: NDArray[np.float64], stop: NDArray[np.float64]) -> NDArray[np.float64]:
    """What short straight moves cost beside the ground: 0 where they meet no wall, infinite where they can't be made.

    Parameters
    ----------
    net : Net
    start, stop : numpy.ndarray, n x 2
        Column and row in cells.

    Returns
    -------
    numpy.ndarray, float64, n
    """
    parts = range(0, len(start), _MOVES_AT_ONCE)
    if len(parts) < 2:
        return _meet_walls(net, start, stop)
    # Parts that stay in the processor's own memory are several times quicker; arrays of numbers let two threads work.
    with ThreadPoolExecutor(max_workers=2) as pool:
        found = pool.map(
            lambda at: _meet_walls(net, start[at : at + _MOVES_AT_ONCE], stop[at : at + _MOVES_AT_ONCE]), parts
        )
        return np.concatenate(list(found))


def find_narrows(net: Net) -> NDArray[np.float64]:
    """Find places that moves from middle to middle may miss: the middles of narrow ones, and just round each end.

    The easiest way round a wall bends just beyond an end or a corner of it; such places lie on the line of each
    segment, a twentieth of a cell beyond its ends. Every wall that can't be crossed is sampled each half cell; between
    a sample and the nearest other wall on each side of its own lies a narrow place, if that is less than a cell.

    Parameters
    ----------
    net : Net

    Returns
    -------
    numpy.ndarray, n x 2
        Column and row in cells.
    """
    hard = np.flatnonzero(np.isinf(net.costs_m) & np.isin(np.arange(len(net.costs_m)), net.whose))
    own = net.segments[hard]
    whose, samples = _samples(own, apart=0.5)
    base = np.floor(samples).astype(np.int64)
    places, others = [], []
    for down in (-1, 0, 1):
        for right in (-1, 0, 1):
            place, wall = _listed(net, base + np.array([right, down]), np.arange(len(samples)))
            places.append(place)
            others.append(wall)
    if not len(samples):
        return np.zeros((0, 2))
    place, other = np.concatenate(places), np.concatenate(others)
    kept = np.isinf(net.costs_m[other]) & (hard[whose[place]] != other)
    place, other = place[kept], other[kept]
    sample, wall = samples[place], net.segments[other]
    along = wall[:, 1] - wall[:, 0]
    part = np.clip(_dot(sample - wall[:, 0], along) / np.maximum(_dot(along, along), _TOUCH**2), 0, 1)
    nearest = wall[:, 0] + part[:, None] * along
    away = np.linalg.norm(nearest - sample, axis=1)
    side = _cross(own[whose[place], 1] - own[whose[place], 0], nearest - sample) >= 0
    kept = (away > _APART) & (away < _NARROW)
    place, other, nearest, away, side = place[kept], other[kept], nearest[kept], away[kept], side[kept]
    order = np.lexsort((away, side, place))
    group = place[order] * 2 + side[order]
    first = order[np.flatnonzero(np.diff(group, prepend=-1))]
    middle = (samples[place[first]] + nearest[first]) / 2
    # The same place is found from both its walls.
    walls = np.sort(np.stack([hard[whose[place[first]]], other[first]], axis=1), axis=1)
    keys = np.column_stack([np.floor(middle * 2 + 0.5).astype(np.int64), walls])
    order = np.lexsort(keys.T)
    new = np.append(True, np.any(np.diff(keys[order], axis=0) != 0, axis=1))[: len(order)]
    ahead = own[:, 1] - own[:, 0]
    ahead *= _BEYOND / np.linalg.norm(ahead, axis=1, keepdims=True)
    return np.concatenate([own[:, 0] - ahead, own[:, 1] + ahead, middle[np.sort(order[new])]])


def _meet_walls(net: Net, start: NDArray[np.float64], stop: NDArray[np.float64]) -> NDArray[np.float64]:
    low = np.floor(np.minimum(start, stop) - _TOUCH).astype(np.int64)
    high = np.floor(np.maximum(start, stop) + _TOUCH).astype(np.int64)
    moves, walls = [], []
    across, along = (high - low).T
    for down in range(int(along.max(initial=-1)) + 1):
        for right in range(int(across.max(initial=-1)) + 1):
            move, wall = _listed(
                net, low + np.array([right, down]), np.flatnonzero((along >= down) & (across >= right))
            )
            # Most walls lie wholly on one side, which is quickly told.
            line = net.lines[wall]
            from_side = _dot(start[move], line[:, :2]) + line[:, 2]
            to_side = _dot(stop[move], line[:, :2]) + line[:, 2]
            near = (np.minimum(from_side, to_side) <= _TOUCH) & (np.maximum(from_side, to_side) >= -_TOUCH)
            moves.append(move[near])
            walls.append(wall[near])
    none = np.zeros(0, dtype=np.intp)
    move, wall = np.concatenate([none, *moves]), np.concatenate([none, *walls])
    met, _ = _met(start[move], stop[move], net.segments[wall], net.costs_m[wall])
    move, wall = move[met], wall[met]
    stops = np.isinf(net.costs_m[wall])
    # A wall that is listed in several squares counts once.
    keys = np.sort(move[~stops] * max(len(net.segments), 1) + wall[~stops])
    crossing, crossed = np.divmod(keys[np.append(True, keys[1:] != keys[:-1])[: len(keys)]], max(len(net.segments), 1))
    costs_m = np.bincount(crossing, net.costs_m[crossed], minlength=len(start)).astype(np.float64)
    costs_m[move[stops]] = np.inf
    return costs_m


def _key(square: NDArray[np.int64], width: int) -> NDArray[np.int64]:
    return (square[:, 1] + _REACH + 1) * width + square[:, 0] + _REACH + 1


def _listed(net: Net, square: NDArray[np.int64], at: NDArray[np.intp]) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Pairs of a position and a segment listed in its square."""
    square = square[at]
    height = (len(net.first) - 1) // net.width
    usable = (square > -_REACH - 1).all(axis=1)
    usable &= (square[:, 0] < net.width - _REACH - 1) & (square[:, 1] < height - _REACH - 1)
    at, key = at[usable], _key(square[usable], net.width)
    first, count = net.first[key], net.first[key + 1] - net.first[key]
    held = count > 0
    at, first, count = at[held], first[held].astype(np.intp), count[held].astype(np.intp)
    offset = np.arange(count.sum()) - np.repeat(np.cumsum(count) - count, count)
    return np.repeat(at, count), net.whose[np.repeat(first, count) + offset]


def _met(
    start: NDArray[np.float64], stop: NDArray[np.float64], walls: NDArray[np.float64], costs_m: NDArray[np.float64]
) -> tuple[NDArray[np.bool_], NDArray[np.float64]]:
    """Which moves meet their wall: touch it, or change its side if it can be crossed, so that each counts once."""
    # Near the origin no digits are lost.
    first, second, step = walls[:, 0] - start, walls[:, 1] - start, stop - start
    along = second - first
    from_side, to_side = _cross(along, -first), _cross(along, step - first)
    turn = _cross(step, along)
    with np.errstate(divide="ignore", invalid="ignore"):
        at_move = _cross(first, along) / turn
        at_wall = _cross(first, step) / turn
    slack_move = _TOUCH / np.maximum(np.linalg.norm(step, axis=1), _TOUCH)
    slack_wall = _TOUCH / np.maximum(np.linalg.norm(along, axis=1), _TOUCH)
    touches = (at_move >= -slack_move) & (at_move <= 1 + slack_move)
    touches &= (at_wall >= -slack_wall) & (at_wall <= 1 + slack_wall)
    crosses = ((from_side >= 0) != (to_side >= 0)) & (at_wall >= 0) & (at_wall < 1)
    return np.where(np.isinf(costs_m), touches, crosses), costs_m


def _pieces(segments: NDArray[np.float64], *, longest: float) -> tuple[NDArray[np.intp], NDArray[np.float64]]:
    """Cut segments into pieces of at most a length."""
    along = segments[:, 1] - segments[:, 0]
    count = np.maximum(np.ceil(np.linalg.norm(along, axis=1) / longest), 1).astype(np.intp)
    whose = np.repeat(np.arange(len(segments)), count)
    number = np.arange(len(whose)) - np.repeat(np.cumsum(count) - count, count)
    ends = np.stack([number, number + 1], axis=1) / count[whose, None]
    return whose, segments[whose, :1] + ends[:, :, None] * along[whose, None]


def _samples(segments: NDArray[np.float64], *, apart: float) -> tuple[NDArray[np.intp], NDArray[np.float64]]:
    """Points along segments, both ends among them."""
    whose, pieces = _pieces(segments, longest=apart)
    last = np.flatnonzero(np.diff(whose, append=-1))
    return np.concatenate([whose, whose[last]]), np.concatenate([pieces[:, 0], pieces[last, 1]])


def _cross(a: NDArray[np.float64], b: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.asarray(a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0])


def _dot(a: NDArray[np.float64], b: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.asarray(a[:, 0] * b[:, 0] + a[:, 1] * b[:, 1])
