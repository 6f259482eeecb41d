"""Read the rows of one vector layer as they were delivered, in their own CRS, flat and with straight edges."""

from __future__ import annotations

import codecs
import warnings
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from pyproj import CRS

from geotools.crs import check_source_crs, coded_crs, describe_crs, parse_crs, transform_bounds
from geotools.errors import LayerError
from geotools.findings import Finding
from geotools.layers.columnar import read_parquet
from geotools.layers.columns import ColumnUse, resolve_columns
from geotools.layers.repair import LARGEST_COORDINATE
from geotools.layers.schema import LayerSchema, check_options
from geotools.layers.source import Source, SourceLayer, choose_layer, hash_source, look_in, parse_source
from geotools.sources.remote import hushed

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path

    from numpy.typing import NDArray

__all__ = ["READ_WHOLE_UP_TO", "RawLayer", "finite_bounds", "load_rows", "read_vector"]

READ_WHOLE_UP_TO = 50_000
"""Features up to which a layer is read whole, so that every faulty row is named (assumption of this project)."""

_UNREADABLE = "shapes that can't be read are taken as missing"
_BOX_DRIVERS = ("GPKG", "ESRI Shapefile", "OpenFileGDB", "FlatGeobuf")
"""Drivers whose feature numbers still tell the row when only an area is read."""


_NEEDS_ALL_COLUMNS = ("OGR_VRT", "CSV")
"""Drivers that lose the geometry when the column that holds it is not asked for."""


@dataclass(frozen=True)
class RawLayer:
    """Rows as delivered: `frame` in the source's CRS, `rows` counted from 1, `bounds` of the whole layer."""

    frame: gpd.GeoDataFrame
    rows: NDArray[np.int64]
    layer: SourceLayer
    uses: list[ColumnUse]
    bounds: tuple[float, float, float, float]
    total: int
    sha256: str
    findings: list[Finding]

    @property
    def crs(self) -> CRS:
        """The CRS that the rows are in."""
        return CRS(self.frame.crs)

    def summary(self) -> dict[str, Any]:
        """Say where the layer came from, as the run's record holds it."""
        return {
            "source": self.layer.where,
            "sha256": self.sha256,
            "features": self.total,
            "crs": describe_crs(self.crs),
            "driver": self.layer.driver,
            "columns": {use.column.name: use.source_column for use in self.uses},
        }


def read_vector(
    text: str,
    schema: LayerSchema,
    options: Mapping[str, Any],
    *,
    base: Path | None = None,
    area: tuple[Sequence[float], CRS] | None = None,
    hashes: dict[Path, str] | None = None,
) -> RawLayer:
    """Read a layer: choose it, resolve its columns, load its rows, check its CRS.

    Parameters
    ----------
    text : str
        The source.
    schema : LayerSchema
        A schema without columns keeps the source's.
    options : mapping
        The layer's options.
    base : pathlib.Path, optional
        Folder of relative paths.
    area : (bounds, pyproj.CRS), optional
        Where to read; tables of a database, and layers of more than 50,000 features where the driver can, are read by
        area.
    hashes : dict, optional
        Hashes of files already taken in this job; added to.

    Raises
    ------
    LayerError
        If the source, a layer, a column or an option can't be used.
    CrsError
        If the CRS is missing or can't be.
    """
    check_options(schema, options)
    source = parse_source(text, base=base)
    with look_in(source, options) as found:
        named = options.get("layer", None if source.is_database else source.layer)
        layer = choose_layer(found, None if named is None else str(named), like=schema.name)
        if schema.name == "parcels" and not layer.features:
            raise LayerError("there is not one parcel in it", where=layer.where, mend="check the file and the layer")
        uses = resolve_columns(layer.fields, schema, options, where=layer.where)
        columns = [use.source_column for use in uses] if schema.name_fixed else list(layer.fields)
        frame, rows, bounds, findings = load_rows(
            layer,
            list(dict.fromkeys(columns)),
            name=schema.name,
            encoding=options.get("encoding"),
            area=area,
            crs=parse_crs(options["crs"], where=f"[{schema.name}] crs") if "crs" in options else None,
        )
        if named is None and len(found) > 1:
            message = f"of its {len(found)} layers the one called {layer.name} is read"
            findings.append(Finding("layer", "assumption", schema.name, message, mend="or name another: FILE#LAYER"))
        sha256 = _hash(source, frame, {} if hashes is None else hashes)
    stated = options.get("crs")
    if stated is not None:
        given = parse_crs(stated, where=f"[{schema.name}] crs")
        if frame.crs is not None and describe_crs(frame.crs) != describe_crs(given):
            message = f"taken to be in {describe_crs(given)} as told, though the source says {describe_crs(frame.crs)}"
            findings.append(Finding("crs", "assumption", schema.name, message))
        frame = frame.set_crs(given, allow_override=True)
    crs = coded_crs(check_source_crs(frame.crs, bounds, layer=schema.name, where=layer.where))
    frame = frame.set_crs(crs, allow_override=True)
    findings += _garbled(frame, schema.name)
    return RawLayer(frame, rows, layer, uses, bounds, layer.features, sha256, findings)


