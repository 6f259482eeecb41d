"""Compute footings, trenches and the soil that they are dug in."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import shapely

from geotools.errors import DesignError, LayerError
from geotools.units import METRES_PER_FOOT, METRES_PER_INCH

if TYPE_CHECKING:
    import geopandas as gpd
    from numpy.typing import ArrayLike, NDArray

    Floats = NDArray[np.float64]

__all__ = ["SOILS", "footing_concrete", "footing_hole", "soil_shares", "trench_volume"]

SOILS = ("sand", "gravel", "caliche", "rock")
"""Classes of soil by how hard they are to dig (assumption of this project)."""
_WIDE_POST_M = 4 * METRES_PER_INCH
_LEAST_DEPTH_M = 24 * METRES_PER_INCH
_DEEPER_OVER_M = 4 * METRES_PER_FOOT
_DEEPER_RATE = 3 * METRES_PER_INCH / METRES_PER_FOOT


def footing_hole(post_diameter_m: ArrayLike, fence_height_m: ArrayLike) -> tuple[Floats, Floats]:
    """Diameter and depth of a post hole.

    ASTM F567: the hole is 4 times the post's outside diameter wide, 3 times where that is over 4 in; 24 in deep, and
    3 in deeper per foot of fence over 4 ft.

    Parameters
    ----------
    post_diameter_m, fence_height_m : array_like
        Outside diameter and height above ground, metres.

    Returns
    -------
    diameter_m, depth_m : numpy.ndarray, float64
        Metres.

    Raises
    ------
    DesignError
        If a diameter is not above 0 or a height is negative.

    Examples
    --------
    >>> diameter_m, depth_m = footing_hole(2.375 * 0.0254, 6 * 0.3048)
    >>> round(float(diameter_m) / 0.0254, 6), round(float(depth_m) / 0.0254, 6)
    (9.5, 30.0)
    """
    post_m, height_m = np.asarray(post_diameter_m, dtype=np.float64), np.asarray(fence_height_m, dtype=np.float64)
    if not np.all(post_m > 0) or np.any(height_m < 0):
        raise DesignError("a post has no diameter, or a fence a negative height", mend="give values above 0")
    times = np.where(post_m <= _WIDE_POST_M * (1 + 1e-9), 4.0, 3.0)
    depth_m = _LEAST_DEPTH_M + _DEEPER_RATE * np.maximum(height_m - _DEEPER_OVER_M, 0.0)
    return times * post_m, depth_m


def footing_concrete(post_diameter_m: ArrayLike, fence_height_m: ArrayLike) -> Floats:
    """Net concrete of one footing: the hole of `footing_hole` less the post in it, cubic metres.

    Parameters
    ----------
    post_diameter_m, fence_height_m : array_like
        Metres.

    Returns
    -------
    numpy.ndarray, float64
        Cubic metres.

    Raises
    ------
    DesignError
        As `footing_hole`.

    Examples
    --------
    >>> round(float(footing_concrete(2.375 * 0.0254, 4 * 0.3048)) / 0.3048**3, 3)
    0.923
    """
    diameter_m, depth_m = footing_hole(post_diameter_m, fence_height_m)
    post_m = np.asarray(post_diameter_m, dtype=np.float64)
    return np.asarray(np.pi / 4 * (diameter_m**2 - post_m**2) * depth_m)


def trench_volume(length_m: ArrayLike, *, width_m: float, depth_m: float) -> Floats:
    """Volume of a trench, cubic metres: length times width times depth.

    Raises
    ------
    DesignError
        If the width or depth is negative.

    Examples
    --------
    >>> round(float(trench_volume(30.48, width_m=0.1524, depth_m=0.1524)) / 0.9144**3, 3)
    0.926
    """
    if not (width_m >= 0 and depth_m >= 0):
        raise DesignError(f"the trench is {width_m} m wide and {depth_m} m deep", mend="give 0 or more")
    return np.asarray(np.asarray(length_m, dtype=np.float64) * width_m * depth_m)


def soil_shares(
    lines: gpd.GeoDataFrame, soils: gpd.GeoDataFrame | None, *, soil: str, caliche_pct: float
) -> NDArray[np.float64]:
    """Share of each line that runs in each class of soil.

    Parameters
    ----------
    lines : GeoDataFrame, n rows
    soils : GeoDataFrame, optional
        Polygons with `soil`, one of `SOILS`; where they overlap, the first in the order of `SOILS` counts.
    soil : str
        Class where no polygon tells.
    caliche_pct : float
        Of that ground, the share that turns out as caliche, percent.

    Returns
    -------
    numpy.ndarray, n x len(SOILS)
        Rows add up to 1.

    Raises
    ------
    DesignError
        For an unknown class or a share outside 0 to 100.
    LayerError
        If a polygon has an unknown class.

    Examples
    --------
    >>> import geopandas as gpd
    >>> run = gpd.GeoDataFrame(geometry=[shapely.LineString([(0, 0), (10, 0)])], crs=32612)
    >>> soil_shares(run, None, soil="gravel", caliche_pct=20).tolist()
    [[0.0, 0.8, 0.2, 0.0]]
    """
    if soil not in SOILS:
        raise DesignError(f"{soil!r} is no class of soil", mend=f"use one of: {', '.join(SOILS)}")
    if not 0 <= caliche_pct <= 100:
        raise DesignError(f"the share of caliche is {caliche_pct} %", mend="give 0 to 100")
    shapes = lines.geometry.to_numpy()
    shares = np.zeros((len(shapes), len(SOILS)))
    length_m = np.nan_to_num(shapely.length(shapes))
    left = shapes
    if soils is not None and len(soils):
        if "soil" not in soils.columns or not soils["soil"].isin(SOILS).all():
            raise LayerError(
                "a polygon has no known class of soil", where="soils", mend=f"fill `soil` with {', '.join(SOILS)}"
            )
        classes = soils["soil"].to_numpy()
        for number, name in enumerate(SOILS):
            ground = shapely.union_all(soils.geometry.to_numpy()[classes == name])
            found_m = np.nan_to_num(shapely.length(shapely.intersection(left, ground)))
            shares[:, number] += np.divide(found_m, length_m, out=np.zeros(len(shapes)), where=length_m > 0)
            left = shapely.difference(left, ground)
    rest = np.maximum(1.0 - shares.sum(axis=1), 0.0)
    shares[:, SOILS.index(soil)] += rest * (1 - caliche_pct / 100)
    shares[:, SOILS.index("caliche")] += rest * caliche_pct / 100
    return shares
