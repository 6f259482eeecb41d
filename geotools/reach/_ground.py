"""Find how high a line must be for the ground outside it, from which an animal may reach anywhere."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import shapely

from geotools.reach.surface import Surface, elevation_at

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Integers = NDArray[np.int64]
    Flags = NDArray[np.bool_]

__all__ = ["Steepness", "ground_heights", "steepness"]

LEVEL_M = 0.002
"""Ground that can't raise a line by more than this is taken as level."""
_FIXED_POINTS = 4
_CHUNK = 250_000
_BETTER_M = 1e-6


class Steepness(NamedTuple):
    """The steepest gradient of the ground within reach, for each square between four cell centres."""

    gradient: NDArray[np.float32]
    surface: Surface

    def at(self, points_xy: Floats) -> Floats:
        """Look up the gradient around points; 0 outside the surface."""
        rows, columns = self.gradient.shape
        column = np.floor((points_xy[:, 0] - self.surface.west_m) / self.surface.cell_m)
        row = np.floor((self.surface.north_m - points_xy[:, 1]) / self.surface.cell_m)
        inside = (column >= 0) & (row >= 0) & (column < columns) & (row < rows)
        found = self.gradient[np.where(inside, row, 0).astype(np.int64), np.where(inside, column, 0).astype(np.int64)]
        return np.where(inside, found, 0.0).astype(np.float64)


def steepness(surface: Surface, *, reach_m: float) -> Steepness:
    """Bound the gradient of a bilinear surface within reach of every place.

    In a square between four centres neither partial derivative exceeds the larger of its two edges'.

    Examples
    --------
    >>> ramp = Surface(np.array([[0.0, 1.0], [0.0, 1.0]]), 0.0, 1.0, 1.0)
    >>> steepness(ramp, reach_m=0.9).gradient.tolist()
    [[1.0]]
    """
    from scipy.ndimage import maximum_filter

    across = np.abs(np.diff(surface.cells, axis=1)) / surface.cell_m
    down = np.abs(np.diff(surface.cells, axis=0)) / surface.cell_m
    steep = np.hypot(np.fmax(across[:-1], across[1:]), np.fmax(down[:, :-1], down[:, 1:])).astype(np.float32)
    around = 2 * int(np.ceil(reach_m / surface.cell_m)) + 1
    return Steepness(maximum_filter(np.nan_to_num(steep), size=around, mode="nearest"), surface)


def ground_heights(
    feet: Floats,
    next_foot: Integers,
    line: Integers,
    enclosed: NDArray[Any] | None,
    steep: Steepness,
    *,
    reach_m: float,
) -> Floats:
    """Height that the ground outside asks for at places along lines.

    The largest z(q) + sqrt(R^2 - |q - p|^2) - z(p) over outside ground q within R of the foot p; at least R. On each
    square of the bilinear surface it is at a corner, on an edge (closed form: linear plus a circle), or inside (a
    fixed point of q = p + R g / sqrt(1 + g^2) with the gradient g at q); or on the line itself, where the other feet
    stand for it.

    Parameters
    ----------
    feet : numpy.ndarray, n x 2
        Places along lines, each line's in a row.
    next_foot : numpy.ndarray of int, n
        The following place on the same line, -1 at an end.
    line : numpy.ndarray of int, n
        Row of `enclosed`.
    enclosed : array of polygon, optional
        Protected side of each line; without it, or where empty, both sides are outside.
    steep : Steepness
    reach_m : float
        R, metres.

    Returns
    -------
    numpy.ndarray, n
        Metres; NaN where the foot has no elevation.

    Examples
    --------
    >>> ramp = Surface(np.array([[0.0, 3.0], [0.0, 3.0]]) * 10, 0.0, 40.0, 40.0)
    >>> place = np.array([[20.0, 20.0]])
    >>> height = ground_heights(place, np.array([-1]), np.array([0]), None, steepness(ramp, reach_m=0.8), reach_m=0.8)
    >>> height.round(9).tolist()  # 0.8 m / cos(atan(3/4))
    [1.0]
    """
    surface = steep.surface
    foot_z = elevation_at(surface, feet)
    best = np.full(len(feet), reach_m) + foot_z
    bound_m = reach_m * np.sqrt(1 + steep.at(feet) ** 2) - reach_m
    sloping = (bound_m > LEVEL_M) & ~np.isnan(foot_z)
    _raise_along(best, feet, foot_z, next_foot, sloping, reach_m)
    chosen = np.flatnonzero(sloping)
    for begin in range(0, len(chosen), _CHUNK):
        rows = chosen[begin : begin + _CHUNK]
        best[rows] = _raise_over_squares(best[rows], feet[rows], line[rows], enclosed, surface, reach_m)
    return best - foot_z


def _raise_along(
    best: Floats, feet: Floats, foot_z: Floats, next_foot: Integers, sloping: Flags, reach_m: float
) -> None:
    """Raise each foot to what the other feet of its line within reach ask for, one step further at a time."""
    here = np.flatnonzero(next_foot >= 0)
    there = next_foot[here]
    while len(here):
        gap2 = np.sum((feet[here] - feet[there]) ** 2, axis=1)
        near = (gap2 < reach_m**2) & (sloping[here] | sloping[there])
        here, there, gap2 = here[near], there[near], gap2[near]
        above = np.sqrt(reach_m**2 - gap2)
        # A foot stands once in each of the two lists, so that plain indexing will do.
        best[here] = np.fmax(best[here], foot_z[there] + above)
        best[there] = np.fmax(best[there], foot_z[here] + above)
        there = next_foot[there]
        going = (there >= 0) & (there != here)
        here, there = here[going], there[going]


