"""Run a plan: read the layers, do the steps, and put the finished files in place all at once."""

from __future__ import annotations

import contextlib
import copy
import errno
import importlib.metadata
import json
import math
import os
import platform
import shutil
import tempfile
import time
import warnings
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from geotools.errors import Assumed, GeotoolsError, Noticed, OutputError, StepError
from geotools.layers import LAYERS, read_inputs
from geotools.pipeline.schedule import Schedule, ScheduledStep, check_plan

if TYPE_CHECKING:
    from geotools.design import BarrierStandard
    from geotools.layers import Inputs
    from geotools.pipeline.plan import Plan

__all__ = ["Progress", "run_plan"]

Progress = Callable[[str, int, int], None]
"""Called before each piece of work with its name, its number and how many there are."""

_OURS = "bajada"
_RECORD = "run.json"
_LOTS = "lots"
"""The table that must have a row for every parcel."""
_TOLD = "run_record"
"""What a step leaves under this name in its table's `attrs` goes into run.json: a certificate, a gap."""
_LIBRARIES = ("bajada", "geopandas", "pandas", "numpy", "shapely", "pyogrio", "fiona", "rasterio", "pyproj", "folium")


def run_plan(plan: Plan, out: Path, *, progress: Progress | None = None) -> dict[str, Any]:
    """Run a plan and leave its files in a folder.

    Files are written to a fresh folder beside the target and moved into place when the run is whole; a run that fails
    leaves an earlier result as it was. The same input and parameters give the same bytes; times stand in run.json
    alone.

    Parameters
    ----------
    plan : Plan
    out : Path
        Target folder: new, empty, or holding an earlier run.
    progress : callable, optional
        Told before each piece of work.

    Returns
    -------
    dict
        What run.json holds.

    Raises
    ------
    GeotoolsError
        If the plan, an input or the target can't be used; nothing is left behind then.

    Examples
    --------
    >>> from geotools.pipeline import find_plan, read_plan
    >>> run_plan(read_plan(find_plan("screen")), Path("pyproject.toml"))
    Traceback (most recent call last):
    geotools.errors.OutputError: pyproject.toml: it is a file, not a folder; name another folder with --out
    """
    started = datetime.now(UTC)
    schedule = check_plan(plan)
    tell = progress or _tell_nobody
    total = len(schedule.steps) + 1
    seconds: dict[str, float] = {}
    with _fresh_folder(out) as folder, _listening() as heard:
        tell("read the layers", 1, total)
        clock = time.perf_counter()
        inputs = read_inputs(
            {name: plan.inputs[name] for name in schedule.layers},
            options={name: options for name, options in plan.layer_options.items() if name in schedule.layers},
            working_crs=plan.settings["working_crs"],
            others=[name for name in schedule.layers if name not in LAYERS],
        )
        seconds["read"] = time.perf_counter() - clock
        tables: dict[str, Any] = {**inputs.layers, "rejected": inputs.rejected}
        told: dict[str, Any] = {}
        for number, scheduled in enumerate(schedule.steps, start=2):
            tell(scheduled.row.use, number, total)
            clock = time.perf_counter()
            result = _do(scheduled, tables, schedule.standard, folder)
            if not scheduled.step.makes_file:
                tables[scheduled.row.gives] = _checked(result, scheduled, inputs)
                told |= result.attrs.get(_TOLD, {})
            seconds[scheduled.row.gives] = time.perf_counter() - clock
        record = {**told, **_record(plan, schedule, inputs, tables, heard, started, seconds, folder)}
        (folder / _RECORD).write_text(json.dumps(record, indent=2, ensure_ascii=False) + "\n", encoding="utf-8")
    return record


def _tell_nobody(name: str, number: int, total: int) -> None:
    """Keep quiet."""


def _do(scheduled: ScheduledStep, tables: dict[str, Any], standard: BarrierStandard, folder: Path) -> Any:
    step, options = scheduled.step, dict(scheduled.options)
    layers = {name: None if source is None else tables[source] for name, source in scheduled.sources.items()}
    if step.takes_standard:
        options["standard"] = standard
    if step.makes_file:
        options["path"] = folder / scheduled.row.gives
    if step.package != _OURS:  # what another's step does to its tables must not reach the steps after it
        layers = {name: copy.copy(table) for name, table in layers.items()}
    try:
        return step.function(**layers, **options)
    except GeotoolsError as error:
        raise error.at(scheduled.row.place) from error
    except (Exception, SystemExit) as error:
        if step.package == _OURS:
            raise
        raise StepError(
            f"it failed with {type(error).__name__}: {error}",
            where=scheduled.row.place,
            mend=f"tell those who keep package {step.package}",
        ) from error


def _checked(result: Any, scheduled: ScheduledStep, inputs: Inputs) -> Any:
    """Refuse a result that the next step could take for something else."""
    import geopandas as gpd
    import pandas as pd

    mend = f"mend step {scheduled.row.use} of package {scheduled.step.package}"
    if not isinstance(result, pd.DataFrame):
        given = "nothing" if result is None else f"something of the kind {type(result).__name__!r}"
        raise StepError(f"it gave {given}, not a table", where=scheduled.row.place, mend=mend)
    if (
        isinstance(result, gpd.GeoDataFrame)
        and result._geometry_column_name in result
        and result.crs != inputs.working_crs
    ):
        raise StepError("its result is not in the working CRS", where=scheduled.row.place, mend=mend)
    parcels: Any = inputs.layers["parcels"]
    if scheduled.row.gives == _LOTS and len(result) != len(parcels):
        what = f"it gave {len(result)} lots for {len(parcels)} parcels"
        raise StepError(what, where=scheduled.row.place, mend=mend)
    return result


