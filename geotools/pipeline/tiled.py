"""Run a plan in tiles: each on an engine, then once what needs all lots, then the files in place."""

from __future__ import annotations

import contextlib
import importlib.metadata
import json
import re
import shutil
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import geopandas as gpd
import pandas as pd

from geotools.errors import EngineError, GeotoolsError, OutputError, StepError
from geotools.pipeline.doing import LOTS, TOLD, do_step, listening
from geotools.pipeline.partition import read_tiling
from geotools.pipeline.placing import check_target, fresh_folder, said_of_disk
from geotools.pipeline.record import Said, record_run, said_by, write_record
from geotools.pipeline.schedule import Schedule, ScheduledStep, check_plan
from geotools.pipeline.tile_job import LOT, TileJob, begin_job, forget_job, job_key, load_table, open_job
from geotools.pipeline.tile_work import TOLD_FILE, do_tile, part_steps

if TYPE_CHECKING:
    from geotools.pipeline.plan import Plan
    from geotools.pipeline.run import Progress

__all__ = ["ENGINES", "run_in_tiles"]

ENGINES = "geotools.engines"
"""Entry point group in which engines are named."""


def run_in_tiles(
    plan: Plan,
    out: Path,
    *,
    engine: str = "local",
    workers: int | None = None,
    scheduler: str | None = None,
    resume: bool = False,
    progress: Progress | None = None,
) -> dict[str, Any]:
    """Run a plan tile by tile; the files are the same whatever the tiles, the engine and the number of workers.

    Every tile is done with the surroundings that [tiles] gives it, and its own lots' rows are kept. Steps that must
    have all lots at once, and those that make files, are done when all tiles are.

    The work under way lies in a hidden folder beside the target. It goes when the run is whole; a run that was killed
    leaves it, and goes on from it with `resume`.

    Parameters
    ----------
    plan : Plan
        With a [tiles] table.
    out : pathlib.Path
        Target folder.
    engine : str
        `local`, `dask`, or another that is installed.
    workers : int, optional
        Processes of the engine.
    scheduler : str, optional
        Address of a running cluster's scheduler, whose workers see the target's folder under the same path.
    resume : bool
        Keep the tiles that an earlier run of the same plan on the same inputs has finished.
    progress : callable, optional
        Told before each piece of work.

    Returns
    -------
    dict
        What run.json holds.

    Raises
    ------
    GeotoolsError
        If the plan, an input, the target or the engine can't be used.

    Examples
    --------
    >>> run_in_tiles(plan, Path("maps/county"), engine="dask", workers=2)  # doctest: +SKIP
    """
    started = datetime.now(UTC)
    schedule = check_plan(plan)
    tiling = read_tiling(plan.tiles or {})
    do_each = _engine(engine)
    by_tile, whole, _ = part_steps(schedule)
    tell = progress or (lambda name, number, total: None)
    seconds: dict[str, float] = {}
    target = check_target(out)
    with _under_way(target) as folder, listening() as heard:
        tell("read the layers", 1, 2 + len(whole))
        clock = time.perf_counter()
        key = job_key(plan, schedule, tiling)
        job = open_job(folder) if resume else None
        if job is None or job.key != key:
            _empty(folder)
            job = begin_job(folder, plan, schedule, tiling, key or "")
        seconds["read"] = time.perf_counter() - clock
        clock = time.perf_counter()
        total = 1 + job.partition.tiles + len(whole)
        left = [number for number in range(job.partition.tiles) if not job.tile_folder(number).is_dir()]
        done = job.partition.tiles - len(left)
        kept = done
        if by_tile:
            tell(f"tile {done + 1} of {job.partition.tiles}", 1 + done, total)
            for _ in do_each(do_tile, [(str(folder), number) for number in left], workers=workers, scheduler=scheduler):
                done += 1
                tell(f"{done} of {job.partition.tiles} tiles done", 1 + done, total)
        seconds["tiles"] = time.perf_counter() - clock
        with fresh_folder(out) as finished:
            tables = _Joined(job, by_tile, schedule)
            told: dict[str, Any] = {}
            for number, one in enumerate(whole, start=2 + job.partition.tiles):
                tell(one.row.use, number, total)
                clock = time.perf_counter()
                told |= tables.do(one, finished)
                seconds[one.row.gives] = time.perf_counter() - clock
            record = {
                **told,
                **record_run(
                    plan,
                    schedule,
                    job.inputs,
                    parcels_in=job.lots,
                    parcels_out=tables.lots_out(),
                    said=_said(job, said_by(heard)),
                    started=started,
                    seconds={**seconds, **_step_seconds(job)},
                    folder=finished,
                ),
                "tiles": {
                    "engine": engine,
                    "tiles": job.partition.tiles,
                    "kept_from_earlier": kept,
                    "lots_in_cut_subdivisions": job.partition.cut_lots,
                    "told": [one["told"] for one in _told(job) if one["told"]],
                },
            }
            write_record(record, finished)
        _remove(folder)
    return record


