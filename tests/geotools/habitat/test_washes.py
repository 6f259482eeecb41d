"""Check the widths of washes and the joining of habitat."""

from __future__ import annotations

import math

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely

from geotools.errors import Assumed, DesignError, LayerError
from geotools.habitat import map_habitat, widen_washes

CRS = "EPSG:32612"
LINE = shapely.LineString([(0, 0), (100, 0)])
BED = shapely.box(0, 50, 100, 60)


def washes(shapes: list[object], widths_m: list[float | None], dtype: str = "float64") -> gpd.GeoDataFrame:
    return gpd.GeoDataFrame({"width_m": pd.array(widths_m, dtype=dtype)}, geometry=gpd.GeoSeries(shapes, crs=CRS))


def test_a_line_grows_by_half_its_width_and_the_bank() -> None:
    table = widen_washes(washes([LINE], [4.0]), bank_setback_m=1.5)
    assert table.total_bounds.tolist() == pytest.approx([-3.5, -3.5, 103.5, 3.5])
    # Round ends are drawn as polygons with 8 corners a quarter, which lose 0.7 % of a circle.
    assert table.area.item() == pytest.approx(100 * 7 + math.pi * 3.5**2, abs=0.007 * math.pi * 3.5**2)
    assert not table["width_assumed"].item()


def test_a_bed_grows_by_the_bank_alone_whatever_its_width_says() -> None:
    table = widen_washes(washes([BED, BED], [None, 99.0]), bank_setback_m=2.0)
    assert table.bounds.iloc[0].tolist() == table.bounds.iloc[1].tolist() == [-2.0, 48.0, 102.0, 62.0]
    assert not table["width_assumed"].any()


def test_a_line_without_a_width_is_taken_as_10_ft_and_said() -> None:
    with pytest.warns(Assumed, match="1 of 2 washes have no width: taken as 10 ft wide"):
        table = widen_washes(washes([LINE, BED], [None, None]))
    assert table["width_m"].iloc[0] == pytest.approx(3.048)
    assert table["width_assumed"].tolist() == [True, False]
    assert table.bounds.iloc[0]["maxy"] == pytest.approx(1.524 + 1.524)


@pytest.mark.parametrize("dtype", ["Float64", "Int64", "object"])
def test_widths_of_any_kind_of_number_and_the_index_is_kept(dtype: str) -> None:
    given = washes([LINE, BED], [4, None], dtype).set_index(pd.Index([7, 3]))
    table = widen_washes(given)
    assert table.index.tolist() == [7, 3]
    assert table.crs == CRS
    assert table.bounds.loc[7, "maxy"] == pytest.approx(2 + 1.524)


def test_missing_and_no_washes() -> None:
    table = widen_washes(washes([None, shapely.LineString(), LINE], [1.0, 1.0, 1.0]))
    assert table.geometry.isna().tolist() == [True, False, False]
    assert table.geometry.is_empty.tolist() == [False, True, False]
    assert len(widen_washes(washes([], []))) == 0


@pytest.mark.parametrize("how", [{"default_width_m": -1.0}, {"bank_setback_m": -0.1}])
def test_negative_lengths_are_refused(how: dict[str, float]) -> None:
    with pytest.raises(DesignError, match="negative"):
        widen_washes(washes([LINE], [1.0]), **how)
    with pytest.raises(DesignError, match="negative"):
        widen_washes(washes([LINE], [-1.0]))


def test_habitat_is_all_of_both_layers() -> None:
    desert = gpd.GeoDataFrame(geometry=[shapely.box(0, 0, 9, 9), BED], crs=CRS, index=[5, 6])
    habitat = map_habitat(desert, widen_washes(washes([LINE], [4.0])))
    assert habitat["kind"].tolist() == ["open desert", "open desert", "wash"]
    assert habitat.index.tolist() == [0, 1, 2]
    assert habitat.crs == CRS
    assert habitat.area.iloc[0] == 81


def test_habitat_of_one_layer_or_of_empty_ones() -> None:
    empty = gpd.GeoDataFrame(geometry=gpd.GeoSeries([], crs=CRS))
    wash = widen_washes(washes([LINE], [4.0]))
    assert map_habitat(wash_ground=wash)["kind"].tolist() == ["wash"]
    assert map_habitat(empty, wash)["kind"].tolist() == ["wash"]
    assert map_habitat(empty).crs == CRS
    assert np.asarray(map_habitat(empty, empty).geometry).tolist() == []


def test_habitat_of_the_surface_where_nothing_else_is_known() -> None:
    surface = gpd.GeoDataFrame({"kind": ["vegetation", "poor"], "quality": [0.5, 0.4]}, geometry=[BED, BED], crs=CRS)
    assert map_habitat(habitat_surface=surface)["kind"].tolist() == ["vegetation"]
    desert = gpd.GeoDataFrame(geometry=[BED], crs=CRS)
    assert map_habitat(desert, habitat_surface=surface)["kind"].tolist() == ["open desert"]


def test_no_habitat_layer_is_refused() -> None:
    with pytest.raises(LayerError, match="no habitat layer"):
        map_habitat()


def test_widths_by_order_and_by_flood() -> None:
    table = washes([LINE] * 4, [None, None, None, 2.0]).assign(
        stream_order=[1, None, 9, 1], q100_cfs=[100.0, 100.0, None, 100.0]
    )
    with pytest.warns(Assumed) as said:
        wide = widen_washes(table, width_by_order_m={"1": 1.2})
    # 2.67 x sqrt(100) = 26.7 ft
    assert wide["width_m"].tolist() == pytest.approx([1.2, 26.7 * 0.3048, 3.048, 2.0])
    assert wide["width_assumed"].tolist() == [True, True, True, False]
    assert len(said) == 3
    with pytest.raises(DesignError, match="negative"):
        widen_washes(table.assign(q100_cfs=-1.0))
