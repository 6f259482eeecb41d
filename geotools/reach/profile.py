"""Find how high each line must be at every place along it, for the footholds and the ground outside."""

from __future__ import annotations

import warnings
from typing import TYPE_CHECKING, Any, NamedTuple

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from geotools.design import BarrierStandard
from geotools.errors import Assumed, Noticed
from geotools.rasters import Raster
from geotools.reach._ground import ground_heights, steepness
from geotools.reach._stations import Segments, Stations, cut_at_footholds, cut_at_ground, make_segments, place_stations
from geotools.reach.surface import Surface, elevation_at, group_by_tile, read_surface
from geotools.units import METRES_PER_FOOT, write_length

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Integers = NDArray[np.int64]

__all__ = ["GROUND", "profile_heights"]

GROUND = "ground"
"""What governs a height where no foothold does."""
BUILD_OVER_M = 7 * METRES_PER_FOOT
"""A barrier is not built higher (assumption of this project; model building code: fences to 7 ft need no permit)."""
_SAMPLES_PER_REACH = 6
_LARGEST_SPACING_M = 0.15
_NO_THING = -1
_ON_LINE_M = 1e-6


class _Things(NamedTuple):
    """Footholds: shapes, heights, ids, ground under them."""

    shape: NDArray[Any]
    height_m: Floats
    foothold_id: NDArray[np.object_]


class _Pairs(NamedTuple):
    """Segments and the footholds within reach of them: segment, foothold, its part outside."""

    segment: Integers
    thing: Integers
    outside: NDArray[Any]


