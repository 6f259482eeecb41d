"""Read and write GeoParquet 1.1 with a covering of bounds, rows that lie near each other together; write FlatGeobuf."""

from __future__ import annotations

import contextlib
import json
import warnings
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any, cast

import numpy as np

from geotools.errors import LayerError, Noticed, OutputError
from geotools.layers.source import NOT_OPENED, WHOLE, Part, Source, SourceLayer
from geotools.sources.remote import open_remote

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    import geopandas as gpd
    from numpy.typing import NDArray
    from pyproj import CRS

__all__ = ["hilbert_order", "look_in_parquet", "read_parquet", "write_flatgeobuf", "write_parquet"]

ROW_GROUP_ROWS = 8192
"""Rows that are read or skipped together (assumption of this project: a few square kilometres of lots)."""

_SIDES = ("xmin", "ymin", "xmax", "ymax")


def look_in_parquet(source: Source, opens: str) -> SourceLayer:
    """Look into a GeoParquet file; only its end is read.

    Raises
    ------
    LayerError
        If it is broken, or has no geometry.
    """
    names, features, geo = _describe(source, opens)
    covering = _covering(geo)
    hidden = {*geo["columns"], covering["xmin"][0] if covering else "bbox"}
    columns = tuple(name for name in names if name not in hidden)
    shape = ", ".join(geo["columns"][geo["primary_column"]].get("geometry_types", [])) or "Unknown"
    stem = Path(opens.partition("?")[0]).stem
    return SourceLayer(source, stem, opens, "Parquet", columns, shape, features)


def read_parquet(
    layer: SourceLayer,
    columns: Sequence[str],
    *,
    window: Sequence[float] | None = None,
    window_crs: CRS | None = None,
    crs: CRS | None = None,
) -> Part:
    """Read columns of a GeoParquet file, and by its covering of bounds only the rows that may lie in a window.

    Parameters
    ----------
    layer : SourceLayer
    columns : sequence of str
    window : sequence of 4 float, optional
        West, south, east, north; a file without a covering is read whole.
    window_crs : pyproj.CRS, optional
        CRS of the window; the layer's own without it.
    crs : pyproj.CRS, optional
        CRS that the layer is said to be in, whatever the file states.

    Returns
    -------
    Part
        Bounds are None where the file is read whole.

    Raises
    ------
    LayerError
        If it can't be read.
    """
    import geopandas as gpd
    from pyarrow import ArrowInvalid

    _, _, geo = _describe(layer.source, layer.opens)
    wanted = [*columns, geo["primary_column"]]
    covering = _covering(geo)
    box = None if window is None else _box(window, window_crs, crs or _stated_crs(geo))
    try:
        if box is None or covering is None:
            with _opened(layer.source, layer.opens) as file:
                frame = gpd.read_parquet(cast("str", file), columns=wanted)
            return Part(frame, np.arange(1, len(frame) + 1), None)
        sides = _read_sides(layer, covering)
        with np.errstate(invalid="ignore"):
            inside = (sides[0] <= box[2]) & (sides[1] <= box[3]) & (sides[2] >= box[0]) & (sides[3] >= box[1])
        with _opened(layer.source, layer.opens) as file:
            frame = gpd.read_parquet(cast("str", file), columns=wanted, bbox=box)
    except (ValueError, OSError, ArrowInvalid) as error:
        cause = None if layer.source.url else error  # of an address the words may repeat what is secret in it
        raise LayerError("its rows can't be read", where=layer.where, mend="export it again") from cause
    if len(frame) != inside.sum():
        raise LayerError(
            "its covering of bounds gives other rows than its reader", where=layer.where, mend="export it again"
        )
    west, south, east, north = (
        float(side(values)) if np.isfinite(values).any() else np.nan
        for side, values in zip((np.nanmin, np.nanmin, np.nanmax, np.nanmax), sides, strict=True)
    )
    return Part(frame, np.flatnonzero(inside) + 1, (west, south, east, north))


def hilbert_order(frame: gpd.GeoDataFrame) -> NDArray[np.int64]:
    """Order rows along a Hilbert curve through their representative points; rows without shape come last, in order.

    Returns
    -------
    numpy.ndarray of int, n
        Positions of rows.

    Examples
    --------
    >>> import geopandas as gpd
    >>> hilbert_order(gpd.GeoDataFrame(geometry=gpd.points_from_xy([0, 9, 0.1], [0, 9, 0.1]))).tolist()
    [0, 2, 1]
    """
    import geopandas as gpd
    import shapely

    shapes = np.asarray(frame.geometry.to_numpy(), dtype=object)
    whole = ~(shapely.is_missing(shapes) | shapely.is_empty(shapes))
    distance = np.full(len(frame), np.iinfo(np.int64).max)
    if whole.any():
        points: gpd.GeoSeries = gpd.GeoSeries(shapely.point_on_surface(shapes[whole]))
        distance[whole] = points.hilbert_distance().to_numpy(dtype=np.int64)
    return np.argsort(distance, kind="stable")


