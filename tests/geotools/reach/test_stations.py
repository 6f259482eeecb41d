"""Check where lines are cut: the order of places along parts and rings, and things made of several shapes."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from geotools.reach._stations import cut_at_footholds, make_segments, place_stations


def test_places_follow_each_other_on_their_own_part_and_round_a_ring() -> None:
    parts = shapely.MultiLineString([[(0, 0), (2, 0)], [(2.5, 0), (6, 0)]])
    segments = make_segments(np.array([parts, shapely.box(6.5, 0, 9, 2).exterior], dtype=object))
    stations = place_stations(segments, np.array([1]), np.array([1.5]))
    # Two ends of the first part; two ends and a cut of the second; two ends of each of the four sides of the ring.
    assert stations.following.tolist() == [1, -1, 3, 4, -1, 6, 7, 8, 9, 10, 11, 12, 5]
    assert stations.xy[:5].tolist() == [[0, 0], [2, 0], [2.5, 0], [4, 0], [6, 0]]
    assert segments.begins_m[:2].tolist() == [0, 2]


def test_a_thing_of_several_shapes_cuts_as_its_shapes_do() -> None:
    road = make_segments(np.array([shapely.LineString([(0, 0), (30, 0)])]))
    rock, rail, slab = shapely.Point(4, 3), shapely.LineString([(12, 1), (15, 1)]), shapely.box(20, 2, 22, 4)
    nested = shapely.GeometryCollection([rock, shapely.GeometryCollection([shapely.MultiLineString([rail]), slab])])
    found = cut_at_footholds(road, np.array([0]), np.array([nested]), reach_m=5.0)
    alone = [
        cut_at_footholds(road, np.array([0]), np.array([shape], dtype=object), reach_m=5.0)
        for shape in (rock, rail, slab)
    ]
    assert np.sort(found[1]) == pytest.approx(np.sort(np.concatenate([cuts for _, cuts in alone])))
    # 5 m from (4, 3): 4 m to each side, of which that at 0 m is the road's own end.
    assert np.sort(alone[0][1]).tolist() == [4.0, 8.0]


def test_each_thing_cuts_the_segment_that_it_is_paired_with() -> None:
    roads = make_segments(np.array([shapely.LineString([(0, 0), (9, 0)]), shapely.LineString([(0, 50), (9, 50)])]))
    things = np.array([shapely.MultiPoint([(4, 3), (5, 3)]), shapely.Point(6, 47)], dtype=object)
    segment, along = cut_at_footholds(roads, np.array([0, 1]), things, reach_m=5.0)
    assert sorted(along[segment == 1].tolist()) == [2.0, 6.0]
    assert sorted(along[segment == 0].tolist()) == [1.0, 4.0, 5.0, 8.0]
