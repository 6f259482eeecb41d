"""A run leaves finished files or nothing, and the same bytes each time."""

from __future__ import annotations

import hashlib
import json
import os
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from geotools.errors import GeotoolsError, LayerError, OutputError
from geotools.pipeline import find_plan, read_plan, run_plan
from geotools.pipeline.plan import change_plan

if TYPE_CHECKING:
    from geotools.pipeline.plan import Plan


def town_plan(town: Path, *settings: str) -> Plan:
    layers = ("parcels", "buildings", "open_desert", "roads", "footholds")
    inputs = [f"{name}={town}#{name}" for name in layers]
    return change_plan(read_plan(find_plan("screen")), inputs=inputs, settings=["parcels.id=APN", *settings])


def digests(folder: Path) -> dict[str, str]:
    return {
        path.name: hashlib.sha256(path.read_bytes()).hexdigest() for path in folder.iterdir() if path.name != "run.json"
    }


def test_record_has_the_fixed_keys(town: Path, tmp_path: Path) -> None:
    record = run_plan(town_plan(town), tmp_path / "out")
    assert json.loads((tmp_path / "out" / "run.json").read_text()) == record
    assert record["counts"] == {"parcels_in": 4, "parcels_out": 4, "rejected": 0}
    assert record["working_crs"] == "EPSG:26912"
    assert record["inputs"]["parcels"]["features"] == 4
    assert len(record["inputs"]["parcels"]["sha256"]) == 64
    assert {"parameters", "assumptions", "warnings", "versions", "seconds"} <= record.keys()
    assert any("1 of 2 footholds have no height" in text for text in record["assumptions"])


def test_same_input_gives_the_same_bytes(town: Path, tmp_path: Path) -> None:
    for name in ("one", "two"):
        run_plan(town_plan(town), tmp_path / name)
    assert digests(tmp_path / "one") == digests(tmp_path / "two")


def test_metric_units_reach_the_table(town: Path, tmp_path: Path) -> None:
    run_plan(town_plan(town, "units=metric"), tmp_path / "out")
    header = (tmp_path / "out" / "specs.csv").read_text(encoding="utf-8-sig").splitlines()[0]
    assert "length_m" in header
    assert "height_mm" in header


def test_earlier_result_is_replaced_and_the_users_own_file_kept(town: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    run_plan(town_plan(town), out)
    (out / "my notes.txt").write_text("mine")
    (out / "specs.csv").write_text("stale")
    run_plan(town_plan(town), out)
    assert (out / "my notes.txt").read_text() == "mine"
    assert (out / "specs.csv").read_text() != "stale"
    assert [path.name for path in tmp_path.iterdir()] == ["out"]


def test_failed_run_leaves_the_earlier_result_as_it_was(town: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    run_plan(town_plan(town), out)
    before = digests(out)
    with pytest.raises(LayerError):
        run_plan(town_plan(town, "parcels.id=NOPE"), out)
    assert digests(out) == before
    assert [path.name for path in tmp_path.iterdir()] == ["out"]


def test_folder_with_other_files_is_refused(town: Path, tmp_path: Path) -> None:
    (tmp_path / "letters.txt").write_text("dear")
    with pytest.raises(OutputError, match="no earlier run"):
        run_plan(town_plan(town), tmp_path)
    assert (tmp_path / "letters.txt").exists()


@pytest.mark.skipif(os.geteuid() == 0, reason="the superuser may write anywhere")
def test_unwritable_folder_is_refused(town: Path, tmp_path: Path) -> None:
    (tmp_path / "locked").mkdir(mode=0o500)
    with pytest.raises(OutputError, match="you may write to"):
        run_plan(town_plan(town), tmp_path / "locked" / "out")


def test_folder_below_a_file_is_refused(town: Path, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("x")
    with pytest.raises(OutputError):
        run_plan(town_plan(town), tmp_path / "file" / "out")


def test_a_run_without_habitat_says_which_layers_to_give(town: Path, tmp_path: Path) -> None:
    plan = change_plan(read_plan(find_plan("screen")), inputs=[f"parcels={town}#parcels"], settings=["parcels.id=APN"])
    with pytest.raises(GeotoolsError, match="give open_desert, washes or both"):
        run_plan(plan, tmp_path / "out")
    assert not (tmp_path / "out").exists()


def test_parcels_and_one_habitat_layer_are_enough(town: Path, tmp_path: Path) -> None:
    inputs = [f"parcels={town}#parcels", f"open_desert={town}#open_desert"]
    plan = change_plan(read_plan(find_plan("screen")), inputs=inputs, settings=["parcels.id=APN"])
    record = run_plan(plan, tmp_path / "out")
    assert record["counts"]["parcels_out"] == 4
    assert {"specs.csv", "specs.xlsx", "lots.gpkg", "map.html"} <= set(record["outputs"])


@pytest.mark.skipif(not Path("/proc/self").exists(), reason="no folder here that nobody may write to")
def test_folder_that_nobody_may_write_to_is_refused(town: Path) -> None:
    with pytest.raises(OutputError, match="you may write to"):
        run_plan(town_plan(town), Path("/proc/bajada/out"))
