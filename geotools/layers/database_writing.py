"""Write tables to a spatial database (PostGIS) in one transaction: all of a run's rows, or none of them."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import pandas as pd
import shapely

from geotools.errors import OutputError
from geotools.layers.database import connect, import_parts, say_refusal

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import geopandas as gpd
    from numpy.typing import NDArray

    from geotools.layers.source import Source

__all__ = ["Change", "TableKind", "check_name", "write_tables"]

RUN, PLACE, GEOMETRY = "run_id", "row_in_table", "geometry"
"""Columns that every table has: the run, the row's place in the results from 1, and the shape."""

_NAME = re.compile(r"[a-z_][a-z0-9_]{0,49}")
_LONGEST_COLUMN_BYTES = 63
_LOCK = 0x62616A61
"""Key of the lock that two runs wait for (a number of this project's own)."""


class TableKind(NamedTuple):
    """What a table is keyed by beside the run, and the OGC type of its geometry column."""

    key: str = PLACE
    geometry_type: str = "Geometry"


class Change(NamedTuple):
    """What writing did to a table's rows of this run: how many there are, are new, changed, and gone."""

    rows: int
    added: int
    changed: int
    removed: int


def check_name(name: str, *, what: str) -> str:
    """Return a name of a schema or table that needs no quotes.

    Raises
    ------
    OutputError
        If it has other signs than a-z, 0-9 and _, is longer than 50, or belongs to the database itself.

    Examples
    --------
    >>> check_name("barriers", what="schema")
    'barriers'
    """
    if not _NAME.fullmatch(name) or name.startswith("pg_") or name == "information_schema":
        raise OutputError(
            f"{name!r} can't be the name of a {what}",
            where=what,
            mend="use up to 50 small letters, digits and _, a letter first, not pg_",
        )
    return name


def write_tables(
    target: Source,
    tables: Mapping[str, gpd.GeoDataFrame],
    *,
    kinds: Mapping[str, TableKind],
    schema: str,
    run_id: str,
) -> dict[str, Change]:
    """Write tables in one transaction, each with a primary key of run and key, and a spatial index.

    Rows of the same run and key are replaced where they differ, rows of this run that are no longer among the results
    are removed, other runs' rows stay. Columns that a table lacks are added. Nothing that a user wrote becomes part of
    the SQL text: names go through the database library's quoting, values through its copy.

    Parameters
    ----------
    target : Source
        Of a database.
    tables : mapping of str to geopandas.GeoDataFrame
        All in one CRS with an EPSG code.
    kinds : mapping of str to TableKind
    schema : str
        Made if it is not there.
    run_id : str
        Tells runs apart that share the tables.

    Returns
    -------
    dict of str to Change

    Raises
    ------
    OutputError
        If a name, a key or a CRS can't be used, a table of another make is there, or the database refuses or is lost;
        nothing is changed then.
    LayerError
        If the database can't be reached.
    """
    import_parts()
    import psycopg

    check_name(schema, what="schema")
    if not run_id.strip() or len(run_id) > 200 or not run_id.isprintable():
        raise OutputError("the run's name is blank, too long or not printable", where="run_id", mend="give a word")
    srid = _srid(tables)
    for name, frame in tables.items():
        check_name(name, what="table")
        _check_columns(name, frame, kinds[name])
    try:
        with connect(target) as connection:
            connection.execute("SELECT pg_advisory_xact_lock(%s)", [_LOCK])
            _make_schema(connection, schema)
            return {
                name: _write_table(connection, schema, name, frame, kinds[name], srid, run_id)
                for name, frame in tables.items()
            }
    except psycopg.Error as error:
        raise OutputError(
            f"the database refused the results, and keeps what it had ({say_refusal(error)})",
            where=target.shown,
            mend="check the connection, your rights there, and its room; then run again",
        ) from None


def _srid(tables: Mapping[str, gpd.GeoDataFrame]) -> int:
    codes = {None if frame.crs is None else frame.crs.to_epsg(min_confidence=100) for frame in tables.values()}
    code = codes.pop() if len(codes) == 1 else None
    if code is None:
        raise OutputError(
            "the results are not all in one CRS with an EPSG code",
            where="the tables",
            mend="give such a code: --set working_crs=EPSG:...",
        )
    return int(code)


