"""Check the height profile along lines against closed forms and against trying every place to stand on."""

from __future__ import annotations

import math
import warnings
from typing import TYPE_CHECKING, Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import rasterio
import shapely
from affine import Affine
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from oracles.reach_balls import ground_height, stand_everywhere, touched_height

from geotools.design import BarrierStandard
from geotools.errors import Assumed, Noticed
from geotools.rasters import Raster, open_raster
from geotools.reach import measure_setbacks, profile_heights, schedule_panels
from geotools.reach.surface import read_surface

if TYPE_CHECKING:
    from pathlib import Path

UTM = 32612
EAST_M, NORTH_M = 500_000.0, 3_600_000.0
STANDARD = BarrierStandard()
R_M = STANDARD.reach_m


def lines_of(enclosed: list[Any], ids: list[str] | None = None, **columns: Any) -> gpd.GeoDataFrame:
    table = gpd.GeoDataFrame(
        {"line_id": ids or [f"L{n}" for n in range(len(enclosed))], **columns},
        geometry=[polygon.exterior for polygon in enclosed],
        crs=UTM,
    )
    return table.assign(enclosed=gpd.GeoSeries(enclosed, crs=UTM))


def things_of(shapes: list[Any], heights_m: list[float | None]) -> gpd.GeoDataFrame:
    kind = pd.Series(["rock"] * len(shapes), dtype=str)
    table = gpd.GeoDataFrame(
        {"kind": kind, "height_m": np.array(heights_m, dtype=float)}, geometry=list(shapes), crs=UTM
    )
    return measure_setbacks(table)


def profile(lines: gpd.GeoDataFrame, *given_: Any, **options: Any) -> pd.DataFrame:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", Assumed)
        return profile_heights(lines, *given_, **options)


def at(table: pd.DataFrame, station_m: float) -> pd.Series:
    """The stretch that a station is on."""
    return table[(table["station_m"] <= station_m + 1e-9) & (table["to_m"] >= station_m - 1e-9)].iloc[0]


def write_ground(
    path: Path, cells: np.ndarray, *, west_m: float, north_m: float, cell_m: float, crs: Any = UTM
) -> Raster:
    with rasterio.open(
        path, "w", driver="GTiff", height=cells.shape[0], width=cells.shape[1], count=1, dtype="float64",
        crs=rasterio.crs.CRS.from_user_input(crs), transform=Affine(cell_m, 0, west_m, 0, -cell_m, north_m),
        nodata=-9999.0,
    ) as dataset:  # fmt: skip
        dataset.write(cells, 1)
    return open_raster(path, "elevation")


def plane(tmp_path: Path, to_east: float, to_north: float, *, cell_m: float = 1.0) -> Raster:
    """Ground that rises evenly, 60 x 60 m around the place."""
    count = int(60 / cell_m)
    x = (np.arange(count) + 0.5) * cell_m
    cells = 300.0 + to_east * x[None, :] + to_north * (60 - x)[:, None]
    return write_ground(tmp_path / "plane.tif", cells, west_m=EAST_M - 20, north_m=NORTH_M + 40, cell_m=cell_m)


YARD = shapely.box(EAST_M, NORTH_M, EAST_M + 20, NORTH_M + 20)


def test_level_ground_asks_for_the_reach() -> None:
    table = profile(lines_of([YARD]))
    assert table["required_height_m"].tolist() == [R_M]
    assert table[["station_m", "to_m"]].to_numpy().tolist() == [[0.0, 80.0]]
    assert table["governed_by"].tolist() == ["ground"]


def test_a_rock_by_hand() -> None:
    """18 in high, 21.6 in outside: 18 + sqrt(36^2 - 21.6^2) = 46.8 in, along 2 x 28.8 in of line."""
    rock = things_of([shapely.Point(EAST_M + 10, NORTH_M - 21.6 * 0.0254)], [18 * 0.0254])
    table = profile(lines_of([YARD]), rock)
    raised = table[table["governed_by"] == "F00001"]
    assert raised["required_height_m"].max() / 0.0254 == pytest.approx(46.8, abs=1e-6)
    # Where it asks for no more than R the ground governs: 18 + sqrt(36^2 - d^2) = 36 at d = 31.18 in.
    assert raised["to_m"].max() - raised["station_m"].min() >= 2 * math.sqrt(31.18**2 - 21.6**2) * 0.0254 - 1e-3


@pytest.mark.parametrize("reverse", [False, True])
def test_the_side_is_told_by_what_is_enclosed_not_by_the_drawing(reverse: bool) -> None:
    outside, inside = shapely.Point(EAST_M + 10, NORTH_M - 0.3), shapely.Point(EAST_M + 10, NORTH_M + 0.3)
    lines = lines_of([YARD])
    if reverse:
        lines = lines.set_geometry(shapely.reverse(lines.geometry.to_numpy()), crs=UTM)
    assert profile(lines, things_of([outside], [0.5]))["required_height_m"].max() == pytest.approx(
        0.5 + math.sqrt(R_M**2 - 0.09), abs=1e-6
    )
    assert profile(lines, things_of([inside], [0.5]))["required_height_m"].max() == R_M


