"""The blank survey, opened with independent readers, and read back."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from typing import TYPE_CHECKING

import fiona
import geopandas as gpd
import numpy as np
import pytest
from shapely import LineString, Point, box

from geotools.errors import CrsError
from geotools.outputs.survey import CHOICES, SURVEY_LAYERS, write_survey

if TYPE_CHECKING:
    from pathlib import Path

CRS = 26912
INCH_M = 0.0254


def known() -> dict[str, gpd.GeoDataFrame]:
    return {
        "parcels": gpd.GeoDataFrame({"parcel_id": ["00412-001", "=2"]}, geometry=[box(0, 0, 20, 40), None], crs=CRS),
        "walls": gpd.GeoDataFrame(
            {"kind": ["block"], "height_m": [36 * INCH_M], "opening_m": [np.nan], "rail_m": [np.nan], "sound": [True]},
            geometry=[LineString([(0, 40), (20, 40)])],
            crs=CRS,
        ),
        "gates": gpd.GeoDataFrame({"width_m": [0.9144]}, geometry=[Point(5, 0)], crs=CRS),
        "footholds": gpd.GeoDataFrame({"kind": ["rock"]}, geometry=[box(3, 41, 4, 42)], crs=CRS),
    }


@pytest.fixture(scope="module")
def survey(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("survey") / "field.gpkg"
    write_survey(**known(), path=path)
    return path


def rows(path: Path, query: str) -> list[tuple[object, ...]]:
    with closing(sqlite3.connect(path)) as file:
        return file.execute(query).fetchall()


def test_an_independent_reader_finds_every_layer_and_its_kind(survey: Path) -> None:
    assert fiona.listlayers(survey) == list(SURVEY_LAYERS)
    counts = {}
    for name, layer in SURVEY_LAYERS.items():
        with fiona.open(survey, layer=name) as source:
            assert source.schema["geometry"] == layer.geometry_type
            assert source.crs.to_epsg() == CRS
            assert len(source.schema["properties"]) == len(layer.columns)
            counts[name] = len(source)
    assert counts == {
        "lots": 1, "walls": 1, "gates": 1, "openings": 0, "footholds": 1, "planned_gates": 0, "ground_notes": 0,
        "photos": 0,
    }  # fmt: skip
    with fiona.open(survey, layer="walls") as source:
        first = next(iter(source))["properties"]
    assert (first["kind"], first["height_in"], first["state"], first["sound"]) == ("block", 36.0, "as drawn", True)


def test_schema_extension_is_whole(survey: Path) -> None:
    extensions = rows(survey, "SELECT table_name, extension_name, scope FROM gpkg_extensions ORDER BY table_name")
    assert ("gpkg_data_columns", "gpkg_schema", "read-write") in extensions
    assert ("gpkg_data_column_constraints", "gpkg_schema", "read-write") in extensions
    described = rows(survey, "SELECT table_name, column_name, constraint_name FROM gpkg_data_columns")
    for layer in SURVEY_LAYERS:
        real = {row[1] for row in rows(survey, f"PRAGMA table_info({layer})")} - {"fid", "geom"}
        assert {column for table, column, _ in described if table == layer} == real
    used = {name for _, _, name in described if name}
    constraints = {row[0] for row in rows(survey, "SELECT constraint_name FROM gpkg_data_column_constraints")}
    assert used == constraints
    listed = rows(
        survey, "SELECT constraint_name, value FROM gpkg_data_column_constraints WHERE constraint_type = 'enum'"
    )
    assert set(listed) == {(name, value) for name, choices in CHOICES.items() for value, _ in choices}
    ranges = rows(
        survey, "SELECT constraint_name, min, max FROM gpkg_data_column_constraints WHERE constraint_type = 'range'"
    )
    assert ("height_range", 0, 236) in ranges  # 6 m is 236 in
    assert rows(survey, "PRAGMA integrity_check") == [("ok",)]


def test_metric_survey_and_same_bytes(tmp_path: Path) -> None:
    for name in ("a", "b"):
        write_survey(**known(), path=tmp_path / f"{name}.gpkg", units="metric")
    assert (tmp_path / "a.gpkg").read_bytes() == (tmp_path / "b.gpkg").read_bytes()
    with fiona.open(tmp_path / "a.gpkg", layer="walls") as source:
        assert next(iter(source))["properties"]["height_mm"] == pytest.approx(914.4)


def test_other_crs_is_refused(tmp_path: Path) -> None:
    with pytest.raises(CrsError):
        write_survey(known()["parcels"].to_crs(4326), path=tmp_path / "x.gpkg")


def test_planned_gates_stand_at_their_place(tmp_path: Path) -> None:
    gates = gpd.GeoDataFrame(
        {"gate_id": ["1-Y-G1"], "line_id": ["1-Y"], "parcel_id": ["1"], "width_m": [0.9144], "swing": ["out"]},
        geometry=[Point(5, 8)], crs=CRS,
    )  # fmt: skip
    path = tmp_path / "field.gpkg"
    write_survey(**known(), planned_gates=gates, path=path)
    with fiona.open(path, layer="planned_gates") as layer:
        row = next(iter(layer))
    assert row["geometry"]["coordinates"] == (5.0, 8.0)
    assert row["properties"]["gate_id"] == "1-Y-G1"
    assert row["properties"]["swing"] == "out"
    assert row["properties"]["state"] == "as drawn"
