"""Read a table of a spatial database (PostGIS), whole or by a window; needs the extra `postgis`."""

from __future__ import annotations

import contextlib
import hashlib
from typing import TYPE_CHECKING, Any
from urllib.parse import parse_qsl, urlencode, urlsplit

from geotools.errors import GeotoolsError, LayerError
from geotools.layers.schema import did_you_mean
from geotools.layers.source import Part, Source, SourceLayer

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    import geopandas as gpd
    from pyproj import CRS

__all__ = ["connect", "hash_rows", "import_parts", "look_in_database", "read_table", "say_refusal"]

_DRIVER = "PostGIS"
_BATCH_ROWS = 10_000
_CONNECT_S = 20
_APPLICATION = "bajada"
_REASONS = {
    "password": "the password is missing or refused",
    "refused": "nothing answers there",
    "timeout": "it does not answer in time",
    "does not exist": "there is no such database or user",
    "resolve host": "there is no such host",
    "translate host": "there is no such host",
}


def look_in_database(source: Source) -> list[SourceLayer]:
    """List the spatial table that the URL's `table` names, or all spatial tables.

    Raises
    ------
    LayerError
        If the optional parts are missing, the database can't be reached, or there is no such table.
    """
    wanted, _ = _wanted(source)
    with _reading(source) as connection:
        listed = connection.execute(
            "SELECT f_table_schema, f_table_name, type FROM geometry_columns ORDER BY f_table_schema, f_table_name"
        ).fetchall()
        kinds = {f"{schema}.{table}": str(kind) for schema, table, kind in listed}
        names = list(kinds)
        if wanted is not None:
            names = [name for name in names if name == wanted or name.partition(".")[2] == wanted]
            if not names:
                raise LayerError(
                    f"there is no spatial table {wanted!r}", where=source.shown, mend=did_you_mean(wanted, kinds)
                )
        return [
            SourceLayer(
                source,
                name,
                name,
                _DRIVER,
                tuple(_columns(connection, name)),
                kinds[name],
                _count(connection, name),
            )
            for name in names
        ]


def read_table(
    layer: SourceLayer,
    columns: Sequence[str],
    *,
    window: Sequence[float] | None = None,
    window_crs: CRS | None = None,
    crs: CRS | None = None,
) -> Part:
    """Read columns and geometry of a spatial table, in the order of its first column; curves become chords.

    Rows are streamed from the server. With a window the server sends only rows whose bounds meet it, found by the
    table's spatial index, and rows without geometry, which lie nowhere. Names go through the database library's own
    quoting and values as parameters; nothing that a user wrote becomes part of the SQL text.

    Parameters
    ----------
    layer : SourceLayer
    columns : sequence of str
    window : sequence of 4 float, optional
        West, south, east, north; a table whose geometry column has no fixed CRS is read whole.
    window_crs : pyproj.CRS, optional
        CRS of the window, which is brought to the table's with its edges followed; the table's own without it.
    crs : pyproj.CRS, optional
        CRS that the table is said to be in, whatever it states.

    Returns
    -------
    Part
        Rows are counted in the order of the table's first column; bounds are None where the table is read whole.

    Raises
    ------
    LayerError
        If the database refuses, or the table mixes CRS codes.
    """
    import geopandas as gpd
    import numpy as np
    import pandas as pd
    import shapely

    with _reading(layer.source) as connection:
        geometry = _geometry_column(connection, layer)
        box, srid = _box(connection, layer, geometry, window, window_crs, crs)
        values: list[tuple[Any, ...]] = []
        shapes: list[Any] = [np.empty(0, dtype=object)]
        rows: list[int] = []
        srids: set[int] = set()
        with connection.cursor(name="rows") as cursor:
            query = _query(connection, layer, columns, geometry, by_window=box is not None)
            cursor.execute(query, None if box is None else [*box, srid])
            while batch := cursor.fetchmany(_BATCH_ROWS):
                values += [row[:-3] for row in batch]
                shapes.append(shapely.from_wkb([row[-3] for row in batch]))
                srids |= {int(row[-2]) for row in batch if row[-2]}
                rows += [row[-1] for row in batch]
        bounds = None if box is None else _extent(connection, layer, geometry)
    if len(srids) > 1:
        raise LayerError(
            f"the table mixes the CRS codes {', '.join(map(str, sorted(srids)))}", where=layer.where, mend="keep one"
        )
    code = srids.pop() if srids else srid
    data = pd.DataFrame.from_records(values, columns=list(columns), index=range(len(rows)))
    frame = gpd.GeoDataFrame(data, geometry=np.concatenate(shapes), crs=f"EPSG:{code}" if code else None)
    return Part(frame, np.asarray(rows, dtype=np.int64), bounds)


