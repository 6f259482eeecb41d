"""A job's inputs come in canonical, whole, and in one CRS; what can't be used stops or is listed."""

from __future__ import annotations

import json
import zipfile
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pytest
import rasterio
import shapely
from affine import Affine
from lot_samples import BOW_TIE, SOUTH, WEST, broken, layer, line, square
from pyproj import CRS, Geod

from geotools.errors import CrsError, LayerError, RasterError
from geotools.layers import read_inputs
from geotools.layers import vector as vector_module

KINDS = ("GPKG", "ESRI Shapefile", "GeoJSON", "FlatGeobuf", "OpenFileGDB")
ENDINGS = dict(zip(KINDS, ("gpkg", "shp", "geojson", "fgb", "gdb"), strict=True))


def kinds_of(inputs, layer_name="parcels"):
    return {finding.kind for finding in inputs.findings if finding.layer == layer_name}


def test_parcels_alone(lots):
    inputs = read_inputs({"parcels": lots})
    parcels = inputs.layers["parcels"]
    assert list(parcels.columns) == ["parcel_id", "geometry"]
    assert parcels["parcel_id"].tolist() == ["001", "002", "A-3"]
    assert isinstance(parcels.index, pd.RangeIndex)
    assert parcels.crs == inputs.working_crs == CRS(26912)
    assert inputs.scale_error_pct < 0.05
    assert len(inputs.rejected) == 0
    assert list(inputs.rejected.columns) == ["layer", "row", "id", "reason", "geometry_text", "geometry"]
    summary = inputs.summary["parcels"]
    assert (summary["features"], summary["crs"], summary["driver"]) == (3, "EPSG:26912", "GPKG")
    assert summary["columns"] == {"parcel_id": "parcel_id"}
    assert len(summary["sha256"]) == 64
    json.dumps(inputs.summary)


@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_of_file_gives_the_same_lots(save, kind):
    frame = layer([square(0, 0), square(20, 0)], APN=["001", "002"])
    if kind == "GeoJSON":
        frame = frame.to_crs(4326)
    path = save(frame, f"lots.{ENDINGS[kind]}", driver=kind)
    inputs = read_inputs({"parcels": path}, options={"parcels": {"id": "APN"}}, working_crs="EPSG:26912")
    by_id = inputs.layers["parcels"].set_index("parcel_id").geometry
    assert set(by_id.index) == {"001", "002"}
    np.testing.assert_allclose(by_id.area, 400.0, atol=0.01)  # GeoJSON keeps 7 to 15 digits of a degree
    assert by_id["002"].centroid.distance(square(20, 0).centroid) < 2.5  # NAD83 and WGS 84 are a metre or two apart


def test_geoparquet_and_relative_paths(tmp_path):
    layer([square(0, 0)], parcel_id=["1"], wide=[1]).to_parquet(tmp_path / "lots.parquet")
    inputs = read_inputs({"parcels": "lots.parquet"}, base=tmp_path)
    assert inputs.layers["parcels"].geometry.area.tolist() == [400.0]
    assert inputs.summary["parcels"]["driver"] == "Parquet"


def test_every_parcel_stays_a_row(save):
    shapes = [
        square(0, 0),
        None,
        BOW_TIE,
        shapely.Polygon(),
        shapely.union(square(80, 0), square(120, 0)),
        square(200, 0),
    ]
    path = save(layer(shapes, parcel_id=list("abcdef")), "lots.gpkg")
    inputs = read_inputs({"parcels": path})
    parcels, rejected = inputs.layers["parcels"], inputs.rejected
    assert parcels["parcel_id"].tolist() == list("abcdef")
    assert parcels.geometry.isna().tolist() == [False, True, False, True, False, False]
    assert parcels.geometry[2].area == 200.0
    assert parcels.geometry[4].geom_type == "MultiPolygon"
    assert rejected[["layer", "row", "id"]].to_numpy().tolist() == [
        ["parcels", 2, "b"],
        ["parcels", 3, "c"],
        ["parcels", 4, "d"],
    ]
    assert [reason.split(":")[0] for reason in rejected["reason"]] == ["left out", "repaired", "left out"]
    assert rejected["geometry_text"].tolist()[0] == ""
    assert rejected["geometry_text"].tolist()[1].startswith("MULTIPOLYGON (((430040 3700000")
    assert {"left out", "repaired"} <= kinds_of(inputs)


