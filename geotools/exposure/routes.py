"""Draw the easiest way from habitat into the yard of chosen lots."""

from __future__ import annotations

import warnings
from typing import TYPE_CHECKING, Any, NamedTuple

import geopandas as gpd
import numpy as np
import shapely

from geotools.errors import LayerError, Noticed
from geotools.exposure._ways import Ways, fields_of, prepare_ways, reach_lots, spread_over
from geotools.rasters import Raster
from geotools.signature import AllLots

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

__all__ = ["draw_routes"]


def draw_routes(
    parcels: gpd.GeoDataFrame,
    habitat_surface: gpd.GeoDataFrame,
    scored_lots: AllLots | None = None,
    buildings: gpd.GeoDataFrame | None = None,
    roads: gpd.GeoDataFrame | None = None,
    judged_walls: gpd.GeoDataFrame | None = None,
    judged_gates: gpd.GeoDataFrame | None = None,
    openings: gpd.GeoDataFrame | None = None,
    vegetation: gpd.GeoDataFrame | Raster | None = None,
    ground: gpd.GeoDataFrame | None = None,
    *,
    parcel_ids: list[str] | None = None,
    top_count: int = 20,
    cell_m: float = 3.0,
    farthest_m: float = 750.0,
    green_index: float | str = 0.2,
    road_width_m: float = 8.0,
    resistance: dict[str, float] | None = None,
) -> gpd.GeoDataFrame:
    """Draw the least-cost way from habitat into the yard of chosen lots.

    Parameters
    ----------
    parcels, habitat_surface, buildings, roads, judged_walls, judged_gates, openings, vegetation, ground
        As `measure_movement` takes them.
    scored_lots : GeoDataFrame, optional
        With `exposure_rank`; without ids its first `top_count` lots are drawn.
    parcel_ids : list of str, optional
        The lots to draw.
    top_count : int
        How many lots to draw where no ids are given; the first ones of the layer without scores.
    cell_m, farthest_m, green_index, road_width_m, resistance
        As `measure_movement` takes them.

    Returns
    -------
    GeoDataFrame
        parcel_id, kind (of the habitat it starts in), cost_m, length_m, geometry (line from the habitat to the yard
        along the middles of cells); one row per lot that has a way and no habitat on it.

    Raises
    ------
    LayerError
        If there is no lot of an id, or the habitat has no kinds.
    DesignError
        If a length or a resistance is out of range.

    Examples
    --------
    >>> lot = gpd.GeoDataFrame({"parcel_id": ["1"]}, geometry=[shapely.box(20, 0, 40, 40)], crs=32612)
    >>> desert = gpd.GeoDataFrame({"kind": ["open desert"], "quality": [1.0]}, geometry=[shapely.box(0, 0, 10, 40)])
    >>> draw_routes(lot, desert.set_crs(32612), cell_m=1.0)[["kind", "cost_m", "length_m"]].values.tolist()
    [['open desert', 20.0, 12.0]]
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
    ids = parcels["parcel_id"][ways.usable].to_numpy()
    chosen = _chosen(ids, parcel_ids, top_count, scored_lots)
    chosen_ways = ways._replace(targets=ways.targets[chosen], free_m=ways.free_m[chosen])
    found = _routes(chosen_ways, habitat_surface)
    lost = len(chosen) - len(found)
    if lost:
        warnings.warn(
            f"{lost:,} of {len(chosen):,} lots have no way to draw: habitat is on them or out of {farthest_m:g} m",
            Noticed,
            stacklevel=2,
        )
    return gpd.GeoDataFrame(
        {
            "parcel_id": [ids[chosen[route.lot]] for route in found],
            "kind": [route.kind for route in found],
            "cost_m": [route.cost_m for route in found],
            "length_m": [float(shapely.length(route.line)) for route in found],
        },
        geometry=gpd.GeoSeries([route.line for route in found], crs=parcels.crs),
    )


class _Route(NamedTuple):
    lot: int
    kind: str
    cost_m: float
    line: Any


def _chosen(
    ids: NDArray[Any], parcel_ids: Sequence[str] | None, top_count: int, scored_lots: gpd.GeoDataFrame | None
) -> NDArray[np.intp]:
    if parcel_ids is not None:
        place = {parcel: number for number, parcel in enumerate(ids)}
        unknown = [parcel for parcel in parcel_ids if parcel not in place]
        if unknown:
            raise LayerError(f"there is no lot {unknown[0]!r}", where="parcel_ids", mend="check the ids")
        return np.array([place[parcel] for parcel in parcel_ids], dtype=np.intp)
    if scored_lots is None:
        return np.arange(min(top_count, len(ids)))
    ranks = scored_lots.set_index("parcel_id")["exposure_rank"]
    known = ranks[~ranks.index.duplicated()].reindex(ids).astype("Float64")
    return np.argsort(known.to_numpy(dtype=np.float64, na_value=np.inf), kind="stable")[:top_count]


def _routes(ways: Ways, habitat_surface: gpd.GeoDataFrame) -> list[_Route]:
    surface_tree, kinds = shapely.STRtree(habitat_surface.geometry.to_numpy()), habitat_surface["kind"].to_numpy()
    shapes = np.concatenate(list(ways.sources.values()))
    found: list[_Route] = []
    for some, field in fields_of(ways._replace(sources={"any": shapes})):
        spread = spread_over(field, "any", farthest_m=ways.farthest_m, traced=True)
        reached = reach_lots(field, "any", spread)
        cost_m = reached.cost_m - ways.free_m[some]
        drawn = (cost_m > 0) & (cost_m <= ways.farthest_m)
        for at in np.flatnonzero(drawn).tolist():
            number, way = int(reached.last[at]), [reached.place[at]]
            while 0 <= number < len(spread.before):
                way.append(field.graph.places[number])
                first, number = number, int(spread.before[number])
            xy = field.window.in_metres(np.array([spread.begun[first], *reversed(way)]))
            kind = str(kinds[int(surface_tree.nearest(shapely.points(xy[0])))])
            found.append(_Route(int(some[at]), kind, float(cost_m[at]), shapely.linestrings(_without_doubles(xy))))
    return sorted(found, key=lambda route: route.lot)


def _without_doubles(xy: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.asarray(xy[np.append(True, np.any(xy[1:] != xy[:-1], axis=1))])
