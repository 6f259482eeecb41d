"""A run in tiles gives the same bytes as one in one piece, whatever the tiles, the engine and what befell it."""

from __future__ import annotations

import hashlib
import json
import signal
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path

import geopandas as gpd
import pytest
from towns import LAYERS, county_plan, write_towns

from geotools.errors import EngineError, GeotoolsError, OutputError, PipelineError
from geotools.pipeline import find_plan, read_plan, run_plan

TOWNS = 9


@pytest.fixture(scope="module")
def towns(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_towns(tmp_path_factory.mktemp("towns") / "towns.gpkg", towns=TOWNS)


@pytest.fixture(scope="module")
def in_one_piece(towns: Path, tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    out = tmp_path_factory.mktemp("one") / "out"
    record = run_plan(replace(county_plan(towns), tiles=None), out)
    assert "tiles" not in record
    return digests(out)


def digests(folder: Path) -> dict[str, str]:
    return {
        path.name: hashlib.sha256(path.read_bytes()).hexdigest() for path in folder.iterdir() if path.name != "run.json"
    }


@pytest.mark.parametrize("lots", [1, 4, 10, 4000])
def test_any_tiles_give_the_bytes_of_one_piece(
    lots: int, towns: Path, in_one_piece: dict[str, str], tmp_path: Path
) -> None:
    record = run_plan(county_plan(towns, f"tiles.lots={lots}"), tmp_path / "out")
    assert digests(tmp_path / "out") == in_one_piece
    # One lot a tile cuts every town of four; four or more leave each whole.
    assert record["tiles"]["lots_in_cut_subdivisions"] == (4 * TOWNS if lots == 1 else 0)
    assert record["tiles"]["tiles"] == {1: 4 * TOWNS, 4: TOWNS, 10: -(-TOWNS // 2), 4000: 1}[lots]
    assert not list(tmp_path.glob(".*"))


@pytest.mark.parametrize("name", ["county", "screen"])
def test_the_sample_cut_into_tiles_is_the_sample(name: str, tmp_path: Path) -> None:
    plan = read_plan(find_plan(name))  # `screen` has ways, surfaces, a cut and ranks on top: each sees all it needs
    run_plan(replace(plan, tiles=None), tmp_path / "one")
    # Lots of one subdivision in several tiles: walls, house walls and footholds of neighbours are seen across the cut.
    record = run_plan(replace(plan, tiles={**(plan.tiles or {}), "lots": 40}), tmp_path / "parted")
    assert record["tiles"]["lots_in_cut_subdivisions"] == 150
    assert any("which were cut" in text for text in record["warnings"])
    assert digests(tmp_path / "parted") == digests(tmp_path / "one")


def test_what_a_survey_adds_and_takes_out_keeps_its_name_in_tiles(towns: Path, tmp_path: Path) -> None:
    walls = gpd.read_file(towns, layer="walls")
    moved = walls.geometry.iloc[[0]].translate(3.0, 1.5)
    surveyed = gpd.GeoDataFrame(
        {"state": ["gone", "measured", "measured"], "height_in": [None, 72.0, 40.0], "opening_in": [None, 0.0, 0.1]},
        geometry=[*walls.geometry.iloc[[3, 5]], *moved],
        crs=walls.crs,
    )
    surveyed.to_file(tmp_path / "survey.gpkg", layer="walls", driver="GPKG")
    plan = county_plan(towns, "tiles.lots=4")
    plan = replace(plan, inputs={**plan.inputs, "surveyed_walls": f"{tmp_path / 'survey.gpkg'}#walls"})
    run_plan(plan, tmp_path / "parted")
    run_plan(replace(plan, tiles=None), tmp_path / "one")
    assert digests(tmp_path / "parted") == digests(tmp_path / "one")
    lines = set(gpd.read_file(tmp_path / "parted" / "lots.gpkg", layer="barrier_lines")["line_id"])
    assert "WN00003" in lines
    assert "W00004" not in lines
    assert f"W{len(walls):05d}" in lines


def test_verdicts_are_of_several_kinds(towns: Path, tmp_path: Path) -> None:
    run_plan(county_plan(towns), tmp_path / "out")
    text = (tmp_path / "out" / "specs.csv").read_text(encoding="utf-8")
    assert sum(word in text for word in ("already sound", "retrofit", "build")) >= 2


def test_dask_workers_give_the_same_bytes(towns: Path, in_one_piece: dict[str, str], tmp_path: Path) -> None:
    record = run_plan(county_plan(towns, "tiles.lots=4"), tmp_path / "out", engine="dask", workers=2)
    assert digests(tmp_path / "out") == in_one_piece
    assert record["tiles"]["engine"] == "dask"


def command(towns: Path, out: Path, *words: str) -> list[str]:
    inputs = [word for name in LAYERS for word in ("--input", f"{name}={towns}#{name}")]
    settings = ["--set", "parcels.id=APN", "--set", "tiles.lots=4"]
    start = [sys.executable, "-c", "from geotools.cli import main; main()"]
    return [*start, "run", "county", *inputs, *settings, "--out", str(out), "--quiet", *words]


def test_a_killed_run_leaves_the_earlier_result_and_goes_on_with_resume(
    towns: Path, in_one_piece: dict[str, str], tmp_path: Path
) -> None:
    out = tmp_path / "out"
    run_plan(county_plan(towns, "design.body_length=30 in"), out)
    earlier = digests(out)
    assert earlier != in_one_piece
    process = subprocess.Popen(command(towns, out))
    done = tmp_path / ".out-under-way" / "done"
    until = time.monotonic() + 60
    while len([path for path in done.glob("*") if path.suffix != ".part"]) < 3 and time.monotonic() < until:
        time.sleep(0.02)
    process.send_signal(signal.SIGKILL)
    process.wait()
    assert digests(out) == earlier
    subprocess.run(command(towns, out, "--resume"), check=True)
    assert digests(out) == in_one_piece
    record = json.loads((out / "run.json").read_text(encoding="utf-8"))
    assert record["tiles"]["kept_from_earlier"] >= 3
    assert not list(tmp_path.glob(".*"))


def test_resume_after_a_change_begins_anew(towns: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    plan = county_plan(towns, "tiles.lots=4")
    stop_after(monkeypatch, tiles=2)
    with pytest.raises(KeyboardInterrupt):
        run_plan(plan, tmp_path / "out")
    monkeypatch.undo()
    changed = county_plan(towns, "tiles.lots=4", "design.body_length=30 in")
    assert run_plan(changed, tmp_path / "out", resume=True)["tiles"]["kept_from_earlier"] == 0


def test_a_second_run_on_the_same_folder_is_refused(
    towns: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    plan = county_plan(towns, "tiles.lots=4")

    def run_again(number: int, total: int) -> None:
        with pytest.raises(OutputError, match="another run is writing there"):
            run_plan(plan, tmp_path / "out")

    asked: list[str] = []

    def progress(name: str, number: int, total: int) -> None:
        if not asked:
            asked.append(name)
            run_again(number, total)

    run_plan(plan, tmp_path / "out", progress=progress)
    assert asked


def test_a_refused_input_leaves_nothing(towns: Path, tmp_path: Path) -> None:
    plan = county_plan(towns, "tiles.lots=4")
    bad = replace(plan, inputs={**plan.inputs, "walls": str(tmp_path / "none.gpkg")})
    with pytest.raises(GeotoolsError):
        run_plan(bad, tmp_path / "out")
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"engine": "cloud"}, "there is no engine 'cloud'"),
        ({"workers": 3}, "the engine 'local' is one process"),
        ({"engine": "dask", "workers": 2, "scheduler": "tcp://127.0.0.1:1"}, "2 workers and a scheduler"),
    ],
)
def test_engines_are_checked(options: dict[str, object], words: str, towns: Path, tmp_path: Path) -> None:
    with pytest.raises(EngineError, match=words):
        run_plan(county_plan(towns), tmp_path / "out", **options)  # type: ignore[arg-type]


def test_a_plan_in_one_piece_takes_no_engine(towns: Path, tmp_path: Path) -> None:
    with pytest.raises(PipelineError, match="in one piece"):
        run_plan(replace(county_plan(towns), tiles=None), tmp_path / "out", engine="dask")


def stop_after(monkeypatch: pytest.MonkeyPatch, *, tiles: int) -> None:
    from geotools.engines import local

    def do_some(work: object, tasks: list[object], **_: object) -> object:
        for task in tasks[:tiles]:
            yield work(task)  # type: ignore[operator]
        raise KeyboardInterrupt

    monkeypatch.setattr(local, "do_each", do_some)
