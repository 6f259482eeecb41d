"""Check posts by class, on curves and on slopes."""

from __future__ import annotations

import math

import geopandas as gpd
import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from geotools.takeoff import classify_posts, count_materials, count_posts

FOOT_M = 0.3048


def array_of(*shapes: shapely.Geometry) -> np.ndarray:
    array = np.empty(len(shapes), dtype=object)
    array[:] = shapes
    return array


@pytest.mark.published(
    "post counts: 11 for an open run of 100 ft at 10 ft, 40 for a closed loop of 400 ft (derived from ASTM F567)"
)
def test_classes_of_the_published_counts() -> None:
    run = shapely.LineString([(0, 0), (100 * FOOT_M, 0)])
    loop = shapely.box(0, 0, 100 * FOOT_M, 100 * FOOT_M).exterior
    counts = classify_posts(array_of(run, loop))
    assert counts.all.tolist() == [11, 40]
    assert [counts.line.tolist(), counts.corner.tolist(), counts.end.tolist()] == [[9, 36], [0, 4], [2, 0]]


@pytest.mark.published(
    "a town fence standard (Tremonton, Utah): 10 ft on tangents, 8 ft at R 200-500 ft, 6 ft at 100-200, 5 ft at 100"
)
@pytest.mark.parametrize(("radius_ft", "spacing_ft"), [(600, 10), (450, 8), (190, 6), (90, 5)])
def test_closer_on_curves(radius_ft: float, spacing_ft: float) -> None:
    turn = np.linspace(0, math.pi / 2, 31)  # bends of 3 degrees
    arc = shapely.LineString(radius_ft * FOOT_M * np.column_stack([np.cos(turn), np.sin(turn)]))
    spans = classify_posts(array_of(arc)).all[0] - 1
    # The first and last segment bend at one end only and count as flatter: a thirtieth of the arc each.
    exact = arc.length / FOOT_M / spacing_ft
    assert 0.95 * exact <= spans <= math.ceil(exact)
    assert classify_posts(array_of(arc), closer_on_curves=False).all[0] - 1 == math.ceil(arc.length / FOOT_M / 10)


def test_one_bend_between_long_runs_is_no_curve() -> None:
    bent = shapely.LineString([(0, 0), (100 * FOOT_M, 0), (200 * FOOT_M, 10 * FOOT_M)])
    plain, curved = (classify_posts(array_of(bent), closer_on_curves=flag).all[0] for flag in (False, True))
    assert plain == curved


def test_spacing_is_along_grade() -> None:
    run = shapely.LineString([(0, 0), (100 * FOOT_M, 0)])
    slope = math.hypot(1, 0.5)  # a slope of 50 percent is 1.118 times as long
    assert classify_posts(array_of(run), grade_factor=slope).all.tolist() == [1 + math.ceil(100 * slope / 10)]


def test_totals_are_the_plain_count_without_curves() -> None:
    shapes = array_of(
        shapely.box(0, 0, 20, 9).exterior, shapely.MultiLineString([[(0, 0), (3, 0)], [(10, 0), (13, 4)]])
    )
    counts = classify_posts(shapes, closer_on_curves=False)
    posts, corners = count_posts(shapes)
    assert counts.all.tolist() == posts.tolist()
    assert counts.corner.tolist() == corners.tolist()
    assert counts.end.tolist() == [0, 4]


def materials_of(corners: np.ndarray, begin: int, reverse: bool) -> list[int]:
    """Posts and corners of the ring through some points, begun at one of them."""
    turned = np.roll(corners, -begin, axis=0)
    ring = shapely.LineString(np.vstack([turned, turned[:1]])[:: -1 if reverse else 1])
    table = gpd.GeoDataFrame({"height_m": [0.9]}, geometry=[ring], crs="EPSG:32612")
    return count_materials(table)[["posts", "corners"]].iloc[0].tolist()


@given(seed=st.integers(0, 2**32 - 1), count=st.integers(3, 40), begin=st.integers(1, 39), reverse=st.booleans())
@settings(max_examples=150, deadline=None)
def test_where_a_loop_is_begun_and_which_way_makes_no_difference(
    seed: int, count: int, begin: int, reverse: bool
) -> None:
    # Round about a house, with jogs about as deep as what is built straight.
    draw = np.random.default_rng(seed)
    turn = np.sort(draw.uniform(0, 2 * math.pi, count))
    ring = (8 + draw.uniform(-0.3, 0.3, count) * draw.integers(1, 8))[:, None] * np.column_stack(
        [np.cos(turn), np.sin(turn)]
    )
    assert materials_of(ring, begin, reverse) == materials_of(ring, 0, False)


@pytest.mark.parametrize("begin", range(8))
@pytest.mark.parametrize("reverse", [False, True])
def test_a_loop_begun_at_a_jog_along_its_side_is_built_straight(begin: int, reverse: bool) -> None:
    # 400 ft with a jog of 4 in in the middle of each side: 40 posts at 10 ft, a corner at each of the four bends.
    side_m, jog_m = 100 * FOOT_M, 4 * FOOT_M / 12
    corners = np.array([(0, 0), (0.5, 0), (1, 0), (1, 0.5), (1, 1), (0.5, 1), (0, 1), (0, 0.5)]) * side_m
    middle = np.array([(0, 0), (0, 1), (0, 0), (-1, 0), (0, 0), (0, -1), (0, 0), (1, 0)])
    assert materials_of(corners + jog_m * middle, begin, reverse) == [40, 4]


def test_lines_that_are_open_count_the_same_both_ways() -> None:
    draw = np.random.default_rng(5)
    for _ in range(40):
        line = shapely.LineString(np.column_stack([np.sort(draw.uniform(0, 30, 12)), draw.uniform(0, 0.4, 12)]))
        both = gpd.GeoDataFrame({"height_m": [0.9] * 2}, geometry=[line, line.reverse()], crs="EPSG:32612")
        counts = count_materials(both)[["posts", "corners"]].to_numpy()
        assert counts[0].tolist() == counts[1].tolist()
