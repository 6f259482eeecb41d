"""Price the four ways out of each conflict between a line and a climbable thing, and recommend the cheapest."""

from __future__ import annotations

import warnings
from typing import TYPE_CHECKING, Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from geotools.design import BarrierStandard
from geotools.errors import Assumed, DesignError, StepError
from geotools.units import METRES_PER_FOOT, write_at_least, write_length

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Flags = NDArray[np.bool_]

__all__ = ["price_remedies"]

WAYS = ("hold", "inside", "raise", "clear")
"""Hold the setback, take the thing inside, raise the barrier there, trim or remove the thing."""
CANOPY = r"\b(?:tree|canopy|branch|branches|limb|palm|mesquite|palo ?verde|ironwood)\b"
"""Things that may hang over a line: no setback helps, they are trimmed or taken inside (trade rule)."""
TRIMMED = CANOPY + r"|\b(?:shrub|bush|hedge|vine|brush|cactus|agave|plant|vegetation|grass)\b"
FIXED = (
    r"\b(?:wall|fence|rail|railing|building|house|garage|casita|stairs?|steps?|pool|utility|transformer|hydrant|pole"
    r"|retaining)\b"
)
"""Things that can't be carried away (assumption of this project, on whole words of the kind)."""
_MOST_OF_GROUND = 0.25
_QUARTER_SEGMENTS = 16