def profile_heights(
    candidate_lines: gpd.GeoDataFrame,
    setback_footholds: gpd.GeoDataFrame | None = None,
    elevation: Raster | None = None,
    *,
    standard: BarrierStandard | None = None,
    units: str = "us",
    build_over_m: float = BUILD_OVER_M,
    only_recommended: bool = True,
) -> pd.DataFrame:
    """Find the height that each line needs along its length if nothing near it is cleared.

    At a place of the line the height is the largest of h + sqrt(R^2 - d^2) over footholds outside within R (distance
    to the nearest edge), and of the same over every point of the ground outside; never less than R from the ground at
    its foot. With an elevation the difference of the ground counts. Outside is what is not `enclosed`; a line without
    it has no known side, so both count.

    Error. Without an elevation it is rounding: lines are cut where the distance to a foothold turns or passes R, so
    that the largest height of a stretch is at its end. With one, squares of the bilinear surface are searched exactly
    and stations stand no further apart than R / 6, at every line between cell centres, at half that where the ground
    is steeper than 75 %, and at a quarter above 150 %; a stretch's height then errs by at most R / 288 x (1 + s^2)^1.5
    with these divided by 4 and 16 (s: slope), and ground that can't ask for more than 2 mm above R counts as level:
    below 1 cm up to 60 degrees for any R to 1.2 m.

    Parameters
    ----------
    candidate_lines : GeoDataFrame, n rows
        Lines in a projected CRS in metres, with `line_id` and the polygon column `enclosed` where known; rows without
        a line are passed over, and with a column `recommended` so are the others (see `only_recommended`).
    setback_footholds : GeoDataFrame, optional
        Footholds with `foothold_id`, `height_m` (above the ground at their place; missing ones are as high as the
        barrier).
    elevation : Raster, optional
        In any CRS and resolution; level ground without it.
    standard : BarrierStandard, optional
        The reach.
    build_over_m : float
        A foothold that asks for more than this is not built over but has to be cleared, trimmed or taken inside: it is
        left out here and counted in a notice, metres.
    only_recommended : bool
        Only lines that are recommended, where that is known.
    units : str
        Units of the texts: `us` or `metric`.

    Returns
    -------
    DataFrame
        A row per stretch between two stations, in the order of the lines: line_id, part (from 0), station_m and to_m
        (metres from the line's start), required_height_m (the largest on the stretch), governed_by (foothold id, or
        `ground`).

    Raises
    ------
    RasterError
        If the elevation can't be read.

    Examples
    --------
    >>> import warnings
    >>> from geotools.reach.footholds import measure_setbacks
    >>> line = gpd.GeoDataFrame({"line_id": ["A"]}, geometry=[shapely.LineString([(0, 0), (9, 0)])], crs=32612)
    >>> line["enclosed"] = gpd.GeoSeries([shapely.box(0, -9, 9, 0)], crs=32612)
    >>> rock = gpd.GeoDataFrame({"height_m": [0.5]}, geometry=gpd.points_from_xy([4], [0.3]), crs=32612)
    >>> with warnings.catch_warnings():
    ...     warnings.simplefilter("ignore", Assumed)
    ...     one_metre = BarrierStandard(body_length_m=1.6, buffer_m=0.2)
    ...     profile = profile_heights(line, measure_setbacks(rock, standard=one_metre), standard=one_metre)
    >>> round(float(profile["required_height_m"].max()), 6), profile["governed_by"].unique().tolist()
    (1.453939, ['ground', 'F00001'])
    """
    standard = standard or BarrierStandard()
    lines = candidate_lines.geometry.to_numpy().copy()
    if only_recommended and "recommended" in candidate_lines.columns:
        lines[~candidate_lines["recommended"].to_numpy(dtype=bool)] = None
    known = ~(shapely.is_missing(lines) | shapely.is_empty(lines))
    enclosed = _enclosed(candidate_lines, known)
    things = _things(setback_footholds, standard)
    if elevation is None:
        warnings.warn(
            "no elevation is given: the ground is taken as level and lines as long as in plan", Assumed, stacklevel=2
        )
    lines[~known] = None
    groups = [np.flatnonzero(known)] if elevation is None else list(group_by_tile(lines))
    tables, too_high, no_ground_m = [], 0, 0.0
    for rows in groups:
        surface = None
        if elevation is not None:
            bounds = shapely.total_bounds(lines[rows]).tolist()
            surface = read_surface(elevation, bounds, crs=candidate_lines.crs, margin_m=2 * standard.reach_m)
        inside = None if enclosed is None else enclosed[rows]
        table, left_out, blank_m = _profile(lines[rows], inside, things, surface, standard.reach_m, build_over_m)
        table["line"] = rows[table["line"]]
        tables.append(table)
        too_high, no_ground_m = too_high + left_out, no_ground_m + blank_m
    if too_high:
        warnings.warn(
            f"{too_high:,} times a climbable thing stands so near to a line that more than "
            f"{write_length(build_over_m, units=units)} would be needed: "
            "no height is given for it; clear it, trim it or take it inside",
            Noticed,
            stacklevel=2,
        )
    if no_ground_m > 0:
        warnings.warn(
            f"{no_ground_m:,.0f} m of line have no elevation: the ground there is taken as level", Noticed, stacklevel=2
        )
    empty = {"line": np.zeros(0, dtype=np.int64)} | {
        name: np.zeros(0) for name in ("part", "station_m", "to_m", "required_height_m", "thing")
    }
    whole = pd.concat(tables, ignore_index=True) if tables else pd.DataFrame(empty)
    whole = whole.sort_values(["line", "station_m"], kind="stable", ignore_index=True)
    ids = np.append(things.foothold_id, GROUND)
    return pd.DataFrame(
        {
            "line_id": pd.Series(_line_ids(candidate_lines)[whole["line"].to_numpy(dtype=np.int64)], dtype=str),
            "part": whole["part"].astype(np.int64),
            "station_m": whole["station_m"].astype(np.float64),
            "to_m": whole["to_m"].astype(np.float64),
            "required_height_m": whole["required_height_m"].astype(np.float64),
            "governed_by": pd.Series(ids[whole["thing"].to_numpy(dtype=np.int64)], dtype=str),
        }
    )


def _line_ids(lines: gpd.GeoDataFrame) -> NDArray[np.object_]:
    if "line_id" in lines.columns:
        return np.asarray(lines["line_id"].astype(object))
    return np.array([f"W{number:05d}" for number in range(1, len(lines) + 1)], dtype=object)


def _enclosed(lines: gpd.GeoDataFrame, known: NDArray[np.bool_]) -> NDArray[Any] | None:
    inside = (
        lines["enclosed"].to_numpy().copy() if "enclosed" in lines.columns else np.full(len(lines), None, dtype=object)
    )
    missing = shapely.is_missing(inside) | shapely.is_empty(inside)
    inside[missing] = shapely.Polygon()
    if (missing & known).any():
        warnings.warn(
            f"{(missing & known).sum():,} lines enclose no known ground: things on both sides of them count",
            Assumed,
            stacklevel=3,
        )
    shapely.prepare(inside)
    return None if missing.all() else inside


