"""Serve the processes over HTTP: the server's own pages, with requests, jobs and results answered by us."""

from __future__ import annotations

import json
import logging
import os
from pathlib import Path
from typing import TYPE_CHECKING, Any
from urllib.parse import urlsplit

from geotools.errors import GeotoolsError, OutputError, PipelineError
from geotools.serving.answers import (
    JSON,
    NO_SUCH_JOB,
    NO_SUCH_PROCESS,
    Answer,
    answer_file,
    answer_problem,
    answer_results,
    status_info,
)
from geotools.serving.config import need_extra
from geotools.serving.jobs import close_left_open, find_job, list_jobs
from geotools.serving.record import REQUEST, problem, read_json

if TYPE_CHECKING:
    from collections.abc import Iterator

    from flask import Flask

__all__ = ["make_application", "serve_processes"]

_CONFORMS = "http://www.opengis.net/spec/ogcapi-processes-1/1.0/conf"
_MB = 1_000_000


def serve_processes(config: Path, *, quiet: bool = False) -> Iterator[str]:
    """Serve the processes of a configuration until it is stopped; give the address once it listens.

    Parameters
    ----------
    config : pathlib.Path
        As `write_config` leaves it.
    quiet : bool
        Log no requests.

    Yields
    ------
    str
        The address.

    Raises
    ------
    GeotoolsError
        If the extra is not installed, the configuration can't be used, or the port is taken.
    """
    application = make_application(config)
    from werkzeug.serving import make_server

    if quiet:
        logging.getLogger("werkzeug").setLevel(logging.ERROR)
    manager = application.config["JOBS"]
    bind = application.config["BIND"]
    try:
        server = make_server(bind["host"], int(bind["port"]), application, threaded=True)
    except (OSError, SystemExit) as error:
        raise PipelineError(
            f"port {bind['port']} of {bind['host']} can't be used",
            where=str(config),
            mend="stop what listens there, or make a configuration with another --port",
        ) from error
    close_left_open(manager.desk.jobs)
    try:
        yield application.config["URL"]
        server.serve_forever(poll_interval=0.1)
    finally:
        manager.desk.close()
        server.server_close()


def make_application(config: Path) -> Flask:
    """Make the WSGI application of a configuration; one to a process, since the server's own is one.

    Parameters
    ----------
    config : pathlib.Path

    Returns
    -------
    flask.Flask

    Raises
    ------
    GeotoolsError
        If the extra is not installed, or the configuration or the folder of jobs can't be used.

    Examples
    --------
    >>> make_application(Path("offer.yml"))  # doctest: +SKIP
    """
    need_extra()
    import yaml
    from pygeoapi.openapi import generate_openapi_document

    try:
        with config.open(encoding="utf-8") as file:
            settings: dict[str, Any] = yaml.safe_load(file)
        jobs = Path(settings["server"]["manager"]["connection"])
    except (OSError, yaml.YAMLError, KeyError, TypeError) as error:
        raise PipelineError(
            f"it can't be read: {type(error).__name__}", where=str(config), mend="make one with 'bajada offer'"
        ) from error
    try:
        jobs.mkdir(parents=True, exist_ok=True)
        openapi = jobs / "openapi.json"
        openapi.write_text(generate_openapi_document(config, "json", True), encoding="utf-8")
    except OSError as error:
        raise OutputError(
            f"no job can be kept there: {error.strerror}", where=str(jobs), mend="name another folder with --jobs"
        ) from error
    os.environ |= {"PYGEOAPI_CONFIG": str(config), "PYGEOAPI_OPENAPI": str(openapi)}
    from pygeoapi.flask_app import APP, api_

    return _finish(APP, api_.manager, settings["server"])


