"""Read a job's inputs: every layer canonical, repaired, near the parcels, and in one CRS that measures true."""

from __future__ import annotations

from dataclasses import dataclass, field
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

import geopandas as gpd
import numpy as np
import pandas as pd

from geotools.crs import (
    check_working_crs,
    choose_working_crs,
    describe_crs,
    parse_crs,
    place_findings,
    transform_bounds,
    transformation_findings,
)
from geotools.errors import CrsError, GeotoolsError, LayerError, RasterError
from geotools.findings import Finding
from geotools.layers.extent import APART_M, gap_m, likely_cause, show_bounds
from geotools.layers.overlaps import overlap_findings
from geotools.layers.preparing import no_rejected, prepare_layer
from geotools.layers.schema import HABITAT_LAYERS, check_options, layer_schema
from geotools.layers.source import hash_source, parse_source
from geotools.layers.vector import finite_bounds, read_vector

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Mapping, Sequence
    from pathlib import Path

    from pyproj import CRS

    from geotools.layers.schema import LayerSchema
    from geotools.layers.vector import RawLayer
    from geotools.rasters import Raster

__all__ = ["MARGIN_M", "Inputs", "is_raster", "read_inputs"]

MARGIN_M = 2000.0
"""How far beyond the parcels other layers are read (assumption of this project: several decay lengths)."""

_SMALL_LOT_M2 = 100.0  # assumption of this project: the lots of a row of town houses
_NO_OPTIONS: Mapping[str, Mapping[str, Any]] = MappingProxyType({})
_RASTER_SUFFIXES = (".tif", ".tiff", ".vrt", ".img", ".asc", ".jp2", ".dem", ".bil", ".flt", ".nc", ".png")


@dataclass(frozen=True)
class Inputs:
    """What a job reads: layers by name in the working CRS, rows changed or left out, and what was noticed.

    `rejected` has the columns layer, row (from 1, in the source), id, reason ("left out: ..." or "repaired: ..."),
    geometry_text and geometry. `summary` has, by layer, source (without a password), sha256, features, crs, driver and
    columns.
    """

    layers: dict[str, gpd.GeoDataFrame | Raster]
    rejected: gpd.GeoDataFrame
    working_crs: CRS
    scale_error_pct: float
    summary: dict[str, dict[str, Any]] = field(default_factory=dict)
    findings: list[Finding] = field(default_factory=list)


def read_inputs(
    inputs: Mapping[str, str],
    *,
    options: Mapping[str, Mapping[str, Any]] = _NO_OPTIONS,
    working_crs: str = "auto",
    base: Path | None = None,
    margin_m: float = MARGIN_M,
    others: Collection[str] = (),
    put_aside: Callable[[str, gpd.GeoDataFrame], gpd.GeoDataFrame] | None = None,
) -> Inputs:
    """Read all inputs of a job.

    Every parcel stays one row, in input order, without geometry where its shape can't be used. Of the other layers,
    rows that can't be used are dropped and listed, and rows beyond the parcels' surroundings are dropped and counted.

    Parameters
    ----------
    inputs : mapping of str to str
        Layer to source; parcels are needed.
    options : mapping of str to mapping, optional
        Layer to its options: `id` or any canonical column = the source's name of it, `unit` of bare numbers, `crs`,
        `layer`, `encoding`; for rasters `crs`, `unit`, `red`, `near_infrared`, `index`.
    working_crs : str
        "auto", or a projected CRS in metres.
    base : pathlib.Path, optional
        Folder that relative paths start from.
    margin_m : float
        How far beyond the parcels other layers are read, in metres.
    others : collection of str
        Names of further layers, whose columns are kept as they are.
    put_aside : callable, optional
        Given each layer of features as soon as it is read, the parcels first; what it returns stands for the layer in
        the result. Where it returns an empty table, no more than one layer is held in memory beside the parcels.

    Returns
    -------
    Inputs
        Layers in the working CRS on a RangeIndex, with all columns of their schema.

    Raises
    ------
    LayerError
        If a layer, column, value or option can't be used, there are no parcels, or habitat lies elsewhere.
    RasterError
        If a raster can't be used or doesn't meet the parcels.
    CrsError
        If a CRS is missing, can't be, or doesn't measure true here.
    """
    schemas = {name: layer_schema(name, others=others) for name in (*inputs, *options)}
    if "parcels" not in inputs:
        raise LayerError("there are no parcels among the inputs", where="inputs", mend="add parcels = 'file#layer'")
    hashes: dict[Path, str] = {}
    raw = read_vector(inputs["parcels"], schemas["parcels"], options.get("parcels", {}), base=base, hashes=hashes)
    if not len(raw.frame):
        raise LayerError("there is not one parcel in it", where=raw.layer.where, mend="check the file and the layer")
    bounds = finite_bounds(raw.frame.geometry.to_numpy())
    if not np.isfinite(bounds).all():
        raise LayerError("no parcel has a usable shape", where=raw.layer.where, mend="deliver the layer again")
    crs, scale_error_pct, findings = _working_crs(raw, bounds, working_crs)
    prepared = prepare_layer(raw, schemas["parcels"], crs, keep_rows=True)
    parcels = prepared.layer
    findings += prepared.findings + overlap_findings(
        parcels.geometry.to_numpy(), parcels["parcel_id"].to_numpy(dtype=object)
    )
    findings += _small_lots(parcels)
    summary, rejected = {"parcels": raw.summary()}, [prepared.rejected]
    site = _Site(finite_bounds(parcels.geometry.to_numpy()), crs, raw.crs, margin_m, base, hashes)
    del raw, prepared
    layers: dict[str, gpd.GeoDataFrame | Raster] = {"parcels": put_aside("parcels", parcels) if put_aside else parcels}
    for name, text in inputs.items():
        if name == "parcels":
            continue
        if is_raster(name, text):
            layers[name], summary[name], found = _read_raster(name, text, schemas[name], options.get(name, {}), site)
            findings += found
            continue
        layer, summary[name], left, found = _read_other(text, schemas[name], options.get(name, {}), site)
        layers[name] = put_aside(name, layer) if put_aside else layer
        rejected.append(left)
        findings += found
    listed = [table for table in rejected if len(table)]
    table = pd.concat(listed, ignore_index=True) if listed else no_rejected(crs)
    return Inputs(
        layers=layers,
        rejected=gpd.GeoDataFrame(table, geometry="geometry", crs=crs),
        working_crs=crs,
        scale_error_pct=scale_error_pct,
        summary={name: summary[name] for name in inputs},
        findings=findings,
    )


