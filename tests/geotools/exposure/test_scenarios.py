"""Check what the barrier, clearing and closing the wash change, on a street where it can be told by hand."""

from __future__ import annotations

from typing import Any

import geopandas as gpd
import numpy as np
import pytest
import shapely

from geotools.errors import LayerError
from geotools.exposure import compare_scenarios, measure_factors, measure_movement, score_exposure
from geotools.habitat import map_habitat_surface

CRS = "EPSG:32612"


def layer(shapes: Any, **columns: Any) -> gpd.GeoDataFrame:
    return gpd.GeoDataFrame(columns, geometry=gpd.GeoSeries(list(shapes), crs=CRS))


LOTS = layer([shapely.box(20 * n, 0, 20 * n + 20, 40) for n in range(4)], parcel_id=list("abcd"))
DESERT = layer([shapely.box(-100, 60, 200, 400)])
WASH = layer([shapely.box(70, -60, 74, 70)])
PATCHES = layer([shapely.box(0, 0, 20, 40)], cover=[1.0])


@pytest.fixture(scope="module")
def town() -> dict[str, Any]:
    surface = map_habitat_surface(LOTS, DESERT, WASH)
    movement = measure_movement(LOTS, surface, farthest_m=300.0)
    factors = measure_factors(LOTS, DESERT, WASH, PATCHES, movement=movement, habitat_surface=surface)
    scored = score_exposure(LOTS, factors=factors)
    return {"scored_lots": scored, "factors": factors, "habitat_surface": surface, "movement": movement}


def compared(town: dict[str, Any], **others: Any) -> gpd.GeoDataFrame:
    return compare_scenarios(LOTS, **town, farthest_m=300.0, **others)


def test_a_closed_line_leaves_what_is_on_the_lot(town: dict[str, Any]) -> None:
    ring = shapely.box(0.3, 0.3, 19.7, 39.7).exterior
    lines = layer([ring, shapely.box(20, 0, 40, 40).exterior], recommended=[True, False])
    table = compared(town, barrier_lines=lines)
    assert table["way_left"].tolist() == [False, True, True, True]
    assert table["exposure_with_barrier"].iloc[0] == pytest.approx(town["scored_lots"]["points_cover"].iloc[0])
    assert table["exposure_with_barrier"].tolist()[2:] == pytest.approx(table["exposure"].tolist()[2:], abs=0.5)
    assert (table["exposure_with_barrier"] <= table["exposure"] + 1e-6).all()
    assert table["best_change"].iloc[0].startswith("the barrier")


def test_clearing_takes_the_points_of_cover(town: dict[str, Any]) -> None:
    table = compared(town)
    scored = town["scored_lots"]
    expected = scored["exposure"] - scored["points_cover"]
    assert table["exposure_if_cleared"].to_numpy() == pytest.approx(expected.to_numpy(), abs=1e-5)
    assert "exposure_with_barrier" not in table
    assert table["way_left"].isna().all()


def test_closing_the_wash_takes_its_points_and_its_way(town: dict[str, Any]) -> None:
    table = compared(town)
    scored = town["scored_lots"]
    without = scored["exposure"] - scored["points_wash"]
    assert (table["exposure_if_wash_closed"] <= without + 1e-5).all()
    # The lot on the wash loses its easy way to the desert as well.
    assert table["exposure_if_wash_closed"].iloc[3] < without.iloc[3] - 0.01
    no_wash = {**town, "habitat_surface": map_habitat_surface(LOTS, DESERT)}
    assert "exposure_if_wash_closed" not in compared(no_wash)


def test_rows_stay_and_other_parcels_are_refused(town: dict[str, Any]) -> None:
    table = compared(town)
    assert table.index.equals(LOTS.index)
    assert table["parcel_id"].tolist() == list("abcd")
    assert np.isfinite(table["exposure_if_cleared"]).all()
    with pytest.raises(LayerError, match="not of the same parcels"):
        compared({**town, "movement": town["movement"].iloc[1:]})
