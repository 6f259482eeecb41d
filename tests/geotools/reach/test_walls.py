"""Walls that stand are held to what stands and rises outside them, on the side that topology tells."""

from __future__ import annotations

import math
import warnings
from typing import TYPE_CHECKING, Any

import geopandas as gpd
import numpy as np
import pytest
import rasterio
import shapely
from affine import Affine
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import LineString, Point, box

from geotools.design import BarrierStandard
from geotools.existing import judge_walls
from geotools.rasters import Raster, open_raster
from geotools.reach import measure_setbacks, measure_walls

if TYPE_CHECKING:
    from pathlib import Path

CRS = "EPSG:26912"
EAST_M, NORTH_M = 430_000.0, 3_700_000.0
R_M = BarrierStandard().reach_m
NEGLECT_M = 0.0254
WEST, EAST = box(0, 0, 20, 20), box(20, 0, 40, 20)
COMMON = [(20, 0), (20, 20)]


def here(shape: Any) -> Any:
    return shapely.transform(shape, lambda points: points + np.array([EAST_M, NORTH_M]))


def ground_of(*yards: Any) -> gpd.GeoDataFrame:
    shapes = gpd.GeoSeries([here(yard) for yard in yards], crs=CRS)
    table = gpd.GeoDataFrame({"parcel_id": [str(n) for n in range(len(yards))]}, geometry=shapes)
    nothing = gpd.GeoSeries([shapely.Polygon()] * len(yards), crs=CRS)
    return table.assign(lot=shapes, protected=shapes, house=nothing)


def walls_of(*lines: Any, height_m: float = 1.0, kind: str = "block") -> gpd.GeoDataFrame:
    table = gpd.GeoDataFrame(
        {"kind": kind, "height_m": height_m, "opening_m": 0.0}, index=range(len(lines)), geometry=list(map(here, lines))
    )
    return judge_walls(table.set_crs(CRS))


def things_of(*shapes: Any, height_m: float = 0.5) -> gpd.GeoDataFrame:
    table = gpd.GeoDataFrame(
        {"kind": "rock", "height_m": height_m}, index=range(len(shapes)), geometry=list(map(here, shapes))
    )
    return measure_setbacks(table.set_crs(CRS))


def measured(walls: gpd.GeoDataFrame, ground: gpd.GeoDataFrame, *layers: Any, **options: Any) -> gpd.GeoDataFrame:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        return measure_walls(walls, ground, *layers, **options)


def ring(yard: Any) -> LineString:
    return LineString(yard.exterior.coords)


def test_low_stretch_is_where_the_closed_form_says() -> None:
    wall = walls_of(ring(WEST))  # from (20, 0) northwards: the eastern side is its first 20 m
    distance_m, height_m = 0.1, 0.5
    table = measured(wall, ground_of(WEST), things_of(Point(20 + distance_m, 8)))
    row = table.iloc[0]
    needed_m = height_m + math.sqrt(R_M**2 - distance_m**2)
    half_m = math.sqrt(R_M**2 - distance_m**2 - (1.0 + NEGLECT_M - height_m) ** 2)
    assert (row["judgement"], row["sound_now"]) == ("too low", False)
    assert row["required_height_m"] == pytest.approx(needed_m, abs=1e-9)
    assert row["shortfall_m"] == pytest.approx(needed_m - 1.0, abs=1e-9)
    # Stretches are cut where the thing is nearest and where it comes into reach: the low one is bounded by these.
    assert row["low_from_m"] <= 8 - half_m <= 8 + half_m <= row["low_to_m"]
    assert row["low_to_m"] - row["low_from_m"] <= 2 * math.sqrt(R_M**2 - distance_m**2) + 1e-6
    assert "rock F00001 stands outside" in row["why"]
    assert "clear rock F00001" in row["mend"]


def test_what_stands_inside_does_not_count() -> None:
    table = measured(walls_of(ring(WEST)), ground_of(WEST), things_of(Point(19.9, 8), Point(10, 19.95)))
    assert table["judgement"].tolist() == ["sound"]
    assert table["mend_length_m"].tolist() == [0.0]
    assert table["required_height_m"].tolist() == pytest.approx([R_M])


