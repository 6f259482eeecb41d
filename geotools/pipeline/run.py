"""Run a plan in one piece: read the layers, do the steps, and put the finished files in place all at once."""

from __future__ import annotations

import time
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from geotools.errors import PipelineError
from geotools.layers import LAYERS, read_inputs
from geotools.pipeline.doing import LOTS, TOLD, do_step, listening, number_rows
from geotools.pipeline.placing import fresh_folder
from geotools.pipeline.record import record_run, said_by, write_record
from geotools.pipeline.schedule import check_plan

if TYPE_CHECKING:
    from geotools.pipeline.plan import Plan

__all__ = ["Progress", "run_plan"]

Progress = Callable[[str, int, int], None]
"""Called before each piece of work with its name, its number and how many there are."""


def run_plan(
    plan: Plan,
    out: Path,
    *,
    engine: str = "local",
    workers: int | None = None,
    scheduler: str | None = None,
    resume: bool = False,
    progress: Progress | None = None,
) -> dict[str, Any]:
    """Run a plan and leave its files in a folder.

    Files are written to a fresh folder beside the target and moved into place when the run is whole; a run that fails
    leaves an earlier result as it was. The same input and parameters give the same bytes; times stand in run.json
    alone. A plan with a [tiles] table is run by `run_in_tiles`.

    Parameters
    ----------
    plan : Plan
    out : Path
        Target folder: new, empty, or holding an earlier run.
    engine, workers, scheduler
        Where the tiles of a plan with [tiles] are done, as `run_in_tiles` has it; a plan without runs here.
    resume : bool
        Keep finished tiles of a run that was killed; a plan without [tiles] has none, and runs anew.
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
    if plan.tiles is not None:
        from geotools.pipeline.tiled import run_in_tiles

        return run_in_tiles(
            plan, out, engine=engine, workers=workers, scheduler=scheduler, resume=resume, progress=progress
        )
    if engine != "local" or workers is not None or scheduler is not None:
        raise PipelineError(
            "the plan is run in one piece, which needs no engine",
            where=plan.name,
            mend="leave --engine, --workers and --scheduler out, or part it: --set tiles.lots=4000",
        )
    started = datetime.now(UTC)
    schedule = check_plan(plan)
    tell = progress or _tell_nobody
    total = len(schedule.steps) + 1
    seconds: dict[str, float] = {}
    with fresh_folder(out) as folder, listening() as heard:
        tell("read the layers", 1, total)
        clock = time.perf_counter()
        inputs = read_inputs(
            {name: plan.inputs[name] for name in schedule.layers},
            options={name: options for name, options in plan.layer_options.items() if name in schedule.layers},
            working_crs=plan.settings["working_crs"],
            others=[name for name in schedule.layers if name not in LAYERS],
        )
        seconds["read"] = time.perf_counter() - clock
        tables: dict[str, Any] = {**number_rows(inputs.layers), "rejected": inputs.rejected}
        parcels = len(tables["parcels"])
        told: dict[str, Any] = {}
        for number, scheduled in enumerate(schedule.steps, start=2):
            tell(scheduled.row.use, number, total)
            clock = time.perf_counter()
            result = do_step(
                scheduled,
                tables,
                parcels=parcels,
                standard=schedule.standard,
                crs=inputs.working_crs,
                folder=folder,
            )
            if not scheduled.step.makes_file:
                tables[scheduled.row.gives] = result
                told |= result.attrs.get(TOLD, {})
            seconds[scheduled.row.gives] = time.perf_counter() - clock
        record = {
            **told,
            **record_run(
                plan,
                schedule,
                inputs,
                parcels_in=parcels,
                parcels_out=len(tables.get(LOTS, tables["parcels"])),
                said=said_by(heard),
                started=started,
                seconds=seconds,
                folder=folder,
            ),
        }
        write_record(record, folder)
    return record


def _tell_nobody(name: str, number: int, total: int) -> None:
    """Keep quiet."""
