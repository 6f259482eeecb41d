"""Check slopes, surface lengths and steps against published windows, arithmetic and an independent program."""

from __future__ import annotations

import math
import subprocess
import warnings
from importlib import metadata
from typing import TYPE_CHECKING

import geopandas as gpd
import numpy as np
import pytest
import rasterio
import shapely
from affine import Affine

from geotools.design import BarrierStandard
from geotools.errors import Assumed, Noticed, RasterError
from geotools.rasters import open_raster, sample
from geotools.reach import measure_surface
from geotools.reach.surface import Surface, elevation_at, read_surface
from geotools.reach.terrain import horn_slope, surface_length

if TYPE_CHECKING:
    from pathlib import Path


def real_ground() -> str:
    """A terrain raster of 400 x 400 cells of 1 m, in the files of an installed package (MIT), which is not imported."""
    files = metadata.files("lidar") or []
    return str(next(file.locate() for file in files if file.as_posix().endswith("data/dem.tif")))


@pytest.mark.published("Horn 1981: a widely reproduced window, cell 5: slope 75.25762 deg")
def test_slope_of_the_published_window() -> None:
    slope_deg, _ = horn_slope([[50, 45, 50], [30, 30, 30], [8, 10, 10]], cell_m=5)
    # The published figure used 57.29578 for 180 / pi.
    assert slope_deg[1, 1] == pytest.approx(75.25762, abs=5e-5)
    assert math.tan(math.radians(slope_deg[1, 1])) == pytest.approx(3.80032, abs=1e-5)
    # The second-order method gives 74.05 here: the weights are those of Horn.
    assert abs(slope_deg[1, 1] - 74.0546) > 1


@pytest.mark.published("Horn 1981: a widely reproduced window: aspect 92.64 deg")
def test_aspect_of_the_published_window() -> None:
    _, aspect_deg = horn_slope([[101, 92, 85], [101, 92, 85], [101, 91, 84]], cell_m=1)
    assert aspect_deg[1, 1] == pytest.approx(92.64, abs=0.005)


@pytest.mark.published("gdaldem of Debian's gdal-bin, on the terrain raster that the lidar package carries")
@pytest.mark.parametrize("what", ["slope", "aspect"])
def test_slope_and_aspect_of_real_ground_as_an_independent_program_has_them(what: str, tmp_path: Path) -> None:
    path = tmp_path / "out.tif"
    subprocess.run(["gdaldem", what, real_ground(), str(path), "-q"], check=True)
    with rasterio.open(path) as dataset, rasterio.open(real_ground()) as ground:
        theirs = dataset.read(1, masked=True).astype(float).filled(np.nan)
        ours = horn_slope(ground.read(1, masked=True).astype(float).filled(np.nan), cell_m=1.0)[what == "aspect"]
        slope_deg = horn_slope(ground.read(1, masked=True).astype(float).filled(np.nan), cell_m=1.0)[0]
    both = ~(np.isnan(theirs) | np.isnan(ours))
    assert both.sum() > 150_000
    # They compute in single precision: sums near 1600 m err by 1e-4, which turns an aspect at 5 degrees by 0.02.
    both &= (slope_deg > 5) | (what == "slope")
    assert both.sum() > 30_000
    apart = np.abs(theirs - ours)[both]
    assert np.minimum(apart, 360 - apart).max() < 0.03
    assert np.isnan(ours[0]).all()
    assert np.isnan(ours[:, -1]).all()


def test_slope_needs_a_grid() -> None:
    assert np.isnan(horn_slope([[1.0, 2.0]], cell_m=1)[0]).all()
    with pytest.raises(RasterError, match="no grid"):
        horn_slope([1.0, 2.0], cell_m=1)


@pytest.mark.published(
    "surface length factors sqrt(1 + s^2): 10 % 1.00499, 20 % 1.01980, 30 % 1.04403, 50 % 1.11803, 100 % 1.41421"
)
@pytest.mark.parametrize(
    ("slope", "factor"), [(0.1, 1.00499), (0.2, 1.01980), (0.3, 1.04403), (0.5, 1.11803), (1.0, 1.41421)]
)
def test_surface_length_on_a_plane(slope: float, factor: float) -> None:
    cells = np.arange(30.0)[None, :] * slope * np.ones((30, 1))
    lines = np.array([shapely.LineString([(1, 5), (21, 5)]), shapely.LineString([(5, 1), (5, 21)])])
    up, level = surface_length(lines, Surface(cells, 0.0, 29.0, 1.0))
    assert up / 20 == pytest.approx(factor, abs=5e-6)
    assert level == pytest.approx(20)


def test_surface_length_against_walking_in_millimetres() -> None:
    """Bilinear ground as rough as 100 %: the three-point rule is within a hundredth of a percent of steps of 1 mm."""
    cells = np.random.default_rng(4).normal(0, 0.4, (20, 20))
    surface = Surface(cells, 0.0, 19.0, 1.0)
    line = shapely.LineString([(1.2, 2.3), (14.1, 9.7), (6.6, 17.2)])
    walked = shapely.get_coordinates(shapely.segmentize(line, 0.001))
    true_m = np.sqrt(np.sum(np.diff(walked, axis=0) ** 2, axis=1) + np.diff(elevation_at(surface, walked)) ** 2).sum()
    assert surface_length(np.array([line]), surface)[0] == pytest.approx(true_m, rel=1e-4)


