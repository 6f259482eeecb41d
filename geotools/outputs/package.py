"""Write the lots, lines, ways in, footholds and rejected rows as one package of layers."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import geopandas as gpd
import pandas as pd

from geotools.errors import OutputError
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
    from collections.abc import Mapping, Sequence

    from pyproj import CRS

__all__ = ["show_layers", "write_layer", "write_lots"]

_COLUMNS: dict[str, Sequence[str]] = {
    "lots": SPECS_COLUMNS,
    "barrier_lines": BARRIER_LINES_COLUMNS,
    "ways_in": WAYS_IN_COLUMNS,
    "footholds": FOOTHOLDS_COLUMNS,
    "rejected": REJECTED_COLUMNS,
    "panels": PANELS_COLUMNS,
    "planned_gates": PLANNED_GATES_COLUMNS,
}
"""Columns of each table of the results that always come first."""


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

    given = {
        "lots": lots,
        "barrier_lines": barrier_lines,
        "ways_in": ways_in,
        "footholds": footholds,
        "rejected": rejected,
    }
    if panels is not None:
        given["panels"] = panels
    if planned_gates is not None:
        advised = barrier_lines.loc[barrier_lines["recommended"].astype(bool), "line_id"]
        given["planned_gates"] = planned_gates.assign(recommended=planned_gates["line_id"].isin(advised))
    write_geopackage(path, show_layers(given, units=units))


def write_layer(table: gpd.GeoDataFrame, *, path: Path, units: str = "us") -> None:
    """Write one table as GeoParquet or FlatGeobuf, its rows along a Hilbert curve, so that a part is read quickly.

    GeoParquet is version 1.1 with a covering of bounds. Rows keep their ids; their order is not that of the input.

    Parameters
    ----------
    table : geopandas.GeoDataFrame
        A working table, lengths in metres, projected CRS.
    path : pathlib.Path
        The file to write; its ending says the kind: .parquet or .fgb.
    units : str
        `us` (feet and inches) or `metric` (metres and millimetres).

    Raises
    ------
    CrsError
        If the table has no projected CRS in metres.
    OutputError
        If the file's ending is another, or a column holds what can't be written.

    Examples
    --------
    >>> write_layer(lots, path=Path("lots.parquet"))  # doctest: +SKIP
    """
    from geotools.layers.columnar import write_flatgeobuf, write_parquet

    writers = {".parquet": write_parquet, ".fgb": write_flatgeobuf}
    if path.suffix not in writers:
        raise OutputError(
            f"the ending {path.suffix!r} is none that is written", where=path.name, mend="use .parquet or .fgb"
        )
    check_same_crs({path.stem: table})
    writers[path.suffix](path, _show_layer(table, _COLUMNS.get(path.stem, ()), units))


def show_layers(given: Mapping[str, gpd.GeoDataFrame | None], *, units: str) -> dict[str, gpd.GeoDataFrame]:
    """Make the tables of the results as they are shown: with their fixed columns, empty where not given.

    Parameters
    ----------
    given : mapping of str to geopandas.GeoDataFrame or None
        Working tables in metres by their names: lots, barrier_lines, ways_in, footholds, rejected, panels.
    units : str
        `us` or `metric`.

    Raises
    ------
    CrsError
        If a table has no projected CRS in metres, or another one than the others.
    OutputError
        If a column is missing or holds what can't be written.

    Examples
    --------
    >>> show_layers({}, units="us")
    {}
    """
    check_same_crs({name: table for name, table in given.items() if table is not None})
    crs = next((table.crs for table in given.values() if table is not None), None)
    return {
        name: _empty_layer(_COLUMNS[name], crs, units) if table is None else _show_layer(table, _COLUMNS[name], units)
        for name, table in given.items()
    }


def _show_layer(table: gpd.GeoDataFrame, columns: Sequence[str], units: str) -> gpd.GeoDataFrame:
    return gpd.GeoDataFrame(
        show_table(table, columns=columns, units=units), geometry=table.geometry.array, crs=table.crs
    )


def _empty_layer(columns: Sequence[str], crs: CRS | None, units: str) -> gpd.GeoDataFrame:
    empty = pd.DataFrame({name: pd.Series(dtype=object) for name in columns})
    shown = show_table(empty, columns=columns, units=units)
    return gpd.GeoDataFrame(shown, geometry=gpd.GeoSeries([], crs=crs), crs=crs)
