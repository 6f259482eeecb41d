"""Lay a whole site out as pieces of line between ground faces, each with its price."""

from __future__ import annotations

import warnings
from typing import TYPE_CHECKING

import geopandas as gpd
import numpy as np
import shapely

from geotools.closure._arrangement import NOTHING, arrange_segments, find_faces_in, wide_enough
from geotools.closure._candidate_lines import draw_candidates, owner_of, widen_roads
from geotools.closure._linework import GAP, GATE, HOUSE, JOINT, WALL
from geotools.closure._noding import split
from geotools.closure._pieces import Labels, Prices, draw_pieces
from geotools.closure._site import Tolerances, _draw, _ranked, _rings, check_layers
from geotools.design import BarrierStandard
from geotools.errors import Assumed, DesignError, Noticed
from geotools.signature import AllLots
from geotools.units import METRES_PER_FOOT

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from geotools.closure._arrangement import Arrangement
    from geotools.closure._linework import Linework

    Floats = NDArray[np.float64]
    Ints = NDArray[np.intp]
    Flags = NDArray[np.bool_]
    Shapes = NDArray[np.object_]

__all__ = ["arrange_site"]

_TOUCH_M = 1e-6
_INVENTED = {
    "price_new_usd_per_ft": 22.0,
    "price_retrofit_usd_per_ft": 9.0,
    "price_mesh_usd_per_ft2": 1.5,
    "price_new_gate_usd": 450.0,
    "price_gate_repair_usd": 120.0,
}
"""The prices shipped here stand for no market (invented)."""


