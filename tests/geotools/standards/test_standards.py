"""A community's rule and the thresholds of codes, against arithmetic."""

from __future__ import annotations

import warnings
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from shapely import LineString, Point, box

from geotools.errors import DesignError, GeotoolsError, Noticed, PipelineError, StepError
from geotools.standards import flag_codes, judge_rule, read_rule
from geotools.standards.codes import list_codes
from geotools.standards.judging import share_at

INCH_M, FOOT_M = 0.0254, 0.3048
SAMPLE = Path(__file__).parents[3] / "sample-gis" / "community_rule.toml"
pytestmark = pytest.mark.filterwarnings("ignore::geotools.errors.Noticed")


def plan(heights_in: list[float], *, verdict: str = "build") -> dict[str, Any]:
    count = len(heights_in)
    ids = [f"{number:03}" for number in range(count)]
    boxes = [box(30 * number, 0, 30 * number + 20, 40) for number in range(count)]
    lines = [
        LineString([(30 * n + 1, 20), (30 * n + 1, 39), (30 * n + 19, 39), (30 * n + 19, 20)]) for n in range(count)
    ]
    return {
        "lots": gpd.GeoDataFrame({"parcel_id": ids, "verdict": verdict}, geometry=boxes, crs=26912),
        "barrier_lines": gpd.GeoDataFrame(
            {"parcel_id": ids, "line_id": ids, "option": "yard", "kind": "new", "recommended": True,
             "height_m": np.array(heights_in) * INCH_M},
            geometry=lines, crs=26912,
        ),
    }  # fmt: skip


def write_rule(tmp_path: Path, text: str) -> str:
    path = tmp_path / "rule.toml"
    path.write_text('community = "A"\nrule = "4.2"\n' + text, encoding="utf-8")
    return str(path)


@pytest.mark.parametrize(("allowed_in", "excluded_in"), [(24, 36), (30, 48), (36, 60), (42, 72), (5, 0)])
def test_rule_height_keeps_out_twice_what_is_above_the_buffer(
    tmp_path: Path, allowed_in: int, excluded_in: int
) -> None:
    rule = write_rule(tmp_path, f'[[allows]]\ngreatest_height = "{allowed_in} in"\n')
    judged = judge_rule(**plan([36.0]), rule=rule)
    assert judged["rule_excludes_m"].item() == pytest.approx(
        excluded_in * INCH_M, abs=1e-9
    )  # 2 (H - 6 in), not below 0
    assert judged["design_excludes_m"].item() == pytest.approx(60 * INCH_M, abs=1e-9)
    assert judged["passes"].item() == (allowed_in >= 36)
    assert judged["short_m"].item() == pytest.approx(max(36 - allowed_in, 0) * INCH_M, abs=1e-9)


def test_sample_rule_conflicts_side_and_rear() -> None:
    judged = judge_rule(**plan([36.0, 42.0]), rule=str(SAMPLE))
    assert judged["conflicts"].tolist() == [
        "side and rear: 36 in is needed, 24 in is allowed",
        "side and rear: 42 in is needed, 24 in is allowed",
    ]


def test_front_counts_only_where_the_line_runs_in_it() -> None:
    given = plan([20.0, 20.0])
    fronts = gpd.GeoSeries([box(-5, 0, 25, 20), box(25, 0, 55, 25)], crs=26912)
    ground = gpd.GeoDataFrame({"front": fronts}, geometry=given["lots"].geometry)
    judged = judge_rule(**given, ground=ground, rule=str(SAMPLE))
    assert judged["places"].tolist() == ["side, rear", "front, side, rear"]
    assert judged["conflicts"].tolist() == ["", "front: no barrier is allowed"]


def test_material_mesh_and_least_height(tmp_path: Path) -> None:
    rule = write_rule(tmp_path, '[[allows]]\nmaterials = ["masonry"]\nmesh = false\nleast_height = "48 in"\n')
    text = judge_rule(**plan([36.0]), rule=rule)["conflicts"].item()
    for part in ("48 in is asked for", "mesh is not allowed", "hardware cloth is not among the materials"):
        assert part in text
    assert judge_rule(**plan([48.0]), rule=rule, material="masonry")["conflicts"].item().endswith("mesh is not allowed")


