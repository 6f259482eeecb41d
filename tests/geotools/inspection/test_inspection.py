"""Hand-made as-builts against a plan: stretches, punch list, walking order, closure."""

from __future__ import annotations

import itertools
import warnings
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import LineString, MultiLineString, Point, box

from geotools.errors import DesignError, LayerError, Noticed
from geotools.inspection import compare_as_built, join_as_built, list_punch, walking_order

CRS = 26912
pytestmark = pytest.mark.filterwarnings("ignore::geotools.errors.Noticed")


def plan(*shapes: Any, height_m: float = 1.0, gates: int = 0) -> gpd.GeoDataFrame:
    ids = [chr(ord("A") + number) for number in range(len(shapes))]
    return gpd.GeoDataFrame(
        {"line_id": ids, "parcel_id": ids, "recommended": True, "height_m": height_m, "gates": gates},
        geometry=list(shapes), crs=CRS,
    )  # fmt: skip


def points(places: list[tuple[float, float]], heights: list[float], **columns: Any) -> gpd.GeoDataFrame:
    return gpd.GeoDataFrame({"height_m": heights, **columns}, geometry=[Point(place) for place in places], crs=CRS)


def found(table: gpd.GeoDataFrame) -> list[tuple[float, float, str]]:
    return [(round(row["from_m"], 6), round(row["to_m"], 6), row["finding"]) for row in table.to_dict("records")]


STRAIGHT = LineString([(0, 0), (30, 0)])


def test_low_stretch_ends_where_the_top_crosses_the_height() -> None:
    posts = points([(x, 0.1) for x in (0, 3, 6, 9, 12)] + [(x, 0.1) for x in range(15, 31, 3)],
                   [1.0, 1.0, 0.7, 1.0, 1.0] + [1.1] * 6)  # fmt: skip
    table = compare_as_built(plan(STRAIGHT), posts, tolerance_m=0.1)
    # From 1.0 down to 0.7 over 3 m: 0.9 is crossed 1 m along.
    assert found(table) == [(0, 4, "pass"), (4, 8, "low"), (8, 30, "pass")]
    low = table.iloc[1]
    assert low["short_m"] == pytest.approx(0.3)
    assert low["measured_height_m"] == pytest.approx(0.7)
    assert low.geometry.equals(LineString([(4, 0), (6, 0), (8, 0)])) or low.geometry.length == pytest.approx(4)


def test_tolerance_is_to_the_millimetre() -> None:
    posts = points([(0, 0), (3, 0)], [0.987, 0.988])
    line = plan(LineString([(0, 0), (3, 0)]))
    assert found(compare_as_built(line, posts, tolerance_m=0.0131)) == [(0, 3, "pass")]
    assert found(compare_as_built(line, posts, tolerance_m=0.0119)) == [(0, 3, "low")]


def test_points_too_far_apart_leave_a_stretch_unmeasured() -> None:
    posts = points([(0, 0), (3, 0), (9, 0), (12, 0)], [1.0] * 4)
    table = compare_as_built(plan(LineString([(0, 0), (12, 0)])), posts, spacing_m=3.0)
    assert found(table) == [(0, 3, "pass"), (3, 9, "not measured"), (9, 12, "pass")]
    assert table["passes"].tolist() == [True, False, True]


def test_moved_line_is_moved_beyond_the_snap_and_lost_beyond_reach() -> None:
    built = gpd.GeoDataFrame(
        {"height_m": [1.0, 1.0, 1.0]}, crs=CRS,
        geometry=[LineString([(0, 0.5), (10, 0.5)]), LineString([(10, 3), (20, 3)]), LineString([(20, 9), (30, 9)])],
    )  # fmt: skip
    table = compare_as_built(plan(STRAIGHT), built, snap_m=1.0, moved_within_m=5.0)
    assert [row[2] for row in found(table)] == ["pass", "moved", "not built"]
    assert table["away_m"].tolist()[1] == pytest.approx(3.0)
    assert table["from_m"].tolist() == pytest.approx([0, 10, 20])


def test_missing_piece_of_a_measured_line() -> None:
    built = gpd.GeoDataFrame(
        {"height_m": 1.0},
        geometry=[LineString([(0, 0), (12, 0)]), LineString([(15, 0), (30, 0)])],
        crs=CRS,
        index=[0, 1],
    )
    table = compare_as_built(plan(STRAIGHT), built, snap_m=0.5)
    assert found(table) == [(0, 12, "pass"), (12, 15, "not built"), (15, 30, "pass")]


def test_panels_ask_for_their_own_height() -> None:
    panels = gpd.GeoDataFrame(
        {"line_id": ["A", "A"], "from_m": [0.0, 10.0], "to_m": [10.0, 30.0], "height_m": [1.0, 1.5]},
        geometry=[LineString([(0, 0), (10, 0)]), LineString([(10, 0), (30, 0)])], crs=CRS,
    )  # fmt: skip
    posts = points([(float(x), 0) for x in range(0, 31, 3)], [1.2] * 11)
    table = compare_as_built(plan(STRAIGHT), posts, panels)
    assert found(table) == [(0, 10.15, "pass"), (10.15, 30, "low")]
    assert table["short_m"].tolist()[1] == pytest.approx(0.3)