def _engine(name: str) -> Callable[..., Iterator[Any]]:
    engines = {entry.name: entry for entry in importlib.metadata.entry_points(group=ENGINES)}
    if name not in engines:
        raise EngineError(f"there is no engine {name!r}", where="--engine", mend=f"use one of: {', '.join(engines)}")
    loaded: Callable[..., Iterator[Any]] = engines[name].load()
    return loaded


@contextlib.contextmanager
def _under_way(target: Path) -> Iterator[Path]:
    """The folder of the work under way, held against a second run; it goes if the run was refused."""
    folder = target.with_name(f".{target.name}-under-way")
    try:
        folder.parent.mkdir(parents=True, exist_ok=True)
        folder.mkdir(mode=0o700, exist_ok=True)
        lock = (folder / "lock").open("w")
    except OSError as error:
        raise OutputError(
            f"no folder can be made beside it: {error.strerror}",
            where=str(target),
            mend="name a folder that you may write to with --out",
        ) from error
    with lock:
        if not _hold(lock):
            raise OutputError(
                "another run is writing there", where=str(target), mend="wait for it, or name another folder with --out"
            )
        try:
            yield folder
        except (EngineError, OutputError):
            raise
        except OSError as error:
            raise said_of_disk(error, [folder], where=str(target)) from error
        except GeotoolsError:
            _remove(folder)
            raise


def _hold(lock: Any) -> bool:
    """Hold a lock that ends with the process, where the system has such locks."""
    try:
        import fcntl
    except ImportError:
        return True
    try:
        fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    return True


def _remove(folder: Path) -> None:
    """Remove the work under way; first what says that it can be gone on with, lest a kill leave half of it to go on."""
    forget_job(folder)
    shutil.rmtree(folder, ignore_errors=True)


def _empty(folder: Path) -> None:
    forget_job(folder)
    for path in folder.iterdir():
        if path.is_dir():
            shutil.rmtree(path)
        elif path.name != "lock":
            path.unlink()


