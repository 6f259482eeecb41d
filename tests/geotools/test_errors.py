"""Errors name what was found, where, and how to mend it."""

from __future__ import annotations

import pickle

import pytest

from geotools import errors
from geotools.errors import GeotoolsError, LayerError, UnitError


def test_message_has_its_three_parts_in_order():
    error = LayerError("2 ids come twice", where="lots.gpkg#parcels", mend="give each its own")
    assert str(error) == "lots.gpkg#parcels: 2 ids come twice; give each its own"


@pytest.mark.parametrize(
    ("where", "mend", "text"),
    [("", "", "wrong"), ("here", "", "here: wrong"), ("", "mend it", "wrong; mend it")],
)
def test_parts_left_out_leave_no_punctuation(where, mend, text):
    assert str(GeotoolsError("wrong", where=where, mend=mend)) == text


def test_at_puts_a_place_in_front_and_keeps_kind_and_parts():
    inner = UnitError("no unit", where="row 3", mend="write 4 ft")
    outer = inner.at("walls.gpkg")
    assert type(outer) is UnitError
    assert (outer.what, outer.where, outer.mend) == ("no unit", "walls.gpkg, row 3", "write 4 ft")
    assert (inner.where, inner.at("").where) == ("row 3", ", row 3")


def test_at_without_a_place_before():
    assert UnitError("no unit").at("walls.gpkg").where == "walls.gpkg"


@pytest.mark.parametrize("name", [name for name in errors.__all__ if name.endswith("Error")])
def test_every_error_is_one_of_ours(name):
    assert issubclass(getattr(errors, name), GeotoolsError)


def test_errors_survive_the_way_between_processes():
    error = LayerError("wrong", where="here", mend="mend it")
    again = pickle.loads(pickle.dumps(error))  # noqa: S301
    assert str(again) == str(error)
