"""Wall the yards, hang the gates, and draw the easements of an invented subdivision.

A wall follows a lot line and is drawn once where two neighbours share it; it runs on through its gates (points).
"""

from __future__ import annotations

from typing import NamedTuple

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from houses import Houses, from_frame, to_frame
from numpy.typing import NDArray
from shapely import LineString
from shapely.geometry.base import BaseGeometry
from town_plan import as_points, lot_edges

Floats = NDArray[np.float64]

INCH_M = 0.0254
OPEN, PART, FAULTY, SOUND = 0, 1, 2, 3
ENCLOSURES = ("open", "part walled", "enclosed with a way in", "enclosed")
FAULTS = ("gate", "low", "gap", "iron")
UTILITY_STRIP_M = 8 * 12 * INCH_M
LAP_M = 0.03

# kind: share, heights (in), openings (in), heights of the highest outside rail (in); None where there is none to note.
PART_KINDS: dict[str, tuple[float, tuple[float, ...], tuple[float, ...] | None, tuple[float, ...] | None]] = {
    "block": (0.42, (72, 72, 60, 66, 48), None, None),
    "wrought iron": (0.24, (60, 48, 54, 72), (3.75, 4.0, 4.5), (6, 8, 40)),
    "chain link": (0.13, (48, 60, 72), (2.0, 2.25), None),
    "wood": (0.12, (60, 72), (0.5, 0.75, 1.5), (12, 44)),
    "block and iron": (0.05, (60, 66), (4.0,), (26,)),
    "mesh": (0.04, (24, 30, 36), (0.25, 0.5), None),
}


class Yards(NamedTuple):
    """Walls, gates, how each lot is enclosed, and the lot lines they follow."""

    walls: gpd.GeoDataFrame
    gates: gpd.GeoDataFrame
    enclosure: NDArray[np.intp]
    edges: gpd.GeoDataFrame


def wall_yards(
    lots: gpd.GeoDataFrame,
    houses: Houses,
    *,
    at_desert: NDArray[np.bool_],
    barred: NDArray[np.bool_],
    rng: np.random.Generator,
) -> Yards:
    """Wall rear yards: a dozen soundly, fifteen with one way in, the rest in part or not at all.

    Parameters
    ----------
    lots : geopandas.GeoDataFrame
        Result of ``town_plan.cut_lots``.
    houses : Houses
        Result of ``houses.build_houses``.
    at_desert, barred : array of bool, one per lot
        Whether the lot touches open desert; whether it can not be enclosed (a wash runs through).
    rng : numpy.random.Generator
        Choice of lots, kinds and heights.

    Returns
    -------
    Yards
        walls: kind, height_m, opening_m, rail_m, sound, owner (lot position), grade; gates: width_m, opening_m, lot.
    """
    count = len(lots)
    able = np.isfinite(houses.left_u_m) & ~barred & ~houses.tight
    enclosure = _choose_enclosure(able, at_desert, np.isfinite(houses.left_u_m), rng=rng)
    fault = np.array(FAULTS)[np.arange(count) % len(FAULTS)]

    edges = lot_edges(lots)
    left, right = edges["left"].to_numpy(), edges["right"].to_numpy()
    has_right = right >= 0
    grade_left, grade_right = enclosure[left], np.where(has_right, enclosure[right], OPEN)
    owner = np.where(grade_right > grade_left, right, left)
    built_left = (grade_left >= FAULTY) | ((grade_left == PART) & (rng.random(len(edges)) < 0.72))
    built_right = (grade_right >= FAULTY) | ((grade_right == PART) & (rng.random(len(edges)) < 0.72))

    behind_v_m = np.nan_to_num(houses.return_v_m, nan=500.0)
    wide_m = np.full(count, 300.0)
    half = from_frame(lots, np.asarray(shapely.box(-wide_m, behind_v_m, wide_m, 3 * wide_m)), np.arange(count))
    none = np.full(len(edges), shapely.GeometryCollection(), dtype=object)
    ground = shapely.union(np.where(built_left, half[left], none), np.where(built_right, half[right], none))
    lines = shapely.intersection(edges.geometry.to_numpy(), ground)
    walls = gpd.GeoDataFrame({"owner": owner, "outer": ~has_right}, geometry=shapely.line_merge(lines))
    walls = walls.explode(ignore_index=True)
    # Stubs are left out of part-walled yards only: in an enclosed yard each is part of the ring.
    stub = (walls.length < 0.8) & (enclosure[walls["owner"]] < FAULTY)
    walls = walls[(walls.geom_type == "LineString") & (walls.length > 0.01) & ~stub].reset_index(drop=True)
    walls["part"] = "line"

    returns = _returns(lots, houses, enclosure, rng=rng)
    frame = gpd.GeoDataFrame(_concat([walls, returns]), geometry="geometry")
    frame["grade"] = enclosure[frame["owner"]]
    frame = _describe(frame, fault, rng=rng)
    gates = _hang_gates(frame, fault, rng=rng)
    return Yards(frame, gates, enclosure, edges)