def test_a_file_without_one_whole_parcel_is_damaged(save):
    path = save(layer([BOW_TIE, None], parcel_id=["1", "2"]), "lots.gpkg")
    with pytest.raises(LayerError, match="damaged"):
        read_inputs({"parcels": path})
    with pytest.raises(LayerError, match="a line where a polygon is needed"):
        read_inputs({"parcels": save(layer([line((0, 0), (9, 9))], parcel_id=["1"]), "lines.gpkg")})
    with pytest.raises(LayerError, match="not one parcel"):
        read_inputs({"parcels": save(layer([], parcel_id=[]), "none.gpkg")})
    with pytest.raises(LayerError, match="usable shape"):
        read_inputs({"parcels": save(layer([None], parcel_id=["1"]), "null.gpkg")})


def test_coordinates_that_are_no_numbers(tmp_path):
    shapes = [square(0, 0), broken(np.nan), broken(np.inf)]
    with np.errstate(invalid="ignore"):
        layer(shapes, parcel_id=["1", "2", "3"]).to_parquet(tmp_path / "lots.parquet")
        inputs = read_inputs({"parcels": str(tmp_path / "lots.parquet")})
    assert inputs.layers["parcels"].geometry.isna().tolist() == [False, True, True]
    assert inputs.rejected["geometry"].isna().all()
    assert inputs.rejected["geometry_text"].str.startswith("POLYGON").all()


def test_missing_crs_is_asked_for_and_taken(save):
    frame = layer([square(0, 0)], parcel_id=["1"])
    path = Path(save(frame, "lots.shp"))
    path.with_suffix(".prj").unlink()
    with pytest.raises(CrsError, match="no CRS") as caught:
        read_inputs({"parcels": str(path)})
    assert "--set parcels.crs=EPSG:" in caught.value.mend
    told = read_inputs({"parcels": str(path)}, options={"parcels": {"crs": "EPSG:26912"}})
    assert told.layers["parcels"].geometry[0].area == 400.0
    with pytest.raises(CrsError, match="EPSG:0"):
        read_inputs({"parcels": str(path)}, options={"parcels": {"crs": "EPSG:0"}})


def test_overriding_a_stated_crs_is_an_assumption(lots):
    inputs = read_inputs({"parcels": lots}, options={"parcels": {"crs": "EPSG:32612"}})
    assert inputs.working_crs == CRS(32612)
    assert any(one.kind == "crs" and one.severity == "assumption" for one in inputs.findings)


@pytest.mark.parametrize(("crs", "feet_m"), [("EPSG:2223", 0.3048), ("ESRI:102649", 1200 / 3937)])
def test_feet_of_either_kind_are_measured_as_they_are(tmp_path, crs, feet_m):
    side_ft = 1000.0
    frame = gpd.GeoDataFrame(
        {"parcel_id": ["1"]}, geometry=[shapely.box(7e5, 9e5, 7e5 + side_ft, 9e5 + side_ft)], crs=crs
    )
    frame.to_file(tmp_path / "lots.gpkg")
    inputs = read_inputs({"parcels": str(tmp_path / "lots.gpkg")})
    side_m = inputs.layers["parcels"].geometry[0].length / 4
    # both grids keep scale within 0.04 % here
    assert side_m == pytest.approx(side_ft * feet_m, rel=1e-3)
    assert inputs.working_crs == CRS(26912)


@pytest.mark.parametrize("crs", ["EPSG:3857", "EPSG:4326", "EPSG:2223", "EPSG:26918"])
def test_a_working_crs_that_measures_false_is_refused(lots, crs):
    with pytest.raises(CrsError, match=crs):
        read_inputs({"parcels": lots}, working_crs=crs)


def test_columns_units_and_missing_values(save, lots):
    walls = layer(
        [line((0, 20), (20, 20)), line((20, 20), (40, 20))],
        KIND=["block", None],
        HT=[6.0, None],
        open_in=[0.5, 1.0],
        OK=["y", ""],
    )
    options = {"walls": {"height_ft": "HT", "opening": "open_in", "sound": "ok"}}
    inputs = read_inputs({"parcels": lots, "walls": save(walls, "walls.gpkg")}, options=options)
    read = inputs.layers["walls"]
    assert list(read.columns) == ["kind", "height_m", "opening_m", "rail_m", "sound", "geometry"]
    np.testing.assert_allclose(read["height_m"], [1.8288, np.nan])
    np.testing.assert_allclose(read["opening_m"], [0.0127, 0.0254])
    assert read["sound"].tolist() == [True, pd.NA]
    assert inputs.summary["walls"]["columns"] == {
        "kind": "KIND",
        "height_m": "HT",
        "opening_m": "open_in",
        "sound": "OK",
    }


