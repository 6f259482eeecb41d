"""Look at a source before a run and list everything that is wrong with it; faults of the data become findings."""

from __future__ import annotations

from types import MappingProxyType
from typing import TYPE_CHECKING, Any

import numpy as np

from geotools.crs import (
    check_source_crs,
    check_working_crs,
    choose_working_crs,
    describe_crs,
    parse_crs,
    place_findings,
)
from geotools.errors import CrsError, GeotoolsError
from geotools.findings import Finding, first_few
from geotools.layers.columns import read_columns, resolve_columns
from geotools.layers.overlaps import overlap_findings
from geotools.layers.preparing import move_shapes
from geotools.layers.reading import is_raster
from geotools.layers.repair import clean_geometries, is_left_out
from geotools.layers.schema import LAYERS, LayerSchema, check_options, layer_schema
from geotools.layers.source import choose_layer, look_in, parse_source
from geotools.layers.vector import load_rows

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path

    import geopandas as gpd
    from numpy.typing import NDArray

    from geotools.layers.source import Source, SourceLayer

__all__ = ["check_source"]

_NO_OPTIONS: Mapping[str, Any] = MappingProxyType({})
_ANY = LayerSchema("", ("point", "line", "polygon"))


def check_source(
    source: str, *, name: str | None = None, options: Mapping[str, Any] = _NO_OPTIONS, base: Path | None = None
) -> list[Finding]:
    """List what is wrong with a source, never stopping at the first fault.

    Parameters
    ----------
    source : str
        A source, or `layer=source` with one of the toolkit's layer names.
    name : str, optional
        The layer that it is meant for. Without it, layers of the file that bear one of the toolkit's names are held
        against its schema, and the others are looked at for their shapes alone.
    options : mapping, optional
        The layer's options.
    base : pathlib.Path, optional
        Folder that relative paths start from.

    Returns
    -------
    list of Finding
        Errors stop a run; warnings, assumptions and notes don't. A sound layer gives one note that says what it is.
    """
    head, equals, rest = source.partition("=")
    if name is None and equals and head in LAYERS:
        name, source = head, rest
    label = name or "source"
    try:
        schema = layer_schema(name) if name is not None else None
        if is_raster(name or "", source) or (name is None and is_raster("vegetation", source)):
            return _check_raster(source, name, options, base)
        if schema is not None:
            check_options(schema, options)
        parsed = parse_source(source, base=base)
        with look_in(parsed, options) as found:
            return [
                one for layer in _layers(parsed, found, schema, options) for one in _check_layer(layer, schema, options)
            ]
    except GeotoolsError as error:
        return [_as_finding(error, label)]


def _layers(
    source: Source, found: list[SourceLayer], schema: LayerSchema | None, options: Mapping[str, Any]
) -> list[SourceLayer]:
    named = options.get("layer", None if source.is_database else source.layer)
    if schema is not None or named is not None:
        like = schema.name if schema is not None else ""
        return [choose_layer(found, None if named is None else str(named), like=like)]
    return found


def _check_layer(layer: SourceLayer, schema: LayerSchema | None, options: Mapping[str, Any]) -> list[Finding]:
    schema = schema or LAYERS.get(layer.name.casefold(), _ANY)
    if not schema.shapes:
        schema = _ANY
    name = schema.name or layer.name
    found: list[Finding] = []
    uses = []
    try:
        uses = resolve_columns(layer.fields, schema, options, where=layer.where)
    except GeotoolsError as error:
        found.append(_as_finding(error, name))
    try:
        columns = list(dict.fromkeys(use.source_column for use in uses))
        frame, rows, bounds, noticed = load_rows(layer, columns, encoding=options.get("encoding"), name=name)
    except GeotoolsError as error:
        return [*found, _as_finding(error, name)]
    found += noticed
    if not len(frame):
        severity = "error" if name == "parcels" else "warning"
        return [*found, Finding("empty", "error" if severity == "error" else "warning", name, "there is nothing in it")]
    table, faults = read_columns(frame, uses, schema, rows=rows, where=layer.where)
    for fault in faults:
        named = first_few(f"row {row}" for row in fault.rows)
        what = f"{fault.place}: {fault.what}"
        found.append(Finding("values", "error", name, what, count=len(fault.rows), first_ids=named, mend=fault.mend))
    known = "parcel_id" in table and bool(uses)
    ids = table["parcel_id"].to_numpy(dtype=object) if known else np.array([f"row {row}" for row in rows])
    shapes, measured, noticed = _measurable(frame, bounds, options, name, layer)
    found += noticed
    found += _check_shapes(shapes, schema, rows, name, measured=measured, ids=ids)
    found.append(
        Finding("layer", "note", name, f"{layer.where}: {len(frame)} features, {layer.driver}", count=len(frame))
    )
    return found


