"""Do pieces of the screening as a loop over rows with geopandas, and as the array calls that can't be spared."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from geotools.alignment._loop import shortest_loop
from geotools.design import BarrierStandard

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    Town = dict[str, gpd.GeoDataFrame]
    Work = Callable[[], Any]

__all__ = ["BARE", "ROW_BY_ROW", "same_share"]

STANDARD = BarrierStandard()
WITHIN_M = 5.0
SAME_M = 0.005
"""Lines rounded to a millimetre at each vertex differ in length by less."""


def rows_nearness(
    town: Town, ground: gpd.GeoDataFrame, lines: gpd.GeoDataFrame, things: gpd.GeoDataFrame, some: NDArray[np.intp]
) -> pd.DataFrame:
    desert, washes = town["open_desert"], town["washes"]
    zone = gpd.GeoDataFrame(geometry=desert.buffer(WITHIN_M), crs=desert.crs)
    found = []
    for _, row in town["parcels"].iloc[some].iterrows():
        outline = row.geometry.boundary
        near = zone[zone.intersects(outline)].union_all()
        share = outline.intersection(near).length / outline.length
        found.append((share, desert.distance(row.geometry).min(), washes.distance(row.geometry).min()))
    return pd.DataFrame(found, columns=["contact", "desert_m", "wash_m"])


def rows_lot_lines(
    town: Town, ground: gpd.GeoDataFrame, lines: gpd.GeoDataFrame, things: gpd.GeoDataFrame, some: NDArray[np.intp]
) -> pd.DataFrame:
    """House, ground and line of each lot, and the road nearest to its house; front and protected ground left out."""
    lengths = []
    for _, row in town["parcels"].iloc[some].iterrows():
        lot = row.geometry
        buildings = town["buildings"]
        house = buildings[buildings.intersects(lot)].intersection(lot).union_all()
        inset, cut = lot.buffer(-STANDARD.lot_line_offset_m, join_style="mitre"), False
        for layer in (town["easements"], town["washes"]):
            for shape in layer.geometry[layer.intersects(inset)]:
                inset, cut = inset.difference(shape), True
        if cut:
            opened = inset.buffer(-0.3, join_style="mitre").buffer(0.3, join_style="mitre")
            inset = inset.intersection(opened)
        if inset.geom_type == "MultiPolygon":
            inset = max(inset.geoms, key=lambda part, house=house: (round(part.intersection(house).area, 6), part.area))
        if not house.is_empty:
            town["roads"].distance(house.centroid).idxmin()
        line = inset.exterior.difference(house) if not inset.is_empty else inset
        lengths.append(line.length)
    return pd.DataFrame({"length_m": lengths})


def rows_conflicts(
    town: Town, ground: gpd.GeoDataFrame, lines: gpd.GeoDataFrame, things: gpd.GeoDataFrame, some: NDArray[np.intp]
) -> pd.DataFrame:
    counts = []
    for _, row in lines.iloc[some].iterrows():
        if row.geometry is None:
            counts.append(0)
            continue
        near = things[things.distance(row.geometry) < things["setback_m"] - 1e-3]
        counts.append(int((~near.within(row["enclosed"])).sum()))
    return pd.DataFrame({"line_id": lines["line_id"].to_numpy()[some], "count": counts})


def rows_loops(
    town: Town, ground: gpd.GeoDataFrame, lines: gpd.GeoDataFrame, things: gpd.GeoDataFrame, some: NDArray[np.intp]
) -> pd.DataFrame:
    """The exact loop of one lot at a time, with the things near it."""
    lengths = []
    for _, row in ground.iloc[some].iterrows():
        near = things[(things.distance(row.geometry) <= STANDARD.reach_m) & (things["setback_m"] > 0)]
        loop = shortest_loop(
            row["house"], row.geometry, near.geometry.to_numpy(), setbacks_m=near["setback_m"].to_numpy(),
            clearance_m=STANDARD.house_clearance_m,
        )  # fmt: skip
        lengths.append(loop.line.length if loop.line is not None else np.nan)
    return pd.DataFrame({"length_m": lengths})


def bare_nearness(town: Town, ground: gpd.GeoDataFrame, lines: gpd.GeoDataFrame, things: gpd.GeoDataFrame) -> Work:
    lots = town["parcels"].geometry.to_numpy()
    desert, washes = (town[name].geometry.to_numpy() for name in ("open_desert", "washes"))

    def work() -> None:
        outlines, zone = shapely.boundary(lots), shapely.buffer(desert, WITHIN_M)
        at, of = shapely.STRtree(zone).query(outlines, predicate="intersects")
        shapely.length(shapely.intersection(outlines[at], zone[of]))
        shapely.STRtree(desert).query_nearest(lots, return_distance=True, all_matches=False)
        shapely.STRtree(washes).query_nearest(lots, return_distance=True, all_matches=False)

    return work


def bare_lot_lines(town: Town, ground: gpd.GeoDataFrame, lines: gpd.GeoDataFrame, things: gpd.GeoDataFrame) -> Work:
    """House, ground, protected ground, street and line of each lot, each by the one call that makes it."""
    lots, houses = town["parcels"].geometry.to_numpy(), town["buildings"].geometry.to_numpy()
    easements, washes, roads = (town[name].geometry.to_numpy() for name in ("easements", "washes", "roads"))

    def work() -> None:
        of, at = shapely.STRtree(lots).query(houses, predicate="intersects")
        on_lot = shapely.intersection(houses[of], lots[at])
        shapely.difference(lots[at], on_lot)
        shapely.oriented_envelope(on_lot)
        shapely.STRtree(roads).query_nearest(shapely.centroid(on_lot), return_distance=True, all_matches=False)
        inset = shapely.buffer(lots, -STANDARD.lot_line_offset_m, join_style="mitre")
        shapes = np.concatenate([easements, washes])
        of, cut = shapely.STRtree(inset).query(shapes, predicate="intersects")
        left = shapely.difference(inset[cut], shapes[of])
        shapely.buffer(shapely.buffer(left, -0.3, join_style="mitre"), 0.3, join_style="mitre")
        shapely.length(shapely.difference(shapely.boundary(inset[at]), on_lot))

    return work


def bare_yards(town: Town, ground: gpd.GeoDataFrame, lines: gpd.GeoDataFrame, things: gpd.GeoDataFrame) -> Work:
    allowed, front, house = ground.geometry.to_numpy(), ground["front"].to_numpy(), ground["house"].to_numpy()

    def work() -> None:
        yards = shapely.difference(shapely.difference(allowed, front), house)
        shapely.length(shapely.difference(shapely.boundary(yards), shapely.buffer(house, 0.001)))

    return work


def bare_loops(town: Town, ground: gpd.GeoDataFrame, lines: gpd.GeoDataFrame, things: gpd.GeoDataFrame) -> Work:
    """The hull's line and what it comes too near to: nothing of the search for the shortest one."""
    allowed, house, items = ground.geometry.to_numpy(), ground["house"].to_numpy(), things.geometry.to_numpy()

    def work() -> None:
        line = shapely.buffer(shapely.convex_hull(house), STANDARD.house_clearance_m)
        shapely.covers(allowed, line)
        of, at = shapely.STRtree(line).query(items, predicate="dwithin", distance=STANDARD.reach_m)
        shapely.distance(items[of], line[at])

    return work


