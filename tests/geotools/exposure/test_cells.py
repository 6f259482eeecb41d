"""Hold exact cover and averages of cells, and the nearest habitat, against overlays cell by cell."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from affine import Affine
from hypothesis import given, settings
from hypothesis import strategies as st

from geotools.exposure._cells import average_over, weigh_cells
from geotools.exposure.measures import measure_distance

ROWS, COLUMNS, CELL_M = 7, 9, 10.0
GRID = Affine(CELL_M, 0, 440_000, 0, -CELL_M, 3_700_000)
ROW, COLUMN = np.mgrid[0:ROWS, 0:COLUMNS]
BOXES = shapely.box(
    GRID.c + CELL_M * COLUMN, GRID.f - CELL_M * (ROW + 1), GRID.c + CELL_M * (COLUMN + 1), GRID.f - CELL_M * ROW
)


def some_shapes(seed: int, low_m: float, high_m: float) -> list[shapely.Geometry]:
    """Rings and discs, and a box with its sides along the cells'."""
    rng = np.random.default_rng(seed)
    wide = np.array([GRID.c, GRID.f - CELL_M * ROWS]) + rng.uniform(low_m, high_m, (4, 2))
    ring = shapely.Point(wide[0]).buffer(14).difference(shapely.Point(wide[0]).buffer(6))
    two = shapely.union(shapely.Point(wide[1]).buffer(5), shapely.Point(wide[1] + 25).buffer(3))
    box = shapely.box(GRID.c + 20, GRID.f - 50, GRID.c + 40, GRID.f - 20)
    return [ring, two, box, shapely.Point(wide[2]).buffer(4, quad_segs=2)]


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 10_000))
def test_cells_hold_what_an_overlay_of_each_says(seed: int) -> None:
    # Also with ground that begins and ends beyond the grid.
    for shape in some_shapes(seed, -30.0, 110.0):
        found = weigh_cells(np.array([shape]), np.array([0.7]), GRID, (ROWS, COLUMNS))
        # Coordinates of some millions of metres carry 1e-9 m of rounding, a cell's area 1e-8 m2 of it.
        assert found == pytest.approx(0.7 * shapely.area(shapely.intersection(BOXES, shape)) / CELL_M**2, abs=1e-9)


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 10_000))
def test_averages_are_those_of_an_overlay_of_each_cell(seed: int) -> None:
    values = np.random.default_rng(seed).uniform(-1, 1, (ROWS, COLUMNS))
    shapes = np.array(some_shapes(seed, 15.0, 40.0))
    expected = [
        (values * shapely.area(shapely.intersection(BOXES, shape))).sum() / shapely.area(shape) for shape in shapes
    ]
    assert average_over(values, GRID, shapes) == pytest.approx(expected, abs=1e-8)


def test_an_area_of_nothing_has_no_average() -> None:
    nothing = np.array([shapely.Polygon()])
    assert np.isnan(average_over(np.ones((ROWS, COLUMNS)), GRID, nothing)).all()
    assert weigh_cells(np.zeros(0, dtype=object), np.zeros(0), GRID, (ROWS, COLUMNS)).tolist() == [[0] * COLUMNS] * ROWS


def test_the_nearest_habitat_is_the_least_of_all_distances() -> None:
    rng = np.random.default_rng(5)
    lots = shapely.box(*(rng.uniform(0, 300, (2, 40))), *(rng.uniform(300, 330, (2, 40))))
    lots = np.append(lots, shapely.box(500, 500, 505, 505))
    pieces = shapely.buffer(shapely.points(rng.uniform(-400, 900, (12, 2))), 15)
    # One that holds a whole lot, one with that lot in its hole, and shapes of other kinds.
    ring = shapely.Point(500, 500).buffer(90).difference(shapely.Point(500, 500).buffer(40))
    for habitat in (
        pieces,
        np.append(pieces, shapely.box(490, 490, 520, 520)),
        np.append(pieces, ring),
        np.array([shapely.LineString([(-50, 0), (-50, 90)]), shapely.Point(700, 1)]),
    ):
        assert measure_distance(lots, habitat).tolist() == shapely.distance(lots[:, None], habitat).min(axis=1).tolist()
    assert np.isinf(measure_distance(lots, np.zeros(0, dtype=object))).all()
