"""A target that can't take the results, a full disk, two runs at once: the earlier results stay, and it is said."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from battery.making import feed
from battery.running import EARLIER, call, prepare, read_record, read_specs, split

from geotools.pipeline import find_plan, read_plan, run_plan
from geotools.pipeline.plan import change_plan

if TYPE_CHECKING:
    from collections.abc import Iterator


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    prepare(tmp_path)
    monkeypatch.chdir(tmp_path)
    return tmp_path


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A disk of 100 kB, which only the superuser may make."""
    place = tmp_path / "disk"
    place.mkdir()
    made = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=100k", "tmpfs", str(place)], capture_output=True, check=False
    )
    if made.returncode:
        pytest.skip("a small disk can't be mounted here")
    try:
        yield place
    finally:
        subprocess.run(["umount", str(place)], check=False)


def test_target_that_is_a_file(
    folder: Path, capfd: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    (folder / "notes.txt").write_text("mine")
    left = call(split(feed().replace("--out out", "--out notes.txt")), capfd, monkeypatch)
    assert left.code == 2
    assert "notes.txt: it is a file, not a folder; name another folder with --out" in left.message
    assert (folder / "notes.txt").read_text() == "mine"


def test_target_with_files_of_another(
    folder: Path, capfd: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    (folder / "letters").mkdir()
    (folder / "letters" / "dear.txt").write_text("mine")
    left = call(split(feed().replace("--out out", "--out letters")), capfd, monkeypatch)
    assert left.code == 2
    assert "the folder holds files that are no earlier run" in left.message
    assert (folder / "letters" / "dear.txt").read_text() == "mine"


def test_full_disk(
    folder: Path, small_disk: Path, capfd: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    (small_disk / "out").mkdir()
    for name, content in EARLIER.items():
        (small_disk / "out" / name).write_text(content)
    left = call(split(feed().replace("--out out", f"--out {small_disk / 'out'}")), capfd, monkeypatch)
    assert left.code == 2, left.shown
    assert "Traceback" not in left.shown
    assert {path.name: path.read_text() for path in (small_disk / "out").iterdir()} == EARLIER
    assert [path.name for path in small_disk.iterdir()] == ["out"]


def test_read_only_place(folder: Path, capfd: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
    if os.geteuid() == 0:
        target = Path("/proc/bajada/out")  # the superuser may write anywhere but there
    else:
        (folder / "locked").mkdir(mode=0o500)
        target = folder / "locked" / "out"
    left = call(split(feed().replace("--out out", f"--out {target}")), capfd, monkeypatch)
    assert left.code == 2
    assert "name a folder that you may write to with --out" in left.message


def test_a_run_that_ends_while_another_is_under_way(folder: Path) -> None:
    plan = change_plan(
        read_plan(find_plan("plan.toml")),
        inputs=["parcels=lots.gpkg", "open_desert=desert.gpkg"],
        settings=["parcels.id=APN"],
    )
    ended = []

    def meanwhile(name: str, number: int, total: int) -> None:
        if number == total:
            ended.append(run_plan(plan, folder / "out"))

    run_plan(plan, folder / "out", progress=meanwhile)
    assert len(ended) == 1
    assert len(read_specs(folder / "out")) == 3
    assert [path.name for path in folder.iterdir() if path.name.startswith(".")] == []


def test_two_runs_at_once_by_the_installed_command(folder: Path) -> None:
    command = Path(sys.executable).with_name("bajada")
    if not command.exists():
        pytest.skip("the command is not installed beside this interpreter")
    runs = [subprocess.Popen([command, *split(feed()), "--quiet"], stderr=subprocess.PIPE, text=True) for _ in range(2)]
    told = [run.communicate(timeout=300)[1] for run in runs]
    codes = sorted(run.returncode for run in runs)
    assert codes in ([0, 0], [0, 2]), told
    assert not any("Traceback" in text for text in told)
    record = read_record(folder / "out")
    assert sorted(record["outputs"]) == sorted(path.name for path in (folder / "out").iterdir())
    assert len(read_specs(folder / "out")) == 3


def test_the_installed_command_says_the_same(folder: Path) -> None:
    command = Path(sys.executable).with_name("bajada")
    if not command.exists():
        pytest.skip("the command is not installed beside this interpreter")
    failed = subprocess.run([command, *split(feed(parcels="lot.gpkg"))], capture_output=True, text=True, check=False)
    assert failed.returncode == 2
    assert failed.stderr.splitlines()[-1] == "bajada: lot.gpkg: there is no such file; did you mean 'lots.gpkg'?"
    assert {path.name: path.read_text() for path in (folder / "out").iterdir()} == EARLIER
