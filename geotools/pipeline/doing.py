"""Do one step of a plan, refuse a result that can't be one, and listen to what the steps assume and notice."""

from __future__ import annotations

import contextlib
import copy
import warnings
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

from geotools.errors import GeotoolsError, Noticed, StepError
from geotools.signature import NUMBER

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from pyproj import CRS

    from geotools.design import BarrierStandard
    from geotools.pipeline.schedule import ScheduledStep

__all__ = ["LOTS", "TOLD", "do_step", "listening", "number_rows"]

LOTS = "lots"
"""The table that must have a row for every parcel."""

TOLD = "run_record"
"""What a step leaves under this name in its table's `attrs` goes into run.json: a certificate, a gap."""
_OURS = "bajada"


def do_step(
    scheduled: ScheduledStep,
    tables: Mapping[str, Any],
    *,
    parcels: int,
    standard: BarrierStandard,
    crs: CRS | None,
    folder: Path,
) -> Any:
    """Do a step with the tables it takes.

    Parameters
    ----------
    scheduled : ScheduledStep
    tables : mapping of str to table
        Layers and results so far, by name. Another package's step gets copies.
    parcels : int
        How many parcels there are, of the tile or in all; the table `lots` must have as many rows.
    standard : BarrierStandard
        Of the plan.
    crs : pyproj.CRS, optional
        The working CRS, which a result with geometry must be in.
    folder : pathlib.Path
        Where a step that makes a file writes it.

    Returns
    -------
    DataFrame or None
        None from a step that makes a file.

    Raises
    ------
    GeotoolsError
        If the step refuses its input, or another package's step fails or gives what is no result.

    Examples
    --------
    >>> do_step(scheduled, tables, parcels=3, standard=standard, crs=crs, folder=folder)  # doctest: +SKIP
    """
    step, options = scheduled.step, dict(scheduled.options)
    layers = {name: None if source is None else tables[source] for name, source in scheduled.sources.items()}
    if step.takes_standard:
        options["standard"] = standard
    if step.makes_file:
        options["path"] = folder / scheduled.row.gives
    if step.package != _OURS:  # what another's step does to its tables must not reach the steps after it
        layers = {name: copy.copy(table) for name, table in layers.items()}
    try:
        result = step.function(**layers, **options)
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
    return result if step.makes_file else _checked(result, scheduled, crs, parcels)


@contextlib.contextmanager
def listening() -> Iterator[list[warnings.WarningMessage]]:
    """Collect what steps say with `warnings.warn(text, Assumed)` or `Noticed`, and nothing else.

    Examples
    --------
    >>> with listening() as heard:
    ...     warnings.warn("gates have no width: taken as 3 ft", Noticed)
    >>> len(heard)
    1
    """
    with warnings.catch_warnings(record=True) as heard:
        warnings.simplefilter("ignore")
        warnings.simplefilter("always", Noticed)
        yield heard


def number_rows(layers: Mapping[str, Any]) -> dict[str, Any]:
    """Give the rows of input layers, parcels aside, their number: what is left of a layer keeps its ids.

    Examples
    --------
    >>> import geopandas as gpd
    >>> walls = gpd.GeoDataFrame(geometry=gpd.points_from_xy([0, 1], [0, 0]))
    >>> number_rows({"walls": walls})["walls"]["number"].tolist()
    [1, 2]
    """
    import geopandas as gpd

    return {
        name: layer.assign(**{NUMBER: range(1, len(layer) + 1)})
        if isinstance(layer, gpd.GeoDataFrame) and name != "parcels"
        else layer
        for name, layer in layers.items()
    }


def _checked(result: Any, scheduled: ScheduledStep, crs: CRS | None, parcels: int) -> Any:
    """Refuse a result that the next step could take for something else."""
    import geopandas as gpd
    import pandas as pd

    mend = f"mend step {scheduled.row.use} of package {scheduled.step.package}"
    if not isinstance(result, pd.DataFrame):
        given = "nothing" if result is None else f"something of the kind {type(result).__name__!r}"
        raise StepError(f"it gave {given}, not a table", where=scheduled.row.place, mend=mend)
    if isinstance(result, gpd.GeoDataFrame) and result._geometry_column_name in result and result.crs != crs:
        raise StepError("its result is not in the working CRS", where=scheduled.row.place, mend=mend)
    if scheduled.row.gives == LOTS and len(result) != parcels:
        what = f"it gave {len(result)} lots for {parcels} parcels"
        raise StepError(what, where=scheduled.row.place, mend=mend)
    return result
