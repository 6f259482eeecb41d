"""Find the single spots of a built line that fail: openings that were met, and gates that are missing."""

from __future__ import annotations

import re
import warnings
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
from shapely.ops import substring

from geotools.errors import Noticed
from geotools.inspection._measured import Parts, Samples, texts_of
from geotools.units import METRES_PER_INCH, write_small

__all__ = ["find_missing_gates", "find_openings"]

OPEN_GAP_M = 0.25 * METRES_PER_INCH
"""A gap of this clear width or more counts as open (published extension guides: 1/4 in)."""
_OPENING = re.compile(r"opening|gap|hole|drain|joint|washed", re.IGNORECASE)
_GATE = re.compile(r"\bgate\b", re.IGNORECASE)
_HALF_M = 0.15
_SAME_M = 1e-6


def find_openings(parts: Parts, samples: Samples, as_built: gpd.GeoDataFrame, units: str) -> list[dict[str, Any]]:
    """A short stretch about each opening that was found."""
    kinds = texts_of(as_built, "kind")
    sizes = (
        pd.to_numeric(as_built["opening_m"]).to_numpy(dtype=np.float64, na_value=np.nan)
        if "opening_m" in as_built.columns
        else np.full(len(as_built), np.nan)
    )
    rows = []
    for one in np.flatnonzero(samples.chain < 0):
        kind, size_m = kinds[samples.row[one]], sizes[samples.row[one]]
        named = bool(_OPENING.search(kind))
        if not (size_m >= OPEN_GAP_M - _SAME_M or (named and np.isnan(size_m))):
            continue
        told = f"{kind or 'opening'} of {write_small(size_m, units=units)}" if size_m > 0 else f"{kind}: measure it"
        rows.append(_short_row(parts, int(samples.part[one]), float(samples.station_m[one]), "opening",
                               f"{told}; seal it to less than {write_small(OPEN_GAP_M, units=units)}"))  # fmt: skip
    return rows


def find_missing_gates(
    lines: gpd.GeoDataFrame,
    parts: Parts,
    samples: Samples,
    as_built: gpd.GeoDataFrame,
    planned_gates: gpd.GeoDataFrame | None,
    *,
    snap_m: float,
) -> list[dict[str, Any]]:
    """A short stretch at the place of each planned gate that is missing, or at the beginning of its line."""
    kinds = texts_of(as_built, "kind")
    is_gate = np.array([bool(_GATE.search(kinds[row])) for row in samples.row], dtype=bool) & (samples.chain < 0)
    counts = pd.to_numeric(lines["gates"]).fillna(0).to_numpy(dtype=np.int64) if "gates" in lines.columns else None
    if counts is None or not (counts > 0).any():
        return []
    if not is_gate.any():
        warnings.warn("no gate was measured: gates are not checked", Noticed, stacklevel=4)
        return []
    at_line, at_m = parts.line[samples.part[is_gate]], samples.station_m[is_gate]
    places = _places(lines, planned_gates)
    rows = []
    for line in np.flatnonzero(counts > 0):
        left_m = at_m[at_line == line].tolist()
        own_parts = np.flatnonzero(parts.line == line)
        missing = []
        for number, station_m in places.get(int(line), []):
            nearest_m = min(left_m, key=lambda one_m: abs(one_m - station_m), default=np.inf)
            if abs(nearest_m - station_m) <= snap_m + _SAME_M:
                left_m.remove(nearest_m)
            else:
                missing.append((number, station_m))
        for number, station_m in missing:
            part = own_parts[np.searchsorted(parts.start_m[own_parts], station_m, side="right") - 1]
            told = f"gate {number} planned here, none found"
            rows.append(_short_row(parts, int(part), station_m, "missing gate", told))
        unplaced = int(counts[line]) - len(places.get(int(line), []))
        if unplaced > len(left_m):
            told = f"{unplaced} gate{'s' if unplaced > 1 else ''} planned, {len(left_m)} found"
            part = int(own_parts[0])
            rows.append(_short_row(parts, part, float(parts.start_m[part]), "missing gate", told))
    return rows


def _places(lines: gpd.GeoDataFrame, planned_gates: gpd.GeoDataFrame | None) -> dict[int, list[tuple[int, float]]]:
    """Number and station of the gates that have a place, by row of their line."""
    found: dict[int, list[tuple[int, float]]] = {}
    if planned_gates is None:
        return found
    row = pd.Index(lines["line_id"].astype(str)).get_indexer(pd.Index(planned_gates["line_id"].astype(str)))
    stations_m = planned_gates["station_m"].to_numpy(dtype=np.float64, na_value=np.nan)
    for line, number, station_m in zip(row.tolist(), planned_gates["gate"], stations_m.tolist(), strict=True):
        if line >= 0 and np.isfinite(station_m):
            found.setdefault(line, []).append((int(number), station_m))
    return found


def _short_row(parts: Parts, part: int, station_m: float, finding: str, what: str) -> dict[str, Any]:
    start_m, length_m = float(parts.start_m[part]), float(parts.length_m[part])
    begin_m = max(station_m - _HALF_M, start_m)
    end_m = min(station_m + _HALF_M, start_m + length_m)
    return {
        "from_m": begin_m, "to_m": end_m, "length_m": end_m - begin_m, "needed_height_m": np.nan,
        "measured_height_m": np.nan, "short_m": np.nan, "away_m": np.nan, "finding": finding, "passes": False,
        "what": what, "line": int(parts.line[part]),
        "geometry": substring(parts.shapes[part], begin_m - start_m, end_m - start_m),
    }  # fmt: skip