def _check_columns(name: str, frame: gpd.GeoDataFrame, kind: TableKind) -> None:
    for column in map(str, frame.columns):
        if column in (RUN, PLACE) or len(column.encode()) > _LONGEST_COLUMN_BYTES or "\0" in column:
            raise OutputError(f"the column {column[:80]!r} can't be written", where=name, mend="rename it")
    if kind.key == PLACE:
        return
    keys = frame[kind.key]
    if keys.isna().any():
        raise OutputError(f"a row has no {kind.key}", where=name, mend="give every row one")
    twice = keys[keys.duplicated()]
    if len(twice):
        raise OutputError(f"{kind.key} {twice.iloc[0]!r} comes twice", where=name, mend="make the ids unique")


def _make_schema(connection: Any, schema: str) -> None:
    from psycopg import sql

    # asked first: making it "if not exists" needs a right that a user of an existing schema may lack
    if connection.execute("SELECT 1 FROM pg_namespace WHERE nspname = %s", [schema]).fetchone() is None:
        connection.execute(sql.SQL("CREATE SCHEMA {}").format(sql.Identifier(schema)))


def _write_table(
    connection: Any, schema: str, name: str, frame: gpd.GeoDataFrame, kind: TableKind, srid: int, run_id: str
) -> Change:
    from psycopg import sql

    attributes = [str(column) for column in frame.columns if column != frame.geometry.name]
    types = {RUN: "text", PLACE: "bigint", **{column: _type(frame[column]) for column in attributes}}
    types[GEOMETRY] = f"geometry({kind.geometry_type},{srid})"
    table, staged = sql.Identifier(schema, name), sql.Identifier("pg_temp", f"staged_{name}")
    held = _make_table(connection, schema, name, types, kind)
    columns = sql.SQL(", ").join(map(sql.Identifier, types))
    connection.execute(
        sql.SQL("CREATE TEMPORARY TABLE {} ON COMMIT DROP AS SELECT * FROM {} WITH NO DATA").format(
            sql.Identifier(f"staged_{name}"), table
        )
    )
    with (
        connection.cursor() as cursor,
        cursor.copy(sql.SQL("COPY {} ({}) FROM STDIN").format(staged, columns)) as copy,
    ):
        shapes = _ewkb(frame, kind.geometry_type, srid)
        values = [_values(frame[column]) for column in attributes]
        for place, row in enumerate(zip(*values, shapes, strict=True), start=1):
            copy.write_row((run_id, place, *row))
    key = sql.Identifier(kind.key)
    removed = connection.execute(
        sql.SQL("DELETE FROM {0} t WHERE t.{1} = %s AND NOT EXISTS (SELECT FROM {2} s WHERE s.{3} = t.{3})").format(
            table, sql.Identifier(RUN), staged, key
        ),
        [run_id],
    ).rowcount
    every = list(map(sql.Identifier, held))
    added, changed = connection.execute(
        sql.SQL(
            "WITH done AS (INSERT INTO {table} AS old ({columns}) SELECT {columns} FROM {staged} ORDER BY {place} "
            "ON CONFLICT ({run}, {key}) DO UPDATE SET {assignments} "
            "WHERE ({before}) IS DISTINCT FROM ({after}) RETURNING (xmax = 0) AS fresh) "
            "SELECT count(*) FILTER (WHERE fresh), count(*) FILTER (WHERE NOT fresh) FROM done"
        ).format(
            table=table,
            columns=sql.SQL(", ").join(every),
            staged=staged,
            place=sql.Identifier(PLACE),
            run=sql.Identifier(RUN),
            key=key,
            assignments=sql.SQL(", ").join(sql.SQL("{0} = EXCLUDED.{0}").format(one) for one in every),
            before=sql.SQL(", ").join(sql.SQL("old.{}").format(one) for one in every),
            after=sql.SQL(", ").join(sql.SQL("EXCLUDED.{}").format(one) for one in every),
        )
    ).fetchone()
    connection.execute(sql.SQL("ANALYZE {}").format(table))
    return Change(len(frame), int(added), int(changed), int(removed))


