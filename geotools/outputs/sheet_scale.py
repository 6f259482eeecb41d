"""Choose the engineering scale of a plan, and write lengths, stations and bearings as a drawing shows them."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from geotools.errors import OutputError
from geotools.units import METRES_PER_FOOT, METRES_PER_INCH

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

__all__ = [
    "POINTS_PER_INCH",
    "Scale",
    "View",
    "bar_lengths",
    "choose_scale",
    "lay_view",
    "quadrant_bearing",
    "show_height",
    "show_length",
    "show_station",
    "station_step",
]

POINTS_PER_INCH = 72.0
"""Points of a PDF page (ISO 32000)."""
_FEET_PER_INCH = (10, 20, 30, 40, 50, 60, 100, 200, 300, 400, 500, 600, 1000, 2000, 5000, 10_000, 20_000, 50_000)
_RATIOS = (100, 200, 250, 500, 1000, 2000, 2500, 5000, 10_000, 25_000, 50_000, 100_000, 250_000, 500_000)
"""Engineer's scales, and those of metric drawings (common practice, no source)."""


class Scale(NamedTuple):
    """A scale: how it is written, and how many metres of ground a point of paper shows."""

    text: str
    metres_per_point: float


class View(NamedTuple):
    """A place on the page that shows ground: its corner and size in points, its ground corner in metres, its scale."""

    left_pt: float
    bottom_pt: float
    width_pt: float
    height_pt: float
    west_m: float
    south_m: float
    scale: Scale

    @property
    def ground(self) -> tuple[float, float, float, float]:
        """West, south, east, north of what is shown, metres."""
        step_m = self.scale.metres_per_point
        east_m, north_m = self.west_m + self.width_pt * step_m, self.south_m + self.height_pt * step_m
        return self.west_m, self.south_m, east_m, north_m

    def to_page(self, points_m: NDArray[np.float64]) -> NDArray[np.float64]:
        """Bring ground coordinates, n x 2 metres, to the page, points."""
        corner_m = np.array([self.west_m, self.south_m])
        corner_pt = np.array([self.left_pt, self.bottom_pt])
        return np.asarray((points_m - corner_m) / self.scale.metres_per_point + corner_pt)


def choose_scale(width_m: float, height_m: float, *, width_pt: float, height_pt: float, units: str = "us") -> Scale:
    """Choose the largest scale of the series at which ground of a size fits a place on the page.

    Parameters
    ----------
    width_m, height_m : float
        Size of the ground, metres.
    width_pt, height_pt : float
        Size of the place, points.
    units : str
        `us` (1 in = 10, 20, 30, 40, 50, 60, 100 ft and on) or `metric` (1:100, 200, 250, 500 and on).

    Returns
    -------
    Scale

    Raises
    ------
    OutputError
        If the ground is too large for the smallest scale.

    Examples
    --------
    >>> choose_scale(30.0, 36.0, width_pt=432.0, height_pt=432.0).text
    '1 in = 20 ft'
    """
    for scale in _series(units):
        if width_m <= width_pt * scale.metres_per_point and height_m <= height_pt * scale.metres_per_point:
            return scale
    raise OutputError(
        f"ground of {max(width_m, height_m):,.0f} m does not fit a sheet at the smallest scale",
        where="plan",
        mend="draw one part at a time",
    )


def lay_view(
    ground_m: Sequence[float], place_pt: Sequence[float], *, margin_pt: float = 0.0, units: str = "us"
) -> View:
    """Lay ground in the middle of a place on the page, at the largest scale that fits.

    Parameters
    ----------
    ground_m : sequence of 4 float
        West, south, east, north, metres.
    place_pt : sequence of 4 float
        Left, bottom, width, height, points.
    margin_pt : float
        Room for labels on each side, points.
    units : str

    Returns
    -------
    View

    Examples
    --------
    >>> lay_view((0, 0, 30.48, 30.48), (0, 0, 200, 200)).scale.text
    '1 in = 40 ft'
    """
    west, south, east, north = ground_m
    left, bottom, width, height = place_pt
    inner = {"width_pt": width - 2 * margin_pt, "height_pt": height - 2 * margin_pt}
    scale = choose_scale(east - west, north - south, units=units, **inner)
    half_width_m, half_height_m = width * scale.metres_per_point / 2, height * scale.metres_per_point / 2
    return View(
        left, bottom, width, height, (west + east) / 2 - half_width_m, (south + north) / 2 - half_height_m, scale
    )