def _finish(application: Flask, manager: Any, server: dict[str, Any]) -> Flask:
    """Put our answers in the place of the server's for requests and jobs, and bring the others to the standard."""
    url = server["url"]
    application.config |= {
        "JOBS": manager,
        "BIND": server["bind"],
        "URL": url,
        "MAX_CONTENT_LENGTH": manager.desk.limits.body_mb * _MB,
    }
    views = application.view_functions
    pages = {"jobs": views["pygeoapi.get_jobs"], "results": views["pygeoapi.get_job_result"]}
    hosts = _names_of(url, server["bind"])

    def execute(process_id: str) -> Any:
        return _execute(manager, url, process_id)

    def jobs(job_id: str | None = None) -> Any:
        from flask import request

        if request.method != "DELETE" and _wants_page():
            return pages["jobs"](job_id)
        return _jobs(manager, url, job_id, dismiss=request.method == "DELETE")

    def results(job_id: str) -> Any:
        return _results(manager, url, job_id)

    def one_result(job_id: str, output: str) -> Any:
        record = find_job(manager.desk.jobs, job_id)
        return _no_job(job_id) if record is None else answer_file(record, output, manager.desk.jobs)

    views["pygeoapi.execute_process_jobs"] = execute
    views["pygeoapi.get_jobs"] = jobs
    views["pygeoapi.get_job_result"] = results
    application.add_url_rule("/jobs/<job_id>/results/<output>", "one_result", one_result)

    @application.before_request
    def refuse_other_names() -> Any:
        """A page of another site can reach a server of this machine under a name of its own: refuse that."""
        from flask import request

        if request.host not in hosts:
            return answer_problem(problem(403, "another name", f"this service is not {request.host}; use {url}"))
        return None

    @application.after_request
    def mend(response: Any) -> Any:
        return _mend(response)

    return application


def _names_of(url: str, bind: dict[str, Any]) -> set[str]:
    port = bind["port"]
    return {urlsplit(url).netloc, f"{bind['host']}:{port}", f"localhost:{port}"}


def _wants_page() -> bool:
    from flask import request

    asked = request.args.get("f", "")
    return asked == "html" or (not asked and request.accept_mimetypes.best_match([JSON, "text/html"]) == "text/html")


def _execute(manager: Any, url: str, process: str) -> Answer:
    from flask import request

    if process not in manager.processes:
        return _no_process(process)
    if request.mimetype != JSON:  # a page of another site may send anything else without asking first
        return answer_problem(problem(415, "not JSON", f"the request is {request.mimetype or 'untyped'}; send {JSON}"))
    body = _read_body(request.get_data())
    if isinstance(body, str):
        return answer_problem(problem(400, "the request can't be used", body))
    desk = manager.desk
    try:
        job = desk.start(process, manager.get_processor(process).metadata, body)
    except GeotoolsError as error:
        told = problem(400, "the request can't be used", str(error))
        return answer_problem({**told, "what": error.what, "where": error.where, "mend": error.mend})
    except BlockingIOError:
        return answer_problem(problem(503, "too many jobs", "too many jobs are waiting; come again later"))
    preferred = [word.strip() for word in request.headers.get("Prefer", "").split(",")]
    place = {"Location": f"{url}/jobs/{job}"}
    if "respond-async" in preferred:
        record = find_job(desk.jobs, job) or {}
        content = json.dumps(status_info(record, url)).encode()
        return content, 201, {"Content-Type": JSON, "Preference-Applied": "respond-async", **place}
    desk.wait(job)
    content, status, headers = _results(manager, url, job)
    links = [*([headers["Link"]] if "Link" in headers else []), f'<{place["Location"]}>; rel="monitor"']
    return content, status, {**headers, "Link": ", ".join(links)}


def _read_body(content: bytes) -> dict[str, Any] | str:
    """The execute request, or what is wrong with it."""
    try:
        body = json.loads(content)
    except (ValueError, RecursionError):
        return "request: it is no JSON; send an object with 'inputs'"
    if not isinstance(body, dict) or not isinstance(body.setdefault("inputs", {}), dict):
        return 'request: \'inputs\' is no object; send {"inputs": {"NAME": VALUE}}'
    if body.get("response", "raw") not in ("raw", "document"):
        return f"request.response: {body['response']!r} is not known; use 'raw' or 'document'"
    if "subscriber" in body:
        return "request.subscriber: this service calls no other; ask for the status of the job"
    return body


