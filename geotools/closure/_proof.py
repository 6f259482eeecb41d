"""Decide which protected grounds can be reached, and which pieces would close them."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import shapely

from geotools.closure._linework import GAP, JOINT
from geotools.closure._noding import ranges
from geotools.closure._rooms import find_cuts, join
from geotools.closure._route import trace_routes

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from geotools.closure._site import Site

    Floats = NDArray[np.float64]
    Ints = NDArray[np.intp]
    Flags = NDArray[np.bool_]
    Shapes = NDArray[np.object_]

__all__ = ["HABITAT_INSIDE", "OPEN_SIDE", "REPAIR", "Proof", "prove"]

REPAIR, OPEN_SIDE, HABITAT_INSIDE = range(3)
"""Why a piece is listed: it is to be mended, the protected ground lies open there, or habitat lies inside there."""

_COST_UNITS_PER_M = 1000
"""Costs are whole thousandths of the cost of a metre of wall: the minimum cut is exact."""

_CROSSING_M = 10.0
"""Crossing an unsound piece counts as this much walking: a route keeps to open ground where it can (assumption)."""


class Proof(NamedTuple):
    """What was found per lot, and the listed pieces.

    Per lot: `known` (there is protected ground), `closed`, `closable`, `in_habitat`, `reached_share` (0 to 1, by area),
    `routes` and `through` (another lot that the route comes in by, -1 if none). Pairs of lot and edge: the pieces with
    their reason, and the joints that part one protected ground.
    """

    known: Flags
    closed: Flags
    closable: Flags
    in_habitat: Flags
    reached_share: Floats
    routes: Shapes
    through: Ints
    piece_lot: Ints
    piece_edge: Ints
    piece_reason: Ints
    touch_lot: Ints
    touch_edge: Ints


def prove(site: Site, lots: int) -> Proof:
    """Prove every lot of a site.

    Parameters
    ----------
    site : Site
    lots : int
        Number of lots; those without protected faces are not known.

    Returns
    -------
    Proof

    Raises
    ------
    LayerError
        If the costs can't be added up exactly.
    """
    plan, lot, face = site.plan, site.target_lot, site.target_face
    barrier = site.item >= 0
    unsound = np.flatnonzero(barrier & ~site.sound)
    room = join(len(plan.faces), plan.left[~barrier], plan.right[~barrier])
    rooms = int(room.max()) + 1
    wild = np.zeros(rooms, dtype=bool)
    wild[room[site.source]] = True
    one, other = room[plan.left[unsound]], room[plan.right[unsound]]
    group = join(rooms, one, other)
    reached_group = np.zeros(int(group.max()) + 1, dtype=bool)
    reached_group[group[wild]] = True
    reached = reached_group[group][room]

    known = _any(lot, np.ones(len(lot), dtype=bool), lots)
    closed = known & ~_any(lot, reached[face], lots)
    open_now = _any(lot, wild[room[face]], lots)
    closable = known & ~open_now
    area_m2 = shapely.area(plan.faces[face])
    share = np.bincount(lot, area_m2 * reached[face], lots) / np.maximum(np.bincount(lot, area_m2, lots), 1e-12)

    repair_lot, repair_edge = _repairs(site, room, wild, reached, unsound, known & closable & ~closed)
    side_lot, side_edge, side_reason = _open_sides(site, wild[room], open_now)
    cost_m = np.where(barrier & (np.append(site.linework.kind, -1)[site.item] != GAP), _CROSSING_M, 0.0)
    cost_m[site.sound] = np.inf
    wanted = reached[face]
    routes, before = trace_routes(plan, reached, site.source, cost_m, site.stubs, lot[wanted], face[wanted], lots)
    touch_lot, touch_edge = _touching(site, room)
    return Proof(
        known,
        closed,
        closable,
        _any(lot, site.source[face], lots),
        share,
        routes,
        _through(before, lot, face, len(plan.faces)),
        np.concatenate([repair_lot, side_lot]),
        np.concatenate([repair_edge, side_edge]),
        np.concatenate([np.full(len(repair_lot), REPAIR), side_reason]),
        touch_lot,
        touch_edge,
    )


def _any(lot: Ints, flags: Flags, lots: int) -> Flags:
    found = np.zeros(lots, dtype=bool)
    found[lot[flags]] = True
    return found


def _repairs(site: Site, room: Ints, wild: Flags, reached: Flags, unsound: Ints, wanted: Flags) -> tuple[Ints, Ints]:
    """List the edges of the cheapest set of repairs of each wanted lot."""
    plan = site.plan
    one, other = room[plan.left[unsound]], room[plan.right[unsound]]
    useful = (one != other) & reached[plan.left[unsound]]
    edge, one, other = unsound[useful], one[useful], other[useful]
    length_m = np.hypot(*(plan.edges[edge, 1] - plan.edges[edge, 0]).T)
    cost = np.maximum(np.rint(length_m * site.linework.cost_per_m[site.item[edge]] * _COST_UNITS_PER_M), 1)
    chosen = wanted[site.target_lot] & reached[site.target_face]
    pairs = np.unique(np.stack([site.target_lot[chosen], room[site.target_face[chosen]]]), axis=1)
    asked, first = np.unique(pairs[0], return_index=True)
    sinks = np.split(pairs[1], first[1:]) if len(asked) else []
    # Stacked lots share their ground: one cut serves them all.
    number = {sink.tobytes(): sink for sink in sinks}
    cuts = find_cuts(one, other, cost.astype(np.int64), wild, list(number.values()))
    cut_of = dict(zip(number, cuts, strict=True))

    ends = np.concatenate([one, other])
    order = np.argsort(ends, kind="stable")
    low = np.searchsorted(ends[order], np.arange(len(wild) + 1))
    borders: dict[bytes, Ints] = {}
    for cut in cuts:
        if cut.inside.tobytes() not in borders:
            touched = np.concatenate([order[low[number] : low[number + 1]] for number in cut.inside.tolist()])
            rows, times = np.unique(touched % max(len(edge), 1), return_counts=True)
            borders[cut.inside.tobytes()] = edge[rows[times == 1]]
    found = [borders[cut_of[sink.tobytes()].inside.tobytes()] for sink in sinks]
    lot_at = np.repeat(asked, [len(rows) for rows in found]) if found else np.zeros(0, dtype=np.intp)
    return lot_at.astype(np.intp), np.concatenate([*found, np.zeros(0, dtype=np.intp)]).astype(np.intp)


def _open_sides(site: Site, wild_face: Flags, open_now: Flags) -> tuple[Ints, Ints, Ints]:
    """List the free edges where open ground leads into protected ground, or the outline of habitat inside it."""
    plan, lot, face = site.plan, site.target_lot, site.target_face
    wild_inside = site.source[face]
    in_habitat = np.zeros(len(open_now), dtype=bool)
    in_habitat[lot[wild_inside]] = True
    groups = []
    for reason, chosen in (
        (OPEN_SIDE, open_now[lot] & ~in_habitat[lot] & wild_face[face]),
        (HABITAT_INSIDE, in_habitat[lot] & wild_inside),
    ):
        at, edge = _outline(site, lot[chosen], face[chosen])
        free = (site.item[edge] < 0) | (reason == HABITAT_INSIDE)
        free &= wild_face[plan.left[edge]] & wild_face[plan.right[edge]] | (reason == HABITAT_INSIDE)
        groups.append((at[free], edge[free], np.full(int(free.sum()), reason)))
    at, edge, why = (np.concatenate(column) for column in zip(*groups, strict=True))
    return at, edge, why


def _outline(site: Site, lot: Ints, face: Ints) -> tuple[Ints, Ints]:
    """List the edges with a lot's faces on one side only."""
    sides = np.concatenate([site.plan.left, site.plan.right])
    order = np.argsort(sides, kind="stable")
    low, high = (np.searchsorted(sides[order], face, side=side) for side in ("left", "right"))
    number = high - low
    edge = order[ranges(low, number)] % max(len(site.plan.edges), 1)
    pairs, times = np.unique(np.stack([np.repeat(lot, number), edge]), axis=1, return_counts=True)
    return pairs[0, times == 1].astype(np.intp), pairs[1, times == 1].astype(np.intp)


