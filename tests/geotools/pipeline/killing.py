"""Do work in a process that is killed at a moment: after some seconds, or before its n-th change to files."""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import IO, Any

from towns import county_plan

from geotools.errors import OutputError
from geotools.pipeline import check_plan, placing, run_plan

_CHANGES = ("os.mkdir", "os.rename", "os.remove", "os.rmdir", "os.chmod", "shutil.rmtree", "ctypes.dlsym")
"""What the interpreter tells before it changes names in the file system (the last one: looks up the exchange)."""


def digests(folder: Path) -> dict[str, str]:
    """Each file of a result by its content, but the record of times."""
    if not folder.is_dir():
        return {}
    return {
        path.name: hashlib.sha256(path.read_bytes()).hexdigest() for path in folder.iterdir() if path.name != "run.json"
    }


class Nursery:
    """A process that has the toolkit loaded and forks children to do work: each starts at once."""

    def __init__(self, asked: IO[str], told: IO[str]) -> None:
        self.asked, self.told = asked, told

    def begin(self, work: str, *words: Any) -> int:
        """Begin work in a child; give its number."""
        self.asked.write(json.dumps([work, *words]) + "\n")
        self.asked.flush()
        return int(self.told.readline())

    def wait(self) -> int:
        """Give the exit status of the child that was begun first (negative: the signal that ended it)."""
        return int(self.told.readline())

    def end_status(self, work: str, *words: Any, kill_after_s: float | None = None) -> int:
        """Do work in a child, killed after some seconds where asked; give its exit status."""
        child = self.begin(work, *words)
        until = time.monotonic() + (kill_after_s or 0)
        while kill_after_s is not None and time.monotonic() < until and _runs(child):
            time.sleep(0.002)
        if kill_after_s is not None:
            os.kill(child, signal.SIGKILL)  # a child that has ended stays until it is waited for
        return self.wait()


@contextlib.contextmanager
def nursery() -> Iterator[Nursery]:
    """Start one; it ends with the block."""
    # Children of a process with threads may hang.
    alone = {"OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1", "PYTHONPATH": os.pathsep.join(sys.path)}
    words = [sys.executable, "-W", "ignore", __file__]
    with subprocess.Popen(
        words, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, env={**os.environ, **alone}
    ) as process:
        assert process.stdin is not None
        assert process.stdout is not None
        assert process.stdout.readline() == "ready\n"
        yield Nursery(process.stdin, process.stdout)
        process.stdin.close()


def run_towns(
    towns: str, out: str, tiles: bool, resume: bool = False, setting: str = "design.body_length=60 in", change: int = 0
) -> None:
    """Run the plan `county`; with a change, die before the change to files of that number."""
    plan = county_plan(Path(towns), "tiles.lots=4", setting)
    if change:
        die_before(change)
    run_plan(plan if tiles else replace(plan, tiles=None), Path(out), resume=resume)


def run_timed(towns: str, out: str, tiles: bool, told: str) -> None:
    begun = time.monotonic()
    run_towns(towns, out, tiles)
    Path(told).write_text(str(time.monotonic() - begun))


def put_files(out: str, change: int = 0, exchange: bool = True, word: str = "new") -> None:
    """Put two files in place as a run does."""
    if not exchange:
        placing._exchange = lambda one, other: False  # type: ignore[assignment]
    if change:
        die_before(change)
    with placing.fresh_folder(Path(out)) as folder:
        for name in ("a.csv", "b.csv"):
            (folder / name).write_text(word)
        (folder / placing.RECORD).write_text('{"outputs": ["a.csv", "b.csv", "run.json"]}')


def die_before(change: int) -> None:
    """Kill this process before it makes its n-th change to files."""
    left = [change]

    def hook(event: str, args: tuple[Any, ...]) -> None:
        if event in _CHANGES:
            left[0] -= 1
            if not left[0]:
                os.kill(os.getpid(), signal.SIGKILL)

    sys.addaudithook(hook)


def run_short_of_memory(towns: str, out: str, spare_mb: int) -> None:
    """Run the plan `county` by its command, with little more memory than the process has now."""
    import resource

    from towns import LAYERS

    from geotools.cli import main

    has_kb = int(Path("/proc/self/status").read_text().partition("VmSize:")[2].split()[0])
    most = has_kb * 1024 + spare_mb * 1_000_000
    inputs = [word for name in LAYERS for word in ("--input", f"{name}={towns}#{name}")]
    sys.argv = ["bajada", "run", "county", *inputs, "--set", "parcels.id=APN", "--out", out, "--quiet"]
    resource.setrlimit(resource.RLIMIT_AS, (most, most))
    main()


def run_short_of_disk(towns: str, out: str, most_kb: int, tiles: bool) -> None:
    """Run the plan `county` where no file may be larger than that: the same error as of a full disk."""
    import resource

    signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    resource.setrlimit(resource.RLIMIT_FSIZE, (most_kb * 1024, most_kb * 1024))
    try:
        run_towns(towns, out, tiles, setting="design.body_length=48 in")
    except OutputError:
        os._exit(2)


def put_slowly(out: str, mark: str) -> None:
    """Put a file in place once a mark that was set has gone."""
    with placing.fresh_folder(Path(out)) as folder:
        Path(mark).touch()
        until = time.monotonic() + 60
        while Path(mark).exists() and time.monotonic() < until:
            time.sleep(0.02)
        (folder / "a.csv").write_text("slow")
        (folder / placing.RECORD).write_text('{"outputs": ["a.csv", "run.json"]}')


def count_changes(towns: str, out: str, told: str) -> None:
    """Tell how many changes to files a run in tiles over an earlier result makes."""
    put_files(out, word="old")
    count = [0]
    sys.addaudithook(lambda event, args: count.__setitem__(0, count[0] + (event in _CHANGES)))
    run_towns(towns, out, True)
    Path(told).write_text(str(count[0]))


def _runs(child: int) -> bool:
    return Path(f"/proc/{child}/stat").read_text().rpartition(")")[2].split()[0] != "Z"


def _nurse() -> None:
    check_plan(county_plan(Path("towns.gpkg")))  # finds every step, so that no child has to
    print("ready", flush=True)  # noqa: T201 - tells its parent
    for line in sys.stdin:
        work, *words = json.loads(line)
        child = os.fork()
        if not child:
            status = 1
            try:
                globals()[work](*words)
                status = 0
            except SystemExit as ended:
                status = int(ended.code or 0)
            except BaseException:  # noqa: BLE001 - whatever it is, the child must end here
                sys.excepthook(*sys.exc_info())
            os._exit(status)
        print(child, flush=True)  # noqa: T201
        print(os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]), flush=True)  # noqa: T201


if __name__ == "__main__":
    _nurse()
