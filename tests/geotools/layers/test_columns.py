"""Anyone's columns become canonical ones, and what can't be read names its rows."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from geotools.errors import LayerError
from geotools.layers.columns import canonical_columns, read_columns, resolve_columns
from geotools.layers.schema import LAYERS


def read(layer: str, options: dict | None = None, **columns: list) -> pd.DataFrame:
    frame = pd.DataFrame(columns)
    uses = resolve_columns(list(frame.columns), LAYERS[layer], options or {}, where="a.gpkg")
    return canonical_columns(frame, uses, LAYERS[layer], rows=np.arange(1, len(frame) + 1), where="a.gpkg")


@pytest.mark.parametrize(
    ("columns", "options"),
    [
        ({"height_ft": [6.0, None]}, {}),
        ({"HEIGHT_IN": [72.0, None]}, {}),
        ({"Height_M": [1.8288, None]}, {}),
        ({"height_mm": [1828.8, None]}, {}),
        ({"height": ["6 ft", None]}, {}),
        ({"height": ["6'", ""]}, {}),
        ({"height": [6.0, None]}, {"unit": "ft"}),
        ({"HT": [6, None]}, {"height": "HT", "unit": "ft"}),
        ({"HT": [6, None]}, {"height_ft": "ht"}),
        ({"HT_FT": ["6", " "]}, {"height": "HT_FT"}),
        ({"HT_FT": ["72 in", None]}, {"height": "HT_FT"}),
    ],
)
def test_lengths_come_in_metres(columns, options):
    np.testing.assert_allclose(read("walls", options, **columns)["height_m"], [1.8288, np.nan], rtol=1e-15)


def test_every_column_of_the_schema_is_there():
    table = read("walls", kind=["block"])
    assert list(table.columns) == ["kind", "height_m", "opening_m", "rail_m", "sound"]
    assert str(table["sound"].dtype) == "boolean"
    assert table["sound"].isna().all()
    assert table[["height_m", "opening_m", "rail_m"]].isna().all(axis=None)
    assert read("encounters", id=[1])["observed_on"].dtype == "datetime64[ns]"


@pytest.mark.parametrize(
    ("columns", "says", "rows"),
    [
        ({"height": [6.0, 5.0]}, "no unit", "rows 1, 2"),
        ({"height_ft": [6.0, -1.0]}, "-1.0 ft", "row 2"),
        ({"height_ft": [6.0, np.inf]}, "not a finite number", "row 2"),
        ({"height_ft": [6.0, 400.0]}, "400.0 ft", "row 2"),
        ({"height_ft": ["6", "tall"]}, "tall", "row 2"),
        ({"sound": ["yes", "perhaps"]}, "perhaps", "row 2"),
    ],
)
def test_bad_values_name_row_value_and_remedy(columns, says, rows):
    with pytest.raises(LayerError, match=says) as caught:
        read("walls", **columns)
    assert rows in caught.value.where
    assert "a.gpkg" in caught.value.where
    assert caught.value.mend


def test_all_faults_are_listed_at_once():
    frame = pd.DataFrame({"height_ft": [-1.0, -2.0, 3.0], "sound": ["x", "no", "yes"]})
    uses = resolve_columns(list(frame), LAYERS["walls"], {}, where="a")
    _, faults = read_columns(frame, uses, LAYERS["walls"], rows=np.array([7, 8, 9]), where="a")
    assert [list(fault.rows) for fault in faults] == [[7, 8], [7]]


def test_flags():
    table = read("walls", sound=["true", "NO", 1, 0.0, None, "", True, "f"])
    assert table["sound"].tolist() == [True, False, True, False, pd.NA, pd.NA, True, False]


@pytest.mark.parametrize(("cover", "ok"), [(0.0, True), (1.0, True), (40.0, False), (-0.1, False)])
def test_cover_is_a_share(cover, ok):
    if ok:
        assert read("vegetation", cover=[cover])["cover"].tolist() == [cover]
    else:
        with pytest.raises(LayerError, match="cover"):
            read("vegetation", cover=[cover])


def test_dates_of_many_spellings():
    table = read("encounters", observed_on=["2026-04-30", "2026-04-30T18:00:00Z", "04/30/2026", None])
    assert table["observed_on"].dt.strftime("%Y-%m-%d").tolist()[:3] == ["2026-04-30"] * 3
    assert table["observed_on"].isna().tolist() == [False, False, False, True]
    with pytest.raises(LayerError, match="no date"):
        read("encounters", observed_on=["in spring"])
    with pytest.raises(LayerError, match="no date"):
        read("encounters", observed_on=[20260430])


@pytest.mark.parametrize(
    ("ids", "text"),
    [
        (["00123", "45"], ["00123", "45"]),
        ([123, 45], ["123", "45"]),
        ([123.0, 45.0], ["123", "45"]),
        ([2402108101.0, 1.0], ["2402108101", "1"]),
        ([1.5, 2.0], ["1.5", "2.0"]),
    ],
)
def test_ids_are_text_as_they_stand(ids, text):
    assert read("parcels", {"id": "APN"}, APN=ids)["parcel_id"].tolist() == text


@given(st.lists(st.integers(0, 2**53), unique=True, min_size=1))
def test_whole_number_ids_keep_every_digit(ids):
    assert read("parcels", {"id": "APN"}, APN=ids)["parcel_id"].tolist() == [str(one) for one in ids]


def test_blank_and_double_ids_are_refused():
    with pytest.raises(LayerError, match="2 of 4 parcels have no id") as caught:
        read("parcels", parcel_id=["1", None, " ", "2"])
    assert "rows 2, 3" in caught.value.where
    with pytest.raises(LayerError, match="2 ids come more than once, on 5 rows") as caught:
        read("parcels", parcel_id=["1", "2", "1", "2", "1", "3"])
    assert "rows 1, 2, 3, 4, 5" in caught.value.where


@pytest.mark.parametrize(
    ("fields", "options", "says", "mend"),
    [
        (["APN"], {}, "no column parcel_id", "parcels.id=APN"),
        (["APN"], {"id": "APM"}, "'APM'", "did you mean 'APN'"),
        (["APN"], {"id": "APN", "parcel_id": "APN"}, "twice", "keep one"),
    ],
)
def test_id_column(fields, options, says, mend):
    with pytest.raises(LayerError, match=says) as caught:
        resolve_columns(fields, LAYERS["parcels"], options, where="a.gpkg")
    assert mend in caught.value.mend


def test_two_columns_that_could_be_meant():
    with pytest.raises(LayerError, match="height_ft, height_m could each"):
        resolve_columns(["height_ft", "height_m"], LAYERS["walls"], {}, where="a.gpkg")
    uses = resolve_columns(["height_ft", "height_m"], LAYERS["walls"], {"height": "height_m"}, where="a.gpkg")
    assert [use.source_column for use in uses] == ["height_m"]


def test_unknown_unit_is_refused():
    with pytest.raises(LayerError, match="parsnip"):
        resolve_columns(["height"], LAYERS["walls"], {"unit": "parsnip"}, where="a.gpkg")
