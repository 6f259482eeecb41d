"""Draw the streets of an invented subdivision and cut its blocks into lots.

Everything is in metres in a local frame: x grows to the east, y to the north, the origin is where the two section-line
roads cross. Every dimension is an assumption of this project, chosen to look like a low-desert suburb.
"""

from __future__ import annotations

from typing import NamedTuple

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline
from scipy.spatial import cKDTree
from shapely import LineString, MultiLineString, MultiPoint, Point, Polygon
from shapely.geometry.base import BaseGeometry

Floats = NDArray[np.float64]

LOT_WIDTH_M = 21.5
LOT_DEPTH_M = 36.0
LOT_AREA_M2 = 790.0
LEAST_LOT_AREA_M2 = 520.0
BULB_RADIUS_M = 14.0
BULB_LOT_DEPTH_M = 33.0
RIGHT_OF_WAY_M = 15.0
CORNER_RADIUS_M = 5.0
SAMPLE_STEP_M = 1.5
GRID_M = 0.001
SIMPLIFY_M = 0.35


class Street(NamedTuple):
    """One street: rank 0 has no frontage, rank 1 claims its lots first, rank 2 takes what is left."""

    name: str
    rank: int
    centreline: LineString
    right_of_way_m: float
    pavement_m: float
    bulbs: tuple[Point, ...]


class _Frontage(NamedTuple):
    """Points along the right-of-way lines, each with its street, its run and its direction into the lot."""

    xy: Floats
    inward: Floats
    street: NDArray[np.intp]
    run: NDArray[np.intp]


def draw_streets(rng: np.random.Generator) -> list[Street]:
    """Draw the street plan: two section-line roads, a spine, a loop, rows and cul-de-sacs.

    Parameters
    ----------
    rng : numpy.random.Generator
        Source of the small differences between one plan and the next.

    Returns
    -------
    list of Street
        Centrelines in the local frame, metres.

    Examples
    --------
    >>> len(draw_streets(np.random.default_rng(1)))
    11
    """
    phase_m = rng.uniform(-30, 30)
    bend_m = rng.uniform(12, 16)

    def row(x_m: float, y_m: float) -> tuple[float, float]:
        """Bend a straight row: more so to the north, not at all at the section-line road."""
        return x_m, y_m + bend_m * min(y_m / 230, 1.2) * np.sin(2 * np.pi * (x_m - 60 - phase_m) / 430)

    spine_x_m = 222 + rng.uniform(-6, 6)
    spine = [(spine_x_m - 14, 0), (spine_x_m - 12, 30), row(spine_x_m + 6, 143), row(spine_x_m, 238)]
    south = [row(x, 57) for x in (spine_x_m - 11, 150, 90, 34 + rng.uniform(-5, 5))]
    west = [row(x, 146) for x in (spine_x_m + 6, 150, 90, 30 + rng.uniform(-5, 5))]
    loop = [row(spine_x_m - 11, 57), row(290, 57), row(360, 57), row(415, 60), row(447, 76), row(459, 103)]
    loop += [row(447, 130), row(415, 144), row(360, 146), row(290, 146), row(spine_x_m + 6, 146)]
    north_west = [row(x, 236) for x in (spine_x_m, 150, 80, 26 + rng.uniform(-5, 5))]
    north_east = [row(x, 236) for x in (spine_x_m, 290, 360, 420, 468 + rng.uniform(-5, 5))]

    plan: list[Street] = [
        _street("Caliche Flat Road", 0, [(-120, 0), (300, 0), (760, 0)], right_of_way_m=24, pavement_m=14.6),
        _street("Hardpan Road", 0, [(-36, -60), (-36, 300), (-36, 700)], right_of_way_m=20, pavement_m=11),
        _street("Ocotillo Bench Drive", 0, spine, right_of_way_m=16.5, pavement_m=11),
        _street("Tinaja Loop", 1, loop),
        _street("Cholla Stop Lane", 1, south, bulb=True),
        _street("Desert Varnish Way", 1, west, bulb=True),
        _street("Upper Terrace West", 1, north_west, bulb=True),
        _street("Upper Terrace East", 1, north_east, bulb=True),
    ]
    stubs = {"Thrasher Court": 82.0, "Elf Owl Court": spine_x_m, "Cactus Wren Court": 372.0}
    for name, x_m in stubs.items():
        foot_x_m, foot_y_m = row(x_m + (0 if x_m == spine_x_m else rng.uniform(-7, 7)), 236)
        length_m = rng.uniform(86, 104)
        lean_m = rng.uniform(-12, 12)
        points = [
            (foot_x_m, foot_y_m),
            (foot_x_m, foot_y_m + 35),
            (foot_x_m + lean_m / 2, foot_y_m + 68),
            (foot_x_m + lean_m, foot_y_m + length_m),
        ]
        plan.append(_street(name, 2, points, bulb=True))
    return plan


