"""Lots are parted by their shapes: subdivisions whole, tiles full, the order of the lots of no matter."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

from geotools.errors import PipelineError
from geotools.pipeline.partition import Tiling, part_lots, read_tiling, surroundings


def lots_at(corners: np.ndarray) -> gpd.GeoSeries:
    return gpd.GeoSeries(shapely.box(*corners.T, *(corners.T + 20.0)), crs=32612)


@st.composite
def corner_sets(draw: st.DrawFn) -> np.ndarray:
    cells = draw(st.lists(st.tuples(st.integers(0, 30), st.integers(0, 30)), min_size=1, max_size=60, unique=True))
    return np.array(cells, dtype=float) * draw(st.sampled_from([20.0, 43.0, 60.0])) + [400_000.0, 3_700_000.0]


@given(corner_sets(), st.integers(1, 20))
def test_subdivisions_that_fit_stay_whole_and_no_tile_is_too_large(corners: np.ndarray, size: int) -> None:
    lots = lots_at(corners)
    made = part_lots(lots, Tiling(lots=size))
    counts = np.bincount(made.tile, minlength=made.tiles)
    assert counts.min() > 0
    assert counts.max() <= size
    near = shapely.distance(lots.to_numpy()[:, None], lots.to_numpy()[None, :]) <= 25.0
    reach = np.linalg.matrix_power(near.astype(float), 1) > 0
    for _ in range(len(lots)):  # brute force: whoever is reached through others belongs together
        grown = reach @ near > 0
        if (grown == reach).all():
            break
        reach = grown
    fits = reach.sum(axis=1) <= size
    for lot in np.flatnonzero(fits):
        assert len(set(made.tile[reach[lot]])) == 1
    assert made.cut_lots == (~fits).sum()


@given(corner_sets(), st.integers(1, 20), st.randoms(use_true_random=False))
def test_order_of_the_lots_is_of_no_matter(corners: np.ndarray, size: int, random: object) -> None:
    order = list(range(len(corners)))
    random.shuffle(order)  # type: ignore[attr-defined]
    first = part_lots(lots_at(corners), Tiling(lots=size)).tile
    second = part_lots(lots_at(corners[order]), Tiling(lots=size)).tile
    assert first[order].tolist() == second.tolist()


@given(corner_sets(), st.floats(20.0, 400.0))
def test_surroundings_hold_all_within_the_distance(corners: np.ndarray, around_m: float) -> None:
    lots = lots_at(corners).to_numpy()
    # The round buffer's corners lie on the circle: what it covers is within the distance.
    assert surroundings(lots, around_m).buffer(1e-6).covers(shapely.union_all(shapely.buffer(lots, around_m)))


def test_a_lot_without_a_shape_has_a_tile_too() -> None:
    shapes = gpd.GeoSeries([None, shapely.box(0, 0, 9, 9), shapely.Polygon()], crs=32612)
    assert part_lots(shapes, Tiling()).tile.tolist() == [0, 0, 0]
    assert part_lots(shapes[[0, 2]], Tiling()).tiles == 1


def test_a_point_finds_the_tile_of_the_nearest_occupied_cell() -> None:
    made = part_lots(lots_at(np.array([[0.0, 0.0], [5000.0, 0.0]])), Tiling(lots=1))
    points = shapely.points([[10.0, 300.0], [4900.0, -50.0], [10.0, 10.0]])
    assert made.tile_at(points).tolist() == [made.tile[0], made.tile[1], made.tile[0]]


@pytest.mark.parametrize(
    ("options", "words"),
    [({"lot": 5}, "did you mean 'lots'"), ({"lots": 0}, "lots = 0"), ({"around_m": "wide"}, "around_m = 'wide'")],
)
def test_tiling_is_checked(options: dict[str, object], words: str) -> None:
    with pytest.raises(PipelineError, match=words):
        read_tiling(options)
