"""Rasters that are turned, upside down, empty, of another depth, without position, or huge."""

from __future__ import annotations

import math
import warnings
from typing import TYPE_CHECKING

import numpy as np
import rasterio
from affine import Affine
from battery.making import SOUTH, WEST, Case, both, cut, feed, raster, text

if TYPE_CHECKING:
    from pathlib import Path

ROWS, COLUMNS = np.mgrid[0:60, 0:60]
RISING = 600.0 + (60 - ROWS) * 0.1
GREEN = np.stack([np.full((60, 60), 40), np.where(ROWS < 30, 120, 45)])
COS, SIN = 5 * math.cos(math.radians(30)), 5 * math.sin(math.radians(30))
TURNED = Affine(COS, SIN, WEST - 100, SIN, -COS, SOUTH + 200)
SOUTH_UP = Affine(5, 0, WEST - 100, 0, 5, SOUTH - 100)
DEM, BANDS = feed("elevation=dem.tif"), feed("vegetation=v.tif", "vegetation.red=1", "vegetation.near_infrared=2")
INDEX = feed("vegetation=v.tif", "vegetation.index=1")


def with_gap() -> np.ndarray:
    cells = RISING.copy()
    cells[20:35] = -9999
    return cells


def huge(folder: Path) -> None:
    """A hundred thousand cells each way, hardly one of them stored."""
    profile = {"driver": "GTiff", "count": 1, "dtype": "float32", "crs": "EPSG:26912", "tiled": True}
    placed = Affine(1, 0, WEST - 50_000, 0, -1, SOUTH + 50_000)
    with rasterio.open(
        folder / "dem.tif",
        "w",
        height=100_000,
        width=100_000,
        transform=placed,
        SPARSE_OK=True,
        compress="deflate",
        bigtiff="YES",
        blockxsize=4096,
        blockysize=4096,
        **profile,
    ):
        pass


