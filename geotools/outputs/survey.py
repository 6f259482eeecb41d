"""Make a blank field survey: a GeoPackage with the lots, and layers whose columns know their units and values."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

import geopandas as gpd
import numpy as np
import pandas as pd

from geotools.errors import OutputError
from geotools.outputs.columns import shown_name
from geotools.outputs.display import check_same_crs, clean_text
from geotools.units import LENGTH_SUFFIXES_M

if TYPE_CHECKING:
    from collections.abc import Mapping

__all__ = ["CHOICES", "SURVEY_LAYERS", "write_survey"]

CHOICES: dict[str, tuple[tuple[str, str], ...]] = {
    "wall_kind": (
        ("block", "masonry block, with or without stucco"),
        ("brick", "brick or adobe"),
        ("iron", "wrought iron, pickets, view fence"),
        ("wood", "boards"),
        ("vinyl", "vinyl panels"),
        ("sheet metal", "smooth sheet"),
        ("hardware cloth", "mesh; its opening is the mesh size"),
        ("chain link", "a ladder at any height"),
        ("rubble", "rough stone, gabion"),
        ("other", "say what in the notes"),
    ),
    "state": (
        ("measured", "seen and measured"),
        ("as drawn", "not visited: the map's values stand"),
        ("gone", "it is not there any more"),
    ),
    "swing": (
        ("in", "into the protected side"),
        ("out", "away from it: where a pool lies within"),
    ),
    "opening_kind": (
        ("under a gate", ""),
        ("beside a gate", ""),
        ("drain", "weep hole, scupper, pipe"),
        ("joint", "expansion joint, corner"),
        ("step", "where the wall steps down"),
        ("under the wall", "washed out or dug"),
        ("hole", ""),
        ("other", "say what in the notes"),
    ),
    "foothold_kind": (
        ("rock", ""),
        ("shrub", ""),
        ("tree", "whose canopy may hang over"),
        ("planter", ""),
        ("rail", ""),
        ("equipment", "pool pump, meter, box"),
        ("retaining wall", ""),
        ("other", "say what in the notes"),
    ),
    "ground_kind": (
        ("soil", "digs with a shovel"),
        ("gravel", ""),
        ("caliche", "slow"),
        ("rock", "no trench: fix to it"),
        ("slab", "concrete or paving: fix to it"),
        ("wash", "never closed"),
    ),
}
"""Values that a column may take, each with what it means (words of the trade; the lists are assumptions)."""

_GREATEST_M = {"height": 6.0, "opening": 3.0, "rail": 6.0, "width": 12.0}
_TEXT, _LENGTH, _FLAG, _DATE = "text", "length", "flag", "date"
_COMMON = {"state": "state", "measured_on": _DATE, "measured_by": _TEXT, "photo": _TEXT, "notes": _TEXT}


class SurveyLayer(NamedTuple):
    """A layer of the survey: its OGC geometry type, and its columns with a kind or the name of their choices."""

    geometry_type: str
    columns: Mapping[str, str]


SURVEY_LAYERS: dict[str, SurveyLayer] = {
    "lots": SurveyLayer("MultiPolygon", {"parcel_id": _TEXT, "visited_on": _DATE, "visited_by": _TEXT, "notes": _TEXT}),
    "walls": SurveyLayer(
        "MultiLineString",
        {"kind": "wall_kind", "height_m": _LENGTH, "opening_m": _LENGTH, "rail_m": _LENGTH, "sound": _FLAG, **_COMMON},
    ),
    "gates": SurveyLayer("Point", {"width_m": _LENGTH, "opening_m": _LENGTH, "height_m": _LENGTH, **_COMMON}),
    "planned_gates": SurveyLayer(
        "Point",
        {"gate_id": _TEXT, "line_id": _TEXT, "parcel_id": _TEXT, "width_m": _LENGTH, "swing": "swing", **_COMMON},
    ),
    "openings": SurveyLayer("Point", {"kind": "opening_kind", "opening_m": _LENGTH, **_COMMON}),
    "footholds": SurveyLayer("Unknown", {"kind": "foothold_kind", "height_m": _LENGTH, **_COMMON}),
    "ground_notes": SurveyLayer("Point", {"kind": "ground_kind", **_COMMON}),
    "photos": SurveyLayer("Point", {"photo": _TEXT, "facing_deg": "direction", "notes": _TEXT}),
}
"""Layers of a survey; walls, gates, footholds and planned gates have the columns that a run reads."""

_EXTENSION = ("gpkg_schema", "http://www.geopackage.org/spec140/#extension_schema", "read-write")
_TABLES = """
CREATE TABLE gpkg_data_columns (
  table_name TEXT NOT NULL, column_name TEXT NOT NULL, name TEXT, title TEXT, description TEXT, mime_type TEXT,
  constraint_name TEXT, CONSTRAINT pk_gdc PRIMARY KEY (table_name, column_name),
  CONSTRAINT gdc_tn UNIQUE (table_name, name));
CREATE TABLE gpkg_data_column_constraints (
  constraint_name TEXT NOT NULL, constraint_type TEXT NOT NULL, value TEXT, min NUMERIC, min_is_inclusive BOOLEAN,
  max NUMERIC, max_is_inclusive BOOLEAN, description TEXT,
  CONSTRAINT gdcc_ntv UNIQUE (constraint_name, constraint_type, value));
