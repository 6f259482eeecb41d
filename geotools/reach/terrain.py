"""Measure the ground that lines run on: slope, length on the surface, and the steps beside them that a raster shows."""

from __future__ import annotations

import warnings
from typing import TYPE_CHECKING, Any

import geopandas as gpd
import numpy as np
import shapely

from geotools.design import BarrierStandard
from geotools.errors import Assumed, Noticed, RasterError
from geotools.rasters import Raster
from geotools.reach.surface import Surface, cross_grid, elevation_at, group_by_tile, read_surface

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

__all__ = ["horn_slope", "measure_surface", "surface_length"]

_STEP_SLOPE = 1.0
_GAUSS = ((0.5 - 0.15**0.5, 5 / 18), (0.5, 8 / 18), (0.5 + 0.15**0.5, 5 / 18))


def horn_slope(elevations_m: ArrayLike, *, cell_m: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Slope and aspect of each cell by the weighted differences of its eight neighbours.

    Horn 1981, Proc. IEEE 69:14-47. Aspect is the direction in which the ground falls, clockwise from north.

    Parameters
    ----------
    elevations_m : array_like, rows x columns
        North up, metres.
    cell_m : float
        Cell size, metres.

    Returns
    -------
    slope_deg, aspect_deg : numpy.ndarray, float64, rows x columns
        Degrees. NaN on the rim and where a neighbour is NaN; the aspect of level ground is NaN as well.

    Raises
    ------
    RasterError
        If the array is no grid or the cell size is not above 0.

    Examples
    --------
    >>> slope_deg, _ = horn_slope([[50, 45, 50], [30, 30, 30], [8, 10, 10]], cell_m=5)
    >>> round(float(slope_deg[1, 1]), 5)
    75.25766
    """
    z = np.asarray(elevations_m, dtype=np.float64)
    if z.ndim != 2 or not cell_m > 0:
        raise RasterError(
            f"{z.ndim} dimensions with cells of {cell_m} m are no grid", mend="give rows, columns and a size above 0"
        )
    slope_deg, aspect_deg = np.full(z.shape, np.nan), np.full(z.shape, np.nan)
    if min(z.shape) < 3:
        return slope_deg, aspect_deg
    west, middle, east = z[:, :-2], z[:, 1:-1], z[:, 2:]
    across = (east - west)[:-2] + 2 * (east - west)[1:-1] + (east - west)[2:]
    rows = west + 2 * middle + east
    to_east, to_south = across / (8 * cell_m), (rows[2:] - rows[:-2]) / (8 * cell_m)
    steepness = np.hypot(to_east, to_south)
    slope_deg[1:-1, 1:-1] = np.degrees(np.arctan(steepness))
    falls_to = np.degrees(np.arctan2(-to_east, to_south)) % 360
    aspect_deg[1:-1, 1:-1] = np.where(steepness > 0, falls_to, np.nan)
    return slope_deg, aspect_deg


def surface_length(lines: NDArray[Any], surface: Surface) -> NDArray[np.float64]:
    """Length of lines laid on the ground.

    The line is cut where it crosses the lines between cell centres and halfway between; the chords of those pieces add
    up. On a plane of slope s along the line it is the plan length times sqrt(1 + s^2) (arithmetic).

    Parameters
    ----------
    lines : array of LineString or MultiLineString, length n
        Metres, in the CRS of the surface.
    surface : Surface

    Returns
    -------
    numpy.ndarray, float64, length n
        Metres; a piece without elevation counts with its plan length.

    Examples
    --------
    >>> ramp = Surface(np.array([[0.0, 3.0], [0.0, 3.0]]), 0.0, 1.0, 4.0)
    >>> surface_length(np.array([shapely.LineString([(0, 0), (4, 0)])]), ramp).tolist()
    [5.0]
    """
    parts, line_at = shapely.get_parts(lines, return_index=True)
    points, part_at = shapely.get_coordinates(parts, return_index=True)
    first = np.flatnonzero(part_at[:-1] == part_at[1:])
    start, end = points[first], points[first + 1]
    segment, share = cross_grid(start, end, surface)
    order = np.lexsort((share, segment))
    segment, share = segment[order], share[order]
    piece = np.flatnonzero((segment[:-1] == segment[1:]) & (np.diff(share) > 0))
    segment, low, high = segment[piece], share[piece], share[piece + 1]
    along = (end - start)[segment]
    z0, z1, z2 = (elevation_at(surface, start[segment] + at[:, None] * along) for at in (low, (low + high) / 2, high))
    plan_m = (high - low) * np.hypot(along[:, 0], along[:, 1])
    # Between two cuts the ground is a parabola along the line: its slope runs evenly from one end to the other.
    begins, ends = np.nan_to_num((4 * z1 - 3 * z0 - z2) / plan_m), np.nan_to_num((3 * z2 - 4 * z1 + z0) / plan_m)
    factor = sum(weight * np.hypot(1, begins + at * (ends - begins)) for at, weight in _GAUSS)
    length_m = np.bincount(line_at[part_at[first]][segment], plan_m * factor, minlength=len(lines))
    return np.asarray(length_m, dtype=np.float64)


def measure_surface(
    candidate_lines: gpd.GeoDataFrame,
    elevation: Raster | None = None,
    *,
    standard: BarrierStandard | None = None,
    least_step_m: float = 0.15,
) -> gpd.GeoDataFrame:
    """Measure what each line is long on the ground, and the steps in the ground outside it.

    A step is ground outside, within the reach of the line, that rises or drops at 45 degrees or more between
    neighbouring cells (assumption of this project). A raster shows it only where a cell is no larger than half the
    reach; otherwise the columns are missing and the run says so.

    Parameters
    ----------
    candidate_lines : GeoDataFrame, n rows
        Lines in a projected CRS in metres, with the polygon column `enclosed` where the outside is known; rows without
        a line give NaN.
    elevation : Raster, optional
        Without it the surface length is the plan length.
    standard : BarrierStandard, optional
        The reach.
    least_step_m : float
        Lower steps are left out, metres (assumption of this project: 6 in).

    Returns
    -------
    GeoDataFrame, n rows on the same index
        The lines with `surface_length_m`, `step_up_m` and `step_down_m` (the highest rise and drop outside; 0 where
        none, NaN where the raster can't show it).

    Raises
    ------
    RasterError
        If the raster can't be read.

    Examples
    --------
    >>> import warnings
    >>> line = gpd.GeoDataFrame(geometry=[shapely.LineString([(0, 0), (4, 0)])], crs=32612)
    >>> with warnings.catch_warnings():
    ...     warnings.simplefilter("ignore", Assumed)
    ...     measure_surface(line)["surface_length_m"].tolist()
    [4.0]
    """
    standard = standard or BarrierStandard()
    lines = candidate_lines.geometry.to_numpy()
    known = ~(shapely.is_missing(lines) | shapely.is_empty(lines))
    length_m = np.where(known, shapely.length(lines), np.nan)
    up_m, down_m = np.full(len(lines), np.nan), np.full(len(lines), np.nan)
    if elevation is None:
        warnings.warn(
            "no elevation is given: the ground is taken as level and lines as long as in plan", Assumed, stacklevel=2
        )
        return candidate_lines.assign(surface_length_m=length_m, step_up_m=up_m, step_down_m=down_m)
    enclosed = candidate_lines["enclosed"].to_numpy() if "enclosed" in candidate_lines.columns else None
    coarsest_m = 0.0
    for rows in group_by_tile(lines):
        surface = read_surface(
            elevation, shapely.total_bounds(lines[rows]).tolist(), crs=candidate_lines.crs, margin_m=standard.reach_m
        )
        length_m[rows] = surface_length(lines[rows], surface)
        coarsest_m = max(coarsest_m, surface.cell_m)
        if enclosed is not None and surface.cell_m <= standard.reach_m / 2:
            up_m[rows], down_m[rows] = _steps_outside(
                lines[rows], enclosed[rows], surface, standard.reach_m, least_step_m
            )
    if coarsest_m > standard.reach_m / 2:
        warnings.warn(
            f"retaining steps and drops can't be seen in the elevation: its cells are {coarsest_m:.3g} m and would have"
            f" to be {standard.reach_m / 2:.2f} m or less (half the reach): look for them on the ground",
            Noticed,
            stacklevel=2,
        )
    return candidate_lines.assign(surface_length_m=length_m, step_up_m=up_m, step_down_m=down_m)


def _steps_outside(
    lines: NDArray[Any], enclosed: NDArray[Any], surface: Surface, reach_m: float, least_step_m: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Highest rise and deepest drop between a line and ground outside it that is reached over 45 degrees or more."""
    spacing_m = surface.cell_m / 2
    parts, line_at = shapely.get_parts(lines, return_index=True)
    points, part_at = shapely.get_coordinates(parts, return_index=True)
    first = np.flatnonzero(part_at[:-1] == part_at[1:])
    start, along = points[first], points[first + 1] - points[first]
    size_m = np.hypot(along[:, 0], along[:, 1])
    first, start, along, size_m = first[size_m > 0], start[size_m > 0], along[size_m > 0], size_m[size_m > 0]
    counts = np.maximum(np.ceil(size_m / spacing_m), 1).astype(np.int64)
    segment = np.repeat(np.arange(len(first)), counts)
    number = np.arange(len(segment)) - np.repeat(np.cumsum(counts) - counts, counts)
    foot = start[segment] + ((number + 0.5) / counts[segment])[:, None] * along[segment]
    normal = np.column_stack([along[:, 1], -along[:, 0]])[segment] / size_m[segment, None]
    line = line_at[part_at[first]][segment]
    shapely.prepare(enclosed)
    inward = shapely.contains_xy(enclosed[line], *(foot + 0.01 * normal).T)
    normal[inward] *= -1
    foot_z = elevation_at(surface, foot)
    last_z, steepest = foot_z.copy(), np.zeros(len(foot))
    up_m, down_m = np.zeros(len(lines)), np.zeros(len(lines))
    # Half a cell apart, so that two places always stand on the rise between neighbouring cells.
    outward_m = np.linspace(0.0, reach_m, int(np.ceil(2 * reach_m / surface.cell_m)) + 1)
    for away_m in outward_m[1:]:
        z = elevation_at(surface, foot + away_m * normal)
        steepest = np.fmax(steepest, np.abs(z - last_z) / outward_m[1])
        rise_m = np.where(steepest >= _STEP_SLOPE, np.nan_to_num(z - foot_z), 0.0)
        np.maximum.at(up_m, line, np.where(rise_m >= least_step_m, rise_m, 0.0))
        np.maximum.at(down_m, line, np.where(-rise_m >= least_step_m, -rise_m, 0.0))
        last_z = z
    return up_m, down_m
