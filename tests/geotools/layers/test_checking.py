"""Checking lists everything at once and never stops at a fault of the data."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import rasterio
import shapely
from affine import Affine
from lot_samples import BOW_TIE, layer, line, square

from geotools.findings import format_findings
from geotools.layers import check_source


def of(findings, severity):
    return [finding for finding in findings if finding.severity == severity]


def test_sound_parcels_have_notes_alone(lots):
    findings = check_source(lots, name="parcels")
    assert {finding.severity for finding in findings} == {"note"}
    assert "3 features" in format_findings(findings)[-1]


def test_all_faults_at_once(save):
    shapes = [square(0, 0), square(15, 0), BOW_TIE, None, square(80, 0)]
    path = save(layer(shapes, parcel_id=["1", "1", None, "4", "5"]), "lots.gpkg")
    findings = check_source(f"parcels={path}")
    errors = of(findings, "error")
    assert [error.count for error in errors] == [1, 2]
    assert errors[0].first_ids == ("row 3",)
    assert errors[1].first_ids == ("row 1", "row 2")
    assert {finding.kind for finding in of(findings, "warning")} == {"left out", "repaired", "overlap"}
    lines = format_findings(findings)
    assert lines[0].startswith("error: parcels:")


def test_column_faults_name_their_rows(save):
    walls = layer([line((0, 0), (9, 9))] * 3, height=[6.0, 7.0, 8.0], sound=["yes", "perhaps", "no"])
    errors = of(check_source(save(walls, "walls.gpkg"), name="walls"), "error")
    assert [(error.count, error.first_ids) for error in errors] == [(3, ("row 1", "row 2", "row 3")), (1, ("row 2",))]
    assert of(check_source(save(walls, "walls.gpkg"), name="walls", options={"unit": "ft"}), "error")[0].count == 1


def test_missing_crs_does_not_hide_the_rest(save):
    path = Path(save(layer([square(0, 0), BOW_TIE], parcel_id=["1", "2"]), "lots.shp"))
    path.with_suffix(".prj").unlink()
    findings = check_source(str(path), name="parcels")
    assert [error.kind for error in of(findings, "error")] == ["crs"]
    assert [warning.kind for warning in of(findings, "warning")] == ["repaired"]
    assert not of(check_source(str(path), name="parcels", options={"crs": "EPSG:26912"}), "error")


def test_layers_of_a_file_are_known_by_their_names(save):
    path = save(layer([square(0, 0)], APN=["1"]), "town.gpkg", layer="parcels")
    save(layer([shapely.Point(430_000, 3_700_000)]), "town.gpkg", layer="benches")
    findings = check_source(path)
    assert [error.layer for error in of(findings, "error")] == ["parcels"]
    assert "parcels.id=APN" in of(findings, "error")[0].mend
    assert {finding.layer for finding in findings} == {"parcels", "benches"}


@pytest.mark.parametrize(
    ("source", "options", "kind"),
    [
        ("parcels=nowhere.gpkg", {}, "layer"),
        ("https://example.org/a.gpkg", {}, "layer"),
        ("elevation=nowhere.tif", {}, "raster"),
        ("nowhere.tif", {}, "layer"),
    ],
)
def test_what_is_not_there_is_a_finding(source, options, kind):
    (found,) = check_source(source, options=options)
    assert found.severity == "error"
    assert found.kind in (kind, "layer")


def test_unknown_option_and_empty_layer(lots, save):
    (found,) = check_source(lots, name="parcels", options={"idd": "x"})
    assert "did you mean 'id'" in found.mend
    (found,) = check_source(save(layer([], parcel_id=[]), "none.gpkg"), name="parcels")
    assert (found.severity, found.kind) == ("error", "empty")


def test_rasters(tmp_path):
    profile = {"driver": "GTiff", "width": 4, "height": 4, "count": 2, "dtype": "uint8", "crs": "EPSG:26912"}
    with rasterio.open(
        tmp_path / "b.tif", "w", transform=Affine(10, 0, 430_000, 0, -10, 3_700_000), **profile
    ) as dataset:
        dataset.write(np.ones((2, 4, 4), np.uint8))
    assert {finding.severity for finding in check_source(str(tmp_path / "b.tif"))} == {"note"}
    assert {finding.kind for finding in check_source(f"vegetation={tmp_path / 'b.tif'}")} == {"layer", "bands"}
    (found,) = check_source(str(tmp_path / "b.tif"), name="vegetation", options={"red": 1, "near_infrared": 3})
    assert "no band 3" in found.message


@pytest.mark.published("landlab 2.11 methow network: 720 lines without a CRS")
def test_published_network_without_crs(packaged):
    findings = check_source(packaged("landlab", "methow/Methow_Network.shp"), name="washes")
    assert [error.kind for error in of(findings, "error")] == ["crs"]
    assert any("720 features" in finding.message for finding in findings)
