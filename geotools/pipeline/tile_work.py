"""Do the steps of a plan for one tile, and keep the rows of its own lots."""

from __future__ import annotations

import json
import shutil
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any

import geopandas as gpd
import numpy as np
import shapely

from geotools.pipeline.doing import TOLD, do_step, listening
from geotools.pipeline.record import said_by
from geotools.pipeline.schedule import Schedule, ScheduledStep, check_plan
from geotools.pipeline.tile_job import LOT, TileJob, open_job, save_table

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["TOLD_FILE", "do_tile", "part_steps"]

TOLD_FILE = "told.json"
"""What the steps of a tile said, how long they took, and which of its tables belong to no lot."""


def part_steps(schedule: Schedule) -> tuple[tuple[ScheduledStep, ...], tuple[ScheduledStep, ...], tuple[str, ...]]:
    """Part the steps of a plan into those done tile by tile and those done once over all lots.

    A step is done once when it makes a file, must have all lots at once, or takes what such a step gives.

    Parameters
    ----------
    schedule : Schedule

    Returns
    -------
    by_tile, whole : tuples of ScheduledStep
    wanted : tuple of str
        Tables of the first that the second take.

    Examples
    --------
    >>> from geotools.pipeline.plan import find_plan, read_plan
    >>> by_tile, whole, wanted = part_steps(check_plan(read_plan(find_plan("county"))))
    >>> "lots" in wanted or any(one.row.gives == "lots" for one in whole)
    True
    """
    late: set[str] = set()
    by_tile, whole = [], []
    for one in schedule.steps:
        if one.step.makes_file or one.step.needs_all_lots or late.intersection(one.sources.values()):
            late.add(one.row.gives)
            whole.append(one)
        else:
            by_tile.append(one)
    early = {one.row.gives for one in by_tile}
    wanted = {source for one in whole for source in one.sources.values() if source in early}
    return tuple(by_tile), tuple(whole), tuple(sorted(wanted))


def do_tile(task: tuple[str, int]) -> int:
    """Do one tile of a run that is under way, and store the rows of its own lots.

    The results appear under their name when they are whole; a tile that is done already is done again.

    Parameters
    ----------
    task : (str, int)
        The folder of the run under way, and the tile's number.

    Returns
    -------
    int
        The tile's number.

    Raises
    ------
    GeotoolsError
        If a step refuses its input.
    """
    job = open_job(Path(task[0]))
    if job is None:
        raise FileNotFoundError(task[0])
    number = task[1]
    schedule = check_plan(job.plan)
    by_tile, _, wanted = part_steps(schedule)
    place = job.tile_folder(number)
    unfinished = place.with_name(f"{place.name}.part")
    shutil.rmtree(unfinished, ignore_errors=True)
    unfinished.mkdir(parents=True)
    tables, whose = job.tile_layers(number)
    last_use = {source: at for at, one in enumerate(by_tile) for source in one.sources.values() if source}
    seconds: dict[str, float] = {}
    told: dict[str, Any] = {}
    with listening() as heard:
        for at, one in enumerate(by_tile):
            clock = time.perf_counter()
            result = do_step(
                one,
                tables,
                parcels=len(whose),
                standard=schedule.standard,
                crs=job.inputs.working_crs,
                folder=unfinished,
            )
            tables[one.row.gives] = result
            told |= result.attrs.get(TOLD, {})
            for name in [source for source, last in last_use.items() if last == at and source not in wanted]:
                del tables[name], last_use[name]
            seconds[one.row.gives] = time.perf_counter() - clock
    without_lots = []
    for name in wanted:
        own = _own_rows(tables[name], whose, job, number)
        if own is None:
            without_lots.append(name)
        else:
            save_table(own, unfinished / f"{name}.parquet")
    assumed, noticed = said_by(heard)
    content = {
        "assumptions": assumed, "warnings": noticed, "seconds": seconds, "told": told, "without_lots": without_lots
    }  # fmt: skip
    (unfinished / TOLD_FILE).write_text(json.dumps(content, default=str), encoding="utf-8")
    shutil.rmtree(place, ignore_errors=True)
    unfinished.rename(place)
    return number


def _own_rows(table: pd.DataFrame, whose: pd.DataFrame, job: TileJob, number: int) -> pd.DataFrame | None:
    """Rows of the tile's own lots, each with its lot; rows that name no lot go by their place."""
    if "parcel_id" not in table.columns:
        return None
    named = whose.set_index("parcel_id")
    ids = table["parcel_id"].astype("str").fillna("")
    lot = named[LOT].reindex(ids).to_numpy(dtype=np.float64, na_value=np.nan)
    own = named["own"].reindex(ids).to_numpy(dtype=object, na_value=False).astype(bool)
    unnamed = np.flatnonzero((ids == "").to_numpy())
    if len(unnamed) and isinstance(table, gpd.GeoDataFrame):
        points = shapely.point_on_surface(table.geometry.to_numpy()[unnamed])
        known = ~(shapely.is_missing(points) | shapely.is_empty(points))
        own[unnamed[known]] = job.partition.tile_at(points[known]) == number
    return table[own].assign(**{LOT: np.where(np.isnan(lot), -1, lot).astype(np.int64)[own]})
