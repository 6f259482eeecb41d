"""Check that panels are as high as the profile asks, long enough, and cover each line once."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

from geotools.design import BarrierStandard, specified_height
from geotools.errors import DesignError, StepError
from geotools.reach import mark_highest_panels, schedule_panels
from geotools.reach.panels import merge_runs

STANDARD = BarrierStandard()
INCH_M = 0.0254


def profile_of(
    *stretches: tuple[float, float], line_id: str = "A", part: int = 0, begin_m: float = 0.0
) -> pd.DataFrame:
    """Stretches as length in metres and height in inches."""
    ends_m = begin_m + np.cumsum([length_m for length_m, _ in stretches])
    return pd.DataFrame(
        {
            "line_id": line_id,
            "part": part,
            "station_m": np.append(begin_m, ends_m[:-1]),
            "to_m": ends_m,
            "required_height_m": [height_in * INCH_M for _, height_in in stretches],
            "governed_by": [
                f"F{number}" if height_in > 36 else "ground" for number, (_, height_in) in enumerate(stretches)
            ],
        }
    )


def line_of(*parts: shapely.LineString, line_id: str = "A") -> gpd.GeoDataFrame:
    shape = parts[0] if len(parts) == 1 else shapely.MultiLineString(list(parts))
    return gpd.GeoDataFrame({"line_id": [line_id], "parcel_id": ["1"], "option": ["yard"]}, geometry=[shape], crs=32612)


LONG = shapely.LineString([(0, 0), (10, 0), (10, 20)])


def heights_in(panels: gpd.GeoDataFrame) -> list[float]:
    return (panels["height_m"] / INCH_M).round(6).tolist()


def test_one_height_is_one_panel() -> None:
    panels = schedule_panels(profile_of((30, 36)), line_of(LONG))
    assert heights_in(panels) == [36]
    assert panels.geometry.item().equals_exact(LONG, 0)
    assert panels[["line_id", "parcel_id", "option", "panel", "governed_by", "recommended"]].iloc[0].tolist() == [
        "A", "1", "yard", 1, "ground", True,
    ]  # fmt: skip


def test_a_short_rise_is_widened_and_cut_from_the_line() -> None:
    panels = schedule_panels(profile_of((9, 36), (0.5, 40), (20.5, 36)), line_of(LONG), least_panel_m=3.0)
    assert heights_in(panels) == [36, 42, 36]
    assert panels[["from_m", "to_m"]].to_numpy().tolist() == [[0, 7.75], [7.75, 10.75], [10.75, 30]]
    assert panels.geometry[1].equals_exact(shapely.LineString([(7.75, 0), (10, 0), (10, 0.75)]), 1e-9)
    assert panels["governed_by"].tolist() == ["ground", "F1", "ground"]
    assert panels["required_height_m"][1] / INCH_M == pytest.approx(40)
    np.testing.assert_allclose(panels.length, panels["length_m"])


def test_a_panel_is_told_by_what_lies_on_it_and_not_beside_it() -> None:
    panels = schedule_panels(profile_of((9, 36), (4, 40), (17, 36)), line_of(LONG), least_panel_m=3.0)
    assert panels[["from_m", "to_m"]].to_numpy().tolist() == [[0, 9], [9, 13], [13, 30]]
    assert (panels["required_height_m"] / INCH_M).round(6).tolist() == [36, 40, 36]
    assert panels["governed_by"].tolist() == ["ground", "F1", "ground"]


def test_nothing_to_build_has_no_panels() -> None:
    none = profile_of((30, 36)).iloc[:0]
    assert schedule_panels(none, line_of(LONG)).empty


def test_a_rise_at_the_end_is_widened_inward() -> None:
    panels = schedule_panels(profile_of((0.5, 40), (29.5, 36)), line_of(LONG), least_panel_m=3.0)
    assert panels[["from_m", "to_m"]].to_numpy().tolist() == [[0, 3], [3, 30]]


def test_a_short_gap_between_rises_is_built_as_the_lower_of_them() -> None:
    panels = schedule_panels(profile_of((5, 47), (1, 36), (5, 41), (19, 36)), line_of(LONG), least_panel_m=3.0)
    assert heights_in(panels) == [48, 42, 36]
    assert panels["to_m"].tolist() == [5, 11, 30]


def test_a_little_excess_is_left_to_the_buffer_and_no_more() -> None:
    assert heights_in(schedule_panels(profile_of((30, 36.99)), line_of(LONG))) == [36]
    assert heights_in(schedule_panels(profile_of((30, 37.01)), line_of(LONG))) == [42]
    assert heights_in(schedule_panels(profile_of((30, 36.01)), line_of(LONG), neglect_m=0.0)) == [42]


def test_a_part_shorter_than_a_panel_is_one_panel() -> None:
    parts = shapely.LineString([(0, 0), (1, 0)]), shapely.LineString([(5, 0), (25, 0)])
    profile = pd.concat([profile_of((0.4, 41), (0.6, 36)), profile_of((20, 36), part=1, begin_m=1.0)])
    panels = schedule_panels(profile, line_of(*parts))
    assert heights_in(panels) == [42, 36]
    assert panels.geometry[0].equals_exact(parts[0], 0)
    assert panels.geometry[1].equals_exact(parts[1], 0)
    assert panels["panel"].tolist() == [1, 2]


def test_a_specified_height_off_the_steps() -> None:
    """Least height 33 in: built 33, then 36, 42, ..."""
    standard = BarrierStandard(body_length_m=48 * INCH_M, least_height_m=33 * INCH_M)
    panels = schedule_panels(
        profile_of((10, 30), (5, 35), (5, 47), (10, 33)), line_of(LONG), standard=standard, least_panel_m=1.0
    )
    assert heights_in(panels) == [33, 36, 48, 33]


def test_lines_and_profile_must_belong_together() -> None:
    with pytest.raises(StepError, match="line 'B'"):
        schedule_panels(profile_of((30, 36), line_id="B"), line_of(LONG))
    with pytest.raises(DesignError, match="least_panel_m is -1"):
        schedule_panels(profile_of((30, 36)), line_of(LONG), least_panel_m=-1)


def test_the_highest_panel_is_noted_on_its_line() -> None:
    lines = line_of(LONG).assign(height_m=36 * INCH_M)
    panels = schedule_panels(profile_of((9, 36), (4, 40), (17, 36)), lines)
    marked = mark_highest_panels(lines, panels)
    assert marked["highest_panel_m"].item() / INCH_M == pytest.approx(42)
    assert marked["raised_length_m"].item() == pytest.approx(4)
    assert marked.index.equals(lines.index)


@given(
    st.lists(
        st.lists(st.tuples(st.integers(1, 60), st.integers(0, 4)), min_size=1, max_size=12), min_size=1, max_size=4
    ),
    st.integers(0, 50),
)
def test_merging_keeps_every_promise(runs: list[list[tuple[int, int]]], least_dm: int) -> None:
    """Whole runs are covered once; no piece is below what it covers; none is too short unless it is its whole run."""
    run = np.concatenate([np.full(len(stretches), number) for number, stretches in enumerate(runs)])
    lengths_m = np.concatenate([[length / 10 for length, _ in stretches] for stretches in runs])
    level = np.concatenate([[one for _, one in stretches] for stretches in runs])
    end_m = np.concatenate([np.cumsum([length / 10 for length, _ in stretches]) for stretches in runs])
    begin_m = np.where(np.append(True, np.diff(run) != 0), 0.0, np.append(0.0, end_m[:-1]))
    out_run, out_begin, out_end, out_level = merge_runs(run, begin_m, end_m, level, least_length_m=least_dm / 10)
    assert np.bincount(out_run, out_end - out_begin) == pytest.approx(np.bincount(run, lengths_m))
    for number in range(len(runs)):
        own = out_run == number
        assert out_begin[own][0] == 0
        np.testing.assert_array_equal(out_begin[own][1:], out_end[own][:-1])
        assert (np.diff(out_level[own]) != 0).all()
        if own.sum() > 1:
            assert (out_end[own] - out_begin[own]).min() >= least_dm / 10 - 1e-5
        for begin, end, asked in zip(begin_m[run == number], end_m[run == number], level[run == number], strict=True):
            touching = own & (out_begin < end - 1e-5) & (out_end > begin + 1e-5)
            assert out_level[touching].min() >= asked
        assert out_level[own].max() == level[run == number].max()


@given(st.floats(0.5, 3.0))
def test_one_stretch_is_built_at_its_specified_height(needed_m: float) -> None:
    profile = profile_of((30, needed_m / INCH_M))
    built_m = schedule_panels(profile, line_of(LONG), neglect_m=0.0)["height_m"].item()
    assert built_m == pytest.approx(float(specified_height(needed_m, least_height_m=STANDARD.height_m)))


@given(st.floats(5.0, 40.0), st.floats(9.0, 40.0))
def test_panels_of_a_second_part_lie_on_that_part(first_m: float, second_m: float) -> None:
    """Roundings of the station where a part begins must not send its first panel to the far end."""
    angle = 0.7
    parts = [
        shapely.LineString([(0, 0), (first_m * np.cos(angle), first_m * np.sin(angle))]),
        shapely.LineString([(100, 0), (100, second_m)]),
    ]
    begin_m = float(parts[0].length)
    profile = pd.concat(
        [
            profile_of((begin_m, 36)),
            profile_of((4.0, 40), (second_m - 4.0, 36), part=1, begin_m=begin_m - 1e-13),
        ],
        ignore_index=True,
    )
    panels = schedule_panels(profile, line_of(*parts))
    np.testing.assert_allclose(panels.length, panels["length_m"], atol=1e-6)
    second = panels[panels["from_m"] >= begin_m - 1e-6].geometry
    assert shapely.distance(second.iloc[0], shapely.Point(100, 0)) < 1e-6
