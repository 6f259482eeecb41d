"""Search for the shortest line of lots where it isn't plain what is inside, and for what leaves no line."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import shapely

from geotools.alignment._around import Curves, draw_lines, fill_lines, is_inside
from geotools.alignment._discs import SLACK_M, Discs, join_discs, make_discs
from geotools.alignment._taut import Keep, Taut, pull_taut

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from geotools.alignment._body import Lots, Parts

    Floats = NDArray[np.float64]
    Integers = NDArray[np.int64]
    Flags = NDArray[np.bool_]
    Geometries = NDArray[np.object_]

__all__ = ["TOLERANCE_M", "hold_off"]

TOLERANCE_M = 0.001
"""Most by which a drawn line may miss a clearance, metres (assumption of this project: finer than a tape reads)."""


def hold_off(
    lots: Lots, parts: Parts, seed: Flags, asked: Integers, clearance_m: float, inside_clearance_m: float
) -> tuple[Taut, dict[int, tuple[int, ...]]]:
    """Search for the shortest lines of some lots, beginning with some of their parts.

    Parameters
    ----------
    lots : Lots, n
    parts : Parts, m
        By lot.
    seed : (m,) array of bool
        Parts to begin with; those that a line then comes too near to are added until there are no more.
    asked : array of int, ascending
        Lots to find a line for.
    clearance_m, inside_clearance_m : float
        As in `shortest_loops`.

    Returns
    -------
    taut : Taut
        Lengths of n lots, NaN where there is no line.
    blocking : dict
        Of each lot without a line the items that together leave none; no items where the ground leaves none.
    """
    pull = _make_pull(lots, parts, asked, clearance_m, inside_clearance_m)
    chosen = seed.copy()
    open_, found = asked, [pull(asked[:0], seed)]
    length_m, stuck = np.full(len(lots.hull), np.nan), [asked[:0]]
    while len(open_):
        taut = pull(open_, chosen)
        fits = ~np.isnan(taut.length_m)
        curves = Curves(*taut[:5])
        missed = _missed(draw_lines(curves, len(fits)), parts, inside_clearance_m) & ~chosen
        again = np.zeros(len(fits), dtype=np.bool_)
        again[parts.lot[missed]] = True
        done = fits & ~again
        length_m[done] = taut.length_m[done]
        found.append(taut._replace(**curves.take(done[curves.lot])._asdict()))
        stuck.append(open_[~fits[open_]])
        open_ = open_[again[open_]]
        chosen |= missed
    lot, centre, radius_m, angle, sweep, _ = (np.concatenate(columns) for columns in zip(*found, strict=True))
    lines = Taut(lot, centre, radius_m, angle, sweep, length_m)
    return lines, _find_blocking(pull, np.sort(np.concatenate(stuck)), parts, chosen)


def _find_blocking(
    pull: Callable[[Integers, Flags], Taut], stuck: Integers, parts: Parts, chosen: Flags
) -> dict[int, tuple[int, ...]]:
    # Without each chosen part in turn: those that can be spared go.
    blocked: dict[int, tuple[int, ...]] = {}
    bare = np.isnan(pull(stuck, np.zeros_like(chosen)).length_m)
    blocked.update(dict.fromkeys(stuck[bare[stuck]].tolist(), ()))
    stuck = stuck[~bare[stuck]]
    own = np.flatnonzero(chosen & np.isin(parts.lot, stuck))
    rank = np.arange(len(own)) - np.searchsorted(parts.lot[own], parts.lot[own])
    needed = chosen.copy()
    for number in range(int(rank.max(initial=-1)) + 1):
        tried = own[rank == number]
        needed[tried] = False
        free = ~np.isnan(pull(parts.lot[tried], needed).length_m)
        needed[tried[free[parts.lot[tried]]]] = True
    for lot in stuck.tolist():
        blocked[lot] = tuple(np.unique(parts.item[needed & (parts.lot == lot)]).tolist())
    return blocked


def _missed(lines: Geometries, parts: Parts, inside_clearance_m: float) -> Flags:
    # Drawn corners stand off a little: things that might be missed are taken in as well, which does no harm.
    missed = np.zeros(len(parts.lot), dtype=np.bool_)
    some = np.flatnonzero(~shapely.is_missing(lines)[parts.lot])
    ring, shape = lines[parts.lot[some]], parts.shape[some]
    needed = np.where(is_inside(fill_lines(lines), parts.take(some)), inside_clearance_m, parts.setback_m[some])
    missed[some] = ~(shapely.distance(ring, shape) >= needed + TOLERANCE_M)
    return missed


def _make_pull(
    lots: Lots, parts: Parts, asked: Integers, clearance_m: float, inside_clearance_m: float
) -> Callable[[Integers, Flags], Taut]:
    """Make the search for the lines of some lots, in ascending order, with some of the parts."""
    ground = np.full(len(lots.ground), None, dtype=object)
    ground[asked] = shapely.buffer(lots.ground[asked], SLACK_M, join_style="mitre")
    shapely.prepare(ground)
    shapely.prepare(lots.body)
    shapely.prepare(parts.shape)

    def pull(numbers: Integers, chosen: Flags) -> Taut:
        place = np.full(len(lots.ground), -1, dtype=np.int64)
        place[numbers] = np.arange(len(numbers))
        own = parts.take(chosen & (place[parts.lot] >= 0))
        own = own._replace(lot=place[own.lot])
        walls, wall_lot = shapely.get_parts(lots.structures[numbers], return_index=True)
        groups = [
            make_discs(walls, wall_lot, radius_m=clearance_m, turn=1),
            make_discs(own.shape, own.lot, radius_m=inside_clearance_m, turn=1),
            make_discs(own.shape, own.lot, radius_m=own.setback_m, turn=-1),
            *_ground_discs(lots.ground[numbers], lots.hull[numbers], own, max(clearance_m, inside_clearance_m)),
        ]
        order = np.argsort(np.append(own.lot, np.arange(len(numbers))), kind="stable")
        beside = np.full(len(numbers), clearance_m)
        keep = Keep(
            np.append(own.lot, np.arange(len(numbers))),
            np.append(own.shape, lots.body[numbers]),
            np.append(np.full(len(own.lot), inside_clearance_m), beside),
            np.append(own.setback_m, beside),
        ).take(order)
        taut = pull_taut(join_discs(groups), keep, ground=ground[numbers], core=lots.hull[numbers])
        length_m = np.full(len(lots.ground), np.nan)
        length_m[numbers] = taut.length_m
        return taut._replace(lot=numbers[taut.lot], length_m=length_m)

    return pull


def _ground_discs(ground: Geometries, hulls: Geometries, parts: Parts, widest_m: float) -> list[Discs]:
    # Corners of the ground that the line might turn on: those within the hull of all that it may have to take inside.
    lots = np.arange(len(ground))
    outlines = np.asarray(shapely.polygons(shapely.get_exterior_ring(ground)), dtype=object)
    bends = make_discs(outlines, lots, radius_m=0.0, turn=-1, hollow=True)
    rings, of = shapely.get_rings(ground, return_index=True)
    is_hole = np.append(False, of[1:] == of[:-1])[: len(of)]
    islands, of = shapely.polygons(rings[is_hole]), of[is_hole]
    concerned = np.union1d(of, bends.lot)
    within = np.full(len(ground), None, dtype=object)
    within[concerned] = shapely.buffer(_hulls([hulls, parts.shape], [lots, parts.lot], concerned), 1.1 * widest_m)
    near = np.zeros(len(islands), dtype=np.bool_)
    while len(fresh := np.flatnonzero(shapely.dwithin(islands, within[of], SLACK_M) & ~near)):
        near[fresh] = True
        grown = np.unique(of[fresh])
        within[grown] = _hulls([within, islands[fresh]], [lots, of[fresh]], grown)
    groups = [bends, *(make_discs(islands[near], of[near], radius_m=0.0, turn=turn) for turn in (-1, 1))]
    return [discs.take(shapely.dwithin(shapely.points(discs.centre), within[discs.lot], SLACK_M)) for discs in groups]


def _hulls(shapes: list[Geometries], lot: list[Integers], asked: Integers) -> Geometries:
    """Hull of all shapes of each lot that is asked for."""
    points, at = shapely.get_coordinates(np.concatenate(shapes), return_index=True)
    of = np.concatenate(lot)[at]
    mine = np.isin(of, asked)
    points, of = points[mine], of[mine]
    order = np.argsort(of, kind="stable")
    together = shapely.multipoints(points[order], indices=np.searchsorted(asked, of[order]))
    return np.asarray(shapely.convex_hull(together), dtype=object)
