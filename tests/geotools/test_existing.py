"""Walls and gates that stand already, judged by rules that can be worked out by hand (36 in needed by default)."""

from __future__ import annotations

from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from shapely import LineString, Point

from geotools.design import BarrierStandard
from geotools.errors import Assumed, DesignError
from geotools.existing import judge_gates, judge_walls

INCH = 0.0254


def walls(**columns: list[Any]) -> gpd.GeoDataFrame:
    number = len(next(iter(columns.values())))
    return gpd.GeoDataFrame(columns, geometry=[LineString([(0, n), (9, n)]) for n in range(number)], crs=26912)


def wall(
    kind: Any = "block", height_in: float = 72, opening_in: float = 0, rail_in: float = np.nan, **more: Any
) -> pd.Series:
    table = walls(kind=[kind], height_m=[height_in * INCH], opening_m=[opening_in * INCH], rail_m=[rail_in * INCH])
    return judge_walls(table.assign(**{name: [value] for name, value in more.items()})).iloc[0]


@pytest.mark.parametrize(
    ("height_in", "judgement", "short_in"),
    [
        (72, "sound", 0),
        (36, "sound", 0),
        (35.9, "too low", 0.1),
        (24, "too low", 12),
        (0, "too low", 36),
        (np.nan, "to be measured", np.nan),
    ],
)
def test_height(height_in: float, judgement: str, short_in: float) -> None:
    judged = wall(height_in=height_in)
    assert judged["judgement"] == judgement
    assert judged["sound_now"] == (judgement == "sound")
    assert judged["shortfall_m"] / INCH == pytest.approx(short_in, nan_ok=True)
    assert judged["effective_height_m"] / INCH == pytest.approx(height_in, nan_ok=True)


def test_needed_height_follows_the_design_animal_but_never_less_than_the_least() -> None:
    table = walls(kind=["block"] * 2, height_m=[29 * INCH, 30 * INCH], opening_m=[0.0, 0.0])
    for body_in, wanted in ((48, ["too low", "sound"]), (36, ["too low", "sound"]), (72, ["too low", "too low"])):
        judged = judge_walls(table, standard=BarrierStandard(body_length_m=body_in * INCH))
        assert judged["judgement"].tolist() == wanted


@pytest.mark.parametrize(
    ("height_in", "rail_in", "judgement", "short_in", "effective_in"),
    [
        (60, 24, "sound", 0, 36),  # a foothold at 24 in lifts the reach to 60 in
        (59, 24, "rail outside", 1, 35),
        (48, 40, "rail outside", 28, 8),
        (24, 10, "too low", 22, 14),
        (72, 0, "sound", 0, 72),
        (48, 60, "rail outside", 48, 0),
    ],
)
def test_outside_rail(height_in: float, rail_in: float, judgement: str, short_in: float, effective_in: float) -> None:
    judged = wall(height_in=height_in, rail_in=rail_in)
    assert judged["judgement"] == judgement
    assert judged["shortfall_m"] / INCH == pytest.approx(short_in)
    assert judged["effective_height_m"] / INCH == pytest.approx(effective_in)


@pytest.mark.published("Colorado State Univ. Extension 6.501 and ICWDM: gaps of 1/4 in or more are sealed")
def test_a_quarter_inch_is_open() -> None:
    assert wall(opening_in=0.25)["judgement"] == "openings too large"
    assert wall(opening_in=0.24)["judgement"] == "sound"
    gates = gpd.GeoDataFrame({"opening_m": [0.25 * INCH, 0.24 * INCH]}, geometry=[Point(0, 0)] * 2, crs=26912)
    assert judge_gates(gates)["judgement"].tolist() == ["openings too large", "sound"]


def test_cloth_is_named_by_its_mesh_size() -> None:
    assert wall("1/4 in hardware cloth", opening_in=0.25)["judgement"] == "sound"
    assert wall("Wire_Mesh", opening_in=0.5)["judgement"] == "openings too large"
    assert wall("mesh", opening_in=np.nan)["judgement"] == "to be measured"


@pytest.mark.parametrize(
    ("kind", "opening_in", "judgement"),
    [
        ("Chain-Link", 0, "climbable"),
        ("CHAINLINK fence", 2, "climbable"),
        ("rough stone", 0, "climbable"),
        ("split_rail", 0, "climbable"),
        ("wrought iron", np.nan, "to be measured"),
        ("Wrought Iron", 4, "openings too large"),
        ("wrought iron", 0.2, "sound"),
        ("steel pickets", np.nan, "to be measured"),
        ("view fence", np.nan, "to be measured"),
        ("wood", np.nan, "to be measured"),
        ("hedgehog house", np.nan, "to be measured"),
        ("stone", np.nan, "to be measured"),
        ("", np.nan, "to be measured"),
        (None, 0, "to be measured"),
    ],
)
def test_kinds_that_are_not_taken_as_tight(kind: str | None, opening_in: float, judgement: str) -> None:
    assert wall(kind, opening_in=opening_in)["judgement"] == judgement


