"""Find the least cost of the ways from habitat to each lot, window by window."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple

import geopandas as gpd
import numpy as np
import shapely

from geotools.errors import DesignError, LayerError
from geotools.exposure._crossings import meet_walls
from geotools.exposure._field import Field, lay_field
from geotools.exposure._graph import lay_graph, spread_cost
from geotools.exposure._surface import Ground, gather_ground, lay_grid
from geotools.windows import group_near

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import ArrayLike, NDArray

    from geotools.rasters import Raster

__all__ = [
    "Reached",
    "Spread",
    "Ways",
    "accumulate_cost",
    "cost_of_lots",
    "fields_of",
    "prepare_ways",
    "reach_lots",
    "spread_over",
]

WINDOW_M2 = 12e6
"""Lots whose ways are found in one window lie within about this."""
_GOOD = 0.5
"""Habitat of at least this quality is where ways begin (assumption of this project)."""
_INTO_M = 1.0
"""A way begins this far inside habitat and ends this far inside a yard, where they are wide enough: a wall drawn so
near to the edge that it follows stands on the edge (assumption of this project)."""
_LEAST_M2 = 4.0
"""Narrow parts of habitat smaller than this are corners."""
_NEAR = 1.5
"""Habitat and yards are reached in a straight line from middles of cells this near, in cells."""


def accumulate_cost(resistance: ArrayLike, sources: ArrayLike, *, cell_m: float) -> NDArray[np.float64]:
    """Least cost from the nearest source to each cell: length times the mean resistance of each two cells of the way.

    Parameters
    ----------
    resistance : array_like, rows x columns
        Infinite where a cell can't be crossed.
    sources : array_like of bool, rows x columns
    cell_m : float
        Metres.

    Returns
    -------
    numpy.ndarray, float64, rows x columns
        Infinite where there is no way.

    Examples
    --------
    >>> accumulate_cost([[1, 3, 1]], [[True, False, False]], cell_m=2.0).round(6).tolist()
    [[0.0, 4.0, 8.0]]
    """
    graph = lay_graph(np.asarray(resistance, dtype=np.float64), cell_m)
    starts = graph.numbers[np.asarray(sources, dtype=bool)]
    starts = starts[starts >= 0].astype(np.int64)
    costs, _ = spread_cost(graph, starts, np.zeros(len(starts)))
    return np.where(graph.numbers >= 0, np.append(costs, np.inf)[graph.numbers], np.inf)


class Ways(NamedTuple):
    """All that ways are sought with: which lots have an outline, the ground of each to reach, habitat, resistance.

    `free_m` is what the strips within the habitat and within the yard cost, which no way is charged for.
    """

    usable: NDArray[np.bool_]
    targets: NDArray[Any]
    free_m: NDArray[np.float64]
    sources: dict[str, NDArray[Any]]
    ground: Ground
    cell_m: float
    farthest_m: float


class Spread(NamedTuple):
    """For each place of a graph its cost, the place before it, and where in the habitat a way begins there."""

    cost_m: NDArray[np.float64]
    before: NDArray[np.int32]
    begun: NDArray[np.float64]


class Reached(NamedTuple):
    """For each lot the least cost, the place of the graph it is reached from (-1: none), and where it is reached."""

    cost_m: NDArray[np.float64]
    last: NDArray[np.int64]
    place: NDArray[np.float64]


def prepare_ways(
    parcels: gpd.GeoDataFrame,
    habitat_surface: gpd.GeoDataFrame,
    buildings: gpd.GeoDataFrame | None,
    roads: gpd.GeoDataFrame | None,
    judged_walls: gpd.GeoDataFrame | None,
    judged_gates: gpd.GeoDataFrame | None,
    openings: gpd.GeoDataFrame | None,
    vegetation: gpd.GeoDataFrame | Raster | None,
    ground: gpd.GeoDataFrame | None,
    *,
    cell_m: float,
    farthest_m: float,
    green_index: float | str,
    road_width_m: float,
    resistance: dict[str, float] | None,
    sealed: Sequence[Any] = (),
) -> Ways:
    """Check and gather what `measure_movement`, `draw_routes` and `compare_scenarios` all take.

    Parameters
    ----------
    parcels, habitat_surface, buildings, roads, judged_walls, judged_gates, openings, vegetation, ground
        As `measure_movement` takes them.
    cell_m, farthest_m, green_index, road_width_m, resistance
        As `measure_movement` takes them.
    sealed : sequence of geometries
        Lines that can't be crossed and that nothing opens.

    Returns
    -------
    Ways

    Raises
    ------
    DesignError
        If a length or a resistance is out of range.
    LayerError
        If the habitat has no kinds, or the ground is not of the same parcels.
    """
    if not 0 < cell_m < farthest_m < np.inf:
        raise DesignError("a length is out of range", where="movement", mend="give a cell, and a way longer than it")
    if not {"kind", "quality"} <= set(habitat_surface.columns):
        raise LayerError("the habitat has no kind and quality", where="habitat_surface", mend="use map_habitat_surface")
    gathered = gather_ground(
        parcels,
        habitat_surface,
        buildings=buildings,
        roads=roads,
        judged_walls=judged_walls,
        judged_gates=judged_gates,
        openings=openings,
        vegetation=vegetation,
        resistance=resistance,
        green_index=green_index,
        road_width_m=road_width_m,
        sealed=sealed,
    )
    usable, yards = _targets(parcels, buildings, ground)
    inner = shapely.buffer(yards, -_INTO_M, join_style="mitre")
    narrow = shapely.is_empty(inner)
    free_m = np.where(narrow, 0.0, _INTO_M * gathered.yard) + _INTO_M
    targets = np.asarray(np.where(narrow, yards, inner), dtype=object)
    return Ways(usable, targets, free_m, _sources(habitat_surface), gathered, cell_m, farthest_m)


def cost_of_lots(ways: Ways) -> dict[str, NDArray[np.float64]]:
    """Least cost from each kind of source to each target, `<kind>_cost_m`; infinite beyond the farthest."""
    costs = {kind: np.full(len(ways.targets), np.inf if len(s) else np.nan) for kind, s in ways.sources.items()}
    for some, field in fields_of(ways):
        for kind in field.sources:
            reached = reach_lots(field, kind, spread_over(field, kind, farthest_m=ways.farthest_m))
            least = np.maximum(reached.cost_m - ways.free_m[some], 0.0)
            costs[kind][some] = np.where(least <= ways.farthest_m, least, np.inf)
    return {f"{kind}_cost_m": cost_m for kind, cost_m in costs.items()}


def fields_of(ways: Ways) -> Iterator[tuple[NDArray[np.intp], Field]]:
    """Go through the windows: the targets in each, and its field; windows without habitat are left out."""
    trees = {kind: shapely.STRtree(shapes) for kind, shapes in ways.sources.items() if len(shapes)}
    for some in group_near(ways.targets, window_m2=WINDOW_M2):
        bounds = shapely.total_bounds(ways.targets[some])
        window = lay_grid(bounds, cell_m=ways.cell_m, halo_m=ways.farthest_m)
        near = {kind: ways.sources[kind][np.sort(tree.query(window.extent))] for kind, tree in trees.items()}
        near = {kind: shapes for kind, shapes in near.items() if len(shapes)}
        if near:
            yield some, lay_field(window, ways.ground, near, ways.targets[some], ways.farthest_m)


def spread_over(field: Field, kind: str, *, farthest_m: float, traced: bool = False) -> Spread:
    """Spread cost from one kind of habitat over a field; what lies inside the habitat costs nothing."""
    graph = field.graph
    inside = np.zeros(len(graph.places), dtype=bool)
    at = graph.numbers[field.inside[kind]]
    inside[at[at >= 0]] = True
    number, place = _beside(field, kind, inside)
    away_m = np.linalg.norm(graph.places[number] - place, axis=1) * field.window.cell_m
    first_m = away_m * (field.at(place) + graph.resistance[number]) / 2
    first_m = first_m + meet_walls(field.net, place, graph.places[number])
    spread, before = spread_cost(graph, number, first_m, farthest_m=farthest_m, never=inside, traced=traced)
    begun = np.full(graph.places.shape, np.nan)
    begun[number] = place
    return Spread(np.where(inside, 0.0, spread), before, begun)


def reach_lots(field: Field, kind: str, spread: Spread) -> Reached:
    """Find the least cost of each target over the cells in it, and over straight lines to it from places near."""
    targets, count = field.targets, len(field.targets)
    found = Reached(np.full(count, np.inf), np.full(count, -1), np.full((count, 2), np.nan))
    number, target_at = field.within
    _lower(found, spread.cost_m[number], number, target_at, field.graph.places[number])
    on, _ = shapely.STRtree(field.sources[kind]).query(targets, predicate="intersects")
    found.cost_m[np.unique(on)] = 0.0
    number, target_at = field.beside
    # Only what is cheaper than the cells inside can lower the cost.
    kept = spread.cost_m[number] < found.cost_m[target_at]
    number, target_at = number[kept], target_at[kept]
    start = field.graph.places[number]
    lines = shapely.shortest_line(targets[target_at], shapely.points(field.window.in_metres(start)))
    stop = field.window.in_cells(shapely.get_coordinates(shapely.get_point(lines, 0)))
    kept = np.abs(stop - start).max(axis=1, initial=0) <= _NEAR
    number, target_at, start, stop = number[kept], target_at[kept], start[kept], stop[kept]
    mean = (field.graph.resistance[number] + field.at(stop)) / 2
    whole_m = spread.cost_m[number] + shapely.length(lines[kept]) * mean + meet_walls(field.net, start, stop)
    _lower(found, whole_m, number, target_at, stop)
    return found


def _sources(habitat_surface: gpd.GeoDataFrame) -> dict[str, NDArray[Any]]:
    """Where ways begin: washes, and open desert; where none is drawn, other habitat of at least half quality."""
    good = habitat_surface[habitat_surface["quality"] >= _GOOD]
    wash = (good["kind"] == "wash").to_numpy()
    shapes = good.geometry.to_numpy()
    kinds = good["kind"].to_numpy()
    # Vegetation is where animals rest; they come from it only where nothing better is known.
    for desert in (kinds == "open desert", ~wash & (kinds != "vegetation"), ~wash):
        if desert.any():
            break
    return {"desert": _drawn_in(shapes[desert]), "wash": _drawn_in(shapes[wash])}


def _targets(
    parcels: gpd.GeoDataFrame, buildings: gpd.GeoDataFrame | None, ground: gpd.GeoDataFrame | None
) -> tuple[NDArray[np.bool_], NDArray[Any]]:
    """Which lots have an outline, and the ground of each that is to be reached: protected, else the lot's yard."""
    lots = parcels.geometry.to_numpy()
    usable = ~(shapely.is_missing(lots) | shapely.is_empty(lots))
    yards = lots[usable]
    if buildings is not None and len(buildings):
        houses = buildings.geometry.to_numpy()
        lot_at, house_at = shapely.STRtree(houses).query(yards, predicate="intersects")
        at, first = np.unique(lot_at, return_index=True)
        together = [shapely.union_all(houses[some]) for some in np.split(house_at, first[1:])] if len(at) else []
        less = shapely.difference(yards[at], np.array(together, dtype=object))
        yards = yards.copy()
        yards[at] = np.where(shapely.is_empty(less), yards[at], less)
    if ground is not None and "protected" in ground.columns:
        if not ground.index.equals(parcels.index):
            raise LayerError("it is not of the same parcels", where="ground", mend="make it from the same parcels")
        protected = ground["protected"].to_numpy()[usable]
        known = ~(shapely.is_missing(protected) | shapely.is_empty(protected))
        yards = np.where(known, protected, yards)
    return usable, np.asarray(yards, dtype=object)


