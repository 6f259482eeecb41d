"""Small plans whose closure is worked out the slow way: flood fill, every set of repairs, thick walls."""

from __future__ import annotations

from itertools import combinations
from typing import NamedTuple

import networkx as nx
import numpy as np
import shapely
from shapely import LineString, Polygon

CELL_M = 20.0

Cell = tuple[int, int]
Side = tuple[Cell, Cell]


class LatticePlan(NamedTuple):
    """Square cells in a ring of desert; `walls` maps a side between two cells to sound or not, others are open."""

    size: int
    walls: dict[Side, bool]


def random_lattice(rng: np.random.Generator, size: int) -> LatticePlan:
    """Put a wall on most sides of size x size cells, sound or not; desert lies around (cells at -1 and size)."""
    walls: dict[Side, bool] = {}
    for x in range(size + 1):
        for y in range(size):
            for side in (((x - 1, y), (x, y)), ((y, x - 1), (y, x))):
                draw = rng.random()
                if draw < 0.85:
                    walls[side] = bool(draw < 0.45)
    return LatticePlan(size, walls)


def side_line(side: Side) -> LineString:
    """Draw the wall between two neighbouring cells."""
    (x, y), (x2, _) = side
    if x2 > x:
        return LineString([(x2 * CELL_M, y * CELL_M), (x2 * CELL_M, (y + 1) * CELL_M)])
    return LineString([(x * CELL_M, (y + 1) * CELL_M), ((x + 1) * CELL_M, (y + 1) * CELL_M)])


def cell_box(cell: Cell) -> Polygon:
    """Draw a cell."""
    x, y = cell
    return shapely.box(x * CELL_M, y * CELL_M, (x + 1) * CELL_M, (y + 1) * CELL_M)


def desert_ring(plan: LatticePlan) -> Polygon:
    """Draw the desert around the cells."""
    inner = shapely.box(0, 0, plan.size * CELL_M, plan.size * CELL_M)
    return inner.buffer(CELL_M, join_style="mitre").difference(inner)


def reached_cells(plan: LatticePlan, stopping: set[Side]) -> set[Cell]:
    """Flood the cells from the desert through every side that doesn't stop an animal."""
    inside = {(x, y) for x in range(plan.size) for y in range(plan.size)}
    reached: set[Cell] = set()
    waiting: list[Cell] = []
    for x, y in inside:
        if any(out not in inside and _side((x, y), out) not in stopping for out in _beside(x, y)):
            waiting.append((x, y))
    while waiting:
        cell = waiting.pop()
        if cell in reached:
            continue
        reached.add(cell)
        waiting += [out for out in _beside(*cell) if out in inside and _side(cell, out) not in stopping]
    return reached


def sound_sides(plan: LatticePlan) -> set[Side]:
    return {side for side, sound in plan.walls.items() if sound}


def fewest_repairs(plan: LatticePlan, cell: Cell) -> int | None:
    """Try every set of unsound walls, small ones first; None where not even all of them close the cell."""
    sound = sound_sides(plan)
    unsound = sorted(set(plan.walls) - sound)
    if cell in reached_cells(plan, set(plan.walls)):
        return None
    for number in range(len(unsound) + 1):
        for chosen in combinations(unsound, number):
            if cell not in reached_cells(plan, sound | set(chosen)):
                return number
    raise AssertionError("all walls together close it")


def cut_length(plan: LatticePlan, cell: Cell) -> float | None:
    """Find the same by a minimum cut, in metres; None where the cell is open."""
    graph = nx.Graph()
    graph.add_nodes_from(["desert", cell])
    inside = {(x, y) for x in range(plan.size) for y in range(plan.size)}
    for x in range(-1, plan.size + 1):
        for y in range(-1, plan.size + 1):
            for other in ((x + 1, y), (x, y + 1)):
                ends = [end if end in inside else "desert" for end in ((x, y), other)]
                sound = plan.walls.get(((x, y), other))
                if ends[0] == ends[1] or sound:
                    continue
                if sound is None:
                    graph.add_edge(*ends)
                    graph.edges[ends].pop("capacity", None)
                elif not graph.has_edge(*ends):
                    graph.add_edge(*ends, capacity=1)
                elif "capacity" in graph.edges[ends]:
                    graph.edges[ends]["capacity"] += 1
    try:
        return CELL_M * float(nx.minimum_cut_value(graph, "desert", cell))
    except nx.NetworkXUnbounded:
        return None


def reached_past_thick_walls(
    walls: list[LineString], start: Polygon, goal: Polygon, *, tolerance_m: float, margin_m: float = 10.0
) -> bool:
    """Thicken the walls until gaps of the tolerance close, and look whether open ground still joins start and goal."""
    everything = shapely.union_all([*walls, start, goal])
    frame = shapely.box(*everything.bounds).buffer(margin_m, join_style="mitre")
    solid = shapely.union_all(shapely.buffer(np.array(walls, dtype=object), tolerance_m / 2, quad_segs=32))
    patches = shapely.get_parts(frame.difference(solid))
    return bool(np.any(shapely.intersects(patches, start) & shapely.intersects(patches, goal)))


def _beside(x: int, y: int) -> list[Cell]:
    return [(x - 1, y), (x + 1, y), (x, y - 1), (x, y + 1)]


def _side(one: Cell, other: Cell) -> Side:
    return (one, other) if one < other else (other, one)