def hash_rows(frame: gpd.GeoDataFrame) -> str:
    """Compute the SHA-256 of rows as read: their geometry as WKB and their values as text, in row order.

    Examples
    --------
    >>> import geopandas as gpd
    >>> hash_rows(gpd.GeoDataFrame({"id": ["a"]}, geometry=gpd.points_from_xy([0], [0])))[:8]
    'ed088429'
    """
    import shapely

    digest = hashlib.sha256()
    digest.update(repr(list(frame.columns)).encode())
    for shape in shapely.to_wkb(frame.geometry.to_numpy()):
        digest.update(b"-" if shape is None else shape)
    for name in frame.columns.drop(str(frame.geometry.name)):
        digest.update("\x1f".join(map(str, frame[name])).encode())
    return digest.hexdigest()


def import_parts() -> None:
    """Check that the optional parts are there.

    Raises
    ------
    LayerError
        Saying what to install.
    """
    try:
        import psycopg  # noqa: F401
    except ImportError as error:
        raise LayerError(
            f"a database needs the package {error.name}", mend="install it: pip install 'bajada[postgis]'"
        ) from None


@contextlib.contextmanager
def connect(source: Source) -> Iterator[Any]:
    """Open a database in one transaction: kept when the block ends well, taken back when it does not.

    Names without a schema are looked up in the database's own catalogue and the spatial extension alone.

    Raises
    ------
    LayerError
        If it can't be reached or has no spatial extension; the libraries' text, which may repeat the password, is
        never in the message.
    """
    import_parts()
    import psycopg
    from psycopg import sql

    parts = urlsplit(source.url or "")
    rest = urlencode([pair for pair in parse_qsl(parts.query) if pair[0] not in ("table", "geometry")])
    address = parts._replace(scheme="postgresql", query=rest, fragment="").geturl()
    try:
        opened = psycopg.connect(address, connect_timeout=_CONNECT_S, application_name=_APPLICATION)
    except (psycopg.Error, ValueError, TypeError) as error:
        told = str(error)
        reason = next((words for sign, words in _REASONS.items() if sign in told), type(error).__name__)
        raise LayerError(
            f"the database can't be reached ({reason})",
            where=source.shown,
            mend="check host, port, database, user and password",
        ) from None
    with opened as connection:
        found = connection.execute(
            "SELECT n.nspname FROM pg_catalog.pg_extension e JOIN pg_catalog.pg_namespace n ON n.oid = e.extnamespace "
            "WHERE e.extname = 'postgis'"
        ).fetchone()
        if found is None:
            raise LayerError(
                "the database holds no spatial tables",
                where=source.shown,
                mend="check its name, and that its spatial extension is on",
            )
        path = f"pg_catalog, {sql.Identifier(found[0]).as_string(connection)}, pg_temp"
        connection.execute("SELECT set_config('search_path', %s, false)", [path])
        yield connection


def say_refusal(error: Any) -> str:
    """Say in one line why the database refused, in the server's words where it gave any.

    Examples
    --------
    >>> say_refusal(ValueError("secret"))
    'ValueError'
    """
    told = getattr(getattr(error, "diag", None), "message_primary", None)
    return str(told or type(error).__name__)


@contextlib.contextmanager
def _reading(source: Source) -> Iterator[Any]:
    import_parts()
    import psycopg

    try:
        with connect(source) as connection:
            connection.execute("SET TRANSACTION READ ONLY")
            yield connection
    except psycopg.Error as error:
        raise LayerError(
            f"the database refused ({say_refusal(error)})", where=source.shown, mend="ask those who keep the database"
        ) from None


def _wanted(source: Source) -> tuple[str | None, str | None]:
    """Find the table (or the layer after #) and the geometry column that the URL names."""
    query = dict(parse_qsl(urlsplit(source.url or "").query))
    return query.get("table", source.layer), query.get("geometry")


def _table(name: str) -> Any:
    from psycopg import sql

    schema, _, table = name.partition(".")
    return sql.Identifier(schema, table)


