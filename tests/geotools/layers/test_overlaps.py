"""Overlaps and stacks of parcels are found and left as they are."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from lot_samples import square

from geotools.layers.overlaps import overlap_findings, overlapping_pairs

_PLACE = st.integers(0, 8)


def test_clean_fabric_has_none():
    lots = np.array([square(x, y) for x in (0, 20, 40) for y in (0, 20)])
    assert overlap_findings(lots, np.arange(6).astype(str).astype(object)) == []


def test_stack_is_a_note_and_overlap_a_warning():
    shapes = np.array([square(0, 0), square(0, 0), square(15, 0), None], dtype=object)
    stacked, overlap = overlap_findings(shapes, np.array(["1A", "1B", "2", "3"], dtype=object))
    assert (stacked.severity, stacked.count, stacked.first_ids) == ("note", 2, ("1A", "1B"))
    assert (overlap.severity, overlap.count, overlap.first_ids) == ("warning", 1, ("1A and 2: 100.0 sq m",))


def test_less_than_a_square_metre_is_play_of_drawn_lines():
    assert overlap_findings(np.array([square(0, 0), square(19.99, 0)]), np.array(["1", "2"], dtype=object)) == []


def test_a_lot_inside_another_is_found():
    left, right, area_m2 = overlapping_pairs(np.array([square(0, 0), square(5, 5, 5)]))
    assert (left.tolist(), right.tolist(), area_m2.tolist()) == ([0], [1], [25.0])


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.tuples(st.integers(0, 8), st.integers(0, 8), st.integers(2, 4)), unique=True, min_size=2, max_size=7)
)
def test_against_every_pair(squares):
    shapes = np.array([shapely.box(x, y, x + side, y + side) for x, y, side in squares])
    left, right, _ = overlapping_pairs(shapes)
    pairs = itertools.combinations(range(len(shapes)), 2)
    expected = [(a, b) for a, b in pairs if shapes[a].intersection(shapes[b]).area > 1.0]
    assert list(zip(left.tolist(), right.tolist(), strict=True)) == expected


@pytest.mark.published("momepy 0.11 bubenec.gpkg: 407 surveyed plots, each its own ground")
def test_surveyed_plots_overlap_hardly(packaged):
    import geopandas as gpd

    plots = gpd.read_file(packaged("momepy", "datasets/bubenec.gpkg"), layer="plots").to_crs(32633)
    left, _, area_m2 = overlapping_pairs(plots.geometry.to_numpy())
    pairs = shapely.STRtree(plots.geometry.to_numpy()).query(plots.geometry.to_numpy(), predicate="overlaps").T
    lower = pairs[pairs[:, 0] < pairs[:, 1]]
    oracle = shapely.area(shapely.intersection(*plots.geometry.to_numpy()[lower.T]))
    assert len(left) == (oracle > 1.0).sum()
    assert area_m2.sum() == pytest.approx(oracle[oracle > 1.0].sum())
