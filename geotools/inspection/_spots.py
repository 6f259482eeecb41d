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
from geotools.units import METRES_PER_INCH

__all__ = ["find_missing_gates", "find_openings"]

OPEN_GAP_M = 0.25 * METRES_PER_INCH
"""A gap of this clear width or more counts as open (published extension guides: 1/4 in)."""
_OPENING = re.compile(r"opening|gap|hole|drain|joint|washed", re.IGNORECASE)
_GATE = re.compile(r"\bgate\b", re.IGNORECASE)
_HALF_M = 0.15
_SAME_M = 1e-6


def find_openings(parts: Parts, samples: Samples, as_built: gpd.GeoDataFrame) -> list[dict[str, Any]]:
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
        told = f"{kind or 'opening'} of {size_m / METRES_PER_INCH:.3g} in" if size_m > 0 else f"{kind}: measure it"
        rows.append(_short_row(parts, int(samples.part[one]), float(samples.station_m[one]), "opening",
                               f"{told}; seal it to less than 1/4 in"))  # fmt: skip
    return rows


def find_missing_gates(
    lines: gpd.GeoDataFrame, parts: Parts, samples: Samples, as_built: gpd.GeoDataFrame
) -> list[dict[str, Any]]:
    kinds = texts_of(as_built, "kind")
    is_gate = np.array([bool(_GATE.search(kinds[row])) for row in samples.row], dtype=bool) & (samples.chain < 0)
    if not is_gate.any():
        if "gates" in lines.columns and (pd.to_numeric(lines["gates"]).fillna(0) > 0).any():
            warnings.warn("no gate was measured: gates are not checked", Noticed, stacklevel=4)
        return []
    found = np.bincount(parts.line[samples.part[is_gate]], minlength=len(lines))
    planned = pd.to_numeric(lines["gates"]).fillna(0).to_numpy(dtype=np.int64)
    rows = []
    for line in np.flatnonzero(planned > found):
        part = int(np.flatnonzero(parts.line == line)[0])
        told = f"{planned[line]} gate{'s' if planned[line] > 1 else ''} planned, {found[line]} found"
        rows.append(_short_row(parts, part, float(parts.start_m[part]), "missing gate", told))
    return rows


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