def test_without_a_known_side_both_count_and_it_is_said() -> None:
    wall = gpd.GeoDataFrame(geometry=[shapely.LineString([(EAST_M, NORTH_M), (EAST_M + 9, NORTH_M)])], crs=UTM)
    rocks = things_of([shapely.Point(EAST_M + 2, NORTH_M - 0.3), shapely.Point(EAST_M + 7, NORTH_M + 0.3)], [0.5, 0.5])
    with warnings.catch_warnings(record=True) as said:
        warnings.simplefilter("always")
        table = profile_heights(wall, rocks)
    assert {one.category for one in said} == {Assumed}
    assert any("both sides" in str(one.message) for one in said)
    assert any("ground is taken as level" in str(one.message) for one in said)
    assert set(table["governed_by"]) == {"ground", "F00001", "F00002"}
    assert table["line_id"].unique().tolist() == ["W00001"]


def test_a_thing_as_high_as_the_reach_counts_up_to_its_rim_and_not_beyond() -> None:
    """The height jumps from h to R at a distance R: the stretch ends there to the micrometre."""
    table = profile(lines_of([YARD]), things_of([shapely.Point(EAST_M + 10, NORTH_M - 0.5)], [1.2]))
    raised = table[table["governed_by"] == "F00001"]
    half_m = math.sqrt(R_M**2 - 0.25)
    assert raised["station_m"].min() != raised["to_m"].max()
    assert raised["to_m"].max() - raised["station_m"].min() == pytest.approx(2 * half_m, abs=1e-6)
    assert raised["required_height_m"].min() >= 1.2


def test_a_foothold_without_height_is_as_high_as_the_barrier() -> None:
    with pytest.warns(Assumed, match="no height"):
        rock = things_of([shapely.Point(EAST_M + 10, NORTH_M)], [None])
    assert profile(lines_of([YARD]), rock)["required_height_m"].max() == pytest.approx(STANDARD.height_m + R_M)


def test_what_is_too_high_to_build_over_is_left_to_be_cleared() -> None:
    tree = things_of([shapely.Point(EAST_M + 10, NORTH_M - 0.1)], [4.0])
    with pytest.warns(Noticed, match="1 times a climbable thing stands so near"):
        table = profile(lines_of([YARD]), tree)
    assert table["required_height_m"].max() == R_M
    assert profile(lines_of([YARD]), tree, build_over_m=99.0)["required_height_m"].max() == pytest.approx(
        4 + math.sqrt(R_M**2 - 0.01)
    )


def test_only_recommended_lines_where_that_is_known() -> None:
    lines = lines_of([YARD, YARD], recommended=[False, True])
    assert profile(lines)["line_id"].tolist() == ["L1"]
    assert profile(lines, only_recommended=False)["line_id"].tolist() == ["L0", "L1"]


def test_no_lines_give_an_empty_profile() -> None:
    lines = lines_of([YARD])
    lines.loc[0, "geometry"] = None
    table = profile(lines)
    assert list(table.columns) == ["line_id", "part", "station_m", "to_m", "required_height_m", "governed_by"]
    assert table.empty
    assert schedule_panels(table, lines).empty


coordinates = st.integers(-2000, 6000).map(lambda number: number / 1000)
points = st.builds(shapely.Point, coordinates, coordinates)
paths = st.lists(st.tuples(coordinates, coordinates), min_size=2, max_size=3, unique=True).map(shapely.LineString)
discs = st.builds(lambda place, size: place.buffer(size, quad_segs=2), points, st.floats(0.1, 1.0))


