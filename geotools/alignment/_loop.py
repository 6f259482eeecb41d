"""Find the shortest closed barrier line round each house, taking climbable things inside where that is shorter."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal, NamedTuple

import numpy as np
import shapely

from geotools.alignment._around import (
    Curves,
    cannot_be_inside,
    draw_lines,
    fill_lines,
    is_inside,
    join_curves,
    must_be_inside,
    round_inner,
)
from geotools.alignment._body import Lots, Parts, make_lots, make_parts, shift
from geotools.alignment._discs import SLACK_M
from geotools.alignment._search import TOLERANCE_M, hold_off
from geotools.errors import DesignError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import ArrayLike, NDArray

    Floats = NDArray[np.float64]
    Integers = NDArray[np.int64]
    Flags = NDArray[np.bool_]
    Geometries = NDArray[np.object_]

__all__ = ["Loop", "shortest_loop", "shortest_loops"]

Status = Literal["closed", "no structures", "allowed ground", "items", "unverified"]


class Loop(NamedTuple):
    """A closed line round the structures of one lot, or what stands in its way.

    Parameters
    ----------
    line : LineString or None
        Closed, simple, counter-clockwise; curves are drawn by tangents outside them. None where no line fits.
    length_m : float
        Exact length of the line, curves as curves; NaN where no line fits. The drawn line is longer by less than 0.1 %.
    inside, outside : tuple of int
        Items that the line encloses (at least a part), and those of which a part outside is just at its setback.
    status : str
        `closed`, or why there is no line: `no structures`; `allowed ground` (the lot's boundary or an easement is too
        near the structures); `items`; `unverified` (the line found failed the final check: a fault to report).
    blocked_by : tuple of int
        For `items`: items that together leave no line, none of which can be spared from the set.
    """

    line: shapely.LineString | None
    length_m: float
    inside: tuple[int, ...]
    outside: tuple[int, ...]
    status: Status
    blocked_by: tuple[int, ...]


def shortest_loop(
    structures: shapely.Geometry,
    allowed_ground: shapely.Geometry,
    items: Sequence[shapely.Geometry | None] | Geometries = (),
    *,
    setbacks_m: ArrayLike = (),
    clearance_m: float = 0.9,
    inside_clearance_m: float = 0.3,
) -> Loop:
    """Shortest closed barrier line round the structures of one lot; see `shortest_loops`.

    Parameters
    ----------
    structures : Polygon or MultiPolygon, metres
        Buildings to enclose.
    allowed_ground : Polygon or MultiPolygon, metres
        Where the line may run. Holes are ground that it may not cross, but may go round on either side.
    items : sequence of m geometries, metres
        Climbable things.
    setbacks_m : (m,) array
        Least distance of the line from each thing that stays outside; things with 0 are left out.
    clearance_m : float
        Least distance from the structures.
    inside_clearance_m : float
        Least distance from things that are taken inside.

    Returns
    -------
    Loop

    Raises
    ------
    LayerError, DesignError
        As `shortest_loops`.

    Examples
    --------
    >>> loop = shortest_loop(shapely.box(0, 0, 10, 6), shapely.box(-9, -9, 19, 19), clearance_m=1.0)
    >>> round(loop.length_m - 2 * np.pi, 9), loop.status
    (32.0, 'closed')
    """
    return shortest_loops(
        [structures],
        [allowed_ground],
        items,
        item_lots=np.zeros(len(items), dtype=np.int64),
        setbacks_m=setbacks_m,
        clearance_m=clearance_m,
        inside_clearance_m=inside_clearance_m,
    )[0]


def shortest_loops(
    structures: Sequence[shapely.Geometry | None] | Geometries,
    allowed_ground: Sequence[shapely.Geometry | None] | Geometries,
    items: Sequence[shapely.Geometry | None] | Geometries = (),
    *,
    item_lots: ArrayLike = (),
    setbacks_m: ArrayLike = (),
    clearance_m: float = 0.9,
    inside_clearance_m: float = 0.3,
) -> list[Loop]:
    """Shortest closed barrier line round the structures of each lot.

    Buildings of one lot are joined by the straight ground between them; courts in them are filled. Each part of an item
    is either inside, `inside_clearance_m` or more from the line, or outside at its setback or more, whichever makes the
    line shortest (assumption of this project: only footholds on the snake's side count). Each stretch of line judges a
    part by the side on which it passes it; so one inside still holds off, to be on the safe side, a stretch that has it
    within its setback across a strip of the snake's side. Lines that touch themselves are not considered.

    Method: the line round the hull, by array calls for all lots; where that passes an item too near, the line round all
    that has to be inside (`round_inner`). Where that does not settle it, the shortest closed walk over tangents
    (`pull_taut`) with the items that the line hits, again until it hits no more. Items left out could only lengthen the
    line, so it is the shortest with all of them: exact to rounding.

    Parameters
    ----------
    structures, allowed_ground : (n,) arrays of polygons, metres
        As in `shortest_loop`; a status is given for missing and empty ones.
    items : (m,) array of geometries, metres
        Climbable things of all lots.
    item_lots : (m,) array of int
        The lot that each item counts for; give an item twice that counts for two.
    setbacks_m : (m,) array
        Least distance of the line from each item that stays outside; items with 0 are left out.
    clearance_m, inside_clearance_m : float
        Least distance from the structures, and from items inside (defaults: assumption of this project).

    Returns
    -------
    list of n Loop
        Item numbers are positions in `items`.

    Raises
    ------
    LayerError
        Where a geometry is not valid or of the wrong kind, or arrays do not match.
    DesignError
        Where a clearance is not above 0 or a setback is below 0.

    Examples
    --------
    >>> house, lot = shapely.box(0, 0, 10, 6), shapely.box(-9, -9, 19, 19)
    >>> loops = shortest_loops([house, house], [lot, lot], [shapely.Point(5, -1.5)], item_lots=[1], setbacks_m=[0.9])
    >>> [round(loop.length_m, 3) for loop in loops], loops[1].inside
    ([37.655, 37.814], (0,))
    """
    clearances = (clearance_m, inside_clearance_m)
    if not min(clearances) >= TOLERANCE_M:
        raise DesignError(f"a clearance is {min(clearances)} m", where="house loop", mend="give a millimetre or more")
    lots = make_lots(structures, allowed_ground)
    parts = make_parts(items, item_lots, setbacks_m, lots.origin)
    status = np.where(shapely.is_empty(lots.structures), "no structures", "closed").astype(object)
    status[(status == "closed") & ~_has_room(lots, clearance_m)] = "allowed ground"
    room, hit = _try_hulls(lots, parts, *clearances)
    hull_fits = room.copy()
    hull_fits[parts.lot[hit]] = False
    length_m = np.where(status == "closed", shapely.length(lots.hull) + 2.0 * np.pi * clearance_m, np.nan)
    curves = [_hull_curves(lots.hull, np.flatnonzero((status == "closed") & hull_fits), clearance_m)]
    blocked_by: dict[int, tuple[int, ...]] = {}
    forced = must_be_inside(lots, parts, clearance_m)
    # The line round the hull would do but for a thing that must be inside and can't: no search finds another.
    stuck = forced & hit & room[parts.lot] & (status == "closed")[parts.lot]
    for part in np.flatnonzero(cannot_be_inside(lots, parts, stuck, inside_clearance_m)).tolist():
        lot = int(parts.lot[part])
        status[lot], length_m[lot], blocked_by[lot] = "items", np.nan, (int(parts.item[part]),)
    held_off = (status == "closed") & ~hull_fits
    around = round_inner(
        lots, parts, hit, forced, held_off, clearance_m=clearance_m, inside_clearance_m=inside_clearance_m
    )
    curves.append(around.curves)
    settled = ~np.isnan(around.length_m)
    length_m[settled] = around.length_m[settled]
    order = np.argsort(parts.lot, kind="stable")
    found, in_the_way = hold_off(
        lots, parts.take(order), around.seed[order], np.flatnonzero(held_off & ~settled), *clearances
    )
    curves.append(Curves(*found[:5]))
    for lot, blocking in in_the_way.items():
        status[lot], length_m[lot], blocked_by[lot] = "items" if blocking else "allowed ground", np.nan, blocking
    searched = ~np.isnan(found.length_m)
    length_m[searched] = found.length_m[searched]
    lines = draw_lines(join_curves(curves), len(status))
    inside, touching, wrong = _check(lots, parts, lines, *clearances)
    drawn = ~shapely.is_missing(lines)
    status[drawn & wrong] = "unverified"
    good = drawn & ~wrong
    lines[~good], length_m[~good] = None, np.nan
    lines = shift(lines, lots.origin)
    enclosed, held = _by_lot(parts, inside & good[parts.lot]), _by_lot(parts, touching & good[parts.lot])
    return [
        Loop(line, float(length), enclosed.get(lot, ()), held.get(lot, ()), state, blocked_by.get(lot, ()))
        for lot, (line, length, state) in enumerate(zip(lines, length_m, status, strict=True))
    ]


def _has_room(lots: Lots, clearance_m: float) -> Flags:
    outline = shapely.get_exterior_ring(lots.ground)
    far = shapely.distance(outline, lots.body) >= clearance_m - SLACK_M
    return np.asarray(far & shapely.covers(shapely.polygons(outline), lots.structures), dtype=np.bool_)


def _try_hulls(lots: Lots, parts: Parts, clearance_m: float, inside_clearance_m: float) -> tuple[Flags, Flags]:
    far = shapely.distance(shapely.boundary(lots.ground), lots.hull) >= clearance_m - SLACK_M
    fits = far & shapely.covers(lots.ground, lots.hull)
    hull = lots.hull[parts.lot]
    hit = ~(shapely.distance(hull, parts.shape) >= clearance_m + parts.setback_m - SLACK_M)
    if inside_clearance_m <= clearance_m:
        hit &= ~shapely.covers(hull, parts.shape)
    return fits, hit


def _hull_curves(hulls: Geometries, lots: Integers, clearance_m: float) -> Curves:
    rings = shapely.get_exterior_ring(shapely.orient_polygons(hulls[lots]))
    points, ring = shapely.get_coordinates(rings, return_index=True)
    ahead = np.diff(points, axis=0)[ring[1:] == ring[:-1]]
    closes = np.append(ring[1:] != ring[:-1], True)[: len(ring)]
    points, ring = points[~closes], ring[~closes]
    first = np.searchsorted(ring, ring, side="left")
    last = np.searchsorted(ring, ring, side="right") - 1
    here = np.arange(len(ring))
    behind = ahead[np.where(here == first, last, here - 1)]
    sweep = np.arctan2(behind[:, 0] * ahead[:, 1] - behind[:, 1] * ahead[:, 0], (behind * ahead).sum(axis=1))
    normal = np.arctan2(-behind[:, 0], behind[:, 1])
    return Curves(lots[ring], points, np.full(len(ring), clearance_m), normal, sweep)


def _check(
    lots: Lots, parts: Parts, lines: Geometries, clearance_m: float, inside_clearance_m: float
) -> tuple[Flags, Flags, Flags]:
    # Hold every drawn line against every rule once more, by other means than those that found it.
    drawn = np.flatnonzero(~shapely.is_missing(lines))
    areas = fill_lines(lines)
    wide = np.full(len(lines), None, dtype=object)
    wide[drawn] = shapely.buffer(lots.ground[drawn], TOLERANCE_M, join_style="mitre")
    sound = shapely.is_valid(areas) & shapely.covers(areas, lots.structures) & shapely.covers(wide, lines)
    sound &= shapely.distance(lines, lots.body) >= clearance_m - SLACK_M - TOLERANCE_M
    inside = is_inside(areas, parts)
    away_m = shapely.distance(lines[parts.lot], parts.shape)
    near = away_m < np.where(inside, inside_clearance_m, parts.setback_m) - TOLERANCE_M
    sound[parts.lot[near]] = False
    touching = ~inside & (away_m <= parts.setback_m + TOLERANCE_M)
    return inside, np.asarray(touching, dtype=np.bool_), np.asarray(~sound, dtype=np.bool_)


def _by_lot(parts: Parts, chosen: Flags) -> dict[int, tuple[int, ...]]:
    items: dict[int, set[int]] = {}
    for lot, item in zip(parts.lot[chosen].tolist(), parts.item[chosen].tolist(), strict=True):
        items.setdefault(lot, set()).add(item)
    return {lot: tuple(sorted(held)) for lot, held in items.items()}
