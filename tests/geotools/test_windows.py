"""Check grouping, averaging and cutting against brute force."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from affine import Affine
from hypothesis import given, settings
from hypothesis import strategies as st

from geotools.windows import average_cells, cut_along_grid, group_near


@settings(max_examples=30, deadline=None)
@given(st.integers(0, 1000), st.integers(0, 60))
def test_every_shape_is_in_one_small_group(seed: int, count: int) -> None:
    points = np.asarray(shapely.points(np.random.default_rng(seed).uniform(0, 1000, (count, 2))), dtype=object)
    groups = group_near(points, window_m2=10_000.0)
    assert sorted(np.concatenate(groups).tolist() if groups else []) == list(range(count))
    for group in groups:
        west, south, east, north = shapely.total_bounds(points[group])
        assert len(group) == 1 or (east - west) * (north - south) <= 10_000.0


def test_average_is_weighed_by_exact_areas() -> None:
    rng = np.random.default_rng(1)
    values = rng.random((8, 8))
    values[2, 3] = np.nan
    area = shapely.Point(4, 4).buffer(2.7)
    total = weight = 0.0
    for row in range(8):
        for column in range(8):
            part = shapely.box(column, 7 - row, column + 1, 8 - row).intersection(area).area
            if not np.isnan(values[row, column]):
                total, weight = total + part * values[row, column], weight + part
    found = average_cells(values, Affine(1, 0, 0, 0, -1, 8), np.array([area, shapely.box(20, 20, 21, 21)]), crs=32612)
    # Cell fractions are 32-bit numbers in that library.
    assert found[0] == pytest.approx(total / weight, abs=1e-6)
    assert np.isnan(found[1])


def test_pieces_cover_the_same_ground_without_overlaps() -> None:
    shapes = np.array([shapely.box(0, 0, 900, 300), shapely.Point(800, 300).buffer(200), shapely.Polygon(), None])
    pieces = cut_along_grid(shapes)
    whole = shapely.union_all(shapes)
    assert shapely.area(pieces).sum() == pytest.approx(whole.area)
    assert shapely.union_all(pieces).symmetric_difference(whole).area < 1e-6
    assert (shapely.bounds(pieces)[:, 2:] - shapely.bounds(pieces)[:, :2]).max() <= 250.001
    assert len(cut_along_grid(np.array([], dtype=object))) == 0