def arrange_site(
    ground: AllLots,
    habitat: gpd.GeoDataFrame,
    judged_walls: gpd.GeoDataFrame | None = None,
    judged_gates: gpd.GeoDataFrame | None = None,
    roads: gpd.GeoDataFrame | None = None,
    wash_ground: gpd.GeoDataFrame | None = None,
    easements: gpd.GeoDataFrame | None = None,
    more_lines: gpd.GeoDataFrame | None = None,
    *,
    standard: BarrierStandard | None = None,
    units: str = "us",
    price_new_usd_per_ft: float = _INVENTED["price_new_usd_per_ft"],
    price_retrofit_usd_per_ft: float = _INVENTED["price_retrofit_usd_per_ft"],
    price_mesh_usd_per_ft2: float = _INVENTED["price_mesh_usd_per_ft2"],
    price_new_gate_usd: float = _INVENTED["price_new_gate_usd"],
    price_gate_repair_usd: float = _INVENTED["price_gate_repair_usd"],
    gap_m: float = 3.0,
    gate_within_m: float = 1.5,
    gate_width_m: float = 3 * METRES_PER_FOOT,
    strip_m: float = 2 * METRES_PER_FOOT,
    road_width_m: float = 24 * METRES_PER_FOOT,
    edge_within_m: float = 15.0,
) -> gpd.GeoDataFrame:
    """Lay a site out as pieces between faces of ground, with the price of making each piece sound.

    A new line may run along every lot boundary, along the outline of every protected ground (beside the house), along
    the habitat's edge near the lots, and along `more_lines`; a wall or gate that is not sound may be mended. Nothing is
    built on roads, washes and easements, which anything may pass: lots are protected up to their edge. House walls and
    sound walls and gates cost nothing.

    The prices shipped here are invented; give your own. A metre of new line costs its price and the mesh of the
    standard's height and burial; a retrofit likewise; a gate is a fixed sum. One new gate is counted in the longest
    piece beside each house, two in the longest piece along each lot's street front (assumption of this project: drive
    and walk).

    Parameters
    ----------
    ground : GeoDataFrame, n rows
        From `find_lot_ground`: parcel_id, `lot`, `house`, `front`, `protected`.
    habitat : GeoDataFrame
        Polygons where the animals live.
    judged_walls, judged_gates : GeoDataFrame, optional
        From `judge_walls` and `judge_gates`.
    roads, wash_ground, easements : GeoDataFrame, optional
        Ground where nothing is built; road lines with `width_m` if known.
    more_lines : GeoDataFrame, optional
        Further lines that could be built.
    standard : BarrierStandard, optional
        Height, burial, snapping.
    price_new_usd_per_ft, price_retrofit_usd_per_ft : float
        Dollars for a foot of line without its mesh (invented).
    price_mesh_usd_per_ft2 : float
        Dollars for a square foot of mesh in place (invented).
    price_new_gate_usd, price_gate_repair_usd : float
        Dollars for a gate (invented).
    gap_m, gate_within_m, gate_width_m, strip_m : float
        As for `prove_closure`, metres (assumptions of this project).
    road_width_m : float
        Width of a road line without one, metres (assumption of this project: 24 ft).
    edge_within_m : float
        The habitat's edge is a possible line as far as it lies within this of a lot, metres (assumption of this
        project).
    units : str
        Units of the texts: `us` or `metric`.

    Returns
    -------
    GeoDataFrame
        piece_id, left_face, right_face, kind (`new`, `retrofit`, `existing`, `gate`, `gap`, `open`: nothing can be
        built), `line` (`edge`: between a lot and ground that is no lot, `between` two lots, `inside` a lot), parcel_id,
        length_m, height_m, cost_cents (0 where sound already, -1 where nothing can be built), gates (new ones),
        left_parcel, right_parcel, left_habitat, right_habitat, geometry. The same whatever the order of the rows.

    Raises
    ------
    CrsError, LayerError
        If layers don't fit each other.
    DesignError
        If a price or a length is out of range.

    Examples
    --------
    >>> def layer(shapes, **columns):
    ...     return gpd.GeoDataFrame(columns, geometry=shapes, crs=32612)
    >>> yard = shapely.box(0, 0, 20, 20)
    >>> ground = layer([yard], parcel_id=["1"]).assign(protected=layer([yard]).geometry, lot=layer([yard]).geometry)
    >>> names = ("new_usd_per_ft", "retrofit_usd_per_ft", "mesh_usd_per_ft2", "new_gate_usd", "gate_repair_usd")
    >>> prices = {f"price_{name}": price for name, price in zip(names, (0.3048, 0.1, 0.0, 4.0, 1.0))}
    >>> pieces = arrange_site(ground, layer([shapely.box(-50, 20, 70, 60)]), edge_within_m=1.0, **prices)
    >>> pieces[["kind", "line", "length_m", "cost_cents"]].to_numpy().tolist()
    [['new', 'edge', 80.0, 8000]]
    """
    standard = standard or BarrierStandard()
    tolerances = Tolerances(gap_m, gate_within_m, gate_width_m, strip_m, 1.0, 100.0)
    for name, value in {**dict(zip(Tolerances._fields, tolerances, strict=True)), "road_width_m": road_width_m}.items():
        if not 0 < value < np.inf:
            raise DesignError(f"{name} is {value}", mend="give a number above 0")
    prices = _price_per_metre(
        standard,
        price_new_usd_per_ft,
        price_retrofit_usd_per_ft,
        price_mesh_usd_per_ft2,
        price_new_gate_usd,
        price_gate_repair_usd,
    )
    check_layers({"ground": ground, "habitat": habitat, "walls": judged_walls, "gates": judged_gates, "roads": roads,
                  "wash_ground": wash_ground, "easements": easements, "more_lines": more_lines})  # fmt: skip
    given = (
        price_new_usd_per_ft,
        price_retrofit_usd_per_ft,
        price_mesh_usd_per_ft2,
        price_new_gate_usd,
        price_gate_repair_usd,
    )
    invented = [name for name, value in zip(_INVENTED, given, strict=True) if value == _INVENTED[name]]
    if invented:
        warnings.warn(
            f"invented prices stand in arrange_site: {', '.join(invented)}; give your own", Assumed, stacklevel=2
        )

    lots, protected, houses, fronts = (_column(ground, name) for name in ("lot", "protected", "house", "front"))
    lots = np.where(shapely.is_empty(lots), protected, lots)
    desert = _parts(habitat.geometry.to_numpy())
    barred = np.concatenate(
        [widen_roads(roads, road_width_m, units), *(_polygons(layer) for layer in (wash_ground, easements))]
    )
    candidates = draw_candidates(lots, protected, desert, barred, more_lines, edge_within_m)
    walls, first_candidate = _walls_and_candidates(judged_walls, candidates, ground)
    linework = _draw(houses[~shapely.is_empty(houses)], walls, judged_gates, standard.snap_m, tolerances, units)
    linework = _price_joints(linework, first_candidate)
    linework = linework._replace(cost_per_m=_cost_per_metre(linework, first_candidate, prices))

    item_of, rank = _ranked(linework)
    drawn = split(linework.lines), split(_rings(np.concatenate([lots, protected, desert, barred])))
    del walls, candidates  # large, and drawn: what follows works on segments and the plan
    linework = linework._replace(lines=np.zeros(0, dtype=object))
    plan = arrange_segments(
        np.concatenate([segments for segments, _ in drawn]),
        np.append(rank[drawn[0][1]], np.full(len(drawn[1][1]), NOTHING, dtype=np.intp)),
    )
    del drawn
    item = item_of(plan.rank)
    labels = _label(
        plan, ground["parcel_id"].astype(str).to_numpy(dtype=object), lots, protected, houses, desert, barred, strip_m
    )
    plan = plan._replace(faces=np.zeros(0, dtype=object), inside=shapely.STRtree([]))  # only edges are drawn
    return draw_pieces(ground, plan, linework, item, labels, first_candidate, prices, fronts, standard)