def right_of_way(streets: list[Street]) -> BaseGeometry:
    """Join the streets' land into one polygon, its inner corners rounded.

    Parameters
    ----------
    streets : list of Street
        Centrelines in metres.

    Returns
    -------
    shapely geometry
        Polygon of all rights-of-way.
    """
    strips = [s.centreline.buffer(s.right_of_way_m / 2, cap_style="flat") for s in streets]
    bulbs = [bulb.buffer(BULB_RADIUS_M) for s in streets for bulb in s.bulbs]
    joined = shapely.union_all(strips + bulbs)
    return joined.buffer(CORNER_RADIUS_M).buffer(-CORNER_RADIUS_M).buffer(0)


def cut_lots(streets: list[Street], *, rng: np.random.Generator) -> gpd.GeoDataFrame:
    """Cut the blocks between the streets into lots that share their edges exactly.

    Each point of a block goes to the nearest stretch of frontage, so side lines stand square to the street, rear lines
    lie midway between two streets and lots at a bulb become wedges. Stretches are cut in equal parts by frontage and
    area.

    Parameters
    ----------
    streets : list of Street
        Centrelines in metres.
    rng : numpy.random.Generator
        Jitter of the lot widths.

    Returns
    -------
    geopandas.GeoDataFrame
        One row per lot in the order of the streets: street, front_x, front_y (middle of the frontage, m), inward_x,
        inward_y (unit vector from the street into the lot), geometry (a valid coverage).
    """
    roads = right_of_way(streets)
    frontage = _sample_frontage(streets, roads)
    site = shapely.box(-26, 12, 720, 700).difference(roads)
    first = _claim(streets, 1).intersection(site)
    second = _claim(streets, 2).intersection(site).difference(first)
    rank = np.array([s.rank for s in streets])[frontage.street]
    inside_first = shapely.dwithin(first, shapely.points(frontage.xy), 0.3)

    lot_of_sample = np.full(len(rank), -1)
    edges: list[BaseGeometry] = []
    for territory, chosen in ((first, rank == 1), (second, (rank == 2) & ~inside_first)):
        index = np.flatnonzero(chosen)
        cells = np.array(
            shapely.voronoi_polygons(MultiPoint(frontage.xy[index]), extend_to=territory, ordered=True).geoms
        )
        area_m2 = _area_within(cells, territory)
        lot_of_sample[index] = _stretches(frontage.run[index], area_m2, rng=rng) + lot_of_sample.max() + 1
        frame = gpd.GeoDataFrame({"lot": lot_of_sample[index]}, geometry=cells)
        blocks = frame.dissolve("lot", method="coverage").geometry.boundary.to_numpy()
        edges += [*shapely.intersection(blocks, territory), territory.boundary]

    faces = np.array(shapely.polygonize([shapely.union_all(edges, grid_size=GRID_M)]).geoms)
    middle = shapely.point_on_surface(faces)
    lot = np.full(len(faces), -1)
    for territory, level in ((first, 1), (second, 2)):
        index = np.flatnonzero((rank == level) & (lot_of_sample >= 0))
        here = shapely.contains(territory, middle)
        nearest = cKDTree(frontage.xy[index]).query(shapely.get_coordinates(middle[here]))[1]
        lot[here] = lot_of_sample[index][nearest]
    lots = _join_faces(faces[lot >= 0], lot[lot >= 0])
    lots["geometry"] = shapely.set_precision(shapely.coverage_simplify(lots.geometry.to_numpy(), SIMPLIFY_M), 0)

    centre = pd.Series(np.arange(len(rank))).groupby(lot_of_sample).apply(lambda rows: rows.iloc[len(rows) // 2])
    sample = centre.loc[lots.index].to_numpy()
    lots["street"] = [streets[i].name for i in frontage.street[sample]]
    lots[["front_x", "front_y"]] = frontage.xy[sample]
    lots[["inward_x", "inward_y"]] = frontage.inward[sample]
    return lots.reset_index(drop=True)[["street", "front_x", "front_y", "inward_x", "inward_y", "geometry"]]


def _street(
    name: str,
    rank: int,
    waypoints: list[tuple[float, float]],
    *,
    right_of_way_m: float = RIGHT_OF_WAY_M,
    pavement_m: float = 9.75,
    bulb: bool = False,
) -> Street:
    """Draw one centreline as a smooth curve through its waypoints, with a bulb at its end where asked."""
    xy = np.array(waypoints, dtype=np.float64)
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(xy, axis=0).T))])
    smooth = CubicSpline(along, xy)(np.linspace(0, along[-1], int(along[-1] // 3) + 2))
    line = LineString(np.round(smooth, 3))
    bulbs = (Point(line.coords[-1]),) if bulb else ()
    return Street(name, rank, line, right_of_way_m, pavement_m, bulbs)


def _claim(streets: list[Street], rank: int) -> BaseGeometry:
    """Return the ground within a lot's depth of the streets of one rank, its outline straightened."""
    chosen = [s for s in streets if s.rank == rank]
    reach = [s.centreline.buffer(s.right_of_way_m / 2 + LOT_DEPTH_M, cap_style="flat") for s in chosen]
    reach += [bulb.buffer(BULB_RADIUS_M + BULB_LOT_DEPTH_M, quad_segs=4) for s in chosen for bulb in s.bulbs]
    return shapely.union_all(reach).buffer(6, join_style="mitre").buffer(-6, join_style="mitre").simplify(1.5)


def _area_within(cells: NDArray[np.object_], territory: BaseGeometry) -> Floats:
    """Return each cell's area inside the territory; only cells that cross its outline are cut."""
    shapely.prepare(territory)
    area_m2 = shapely.area(cells)
    crossing = ~shapely.contains_properly(territory, cells)
    area_m2[crossing] = shapely.area(shapely.intersection(cells[crossing], territory))
    return np.asarray(area_m2, dtype=np.float64)


def _sample_frontage(streets: list[Street], roads: BaseGeometry) -> _Frontage:
    """Walk each right-of-way line and label every step of it with its street and its run between two corners."""
    xy, street, run = [], [], []
    runs = 0
    parts = shapely.get_parts(roads)
    rings = np.concatenate([shapely.get_exterior_ring(parts), shapely.get_rings(parts)])
    rings = rings[np.unique(shapely.to_wkb(rings), return_index=True)[1]]
    for ring in rings[np.lexsort(shapely.bounds(rings).T)]:
        count = int(shapely.length(ring) // SAMPLE_STEP_M)
        points = as_points(_walk(shapely.get_coordinates(ring), count))
        label = np.argmin([_clearance(s, points) for s in streets], axis=0)
        change = np.flatnonzero(label != np.roll(label, 1))
        shift = int(change[0]) if len(change) else 0
        points, label = np.roll(points, -shift), np.roll(label, -shift)
        number = runs + np.concatenate([[0], np.cumsum(np.diff(label) != 0)])
        runs = int(number[-1]) + 1
        xy.append(shapely.get_coordinates(points))
        street.append(label)
        run.append(number)
    where, which = np.concatenate(xy), np.concatenate(street)
    return _Frontage(where, _inward(streets, where, which), which, np.concatenate(run))


def _walk(ring_xy: Floats, count: int) -> Floats:
    """Return points at equal distances round a ring."""
    station = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(ring_xy, axis=0).T))])
    stops = np.arange(count) * station[-1] / count
    return np.column_stack([np.interp(stops, station, axis) for axis in ring_xy.T])


