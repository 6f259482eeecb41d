"""Write the lots, lines, ways in, footholds and rejected rows as one package of layers."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import geopandas as gpd
import pandas as pd

from geotools.outputs.columns import (
    BARRIER_LINES_COLUMNS,
    FOOTHOLDS_COLUMNS,
    PANELS_COLUMNS,
    PLANNED_GATES_COLUMNS,
    REJECTED_COLUMNS,
    SPECS_COLUMNS,
    WAYS_IN_COLUMNS,
)
from geotools.outputs.display import check_same_crs, show_table

if TYPE_CHECKING:
    from collections.abc import Sequence

__all__ = ["write_lots"]


def write_lots(
    lots: gpd.GeoDataFrame,
    barrier_lines: gpd.GeoDataFrame,
    ways_in: gpd.GeoDataFrame | None = None,
    footholds: gpd.GeoDataFrame | None = None,
    rejected: gpd.GeoDataFrame | None = None,
    panels: gpd.GeoDataFrame | None = None,
    planned_gates: gpd.GeoDataFrame | None = None,
    *,
    path: Path,
    units: str = "us",
) -> None:
    """Write the results as a GeoPackage with the layers lots, barrier_lines, ways_in, footholds and rejected.

    Every layer is there, with its fixed columns, even when it has no row. Lengths are converted as `show_table`
    says; the geometry stays in the working CRS. The height schedule and the places of gates are layers more,
    `panels` and `planned_gates`, where they are given.

    Parameters
    ----------
    lots : geopandas.GeoDataFrame, one row a parcel
        Working columns of the specs, lengths in metres, projected CRS.
    barrier_lines, ways_in, footholds, rejected : geopandas.GeoDataFrame
        Working tables in the same CRS; what is not given becomes an empty layer.
    panels : geopandas.GeoDataFrame, optional
        Height schedule of the lines in the same CRS.
    planned_gates : geopandas.GeoDataFrame, optional
        As `place_gates` gives it, in the same CRS; a gate to agree on site has no point.
    path : pathlib.Path
        The file to write.
    units : str
        `us` (feet and inches) or `metric` (metres and millimetres).

    Raises
    ------
    CrsError
        If a table has no projected CRS in metres, or another one than the lots.
    OutputError
        If a column is missing or holds what can't be written.

    Examples
    --------
    >>> write_lots(lots, lines, path=Path("lots.gpkg"))  # doctest: +SKIP
    """
    from geotools.layers.writing import write_geopackage

    given: dict[str, tuple[gpd.GeoDataFrame | None, Sequence[str]]] = {
        "lots": (lots, SPECS_COLUMNS),
        "barrier_lines": (barrier_lines, BARRIER_LINES_COLUMNS),
        "ways_in": (ways_in, WAYS_IN_COLUMNS),
        "footholds": (footholds, FOOTHOLDS_COLUMNS),
        "rejected": (rejected, REJECTED_COLUMNS),
    }
    if panels is not None:
        given["panels"] = (panels, PANELS_COLUMNS)
    if planned_gates is not None:
        advised = barrier_lines.loc[barrier_lines["recommended"].astype(bool), "line_id"]
        of_advised = planned_gates.assign(recommended=planned_gates["line_id"].isin(advised))
        given["planned_gates"] = (of_advised, PLANNED_GATES_COLUMNS)
    check_same_crs({name: table for name, (table, _) in given.items() if table is not None})
    layers = {
        name: _empty_layer(columns, lots, units) if table is None else _show_layer(table, columns, units)
        for name, (table, columns) in given.items()
    }
    write_geopackage(path, layers)


def _show_layer(table: gpd.GeoDataFrame, columns: Sequence[str], units: str) -> gpd.GeoDataFrame:
    return gpd.GeoDataFrame(
        show_table(table, columns=columns, units=units), geometry=table.geometry.array, crs=table.crs
    )


def _empty_layer(columns: Sequence[str], lots: gpd.GeoDataFrame, units: str) -> gpd.GeoDataFrame:
    empty = pd.DataFrame({name: pd.Series(dtype=object) for name in columns})
    shown = show_table(empty, columns=columns, units=units)
    return gpd.GeoDataFrame(shown, geometry=gpd.GeoSeries([], crs=lots.crs), crs=lots.crs)