"""


def write_survey(
    parcels: gpd.GeoDataFrame,
    walls: gpd.GeoDataFrame | None = None,
    gates: gpd.GeoDataFrame | None = None,
    footholds: gpd.GeoDataFrame | None = None,
    planned_gates: gpd.GeoDataFrame | None = None,
    *,
    path: Path,
    units: str = "us",
) -> None:
    """Make a field survey to be filled in on the ground.

    The lots are in it; so are the walls, gates and footholds that are known, with the map's values and the state "as
    drawn", to be changed to "measured" or "gone"; planned gates stand at their place of the plan, to be moved to where
    they are agreed on the ground. Columns that take one of a list, or a number in a range, say so in
    the terms of the GeoPackage schema extension (OGC 12-128r19, annex F.9), which field programs read as pick lists.

    Parameters
    ----------
    parcels : GeoDataFrame
        Lots with `parcel_id`, in a projected CRS in metres.
    walls, gates, footholds : GeoDataFrame, optional
        What is known of each.
    planned_gates : GeoDataFrame, optional
        As `place_gates` gives it; those without a place are left out.
    path : Path
        The GeoPackage to write.
    units : str
        `us` (lengths in inches and feet) or `metric` (millimetres and metres).

    Raises
    ------
    CrsError
        If a table has no projected CRS in metres, or another one than the parcels.
    OutputError
        If the file can't be written.

    Examples
    --------
    >>> write_survey(parcels, path=Path("survey.gpkg"))  # doctest: +SKIP
    """
    from geotools.layers.writing import write_geopackage

    given = {"lots": parcels, "walls": walls, "gates": gates, "footholds": footholds, "planned_gates": planned_gates}
    known = {name: table for name, table in given.items() if table is not None}
    check_same_crs(known)
    layers = {name: _fill(name, known.get(name), parcels, units) for name in SURVEY_LAYERS}
    write_geopackage(path, layers, geometry_types={name: layer.geometry_type for name, layer in SURVEY_LAYERS.items()})
    try:
        with closing(sqlite3.connect(path)) as file, file:
            _add_schema(file, units)
    except sqlite3.Error as error:
        raise OutputError(
            f"the file can't be written ({error})", where=str(path), mend="check folder and space"
        ) from None


def _fill(name: str, table: gpd.GeoDataFrame | None, parcels: gpd.GeoDataFrame, units: str) -> gpd.GeoDataFrame:
    """The layer's columns, filled from what is known."""
    kept = parcels.iloc[:0] if table is None else table[table.geometry.notna() & ~table.geometry.is_empty]
    columns: dict[str, Any] = {}
    for column, kind in SURVEY_LAYERS[name].columns.items():
        shown = shown_name(column, units=units)
        values = kept[column] if table is not None and column in kept.columns else None
        if kind in (_LENGTH, "direction"):
            columns[shown] = _lengths(values, len(kept), shown)
        elif kind == _FLAG:
            flags = pd.Series([pd.NA] * len(kept)) if values is None else values
            columns[shown] = flags.astype("boolean").array
        elif kind == _DATE:
            columns[shown] = pd.array([pd.NaT] * len(kept), dtype="datetime64[ms]")
        elif column == "state":
            columns[shown] = pd.array(["as drawn"] * len(kept), dtype="str")
        else:
            texts = [None] * len(kept) if values is None else [clean_text(value) for value in values]
            columns[shown] = pd.array(texts, dtype="str")
    return gpd.GeoDataFrame(columns, geometry=kept.geometry.array, crs=parcels.crs)


def _lengths(values: pd.Series[Any] | None, count: int, shown: str) -> Any:
    if values is None:
        return np.full(count, np.nan)
    suffix = shown[shown.rindex("_") :]
    return np.round(pd.to_numeric(values).to_numpy(dtype=np.float64, na_value=np.nan) / LENGTH_SUFFIXES_M[suffix], 3)


def _add_schema(file: sqlite3.Connection, units: str) -> None:
    file.executescript(_TABLES)
    for table in ("gpkg_data_columns", "gpkg_data_column_constraints"):
        file.execute("INSERT INTO gpkg_extensions VALUES (?, NULL, ?, ?, ?)", (table, *_EXTENSION))
    for name, choices in CHOICES.items():
        file.executemany(
            "INSERT INTO gpkg_data_column_constraints VALUES (?, 'enum', ?, NULL, NULL, NULL, NULL, ?)",
            [(name, value, meaning) for value, meaning in choices],
        )
    ranges = {f"{stem}_range": 0.0 for stem in _GREATEST_M}
    for name in ranges:
        shown = shown_name(f"{name.removesuffix('_range')}_m", units=units)
        most = round(_GREATEST_M[name.removesuffix("_range")] / LENGTH_SUFFIXES_M[shown[shown.rindex("_") :]])
        file.execute(
            "INSERT INTO gpkg_data_column_constraints VALUES (?, 'range', NULL, 0, 1, ?, 1, ?)", (name, most, shown)
        )
    file.execute(
        "INSERT INTO gpkg_data_column_constraints "
        "VALUES ('direction', 'range', NULL, 0, 1, 360, 1, 'degrees from north')"
    )
    for layer, described in SURVEY_LAYERS.items():
        for column, kind in described.columns.items():
            shown = shown_name(column, units=units)
            constraint = kind if kind in CHOICES or kind == "direction" else None
            if kind == _LENGTH:
                constraint = f"{column.removesuffix('_m')}_range"
            title = column.removesuffix("_m").replace("_", " ")
            file.execute(
                "INSERT INTO gpkg_data_columns VALUES (?, ?, ?, ?, ?, NULL, ?)",
                (layer, shown, shown, title, _describe(shown, kind), constraint),
            )


def _describe(shown: str, kind: str) -> str:
    unit = {"_in": "inches", "_ft": "feet", "_mm": "millimetres", "_m": "metres"}
    if kind == _LENGTH:
        return f"in {unit[shown[shown.rindex('_') :]]}; leave it empty where it is not measured"
    return {_DATE: "the day", _FLAG: "true or false; leave it empty where it is not known"}.get(kind, "")