def test_panels_raise_what_is_needed_and_only_of_the_advised_line() -> None:
    given = plan([20.0])
    panels = pd.DataFrame({"line_id": ["000", "other"], "height_m": [30 * INCH_M, 90 * INCH_M]})
    judged = judge_rule(**given, panels=panels, rule=str(SAMPLE))  # type: ignore[arg-type]
    assert judged["needed_height_m"].item() == pytest.approx(30 * INCH_M)


def test_gates_are_held_against_the_rule(tmp_path: Path) -> None:
    given = plan([20.0, 20.0])
    given["barrier_lines"]["gates"] = [1, 0]
    rule = write_rule(tmp_path, '[[allows]]\n[gates]\nswing = "out"\ngreatest_width = "30 in"\n')
    judged = judge_rule(**given, rule=rule)
    assert judged["passes"].tolist() == [False, True]
    assert judged["conflicts"].iloc[0].count("gates:") == 2
    assert "36 in wide is planned, 30 in is allowed" in judged["conflicts"].iloc[0]


def test_lots_that_need_nothing_pass() -> None:
    judged = judge_rule(**plan([36.0], verdict="not needed"), rule=str(SAMPLE))
    assert judged["passes"].item()
    assert np.isnan(judged["rule_excludes_m"].item())


def test_shares_of_the_table_are_used() -> None:
    shares = pd.DataFrame(
        {"species": ["Crotalus atrox"] * 2 + ["Crotalus tigris"] * 2, "height_in": [18.0, 24.0] * 2,
         "share_excluded_pct": [1.0, 75.5, 30.0, 100.0]}
    )  # fmt: skip
    judged = judge_rule(**plan([36.0]), shares=shares, rule=str(SAMPLE), species="tigris")
    assert judged["rule_share_pct"].item() == pytest.approx(100.0)
    assert np.isnan(judged["design_share_pct"].item())  # 36 in is beyond the table
    assert share_at(shares, np.array([21 * INCH_M])).item() == pytest.approx((1 + 75.5) / 2)
    with pytest.raises(StepError, match="horridus"):
        share_at(shares, np.array([1.0]), "horridus")


def test_without_a_rule_an_invented_one_is_said_to_be_so() -> None:
    with warnings.catch_warnings(record=True) as heard:
        warnings.simplefilter("always", Noticed)
        judge_rule(**plan([36.0]))
    assert any("invented" in str(one.message) for one in heard)


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ('[[allows]]\ngreatest_hight = "24 in"\n', "greatest_height"),
        ('[[allows]]\ngreatest_height = 24\n', "with its unit"),
        ('[[allows]]\ngreatest_height = "24 parsecs/s"\n', "rule.toml"),
        ('[[allows]]\ngreatest_height = "-1 ft"\n', "below 0"),
        ('[[allows]]\nwhere = ["roof"]\n', "roof"),
        ('[[allows]]\nleast_height = "3 ft"\ngreatest_height = "2 ft"\n', "above"),
        ("", "allows"),
        ('[[allows]]\n[gates]\nswing = "up"\n', "up"),
    ],
)  # fmt: skip
def test_what_is_wrong_with_a_rule_is_told(tmp_path: Path, text: str, told: str) -> None:
    with pytest.raises(DesignError) as caught:
        read_rule(write_rule(tmp_path, text))
    assert told in str(caught.value)
    assert "rule.toml" in str(caught.value)


def test_files_that_are_no_rule_are_refused(tmp_path: Path) -> None:
    (tmp_path / "bad.toml").write_bytes(b"\xff\xfe[[")
    for path in (tmp_path / "bad.toml", tmp_path, tmp_path / "none.toml"):
        with pytest.raises(PipelineError):
            read_rule(path)


