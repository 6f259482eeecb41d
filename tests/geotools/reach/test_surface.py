"""Check the ground as it is read: turned grids, edges of rasters, tiles of 2 km."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest
import rasterio
import shapely
from affine import Affine
from hypothesis import assume, given
from hypothesis import strategies as st
from pyproj import Transformer

from geotools.rasters import open_raster
from geotools.reach._ground import _on_edge
from geotools.reach.surface import Surface, cross_grid, elevation_at, group_by_tile, read_surface

if TYPE_CHECKING:
    from pathlib import Path

    from geotools.rasters import Raster

CRS = 32612
EAST_M, NORTH_M = 400_000.0, 3_700_000.0


def plane(x_m: np.ndarray, y_m: np.ndarray) -> np.ndarray:
    """Rises 3 m in 10 m to the east and 1 m in 10 m to the north."""
    return 500 + 0.3 * (x_m - EAST_M) + 0.1 * (y_m - NORTH_M)


def write_plane(path: Path, transform: Affine) -> Raster:
    column, row = np.meshgrid(np.arange(60) + 0.5, np.arange(60) + 0.5)
    cells = plane(*(transform @ (column, row)))
    with rasterio.open(
        path, "w", driver="GTiff", width=60, height=60, count=1, dtype="float64", crs=CRS, transform=transform
    ) as dataset:
        dataset.write(cells, 1)
    return open_raster(path, "elevation")


@pytest.mark.parametrize("turn_deg", [0.0, 30.0])
def test_a_plane_is_read_as_it_lies_however_its_grid_is_turned(turn_deg: float, tmp_path: Path) -> None:
    transform = Affine.translation(EAST_M, NORTH_M) @ Affine.rotation(turn_deg) @ Affine.scale(0.5, -0.5)
    raster = write_plane(tmp_path / "plane.tif", transform)
    middle_x, middle_y = transform @ (30, 30)
    surface = read_surface(
        raster, (middle_x - 3, middle_y - 3, middle_x + 3, middle_y + 3), crs=raster.crs, margin_m=1.0
    )
    points = np.array([middle_x, middle_y]) + np.random.default_rng(3).uniform(-3, 3, (50, 2))
    # Bilinear reading of a plane is exact; warping may miss by a hundredth of a cell of 0.5 m, on a slope of 32 %.
    assert elevation_at(surface, points) == pytest.approx(plane(*points.T), abs=0.002)


@pytest.mark.parametrize("arc_seconds", [1 / 3, 1.0])
def test_a_plane_in_degrees_is_as_steep_as_it_is(arc_seconds: float, tmp_path: Path) -> None:
    """Cells of a third of a second are 8 m wide and 10 m high in Arizona: they are read at one size."""
    size_deg, to = arc_seconds / 3600, Transformer.from_crs(4269, 26912, always_xy=True)
    middle_x, middle_y = to.transform(-112.0 + 75 * size_deg, 33.5 - 75 * size_deg)
    column, row = np.meshgrid(np.arange(150) + 0.5, np.arange(150) + 0.5)
    x_m, y_m = to.transform(-112.0 + column * size_deg, 33.5 - row * size_deg)
    path = tmp_path / "degrees.tif"
    with rasterio.open(
        path, "w", driver="GTiff", width=150, height=150, count=1, dtype="float64", crs=4269,
        transform=Affine(size_deg, 0, -112.0, 0, -size_deg, 33.5),
    ) as dataset:  # fmt: skip
        dataset.write(500 + 0.3 * (x_m - middle_x) + 0.1 * (y_m - middle_y), 1)
    bounds = (middle_x - 200, middle_y - 200, middle_x + 200, middle_y + 200)
    surface = read_surface(open_raster(path, "elevation"), bounds, crs=26912)
    points = np.array([middle_x, middle_y]) + np.random.default_rng(3).uniform(-200, 200, (300, 2))
    expected_m = 500 + 0.3 * (points[:, 0] - middle_x) + 0.1 * (points[:, 1] - middle_y)
    # A hundredth of a cell on a slope of 32 %: 3 cm for cells of 10 m.
    assert elevation_at(surface, points) == pytest.approx(expected_m, abs=0.01 * surface.cell_m * 0.32)
    slope = np.hypot(*np.gradient(surface.cells, surface.cell_m))
    assert slope[np.isfinite(slope)] == pytest.approx(np.hypot(0.3, 0.1), rel=2e-3)


@pytest.mark.parametrize(("working", "down_m"), [(26949, 0.5), (CRS, 0.25), (CRS, 0.05)])
def test_cells_of_another_reference_system_oblong_or_fine_are_warped(
    working: int, down_m: float, tmp_path: Path
) -> None:
    across_m = 0.05 if down_m == 0.05 else 0.5
    raster = write_plane(tmp_path / "plane.tif", Affine(across_m, 0, EAST_M, 0, -down_m, NORTH_M))
    to = Transformer.from_crs(CRS, working, always_xy=True)
    size_m = 60 * min(across_m, down_m)
    x_m, y_m = np.random.default_rng(3).uniform(0.3 * size_m, 0.7 * size_m, (2, 50)) * [[1], [-1]]
    points = np.column_stack(to.transform(EAST_M + x_m, NORTH_M + y_m))
    bounds = (*points.min(axis=0).tolist(), *points.max(axis=0).tolist())
    surface = read_surface(raster, bounds, crs=working, margin_m=0.2)
    assert surface.cell_m >= 0.1
    # As above: a hundredth of a cell on a slope of 32 %.
    assert elevation_at(surface, points) == pytest.approx(plane(EAST_M + x_m, NORTH_M + y_m), abs=0.002)


def test_the_rim_of_the_outermost_centres_is_ground() -> None:
    surface = Surface(np.array([[0.0, 1.0], [2.0, 3.0]]), 10.0, 20.0, 1.0)
    corners = [(10, 20), (11, 20), (10, 19), (11, 19)]
    assert elevation_at(surface, corners).tolist() == [0.0, 1.0, 2.0, 3.0]
    beyond = [(9.999, 20), (11.001, 20), (10, 20.001), (10, 18.999)]
    assert np.isnan(elevation_at(surface, beyond)).all()


@given(st.floats(-2, 3), st.floats(-1.9, 1.9), st.floats(-3, 3), st.floats(0.3, 2.0))
def test_the_highest_reach_over_an_edge_against_every_place_on_it(
    along: float, aside: float, gradient: float, reach: float
) -> None:
    places = np.linspace(0, 1, 2001)
    room = reach**2 - aside**2 - (places - along) ** 2
    assume(room.min() > 0)  # all of the edge is within reach
    top = gradient * places + np.sqrt(room)
    found = _on_edge(*(np.array([value]) for value in (along, aside, gradient)), reach).item()
    here = gradient * found + np.sqrt(reach**2 - aside**2 - (found - along) ** 2)
    # The function is concave: no sampled place is higher.
    assert here >= top.max() - 1e-9


def test_beside_the_raster_there_is_no_ground(tmp_path: Path) -> None:
    raster = write_plane(tmp_path / "plane.tif", Affine(0.5, 0, EAST_M, 0, -0.5, NORTH_M))
    surface = read_surface(raster, (EAST_M + 900, NORTH_M - 5, EAST_M + 905, NORTH_M), crs=raster.crs)
    assert np.isnan(elevation_at(surface, [(EAST_M + 902, NORTH_M - 2)])).all()


def test_a_single_row_of_cells_is_no_surface() -> None:
    assert np.isnan(elevation_at(Surface(np.ones((1, 5)), 0.0, 0.0, 1.0), [(1.0, 0.0), (2.0, 0.0)])).all()


def test_shapes_are_grouped_by_the_tile_of_their_middle() -> None:
    shapes = np.array([shapely.box(1000, 0, 2800, 9), shapely.box(1500, 0, 2600, 9), None, shapely.Point()])
    # Middles at 1,900 and 2,050 m: either side of the tiles' line at 2,000 m.
    assert [rows.tolist() for rows in group_by_tile(shapes)] == [[0], [1]]
    assert list(group_by_tile(shapes[2:])) == []


places = st.integers(-40, 80).map(lambda tenths: tenths / 10 + 0.05)


@given(places, places, places, places)
def test_a_segment_crosses_every_line_between_its_ends(x0: float, y0: float, x1: float, y1: float) -> None:
    surface = Surface(np.zeros((3, 4)), 1.0, 2.0, 1.0)
    segment, share = cross_grid(np.array([[x0, y0]]), np.array([[x1, y1]]), surface)
    assert (segment == 0).all()
    lines_x = [x for x in range(-10, 20) if min(x0, x1) < x < max(x0, x1)]
    lines_y = [y for y in range(-10, 20) if min(y0, y1) < y < max(y0, y1)]
    expected = [(x - x0) / (x1 - x0) for x in lines_x] + [(y - y0) / (y1 - y0) for y in lines_y]
    assert sorted(share) == pytest.approx(sorted([0.0, 1.0, *expected]), abs=1e-9)
