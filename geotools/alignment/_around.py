"""Draw the line round a house and all that has to be inside with it, for many lots at once by array calls."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import shapely

from geotools.alignment._discs import SLACK_M, TURN, draw, match
from geotools.alignment._taut import RAY_SHARE

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from geotools.alignment._body import Lots, Parts

    Floats = NDArray[np.float64]
    Integers = NDArray[np.int64]
    Flags = NDArray[np.bool_]
    Geometries = NDArray[np.object_]

__all__ = [
    "Curves",
    "Rounds",
    "cannot_be_inside",
    "draw_lines",
    "fill_lines",
    "hull_of_discs",
    "is_inside",
    "join_curves",
    "must_be_inside",
    "round_inner",
]

_SURE_M = 1e-6
"""Above every slack of the search: what is this much too near is too near for it as well."""
_ANGLE_SLACK = 1e-9  # radians
_FIRST = 0.7123
"""Direction in which the round begins, radians: one that no edge of a house is likely to run in."""


class Curves(NamedTuple):
    """Curves of closed lines in the order in which each lot's line runs."""

    lot: Integers
    centre: Floats
    radius_m: Floats
    angle: Floats
    sweep: Floats

    def take(self, index: Flags | Integers) -> Curves:
        """Return the curves at an index."""
        return Curves(self.lot[index], self.centre[index], self.radius_m[index], self.angle[index], self.sweep[index])


class Rounds(NamedTuple):
    """Lines found without a search: curves, and the length of each lot's (NaN where there is none).

    `seed` are the parts that a search had best begin with on the other lots.
    """

    curves: Curves
    length_m: Floats
    seed: Flags


def join_curves(groups: list[Curves]) -> Curves:
    """Put groups of curves together."""
    return Curves(*(np.concatenate(columns) for columns in zip(*groups, strict=True)))


def round_inner(
    lots: Lots, parts: Parts, hit: Flags, forced: Flags, asked: Flags, *, clearance_m: float, inside_clearance_m: float
) -> Rounds:
    """Shortest lines of the lots where what is to be inside is certain.

    Certain are the parts that `must_be_inside` names, and those that stand as near to a part inside. A line round these
    is at least as long as the hull of their discs; where that stays on the ground and holds off everything else, it is
    the shortest.

    Parameters
    ----------
    lots : Lots
    parts : Parts
    hit : (m,) array of bool
        Parts that the line round the body's hull passes too near.
    forced : (m,) array of bool
        As `must_be_inside` gives it.
    asked : (n,) array of bool
        Lots to find a line for.
    clearance_m, inside_clearance_m : float
        As in `shortest_loops`.

    Returns
    -------
    Rounds
        Without a length where it takes a search, or there is no line.
    """
    length_m = np.full(len(asked), np.nan)
    found = [Curves(np.zeros(0, dtype=np.int64), np.zeros((0, 2)), np.zeros(0), np.zeros(0), np.zeros(0))]
    inner, seed = hit & forced, hit.copy()
    open_ = asked.copy() if inside_clearance_m <= clearance_m else np.zeros_like(asked)
    while open_.any():
        numbers = np.flatnonzero(open_)
        core, curves, round_m, outermost = _round(lots, parts, inner, numbers, clearance_m, inside_clearance_m)
        lines = draw_lines(curves, len(asked))
        areas = fill_lines(lines)
        mine = open_[parts.lot] & ~inner
        near = np.zeros(len(mine), dtype=np.bool_)
        some = np.flatnonzero(mine)
        of = parts.lot[some]
        # The drawn line runs just outside the true one, so that what it clears the true one clears.
        near[some] = ~(shapely.distance(areas[of], parts.shape[some]) >= parts.setback_m[some])
        some = np.flatnonzero(near)
        near[some] = ~shapely.covers(core[parts.lot[some]], parts.shape[some])
        beside = near & (forced | _beside_inner(parts, inner, near, inside_clearance_m))
        unsure, grows = np.zeros_like(open_), np.zeros_like(open_)
        unsure[parts.lot[near & ~beside]] = True
        grows[parts.lot[beside]] = True
        done = open_ & ~unsure & ~grows & ~np.isnan(round_m)
        seed[open_[parts.lot]] = (outermost | near)[open_[parts.lot]]
        done[done] = shapely.covers(lots.ground[done], areas[done])
        length_m[done] = round_m[done]
        found.append(curves.take(done[curves.lot]))
        open_ = open_ & grows & ~unsure
        inner |= beside & open_[parts.lot]
    return Rounds(join_curves(found), length_m, seed)


