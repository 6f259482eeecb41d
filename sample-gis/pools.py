"""Draw a dozen invented swimming pools into rear yards, with their own draws, so that no other layer changes."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import shapely
import shapely.affinity

COUNT = 12
HOUSE_M, LOT_M, NEAR_LOT_M = 1.2, 1.5, 0.6
TRIES = 60


def draw_pools(town: dict[str, gpd.GeoDataFrame], *, seed: int) -> gpd.GeoDataFrame:
    """Draw pools behind houses, along the house's walls.

    The third is no wider than 8 ft, the fifth is shallow, and every fourth stands too near to the lot line; some depths
    are not known.

    Parameters
    ----------
    town : dict of str to geopandas.GeoDataFrame
        Result of ``scenario.build_scenario``.
    seed : int
        Seed of the town.

    Returns
    -------
    geopandas.GeoDataFrame
        Polygons with `depth_m`.
    """
    rng = np.random.default_rng([seed, 11])
    lots, houses = town["parcels"].geometry.to_numpy(), town["buildings"].geometry.to_numpy()
    road = shapely.union_all(town["roads"].geometry.to_numpy())
    things = shapely.union_all(town["footholds"].geometry.to_numpy())
    pools, depths_m = [], []
    for lot in lots[rng.permutation(len(lots))]:
        if len(pools) == COUNT:
            break
        own = houses[shapely.intersects(houses, lot)]
        if not len(own):
            continue
        house = own[int(np.argmax(shapely.area(own)))]
        number = len(pools) + 1
        room = shapely.buffer(lot, -(NEAR_LOT_M if number % 4 == 0 else LOT_M), join_style="mitre")
        shape = _place(room, house, shapely.union_all(own), road, things, rng, small=number == 3)
        if shape is None:
            continue
        pools.append(shape)
        depths_m.append(0.3 if number == 5 else np.nan if number % 3 == 0 else 1.5)
    return gpd.GeoDataFrame({"depth_m": depths_m}, geometry=pools, crs=town["parcels"].crs)


def _place(
    room: shapely.Geometry,
    house: shapely.Geometry,
    built: shapely.Geometry,
    road: shapely.Geometry,
    things: shapely.Geometry,
    rng: np.random.Generator,
    *,
    small: bool,
) -> shapely.Polygon | None:
    """Try places behind the house until a pool fits."""
    corners = shapely.get_coordinates(shapely.oriented_envelope(house))
    turn_deg = float(np.degrees(np.arctan2(*(corners[1] - corners[0])[::-1])))
    long_m, short_m = (1.2, 1.2) if small else rng.uniform((3.6, 2.4), (4.6, 3.0))
    west, south, east, north = room.bounds
    for x, y in rng.uniform((west, south), (east, north), (TRIES, 2)):
        behind = shapely.Point(x, y)
        if shapely.distance(behind, road) < shapely.distance(shapely.centroid(house), road) + 3.0:
            continue
        pool = shapely.affinity.rotate(shapely.box(x - long_m, y - short_m, x + long_m, y + short_m), turn_deg)
        clear = shapely.distance(pool, built) >= HOUSE_M and shapely.distance(pool, things) >= 0.5
        if clear and shapely.covers(room, pool):
            return pool
    return None