def is_raster(name: str, text: str) -> bool:
    """Tell whether a source is a raster: elevation always, vegetation and land cover by the file's kind.

    Examples
    --------
    >>> is_raster("walls", "walls.gpkg"), is_raster("elevation", "dem.tif")
    (False, True)
    """
    if name == "elevation":
        return True
    if name not in ("vegetation", "land_cover"):
        return False
    return text.lower().partition("?")[0].endswith(_RASTER_SUFFIXES)


@dataclass(frozen=True)
class _Site:
    """Where the parcels are (bounds in the working CRS), and what they came in."""

    bounds: tuple[float, float, float, float]
    crs: CRS
    parcels_crs: CRS
    margin_m: float
    base: Path | None
    hashes: dict[Path, str]

    @property
    def area(self) -> tuple[float, float, float, float]:
        west, south, east, north = self.bounds
        more = self.margin_m
        return west - more, south - more, east + more, north + more


def _working_crs(raw: RawLayer, bounds: Sequence[float], wanted: str) -> tuple[CRS, float, list[Finding]]:
    for misplaced in place_findings(raw.crs, bounds, layer="parcels"):
        mend = f"{misplaced.mend}, and the order of its axes; say the true one: --set parcels.crs=EPSG:..."
        raise CrsError(misplaced.message, where=raw.layer.where, mend=mend)
    if wanted == "auto":
        try:
            crs = choose_working_crs(bounds, raw.crs)
        except GeotoolsError as error:
            raise error.at(raw.layer.where) from None
        scale_error_pct = check_working_crs(crs, bounds, raw.crs)
        message = (
            f"lengths are measured in {describe_crs(crs)} ({crs.name}), within {scale_error_pct:.3f} % of the ground"
        )
        findings = [Finding("working CRS", "assumption", "parcels", message)]
    else:
        crs = parse_crs(wanted, where="working_crs")
        scale_error_pct, findings = check_working_crs(crs, bounds, raw.crs), []
    return crs, scale_error_pct, findings + transformation_findings(raw.crs, crs, bounds, layer="parcels")


def _small_lots(parcels: gpd.GeoDataFrame) -> list[Finding]:
    """Warn of lots so small that their unit is in doubt: metres taken for feet make every area 11 times smaller."""
    median_m2 = float(parcels.area.median())
    if not median_m2 < _SMALL_LOT_M2:
        return []
    message = f"half of the lots are smaller than {median_m2:,.3g} sq m"
    return [Finding("size", "warning", "parcels", message, mend="check the unit of their CRS (feet or metres)")]