def bar_lengths(scale: Scale, *, units: str = "us", most_pt: float = 150.0) -> tuple[float, str]:
    """Length of each of the four parts of a scale bar, metres and as text.

    Examples
    --------
    >>> bar_lengths(choose_scale(30.0, 36.0, width_pt=432.0, height_pt=432.0))[1]
    '10 ft'
    """
    unit_m, sign = (METRES_PER_FOOT, "ft") if units == "us" else (1.0, "m")
    most = most_pt * scale.metres_per_point / 4 / unit_m
    power = 10.0 ** math.floor(math.log10(most))
    part = max(step * power for step in (1, 2, 5) if step * power <= most)
    return part * unit_m, f"{part:g} {sign}"


def show_length(length_m: float, *, units: str = "us") -> str:
    """Write a length to the tenth of a foot or the centimetre.

    Examples
    --------
    >>> show_length(30.48), show_length(30.48, units="metric")
    ('100.0 ft', '30.48 m')
    """
    return f"{length_m / METRES_PER_FOOT:.1f} ft" if units == "us" else f"{length_m:.2f} m"


def show_height(height_m: float, *, units: str = "us") -> str:
    """Write a height or opening in inches or millimetres; nothing where it is missing.

    Examples
    --------
    >>> show_height(0.9144), show_height(0.9144, units="metric")
    ('36 in', '914 mm')
    """
    if not math.isfinite(height_m):
        return ""
    return f"{round(height_m / METRES_PER_INCH, 2):g} in" if units == "us" else f"{height_m * 1000:.0f} mm"


def show_station(station_m: float, *, units: str = "us") -> str:
    """Write a station: hundreds of feet + feet, or kilometres + metres (common practice of civil drawings).

    Examples
    --------
    >>> show_station(75.4), show_station(75.4, units="metric")
    ('2+47', '0+075')
    """
    if units == "us":
        hundreds, feet = divmod(round(station_m / METRES_PER_FOOT), 100)
        return f"{hundreds}+{feet:02d}"
    kilometres, metres = divmod(round(station_m), 1000)
    return f"{kilometres}+{metres:03d}"


def station_step(scale: Scale, *, units: str = "us") -> float:
    """Ground between two stations that are marked, metres: the least of 10, 25, 50, 100, ... ft (5, 10, 20, ... m).

    Examples
    --------
    >>> round(station_step(choose_scale(30.0, 36.0, width_pt=432.0, height_pt=432.0)) / 0.3048)
    25
    """
    unit_m, steps = (
        (METRES_PER_FOOT, (10, 25, 50, 100, 200, 500, 1000)) if units == "us" else (1.0, (5, 10, 20, 50, 100))
    )
    least_m = 50.0 * scale.metres_per_point
    return next((step * unit_m for step in steps if step * unit_m >= least_m), steps[-1] * unit_m)


def quadrant_bearing(east_m: float, north_m: float) -> str:
    """Write a direction as a surveyor's quadrant bearing, to the minute, from grid north.

    Examples
    --------
    >>> quadrant_bearing(1.0, 1.0), quadrant_bearing(-1.0, 0.0)
    ("N 45°00' E", "N 90°00' W")
    """
    minutes = round(math.degrees(math.atan2(abs(east_m), abs(north_m))) * 60)
    degrees, rest = divmod(minutes, 60)
    along = "N" if north_m >= 0 else "S"
    across = "E" if east_m >= 0 else "W"
    return f"{along} {degrees:02d}°{rest:02d}' {across}"


def _series(units: str) -> list[Scale]:
    if units == "us":
        return [Scale(f"1 in = {feet} ft", feet * METRES_PER_FOOT / POINTS_PER_INCH) for feet in _FEET_PER_INCH]
    if units == "metric":
        return [Scale(f"1:{ratio}", ratio * METRES_PER_INCH / POINTS_PER_INCH) for ratio in _RATIOS]
    raise OutputError(f"units are {units!r}", where="units", mend="write 'us' or 'metric'")