def _measurable(
    frame: gpd.GeoDataFrame, bounds: Sequence[float], options: Mapping[str, Any], name: str, layer: SourceLayer
) -> tuple[NDArray[np.object_], bool, list[Finding]]:
    """Bring shapes into a CRS in metres where the source's CRS allows it; otherwise leave them as they are."""
    raw = np.asarray(frame.geometry.to_numpy(), dtype=object)
    try:
        stated = parse_crs(options["crs"], where=f"[{name}] crs") if "crs" in options else frame.crs
        crs = check_source_crs(stated, bounds, layer=name, where=layer.where)
        if not np.isfinite(bounds).all():
            return raw, False, []
        working = choose_working_crs(bounds, crs)
        error_pct = check_working_crs(working, bounds, crs)
    except CrsError as error:
        return raw, False, [_as_finding(error, name)]
    used = f"{describe_crs(working)}, within {error_pct:.3f} % of the ground"
    message = f"in {describe_crs(crs)}; lengths would be measured in {used}"
    found = [*place_findings(crs, bounds, layer=name), Finding("CRS", "note", name, message)]
    return move_shapes(frame.geometry.set_crs(crs, allow_override=True), working), True, found


def _check_shapes(
    shapes: NDArray[np.object_],
    schema: LayerSchema,
    rows: NDArray[np.int64],
    name: str,
    *,
    measured: bool,
    ids: NDArray[np.object_],
) -> list[Finding]:
    cleaned = clean_geometries(shapes, shapes=schema.shapes)
    left_out = is_left_out(cleaned.reason)
    changed = (cleaned.reason != "") & ~left_out
    found = []
    for which, kind, what in ((left_out, "left out", "would be left out"), (changed, "repaired", "would be repaired")):
        if which.any():
            named = first_few(f"row {row}: {why}" for row, why in zip(rows[which], cleaned.reason[which], strict=True))
            stops = bool(left_out.all()) or (name == "parcels" and bool((left_out | changed).all()))
            message = f"{int(which.sum())} of {len(rows)} shapes {what}"
            found.append(
                Finding(kind, "error" if stops else "warning", name, message, count=int(which.sum()), first_ids=named)
            )
    if measured and schema.name == "parcels":
        found += overlap_findings(cleaned.geometry, ids)
    return found


def _check_raster(source: str, name: str | None, options: Mapping[str, Any], base: Path | None) -> list[Finding]:
    from geotools.rasters import open_raster

    label = name or "raster"
    if name is not None:
        check_options(layer_schema(name), options, raster=True)
    parsed = parse_source(source, base=base)
    raster = open_raster(parsed.path or parsed.url or "", label, options)
    message = (
        f"{parsed.shown}: {raster.width} x {raster.height} cells, bands: {raster.count}, "
        f"in {describe_crs(raster.crs)}, "
        f"no data: {'not stated' if raster.nodata is None else raster.nodata}"
    )
    found = [Finding("layer", "note", label, message, count=raster.width * raster.height)]
    if label == "elevation" and not raster.value_unit:
        mend = "say it otherwise: --set elevation.unit=ft"
        found.append(Finding("unit", "assumption", label, "its elevations are taken to be in metres", mend=mend))
    if label == "vegetation" and not raster.bands:
        mend = "say --set vegetation.red=3 --set vegetation.near_infrared=4, or vegetation.index=1"
        found.append(Finding("bands", "warning", label, "its bands are not named", mend=mend))
    return found


def _as_finding(error: GeotoolsError, layer: str) -> Finding:
    what = f"{error.where}: {error.what}" if error.where else error.what
    return Finding(type(error).__name__.removesuffix("Error").lower(), "error", layer, what, mend=error.mend)