def test_openings_and_gates() -> None:
    posts = points(
        [(0, 0), (3, 0), (6, 0), (9, 0), (2, 0), (5, 0), (8, 0)],
        [1.0] * 4 + [np.nan] * 3,
        kind=["post"] * 4 + ["gate", "drain", "gate"],
        opening_m=[np.nan] * 4 + [0.006, np.nan, 0.00635],
    )
    table = compare_as_built(plan(LineString([(0, 0), (9, 0)]), gates=3), posts)
    openings = table[table["finding"] == "opening"]
    assert ((openings["from_m"] + openings["to_m"]) / 2).tolist() == pytest.approx(
        [5, 8]
    )  # 1/4 in is open, 6 mm is not
    assert table[table["finding"] == "missing gate"]["what"].item() == "3 gates planned, 2 found"
    with pytest.warns(Noticed, match="gates are not checked"):
        compare_as_built(plan(LineString([(0, 0), (9, 0)]), gates=3), posts.iloc[:4])


def test_a_closed_line_is_measured_past_its_seam() -> None:
    ring = box(0, 0, 6, 6).exterior
    corners = [(6.0, 3.0), (6.0, 6.0), (3.0, 6.0), (0.0, 6.0), (0.0, 3.0), (0.0, 0.0), (3.0, 0.0), (5.0, 0.0)]
    table = compare_as_built(plan(LineString(ring.coords)), points(corners, [1.0] * 8), spacing_m=4.3)
    assert set(table["finding"]) == {"pass"}
    assert table["length_m"].sum() == pytest.approx(24)


def test_stations_run_on_over_pieces() -> None:
    shape = MultiLineString([[(0, 0), (9, 0)], [(0, 20), (9, 20)]])
    posts = points([(x, y) for y in (0, 20) for x in (0, 3, 6, 9)], [1.0] * 4 + [0.5] * 4)
    assert found(compare_as_built(plan(shape), posts)) == [(0, 9, "pass"), (9, 18, "low")]


def test_a_named_lot_wins_over_a_nearer_line() -> None:
    near = plan(LineString([(0, 0), (9, 0)]), LineString([(0, 0.6), (9, 0.6)]))
    posts = points([(x, 0.1) for x in (0, 3, 6, 9)], [1.0] * 4, parcel_id=["B"] * 4)
    table = compare_as_built(near, posts)
    assert table.set_index("line_id")["finding"].to_dict() == {"A": "not measured", "B": "pass"}


def test_nothing_near_and_bad_distances_are_refused() -> None:
    with pytest.raises(LayerError, match="nothing measured"):
        compare_as_built(plan(STRAIGHT), points([(500, 500)], [1.0]))
    with pytest.raises(DesignError):
        compare_as_built(plan(STRAIGHT), points([(0, 0)], [1.0]), snap_m=-1.0)


@settings(max_examples=20, deadline=None)
@given(st.lists(st.floats(0.2, 2.0), min_size=2, max_size=9), st.floats(0.5, 1.5), st.floats(0.0, 0.1))
def test_low_length_is_what_a_fine_walk_finds(heights: list[float], needed: float, tolerance: float) -> None:
    shape = LineString([(0, 0), (3.0 * (len(heights) - 1), 0)])
    posts = points([(3.0 * number, 0.0) for number in range(len(heights))], heights)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", Noticed)
        table = compare_as_built(plan(shape, height_m=needed), posts, tolerance_m=tolerance)
    walk = np.linspace(0, shape.length, 3001)
    top = np.interp(walk, 3.0 * np.arange(len(heights)), heights)
    low_m = table.loc[table["finding"] == "low", "length_m"].sum()
    # One step of the walk at each end of at most len(heights) low stretches.
    assert low_m == pytest.approx(
        (top < needed - tolerance).mean() * shape.length, abs=len(heights) * shape.length / 1000
    )
    assert table["length_m"].sum() == pytest.approx(shape.length)
    assert np.allclose(table["from_m"].to_numpy()[1:], table["to_m"].to_numpy()[:-1])


def test_punch_list_walks_from_stop_to_stop() -> None:
    shapes = [LineString([(x, 0), (x + 1, 0)]) for x in (0, 40, 10, 30)]
    stretches = gpd.GeoDataFrame(
        {"parcel_id": list("adbc"), "line_id": list("adbc"), "from_m": 0.0, "to_m": 1.0, "what": "", "finding": "low",
         "passes": [False, False, True, False]}, geometry=shapes, crs=CRS,
    )  # fmt: skip
    punch = list_punch(stretches)
    assert punch["parcel_id"].tolist() == ["a", "c", "d"]
    assert punch["walk_m"].tolist() == pytest.approx([0, 30, 10])
    assert punch["work"].unique().tolist() == ["raise it"]
    assert list_punch(stretches[stretches["passes"]]).empty