@settings(max_examples=30, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    st.lists(st.tuples(st.one_of(points, paths, discs), st.floats(0.0, 1.6)), min_size=1, max_size=3),
    st.floats(-180, 180),
    st.floats(0.3, 1.2),
)
def test_against_every_place_that_an_animal_may_stand_on(
    things: list[tuple[Any, float]], turn_deg: float, reach_m: float
) -> None:
    """Never lower than what dense balls touch (exact), never higher by 1 cm where sampling can tell."""
    enclosed = shapely.affinity.rotate(shapely.Polygon([(0, 0), (4, 0), (4, 2), (2, 2), (2, 4), (0, 4)]), turn_deg)
    standard = BarrierStandard(body_length_m=2 * (reach_m - 0.15), buffer_m=0.15)
    table = profile(
        lines_of([enclosed]), things_of([shape for shape, _ in things], [h for _, h in things]), standard=standard,
        build_over_m=99.0,
    )  # fmt: skip
    spacing_m = 0.02 if all(shape.geom_type != "Polygon" for shape, _ in things) else 0.04
    balls = [(stand_everywhere(shape, enclosed, spacing_m), h) for shape, h in things if not shape.within(enclosed)]
    outline = enclosed.exterior
    for along_m in np.linspace(0.01, outline.length - 0.01, 23):
        foot = outline.interpolate(along_m)
        touched_m = touched_height((foot.x, foot.y), balls, reach_m=reach_m)
        assert at(table, along_m)["required_height_m"] >= touched_m - 1e-9
    for stretch in table.itertuples():
        if stretch.to_m - stretch.station_m < 1e-3:
            continue
        touched_m = max(
            touched_height((foot.x, foot.y), balls, reach_m=reach_m)
            for foot in (outline.interpolate(s) for s in np.linspace(stretch.station_m + 1e-6, stretch.to_m - 1e-6, 81))
        )
        if stretch.governed_by == "ground":
            assert stretch.required_height_m == pytest.approx(reach_m)
            continue
        stands_m = things[int(stretch.governed_by[1:]) - 1][1]
        above_m = stretch.required_height_m - stands_m
        # Feet 1/80 of a stretch apart miss a top in its middle by less than 3 mm here. A place missed by s / 2 across
        # and as much along changes sqrt(R^2 - d^2) by d / sqrt(R^2 - d^2) times that.
        away_m = math.sqrt(max(reach_m**2 - above_m**2, 0))
        if above_m > 0.3 * reach_m:
            slack_m = 0.71 * spacing_m * away_m / above_m + spacing_m**2 / above_m + 0.003
            assert stretch.required_height_m <= touched_m + slack_m


@pytest.mark.parametrize("cell_m", [0.1, 0.5, 1.0, 3.0])
@pytest.mark.parametrize("slope_deg", [10.0, 30.0, 50.0])
def test_rising_ground_asks_for_the_closed_form(tmp_path: Path, slope_deg: float, cell_m: float) -> None:
    """Ground that rises to the east: R / cos t on the east side and along the slope, R on the west side."""
    table = profile(lines_of([YARD]), None, plane(tmp_path, math.tan(math.radians(slope_deg)), 0.0, cell_m=cell_m))
    corner_m, raised_m = 1.5, R_M / math.cos(math.radians(slope_deg))
    # The ring of a box starts at its south-east corner and runs north, west, south, east.
    east = table[(table["station_m"] > corner_m) & (table["to_m"] < 20 - corner_m)]
    north = table[(table["station_m"] > 20 + corner_m) & (table["to_m"] < 40 - corner_m)]
    west = table[(table["station_m"] > 40 + corner_m) & (table["to_m"] < 60 - corner_m)]
    np.testing.assert_allclose(east["required_height_m"], raised_m, atol=1e-6)
    np.testing.assert_allclose(north["required_height_m"], raised_m, atol=0.01)
    np.testing.assert_allclose(west["required_height_m"], R_M, atol=1e-6)
    assert set(table["governed_by"]) == {"ground"}


def test_falling_ground_asks_for_the_reach_alone(tmp_path: Path) -> None:
    """A single line along the contour with its protected side uphill."""
    ground = plane(tmp_path, 0.0, 0.5)
    line = gpd.GeoDataFrame(
        {"line_id": ["A"]}, geometry=[shapely.LineString([(EAST_M, NORTH_M), (EAST_M + 20, NORTH_M)])], crs=UTM
    )
    falling = profile(line.assign(enclosed=gpd.GeoSeries([YARD], crs=UTM)), None, ground)
    middle = falling[(falling["station_m"] > 1.5) & (falling["to_m"] < 18.5)]
    np.testing.assert_allclose(middle["required_height_m"], R_M, atol=1e-9)
    below = shapely.box(EAST_M, NORTH_M - 20, EAST_M + 20, NORTH_M)
    rising = profile(line.assign(enclosed=gpd.GeoSeries([below], crs=UTM)), None, ground)
    middle = rising[(rising["station_m"] > 1.5) & (rising["to_m"] < 18.5)]
    np.testing.assert_allclose(middle["required_height_m"], R_M / math.cos(math.atan(0.5)), atol=1e-6)


def test_a_retaining_step_outside_counts_with_its_height(tmp_path: Path) -> None:
    """Ground outside that is 0.5 m higher from 0.3 m on: as a foothold with an area of that height."""
    cell_m = 0.1
    y = NORTH_M + 40 - (np.arange(600) + 0.5) * cell_m
    cells = np.where(y < NORTH_M - 0.3, 0.5, 0.0)[:, None] * np.ones((1, 600)) + 300
    ground = write_ground(tmp_path / "step.tif", cells, west_m=EAST_M - 20, north_m=NORTH_M + 40, cell_m=cell_m)
    table = profile(lines_of([YARD]), None, ground)
    south = table[(table["to_m"] > 62) & (table["station_m"] < 78)]
    # The step's edge lies between two centres: 0.25 to 0.35 m away.
    low, high = (0.5 + math.sqrt(R_M**2 - gap_m**2) for gap_m in (0.35, 0.25))
    assert south["required_height_m"].min() >= low - 1e-9
    assert south["required_height_m"].max() <= high + 1e-9


