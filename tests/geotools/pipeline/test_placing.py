"""Results are put in place one run after the other, and what killed runs leave is cleared."""

from __future__ import annotations

import contextlib
import os
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from geotools.pipeline.placing import fresh_folder

pytest.importorskip("fcntl", reason="the system has no locks that end with the process")


def place(target: Path, content: str) -> None:
    with fresh_folder(target) as folder:
        (folder / "specs.csv").write_text(content)
        (folder / "run.json").write_text('{"outputs": ["specs.csv", "run.json"]}')


def hidden(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir() if path.name.startswith("."))


def killed_run(target: Path, *, between: bool = False) -> None:
    """A process that ends without a word in the midst of its work, or between taking old results away and new in."""
    work = f"""
import os
from pathlib import Path
from geotools.pipeline import placing
from geotools.pipeline.placing import fresh_folder

placing._exchange = lambda *names: False  # as on a system that can't change two names at once

def die(*names):
    os._exit(9)

with fresh_folder(Path({str(target)!r})) as folder:
    (folder / "specs.csv").write_text("half")
    if not {between}:
        os._exit(9)
    rename = Path.rename
    Path.rename = lambda path, to: die() if Path(to).name == {target.name!r} else rename(path, to)
"""
    assert subprocess.run([sys.executable, "-c", work], check=False).returncode == 9


def test_runs_that_end_in_the_same_instant_leave_one_whole_result(tmp_path: Path) -> None:
    with ThreadPoolExecutor(4) as pool:
        list(pool.map(lambda number: place(tmp_path / "out", str(number)), range(80)))
    assert hidden(tmp_path) == []
    assert {path.name for path in (tmp_path / "out").iterdir()} == {"specs.csv", "run.json"}


def test_what_a_killed_run_left_goes_with_the_next_run(tmp_path: Path) -> None:
    place(tmp_path / "out", "old")
    killed_run(tmp_path / "out")
    assert len(hidden(tmp_path)) == 1
    place(tmp_path / "out", "new")
    assert hidden(tmp_path) == []
    assert (tmp_path / "out" / "specs.csv").read_text() == "new"


def test_results_of_a_run_killed_between_two_moves_come_back(tmp_path: Path) -> None:
    place(tmp_path / "out", "old")
    killed_run(tmp_path / "out", between=True)
    assert not (tmp_path / "out").exists()
    with contextlib.suppress(KeyError), fresh_folder(tmp_path / "out"):
        assert (tmp_path / "out" / "specs.csv").read_text() == "old"
        raise KeyError
    assert (tmp_path / "out" / "specs.csv").read_text() == "old"
    assert hidden(tmp_path) == []


def test_folders_of_others_and_of_runs_under_way_stay(tmp_path: Path) -> None:
    kept = (".out-unfinished-mine", ".out-keepsake", ".out2-unfinished-abcdefgh", ".out-under-way")
    for name in kept:
        (tmp_path / name).mkdir()
    with fresh_folder(tmp_path / "out") as under_way:
        place(tmp_path / "out", "meanwhile")
        assert under_way.is_dir()
        assert hidden(tmp_path) == sorted([*kept, under_way.name])
        (under_way / "run.json").write_text("{}")
    assert hidden(tmp_path) == sorted(kept)


@pytest.mark.skipif(os.name != "posix", reason="rights of another kind")
def test_folder_has_the_rights_of_any_new_folder(tmp_path: Path) -> None:
    place(tmp_path / "out", "")
    (tmp_path / "other").mkdir()
    assert (tmp_path / "out").stat().st_mode == (tmp_path / "other").stat().st_mode