def load_rows(
    layer: SourceLayer,
    columns: Sequence[str],
    *,
    name: str,
    encoding: str | None = None,
    area: tuple[Sequence[float], CRS] | None = None,
    crs: CRS | None = None,
) -> tuple[gpd.GeoDataFrame, NDArray[np.int64], tuple[float, float, float, float], list[Finding]]:
    """Load rows of a layer: flat, curves as chords.

    Returns
    -------
    frame : geopandas.GeoDataFrame
        On a RangeIndex.
    rows : numpy.ndarray of int
        Rows in the source, counted from 1.
    bounds : tuple of 4 float
        West, south, east, north of the whole layer, coordinates that are no numbers left aside.
    findings : list of Finding
        Curves, Z and M given up.

    Raises
    ------
    LayerError
        If the driver gives up, or the text can't be decoded.
    """
    findings: list[Finding] = []
    window, window_crs = (None, None) if area is None else area
    if layer.driver == "PostGIS":
        from geotools.layers.database import read_table

        frame, rows, bounds = read_table(layer, columns, window=window, window_crs=window_crs, crs=crs)
    elif layer.driver == "Parquet":
        by_window = layer.features > READ_WHOLE_UP_TO
        frame, rows, bounds = read_parquet(
            layer, columns, window=window if by_window else None, window_crs=window_crs, crs=crs
        )
    else:
        with hushed(layer.source.url):
            box, bounds = _box(layer, area, crs)
            with warnings.catch_warnings(record=True) as heard, np.errstate(invalid="ignore"):
                warnings.simplefilter("ignore" if layer.source.url else "always")
                frame, curved = _load(layer, columns, encoding, box)
            rows = np.arange(1, len(frame) + 1) if box is None else _rows_of(layer, frame.index)
        told = dict.fromkeys(str(one.message) for one in heard)
        findings += [Finding("driver", "warning", name, _heard(text)) for text in told]
        if curved:
            message = "curves became chords of 4 degrees of arc (within 0.06 % of their radius)"
            findings.append(Finding("curves", "note", name, message))
    frame = frame.reset_index(drop=True)
    if frame.geometry.name != "geometry":
        frame = frame.rename_geometry("geometry")
    shapes = frame.geometry.to_numpy()
    tall = int((shapely.has_z(shapes) | shapely.has_m(shapes)).sum())
    if tall:
        frame = frame.set_geometry(gpd.GeoSeries(shapely.force_2d(shapes), index=frame.index, crs=frame.crs))
        findings.append(Finding("height", "note", name, f"{tall} shapes carry Z or M, which are dropped", count=tall))
    return frame, rows, bounds or finite_bounds(frame.geometry.to_numpy()), findings


def _heard(text: str) -> str:
    """Say in our words what a driver warns of."""
    if "non conformant file extension" in text:
        return "its name does not end as files of its kind do"
    return text if text == _UNREADABLE else f"its driver says: {text}"


def finite_bounds(geometries: NDArray[np.object_]) -> tuple[float, float, float, float]:
    """Find the bounds of shapes, coordinates that are no numbers left aside; NaN if there are none.

    Examples
    --------
    >>> finite_bounds(np.array([shapely.Point(1, 2), None]))
    (1.0, 2.0, 1.0, 2.0)
    """
    coordinates = shapely.get_coordinates(geometries)
    coordinates = coordinates[(np.abs(coordinates) <= LARGEST_COORDINATE).all(axis=1)]
    if not len(coordinates):
        return (np.nan,) * 4
    (west, south), (east, north) = coordinates.min(axis=0), coordinates.max(axis=0)
    return float(west), float(south), float(east), float(north)