def test_a_foothold_stands_on_its_own_ground(tmp_path: Path) -> None:
    """On ground that falls outward at 50 % a rock 0.4 m away stands 0.2 m lower than on level ground."""
    ground = plane(tmp_path, 0.0, 0.5)
    rock = things_of([shapely.Point(EAST_M + 10, NORTH_M - 0.4)], [0.8])
    table = profile(lines_of([YARD]), rock, ground)
    raised = table[table["governed_by"] == "F00001"]
    assert raised["required_height_m"].max() == pytest.approx(0.8 - 0.2 + math.sqrt(R_M**2 - 0.16), abs=1e-6)


def test_elevations_in_degrees_and_feet_give_the_same(tmp_path: Path) -> None:
    """A plane rising north at 40 %, as a raster in degrees and in feet; warping may cost a centimetre."""
    from pyproj import Transformer

    to_utm = Transformer.from_crs(4326, UTM, always_xy=True)
    lon0, lat0 = Transformer.from_crs(UTM, 4326, always_xy=True).transform(EAST_M - 20, NORTH_M - 30)
    size = 1e-5
    lon, lat = np.meshgrid(lon0 + (np.arange(80) + 0.5) * size, lat0 + (79.5 - np.arange(80)) * size)
    _, north = to_utm.transform(lon, lat)
    path = tmp_path / "degrees.tif"
    write_ground(
        path, (300 + 0.4 * (north - NORTH_M)) / 0.3048, west_m=lon0, north_m=lat0 + 80 * size, cell_m=size, crs=4326
    )
    ground = open_raster(path, "elevation", {"unit": "ft"})
    table = profile(lines_of([YARD]), None, ground)
    north_side = table[(table["station_m"] > 21.5) & (table["to_m"] < 38.5)]
    np.testing.assert_allclose(north_side["required_height_m"], R_M * math.sqrt(1.16), atol=0.01)


def test_ground_without_elevation_is_level_and_said(tmp_path: Path) -> None:
    ground = write_ground(
        tmp_path / "far.tif", np.full((20, 20), 300.0), west_m=EAST_M - 5, north_m=NORTH_M + 5, cell_m=1.0
    )
    with pytest.warns(Noticed, match="m of line have no elevation"):
        table = profile(lines_of([YARD]), None, ground)
    np.testing.assert_allclose(table["required_height_m"], R_M)


@settings(max_examples=3, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.integers(0, 10_000), st.sampled_from([0.5, 0.8, 1.0, 2.0]), st.floats(0.1, 1.7), st.floats(0, 90))
def test_ground_against_every_place_outside(
    tmp_path: Path, seed: int, cell_m: float, steepest: float, turn_deg: float
) -> None:
    """Rough ground up to 170 % steep between two cells: within 1 cm, both ways, of ground tried every 2 mm."""
    rng = np.random.default_rng(seed)
    count = int(16 / cell_m)
    rough = np.cumsum(rng.normal(0, 1, (count, count)), axis=seed % 2) + rng.normal(0, 1, (count, count))
    gradient = np.hypot(*(np.abs(np.diff(rough, axis=axis)).max() / cell_m for axis in (0, 1)))
    cells = 300 + rough * steepest / gradient
    ground = write_ground(tmp_path / f"{seed}.tif", cells, west_m=EAST_M - 5, north_m=NORTH_M + 11, cell_m=cell_m)
    enclosed = shapely.affinity.rotate(shapely.box(EAST_M, NORTH_M, EAST_M + 4, NORTH_M + 3), turn_deg)
    table = profile(lines_of([enclosed]), None, ground)
    surface = read_surface(ground, enclosed.bounds, crs=UTM, margin_m=2.0)
    corner = (surface.west_m, surface.north_m, surface.cell_m)

    def tried(along_m: float) -> float:
        foot = enclosed.exterior.interpolate(along_m).coords[0]
        return ground_height(foot, surface.cells, corner, enclosed, reach_m=R_M)

    for along_m in np.linspace(0.005, enclosed.exterior.length - 0.005, 12):
        assert at(table, along_m)["required_height_m"] >= tried(along_m) - 0.01
    for stretch in table.iloc[:: max(len(table) // 8, 1)].itertuples():
        found_m = max(tried(along_m) for along_m in np.linspace(stretch.station_m, stretch.to_m, 15))
        assert stretch.required_height_m <= found_m + 0.01
