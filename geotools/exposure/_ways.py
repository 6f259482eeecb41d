"""Find the least cost of the ways from habitat to each lot, window by window."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple

import geopandas as gpd
import numpy as np
import shapely

from geotools.errors import DesignError, LayerError
from geotools.exposure._crossings import Net, find_narrows, lay_net, meet_walls
from geotools.exposure._graph import Graph, lay_graph, spread_cost
from geotools.exposure._surface import Ground, Window, burn_ground, gather_ground, lay_grid
from geotools.windows import group_near

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import ArrayLike, NDArray

    from geotools.rasters import Raster

__all__ = [
    "Field",
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
_BLOCK = 8
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


class Field(NamedTuple):
    """A window with its resistance, the graph of its moves, its walls, and per kind of habitat its shapes and cells.

    `within` and `beside` are pairs of a place of the graph and the target that it lies in or beside.
    """

    window: Window
    resistance: NDArray[np.float64]
    graph: Graph
    net: Net
    sources: dict[str, NDArray[Any]]
    inside: dict[str, NDArray[np.bool_]]
    targets: NDArray[Any]
    within: tuple[NDArray[np.int64], NDArray[np.intp]]
    beside: tuple[NDArray[np.int64], NDArray[np.intp]]

    def at(self, places: NDArray[np.float64]) -> NDArray[np.float64]:
        """Resistance of the cells that places (column and row) lie in."""
        last = np.array(self.window.shape[::-1]) - 1
        column, row = np.clip(np.floor(places + 0.5), 0, last).astype(np.intp).T
        return np.asarray(self.resistance[row, column])


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
            yield some, _field(window, ways.ground, near, ways.targets[some], ways.farthest_m)


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


def _field(
    window: Window, ground: Ground, sources: dict[str, NDArray[Any]], targets: NDArray[Any], farthest_m: float
) -> Field:
    inside = {}
    for kind, shapes in sources.items():
        mask = np.zeros(window.shape, dtype=np.uint8)
        window.burn(shapes, 1, out=mask)
        inside[kind] = mask > 0
    whole = burn_ground(ground, window)
    useful = _useful(window, sources, inside, targets, farthest_m)
    resistance = np.where(useful, whole, np.inf)
    segments = window.in_cells(ground.barriers.segments)
    size = np.array(window.shape[::-1])
    near = (segments.min(axis=1) < size).all(axis=1) & (segments.max(axis=1) > -1).all(axis=1)
    net = lay_net(segments[near], ground.barriers.costs_m[near], useful)
    openings, narrows = window.in_cells(ground.barriers.openings), find_narrows(net)
    extra = np.concatenate([openings, narrows])
    cell = np.floor(extra + 0.5).astype(np.intp)
    held = (cell >= 0).all(axis=1) & (cell < size).all(axis=1)
    value = np.full(len(extra), np.inf)
    value[held] = resistance[cell[held, 1], cell[held, 0]]
    opened = held & np.isfinite(value) & (np.arange(len(extra)) < len(openings))
    value[opened] = ground.opening
    kept = np.isfinite(value)
    graph = lay_graph(resistance, window.cell_m, net=net, extra=extra[kept], extra_resistance=value[kept])
    labels = np.zeros(window.shape, dtype=np.int32)
    window.burn(targets, np.arange(1, len(targets) + 1), out=labels)
    within = _cells_in(graph, labels)
    beside = _places_near(window, graph, labels, targets)
    return Field(window, whole, graph, net, sources, inside, targets, within, beside)


def _useful(
    window: Window,
    sources: dict[str, NDArray[Any]],
    inside: dict[str, NDArray[np.bool_]],
    targets: NDArray[Any],
    farthest_m: float,
) -> NDArray[np.bool_]:
    """Leave out cells within habitat and those that no way of that cost leads over: none costs less than its length."""
    from affine import Affine
    from scipy.ndimage import distance_transform_edt

    block_m = _BLOCK * window.cell_m
    shape = -(-window.shape[0] // _BLOCK), -(-window.shape[1] // _BLOCK)
    corner = window.transform
    blocks = Window(Affine(block_m, 0.0, corner.c, 0.0, -block_m, corner.f), shape)

    def away_m(shapes: NDArray[Any]) -> NDArray[np.float64]:
        mask = np.zeros(shape, dtype=np.uint8)
        blocks.burn(shapes, 1, out=mask, all_touched=True)
        # Between any two places of two blocks it may be a diagonal less than between their middles.
        return np.asarray(np.maximum(distance_transform_edt(mask == 0) - np.sqrt(2), 0) * block_m)

    to_lots_m = away_m(targets)
    useful = np.zeros(window.shape, dtype=bool)
    for kind, shapes in sources.items():
        short = away_m(shapes) + to_lots_m <= farthest_m
        whole = short.repeat(_BLOCK, axis=0).repeat(_BLOCK, axis=1)[: window.shape[0], : window.shape[1]]
        useful |= whole & ~inside[kind]
    return useful


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


def _cells_in(graph: Graph, labels: NDArray[np.int32]) -> tuple[NDArray[np.int64], NDArray[np.intp]]:
    """Numbers of the places at the middles of cells in each target, and whose they are."""
    own = (labels > 0) & (graph.numbers >= 0)
    return graph.numbers[own].astype(np.int64), labels[own].astype(np.intp) - 1


def _places_near(
    window: Window, graph: Graph, labels: NDArray[np.int32], targets: NDArray[Any]
) -> tuple[NDArray[np.int64], NDArray[np.intp]]:
    """Pairs of a place of the graph and a target that it lies beside, or in if the target holds no middle of a cell."""
    numbers, shape = graph.numbers, labels.shape
    # Around each cell the targets of its neighbours, and around each extra place those of the cells about it.
    pairs = []
    rim = np.zeros(shape, dtype=bool)
    rim[1:] |= labels[1:] != labels[:-1]
    rim[:-1] |= labels[1:] != labels[:-1]
    rim[:, 1:] |= labels[:, 1:] != labels[:, :-1]
    rim[:, :-1] |= labels[:, 1:] != labels[:, :-1]
    row, column = np.nonzero(rim & (numbers >= 0))
    pairs += _labelled(labels, row, column, numbers[row, column].astype(np.int64), np.arange(-1, 2))
    first = int((numbers >= 0).sum())
    extra = np.arange(first, len(graph.places))
    cell = np.floor(graph.places[extra]).astype(np.intp)
    pairs += _labelled(labels, cell[:, 1], cell[:, 0], extra, np.arange(2))
    # Small or stacked targets have no cell of their own there, or not all of theirs.
    turned = np.zeros(shape, dtype=np.int32)
    window.burn(targets[::-1], np.arange(len(targets), 0, -1), out=turned)
    shared = turned != labels
    alone = np.setdiff1d(labels, np.concatenate([labels[shared], turned[shared]]))
    left = np.setdiff1d(np.arange(1, len(targets) + 1), alone) - 1
    if len(left):
        middle = window.in_cells(shapely.get_coordinates(shapely.centroid(targets[left])))
        half = np.ceil((shapely.bounds(targets[left]) @ [[-1, 0], [0, -1], [1, 0], [0, 1]]) / 2 / window.cell_m)
        for target, (x, y), (wide, high) in zip(left.tolist(), middle.tolist(), half.tolist(), strict=True):
            rows = slice(max(int(y - high) - 1, 0), int(y + high) + 3)
            columns = slice(max(int(x - wide) - 1, 0), int(x + wide) + 3)
            near = numbers[rows, columns]
            own = near[near >= 0].astype(np.int64)
            pairs.append(np.stack([own, np.full(len(own), target)], axis=1))
    found = np.concatenate(pairs)
    return found[:, 0], found[:, 1].astype(np.intp)


def _labelled(
    labels: NDArray[np.int32], row: NDArray[np.intp], column: NDArray[np.intp], number: NDArray[np.int64], steps: Any
) -> list[NDArray[np.int64]]:
    """Pairs of a place and each target that has a cell the given steps from it."""
    found = []
    for down in steps:
        for right in steps:
            at_row, at_column = row + down, column + right
            held = (at_row >= 0) & (at_row < labels.shape[0]) & (at_column >= 0) & (at_column < labels.shape[1])
            target = labels[at_row[held], at_column[held]].astype(np.int64) - 1
            found.append(np.stack([number[held], target], axis=1)[target >= 0])
    return found


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