@pytest.mark.parametrize(
    ("options", "says", "mend"),
    [
        ({"parcels": {"idd": "APN"}}, "no option 'idd'", "did you mean 'id'"),
        ({"parcels": {"id": "APM"}}, "'APM'", "use one of"),
        ({"parcel": {"id": "APN"}}, "no input layer called 'parcel'", "did you mean 'parcels'"),
        ({"parcels": {"id": True}}, "neither text", "give text"),
        ({"parcels": {"layer": "lot"}}, "no layer called 'lot'", "did you mean 'lots'"),
    ],
)
def test_slips_in_the_options(lots, options, says, mend):
    with pytest.raises(LayerError, match=says) as caught:
        read_inputs({"parcels": lots}, options=options)
    assert mend in caught.value.mend


def test_slips_in_the_layers(lots):
    with pytest.raises(LayerError, match="'waches'") as caught:
        read_inputs({"parcels": lots, "waches": lots})
    assert "did you mean 'washes'" in caught.value.mend
    with pytest.raises(LayerError, match="no parcels"):
        read_inputs({"walls": lots})


def test_other_peoples_layers_keep_their_columns(save, lots):
    trails = layer([line((0, -5), (60, -5))], surface=["dirt"], n=[3])
    inputs = read_inputs({"parcels": lots, "trails": save(trails, "trails.gpkg")}, others=["trails"])
    assert inputs.layers["trails"][["surface", "n"]].to_numpy().tolist() == [["dirt", 3]]


def test_layers_in_other_crs_come_together(save, lots):
    washes = layer([line((0, -10), (60, -10))]).to_crs(2223)
    inputs = read_inputs({"parcels": lots, "washes": save(washes, "washes.gpkg")})
    moved = inputs.layers["washes"]
    assert moved.crs == inputs.working_crs
    assert shapely.hausdorff_distance(moved.geometry[0], line((0, -10), (60, -10))) < 0.001


def test_rows_beyond_are_counted_and_bad_rows_listed(save, lots):
    shapes = [
        line((0, -10), (60, -10)),
        line((9000, 0), (9060, 0)),
        None,
        square(0, -60),
        shapely.Point(WEST, SOUTH),
        line((1, 1), (1, 1)),
    ]
    inputs = read_inputs({"parcels": lots, "washes": save(layer(shapes, width_ft=[1.0] * 6), "washes.gpkg")})
    assert inputs.layers["washes"].geometry.geom_type.tolist() == ["LineString", "Polygon"]
    assert inputs.layers["washes"].index.tolist() == [0, 1]
    assert inputs.rejected[["layer", "row"]].to_numpy().tolist() == [["washes", 3], ["washes", 5], ["washes", 6]]
    assert inputs.rejected["id"].isna().all()
    (beyond,) = [finding for finding in inputs.findings if finding.kind == "beyond"]
    assert (beyond.count, beyond.severity) == (1, "note")


def test_a_layer_of_wrong_shapes_is_refused(save, lots):
    with pytest.raises(LayerError, match="a polygon where a line is needed"):
        read_inputs({"parcels": lots, "walls": save(layer([square(0, 0)]), "walls.gpkg")})


def test_gates_of_many_points_become_one_row_each(save, lots):
    gates = layer([shapely.MultiPoint([(WEST, SOUTH), (WEST + 5, SOUTH)])], width_ft=[4.0])
    read = read_inputs({"parcels": lots, "gates": save(gates, "gates.gpkg")}).layers["gates"]
    assert read.geometry.geom_type.tolist() == ["Point", "Point"]
    np.testing.assert_allclose(read["width_m"], 1.2192)


def test_habitat_elsewhere_stops_with_the_cause(save, lots):
    swapped = gpd.GeoSeries([line((0, -10), (60, -10))], crs=26912)
    swapped = gpd.GeoDataFrame(
        geometry=gpd.GeoSeries(shapely.transform(swapped.to_numpy(), lambda xy: xy[:, ::-1]), crs=26912)
    )
    with pytest.raises(LayerError, match="do not overlap") as caught:
        read_inputs({"parcels": lots, "washes": save(swapped, "swapped.gpkg")})
    assert "swapped" in caught.value.mend
    assert "EPSG:26912" in str(caught.value)
    mislabelled = layer([line((0, -10), (60, -10))], crs=32611)
    with pytest.raises(LayerError, match="do not overlap") as caught:
        read_inputs({"parcels": lots, "open_desert": save(layer([square(0, 50)], crs=32611), "zone.gpkg")})
    assert "--set open_desert.crs=EPSG:26912" in caught.value.mend
    inputs = read_inputs({"parcels": lots, "roads": save(mislabelled, "roads.gpkg")})
    assert len(inputs.layers["roads"]) == 0
    assert "elsewhere" in kinds_of(inputs, "roads")