@pytest.mark.published(
    "A.R.S. 36-1681 (60 in, 20 in), IRC R105.2 (7 ft), Pima County (100 cfs): see sources, restated or read"
)
def test_thresholds_of_codes() -> None:
    given = plan([36.0, 36.0, 36.0, 36.0])
    lines = given["barrier_lines"]
    panels = pd.DataFrame({"line_id": ["000", "001", "002"], "height_m": [84 * INCH_M, 84.1 * INCH_M, 48 * INCH_M]})
    pool = box(2, 25, 7, 29)
    near = box(31 + 19 * INCH_M, 25, 36, 29)
    pools = gpd.GeoDataFrame(geometry=[pool, near, box(65, 25, 66, 26)], crs=26912)
    washes = gpd.GeoDataFrame(
        {"q100_cfs": [100.0, 99.0, None]},
        geometry=[LineString([(0, 45), (20, 45)]), LineString([(30, 45), (50, 45)]), LineString([(60, 45), (80, 45)])],
        crs=26912,
    )
    walls = gpd.GeoDataFrame(
        {"kind": ["Retaining wall", "retaining", "block"], "height_m": [4.1 * FOOT_M, 4.0 * FOOT_M, 9.0]},
        geometry=[LineString([(0, 0), (20, 0)]), LineString([(30, 0), (50, 0)]), LineString([(60, 0), (80, 0)])],
        crs=26912,
    )
    flags = flag_codes(given["lots"], lines, panels, pools, washes, walls, wash_within_m=8.0)  # type: ignore[arg-type]
    assert flags["fence_permit"].str.split(":").str[0].tolist() == ["verify locally", "conflict", "meets", "meets"]
    assert flags["pool"].iloc[0] == "meets: height and distance from the water"
    assert "19 in from the water" in flags["pool"].iloc[1]
    assert flags["pool"].iloc[2].startswith("verify locally")  # 1 m of water is no wider than 8 ft
    assert flags["pool"].iloc[3] == ""
    assert flags["gate_swing"].str.startswith("conflict").tolist() == [True, True, True, False]
    assert flags["floodplain"].str.split(":").str[0].tolist() == ["conflict", "verify locally", "verify locally", ""]
    assert flags["retaining_wall"].str.split(":").str[0].tolist() == ["conflict", "verify locally", "", ""]
    assert flags["conflicts"].tolist() == [3, 3, 1, 0]


def test_without_layers_codes_are_to_be_verified() -> None:
    flags = flag_codes(**plan([36.0]))
    assert flags["pool"].item().startswith("verify locally")
    assert flags["floodplain"].item().startswith("verify locally")


def test_low_pool_barrier_is_no_pool_barrier() -> None:
    pools = gpd.GeoDataFrame(geometry=[Point(10, 30).buffer(3)], crs=26912)
    text = flag_codes(**plan([36.0]), pools=pools)["pool"].item()
    assert text.startswith("conflict: 36 in is below 60 in")


def test_every_code_has_a_source_and_a_status() -> None:
    assert all(code.source and code.status and code.text for code in list_codes())
    assert issubclass(PipelineError, GeotoolsError)


@pytest.mark.parametrize(
    ("colour", "told", "passes"),
    [
        ("Tan", "pass", True),
        ("dark  bronze", "pass", True),
        ("white", "conflict: side and rear: white is not among the colours allowed (tan, dark bronze)", False),
        ("bronze", "conflict: side and rear: bronze is not among the colours allowed (tan, dark bronze)", False),
        ("", "colour not stated: side and rear: allowed are tan, dark bronze", True),
    ],
)
def test_colours_are_judged(tmp_path: Path, colour: str, told: str, passes: bool) -> None:
    rule = write_rule(
        tmp_path, '[[allows]]\nwhere = ["side", "rear"]\ngreatest_height = "72 in"\ncolours = ["tan", "dark bronze"]\n'
    )
    row = judge_rule(**plan([36.0]), rule=rule, colour=colour).iloc[0]
    assert (row["colour"], row["passes"]) == (told, passes)
    assert ("colours allowed" in row["conflicts"]) is not passes


def test_a_line_s_own_colour_goes_first_and_no_colour_is_made_up(tmp_path: Path) -> None:
    rule = write_rule(tmp_path, '[[allows]]\ncolours = ["tan"]\n')
    given = plan([36.0, 36.0])
    given["barrier_lines"]["colour"] = ["tan", None]
    assert judge_rule(**given, rule=rule)["colour"].str.split(":").str[0].tolist() == ["pass", "colour not stated"]
    free = write_rule(tmp_path, '[[allows]]\nmaterials = ["mesh"]\n')
    assert judge_rule(**plan([36.0]), rule=free, colour="white")["colour"].item() == ""


