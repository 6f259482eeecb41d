"""Bring measured stations to the planned line that they belong to."""

from __future__ import annotations

from typing import Any, NamedTuple

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

__all__ = ["Parts", "Samples", "cut_parts", "find_samples", "texts_of"]

_STEP_M = 0.5
"""A measured line is read every half metre (assumption of this project)."""


class Parts(NamedTuple):
    """Unbroken pieces of the planned lines: shape, row of their line, station where they begin, length, closed."""

    shapes: NDArray[np.object_]
    line: NDArray[np.int64]
    start_m: NDArray[np.float64]
    length_m: NDArray[np.float64]
    closed: NDArray[np.bool_]


class Samples(NamedTuple):
    """Measured places: row of the as-built table, chain (-1 for points), order, part, station, distance, height."""

    row: NDArray[np.int64]
    chain: NDArray[np.int64]
    order: NDArray[np.int64]
    part: NDArray[np.int64]
    station_m: NDArray[np.float64]
    away_m: NDArray[np.float64]
    height_m: NDArray[np.float64]


def cut_parts(lines: gpd.GeoDataFrame) -> Parts:
    """Cut planned lines into their unbroken pieces, stations running on from piece to piece."""
    shapes, line = shapely.get_parts(shapely.force_2d(lines.geometry.to_numpy()), return_index=True)
    length_m = shapely.length(shapes)
    before_m = np.cumsum(length_m) - length_m
    first = np.searchsorted(line, line)
    return Parts(shapes, line, before_m - before_m[first], length_m, shapely.is_ring(shapes))


def find_samples(lines: gpd.GeoDataFrame, parts: Parts, as_built: gpd.GeoDataFrame, *, within_m: float) -> Samples:
    """Measured points, and points along measured lines, each with the nearest planned line within reach.

    A row that names its line or its lot belongs to no other.
    """
    shapes, row = shapely.get_parts(shapely.force_2d(as_built.geometry.to_numpy()), return_index=True)
    dimension = shapely.get_dimensions(shapes)
    chains = np.where(dimension == 1, np.arange(len(shapes)), -1)
    dense = np.where(dimension == 1, shapely.segmentize(shapes, _STEP_M), shapes)
    usable = (dimension == 0) | (dimension == 1)
    coordinates, at = shapely.get_coordinates(dense[usable], return_index=True)
    at = np.flatnonzero(usable)[at]
    points: Any = shapely.points(coordinates)
    order = np.arange(len(points))
    sample, part = shapely.STRtree(parts.shapes).query(points, predicate="dwithin", distance=within_m)
    for column in ("line_id", "parcel_id"):
        named = texts_of(as_built, column)[row[at[sample]]]
        own = texts_of(lines, column)[parts.line[part]]
        keep = (named == "") | (named == own)
        sample, part = sample[keep], part[keep]
    away_m: Any = shapely.distance(points[sample], parts.shapes[part])
    ranked = np.lexsort((part, away_m, sample))
    sample, part, away_m = sample[ranked], part[ranked], away_m[ranked]
    first = np.append(True, sample[1:] != sample[:-1])[: len(sample)]
    sample, part, away_m = sample[first], part[first], away_m[first]
    station_m = parts.start_m[part] + shapely.line_locate_point(parts.shapes[part], points[sample])
    heights_m = _numbers(as_built, "height_m")[row[at[sample]]]
    return Samples(row[at[sample]], chains[at[sample]], order[sample], part, station_m, away_m, heights_m)


def texts_of(table: pd.DataFrame, column: str) -> NDArray[Any]:
    """A column as text, empty where it is missing or not there."""
    if column not in table.columns:
        return np.full(len(table), "", dtype=object)
    return table[column].astype(object).where(table[column].notna(), "").astype(str).to_numpy(dtype=object)


def _numbers(table: pd.DataFrame, column: str) -> NDArray[np.float64]:
    if column not in table.columns:
        return np.full(len(table), np.nan)
    return pd.to_numeric(table[column]).to_numpy(dtype=np.float64, na_value=np.nan)
