"""Data that reach other files or hosts are refused before a driver sees them, unless they are asked for."""

from __future__ import annotations

import json
import subprocess
from pathlib import Path

import numpy as np
import pytest
import rasterio
from affine import Affine
from lot_samples import SOUTH, WEST, layer, square
from range_server import serve_files

from geotools.errors import GeotoolsError, LayerError, RasterError
from geotools.layers import check_source, read_inputs
from geotools.rasters import open_raster
from geotools.sources.drivers import check_text, raster_kind, vector_kind

LOTS = layer([square(0, 0), square(20, 0)], parcel_id=["1", "2"])


@pytest.fixture
def secret(tmp_path):
    """A file that was not asked for, and a served address that must not be visited."""
    path = tmp_path / "secret.csv"
    path.write_text('parcel_id,shape\n7,"POLYGON ((0 0,1 0,1 1,0 0))"\n')
    return path


def virtual_texts(secret: Path, address: str) -> dict[str, str]:
    """Texts that a driver follows, by what they are."""
    source = f'<OGRVRTLayer name="secret"><SrcDataSource>{secret}</SrcDataSource></OGRVRTLayer>'
    collection = {"type": "FeatureCollection", "features": []}
    remote = {"type": "link", "properties": {"href": f"{address}/crs"}}
    head = '\ufeff<?xml version="1.0"?>\n<!-- lots -->\n '
    return {
        "vrt": f"<OGRVRTDataSource>{source}</OGRVRTDataSource>",
        "vrt with a head": f"{head}<OGRVRTDataSource>{source}</OGRVRTDataSource>",
        "features": f"<OGRWFSDataSource><URL>{address}/features</URL></OGRWFSDataSource>",
        "gml": f'<gml:FeatureCollection xmlns:gml="http://www.opengis.net/gml" href="{address}/a"/>',
        "commands": json.dumps({"type": "gdal_streamed_alg", "command_line": f"gdal vector pipeline ! read {secret}"}),
        "entity": f'<!DOCTYPE a [<!ENTITY b SYSTEM "file://{secret}">]><kml>&b;</kml>',
        "crs": json.dumps({"crs": remote, **collection}),
        "crs at the end": json.dumps({**collection, "crs": dict(reversed(remote.items()))}),
        "crs in escapes": json.dumps({**collection, "crs": remote}).replace('"crs"', '"\\u0063rs"'),
    }


@pytest.mark.parametrize("what", virtual_texts(Path("a"), ""))
@pytest.mark.parametrize("name", ["lots.gpkg", "lots.geojson", "lots.vrt"])
def test_texts_that_point_elsewhere_are_refused(tmp_path, secret, what, name):
    with serve_files(tmp_path) as served:
        (tmp_path / name).write_text(virtual_texts(secret, served.address)[what], encoding="utf-8")
        with pytest.raises(LayerError) as caught:
            read_inputs({"parcels": str(tmp_path / name)})
        assert served.log.read_text() == ""
    assert "point" in caught.value.what or "fetched" in caught.value.what
    assert caught.value.mend
    assert [found.severity for found in check_source(str(tmp_path / name))] == ["error"]


def test_the_address_of_a_crs_would_be_fetched_without_us(tmp_path):
    """What the refusal is for: the driver itself goes there."""
    import pyogrio

    with serve_files(tmp_path) as served:
        (tmp_path / "lots.geojson").write_text(virtual_texts(tmp_path, served.address)["crs"], encoding="utf-8")
        words = f"import pyogrio; pyogrio.read_info({str(tmp_path / 'lots.geojson')!r})"
        subprocess.run(["python", "-c", words], check=False, capture_output=True, timeout=60)
        if not served.log.read_text():
            pytest.skip(f"the driver of {pyogrio.__gdal_version__} no longer fetches it")
        assert "/crs" in served.log.read_text()


def test_a_virtual_source_opens_when_it_is_asked_for(tmp_path):
    LOTS.to_file(tmp_path / "lots.gpkg")
    (tmp_path / "lots.vrt").write_text(
        '<OGRVRTDataSource><OGRVRTLayer name="lots"><SrcDataSource relativeToVRT="1">lots.gpkg</SrcDataSource>'
        "</OGRVRTLayer></OGRVRTDataSource>"
    )
    source = {"parcels": str(tmp_path / "lots.vrt")}
    assert len(read_inputs(source, options={"parcels": {"driver": "OGR_VRT"}}).layers["parcels"]) == 2
    with pytest.raises(LayerError, match="opens as OGR_VRT, which is not read unless asked for"):
        read_inputs(source, options={"parcels": {"driver": "GML"}})


