"""Describe the discs that a taut line turns on: where they are, which way it turns, and how such turns are drawn."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import shapely

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Integers = NDArray[np.int64]
    Flags = NDArray[np.bool_]

__all__ = ["TURN", "Discs", "cross", "draw", "find_corners", "join_discs", "make_discs", "turn_left", "unit"]

OVERSHOOT_M = 0.0005
"""Most that a drawn corner of a curve stands off the true curve, metres (assumption of this project)."""

TURN = 2.0 * np.pi
"""A whole turn, radians."""

_STEP = 0.1  # radians between drawn corners at most: lengthens a curve by less than 0.1 %


class Discs(NamedTuple):
    """Discs that a taut line may turn on, n of them.

    The line keeps a disc on its left and turns left (`turn` 1), or on its right and turns right (`turn` -1). `start`
    and `width` (radians) give the directions from the normal of one edge at the disc's corner to that of the next: the
    line can't touch the disc elsewhere.
    """

    centre: Floats
    radius_m: Floats
    turn: Floats
    start: Floats
    width: Floats

    def take(self, index: Flags | Integers) -> Discs:
        """Return the discs at an index."""
        return Discs(self.centre[index], self.radius_m[index], self.turn[index], self.start[index], self.width[index])


def find_corners(thing: shapely.Geometry, *, hollow: bool = False) -> tuple[Floats, Floats, Floats]:
    """Corners at which a taut line can bend round a point, line or polygon.

    Parameters
    ----------
    thing : Geometry
        Point, LineString, LinearRing or Polygon (holes count: a line may run inside them).
    hollow : bool
        True where the line runs inside the polygon: what it bends round is the ground about it.

    Returns
    -------
    points : (k, 2) array, metres
    start : (k,) array, radians
        Direction of the outward normal of the edge before the corner.
    width : (k,) array, radians
        Angle by which the outline turns there; a whole turn for a point, half a turn at the end of a line.

    Examples
    --------
    >>> points, start, width = find_corners(shapely.box(0, 0, 2, 1))
    >>> len(points), float(np.degrees(width).sum())
    (4, 360.0)
    """
    if isinstance(thing, shapely.Point):
        return shapely.get_coordinates(thing), np.zeros(1), np.full(1, TURN)
    if isinstance(thing, shapely.Polygon):
        oriented = shapely.orient_polygons(thing, exterior_cw=hollow)
        outlines = [shapely.get_coordinates(ring) for ring in (oriented.exterior, *oriented.interiors)]
    else:
        there = shapely.get_coordinates(thing)
        outlines = [np.vstack([there, there[-2::-1]])]
    corners = [_outline_corners(outline) for outline in outlines]
    points, start, width = zip(*corners, strict=True)
    return np.vstack(points), np.concatenate(start), np.concatenate(width)


def make_discs(thing: shapely.Geometry, *, radius_m: float, turn: int, hollow: bool = False) -> Discs:
    """Discs at the corners of a thing, all of one radius and on one side of the line.

    Parameters
    ----------
    thing, hollow
        As in `find_corners`.
    radius_m : float
        Radius, metres; may be 0.
    turn : {1, -1}
        1 where the line has the thing on its left, -1 on its right.

    Returns
    -------
    Discs

    Examples
    --------
    >>> make_discs(shapely.Point(0, 0), radius_m=0.9, turn=-1).radius_m.tolist()
    [0.9]
    """
    points, start, width = find_corners(thing, hollow=hollow)
    count = len(points)
    return Discs(points, np.full(count, radius_m), np.full(count, float(turn)), start, width)


def join_discs(groups: list[Discs]) -> Discs:
    """Put groups of discs together.

    Examples
    --------
    >>> post = make_discs(shapely.Point(0, 0), radius_m=0.9, turn=-1)
    >>> join_discs([post, post]).turn.tolist()
    [-1.0, -1.0]
    """
    return Discs(*(np.concatenate(columns) for columns in zip(*groups, strict=True)))


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


def _outline_corners(outline: Floats) -> tuple[Floats, Floats, Floats]:
    ahead = np.diff(outline, axis=0)
    long = np.hypot(*ahead.T) > 1e-9
    points, ahead = outline[:-1][long], ahead[long]
    behind = np.roll(ahead, 1, axis=0)
    turn = np.arctan2(cross(behind, ahead), (behind * ahead).sum(axis=1))
    turn = np.where(turn <= -np.pi + 1e-12, np.pi, turn)
    normal = np.arctan2(-behind[:, 0], behind[:, 1])
    bends = turn > 1e-9
    return points[bends], normal[bends], turn[bends]