def test_habitat_some_way_off_is_no_error(save, lots):
    inputs = read_inputs({"parcels": lots, "washes": save(layer([line((4000, 0), (4060, 0))]), "washes.gpkg")})
    assert len(inputs.layers["washes"]) == 0
    assert "beyond" in kinds_of(inputs, "washes")


@pytest.mark.parametrize("kind", ["GPKG", "ESRI Shapefile", "OpenFileGDB"])
def test_large_layers_are_read_by_area_and_still_know_their_rows(save, lots, kind, monkeypatch):
    shapes = [square(9000 + 40 * n, 0) for n in range(30)] + [BOW_TIE, square(0, 40)]
    path = save(layer(shapes, kind=["x"] * 32), f"houses.{ENDINGS[kind]}", driver=kind)
    whole = read_inputs({"parcels": lots, "buildings": path})
    monkeypatch.setattr(vector_module, "READ_WHOLE_UP_TO", 10)
    part = read_inputs({"parcels": lots, "buildings": path})
    assert part.layers["buildings"].equals(whole.layers["buildings"])
    assert part.rejected["row"].tolist() == whole.rejected["row"].tolist() == [31]
    counts = [[finding.count for finding in one.findings if finding.kind == "beyond"] for one in (whole, part)]
    assert counts == [[30], [30]]
    assert part.summary["buildings"]["features"] == 32


def test_height_and_measure_are_dropped_and_said(save):
    tall = shapely.force_3d(np.array([square(0, 0), square(20, 0)]), 700.0)
    inputs = read_inputs({"parcels": save(layer(tall, parcel_id=["1", "2"]), "lots.gpkg")})
    assert not shapely.has_z(inputs.layers["parcels"].geometry.to_numpy()).any()
    (found,) = [finding for finding in inputs.findings if finding.kind == "height"]
    assert found.count == 2


def test_curves_become_chords(tmp_path):
    circle = f"{WEST} {SOUTH},{WEST + 10} {SOUTH + 10},{WEST + 20} {SOUTH},{WEST + 10} {SOUTH - 10},{WEST} {SOUTH}"
    triangle = f"{WEST + 40} {SOUTH},{WEST + 50} {SOUTH},{WEST + 50} {SOUTH + 10},{WEST + 40} {SOUTH}"
    (tmp_path / "lots.csv").write_text(
        f'parcel_id,shape\n1,"CURVEPOLYGON(CIRCULARSTRING({circle}))"\n2,"POLYGON(({triangle}))"\n'
    )
    (tmp_path / "lots.vrt").write_text(
        '<OGRVRTDataSource><OGRVRTLayer name="lots"><SrcDataSource relativeToVRT="1">lots.csv</SrcDataSource>'
        "<GeometryType>wkbUnknown</GeometryType><LayerSRS>EPSG:26912</LayerSRS>"
        '<GeometryField encoding="WKT" field="shape"/></OGRVRTLayer></OGRVRTDataSource>'
    )
    inputs = read_inputs({"parcels": str(tmp_path / "lots.vrt")}, options={"parcels": {"driver": "OGR_VRT"}})
    drawn = inputs.layers["parcels"].geometry[0]
    assert inputs.layers["parcels"]["parcel_id"].tolist() == ["1", "2"]
    # a polygon of 90 corners inside a circle of radius 10
    assert drawn.area == pytest.approx(90 / 2 * 100 * np.sin(2 * np.pi / 90), rel=1e-6)
    assert "curves" in kinds_of(inputs)


def test_encoding(tmp_path):
    frame = layer([square(0, 0)], parcel_id=["Ñandú"])
    pyogrio.write_dataframe(frame, tmp_path / "lots.shp", encoding="cp1252")
    (tmp_path / "lots.cpg").unlink()
    path = str(tmp_path / "lots.shp")
    assert (
        read_inputs({"parcels": path}, options={"parcels": {"encoding": "cp1252"}}).layers["parcels"]["parcel_id"][0]
        == "Ñandú"
    )
    with pytest.raises(LayerError, match="no encoding"):
        read_inputs({"parcels": path}, options={"parcels": {"encoding": "parsnip"}})
    garbled = save_garbled(tmp_path)
    assert "encoding" in kinds_of(read_inputs({"parcels": garbled}))