def _raise_over_squares(
    best: Floats, feet: Floats, line: Integers, enclosed: NDArray[Any] | None, surface: Surface, reach_m: float
) -> Floats:
    cell_m, cells = surface.cell_m, surface.cells
    rows, columns = cells.shape
    u0, v0 = (feet[:, 0] - surface.west_m) / cell_m, (surface.north_m - feet[:, 1]) / cell_m
    column0, row0 = np.floor(u0).astype(np.int64), np.floor(v0).astype(np.int64)
    reach_cells = reach_m / cell_m
    around = int(np.ceil(reach_cells))
    offsets = sorted(
        ((down, right) for down in range(-around, around + 1) for right in range(-around, around + 1)),
        key=lambda offset: offset[0] ** 2 + offset[1] ** 2,
    )
    flat = cells.ravel()
    for down, right in offsets:
        column, row = column0 + right, row0 + down
        # Place of the foot in this square, in cells from its upper left centre.
        u, v = u0 - column, v0 - row
        away = np.hypot(np.maximum(np.maximum(-u, u - 1), 0), np.maximum(np.maximum(-v, v - 1), 0))
        near = np.flatnonzero(
            (away < reach_cells) & (column >= 0) & (row >= 0) & (column < columns - 1) & (row < rows - 1)
        )
        at = row[near] * columns + column[near]
        corner = np.stack([flat[at], flat[at + 1], flat[at + columns], flat[at + columns + 1]])
        with np.errstate(invalid="ignore"):
            most = corner.max(axis=0) + np.sqrt(reach_m**2 - (away[near] * cell_m) ** 2)
            open_ = most > best[near] + _BETTER_M
        if not open_.any():
            continue
        near, corner = near[open_], corner[:, open_]
        square = _Square(near, u[near], v[near], corner, row[near], column[near])
        for x, y in _places(square, reach_cells, cell_m):
            _accept(best, square, x, y, line, enclosed, surface, reach_m)
    return best


class _Square(NamedTuple):
    """Squares that may raise a foot: number, place in cells from the upper left centre; corners, row, column."""

    foot: Integers
    u: Floats
    v: Floats
    corner: Floats
    row: Integers
    column: Integers


def _places(square: _Square, reach_cells: float, cell_m: float) -> list[tuple[Floats, Floats]]:
    """Places in each square where the highest reach can be, in cells from its upper left centre."""
    z00, z10, z01, z11 = square.corner
    zero, one = np.zeros(len(square.foot)), np.ones(len(square.foot))
    places = [(zero, zero), (one, zero), (zero, one), (one, one)]
    for fixed, low, high in ((0.0, z00, z10), (1.0, z01, z11)):
        places.append(
            (_on_edge(square.u, square.v - fixed, (high - low) / cell_m, reach_cells), np.full(len(zero), fixed))
        )
    for fixed, low, high in ((0.0, z00, z01), (1.0, z10, z11)):
        places.append(
            (np.full(len(zero), fixed), _on_edge(square.v, square.u - fixed, (high - low) / cell_m, reach_cells))
        )
    x, y = zero + 0.5, zero + 0.5
    twist = (z11 - z10 - z01 + z00) / cell_m
    for _ in range(_FIXED_POINTS):
        gx, gy = (z10 - z00) / cell_m + twist * y, (z01 - z00) / cell_m + twist * x
        scale = reach_cells / np.sqrt(1 + gx**2 + gy**2)
        x, y = np.clip(square.u + gx * scale, 0, 1), np.clip(square.v + gy * scale, 0, 1)
    return [*places, (x, y)]


def _on_edge(along: Floats, aside: Floats, gradient: Floats, reach_cells: float) -> Floats:
    """Where m t + sqrt(r^2 - (t - t0)^2) is largest on 0 to 1: t0 + r m / sqrt(1 + m^2), clipped."""
    chord = np.sqrt(np.maximum(reach_cells**2 - aside**2, 0))
    return np.clip(along + chord * gradient / np.sqrt(1 + gradient**2), 0, 1)


def _accept(
    best: Floats,
    square: _Square,
    x: Floats,
    y: Floats,
    line: Integers,
    enclosed: NDArray[Any] | None,
    surface: Surface,
    reach_m: float,
) -> None:
    z00, z10, z01, z11 = square.corner
    gap2 = ((x - square.u) ** 2 + (y - square.v) ** 2) * surface.cell_m**2
    z = (z00 * (1 - x) + z10 * x) * (1 - y) + (z01 * (1 - x) + z11 * x) * y
    with np.errstate(invalid="ignore"):
        top = z + np.sqrt(np.maximum(reach_m**2 - gap2, 0))
        higher = np.flatnonzero((gap2 < reach_m**2) & (top > best[square.foot] + _BETTER_M))
    if enclosed is not None and len(higher):
        ground_x = surface.west_m + (square.column[higher] + x[higher]) * surface.cell_m
        ground_y = surface.north_m - (square.row[higher] + y[higher]) * surface.cell_m
        higher = higher[~shapely.contains_xy(enclosed[line[square.foot[higher]]], ground_x, ground_y)]
    best[square.foot[higher]] = top[higher]
