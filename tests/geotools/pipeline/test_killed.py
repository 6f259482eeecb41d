"""A run that is killed at any moment leaves the earlier result as it was, goes on with --resume, and leaves no rubbish."""

from __future__ import annotations

import os
import shutil
import signal
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from killing import Nursery, digests, nursery, put_files
from towns import county_plan, write_towns

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
    """The last changes of a run in tiles: files in place, work under way away; each moment is one that can be gone on."""
    assert nurse.end_status("run_towns", towns, str(tmp_path / "whole"), True) == 0
    wanted = digests(tmp_path / "whole")
    told = tmp_path / "told"
    assert nurse.end_status("count_changes", towns, str(tmp_path / "count" / "out"), str(told)) == 0
    changes = int(told.read_text())
    step = 1 if MOMENTS >= 20 else 12
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


def _copy(earlier: Path, out: Path) -> None:
    shutil.copytree(earlier, out)
