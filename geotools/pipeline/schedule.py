"""Check a plan against the installed steps, leave out what missing layers leave out, and order the rest."""

from __future__ import annotations

import difflib
import re
from dataclasses import dataclass
from pathlib import PurePath
from typing import TYPE_CHECKING, Any

from geotools.design import BarrierStandard
from geotools.errors import PipelineError
from geotools.layers import LAYERS
from geotools.steps import Step, find_step

if TYPE_CHECKING:
    from geotools.pipeline.plan import Plan, StepRow

__all__ = ["FROM_READING", "Schedule", "ScheduledStep", "check_plan"]

FROM_READING = ("rejected",)
"""Tables that reading the inputs gives, beside the layers themselves."""
_UNITS = ("us", "metric")
_LONGEST_NAME = 100
_FILE_NAME = re.compile(r"(?!\.)[^/\\:\x00-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069]{1,200}\.[A-Za-z0-9]{1,20}")
"""No folders, drives, hidden files or unseen signs, on any system."""


@dataclass(frozen=True)
class ScheduledStep:
    """A step in its place: where each of its layers comes from (None: left out) and its checked options."""

    row: StepRow
    step: Step
    sources: dict[str, str | None]
    options: dict[str, Any]


@dataclass(frozen=True)
class Schedule:
    """A checked plan: what to read, the steps in a workable order, what is left out, and the barrier standard."""

    standard: BarrierStandard
    layers: tuple[str, ...]
    unused_layers: tuple[str, ...]
    left_out: tuple[str, ...]
    steps: tuple[ScheduledStep, ...]


def check_plan(plan: Plan) -> Schedule:
    """Check a whole plan before any layer is read.

    Only the parcels are always needed: a step that needs another input layer which is not given is left out, with the
    steps that need its result, and the schedule says so. A step that makes a file is never left out.

    Parameters
    ----------
    plan : Plan

    Returns
    -------
    Schedule

    Raises
    ------
    PipelineError, StepError, DesignError
        For an unknown step, layer, table or option (with a suggestion), a missing input, a table given twice, steps
        that wait for each other, a file name that leaves the folder, or a design value out of range.

    Examples
    --------
    >>> from geotools.pipeline.plan import find_plan, read_plan
    >>> check_plan(read_plan(find_plan("screen"))).steps[-1].step.makes_file
    True
    """
    if plan.settings["units"] not in _UNITS:
        raise PipelineError(
            f"units = {plan.settings['units']!r} is not known", where=plan.name, mend="use 'us' or 'metric'"
        )
    if not plan.steps:
        raise PipelineError("it has no steps", where=plan.name, mend="add [[step]] rows")
    standard = BarrierStandard.from_table(plan.design)
    steps = [(row, find_step(row.use)) for row in plan.steps]
    givers = _givers(plan, steps)
    left_out = _leave_out(plan, steps)
    steps = [(row, step) for row, step in steps if row.number not in left_out]
    lost = {plan.steps[number - 1].gives for number in left_out}
    scheduled = [
        ScheduledStep(row, step, _sources(row, step, plan, givers, lost), _options(row, step, plan))
        for row, step in steps
    ]
    taken = {source for one in scheduled for source in one.sources.values() if source}
    _check_layers(plan, taken)
    layers = tuple(name for name in plan.inputs if name in taken or name == "parcels")
    unused = tuple(name for name in plan.inputs if name not in layers)
    said = tuple(
        f"step {plan.steps[number - 1].use} is left out: no layer {layer}" for number, layer in left_out.items()
    )
    return Schedule(standard, layers, unused, said, tuple(_in_order(scheduled)))


def _leave_out(plan: Plan, steps: list[tuple[StepRow, Step]]) -> dict[int, str]:
    """Numbers of the rows that can't be done, each with the missing input layer that is the cause."""
    left_out: dict[int, str] = {}
    missing = {name: name for name in LAYERS if name not in plan.inputs and name != "parcels"}
    changed = True
    while changed:
        changed = False
        for row, step in steps:
            needed = [row.takes.get(name, name) for name, is_needed in step.layers.items() if is_needed]
            cause = next((missing[source] for source in needed if source in missing), None)
            if cause is None or row.number in left_out:
                continue
            if step.makes_file:
                raise PipelineError(
                    f"step {row.use} needs the layer {cause!r}, and no input gives it",
                    where=row.place,
                    mend=f"add --input {cause}=FILE",
                )
            left_out[row.number] = missing[row.gives] = cause
            changed = True
    return left_out