def test_elevations_are_those_of_the_raster_library() -> None:
    raster = open_raster(real_ground(), "elevation")
    rng = np.random.default_rng(2)
    west, south, east, north = raster.bounds
    points = np.column_stack([rng.uniform(west + 2, east - 2, 500), rng.uniform(south + 2, north - 2, 500)])
    surface = read_surface(raster, raster.bounds, crs=raster.crs)
    np.testing.assert_allclose(elevation_at(surface, points), sample(raster, points, crs=raster.crs), atol=1e-4)


def test_without_elevation_the_plan_length_is_taken_and_said() -> None:
    line = gpd.GeoDataFrame(geometry=[shapely.LineString([(0, 0), (3, 4)]), None], crs=32612)
    with pytest.warns(Assumed, match="taken as level"):
        table = measure_surface(line)
    np.testing.assert_array_equal(table["surface_length_m"], [5.0, np.nan])


def write(path: Path, cells: np.ndarray, cell_m: float) -> str:
    with rasterio.open(
        path, "w", driver="GTiff", height=cells.shape[0], width=cells.shape[1], count=1, dtype="float64",
        crs="EPSG:32612", transform=Affine(cell_m, 0, 500_000, 0, -cell_m, 3_600_000),
    ) as dataset:  # fmt: skip
        dataset.write(cells, 1)
    return str(path)


def terrace(rise_m: float, cell_m: float) -> np.ndarray:
    """Ground that is `rise_m` higher north of y = 3 599 990.3."""
    y = 3_600_000 - (np.arange(int(20 / cell_m)) + 0.5) * cell_m
    return 300 + np.where(y > 3_599_990.3, rise_m, 0.0)[:, None] * np.ones((1, int(20 / cell_m)))


def yard_line() -> gpd.GeoDataFrame:
    yard = shapely.box(500_005, 3_599_985, 500_012, 3_599_990)
    line = gpd.GeoDataFrame(geometry=[yard.exterior], crs=32612)
    return line.assign(enclosed=gpd.GeoSeries([yard], crs=32612))


@pytest.mark.parametrize(("rise_m", "up_m", "down_m"), [(0.6, 0.6, 0.0), (-0.8, 0.0, 0.8), (0.1, 0.0, 0.0)])
def test_steps_are_found_where_the_raster_shows_them(tmp_path: Path, rise_m: float, up_m: float, down_m: float) -> None:
    raster = open_raster(write(tmp_path / "terrace.tif", terrace(rise_m, 0.1), 0.1), "elevation")
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        table = measure_surface(yard_line(), raster)
    assert table["step_up_m"].item() == pytest.approx(up_m, abs=1e-6)
    assert table["step_down_m"].item() == pytest.approx(down_m, abs=1e-6)


@pytest.mark.parametrize(("reach_m", "up_m"), [(0.25, 0.0), (0.4, 0.6), (1.6, 0.6)])
def test_a_step_counts_within_the_reach_alone(tmp_path: Path, reach_m: float, up_m: float) -> None:
    """The step begins 0.25 m from the line and is 0.1 m long: between two centres of cells."""
    raster = open_raster(write(tmp_path / "terrace.tif", terrace(0.6, 0.1), 0.1), "elevation")
    standard = BarrierStandard(body_length_m=2 * (reach_m - 0.1), buffer_m=0.1)
    table = measure_surface(yard_line(), raster, standard=standard)
    assert table["step_up_m"].item() == pytest.approx(up_m, abs=1e-6)


@pytest.mark.parametrize("rise_m", [0.16, 0.2, -0.2, 0.3])
@pytest.mark.parametrize("reach_m", [0.5, 0.9144, 1.6])
def test_a_low_step_is_as_steep_as_its_cells_show_it_for_any_reach(
    tmp_path: Path, rise_m: float, reach_m: float
) -> None:
    """0.16 m between two cells of 0.1 m are 58 degrees."""
    raster = open_raster(write(tmp_path / "terrace.tif", terrace(rise_m, 0.1), 0.1), "elevation")
    standard = BarrierStandard(body_length_m=2 * (reach_m - 0.1), buffer_m=0.1)
    table = measure_surface(yard_line(), raster, standard=standard)
    found = table[["step_up_m", "step_down_m"]].iloc[0].tolist()
    assert found == pytest.approx([max(rise_m, 0.0), max(-rise_m, 0.0)], abs=1e-6)


def test_lines_of_no_length_stay_in_the_row() -> None:
    ramp = Surface(np.array([[0.0, 3.0], [0.0, 3.0]]), 0.0, 1.0, 4.0)
    lines = np.array([None, shapely.LineString([(0, 0), (4, 0)]), shapely.LineString()])
    assert surface_length(lines, ramp).tolist() == [0.0, 5.0, 0.0]


def test_a_coarse_raster_can_not_show_steps_and_it_is_said(tmp_path: Path) -> None:
    raster = open_raster(write(tmp_path / "terrace.tif", terrace(0.6, 1.0), 1.0), "elevation")
    with pytest.warns(Noticed, match=r"cells are 1 m and would have to be 0\.46 m or less"):
        table = measure_surface(yard_line(), raster)
    assert np.isnan(table["step_up_m"].item())
    assert table["surface_length_m"].item() == pytest.approx(24, abs=0.2)
