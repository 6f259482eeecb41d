"""Build the invented town Ocotillo Bench, once or tiled as often as wanted, as layers in memory."""

from __future__ import annotations

from typing import NamedTuple

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from desert import channels, draw_open_desert, draw_washes, record_encounters, strew_footholds
from houses import build_houses
from numpy.typing import NDArray
from rasterio.features import rasterize
from rasterio.transform import Affine
from scipy.ndimage import distance_transform_edt, gaussian_filter
from town_plan import cut_lots, draw_streets, right_of_way
from yards import ENCLOSURES, SOUND, draw_easements, wall_yards

CRS = "EPSG:26912"
ORIGIN_EASTING_M, ORIGIN_NORTHING_M = 444_600.0, 3_696_400.0
TILE_EAST_M, TILE_NORTH_M = 860.0, 740.0
FIRST_BOOK = 412
ENCOUNTERS = 46
WASH_FREE_M = 0.5
# A turning circle is drawn as a ring of this width whose inside is just filled.
BULB_PAVEMENT_M = 11.0
CELL_M = 2.0


class Grid(NamedTuple):
    """One raster: values (bands, rows, columns), where it lies, and the value that means nothing."""

    values: NDArray[np.generic]
    transform: Affine
    crs: str
    nodata: float


def build_scenario(*, seed: int = 20260115, rows: int = 1, columns: int = 1) -> dict[str, gpd.GeoDataFrame]:
    """Build all vector layers of an invented town of ``rows x columns`` subdivisions of some 150 lots each.

    Parameters
    ----------
    seed : int
        Same seed, same town.
    rows, columns : int
        Subdivisions to the north and to the east, each with a plan of its own.

    Returns
    -------
    dict of str to geopandas.GeoDataFrame
        parcels (parcel_id, enclosure), buildings (kind), walls (kind, height_m, opening_m, rail_m, sound), gates
        (width_m, opening_m), footholds (kind, height_m), washes (wash, width_m, q100_cfs), open_desert (name), roads
        (name, width_m), easements (kind), encounters (observed_on, species); EPSG:26912, metres.

    Raises
    ------
    ValueError
        If rows or columns is less than 1.

    Examples
    --------
    >>> build_scenario(seed=1)["parcels"]["parcel_id"].iloc[0]
    '00412-001'
    """
    if rows < 1 or columns < 1:
        raise ValueError(f"rows = {rows}, columns = {columns}: a town needs at least one of each; give 1 or more")
    tiles: dict[str, list[gpd.GeoDataFrame]] = {}
    for row in range(rows):
        for column in range(columns):
            rng = np.random.default_rng([seed, row, column])
            book = f"{FIRST_BOOK + row * columns + column:05d}"
            east_m = ORIGIN_EASTING_M + column * TILE_EAST_M
            north_m = ORIGIN_NORTHING_M + row * TILE_NORTH_M
            for name, layer in _build_tile(book, rng=rng).items():
                layer["geometry"] = layer.geometry.translate(east_m, north_m)
                tiles.setdefault(name, []).append(layer)
    town = {name: _stack(layers) for name, layers in tiles.items()}
    return {name: layer.set_crs(CRS) for name, layer in town.items()}


def draw_terrain(town: dict[str, gpd.GeoDataFrame], *, seed: int = 20260115, cell_m: float = CELL_M) -> Grid:
    """Draw the ground: a slope that steepens to the northeast, graded lots, incised washes.

    Parameters
    ----------
    town : dict
        Result of ``build_scenario``.
    seed : int
        Seed of the roughness.
    cell_m : float
        Cell size, metres.

    Returns
    -------
    Grid
        One band, float32, metres above sea level in steps of 1/64 m (so that the file compresses).
    """
    rng = np.random.default_rng([seed, 1])
    transform, shape = _frame(town, cell_m)
    x_m, y_m = np.meshgrid(np.arange(shape[1]) * cell_m, (shape[0] - 1 - np.arange(shape[0])) * cell_m)
    rise = 0.013 * x_m + 0.021 * y_m + 9 * np.clip((x_m + 1.3 * y_m - 900) / 500, 0, 3) ** 2
    rough = 6 * _noise(rng, shape, 30 / cell_m) + 1.2 * _noise(rng, shape, 6 / cell_m) * (1 + rise / 30)
    ground = 478 + rise + rough
    lot = _burn(town["parcels"], transform, shape, range(1, len(town["parcels"]) + 1))
    mean = np.bincount(lot.ravel(), ground.ravel()) / np.maximum(np.bincount(lot.ravel()), 1)
    ground = np.where(lot > 0, 0.45 * ground + 0.55 * mean[lot], ground)
    ground = gaussian_filter(ground, 1.1)
    away_m = distance_transform_edt(_burn(_wide(town["washes"]), transform, shape, 1) == 0) * cell_m
    ground -= 1.1 * np.exp(-((away_m / 5) ** 2))
    return Grid((np.round(ground * 64) / 64).astype(np.float32)[None], transform, CRS, -9999.0)


