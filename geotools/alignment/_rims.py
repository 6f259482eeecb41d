"""Find where on the rims of discs a taut line would come too near a thing or leave the ground."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import shapely

from geotools.alignment._discs import SLACK_M, TURN, Discs, dot, match, unit

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Integers = NDArray[np.int64]
    Flags = NDArray[np.bool_]
    Geometries = NDArray[np.object_]

__all__ = ["find_spots"]


def find_spots(
    discs: Discs,
    used: Integers,
    thing_lot: Integers,
    things: Geometries,
    left_m: Floats,
    right_m: Floats,
    ground: Geometries,
) -> tuple[Integers, Floats]:
    """Directions on discs at which the rim is too near a thing or off the ground.

    A curve between two free tangents that is blocked at all is blocked where a thing is nearest to the rim, or its
    outline crosses the rim, or the ground is left between two crossings of the ground's outline.

    Parameters
    ----------
    discs : Discs
    used : array of int
        Discs to look at.
    thing_lot, things, left_m, right_m : (g,) arrays
        Things by lot, and the clearance of each on a line's left and right, metres.
    ground : (n,) array of Polygon
        Where the line of each lot stays.

    Returns
    -------
    disc : array of int
    direction : array, radians
    """
    edge_thing, begin, end = _edges(things)
    edge_lot = thing_lot[edge_thing]
    disc, edge, foot, crossing = _nearest(discs, used, edge_lot, begin, end)
    away = foot - discs.centre[disc]
    far = np.hypot(away[:, 0], away[:, 1])
    off_rim = np.where(crossing, 0.0, np.abs(far - discs.radius_m[disc]))
    thing = edge_thing[edge]
    most, least = np.maximum(left_m, right_m), np.minimum(left_m, right_m)
    near = (off_rim < most[thing] - SLACK_M) & (far > 1e-9)
    disc, thing, off_rim, far, away = disc[near], thing[near], off_rim[near], far[near], away[near]
    direction = np.arctan2(away[:, 1], away[:, 0])
    true = off_rim.copy()
    solid = np.flatnonzero(shapely.get_type_id(things)[thing] != shapely.GeometryType.POINT)
    of = disc[solid]
    rim = discs.centre[of] + discs.radius_m[of][:, None] * unit(direction[solid])
    true[solid] = shapely.distance(shapely.points(rim), things[thing[solid]])
    beyond_is_left = (far > discs.radius_m[disc]) == (discs.turn[disc] < 0.0)
    needed = np.where(beyond_is_left, left_m[thing], right_m[thing])
    needed = np.where(np.abs(true - off_rim) <= SLACK_M, needed, least[thing])
    blocked = true < needed - SLACK_M
    outside = _spots_off_ground(discs, used, ground)
    return np.concatenate([disc[blocked], outside[0]]), np.concatenate([direction[blocked], outside[1]])


def _nearest(
    discs: Discs, used: Integers, edge_lot: Integers, begin: Floats, end: Floats
) -> tuple[Integers, Integers, Floats, Flags]:
    # For each disc and edge: its ends, the point nearest to the centre, and the crossings of the rim.
    at, edge = match(discs.lot[used], edge_lot)
    disc = used[at]
    run = end - begin
    single = (dot(run, run) == 0.0)[edge]
    foot = [begin[edge[single]]]
    of = [(disc[single], edge[single])]
    disc, edge = disc[~single], edge[~single]
    centre, radius_m, begin, run = discs.centre[disc], discs.radius_m[disc], begin[edge], run[edge]
    square = np.maximum(dot(run, run), 1e-18)
    toward = centre - begin
    along = dot(toward, run) / square
    off_line = dot(toward, toward) - along**2 * square
    half = np.sqrt(np.maximum(radius_m**2 - off_line, 0.0) / square)
    crosses = off_line <= radius_m**2
    shares = (np.clip(along, 0.0, 1.0), np.zeros_like(along), np.ones_like(along), along - half, along + half)
    counts = [len(foot[0])]
    for number, share in enumerate(shares):
        there = np.flatnonzero(crosses & (share >= 0.0) & (share <= 1.0) if number >= 3 else np.ones_like(crosses))
        foot.append(begin[there] + share[there][:, None] * run[there])
        of.append((disc[there], edge[there]))
        counts.append(len(there))
    discs_of, edges_of = (np.concatenate(column) for column in zip(*of, strict=True))
    return discs_of, edges_of, np.concatenate(foot), np.repeat(np.arange(6) >= 4, counts)


def _spots_off_ground(discs: Discs, used: Integers, ground: Geometries) -> tuple[Integers, Floats]:
    lot, begin, end = _edges(shapely.boundary(ground))
    curved = used[discs.radius_m[used] > 0.0]
    disc, _, foot, crossing = _nearest(discs, curved, lot, begin, end)
    disc, away = disc[crossing], (foot - discs.centre[disc])[crossing]
    angle = np.arctan2(away[:, 1], away[:, 0])
    order = np.lexsort([angle, disc])
    disc, angle = disc[order], angle[order]
    last = np.append(disc[1:] != disc[:-1], True)[: len(disc)]
    first = np.searchsorted(disc, disc)
    middle = (angle + np.where(last, angle[first] + TURN, np.roll(angle, -1))) / 2
    rim = discs.centre[disc] + discs.radius_m[disc][:, None] * unit(middle)
    outside = ~shapely.intersects_xy(ground[discs.lot[disc]], rim[:, 0], rim[:, 1])
    return disc[outside], middle[outside]


def _edges(things: Geometries) -> tuple[Integers, Floats, Floats]:
    """Straight pieces of things, a point as one of no length: the thing of each, in order, and the two ends."""
    parts, owner = shapely.get_parts(things, return_index=True)
    polygons = shapely.get_type_id(parts) == shapely.GeometryType.POLYGON
    rings, ring_owner = shapely.get_rings(parts[polygons], return_index=True)
    lines = np.concatenate([rings, parts[~polygons]])
    owner = np.concatenate([owner[polygons][ring_owner], owner[~polygons]])
    points, line = shapely.get_coordinates(lines, return_index=True)
    alone = np.bincount(line, minlength=len(lines))[line] == 1
    joined = np.append(line[1:] == line[:-1], False)[: len(line)]
    begins = np.flatnonzero(joined | alone)
    order = np.argsort(owner[line[begins]], kind="stable")
    begins = begins[order]
    ends = np.where(alone[begins], begins, begins + 1)
    return owner[line[begins]], points[begins], points[ends]