def price_remedies(
    conflicts: gpd.GeoDataFrame,
    candidate_lines: gpd.GeoDataFrame,
    ground: gpd.GeoDataFrame | None = None,
    *,
    standard: BarrierStandard | None = None,
    units: str = "us",
    price_line_per_m: float = 80.0,
    price_bend: float = 40.0,
    price_raised_per_m2: float = 60.0,
    price_raised_panel: float = 35.0,
    price_trim: float = 75.0,
    price_remove: float = 120.0,
    inside_clearance_m: float = 0.3,
    least_panel_m: float = 8 * METRES_PER_FOOT,
    build_over_m: float = 7 * METRES_PER_FOOT,
) -> gpd.GeoDataFrame:
    """Price the ways out of each conflict, and name the cheapest.

    - hold the setback: the line bends round the thing on the inner side, along the outline at its setback; the extra
      length is that outline's less the chord that it replaces. Not where the outline reaches a house or cuts off more
      than a quarter of the ground.
    - take it inside: the line goes round its outer side at a clearance, on the convex hull of both. Only where that
      stays on the ground where a line may run, so only with `ground`.
    - raise: extra height times the length of line within reach, at least one panel. Not where the height is unknown or
      above `build_over_m`.
    - clear: trim what grows, remove what stands. Not for walls, rails, buildings and other fixed things.

    A canopy that hangs over the line can only be trimmed or taken inside. Each conflict is priced alone: what helps
    one thing may help its neighbour as well. The prices here are invented (assumptions of this project): give your
    own.

    Parameters
    ----------
    conflicts : GeoDataFrame, n rows
        As `find_conflicts` gives it.
    candidate_lines : GeoDataFrame
        The lines, with `line_id` and the polygon column `enclosed`.
    ground : GeoDataFrame, optional
        As `find_lot_ground` gives it: where a line may run, houses and lots.
    standard : BarrierStandard, optional
        Reach and specified height.
    price_line_per_m, price_bend : float
        Of a metre of line, and of a bend (a detour has four).
    price_raised_per_m2, price_raised_panel : float
        Of a square metre of extra height, and of a raised panel's posts.
    price_trim, price_remove : float
        Of a thing.
    inside_clearance_m, least_panel_m, build_over_m : float
        Metres.
    units : str
        Units of the texts: `us` or `metric`.

    Returns
    -------
    GeoDataFrame, n rows on the same index
        The conflicts with hold_extra_m, inside_extra_m, raise_length_m, hold_cost, inside_cost, raise_cost, clear_cost
        (NaN where a way is not open), overhangs, on_lot (missing without `ground`), cheapest (hold, inside, raise,
        clear, or empty where none is open), cheapest_cost, and a new `remedy`.

    Raises
    ------
    DesignError
        If a price or length is negative.
    StepError
        If a conflict names a line that is not there.

    Examples
    --------
    >>> from geotools.reach.footholds import find_conflicts, measure_setbacks
    >>> line = gpd.GeoDataFrame(
    ...     {"line_id": ["A"], "parcel_id": ["1"], "option": ["lot line"]},
    ...     geometry=[shapely.box(0, 0, 9, 9).exterior], crs=32612,
    ... ).assign(enclosed=[shapely.box(0, 0, 9, 9)])
    >>> place = gpd.points_from_xy([9.5], [5])
    >>> rock = gpd.GeoDataFrame({"kind": ["rock"], "height_m": [0.5]}, geometry=place, crs=32612)
    >>> with warnings.catch_warnings():
    ...     warnings.simplefilter("ignore", Assumed)
    ...     priced = price_remedies(find_conflicts(line, measure_setbacks(rock)), line)
    >>> priced[["hold_extra_m", "cheapest"]].round(3).values.tolist()
    [[0.197, 'raise']]
    """
    standard = standard or BarrierStandard()
    prices = {
        "price_line_per_m": price_line_per_m, "price_bend": price_bend, "price_raised_per_m2": price_raised_per_m2,
        "price_raised_panel": price_raised_panel, "price_trim": price_trim, "price_remove": price_remove,
        "inside_clearance_m": inside_clearance_m, "least_panel_m": least_panel_m,
    }  # fmt: skip
    for name, value in prices.items():
        if not 0 <= value < np.inf:
            raise DesignError(f"{name} is {value}", mend="give 0 or more")
    warnings.warn(
        "ways out of a conflict are compared by the prices in the plan; those that come with the toolkit are invented",
        Assumed,
        stacklevel=2,
    )
    row = pd.Index(candidate_lines["line_id"].astype(str)).get_indexer(pd.Index(conflicts["line_id"].astype(str)))
    if (row < 0).any():
        raise StepError(
            f"there is no line {conflicts['line_id'].iloc[int(np.argmin(row))]!r}",
            mend="find the conflicts of the same lines",
        )
    things = conflicts.geometry.to_numpy()
    lines = candidate_lines.geometry.to_numpy()[row]
    enclosed = candidate_lines["enclosed"].to_numpy()[row]
    allowed, house, lot = _ground_of(conflicts, ground)
    kinds = conflicts["kind"].fillna("").astype(str).str.replace(r"[\s_-]+", " ", regex=True).str.lower()
    canopy = kinds.str.contains(CANOPY, regex=True).to_numpy(dtype=bool)
    trimmed = kinds.str.contains(TRIMMED, regex=True).to_numpy(dtype=bool)
    fixed = kinds.str.contains(FIXED, regex=True).to_numpy(dtype=bool) & ~trimmed
    overhangs = canopy & (shapely.get_dimensions(things) == 2) & shapely.intersects(things, lines)

    hold_m, inside_m = np.full(len(conflicts), np.nan), np.full(len(conflicts), np.nan)
    setback_m = conflicts["setback_m"].to_numpy(dtype=np.float64)
    some = np.flatnonzero(~overhangs)
    hold_m[some] = _hold_extra(things[some], lines[some], enclosed[some], house[some], setback_m[some])
    if ground is not None:
        distance_m = conflicts["distance_m"].to_numpy(dtype=np.float64)
        inside_m = _inside_extra(things, lines, allowed, house, distance_m, inside_clearance_m)
    local_m = conflicts["local_height_m"].to_numpy(dtype=np.float64)
    buildable = ~overhangs & (local_m <= build_over_m)
    raise_m = np.full(len(conflicts), np.nan)
    around = _around(things[buildable], np.full(int(buildable.sum()), standard.reach_m))
    in_reach_m = shapely.length(shapely.intersection(lines[buildable], around))
    raise_m[buildable] = np.maximum(in_reach_m, np.minimum(least_panel_m, shapely.length(lines[buildable])))
    costs = {
        "hold": hold_m * price_line_per_m + 4 * price_bend,
        "inside": inside_m * price_line_per_m + 4 * price_bend,
        "raise": raise_m * np.maximum(local_m - standard.height_m, 0) * price_raised_per_m2 + price_raised_panel,
        "clear": np.where(fixed, np.nan, np.where(trimmed, price_trim, price_remove)),
    }
    table = np.column_stack([costs[way] for way in WAYS]) if len(conflicts) else np.zeros((0, len(WAYS)))
    open_ = ~np.isnan(table).all(axis=1)
    best = np.argmin(np.where(np.isnan(table), np.inf, table), axis=1)
    cheapest = np.where(open_, np.array(WAYS)[best], "")
    on_lot = (
        pd.array(shapely.intersects(things, lot), dtype="boolean")
        if ground is not None
        else pd.array([pd.NA] * len(things), dtype="boolean")
    )
    index = conflicts.index
    return conflicts.assign(
        hold_extra_m=hold_m,
        inside_extra_m=inside_m,
        raise_length_m=raise_m,
        hold_cost=costs["hold"],
        inside_cost=costs["inside"],
        raise_cost=costs["raise"],
        clear_cost=costs["clear"],
        overhangs=overhangs,
        on_lot=on_lot,
        cheapest=pd.Series(cheapest, index=index, dtype=str),
        cheapest_cost=np.where(open_, table[np.arange(len(table)), best], np.nan),
        remedy=pd.Series(
            _remedies(conflicts, cheapest, costs, trimmed, overhangs, on_lot, raise_m, units), index=index, dtype=str
        ),
    )