def test_honest_json_is_read(tmp_path):
    lots = LOTS.to_crs(4326)
    named = {"type": "name", "properties": {"name": "urn:ogc:def:crs:OGC:1.3:CRS84"}}
    told = json.loads(lots.to_json())
    told["crs"] = named
    told["features"][0]["properties"]["type"] = "link"
    (tmp_path / "lots.geojson").write_text(json.dumps(told, indent=1), encoding="utf-8")
    assert len(read_inputs({"parcels": str(tmp_path / "lots.geojson")}).layers["parcels"]) == 2


@pytest.fixture
def terrain(tmp_path):
    path = tmp_path / "terrain.tif"
    with rasterio.open(
        path, "w", driver="GTiff", width=50, height=50, count=1, dtype="float32", crs="EPSG:26912",
        transform=Affine(2.0, 0.0, WEST - 20, 0.0, -2.0, SOUTH + 60),
    ) as out:  # fmt: skip
        out.write(np.ones((50, 50), dtype="float32"), 1)
    return path


VIRTUAL_RASTER = (
    '<VRTDataset rasterXSize="50" rasterYSize="50"><SRS>EPSG:26912</SRS>'
    "<GeoTransform>429980, 2, 0, 3700060, 0, -2</GeoTransform>"
    '<VRTRasterBand dataType="Float32" band="1"><SimpleSource><SourceFilename>{}</SourceFilename>'
    "<SourceBand>1</SourceBand></SimpleSource></VRTRasterBand></VRTDataset>"
)


@pytest.mark.parametrize("name", ["terrain.vrt", "terrain2.tif", "terrain.asc"])
def test_virtual_rasters_are_refused_unless_asked_for(tmp_path, terrain, name):
    (tmp_path / name).write_text(VIRTUAL_RASTER.format(terrain))
    with pytest.raises(RasterError, match=r"may point to other files or hosts \(VRTDataset\)"):
        open_raster(tmp_path / name, "elevation")
    assert [one.severity for one in check_source(str(tmp_path / name), name="elevation")] == ["error"]
    assert open_raster(tmp_path / name, "elevation", {"driver": "VRT"}).width == 50


@pytest.mark.parametrize("text", ["<GDAL_WMS><Service/></GDAL_WMS>", '{"type": "gdal_virtual"}', "hello", ""])
def test_rasters_of_no_kind_are_refused(tmp_path, text):
    (tmp_path / "terrain.tif").write_text(text)
    with pytest.raises(RasterError):
        open_raster(tmp_path / "terrain.tif", "elevation")


@pytest.mark.parametrize(
    "text", ["/vsicurl/https://host/a.gpkg", "/vsizip/a.zip", "WFS:https://host", "PG:dbname=a", "<a/>", " /VSIMEM/a"]
)
def test_driver_texts_are_refused(text):
    with pytest.raises(LayerError, match="virtual path or a driver's connection text"):
        check_text(text)
    with pytest.raises(GeotoolsError):
        read_inputs({"parcels": text})
    with pytest.raises(GeotoolsError):
        open_raster(text, "elevation")


def test_a_file_that_bears_the_name_of_a_driver_text_is_a_file(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    LOTS.to_file(tmp_path / "WFS.gpkg")
    (tmp_path / "WFS.gpkg").rename(tmp_path / "WFS:lots.gpkg")
    assert len(read_inputs({"parcels": "WFS:lots.gpkg"}).layers["parcels"]) == 2


@pytest.mark.parametrize(
    ("head", "name", "kind"),
    [
        (b"SQLite format 3\0", "a.txt", "GeoPackage or SQLite"),
        (b"fgb\3fgb\0", "a", "FlatGeobuf"),
        (b"\0\0\x27\x0a", "a.shp", "shapefile"),
        (b"\xef\xbb\xbf  {", "a.json", "JSON"),
        (b'<?xml version="1.0"?><gpx version="1.1">', "a.gpx", "GPX"),
        (b"a,b\n", "a.csv", "CSV"),
        (b"  0\nSECTION", "a.DXF", "DXF"),
        (b"", "town.gdb", "file geodatabase"),
    ],
)
def test_kinds_by_their_first_bytes(head, name, kind):
    assert vector_kind(head, name, where=name).name == kind


def test_raster_kinds_by_their_first_bytes():
    assert raster_kind(b"ncols 5\n", "a.asc", where="a").drivers == ("AAIGrid",)
    assert raster_kind(b"\0" * 9, "a.bil", where="a").drivers == ("EHdr",)
