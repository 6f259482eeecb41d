"""Fit what is offered, and the folder of jobs, to the plug-in classes of the server."""

from __future__ import annotations

import json
from http import HTTPStatus
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pygeoapi.process.base import (
    BaseProcessor,
    JobNotFoundError,
    JobResultNotFoundError,
    ProcessorExecuteError,
)
from pygeoapi.process.manager.base import BaseManager
from pygeoapi.util import JobStatus

from geotools.errors import GeotoolsError
from geotools.serving.config import Limits
from geotools.serving.jobs import Desk, find_job, list_jobs
from geotools.serving.offers import describe_offer
from geotools.serving.record import RESULTS

if TYPE_CHECKING:
    from collections.abc import Mapping

__all__ = ["JobFolder", "OfferedProcess", "RefusedError"]


class RefusedError(ProcessorExecuteError):  # type: ignore[misc]
    """A request that can't be used, as the server wants to hear it."""

    http_status_code = HTTPStatus.BAD_REQUEST
    ogc_exception_code = "InvalidParameterValue"


class OfferedProcess(BaseProcessor):  # type: ignore[misc]
    """One process: its description; the work is done by the job folder, never in the server itself."""

    def __init__(self, processor_def: dict[str, Any]) -> None:
        super().__init__(processor_def, describe_offer(processor_def["offer"]))
        self.supports_outputs = True


class JobFolder(BaseManager):  # type: ignore[misc]
    """Jobs in a folder, each in a process of its own. Subscribers are not called: a server must not knock anywhere."""

    def __init__(self, manager_def: dict[str, Any]) -> None:
        super().__init__(manager_def)
        self.is_async = True
        self.supports_subscribing = False
        folder = manager_def.get("folder")
        self.desk = Desk(
            Path(manager_def["connection"]),
            Path(folder) if folder else None,
            Limits(**manager_def.get("limits", {})),
        )

    def get_jobs(self, status: Any = None, limit: int | None = None, offset: int | None = None) -> dict[str, Any]:
        """List the jobs, the newest first."""
        found = [_whole(one) for one in list_jobs(self.desk.jobs) if status is None or one["status"] == status.value]
        first = offset or 0
        return {"jobs": found[first : first + limit if limit else None], "numberMatched": len(found)}

    def get_job(self, job_id: str) -> dict[str, Any]:
        """Find one job."""
        record = find_job(self.desk.jobs, job_id)
        if record is None:
            raise JobNotFoundError
        return _whole(record)

    def get_job_result(self, job_id: str) -> tuple[str, Any]:
        """Give the first output of a job: its media type and content."""
        outputs = self.get_job(job_id).get("outputs")
        if not outputs:
            raise JobResultNotFoundError
        first = next(iter(outputs.values()))
        content = (self.desk.jobs / job_id / RESULTS / first["file"]).read_bytes()
        return first["media_type"], json.loads(content) if first["media_type"] == "application/json" else content

    def delete_job(self, job_id: str) -> bool:
        """Stop and remove a job."""
        self.get_job(job_id)
        self.desk.dismiss(job_id)
        return True

    def execute_process(
        self, process_id: str, data_dict: Mapping[str, Any], execution_mode: Any = None, **asked: Any
    ) -> tuple[str, str, Any, Any, dict[str, str] | None]:
        """Start a job and, unless it shall run by itself, wait for it."""
        description = self.get_processor(process_id).metadata
        request = {"inputs": data_dict, "outputs": asked.get("requested_outputs")}
        try:
            job_id = self.desk.start(process_id, description, request)
        except GeotoolsError as error:
            raise RefusedError(user_msg=str(error)) from error
        if execution_mode is not None and execution_mode.value == "respond-async":
            return job_id, "application/json", None, JobStatus.accepted, {"Preference-Applied": "respond-async"}
        self.desk.wait(job_id)
        record = self.get_job(job_id)
        if record["status"] != "successful":
            raise RefusedError(user_msg=record["message"])
        return job_id, *self.get_job_result(job_id), JobStatus.successful, None


def _whole(record: dict[str, Any]) -> dict[str, Any]:
    """The record with every value that the server's own pages ask for."""
    return {"mimetype": "application/json", "started": None, "finished": None, **record}
