"""Read an earlier run's record back as a plan, and make some of its tables again."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from geotools.errors import PipelineError
from geotools.layers import LAYERS, read_inputs
from geotools.pipeline.doing import do_step
from geotools.pipeline.placing import RECORD
from geotools.pipeline.plan import Plan, StepRow
from geotools.pipeline.schedule import check_plan

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable
    from pathlib import Path

__all__ = ["make_tables", "read_earlier"]


def read_earlier(folder: Path) -> Plan:
    """Read the record of an earlier run as a plan: its inputs, design, layer options and steps.

    Parameters
    ----------
    folder : pathlib.Path
        Where the run left its results.

    Returns
    -------
    Plan

    Raises
    ------
    PipelineError
        If there is no record, or it can't be read.

    Examples
    --------
    >>> from pathlib import Path
    >>> read_earlier(Path("no-such-folder"))
    Traceback (most recent call last):
    geotools.errors.PipelineError: no-such-folder: it holds no run.json; name the folder of a run, as given by --out
    """
    try:
        record: dict[str, Any] = json.loads((folder / RECORD).read_text(encoding="utf-8"))
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
            "working_crs": str(record["working_crs"]),
        }
        inputs = {name: str(one["source"]) for name, one in record["inputs"].items()}
        return Plan(
            name=str(record["pipeline"]),
            base=folder,
            settings=settings,
            inputs=inputs,
            design=dict(used["design"]),
            layer_options={name: dict(options) for name, options in used["layers"].items()},
            tiles=used.get("tiles"),
            steps=rows,
        )
    except FileNotFoundError:
        raise PipelineError(
            f"it holds no {RECORD}", where=str(folder), mend="name the folder of a run, as given by --out"
        ) from None
    except (OSError, ValueError, KeyError, TypeError, AttributeError) as error:
        raise PipelineError(
            f"its {RECORD} can't be read: {type(error).__name__} {error}", where=str(folder), mend="run the plan again"
        ) from None


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
    tables: dict[str, Any] = {**inputs.layers, "rejected": inputs.rejected}
    for scheduled in schedule.steps:
        tables[scheduled.row.gives] = do_step(
            scheduled, tables, standard=schedule.standard, crs=inputs.working_crs, folder=plan.base
        )
    return {name: tables[name] for name in wanted if name in tables}


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