def draw_vegetation(town: dict[str, gpd.GeoDataFrame], *, seed: int = 20260115, cell_m: float = CELL_M) -> Grid:
    """Draw red and near infrared reflectance: shrub patches, green washes, lawns, bare roofs and asphalt.

    Parameters
    ----------
    town : dict
        Result of ``build_scenario``.
    seed : int
        Seed of the patches.
    cell_m : float
        Cell size, metres.

    Returns
    -------
    Grid
        Two bands (red, near infrared), uint16, reflectance x 10000, 0 where there is none.
    """
    rng = np.random.default_rng([seed, 2])
    transform, shape = _frame(town, cell_m)
    shrubs = np.clip(1.2 * _noise(rng, shape, 1.6) + 0.8 * _noise(rng, shape, 12 / cell_m) - 0.1, 0, 1.6) / 1.6
    away_m = distance_transform_edt(_burn(_wide(town["washes"]), transform, shape, 1) == 0) * cell_m
    banks = np.exp(-(((away_m - 5) / 7) ** 2)) * (0.5 + 0.5 * (_noise(rng, shape, 2.2) > -0.2))
    green = np.clip(0.05 + 0.32 * shrubs + 0.75 * banks, 0, 1)
    lot = _burn(town["parcels"], transform, shape, range(1, len(town["parcels"]) + 1))
    garden = rng.choice((0.03, 0.1, 0.3, 0.55), len(town["parcels"]) + 1, p=(0.5, 0.3, 0.14, 0.06))
    patch = np.clip(0.9 + 1.1 * _noise(rng, shape, 2.0), 0, 2)
    green = np.where(lot > 0, np.clip(np.maximum(garden[lot] * patch, 0.8 * banks), 0, 1), green)
    things = town["footholds"]
    crowns = things[things["kind"].isin(["tree", "shrub"])]
    reach_m = np.where(crowns["kind"] == "tree", 2.2, 0.9)
    green[_burn(crowns.assign(geometry=crowns.buffer(reach_m)), transform, shape, 1) > 0] = 0.7
    sealed = _burn(_wide(town["roads"]), transform, shape, 1) > 0
    roofs = _burn(town["buildings"], transform, shape, 1) > 0
    green[sealed | roofs] = 0
    soil = 1 + 0.05 * _noise(rng, shape, 4) + 0.02 * rng.standard_normal(shape)
    bare_red, bare_nir = (
        np.where(sealed, 1150, np.where(roofs, 2500, 2350)),
        np.where(sealed, 1260, np.where(roofs, 2600, 2800)),
    )
    red = (bare_red * (1 - green) + 620 * green) * soil
    nir = (bare_nir * (1 - green) + 3900 * green) * soil
    # Steps of 20 keep the file small; the sensor's own noise is greater.
    bands = np.round(np.stack([red, nir]) / 20) * 20
    return Grid(np.clip(bands, 20, 10000).astype(np.uint16), transform, CRS, 0.0)


