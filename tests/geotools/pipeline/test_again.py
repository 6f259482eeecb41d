"""A run's record does the run again: the same bytes, or a sentence for whatever differs."""

from __future__ import annotations

import json
from pathlib import Path

import geopandas as gpd
import pytest
from click.testing import CliRunner
from towns import LAYERS, write_towns

from geotools.cli import commands
from geotools.errors import GeotoolsError
from geotools.pipeline.earlier import read_earlier, what_changed


@pytest.fixture
def first_run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    write_towns(tmp_path / "towns.gpkg", towns=2)
    monkeypatch.chdir(tmp_path)
    inputs = [word for name in LAYERS for word in ("--input", f"{name}=towns.gpkg#{name}")]
    settings = ["--set", "parcels.id=APN", "--set", "design.body_length=4 ft", "--set", "units=metric"]
    told = CliRunner().invoke(commands, ["run", "county", *inputs, *settings, "--out", "first"], catch_exceptions=False)
    assert told.exit_code == 0
    return tmp_path / "first"


def again(record: Path, out: str, *more: str) -> str:
    words = ["run", "--again", str(record), "--out", out, *more]
    told = CliRunner().invoke(commands, words, catch_exceptions=False)
    assert told.exit_code == 0
    return told.output


def test_the_same_inputs_give_the_same_bytes_from_another_folder(
    first_run: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    monkeypatch.chdir(elsewhere)
    assert "all files are the same, byte for byte" in again(first_run / "run.json", "second")
    one, two = (json.loads((place / "run.json").read_text()) for place in (first_run, elsewhere / "second"))
    assert one["output_sha256"] == two["output_sha256"]
    assert one["parameters"] == two["parameters"]
    told = [text for text in one["assumptions"] if "left out: no layer" not in text]  # what is left out is no step
    assert told == two["assumptions"]


def test_a_changed_input_is_named(first_run: Path, tmp_path: Path) -> None:
    walls = gpd.read_file(tmp_path / "towns.gpkg", layer="walls")
    walls.iloc[:-3].to_file(tmp_path / "towns.gpkg", layer="walls", driver="GPKG")
    output = again(first_run / "run.json", "second")
    assert f"input walls is not what it was: {len(walls)} features then, {len(walls) - 3} now" in output
    assert "these files differ:" in output


def test_a_setting_on_top_is_taken(first_run: Path) -> None:
    assert "these files differ: " in again(first_run / "run.json", "second", "--set", "design.body_length=30 in")


def test_a_version_and_equal_files_are_told() -> None:
    earlier = {"inputs": {}, "versions": {"shapely": "2.1"}, "output_sha256": {"specs.csv": "aa"}}
    now = {"inputs": {}, "versions": {"shapely": "2.2"}, "output_sha256": {"specs.csv": "aa"}}
    assert what_changed(earlier, now) == [
        "shapely is version 2.2 now, not 2.1",
        "all 1 files are the same, byte for byte",
    ]


@pytest.mark.parametrize("text", ["[]", "{", '{"parameters": {}}', '{"parameters": {"steps": [3]}}'])
def test_a_broken_record_is_said(text: str, tmp_path: Path) -> None:
    (tmp_path / "run.json").write_text(text)
    with pytest.raises(GeotoolsError, match="can't be read"):
        read_earlier(tmp_path / "run.json")


@pytest.mark.parametrize("words", [["run"], ["run", "screen", "--again", "run.json"]])
def test_one_of_plan_and_record_is_named(words: list[str]) -> None:
    told = CliRunner().invoke(commands, words)
    assert isinstance(told.exception, GeotoolsError)
