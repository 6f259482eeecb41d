"""Draw the lines along which a new barrier could run: lot boundaries, yards, the habitat's edge."""

from __future__ import annotations

import warnings
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import shapely

from geotools.closure._arrangement import segments_of
from geotools.errors import Assumed
from geotools.units import write_length

if TYPE_CHECKING:
    import geopandas as gpd
    from numpy.typing import NDArray

    Ints = NDArray[np.intp]
    Shapes = NDArray[np.object_]

__all__ = ["draw_candidates", "owner_of", "widen_roads"]

_SEPARATOR = " | "


def draw_candidates(
    lots: Shapes,
    protected: Shapes,
    habitat: Shapes,
    barred: Shapes,
    more_lines: gpd.GeoDataFrame | None,
    edge_within_m: float,
) -> Shapes:
    """Draw all lines along which a new barrier could run.

    Parameters
    ----------
    lots, protected : arrays of polygons, n
    habitat : array of polygons
        Its outline counts as far as it lies within `edge_within_m` of a lot.
    barred : array of polygons
        Ground where nothing is built; its outline counts where it crosses a lot.
    more_lines : GeoDataFrame, optional
        Lines that could be built besides.
    edge_within_m : float

    Returns
    -------
    array of LineString

    Examples
    --------
    >>> yard = np.array([shapely.box(0, 0, 9, 9)])
    >>> [round(line.length) for line in draw_candidates(yard, yard, yard[:0], yard[:0], None, 5.0)]
    [36, 36]
    """
    own = _rings(np.concatenate([lots, protected]))
    tree = shapely.STRtree(lots[~shapely.is_empty(lots)])
    edge, _ = segments_of(_rings(habitat))
    near = np.unique(tree.query(edge, predicate="dwithin", distance=edge_within_m)[0])
    edge = _merged(edge[near])
    stops = _rings(barred)
    at, lot = tree.query(stops, predicate="intersects")
    across = _lines(shapely.intersection(stops[at], tree.geometries[lot]))
    more = np.zeros(0, dtype=object) if more_lines is None else _lines(more_lines.geometry.to_numpy())
    return np.concatenate([own, edge, across, more])


def widen_roads(roads: gpd.GeoDataFrame | None, default_width_m: float, units: str) -> Shapes:
    """Give road lines their width; polygons stay as they are.

    Examples
    --------
    >>> import geopandas as gpd
    >>> road = gpd.GeoDataFrame({"width_m": [8.0]}, geometry=[shapely.LineString([(0, 0), (10, 0)])], crs=32612)
    >>> widen_roads(road, 7.0, "us")[0].bounds
    (0.0, -4.0, 10.0, 4.0)
    """
    if roads is None or roads.empty:
        return np.zeros(0, dtype=object)
    shapes = shapely.force_2d(roads.geometry.to_numpy())
    lines = shapely.get_dimensions(shapes) == 1
    widths_m = (
        pd.to_numeric(roads["width_m"]).to_numpy(dtype=np.float64, na_value=np.nan)
        if "width_m" in roads.columns
        else np.full(len(roads), np.nan)
    )
    assumed = lines & ~(widths_m > 0)
    if assumed.any():
        warnings.warn(
            f"{assumed.sum():,} of {len(roads):,} roads have no width: "
            f"taken as {write_length(default_width_m, units=units)} wide",
            Assumed,
            stacklevel=3,
        )
    half_m = np.where(assumed, default_width_m, widths_m) / 2
    wide = np.asarray(shapes, dtype=object).copy()
    wide[lines] = shapely.buffer(shapes[lines], half_m[lines], cap_style="flat", join_style="mitre")
    parts = shapely.get_parts(wide)
    return np.asarray(parts[(shapely.get_dimensions(parts) == 2) & ~shapely.is_empty(parts)], dtype=object)


def owner_of(face: Ints, lot: Ints, ids: NDArray[np.object_], faces: int) -> NDArray[np.object_]:
    """Write the lots of each face, several of them in sorted order.

    Examples
    --------
    >>> owner_of(np.array([1, 1]), np.array([1, 0]), np.array(["7", "8"], dtype=object), 2).tolist()
    ['', '7 | 8']
    """
    owner = np.full(faces, "", dtype=object)
    names = ids[lot]
    order = np.lexsort((names.astype(str), face)) if len(face) else np.zeros(0, dtype=np.intp)
    face, names = face[order], names[order]
    starts = np.flatnonzero(np.append(True, face[1:] != face[:-1])) if len(face) else order
    count = np.diff(np.append(starts, len(face)))
    owner[face[starts]] = names[starts]
    for start, number in zip(starts[count > 1].tolist(), count[count > 1].tolist(), strict=True):
        owner[face[start]] = _SEPARATOR.join(names[start : start + number])
    return owner


def _rings(polygons: Shapes) -> Shapes:
    return np.asarray(shapely.get_rings(shapely.get_parts(shapely.force_2d(polygons))), dtype=object)


def _lines(shapes: Shapes) -> Shapes:
    parts = shapely.get_parts(shapely.get_parts(shapely.force_2d(shapes)))
    lines = parts[(shapely.get_dimensions(parts) == 1) & (shapely.length(parts) > 0)]
    return np.asarray(lines, dtype=object)


def _merged(segments: Shapes) -> Shapes:
    """Join segments that follow each other."""
    if not len(segments):
        return segments
    return np.asarray(shapely.get_parts(shapely.line_merge(shapely.multilinestrings(segments))), dtype=object)
