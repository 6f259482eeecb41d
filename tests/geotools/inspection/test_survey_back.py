"""What was measured beats what was assumed."""

from __future__ import annotations

import warnings
from typing import Any

import geopandas as gpd
import numpy as np
import pytest
from shapely import LineString, Point

from geotools.errors import Assumed, DesignError, LayerError, Noticed
from geotools.inspection import apply_foothold_survey, apply_gate_survey, apply_wall_survey

CRS = 26912
INCH_M = 0.0254


def layer(shapes: list[Any], **columns: Any) -> gpd.GeoDataFrame:
    return gpd.GeoDataFrame(columns, geometry=shapes, crs=CRS)


def heard(function: Any, *tables: Any, **options: Any) -> tuple[gpd.GeoDataFrame, list[warnings.WarningMessage]]:
    with warnings.catch_warnings(record=True) as told:
        warnings.simplefilter("always", Noticed)
        return function(*tables, **options), told


def walls() -> gpd.GeoDataFrame:
    return layer(
        [LineString([(0, y), (20, y)]) for y in (0, 10, 20)],
        kind=["block", None, "iron"],
        height_m=[1.0, np.nan, 2.0],
        opening_m=[np.nan, np.nan, 0.1],
    )


def test_measured_values_replace_and_the_others_stay() -> None:
    found = layer(
        [LineString([(1, 0.3), (19, 0.3)]), LineString([(0, 20), (20, 20)]), LineString([(50, 0), (60, 0)])],
        kind=[None, "iron", "wood"],
        height_in=[30.0, None, 48.0],
        opening_in=[0.1, None, 0.0],
        state=["measured", "as drawn", "measured"],
    )
    made, told = heard(apply_wall_survey, walls(), found)
    assert made["measured"].tolist() == [True, False, False, True]
    assert made["height_m"].iloc[[0, 2, 3]].tolist() == pytest.approx([30 * INCH_M, 2.0, 48 * INCH_M])
    assert made["kind"].iloc[0] == "block"  # nothing was measured: what the map says stays
    assert made["opening_m"].iloc[0] == pytest.approx(0.1 * INCH_M)
    assert made.geometry.iloc[0].equals(walls().geometry.iloc[0])
    texts = {one.category: str(one.message) for one in told}
    assert texts[Noticed].startswith("2 of 4 walls are measured on the ground: 2 values replaced, 1 added, 0 gone")
    assert texts[Assumed] == "2 of 4 walls are taken as the map draws them"


def test_what_is_gone_is_taken_out() -> None:
    found = layer([LineString([(0, 10), (20, 10)])], state=[" GONE "])
    made, _ = heard(apply_wall_survey, walls(), found)
    assert made.geometry.centroid.y.tolist() == [0.0, 20.0]


def test_a_wall_measured_only_in_a_small_part_stays_as_it_is() -> None:
    found = layer([LineString([(0, 0), (9, 0)])], height_ft=[2.0])
    made, _ = heard(apply_wall_survey, walls(), found)
    assert made["height_m"].iloc[0] == 1.0
    assert len(made) == 4


def test_openings_open_the_wall_they_are_on() -> None:
    holes = layer([Point(5, 0.5), Point(5, 20.2), Point(90, 90)], kind=["drain"] * 3, opening_in=[2.0, 1.0, 9.0])
    made, told = heard(apply_wall_survey, walls(), None, holes)
    assert made["opening_m"].tolist()[0] == pytest.approx(2 * INCH_M)
    assert made["opening_m"].tolist()[2] == pytest.approx(0.1)  # already wider than 1 in
    assert made["measured"].tolist() == [True, False, True]
    assert any("2 of 3 surveyed openings" in str(one.message) for one in told)


def test_one_surveyed_gate_is_one_drawn_gate_and_moves_it() -> None:
    gates = layer([Point(0, 0), Point(1, 0)], opening_m=[0.1, 0.2])
    found = layer([Point(0.8, 0)], opening_mm=[3.0], state=[None])
    made, _ = heard(apply_gate_survey, gates, found)
    assert made["opening_m"].tolist() == pytest.approx([0.1, 0.003])
    assert made.geometry.x.tolist() == pytest.approx([0.0, 0.8])


def test_footholds_of_another_kind_are_other_things() -> None:
    things = layer([Point(0, 0)], kind=["rock"], height_m=[0.5])
    found = layer([Point(0.2, 0), Point(0.4, 0)], kind=["shrub", "Rock"], height_in=[40.0, 18.0])
    made, _ = heard(apply_foothold_survey, things, found)
    assert made["height_m"].tolist() == pytest.approx([18 * INCH_M, 40 * INCH_M])
    assert made["kind"].tolist()[1] == "shrub"


def test_without_a_survey_nothing_changes_and_nothing_is_said() -> None:
    made, told = heard(apply_wall_survey, walls())
    assert not told
    assert not made["measured"].any()
    assert made.drop(columns="measured").equals(walls())


def test_unreadable_values_and_distances_are_refused() -> None:
    with pytest.raises(LayerError, match="height"):
        apply_wall_survey(walls(), layer([LineString([(0, 0), (20, 0)])], height_in=["tall"]))
    with pytest.raises(DesignError):
        apply_gate_survey(layer([Point(0, 0)]), within_m=0.0)


def test_empty_tables() -> None:
    made, _ = heard(apply_gate_survey, layer([]), layer([Point(0, 0)], opening_in=[1.0]))
    assert made["opening_m"].tolist() == pytest.approx([INCH_M])
    assert len(heard(apply_gate_survey, layer([Point(0, 0)]), layer([]))[0]) == 1
