"""Small subdivisions at random, as they are after reading, and the steps of the plan `county` done on them."""

from __future__ import annotations

import functools
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from shapely import LineString, affinity
from towns import county_plan

from geotools.pipeline import check_plan
from geotools.pipeline.doing import do_step, listening
from geotools.pipeline.schedule import Schedule

CRS = 26912
EAST_M, NORTH_M = 430_000.0, 3_700_000.0
Layers = dict[str, gpd.GeoDataFrame]


def make_subdivision(seed: int, lots: int, *, gates: bool = True) -> Layers:
    """Two to eight lots of uneven widths along a street, with all that may stand on them or run across."""
    random = np.random.default_rng(seed)
    edges = np.round(np.concatenate([[0], np.cumsum(random.uniform(16, 30, lots))]), 2)
    depth, width = round(random.uniform(30, 48), 2), edges[-1]
    parcels = shapely.box(edges[:-1], 0, edges[1:], depth)
    wide = np.diff(edges)
    west, south = edges[:-1] + random.uniform(1.6, 4, lots), random.uniform(6, 10, lots)
    houses = shapely.box(west, south, west + wide * random.uniform(0.4, 0.7, lots), south + random.uniform(8, 14, lots))
    built = random.random(lots) < 0.9
    desert = [shapely.box(-120, depth + random.uniform(0, 30), width + 120, depth + 200)]
    if random.random() < 0.5:
        desert.append(shapely.box(width + random.uniform(0, 20), -60, width + 120, depth))
    wash_x = random.uniform(0, width)
    wash = [LineString([(wash_x, depth + 80), (wash_x + random.uniform(-15, 15), depth * random.uniform(0.6, 1.1))])]
    sides = [side for lot in parcels for side in _sides(lot) if random.random() < 0.75]
    spots = shapely.points(random.uniform(-4, width + 4, 3 * lots), random.uniform(-2, depth + 6, 3 * lots))
    easements = [shapely.box(-5, depth - random.uniform(0.5, 4), width + 5, depth + 3)] if random.random() < 0.5 else []
    at = np.flatnonzero(random.random(lots) < 0.4) if gates else np.array([], dtype=int)
    stated = np.array([None, None, True, False], dtype=object)
    heights = random.choice([np.nan, 0.4, 0.7, 0.95, 1.2, 1.8], len(sides))
    layers = {
        "parcels": _layer(parcels, parcel_id=pd.array([f"L{n:02d}" for n in range(lots)], dtype="str")),
        "buildings": _layer(houses[built]),
        "open_desert": _layer(desert),
        "washes": _layer(wash, width_m=[random.choice([np.nan, 2.0, 6.0])]),
        "easements": _layer(easements),
        "roads": _layer([LineString([(-40, -7), (width + 40, -7)])], width_m=[7.3]),
        "walls": _layer(
            sides, kind=pd.array(random.choice(["block", "picket", "chain link"], len(sides)), dtype="str"),
            height_m=heights, opening_m=random.choice([0.0, 0.003, 0.05, np.nan], len(sides)), rail_m=np.nan,
            sound=pd.array(random.choice(stated, len(sides)), dtype="boolean"),
        ),
        "gates": _layer(
            shapely.points((edges[at] + edges[at + 1]) / 2, np.full(len(at), depth)), width_m=0.9,
            opening_m=random.choice([0.003, 0.03, np.nan], len(at)),
        ),
        "footholds": _layer(
            spots, kind=pd.array(["rock"] * len(spots), dtype="str"), height_m=random.uniform(0.05, 1.2, len(spots))
        ),
    }  # fmt: skip
    return move(layers, EAST_M, NORTH_M)


def move(layers: Layers, east_m: float, north_m: float, *, turn_deg: float = 0.0) -> Layers:
    """Turn all layers about a corner of the street, then shift them."""

    def moved(shapes: Any) -> Any:
        turned = [affinity.rotate(shape, turn_deg, origin=(EAST_M, NORTH_M)) if turn_deg else shape for shape in shapes]
        return shapely.transform(np.array(turned, dtype=object), lambda xy: xy + np.array([east_m, north_m]))

    return {name: layer.set_geometry(moved(layer.geometry), crs=CRS) for name, layer in layers.items()}


def do_county(layers: Layers) -> dict[str, Any]:
    """Do every step of the plan `county` that makes a table."""
    schedule = _schedule(tuple(layers))
    tables: dict[str, Any] = {**layers, "rejected": layers["parcels"].iloc[:0]}
    with listening():
        for one in schedule.steps:
            if not one.step.makes_file:
                tables[one.row.gives] = do_step(
                    one,
                    tables,
                    standard=schedule.standard,
                    crs=layers["parcels"].crs,
                    folder=Path(),
                    parcels=len(layers["parcels"]),
                )
    return {**tables, "standard": schedule.standard}


@functools.cache
def _schedule(names: tuple[str, ...]) -> Schedule:
    from dataclasses import replace

    plan = county_plan(Path("none.gpkg"))
    return check_plan(replace(plan, inputs={name: f"{name}.gpkg" for name in names}, layer_options={}))


def _layer(shapes: Any, **columns: Any) -> gpd.GeoDataFrame:
    return gpd.GeoDataFrame(columns, geometry=list(shapes), crs=CRS)


def _sides(lot: shapely.Polygon) -> list[LineString]:
    corners = shapely.get_coordinates(lot.exterior)
    return [LineString(corners[number : number + 2]) for number in range(4)]
