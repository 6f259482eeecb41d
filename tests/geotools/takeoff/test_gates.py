"""Gates with a place in the takeoff: posts and mesh either side of them, by hand."""

from __future__ import annotations

import itertools

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from geotools.errors import StepError
from geotools.takeoff import count_materials, list_takeoff
from geotools.takeoff.gates import classify_between_gates, cut_runs, find_gate_openings
from geotools.takeoff.posts import Openings, cut_openings
from geotools.takeoff.work import collect_runs

from .test_listing import SOILS, amounts, line_table, lots, straight

FOOT_M = 0.3048


def gate_at(station_ft: float, width_ft: float = 3.0, line_id: str = "a-Y") -> gpd.GeoDataFrame:
    columns = {"line_id": [line_id], "station_m": [station_ft * FOOT_M], "width_m": [width_ft * FOOT_M]}
    return gpd.GeoDataFrame(columns, geometry=[None], crs=32612)


def test_posts_are_spaced_afresh_either_side() -> None:
    # 100 ft with a gate from 10 to 13 ft: 1 span of 10 ft, then 87 ft in 9 spans; 0 + 8 line posts, 2 ends.
    found = amounts(
        list_takeoff(lots(a="build"), line_table(straight(100), gates=1), soils=SOILS, planned_gates=gate_at(11.5))
    )
    assert (found["post_line"], found["post_end"], found["post_gate"]) == (8.0, 2.0, 2.0)
    assert (found["hang_48"], found["wire"], found["sill"]) == (97.0, 194.0, 3.0)
    assert found["roll_48"] == 1.0  # 10 and 87 ft, each with 6 in round its two posts: 11 and 88 ft of 100 ft


def test_a_wide_gate_opens_its_own_width_and_is_noted() -> None:
    takeoff = list_takeoff(
        lots(a="build"), line_table(straight(100), gates=1), soils=SOILS, planned_gates=gate_at(50, width_ft=10)
    )
    found = amounts(takeoff)
    assert (found["hang_48"], found["sill"]) == (90.0, 10.0)
    note = takeoff.loc[(takeoff["scope"] == "project") & (takeoff["item"] == "gate"), "note"].item()
    assert note == "wider than 3 ft: 1 of 10 ft"


def test_a_gate_without_a_place_is_taken_off_as_before() -> None:
    lines = line_table(straight(100), gates=1)
    nowhere = gate_at(0).assign(station_m=np.nan)
    plain = list_takeoff(lots(a="build"), lines, soils=SOILS)
    assert list_takeoff(lots(a="build"), lines, soils=SOILS, planned_gates=nowhere).equals(plain)


def test_count_materials_leaves_the_posts_of_gates_out() -> None:
    lines = line_table(straight(100), gates=1)
    assert count_materials(lines)["posts"].item() == 11
    assert count_materials(lines, gate_at(11.5))["posts"].item() == 10


def test_a_loop_keeps_its_corners_and_gets_no_end() -> None:
    # 400 ft with a gate from 10 to 13 ft: 10, 87 and three sides of 100 ft: 1 + 9 + 30 spans, 4 corners.
    loop = np.array([shapely.box(0, 0, 100 * FOOT_M, 100 * FOOT_M).exterior])
    gate = Openings(np.array([0]), np.array([10 * FOOT_M]), np.array([13 * FOOT_M]))
    counts = classify_between_gates(
        loop, gate, straighten_m=0.0, post_spacing_m=10 * FOOT_M, corner_deg=20.0, closer_on_curves=True
    )
    assert (counts.corner.item(), counts.end.item(), counts.line.item()) == (4, 0, 40 + 1 - 2 - 4)


@pytest.mark.parametrize(
    ("bounds_m", "expected"),
    [
        ((0, 10, 13, 20), [(0, 0.0, 10.0), (1, 13.0, 7.0)]),  # a panel as wide as the gate
        ((0, 13, 20), [(0, 0.0, 10.0), (1, 13.0, 7.0)]),  # a panel that begins behind the gate
        ((0, 10, 20), [(0, 0.0, 10.0), (1, 13.0, 7.0)]),  # one that ends before it
        ((0, 20), [(0, 0.0, 10.0), (1, 13.0, 7.0)]),
        ((0, 5, 12, 15, 20), [(0, 0.0, 5.0), (0, 5.0, 5.0), (1, 13.0, 2.0), (1, 15.0, 5.0)]),
    ],
)
def test_a_new_run_begins_behind_a_gate_wherever_the_panels_meet(
    bounds_m: tuple[int, ...], expected: list[tuple[int, float, float]]
) -> None:
    steps = list(itertools.pairwise(bounds_m))
    panels = gpd.GeoDataFrame(
        {"line_id": "A", "length_m": [float(b - a) for a, b in steps], "height_m": 0.9144},
        geometry=[shapely.LineString([(a, 0), (b, 0)]) for a, b in steps],
        crs=32612,
    )
    line = gpd.GeoDataFrame({"line_id": ["A"], "height_m": [0.9144]}, geometry=[shapely.LineString([(0, 0), (20, 0)])])
    gate = Openings(np.array([0]), np.array([10.0]), np.array([13.0]))
    runs = collect_runs(line, panels, gate, burial_m=0.1524)
    assert list(zip(runs["run"], runs["from_m"], runs["length_m"], strict=True)) == expected


def test_gates_side_by_side_stand_as_one_opening() -> None:
    # 100 ft with gates from 10 to 13 and 13 to 16 ft: 1 span of 10 ft, then 84 ft in 9 spans; 0 + 8 line posts, 2 ends.
    line = np.array([shapely.LineString([(0, 0), (100 * FOOT_M, 0)])])
    gates = Openings(np.zeros(2, dtype=np.int64), np.array([10, 13]) * FOOT_M, np.array([13, 16]) * FOOT_M)
    counts = classify_between_gates(
        line, gates, straighten_m=0.15, post_spacing_m=10 * FOOT_M, corner_deg=20.0, closer_on_curves=True
    )
    assert (counts.line.item(), counts.corner.item(), counts.end.item()) == (8, 0, 2)


def test_a_table_without_stations_is_refused() -> None:
    with pytest.raises(StepError, match="station_m"):
        find_gate_openings(line_table(straight(10)), gate_at(5).drop(columns="station_m"))


@settings(deadline=None)
@given(st.lists(st.tuples(st.floats(0, 30), st.floats(0.3, 4)), max_size=4), st.booleans())
def test_what_is_cut_out_is_as_long_as_the_openings_cover(places: list[tuple[float, float]], ring: bool) -> None:
    shape = shapely.box(0, 0, 5, 10).exterior if ring else shapely.LineString([(0, 0), (30, 0)])
    from_m = np.array([at - width / 2 for at, width in places])
    to_m = np.array([at + width / 2 for at, width in places])
    openings = Openings(np.zeros(len(places), dtype=np.int64), from_m, to_m)
    covered = shapely.union_all([shapely.box(a, 0, b, 1) for a, b in zip(from_m, to_m, strict=True)])
    expected_m = 30 - shapely.intersection(covered, shapely.box(0, 0, 30, 1)).area
    kept, _ = cut_openings(np.array([shape]), openings)
    assert kept[0].length == pytest.approx(expected_m, abs=1e-4)
    runs = pd.DataFrame({"row": [0, 0], "from_m": [0.0, 12.0], "length_m": [12.0, 18.0], "joined": [False, True]})
    cut = cut_runs(runs, openings)
    assert cut["length_m"].sum() == pytest.approx(expected_m, abs=1e-4)
    assert (cut["length_m"] > 0).all()