def _things(footholds: gpd.GeoDataFrame | None, standard: BarrierStandard) -> _Things:
    if footholds is None or footholds.empty:
        return _Things(np.zeros(0, dtype=object), np.zeros(0), np.zeros(0, dtype=object))
    heights_m = pd.to_numeric(footholds["height_m"]).to_numpy(dtype=np.float64, na_value=np.nan)
    shapes = footholds.geometry.to_numpy()
    known = ~(shapely.is_missing(shapes) | shapely.is_empty(shapes))
    return _Things(
        shapes[known],
        np.where(np.isnan(heights_m), standard.height_m, heights_m)[known],
        footholds["foothold_id"].to_numpy(dtype=object)[known],
    )


def _profile(
    lines: NDArray[Any],
    enclosed: NDArray[Any] | None,
    things: _Things,
    surface: Surface | None,
    reach_m: float,
    build_over_m: float,
) -> tuple[pd.DataFrame, int, float]:
    segments = make_segments(lines)
    pairs, left_out = _pair(segments, lines, enclosed, things, reach_m, build_over_m)
    cut_segment, cut_along = cut_at_footholds(segments, pairs.segment, pairs.outside, reach_m=reach_m)
    steep = None
    if surface is not None:
        spacing_m = min(reach_m / _SAMPLES_PER_REACH, _LARGEST_SPACING_M)
        steep = steepness(surface, reach_m=reach_m + spacing_m)
        ground_segment, ground_along = cut_at_ground(segments, steep, reach_m=reach_m, spacing_m=spacing_m)
        cut_segment, cut_along = (
            np.concatenate([cut_segment, ground_segment]),
            np.concatenate([cut_along, ground_along]),
        )
    stations = place_stations(segments, cut_segment, cut_along)
    begin = np.flatnonzero(stations.segment[:-1] == stations.segment[1:])
    segment, length_m = stations.segment[begin], np.diff(stations.along_m)[begin]
    foot_z, blank_m = np.zeros(len(stations.segment)), 0.0
    required = np.full(len(begin), reach_m)
    if steep is not None and surface is not None:
        foot_z = elevation_at(surface, stations.xy)
        asked = ground_heights(
            stations.xy, stations.following, segments.line[stations.segment], enclosed, steep, reach_m=reach_m
        )
        blank = np.isnan(foot_z)
        blank_m = float(length_m[blank[begin] | blank[begin + 1]].sum())
        asked[blank] = reach_m
        required = np.maximum(asked[begin], asked[begin + 1])
    governed = np.full(len(begin), _NO_THING)
    _raise_for_things(required, governed, segments, stations, begin, pairs, things, surface, foot_z, reach_m)
    station_m = segments.begins_m[segment] + stations.along_m[begin]
    line, part = segments.line[segment], segments.part[segment]
    part -= part[np.searchsorted(line, line)] if len(line) else part
    # Neighbouring stretches that say the same are one.
    changed = np.append(
        True, (np.diff(line) != 0) | (np.diff(part) != 0) | (np.diff(required) != 0) | (np.diff(governed) != 0)
    )[: len(begin)]
    first = np.flatnonzero(changed)
    last = np.append(first[1:], len(begin))[: len(first)] - 1
    table = pd.DataFrame(
        {
            "line": line[first],
            "part": part[first],
            "station_m": station_m[first],
            "to_m": (station_m + length_m)[last],
            "required_height_m": required[first],
            "thing": governed[first],
        }
    )
    return table, left_out, blank_m


def _pair(
    segments: Segments,
    lines: NDArray[Any],
    enclosed: NDArray[Any] | None,
    things: _Things,
    reach_m: float,
    build_over_m: float,
) -> tuple[_Pairs, int]:
    """Segments with the footholds outside within reach, and how many lines and footholds ask for too much height."""
    pieces = np.asarray(shapely.linestrings(np.stack([segments.start, segments.end], axis=1)), dtype=object)
    tree = shapely.STRtree(pieces)
    thing, segment = tree.query(things.shape, predicate="dwithin", distance=reach_m)
    keys, which = np.unique(np.stack([segments.line[segment], thing]), axis=1, return_inverse=True)
    line, alone = keys[0], keys[1]
    outside = things.shape[alone]
    counts = np.ones(len(line), dtype=bool)
    if enclosed is not None:
        counts = ~shapely.within(outside, enclosed[line])
        # Of a thing that reaches in, only what is outside is climbed; what runs along the line counts as outside.
        across = np.flatnonzero(
            counts & (shapely.get_dimensions(outside) > 0) & shapely.intersects(enclosed[line], outside)
        )
        own, which_line = np.unique(line[across], return_inverse=True)
        inner = np.asarray(shapely.buffer(enclosed[own], -_ON_LINE_M, join_style="mitre"), dtype=object)
        cut = shapely.difference(outside[across], inner[which_line])
        outside[across] = np.where(shapely.is_empty(cut), outside[across], cut)
    distance_m = shapely.distance(outside, lines[line])
    tall = things.height_m[alone] + np.sqrt(np.maximum(reach_m**2 - distance_m**2, 0)) > build_over_m
    left_out = int((counts & tall & (distance_m < reach_m)).sum())
    kept = (counts & ~tall)[which.ravel()]
    return _Pairs(segment[kept], thing[kept], outside[which.ravel()[kept]]), left_out