def must_be_inside(lots: Lots, parts: Parts, clearance_m: float) -> Flags:
    """Whether a part stands nearer to the body than clearance and setback together.

    That leaves a line no way between them: on the straight way from one to the other it would cross at a point that
    keeps both.
    """
    away_m = shapely.distance(lots.body[parts.lot], parts.shape)
    return np.asarray(away_m < clearance_m + parts.setback_m - _SURE_M, dtype=np.bool_)


def cannot_be_inside(lots: Lots, parts: Parts, which: Flags, inside_clearance_m: float) -> Flags:
    """Whether some parts stand beyond the outline of the ground, or so near to it that no line passes between."""
    blocked = np.zeros(len(which), dtype=np.bool_)
    some = np.flatnonzero(which)
    outline = shapely.get_exterior_ring(lots.ground[parts.lot[some]])
    near = shapely.distance(outline, parts.shape[some]) < inside_clearance_m - _SURE_M
    blocked[some] = near | ~shapely.covers(shapely.polygons(outline), parts.shape[some])
    return blocked


def hull_of_discs(centre: Floats, radius_m: Floats, group: Integers) -> tuple[Curves, Floats, Integers]:
    """Curves of the shortest line round all discs of each group, counter-clockwise.

    From disc to disc by the tangent that turns least from the last one (Jarvis 1973, on discs), one step of all groups
    at a time.

    Parameters
    ----------
    centre : (m, 2) array, metres
    radius_m : (m,) array
        Above 0.
    group : (m,) array of int
        From 0 without gaps, ascending.

    Returns
    -------
    curves : Curves
        `lot` is the group.
    length_m : array
        Of each group; NaN where the round did not close.
    disc : array of int
        The disc of each curve.

    Examples
    --------
    >>> curves, length_m, _ = hull_of_discs(np.array([[0.0, 0.0], [4.0, 0.0]]), np.ones(2), np.array([0, 0]))
    >>> (length_m - 2 * np.pi).round(9).tolist(), curves.sweep.round(6).tolist()
    ([8.0], [3.141593, 3.141593])
    """
    first = np.flatnonzero(np.append(True, group[1:] != group[:-1])[: len(group)])
    count = len(first)
    lowest = _height(centre, _FIRST) - radius_m
    order = np.lexsort((lowest, group))
    start = order[first]
    here, heading, turned = start.copy(), np.full(count, _FIRST), np.zeros(count)
    length_m, begun = np.zeros(count), np.zeros(count)
    live = np.arange(count)
    rows, row_group = np.arange(len(group)), group
    columns: list[tuple[Integers, Integers, Floats, Floats, Integers]] = []
    for step in range(2 * len(group) + 2):
        if not len(live):
            break
        rotation, reach_m = _tangents_from(centre, radius_m, rows, here[row_group], heading[row_group])
        bounds = np.flatnonzero(np.append(True, row_group[1:] != row_group[:-1]))
        least = np.minimum.reduceat(rotation, bounds)
        place = np.repeat(np.arange(len(live)), np.diff(np.append(bounds, len(rows))))
        # Of discs on one tangent the farthest: the line does not bend at the others.
        farthest = np.where(rotation <= least[place] + _ANGLE_SLACK, reach_m, -1.0)
        most = np.maximum.reduceat(farthest, bounds)
        hits = np.flatnonzero(farthest == most[place])
        chosen = hits[np.searchsorted(place[hits], np.arange(len(live)))]
        turn = rotation[chosen]
        closes = (here[live] == start[live]) & (turned[live] + turn >= TURN - 1e-6) & (step > 0)
        closes |= np.isinf(turn)
        ends = live[closes]
        sweep = np.maximum(TURN - turned[ends], 0.0) + begun[ends]
        columns.append((ends, here[ends], heading[ends], np.minimum(sweep, TURN), np.full(len(ends), step)))
        length_m[ends] += radius_m[here[ends]] * np.minimum(sweep, TURN)
        goes = ~closes
        goes_on, turn, to = live[goes], turn[goes], rows[chosen[goes]]
        if step == 0:
            begun[goes_on] = turn
        else:
            columns.append((goes_on, here[goes_on], heading[goes_on], turn, np.full(len(goes_on), step)))
            length_m[goes_on] += radius_m[here[goes_on]] * turn
        length_m[goes_on] += reach_m[chosen[goes]]
        here[goes_on], heading[goes_on] = to, heading[goes_on] + turn
        turned[goes_on] += turn
        lost = turned[goes_on] > TURN + 1e-6
        length_m[goes_on[lost]] = np.nan
        live = goes_on[~lost]
        kept = np.isin(row_group, live)
        rows, row_group = rows[kept], row_group[kept]
    length_m[live] = np.nan
    of, disc, headed, sweep, step_of = (np.concatenate(column) for column in zip(*columns, strict=True))
    order = np.lexsort((step_of, of))
    disc = disc[order]
    return Curves(of[order], centre[disc], radius_m[disc], headed[order] - TURN / 4, sweep[order]), length_m, disc