def _query(connection: Any, layer: SourceLayer, columns: Sequence[str], geometry: str, *, by_window: bool) -> Any:
    """Columns, geometry as WKB, CRS code and place in the table, of all rows or those in a window."""
    from psycopg import sql

    every = _columns(connection, layer.opens)
    first = sql.Identifier(every[0]) if every else sql.SQL("NULL")
    stored = _is_stored(connection, layer.opens)
    place = sql.SQL("row_number() OVER (ORDER BY {}{})").format(first, sql.SQL(", ctid" if stored else ""))
    shape = sql.Identifier(geometry)
    wanted = [sql.SQL("t.{}").format(sql.Identifier(name)) for name in columns]
    wanted.append(sql.SQL("ST_AsBinary(ST_CurveToLine(t.{0})), ST_SRID(t.{0}), n.place").format(shape))
    table = _table(layer.opens)
    if stored:
        # places are counted apart from the shapes, so that the spatial index finds these
        numbered = sql.SQL("{0} t JOIN (SELECT ctid AS at, {1} AS place FROM {0}) n ON n.at = t.ctid")
        source = numbered.format(table, place)
    else:
        numbered = sql.SQL("(SELECT *, {1} AS {2} FROM {0}) t, LATERAL (SELECT t.{2} AS place) n")
        source = numbered.format(table, place, sql.Identifier("place of row"))
    inside = sql.SQL("WHERE t.{0} && ST_MakeEnvelope(%s, %s, %s, %s, %s) OR t.{0} IS NULL").format(shape)
    where = inside if by_window else sql.SQL("")
    return sql.SQL("SELECT {} FROM {} {} ORDER BY n.place").format(sql.SQL(", ").join(wanted), source, where)


def _box(
    connection: Any,
    layer: SourceLayer,
    geometry: str,
    window: Sequence[float] | None,
    window_crs: CRS | None,
    stated: CRS | None,
) -> tuple[tuple[float, ...] | None, int]:
    """Bring a window to the table's CRS; None where it can't be, and the table's CRS code (0 where it has none)."""
    import math

    from geotools.crs import parse_crs, transform_bounds

    schema, _, table = layer.opens.partition(".")
    found = connection.execute(
        "SELECT srid FROM geometry_columns WHERE f_table_schema = %s AND f_table_name = %s AND f_geometry_column = %s",
        [schema, table, geometry],
    ).fetchone()
    srid = int(found[0]) if found else 0
    if window is None or not srid:
        return None, srid
    box = tuple(map(float, window))
    if window_crs is not None:
        try:
            own = stated or parse_crs(f"EPSG:{srid}", where=layer.where)
        except GeotoolsError:
            return None, srid
        box = transform_bounds(window, window_crs, own)
    return (box if all(map(math.isfinite, box)) else None), srid


def _extent(connection: Any, layer: SourceLayer, geometry: str) -> tuple[float, float, float, float]:
    from psycopg import sql

    found = connection.execute(
        sql.SQL(
            "SELECT ST_XMin(e), ST_YMin(e), ST_XMax(e), ST_YMax(e) FROM (SELECT ST_Extent({}) AS e FROM {}) one"
        ).format(sql.Identifier(geometry), _table(layer.opens))
    ).fetchone()
    west, south, east, north = (float("nan") if side is None else float(side) for side in found)
    return west, south, east, north


def _geometry_column(connection: Any, layer: SourceLayer) -> str:
    names = _columns(connection, layer.opens, geometry=True)
    _, wanted = _wanted(layer.source)
    if wanted is None and len(names) == 1:
        return names[0]
    if wanted in names:
        return str(wanted)
    raise LayerError(
        f"the table has the geometry columns {', '.join(names)}", where=layer.where, mend="add &geometry=NAME"
    )


def _columns(connection: Any, name: str, *, geometry: bool = False) -> list[str]:
    schema, _, table = name.partition(".")
    rows = connection.execute(
        "SELECT a.attname, k.typname FROM pg_attribute a JOIN pg_class c ON c.oid = a.attrelid "
        "JOIN pg_namespace n ON n.oid = c.relnamespace JOIN pg_type k ON k.oid = a.atttypid "
        "WHERE n.nspname = %s AND c.relname = %s AND a.attnum > 0 AND NOT a.attisdropped ORDER BY a.attnum",
        [schema, table],
    ).fetchall()
    return [str(column) for column, kind in rows if (kind == "geometry") == geometry]


def _is_stored(connection: Any, name: str) -> bool:
    """Whether rows have a place of their own: true of tables, not of views or tables in partitions."""
    schema, _, table = name.partition(".")
    found = connection.execute(
        "SELECT c.relkind FROM pg_class c JOIN pg_namespace n ON n.oid = c.relnamespace "
        "WHERE n.nspname = %s AND c.relname = %s",
        [schema, table],
    ).fetchone()
    return found is not None and found[0] in ("r", b"r", "m", b"m")


def _count(connection: Any, name: str) -> int:
    from psycopg import sql

    return int(connection.execute(sql.SQL("SELECT count(*) FROM {}").format(_table(name))).fetchone()[0])
