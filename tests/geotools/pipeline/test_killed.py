"""A run killed at any moment leaves the earlier result as it was, goes on with --resume, and leaves no rubbish."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from killing import Nursery, digests, nursery, put_files
from towns import LAYERS, county_plan, write_towns

from geotools import cli
from geotools.pipeline import run_plan

pytestmark = pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="no such processes here")
MOMENTS = int(os.environ.get("BAJADA_KILLS", "4"))
"""Of each kind of run; 20 and more on request."""
KILLED = -signal.SIGKILL


@pytest.fixture(scope="module")
def nurse() -> Iterator[Nursery]:
    with nursery() as started:
        yield started


@pytest.fixture(scope="module")
def towns(tmp_path_factory: pytest.TempPathFactory) -> str:
    return str(write_towns(tmp_path_factory.mktemp("towns") / "towns.gpkg", towns=3))


@pytest.fixture(scope="module")
def earlier(towns: str, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A result of another design: what a killed run must leave as it was."""
    out = tmp_path_factory.mktemp("earlier") / "out"
    run_plan(county_plan(Path(towns), "design.body_length=30 in"), out)
    return out


@pytest.mark.parametrize("tiles", [False, True], ids=["one piece", "tiles"])
def test_killed_at_random_moments(tiles: bool, nurse: Nursery, towns: str, earlier: Path, tmp_path: Path) -> None:
    whole, told = tmp_path / "whole", tmp_path / "told"
    assert nurse.end_status("run_timed", towns, str(whole), tiles, str(told)) == 0
    wanted, length_s = digests(whole), float(told.read_text())
    assert digests(earlier) != wanted
    random = np.random.default_rng(20)
    moments_s = length_s * (np.arange(MOMENTS) + random.random(MOMENTS)) / MOMENTS
    killed = 0
    for number, moment_s in enumerate(moments_s):
        place = tmp_path / str(number)
        out = place / "out"
        _copy(earlier, out)
        before = {path.name: path.read_bytes() for path in out.iterdir()}
        status = nurse.end_status("run_towns", towns, str(out), tiles, kill_after_s=moment_s)
        killed += status == KILLED
        after = {path.name: path.read_bytes() for path in out.iterdir()}
        # A machine that was busy meanwhile may be done before its moment.
        assert after == before or (digests(out) == wanted and "run.json" in after), moment_s
        assert nurse.end_status("run_towns", towns, str(out), tiles, True) == 0
        assert digests(out) == wanted, moment_s
        assert [path.name for path in place.iterdir()] == ["out"], moment_s
    assert killed >= MOMENTS // 2


def test_killed_before_each_change_to_files_at_the_end(
    nurse: Nursery, towns: str, earlier: Path, tmp_path: Path
) -> None:
    """The last changes of a run in tiles: files in place, work under way away; each can be gone on from."""
    assert nurse.end_status("run_towns", towns, str(tmp_path / "whole"), True) == 0
    wanted = digests(tmp_path / "whole")
    told = tmp_path / "told"
    assert nurse.end_status("count_changes", towns, str(tmp_path / "count" / "out"), str(told)) == 0
    changes = int(told.read_text())
    step = 1 if MOMENTS >= 20 else 24
    for change in range(max(1, changes - 60), changes + 1, step):
        out = tmp_path / str(change) / "out"
        _copy(earlier, out)
        before = digests(out)
        assert nurse.end_status("run_towns", towns, str(out), True, False, "design.body_length=60 in", change) == KILLED
        assert digests(out) in (before, wanted)
        assert nurse.end_status("run_towns", towns, str(out), True, True) == 0
        assert digests(out) == wanted
        assert [path.name for path in out.parent.iterdir()] == ["out"]


@pytest.mark.parametrize("exchange", [True, False], ids=["names exchanged at once", "one after the other"])
def test_putting_in_place_killed_before_each_change(nurse: Nursery, exchange: bool, tmp_path: Path) -> None:
    statuses = []
    for change in range(1, 60):
        out = tmp_path / str(change) / "out"
        put_files(str(out), word="old")
        (out / "mine.txt").write_text("mine")
        statuses.append(nurse.end_status("put_files", str(out), change, exchange))
        if exchange:
            assert {path.read_text() for path in out.glob("?.csv")} in ({"old"}, {"new"})
            assert (out / "mine.txt").read_text() == "mine"
        put_files(str(out.with_name("other")), word="other")  # its neighbour's rubbish is not its own
        assert nurse.end_status("put_files", str(out), 0, exchange, "newest") == 0
        assert {path.read_text() for path in out.glob("?.csv")} == {"newest"}
        assert (out / "mine.txt").read_text() == "mine"
        assert sorted(path.name for path in out.parent.iterdir()) == ["other", "out"]
        if statuses[-1] == 0:
            break
    assert statuses[-1] == 0
    assert set(statuses[:-1]) == {KILLED}
    assert len(statuses) >= 6


