"""The package of layers, read back with fiona."""

from __future__ import annotations

import fiona
import geopandas as gpd
import numpy as np
import pytest
from shapely import Point

from geotools.errors import CrsError, OutputError
from geotools.outputs.package import write_layer, write_lots

pytest.importorskip("geotools.layers.writing", reason="the layers' writer is not there yet")

LAYERS = {
    "lots": "parcel_id exposure exposure_rank verdict reason option length_ft height_in mesh_opening_in burial_in "
    "roll_width_in posts corners gates ways_in footholds_to_clear cost_low cost_likely cost_high",
    "barrier_lines": "line_id parcel_id option kind length_ft height_in recommended reason footholds_in_conflict gates",
    "ways_in": "parcel_id kind opening_in remedy",
    "footholds": "foothold_id kind height_in setback_in parcel_id distance_in local_height_in remedy",
    "rejected": "layer row reason geometry_text",
}


def test_layers_and_columns_are_the_fixed_ones(town, tmp_path):
    path = tmp_path / "lots.gpkg"
    write_lots(town.lots, town.barrier_lines, town.ways_in, town.footholds, town.rejected, path=path)
    assert set(fiona.listlayers(path)) == set(LAYERS)
    for name, columns in LAYERS.items():
        with fiona.open(path, layer=name) as layer:
            wanted = columns.split()
            assert list(layer.schema["properties"])[: len(wanted)] == wanted
            assert layer.crs.to_epsg() == 32612


def test_a_height_schedule_is_one_layer_more(town, tmp_path):
    path = tmp_path / "lots.gpkg"
    panels = town.barrier_lines.assign(panel=1, from_m=0.0, to_m=3.048, governed_by="ground")
    write_lots(town.lots, town.barrier_lines, panels=panels, path=path)
    with fiona.open(path, layer="panels") as layer:
        assert list(layer.schema["properties"])[:10] == [
            "line_id", "parcel_id", "option", "panel", "from_ft", "to_ft", "length_ft", "height_in", "governed_by",
            "recommended",
        ]  # fmt: skip
        assert next(iter(layer)).properties["to_ft"] == 10


def test_planned_gates_are_one_layer_more_and_advised_as_their_lines_are(town, tmp_path):
    path = tmp_path / "lots.gpkg"
    advised = town.barrier_lines.loc[town.barrier_lines["recommended"], "line_id"].iloc[0]
    gates = gpd.GeoDataFrame(
        {"gate_id": ["a", "b"], "line_id": [advised, "no such line"], "parcel_id": ["1", "2"], "option": "yard",
         "gate": 1, "station_m": [3.048, np.nan], "width_m": 0.9144, "swing": "in", "swing_deg": [90.0, np.nan],
         "placed": ["street side", ""], "agree_on_site": [False, True], "recommended": True, "reason": "here"},
        geometry=[Point(510_000, 3_575_000), None], crs=town.lots.crs,
    )  # fmt: skip
    write_lots(town.lots, town.barrier_lines, planned_gates=gates, path=path)
    with fiona.open(path, layer="planned_gates") as layer:
        first, second = list(layer)
    assert (first.properties["station_ft"], first.properties["width_ft"]) == (10.0, 3.0)
    assert (first.properties["recommended"], second.properties["recommended"]) == (True, False)
    assert second.geometry is None
    assert second.properties["station_ft"] is None


def test_values_and_geometry_come_back(town, tmp_path):
    path = tmp_path / "lots.gpkg"
    write_lots(town.lots, town.barrier_lines, town.ways_in, town.footholds, town.rejected, path=path)
    with fiona.open(path, layer="lots") as layer:
        rows = list(layer)
    assert [row.properties["parcel_id"] for row in rows] == town.lots["parcel_id"].tolist()
    bounds = np.array([fiona.bounds(row) for row in rows])
    np.testing.assert_allclose(bounds, town.lots.bounds, atol=1e-6)  # written as doubles; a micrometre is slack
    with fiona.open(path, layer="barrier_lines") as layer:
        lines = list(layer)
    lengths = [line.properties["length_ft"] for line in lines]
    np.testing.assert_allclose(lengths, town.barrier_lines.length / 0.3048, atol=0.05 + 1e-9)  # shown to 0.1 ft
    assert [line.properties["recommended"] for line in lines] == town.barrier_lines["recommended"].tolist()
    with fiona.open(path, layer="rejected") as layer:
        assert [row.geometry for row in layer] == [None]


def test_layers_that_are_not_given_are_there_and_empty(town, tmp_path):
    path = tmp_path / "lots.gpkg"
    write_lots(town.lots, town.barrier_lines, path=path, units="metric")
    with fiona.open(path, layer="footholds") as layer:
        assert len(layer) == 0
        assert "local_height_mm" in layer.schema["properties"]


def test_same_input_gives_same_bytes(town, tmp_path):
    contents = set()
    for run in ("first", "second"):
        (tmp_path / run).mkdir()
        path = tmp_path / run / "lots.gpkg"
        write_lots(town.lots, town.barrier_lines, town.ways_in, town.footholds, town.rejected, path=path)
        contents.add(path.read_bytes())
    assert len(contents) == 1


def test_mixed_crs_and_missing_columns_are_refused(town, tmp_path):
    path = tmp_path / "lots.gpkg"
    with pytest.raises(CrsError, match="barrier_lines"):
        write_lots(town.lots, town.barrier_lines.to_crs(32613), path=path)
    with pytest.raises(OutputError, match="verdict"):
        write_lots(town.lots.drop(columns="verdict"), town.barrier_lines, path=path)
    assert not path.exists()


@pytest.mark.parametrize("ending", ["parquet", "fgb"])
def test_one_table_for_reading_in_part(town, tmp_path, ending):
    path = tmp_path / f"lots.{ending}"
    write_layer(town.lots, path=path)
    back = gpd.read_parquet(path) if ending == "parquet" else gpd.read_file(path)
    assert list(back.columns)[: len(LAYERS["lots"].split())] == LAYERS["lots"].split()
    assert sorted(back["parcel_id"]) == sorted(town.lots["parcel_id"])
    assert back["parcel_id"].tolist() != town.lots["parcel_id"].tolist()  # along the curve, not as they came
    back = back.set_index("parcel_id").loc[town.lots["parcel_id"]]
    np.testing.assert_allclose(back["length_ft"], town.lots["length_m"] / 0.3048, atol=0.05 + 1e-9)  # shown to 0.1 ft
    np.testing.assert_array_equal(back.area, town.lots.area)
    written = path.read_bytes()
    write_layer(town.lots, path=path)
    assert path.read_bytes() == written
    with pytest.raises(OutputError, match="ending"):
        write_layer(town.lots, path=tmp_path / "lots.shp")
    with pytest.raises(CrsError):
        write_layer(town.lots.to_crs(4326), path=path)
