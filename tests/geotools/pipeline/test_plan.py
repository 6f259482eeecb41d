"""Pipeline files are read, and changed from the command line."""

from __future__ import annotations

from pathlib import Path

import pytest

from geotools.errors import PipelineError
from geotools.pipeline.plan import change_plan, find_plan, list_plans, read_plan


def write(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "plan.toml"
    path.write_text(text)
    return path


def test_sample_plans_are_found_by_name() -> None:
    assert find_plan("screen") == list_plans()["screen"]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("a = ", "no valid TOML"),
        ('titel = "x"', "did you mean 'title'"),
        ("units = 3", "no text"),
        ("[[step]]\ngives = 'x'", "does not say which step"),
        ("[[step]]\nuse = 'x'\ntakes = 'y'", "takes is no table"),
        ("[inputs]\nparcels = 3", "no text"),
    ],
)
def test_wrong_file_says_what_and_where(tmp_path: Path, text: str, said: str) -> None:
    with pytest.raises(PipelineError, match=said):
        read_plan(write(tmp_path, text))


def test_inputs_are_meant_from_the_folder_of_the_file(tmp_path: Path) -> None:
    plan = read_plan(write(tmp_path, '[inputs]\nparcels = "lots.gpkg#a"\nwashes = "postgresql://h/d?table=w"\n'))
    assert plan.inputs == {"parcels": f"{tmp_path}/lots.gpkg#a", "washes": "postgresql://h/d?table=w"}


def test_one_input_replaces_all_and_the_options_of_their_layers(tmp_path: Path) -> None:
    plan = read_plan(write(tmp_path, '[inputs]\nparcels = "a.gpkg"\nwashes = "b.gpkg"\n[parcels]\nid = "APN"\n'))
    changed = change_plan(plan, inputs=["parcels=mine.gpkg"])
    assert changed.inputs == {"parcels": "mine.gpkg"}
    assert changed.layer_options == {}


@pytest.mark.parametrize(
    ("setting", "read"),
    [
        ("design.body_length=48 in", lambda plan: plan.design["body_length"] == "48 in"),
        ("parcels.id=00123", lambda plan: plan.layer_options["parcels"]["id"] == "00123"),
        ("vegetation.red=3", lambda plan: plan.layer_options["vegetation"]["red"] == 3),
        ("score_exposure.decay_m=200", lambda plan: any(row.options.get("decay_m") == 200 for row in plan.steps)),
        ("units=metric", lambda plan: plan.settings["units"] == "metric"),
    ],
)
def test_settings_reach_any_table(setting: str, read: object) -> None:
    assert read(change_plan(read_plan(find_plan("screen")), settings=[setting]))  # type: ignore[operator]


@pytest.mark.parametrize("setting", ["desing.body_length=48 in", "parcel.id=APN", "units", "=x", "unit=us"])
def test_setting_nothing_is_refused(setting: str) -> None:
    with pytest.raises(PipelineError):
        change_plan(read_plan(find_plan("screen")), settings=[setting])


def test_unknown_name_suggests_the_nearest() -> None:
    with pytest.raises(PipelineError, match="did you mean 'screen'"):
        find_plan("scren")
