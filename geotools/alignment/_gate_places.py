"""Lay out the places along barrier lines where a gate could hang, and measure what is around each."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from geotools.rasters import Raster

    Floats = NDArray[np.float64]
    Integers = NDArray[np.intp]
    Flags = NDArray[np.bool_]

_PROBE_M = 0.05
"""How far beside the line is looked for its inner side."""
_WAY_ON_M = 1.0
"""A gate must lead onto ground this far outside it (assumption of this project)."""
_ON_LOT_M = 0.3
"""A gate this near a lot's edge is that lot's (assumption of this project)."""
_SLACK_M = 1e-6


class Places(NamedTuple):
    """Places, n each: row of the line, station, middle, unit vectors along and outward, width, standing gate."""

    line: Integers
    station_m: Floats
    middle: Floats
    along: Floats
    outward: Floats
    width_m: Floats
    stands_m: Floats
    """Distance of the gate that stands there; NaN where none does."""

    def take(self, rows: Integers) -> Places:
        """Some of the places."""
        return Places(
            self.line[rows],
            self.station_m[rows],
            self.middle[rows],
            self.along[rows],
            self.outward[rows],
            self.width_m[rows],
            self.stands_m[rows],
        )

    def openings(self) -> NDArray[Any]:
        """The clear openings as lines."""
        half = self.along * (self.width_m / 2)[:, None]
        return np.asarray(shapely.linestrings(np.stack([self.middle - half, self.middle + half], axis=1)))

    def leaves(self, swing_out: Flags) -> NDArray[Any]:
        """The ground that a leaf sweeps, taken as the square beside its opening, whichever jamb it hangs on."""
        side = np.where(swing_out, 1.0, -1.0)[:, None]
        near = self.middle + side * self.outward * _PROBE_M
        far = self.middle + side * self.outward * self.width_m[:, None]
        half = self.along * (self.width_m / 2)[:, None]
        return np.asarray(shapely.polygons(np.stack([near - half, near + half, far + half, far - half], axis=1)))


def cut_places(
    lines: NDArray[Any],
    enclosed: NDArray[Any],
    lots: NDArray[Any],
    gates: gpd.GeoDataFrame | None,
    *,
    width_m: float,
    clear_m: float,
    corner_deg: float,
    snap_m: float,
    step_m: float,
) -> Places:
    """Cut straight places out of lines: every step, and where a gate stands near; stations run from piece to piece."""
    parts, line_of = shapely.get_parts(lines, return_index=True)
    length_m = shapely.length(parts)
    before_m = np.cumsum(length_m) - length_m
    start_m = before_m - before_m[np.searchsorted(line_of, line_of)] if len(parts) else before_m
    tried = np.maximum(np.floor((length_m - width_m - 2 * clear_m) / step_m + _SLACK_M).astype(np.int64) + 1, 0)
    part = np.repeat(np.arange(len(parts)), tried)
    nth = np.arange(len(part)) - np.repeat(np.cumsum(tried) - tried, tried)
    at_m = width_m / 2 + clear_m + nth * step_m
    widths, stands_m = np.full(len(part), width_m), np.full(len(part), np.nan)
    if gates is not None and len(gates) and len(parts):
        gate, near = shapely.STRtree(parts).query(gates.geometry.to_numpy(), predicate="dwithin", distance=snap_m)
        own = shapely.dwithin(gates.geometry.to_numpy()[gate], lots[line_of[near]], _ON_LOT_M)
        gate, near = gate[own], near[own]
        points = gates.geometry.to_numpy()[gate]
        own_m = np.full(len(gate), np.nan)
        if "width_m" in gates.columns:
            own_m = pd.to_numeric(gates["width_m"]).to_numpy(dtype=np.float64, na_value=np.nan)[gate]
        widths = np.append(widths, np.fmax(own_m, width_m))
        stands_m = np.append(stands_m, shapely.distance(points, parts[near]))
        at_m = np.append(at_m, shapely.line_locate_point(parts[near], points))
        part = np.append(part, near)
    ways = _lay_out(parts, enclosed[line_of])
    # What stands needs its own width straight, not the clear distance as well.
    reach_m = widths / 2 + np.where(np.isnan(stands_m), clear_m, 0.0)
    fits = _straight(ways, part, at_m, reach_m, corner_deg)
    part, at_m, widths, stands_m = part[fits], at_m[fits], widths[fits], stands_m[fits]
    order = np.lexsort((start_m[part] + at_m, line_of[part]))
    part, at_m, widths, stands_m = part[order], at_m[order], widths[order], stands_m[order]
    run_m = ways.run_m[ways.first[part]] + at_m
    segment = np.clip(np.searchsorted(ways.run_m, run_m, side="right") - 1, ways.first[part], ways.last[part] - 1)
    along = ways.along[segment]
    middle = ways.points[segment] + along * (run_m - ways.run_m[segment])[:, None]
    return Places(line_of[part], start_m[part] + at_m, middle, along, ways.outward[segment], widths, stands_m)


class _Ways(NamedTuple):
    """Vertices of all parts of lines, k: where each part begins and ends, run along them, bends, and their segments."""

    points: Floats
    first: Integers
    last: Integers
    run_m: Floats
    bend_deg: Floats
    along: Floats
    outward: Floats


def _lay_out(parts: NDArray[Any], enclosed: NDArray[Any]) -> _Ways:
    """Directions along and out of each segment; the one that joins two parts stands for nothing."""
    points, of = shapely.get_coordinates(parts, return_index=True)
    first = np.searchsorted(of, np.arange(len(parts)))
    last = np.append(first[1:], len(points))[: len(parts)] - 1
    steps = np.diff(points, axis=0)
    long_m = np.hypot(*steps.T)
    heading = np.arctan2(steps[:, 1], steps[:, 0])
    bend_deg = np.zeros(len(points))
    bend_deg[1:-1] = np.degrees(np.abs((np.diff(heading) + np.pi) % (2 * np.pi) - np.pi))
    bend_deg[first] = bend_deg[last] = 0.0
    along = steps / np.maximum(long_m, _SLACK_M)[:, None]
    left = np.column_stack([-along[:, 1], along[:, 0]])
    probes = shapely.points(points[:-1] + steps / 2 + left * _PROBE_M)
    inside_left = shapely.contains(enclosed[of[:-1]], probes)
    run_m = np.concatenate([[0.0], np.cumsum(long_m)])
    return _Ways(points, first, last, run_m, bend_deg, along, np.where(inside_left[:, None], -left, left))


def _straight(ways: _Ways, part: Integers, at_m: Floats, reach_m: Floats, corner_deg: float) -> Flags:
    """Whether the line runs straight on over a reach either side: no end within it, and bends below a corner."""
    total_deg = np.concatenate([[0.0], np.cumsum(ways.bend_deg)])
    middle_m = ways.run_m[ways.first[part]] + at_m
    begin = np.searchsorted(ways.run_m, middle_m - reach_m, side="left")
    end = np.searchsorted(ways.run_m, middle_m + reach_m, side="right")
    length_m = (ways.run_m[ways.last] - ways.run_m[ways.first])[part]
    within = (at_m - reach_m >= -_SLACK_M) & (at_m + reach_m <= length_m + _SLACK_M)
    return np.asarray(within & (total_deg[end] - total_deg[begin] < corner_deg), dtype=np.bool_)


def on_own_line(places: Places, line_ids: Any, thing_lines: Any, near: Integers, thing: Integers) -> Flags:
    """Of pairs of a place and a thing, those where the thing stands in the way of that place's line."""
    own = np.asarray(line_ids, dtype=object)[places.line[near]]
    return np.asarray(own == np.asarray(thing_lines, dtype=object)[thing], dtype=np.bool_)


def slopes_pct(places: Places, elevation: Raster | None, crs: Any) -> Floats:
    """Steeper of the ground along the opening and across it, a leaf's width to either side; 0 where not known."""
    if elevation is None or not len(places.line):
        return np.zeros(len(places.line))
    from geotools.rasters import sample

    slope = np.zeros(len(places.line))
    for way in (places.along, places.outward):
        step = way * places.width_m[:, None]
        down, up = (sample(elevation, places.middle + side * step, crs=crs) for side in (-1.0, 1.0))
        slope = np.fmax(slope, 100 * np.abs(up - down) / np.maximum(2 * places.width_m, _SLACK_M))
    return slope


def hit_by_others(places: Places, lots: NDArray[Any], own_lot: Integers) -> Flags:
    """Whether the ground just outside a place belongs to another lot."""
    hit = np.zeros(len(places.line), dtype=np.bool_)
    outside = shapely.points(places.middle + places.outward * _WAY_ON_M)
    at, lot = shapely.STRtree(lots).query(outside, predicate="intersects")
    hit[at[lot != own_lot[places.line[at]]]] = True
    return hit
