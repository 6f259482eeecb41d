"""Small data for tests of the whole: four lots in a row at the edge of the desert, by hand."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

import geopandas as gpd
import pytest
from hypothesis import settings
from shapely import LineString, Point, box

if TYPE_CHECKING:
    from pathlib import Path

# The same cases at every run in CI, new ones at a desk: a find at a desk becomes a test.
# No deadline: a first call pays for its imports.
settings.register_profile("ci", derandomize=True, deadline=None)
settings.register_profile("desk", deadline=None)
settings.load_profile("ci" if os.environ.get("CI") else "desk")

EAST_M, NORTH_M = 430_000.0, 3_700_000.0
"""South-west corner of the street in EPSG:26912; near the middle of its zone."""


def at(x: float, y: float) -> tuple[float, float]:
    return EAST_M + x, NORTH_M + y


def rectangle(west: float, south: float, east: float, north: float) -> object:
    return box(*at(west, south), *at(east, north))


def write_town(path: Path) -> Path:
    """Four lots of 20 x 40 m side by side north of a street, desert beyond the rear lot lines, a house on each."""
    layers = {
        "parcels": gpd.GeoDataFrame(
            {"APN": ["001", "002", "003", "004"]}, geometry=[rectangle(20 * n, 0, 20 * n + 20, 40) for n in range(4)]
        ),
        "buildings": gpd.GeoDataFrame(geometry=[rectangle(20 * n + 4, 8, 20 * n + 16, 20) for n in range(4)]),
        "open_desert": gpd.GeoDataFrame(geometry=[rectangle(-200, 40, 280, 400)]),
        "roads": gpd.GeoDataFrame({"width_ft": [24.0]}, geometry=[LineString([at(-50, -8), at(130, -8)])]),
        "footholds": gpd.GeoDataFrame(
            {"kind": ["rock", "planter"], "height_in": [18.0, None]},
            geometry=[Point(at(10, 40.2)), Point(at(50, 39.9))],
        ),
    }
    for name, layer in layers.items():
        layer.set_crs(26912).to_file(path, layer=name, driver="GPKG")
    return path


@pytest.fixture(scope="session")
def town(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_town(tmp_path_factory.mktemp("town") / "town.gpkg")


@pytest.fixture(scope="session")
def town_inputs(town: Path) -> list[str]:
    """The town as `--input` and `--set` arguments of the command."""
    layers = ("parcels", "buildings", "open_desert", "roads", "footholds")
    inputs = [word for name in layers for word in ("--input", f"{name}={town}#{name}")]
    return [*inputs, "--set", "parcels.id=APN"]
