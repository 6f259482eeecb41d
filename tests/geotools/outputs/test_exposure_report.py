"""Check that the account of the exposure says what stands behind it, and nothing that is not known."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely

from geotools.errors import CrsError, OutputError
from geotools.outputs.exposure_report import write_exposure_layers, write_exposure_report

if TYPE_CHECKING:
    from pathlib import Path


@pytest.fixture
def lots() -> gpd.GeoDataFrame:
    return gpd.GeoDataFrame(
        {
            "parcel_id": ["a", "b", "c"],
            "exposure": [20.0, 80.0, np.nan],
            "exposure_rank": pd.array([2, 1, None], dtype="Int64"),
            "points_desert": [20.0, 80.0, np.nan],
            "exposure_reason": ["far", "near", "none"],
            "desert_distance_m": [30.48, 0.0, np.nan],
        },
        geometry=[shapely.box(0, 0, 9, 9), shapely.box(9, 0, 18, 9), None],
        crs=26912,
    )


def test_plain_scores_without_tests(lots: gpd.GeoDataFrame, tmp_path: Path) -> None:
    write_exposure_report(lots, path=tmp_path / "exposure.txt", title="A place")
    text = (tmp_path / "exposure.txt").read_text(encoding="utf-8")
    assert text.startswith("Exposure to rattlesnakes: A place\n")
    assert text.index("b  80: near") < text.index("a  20: far")
    assert "Not tested: no encounter records were given." in text
    assert "2 lots" not in text
    assert "No barrier is a guarantee" in text


def test_everything_that_is_known_is_said(lots: gpd.GeoDataFrame, tmp_path: Path) -> None:
    sure = lots.assign(rank_group=pd.array([1, 1, None], dtype="Int64"), rank_note=["place 1 to 2", "place 1", "-"])
    weights = pd.DataFrame({"factor": ["desert", "dogs"], "weight": [0.9, 0.1], "consistency_ratio": 0.05})
    validation = pd.DataFrame(
        {
            "measure": ["auc", "verdict"],
            "part": "",
            "model": [0.61, np.nan],
            "baseline": [0.64, np.nan],
            "fitted": np.nan,
            "said": ["", "The score does no better than plain distance."],
        }
    )
    scenarios = lots.assign(exposure_with_barrier=[5.0, 5.0, np.nan], way_left=pd.array([False, True, None], "boolean"))
    made: dict[str, Any] = {"weights": weights, "validation": validation, "scenarios": scenarios}
    write_exposure_report(sure, **made, path=tmp_path / "exposure.txt")
    text = (tmp_path / "exposure.txt").read_text(encoding="utf-8")
    for words in (
        "The score does no better than plain distance.",
        "consistency ratio 0.050",
        "(no layer: its weight goes to the others)",
        "The first 2, of one group, can't be told apart",
        "[place 1 to 2]",
        "2 lots less exposed, mean exposure 50",
        "a way in is left to 1 lots",
    ):
        assert words in text
    assert "0.61      0.64" in text


def test_layers_are_written_in_the_units_asked_for(lots: gpd.GeoDataFrame, tmp_path: Path) -> None:
    routes = gpd.GeoDataFrame(
        {"parcel_id": ["b"], "cost_m": [30.48]}, geometry=[shapely.LineString([(0, 0), (9, 9)])], crs=26912
    )
    write_exposure_layers(lots, routes=routes, path=tmp_path / "exposure.gpkg")
    read = gpd.read_file(tmp_path / "exposure.gpkg", layer="routes")
    assert read["cost_ft"].tolist() == [100.0]
    assert gpd.read_file(tmp_path / "exposure.gpkg", layer="scored_lots")["desert_distance_ft"].iloc[0] == 100.0
    assert gpd.list_layers(tmp_path / "exposure.gpkg")["name"].tolist() == ["scored_lots", "routes"]


def test_what_cannot_be_written_is_refused(lots: gpd.GeoDataFrame, tmp_path: Path) -> None:
    with pytest.raises(OutputError, match="not scored"):
        write_exposure_report(lots.drop(columns="exposure"), path=tmp_path / "exposure.txt")
    with pytest.raises(OutputError, match="can't be written"):
        write_exposure_report(lots, path=tmp_path / "no" / "exposure.txt")
    with pytest.raises(CrsError):
        write_exposure_layers(lots.to_crs(4326), path=tmp_path / "exposure.gpkg")
