"""Start, watch, stop and clear away jobs; each runs in a process of its own and may only write to its folder."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
import threading
import uuid
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from geotools.errors import PipelineError
from geotools.serving.config import Limits
from geotools.serving.inputs import lay_down
from geotools.serving.record import OPEN, RECORD, REQUEST, change_record, problem, read_json, start_record

if TYPE_CHECKING:
    from collections.abc import Mapping

__all__ = ["Desk", "close_left_open", "find_job", "list_jobs"]

_LOG = "log.txt"


@dataclass
class Desk:
    """What runs in this server: the folder of jobs, the shared folder, the limits, and the processes under way."""

    jobs: Path
    folder: Path | None
    limits: Limits
    running: dict[str, subprocess.Popen[bytes]] = field(default_factory=dict)
    watchers: dict[str, threading.Thread] = field(default_factory=dict)
    lock: threading.Lock = field(default_factory=threading.Lock)
    places: threading.Semaphore = field(init=False)

    def __post_init__(self) -> None:
        self.places = threading.Semaphore(self.limits.jobs_at_once)

    def start(self, process: str, described: Mapping[str, Any], request: Mapping[str, Any]) -> str:
        """Check a request, lay down its inputs and start the job.

        Parameters
        ----------
        process : str
            Process id.
        described : mapping
            Its description.
        request : mapping
            The execute request of the standard: `inputs`, `outputs`, `response`.

        Returns
        -------
        str
            Id of the job.

        Raises
        ------
        PipelineError, LayerError
            If an input can't be used; no job is left behind then.
        """
        with self.lock:
            if len(self.watchers) >= self.limits.jobs_at_once + self.limits.jobs_waiting:
                raise BlockingIOError("too many jobs are waiting")
            name = str(uuid.uuid4())
            thread = threading.Thread(target=self._watch, args=(name,), daemon=True)
            self.watchers[name] = thread
        job = self.jobs / name
        try:
            self._clear_old()
            job.mkdir(parents=True)
            laid = lay_down(request["inputs"], described["inputs"], job=job, folder=self.folder)
            content = {
                "process": process,
                "inputs": laid,
                "outputs": _asked_outputs(request.get("outputs"), described["outputs"]),
                "response": request.get("response", "raw"),
                "folder": "" if self.folder is None else str(self.folder.resolve()),
            }
            (job / REQUEST).write_text(json.dumps(content), encoding="utf-8")
            start_record(job, process)
        except BaseException:
            shutil.rmtree(job, ignore_errors=True)
            self._forget(name)
            raise
        thread.start()
        return name

    def wait(self, name: str) -> None:
        """Wait until a job is done or has used up its time."""
        watcher = self.watchers.get(name)
        if watcher is not None:
            watcher.join()

    def dismiss(self, name: str) -> None:
        """Stop a job if it runs, and remove it with its results."""
        with self.lock:
            process = self.running.get(name)
            # Without its record a job that waits in line is never started.
            (self.jobs / name / RECORD).unlink(missing_ok=True)
        if process is not None:
            process.kill()
            process.wait()
        shutil.rmtree(self.jobs / name, ignore_errors=True)

    def close(self) -> None:
        """Stop all jobs; they are told as failed when the server starts again."""
        for process in list(self.running.values()):
            process.kill()

    def _watch(self, name: str) -> None:
        job = self.jobs / name
        try:
            with self.places:
                process = self._begin(name)
                if process is None:
                    return
                try:
                    process.wait(self.limits.seconds)
                except subprocess.TimeoutExpired:
                    process.kill()
                    process.wait()
                    told = f"job {name} took longer than {self.limits.seconds} s and was stopped"
                    _fail(job, problem(400, "the time limit is used up", f"{told}; ask for less at once"))
                else:
                    if (job / RECORD).is_file() and read_json(job / RECORD)["status"] in OPEN:
                        told = f"job {name} ended with status {process.returncode}"
                        _fail(job, problem(500, "the toolkit failed", told))
        finally:
            self._forget(name)

    def _begin(self, name: str) -> subprocess.Popen[bytes] | None:
        job = self.jobs / name
        command = [sys.executable, "-m", "geotools.serving.work", str(job)]
        with self.lock:
            if not (job / RECORD).is_file():
                return None
            with (job / _LOG).open("wb") as log:
                process = subprocess.Popen(command, stdin=subprocess.DEVNULL, stdout=log, stderr=log)  # noqa: S603 - ours
            self.running[name] = process
        return process

    def _forget(self, name: str) -> None:
        with self.lock:
            self.running.pop(name, None)
            self.watchers.pop(name, None)

    def _clear_old(self) -> None:
        done = [record for record in list_jobs(self.jobs) if record["status"] not in OPEN]
        for record in done[self.limits.jobs_kept :]:
            shutil.rmtree(self.jobs / record["identifier"], ignore_errors=True)


def list_jobs(jobs: Path) -> list[dict[str, Any]]:
    """List the records of all jobs, the newest first."""
    found = [find_job(jobs, path.parent.name) for path in jobs.glob(f"*/{RECORD}")]
    return sorted(
        (record for record in found if record is not None), key=lambda one: (one["created"], one["identifier"])
    )[::-1]


def find_job(jobs: Path, name: str) -> dict[str, Any] | None:
    """Find the record of a job by its id; None if there is none.

    Examples
    --------
    >>> find_job(Path("jobs"), "../../etc")
    """
    try:
        if str(uuid.UUID(name)) != name:
            return None
        return read_json(jobs / name / RECORD)
    except (ValueError, FileNotFoundError, NotADirectoryError):
        return None


def close_left_open(jobs: Path) -> None:
    """Tell jobs as failed that an earlier server left open when it was stopped."""
    for record in list_jobs(jobs):
        if record["status"] in OPEN:
            told = f"job {record['identifier']} was stopped with the server; ask again"
            _fail(jobs / record["identifier"], problem(500, "the server was stopped", told))


def _fail(job: Path, told: dict[str, Any]) -> None:
    change_record(job, status="failed", message=told["detail"], problem=told)


def _asked_outputs(asked: Any, offered: Mapping[str, Any]) -> dict[str, str]:
    """Ids of the outputs that are asked for, each with how it shall come; all of them by value when none is named."""
    if asked is None or asked == {}:
        return dict.fromkeys(offered, "value")
    if not isinstance(asked, dict):
        raise PipelineError("it is no object", where="outputs", mend='write {"ID": {"transmissionMode": "reference"}}')
    chosen: dict[str, str] = {}
    for name, how in asked.items():
        if name not in offered:
            raise PipelineError(
                "the process has no such output", where=f"outputs.{name}", mend=f"use: {', '.join(offered)}"
            )
        if not isinstance(how, dict):
            raise PipelineError("it is no object", where=f"outputs.{name}", mend="write {} for the defaults")
        mode = how.get("transmissionMode", "value")
        if mode not in ("value", "reference"):
            raise PipelineError(
                f"{mode!r} is no way to transmit", where=f"outputs.{name}", mend="use 'value' or 'reference'"
            )
        media_type = (how.get("format") or {}).get("mediaType")
        only = offered[name]["schema"].get("contentMediaType")
        if media_type and only and media_type != only:
            raise PipelineError(
                f"it is not made as {media_type}", where=f"outputs.{name}.format", mend=f"it comes as {only}"
            )
        chosen[name] = mode
    return chosen