def _raise_for_things(
    required: Floats,
    governed: Integers,
    segments: Segments,
    stations: Stations,
    begin: Integers,
    pairs: _Pairs,
    things: _Things,
    surface: Surface | None,
    foot_z: Floats,
    reach_m: float,
) -> None:
    """Raise the stretches within reach of each foothold to what it asks for at their ends."""
    if not len(pairs.segment):
        return
    # Stretches of a segment whose middle may be within reach: by the circle round the foothold's box.
    west, south, east, north = shapely.bounds(pairs.outside).T
    axis = (segments.end - segments.start) / segments.size_m[:, None]
    centre = np.column_stack([(west + east) / 2, (south + north) / 2]) - segments.start[pairs.segment]
    along_m = np.einsum("nd,nd->n", centre, axis[pairs.segment])
    radius_m = np.hypot(east - west, north - south) / 2 + reach_m
    middle_m = (stations.along_m[begin] + stations.along_m[begin + 1]) / 2
    # One increasing key for all: a segment's stretches lie between its number and the next.
    span_m = float(segments.size_m.max()) + 1.0
    key = stations.segment[begin] * span_m + middle_m
    base = pairs.segment * span_m
    size_m = segments.size_m[pairs.segment]
    low = np.searchsorted(key, base + np.clip(along_m - radius_m, 0, size_m))
    high = np.searchsorted(key, base + np.clip(along_m + radius_m, 0, size_m), side="right")
    counts = np.maximum(high - low, 0)
    pair = np.repeat(np.arange(len(counts)), counts)
    stretch = np.arange(len(pair)) - np.repeat(np.cumsum(counts) - counts, counts) + low[pair]
    one, two = begin[stretch], begin[stretch] + 1
    middle = shapely.points((stations.xy[one] + stations.xy[two]) / 2)
    active = shapely.distance(middle, pairs.outside[pair]) < reach_m
    pair, stretch, one, two = pair[active], stretch[active], one[active], two[active]
    thing, shapes = pairs.thing[pair], pairs.outside[pair]
    stands_m = things.height_m[thing]
    asked = np.zeros(len(pair))
    for end in (one, two):
        place = shapely.points(stations.xy[end])
        above = np.sqrt(np.maximum(reach_m**2 - shapely.distance(place, shapes) ** 2, 0))
        higher = np.zeros(len(pair)) if surface is None else _ground_under(surface, shapes, place) - foot_z[end]
        asked = np.maximum(asked, stands_m + np.nan_to_num(higher) + above)
    order = np.lexsort((-thing, asked, stretch))
    stretch, asked, thing = stretch[order], asked[order], thing[order]
    last = np.append(np.diff(stretch) > 0, True)[: len(stretch)]
    stretch, asked, thing = stretch[last], asked[last], thing[last]
    higher_now = asked > required[stretch]
    required[stretch[higher_now]] = asked[higher_now]
    governed[stretch[higher_now]] = thing[higher_now]


def _ground_under(surface: Surface, shapes: NDArray[Any], places: NDArray[Any]) -> Floats:
    """Ground under a foothold: at its middle for a polygon (its top is flat), else at its point nearest to the line."""
    flat = shapely.get_dimensions(shapes) == 2
    points = np.empty(len(shapes), dtype=object)
    points[flat] = shapely.point_on_surface(shapes[flat])
    nearest = shapely.get_point(shapely.shortest_line(shapes[~flat], places[~flat]), 0)
    points[~flat] = nearest
    return elevation_at(surface, shapely.get_coordinates(points))