@contextlib.contextmanager
def _fresh_folder(out: Path) -> Iterator[Path]:
    """A folder beside the target that takes its place when the work in it is whole, and vanishes when it is not."""
    target = out.absolute()
    if target.exists() and not target.is_dir():
        raise OutputError("it is a file, not a folder", where=str(out), mend="name another folder with --out")
    if target.is_dir() and any(target.iterdir()) and not (target / _RECORD).is_file():
        raise OutputError(
            "the folder holds files that are no earlier run",
            where=str(out),
            mend="name a new or empty folder with --out",
        )
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        folder = Path(tempfile.mkdtemp(prefix=f".{target.name}-", dir=target.parent))
        folder.chmod(0o777 & ~_umask())
    except OSError as error:
        raise OutputError(
            f"no folder can be made beside it: {error.strerror}",
            where=str(out),
            mend="name a folder that you may write to with --out",
        ) from error
    try:
        yield folder
        _keep_foreign_files(target, folder)
        _put_in_place(folder, target)
    except OSError as error:
        if not _is_about(error, folder, target):
            raise
        raise OutputError(
            f"it can't be written: {error.strerror}", where=str(out), mend="make room or name another folder"
        ) from error
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def _is_about(error: OSError, folder: Path, target: Path) -> bool:
    """Whether an error of the operating system is about the results, or about room on the disk."""
    places = [str(name) for name in (error.filename, error.filename2) if name]
    ours = any(place.startswith((str(folder), str(target))) for place in places)
    return ours or error.errno in (errno.ENOSPC, errno.EDQUOT, errno.EROFS)


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask


def _keep_foreign_files(target: Path, folder: Path) -> None:
    """Carry over what the user has put beside the results of an earlier run."""
    if not target.is_dir():
        return
    try:
        earlier = set(json.loads((target / _RECORD).read_text(encoding="utf-8"))["outputs"])
    except (OSError, ValueError, KeyError, TypeError):
        earlier = set()
    for path in target.iterdir():
        if path.name not in earlier and path.name != _RECORD and not (folder / path.name).exists():
            if path.is_dir() and not path.is_symlink():
                shutil.copytree(path, folder / path.name, symlinks=True)
            else:
                shutil.copy2(path, folder / path.name, follow_symlinks=False)


def _put_in_place(folder: Path, target: Path) -> None:
    earlier = folder.with_name(f"{folder.name}-earlier")
    if target.exists():
        target.rename(earlier)
    try:
        folder.rename(target)
    except OSError:
        if earlier.exists():
            earlier.rename(target)
        raise
    shutil.rmtree(earlier, ignore_errors=True)


@contextlib.contextmanager
def _listening() -> Iterator[list[warnings.WarningMessage]]:
    with warnings.catch_warnings(record=True) as heard:
        warnings.simplefilter("ignore")
        warnings.simplefilter("always", Noticed)
        yield heard


def _record(
    plan: Plan,
    schedule: Schedule,
    inputs: Inputs,
    tables: dict[str, Any],
    heard: list[warnings.WarningMessage],
    started: datetime,
    seconds: dict[str, float],
    folder: Path,
) -> dict[str, Any]:
    parcels: Any = inputs.layers["parcels"]
    assumed = [str(one.message) for one in heard if issubclass(one.category, Assumed)]
    noticed = [str(one.message) for one in heard if not issubclass(one.category, Assumed)]
    unused = [f"the layer {name} is given, but no step uses it" for name in schedule.unused_layers]
    lots = tables.get(_LOTS, parcels)
    return {
        "pipeline": plan.name,
        "title": plan.settings["title"],
        "started": started.isoformat(timespec="seconds"),
        "finished": datetime.now(UTC).isoformat(timespec="seconds"),
        "inputs": inputs.summary,
        "working_crs": _crs_name(inputs.working_crs),
        "scale_error_pct": round(inputs.scale_error_pct, 6),
        "counts": {"parcels_in": len(parcels), "parcels_out": len(lots), "rejected": len(inputs.rejected)},
        "parameters": {
            "units": plan.settings["units"],
            "working_crs": plan.settings["working_crs"],
            "design": schedule.standard.model_dump(),
            "layers": {name: dict(options) for name, options in plan.layer_options.items() if name in schedule.layers},
            "steps": [
                {"use": one.row.use, "takes": one.sources, "gives": one.row.gives, "options": _all_options(one)}
                for one in schedule.steps
            ],
        },
        "assumptions": list(dict.fromkeys([*_found(inputs, "assumption"), *schedule.left_out, *assumed])),
        "warnings": list(dict.fromkeys([*unused, *_found(inputs, "error"), *_found(inputs, "warning"), *noticed])),
        "notes": _found(inputs, "note"),
        "versions": {
            "python": platform.python_version(),
            **{name: importlib.metadata.version(name) for name in _LIBRARIES},
        },
        "seconds": {name: round(value, 3) for name, value in seconds.items()},
        "outputs": sorted([*(path.name for path in folder.iterdir()), _RECORD]),
    }


def _found(inputs: Inputs, severity: str) -> list[str]:
    return [str(finding).removeprefix(f"{severity}: ") for finding in inputs.findings if finding.severity == severity]


def _all_options(scheduled: ScheduledStep) -> dict[str, Any]:
    """Every option as it was used, defaults included, as JSON has it."""
    values = scheduled.step.options_model(**scheduled.options).model_dump(mode="json")
    return {
        name: None if isinstance(value, float) and not math.isfinite(value) else value for name, value in values.items()
    }


def _crs_name(crs: Any) -> str:
    authority = crs.to_authority(min_confidence=100)
    return ":".join(authority) if authority else str(crs.name)
