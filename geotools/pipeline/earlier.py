"""Read an earlier run's record back as a plan, and make some of its tables again."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from geotools.errors import PipelineError
from geotools.layers import LAYERS, read_inputs
from geotools.pipeline.doing import do_step, number_rows
from geotools.pipeline.placing import RECORD
from geotools.pipeline.plan import Plan, StepRow, beside
from geotools.pipeline.schedule import check_plan

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable, Mapping

__all__ = ["make_tables", "read_earlier", "read_record", "what_changed"]


def read_record(path: Path) -> dict[str, Any]:
    """Read the record that a run has left.

    Raises
    ------
    PipelineError
        If it is not there, or is no record.

    Examples
    --------
    >>> read_record(Path("no-such-folder/run.json"))
    Traceback (most recent call last):
    geotools.errors.PipelineError: no-such-folder: it holds no run.json; name the folder of a run, as given by --out
    """
    try:
        record = json.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        raise PipelineError(
            f"it holds no {path.name}", where=str(path.parent), mend="name the folder of a run, as given by --out"
        ) from None
    except (OSError, ValueError) as error:
        raise _unreadable(path, error) from None
    if not isinstance(record, dict):
        raise _unreadable(path, TypeError("no table of names"))
    return record


def read_earlier(path: Path, *, as_asked: bool = False) -> Plan:
    """Read the record of an earlier run as a plan: its inputs, design, layer options, tiles and steps.

    Parameters
    ----------
    path : pathlib.Path
        The record, or the folder that it lies in.
    as_asked : bool
        Let the working CRS be chosen again where the run chose it itself, instead of taking the one that it chose.

    Returns
    -------
    Plan

    Raises
    ------
    PipelineError
        If there is no record, or it can't be read.

    Examples
    --------
    >>> read_earlier(Path("maps/screen")).name  # doctest: +SKIP
    'screen'
    """
    place = path / RECORD if path.suffix != ".json" else path
    record = read_record(place)
    try:
        used = record["parameters"]
        rows = tuple(
            StepRow(
                one["use"],
                {name: source for name, source in one["takes"].items() if source},
                one["gives"],
                {name: value for name, value in one["options"].items() if value is not None},
                number,
            )
            for number, one in enumerate(used["steps"], start=1)
        )
        settings = {
            "units": str(used["units"]),
            "title": str(record.get("title", "")),
            "working_crs": str(used["working_crs"] if as_asked else record["working_crs"]),
        }
        inputs = {name: str(one["source"]) for name, one in record["inputs"].items()}
        return Plan(
            name=str(record["pipeline"]),
            base=place.parent,
            settings=settings,
            inputs={name: beside(source, Path(str(record.get("run_in", "")))) for name, source in inputs.items()},
            design=dict(used["design"]),
            layer_options={name: dict(options) for name, options in used["layers"].items()},
            tiles=used.get("tiles"),
            steps=rows,
        )
    except (ValueError, KeyError, TypeError, AttributeError) as error:
        raise _unreadable(place, error) from None


def what_changed(earlier: Mapping[str, Any], now: Mapping[str, Any]) -> list[str]:
    """Say what differs between two runs of the same job: inputs, versions, and files that came out otherwise.

    Parameters
    ----------
    earlier, now : mapping
        What their run.json hold.

    Returns
    -------
    list of str
        One sentence each; empty where nothing differs.

    Examples
    --------
    >>> old = {"inputs": {"walls": {"sha256": "aa", "features": 3}}, "versions": {}, "output_sha256": {}}
    >>> new = {"inputs": {"walls": {"sha256": "bb", "features": 4}}, "versions": {}, "output_sha256": {}}
    >>> what_changed(old, new)
    ['input walls is not what it was: 3 features then, 4 now']
    """
    said = []
    for name, was in earlier["inputs"].items():
        here = now["inputs"].get(name, {})
        if was["sha256"] != here.get("sha256"):
            counts = f"{was['features']} features then, {here.get('features')} now"
            if was["features"] == here.get("features"):
                counts = f"the same number of features ({was['features']}), other content"
            said.append(f"input {name} is not what it was: {counts}")
    for name, was in earlier["versions"].items():
        here = now["versions"].get(name)
        if was != here:
            said.append(f"{name} is version {here} now, not {was}")
    files = earlier.get("output_sha256", {})
    differ = sorted(name for name, was in files.items() if now["output_sha256"].get(name) != was)
    if differ:
        said.append(f"these files differ: {', '.join(differ)}")
    elif files:
        said += [f"all {len(files)} files are the same, byte for byte"] if said else []
    return said


def make_tables(plan: Plan, wanted: Collection[str]) -> dict[str, Any]:
    """Make some tables of a plan again, with only the steps that they need.

    Parameters
    ----------
    plan : Plan
        As `read_earlier` gives it.
    wanted : collection of str
        Names of tables or input layers.

    Returns
    -------
    dict
        Those of them that the plan gives.

    Raises
    ------
    GeotoolsError
        If an input can't be read any more, or a step fails.

    Examples
    --------
    >>> make_tables(plan, ["ground", "habitat"])  # doctest: +SKIP
    """
    needed = _needed_rows(plan, wanted)
    if not needed:
        raise PipelineError(
            f"no step of the run gives {' or '.join(wanted)}", where=plan.name, mend="run the plan 'screen' first"
        )
    schedule = check_plan(replace(plan, steps=tuple(needed)))
    inputs = read_inputs(
        {name: plan.inputs[name] for name in {*schedule.layers, "parcels"}},
        options={name: options for name, options in plan.layer_options.items() if name in schedule.layers},
        working_crs=plan.settings["working_crs"],
        others=[name for name in schedule.layers if name not in LAYERS],
    )
    tables: dict[str, Any] = {**number_rows(inputs.layers), "rejected": inputs.rejected}
    for scheduled in schedule.steps:
        tables[scheduled.row.gives] = do_step(
            scheduled,
            tables,
            parcels=len(tables["parcels"]),
            standard=schedule.standard,
            crs=inputs.working_crs,
            folder=plan.base,
        )
    return {name: tables[name] for name in wanted if name in tables}


def _unreadable(path: Path, error: Exception) -> PipelineError:
    return PipelineError(
        f"its {path.name} can't be read: {type(error).__name__} {error}",
        where=str(path.parent),
        mend="run the plan again",
    )


def _needed_rows(plan: Plan, wanted: Iterable[str]) -> list[StepRow]:
    """Rows that give the wanted tables, and those that give what these take, in their order."""
    giver = {row.gives: row for row in plan.steps}
    found: set[str] = set()
    waiting = [name for name in wanted if name in giver]
    while waiting:
        name = waiting.pop()
        if name not in found:
            found.add(name)
            waiting += [source for source in giver[name].takes.values() if source in giver]
    return [row for row in plan.steps if row.gives in found]
