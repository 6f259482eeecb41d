"""Make up lots that are awkward to draw lines on, all along one street, and move the whole of them about."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, NamedTuple

import geopandas as gpd
import numpy as np
import shapely
from shapely import MultiPolygon, Polygon, box

if TYPE_CHECKING:
    from collections.abc import Sequence

CRS = "EPSG:32612"
EAST_M, NORTH_M = 510_000.0, 3_575_000.0
CORNER = np.array([EAST_M, NORTH_M])
STEP_M = 100.0
"""Lots stand this far apart, so that each has its surroundings to itself."""
LOT, HOUSE = box(0, 0, 20, 40), box(4, 8, 16, 20)
STREET_Y_M = -8.0


class Case(NamedTuple):
    """A lot and what stands on it, with the lot's front corner at the origin and the street south of it."""

    lot: Any = LOT
    buildings: Sequence[Any] = (HOUSE,)
    easements: Sequence[Any] = ()
    wash_ground: Sequence[Any] = ()


CASES = {
    "plain": Case(),
    "garage to the street": Case(buildings=[Polygon([(4, 12), (10, 12), (10, 8), (16, 8), (16, 22), (4, 22)])]),
    "court to the rear": Case(
        buildings=[Polygon([(4, 8), (16, 8), (16, 22), (12, 22), (12, 14), (8, 14), (8, 22), (4, 22)])]
    ),
    "court to the street": Case(
        buildings=[Polygon([(4, 8), (8, 8), (8, 14), (12, 14), (12, 8), (16, 8), (16, 22), (4, 22)])]
    ),
    "jog in the side wall": Case(buildings=[Polygon([(4, 8), (16, 8), (16, 20), (2.5, 20), (2.5, 13), (4, 13)])]),
    "shed at the side": Case(buildings=[HOUSE, box(1, 34, 4, 37)]),
    "shed in the yard": Case(buildings=[HOUSE, box(8, 28, 11, 31)]),
    "shed in front": Case(buildings=[HOUSE, box(8, 1, 11, 4)]),
    "two touching parts": Case(buildings=[box(4, 8, 10, 20), box(10, 10, 16, 22)]),
    "turned house": Case(buildings=[Polygon([(6, 8), (16, 11), (13, 21), (3, 18)])]),
    "zero lot line": Case(buildings=[box(0, 8, 12, 20)]),
    "over the lot line": Case(buildings=[box(-2, 8, 10, 20)]),
    "neighbour's eaves": Case(buildings=[HOUSE, box(-10, 8, 0.4, 20)]),
    "along the lot line": Case(
        buildings=[Polygon([(15, 8), (26, 8), (26, 18), (20, 18), (20, 12), (15, 12)]), box(4, 8, 14.5, 20)]
    ),
    "wash behind the house": Case(wash_ground=[box(-5, 25, 25, 28)]),
    "wash through the house": Case(wash_ground=[box(-5, 12, 25, 14)]),
    "wash cuts an empty lot": Case(buildings=(), wash_ground=[box(-5, 25, 25, 28)]),
    "easement at the rear": Case(easements=[box(-5, 37, 25, 45)]),
    "easement beside": Case(easements=[box(20, 0, 25, 40)]),
    "easement island": Case(easements=[box(12, 30, 15, 33)]),
    "easement everywhere": Case(easements=[box(-5, -5, 25, 45)]),
    "easement and wash": Case(easements=[box(-5, 37, 25, 45)], wash_ground=[box(-5, 30, 4, 50)]),
    "no building": Case(buildings=()),
    "house elsewhere": Case(buildings=[box(30, 8, 42, 20)]),
    "house over all": Case(buildings=[box(-1, -1, 21, 41)]),
    "house to the rear": Case(buildings=[box(0, 8, 20, 40)]),
    "missing lot": Case(lot=None),
    "empty lot": Case(lot=Polygon()),
    "lot in two parts": Case(lot=MultiPolygon([LOT, box(30, 0, 40, 10)])),
    "tiny lot": Case(lot=box(0, 0, 1, 1), buildings=()),
    "sliver lot": Case(lot=box(0, 0, 0.5, 40), buildings=()),
    "flag lot": Case(
        lot=Polygon([(0, 0), (5, 0), (5, 30), (25, 30), (25, 60), (0, 60)]), buildings=[box(6, 36, 18, 48)]
    ),
    "lot with a hole": Case(lot=LOT.difference(box(14, 30, 17, 33))),
    "slanted lot": Case(lot=Polygon([(0, 0), (20, -3), (24, 38), (-3, 44)])),
}


class Town(NamedTuple):
    """The layers that the lots are drawn on."""

    parcels: gpd.GeoDataFrame
    buildings: gpd.GeoDataFrame
    roads: gpd.GeoDataFrame
    easements: gpd.GeoDataFrame
    wash_ground: gpd.GeoDataFrame


def make_town(cases: dict[str, Case] | None = None) -> Town:
    """Put lots side by side along a street at real-world coordinates."""
    cases = CASES if cases is None else cases
    at = [(EAST_M + STEP_M * number, NORTH_M) for number in range(len(cases))]

    def layer(name: str) -> gpd.GeoDataFrame:
        shapes = [
            shapely.transform(shape, lambda points, by=by: points + by)
            for case, by in zip(cases.values(), at, strict=True)
            for shape in getattr(case, name)
        ]
        return gpd.GeoDataFrame(geometry=gpd.GeoSeries(shapes, crs=CRS))

    lots = [
        None if case.lot is None else shapely.transform(case.lot, lambda points, by=by: points + by)
        for case, by in zip(cases.values(), at, strict=True)
    ]
    ends = [(EAST_M - STEP_M, NORTH_M + STREET_Y_M), (EAST_M + STEP_M * len(cases), NORTH_M + STREET_Y_M)]
    return Town(
        gpd.GeoDataFrame({"parcel_id": list(cases)}, geometry=gpd.GeoSeries(lots, crs=CRS)),
        layer("buildings"),
        gpd.GeoDataFrame(geometry=[shapely.LineString(ends)], crs=CRS),
        layer("easements"),
        layer("wash_ground"),
    )


def moved(
    layer: gpd.GeoDataFrame, *, turn_deg: float = 0.0, mirror: bool = False, by_m: tuple[float, float] = (0, 0)
) -> Any:
    """Turn a layer about the town's corner, mirror it east to west, and shift it."""
    cos, sin = math.cos(math.radians(turn_deg)), math.sin(math.radians(turn_deg))
    matrix = np.array([[cos, -sin], [sin, cos]]) @ np.diag([-1.0 if mirror else 1.0, 1.0])
    shapes = shapely.transform(
        layer.geometry.to_numpy(), lambda points: (points - CORNER) @ matrix.T + CORNER + np.asarray(by_m)
    )
    return layer.set_geometry(gpd.GeoSeries(shapes, index=layer.index, crs=layer.crs))


def moved_town(town: Town, **how: Any) -> Town:
    """Move every layer of a town alike."""
    return Town(*(moved(layer, **how) for layer in town))