@settings(max_examples=15, deadline=None)
@given(st.lists(st.tuples(st.floats(0, 100), st.floats(0, 100)), min_size=3, max_size=7))
def test_short_walks_are_the_shortest(places: list[tuple[float, float]]) -> None:
    spots = np.array(places)

    def length(order: Any) -> float:
        return float(np.hypot(*np.diff(spots[list(order)], axis=0).T).sum())

    order = walking_order(spots)
    assert sorted(order.tolist()) == list(range(len(spots)))
    assert length(order) == pytest.approx(
        min(length(one) for one in itertools.permutations(range(len(spots)))), abs=1e-6
    )


def test_long_walks_have_no_exchange_left() -> None:
    spots = np.random.default_rng(7).random((40, 2)) * 100
    order = walking_order(spots)
    assert sorted(order.tolist()) == list(range(40))
    walk = spots[order]
    length = np.hypot(*np.diff(walk, axis=0).T).sum()
    for first, last in itertools.combinations(range(40), 2):
        turned = np.concatenate([walk[:first], walk[first : last + 1][::-1], walk[last + 1 :]])
        assert np.hypot(*np.diff(turned, axis=0).T).sum() >= length - 1e-9


def test_as_built_walls_are_sound_only_where_they_pass() -> None:
    posts = points([(0, 0), (3, 0), (6, 0), (9, 0), (4.5, 0)], [1, 1, 1, 0.5, np.nan], kind=[""] * 4 + ["hole"])
    stretches = compare_as_built(plan(LineString([(0, 0), (9, 0)])), posts)
    old = gpd.GeoDataFrame({"sound_now": [True], "kind": ["block"]}, geometry=[LineString([(0, 9), (9, 9)])], crs=CRS)
    walls = join_as_built(stretches, old)
    assert walls["sound_now"].tolist()[0]
    sound = walls[walls["kind"] == "new barrier"]
    sound = sound[sound["sound_now"]].union_all()
    assert not sound.intersects(Point(4.5, 0).buffer(0.1))
    assert not sound.intersects(Point(8, 0).buffer(0.1))
    assert sound.intersects(Point(2, 0).buffer(0.01))
    assert isinstance(stretches["stretch"], pd.Series)


def test_gates_are_looked_for_at_their_place() -> None:
    """Two gates planned at 3 and 20 m, one found at 3.5 m: the other is missing, and it is said where."""
    planned = gpd.GeoDataFrame(
        {"line_id": ["A", "A"], "gate": [1, 2], "station_m": [3.0, 20.0]}, geometry=[Point(3, 0), Point(20, 0)], crs=CRS
    )
    built = points([(0, 0), (3.5, 0.1), (30, 0)], [1.0] * 3, kind=["post", "gate", "post"])
    line = plan(STRAIGHT, gates=2)
    table = compare_as_built(line, built, None, planned, snap_m=1.0)
    gone = table[table["finding"] == "missing gate"]
    assert gone["what"].tolist() == ["gate 2 planned here, none found"]
    assert gone["from_m"].item() < 20 < gone["to_m"].item()
    # Without places the same gates are only counted; a gate too far from its place does not stand for it.
    assert compare_as_built(line, built, snap_m=1.0)["what"].str.contains("2 gates planned, 1 found").any()
    tight = compare_as_built(line, built, None, planned, snap_m=0.3)
    assert (tight["finding"] == "missing gate").sum() == 2


def test_one_gate_found_does_not_stand_for_two_planned() -> None:
    planned = gpd.GeoDataFrame(
        {"line_id": ["A", "A"], "gate": [1, 2], "station_m": [3.0, np.nan]}, geometry=[Point(3, 0), None], crs=CRS
    )
    line = plan(STRAIGHT, gates=2)
    one = points([(0, 0), (3, 0), (30, 0)], [1.0] * 3, kind=["post", "gate", "post"])
    told = compare_as_built(line, one, None, planned)
    assert told.loc[told["finding"] == "missing gate", "what"].tolist() == ["1 gate planned, 0 found"]
    two = points([(0, 0), (3, 0), (12, 0), (30, 0)], [1.0] * 4, kind=["post", "gate", "gate", "post"])
    assert not (compare_as_built(line, two, None, planned)["finding"] == "missing gate").any()


def test_texts_follow_the_units() -> None:
    posts = points([(0, 0), (3, 0)], [0.9, 0.9])
    line = plan(LineString([(0, 0), (3, 0)]))
    assert compare_as_built(line, posts)["what"].item() == "3.94 in too low: 39.37 in is asked for"
    assert compare_as_built(line, posts, units="metric")["what"].item() == "100 mm too low: 1000 mm is asked for"