class _Joined:
    """Tables over all lots: joined from the tiles, read whole, or made by a step that is done once."""

    def __init__(self, job: TileJob, by_tile: tuple[ScheduledStep, ...], schedule: Schedule) -> None:
        self.job = job
        self.schedule = schedule
        self.made_by = {one.row.gives: one for one in by_tile}
        self.tables: dict[str, Any] = {**job.rasters, "rejected": job.inputs.rejected}

    def do(self, one: ScheduledStep, folder: Path) -> dict[str, Any]:
        """Do a step over all lots; give what it wants told."""
        for source in one.sources.values():
            if source is not None:
                self._get(source)
        result = do_step(
            one,
            self.tables,
            parcels=self.job.lots,
            standard=self.schedule.standard,
            crs=self.job.inputs.working_crs,
            folder=folder,
        )
        if one.step.makes_file:
            return {}
        self.tables[one.row.gives] = result
        return dict(result.attrs.get(TOLD, {}))

    def lots_out(self) -> int:
        """How many lots the result has."""
        return len(self.tables[LOTS]) if LOTS in self.tables else self.job.lots

    def _check_lots(self, name: str, joined: Any) -> None:
        """Refuse lots that a step has given other ids: their tiles no longer know them."""
        if name == LOTS and len(joined) != self.job.lots:
            row, step = self.made_by[name].row, self.made_by[name].step
            raise StepError(
                f"it gave {len(joined)} lots with the ids of the {self.job.lots} parcels",
                where=row.place,
                mend=f"mend step {row.use} of package {step.package}",
            )

    def _get(self, name: str) -> None:
        if name in self.tables:
            return
        if name in self.job.layers:
            self.tables[name] = self.job.whole_layer(name)
            return
        joined = _join(self.job, name)
        if joined is not None:
            self._check_lots(name, joined)
            self.tables[name] = joined
        else:
            # A table that belongs to no lots, such as weights or joined habitat: made once more, over everything.
            self.do(self.made_by[name], self.job.folder)


def _join(job: TileJob, name: str) -> Any:
    """Join a table of all tiles, lot by lot in their order; None where it belongs to no lots."""
    paths = [job.tile_folder(number) / f"{name}.parquet" for number in range(job.partition.tiles)]
    if not all(path.is_file() for path in paths):
        return None
    parts = [load_table(path) for path in paths]
    filled = [part for part in parts if len(part)] or parts[:1]
    joined = pd.concat(filled, ignore_index=True)
    of_lot = joined[joined[LOT] >= 0].sort_values(LOT, kind="stable")
    others = joined[joined[LOT] < 0].sort_values(joined.columns[0], kind="stable")
    ordered = pd.concat([of_lot, others]) if len(others) else of_lot
    ordered = ordered.drop(columns=LOT).reset_index(drop=True)
    if isinstance(filled[0], gpd.GeoDataFrame):
        return gpd.GeoDataFrame(ordered, geometry=filled[0].geometry.name, crs=filled[0].crs)
    return ordered


def _told(job: TileJob) -> list[dict[str, Any]]:
    places = [job.tile_folder(number) / TOLD_FILE for number in range(job.partition.tiles)]
    return [json.loads(place.read_text(encoding="utf-8")) for place in places if place.is_file()]


def _said(job: TileJob, whole: Said) -> Said:
    """What was said in the tiles, alike texts once, then what was said over all lots."""
    told = _told(job)
    assumed, noticed = (_once([one[kind] for one in told]) for kind in ("assumptions", "warnings"))
    if job.partition.cut_lots:
        noticed.append(
            f"{job.partition.cut_lots:,} lots lie in subdivisions of more than {job.tiling.lots:,} lots, which were "
            "cut: a wall beyond a tile's surroundings is not seen from it (larger [tiles] lots avoid it)"
        )
    return [*assumed, *whole[0]], [*noticed, *whole[1]]


def _once(said: list[list[str]]) -> list[str]:
    """Texts that differ in numbers alone are told once, by the first of them."""
    alike: dict[str, list[str]] = {}
    for texts in said:
        for text in texts:
            alike.setdefault(re.sub(r"\d[\d.,]*", "#", text), []).append(text)
    return [
        texts[0] if len(set(texts)) == 1 else f"{texts[0]} (in the first of {len(texts)} tiles where it was so)"
        for texts in alike.values()
    ]


def _step_seconds(job: TileJob) -> dict[str, float]:
    """Seconds of each step, added up over the tiles (those of several workers side by side)."""
    total: dict[str, float] = {}
    for one in _told(job):
        for name, value in one["seconds"].items():
            total[name] = total.get(name, 0.0) + value
    return total
