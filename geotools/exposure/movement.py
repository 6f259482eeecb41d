"""Measure how far each lot is from habitat as the ground is crossed."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd

from geotools.errors import LayerError
from geotools.exposure._ways import cost_of_lots, prepare_ways
from geotools.rasters import Raster

__all__ = ["measure_movement"]

_ERROR_CELLS = 2.5
"""On the sample 19 of 20 costs over cells of 2, 3 and 4 m lie within 5 cells of those over cells of 1 m, which is two
standard errors."""


def measure_movement(
    parcels: gpd.GeoDataFrame,
    habitat_surface: gpd.GeoDataFrame,
    buildings: gpd.GeoDataFrame | None = None,
    roads: gpd.GeoDataFrame | None = None,
    judged_walls: gpd.GeoDataFrame | None = None,
    judged_gates: gpd.GeoDataFrame | None = None,
    openings: gpd.GeoDataFrame | None = None,
    vegetation: gpd.GeoDataFrame | Raster | None = None,
    ground: gpd.GeoDataFrame | None = None,
    closure: gpd.GeoDataFrame | None = None,
    *,
    cell_m: float = 3.0,
    farthest_m: float = 750.0,
    green_index: float | str = 0.2,
    road_width_m: float = 8.0,
    resistance: dict[str, float] | None = None,
) -> gpd.GeoDataFrame:
    """Measure the least cost of the way from desert and from a wash to each lot's yard.

    The cost of a step between neighbouring cells is its length times the mean resistance of the two (the widely
    published rule of cost distance). Resistance 1 is natural ground, so that a cost is in metres of it; roads, bare
    ground and yards cost more, sound walls and houses can't be crossed, openings and unsound walls can; crossing such a
    wall counts as a metre of it. Every step is tested against the walls themselves, so that none leaks between cells;
    openings, narrow places and the ends of walls are places of their own, so that a way narrower than a cell is found.
    Steps go in eight directions: a way is at most 8.3 % longer than the straightest. Windows with a halo of
    `farthest_m` hold every way of that cost, so that the result does not hang on how the ground is cut.

    Parameters
    ----------
    parcels : GeoDataFrame, n rows
        Polygons in a projected CRS in metres.
    habitat_surface : GeoDataFrame
        Polygons with `kind` (`wash` or other) and `quality`; pieces of at least half quality are where ways begin.
    buildings, roads : GeoDataFrame, optional
        Roads as polygons or lines with `width_m`.
    judged_walls, judged_gates : GeoDataFrame, optional
        With `sound_now`.
    openings : GeoDataFrame, optional
        Known openings; within half a metre of their middle no wall stands.
    vegetation : GeoDataFrame or Raster, optional
        Polygons with `cover`, or a raster.
    ground : GeoDataFrame, n rows, optional
        With `protected`, the ground to reach; else the lot less its buildings.
    closure : GeoDataFrame, n rows, optional
        With `closed_now`: ground that is proved closed is not reached, whatever the cells say.
    cell_m : float
        Size of a cell, metres. Half of a town's costs are true to about a cell, most to five (measured on the sample
        against cells of 1 m).
    farthest_m : float
        Costs above this are not looked for, metres of natural ground (assumption of this project: five decay lengths).
    green_index : float or str
        Threshold of the vegetation index, or "otsu" for the one that the raster shows.
    road_width_m : float
        Width of a road line without one, metres (assumption of this project).
    resistance : dict of str to float, optional
        Resistances other than those of the table of this project: desert, wash, vegetation, bare, yard, road, unsound
        wall, opening, building, sound wall; 0 for what can't be crossed.

    Returns
    -------
    GeoDataFrame, n rows on the parcels' index
        parcel_id, desert_cost_m, wash_cost_m (infinite where there is no way within `farthest_m`, NaN where the lot has
        no outline or there is no such habitat at all), cost_error_m (2.5 cells: the standard error that the grid leaves
        in a cost, measured on the sample; `rank_uncertainty` draws with it), geometry.

    Raises
    ------
    DesignError
        If a length or a resistance is out of range.
    LayerError
        If the habitat has no kinds, or a table is not of the same parcels.

    Examples
    --------
    >>> import shapely
    >>> lot = gpd.GeoDataFrame({"parcel_id": ["1"]}, geometry=[shapely.box(20, 0, 40, 40)], crs=32612)
    >>> desert = gpd.GeoDataFrame({"kind": ["open desert"], "quality": [1.0]}, geometry=[shapely.box(0, 0, 10, 40)])
    >>> measure_movement(lot, desert.set_crs(32612), cell_m=1.0)["desert_cost_m"].tolist()
    [20.0]
    """
    ways = prepare_ways(
        parcels,
        habitat_surface,
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
    )
    costs = cost_of_lots(ways)
    if closure is not None:
        if not closure.index.equals(parcels.index):
            raise LayerError("it is not of the same parcels", where="closure", mend="make it from the same parcels")
        closed = closure["closed_now"].astype(bool).to_numpy()[ways.usable]
        costs = {name: np.where(closed & ~np.isnan(cost_m), np.inf, cost_m) for name, cost_m in costs.items()}
    table = pd.DataFrame(costs, index=parcels.index[ways.usable]).reindex(parcels.index)
    return gpd.GeoDataFrame(
        {"parcel_id": parcels["parcel_id"], **table, "cost_error_m": _ERROR_CELLS * cell_m}, geometry=parcels.geometry
    )