def _givers(plan: Plan, steps: list[tuple[StepRow, Step]]) -> dict[str, StepRow]:
    givers: dict[str, StepRow] = {}
    for row, step in steps:
        if row.gives in givers:
            raise PipelineError(
                f"{row.gives!r} is given by {givers[row.gives].place} already", where=row.place, mend="rename one"
            )
        if step.makes_file:
            if not _FILE_NAME.fullmatch(row.gives) or row.gives.casefold() == "run.json":
                raise PipelineError(
                    f"{row.gives[:_LONGEST_NAME]!r} is no plain file name",
                    where=row.place,
                    mend="write a name such as 'specs.csv', without folders",
                )
        elif row.gives in plan.inputs or row.gives in FROM_READING:
            raise PipelineError(
                f"{row.gives!r} is the name of an input", where=row.place, mend="give the result another name"
            )
        givers[row.gives] = row
    return givers


def _sources(row: StepRow, step: Step, plan: Plan, givers: dict[str, StepRow], lost: set[str]) -> dict[str, str | None]:
    for name in row.takes:
        if name not in step.layers:
            close = difflib.get_close_matches(name, step.layers, n=1)
            mend = f"did you mean {close[0]!r}?" if close else f"it takes: {', '.join(step.layers)}"
            raise PipelineError(f"step {row.use} takes no {name!r}", where=row.place, mend=mend)
    tables = [name for name in givers if not PurePath(name).suffix and name not in lost]
    available = [*plan.inputs, *FROM_READING, *tables]
    sources: dict[str, str | None] = {}
    for name, needed in step.layers.items():
        source = row.takes.get(name, name)
        if source in available:
            sources[name] = source
        elif not needed and (name not in row.takes or source in LAYERS or source in lost):
            sources[name] = None
        else:
            close = difflib.get_close_matches(source, available, n=1)
            mend = (
                f"did you mean {close[0]!r}?"
                if close
                else f"add a step that gives {source!r}, or --input {source}=FILE"
            )
            raise PipelineError(f"no step and no input gives {source!r}", where=row.place, mend=mend)
    return sources


def _options(row: StepRow, step: Step, plan: Plan) -> dict[str, Any]:
    """Options of the row, checked; units and title of the plan go to the steps that have such options."""
    shared = {name: value for name, value in plan.settings.items() if name in step.option_names and value}
    return {**shared, **step.check_options(row.options, where=row.place)}


def _check_layers(plan: Plan, taken: set[str]) -> None:
    for name in plan.inputs:
        if name not in LAYERS and name not in taken:
            close = difflib.get_close_matches(name, [*LAYERS, *sorted(taken)], n=1)
            mend = f"did you mean {close[0]!r}?" if close else f"use one of: {', '.join(LAYERS)}"
            raise PipelineError(f"there is no layer {name!r}", where="[inputs]", mend=mend)
    if "parcels" not in plan.inputs:
        raise PipelineError("no input gives the parcels", where="[inputs]", mend="add --input parcels=FILE")
    for name in plan.layer_options:
        if name not in plan.inputs and name not in LAYERS:
            close = difflib.get_close_matches(name, ["inputs", "design", *LAYERS], n=1)
            mend = f"did you mean [{close[0]}]?" if close else "name a layer, [inputs] or [design]"
            raise PipelineError(f"[{name}] is no table of a pipeline", where=plan.name, mend=mend)


def _in_order(scheduled: list[ScheduledStep]) -> list[ScheduledStep]:
    """Each step after those whose tables it takes; otherwise as written, files last."""
    by_table = {one.row.gives: one for one in scheduled if not one.step.makes_file}
    waiting = sorted(scheduled, key=lambda one: (one.step.makes_file, one.row.number))
    done: set[str] = set()
    ordered: list[ScheduledStep] = []
    while waiting:
        ready = [one for one in waiting if all(s not in by_table or s in done for s in one.sources.values() if s)]
        if not ready:
            names = ", ".join(one.row.place for one in waiting)
            raise PipelineError(
                f"these steps wait for each other: {names}", mend="break the circle: change what one of them takes"
            )
        ordered.append(ready[0])
        waiting.remove(ready[0])
        done.add(ready[0].row.gives)
    return ordered
