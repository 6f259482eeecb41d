"""The invented sample: the main job on it, held against what its generator knows."""

from __future__ import annotations

import hashlib
import subprocess
import sys
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import openpyxl
import pandas as pd
import pytest
import shapely

from geotools.pipeline import find_plan, read_plan, run_plan

SAMPLE = Path(__file__).parents[1] / "sample-gis"
SPECS = [
    "parcel_id",
    "exposure",
    "exposure_rank",
    "verdict",
    "reason",
    "option",
    "length_ft",
    "height_in",
    "mesh_opening_in",
    "burial_in",
    "roll_width_in",
    "posts",
    "corners",
    "gates",
    "ways_in",
    "footholds_to_clear",
    "cost_low",
    "cost_likely",
    "cost_high",
]
LINES = ["line_id", "parcel_id", "option", "kind", "length_ft", "height_in", "recommended", "reason"]


@pytest.fixture(scope="module")
def result(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    out = tmp_path_factory.mktemp("sample") / "out"
    record = run_plan(read_plan(find_plan("screen")), out)
    names = ("lots", "barrier_lines", "ways_in", "footholds", "rejected")
    layers = {name: gpd.read_file(out / "lots.gpkg", layer=name) for name in names}
    specs = pd.read_csv(out / "specs.csv", dtype={"parcel_id": str}, encoding="utf-8-sig")
    return {"out": out, "record": record, "specs": specs, **layers}


@pytest.fixture(scope="module")
def parcels() -> gpd.GeoDataFrame:
    return gpd.read_file(SAMPLE / "subdivision.gpkg", layer="parcels")


def test_generator_makes_the_same_bytes_again(tmp_path: Path) -> None:
    subprocess.run([sys.executable, SAMPLE / "make_sample.py", "--out", tmp_path], check=True, capture_output=True)
    for made in tmp_path.iterdir():
        kept = SAMPLE / made.name
        assert hashlib.sha256(made.read_bytes()).digest() == hashlib.sha256(kept.read_bytes()).digest(), made.name


def test_sample_is_small() -> None:
    assert sum(path.stat().st_size for path in SAMPLE.iterdir() if path.is_file()) < 8e6


def test_one_row_per_parcel_in_input_order(result: dict[str, Any], parcels: gpd.GeoDataFrame) -> None:
    assert result["specs"].columns[: len(SPECS)].tolist() == SPECS
    assert result["specs"]["parcel_id"].tolist() == parcels["APN"].tolist()
    sheet = openpyxl.load_workbook(result["out"] / "specs.xlsx").worksheets[0]
    assert [row[0].value for row in sheet.iter_rows(min_row=2)][-150:] == parcels["APN"].tolist()


def test_walled_yards_are_found_sound_and_no_others(result: dict[str, Any]) -> None:
    """The generator knows which yards it walled soundly; the proof is told nothing of it."""
    sys.path.insert(0, str(SAMPLE))
    from scenario import build_scenario
    from yards import ENCLOSURES, SOUND

    truth = build_scenario()["parcels"].set_index("parcel_id")["enclosure"]
    walled = set(truth.index[truth == ENCLOSURES[SOUND]])
    specs = result["specs"]
    assert set(specs.loc[specs["verdict"] == "already sound", "parcel_id"]) == walled
    mended = set(specs.loc[specs["verdict"] == "retrofit", "parcel_id"])
    assert len(mended) > 0
    assert not mended & walled


def test_lines_keep_off_washes_easements_and_the_neighbour(result: dict[str, Any], parcels: gpd.GeoDataFrame) -> None:
    lines = result["barrier_lines"][lambda table: (table["kind"] == "new") & (table["option"] != "shared line")]
    assert [name for name in lines.columns if name in LINES] == LINES
    own = parcels.to_crs(lines.crs).set_index("APN").geometry.loc[lines["parcel_id"]].to_numpy()
    assert shapely.covers(shapely.buffer(own, 0.001), lines.geometry.to_numpy()).all()
    washes = gpd.read_file(SAMPLE / "washes.zip").to_crs(lines.crs)
    easements = gpd.read_file(SAMPLE / "subdivision.gpkg", layer="easements").to_crs(lines.crs)
    for obstacle in (washes.union_all(), easements[easements.geometry.notna()].union_all().buffer(-0.01)):
        assert not shapely.intersects(lines.geometry.to_numpy(), obstacle).any()


def test_recommended_lines_agree_with_the_specs(result: dict[str, Any]) -> None:
    specs, lines = result["specs"].set_index("parcel_id"), result["barrier_lines"]
    advised = lines[lines["recommended"]].set_index("parcel_id")
    build = specs[specs["verdict"] == "build"]
    assert sorted(advised.index) == sorted(build.index)
    for column in ("length_ft", "height_in", "posts", "corners", "gates"):
        np.testing.assert_allclose(advised.loc[build.index, column].astype(float), build[column].astype(float))
    np.testing.assert_allclose(advised.length / 0.3048, advised["length_ft"], atol=0.051)
    counted = result["footholds"]["parcel_id"].value_counts().reindex(specs.index).fillna(0)
    assert counted.astype(int).tolist() == specs["footholds_to_clear"].tolist()
    listed = result["ways_in"]["parcel_id"].value_counts().reindex(specs.index).fillna(0)
    assert listed.astype(int).tolist() == specs["ways_in"].tolist()


def test_points_add_up_to_the_score_and_ranks_follow_it(result: dict[str, Any]) -> None:
    specs = result["specs"]
    points = specs.filter(like="points_")
    np.testing.assert_allclose(points.sum(axis=1), specs["exposure"], atol=0.05 * (points.shape[1] + 1))
    assert specs["exposure"].between(0, 100).all()
    assert specs.sort_values("exposure_rank")["exposure"].is_monotonic_decreasing


def test_deliberate_faults_are_listed(result: dict[str, Any]) -> None:
    rejected = result["rejected"]
    assert set(rejected["layer"]) == {"buildings", "easements"}
    assert result["record"]["counts"]["rejected"] == len(rejected)


def test_cheapest_barrier_of_the_site_is_certified_and_shared_out(result: dict[str, Any]) -> None:
    certificate = result["record"]["separation"]
    assert certificate["flow_cents"] == certificate["cut_cents"] > 0
    alternates = pd.read_csv(result["out"] / "alternates.csv").set_index("alternate")
    assert alternates.loc["cheapest", "cost_usd"] * 100 == pytest.approx(certificate["cut_cents"], abs=0.5)
    assert alternates.loc["cheapest", "cost_usd"] <= alternates.loc["lot by lot", "cost_usd"]
    shares = pd.read_csv(result["out"] / "shares.csv", dtype={"parcel_id": str})
    assert round(shares["share_usd"].sum() * 100) == certificate["cut_cents"]
    assert (shares["share_usd"] <= shares["alone_usd"] + 0.005).all()