def save_garbled(folder: Path) -> str:
    layer([square(0, 0)], parcel_id=["\ufffdand\ufffd"]).to_file(folder / "garbled.gpkg")
    return str(folder / "garbled.gpkg")


def test_double_ids_and_condominiums(save):
    stack = layer([square(0, 0), square(0, 0), square(20, 0)], parcel_id=["1A", "1B", "2"])
    inputs = read_inputs({"parcels": save(stack, "stack.gpkg")})
    assert len(inputs.layers["parcels"]) == 3
    assert "stacked" in kinds_of(inputs)
    with pytest.raises(LayerError, match="1 id comes more than once, on 2 rows"):
        read_inputs({"parcels": save(layer([square(0, 0), square(0, 0)], parcel_id=["1", "1"]), "double.gpkg")})


def test_overlapping_parcels_are_reported_not_moved(save):
    shapes = [square(0, 0), square(15, 0)]
    inputs = read_inputs({"parcels": save(layer(shapes, parcel_id=["1", "2"]), "lots.gpkg")})
    (found,) = [finding for finding in inputs.findings if finding.kind == "overlap"]
    assert found.first_ids == ("1 and 2: 100.0 sq m",)
    assert inputs.layers["parcels"].geometry.area.tolist() == [400.0, 400.0]


def write_raster(path: Path, *, west: float = WEST - 100, crs: str = "EPSG:26912", bands: int = 1) -> str:
    profile = {"driver": "GTiff", "width": 40, "height": 40, "count": bands, "dtype": "float32", "crs": crs}
    with rasterio.open(path, "w", transform=Affine(10, 0, west, 0, -10, SOUTH + 200), **profile) as dataset:
        dataset.write(np.ones((bands, 40, 40), np.float32))
    return str(path)


def test_rasters_among_the_inputs(lots, tmp_path):
    sources = {
        "parcels": lots,
        "elevation": write_raster(tmp_path / "dem.tif"),
        "vegetation": write_raster(tmp_path / "bands.tif", bands=4),
    }
    inputs = read_inputs(sources, options={"vegetation": {"red": 3, "near_infrared": 4}})
    assert inputs.layers["vegetation"].bands == {"red": 3, "near_infrared": 4}
    assert inputs.summary["elevation"]["crs"] == "EPSG:26912"
    assert list(inputs.summary) == ["parcels", "elevation", "vegetation"]
    assert "unit" in kinds_of(inputs, "elevation")
    with pytest.raises(LayerError, match="no option 'redd'"):
        read_inputs(sources, options={"vegetation": {"redd": 3}})
    far = write_raster(tmp_path / "far.tif", west=WEST + 90_000)
    with pytest.raises(RasterError, match="do not overlap"):
        read_inputs({"parcels": lots, "elevation": far})
    edge = write_raster(tmp_path / "edge.tif", west=WEST + 30)
    assert "cover" in kinds_of(read_inputs({"parcels": lots, "elevation": edge}), "elevation")


@pytest.mark.published(
    "momepy 0.11 bubenec.gpkg: outline of the plots 21,072 m in Web Mercator, 13,523 m on the ground"
)
def test_web_mercator_trap(packaged):
    path = packaged("momepy", "datasets/bubenec.gpkg")
    inputs = read_inputs(
        {"parcels": f"{path}#plots", "buildings": f"{path}#buildings", "roads": f"{path}#streets"},
        options={"parcels": {"id": "ID_2"}},
    )
    assert {name: len(frame) for name, frame in inputs.layers.items()} == {
        "parcels": 407,
        "buildings": 144,
        "roads": 35,
    }
    assert inputs.working_crs.to_epsg() == 32633
    outline_m = inputs.layers["parcels"].geometry.union_all().length
    assert outline_m == pytest.approx(13_523, rel=0.002)  # the working CRS's own rule
    assert gpd.read_file(path, layer="plots").union_all().length == pytest.approx(21_072, abs=0.5)
    with pytest.raises(CrsError, match="off the ground"):
        read_inputs({"parcels": f"{path}#plots"}, options={"parcels": {"id": "ID_2"}}, working_crs="EPSG:3857")
    with pytest.raises(LayerError, match="4 layers"):
        read_inputs({"parcels": path})


