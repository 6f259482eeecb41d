"""Check the counts of posts, corners and mesh against hand counts and a loop over every line."""

from __future__ import annotations

import math
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from geotools.design import BarrierStandard
from geotools.errors import DesignError
from geotools.takeoff import STOCK_WIDTHS_M, count_materials, count_posts, roll_width
from geotools.takeoff.materials import grade_factor

FOOT_M, INCH_M = 0.3048, 0.0254
CRS = "EPSG:32612"


def lines_of(*shapes: Any) -> np.ndarray[Any, Any]:
    array = np.empty(len(shapes), dtype=object)
    array[:] = shapes
    return array


def counted(*shapes: Any, **how: float) -> tuple[list[int], list[int]]:
    posts, corners = count_posts(lines_of(*shapes), **how)
    return posts.tolist(), corners.tolist()


def naive_counts(line: Any, spacing_m: float, corner_deg: float) -> tuple[int, int]:
    """Walk each line from point to point."""
    posts = corners = 0
    for part in shapely.get_parts(line):
        points = [np.array(point) for point in part.coords]
        points = [point for at, point in enumerate(points) if at == 0 or not np.array_equal(point, points[at - 1])]
        if len(points) < 2:
            continue
        closed = np.array_equal(points[0], points[-1])

        def bends(before: Any, here: Any, after: Any) -> bool:
            a, b = here - before, after - here
            turn = abs(math.degrees(math.atan2(a[0] * b[1] - a[1] * b[0], a[0] * b[0] + a[1] * b[1])))
            return turn >= corner_deg

        runs, run_m = [], 0.0
        first_is_corner = closed and bends(points[-2], points[0], points[1])
        corners += first_is_corner
        for at in range(1, len(points)):
            run_m += float(np.hypot(*(points[at] - points[at - 1])))
            if at < len(points) - 1 and bends(points[at - 1], points[at], points[at + 1]):
                corners += 1
                runs.append(run_m)
                run_m = 0.0
        runs.append(run_m)
        if closed and not first_is_corner and len(runs) > 1:
            runs[0] += runs.pop()
        spans = sum(math.ceil(run / spacing_m - 1e-6) for run in runs)
        posts += max(spans, 3) if closed else spans + 1
    return posts, corners


@pytest.mark.published("ASTM F567: line posts at most 10 ft (3.05 m) apart")
@pytest.mark.parametrize(
    ("line", "posts", "corners"),
    [
        (shapely.LineString([(0, 0), (100 * FOOT_M, 0)]), 11, 0),
        (shapely.box(0, 0, 100 * FOOT_M, 100 * FOOT_M).exterior, 40, 4),
        (shapely.LineString([(0, 0), (101 * FOOT_M, 0)]), 12, 0),
        (shapely.LineString([(0, 0), (1, 0)]), 2, 0),
        (shapely.LineString([(0, 0), (0, 50 * FOOT_M), (50 * FOOT_M, 50 * FOOT_M)]), 11, 1),
        (shapely.LineString([(0, 0), (0, 55 * FOOT_M), (55 * FOOT_M, 55 * FOOT_M)]), 13, 1),
    ],
)
def test_hand_counts(line: Any, posts: int, corners: int) -> None:
    assert counted(line) == ([posts], [corners])


def test_a_loop_that_starts_along_a_side_is_the_same_loop() -> None:
    side_m = 100 * FOOT_M
    middle = shapely.LineString([(side_m / 2, 0), (side_m, 0), (side_m, side_m), (0, side_m), (0, 0), (side_m / 2, 0)])
    assert counted(middle) == ([40], [4])
    uneven = shapely.LineString([(5, 0), (side_m, 0), (side_m, side_m), (0, side_m), (0, 0), (5, 0)])
    assert counted(uneven) == ([40], [4])


def test_loops_without_corners_and_small_ones() -> None:
    circle = shapely.Point(0, 0).buffer(20, quad_segs=32).exterior
    assert counted(circle) == ([math.ceil(circle.length / (10 * FOOT_M))], [0])
    assert counted(shapely.Point(0, 0).buffer(0.5, quad_segs=32).exterior) == ([3], [0])
    round_m = [(0.5 - 0.5 * math.cos(t), 0.3 * math.sin(t)) for t in np.linspace(0.3, 5.9, 40)]
    drop = shapely.LineString([(0, 0), *round_m, (0, 0)])
    assert counted(drop)[0] == [3]


def test_pieces_of_a_line_have_their_own_ends() -> None:
    pieces = shapely.MultiLineString([[(0, 0), (3, 0)], [(10, 0), (13, 0)]])
    assert counted(pieces) == ([4], [0])


