"""Time the whole exposure model on a town of 5,000 lots beside a raster of 1 m cells, 3 x 3 km.

    python tests/benchmarks/bench_exposure.py

Prints the seconds of each step and the most memory taken; the target is 40 s and 2 GB.
"""

from __future__ import annotations

import resource
import tempfile
import time
import warnings
from pathlib import Path
from typing import TYPE_CHECKING, Any

import geopandas as gpd
import numpy as np
import rasterio
import shapely
from affine import Affine
from scipy.ndimage import gaussian_filter

from geotools import exposure
from geotools.habitat import map_habitat_surface
from geotools.rasters import Raster, open_raster

if TYPE_CHECKING:
    from collections.abc import Callable

CRS = "EPSG:26912"
EAST_M, NORTH_M, SIDE_M = 440_000.0, 3_690_000.0, 3000
TARGET_S, TARGET_GB = 40.0, 2.0


def layer(shapes: Any, **columns: Any) -> gpd.GeoDataFrame:
    return gpd.GeoDataFrame(columns, geometry=gpd.GeoSeries(list(shapes), crs=CRS))


def draw_town(*, columns: int = 71, rows: int = 71) -> dict[str, gpd.GeoDataFrame]:
    """Lots of 25 x 36 m with houses, walls and streets between every ten of them, desert around, one wash through."""
    rng = np.random.default_rng(1)
    number, row = np.meshgrid(np.arange(columns), np.arange(rows))
    x = EAST_M + 200 + 25.0 * number.ravel() + 12.0 * (number.ravel() // 10)
    y = NORTH_M + 200 + 36.0 * row.ravel()
    lots = shapely.box(x, y, x + 25, y + 36)
    corners = np.stack([x, y + 20, x, y + 36, x + 25, y + 36], axis=1).reshape(-1, 3, 2)
    town = shapely.box(*shapely.total_bounds(lots)).buffer(8)
    desert = shapely.box(EAST_M, NORTH_M, EAST_M + SIDE_M, NORTH_M + SIDE_M).difference(town)
    bed = [(0, 100), (900, 1300), (1700, 1200), (SIDE_M, 2500)]
    streets = EAST_M + 200 + 262.0 * np.arange(1, 8) - 6
    scatter = np.column_stack([EAST_M + rng.uniform(200, 2200, 20_000), NORTH_M + rng.uniform(200, 2700, 20_000)])
    met = np.column_stack([EAST_M + 200 + rng.exponential(200, 150), NORTH_M + 200 + rng.uniform(0, 2000, 150)])
    return {
        "parcels": layer(lots, parcel_id=[f"{at:05d}" for at in range(len(lots))]),
        "desert": layer([desert]),
        "wash": layer([shapely.LineString([(EAST_M + a, NORTH_M + b) for a, b in bed]).buffer(3)]),
        "roads": layer([shapely.LineString([(e, NORTH_M), (e, NORTH_M + SIDE_M)]) for e in streets], width_m=[9.0] * 7),
        "walls": layer(shapely.linestrings(corners), sound_now=rng.random(len(lots)) < 0.5),
        "buildings": layer(shapely.box(x + 4, y + 9, x + 21, y + 23)),
        "footholds": layer(shapely.points(scatter)),
        "encounters": layer(shapely.points(met)),
        "lines": layer(
            shapely.boundary(shapely.box(x + 0.3, y + 0.3, x + 24.7, y + 35.7)), recommended=[True] * len(x)
        ),
    }


def draw_picture(path: Path) -> Raster:
    """Red and near infrared in cells of 1 m, with patches of green."""
    rng = np.random.default_rng(2)
    red = rng.integers(800, 2000, (SIDE_M, SIDE_M)).astype("uint16")
    patches = gaussian_filter(rng.normal(size=red.shape), 3)
    infrared = (red * (1.15 + 0.5 * (patches > patches.std()))).astype("uint16")
    transform = Affine(1, 0, EAST_M, 0, -1, NORTH_M + SIDE_M)
    with rasterio.open(
        path, "w", driver="GTiff", height=SIDE_M, width=SIDE_M, count=2, dtype="uint16", crs=CRS, transform=transform,
        tiled=True,
    ) as dataset:  # fmt: skip
        dataset.write(np.stack([red, infrared]))
    return open_raster(path, "vegetation", {"red": 1, "near_infrared": 2})


def main() -> None:
    """Run every step in turn and print what it took."""
    warnings.simplefilter("ignore")
    total_s = 0.0

    def timed(name: str, work: Callable[[], Any]) -> Any:
        nonlocal total_s
        start = time.perf_counter()
        result = work()
        taken_s = time.perf_counter() - start
        total_s += taken_s
        print(f"{name:<18}{taken_s:7.2f} s   peak {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6:.2f} GB")
        return result

    with tempfile.TemporaryDirectory() as folder:
        town, green = draw_town(), draw_picture(Path(folder) / "green.tif")
        lots, desert, wash = town["parcels"], town["desert"], town["wash"]
        ways = town["buildings"], town["roads"], town["walls"], None, None, green
        print(f"{len(lots):,} lots, raster of {green.width:,} x {green.height:,} cells of 1 m")
        surface = timed("habitat surface", lambda: map_habitat_surface(lots, desert, wash, green))
        moved = timed("movement", lambda: exposure.measure_movement(lots, surface, *ways))
        layers = desert, wash, green, town["footholds"], surface, moved, None, town["encounters"]
        factors = timed("factors", lambda: exposure.measure_factors(lots, *layers))
        scored = timed("score", lambda: exposure.score_exposure(lots, factors=factors))
        scored = timed("rank draws", lambda: exposure.rank_uncertainty(scored, factors))
        timed("validation", lambda: exposure.validate_exposure(scored, town["encounters"]))
        timed("routes", lambda: exposure.draw_routes(lots, surface, scored, *ways))
        timed(
            "scenarios",
            lambda: exposure.compare_scenarios(lots, scored, factors, surface, moved, town["lines"], None, *ways),
        )
    print(f"{'together':<18}{total_s:7.2f} s   target {TARGET_S:g} s, {TARGET_GB:g} GB")


if __name__ == "__main__":
    main()