def _drawn_in(shapes: NDArray[Any]) -> NDArray[Any]:
    """Draw the edges of habitat in by a metre; parts of it that are narrower stay as they are."""
    shapes = shapes[~(shapely.is_missing(shapes) | shapely.is_empty(shapes))]
    inner = shapely.buffer(shapes, -_INTO_M, join_style="mitre")
    narrow = shapely.get_parts(shapely.difference(shapes, shapely.buffer(inner, _INTO_M * 1.01, join_style="mitre")))
    return np.concatenate([inner[~shapely.is_empty(inner)], narrow[shapely.area(narrow) > _LEAST_M2]])


def _beside(field: Field, kind: str, inside: NDArray[np.bool_]) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Places of the graph near habitat but not in it, and the point of the habitat that is nearest to each."""
    from scipy.ndimage import binary_dilation

    window, graph, shapes = field.window, field.graph, field.sources[kind]
    mask = np.zeros(window.shape, dtype=np.uint8)
    window.burn(shapes, 1, out=mask, all_touched=True)
    rim = binary_dilation(mask > 0, np.ones((3, 3), dtype=bool)) & ~field.inside[kind]
    cells = graph.numbers[rim]
    extra = np.arange(int((graph.numbers >= 0).sum()), len(graph.places))
    at = np.floor(graph.places[extra] + 0.5).astype(np.intp)
    number = np.concatenate([cells[cells >= 0], extra[rim[at[:, 1], at[:, 0]]]]).astype(np.int64)
    number = number[~inside[number]]
    edges = _edges(shapes)
    points = np.asarray(shapely.points(window.in_metres(graph.places[number])), dtype=object)
    reach_m = _NEAR * window.cell_m
    point_at, edge_at = shapely.STRtree(edges).query_nearest(points, max_distance=reach_m, all_matches=False)
    nearest = shapely.get_point(shapely.shortest_line(edges[edge_at], points[point_at]), 0)
    return number[point_at], window.in_cells(shapely.get_coordinates(nearest))


def _edges(shapes: NDArray[Any]) -> NDArray[Any]:
    """The outlines of polygons as single segments."""
    xy, ring = shapely.get_coordinates(shapely.get_parts(shapely.boundary(shapes)), return_index=True)
    same = ring[1:] == ring[:-1]
    return np.asarray(shapely.linestrings(np.stack([xy[:-1], xy[1:]], axis=1)[same]), dtype=object)


def _lower(
    found: Reached,
    whole_m: NDArray[np.float64],
    number: NDArray[np.int64],
    target_at: NDArray[np.intp],
    stop: NDArray[np.float64],
) -> None:
    """Lower the cost of targets to the least of what is offered, and note over which place."""
    cost_m, last, place = found
    order = np.lexsort((number, whole_m, target_at))
    first = order[np.flatnonzero(np.diff(target_at[order], prepend=-1))]
    first = first[whole_m[first] < cost_m[target_at[first]]]
    own = target_at[first]
    cost_m[own], last[own], place[own] = whole_m[first], number[first], stop[first]