def _ground_of(
    conflicts: gpd.GeoDataFrame, ground: gpd.GeoDataFrame | None
) -> tuple[NDArray[Any], NDArray[Any], NDArray[Any]]:
    """Ground where a line may run, house and lot of each conflict's parcel; empty where unknown."""
    nothing = np.full(len(conflicts), shapely.Polygon(), dtype=object)
    if ground is None:
        return nothing, nothing, nothing
    at = pd.Index(ground["parcel_id"].astype(str)).get_indexer(pd.Index(conflicts["parcel_id"].astype(str)))
    columns = (ground.geometry.to_numpy(), ground["house"].to_numpy(), ground["lot"].to_numpy())
    allowed, house, lot = (np.where(at >= 0, column[at], nothing) if len(column) else nothing for column in columns)
    return allowed, house, lot


def _around(things: NDArray[Any], by_m: Floats) -> NDArray[Any]:
    return np.asarray(shapely.buffer(things, by_m, quad_segs=_QUARTER_SEGMENTS), dtype=object)


def _hold_extra(
    things: NDArray[Any], lines: NDArray[Any], enclosed: NDArray[Any], house: NDArray[Any], setback_m: Floats
) -> Floats:
    # Each overlay is made only where those before leave the way open.
    extra_m = np.full(len(things), np.nan)
    zone = _around(things, setback_m)
    some = np.flatnonzero(~shapely.intersects(zone, house))
    bend_m = shapely.length(shapely.intersection(shapely.boundary(zone[some]), enclosed[some]))
    some, bend_m = some[bend_m > 0], bend_m[bend_m > 0]
    most_m2 = _MOST_OF_GROUND * shapely.area(enclosed[some])
    large = shapely.area(zone[some]) > most_m2
    lost_m2 = shapely.area(shapely.intersection(zone[some[large]], enclosed[some[large]]))
    possible = np.full(len(some), True)
    possible[large] = lost_m2 <= most_m2[large]
    some, bend_m = some[possible], bend_m[possible]
    chord_m = shapely.length(shapely.intersection(lines[some], zone[some]))
    extra_m[some] = np.maximum(bend_m - chord_m, 0)
    return extra_m


def _inside_extra(
    things: NDArray[Any],
    lines: NDArray[Any],
    allowed: NDArray[Any],
    house: NDArray[Any],
    distance_m: Floats,
    clearance_m: float,
) -> Floats:
    # The hull holds the thing: where that alone is off the ground or in the house, the hull is as well.
    extra_m = np.full(len(things), np.nan)
    shapely.prepare(allowed)
    some = np.flatnonzero(shapely.covers(allowed, things) & ~shapely.intersects(things, house))
    near = shapely.intersection(lines[some], _around(things[some], distance_m[some] + 2 * clearance_m))
    hull = shapely.convex_hull(shapely.union(near, _around(things[some], np.full(len(some), clearance_m))))
    chord_m = shapely.length(near)
    possible = shapely.covers(allowed[some], hull) & ~shapely.intersects(hull, house[some]) & (chord_m > 0)
    extra_m[some] = np.where(possible, np.maximum(shapely.length(hull) - 2 * chord_m, 0), np.nan)
    return extra_m


def _remedies(
    conflicts: gpd.GeoDataFrame,
    cheapest: NDArray[np.str_],
    costs: dict[str, Floats],
    trimmed: Flags,
    overhangs: Flags,
    on_lot: Any,
    raise_m: Floats,
    units: str,
) -> list[str]:
    """A sentence per conflict: the cheapest way first, then the others that are open."""
    setbacks = [write_at_least(value, units=units) for value in conflicts["setback_m"]]
    raised = ["" if np.isnan(value) else write_length(value, units=units) for value in conflicts["local_height_m"]]
    says: dict[str, Callable[[int], str]] = {
        "hold": lambda at: f"bend the line inward to keep {setbacks[at]} away",
        "inside": lambda _: "run the line on its far side",
        "raise": lambda at: f"build {raised[at]} high over {write_length(raise_m[at], units=units)}",
        "clear": lambda at: "trim it" if trimmed[at] else "remove it",
    }
    texts = []
    for at, way in enumerate(cheapest):
        others = [name for name in WAYS if name != way and not np.isnan(costs[name][at])]
        text = says[way](at) if way else "no way out on this line: choose another line"
        text += f"; or {', or '.join(says[name](at) for name in others)}" if others else ""
        text += "; it hangs over the line, so no setback helps" if overhangs[at] else ""
        text += "; height not known: measure it" if not raised[at] else ""
        text += (
            "; it stands on other ground: ask its owner first"
            if on_lot[at] is not pd.NA and not on_lot[at] and way == "clear"
            else ""
        )
        texts.append(text)
    return texts
