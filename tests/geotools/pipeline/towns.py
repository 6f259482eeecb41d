"""A row of small towns at the desert's edge, far enough apart to be subdivisions of their own."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from shapely import LineString

from geotools.pipeline import Plan, find_plan, read_plan
from geotools.pipeline.plan import change_plan

LAYERS = ("parcels", "buildings", "open_desert", "roads", "footholds", "walls", "gates")
APART_M = 400.0


def write_towns(path: Path, *, towns: int, seed: int = 5) -> Path:
    """Write towns of four lots each: walls on some lot lines, some low or with openings, gates, footholds at random."""
    random = np.random.default_rng(seed)
    east, north = 430_000.0, 3_700_000.0
    made: dict[str, list[gpd.GeoDataFrame]] = {name: [] for name in LAYERS}

    def add(name: str, shapes: object, **columns: object) -> None:
        made[name].append(gpd.GeoDataFrame(columns, geometry=shapes, crs=26912))

    for town in range(towns):
        x, y = east + APART_M * town, north
        lots = shapely.box(x + 20.0 * np.arange(4), y, x + 20.0 * np.arange(4) + 20.0, y + 40.0)
        add("parcels", lots, APN=[f"{town:03d}-{n}" for n in range(4)])
        add("buildings", shapely.box(x + 20.0 * np.arange(4) + 4, y + 8, x + 20.0 * np.arange(4) + 16, y + 20))
        add("open_desert", [shapely.box(x - 100, y + 40 + random.uniform(0, 60), x + 180, y + 300)])
        add("roads", [LineString([(x - 60, y - 8), (x + 140, y - 8)])], width_ft=[24.0])
        spots = shapely.points(x + random.uniform(-5, 85, 12), y + random.uniform(-2, 48, 12))
        add("footholds", spots, kind=["rock"] * 12, height_in=random.uniform(6, 40, 12))
        sides = [side for lot in lots[random.random(4) < 0.7] for side in _sides(lot)]
        heights = random.choice([30.0, 60.0, 72.0], len(sides))
        openings = random.choice([0.0, 0.1, 2.0], len(sides), p=[0.5, 0.3, 0.2])
        add("walls", sides, kind=["block"] * len(sides), height_in=heights, opening_in=openings)
        add("gates", [shapely.Point(x + 10, y + 40)], width_ft=[3.0], opening_in=[0.2])
    for name, parts in made.items():
        gpd.GeoDataFrame(pd.concat(parts, ignore_index=True), crs=26912).to_file(path, layer=name, driver="GPKG")
    return path


def county_plan(towns: Path, *settings: str) -> Plan:
    inputs = [f"{name}={towns}#{name}" for name in LAYERS]
    return change_plan(read_plan(find_plan("county")), inputs=inputs, settings=["parcels.id=APN", *settings])


def _sides(lot: shapely.Polygon) -> list[LineString]:
    corners = shapely.get_coordinates(lot.exterior)
    return [LineString(corners[number : number + 2]) for number in range(4)]
