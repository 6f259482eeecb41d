"""Draw what lies around and between the lots: washes, open desert, climbable things and past encounters."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from houses import Houses, from_frame
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline
from shapely import LineString
from shapely.geometry.base import BaseGeometry
from town_plan import as_points

Floats = NDArray[np.float64]

SNAKES = {
    "western diamond-backed rattlesnake": 0.55,
    "gopher snake": 0.25,
    "tiger rattlesnake": 0.1,
    "Mojave rattlesnake": 0.1,
}
MONTH_SHARE = np.array([0.2, 0.4, 2, 4, 4, 3, 4, 5, 4, 2.5, 0.8, 0.2])

# kind: least and greatest height (m)
HEIGHTS_M = {
    "rock": (0.2, 0.65),
    "boulder": (0.6, 1.3),
    "shrub": (0.4, 1.5),
    "tree": (2.5, 6.0),
    "planter": (0.3, 0.6),
    "woodpile": (0.5, 1.2),
    "air conditioning unit": (0.75, 0.95),
}
# A sound yard stays sound: nothing near its walls stands higher than this, within this distance.
LOW_M, CLEAR_M = 0.5, 1.3


def draw_washes(rng: np.random.Generator) -> gpd.GeoDataFrame:
    """Draw two braided washes that run from the desert past, and partly through, the subdivision.

    Parameters
    ----------
    rng : numpy.random.Generator
        Meanders and braids.

    Returns
    -------
    geopandas.GeoDataFrame
        wash (name), width_m, q100_cfs (main channels only), geometry (LineString); local frame, metres.
    """
    courses = {
        "Lost Lantern Wash": (
            [
                (706, 622),
                (640, 528),
                (598, 430),
                (556, 330),
                (528, 232),
                (503, 172),
                (491.5, 124),
                (492, 72),
                (504, 24),
                (512, -28),
            ],
            (6.5, 410.0),
        ),
        "Quail Track Wash": (
            [(330, 645), (268, 560), (190, 492), (118, 436), (40, 410), (-30, 330), (-64, 290)],
            (4.5, 165.0),
        ),
    }
    rows = []
    for name, (waypoints, (width_m, q100_cfs)) in courses.items():
        xy = np.array(waypoints, dtype=np.float64)
        # The end near the lots keeps its place, so that the number of lots cut does not depend on luck.
        xy[:4] += rng.uniform(-14, 14, (4, 2))
        along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(xy, axis=0).T))])
        station = np.linspace(0, along[-1], int(along[-1] // 5))
        spline = CubicSpline(along, xy)
        slope = spline(station, 1)
        across = np.column_stack([-slope[:, 1], slope[:, 0]]) / np.hypot(*slope.T)[:, None]
        fade = np.clip(1 - station / along[-1] * 1.25, 0.12, 1)
        wander = fade * (5 * np.sin(station / 17 + rng.uniform(0, 6)) + 3 * np.sin(station / 7.3 + rng.uniform(0, 6)))
        main = spline(station) + across * wander[:, None]
        rows.append((name, width_m, q100_cfs, LineString(main.round(3))))
        count = len(station)
        side = 1
        for start in (0.05, 0.3, 0.52):
            begin, end = (int(count * (start + rng.uniform(0, 0.03))), int(count * (start + rng.uniform(0.17, 0.22))))
            bulge = rng.uniform(9, 17) * side * np.sin(np.linspace(0, np.pi, end - begin)) ** 0.8
            braid = main[begin:end] + across[begin:end] * bulge[:, None]
            rows.append((name, width_m * rng.uniform(0.35, 0.55), np.nan, LineString(braid.round(3))))
            side = -side
    frame = gpd.GeoDataFrame(rows, columns=["wash", "width_m", "q100_cfs", "geometry"], geometry="geometry")
    return frame.assign(width_m=frame["width_m"].round(1))


def channels(washes: gpd.GeoDataFrame) -> BaseGeometry:
    """Return the washes with their width as one shape."""
    return shapely.union_all(shapely.buffer(washes.geometry.to_numpy(), washes["width_m"].to_numpy() / 2, quad_segs=2))


def draw_open_desert(lots: gpd.GeoDataFrame, roads: BaseGeometry) -> gpd.GeoDataFrame:
    """Draw the undeveloped ground north and east of the lots; it shares the rear lot lines.

    Parameters
    ----------
    lots : geopandas.GeoDataFrame
        Lots in the local frame.
    roads : shapely geometry
        Rights-of-way.

    Returns
    -------
    geopandas.GeoDataFrame
        name, geometry (Polygon), two rows.
    """
    built = shapely.union(shapely.coverage_union_all(lots.geometry.to_numpy()), roads)
    slivers = built.buffer(3, join_style="mitre").buffer(-3, join_style="mitre").difference(built)
    thin = [part for part in shapely.get_parts(slivers) if part.area > 5]
    east = shapely.box(430, 12, 712, 316).difference(shapely.union_all([built, *thin]))
    region = shapely.union(shapely.box(430, 12, 712, 640), shapely.box(-26, 212, 712, 640))
    north = region.difference(shapely.union_all([built, *thin, shapely.box(430, 0, 800, 316)]))
    shapes = [max(shapely.get_parts(side), key=shapely.area) for side in (north, east)]
    return gpd.GeoDataFrame({"name": ["North bajada", "Lost Lantern flat"]}, geometry=shapes)


def strew_footholds(
    lots: gpd.GeoDataFrame,
    houses: Houses,
    edges: gpd.GeoDataFrame,
    sound_walls: NDArray[np.object_],
    desert: BaseGeometry,
    *,
    rng: np.random.Generator,
) -> gpd.GeoDataFrame:
    """Strew rocks, shrubs, trees, planters, woodpiles and cooling units where they stand in real yards.

    Parameters
    ----------
    lots, houses, edges
        Results of ``cut_lots``, ``build_houses`` and ``lot_edges``.
    sound_walls : array of LineString
        Walls beside which nothing high may stand.
    desert : shapely geometry
        Open desert.
    rng : numpy.random.Generator
        Places, kinds and heights.

    Returns
    -------
    geopandas.GeoDataFrame
        kind, height_m, geometry (Point mostly, some Polygon and LineString).
    """
    beside = rng.choice(
        ("rock", "shrub", "boulder", "tree", "planter", "woodpile"), 270, p=(0.3, 0.34, 0.06, 0.1, 0.1, 0.1)
    )
    beyond = rng.choice(("rock", "shrub", "boulder", "tree"), 215, p=(0.38, 0.4, 0.12, 0.1))
    line = edges.geometry.to_numpy()
    length_m = shapely.length(line)
    along_edge = rng.choice(len(line), len(beside), p=length_m / length_m.sum())
    near = _beside(
        line[along_edge], rng.uniform(0.15, 1.6, len(beside)) * rng.choice((-1, 1), len(beside)), beside, rng=rng
    )
    outer = line[(edges["right"].to_numpy() < 0) & (shapely.distance(line, desert) < 0.01)]
    touching = shapely.intersection(outer, shapely.buffer(desert, 0.01))
    touching = touching[shapely.length(touching) > 1]
    weight = shapely.length(touching) / shapely.length(touching).sum()
    foot = shapely.line_interpolate_point(
        rng.choice(touching, len(beyond), p=weight), rng.random(len(beyond)), normalized=True
    )
    away = rng.normal(0, 1, (len(beyond), 2)) * np.repeat(rng.choice((0.6, 3.0, 9.0), (len(beyond), 1)), 2, axis=1)
    far = shapely.points(shapely.get_coordinates(foot) + away)
    far_ok = shapely.contains(desert, far)

    housed = np.flatnonzero(np.isfinite(houses.left_u_m))
    cooled = housed[rng.random(len(housed)) < 0.7]
    right = rng.random(len(cooled)) < 0.5
    u = np.where(right, houses.right_u_m[cooled] + 0.55, houses.left_u_m[cooled] - 0.55)
    v = houses.front_v_m[cooled] + 0.55 * (houses.rear_v_m - houses.front_v_m)[cooled] + rng.uniform(-1, 3, len(cooled))
    units = from_frame(lots, as_points(np.column_stack([u, v])), cooled)
    shapes = np.concatenate([near, far[far_ok], units])
    kind = np.concatenate([beside, beyond[far_ok], ["air conditioning unit"] * len(units)])
    low, high = np.array([HEIGHTS_M[k] for k in kind]).T
    height_m = low + (high - low) * rng.beta(1.6, 2.2, len(kind))

    clear = np.ones(len(shapes), dtype=bool)
    tall = height_m > LOW_M
    clear[np.unique(shapely.STRtree(shapes).query(sound_walls, predicate="dwithin", distance=CLEAR_M)[1])] = False
    buildings = shapely.STRtree(houses.buildings.geometry.to_numpy())
    indoors = np.zeros(len(shapes), dtype=bool)
    indoors[buildings.query(shapes, predicate="intersects")[0]] = True
    kept = (clear | ~tall) & ~indoors
    return gpd.GeoDataFrame({"kind": kind[kept], "height_m": height_m[kept]}, geometry=shapes[kept])


def record_encounters(
    ground: BaseGeometry, washes: gpd.GeoDataFrame, desert: BaseGeometry, *, count: int, rng: np.random.Generator
) -> gpd.GeoDataFrame:
    """Invent encounter records, more of them near washes and the desert's edge and in the warm months.

    Parameters
    ----------
    ground : shapely geometry
        Where people would see and report a snake (lots and streets, and just beyond).
    washes, desert
        Layers in the local frame.
    count : int
        How many records.
    rng : numpy.random.Generator
        Places, dates and kinds.

    Returns
    -------
    geopandas.GeoDataFrame
        observed_on (ISO date text), species, geometry (Point), in the order of the dates.
    """
    west, south, east, north = ground.bounds
    xy = np.column_stack([rng.uniform(west, east, 60 * count), rng.uniform(south, north, 60 * count)])
    points = as_points(xy)
    draw = shapely.union_all(washes.geometry.to_numpy())
    chance = (
        0.06 + 0.6 * np.exp(-shapely.distance(points, draw) / 35) + 0.5 * np.exp(-shapely.distance(points, desert) / 30)
    )
    kept = np.flatnonzero(shapely.contains(ground, points) & (rng.random(len(points)) < chance / 1.2))[:count]
    year = rng.choice((2024, 2025, 2026), len(kept), p=(0.27, 0.35, 0.38))
    month = rng.choice(np.arange(1, 13), len(kept), p=MONTH_SHARE / MONTH_SHARE.sum())
    # The record ends in October 2026.
    month = np.where((year == 2026) & (month > 10), 9, month)
    observed = pd.to_datetime({"year": year, "month": month, "day": rng.integers(1, 29, len(kept))})
    species = rng.choice(list(SNAKES), len(kept), p=list(SNAKES.values()))
    frame = gpd.GeoDataFrame(
        {"observed_on": observed.dt.strftime("%Y-%m-%d"), "species": species}, geometry=points[kept]
    )
    return frame.sort_values("observed_on", kind="stable", ignore_index=True)


def _beside(
    lines: NDArray[np.object_], offset_m: Floats, kind: NDArray[np.str_], *, rng: np.random.Generator
) -> NDArray[np.object_]:
    """Place things beside lines: woodpiles as lines, planters and tree crowns as polygons, the rest as points."""
    length_m = shapely.length(lines)
    start = length_m * rng.uniform(0.03, 0.92, len(lines))
    a = shapely.get_coordinates(shapely.line_interpolate_point(lines, start))
    b = shapely.get_coordinates(shapely.line_interpolate_point(lines, start + np.minimum(0.5, length_m * 0.05)))
    way = (b - a) / np.hypot(*(b - a).T)[:, None]
    across = np.column_stack([-way[:, 1], way[:, 0]])
    middle = a + across * offset_m[:, None]
    shapes = as_points(middle)
    size_m = rng.uniform(0.8, 1.6, len(lines))[:, None]
    bar = np.asarray(
        shapely.linestrings(np.stack([middle - way * size_m, middle + way * size_m], axis=1)), dtype=object
    )
    crown = shapely.buffer(shapes, rng.uniform(1.2, 2.6, len(lines)), quad_segs=3)
    shapes = np.where(kind == "woodpile", bar, shapes)
    shapes = np.where(kind == "planter", np.asarray(shapely.buffer(bar, 0.3, cap_style="square"), dtype=object), shapes)
    return np.where((kind == "tree") & (rng.random(len(lines)) < 0.6), crown, shapes)