def _jobs(manager: Any, url: str, job: str | None, *, dismiss: bool) -> Answer:
    desk = manager.desk
    if job is None:
        told: Any = {
            "jobs": [status_info(record, url) for record in list_jobs(desk.jobs)],
            "links": [{"href": f"{url}/jobs", "rel": "self", "type": JSON, "title": "This document"}],
        }
        return json.dumps(told, ensure_ascii=False).encode(), 200, {"Content-Type": JSON}
    record = find_job(desk.jobs, job)
    if record is None:
        return _no_job(job)
    if dismiss:
        desk.dismiss(job)
        record = {**record, "status": "dismissed", "message": "dismissed, and its results are removed"}
    return json.dumps(status_info(record, url), ensure_ascii=False).encode(), 200, {"Content-Type": JSON}


def _results(manager: Any, url: str, job: str) -> Answer:
    jobs = manager.desk.jobs
    record = find_job(jobs, job)
    if record is None:
        return _no_job(job)
    return answer_results(record, read_json(jobs / job / REQUEST), jobs, url)


def _no_job(job: str) -> Answer:
    told = f"there is no job {job!r}; it may be dismissed, or removed because newer ones came"
    return answer_problem(problem(404, "no such job", told, kind=NO_SUCH_JOB))


def _no_process(process: str) -> Answer:
    told = f"there is no process {process!r}; the list of processes names them all"
    return answer_problem(problem(404, "no such process", told, kind=NO_SUCH_PROCESS))


def _mend(response: Any) -> Any:
    """Bring what the server itself answers to the letter of the standard."""
    from flask import request
    from werkzeug.datastructures import Headers

    response.headers = Headers(response.headers)  # the server leaves a plain table, in which no name is found again
    response.headers["X-Content-Type-Options"] = "nosniff"
    kind = request.endpoint or ""
    if response.status_code >= 400:
        return _mend_problem(response)
    if response.mimetype != JSON or response.is_streamed:
        return response
    if kind == "pygeoapi.conformance":
        # It claims callbacks, which are not called, and does not claim the dismissal, which works.
        content = response.get_json()
        kept = {one for one in content["conformsTo"] if one != f"{_CONFORMS}/callback"}
        response.set_data(json.dumps({**content, "conformsTo": sorted({*kept, f"{_CONFORMS}/dismiss"})}))
    elif kind == "pygeoapi.get_processes":
        # Older releases tell every process to transmit by value only.
        content = response.get_json()
        for one in content.get("processes", [content]):
            one["outputTransmission"] = ["value", "reference"]
            one["jobControlOptions"] = ["sync-execute", "async-execute"]
        response.set_data(json.dumps(content, ensure_ascii=False))
    return response


def _mend_problem(response: Any) -> Any:
    """Exceptions of the server have words of its own: type, title, status and detail are those of the standard."""
    from flask import request

    content = response.get_json(silent=True) if response.mimetype == JSON else None
    if isinstance(content, dict) and "status" in content and "detail" in content:
        return response
    detail = str((content or {}).get("description", response.status))
    told = problem(response.status_code, response.status.partition(" ")[2].lower(), detail)
    if request.endpoint == "pygeoapi.get_processes" and response.status_code == 404:
        return _replaced(response, _no_process((request.view_args or {}).get("process_id", "")))
    return _replaced(response, answer_problem(told))


def _replaced(response: Any, answer: Answer) -> Any:
    body, status, headers = answer
    response.set_data(body)
    response.status_code = status
    response.headers["Content-Type"] = headers["Content-Type"]
    return response
