"""Lengths and angles in any unit, against the definitions of the units."""

from __future__ import annotations

import math
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from geotools import units
from geotools.errors import UnitError
from geotools.units import feet_and_inches, parse_angle, parse_length, parse_lengths


@pytest.mark.published("definition of 1959: international foot 0.3048 m; US survey foot 1200/3937 m (2 ppm longer)")
def test_feet_are_told_apart():
    assert units.METRES_PER_FOOT == 0.3048 == parse_length("1 ft") == parse_length("12 in")
    assert pytest.approx(0.3048006096, abs=5e-11) == units.METRES_PER_US_SURVEY_FOOT  # ten digits are published
    assert parse_length("1 survey_foot") == pytest.approx(float(Fraction(1200, 3937)), rel=1e-15)
    assert parse_length("1 survey_foot") / parse_length("1 ft") - 1 == pytest.approx(2e-6, rel=1e-3)


@pytest.mark.parametrize(
    ("text", "metres"),
    [
        ("48 in", 1.2192),
        ("48in", 1.2192),
        ('48"', 1.2192),
        ("4'", 1.2192),
        ("4 ft", 1.2192),
        ("4 FT", 1.2192),
        ("4-foot", 1.2192),
        ("4 feet", 1.2192),
        ("5 ft 6 in", 1.6764),
        ("5' 6\"", 1.6764),
        ("1.2 m", 1.2),
        ("120 cm", 1.2),
        ("1200 mm", 1.2),
        ("1/4 in", 0.00635),
        ("1 1/2 in", 0.0381),
        ("1e2 cm", 1.0),
        ("-3 in", -0.0762),
        (".5 m", 0.5),
    ],
)
def test_lengths_as_the_trade_writes_them(text, metres):
    assert parse_length(text) == metres


@pytest.mark.parametrize(
    "text", ["", "six feet", "4", "4 kg", "4 parsnips", "4 ft -6 in", "1/0 in", "nan m", "inf ft", "4 ft x"]
)
def test_what_is_no_length_is_refused_with_a_remedy(text):
    with pytest.raises(UnitError) as caught:
        parse_length(text)
    assert caught.value.mend


@pytest.mark.parametrize("value", [4.0, True, None, math.nan, math.inf])
def test_a_bare_number_or_nothing_is_refused(value):
    with pytest.raises(UnitError):
        parse_length(value)


def test_a_bare_number_takes_the_unit_given_and_text_keeps_its_own():
    assert parse_length(4, default_unit="ft") == parse_length("4", default_unit="ft") == 1.2192
    assert parse_length("48 in", default_unit="ft") == 1.2192
    with pytest.raises(UnitError):
        parse_length(4, default_unit="parsnip")


def test_long_text_is_cut_in_the_message():
    with pytest.raises(UnitError) as caught:
        parse_length("9" * 500)
    assert len(str(caught.value)) < 250


def test_angles():
    assert parse_angle("30 deg") == 30.0
    assert parse_angle("0.5 turn") == pytest.approx(180.0, rel=1e-15)  # a turn is 2 pi
    with pytest.raises(UnitError):
        parse_angle("30 ft")


def test_many_lengths_keep_order_and_gaps():
    lengths_m = parse_lengths(["4 ft", None, " ", "1 m", "4 ft", float("nan")])
    np.testing.assert_array_equal(lengths_m, [1.2192, np.nan, np.nan, 1.0, 1.2192, np.nan])
    assert parse_lengths([]).shape == (0,)


def test_many_lengths_name_the_first_bad_row():
    with pytest.raises(UnitError, match="row 3"):
        parse_lengths(["4 ft", "4 ft", "tall", "tall"])


@pytest.mark.parametrize(("metres", "text"), [(1.6764, "5 ft 6 in"), (0.3048, "1 ft"), (0.1, "4 in"), (0.0, "0 in")])
def test_feet_and_inches(metres, text):
    assert feet_and_inches(metres) == text


@given(st.integers(0, 10_000), st.sampled_from(sorted(units.LENGTH_SUFFIXES_M)))
def test_suffixes_and_units_agree(number, suffix):
    # the suffix's factor is a float: equal to the last bits
    assert parse_length(f"{number} {suffix[1:]}") == pytest.approx(number * units.LENGTH_SUFFIXES_M[suffix], rel=1e-15)


@given(st.integers(0, 400), st.integers(0, 11))
def test_feet_and_inches_come_back(feet, inches):
    length_m = parse_length(f"{feet} ft {inches} in")
    assert parse_length(feet_and_inches(length_m)) == length_m