def draw_lines(curves: Curves, count: int) -> Geometries:
    """Closed lines along curves, one for each lot; None where there are no curves."""
    order = np.argsort(curves.lot, kind="stable")
    points, curve = draw(*(column[order] for column in curves[1:]))
    lot = curves.lot[order][curve]
    repeated = (lot[1:] == lot[:-1]) & (np.hypot(*np.diff(points, axis=0).T) < SLACK_M)
    kept = np.append(True, ~repeated)[: len(lot)]
    points, lot = points[kept], lot[kept]
    lines = np.full(count, None, dtype=object)
    drawn, ring = np.unique(lot, return_inverse=True)
    rings = shapely.linearrings(points, indices=ring)
    points, ring = shapely.get_coordinates(rings, return_index=True)
    lines[drawn] = shapely.linestrings(points, indices=ring)
    return lines


def fill_lines(lines: Geometries) -> Geometries:
    """Ground within closed lines, prepared; None where there is no line."""
    areas = np.full(len(lines), None, dtype=object)
    drawn = ~shapely.is_missing(lines)
    points, line = shapely.get_coordinates(lines[drawn], return_index=True)
    areas[drawn] = shapely.polygons(shapely.linearrings(points, indices=line))
    shapely.prepare(areas)
    return areas


def is_inside(areas: Geometries, parts: Parts) -> Flags:
    """Whether the first point of each part is in its lot's area."""
    points, shape = shapely.get_coordinates(parts.shape, return_index=True)
    first = points[np.searchsorted(shape, np.arange(len(parts.lot)))]
    return np.asarray(shapely.intersects_xy(areas[parts.lot], first[:, 0], first[:, 1]), dtype=np.bool_)


def _height(centre: Floats, direction: float) -> Floats:
    """How far points are to the left of a direction, metres."""
    return np.asarray(np.cos(direction) * centre[:, 1] - np.sin(direction) * centre[:, 0])


def _tangents_from(
    centre: Floats, radius_m: Floats, to: Integers, here: Integers, heading: Floats
) -> tuple[Floats, Floats]:
    """Turn to the tangent to each disc (infinite where there is none) and the tangent's length."""
    apart = centre[to] - centre[here]
    away_m = np.hypot(*apart.T)
    rise_m = radius_m[to] - radius_m[here]
    exists = away_m > np.abs(rise_m) + SLACK_M
    sine = np.divide(rise_m, away_m, out=np.zeros_like(away_m), where=exists)
    rotation = np.mod(np.arctan2(apart[:, 1], apart[:, 0]) - np.arcsin(sine) - heading, TURN)
    rotation = np.where(rotation > TURN - _ANGLE_SLACK, 0.0, rotation)
    reach_m = np.sqrt(np.maximum(away_m**2 - rise_m**2, 0.0))
    return np.where(exists, rotation, np.inf), np.where(exists, reach_m, 0.0)


