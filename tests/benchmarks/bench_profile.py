"""Time the height profile of many lots' lines with footholds and ground of 1 m cells.

    python tests/benchmarks/bench_profile.py --lots 5000 --rough 1.0

Prints seconds and lots per second, on level ground and with the elevation; the ground is made up.
"""

from __future__ import annotations

import argparse
import tempfile
import time
import warnings
from pathlib import Path

import geopandas as gpd
import numpy as np
import rasterio
import shapely
from affine import Affine

from geotools.errors import Noticed
from geotools.rasters import Raster, open_raster
from geotools.reach import measure_setbacks, profile_heights, schedule_panels

EAST_M, NORTH_M = 500_000.0, 3_500_000.0
WIDE_M, DEEP_M = 24.0, 36.0
FOOTHOLDS_PER_LOT = 10


def make_lots(count: int) -> tuple[gpd.GeoDataFrame, gpd.GeoDataFrame]:
    """Lines round lots in a square block, and footholds anywhere."""
    rng = np.random.default_rng(1)
    columns = int(np.sqrt(count))
    number = np.arange(count)
    west, south = EAST_M + (number % columns) * WIDE_M, NORTH_M + (number // columns) * DEEP_M
    yards = shapely.box(west + 0.3, south + 0.3, west + WIDE_M - 0.3, south + DEEP_M - 0.3)
    lines = gpd.GeoDataFrame({"line_id": number.astype(str)}, geometry=shapely.get_exterior_ring(yards), crs=32612)
    many = FOOTHOLDS_PER_LOT * count
    places = rng.random((many, 2)) * [columns * WIDE_M, -(-count // columns) * DEEP_M] + [EAST_M, NORTH_M]
    rocks = gpd.GeoDataFrame(
        {"kind": "rock", "height_m": rng.uniform(0.1, 1.0, many)}, geometry=shapely.points(places), crs=32612
    )
    return lines.assign(enclosed=gpd.GeoSeries(yards, crs=32612)), measure_setbacks(rocks)


def make_ground(lines: gpd.GeoDataFrame, rough: float, path: Path) -> tuple[Raster, float]:
    """Hills with noise, off the grid of whole metres; its mean slope in percent."""
    west, south, east, north = lines.total_bounds
    rows, columns = int(north - south) + 40, int(east - west) + 40
    down, right = np.mgrid[0:rows, 0:columns]
    noise = np.random.default_rng(2).normal(0, 0.03, (rows, columns))
    cells = 500 + rough * (8 * np.sin(right / 17) + 9 * np.cos(down / 23) + noise)
    with rasterio.open(
        path, "w", driver="GTiff", height=rows, width=columns, count=1, dtype="float32", crs="EPSG:32612",
        transform=Affine(1, 0, west - 20.3, 0, -1, north + 20.4),
    ) as dataset:  # fmt: skip
        dataset.write(cells.astype(np.float32), 1)
    return open_raster(path, "elevation"), 100 * float(np.mean(np.hypot(*np.gradient(cells))))


def main() -> None:
    """Run the comparison."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--lots", type=int, default=500)
    parser.add_argument("--rough", type=float, default=1.0)
    asked = parser.parse_args()
    warnings.simplefilter("ignore", Noticed)
    lines, rocks = make_lots(asked.lots)
    with tempfile.TemporaryDirectory() as folder:
        ground, slope_pct = make_ground(lines, asked.rough, Path(folder) / "ground.tif")
        kilometres = lines.length.sum() / 1000
        print(f"{asked.lots:,} lots, {kilometres:,.0f} km of line, {len(rocks):,} footholds; slope {slope_pct:.0f} %")
        for name, elevation in {"level": None, "1 m cells": ground}.items():
            started = time.perf_counter()
            profile = profile_heights(lines, rocks, elevation)
            profiled = time.perf_counter()
            panels = schedule_panels(profile, lines)
            spent = profiled - started
            print(
                f"{name:10} profile {spent:7.2f} s ({asked.lots / spent:8,.0f} lots/s, {len(profile):,} stretches), "
                f"panels {time.perf_counter() - profiled:6.2f} s ({len(panels):,})"
            )


if __name__ == "__main__":
    main()
