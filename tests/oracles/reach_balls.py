"""Say how high a barrier must be by trying every place that an animal may stand on: slow and obvious on purpose."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import shapely
from scipy.ndimage import map_coordinates

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

LADDER_M = 0.002


def stand_everywhere(thing: shapely.Geometry, enclosed: shapely.Geometry, spacing_m: float) -> NDArray[np.float64]:
    """Places on a thing, one by one, that are not inside the enclosed ground."""
    places = []
    for part in shapely.get_parts([thing]):
        if part.geom_type == "Point":
            places.append((part.x, part.y))
            continue
        outline = part.boundary if part.geom_type == "Polygon" else part
        for along_m in np.arange(0, outline.length, spacing_m):
            place = outline.interpolate(along_m)
            places.append((place.x, place.y))
        places.extend(shapely.get_coordinates(part).tolist())
        crossing = part.intersection(enclosed.boundary)
        places.extend(shapely.get_coordinates(crossing).tolist())
        if part.geom_type == "Polygon":
            west, south, east, north = part.bounds
            grid = np.array(
                [(x, y) for x in np.arange(west, east, spacing_m) for y in np.arange(south, north, spacing_m)]
            )
            places.extend(grid[shapely.contains_xy(part, grid)].tolist())
    every = np.array(places, dtype=float).reshape(-1, 2)
    return every[~shapely.contains_xy(shapely.buffer(enclosed, -1e-9), every)]


def touched_height(
    foot: Sequence[float], balls: Sequence[tuple[NDArray[np.float64], float]], *, reach_m: float, highest_m: float = 3.0
) -> float:
    """Climb the barrier at a foot rung by rung: the highest rung inside any ball round a place; at least R."""
    rungs_m = np.arange(0, highest_m, LADDER_M)
    top_m = reach_m
    for places, stands_m in balls:
        away2 = np.sum((places - np.asarray(foot)) ** 2, axis=1)
        near2 = away2[away2 < reach_m**2]
        inside = near2[:, None] + (rungs_m - stands_m)[None, :] ** 2 < reach_m**2
        if inside.any():
            top_m = max(top_m, float(rungs_m[inside.any(axis=0)].max()))
    return top_m


def ground_height(
    foot: Sequence[float],
    cells: NDArray[np.float64],
    corner: tuple[float, float, float],
    enclosed: Any,
    *,
    reach_m: float,
) -> float:
    """Highest reach above a foot over ground tried every 2 cm and, round the best of these places, every 2 mm.

    `corner` is west, north and size of the cells; each place is held against the enclosed ground.
    """
    west_m, north_m, cell_m = corner

    def level(x: NDArray[np.float64], y: NDArray[np.float64]) -> NDArray[np.float64]:
        at = [(north_m - y) / cell_m, (x - west_m) / cell_m]
        return np.asarray(map_coordinates(cells, at, order=1, mode="nearest"))

    def tops(x: NDArray[np.float64], y: NDArray[np.float64]) -> NDArray[np.float64]:
        gap2 = (x - foot[0]) ** 2 + (y - foot[1]) ** 2
        allowed = (gap2 < reach_m**2) & ~shapely.contains_xy(enclosed, x, y)
        return np.where(allowed, level(x, y) + np.sqrt(np.maximum(reach_m**2 - gap2, 0)), -np.inf)

    def square(half_m: float, step_m: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        steps_m = np.arange(-half_m, half_m + step_m / 2, step_m)
        x, y = np.meshgrid(steps_m, steps_m)
        return x.ravel(), y.ravel()

    x, y = square(reach_m, 0.02)
    x, y = x + foot[0], y + foot[1]
    best = np.argsort(tops(x, y))[-12:]
    dx, dy = square(0.03, 0.002)
    found_m = tops((x[best][:, None] + dx).ravel(), (y[best][:, None] + dy).ravel()).max()
    return float(max(found_m - level(np.array([foot[0]]), np.array([foot[1]]))[0], reach_m))
