"""Check posts by class, on curves and on slopes."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely

from geotools.takeoff import classify_posts, count_posts

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
