"""Write the invented town Ocotillo Bench as GIS files of the kinds that city and county offices hand out.

Run ``python sample-gis/make_sample.py --out DIR``; the same seed gives the same bytes.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import zipfile
from collections.abc import Iterator
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import rasterio
import shapely
from numpy.typing import NDArray
from pools import draw_pools
from scenario import Grid, build_scenario, draw_terrain, draw_vegetation
from shapely import Polygon

SEED = 20260115
STATE_PLANE = "EPSG:2223"
LON_LAT = "EPSG:4326"
FOOT_M = 0.3048
INCH_M = 0.0254
FEET_GRID = 3
STAMP = "2026-01-15T00:00:00Z"
INVENTED = (
    "Invented sample: Ocotillo Bench is a made-up town, drawn by a program. No real place, parcel, person or animal."
)

Layers = dict[str, gpd.GeoDataFrame]


def write_sample(out: Path, *, seed: int = SEED) -> list[Path]:
    """Write all sample files into a folder; files of the same names are replaced once all are written.

    Parameters
    ----------
    out : pathlib.Path
        Folder, made when it is missing.
    seed : int
        Seed of the town.

    Returns
    -------
    list of pathlib.Path
        The files, sorted by name.
    """
    town = build_scenario(seed=seed)
    office = deliver(town, seed=seed)
    out.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(dir=out) as name:
        folder = Path(name)
        _write_geopackage(office, folder / "subdivision.gpkg")
        office["pools"] = _deliver_pools(draw_pools(town, seed=seed))
        for layer in ("footholds", "open_desert", "encounters", "pools"):
            _write_geojson(office[layer], folder / f"{layer}.geojson", layer)
        _write_roads(office["roads"], folder / "roads.fgb")
        _write_zipped_shapefile(office["washes"], folder / "washes.zip")
        _write_raster(draw_terrain(town, seed=seed), folder / "elevation.tif", ["elevation_m"], predictor=3)
        _write_raster(draw_vegetation(town, seed=seed), folder / "vegetation.tif", ["red", "nir"], predictor=2)
        written = sorted(path for path in folder.iterdir() if path.is_file())
        return [path.replace(out / path.name) for path in written]


def deliver(town: Layers, *, seed: int = SEED) -> Layers:
    """Turn the town's layers into what offices deliver: feet, lon/lat, mixed texts and three faults.

    The faults, which the sample's README lists: one shed is a bow-tie, one easement has no geometry, one encounter is
    there twice.

    Parameters
    ----------
    town : dict of str to geopandas.GeoDataFrame
        Result of ``scenario.build_scenario``.
    seed : int
        Seed of the mixture of height texts.

    Returns
    -------
    dict of str to geopandas.GeoDataFrame
        The same layers with the columns and the CRS of the files.
    """
    rng = np.random.default_rng([seed, 3])
    feet = {name: _to_feet(layer) for name, layer in town.items()}
    degrees = {name: town[name].to_crs(LON_LAT) for name in ("footholds", "open_desert", "encounters")}

    parcels = feet["parcels"].rename(columns={"parcel_id": "APN"}).drop(columns="enclosure")
    parcels.insert(1, "area_sqft", parcels.area.round().astype("int64"))
    walls = feet["walls"]
    walls = walls.assign(
        height=_height_texts(walls["height_m"], rng=rng),
        opening_in=_inches(walls["opening_m"], 4),
        rail_in=_inches(walls["rail_m"], 1),
    )
    gates = feet["gates"].assign(width_in=_inches(feet["gates"]["width_m"], 1))
    gates["opening_in"] = _inches(gates["opening_m"], 4)
    footholds = degrees["footholds"]
    height_in = _inches(footholds["height_m"], 0)
    footholds = footholds.assign(height_in=height_in.mask(rng.random(len(height_in)) < 0.03))
    washes = feet["washes"].assign(width_ft=_feet(feet["washes"]["width_m"]), source="invented sample")
    roads = feet["roads"].assign(width_ft=_feet(feet["roads"]["width_m"]), source="invented sample")
    return {
        "parcels": parcels,
        "buildings": _with_bow_tie(feet["buildings"]),
        "walls": walls[["kind", "height", "opening_in", "rail_in", "sound", "geometry"]],
        "gates": gates[["width_in", "opening_in", "geometry"]],
        "easements": _with_null_row(feet["easements"]),
        "footholds": footholds[["kind", "height_in", "geometry"]],
        "washes": washes[["wash", "width_ft", "q100_cfs", "source", "geometry"]],
        "open_desert": degrees["open_desert"],
        "roads": roads[["name", "width_ft", "source", "geometry"]],
        "encounters": _with_double(degrees["encounters"]),
    }


def _deliver_pools(pools: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """In lon/lat, with depths in feet."""
    return pools.assign(depth_ft=_feet(pools["depth_m"])).drop(columns="depth_m").to_crs(LON_LAT)


def _to_feet(layer: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Reproject to State Plane and round to a thousandth of a foot."""
    moved = layer.to_crs(STATE_PLANE)
    return moved.set_geometry(
        shapely.transform(moved.geometry.to_numpy(), lambda xy: np.round(xy, FEET_GRID)), crs=moved.crs
    )


def _inches(metres: pd.Series[float], digits: int) -> pd.Series[float]:
    """Turn metres into rounded inches."""
    return (metres / INCH_M).round(digits)


def _feet(metres: pd.Series[float]) -> pd.Series[float]:
    """Turn metres into feet, rounded to a tenth."""
    return (metres / FOOT_M).round(1)


