"""Make the configuration of the service: what is offered, where it listens, where jobs and shared files are."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any
from urllib.parse import urlsplit

from geotools.errors import OutputError, PipelineError
from geotools.serving.offers import list_offers

if TYPE_CHECKING:
    from collections.abc import Collection

__all__ = ["Limits", "make_config", "need_extra", "write_config"]

_LOOPBACK = "127.0.0.1"


@dataclass(frozen=True)
class Limits:
    """What one request may take (all are assumptions of this project; the configuration file changes them).

    `body_mb` megabytes of a request, `seconds` of work for a job, `jobs_at_once` of them, `jobs_waiting` in line, and
    how many finished jobs are kept: the oldest beyond `jobs_kept` are removed with their results.
    """

    body_mb: int = 50
    seconds: int = 900
    jobs_at_once: int = 2
    jobs_waiting: int = 20
    jobs_kept: int = 100


def make_config(
    *,
    jobs: Path,
    folder: Path | None = None,
    host: str = _LOOPBACK,
    port: int = 5000,
    url: str = "",
    processes: Collection[str] = (),
    limits: Limits | None = None,
) -> dict[str, Any]:
    """Make the configuration.

    Parameters
    ----------
    jobs : pathlib.Path
        Folder for jobs and their results: the only place that the service writes to.
    folder : pathlib.Path, optional
        Folder whose files a request may name; without one, layers come by value only.
    host : str
        Address to listen at; the default is reached from this machine alone.
    port : int
        Port to listen at.
    url : str
        Address as clients see it; made of host and port when empty.
    processes : collection of str
        Ids to offer; all when empty.
    limits : Limits, optional

    Returns
    -------
    dict
        As the server reads it.

    Raises
    ------
    PipelineError
        If a process is not known, the shared folder is none, or the address is no http address.

    Examples
    --------
    >>> make_config(jobs=Path("jobs"), processes=["height"])["server"]["url"]
    'http://127.0.0.1:5000'
    """
    offers = list_offers()
    for name in processes:
        if name not in offers:
            raise PipelineError(
                f"there is no process {name!r}", where="--process", mend=f"use one of: {', '.join(offers)}"
            )
    if folder is not None and not folder.is_dir():
        raise PipelineError("it is no folder", where=f"--folder {folder}", mend="name the folder that holds the layers")
    url = (url or f"http://{host}:{port}").rstrip("/")
    if urlsplit(url).scheme not in ("http", "https") or not urlsplit(url).netloc:
        raise PipelineError(f"{url!r} is no web address", where="--url", mend="write it as https://example.org/path")
    chosen = [name for name in offers if not processes or name in processes]
    owner = {"name": "the operator of this service"}
    return {
        "server": {
            "bind": {"host": host, "port": port},
            "url": url,
            "mimetype": "application/json; charset=UTF-8",
            "encoding": "utf-8",
            "languages": ["en-US"],
            "cors": False,
            "admin": False,
            "pretty_print": False,
            # Without these the list of processes ends after ten.
            "limits": {"default_items": 1000, "max_items": 1000},
            "map": {"url": "about:blank", "attribution": "none"},
            "manager": {
                "name": "geotools.serving.processes.JobFolder",
                "connection": str(jobs.absolute()),
                "output_dir": str(jobs.absolute()),
                "folder": "" if folder is None else str(folder.absolute()),
                "limits": asdict(limits or Limits()),
            },
        },
        "logging": {"level": "ERROR"},
        "metadata": {
            "identification": {
                "title": "bajada: barriers that keep rattlesnakes out",
                "description": "Steps and plans of a geoprocessing toolkit, offered as processes",
                "keywords": ["geoprocessing", "rattlesnake", "exclusion barrier"],
                "url": url,
                # The server's schema lets these be left out, but its code does not.
                "terms_of_service": url,
            },
            "license": {"name": "MIT", "url": "https://opensource.org/license/mit"},
            "provider": owner,
            "contact": owner,
        },
        "resources": {
            name: {"type": "process", "processor": {"name": "geotools.serving.processes.OfferedProcess", "offer": name}}
            for name in chosen
        },
    }


def write_config(path: Path, config: dict[str, Any]) -> None:
    """Write the configuration as YAML; a file that is there is left alone.

    Raises
    ------
    OutputError
        If the file is there already or can't be written.

    Examples
    --------
    >>> write_config(Path("pyproject.toml"), {})
    Traceback (most recent call last):
    geotools.errors.OutputError: pyproject.toml: it is there already; name another file, or remove it first
    """
    if path.exists():
        raise OutputError("it is there already", where=str(path), mend="name another file, or remove it first")
    need_extra()
    import yaml

    text = yaml.safe_dump(config, sort_keys=False, allow_unicode=True, width=120)
    try:
        path.write_text(text, encoding="utf-8")
    except OSError as error:
        raise OutputError(
            f"it can't be written: {error.strerror}", where=str(path), mend="name a file in a folder of yours"
        ) from error


def need_extra() -> None:
    """Say how to install the server when it is missing.

    Raises
    ------
    PipelineError
        If the extra `serve` is not installed.

    Examples
    --------
    >>> need_extra()
    """
    from importlib.util import find_spec

    if find_spec("pygeoapi") is None:
        raise PipelineError("the server is not installed", mend="pip install 'bajada[serve]'")
