"""Hold vegetation indices, thresholds and cover against independent libraries on a real satellite picture."""

from __future__ import annotations

import json
import warnings
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
import rasterio
import shapely
from affine import Affine
from pyproj import CRS

from geotools.errors import DesignError, Noticed, RasterError
from geotools.rasters import open_raster
from geotools.vegetation import find_green_index, measure_cover, otsu_threshold, read_index

if TYPE_CHECKING:
    from collections.abc import Callable

    from geotools.rasters import Raster

UTM = CRS.from_epsg(32612)
WEST_M, NORTH_M, CELL_M = 510_000.0, 3_575_000.0, 10.0
TRANSFORM = Affine(CELL_M, 0, WEST_M, 0, -CELL_M, NORTH_M)


def write(path: Path, bands: np.ndarray[Any, Any], nodata: float | None = None) -> str:
    profile = {
        "driver": "GTiff", "count": bands.shape[0], "height": bands.shape[1], "width": bands.shape[2],
        "dtype": bands.dtype.name, "crs": UTM.to_wkt(), "transform": TRANSFORM, "nodata": nodata,
    }  # fmt: skip
    with rasterio.open(path, "w", **profile) as dataset:
        dataset.write(bands)
    return str(path)


@pytest.fixture(scope="module")
def bands(packaged: Callable[[str, str], str]) -> np.ndarray[Any, Any]:
    """Blue, green, red and near infrared of a real place, 300 x 300 cells of 10 m, reflectance times 10,000."""
    picture = json.loads(Path(packaged("spyndex", "data/S2_10m.json")).read_text(encoding="utf-8"))
    return np.array(picture, dtype="uint16")


@pytest.fixture(scope="module")
def ndvi(bands: np.ndarray[Any, Any]) -> np.ndarray[Any, Any]:
    red, infrared = bands[2].astype(float), bands[3].astype(float)
    return np.asarray((infrared - red) / (infrared + red))


@pytest.fixture(scope="module")
def picture(bands: np.ndarray[Any, Any], tmp_path_factory: pytest.TempPathFactory) -> Raster:
    source = write(tmp_path_factory.mktemp("picture") / "four.tif", bands)
    return open_raster(source, "vegetation", {"red": 3, "near_infrared": 4})


def zones(count: int, seed: int) -> np.ndarray[Any, Any]:
    rng = np.random.default_rng(seed)
    x, y = WEST_M + rng.uniform(150, 2800, count), NORTH_M - rng.uniform(150, 2800, count)
    shapes = [
        shapely.Point(a, b).buffer(r, quad_segs=3) for a, b, r in zip(x, y, rng.uniform(8, 120, count), strict=True)
    ]
    return np.array(shapes, dtype=object)


def test_index_of_a_real_picture(picture: Raster, ndvi: np.ndarray[Any, Any]) -> None:
    bounds = (WEST_M + 500, NORTH_M - 1500, WEST_M + 1500, NORTH_M - 500)
    index, transform = read_index(picture, bounds, crs=UTM)
    # The bands pass through 32-bit numbers.
    assert index == pytest.approx(ndvi[50:150, 50:150], abs=1e-6)
    assert (transform.c, transform.f) == (WEST_M + 500, NORTH_M - 500)


def test_cover_against_exact_weights_of_an_independent_reader(
    picture: Raster, ndvi: np.ndarray[Any, Any], tmp_path: Path
) -> None:
    """The other library reads its own file through GDAL; ours reads windows and hands arrays over."""
    import geopandas as gpd
    from exactextract import exact_extract

    areas = zones(60, 1)
    path = write(tmp_path / "green.tif", (ndvi >= 0.3).astype("float64")[None])
    theirs = exact_extract(path, gpd.GeoDataFrame(geometry=areas, crs=UTM), ["mean"], output="pandas")["mean"]
    assert measure_cover(areas, picture, crs=UTM, green_index=0.3) == pytest.approx(theirs.to_numpy(), abs=1e-9)
    assert 0.05 < theirs.mean() < 0.95


def test_cover_against_cell_counts_of_another_library(picture: Raster, ndvi: np.ndarray[Any, Any]) -> None:
    """On zones that follow the edges of cells, counting cells by their centre is exact."""
    rasterstats = pytest.importorskip("rasterstats")
    rng = np.random.default_rng(2)
    west, south = WEST_M + 10 * rng.integers(0, 250, 40), NORTH_M - 10 * rng.integers(60, 300, 40)
    areas = np.asarray(
        shapely.box(west, south, west + 10 * rng.integers(1, 40, 40), south + 10 * rng.integers(1, 40, 40))
    )
    with warnings.catch_warnings(action="ignore"):  # that library's own deprecations
        theirs = rasterstats.zonal_stats(
            list(areas), (ndvi >= 0.3).astype("float64"), affine=TRANSFORM, stats="mean", nodata=-1
        )
    assert measure_cover(areas, picture, crs=UTM, green_index=0.3) == pytest.approx(
        [row["mean"] for row in theirs], abs=1e-9
    )