def test_a_run_that_goes_on_beside_is_not_swept_away(nurse: Nursery, tmp_path: Path) -> None:
    nurse.begin("put_slowly", str(tmp_path / "out"), str(tmp_path / "begun"))
    until = time.monotonic() + 30
    while not (tmp_path / "begun").exists() and time.monotonic() < until:
        time.sleep(0.02)
    put_files(str(tmp_path / "out"), word="quick")
    assert len(list(tmp_path.glob(".out-unfinished-*"))) == 1
    (tmp_path / "begun").unlink()
    assert nurse.wait() == 0
    assert (tmp_path / "out" / "a.csv").read_text() == "slow"
    assert [path.name for path in tmp_path.iterdir()] == ["out"]


@pytest.mark.parametrize("spare_mb", [1, 20])
def test_used_up_memory(spare_mb: int, nurse: Nursery, towns: str, earlier: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    _copy(earlier, out)
    before = {path.name: path.read_bytes() for path in out.iterdir()}
    assert nurse.end_status("run_short_of_memory", towns, str(out), spare_mb) == 2
    assert {path.name: path.read_bytes() for path in out.iterdir()} == before
    assert nurse.end_status("run_towns", towns, str(out), True, True) == 0
    assert [path.name for path in tmp_path.iterdir()] == ["out"]


def test_memory_is_said(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    def use_up(*words: object, **options: object) -> None:
        raise MemoryError

    monkeypatch.setattr(cli, "commands", use_up)
    with pytest.raises(SystemExit) as ended:
        cli.main()
    assert ended.value.code == 2
    told = capsys.readouterr().err
    assert "memory" in told
    assert "--set tiles.lots=" in told


@pytest.mark.parametrize("tiles", [False, True], ids=["one piece", "tiles"])
@pytest.mark.parametrize("most_kb", [1, 8, 100])
def test_full_disk(tiles: bool, most_kb: int, nurse: Nursery, towns: str, earlier: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    _copy(earlier, out)
    before = {path.name: path.read_bytes() for path in out.iterdir()}
    assert nurse.end_status("run_short_of_disk", towns, str(out), most_kb, tiles) == 2
    assert {path.name: path.read_bytes() for path in out.iterdir()} == before
    assert [path.name for path in tmp_path.iterdir() if path.name != ".out-under-way"] == ["out"]


@pytest.mark.parametrize("victim", ["worker", "run"])
def test_a_worker_and_a_run_of_several_killed_from_outside(victim: str, towns: str, tmp_path: Path) -> None:
    out, done = tmp_path / "out", tmp_path / ".out-under-way" / "done"
    run_plan(county_plan(Path(towns), "tiles.lots=4"), tmp_path / "whole")
    inputs = [word for name in LAYERS for word in ("--input", f"{name}={towns}#{name}")]
    words = [sys.executable, "-c", "from geotools.cli import main; main()", "run", "county", *inputs, "--quiet"]
    words += ["--set", "parcels.id=APN", "--set", "tiles.lots=4", "--out", str(out), "--engine", "dask"]
    words += ["--workers", "2"]
    with subprocess.Popen(words) as process:
        until = time.monotonic() + 120
        while not list(done.glob("?????")) and time.monotonic() < until:
            time.sleep(0.01)
        worker = next(child for child in _descendants(process.pid) if _is_worker(child))
        os.kill(worker if victim == "worker" else process.pid, signal.SIGKILL)
        assert process.wait() == (0 if victim == "worker" else KILLED)
    if victim == "run":
        assert not out.exists()
        subprocess.run([*words, "--resume"], check=True)
    assert digests(out) == digests(tmp_path / "whole")
    assert sorted(path.name for path in tmp_path.iterdir()) == ["out", "whole"]


def _descendants(parent: int) -> list[int]:
    told = Path(f"/proc/{parent}/task").glob("*/children")
    children = [int(child) for path in told for child in path.read_text().split()]
    return [*children, *(below for child in children for below in _descendants(child))]


def _is_worker(process: int) -> bool:
    return b"spawn_main" in Path(f"/proc/{process}/cmdline").read_bytes()


def _copy(earlier: Path, out: Path) -> None:
    shutil.copytree(earlier, out)