def _clearance(street: Street, points: NDArray[np.object_]) -> Floats:
    """Return how far points lie outside one street's strip and bulbs, metres."""
    away = [shapely.distance(street.centreline, points) - street.right_of_way_m / 2]
    away += [shapely.distance(bulb, points) - BULB_RADIUS_M for bulb in street.bulbs]
    return np.asarray(np.min(np.abs(away), axis=0), dtype=np.float64)


def _inward(streets: list[Street], xy: Floats, which: NDArray[np.intp]) -> Floats:
    """Return unit vectors that point from the street across its right-of-way line."""
    points = shapely.points(xy)
    lines = np.array([s.centreline for s in streets])[which]
    foot = shapely.get_coordinates(shapely.line_interpolate_point(lines, shapely.line_locate_point(lines, points)))
    away = xy - foot
    return np.asarray(away / np.hypot(away[:, 0], away[:, 1])[:, None], dtype=np.float64)


def _stretches(run: NDArray[np.intp], area_m2: Floats, *, rng: np.random.Generator) -> NDArray[np.intp]:
    """Give each sample its lot: as many equal parts of a run as its length and its area call for."""
    share = 0.5 * SAMPLE_STEP_M / LOT_WIDTH_M + 0.5 * area_m2 / LOT_AREA_M2
    lot = np.zeros(len(run), dtype=np.intp)
    first = 0
    for number in np.unique(run):
        rows = np.flatnonzero(run == number)
        total = float(share[rows].sum())
        count = max(1, round(total))
        cuts = (np.arange(1, count) + rng.uniform(-0.09, 0.09, count - 1)) * total / count
        lot[rows] = first + np.searchsorted(cuts, np.cumsum(share[rows]) - share[rows] / 2)
        first += count
    return lot


