"""What is shown: names, units, rounding and text."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from geotools.errors import CrsError, OutputError
from geotools.outputs.columns import SPECS_COLUMNS, explain_column, shown_name
from geotools.outputs.display import check_same_crs, clean_text, show_table

FIXED_SPECS = [
    *("parcel_id", "exposure", "exposure_rank", "verdict", "reason", "option", "length_ft", "height_in"),
    *("mesh_opening_in", "burial_in", "roll_width_in", "posts", "corners", "gates", "ways_in", "footholds_to_clear"),
    *("cost_low", "cost_likely", "cost_high"),
]


def test_specs_are_named_as_the_design_fixes_them():
    assert [shown_name(name) for name in SPECS_COLUMNS] == FIXED_SPECS


def test_metric_names_carry_metric_units():
    assert [shown_name(name, units="metric") for name in ("length_m", "local_height_m", "distance_m", "ways_in")] == [
        "length_m",
        "local_height_mm",
        "distance_mm",
        "ways_in",
    ]


@pytest.mark.published("NIST SP 811: 1 ft = 0.3048 m and 1 in = 25.4 mm exactly")
def test_lengths_convert_exactly():
    table = pd.DataFrame(
        {"length_m": [0.3048, 30.48, np.nan], "height_m": [0.762, 0.9144, np.nan], "opening_m": [0.00635] * 3}
    )
    us, metric = show_table(table), show_table(table, units="metric")
    assert us["length_ft"].tolist()[:2] == [1.0, 100.0]
    assert us["height_in"].tolist()[:2] == [30.0, 36.0]
    assert us["opening_in"].tolist() == [0.25] * 3
    assert metric["height_mm"].tolist()[:2] == [762.0, 914.4]
    assert us.isna().sum().tolist() == [1, 1, 0]


@given(st.floats(0, 1e5))
def test_rounding_stays_within_half_of_the_last_place(length_m):
    shown = show_table(pd.DataFrame({"length_m": [length_m]}))
    # half of 0.1 ft, and the float error of values up to 3.3e5 ft
    assert abs(shown["length_ft"][0] - length_m / 0.3048) <= 0.05 + 1e-9


def test_counts_are_whole_and_may_be_missing():
    shown = show_table(pd.DataFrame({"posts": [3.0, np.nan], "gates": [1, 2]}))
    assert shown["posts"].dtype == shown["gates"].dtype == "Int64"
    assert shown["posts"].isna().tolist() == [False, True]


@pytest.mark.parametrize(
    ("table", "said"),
    [
        ({"posts": [1.5]}, "not a whole number"),
        ({"length_m": [np.inf]}, "infinite"),
        ({"length_m": ["long"]}, "not a number"),
        ({"length_m": [1.0], "length_ft": [1.0]}, "two columns"),
    ],
)
def test_what_can_not_be_shown_is_refused(table, said):
    with pytest.raises(OutputError, match=said):
        show_table(pd.DataFrame(table))


def test_missing_columns_and_unknown_units_are_named():
    with pytest.raises(OutputError, match="exposure, exposure_rank"):
        show_table(pd.DataFrame({"parcel_id": ["1"]}), columns=("parcel_id", "exposure", "exposure_rank"))
    with pytest.raises(OutputError, match="'feet'"):
        show_table(pd.DataFrame({"length_m": [1.0]}), units="feet")


def test_order_index_and_further_columns_are_kept(town):
    lots = town.lots.set_index(pd.Index(range(500, 500 + len(town.lots))))
    shown = show_table(lots, columns=SPECS_COLUMNS)
    assert list(shown.columns[: len(FIXED_SPECS)]) == FIXED_SPECS
    assert shown.columns[-1] == "points_cover"
    assert shown.index.equals(lots.index)


@pytest.mark.parametrize(
    ("text", "clean"),
    [
        ("a\tb\r\nc", "a b c"),
        ("a\x00b\x1b[31m", "ab[31m"),
        ("12\u202e34", "1234"),
        ("\ud800x", "x"),
        ("Peña 7½", "Peña 7½"),
        (None, None),
        (np.nan, None),
        (pd.NA, None),
        (12, "12"),
    ],
)
def test_unseen_characters_are_taken_out(text, clean):
    assert clean_text(text) == clean


@given(st.text())
def test_clean_text_can_always_be_written(text):
    clean = clean_text(text)
    assert clean is not None
    assert not any(ord(sign) < 32 or 127 <= ord(sign) < 160 for sign in clean)
    clean.encode("utf-8")


def test_every_fixed_column_is_explained():
    for name in FIXED_SPECS:
        assert explain_column(name).meaning != "Added by another step."
    assert explain_column("shade_ft").heading == "Shade (feet)"


def test_tables_in_another_crs_are_refused(town):
    with pytest.raises(CrsError, match="lots: the table is in WGS 84"):
        check_same_crs({"lots": town.lots.to_crs(4326)})
    with pytest.raises(CrsError, match="but lots is in"):
        check_same_crs({"lots": town.lots, "roads": town.roads.to_crs(32613)})
    with pytest.raises(CrsError, match="no CRS"):
        check_same_crs({"lots": gpd.GeoDataFrame(geometry=[])})
    with pytest.raises(CrsError, match="metres"):
        check_same_crs({"lots": town.lots.to_crs(2223)})
