"""Lay out a site: ground faces, the barriers on their edges, where the animals and the protected grounds are."""

from __future__ import annotations

import warnings
from typing import TYPE_CHECKING, Any, NamedTuple

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from geotools.closure._arrangement import (
    NOTHING,
    Arrangement,
    arrange,
    find_faces_in,
    wide_enough,
)
from geotools.closure._linework import Linework, draw_linework
from geotools.errors import Assumed, CrsError, LayerError, Noticed
from geotools.units import write_length

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from geotools.design import BarrierStandard

    Floats = NDArray[np.float64]
    Ints = NDArray[np.intp]
    Flags = NDArray[np.bool_]
    Shapes = NDArray[np.object_]

__all__ = ["Site", "Tolerances", "check_layers", "lay_out"]


class Tolerances(NamedTuple):
    """Lengths in metres that decide what counts as a gap, a gate in a wall and a strip, and the costs of repairs."""

    gap_m: float
    gate_within_m: float
    gate_width_m: float
    strip_m: float
    gate_cost_m: float
    gap_cost_pct: float


class Site(NamedTuple):
    """An arrangement with its labels.

    Per edge `item` (position in the linework's items, -1 where nothing stands) and `sound`; per face `source` (animals
    live there); pairs `target_lot`, `target_face` of the protected grounds; `stubs` the loose segments of sound
    barriers.
    """

    plan: Arrangement
    linework: Linework
    item: Ints
    sound: Flags
    source: Flags
    target_lot: Ints
    target_face: Ints
    stubs: Floats


def check_layers(layers: dict[str, gpd.GeoDataFrame | None]) -> None:
    """Refuse layers without a CRS, in degrees or in different CRSs, and tables that lack what closure needs.

    Raises
    ------
    CrsError, LayerError
    """
    given = {name: layer for name, layer in layers.items() if layer is not None}
    first: Any = given["ground"].crs
    for name, layer in given.items():
        if layer.crs is None:
            raise CrsError("there is no coordinate reference system", where=name, mend="say which one the layer is in")
        if not layer.crs.is_projected:
            raise CrsError(f"{layer.crs.name} is in degrees", where=name, mend="reproject to the working CRS in metres")
        if layer.crs != first:
            raise CrsError(f"{layer.crs.name} is not {first.name}", where=name, mend="reproject the layers to one CRS")
    for name, column, step in (
        ("ground", "protected", "find_lot_ground"),
        ("walls", "sound_now", "judge_walls"),
        ("gates", "sound_now", "judge_gates"),
    ):
        if name in given and column not in given[name].columns:
            raise LayerError(f"there is no column {column!r}", where=name, mend=f"run {step} first")
    for name, dimension, mend in (
        ("habitat", 2, "give polygons: run widen_washes for wash lines"),
        ("walls", 1, "give lines"),
        ("gates", 0, "give points"),
    ):
        if name not in given:
            continue
        shapes = given[name].geometry.to_numpy()
        wrong = np.flatnonzero(
            ~shapely.is_missing(shapes) & ~shapely.is_empty(shapes) & (shapely.get_dimensions(shapes) != dimension)
        )
        if len(wrong):
            raise LayerError(
                f"{shapes[wrong[0]].geom_type} can't be used", where=f"{name}, row {wrong[0] + 1}", mend=mend
            )


def lay_out(
    protected: Shapes,
    houses: Shapes,
    habitat: Shapes,
    walls: gpd.GeoDataFrame,
    gates: gpd.GeoDataFrame | None,
    *,
    standard: BarrierStandard,
    tolerances: Tolerances,
    units: str,
) -> Site:
    """Cut the site into faces and label them.

    Parameters
    ----------
    protected : array of polygons, one per lot
    houses, habitat : arrays of polygons
    walls, gates : GeoDataFrame
        Judged.
    standard, tolerances
        Lengths.

    Returns
    -------
    Site

    Raises
    ------
    LayerError
        If the site is too large for one arrangement.
    """
    linework = _draw(houses, walls, gates, standard.snap_m, tolerances, units)
    outlines = _rings(np.concatenate([protected, habitat]))
    item_of, rank = _ranked(linework)
    plan = arrange(
        np.concatenate([linework.lines, outlines]), np.append(rank, np.full(len(outlines), NOTHING, dtype=np.intp))
    )
    item, loose = item_of(plan.rank), item_of(plan.loose_rank)
    stubs = plan.loose[(loose >= 0) & linework.sound[loose]]

    covered = np.zeros(len(plan.faces), dtype=bool)
    covered[find_faces_in(plan, houses)[1]] = True
    wide = np.zeros(len(plan.faces), dtype=bool)
    habitat_at, habitat_face = find_faces_in(plan, habitat)
    target_lot, target_face = find_faces_in(plan, protected)
    asked = np.union1d(habitat_face, target_face)
    wide[asked] = wide_enough(plan.faces[asked], tolerances.strip_m)
    # A strip of habitat across a wall is survey noise, unless the habitat itself is no wider.
    whole = wide[habitat_face] | ~wide_enough(habitat, tolerances.strip_m)[habitat_at]
    source = np.zeros(len(plan.faces), dtype=bool)
    source[habitat_face[whole]] = True
    if not len(habitat):
        source = plan.outer.copy()
    chosen = wide[target_face] & ~covered[target_face]
    sound = (item >= 0) & linework.sound[item]
    return Site(plan, linework, item, sound, source & ~covered, target_lot[chosen], target_face[chosen], stubs)