def _round(
    lots: Lots, parts: Parts, inner: Flags, numbers: Integers, clearance_m: float, inside_clearance_m: float
) -> tuple[Geometries, Curves, Floats, Flags]:
    """Hull of body and inner parts of some lots, the curves of the line round it, its length, and the parts on it."""
    body, body_at = _corners(lots.hull[numbers])
    mine = np.flatnonzero(inner & np.isin(parts.lot, numbers))
    things, thing_at = shapely.get_coordinates(parts.shape[mine], return_index=True)
    centre = np.concatenate([body, things])
    group = np.concatenate([body_at, np.searchsorted(numbers, parts.lot[mine])[thing_at]])
    radius_m = np.concatenate([np.full(len(body), clearance_m), np.full(len(things), inside_clearance_m)])
    part = np.concatenate([np.full(len(body), -1), mine[thing_at]])
    order = np.argsort(group, kind="stable")
    centre, radius_m, group, part = centre[order], radius_m[order], group[order], part[order]
    curves, round_m, disc = hull_of_discs(centre, radius_m, group)
    curves = _begin_behind_corner(curves, disc, group, part, centre)
    outermost = np.zeros(len(inner), dtype=np.bool_)
    outermost[part[disc][part[disc] >= 0]] = True
    length_m = np.full(len(lots.hull), np.nan)
    length_m[numbers] = round_m
    core = np.full(len(lots.hull), None, dtype=object)
    core[numbers] = shapely.convex_hull(shapely.multipoints(centre, indices=group))
    return core, curves._replace(lot=numbers[curves.lot]), length_m, outermost


def _begin_behind_corner(curves: Curves, disc: Integers, group: Integers, part: Integers, centre: Floats) -> Curves:
    """Let each line begin behind the first corner of the body that it turns on, where a search begins as well."""
    body = np.flatnonzero(part < 0)
    first = np.searchsorted(group[body], group[body], side="left")
    last = np.searchsorted(group[body], group[body], side="right") - 1
    here = np.arange(len(body))
    before, after = np.where(here == first, last, here - 1), np.where(here == last, first, here + 1)
    behind, ahead = centre[body] - centre[body[before]], centre[body[after]] - centre[body]
    width = np.arctan2(behind[:, 0] * ahead[:, 1] - behind[:, 1] * ahead[:, 0], (behind * ahead).sum(axis=1))
    ray = np.full(len(group), np.nan)
    ray[body] = np.arctan2(-behind[:, 0], behind[:, 1]) + RAY_SHARE * width
    meets = np.flatnonzero(np.mod(ray[disc] - curves.angle, TURN) < curves.sweep)
    meets = meets[np.lexsort((disc[meets], curves.lot[meets]))]
    lot, at = np.unique(curves.lot[meets], return_index=True)
    starts = np.searchsorted(curves.lot, np.arange(int(curves.lot.max(initial=-1)) + 1))
    counts = np.bincount(curves.lot, minlength=len(starts))
    begins = np.zeros(len(starts), dtype=np.int64)
    begins[lot] = meets[at] - starts[lot] + 1
    rank = np.arange(len(curves.lot)) - starts[curves.lot]
    order = starts[curves.lot] + (rank + begins[curves.lot]) % counts[curves.lot]
    return curves.take(order)


def _beside_inner(parts: Parts, inner: Flags, which: Flags, inside_clearance_m: float) -> Flags:
    """Whether a part stands so near to one inside on its lot that no line passes between them."""
    beside = np.zeros(len(inner), dtype=np.bool_)
    some = np.flatnonzero(which)
    known = np.flatnonzero(inner)
    known = known[np.argsort(parts.lot[known], kind="stable")]
    pair, other = match(parts.lot[some], parts.lot[known])
    one, other = some[pair], known[other]
    near = shapely.distance(parts.shape[one], parts.shape[other]) < inside_clearance_m + parts.setback_m[one] - _SURE_M
    beside[one[near]] = True
    return beside


def _corners(hulls: Geometries) -> tuple[Floats, Integers]:
    points, hull = shapely.get_coordinates(shapely.orient_polygons(hulls), return_index=True)
    closing = np.append(hull[1:] != hull[:-1], True)[: len(hull)]
    return points[~closing], hull[~closing]