def _height_texts(metres: pd.Series[float], *, rng: np.random.Generator) -> NDArray[np.object_]:
    """Write heights as people type them: feet, inches, now and then metres; missing stays missing."""
    height_in = _inches(metres, 0).to_numpy()
    in_feet = [f"{value / 12:g} ft" for value in height_in]
    in_inches = [f"{value:g} in" for value in height_in]
    in_metres = [f"{value * INCH_M:.2f} m" for value in height_in]
    form = np.where(
        rng.random(len(height_in)) < 0.06, 2, np.where(height_in % 6 == 0, rng.random(len(height_in)) < 0.4, 1)
    )
    texts = np.choose(form.astype(int), [in_feet, in_inches, in_metres]).astype(object)
    texts[np.isnan(height_in)] = None
    return np.asarray(texts, dtype=object)


def _with_bow_tie(buildings: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Swap two corners of the first shed, so that its outline crosses itself."""
    row = int(np.flatnonzero(buildings["kind"].to_numpy() == "shed")[0])
    a, b, c, d = shapely.get_coordinates(buildings.geometry.iloc[row])[:4]
    shapes = buildings.geometry.to_numpy().copy()
    shapes[row] = Polygon([a, c, b, d])
    return buildings.set_geometry(shapes, crs=buildings.crs)


def _with_null_row(easements: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Append an easement that was typed in but never drawn."""
    row = gpd.GeoDataFrame({"kind": ["public utility"]}, geometry=np.array([None], dtype=object), crs=easements.crs)
    return gpd.GeoDataFrame(pd.concat([easements, row], ignore_index=True), geometry="geometry", crs=easements.crs)


def _with_double(encounters: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Enter the tenth record a second time at the end."""
    return gpd.GeoDataFrame(pd.concat([encounters, encounters.iloc[[9]]], ignore_index=True), crs=encounters.crs)


def _write_geopackage(office: Layers, path: Path) -> None:
    """Write the five layers of the city's own file; geometry types are made uniform within each layer."""
    before = pyogrio.get_gdal_config_option("OGR_CURRENT_DATE")
    pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": STAMP})
    try:
        for name in ("parcels", "buildings", "walls", "gates", "easements"):
            layer = office[name]
            kinds = set(layer.geom_type.dropna())
            single = next(iter(kinds)) if len(kinds) == 1 else "MultiPolygon"
            pyogrio.write_dataframe(
                layer,
                path,
                layer=name,
                driver="GPKG",
                geometry_type=single,
                promote_to_multi=single.startswith("Multi"),
                layer_options={"IDENTIFIER": name, "DESCRIPTION": INVENTED},
            )
    finally:
        pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": before})


def _write_geojson(layer: gpd.GeoDataFrame, path: Path, name: str) -> None:
    """Write RFC 7946 GeoJSON with seven decimals (about 1 cm)."""
    options = {"RFC7946": "YES", "COORDINATE_PRECISION": "7", "DESCRIPTION": INVENTED}
    pyogrio.write_dataframe(layer, path, layer=name, driver="GeoJSON", layer_options=options)


def _write_roads(roads: gpd.GeoDataFrame, path: Path) -> None:
    """Write FlatGeobuf with its description."""
    options = {"TITLE": "roads", "DESCRIPTION": INVENTED}
    pyogrio.write_dataframe(roads, path, layer="roads", driver="FlatGeobuf", layer_options=options)


def _write_zipped_shapefile(washes: gpd.GeoDataFrame, path: Path) -> None:
    """Write a shapefile and a note into one archive, with fixed dates."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        options = {"DBF_DATE_LAST_UPDATE": STAMP[:10], "ENCODING": "UTF-8"}
        pyogrio.write_dataframe(washes, folder / "washes.shp", driver="ESRI Shapefile", layer_options=options)
        (folder / "READ_ME_invented.txt").write_text(INVENTED + "\n", encoding="utf-8", newline="\n")
        with zipfile.ZipFile(path, "w") as archive:
            for member, content in _members(folder):
                entry = zipfile.ZipInfo(member, date_time=(2026, 1, 15, 0, 0, 0))
                entry.external_attr = 0o644 << 16
                entry.create_system = 3
                archive.writestr(entry, content, compress_type=zipfile.ZIP_DEFLATED, compresslevel=9)


def _members(folder: Path) -> Iterator[tuple[str, bytes]]:
    """Yield the names and contents of a folder's files in order."""
    for path in sorted(folder.iterdir()):
        yield path.name, path.read_bytes()


def _write_raster(grid: Grid, path: Path, bands: list[str], *, predictor: int) -> None:
    """Write a tiled, deflated GeoTIFF whose tags say that it is invented."""
    count, height, width = grid.values.shape
    with rasterio.open(
        path,
        "w",
        driver="GTiff",
        count=count,
        height=height,
        width=width,
        dtype=grid.values.dtype,
        crs=grid.crs,
        transform=grid.transform,
        nodata=grid.nodata,
        compress="deflate",
        zlevel=9,
        predictor=predictor,
        tiled=True,
        blockxsize=256,
        blockysize=256,
        interleave="band",
    ) as target:
        target.write(grid.values)
        target.update_tags(TIFFTAG_IMAGEDESCRIPTION=INVENTED)
        for index, name in enumerate(bands, start=1):
            target.set_band_description(index, name)


def _main() -> None:
    """Read the command line and write the files."""
    parser = argparse.ArgumentParser(description="Write the invented sample town as GIS files.")
    parser.add_argument("--out", type=Path, default=Path(__file__).parent, help="folder (default: beside this script)")
    parser.add_argument("--seed", type=int, default=SEED, help="seed of the town (default: %(default)s)")
    options = parser.parse_args()
    for path in write_sample(options.out, seed=options.seed):
        sys.stdout.write(f"{path.stat().st_size / 1000:8.1f} kB  {path.name}\n")


if __name__ == "__main__":
    _main()
