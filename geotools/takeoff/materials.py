"""Count what each barrier line takes to build, and choose its mesh."""

from __future__ import annotations

from typing import TYPE_CHECKING

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from geotools.design import BarrierStandard
from geotools.takeoff.gates import classify_between_gates, find_gate_openings
from geotools.takeoff.posts import POST_SPACING_M
from geotools.units import METRES_PER_INCH

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["STOCK_WIDTHS_M", "count_materials", "grade_factor", "roll_width"]

STOCK_WIDTHS_M = tuple(width_in * METRES_PER_INCH for width_in in (24, 36, 48))
"""Widths in which mesh is stocked: 24, 36 and 48 in (common practice, no source)."""
_LAP_M = 2 * METRES_PER_INCH
"""Lap of two courses of mesh (assumption of this project)."""
_SLACK = 1e-6
"""A width this much over a stocked one is that one: roundings, not a wider roll."""


def count_materials(
    barrier_lines: gpd.GeoDataFrame,
    planned_gates: gpd.GeoDataFrame | None = None,
    *,
    standard: BarrierStandard | None = None,
    post_spacing_m: float = POST_SPACING_M,
    corner_deg: float = 20.0,
    straighten_m: float = 0.15,
    closer_on_curves: bool = True,
) -> gpd.GeoDataFrame:
    """Count posts, corners and the mesh width of each line.

    Parameters
    ----------
    barrier_lines : GeoDataFrame, n rows
        Lines with `height_m` and, where known, `surface_length_m`; rows without a line get no counts.
    planned_gates : GeoDataFrame, optional
        As `place_gates` gives it, with the lines' `line_id`: posts are spaced afresh either side of each gate that has
        a place. The two posts of a gate are not in `posts`.
    standard : BarrierStandard, optional
        Burial.
    post_spacing_m : float
        Largest spacing of posts along grade, metres (ASTM F567: 10 ft).
    corner_deg : float
        A bend of this angle or more takes a corner post (assumption of this project).
    straighten_m : float
        Bends that leave a straight line by less than this are built straight (assumption of this project).
    closer_on_curves : bool
        Set posts closer on curves: 8 ft up to a radius of 500 ft, 6 ft up to 200 ft, 5 ft up to 100 ft (a published
        town standard, Tremonton, Utah).

    Returns
    -------
    GeoDataFrame, n rows on the same index
        The lines with `posts`, `corners`, `roll_width_m`, `mesh_courses`.

    Raises
    ------
    DesignError
        If the spacing is not above 0.

    Examples
    --------
    >>> run = gpd.GeoDataFrame({"height_m": [0.9144]}, geometry=[shapely.LineString([(0, 0), (30.48, 0)])], crs=32612)
    >>> count_materials(run)[["posts", "corners"]].iloc[0].tolist()
    [11, 0]
    """
    standard = standard or BarrierStandard()
    lines = barrier_lines.geometry.to_numpy()
    counts = classify_between_gates(
        lines,
        find_gate_openings(barrier_lines, planned_gates),
        straighten_m=straighten_m,
        post_spacing_m=post_spacing_m,
        corner_deg=corner_deg,
        closer_on_curves=closer_on_curves,
        grade_factor=grade_factor(barrier_lines),
    )
    heights_m = pd.to_numeric(barrier_lines["height_m"]).to_numpy(dtype=np.float64, na_value=np.nan)
    widths_m, courses = roll_width(heights_m + standard.burial_m)
    missing = shapely.is_missing(lines) | shapely.is_empty(lines) | np.isnan(heights_m)
    return barrier_lines.assign(
        posts=pd.array(np.where(missing, 0, counts.all), dtype="Int64"),
        corners=pd.array(np.where(missing, 0, counts.corner), dtype="Int64"),
        roll_width_m=np.where(missing, np.nan, widths_m),
        mesh_courses=pd.array(np.where(missing, 0, courses), dtype="Int64"),
    )


def grade_factor(lines: gpd.GeoDataFrame) -> NDArray[np.float64]:
    """Length along the ground over plan length of each line; 1 where `surface_length_m` is not known.

    Examples
    --------
    >>> run = gpd.GeoDataFrame({"surface_length_m": [11.0]}, geometry=[shapely.LineString([(0, 0), (10, 0)])])
    >>> grade_factor(run).tolist()
    [1.1]
    """
    plan_m = np.nan_to_num(shapely.length(lines.geometry.to_numpy()))
    if "surface_length_m" not in lines.columns:
        return np.ones(len(lines))
    ground_m = lines["surface_length_m"].to_numpy(dtype=np.float64, na_value=np.nan)
    known = (plan_m > 0) & np.isfinite(ground_m)
    return np.asarray(np.maximum(np.divide(ground_m, plan_m, out=np.ones(len(lines)), where=known), 1.0))


def roll_width(needed_m: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """Choose the narrowest stocked mesh that covers height and burial, in as few courses as possible.

    Parameters
    ----------
    needed_m : numpy.ndarray, length n
        Height and burial together, metres.

    Returns
    -------
    width_m : numpy.ndarray, float64, length n
    courses : numpy.ndarray, int64, length n

    Examples
    --------
    >>> width_m, courses = roll_width(np.array([42 * 0.0254, 60 * 0.0254]))
    >>> (width_m / 0.0254).round(6).tolist(), courses.tolist()
    ([48.0, 36.0], [1, 2])
    """
    widest_m = STOCK_WIDTHS_M[-1]
    needed = np.nan_to_num(np.asarray(needed_m, dtype=np.float64))
    courses = np.maximum(np.ceil((needed - _LAP_M) / (widest_m - _LAP_M) - _SLACK), 1).astype(np.int64)
    courses = np.where(needed <= widest_m + _SLACK, 1, courses)
    each_m = (needed + (courses - 1) * _LAP_M) / courses
    at = np.minimum(np.searchsorted(np.array(STOCK_WIDTHS_M), each_m - _SLACK), len(STOCK_WIDTHS_M) - 1)
    return np.where(np.isnan(needed_m), np.nan, np.array(STOCK_WIDTHS_M)[at]), courses