def draw_easements(
    lots: gpd.GeoDataFrame, edges: gpd.GeoDataFrame, channels: BaseGeometry, *, drainage_reach: BaseGeometry
) -> gpd.GeoDataFrame:
    """Draw utility strips along rear lot lines and drainage easements along the washes.

    Parameters
    ----------
    lots, edges : geopandas.GeoDataFrame
        Results of ``town_plan.cut_lots`` and ``town_plan.lot_edges``.
    channels : shapely geometry
        The washes with their width.
    drainage_reach : shapely geometry
        Ground within which drainage easements are drawn.

    Returns
    -------
    geopandas.GeoDataFrame
        kind, geometry (Polygon).
    """
    left = edges["left"].to_numpy()
    line = to_frame(lots, edges.geometry.to_numpy(), left)
    ends = shapely.bounds(line)
    depth = shapely.bounds(to_frame(lots, lots.geometry.to_numpy(), np.arange(len(lots))))[left, 3]
    along = (ends[:, 2] - ends[:, 0]) > 1.5 * (ends[:, 3] - ends[:, 1])
    rear = along & ((ends[:, 1] + ends[:, 3]) / 2 > 0.6 * depth) & (edges["right"].to_numpy() >= 0)
    strips = shapely.buffer(edges.geometry.to_numpy()[rear], UTILITY_STRIP_M, cap_style="flat", join_style="mitre")
    inside = shapely.coverage_union_all(lots.geometry.to_numpy())
    utility = shapely.get_parts(shapely.union_all(strips).buffer(0.3).buffer(-0.3).intersection(inside).simplify(0.05))
    drainage = shapely.get_parts(shapely.buffer(channels, 4.5, quad_segs=3).intersection(drainage_reach).simplify(0.4))
    kind = ["public utility"] * len(utility) + ["drainage"] * len(drainage)
    frame = gpd.GeoDataFrame({"kind": kind}, geometry=[*utility, *drainage])
    return frame[(frame.geom_type == "Polygon") & (frame.area > 20)].reset_index(drop=True)


def _choose_enclosure(
    able: NDArray[np.bool_], at_desert: NDArray[np.bool_], housed: NDArray[np.bool_], *, rng: np.random.Generator
) -> NDArray[np.intp]:
    """Deal out the grades of enclosure: more than half of the walled yards stand at the desert's edge."""
    grade = np.where(housed & (rng.random(len(able)) < 0.82), PART, OPEN)
    edge, inner = rng.permutation(np.flatnonzero(able & at_desert)), rng.permutation(np.flatnonzero(able & ~at_desert))
    grade[[*edge[:7], *inner[:5]]] = SOUND
    grade[[*edge[7:16], *inner[5:11]]] = FAULTY
    return np.asarray(grade, dtype=np.intp)


def _returns(
    lots: gpd.GeoDataFrame, houses: Houses, enclosure: NDArray[np.intp], *, rng: np.random.Generator
) -> gpd.GeoDataFrame:
    """Draw the short walls between the house and the side lot lines, one on each side."""
    rows = np.flatnonzero(np.isfinite(houses.left_u_m) & (enclosure > OPEN))
    v = houses.return_v_m[rows]
    local = to_frame(lots, lots.geometry.to_numpy()[rows], rows)
    found = []
    for sign, u in ((-1, houses.left_u_m[rows]), (1, houses.right_u_m[rows])):
        ray = shapely.linestrings(np.stack([np.column_stack([u, v]), np.column_stack([u + sign * 200, v])], axis=1))
        first = shapely.get_geometry(shapely.intersection(ray, local), 0)
        reach = shapely.bounds(first)
        far = np.where(sign < 0, reach[:, 0], reach[:, 2])
        # A small lap into the house and over the line: mason's practice, and no hairline gap from rounding.
        ends = np.stack([np.column_stack([u - sign * LAP_M, v]), np.column_stack([far + sign * LAP_M, v])], axis=1)
        kept = (np.abs(far - u) > 0.3) & ((enclosure[rows] >= FAULTY) | (rng.random(len(rows)) < 0.62))
        shapes = from_frame(lots, np.asarray(shapely.linestrings(ends[kept]), dtype=object), rows[kept])
        part = "left return" if sign < 0 else "right return"
        found.append(gpd.GeoDataFrame({"owner": rows[kept], "outer": False, "part": part}, geometry=shapes))
    return _concat(found)