@pytest.mark.published("landlab 2.11 soque links: 317 lines, published lengths sum to 296.066 km, geodesic 295.828 km")
def test_wash_lines_measure_as_published(packaged, save):
    path = packaged("landlab", "soque/Soque_Links.shp")
    links = gpd.read_file(path)
    west, south, east, north = links.total_bounds
    lot = gpd.GeoDataFrame({"parcel_id": ["1"]}, geometry=[shapely.box(west, south, east, north)], crs=links.crs)
    inputs = read_inputs({"parcels": save(lot, "lot.gpkg"), "washes": path})
    washes = inputs.layers["washes"]
    assert len(washes) == 317
    length_km = washes.length.sum() / 1000
    geodesic_km = sum(Geod(ellps="GRS80").geometry_length(shape) for shape in links.geometry) / 1000
    assert geodesic_km == pytest.approx(295.828, abs=0.001)
    assert length_km == pytest.approx(geodesic_km, rel=0.002)  # the working CRS's own rule
    assert length_km == pytest.approx(296.066, rel=0.003)  # the published lengths are 0.08 % above the geodesic


@pytest.mark.published("landlab 2.11 methow network: 720 lines without a CRS")
def test_network_without_crs_is_asked_about(packaged, lots):
    with pytest.raises(CrsError, match="no CRS") as caught:
        read_inputs({"parcels": lots, "washes": packaged("landlab", "methow/Methow_Network.shp")})
    assert "--set washes.crs=" in caught.value.mend


@pytest.mark.published("libpysal 4.14 geodanet streets: 293 lines in US survey feet near Mesa, Arizona")
def test_streets_in_survey_feet(packaged, save):
    path = packaged("libpysal", "geodanet/streets.shp")
    streets = gpd.read_file(path)
    lot = gpd.GeoDataFrame({"parcel_id": ["1"]}, geometry=[shapely.box(*streets.total_bounds)], crs=streets.crs)
    inputs = read_inputs({"parcels": save(lot, "lot.gpkg"), "roads": path})
    assert inputs.summary["roads"]["crs"] == "ESRI:102649"
    lonlat = streets.to_crs(4269).geometry
    geodesic_m = sum(Geod(ellps="GRS80").geometry_length(shape) for shape in lonlat)
    assert len(inputs.layers["roads"]) == 293
    assert inputs.layers["roads"].length.sum() == pytest.approx(geodesic_m, rel=0.002)  # the working CRS's own rule


def test_archives_as_counties_deliver_them(save, tmp_path):
    frame = layer([square(0, 0), square(20, 0)], APN=["001", "002"])
    for part in Path(save(frame, "lots.shp")).parent.glob("lots.*"):
        with zipfile.ZipFile(tmp_path / "town.zip", "a") as archive:
            archive.write(part, f"Parcels 2026/{part.name}")
    for part in Path(save(frame, "town.gdb", driver="OpenFileGDB", layer="lots")).iterdir():
        with zipfile.ZipFile(tmp_path / "town.gdb.zip", "a") as archive:
            archive.write(part, f"town.gdb/{part.name}")
    for source in ("town.zip", "town.zip#lots", "town.gdb.zip", "town.gdb.zip#lots"):
        inputs = read_inputs({"parcels": str(tmp_path / source)}, options={"parcels": {"id": "APN"}})
        assert inputs.layers["parcels"]["parcel_id"].tolist() == ["001", "002"]
        assert inputs.layers["parcels"].geometry.area.sum() == pytest.approx(800.0)  # two file kinds that round


def test_of_several_layers_the_one_called_like_the_input_is_read_and_others_are_asked_about(save):
    path = save(layer([square(0, 0)], parcel_id=["1"]), "town.gpkg", layer="parcels")
    save(layer([square(5, 5, 5)]), "town.gpkg", layer="buildings")
    inputs = read_inputs({"parcels": path})
    assert list(inputs.layers["parcels"]["parcel_id"]) == ["1"]
    assert any("of its 2 layers the one called parcels is read" in str(finding) for finding in inputs.findings)
    with pytest.raises(LayerError, match="2 layers"):
        read_inputs({"parcels": path, "walls": path})
    with pytest.raises(LayerError, match="no column"):
        read_inputs({"parcels": path}, options={"parcels": {"layer": "buildings"}})


def test_same_inputs_give_the_same_record(lots):
    first, second = read_inputs({"parcels": lots}), read_inputs({"parcels": lots})
    assert (first.summary, first.findings) == (second.summary, second.findings)
    assert first.layers["parcels"].equals(second.layers["parcels"])