def pool_plan() -> dict[str, Any]:
    given = plan([36.0, 60.0])
    inside = gpd.GeoSeries([box(1, 20, 19, 39), box(31, 20, 49, 39)], crs=26912)
    return {
        **given,
        "counted_lines": gpd.GeoDataFrame({"line_id": ["000", "001"]}, geometry=inside).assign(enclosed=inside),
    }


def test_a_line_round_a_pool_or_past_it() -> None:
    pools = gpd.GeoDataFrame(geometry=[box(5, 25, 9, 30), box(35, 5, 45, 12)], crs=26912)
    flags = flag_codes(**pool_plan(), pools=pools)
    assert "the line runs round it" in flags["pool"].iloc[0]
    assert flags["pool"].iloc[1] == "meets: height and distance from the water; the line runs past it"
    assert flags["gate_swing"].str.split(":").str[0].tolist() == ["conflict", "meets"]


def test_a_gate_that_swings_out_meets_the_pool_code() -> None:
    pools = gpd.GeoDataFrame(geometry=[box(5, 25, 9, 30), box(35, 25, 39, 30)], crs=26912)
    gates = gpd.GeoDataFrame({"line_id": ["000", "001", "001"], "swing": ["out", "out", "in"]}, geometry=[None] * 3)
    flags = flag_codes(**pool_plan(), pools=pools, planned_gates=gates)
    assert flags["gate_swing"].str.split(":").str[0].tolist() == ["meets", "conflict"]


def test_water_that_the_rule_may_not_hold_for_is_to_be_verified() -> None:
    pools = gpd.GeoDataFrame(
        {"depth_m": [17 * INCH_M, None]}, geometry=[box(5, 25, 9, 30), box(32, 25, 39, 30)], crs=26912
    )
    text = flag_codes(**pool_plan(), pools=pools)["pool"]
    assert text.iloc[0].startswith("verify locally")
    assert "less than 18 in deep" in text.iloc[0]
    assert text.iloc[1] == "meets: height and distance from the water; the line runs round it"
    assert "457 mm" in flag_codes(**pool_plan(), pools=pools, units="metric")["pool"].iloc[0]


def test_the_lowest_panel_counts_for_a_pool_and_the_highest_for_a_permit() -> None:
    pools = gpd.GeoDataFrame(geometry=[box(5, 25, 9, 30), box(35, 25, 39, 30)], crs=26912)
    panels = pd.DataFrame({"line_id": ["001", "001"], "height_m": [60 * INCH_M, 48 * INCH_M]})
    flags = flag_codes(**pool_plan(), panels=panels, pools=pools)  # type: ignore[arg-type]
    assert flags["pool"].iloc[1].startswith("conflict: 48 in is below 60 in")
    assert flags["fence_permit"].iloc[1].startswith("verify locally: 60 in")


def test_climbable_things_by_a_line_about_a_pool_are_named() -> None:
    pools = gpd.GeoDataFrame(geometry=[box(5, 25, 9, 30), box(35, 25, 39, 30)], crs=26912)
    things = gpd.GeoDataFrame(
        {"kind": ["rock", "rock", "tree"]}, geometry=[Point(0.2, 30), Point(10, 39.5), Point(10, 10)], crs=26912
    )
    zone = flag_codes(**pool_plan(), pools=pools, footholds=things)["pool_clear_zone"]
    assert zone.tolist() == ["verify locally: 2 rock within 36 in of the line", "meets: nothing within 36 in"]
    assert flag_codes(**pool_plan(), pools=pools)["pool_clear_zone"].str.startswith("verify locally").all()


def test_lots_to_mend_with_a_pool_are_to_be_verified() -> None:
    given = plan([36.0], verdict="retrofit")
    given["barrier_lines"]["recommended"] = False
    flags = flag_codes(**given, pools=gpd.GeoDataFrame(geometry=[box(5, 25, 9, 30)], crs=26912))
    assert flags["pool"].item().startswith("verify locally: height, openings and latch")
    assert flags["gate_swing"].item().startswith("verify locally")