def _hash(source: Source, frame: gpd.GeoDataFrame, hashes: dict[Path, str]) -> str:
    if source.path is None:
        from geotools.layers.database import hash_rows

        return hash_rows(frame)
    if source.path not in hashes:
        hashes[source.path] = hash_source(source)
    return hashes[source.path]


def _box(
    layer: SourceLayer, area: tuple[Sequence[float], CRS] | None, stated: CRS | None
) -> tuple[tuple[float, ...] | None, tuple[float, float, float, float] | None]:
    """Bounds to read by, in the layer's CRS, and the bounds of the whole layer; (None, None) to read it whole."""
    if area is None or layer.features <= READ_WHOLE_UP_TO or layer.driver not in _BOX_DRIVERS:
        return None, None
    import pyogrio

    info = pyogrio.read_info(layer.opens, layer=layer.name, force_total_bounds=True)
    if (stated is None and info["crs"] is None) or info["total_bounds"] is None:
        return None, None
    box = transform_bounds(area[0], area[1], stated or parse_crs(info["crs"], where=layer.where))
    if not np.isfinite(box).all():
        return None, None
    west, south, east, north = info["total_bounds"]
    return box, (float(west), float(south), float(east), float(north))


def _load(
    layer: SourceLayer, columns: Sequence[str], encoding: str | None, box: tuple[float, ...] | None
) -> tuple[gpd.GeoDataFrame, bool]:
    import pyogrio

    name = None if layer.driver == "GeoJSON" else layer.name  # its one layer has a name of the driver's making

    if encoding is not None:
        _check_encoding(encoding, layer)

    def load(use_arrow: bool, on_invalid: str = "raise") -> gpd.GeoDataFrame:
        frame: gpd.GeoDataFrame = pyogrio.read_dataframe(
            layer.opens,
            layer=name,
            columns=None if layer.driver in _NEEDS_ALL_COLUMNS else list(columns),
            encoding=encoding,
            bbox=box,
            fid_as_index=box is not None,
            use_arrow=use_arrow,
            on_invalid=on_invalid,
        )
        return frame

    try:
        try:
            # the Arrow way knows no encodings and no curves
            return load(use_arrow=encoding is None), False
        except NotImplementedError:
            return load(use_arrow=False), True
        except shapely.errors.GEOSException:
            warnings.warn(_UNREADABLE, stacklevel=2)
            return load(use_arrow=False, on_invalid="ignore"), False
    except UnicodeDecodeError:
        raise LayerError(
            "its text can't be decoded", where=layer.where, mend="say its encoding, such as encoding = 'cp1252'"
        ) from None
    except (
        pyogrio.errors.DataSourceError,
        pyogrio.errors.DataLayerError,
        pyogrio.errors.FeatureError,
        OSError,
    ) as error:
        cause = None if layer.source.url else error  # of an address the driver's words may repeat what is secret in it
        raise LayerError("its rows can't be read", where=layer.where, mend="export it again") from cause


def _check_encoding(encoding: str, layer: SourceLayer) -> None:
    try:
        codecs.lookup(encoding)
    except LookupError:
        raise LayerError(
            f"there is no encoding {encoding!r}", where=layer.where, mend="try 'cp1252' or 'utf-8'"
        ) from None


def _rows_of(layer: SourceLayer, fids: pd.Index) -> NDArray[np.int64]:
    """Rows, counted from 1, of feature numbers."""
    if layer.driver == "FlatGeobuf":  # its feature numbers are places in the file, from 0
        return np.asarray(fids.to_numpy() + 1, dtype=np.int64)
    import pyogrio

    every = pyogrio.read_dataframe(
        layer.opens, layer=layer.name, columns=[], read_geometry=False, fid_as_index=True, use_arrow=True
    ).index
    return np.asarray(every.get_indexer(fids) + 1, dtype=np.int64)


def _garbled(frame: gpd.GeoDataFrame, name: str) -> list[Finding]:
    """Look for the sign that stands for text that could not be decoded."""
    found = []
    for column in frame.columns.drop("geometry"):
        if pd.api.types.is_string_dtype(frame[column]):
            count = int(frame[column].str.contains("\ufffd", na=False).sum())
            if count:
                message = f"{count} of the values of {column} are garbled (\ufffd)"
                mend = f"say the encoding: --set {name}.encoding=cp1252"
                found.append(Finding("encoding", "warning", name, message, count=count, mend=mend))
    return found