@pytest.mark.parametrize(
    "kind", ["block", "CMU", "slump-block wall", "Masonry", "solid smooth wood", "Steel", "stuccoed brick"]
)
def test_tight_kinds_are_assumed_closed_openly(kind: str) -> None:
    with pytest.warns(Assumed, match="1 of 1 walls of tight kinds"):
        assert wall(kind, opening_in=np.nan)["judgement"] == "sound"


class TestMarkedByHand:
    def test_sound_stands_in_for_what_is_missing(self) -> None:
        assert wall(None, height_in=np.nan, opening_in=np.nan, sound=True)["sound_now"]
        assert wall("chain link", opening_in=np.nan, sound=True)["sound_now"]

    @pytest.mark.parametrize("found", [{"height_in": 24}, {"opening_in": 1}, {"height_in": 48, "rail_in": 30}])
    def test_sound_does_not_stand_against_a_measurement(self, found: dict[str, float]) -> None:
        judged = wall(sound=True, **found)
        assert not judged["sound_now"]
        assert judged["judgement"] != "sound"
        assert "contradictory" in judged["why"]

    def test_not_sound_wins(self) -> None:
        judged = wall(sound=False)
        assert judged["judgement"] == "to be measured"
        assert not judged["sound_now"]
        assert judged["mend"] == "look for the damage and mend it"
        assert wall(height_in=24, sound=False)["judgement"] == "too low"

    def test_missing_is_judged_by_measurements(self) -> None:
        table = walls(
            kind=["block"] * 2, height_m=[1.0, 0.5], opening_m=[0.0] * 2, sound=pd.array([None, pd.NA], dtype="boolean")
        )
        assert judge_walls(table)["sound_now"].tolist() == [True, False]


def test_all_faults_are_named_and_the_mend_is_a_line_to_build() -> None:
    judged = wall("chain link", height_in=24, opening_in=2)
    assert judged["why"] == "chain link can be climbed at any height; openings of 2 in count as open; 12 in too low"
    assert judged["mend"] == (
        "1/4 in mesh on the outside face and carried on posts above the wall up to 36 in above the ground outside, "
        "buried 6 in or fixed tight to the footing"
    )
    assert "over the rail" in wall(height_in=48, rail_in=40)["mend"]
    assert wall("iron", height_in=np.nan, opening_in=np.nan)["mend"] == "measure it (height, openings)"
    assert wall()["mend"] == ""


def test_any_column_may_be_missing_and_the_index_stays() -> None:
    bare = gpd.GeoDataFrame(geometry=[LineString([(0, 0), (1, 0)])] * 2, index=[7, 3], crs=26912)
    judged = judge_walls(bare)
    assert judged.index.tolist() == [7, 3]
    assert judged["judgement"].tolist() == ["to be measured"] * 2
    assert judge_walls(bare.iloc[:0]).empty
    assert judge_gates(gpd.GeoDataFrame(geometry=[Point(0, 0)], crs=26912))["judgement"].tolist() == ["to be measured"]


def test_negative_values_are_refused() -> None:
    with pytest.raises(DesignError, match="walls, row 2"):
        judge_walls(walls(height_m=[1.0, -1.0]))
    with pytest.raises(DesignError, match="gates, row 1"):
        judge_gates(gpd.GeoDataFrame({"width_m": [-1.0]}, geometry=[Point(0, 0)], crs=26912))


def test_gates() -> None:
    table = gpd.GeoDataFrame(
        {
            "opening_m": [0.0, 0.05, np.nan, np.nan, 0.05, 0.0, 0.0],
            "sound": pd.array([None, None, None, True, True, False, None], dtype="boolean"),
            "height_m": [np.nan, np.nan, np.nan, np.nan, np.nan, np.nan, 0.5],
        },
        geometry=[Point(n, 0) for n in range(7)],
        crs=26912,
    )
    judged = judge_gates(table)
    assert judged["judgement"].tolist() == [
        "sound", "openings too large", "to be measured", "sound", "openings too large", "to be measured", "too low",
    ]  # fmt: skip
    assert "contradictory" in judged["why"].iloc[4]
    assert "sweep" in judged["mend"].iloc[1]
    assert judged["mend"].iloc[0] == ""


@given(
    height_in=st.floats(0, 120), rail_in=st.one_of(st.just(float("nan")), st.floats(0, 120)), body_in=st.floats(20, 90)
)
def test_sound_means_the_top_is_out_of_reach_from_ground_and_rail(
    height_in: float, rail_in: float, body_in: float
) -> None:
    standard = BarrierStandard(body_length_m=body_in * INCH)
    table = walls(kind=["block"], height_m=[height_in * INCH], opening_m=[0.0], rail_m=[rail_in * INCH])
    judged = judge_walls(table, standard=standard).iloc[0]
    footholds_in = [0.0] if np.isnan(rail_in) or rail_in == 0 else [0.0, rail_in]
    needed_in = max(max(footholds_in) + body_in / 2 + 6, 30)
    if abs(height_in - needed_in) > 1e-6:
        assert judged["sound_now"] == (height_in > needed_in)
        assert judged["shortfall_m"] / INCH == pytest.approx(max(needed_in - height_in, 0), abs=1e-6)
