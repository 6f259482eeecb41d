"""Small layers at the desert's edge."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import geopandas as gpd
import numpy as np
import shapely

if TYPE_CHECKING:
    from collections.abc import Sequence

WEST, SOUTH = 430_000.0, 3_700_000.0
"""A corner in EPSG:26912 (metres), Arizona."""


def square(x: float, y: float, side: float = 20.0) -> shapely.Polygon:
    return shapely.box(WEST + x, SOUTH + y, WEST + x + side, SOUTH + y + side)


def line(*points: tuple[float, float]) -> shapely.LineString:
    return shapely.LineString([(WEST + x, SOUTH + y) for x, y in points])


def layer(geometries: Sequence[Any], crs: Any = 26912, **columns: Any) -> gpd.GeoDataFrame:
    return gpd.GeoDataFrame(columns, geometry=list(geometries), crs=crs)


BOW_TIE = shapely.Polygon([(WEST + x, SOUTH + y) for x, y in ((40, 0), (60, 20), (60, 0), (40, 20))])
"""Two triangles of 100 sq m each that meet in their tips; its drawn area is 0."""


def broken(value: float) -> shapely.Polygon:
    """Draw a triangle with a coordinate that is no number."""
    with np.errstate(invalid="ignore"):
        return shapely.Polygon([(WEST, SOUTH), (WEST + 1, value), (WEST + 1, SOUTH + 1), (WEST, SOUTH)])
