"""Describe the discs that a taut line turns on: where they are, which way it turns, and how such turns are drawn."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import shapely

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    Floats = NDArray[np.float64]
    Integers = NDArray[np.int64]
    Flags = NDArray[np.bool_]
    Geometries = NDArray[np.object_]

__all__ = [
    "SLACK_M",
    "TURN",
    "Discs",
    "cross",
    "dot",
    "draw",
    "find_corners",
    "join_discs",
    "make_discs",
    "match",
    "turn_left",
    "unit",
]

SLACK_M = 1e-7
"""Slack of every test, metres: far below what can be built, far above rounding in coordinates near the origin."""

OVERSHOOT_M = 0.0005
"""Most that a drawn corner of a curve stands off the true curve, metres (assumption of this project)."""

TURN = 2.0 * np.pi
"""A whole turn, radians."""

_STEP = 0.1  # radians between drawn corners at most: lengthens a curve by less than 0.1 %


class Discs(NamedTuple):
    """Discs that a taut line may turn on, n of them, by lot.

    The line keeps a disc on its left and turns left (`turn` 1), or on its right and turns right (`turn` -1). `start`
    and `width` (radians) give the directions from the normal of one edge at the disc's corner to that of the next: the
    line can't touch the disc elsewhere.
    """

    lot: Integers
    centre: Floats
    radius_m: Floats
    turn: Floats
    start: Floats
    width: Floats

    def take(self, index: Flags | Integers | slice) -> Discs:
        """Return the discs at an index."""
        rims = self.turn[index], self.start[index], self.width[index]
        return Discs(self.lot[index], self.centre[index], self.radius_m[index], *rims)


def find_corners(things: Geometries, *, hollow: bool = False) -> tuple[Integers, Floats, Floats, Floats]:
    """Corners at which a taut line can bend round points, lines or polygons.

    Parameters
    ----------
    things : array of Point, LineString, LinearRing or Polygon
        Holes count: a line may run inside them.
    hollow : bool
        True where the line runs inside the polygon: what it bends round is the ground about it.

    Returns
    -------
    thing : (k,) array of int, ascending
    points : (k, 2) array, metres
    start : (k,) array, radians
        Direction of the outward normal of the edge before the corner.
    width : (k,) array, radians
        Angle by which the outline turns there; a whole turn for a point, half a turn at the end of a line.

    Examples
    --------
    >>> _, points, start, width = find_corners(np.array([shapely.box(0, 0, 2, 1)]))
    >>> len(points), float(np.degrees(width).sum())
    (4, 360.0)
    """
    kind = shapely.get_type_id(things)
    is_point, is_polygon = kind == shapely.GeometryType.POINT, kind == shapely.GeometryType.POLYGON
    single, solid, thin = (np.flatnonzero(which) for which in (is_point, is_polygon, ~is_point & ~is_polygon))
    alone = shapely.get_coordinates(things[single])
    rings, of = shapely.get_rings(shapely.orient_polygons(things[solid], exterior_cw=hollow), return_index=True)
    outline, ring = shapely.get_coordinates(rings, return_index=True)
    # The outline of a line runs there and back.
    there, line = shapely.get_coordinates(things[thin], return_index=True)
    back, line_back = shapely.get_coordinates(shapely.reverse(things[thin]), return_index=True)
    again = np.append(False, line_back[1:] == line_back[:-1])[: len(line_back)]
    both, line = np.concatenate([there, back[again]]), np.concatenate([line, line_back[again]])
    order = np.argsort(line, kind="stable")
    points, start, width, number = _outline_corners(
        np.concatenate([outline, both[order]]), np.concatenate([ring, len(rings) + line[order]])
    )
    owner = np.concatenate([single, np.concatenate([solid[of], thin])[number]])
    order = np.argsort(owner, kind="stable")
    points = np.concatenate([alone, points])[order]
    start = np.concatenate([np.zeros(len(single)), start])[order]
    width = np.concatenate([np.full(len(single), TURN), width])[order]
    return owner[order], points, start, width


def make_discs(things: Geometries, lot: Integers, *, radius_m: ArrayLike, turn: int, hollow: bool = False) -> Discs:
    """Discs at the corners of things, on one side of the line.

    Parameters
    ----------
    things, hollow
        As in `find_corners`.
    lot : array of int
        Lot of each thing.
    radius_m : float, or array of one for each thing
        Radius, metres; may be 0.
    turn : {1, -1}
        1 where the line has the things on its left, -1 on its right.

    Returns
    -------
    Discs

    Examples
    --------
    >>> make_discs(np.array([shapely.Point(0, 0)]), np.array([0]), radius_m=0.9, turn=-1).radius_m.tolist()
    [0.9]
    """
    thing, points, start, width = find_corners(things, hollow=hollow)
    each_m = np.broadcast_to(np.asarray(radius_m, dtype=np.float64), len(things))
    return Discs(lot[thing], points, each_m[thing], np.full(len(thing), float(turn)), start, width)


def join_discs(groups: list[Discs]) -> Discs:
    """Put groups of discs together, lot by lot.

    Examples
    --------
    >>> post = make_discs(np.array([shapely.Point(0, 0)]), np.array([0]), radius_m=0.9, turn=-1)
    >>> join_discs([post, post]).turn.tolist()
    [-1.0, -1.0]
    """
    discs = Discs(*(np.concatenate(columns) for columns in zip(*groups, strict=True)))
    return discs.take(np.argsort(discs.lot, kind="stable"))


def match(one: Integers, other: Integers) -> tuple[Integers, Integers]:
    """Every pair of a row of one and a row of the other array, which ascends, with the same number.

    Examples
    --------
    >>> first, second = match(np.array([5, 3]), np.array([3, 3, 5]))
    >>> first.tolist(), second.tolist()
    ([0, 1, 1], [2, 0, 1])
    """
    first = np.searchsorted(other, one, side="left")
    counts = np.searchsorted(other, one, side="right") - first
    row = np.repeat(np.arange(len(one)), counts)
    return row, np.arange(len(row)) + np.repeat(first - (np.cumsum(counts) - counts), counts)


def draw(centre: Floats, radius_m: Floats, angle: Floats, sweep: Floats) -> tuple[Floats, Integers]:
    """Corners of a line along curves, each on or just outside its disc.

    The chords are tangents of the disc, so the drawn line keeps the clearance; its corners stand off by at most
    `OVERSHOOT_M`, and it is longer than the curve by less than one part in a thousand.

    Parameters
    ----------
    centre : (n, 2) array, metres
    radius_m, angle, sweep : (n,) arrays
        Radius (metres), direction in which the curve begins and signed angle that it runs through (radians).

    Returns
    -------
    points : (k, 2) array, metres
    curve : (k,) array
        Index of the curve that each corner belongs to.

    Examples
    --------
    >>> points, curve = draw(np.zeros((1, 2)), np.ones(1), np.zeros(1), np.full(1, np.pi))
    >>> bool(np.hypot(*points.T).min() >= 1.0)
    True
    """
    step = 2.0 * np.arccos(1.0 / (1.0 + OVERSHOOT_M / np.maximum(radius_m, OVERSHOOT_M)))
    pieces = np.maximum(1, np.ceil(np.abs(sweep) / np.minimum(step, _STEP))).astype(np.int64)
    pieces = np.where(radius_m > 0.0, pieces, 1)
    curve = np.repeat(np.arange(len(pieces)), pieces)
    rank = np.arange(len(curve)) - np.repeat(np.cumsum(pieces) - pieces, pieces)
    piece = (sweep / pieces)[curve]
    direction = angle[curve] + (rank + 0.5) * piece
    # A corner of no radius turns as sharply as it likes without standing off.
    reach = radius_m[curve] / np.cos(np.where(radius_m[curve] > 0.0, piece, 0.0) / 2)
    return centre[curve] + reach[:, None] * unit(direction), curve


def cross(first: Floats, second: Floats) -> Floats:
    """Cross product of plane vectors: positive where the second points to the left of the first.

    Examples
    --------
    >>> float(cross(np.array([1.0, 0.0]), np.array([0.0, 1.0])))
    1.0
    """
    return np.asarray(first[..., 0] * second[..., 1] - first[..., 1] * second[..., 0])


def dot(first: Floats, second: Floats) -> Floats:
    """Inner product of plane vectors.

    Examples
    --------
    >>> float(dot(np.array([1.0, 2.0]), np.array([3.0, 4.0])))
    11.0
    """
    return np.asarray(first[..., 0] * second[..., 0] + first[..., 1] * second[..., 1])


def turn_left(vector: Floats) -> Floats:
    """Plane vectors turned left by a right angle.

    Examples
    --------
    >>> turn_left(np.array([1.0, 0.0])).tolist()
    [-0.0, 1.0]
    """
    return np.stack([-vector[..., 1], vector[..., 0]], axis=-1)


def unit(angle: Floats) -> Floats:
    """Plane vectors of length 1 in a direction, radians from the x axis.

    Examples
    --------
    >>> unit(np.array([0.0])).tolist()
    [[1.0, 0.0]]
    """
    return np.stack([np.cos(angle), np.sin(angle)], axis=-1)


def _outline_corners(outline: Floats, number: Integers) -> tuple[Floats, Floats, Floats, Integers]:
    """Corners of closed outlines, numbered in ascending order, at which they bend to the left."""
    ahead = np.diff(outline, axis=0)
    long = (np.hypot(ahead[:, 0], ahead[:, 1]) > 1e-9) & (number[1:] == number[:-1])
    points, ahead, number = outline[:-1][long], ahead[long], number[:-1][long]
    previous = np.arange(len(number)) - 1
    first = np.searchsorted(number, number, side="left") == previous + 1
    previous[first] = np.searchsorted(number, number[first], side="right") - 1
    behind = ahead[previous]
    turn = np.arctan2(cross(behind, ahead), dot(behind, ahead))
    turn = np.where(turn <= -np.pi + 1e-12, np.pi, turn)
    normal = np.arctan2(-behind[:, 0], behind[:, 1])
    bends = turn > 1e-9
    return points[bends], normal[bends], turn[bends], number[bends]