def write_parquet(path: Path, frame: gpd.GeoDataFrame) -> None:
    """Write a layer as GeoParquet 1.1: covering of bounds, rows along a Hilbert curve, the same bytes every time.

    Raises
    ------
    OutputError
        If the layer has no CRS, or the file can't be written.
    """
    import pyarrow as pa

    from geotools.layers.writing import writable

    _check_crs(frame, path)
    try:
        writable(frame.iloc[hilbert_order(frame)]).to_parquet(
            path,
            index=False,
            schema_version="1.1.0",
            geometry_encoding="WKB",
            write_covering_bbox=True,
            compression="zstd",
            row_group_size=ROW_GROUP_ROWS,
        )
    except (OSError, ValueError, pa.ArrowException) as error:
        raise OutputError(
            f"the file can't be written ({error})", where=str(path), mend="check folder and space"
        ) from None


def write_flatgeobuf(path: Path, frame: gpd.GeoDataFrame) -> None:
    """Write a layer as FlatGeobuf, whose rows the format itself puts along a Hilbert curve.

    Rows without shape can't stand in such a file: they are left out and said.

    Raises
    ------
    OutputError
        If the layer has no CRS, or the file can't be written.
    """
    from geotools.layers.writing import write_layers

    _check_crs(frame, path)
    without = frame.geometry.isna() | frame.geometry.is_empty
    if without.any():
        warnings.warn(
            f"{int(without.sum())} of {len(frame)} rows have no shape, which {path.name} can't hold: not in it",
            Noticed,
            stacklevel=2,
        )
    write_layers(path, {path.stem: frame[~without]}, driver="FlatGeobuf")


def _check_crs(frame: gpd.GeoDataFrame, path: Path) -> None:
    if frame.crs is None:
        raise OutputError("the layer has no CRS", where=str(path), mend="set it first")


@contextlib.contextmanager
def _opened(source: Source, opens: str) -> Iterator[str | IO[bytes]]:
    if source.url is None:
        yield opens
        return
    with open_remote(source.url) as file:
        yield file


def _describe(source: Source, opens: str) -> tuple[tuple[str, ...], int, dict[str, Any]]:
    import pyarrow as pa
    import pyarrow.parquet as pq

    try:
        with _opened(source, opens) as file, pq.ParquetFile(file) as table:
            kept = (table.schema_arrow.metadata or {}).get(b"geo")
            names, features = tuple(table.schema_arrow.names), table.metadata.num_rows
        geo = None if kept is None else json.loads(kept)
    except (pa.ArrowInvalid, OSError, ValueError) as error:
        raise LayerError(NOT_OPENED, where=source.shown, mend=WHOLE) from (None if source.url else error)
    if geo is None or geo.get("primary_column") not in geo.get("columns", {}):
        raise LayerError("it has no geometry (no 'geo' metadata)", where=source.shown, mend="write it as GeoParquet")
    return names, int(features), geo


def _covering(geo: dict[str, Any]) -> dict[str, list[str]] | None:
    covering = geo["columns"][geo["primary_column"]].get("covering", {}).get("bbox")
    return covering if covering and all(len(covering.get(side, ())) == 2 for side in _SIDES) else None


def _stated_crs(geo: dict[str, Any]) -> CRS | None:
    """CRS of the file: longitude and latitude where none is stated (GeoParquet 1.1), unknown where it is null."""
    from pyproj import CRS

    stated = geo["columns"][geo["primary_column"]].get("crs", "OGC:CRS84")
    return None if stated is None else CRS.from_user_input(stated)


def _box(window: Sequence[float], window_crs: CRS | None, own: CRS | None) -> tuple[float, ...] | None:
    """Bring a window to the layer's CRS; None where it can't be."""
    from geotools.crs import transform_bounds

    if window_crs is None:
        return tuple(map(float, window))
    box = None if own is None else transform_bounds(window, window_crs, own)
    return box if box is not None and np.isfinite(box).all() else None


def _read_sides(layer: SourceLayer, covering: dict[str, list[str]]) -> list[NDArray[np.float64]]:
    import pyarrow.parquet as pq

    with _opened(layer.source, layer.opens) as file, pq.ParquetFile(file) as table:
        read = table.read(columns=[".".join(covering[side]) for side in _SIDES])
    structure = read.column(covering["xmin"][0]).combine_chunks()
    return [structure.field(covering[side][1]).to_numpy(zero_copy_only=False).astype(float) for side in _SIDES]