def _build_tile(book: str, *, rng: np.random.Generator) -> dict[str, gpd.GeoDataFrame]:
    """Build one subdivision in its local frame."""
    streets = draw_streets(rng)
    roads = right_of_way(streets)
    lots = cut_lots(streets, rng=rng)
    washes = draw_washes(rng)
    water = channels(washes)
    open_desert = draw_open_desert(lots, roads)
    desert = shapely.union_all(open_desert.geometry.to_numpy())
    shapes = lots.geometry.to_numpy()
    at_desert = shapely.length(shapely.intersection(shapely.boundary(shapes), shapely.buffer(desert, 0.02))) > 6
    wet = shapely.dwithin(shapes, water, 0.5)

    houses = build_houses(lots, water.buffer(WASH_FREE_M), rng=rng)
    yards = wall_yards(lots, houses, at_desert=at_desert, barred=wet, rng=rng)
    walls = yards.walls.assign(geometry=yards.walls.difference(water)).explode(ignore_index=True)
    walls = walls[walls.length > 0.01]
    sound = walls.geometry.to_numpy()[walls["grade"].to_numpy() == SOUND]
    footholds = strew_footholds(lots, houses, yards.edges, sound, desert, rng=rng)
    town = shapely.union(shapely.coverage_union_all(shapes), roads.intersection(shapely.box(-20, 0, 520, 420)))
    easements = draw_easements(lots, yards.edges, water, drainage_reach=town.buffer(30))
    encounters = record_encounters(town.buffer(25), washes, desert, count=ENCOUNTERS, rng=rng)

    parcels = gpd.GeoDataFrame(
        {
            "parcel_id": [f"{book}-{number:03d}" for number in range(1, len(lots) + 1)],
            "enclosure": np.array(ENCLOSURES)[yards.enclosure],
        },
        geometry=_part_by_wash(shapes, water),
    )
    circles = [(s.name, bulb.buffer(BULB_PAVEMENT_M / 2).exterior) for s in streets for bulb in s.bulbs]
    lines = gpd.GeoDataFrame(
        {
            "name": [s.name for s in streets] + [f"{name} turning circle" for name, _ in circles],
            "width_m": [s.pavement_m for s in streets] + [BULB_PAVEMENT_M] * len(circles),
        },
        geometry=[s.centreline for s in streets] + [shapely.LineString(ring) for _, ring in circles],
    )
    return {
        "parcels": parcels,
        "buildings": houses.buildings[["kind", "geometry"]],
        "walls": walls[["kind", "height_m", "opening_m", "rail_m", "sound", "geometry"]],
        "gates": yards.gates[["width_m", "opening_m", "geometry"]],
        "footholds": footholds,
        "washes": washes,
        "open_desert": open_desert,
        "roads": lines,
        "easements": easements,
        "encounters": encounters,
    }


def _part_by_wash(shapes: NDArray[np.object_], water: shapely.Geometry) -> NDArray[np.object_]:
    """Cut the one lot that the wash halves most evenly in two; its neighbours get the new corners as vertices."""
    pieces = shapely.difference(shapes, water)
    smaller = [np.sort(shapely.area(shapely.get_parts(piece)))[-2:] for piece in pieces]
    lesser = np.array([areas[0] if len(areas) == 2 else 0.0 for areas in smaller])
    at = int(np.argmax(lesser))
    if lesser[at] < 60:
        return shapes
    parts = shapely.get_parts(pieces[at])
    parted = shapely.MultiPolygon(list(parts[shapely.area(parts) > 20]))
    corners = shapely.multipoints(shapely.get_coordinates(parted))
    near = np.flatnonzero(shapely.dwithin(shapes, parted, 0.01))
    shapes = shapes.copy()
    shapes[near] = shapely.snap(shapes[near], corners, 0.001)
    shapes[at] = parted
    return shapes


def _stack(layers: list[gpd.GeoDataFrame]) -> gpd.GeoDataFrame:
    """Put the tiles' layers under each other, coordinates rounded to the millimetre."""
    frame = gpd.GeoDataFrame(pd.concat(layers, ignore_index=True), geometry="geometry")
    shapes = frame.geometry.to_numpy()
    return frame.set_geometry(shapely.transform(shapes, lambda xy: np.round(xy, 3)))


def _wide(lines: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Return lines as strips of their width."""
    return lines.assign(geometry=lines.buffer(lines["width_m"] / 2, cap_style="flat"))


def _frame(town: dict[str, gpd.GeoDataFrame], cell_m: float) -> tuple[Affine, tuple[int, int]]:
    """Lay a grid of whole cells over the lots and the desert."""
    west, south, east, north = (
        np.concatenate([town["parcels"].total_bounds, town["open_desert"].total_bounds]).reshape(2, 4).T
    )
    west_m, south_m = (np.floor((side.min() - 40) / 10) * 10 for side in (west, south))
    east_m, north_m = (np.ceil((side.max() + 40) / 10) * 10 for side in (east, north))
    shape = (round((north_m - south_m) / cell_m), round((east_m - west_m) / cell_m))
    return Affine(cell_m, 0.0, west_m, 0.0, -cell_m, north_m), shape


def _burn(layer: gpd.GeoDataFrame, transform: Affine, shape: tuple[int, int], value: int | range) -> NDArray[np.int32]:
    """Burn a layer into a grid by cell centres."""
    values = [value] * len(layer) if isinstance(value, int) else list(value)
    pairs = list(zip(layer.geometry, values, strict=True))
    return np.asarray(rasterize(pairs, out_shape=shape, transform=transform, dtype="int32"))


def _noise(rng: np.random.Generator, shape: tuple[int, int], cells: float) -> NDArray[np.float64]:
    """Return smooth noise of mean 0 and deviation about 1/2."""
    smooth = gaussian_filter(rng.standard_normal(shape), cells, mode="reflect")
    return np.asarray(smooth / (2 * smooth.std()), dtype=np.float64)
