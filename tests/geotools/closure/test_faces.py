"""Noding and faces against GEOS's own overlay and polygoniser, and by hand."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from geotools.closure._arrangement import NOTHING, arrange
from geotools.closure._faces import trace_faces
from geotools.closure._noding import node, unique_segments

SEEDS = st.integers(0, 2**32 - 1)


def random_segments(rng: np.random.Generator) -> np.ndarray:
    """Draw segments on and off a lattice: many share corners, touch, cross, or lie on each other in part."""
    count = int(rng.integers(3, 40))
    ends = rng.integers(0, 8, (count, 2, 2)) * 1000.0
    loose = rng.random(count) < 0.4
    ends[loose] = rng.uniform(0, 8000, (int(loose.sum()), 2, 2))
    level = rng.random(count) < 0.3
    ends[level, 1, 1] = ends[level, 0, 1]
    return ends[np.any(ends[:, 0] != ends[:, 1], axis=1)]


@given(seed=SEEDS)
@settings(max_examples=100, deadline=None)
def test_faces_against_overlay_and_polygoniser(seed: int) -> None:
    segments = random_segments(np.random.default_rng(seed))
    edges = node(*unique_segments(segments, np.zeros(len(segments), dtype=np.intp)))
    faces = trace_faces(edges.start, edges.stop, 1.0)
    noded = shapely.get_parts(shapely.union_all(shapely.linestrings(segments), grid_size=1.0))
    wanted, bridges, ends, _ = (shapely.get_parts(found) for found in shapely.polygonize_full(noded))
    assert shapely.is_valid(faces.shapes).all()
    # Steps of the grid: where a line passes the corner of a square, either side may be taken.
    # A face as small as that may be there or not: none is one of no area.
    ours, theirs = (np.sort(shapely.area(shapes)) for shapes in (faces.shapes, wanted))
    most = max(len(ours), len(theirs))
    ours, theirs = (np.concatenate([np.zeros(most - len(areas)), areas]) for areas in (ours, theirs))
    assert ours == pytest.approx(theirs, abs=20_000)
    length = np.hypot(*(edges.stop - edges.start).T)
    loose = shapely.length(np.concatenate([bridges, ends])).sum()
    assert length[faces.left == -2].sum() == pytest.approx(loose, abs=50)
    # Every face has the outline that its edges add up to.
    sides = np.concatenate([faces.left, faces.right])
    around = np.bincount(sides[sides >= 0], np.tile(length, 2)[sides >= 0], len(faces.shapes))
    assert around == pytest.approx(shapely.length(faces.shapes))


@given(seed=SEEDS)
@settings(max_examples=50, deadline=None)
def test_order_and_direction_do_not_matter(seed: int) -> None:
    rng = np.random.default_rng(seed)
    lines = np.asarray(shapely.linestrings(random_segments(rng) / 20), dtype=object)  # 400 m: more than one block
    rank = rng.integers(0, 5, len(lines))
    order = rng.permutation(len(lines))
    plan, other = arrange(lines, rank), arrange(shapely.reverse(lines[order]), rank[order])
    assert np.array_equal(plan.edges, other.edges)
    assert np.array_equal(plan.rank, other.rank)
    assert np.array_equal(plan.loose, other.loose)
    assert shapely.equals_identical(plan.faces, other.faces).all()


def test_a_ring_that_touches_itself_and_a_ring_that_stands_free() -> None:
    # A square of 10; within it a diamond that hangs on the square's corner, and a square of 2 that stands free.
    rings = [
        [(0, 0), (10, 0), (10, 10), (0, 10)],
        [(0, 0), (3, 1), (4, 4), (1, 3)],
        [(6, 6), (8, 6), (8, 8), (6, 8)],
    ]
    start = np.concatenate([np.array(ring) for ring in rings])
    stop = np.concatenate([np.roll(np.array(ring), -1, axis=0) for ring in rings])
    faces = trace_faces(start, stop, 1.0)
    assert sorted(shapely.area(faces.shapes).tolist()) == [4.0, 8.0, 88.0]
    assert shapely.is_valid(faces.shapes).all()


def test_a_site_of_several_tiles_is_whole() -> None:
    long = shapely.LineString([(3.3, 7.7), (2503.1, 1507.9)])
    plan = arrange(np.array([long, shapely.box(100, 100, 1900, 300).exterior]), np.array([2, 1]))
    assert shapely.coverage_is_valid(plan.faces)
    # The frame lies 10 m and less than 2 m more around the lines.
    west, south, east, north = shapely.total_bounds(plan.faces)
    assert shapely.area(plan.faces).sum() == pytest.approx((east - west) * (north - south))
    length = np.hypot(*(plan.edges[:, 1] - plan.edges[:, 0]).T)
    assert length[plan.rank == 1].sum() == pytest.approx(4000, abs=0.01)
    loose = np.hypot(*(plan.loose[:, 1] - plan.loose[:, 0]).T)
    ends = loose[plan.loose_rank == 2].sum() + length[plan.rank == 2].sum()
    assert ends == pytest.approx(long.length, abs=0.01)
    assert set(plan.rank.tolist()) == {1, 2, NOTHING}