def _draw(
    houses: Shapes,
    walls: gpd.GeoDataFrame,
    gates: gpd.GeoDataFrame | None,
    snap_m: float,
    tolerances: Tolerances,
    units: str,
) -> Linework:
    shapes = walls.geometry.to_numpy()
    lines, row = shapely.get_parts(shapely.force_2d(shapes), return_index=True)
    real = shapely.length(lines) > 0
    bad = len(shapes) - len(np.unique(row[real]))
    if bad:
        warnings.warn(f"{bad:,} of {len(shapes):,} walls have no length: left out", Noticed, stacklevel=4)
    if gates is None:
        gates = gpd.GeoDataFrame({"sound_now": np.zeros(0, dtype=bool)}, geometry=[], crs=walls.crs)
    points = gates.geometry.to_numpy().copy()
    points[shapely.is_missing(points)] = shapely.Point()
    points = shapely.centroid(points)
    widths_m = (
        pd.to_numeric(gates["width_m"]).to_numpy(dtype=np.float64, na_value=np.nan)
        if "width_m" in gates.columns
        else np.full(len(gates), np.nan)
    )
    unknown = ~(widths_m > 0)
    if unknown.any():
        wide = write_length(tolerances.gate_width_m, units=units)
        warnings.warn(
            f"{unknown.sum():,} of {len(gates):,} gates have no width: taken as {wide}", Assumed, stacklevel=4
        )
    linework = draw_linework(
        _rings(houses),
        np.asarray(lines[real], dtype=object),
        row[real],
        walls["sound_now"].astype("boolean").fillna(False).to_numpy(dtype=bool),
        points,
        gates["sound_now"].astype("boolean").fillna(False).to_numpy(dtype=bool),
        np.where(unknown, tolerances.gate_width_m, widths_m),
        snap_m=snap_m,
        gap_m=tolerances.gap_m,
        gate_within_m=tolerances.gate_within_m,
        gate_cost_m=tolerances.gate_cost_m,
        gap_cost_ratio=tolerances.gap_cost_pct / 100,
    )
    if len(linework.unplaced):
        rows = ", ".join(str(number + 1) for number in linework.unplaced[:10])
        more = " and more" if len(linework.unplaced) > 10 else ""
        warnings.warn(
            f"{len(linework.unplaced):,} of {len(gates):,} gates stand more than "
            f"{write_length(tolerances.gate_within_m, units=units)} from any wall and are left out: "
            f"gates, row {rows}{more}",
            Noticed,
            stacklevel=4,
        )
    return linework


def _ranked(linework: Linework) -> tuple[Callable[[Ints], Ints], Ints]:
    """Rank each line by its barrier: by kind, then sound before unsound, then the cheapest; and tell a rank's item."""
    by_rank = np.lexsort((linework.cost_per_m, ~linework.sound, linework.kind))
    rank = np.empty(len(by_rank), dtype=np.intp)
    rank[by_rank] = np.arange(len(by_rank))

    def item_of(ranks: Ints) -> Ints:
        return np.asarray(np.append(by_rank, -1)[np.minimum(ranks, len(by_rank))], dtype=np.intp)

    return item_of, rank[linework.item_at]


def _rings(polygons: Shapes) -> Shapes:
    return np.asarray(shapely.get_rings(shapely.get_parts(shapely.force_2d(polygons))), dtype=object)