def test_missing_empty_and_doubled_points() -> None:
    bend = shapely.LineString([(0, 0), (3, 0), (3, 0), (3, 3)])
    assert counted(None, shapely.LineString(), bend, shapely.MultiLineString()) == ([0, 0, 3, 0], [0, 0, 1, 0])
    assert counted() == ([], [])
    assert counted(None) == ([0], [0])


def test_a_bend_counts_from_the_angle_on() -> None:
    def bend(angle_deg: float) -> Any:
        turn = math.radians(angle_deg)
        return shapely.LineString([(0, 0), (30, 0), (30 + 30 * math.cos(turn), 30 * math.sin(turn))])

    assert counted(bend(19.9), bend(20.1), bend(-20.1))[1] == [0, 1, 1]
    assert counted(bend(19.9), corner_deg=10.0)[1] == [1]


points = st.tuples(st.integers(-50, 50), st.integers(-50, 50))


@settings(max_examples=150, deadline=None)
@given(
    st.lists(st.tuples(st.lists(points, min_size=2, max_size=9), st.booleans()), min_size=1, max_size=4),
    st.sampled_from([1.0, 2.5, 3.048, 7.0]),
    st.sampled_from([15.0, 20.0, 44.9]),
)
def test_against_a_walk_along_each_line(
    drawn: list[tuple[list[tuple[int, int]], bool]], spacing_m: float, corner_deg: float
) -> None:
    shapes = [shapely.LineString([*path, path[0]] if closed else path) for path, closed in drawn]
    posts, corners = counted(*shapes, post_spacing_m=spacing_m, corner_deg=corner_deg)
    assert list(zip(posts, corners, strict=True)) == [naive_counts(line, spacing_m, corner_deg) for line in shapes]
    together = shapely.MultiLineString(shapes)
    assert counted(together, post_spacing_m=spacing_m, corner_deg=corner_deg) == ([sum(posts)], [sum(corners)])


def test_counts_do_not_hang_on_the_place_in_a_long_table() -> None:
    square = shapely.box(0, 0, 100 * FOOT_M, 100 * FOOT_M).exterior
    long = shapely.LineString([(0, 0), (2e8, 0)])
    assert counted(*[long] * 5, square)[0][-1] == 40


@pytest.mark.parametrize("spacing_m", [0.0, -1.0, math.nan])
def test_impossible_spacings_are_refused(spacing_m: float) -> None:
    with pytest.raises(DesignError, match="post spacing"):
        counted(shapely.LineString([(0, 0), (1, 0)]), post_spacing_m=spacing_m)


@pytest.mark.published(
    "36 in above ground and 6 in buried take 42 in of cloth: a 48 in roll (reading D); 30 + 6 a 36 in roll"
)
@pytest.mark.parametrize(("height_in", "roll_in"), [(36, 48), (30, 36)])
def test_roll_of_the_published_readings(height_in: float, roll_in: float) -> None:
    width_m, courses = roll_width(np.array([(height_in + 6) * INCH_M]))
    assert (round(width_m[0] / INCH_M, 6), courses[0]) == (roll_in, 1)


@pytest.mark.parametrize(
    ("needed_in", "width_in", "courses"),
    [(0, 24, 1), (24, 24, 1), (24.5, 36, 1), (48, 48, 1), (48.5, 36, 2), (70, 36, 2), (70.5, 48, 2), (94, 48, 2)],
)
def test_rolls_by_hand(needed_in: float, width_in: float, courses: int) -> None:
    width_m, count = roll_width(np.array([needed_in * INCH_M]))
    assert (round(width_m[0] / INCH_M, 6), count[0]) == (width_in, courses)


@given(st.floats(0.0, 5.0))
def test_rolls_cover_with_their_laps_and_no_fewer_would(needed_m: float) -> None:
    lap_m = 2 * INCH_M
    width_m, courses = (part[0] for part in roll_width(np.array([needed_m])))
    slack_m = 1e-5  # a width that misses a roll by a hundredth of a millimetre is taken for it
    assert courses * width_m - (courses - 1) * lap_m >= needed_m - slack_m
    fewer = courses - 1
    assert fewer == 0 or fewer * STOCK_WIDTHS_M[-1] - (fewer - 1) * lap_m < needed_m + slack_m
    narrower = [width for width in STOCK_WIDTHS_M if width < width_m - slack_m]
    assert all(courses * width - (courses - 1) * lap_m < needed_m + slack_m for width in narrower)


def table(shapes: list[Any], heights_m: Any) -> gpd.GeoDataFrame:
    return gpd.GeoDataFrame({"height_m": heights_m}, geometry=gpd.GeoSeries(shapes, crs=CRS))


