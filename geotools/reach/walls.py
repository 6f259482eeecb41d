"""Hold walls that stand to the height that the ground and the footholds outside them ask for."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from geotools.design import BarrierStandard
from geotools.rasters import Raster
from geotools.reach.profile import GROUND, profile_heights
from geotools.units import METRES_PER_INCH, write_at_least, write_length, write_run, write_small

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["measure_walls"]

_WALL_M = 0.03
"""Half the thickness that a drawn wall is given to part the ground of a lot."""
_BESIDE_M = 0.15
"""A wall this near to a yard bounds it."""
_LEAST_LOW_M = 0.02


def measure_walls(
    judged_walls: gpd.GeoDataFrame,
    ground: gpd.GeoDataFrame,
    setback_footholds: gpd.GeoDataFrame | None = None,
    elevation: Raster | None = None,
    *,
    standard: BarrierStandard | None = None,
    units: str = "us",
    neglect_m: float = 1 * METRES_PER_INCH,
) -> gpd.GeoDataFrame:
    """Find where a sound wall is too low for what stands or rises outside it, by how much and over what length.

    Outside is told by topology: the ground of each lot is parted by its walls and houses, and the pieces that hold its
    protected ground are the inside; a wall between two lots is held to both. Walls judged unsound already, and those of
    unknown height, only gain the length to mend.

    Parameters
    ----------
    judged_walls : GeoDataFrame, n rows
        Walls as `judge_walls` gives them.
    ground : GeoDataFrame
        Lot ground as `find_lot_ground` gives it: `lot`, `house`, `protected`.
    setback_footholds : GeoDataFrame, optional
        Footholds with `foothold_id` and `height_m`.
    elevation : Raster, optional
        Level ground without it.
    standard : BarrierStandard, optional
        The reach.
    neglect_m : float
        A wall lower than asked by no more than this is left to the buffer (assumption of this project: 1 in).
    units : str
        Units of the texts: `us` or `metric`.

    Returns
    -------
    GeoDataFrame, n rows on the same index
        The walls with `required_height_m` (the largest along it; NaN where it bounds no yard or was not held),
        `low_from_m` and `low_to_m` (from the wall's start, NaN where it is not low), `mend_length_m` (the low stretch
        of a wall that is sound elsewhere, the whole of an unsound one, 0 of a sound one); a wall found low is judged
        `too low`, with `shortfall_m`, `why` and `mend` accordingly.

    Raises
    ------
    RasterError
        If the elevation can't be read.

    Examples
    --------
    >>> import warnings
    >>> from geotools.reach.footholds import measure_setbacks
    >>> ground = gpd.GeoDataFrame({"parcel_id": ["1"]}, geometry=[shapely.box(0, 0, 20, 20)], crs=32612)
    >>> for name in ("lot", "protected"):
    ...     ground[name] = ground.geometry
    >>> ground["house"] = gpd.GeoSeries([shapely.Polygon()], crs=32612)
    >>> wall = gpd.GeoDataFrame({"height_m": [1.0]}, geometry=[shapely.box(0, 0, 20, 20).exterior], crs=32612)
    >>> wall = wall.assign(sound_now=True, judgement="sound", shortfall_m=0.0, why="meets the standard", mend="")
    >>> rock = gpd.GeoDataFrame({"height_m": [0.5]}, geometry=gpd.points_from_xy([10], [-0.1]), crs=32612)
    >>> with warnings.catch_warnings():
    ...     warnings.simplefilter("ignore")
    ...     measure_walls(wall, ground, measure_setbacks(rock))["judgement"].item()
    'too low'
    """
    standard = standard or BarrierStandard()
    lengths_m = judged_walls.length.to_numpy()
    sound = judged_walls["sound_now"].to_numpy(dtype=bool)
    heights_m = pd.to_numeric(judged_walls["height_m"]).to_numpy(dtype=np.float64, na_value=np.nan)
    held = np.flatnonzero(sound & ~np.isnan(heights_m) & (lengths_m > 0))
    sides = _sides(judged_walls, held, ground)
    profile = profile_heights(
        sides, setback_footholds, elevation, standard=standard, build_over_m=np.inf, only_recommended=False
    )
    profile["wall"] = sides["wall"].to_numpy()[sides.index.get_indexer(pd.Index(profile["line_id"]))]
    required_m = profile.groupby("wall")["required_height_m"].max().reindex(range(len(judged_walls))).to_numpy()
    excess_m = profile["required_height_m"] - heights_m[profile["wall"]]
    low = profile.assign(excess_m=excess_m)[(excess_m > neglect_m) & (profile["to_m"] > profile["station_m"])]
    worst = low.sort_values("excess_m", ascending=False, kind="stable").drop_duplicates("wall").set_index("wall")
    reaches = low.groupby("wall").agg(low_from_m=("station_m", "min"), low_to_m=("to_m", "max"))
    reaches = reaches.reindex(range(len(judged_walls)))
    table = judged_walls.assign(
        required_height_m=required_m,
        low_from_m=reaches["low_from_m"].to_numpy(),
        low_to_m=reaches["low_to_m"].to_numpy(),
        mend_length_m=np.where(sound, 0.0, lengths_m),
    )
    return _with_low_walls(
        table, worst, _names(setback_footholds), write_small(standard.mesh_opening_m, units=units), units
    )


def _sides(walls: gpd.GeoDataFrame, held: NDArray[np.intp], ground: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """A row per wall and yard that it bounds, with the yard as the inside."""
    shapes = walls.geometry.to_numpy()
    yards = _yards(shapes, held, ground)
    at, yard_at = shapely.STRtree(yards).query(shapes[held], predicate="dwithin", distance=_BESIDE_M)
    order = np.lexsort((yard_at, at))
    wall_at, yard_at = held[at[order]], yard_at[order]
    near = np.unique(yard_at)
    around, enclosed = yards.copy(), yards.copy()
    for shape, by_m in ((around, _BESIDE_M), (enclosed, _WALL_M)):
        shape[near] = shapely.buffer(yards[near], by_m, quad_segs=4)
    shapely.prepare(around[near])
    along_m = shapely.length(shapes[wall_at])
    partly = np.flatnonzero((along_m > 2 * _BESIDE_M) & ~shapely.covers(around[yard_at], shapes[wall_at]))
    along_m[partly] = shapely.length(shapely.intersection(shapes[wall_at[partly]], around[yard_at[partly]]))
    beside = along_m > 2 * _BESIDE_M
    wall_at, yard_at = wall_at[beside], yard_at[beside]
    ids = [f"{wall}:{yard}" for wall, yard in zip(wall_at, yard_at, strict=True)]
    table = gpd.GeoDataFrame(
        {"line_id": ids, "wall": wall_at}, index=pd.Index(ids, dtype=object), geometry=shapes[wall_at], crs=walls.crs
    )
    table["enclosed"] = gpd.GeoSeries(enclosed[yard_at], index=table.index, crs=walls.crs)
    return table


def _yards(walls: NDArray[Any], held: NDArray[np.intp], ground: gpd.GeoDataFrame) -> NDArray[Any]:
    """The part of each lot on the protected side of its walls and house, in the order of the lots that have one.

    Only of lots that a wall which is held to its yard stands near.
    """
    lots, protected = ground["lot"].to_numpy(), ground["protected"].to_numpy()
    known = ~(shapely.is_empty(protected) | shapely.is_missing(protected) | shapely.is_missing(lots))
    near = shapely.STRtree(lots).query(walls[held], predicate="dwithin", distance=2 * _BESIDE_M)[1]
    known = np.intersect1d(np.flatnonzero(known), near)
    open_ground = shapely.difference(lots[known], ground["house"].to_numpy()[known])
    at, wall_at = shapely.STRtree(walls).query(open_ground, predicate="intersects")
    met, strip_at = np.unique(wall_at, return_inverse=True)
    strips = np.full((len(known), int(np.bincount(at).max(initial=0))), None, dtype=object)
    number = np.arange(len(at)) - np.searchsorted(at, at)
    strips[at, number] = shapely.buffer(walls[met], _WALL_M, cap_style="square")[strip_at]
    merged = shapely.union_all(strips, axis=1)
    parts, part_of = shapely.get_parts(shapely.difference(open_ground, merged), return_index=True)
    inside = shapely.area(shapely.intersection(parts, protected[known][part_of])) > _LEAST_LOW_M
    return np.asarray(parts[inside], dtype=object)


def _names(footholds: gpd.GeoDataFrame | None) -> dict[str, str]:
    if footholds is None or footholds.empty:
        return {}
    kinds = footholds["kind"].fillna("thing").astype(str) if "kind" in footholds else ["thing"] * len(footholds)
    return {number: f"{kind} {number}" for number, kind in zip(footholds["foothold_id"], kinds, strict=True)}


def _with_low_walls(
    table: gpd.GeoDataFrame, worst: pd.DataFrame, names: dict[str, str], mesh: str, units: str
) -> gpd.GeoDataFrame:
    judged = {name: table[name].to_numpy(dtype=object, copy=True) for name in ("judgement", "why", "mend")}
    sound, short_m = table["sound_now"].to_numpy(dtype=bool, copy=True), table["shortfall_m"].to_numpy(copy=True)
    mend_m = table["mend_length_m"].to_numpy(copy=True)
    from_m, to_m = table["low_from_m"].to_numpy(), table["low_to_m"].to_numpy()
    for wall, excess_m, required_m, cause in zip(
        worst.index, worst["excess_m"], worst["required_height_m"], worst["governed_by"], strict=True
    ):
        sound[wall], short_m[wall], mend_m[wall] = False, excess_m, max(to_m[wall] - from_m[wall], _LEAST_LOW_M)
        place = f"from {write_run(from_m[wall], units=units)} to {write_run(to_m[wall], units=units)} along it"
        beside = "the ground outside rises" if cause == GROUND else f"{names.get(cause, cause)} stands outside"
        judged["judgement"][wall] = "too low"
        judged["why"][wall] = f"{write_at_least(excess_m, units=units)} too low {place}, where {beside}"
        clear = "" if cause == GROUND else f"; or clear {names.get(cause, cause)}"
        judged["mend"][wall] = (
            f"raise it with {mesh} mesh on the outside face to {write_length(required_m, units=units)} {place}{clear}"
        )
    return table.assign(
        sound_now=sound,
        shortfall_m=short_m,
        mend_length_m=mend_m,
        **{name: pd.Series(values, index=table.index, dtype=str) for name, values in judged.items()},
    )