def test_a_wall_between_two_yards_is_held_to_both() -> None:
    walls = walls_of(LineString(COMMON))
    for x in (19.9, 20.1):
        assert measured(walls, ground_of(WEST, EAST), things_of(Point(x, 8)))["judgement"].tolist() == ["too low"]


def test_a_return_wall_has_its_yard_behind_it() -> None:
    """The protected ground lies north of a wall across the lot; what stands south of it is outside."""
    ground = ground_of(WEST)
    ground["protected"] = gpd.GeoSeries([here(box(0, 12, 20, 20))], crs=CRS)
    walls = walls_of(ring(WEST), LineString([(0, 10), (20, 10)]))
    assert measured(walls, ground, things_of(Point(9, 9.9)))["judgement"].tolist() == ["sound", "too low"]
    assert measured(walls, ground, things_of(Point(9, 10.1)))["judgement"].tolist() == ["sound", "sound"]


def test_a_high_wall_stays_sound_and_a_bad_one_keeps_its_fault() -> None:
    things = things_of(Point(20.1, 8))
    high = measured(walls_of(ring(WEST), height_m=0.5 + R_M), ground_of(WEST), things)
    assert high["sound_now"].tolist() == [True]
    ladder = measured(walls_of(ring(WEST), kind="chain link"), ground_of(WEST), things)
    assert ladder["judgement"].tolist() == ["climbable"]
    assert ladder["mend_length_m"].tolist() == pytest.approx([80.0])
    assert np.isnan(ladder["required_height_m"]).all()


def plane(tmp_path: Path, slope: float) -> Raster:
    """Ground that rises eastwards."""
    columns = np.arange(120) * slope * 0.5
    cells = (300 + np.tile(columns, (120, 1))).astype("float64")
    path = tmp_path / "plane.tif"
    with rasterio.open(
        path, "w", driver="GTiff", height=120, width=120, count=1, dtype="float64", crs=CRS,
        transform=Affine(0.5, 0, EAST_M - 20, 0, -0.5, NORTH_M + 40), nodata=-9999.0,
    ) as target:  # fmt: skip
        target.write(cells, 1)
    return open_raster(str(path), "elevation", {})


def test_ground_that_rises_outside_asks_for_the_closed_form(tmp_path: Path) -> None:
    slope = math.tan(math.radians(30))
    walls = walls_of(LineString([(20, 3), (20, 17)]), LineString([(0, 3), (0, 17)]), height_m=R_M)
    table = measured(walls, ground_of(WEST), None, plane(tmp_path, slope))
    needed_m = R_M / math.cos(math.radians(30))
    assert table["judgement"].tolist() == [
        "too low",
        "sound",
    ]  # it rises beyond the eastern wall, falls beyond the western
    assert table["required_height_m"].iloc[0] == pytest.approx(needed_m, abs=0.01)
    assert "the ground outside rises" in table["why"].iloc[0]


def test_nothing_to_hold() -> None:
    for walls, ground in (
        (walls_of(), ground_of(WEST)),
        (walls_of(ring(WEST)), ground_of()),
        (walls_of(), ground_of()),
    ):
        assert len(measured(walls, ground, things_of())) == len(walls)


@settings(max_examples=25, deadline=None)
@given(
    st.lists(st.tuples(st.floats(-2, 42), st.floats(-2, 22), st.floats(0, 1.5)), min_size=1, max_size=6), st.booleans()
)
def test_neither_direction_nor_order_matters(points: list[tuple[float, float, float]], flip: bool) -> None:
    things = things_of(*(Point(x, y) for x, y, _ in points)).assign(height_m=[h for _, _, h in points])
    lines = [ring(WEST), LineString([(20, 0), (40, 0), (40, 20), (20, 20)])]
    plain = measured(walls_of(*lines), ground_of(WEST, EAST), things)
    turned = measured(
        walls_of(*[line.reverse() if flip else line for line in lines][::-1]), ground_of(EAST, WEST), things
    )
    np.testing.assert_allclose(plain["required_height_m"], turned["required_height_m"][::-1], atol=1e-9)
    assert plain["judgement"].tolist() == turned["judgement"].tolist()[::-1]
