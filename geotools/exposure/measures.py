"""Measure lots against shapes: contact, distance, things on the lot, habitat around it, density of records."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from geotools.exposure._cells import average_over, weigh_cells
from geotools.windows import cut_along_grid, group_near

if TYPE_CHECKING:
    from affine import Affine
    from numpy.typing import ArrayLike, NDArray

__all__ = [
    "count_things",
    "habitat_around",
    "measure_contact",
    "measure_distance",
    "quartic_density",
]

_TOUCH_M = 1e-6
"""Boundaries nearer than this touch: where polygons are cut up, edges move by roundings."""
_AMOUNT_WINDOW_M2 = 4e6
_M2_PER_HECTARE = 1e4


def measure_contact(lots: NDArray[Any], desert: NDArray[Any], *, within_m: float) -> NDArray[np.float64]:
    """Share of each lot's boundary that lies within a distance of open desert.

    Parameters
    ----------
    lots : array of Polygon or MultiPolygon, length n
    desert : array of Polygon
        Without overlaps.
    within_m : float
        Metres; 0 counts what touches.

    Returns
    -------
    numpy.ndarray, float64, length n
        0 to 1.

    Examples
    --------
    >>> lot, desert = shapely.box(0, 0, 10, 10), shapely.box(0, 10, 10, 50)
    >>> measure_contact(np.array([lot]), np.array([desert]), within_m=0).round(6).tolist()
    [0.25]
    """
    outlines = shapely.boundary(lots)
    lengths_m = shapely.length(outlines)
    if not len(desert):
        return np.zeros(len(lots))
    within_m = max(within_m, _TOUCH_M)
    near = np.unique(shapely.STRtree(desert).query(outlines, predicate="dwithin", distance=within_m)[1])
    cells = cut_along_grid(shapely.buffer(desert[near], within_m))
    lot_at, cell_at = shapely.STRtree(cells).query(outlines, predicate="intersects")
    touching_m = shapely.length(shapely.intersection(outlines[lot_at], cells[cell_at]))
    return np.minimum(np.bincount(lot_at, touching_m, minlength=len(lots)) / lengths_m, 1.0)


def measure_distance(lots: NDArray[Any], habitat: NDArray[Any]) -> NDArray[np.float64]:
    """Distance from each lot's edge to the nearest habitat, 0 where they touch or overlap.

    Parameters
    ----------
    lots, habitat : array of geometries in the same projected CRS

    Returns
    -------
    numpy.ndarray, float64, length of `lots`
        Metres; infinite where there is no habitat at all.

    Examples
    --------
    >>> measure_distance(np.array([shapely.box(0, 0, 1, 1)]), np.array([shapely.box(4, 5, 9, 9)])).tolist()
    [5.0]
    """
    distances_m = np.full(len(lots), np.inf)
    if not len(habitat):
        return distances_m
    overlaps = np.unique(shapely.STRtree(habitat).query(lots, predicate="intersects")[0])
    apart = np.ones(len(lots), dtype=bool)
    apart[overlaps] = False
    edges = shapely.STRtree(_edges(habitat))
    (lot_at, _), found_m = edges.query_nearest(lots[apart], return_distance=True, all_matches=False)
    distances_m[np.flatnonzero(apart)[lot_at]] = found_m
    distances_m[overlaps] = 0.0
    return distances_m


def _edges(shapes: NDArray[Any]) -> NDArray[Any]:
    """Take shapes apart into lines of two points, which a tree finds the nearest of much faster than whole shapes."""
    polygonal = shapely.get_dimensions(shapes) == 2
    lines = np.concatenate([shapely.boundary(shapes[polygonal]), shapes[~polygonal]])
    parts = shapely.get_parts(shapely.get_parts(lines))
    points, part = shapely.get_coordinates(parts, return_index=True)
    begin = np.flatnonzero(part[1:] == part[:-1])
    pairs = shapely.linestrings(np.stack([points[begin], points[begin + 1]], axis=1))
    return np.concatenate([pairs, parts[shapely.get_dimensions(parts) == 0]])


def count_things(lots: NDArray[Any], things: NDArray[Any]) -> NDArray[np.float64]:
    """Count the things that meet each lot.

    Parameters
    ----------
    lots : array of Polygon or MultiPolygon, length n
    things : array of geometries

    Returns
    -------
    numpy.ndarray, float64, length n

    Examples
    --------
    >>> count_things(np.array([shapely.box(0, 0, 9, 9)]), shapely.points([1, 20], [1, 1])).tolist()
    [1.0]
    """
    lot_at, _ = shapely.STRtree(things).query(lots, predicate="intersects")
    return np.bincount(lot_at, minlength=len(lots)).astype(np.float64)


def quartic_density(
    places_xy: ArrayLike, records_xy: ArrayLike, *, radius_m: float, weights: ArrayLike | None = None
) -> NDArray[np.float64]:
    """Density of records around places by the quartic kernel.

    3 / (pi r^2) sum w (1 - (d / r)^2)^2 over the records nearer than r: Silverman 1986, "Density estimation", p. 76
    (formula from memory; one record's density integrates to 1).

    Parameters
    ----------
    places_xy : array_like, n x 2
    records_xy : array_like, m x 2
        Metres.
    radius_m : float
        r, metres.
    weights : array_like, m, optional
        1 each without it.

    Returns
    -------
    numpy.ndarray, float64, length n
        Records per hectare.

    Examples
    --------
    >>> quartic_density([[0, 0], [50, 0], [100, 0]], [[0, 0]], radius_m=100.0).round(5).tolist()
    [0.95493, 0.53715, 0.0]
    """
    places = np.asarray(places_xy, dtype=np.float64).reshape(-1, 2)
    records = np.asarray(records_xy, dtype=np.float64).reshape(-1, 2)
    each = np.ones(len(records)) if weights is None else np.asarray(weights, dtype=np.float64)
    if not len(records):
        return np.zeros(len(places))
    record_points, place_points = (np.asarray(shapely.points(xy), dtype=object) for xy in (records, places))
    tree = shapely.STRtree(record_points)
    place_at, record_at = tree.query(place_points, predicate="dwithin", distance=radius_m)
    away = np.linalg.norm(places[place_at] - records[record_at], axis=1) / radius_m
    part = each[record_at] * (1 - np.minimum(away, 1.0) ** 2) ** 2
    per_m2 = 3 / (math.pi * radius_m**2) * np.bincount(place_at, part, minlength=len(places))
    return np.asarray(per_m2 * _M2_PER_HECTARE)


def habitat_around(
    lots: NDArray[Any],
    habitat: NDArray[Any],
    quality: NDArray[np.float64],
    *,
    decay_m: float,
    reach_m: float,
    cell_m: float,
) -> NDArray[np.float64]:
    """Share of the ground around each lot that is habitat, near ground weighing more than far ground.

    The weight of ground at distance d is exp(-d / decay), cut off at the reach, the weights adding up to 1. Habitat is
    counted by the exact part of each cell that it covers, and the result is averaged over the lot by exact areas. A
    straight edge of endless desert gives 0.5.

    Parameters
    ----------
    lots : array of Polygon or MultiPolygon, length n
    habitat : array of Polygon, length m
        Without overlaps.
    quality : numpy.ndarray, length m
        0 to 1.
    decay_m, reach_m, cell_m : float
        Metres.

    Returns
    -------
    numpy.ndarray, float64, length n
        0 to 1.
    """
    from scipy.signal import oaconvolve

    amount = np.zeros(len(lots))
    kernel = _kernel(decay_m, reach_m, cell_m)
    halo = kernel.shape[0] // 2 + 1
    tree = shapely.STRtree(habitat)
    for some in group_near(lots, window_m2=_AMOUNT_WINDOW_M2):
        transform, shape = _grid(shapely.total_bounds(lots[some]), cell_m, halo)
        near = tree.query(shapely.box(*_extent(transform, shape)))
        if not len(near):
            continue
        covered = weigh_cells(habitat[near], quality[near], transform, shape)
        smooth = np.clip(oaconvolve(covered, kernel, mode="same"), 0.0, 1.0)
        amount[some] = average_over(smooth, transform, lots[some])
    return amount


def _kernel(decay_m: float, reach_m: float, cell_m: float) -> NDArray[np.float64]:
    half = math.ceil(reach_m / cell_m)
    step_m = np.arange(-half, half + 1) * cell_m
    away_m = np.hypot(step_m[:, None], step_m[None, :])
    weight = np.where(away_m <= reach_m, np.exp(-away_m / decay_m), 0.0)
    return np.asarray(weight / weight.sum())


def _grid(bounds: NDArray[np.float64], cell_m: float, halo: int) -> tuple[Affine, tuple[int, int]]:
    """A grid around bounds on whole multiples of the cell, so that windows side by side share their cells."""
    from affine import Affine

    west, south, east, north = bounds
    left, top = math.floor(west / cell_m) - halo, math.ceil(north / cell_m) + halo
    columns = math.ceil(east / cell_m) + halo - left
    rows = top - math.floor(south / cell_m) + halo
    return Affine(cell_m, 0.0, left * cell_m, 0.0, -cell_m, top * cell_m), (rows, columns)


def _extent(transform: Affine, shape: tuple[int, int]) -> tuple[float, float, float, float]:
    west, north = transform.c, transform.f
    return west, north + transform.e * shape[0], west + transform.a * shape[1], north
