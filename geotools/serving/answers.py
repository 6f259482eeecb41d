"""Answer requests to run a process, for jobs and for results to the letter of OGC API - Processes, Part 1."""

from __future__ import annotations

import base64
import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

from geotools.serving.record import OPEN, RESULTS, problem

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

__all__ = [
    "JSON",
    "NOT_READY",
    "NO_SUCH_JOB",
    "NO_SUCH_PROCESS",
    "Answer",
    "answer_file",
    "answer_problem",
    "answer_results",
    "status_info",
]

JSON = "application/json"
_EXCEPTIONS = "http://www.opengis.net/def/exceptions/ogcapi-processes-1/1.0"
NO_SUCH_PROCESS = f"{_EXCEPTIONS}/no-such-process"
NO_SUCH_JOB = f"{_EXCEPTIONS}/no-such-job"
NOT_READY = f"{_EXCEPTIONS}/result-not-ready"
_RELATIONS = "http://www.opengis.net/def/rel/ogc/1.0"
_PART = "bajada-part"

Answer = tuple[bytes, int, dict[str, str]]
"""Body, HTTP status and headers."""


def status_info(record: Mapping[str, Any], url: str) -> dict[str, Any]:
    """The status of a job as the standard has it: nothing in it is null.

    Parameters
    ----------
    record : mapping
        The job's record.
    url : str
        Address of the service.

    Returns
    -------
    dict
        Ready for JSON.

    Examples
    --------
    >>> told = {"identifier": "1", "process_id": "height", "status": "running", "message": "", "progress": 5}
    >>> status_info(told, "http://127.0.0.1")["jobID"]
    '1'
    """
    job = f"{url}/jobs/{record['identifier']}"
    links = [{"href": job, "rel": "self", "type": JSON, "title": "This document"}]
    if record["status"] in ("successful", "failed"):
        links.append({"href": f"{job}/results", "rel": f"{_RELATIONS}/results", "type": JSON, "title": "Results"})
    times = {name: record[name] for name in ("created", "started", "finished", "updated") if record.get(name)}
    notices = {"notices": record["notices"]} if "notices" in record else {}
    return {
        "jobID": record["identifier"],
        "processID": record["process_id"],
        "type": "process",
        "status": record["status"],
        "message": record["message"],
        "progress": record["progress"],
        **times,
        **notices,
        "links": links,
    }


def answer_problem(told: Mapping[str, Any]) -> Answer:
    """Answer with an exception, under its own HTTP status."""
    return json.dumps(told, ensure_ascii=False).encode(), int(told["status"]), {"Content-Type": JSON}


def answer_results(record: Mapping[str, Any], request: Mapping[str, Any], jobs: Path, url: str) -> Answer:
    """Answer with the results of a job, as the request wanted them: raw or as a document.

    Parameters
    ----------
    record : mapping
        The job's record.
    request : mapping
        Its request: `outputs` (id to `value` or `reference`) and `response`.
    jobs : pathlib.Path
        Folder of jobs.
    url : str
        Address of the service.

    Returns
    -------
    tuple
        Body, status, headers.

    Examples
    --------
    >>> record = {"identifier": "1", "status": "running"}
    >>> answer_results(record, {}, Path("jobs"), "")[1]
    404
    """
    name = record["identifier"]
    if record["status"] in OPEN:
        told = f"job {name} is {record['status']}; ask for its status and come again"
        return answer_problem(problem(404, "the results are not ready", told, kind=NOT_READY))
    if record["status"] == "failed":
        return answer_problem(record["problem"])
    made, folder = record["outputs"], jobs / name / RESULTS
    # A plan leaves out what its inputs do not give; only what was made is sent.
    asked = {key: mode for key, mode in request["outputs"].items() if key in made}
    links = {key: f"{url}/jobs/{name}/results/{key}" for key in asked}
    if request["response"] == "document":
        document = {
            key: {"href": links[key], "type": made[key]["media_type"]}
            if mode == "reference"
            else _inline(folder / made[key]["file"], made[key]["media_type"])
            for key, mode in asked.items()
        }
        return json.dumps(document, ensure_ascii=False).encode(), 200, {"Content-Type": JSON}
    if len(asked) == 1 and "value" in asked.values():
        return answer_file(record, next(iter(asked)), jobs)
    if asked and "value" not in asked.values():
        told = ", ".join(f'<{links[key]}>; rel="{key}"; type="{made[key]["media_type"]}"' for key in asked)
        return b"", 204, {"Link": told}
    body = b"".join(_parts(asked, made, folder, links)) + f"--{_PART}--\r\n".encode()
    return body, 200, {"Content-Type": f'multipart/related; boundary="{_PART}"'}


def answer_file(record: Mapping[str, Any], output: str, jobs: Path) -> Answer:
    """Answer with one output of a job as it is."""
    made = record.get("outputs", {}).get(output)
    if made is None:
        offered = ", ".join(record.get("outputs", {})) or "none"
        told = f"job {record['identifier']} has no output {output!r}; it has: {offered}"
        return answer_problem(problem(404, "there is no such output", told))
    body = (jobs / record["identifier"] / RESULTS / made["file"]).read_bytes()
    return body, 200, {"Content-Type": made["media_type"]}


def _inline(path: Path, media_type: str) -> dict[str, Any]:
    content = path.read_bytes()
    if media_type.endswith("json"):
        return {"value": json.loads(content), "mediaType": media_type}
    if media_type.startswith("text/"):
        return {"value": content.decode("utf-8"), "mediaType": media_type}
    return {"value": base64.b64encode(content).decode("ascii"), "encoding": "base64", "mediaType": media_type}


def _parts(
    asked: Mapping[str, str], made: Mapping[str, Any], folder: Path, links: Mapping[str, str]
) -> Iterator[bytes]:
    for key, mode in asked.items():
        head = [f"--{_PART}", f"Content-ID: {key}", f"Content-Type: {made[key]['media_type']}"]
        if mode == "reference":
            yield "\r\n".join([*head, f"Content-Location: {links[key]}", "", "", ""]).encode()
        else:
            content = (folder / made[key]["file"]).read_bytes()
            yield "\r\n".join([*head, f"Content-Length: {len(content)}", "", ""]).encode() + content + b"\r\n"