def _join_faces(faces: NDArray[np.object_], lot: NDArray[np.intp]) -> gpd.GeoDataFrame:
    """Join faces to lots; a stray piece or a lot too small goes to the neighbour with the longest common edge."""
    pieces = gpd.GeoDataFrame({"lot": lot}, geometry=faces).dissolve("lot", method="coverage").explode()
    pieces["geometry"] = shapely.normalize(pieces.geometry.to_numpy())
    area_m2 = pieces.area.to_numpy()
    largest = pd.Series(area_m2, index=pieces.index).groupby(level=0).transform("max").to_numpy()
    keep = (area_m2 >= LEAST_LOT_AREA_M2) & (area_m2 == largest)
    lots: gpd.GeoDataFrame = pieces[keep].copy()
    shapes: NDArray[np.object_] = lots.geometry.to_numpy().copy()
    for stray in pieces.geometry.to_numpy()[~keep]:
        common_m = shapely.length(shapely.intersection(shapely.boundary(shapes), stray.boundary))
        at = int(np.argmax(common_m))
        # A common edge under 3 m would leave a lot with a tail: such a piece stays with the common ground.
        if common_m[at] > 3 and shapely.area(shapes[at]) + stray.area < 2 * LOT_AREA_M2:
            shapes[at] = shapely.coverage_union(shapes[at], stray)
    lots["geometry"] = np.array([_only_polygon(shape) for shape in shapes], dtype=object)
    return lots


def _only_polygon(shape: BaseGeometry) -> Polygon:
    """Return a lot's one polygon without pinholes."""
    parts = shapely.get_parts(shape)
    return Polygon(parts[np.argmax(shapely.area(parts))].exterior)


def lot_edges(lots: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Take the lots' outlines apart into one line per pair of neighbours and per outer side.

    Parameters
    ----------
    lots : geopandas.GeoDataFrame
        Lots as a valid coverage.

    Returns
    -------
    geopandas.GeoDataFrame
        left, right (lot positions; right is -1 at the outside), geometry (LineString).
    """
    shapes = lots.geometry.to_numpy()
    left, right = shapely.STRtree(shapes).query(shapes, predicate="touches")
    once = left < right
    left, right = left[once], right[once]
    order = np.lexsort((right, left))
    left, right = left[order], right[order]
    common = shapely.line_merge(_lines_only(shapely.intersection(shapely.boundary(shapes[left]), shapes[right])))
    outside = shapely.boundary(shapes).copy()
    shared = shapely.union_all(common)
    outside = shapely.line_merge(_lines_only(shapely.difference(outside, shared)))
    frame = gpd.GeoDataFrame(
        {"left": [*left, *range(len(shapes))], "right": [*right, *([-1] * len(shapes))]},
        geometry=[*common, *outside],
    )
    frame = frame.explode(ignore_index=True)
    kept: gpd.GeoDataFrame = frame[frame.length > 0.05].reset_index(drop=True)
    return kept


def as_points(xy: Floats) -> NDArray[np.object_]:
    """Return an array of points from an array of coordinates."""
    return np.asarray(shapely.points(xy), dtype=object)


def _lines_only(shapes: NDArray[np.object_]) -> NDArray[np.object_]:
    """Drop the points from mixed intersections."""
    kept = []
    for shape in shapes:
        parts = shapely.get_parts(shape)
        kept.append(MultiLineString(list(parts[shapely.get_dimensions(parts) == 1])))
    return np.array(kept, dtype=object)
