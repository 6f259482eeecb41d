"""Write tables as GeoJSON or rows for the net, in longitude and latitude, and read them back in the working CRS."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from shapely.geometry import mapping, shape

from geotools.errors import LayerError

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from pyproj import CRS

__all__ = ["LONLAT", "move_table", "read_features", "read_rows", "table_as_json"]

LONLAT = "OGC:CRS84"
"""Longitude and latitude on WGS 84, in this order, as RFC 7946 has it."""
_KINDS = {"b": "bool", "i": "int64", "u": "int64", "f": "float64"}
_SHAPE = "geometry"
_SHAPE_TYPES = frozenset(
    ("Point", "LineString", "Polygon", "MultiPoint", "MultiLineString", "MultiPolygon", "GeometryCollection")
)


def table_as_json(table: pd.DataFrame) -> Any:
    """Write a table: a GeoJSON FeatureCollection when it has shapes, a list of rows otherwise.

    A FeatureCollection names its columns and their kinds under `columns` (a foreign member, as RFC 7946 allows), so
    that an empty one, or a column with nothing in it, reads back as it was.

    Parameters
    ----------
    table : pandas.DataFrame or geopandas.GeoDataFrame
        In any CRS; further columns of shapes become GeoJSON geometries among the properties.

    Returns
    -------
    dict or list
        Ready for JSON: longitude and latitude at full precision, outer rings against the clock, null for what is
        missing or no finite number.

    Examples
    --------
    >>> table_as_json(pd.DataFrame({"height_in": [30.0, np.nan]}))
    [{'height_in': 30.0}, {'height_in': None}]
    """
    if table.index.nlevels > 1 or table.index.name is not None:
        table = table.reset_index()
    if not isinstance(table, gpd.GeoDataFrame) or table._geometry_column_name not in table:
        return _rows(pd.DataFrame(table), None)
    shapes = _shapes_as_json(table.geometry)
    others = pd.DataFrame(table.drop(columns=table.geometry.name))
    return {
        "type": "FeatureCollection",
        "features": [
            {"type": "Feature", "properties": row, "geometry": one}
            for row, one in zip(_rows(others, table.crs), shapes, strict=True)
        ],
        "columns": {str(name): _kind(others[name]) for name in others},
    }


def read_features(collection: Mapping[str, Any], *, where: str) -> gpd.GeoDataFrame:
    """Read a FeatureCollection, in longitude and latitude.

    Parameters
    ----------
    collection : mapping
        As `table_as_json` writes it; without `columns` the kinds are taken from the values.
    where : str
        How a message names it.

    Returns
    -------
    geopandas.GeoDataFrame

    Raises
    ------
    LayerError
        If a geometry or a column can't be read.

    Examples
    --------
    >>> read_features({"features": [], "columns": {"height_in": "float64"}}, where="inputs.lots").columns.tolist()
    ['height_in', 'geometry']
    """
    features = collection["features"]
    rows = [feature.get("properties") or {} for feature in features]
    kinds = collection.get("columns") or {}
    if not isinstance(kinds, dict) or not all(isinstance(row, dict) for row in rows):
        raise LayerError("its columns or properties are no objects", where=where, mend="write them as GeoJSON has them")
    columns = _columns(rows, kinds, where)
    shapes = _read_shapes([feature.get("geometry") for feature in features], where)
    return gpd.GeoDataFrame(columns, geometry=gpd.GeoSeries(shapes, index=pd.RangeIndex(len(rows)), crs=LONLAT))


def read_rows(rows: Sequence[Mapping[str, Any]], *, where: str) -> pd.DataFrame:
    """Read a list of rows; the kinds of columns are taken from the values.

    Raises
    ------
    LayerError
        If a column can't be read.

    Examples
    --------
    >>> read_rows([{"height_in": 30}, {"height_in": None}], where="inputs.heights")["height_in"].tolist()
    [30.0, nan]
    """
    return pd.DataFrame(_columns(rows, {}, where), index=pd.RangeIndex(len(rows)))


def move_table(table: gpd.GeoDataFrame, crs: CRS) -> gpd.GeoDataFrame:
    """Bring every column of shapes into a CRS."""
    moved: gpd.GeoDataFrame = table.to_crs(crs)
    for name in moved.columns[moved.dtypes == _SHAPE]:
        if name != moved.geometry.name:
            moved[name] = moved[name].to_crs(crs)
    return moved


def _kind(column: pd.Series[Any]) -> str:
    if _holds_shapes(column):
        return _SHAPE
    return _KINDS.get(getattr(column.dtype, "kind", "O"), "object")


def _holds_shapes(column: pd.Series[Any]) -> bool:
    if column.dtype == _SHAPE:
        return True
    return column.dtype == object and any(isinstance(one, shapely.Geometry) for one in column)


def _rows(table: pd.DataFrame, crs: CRS | None) -> list[dict[str, Any]]:
    columns: dict[str, list[Any]] = {}
    for name in table:
        column = table[name]
        if _holds_shapes(column):
            columns[str(name)] = _shapes_as_json(gpd.GeoSeries(np.asarray(column, dtype=object), crs=crs))
        else:
            columns[str(name)] = [_plain(one) for one in column.tolist()]
    if not columns:
        return [{} for _ in range(len(table))]
    return [dict(zip(columns, row, strict=True)) for row in zip(*columns.values(), strict=True)]


def _shapes_as_json(shapes: gpd.GeoSeries) -> list[Any]:
    moved = (shapes if shapes.crs is None else shapes.to_crs(LONLAT)).to_numpy()
    turned = shapely.orient_polygons(np.asarray(moved, dtype=object), exterior_cw=False)
    return [None if one is None else mapping(one) for one in turned]


def _plain(value: Any) -> Any:
    if value is None or isinstance(value, str | bool | int):
        return value
    if isinstance(value, float):
        return value if np.isfinite(value) else None
    if isinstance(value, dict):
        return {str(name): _plain(one) for name, one in value.items()}
    if isinstance(value, list | tuple | set | frozenset):
        return [_plain(one) for one in value]
    if hasattr(value, "tolist"):
        return _plain(value.tolist())
    if value is pd.NaT or value is pd.NA:
        return None
    return value.isoformat() if hasattr(value, "isoformat") else str(value)


def _columns(rows: Sequence[Mapping[str, Any]], kinds: Mapping[str, Any], where: str) -> dict[str, Any]:
    names = dict.fromkeys([*kinds, *(name for row in rows for name in row)])
    return {name: _column([row.get(name) for row in rows], kinds.get(name), f"{where}.{name}") for name in names}


def _column(values: list[Any], kind: Any, where: str) -> Any:
    known = [one for one in values if one is not None]
    if kind == _SHAPE or (known and all(_is_shape(one) for one in known)):
        return gpd.GeoSeries(_read_shapes(values, where), index=pd.RangeIndex(len(values)), crs=LONLAT)
    try:
        if kind in ("int64", "bool") and len(known) == len(values):
            return np.array(values, dtype=kind)
        if kind in ("int64", "float64") or (kind is None and _are_numbers(known, values)):
            return np.array([np.nan if one is None else one for one in values], dtype=np.float64)
    except (TypeError, ValueError, OverflowError):
        raise LayerError(f"it holds values that are no {kind}", where=where, mend="mend them") from None
    return pd.Series(values, index=pd.RangeIndex(len(values))) if known else np.array(values, dtype=object)


def _are_numbers(known: Iterable[Any], values: list[Any]) -> bool:
    """Whether a column without a kind is one of numbers with gaps; one with nothing in it is taken for that."""
    known = list(known)
    return len(known) < len(values) and all(isinstance(one, int | float) and not isinstance(one, bool) for one in known)


def _is_shape(value: Any) -> bool:
    return isinstance(value, dict) and value.get("type") in _SHAPE_TYPES and len(value) == len(("type", "coordinates"))


def _read_shapes(values: list[Any], where: str) -> list[Any]:
    made = []
    for number, value in enumerate(values, start=1):
        try:
            made.append(None if value is None else shape(value))
        except (ValueError, TypeError, KeyError, AttributeError, IndexError, shapely.errors.ShapelyError):
            raise LayerError("its geometry can't be read", where=f"{where}, feature {number}", mend="mend it") from None
    return made