def _make_table(connection: Any, schema: str, name: str, types: Mapping[str, str], kind: TableKind) -> list[str]:
    """Make a table, or add the columns that it lacks; give the names of all its columns."""
    from psycopg import sql

    table = sql.Identifier(schema, name)
    held = _held_columns(connection, schema, name)
    if not held:
        definitions = [
            sql.SQL("{} {}").format(sql.Identifier(column), sql.SQL(kind_)) for column, kind_ in types.items()
        ]
        definitions.append(sql.SQL("PRIMARY KEY ({}, {})").format(sql.Identifier(RUN), sql.Identifier(kind.key)))
        connection.execute(sql.SQL("CREATE TABLE {} ({})").format(table, sql.SQL(", ").join(definitions)))
    elif {RUN, PLACE, GEOMETRY} - held.keys():
        raise OutputError(
            "there is a table of this name that no run has made",
            where=f"{schema}.{name}",
            mend="name another schema, or rename that table",
        )
    for column, wanted in types.items() if held else ():
        if column not in held:
            connection.execute(
                sql.SQL("ALTER TABLE {} ADD COLUMN {} {}").format(table, sql.Identifier(column), sql.SQL(wanted))
            )
        elif held[column] != wanted:
            raise OutputError(
                f"the column {column} is {held[column]} there, {wanted} here",
                where=f"{schema}.{name}",
                mend="name another schema, or drop the table if nothing else needs it",
            )
    index = sql.Identifier(f"{name}_{GEOMETRY}")
    connection.execute(
        sql.SQL("CREATE INDEX IF NOT EXISTS {} ON {} USING gist ({})").format(index, table, sql.Identifier(GEOMETRY))
    )
    return [*types, *(column for column in held if column not in types)]


def _held_columns(connection: Any, schema: str, name: str) -> dict[str, str]:
    rows = connection.execute(
        "SELECT a.attname, format_type(a.atttypid, a.atttypmod) FROM pg_attribute a JOIN pg_class c "
        "ON c.oid = a.attrelid JOIN pg_namespace n ON n.oid = c.relnamespace "
        "WHERE n.nspname = %s AND c.relname = %s AND a.attnum > 0 AND NOT a.attisdropped ORDER BY a.attnum",
        [schema, name],
    ).fetchall()
    return {str(column): str(kind) for column, kind in rows}


def _type(values: pd.Series[Any]) -> str:
    if pd.api.types.is_bool_dtype(values):
        return "boolean"
    if pd.api.types.is_integer_dtype(values):
        return "bigint"
    return "double precision" if pd.api.types.is_float_dtype(values) else "text"


def _values(values: pd.Series[Any]) -> list[Any]:
    """A column as the database takes it: missing values are None, other things than numbers text."""
    kind = _type(values)
    missing = values.isna().to_numpy()
    plain: Sequence[Any] = values.to_numpy(dtype=object).tolist()
    if kind == "text":
        return [None if gone else str(value) for value, gone in zip(plain, missing, strict=True)]
    return [None if gone else value for value, gone in zip(plain, missing, strict=True)]


def _ewkb(frame: gpd.GeoDataFrame, geometry_type: str, srid: int) -> list[str | None]:
    """Shapes as the database takes them: hexadecimal with their CRS code, multipart where the column is."""
    shapes: NDArray[np.object_] = np.array(frame.geometry.to_numpy(), dtype=object)
    kinds = shapely.get_type_id(shapes)
    if geometry_type == "MultiPolygon":
        single = kinds == shapely.GeometryType.POLYGON
        shapes[single] = shapely.multipolygons(shapes[single], indices=np.arange(single.sum()))
    elif geometry_type == "MultiLineString":
        single = np.isin(kinds, (shapely.GeometryType.LINESTRING, shapely.GeometryType.LINEARRING))
        shapes[single] = shapely.multilinestrings(shapes[single], indices=np.arange(single.sum()))
    return list(shapely.to_wkb(shapely.set_srid(shapes, srid), hex=True, include_srid=True))
