"""Read a table of a spatial database (PostGIS); needs the optional parts of the extra `postgis`."""

from __future__ import annotations

import hashlib
from typing import TYPE_CHECKING, Any
from urllib.parse import parse_qsl, urlencode, urlsplit

from geotools.errors import LayerError
from geotools.layers.schema import did_you_mean
from geotools.layers.source import Source, SourceLayer

if TYPE_CHECKING:
    from collections.abc import Sequence

    import geopandas as gpd

__all__ = ["hash_rows", "look_in_database", "read_table"]

_DRIVER = "PostGIS"


def look_in_database(source: Source) -> list[SourceLayer]:
    """List the spatial table that the URL's `table` names, or all spatial tables.

    Raises
    ------
    LayerError
        If the optional parts are missing, the database can't be reached, or there is no such table.
    """
    import_parts()
    wanted, _ = _wanted(source)
    with _connection(source) as connection:
        tables = [(f"{schema}.{table}", kind) for schema, table, kind in _spatial_tables(connection)]
        names = sorted({name for name, _ in tables})
        if wanted is not None:
            names = [name for name in names if name == wanted or name.partition(".")[2] == wanted]
            if not names:
                raise LayerError(
                    f"there is no spatial table {wanted!r}",
                    where=source.shown,
                    mend=did_you_mean(wanted, [name for name, _ in tables]),
                )
        kinds = dict(tables)
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


def read_table(layer: SourceLayer, columns: Sequence[str]) -> gpd.GeoDataFrame:
    """Read columns and geometry of a spatial table, in the order of its first column; curves become chords.

    All names go through the database library's own quoting; nothing that a user wrote becomes part of the SQL text.

    Raises
    ------
    LayerError
        If the database refuses.
    """
    import geopandas as gpd
    import pandas as pd
    import shapely
    import sqlalchemy as sa

    with _connection(layer.source) as connection:
        schema, _, table_name = layer.opens.partition(".")
        geometry = _geometry_column(connection, layer)
        every = [*_columns(connection, layer.opens)]
        table = sa.table(table_name, *(sa.column(name) for name in [*every, geometry]), schema=schema)
        shape = table.c[geometry]
        linear = sa.func.ST_AsBinary(sa.func.ST_CurveToLine(shape))
        order = [table.c[every[0]]] if every else [linear]
        rows = connection.execute(
            sa.select(*(table.c[name] for name in columns), linear, sa.func.ST_SRID(shape)).order_by(*order)
        ).all()
    data = pd.DataFrame.from_records([row[:-2] for row in rows], columns=list(columns))
    # memory views come back from the driver
    shapes = shapely.from_wkb([None if row[-2] is None else bytes(row[-2]) for row in rows])
    srids = sorted({int(row[-1]) for row in rows if row[-1]})
    if len(srids) > 1:
        raise LayerError(
            f"the table mixes the CRS codes {', '.join(map(str, srids))}", where=layer.where, mend="keep one CRS"
        )
    return gpd.GeoDataFrame(data, geometry=shapes, crs=f"EPSG:{srids[0]}" if srids else None)


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
        import sqlalchemy  # noqa: F401
    except ImportError as error:
        raise LayerError(
            f"reading a database needs the package {error.name}", mend="install it: pip install 'bajada[postgis]'"
        ) from None


def _wanted(source: Source) -> tuple[str | None, str | None]:
    """Find the table (or the layer after #) and the geometry column that the URL names."""
    query = dict(parse_qsl(urlsplit(source.url or "").query))
    return query.get("table", source.layer), query.get("geometry")


def _connection(source: Source) -> Any:
    import sqlalchemy as sa

    parts = urlsplit(source.url or "")
    rest = urlencode([pair for pair in parse_qsl(parts.query) if pair[0] not in ("table", "geometry")])
    address = parts._replace(scheme="postgresql+psycopg", query=rest, fragment="").geturl()
    try:
        return sa.create_engine(address, poolclass=sa.pool.NullPool).connect()
    except (sa.exc.SQLAlchemyError, ValueError):
        # the driver's text may repeat the address and its password
        raise LayerError(
            "the database can't be reached",
            where=source.shown,
            mend="check host, port, database, user and password",
        ) from None


def _spatial_tables(connection: Any) -> list[tuple[str, str, str]]:
    import sqlalchemy as sa

    listed = sa.table(
        "geometry_columns", *map(sa.column, ("f_table_schema", "f_table_name", "f_geometry_column", "type"))
    )
    try:
        rows = connection.execute(sa.select(listed.c.f_table_schema, listed.c.f_table_name, listed.c.type)).all()
    except sa.exc.ProgrammingError:
        raise LayerError(
            "the database holds no spatial tables", mend="check its name, and that its spatial extension is on"
        ) from None
    return [(str(schema), str(table), str(kind)) for schema, table, kind in rows]


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
    import sqlalchemy as sa

    schema, _, table = name.partition(".")
    listed = sa.table(
        "columns",
        *map(sa.column, ("table_schema", "table_name", "column_name", "udt_name", "ordinal_position")),
        schema="information_schema",
    )
    rows = connection.execute(
        sa.select(listed.c.column_name, listed.c.udt_name)
        .where(listed.c.table_schema == schema, listed.c.table_name == table)
        .order_by(listed.c.ordinal_position)
    ).all()
    return [str(column) for column, kind in rows if (kind == "geometry") == geometry]


def _count(connection: Any, name: str) -> int:
    import sqlalchemy as sa

    schema, _, table = name.partition(".")
    return int(connection.execute(sa.select(sa.func.count()).select_from(sa.table(table, schema=schema))).scalar_one())
