"""The main job on a real city quarter that a registry package carries: momepy's `bubenec` set (BSD-3)."""

from __future__ import annotations

import importlib.metadata
from pathlib import Path
from typing import TYPE_CHECKING, Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from pyproj import Geod

from geotools.pipeline import find_plan, read_plan, run_plan
from geotools.pipeline.plan import change_plan

if TYPE_CHECKING:
    from numpy.typing import NDArray

GEOD = Geod(ellps="WGS84")
SOURCE = "momepy bubenec.gpkg: plots, buildings, streets; lengths held against pyproj's geodesics"


def bubenec() -> Path:
    """The file in the installed package, without importing the package."""
    files = importlib.metadata.files("momepy") or []
    return Path(str(next(file.locate() for file in files if file.name == "bubenec.gpkg")))


@pytest.fixture(scope="module")
def quarter(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    """Plots as parcels, and a strip along the western edge of the quarter declared open desert."""
    folder = tmp_path_factory.mktemp("bubenec")
    source = bubenec()
    plots = gpd.read_file(source, layer="plots")
    west, south, _, north = plots.total_bounds
    desert = gpd.GeoDataFrame(geometry=[shapely.box(west - 300, south, west + 5, north)], crs=plots.crs)
    desert.to_crs(4326).to_file(folder / "desert.geojson")
    plots = plots.assign(plot=[f"{n:03d}" for n in range(len(plots))])
    plots.to_file(folder / "plots.gpkg", layer="plots")
    plan = change_plan(
        read_plan(find_plan("screen")),
        inputs=[
            f"parcels={folder / 'plots.gpkg'}",
            f"buildings={source}#buildings",
            f"roads={source}#streets",
            f"open_desert={folder / 'desert.geojson'}",
        ],
        settings=["parcels.id=plot"],
    )
    record = run_plan(plan, folder / "out")
    specs = pd.read_csv(folder / "out" / "specs.csv", dtype={"parcel_id": str}, encoding="utf-8-sig")
    layers = {name: gpd.read_file(folder / "out" / "lots.gpkg", layer=name) for name in ("lots", "barrier_lines")}
    return {"plots": plots, "record": record, "specs": specs, **layers}


def geodesic_length_m(lines: gpd.GeoSeries) -> NDArray[np.float64]:
    return np.array([GEOD.geometry_length(line) for line in lines.to_crs(4326)])


@pytest.mark.published(SOURCE)
def test_every_plot_comes_out_once_in_its_order(quarter: dict[str, Any]) -> None:
    assert quarter["specs"]["parcel_id"].tolist() == quarter["plots"]["plot"].tolist()
    assert quarter["record"]["counts"]["parcels_out"] == len(quarter["plots"])
    assert set(quarter["specs"]["verdict"]) <= {"not needed", "already sound", "retrofit", "build", "do not build"}


@pytest.mark.published(
    "the union's outline is 21,072 m long in Web Mercator and 13,523 m on the ground (own measurement)"
)
def test_web_mercator_is_not_worked_in(quarter: dict[str, Any]) -> None:
    lots = quarter["lots"]
    assert lots.crs.to_epsg() != 3857
    assert shapely.length(quarter["plots"].union_all()) == pytest.approx(21_072, abs=1)
    assert shapely.length(lots.union_all()) == pytest.approx(13_523, rel=0.002)


@pytest.mark.published(SOURCE)
def test_areas_and_lengths_agree_with_the_geodesic_ones(quarter: dict[str, Any]) -> None:
    """The working CRS may be off scale by 0.2 % at most; areas by twice that."""
    lots = quarter["lots"].to_crs(4326)
    true_m2 = np.array([abs(GEOD.geometry_area_perimeter(plot)[0]) for plot in lots.geometry])
    np.testing.assert_allclose(quarter["lots"].area, true_m2, rtol=0.004)
    lines = quarter["barrier_lines"]
    shown_m = lines["length_ft"].to_numpy() * 0.3048
    np.testing.assert_allclose(shown_m, geodesic_length_m(lines.geometry), rtol=0.002, atol=0.05 * 0.3048)


@pytest.mark.published(SOURCE)
def test_lines_stay_inside_their_plot(quarter: dict[str, Any]) -> None:
    lines = quarter["barrier_lines"][lambda table: table["option"] != "shared line"]
    plots = quarter["lots"].set_index("parcel_id").geometry
    inside = shapely.covers(plots.loc[lines["parcel_id"]].to_numpy(), lines.geometry.to_numpy())
    assert inside.all(), lines.loc[~inside, "line_id"].tolist()
    assert shapely.is_simple(lines.geometry.to_numpy()).all()


@pytest.mark.published(SOURCE)
def test_contact_agrees_with_a_row_by_row_computation(quarter: dict[str, Any]) -> None:
    lots = quarter["lots"]
    west, south, _, north = quarter["plots"].total_bounds
    desert = (
        gpd.GeoSeries([shapely.box(west - 300, south, west + 5, north)], crs=quarter["plots"].crs)
        .to_crs(4326)
        .to_crs(lots.crs)
    )
    zone = desert.iloc[0].buffer(5.0)
    expected = [lot.boundary.intersection(zone).length / lot.boundary.length for lot in lots.geometry]
    np.testing.assert_allclose(lots["contact_share"], expected, atol=1e-4)
