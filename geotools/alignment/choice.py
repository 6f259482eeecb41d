"""Compare the candidate lines of each lot and recommend one."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd

from geotools.errors import StepError

__all__ = ["collect_lines", "list_footholds_to_clear", "recommend_lines"]


def collect_lines(
    lot_lines: gpd.GeoDataFrame, yard_lines: gpd.GeoDataFrame, house_loops: gpd.GeoDataFrame
) -> gpd.GeoDataFrame:
    """Put the candidate lines of all options into one table, lot by lot.

    Parameters
    ----------
    lot_lines, yard_lines, house_loops : GeoDataFrame, n rows each
        Candidate lines on the parcels' index.

    Returns
    -------
    GeoDataFrame, 3 n rows
        In the order of the parcels, and within a parcel of the arguments; options that do not fit have no geometry and
        say why.

    Raises
    ------
    StepError
        If the tables are not of the same parcels.

    Examples
    --------
    >>> from geotools.alignment import draw_lot_lines, find_lot_ground
    >>> from shapely import box
    >>> lot = gpd.GeoDataFrame({"parcel_id": ["1"]}, geometry=[box(0, 0, 20, 40)], crs=32612)
    >>> line = draw_lot_lines(find_lot_ground(lot))
    >>> len(collect_lines(line, line, line))
    3
    """
    tables = [lot_lines, yard_lines, house_loops]
    if any(not table.index.equals(lot_lines.index) for table in tables):
        raise StepError(
            "the tables of candidate lines are not of the same parcels", mend="draw them from the same ground"
        )
    together = pd.concat([table.assign(_at=np.arange(len(table))) for table in tables])
    ordered = together.sort_values("_at", kind="stable").drop(columns="_at").reset_index(drop=True)
    return gpd.GeoDataFrame(ordered, geometry="geometry", crs=lot_lines.crs)


def recommend_lines(
    candidate_lines: gpd.GeoDataFrame,
    conflicts: gpd.GeoDataFrame,
    *,
    gate_as_m: float = 4.0,
    foothold_as_m: float = 3.0,
    stuck_foothold_as_m: float = 100.0,
    price_line_per_m: float = 80.0,
) -> gpd.GeoDataFrame:
    """Recommend one line for each lot: the one that covers the protected ground with the least work.

    Work is the length of line, with each gate standing for some metres of it, and each foothold in conflict for what
    its cheapest remedy costs in metres of line; all these are assumptions of this project until prices are given.
    Where no line covers the whole protected ground, the least work of those that fit.

    Parameters
    ----------
    candidate_lines : GeoDataFrame
        As `collect_lines` gives them.
    conflicts : GeoDataFrame
        Footholds in conflict, with `line_id`, and with `cheapest_cost` once their remedies are priced.
    gate_as_m, foothold_as_m : float
        Metres of line that a gate, and a foothold whose remedies are not priced, stand for.
    stuck_foothold_as_m : float
        Metres of line that a foothold stands for that no remedy helps.
    price_line_per_m : float
        Price of a metre of line, in the money of `cheapest_cost`.

    Returns
    -------
    GeoDataFrame
        The candidate lines with `footholds_in_conflict`, `work_m` and `recommended`, on the same index.

    Examples
    --------
    >>> from geotools.alignment import collect_lines, draw_lot_lines, find_lot_ground
    >>> from shapely import box
    >>> lot = gpd.GeoDataFrame({"parcel_id": ["1"]}, geometry=[box(0, 0, 20, 40)], crs=32612)
    >>> line = draw_lot_lines(find_lot_ground(lot))
    >>> lines = collect_lines(line, line.assign(gates=0), line)
    >>> recommend_lines(lines, gpd.GeoDataFrame({"line_id": []}))["recommended"].tolist()
    [False, True, False]
    """
    counts = conflicts["line_id"].value_counts()
    in_conflict = candidate_lines["line_id"].map(counts).fillna(0).astype(int)
    as_m = pd.Series(foothold_as_m, index=conflicts.index)
    if "cheapest_cost" in conflicts:
        as_m = (conflicts["cheapest_cost"] / price_line_per_m).fillna(stuck_foothold_as_m)
    by_line = as_m.groupby(conflicts["line_id"].astype(str)).sum().astype(float)
    remedies_m = candidate_lines["line_id"].map(by_line.to_dict()).astype(float).fillna(0.0)
    work_m = candidate_lines["length_m"] + gate_as_m * candidate_lines["gates"] + remedies_m
    table = candidate_lines.assign(footholds_in_conflict=in_conflict, work_m=work_m)
    fits = table.loc[table.geometry.notna(), ["parcel_id", "covers_protected", "work_m"]]
    ranked = fits.sort_values(["covers_protected", "work_m"], ascending=[False, True], kind="stable")
    best = ranked.drop_duplicates("parcel_id").index
    return table.assign(recommended=table.index.isin(best))


def list_footholds_to_clear(conflicts: gpd.GeoDataFrame, barrier_lines: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Keep the conflicts of the lines that are recommended for building.

    Parameters
    ----------
    conflicts : GeoDataFrame
        Footholds in conflict, with `line_id`.
    barrier_lines : GeoDataFrame
        Lines with `line_id` and `recommended`.

    Returns
    -------
    GeoDataFrame
        The rows of `conflicts` whose line is recommended, in the same order.

    Examples
    --------
    >>> conflicts = gpd.GeoDataFrame({"line_id": ["1-L", "1-Y"]}, geometry=gpd.points_from_xy([0, 1], [0, 0]))
    >>> lines = gpd.GeoDataFrame({"line_id": ["1-L", "1-Y"], "recommended": [False, True]})
    >>> list_footholds_to_clear(conflicts, lines)["line_id"].tolist()
    ['1-Y']
    """
    advised = barrier_lines.loc[barrier_lines["recommended"], "line_id"]
    return conflicts[conflicts["line_id"].isin(advised)].reset_index(drop=True)