def _price_per_metre(
    standard: BarrierStandard, new: float, retrofit: float, mesh: float, gate: float, repair: float
) -> Prices:
    given = {
        "new_usd_per_ft": new,
        "retrofit_usd_per_ft": retrofit,
        "mesh_usd_per_ft2": mesh,
        "new_gate_usd": gate,
        "gate_repair_usd": repair,
    }
    for name, value in given.items():
        if not 0 <= value < np.inf:
            raise DesignError(f"price_{name} is {value}", mend="give 0 or more")
    cloth = mesh * (standard.height_m + standard.burial_m) / METRES_PER_FOOT
    per_m = 100 / METRES_PER_FOOT
    return Prices((new + cloth) * per_m, (retrofit + cloth) * per_m, (new + cloth) * per_m, gate * 100, repair * 100)


def _column(ground: gpd.GeoDataFrame, name: str) -> Shapes:
    if name not in ground.columns:
        return np.full(len(ground), shapely.Polygon(), dtype=object)
    shapes = np.asarray(ground[name].to_numpy(), dtype=object).copy()
    shapes[shapely.is_missing(shapes)] = shapely.Polygon()
    return shapely.force_2d(shapes)


def _parts(shapes: Shapes) -> Shapes:
    parts = shapely.get_parts(shapely.force_2d(np.asarray(shapes, dtype=object)))
    return np.asarray(parts[(shapely.get_dimensions(parts) == 2) & ~shapely.is_empty(parts)], dtype=object)


def _polygons(layer: gpd.GeoDataFrame | None) -> Shapes:
    return np.zeros(0, dtype=object) if layer is None else _parts(layer.geometry.to_numpy())


def _walls_and_candidates(
    judged_walls: gpd.GeoDataFrame | None, candidates: Shapes, ground: gpd.GeoDataFrame
) -> tuple[gpd.GeoDataFrame, int]:
    """Put possible lines behind the walls that stand; return the row of the first."""
    standing = np.zeros(0, dtype=object) if judged_walls is None else judged_walls.geometry.to_numpy()
    sound = (
        np.zeros(0, dtype=bool)
        if judged_walls is None
        else judged_walls["sound_now"].astype("boolean").fillna(False).to_numpy(dtype=bool)
    )
    shapes = np.concatenate([standing, candidates])
    flags = np.append(sound, np.zeros(len(candidates), dtype=bool))
    return gpd.GeoDataFrame({"sound_now": flags}, geometry=shapes, crs=ground.crs), len(standing)


