"""Which lines a new barrier may take: outlines, the habitat's edge near a lot, the edges of barred ground."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from geotools.closure._candidate_lines import draw_candidates

NONE = np.zeros(0, dtype=object)


def test_the_edge_of_the_habitat_counts_near_a_lot_and_barred_ground_where_it_crosses_one() -> None:
    lots = np.array([shapely.box(0, 0, 10, 10), shapely.Polygon()])
    desert = np.array([shapely.box(-50, 12, 60, 40)])
    road = np.array([shapely.box(4, -5, 6, 11)])
    own = draw_candidates(lots, lots, NONE, NONE, None, 3.0)
    assert shapely.length(own).sum() == pytest.approx(2 * 40)
    with_edge = draw_candidates(lots, lots, desert, NONE, None, 3.0)
    # The south side of the desert alone, 110 m long, lies within 3 m.
    assert shapely.length(with_edge).sum() == pytest.approx(2 * 40 + 110)
    assert shapely.length(draw_candidates(lots, lots, desert, NONE, None, 1.9)).sum() == pytest.approx(2 * 40)
    with_road = draw_candidates(lots, lots, NONE, road, None, 3.0)
    assert shapely.length(with_road).sum() == pytest.approx(2 * 40 + 2 * 10)
