"""Keep the record of a job: a small file in the job's folder that is replaced as a whole at every change."""

from __future__ import annotations

import json
import os
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from pathlib import Path

__all__ = ["OPEN", "RECORD", "REQUEST", "RESULTS", "change_record", "now", "problem", "read_json", "start_record"]

RECORD, REQUEST, RESULTS = "job.json", "request.json", "results"
OPEN = ("accepted", "running")
"""Statuses of a job that is not done."""


def start_record(job: Path, process: str) -> None:
    """Write the record of a job that was accepted."""
    told = now()
    record = {
        "identifier": job.name,
        "process_id": process,
        "type": "process",
        "status": "accepted",
        "message": "accepted",
        "progress": 0,
        "created": told,
        "updated": told,
    }
    _write(job, record)


def change_record(job: Path, **changes: Any) -> None:
    """Change some values of a job's record, and its times with them; a job that was removed stays so.

    Parameters
    ----------
    job : pathlib.Path
        Folder of the job.
    **changes
        `status`, `message`, `progress` (percent), `problem`, `outputs`, `notices`.

    Examples
    --------
    >>> import tempfile
    >>> from pathlib import Path
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     start_record(Path(folder), "height")
    ...     change_record(Path(folder), status="running")
    ...     "started" in read_json(Path(folder) / RECORD)
    True
    """
    try:
        record = read_json(job / RECORD)
    except FileNotFoundError:
        return
    told = now()
    status = changes.get("status")
    if status == "running":
        changes["started"] = told
    elif status in ("successful", "failed"):
        changes["finished"] = told
    _write(job, {**record, **changes, "updated": told})


def read_json(path: Path) -> dict[str, Any]:
    """Read a JSON object."""
    content: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
    return content


def problem(status: int, title: str, detail: str, *, kind: str = "about:blank") -> dict[str, Any]:
    """An exception as the standard wants it (RFC 7807); a kind without a URI of its own is `about:blank`.

    Examples
    --------
    >>> problem(400, "the request can't be used", "it is empty")["type"]
    'about:blank'
    """
    return {"type": kind, "title": title, "status": status, "detail": detail}


def now() -> str:
    """The time in UTC, as RFC 3339 has it."""
    return datetime.now(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def _write(job: Path, record: dict[str, Any]) -> None:
    fresh = job / f".{RECORD}.{os.getpid()}"
    try:
        fresh.write_text(json.dumps(record, ensure_ascii=False), encoding="utf-8")
        fresh.replace(job / RECORD)
    except FileNotFoundError:
        return  # the job was dismissed and its folder is gone
