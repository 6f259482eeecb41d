"""Write down what a run did: inputs with their hashes, parameters, assumptions, warnings, versions and times."""

from __future__ import annotations

import hashlib
import importlib.metadata
import json
import math
import platform
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from geotools.errors import Assumed
from geotools.pipeline.placing import RECORD

if TYPE_CHECKING:
    import warnings
    from collections.abc import Iterable, Mapping

    from geotools.layers import Inputs
    from geotools.pipeline.plan import Plan
    from geotools.pipeline.schedule import Schedule, ScheduledStep

__all__ = ["Said", "parameters_of", "record_run", "said_by", "versions_of", "write_record"]

_LIBRARIES = ("bajada", "geopandas", "pandas", "numpy", "shapely", "pyogrio", "fiona", "rasterio", "pyproj", "folium")

Said = tuple[list[str], list[str]]
"""Assumptions and warnings of steps, in the order they were said."""


def said_by(heard: Iterable[warnings.WarningMessage]) -> Said:
    """Part what was heard into assumptions and warnings.

    Examples
    --------
    >>> said_by([])
    ([], [])
    """
    assumed: list[str] = []
    noticed: list[str] = []
    for one in heard:
        (assumed if issubclass(one.category, Assumed) else noticed).append(str(one.message))
    return assumed, noticed


def record_run(
    plan: Plan,
    schedule: Schedule,
    inputs: Inputs,
    *,
    parcels_in: int,
    parcels_out: int,
    said: Said,
    started: datetime,
    seconds: Mapping[str, float],
    folder: Path,
) -> dict[str, Any]:
    """Put together what run.json holds.

    Parameters
    ----------
    plan, schedule, inputs
        What was run, on what.
    parcels_in, parcels_out : int
    said : tuple of two lists of str
        Assumptions and warnings of the steps.
    started : datetime
    seconds : mapping of str to float
        By table or file.
    folder : pathlib.Path
        Where the files are, for their names.

    Returns
    -------
    dict

    Examples
    --------
    >>> record_run(plan, schedule, inputs, parcels_in=1, parcels_out=1, ...)  # doctest: +SKIP
    """
    unused = [f"the layer {name} is given, but no step uses it" for name in schedule.unused_layers]
    assumed, noticed = said
    return {
        "pipeline": plan.name,
        "title": plan.settings["title"],
        "started": started.isoformat(timespec="seconds"),
        "finished": datetime.now(UTC).isoformat(timespec="seconds"),
        "inputs": inputs.summary,
        "working_crs": _crs_name(inputs.working_crs),
        "scale_error_pct": round(inputs.scale_error_pct, 6),
        "counts": {"parcels_in": parcels_in, "parcels_out": parcels_out, "rejected": len(inputs.rejected)},
        "parameters": parameters_of(plan, schedule),
        "assumptions": list(dict.fromkeys([*_found(inputs, "assumption"), *schedule.left_out, *assumed])),
        "warnings": list(dict.fromkeys([*unused, *_found(inputs, "error"), *_found(inputs, "warning"), *noticed])),
        "notes": _found(inputs, "note"),
        "versions": versions_of(),
        "seconds": {name: round(value, 3) for name, value in seconds.items()},
        "run_in": str(Path.cwd()),
        "outputs": sorted([*(path.name for path in folder.iterdir()), RECORD]),
        "output_sha256": {path.name: _sha256(path) for path in sorted(folder.iterdir()) if path.is_file()},
    }


def parameters_of(plan: Plan, schedule: Schedule) -> dict[str, Any]:
    """Every parameter of a run as JSON has it, defaults included.

    Examples
    --------
    >>> from geotools.pipeline.plan import find_plan, read_plan
    >>> from geotools.pipeline.schedule import check_plan
    >>> plan = read_plan(find_plan("screen"))
    >>> parameters_of(plan, check_plan(plan))["units"]
    'us'
    """
    return {
        "units": plan.settings["units"],
        "working_crs": plan.settings["working_crs"],
        "design": schedule.standard.model_dump(),
        "layers": {name: dict(options) for name, options in plan.layer_options.items() if name in schedule.layers},
        **({"tiles": dict(plan.tiles)} if plan.tiles else {}),
        "steps": [
            {"use": one.row.use, "takes": one.sources, "gives": one.row.gives, "options": _all_options(one)}
            for one in schedule.steps
        ],
    }


def versions_of() -> dict[str, str]:
    """Versions of Python and of the libraries that results hang on.

    Examples
    --------
    >>> "shapely" in versions_of()
    True
    """
    return {
        "python": platform.python_version(),
        **{name: importlib.metadata.version(name) for name in _LIBRARIES},
    }


def write_record(record: Mapping[str, Any], folder: Path) -> None:
    """Write run.json into a folder.

    Examples
    --------
    >>> write_record(record, folder)  # doctest: +SKIP
    """
    (folder / RECORD).write_text(json.dumps(record, indent=2, ensure_ascii=False) + "\n", encoding="utf-8")


def _sha256(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _found(inputs: Inputs, severity: str) -> list[str]:
    return [str(finding).removeprefix(f"{severity}: ") for finding in inputs.findings if finding.severity == severity]


def _all_options(scheduled: ScheduledStep) -> dict[str, Any]:
    values = scheduled.step.options_model(**scheduled.options).model_dump(mode="json")
    return {
        name: None if isinstance(value, float) and not math.isfinite(value) else value for name, value in values.items()
    }


def _crs_name(crs: Any) -> str:
    authority = crs.to_authority(min_confidence=100)
    return ":".join(authority) if authority else str(crs.name)
