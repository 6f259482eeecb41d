"""Packed numbers, shapes and columns come back as they were, read by a slow reader of our own."""

from __future__ import annotations

import base64

import numpy as np
import pandas as pd
import shapely
from hypothesis import given
from hypothesis import strategies as st

from geotools.outputs.map_encode import encode_shapes, encode_table, pack_signed, pack_unsigned


def unpack(text):
    numbers, value, shift = [], 0, 0
    for byte in base64.b64decode(text):
        value |= (byte & 127) << shift
        shift += 7
        if byte < 128:
            numbers.append(value)
            value, shift = 0, 0
    return numbers


def unfold(value):
    return -(value + 1) // 2 if value % 2 else value // 2


@given(st.lists(st.integers(0, 2**52)))
def test_unsigned_numbers_come_back(numbers):
    assert unpack(pack_unsigned(numbers)) == numbers


@given(st.lists(st.integers(-(2**51), 2**51)))
def test_signed_numbers_come_back(numbers):
    assert [unfold(value) for value in unpack(pack_signed(numbers))] == numbers


def read_shapes(packed):
    steps = np.array([unfold(value) for value in unpack(packed["xy"])]).reshape(-1, 2)
    xy = steps.cumsum(axis=0) / 100
    parts, at = [], 0
    for code in unpack(packed["points"]):
        parts.append((bool(code & 2), bool(code & 1), xy[at : at + (code >> 2)]))
        at += code >> 2
    shapes, at = [], 0
    for count in unpack(packed["parts"]):
        shapes.append(parts[at : at + count])
        at += count
    return dict(zip(np.cumsum(unpack(packed["rows"])).tolist(), shapes, strict=True))


def test_holes_parts_lines_and_points_come_back():
    holed = shapely.box(0, 0, 10, 10) - shapely.box(4, 4, 6, 6)
    two = shapely.multipolygons([shapely.box(20, 0, 21, 1), shapely.box(30, 0, 31, 1)])
    mixed = shapely.geometrycollections([shapely.points(1, 2), shapely.linestrings([(0, 0), (3, 4)])])
    shapes = np.array([None, holed, two, mixed], dtype=object)
    read = read_shapes(encode_shapes(shapes, np.array([1, 2, 3]), (5.0, 5.0)))
    assert [(ring, outer, len(xy)) for ring, outer, xy in read[1]] == [(True, True, 4), (True, False, 4)]
    assert [(ring, outer, len(xy)) for ring, outer, xy in read[2]] == [(True, True, 4)] * 2
    assert [(ring, outer, len(xy)) for ring, outer, xy in read[3]] == [(False, True, 1), (False, True, 2)]
    back = shapely.Polygon(read[1][0][2] + 5, [read[1][1][2] + 5])
    assert back.equals(holed)
    assert shapely.LinearRing(read[1][0][2]).is_ccw
    assert not shapely.LinearRing(read[1][1][2]).is_ccw


@given(st.lists(st.tuples(st.floats(-5e4, 5e4), st.floats(-5e4, 5e4)), min_size=2, max_size=20, unique=True))
def test_no_point_moves_by_more_than_half_a_unit(points):
    line = np.array([shapely.linestrings(points)], dtype=object)
    read = read_shapes(encode_shapes(line, np.array([0]), (0.0, 0.0)))[0][0][2]
    away = np.abs(read[:, None, :] - np.array(points)[None, :, :]).max(axis=2).min(axis=0)
    assert away.max() <= 0.005 + 1e-9  # half a centimetre, and the rounding of floats


def test_columns_come_back_with_gaps_words_and_signs():
    table = pd.DataFrame(
        {
            "length_ft": [12.3, np.nan, -0.1],
            "posts": pd.array([3, pd.NA, 0], dtype="Int64"),
            "sound": pd.array([True, pd.NA, False], dtype="boolean"),
            "kind": ["a", None, "a"],
            "odd": [1 / 3, 2e20, np.nan],
        }
    )
    fields = {field["name"]: field for field in encode_table(table)["fields"]}

    def numbers(name):
        field = fields[name]
        return [unfold(value - 1) / field["scale"] if value else None for value in unpack(field["values"])]

    assert numbers("length_ft") == [12.3, None, -0.1]
    assert numbers("posts") == [3, None, 0]
    assert numbers("sound") == [1, None, 0]
    assert fields["kind"]["words"] == ["a"]
    assert unpack(fields["kind"]["values"]) == [1, 0, 1]
    assert fields["odd"]["plain"] == [1 / 3, 2e20, None]
