"""Show what would change a lot's exposure: the recommended barrier, clearing cover, closing the wash."""

from __future__ import annotations

import warnings
from typing import TYPE_CHECKING, Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from geotools.errors import LayerError, Noticed
from geotools.exposure._ways import Ways, cost_of_lots, prepare_ways
from geotools.exposure.score import decay_of, factor_values, nearness_at, points_of, weights_for
from geotools.rasters import Raster

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["compare_scenarios"]

_FROM_OUTSIDE = ("contact", "desert", "wash", "habitat", "encounters")
"""What counts nothing on ground that no way leads to."""
_MOUTH_M = 6.0
"""Length of a wash, where it leaves open desert, that is closed with the gap (assumption of this project)."""


def compare_scenarios(
    parcels: gpd.GeoDataFrame,
    scored_lots: gpd.GeoDataFrame,
    factors: gpd.GeoDataFrame,
    habitat_surface: gpd.GeoDataFrame,
    movement: gpd.GeoDataFrame,
    barrier_lines: gpd.GeoDataFrame | None = None,
    weights: pd.DataFrame | None = None,
    buildings: gpd.GeoDataFrame | None = None,
    roads: gpd.GeoDataFrame | None = None,
    judged_walls: gpd.GeoDataFrame | None = None,
    judged_gates: gpd.GeoDataFrame | None = None,
    openings: gpd.GeoDataFrame | None = None,
    vegetation: gpd.GeoDataFrame | Raster | None = None,
    ground: gpd.GeoDataFrame | None = None,
    *,
    cell_m: float = 3.0,
    farthest_m: float = 750.0,
    green_index: float | str = 0.2,
    road_width_m: float = 8.0,
    resistance: dict[str, float] | None = None,
    factor_weights: dict[str, float] | None = None,
) -> gpd.GeoDataFrame:
    """Score each lot again as if one thing had been done, all else being as it is.

    - The recommended barrier: its lines can't be crossed, and ways in are sought anew for every lot.
      Where no way is left, contact, nearness, habitat and records count nothing; cover and footholds on the lot still
      do. The barrier is taken as whole: no barrier is a guarantee.
    - Clearing: no cover, no footholds, nothing that attracts on the lot.
    - Closing the wash: the wash is no habitat and no route, and can't be entered where it leaves open desert. Whether a
      wash may be closed at all is for the flood control office to say.

    Parameters
    ----------
    parcels : GeoDataFrame, n rows
    scored_lots, factors, movement : GeoDataFrame, n rows
        As their steps give them.
    habitat_surface : GeoDataFrame
        As `map_habitat_surface` gives it.
    barrier_lines : GeoDataFrame, optional
        Lines with `recommended`.
    weights : DataFrame, optional
        The weights of the score.
    buildings, roads, judged_walls, judged_gates, openings, vegetation, ground
        As `measure_movement` took them.
    cell_m, farthest_m, green_index, road_width_m, resistance
        As `measure_movement` took them.
    factor_weights : dict of str to float, optional
        Weights in place of the table's.

    Returns
    -------
    GeoDataFrame, n rows on the parcels' index
        parcel_id, exposure, exposure_with_barrier, exposure_if_cleared, exposure_if_wash_closed (missing where it
        doesn't apply), way_left (whether a way in is left with the barrier), best_change, geometry.

    Raises
    ------
    LayerError
        If the tables are not of the same parcels.
    DesignError
        If a length or a resistance is out of range.

    Examples
    --------
    >>> from geotools.steps import find_step
    >>> find_step("compare_scenarios").layers["barrier_lines"]
    False
    """
    for name, given in {"scored_lots": scored_lots, "factors": factors, "movement": movement}.items():
        if not given.index.equals(parcels.index):
            raise LayerError("it is not of the same parcels", where=name, mend="make it from the same parcels")

    def ways_with(surface: gpd.GeoDataFrame, sealed: list[Any]) -> Ways:
        return prepare_ways(
            parcels,
            surface,
            buildings,
            roads,
            judged_walls,
            judged_gates,
            openings,
            vegetation,
            ground,
            cell_m=cell_m,
            farthest_m=farthest_m,
            green_index=green_index,
            road_width_m=road_width_m,
            resistance=resistance,
            sealed=sealed,
        )

    lines = [] if barrier_lines is None else _recommended(barrier_lines)
    ways = ways_with(habitat_surface, lines)
    usable = ways.usable
    decay_m = decay_of(scored_lots)
    values = nearness_at(factor_values(factors), decay_of(factors), decay_m)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", Noticed)  # the score has said it
        weighed = weights_for(list(values.columns), weights, factor_weights)

    def scored(changed: pd.DataFrame) -> pd.Series:
        points = points_of(changed.to_numpy()[usable], weighed, names=list(changed.columns))
        return pd.Series(np.nansum(points, axis=1).round(6), index=parcels.index[usable]).reindex(parcels.index)

    columns: dict[str, pd.Series] = {"exposure": scored_lots["exposure"]}
    way_left = pd.Series(pd.NA, index=parcels.index, dtype="boolean")
    if len(lines):
        with_barrier = cost_of_lots(ways)
        changed = _with_costs(values, movement, with_barrier, usable, decay_m)
        left = np.isfinite(np.column_stack([np.where(np.isnan(cost), np.inf, cost) for cost in with_barrier.values()]))
        now = np.isfinite(movement.filter(like="_cost_m").fillna(np.inf).to_numpy()[usable]).any(axis=1)
        shut = parcels.index[usable][now & ~left.any(axis=1)]
        for name in _FROM_OUTSIDE:
            if name in changed:
                changed.loc[shut, name] = changed.loc[shut, name].where(changed.loc[shut, name].isna(), 0.0)
        way_left.loc[parcels.index[usable]] = left.any(axis=1)
        columns["exposure_with_barrier"] = scored(changed)
    cleared = values.copy()
    for name in ("cover", "footholds", "attractants"):
        if name in cleared:
            cleared[name] = cleared[name].where(cleared[name].isna(), 0.0)
    columns["exposure_if_cleared"] = scored(cleared)
    if len(ways.sources["wash"]) and "wash" in values:
        dry = ways_with(habitat_surface[habitat_surface["kind"] != "wash"], _mouths(habitat_surface))
        closed = cost_of_lots(dry._replace(sources={"desert": dry.sources["desert"]}))
        changed = _with_costs(values, movement, closed, usable, decay_m)
        changed["wash"] = changed["wash"].where(changed["wash"].isna(), 0.0)
        columns["exposure_if_wash_closed"] = scored(changed)
    table = pd.DataFrame(columns)
    return gpd.GeoDataFrame(
        {"parcel_id": parcels["parcel_id"], **columns, "way_left": way_left, "best_change": _best(table)},
        geometry=parcels.geometry,
    )