def test_count_materials_by_hand() -> None:
    shapes = [shapely.box(0, 0, 30.48, 30.48).exterior, None, shapely.LineString([(0, 0), (30.48, 0)])]
    lines = table(shapes, [0.9144, None, 0.762])
    counts = count_materials(lines.set_index(pd.Index([4, 9, 2])))
    assert counts.index.tolist() == [4, 9, 2]
    assert counts["posts"].tolist() == [40, 0, 11]
    assert counts["corners"].tolist() == [4, 0, 0]
    assert (counts["roll_width_m"] / INCH_M).round(6).tolist()[::2] == [48.0, 36.0]
    assert np.isnan(counts["roll_width_m"].iloc[1])
    assert counts["mesh_courses"].tolist() == [1, 0, 1]
    assert [str(counts[name].dtype) for name in ("posts", "corners", "mesh_courses")] == ["Int64"] * 3


@pytest.mark.parametrize("dtype", ["Float64", "object", "float64"])
def test_heights_of_any_kind_of_number(dtype: str) -> None:
    line = shapely.LineString([(0, 0), (30.48, 0)])
    counts = count_materials(table([line, line], pd.array([0.9144, None], dtype=dtype)))
    assert counts["posts"].tolist() == [11, 0]
    assert np.isnan(counts["roll_width_m"]).tolist() == [False, True]


def test_a_row_without_a_line_or_a_height_takes_nothing() -> None:
    bend = shapely.LineString([(0, 0), (9, 0), (9, 9)])
    counts = count_materials(table([None, shapely.LineString(), bend, bend], [0.9144, 0.9144, None, 0.9144]))
    assert counts[["posts", "corners", "mesh_courses"]].to_numpy().tolist() == [[0, 0, 0]] * 3 + [[7, 1, 1]]
    assert np.isnan(counts["roll_width_m"]).tolist() == [True, True, True, False]


def test_options_reach_the_count() -> None:
    turn = math.radians(20.5)
    bent = table([shapely.LineString([(0, 0), (30, 0), (30 + 30 * math.cos(turn), 30 * math.sin(turn))])], [0.9144])
    assert count_materials(bent)["corners"].item() == 1
    assert count_materials(bent, corner_deg=21.0)["corners"].item() == 0
    # A jog of half a metre is more than is built straight.
    jog = shapely.LineString([(0, 0), (15, 0), (15, 0.5), (30, 0.5)])
    assert count_materials(table([jog], [0.9144]))["corners"].item() == 2
    sloping = table([shapely.LineString([(0, 0), (100 * FOOT_M, 0)])], [0.9144]).assign(surface_length_m=112 * FOOT_M)
    assert count_materials(sloping)["posts"].item() == 1 + 12
    # A quarter of a circle of 90 ft is 141.4 ft: spans of 5 ft on the curve (at the ends up to 6), or 10 ft.
    angles = np.linspace(0, math.pi / 2, 61)
    arc = table([shapely.LineString(90 * FOOT_M * np.column_stack([np.cos(angles), np.sin(angles)]))], [0.9144])
    assert 26 <= count_materials(arc)["posts"].item() - 1 <= 29
    assert count_materials(arc, closer_on_curves=False)["posts"].item() - 1 == 15


def test_grade_of_short_and_unmeasured_lines() -> None:
    shapes = [shapely.LineString([(0, 0), (0.5, 0)])] * 3 + [None]
    lines = table(shapes, [0.9144] * 4).assign(surface_length_m=[0.6, np.nan, 0.4, 1.0])
    assert grade_factor(lines).tolist() == pytest.approx([1.2, 1.0, 1.0, 1.0])


def test_burial_is_that_of_the_standard() -> None:
    line = table([shapely.LineString([(0, 0), (3, 0)])], [30 * INCH_M])
    shallow = count_materials(line, standard=BarrierStandard(burial_m=4 * INCH_M))["roll_width_m"].item()
    deep = count_materials(line, standard=BarrierStandard(burial_m=12 * INCH_M))["roll_width_m"].item()
    assert (shallow / INCH_M, deep / INCH_M) == pytest.approx((36, 48))


def test_wiggles_are_built_straight() -> None:
    x = np.linspace(0, 30.48, 61)
    wiggle = shapely.LineString(np.column_stack([x, 0.1 * (np.arange(61) % 2)]))
    line = table([wiggle], [0.9144])
    assert count_materials(line)[["posts", "corners"]].iloc[0].tolist() == [11, 0]
    assert count_materials(line, straighten_m=0.0)["corners"].item() > 10


def test_an_empty_table() -> None:
    counts = count_materials(table([], pd.Series([], dtype=float)))
    assert len(counts) == 0
    assert {"posts", "corners", "roll_width_m", "mesh_courses"} <= set(counts.columns)
