"""Count what each barrier line takes to build."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from geotools.design import BarrierStandard
from geotools.errors import DesignError
from geotools.units import METRES_PER_FOOT, METRES_PER_INCH

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["count_materials", "count_posts", "roll_width"]

STOCK_WIDTHS_M = tuple(width_in * METRES_PER_INCH for width_in in (24, 36, 48))
"""Widths in which mesh is stocked: 24, 36 and 48 in (common practice, no source)."""
POST_SPACING_M = 10 * METRES_PER_FOOT
"""Posts stand at most 10 ft apart (ASTM F567)."""
_LAP_M = 2 * METRES_PER_INCH
"""Lap of two courses of mesh (assumption of this project)."""
_FEWEST_POSTS_OF_A_LOOP = 3
_SLACK = 1e-6
"""A run or width this share over a whole number is that number: roundings of coordinates, not a further post."""


def count_materials(
    barrier_lines: gpd.GeoDataFrame,
    *,
    standard: BarrierStandard | None = None,
    post_spacing_m: float = POST_SPACING_M,
    corner_deg: float = 20.0,
    straighten_m: float = 0.15,
) -> gpd.GeoDataFrame:
    """Count posts, corners and the mesh width of each line.

    Parameters
    ----------
    barrier_lines : GeoDataFrame, n rows
        Lines with `height_m`; rows without a line get no counts.
    standard : BarrierStandard, optional
        Burial.
    post_spacing_m : float
        Largest spacing of posts, metres (ASTM F567: 10 ft).
    corner_deg : float
        A bend of this angle or more takes a corner post (assumption of this project).
    straighten_m : float
        Bends that leave a straight line by less than this are built straight (assumption of this project).

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
    lines = shapely.simplify(barrier_lines.geometry.to_numpy(), straighten_m)
    posts, corners = count_posts(lines, post_spacing_m=post_spacing_m, corner_deg=corner_deg)
    heights_m = pd.to_numeric(barrier_lines["height_m"]).to_numpy(dtype=np.float64, na_value=np.nan)
    widths_m, courses = roll_width(heights_m + standard.burial_m)
    missing = shapely.is_missing(lines) | shapely.is_empty(lines) | np.isnan(heights_m)
    return barrier_lines.assign(
        posts=pd.array(np.where(missing, 0, posts), dtype="Int64"),
        corners=pd.array(np.where(missing, 0, corners), dtype="Int64"),
        roll_width_m=np.where(missing, np.nan, widths_m),
        mesh_courses=pd.array(np.where(missing, 0, courses), dtype="Int64"),
    )


def count_posts(
    lines: NDArray[Any], *, post_spacing_m: float = POST_SPACING_M, corner_deg: float = 20.0
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Count the posts and corners of lines.

    A run between two corners or ends of length l takes ceil(l / spacing) spans; a line has a post more than it has
    spans, a closed loop as many, at least 3. Separate pieces of a line have their own end posts.

    Parameters
    ----------
    lines : array of LineString, MultiLineString or None, length n
    post_spacing_m, corner_deg : float

    Returns
    -------
    posts, corners : numpy.ndarray, int64, length n

    Raises
    ------
    DesignError
        If the spacing is not above 0.

    Examples
    --------
    >>> posts, corners = count_posts(np.array([shapely.box(0, 0, 30.48, 30.48).exterior]))
    >>> posts.tolist(), corners.tolist()  # a closed loop of 400 ft with posts every 10 ft
    ([40], [4])
    """
    if not post_spacing_m > 0:
        raise DesignError(f"the post spacing is {post_spacing_m} m", mend="give a spacing above 0")
    parts, line_at = shapely.get_parts(shapely.remove_repeated_points(lines), return_index=True)
    parts, line_at = parts[shapely.length(parts) > 0], line_at[shapely.length(parts) > 0]
    points, part_at = shapely.get_coordinates(parts, return_index=True)
    if not len(points):
        return np.zeros(len(lines), dtype=np.int64), np.zeros(len(lines), dtype=np.int64)
    starts = np.searchsorted(part_at, np.arange(len(parts)))
    ends = np.append(starts[1:], len(points)) - 1
    steps_m = np.hypot(*np.diff(points, axis=0).T)
    steps_m[ends[:-1]] = 0.0
    at_m = np.concatenate([[0.0], np.cumsum(steps_m)])
    closed = np.all(points[starts] == points[ends], axis=1)
    turns_deg = _turns(points, starts, ends, closed)
    is_end = np.zeros(len(points), dtype=bool)
    is_end[starts[~closed]] = is_end[ends[~closed]] = True
    corner = (turns_deg >= corner_deg) & ~is_end
    corner[ends[closed]] = False
    nodes = np.flatnonzero(corner | is_end)
    following = np.append(nodes[1:], 0)
    same = np.append(part_at[nodes[1:]] == part_at[nodes[:-1]], False) if len(nodes) else np.zeros(0, dtype=bool)
    runs_m = np.where(same, at_m[following] - at_m[nodes], 0.0)
    length_m = at_m[ends] - at_m[starts]
    last_of_loop = ~same & closed[part_at[nodes]]
    first = nodes[np.searchsorted(part_at[nodes], part_at[nodes])] if len(nodes) else nodes
    runs_m[last_of_loop] = (length_m[part_at[nodes]] - (at_m[nodes] - at_m[first]))[last_of_loop]
    spans = np.ceil(runs_m / post_spacing_m - _SLACK)
    part_posts = np.bincount(part_at[nodes], spans, minlength=len(parts)) + ~closed
    round_loop = closed & (np.bincount(part_at[nodes], minlength=len(parts)) == 0)
    part_posts[round_loop] = np.ceil(length_m[round_loop] / post_spacing_m - _SLACK)
    part_posts[closed] = np.maximum(part_posts[closed], _FEWEST_POSTS_OF_A_LOOP)
    corners = np.bincount(line_at[part_at[corner]], minlength=len(lines))
    return np.bincount(line_at, part_posts, minlength=len(lines)).astype(np.int64), corners.astype(np.int64)


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


def _turns(
    points: NDArray[np.float64], starts: NDArray[np.intp], ends: NDArray[np.intp], closed: NDArray[np.bool_]
) -> NDArray[np.float64]:
    """Bend at every vertex, degrees; at the first vertex of a loop the bend where it closes."""
    before, after = np.arange(len(points)) - 1, np.arange(len(points)) + 1
    before[starts], after[ends] = starts, ends
    before[starts[closed]] = ends[closed] - 1
    incoming = points - points[before]
    outgoing = points[after] - points
    cross = incoming[:, 0] * outgoing[:, 1] - incoming[:, 1] * outgoing[:, 0]
    return np.asarray(np.degrees(np.abs(np.arctan2(cross, np.einsum("nd,nd->n", incoming, outgoing)))))