def _through(before: Ints, lot: Ints, face: Ints, faces: int) -> Ints:
    """Name the lot whose protected ground the route leaves just before it comes in."""
    owner = np.full(faces + 1, -1, dtype=np.intp)
    owner[face[::-1]] = lot[::-1]
    return owner[before]


def _touching(site: Site, room: Ints) -> tuple[Ints, Ints]:
    """Find the joints beside one lot's protected ground that part it: without them its rooms would be one."""
    plan, rooms = site.plan, int(room.max()) + 1
    kind = np.append(site.linework.kind, -1)[site.item]
    joint = np.flatnonzero((kind == JOINT) & (room[plan.left] != room[plan.right]))
    ends = np.stack([room[plan.left[joint]], room[plan.right[joint]]])
    wider = join(rooms, *ends)
    pairs = np.unique(np.stack([site.target_lot, wider[room[site.target_face]], room[site.target_face]]), axis=1)
    lot, patch, mine = pairs
    together = np.flatnonzero((lot[1:] == lot[:-1]) & (patch[1:] == patch[:-1]))
    parted = np.union1d(together, together + 1)
    code = site.target_lot * rooms + room[site.target_face]
    at = np.flatnonzero(np.isin(code, lot[parted] * rooms + mine[parted]))
    at = at[np.argsort(site.target_face[at], kind="stable")]
    sides = np.concatenate([plan.left[joint], plan.right[joint]])
    low, high = (np.searchsorted(site.target_face[at], sides, side=side) for side in ("left", "right"))
    edge = np.repeat(np.tile(joint, 2), high - low)
    listed = np.unique(np.stack([site.target_lot[at[ranges(low, high - low)]], edge], axis=1), axis=0)
    return listed[:, 0], listed[:, 1]