def _describe(walls: gpd.GeoDataFrame, fault: NDArray[np.str_], *, rng: np.random.Generator) -> gpd.GeoDataFrame:
    """Give each wall its kind, height, opening, rail and soundness, and each faulty yard its one fault."""
    count = len(walls)
    grade, owner = walls["grade"].to_numpy(), walls["owner"].to_numpy()
    names = list(PART_KINDS)
    share = np.array([PART_KINDS[name][0] for name in names])
    kind = rng.choice(names, count, p=share / share.sum()).astype(object)
    kind[walls["outer"].to_numpy() & (grade == PART) & (rng.random(count) < 0.35)] = "wrought iron"
    kind[(grade >= FAULTY)] = "block"
    height_in, opening_in, rail_in = (np.full(count, np.nan) for _ in range(3))
    for name, (_, heights, openings, rails) in PART_KINDS.items():
        rows = np.flatnonzero(kind == name)
        height_in[rows] = rng.choice(heights, len(rows))
        if openings:
            opening_in[rows] = rng.choice(openings, len(rows))
        if rails:
            rail_in[rows] = np.where(rng.random(len(rows)) < 0.6, rng.choice(rails, len(rows)), np.nan)
    height_in[(grade == PART) & (rng.random(count) < 0.07)] = np.nan
    lot_height_in = rng.choice((72.0, 72.0, 60.0, 66.0), owner.max() + 1)
    height_in = np.where(grade >= FAULTY, lot_height_in[owner], height_in)
    opening_in = np.where(grade >= FAULTY, 0.0, opening_in)
    sound = np.where(grade == SOUND, 1.0, np.nan)
    sound[(grade == FAULTY) & (rng.random(count) < 0.7)] = 1.0
    sound[(kind == "chain link") & (rng.random(count) < 0.4)] = 0.0

    shapes = walls.geometry.to_numpy().copy()
    length_m = shapely.length(shapes)
    line = walls["part"].to_numpy() == "line"
    for lot in np.unique(owner[grade == FAULTY]):
        rows = np.flatnonzero((owner == lot) & line)
        worst = rows[np.argmax(length_m[rows])]
        if fault[lot] == "low":
            height_in[worst], sound[worst] = 20.0, np.nan
        elif fault[lot] == "iron":
            kind[worst], opening_in[worst], rail_in[worst], sound[worst] = "wrought iron", 4.0, 8.0, np.nan
        elif fault[lot] == "gap":
            middle_m, half_m = length_m[worst] * 0.4, rng.uniform(0.3, 0.7)
            parts = [(0.0, middle_m - half_m), (middle_m + half_m, length_m[worst])]
            shapes[worst] = shapely.MultiLineString([_piece(shapes[worst], *part) for part in parts])
    described = walls.assign(
        kind=kind,
        height_m=height_in * INCH_M,
        opening_m=opening_in * INCH_M,
        rail_m=rail_in * INCH_M,
        sound=pd.array(sound, dtype="Float64").astype("boolean"),
    )
    return described.set_geometry(shapes).explode(ignore_index=True)


def _piece(line: LineString, start_m: float, end_m: float) -> LineString:
    """Cut the piece between two distances out of a line."""
    stations = shapely.line_locate_point(line, as_points(shapely.get_coordinates(line)))
    inner = stations[(stations > start_m) & (stations < end_m)]
    points = shapely.line_interpolate_point(line, np.concatenate([[start_m], inner, [end_m]]))
    return LineString(shapely.get_coordinates(points))


def _hang_gates(walls: gpd.GeoDataFrame, fault: NDArray[np.str_], *, rng: np.random.Generator) -> gpd.GeoDataFrame:
    """Hang a gate in one return of each yard, and a few in rear walls."""
    part = walls["part"].to_numpy()
    returns = np.flatnonzero(part != "line")
    returns = rng.permutation(returns)
    _, first = np.unique(walls["owner"].to_numpy()[returns], return_index=True)
    rows = returns[first]
    outer = np.flatnonzero((part == "line") & walls["outer"].to_numpy() & (walls["grade"].to_numpy() == PART))
    outer = outer[walls.length.to_numpy()[outer] > 8]
    rows = np.concatenate([rows, rng.choice(outer, min(5, len(outer)), replace=False)])
    room_in = walls.length.to_numpy()[rows] / INCH_M
    width_in = np.where(
        (room_in > 140) & (rng.random(len(rows)) < 0.4), 120.0, rng.choice((36.0, 42.0, 48.0), len(rows))
    )
    width_in = np.minimum(width_in, np.floor(room_in * 0.8))
    grade, owner = walls["grade"].to_numpy()[rows], walls["owner"].to_numpy()[rows]
    tight_in = rng.choice((0.125, 0.1875), len(rows))
    loose_in = rng.choice((0.5, 1.0, 1.5, 2.0, 3.0, 4.0), len(rows))
    loose_in[(grade == PART) & (rng.random(len(rows)) < 0.12)] = np.nan
    opening_in = np.where((grade == SOUND) | ((grade == FAULTY) & (fault[owner] != "gate")), tight_in, loose_in)
    where = shapely.line_interpolate_point(walls.geometry.to_numpy()[rows], 0.5, normalized=True)
    frame = gpd.GeoDataFrame(
        {"lot": owner, "width_m": width_in * INCH_M, "opening_m": opening_in * INCH_M}, geometry=where
    )
    return frame.sort_values("lot", kind="stable", ignore_index=True)


def _concat(frames: list[gpd.GeoDataFrame]) -> gpd.GeoDataFrame:
    """Stack frames with the same columns."""
    columns = sorted(set().union(*(frame.columns for frame in frames)) - {"geometry"})
    return gpd.GeoDataFrame(
        {name: np.concatenate([frame[name].to_numpy() for frame in frames]) for name in columns},
        geometry=np.concatenate([frame.geometry.to_numpy() for frame in frames]),
    )