def bare_conflicts(town: Town, ground: gpd.GeoDataFrame, lines: gpd.GeoDataFrame, things: gpd.GeoDataFrame) -> Work:
    shapes, items = lines.geometry.to_numpy(), things.geometry.to_numpy()
    inside = lines["enclosed"].to_numpy()

    def work() -> None:
        of, at = shapely.STRtree(shapes).query(items, predicate="dwithin", distance=STANDARD.reach_m)
        shapely.distance(items[of], shapes[at])
        shapely.within(items[of], inside[at])

    return work


ROW_BY_ROW: dict[str, Callable[..., pd.DataFrame]] = {
    "contact and distances": rows_nearness,
    "ground and lot lines": rows_lot_lines,
    "house loops": rows_loops,
    "conflicts": rows_conflicts,
}
BARE: dict[str, Callable[..., Work]] = {
    "contact and distances": bare_nearness,
    "ground and lot lines": bare_lot_lines,
    "yard lines": bare_yards,
    "house loops": bare_loops,
    "conflicts": bare_conflicts,
}


def same_share(name: str, ours: pd.DataFrame, rows: pd.DataFrame, some: NDArray[np.intp]) -> float:
    """Share of the rows on which both versions say the same."""
    if name == "conflicts":
        counts = ours["line_id"].value_counts().reindex(rows["line_id"]).fillna(0)
        return float(np.mean(counts.to_numpy() == rows["count"].to_numpy()))
    mine = ours.iloc[some].reset_index(drop=True)[list(rows.columns)].fillna(0.0)
    return float(np.isclose(mine, rows.fillna(0.0), rtol=0, atol=SAME_M).all(axis=1).mean())
