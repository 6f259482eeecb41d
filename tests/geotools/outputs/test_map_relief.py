"""The shaded ground: held against planes whose light can be worked out by hand."""

from __future__ import annotations

import base64

import numpy as np
import pytest
import rasterio
from affine import Affine
from pyproj import Transformer
from rasterio.io import MemoryFile

from geotools.outputs.map_relief import draw_relief, shade_slopes
from geotools.rasters import open_raster


def test_a_slope_to_the_north_west_is_light_and_one_to_the_south_east_dark():
    rows, columns = np.mgrid[0:40, 0:40]
    to_north_west = (rows + columns) * 1.0  # higher in the south-east, so it faces north-west
    assert shade_slopes(to_north_west, cell_m=1.0).mean() > 0.3
    assert shade_slopes(-to_north_west, cell_m=1.0).mean() < -0.3


def test_level_ground_has_no_shade_and_a_plane_the_same_everywhere():
    assert not shade_slopes(np.full((9, 9), 700.0), cell_m=2.0).any()
    plane = np.tile(np.arange(30) * 0.05, (20, 1))
    shade = shade_slopes(plane, cell_m=1.0)
    # 5 % exaggerated three times: slope 0.15 up to the east; suns from NW, W, N weigh .6 .2 .2, all 45 degrees high
    light = np.sqrt(0.5) * (1 + 0.15 * (0.6 * np.sqrt(0.5) + 0.2)) / np.sqrt(1 + 0.15**2)
    np.testing.assert_allclose(shade, (light - np.sqrt(0.5)) / (1 - np.sqrt(0.5)), rtol=1e-9)


def test_cells_without_data_stay_without_shade():
    heights = np.add.outer(np.arange(20.0), np.arange(20.0))
    heights[5, 5] = np.nan
    shade = shade_slopes(heights, cell_m=1.0)
    assert np.isnan(shade[5, 5])
    assert np.isfinite(shade[15, 15])


@pytest.mark.filterwarnings("ignore::rasterio.errors.NotGeoreferencedWarning")  # a picture has no place of its own
def test_picture_lies_where_the_terrain_is(tmp_path):
    path = tmp_path / "hill.tif"
    y, x = np.mgrid[0:200, 0:200]
    hill = 30 * np.exp(-((x - 50) ** 2 + (y - 150) ** 2) / 300).astype("float32")
    with rasterio.open(
        path, "w", driver="GTiff", width=200, height=200, count=1, dtype="float32", crs="EPSG:32612",
        transform=Affine(2, 0, 510_000, 0, -2, 3_576_000), nodata=-9999,
    ) as out:  # fmt: skip
        out.write(hill, 1)
    to_page = Transformer.from_crs(32612, 3857, always_xy=True)
    west, south, east, north = to_page.transform_bounds(510_000, 3_575_600, 510_400, 3_576_000)
    relief = draw_relief(open_raster(path, "elevation"), (west, south, east, north))
    with MemoryFile(base64.b64decode(relief.picture.partition(",")[2])) as memory, memory.open() as picture:
        grey, much = picture.read()
        assert picture.count == 2
    rows, columns = np.nonzero(much > 20)
    across = (relief.bounds[2] - relief.bounds[0]) / grey.shape[1]
    found = relief.bounds[0] + (columns.mean() + 0.5) * across, relief.bounds[3] - (rows.mean() + 0.5) * across
    wanted = to_page.transform(510_000 + 2 * 50.5, 3_576_000 - 2 * 150.5)
    # light and dark side of one round hill lie about its top: the middle is good to a few cells
    np.testing.assert_allclose(found, wanted, atol=8)
    light, dark = columns[grey[rows, columns] == 255], columns[grey[rows, columns] == 0]
    assert light.mean() < dark.mean()


def test_no_picture_beyond_the_terrain(tmp_path):
    path = tmp_path / "flat.tif"
    with rasterio.open(
        path, "w", driver="GTiff", width=9, height=9, count=1, dtype="float32", crs="EPSG:32612",
        transform=Affine(2, 0, 510_000, 0, -2, 3_576_000), nodata=-9999,
    ) as out:  # fmt: skip
        out.write(np.zeros((9, 9), "float32"), 1)
    assert draw_relief(open_raster(path, "elevation"), (0.0, 0.0, 100.0, 100.0)) is None
