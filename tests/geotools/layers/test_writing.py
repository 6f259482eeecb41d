"""The same layers give the same bytes, and come back as they were."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pytest
import shapely
from lot_samples import layer, line, square

from geotools.errors import OutputError
from geotools.layers.writing import write_geopackage


def results() -> dict[str, pd.DataFrame]:
    lots = layer(
        [square(0, 0), None, shapely.union(square(40, 0), square(80, 0))],
        parcel_id=["1", "2", "3"],
        posts=pd.array([4, None, 6], dtype="Int64"),
        sound=pd.array([True, None, False], dtype="boolean"),
        length_ft=[65.6, np.nan, 10.0],
        reason=["", None, "no room"],
        cost_low=np.array([None, None, None], dtype=object),
    )
    return {
        "lots": lots,
        "barrier_lines": layer([line((0, 0), (20, 0))], line_id=[1], recommended=[True]),
        "footholds": layer([shapely.Point(430_000, 3_700_000), line((0, 0), (1, 1))], kind=["rock", "pipe"]),
        "ways_in": lots.iloc[:0],
        "prices": pd.DataFrame({"item": ["post"], "cost": [1.5]}),
    }


def test_same_layers_give_the_same_bytes(tmp_path):
    pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": None})
    for name in ("a.gpkg", "b.gpkg"):
        write_geopackage(tmp_path / name, results())
    assert (tmp_path / "a.gpkg").read_bytes() == (tmp_path / "b.gpkg").read_bytes()
    assert pyogrio.get_gdal_config_option("OGR_CURRENT_DATE") is None


def test_layers_come_back(tmp_path):
    write_geopackage(tmp_path / "a.gpkg", results(), geometry_types={"ways_in": "Point"})
    assert dict(pyogrio.list_layers(tmp_path / "a.gpkg")) == {
        "lots": "MultiPolygon",
        "barrier_lines": "MultiLineString",
        "footholds": "Unknown",
        "ways_in": "Point",
        "prices": None,
    }
    lots = gpd.read_file(tmp_path / "a.gpkg", layer="lots")
    assert lots.crs.to_epsg() == 26912
    assert lots["parcel_id"].tolist() == ["1", "2", "3"]
    assert lots.geometry.isna().tolist() == [False, True, False]
    types = dict(
        zip(*(pyogrio.read_info(tmp_path / "a.gpkg", layer="lots")[key] for key in ("fields", "dtypes")), strict=True)
    )
    assert (types["posts"], types["sound"], types["length_ft"]) == ("int64", "bool", "float64")
    np.testing.assert_array_equal(lots["posts"].astype(float), [4, np.nan, 6])
    empty = gpd.read_file(tmp_path / "a.gpkg", layer="ways_in")
    assert len(empty) == 0
    assert list(empty.columns) == list(lots.columns)


def test_an_earlier_file_is_replaced(tmp_path):
    write_geopackage(tmp_path / "a.gpkg", results())
    write_geopackage(tmp_path / "a.gpkg", {"lots": results()["lots"]})
    assert [name for name, _ in pyogrio.list_layers(tmp_path / "a.gpkg")] == ["lots"]


def test_a_layer_without_crs_and_a_folder_that_is_not_there_are_refused(tmp_path):
    with pytest.raises(OutputError, match="CRS"):
        write_geopackage(tmp_path / "a.gpkg", {"lots": layer([square(0, 0)], crs=None)})
    with pytest.raises(OutputError, match="CRS"):
        write_geopackage(tmp_path / "a.gpkg", {"a": layer([square(0, 0)]), "b": layer([square(0, 0)], crs=32612)})
    with pytest.raises(OutputError, match="can't be written"):
        write_geopackage(tmp_path / "none" / "a.gpkg", {"lots": layer([square(0, 0)])})