def test_threshold_against_an_independent_library(picture: Raster, ndvi: np.ndarray[Any, Any]) -> None:
    filters = pytest.importorskip("skimage.filters")
    counts, edges = np.histogram(ndvi, 256, (-1.0, 1.0))
    middle = (edges[:-1] + edges[1:]) / 2
    theirs = filters.threshold_otsu(hist=(counts, middle))
    # They name the middle of the last class below, we the edge after it.
    assert otsu_threshold(counts, edges) == pytest.approx(theirs, abs=1.01 * (edges[1] - edges[0]))
    town = np.array([shapely.box(WEST_M, NORTH_M - 3000, WEST_M + 3000, NORTH_M)], dtype=object)
    assert find_green_index(picture, town, crs=UTM) == pytest.approx(otsu_threshold(counts, edges), abs=1e-9)


def test_windows_give_the_threshold_of_the_whole(picture: Raster, monkeypatch: pytest.MonkeyPatch) -> None:
    x, y = (part.ravel() for part in np.meshgrid(np.arange(15) * 200.0, np.arange(15) * 200.0))
    tiles = np.asarray(shapely.box(WEST_M + x, NORTH_M - y - 200, WEST_M + x + 200, NORTH_M - y))
    whole = find_green_index(picture, tiles, crs=UTM)
    monkeypatch.setattr("geotools.vegetation.WINDOW_M2", 90_000.0)
    assert find_green_index(picture, tiles, crs=UTM) == whole


def test_threshold_of_two_clear_classes() -> None:
    assert otsu_threshold([5, 0, 0, 0, 5], [0, 1, 2, 3, 4, 5]) == pytest.approx(2.5)


def test_holes_and_the_rim_carry_no_weight(tmp_path: Path) -> None:
    index = np.full((1, 10, 10), 0.5, dtype="float32")
    index[0, :, 5:] = -0.1
    index[0, :5] = -9999.0
    raster = open_raster(write(tmp_path / "holes.tif", index, nodata=-9999.0), "vegetation", {"index": 1})
    areas = np.array(
        [
            shapely.box(WEST_M, NORTH_M - 100, WEST_M + 100, NORTH_M),
            shapely.box(WEST_M - 100, NORTH_M - 100, WEST_M + 50, NORTH_M - 50),
            shapely.box(WEST_M, NORTH_M - 50, WEST_M + 50, NORTH_M),
        ],
        dtype=object,
    )
    assert measure_cover(areas, raster, crs=UTM)[:2] == pytest.approx([0.5, 1.0])
    assert np.isnan(measure_cover(areas, raster, crs=UTM)[2])


def test_a_band_of_light_is_no_index(picture: Raster, bands: np.ndarray[Any, Any], tmp_path: Path) -> None:
    area = zones(1, 1)
    for options in ({"index": 4}, {"index": 1}):
        wrong = open_raster(picture.path, "vegetation", options)
        with pytest.raises(RasterError, match="outside -1 to 1"):
            measure_cover(area, wrong, crs=UTM)
    with pytest.raises(RasterError, match="there is no band 5"):
        open_raster(picture.path, "vegetation", {"red": 3, "near_infrared": 5})


def test_swapped_bands_are_noticed(picture: Raster) -> None:
    swapped = open_raster(picture.path, "vegetation", {"red": 4, "near_infrared": 3})
    with pytest.warns(Noticed, match="swapped"):
        measure_cover(zones(30, 3), swapped, crs=UTM)


def test_one_value_gives_no_threshold(tmp_path: Path) -> None:
    same = open_raster(write(tmp_path / "same.tif", np.full((1, 9, 9), 0.4, dtype="float32")), "vegetation")
    inside = np.array([shapely.box(WEST_M + 10, NORTH_M - 80, WEST_M + 80, NORTH_M - 10)], dtype=object)
    with pytest.raises(RasterError, match="one value only"):
        find_green_index(same, inside, crs=UTM)
    with pytest.raises(RasterError, match="no value around"):
        find_green_index(same, shapely.transform(inside, lambda points: points + 1e5), crs=UTM)
    with pytest.raises(DesignError, match="green_index is 3"):
        measure_cover(inside, same, crs=UTM, green_index=3.0)
