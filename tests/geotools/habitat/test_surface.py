"""Check the habitat surface from each kind of layer, and slopes against published values."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import geopandas as gpd
import numpy as np
import pytest
import rasterio
import shapely
from affine import Affine

from geotools.errors import Assumed, DesignError, LayerError
from geotools.habitat import map_habitat_surface
from geotools.habitat.surface import find_slope
from geotools.rasters import open_raster

if TYPE_CHECKING:
    from pathlib import Path

CRS = "EPSG:32612"
EAST_M, NORTH_M = 510_000.0, 3_575_000.0


def layer(shapes: Any, **columns: Any) -> gpd.GeoDataFrame:
    moved = shapely.transform(list(shapes), lambda points: points + np.array([EAST_M, NORTH_M]))
    return gpd.GeoDataFrame(columns, geometry=gpd.GeoSeries(list(moved), crs=CRS))


LOTS = layer([shapely.box(0, 0, 20, 40), shapely.box(20, 0, 40, 40)], parcel_id=["1", "2"])
DESERT = layer([shapely.box(-100, 40, 140, 200)])


def raster(path: Path, values: np.ndarray[Any, Any], name: str, *, crs: str = CRS) -> Any:
    """Cells of 5 m whose upper left corner is 200 m west and 200 m north of the corner of the lots."""
    profile = {
        "driver": "GTiff", "count": 1, "height": values.shape[0], "width": values.shape[1], "dtype": values.dtype.name,
        "crs": crs, "transform": Affine(5, 0, EAST_M - 200, 0, -5, NORTH_M + 200),
    }  # fmt: skip
    with rasterio.open(path, "w", **profile) as dataset:
        dataset.write(values[None])
    return open_raster(str(path), name, {"index": 1} if name == "vegetation" else {})


def area_of(surface: gpd.GeoDataFrame, kind: str) -> float:
    return float(surface.area[surface["kind"] == kind].sum())


def test_better_ground_wins_where_kinds_overlap() -> None:
    wash = layer([shapely.box(10, -50, 14, 100)])
    surface = map_habitat_surface(LOTS, DESERT, wash, quality={"wash": 0.7})
    assert area_of(surface, "open desert") == pytest.approx(240 * 160)
    assert area_of(surface, "wash") == pytest.approx(4 * 90)
    pairs = shapely.STRtree(surface.geometry.to_numpy()).query(surface.geometry.to_numpy(), "overlaps")
    assert pairs.shape[1] == 0
    assert surface.crs == CRS


def test_vegetation_counts_outside_the_lots(tmp_path: Path) -> None:
    index = np.full((80, 80), 0.05, dtype="float32")
    index[20:50, 36:60] = 0.5
    green = raster(tmp_path / "green.tif", index, "vegetation")
    surface = map_habitat_surface(LOTS, vegetation=green, around_m=100.0)
    # 24 columns and 30 rows of 25 m2, less the cells on the lots: 8 columns and 8 rows.
    assert area_of(surface, "vegetation") == pytest.approx(25 * (24 * 30 - 8 * 8))
    assert surface["quality"].unique().tolist() == [0.5]
    with pytest.warns(Assumed, match=r"at an index of 0\.2"):
        otsu = map_habitat_surface(LOTS, vegetation=green, around_m=100.0, green_index="otsu")
    assert area_of(otsu, "vegetation") == pytest.approx(area_of(surface, "vegetation"))


def test_windows_do_not_matter(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    index = np.random.default_rng(2).uniform(-0.2, 0.6, (80, 80)).astype("float32")
    green = raster(tmp_path / "green.tif", index, "vegetation")
    whole = map_habitat_surface(LOTS, DESERT, vegetation=green, around_m=95.0)
    monkeypatch.setattr("geotools.habitat.surface._WINDOW_M", 70.0)
    cut = map_habitat_surface(LOTS, DESERT, vegetation=green, around_m=95.0)
    assert area_of(cut, "vegetation") == pytest.approx(area_of(whole, "vegetation"))


def test_land_cover_by_its_table(tmp_path: Path) -> None:
    codes = np.full((80, 80), 22, dtype="int16")
    codes[:20] = 52
    codes[20:24] = 31
    surface = map_habitat_surface(LOTS, land_cover=raster(tmp_path / "codes.tif", codes, "land_cover"), around_m=150.0)
    # 340 m across; the raster begins 200 m north of the lots' south, 190 m of which are within 150 m of the lots.
    assert area_of(surface, "land cover 52") == pytest.approx(340 * 90, rel=0.02)
    assert area_of(surface, "land cover 31") == pytest.approx(340 * 20, rel=0.02)
    polygons = layer([shapely.box(0, 40, 40, 80), shapely.box(0, 80, 40, 90)], land_class=[52.0, 11.0])
    with pytest.warns(Assumed, match="taken as no habitat: 11"):
        surface = map_habitat_surface(LOTS, land_cover=polygons)
    assert surface["kind"].tolist() == ["land cover 52"]
    own = map_habitat_surface(LOTS, land_cover=polygons, class_quality={"11": 0.3, "52": 0.0})
    assert own["quality"].tolist() == [0.3]
    with pytest.raises(LayerError, match="no classes"):
        map_habitat_surface(LOTS, land_cover=DESERT)


def test_steep_ground_is_rock(tmp_path: Path) -> None:
    heights = np.zeros((80, 80), dtype="float32")
    heights[:, 50:] = np.arange(30) * 5.0  # 45 degrees from the 50th column on
    dem = raster(tmp_path / "dem.tif", heights, "elevation")
    surface = map_habitat_surface(LOTS, DESERT, elevation=dem, around_m=100.0)
    steep = surface[surface["kind"] == "steep rock"]
    assert steep.total_bounds[0] == pytest.approx(EAST_M - 200 + 50 * 5, abs=5.1)
    assert steep["quality"].unique().tolist() == [0.8]
    none = map_habitat_surface(LOTS, DESERT, elevation=dem, around_m=100.0, least_rock_m2=1e6)
    assert "steep rock" not in set(none["kind"])


@pytest.mark.published("Horn 1981, Proc. IEEE 69:14-47, by a widely reproduced worked example: 75.25762 degrees")
def test_published_slope() -> None:
    heights = np.array([[50, 45, 50], [30, 30, 30], [8, 10, 10]], dtype=float)
    # The printed value rounds 180 / pi.
    assert find_slope(heights, cell_m=5.0)[1, 1] == pytest.approx(75.25762, abs=5e-5)


@pytest.mark.parametrize("slope", [0.0, 0.1, 1.0])
def test_slope_of_a_plane(slope: float) -> None:
    x, y = np.meshgrid(np.arange(6) * 2.0, np.arange(5) * 2.0)
    found = find_slope(slope * (0.6 * x + 0.8 * y), cell_m=2.0)
    assert found[1:-1, 1:-1] == pytest.approx(np.degrees(np.arctan(slope)))
    assert np.isnan(found[0]).all()
    assert np.isnan(find_slope(x[:2], cell_m=2.0)).all()


def test_impossible_values_are_refused() -> None:
    with pytest.raises(LayerError, match="no habitat layer"):
        map_habitat_surface(LOTS)
    with pytest.raises(DesignError, match=r"quality of 'wash' is 1\.5"):
        map_habitat_surface(LOTS, DESERT, quality={"wash": 1.5})
    with pytest.raises(DesignError, match="no kind 'lawn'"):
        map_habitat_surface(LOTS, DESERT, quality={"lawn": 0.5})
    for how in ({"around_m": -1.0}, {"cell_m": 0.0}, {"rock_slope_deg": 90.0}):
        with pytest.raises(DesignError, match="out of range"):
            map_habitat_surface(LOTS, DESERT, **how)  # type: ignore[arg-type]