def _price_joints(linework: Linework, first_candidate: int) -> Linework:
    """Count joints as standing only between lines that stand; beside a possible line they are built with it."""
    kind, row = linework.kind[linework.item_at], linework.row[linework.item_at]
    candidates = np.flatnonzero((linework.kind == WALL) & (linework.row >= first_candidate))
    joint = np.flatnonzero(kind == JOINT)
    if not len(joint) or not len(candidates):
        return linework
    standing = shapely.STRtree(linework.lines[(kind == HOUSE) | ((kind == WALL) & (row < first_candidate))])
    ends = np.asarray(shapely.points(shapely.get_coordinates(linework.lines[joint])), dtype=object)
    held = np.zeros(len(ends), dtype=bool)
    held[standing.query(ends, predicate="dwithin", distance=_TOUCH_M)[0]] = True
    item_at = linework.item_at.copy()
    item_at[joint[~held.reshape(-1, 2).all(axis=1)]] = candidates[0]
    return linework._replace(item_at=item_at)


def _cost_per_metre(linework: Linework, first_candidate: int, prices: Prices) -> Floats:
    """Cents for a metre of each item; a gate's sum over its width."""
    kind, row = linework.kind, linework.row
    width_m = np.zeros(len(kind))  # walls drawn on each other each have the gate: its width counts once
    np.maximum.at(width_m, linework.item_at, shapely.length(linework.lines))
    cost = np.zeros(len(kind))
    cost[kind == WALL] = np.where(row[kind == WALL] >= first_candidate, prices.new, prices.retrofit)
    cost[kind == GAP] = prices.gap
    gates = (kind == GATE) & (width_m > 0)
    cost[gates] = prices.repair / width_m[gates]
    return cost


def _label(
    plan: Arrangement,
    ids: NDArray[np.object_],
    lots: Shapes,
    protected: Shapes,
    houses: Shapes,
    desert: Shapes,
    barred: Shapes,
    strip_m: float,
) -> Labels:
    faces = len(plan.faces)
    marks = np.zeros((2, faces), dtype=bool)
    for mark, shapes in zip(marks, (houses, barred), strict=True):
        mark[find_faces_in(plan, shapes)[1]] = True
    covered, no_line = marks
    desert_at, desert_face = find_faces_in(plan, desert)
    target_lot, target_face = find_faces_in(plan, protected)
    asked = np.union1d(desert_face, target_face)
    wide = np.zeros(faces, dtype=bool)
    wide[asked] = wide_enough(plan.faces[asked], strip_m)
    wild = np.zeros(faces, dtype=bool)
    wild[desert_face[wide[desert_face] | ~wide_enough(desert, strip_m)[desert_at]]] = True
    if not len(desert):
        wild = plan.outer.copy()
    chosen = wide[target_face] & ~covered[target_face] & ~no_line[target_face]
    left_out = np.setdiff1d(target_lot[~chosen & wide[target_face] & ~covered[target_face]], target_lot[chosen])
    if len(left_out):
        shown = ", ".join(ids[left_out[:10]])
        warnings.warn(
            f"{len(left_out):,} lots have no protected ground outside roads, washes and easements: {shown}",
            Noticed,
            stacklevel=4,
        )
    return Labels(
        owner_of(target_face[chosen], target_lot[chosen], ids, faces),
        _first_lot(plan, lots),
        wild & ~covered,
        no_line,
    )


def _first_lot(plan: Arrangement, lots: Shapes) -> Ints:
    at, face = find_faces_in(plan, lots)
    first = np.full(len(plan.faces), len(lots), dtype=np.intp)
    np.minimum.at(first, face, at)
    first[first == len(lots)] = -1
    return first