def _recommended(barrier_lines: gpd.GeoDataFrame) -> list[Any]:
    lines = barrier_lines.geometry.to_numpy()[barrier_lines["recommended"].to_numpy(dtype=bool)]
    return list(lines[~(shapely.is_missing(lines) | shapely.is_empty(lines))])


def _with_costs(
    values: pd.DataFrame,
    movement: gpd.GeoDataFrame,
    costs: dict[str, NDArray[np.float64]],
    usable: NDArray[np.bool_],
    decay_m: float,
) -> pd.DataFrame:
    """The factors with nearness by other costs; a change never brings habitat nearer than it is."""
    changed = values.copy()
    index = values.index[usable]
    for name, column in costs.items():
        factor = name.removesuffix("_cost_m")
        if factor in changed and not np.isnan(column).all():
            cost_m = np.fmax(column, movement[name].to_numpy()[usable])
            nearness = pd.Series(np.exp(-cost_m / decay_m), index=index)
            changed.loc[index, factor] = np.fmin(changed.loc[index, factor], nearness)
    return changed


def _mouths(habitat_surface: gpd.GeoDataFrame) -> list[Any]:
    """Ground of the washes just outside open desert: where a wash leads out of it."""
    wash = (habitat_surface["kind"] == "wash").to_numpy()
    desert = (habitat_surface["kind"] == "open desert").to_numpy()
    if not desert.any():
        return []
    shapes = habitat_surface.geometry.to_numpy()
    rim = shapely.buffer(shapely.union_all(shapes[desert]), _MOUTH_M)
    parts = shapely.get_parts(shapely.intersection(shapely.union_all(shapes[wash]), rim))
    return [part for part in parts if part.area > 0]


def _best(table: pd.DataFrame) -> pd.Series:
    """Name what lowers each lot's exposure most."""
    names = {
        "exposure_with_barrier": "the barrier",
        "exposure_if_cleared": "clearing cover",
        "exposure_if_wash_closed": "closing the wash",
    }
    drops = pd.DataFrame({names[c]: table["exposure"] - table[c] for c in names if c in table.columns}).fillna(0.0)
    best = drops.idxmax(axis=1).where(drops.max(axis=1) > 0.05, "none of these")
    most = drops.max(axis=1)
    said = [
        f"{name}: {drop:.0f} points less" if name != "none of these" else name
        for name, drop in zip(best, most, strict=True)
    ]
    return pd.Series(said, index=table.index, dtype=str).where(table["exposure"].notna(), "not scored")