def _read_other(
    text: str, schema: LayerSchema, options: Mapping[str, Any], site: _Site
) -> tuple[gpd.GeoDataFrame, dict[str, Any], gpd.GeoDataFrame, list[Finding]]:
    raw = read_vector(text, schema, options, base=site.base, area=(site.area, site.crs), hashes=site.hashes)
    name = schema.name
    prepared = prepare_layer(raw, schema, site.crs, area=site.area)
    findings = prepared.findings
    if not raw.total:
        findings.append(Finding("empty", "warning", name, "there is nothing in it"))
        return prepared.layer, raw.summary(), prepared.rejected, findings
    beyond = prepared.beyond + raw.total - len(raw.frame)
    if beyond:
        place = f"more than {site.margin_m:,.0f} m beyond the parcels"
        message = f"{beyond} of {raw.total} features lie {place} and are not used"
        findings.append(Finding("beyond", "note", name, message, count=beyond))
    gap = gap_m(transform_bounds(raw.bounds, raw.crs, site.crs), site.bounds)
    if not len(prepared.layer) and not len(prepared.rejected):
        findings += _elsewhere(raw, schema, gap, site)
    findings += transformation_findings(raw.crs, site.crs, raw.bounds, layer=name)
    return prepared.layer, raw.summary(), prepared.rejected, findings


def _elsewhere(raw: RawLayer, schema: LayerSchema, gap: float, site: _Site) -> list[Finding]:
    """Refuse habitat that lies nowhere near the parcels, and warn of other layers."""
    if gap <= APART_M:
        message = f"nothing in it lies within {site.margin_m:,.0f} m of the parcels"
        return [Finding("beyond", "warning", schema.name, message, count=raw.total)]
    own = transform_bounds(site.bounds, site.crs, raw.crs)
    far = f"{gap / 1000.0:,.1f} km away" if np.isfinite(gap) else "nowhere near"
    what = (
        f"the layers do not overlap: it lies {far}, at {show_bounds(raw.bounds)} in {describe_crs(raw.crs)}, "
        f"the parcels (from {describe_crs(site.parcels_crs)}) at {show_bounds(own)} there"
    )
    mend = likely_cause(
        raw.bounds, raw.crs, near=site.bounds, working_crs=site.crs, parcels_crs=site.parcels_crs, layer=schema.name
    )
    if schema.name in HABITAT_LAYERS:
        raise LayerError(what, where=raw.layer.where, mend=mend)
    return [Finding("elsewhere", "warning", schema.name, what, count=raw.total, mend=mend)]


def _read_raster(
    name: str, text: str, schema: LayerSchema, options: Mapping[str, Any], site: _Site
) -> tuple[Raster, dict[str, Any], list[Finding]]:
    from geotools.rasters import open_raster

    check_options(schema, options, raster=True)
    source = parse_source(text, base=site.base)
    raster = open_raster(source.path or source.url or "", name, options)
    bounds = transform_bounds(raster.bounds, raster.crs, site.crs)
    if not gap_m(bounds, site.bounds) <= 0.0:
        own = transform_bounds(site.bounds, site.crs, raster.crs)
        raise RasterError(
            "the layers do not overlap: "
            f"the raster lies at {show_bounds(raster.bounds)} in {describe_crs(raster.crs)}, "
            f"the parcels (from {describe_crs(site.parcels_crs)}) at {show_bounds(own)} there",
            where=source.shown,
            mend=likely_cause(
                raster.bounds,
                raster.crs,
                near=site.bounds,
                working_crs=site.crs,
                parcels_crs=site.parcels_crs,
                layer=name,
            ),
        )
    findings = []
    if source.url:
        message = "it is read in parts from its address, so that no hash tells whether it changes"
        findings.append(Finding("hash", "note", name, message))
    west, south, east, north = site.bounds
    if not (bounds[0] <= west and bounds[1] <= south and bounds[2] >= east and bounds[3] >= north):
        message = "it doesn't cover all parcels; values beyond it are missing"
        findings.append(Finding("cover", "warning", name, message))
    if name == "elevation" and not raster.value_unit:
        mend = "say it otherwise: --set elevation.unit=ft"
        findings.append(Finding("unit", "assumption", name, "its elevations are taken to be in metres", mend=mend))
    findings += transformation_findings(raster.crs, site.crs, raster.bounds, layer=name)
    summary = {
        "source": source.shown,
        "sha256": None if source.url else hash_source(source),
        "features": None,
        "crs": describe_crs(raster.crs),
        "driver": "raster",
        "columns": dict(raster.bands),
        "cells": [raster.width, raster.height],
        "bands": raster.count,
    }
    return raster, summary, findings