def paletted(folder: Path) -> None:
    raster("v.tif", values=(ROWS // 30) * 3, dtype="uint8", photometric="palette")(folder)
    with rasterio.open(folder / "v.tif", "r+") as out:
        out.write_colormap(1, {0: (0, 0, 0, 255), 3: (0, 255, 0, 255)})


def ground_points(folder: Path) -> None:
    from rasterio.control import GroundControlPoint

    points = [GroundControlPoint(r, c, WEST + 5 * c, SOUTH - 5 * r) for r, c in ((0, 0), (0, 9), (9, 0), (9, 9))]
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        with rasterio.open(folder / "dem.tif", "w", driver="GTiff", width=9, height=9, count=1, dtype="uint8") as out:
            out.gcps = (points, rasterio.crs.CRS.from_epsg(26912))


def many_bands(folder: Path) -> None:
    raster("v.tif", values=np.repeat(GREEN[:1], 7, axis=0), dtype="uint8")(folder)


RASTERS = (
    Case("elevation", raster("dem.tif"), feed("elevation=dem.tif"), 0, ("elevations are taken to be in metres",)),
    Case("elevation turned by 30 degrees", raster("dem.tif", transform=TURNED), feed("elevation=dem.tif"), 0),
    Case("elevation south up", raster("dem.tif", transform=SOUTH_UP), feed("elevation=dem.tif"), 0),
    Case(
        "elevation without any data",
        raster("dem.tif", values=np.full((60, 60), -9999.0), nodata=-9999),
        feed("elevation=dem.tif"),
        0,
        ("m of line have no elevation",),
    ),
    Case("elevation with a gap", raster("dem.tif", values=with_gap(), nodata=-9999), feed("elevation=dem.tif"), 0),
    Case(
        "elevation of not-a-number",
        raster("dem.tif", values=np.full((60, 60), math.nan)),
        feed("elevation=dem.tif"),
        0,
        ("m of line have no elevation",),
    ),
    Case(
        "elevation with infinite cells",
        raster("dem.tif", values=np.where(ROWS > 30, np.inf, RISING)),
        feed("elevation=dem.tif"),
        0,
        ("m of line have no elevation",),
    ),
    Case("elevation in 16 bits", raster("dem.tif", values=RISING, dtype="int16"), feed("elevation=dem.tif"), 0),
    Case("elevation in 64 bits", raster("dem.tif", dtype="float64"), feed("elevation=dem.tif"), 0),
    Case(
        "elevation of 10,000 m a cell",
        raster("dem.tif", cell_m=10_000.0, transform=Affine(10_000, 0, WEST - 3e5, 0, -10_000, SOUTH + 3e5)),
        feed("elevation=dem.tif"),
        0,
    ),
    Case("elevation of 100,000 x 100,000 cells", huge, feed("elevation=dem.tif"), 0),
    Case(
        "elevation in an unknown unit",
        raster("dem.tif"),
        feed("elevation=dem.tif", "elevation.unit=cubit"),
        2,
        ("the unit of the elevations is 'cubit'", "--set elevation.unit=m or ft"),
    ),
    Case(
        "elevation without position",
        raster("dem.tif", transform=Affine.identity()),
        feed("elevation=dem.tif"),
        2,
        ("there is no georeference", "world file"),
    ),
    Case("elevation with ground points only", ground_points, feed("elevation=dem.tif"), 2, ("ground control points",)),
    Case(
        "elevation without CRS",
        raster("dem.tif", crs=None),
        feed("elevation=dem.tif"),
        2,
        ("no CRS", "--set elevation.crs=EPSG:"),
    ),
    Case(
        "elevation in degrees told to be metres",
        raster("dem.tif", transform=Affine(5e-5, 0, -111.76, 0, -5e-5, 33.44)),
        feed("elevation=dem.tif"),
        2,
        ("look like degrees",),
    ),
    Case(
        "elevation elsewhere",
        raster("dem.tif", transform=Affine(5, 0, WEST + 90_000, 0, -5, SOUTH)),
        feed("elevation=dem.tif"),
        2,
        ("the layers do not overlap",),
    ),
    Case(
        "elevation of half the lots",
        raster("dem.tif", transform=Affine(5, 0, WEST + 30, 0, -5, SOUTH + 200)),
        feed("elevation=dem.tif"),
        0,
        ("it doesn't cover all parcels",),
    ),
    Case(
        "elevation with cells of no size",
        raster("dem.tif", transform=Affine(0, 0, WEST, 0, 0, SOUTH)),
        feed("elevation=dem.tif"),
        2,
        ("georeference",),
    ),
    Case("elevation of zero bytes", text("dem.tif", b""), feed("elevation=dem.tif"), 2, ("the file is empty",)),
    Case(
        "elevation that is text",
        text("dem.tif", b"hills " * 99),
        feed("elevation=dem.tif"),
        2,
        ("it is of no kind that is read", "GeoTIFF"),
    ),
    Case(
        "elevation cut off",
        cut("dem.tif", 0.5, raster("dem.tif")),
        feed("elevation=dem.tif"),
        2,
        ("dem.tif: its cells can't be read", "deliver it again"),
    ),
    Case("elevation not there", text("x", b""), feed("elevation=dem.tif"), 2, ("there is no such file",)),
    Case("elevation that is a vector", text("x", b""), feed("elevation=desert.gpkg"), 2, ("desert.gpkg",)),
    Case("vegetation in two bands", raster("v.tif", values=GREEN, dtype="uint8"), BANDS, 0),
    Case("vegetation in 16 bits", raster("v.tif", values=GREEN * 200, dtype="uint16"), BANDS, 0),
    Case(
        "vegetation with a palette",
        paletted,
        INDEX,
        2,
        ("the vegetation index runs from 0 to 3, outside -1 to 1", "check the band numbers"),
    ),
    Case("vegetation of one value", raster("v.tif", values=GREEN * 0, dtype="uint8"), BANDS, 0),
    Case("vegetation without any data", raster("v.tif", values=GREEN * 0, dtype="uint8", nodata=0), BANDS, 0),
    Case("vegetation south up", raster("v.tif", values=GREEN, dtype="uint8", transform=SOUTH_UP), BANDS, 0),
    Case("vegetation turned", raster("v.tif", values=GREEN, dtype="uint8", transform=TURNED), BANDS, 0),
    Case(
        "vegetation with complex cells",
        raster("v.tif", values=GREEN, dtype="complex64"),
        BANDS,
        2,
        ("v.tif: its cells are complex numbers",),
    ),
    Case(
        "vegetation band not there",
        raster("v.tif", values=GREEN, dtype="uint8"),
        feed("vegetation=v.tif", "vegetation.red=1", "vegetation.near_infrared=9"),
        2,
        ("there is no band 9 (the raster has 2 bands)", "give a number of 1 to 2"),
    ),
    Case(
        "vegetation band 0",
        raster("v.tif", values=GREEN, dtype="uint8"),
        feed("vegetation=v.tif", "vegetation.red=0", "vegetation.near_infrared=1"),
        2,
        ("there is no band 0",),
    ),
    Case(
        "vegetation red alone",
        raster("v.tif", values=GREEN, dtype="uint8"),
        feed("vegetation=v.tif", "vegetation.red=1"),
        2,
        ("red and near_infrared go together",),
    ),
    Case("vegetation bands not told", many_bands, feed("vegetation=v.tif"), 2, ("vegetation",)),
    Case(
        "vegetation cut off",
        cut("v.tif", 0.6, raster("v.tif", values=GREEN, dtype="uint8")),
        BANDS,
        2,
        ("v.tif: its cells can't be read", "deliver it again"),
    ),
    Case(
        "both rasters at once",
        both(raster("dem.tif"), raster("v.tif", values=GREEN, dtype="uint8")),
        feed("elevation=dem.tif", "vegetation=v.tif", "vegetation.red=1", "vegetation.near_infrared=2"),
        0,
    ),
)
