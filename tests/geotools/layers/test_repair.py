"""Shapes are repaired or left out, each with its reason."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from lot_samples import BOW_TIE, broken, square

from geotools.layers.repair import clean_geometries, is_left_out

POLYGONS = ["polygon"]


def clean(*shapes, kinds=POLYGONS):
    return clean_geometries(np.array([*shapes, None], dtype=object)[:-1], shapes=kinds)


def test_sound_shapes_pass_unchanged():
    holed = shapely.Polygon(square(0, 0).exterior, [square(5, 5, 3).exterior])
    cleaned = clean(square(0, 0), holed)
    assert cleaned.reason.tolist() == ["", ""]
    assert shapely.equals_identical(cleaned.geometry, np.array([square(0, 0), holed])).all()


def test_bow_tie_becomes_two_triangles_of_a_hundred_each():
    cleaned = clean(BOW_TIE)
    assert cleaned.geometry[0].area == 200.0
    assert cleaned.reason[0].startswith("repaired: Self-intersection")
    assert "area 0.0 sq m before, 200.0 sq m after" in cleaned.reason[0]


def test_holes_stay_holes():
    outer, inner = square(0, 0, 10).exterior, square(8, 4, 4).exterior  # the hole sticks out
    cleaned = clean(shapely.Polygon(outer, [inner]))
    assert cleaned.geometry[0].area == 100.0 - 8.0


@pytest.mark.parametrize(
    ("shape", "why"),
    [
        (None, "no geometry"),
        (shapely.Polygon(), "empty geometry"),
        (shapely.Point(1, 1), "a point where a polygon is needed"),
        (shapely.LineString([(0, 0), (1, 1)]), "a line where a polygon is needed"),
        (broken(np.nan), "coordinates that are not numbers, or off the Earth"),
        (broken(np.inf), "coordinates that are not numbers, or off the Earth"),
        (shapely.Polygon([(0, 0), (1, 1), (2, 2), (0, 0)]), "there is not a polygon in it"),
        (shapely.GeometryCollection([shapely.Point(0, 0)]), "there is not a polygon in it"),
    ],
)
def test_what_is_left_out_says_why(shape, why):
    cleaned = clean(shape)
    assert cleaned.geometry[0] is None
    assert cleaned.reason[0] == f"left out: {why}"
    assert is_left_out(cleaned.reason).tolist() == [True]


def test_collections_keep_the_shapes_asked_for():
    mixed = shapely.GeometryCollection([shapely.Point(0, 0), shapely.MultiPolygon([square(0, 0), square(40, 0)])])
    cleaned = clean(mixed)
    assert cleaned.geometry[0].geom_type == "MultiPolygon"
    assert cleaned.geometry[0].area == 800.0
    assert cleaned.reason[0].startswith("repaired: a collection")


def test_lines_and_points():
    cleaned = clean(
        shapely.LineString([(0, 0), (1, 1)]),
        shapely.LineString([(0, 0), (0, 0)]),
        shapely.MultiLineString([[(0, 0), (1, 1)]]),
        square(0, 0),
        kinds=["line"],
    )
    assert cleaned.reason.tolist() == [
        "",
        "left out: a line without length",
        "",
        "left out: a polygon where a line is needed",
    ]
    assert cleaned.geometry[2].geom_type == "LineString"  # a multipart of one part becomes the part


def test_parts_that_share_an_edge_after_repair_are_joined():
    # one pass of the engine leaves two triangles side by side, which is no valid multipart polygon
    cleaned = clean(shapely.Polygon([(0, 0), (0, 1), (1, 0), (0, 2), (0, 1), (1, 0)]))
    assert cleaned.geometry[0].is_valid
    assert cleaned.geometry[0].equals(shapely.Polygon([(0, 0), (0, 2), (1, 0)]))


@settings(max_examples=100, deadline=None)
@given(st.lists(st.tuples(st.integers(0, 6), st.integers(0, 6)), min_size=3, max_size=8))
def test_any_ring_comes_out_valid_or_left_out(points):
    cleaned = clean(shapely.Polygon(points))
    shape, reason = cleaned.geometry[0], cleaned.reason[0]
    if shape is None:
        assert reason.startswith("left out")
    else:
        assert shape.is_valid
        assert shape.geom_type in ("Polygon", "MultiPolygon")
        assert shape.area > 0.0
