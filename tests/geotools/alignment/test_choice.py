"""Check that lines are collected lot by lot, and that the recommended one is the least work of those that cover."""

from __future__ import annotations

from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from lot_cases import CASES, CRS, Town, make_town

from geotools.alignment import (
    collect_lines,
    draw_house_loops,
    draw_lot_lines,
    draw_yard_lines,
    find_lot_ground,
    list_footholds_to_clear,
    recommend_lines,
)
from geotools.errors import StepError
from geotools.reach import find_conflicts, measure_setbacks

OPTIONS = ("lot line", "yard", "house loop")


@pytest.fixture(scope="module")
def tables() -> tuple[gpd.GeoDataFrame, gpd.GeoDataFrame, gpd.GeoDataFrame]:
    ground = find_lot_ground(*make_town())
    return draw_lot_lines(ground), draw_yard_lines(ground), draw_house_loops(ground)


@pytest.fixture(scope="module")
def lines(tables: Any) -> gpd.GeoDataFrame:
    return collect_lines(*tables)


def candidates(lengths_m: list[float | None], covers: list[bool], gates: list[int]) -> gpd.GeoDataFrame:
    """Three lines a lot in a row, missing where there is no length."""
    count = len(lengths_m)
    shapes = [None if length is None else shapely.LineString([(0, 0), (length, 0)]) for length in lengths_m]
    parcels = [str(number // 3) for number in range(count)]
    return gpd.GeoDataFrame(
        {
            "line_id": [f"{parcel}-{number % 3}" for number, parcel in enumerate(parcels)],
            "parcel_id": parcels,
            "option": [OPTIONS[number % 3] for number in range(count)],
            "length_m": pd.Series(lengths_m, dtype=float),
            "gates": gates,
            "covers_protected": covers,
        },
        geometry=gpd.GeoSeries(shapes, crs=CRS),
    )


def conflicts_of(*ids: str) -> gpd.GeoDataFrame:
    return gpd.GeoDataFrame(
        {"line_id": pd.Series(ids, dtype=str)}, geometry=gpd.points_from_xy([0.0] * len(ids), [0.0] * len(ids))
    )


def test_lines_stand_lot_by_lot_in_the_order_of_the_parcels(lines: gpd.GeoDataFrame) -> None:
    assert lines["parcel_id"].tolist() == [name for name in CASES for _ in OPTIONS]
    assert lines["option"].tolist() == list(OPTIONS) * len(CASES)
    assert lines.index.tolist() == list(range(3 * len(CASES)))
    assert lines["line_id"].is_unique
    assert lines.crs == CRS
    assert (lines.geometry.notna() == lines["length_m"].notna()).all()


def test_tables_of_other_parcels_are_refused(tables: Any) -> None:
    with pytest.raises(StepError, match="not of the same parcels"):
        collect_lines(tables[0], tables[1].iloc[1:], tables[2])


def test_each_lot_has_one_recommended_line_where_any_fits(lines: gpd.GeoDataFrame) -> None:
    table = recommend_lines(lines, conflicts_of())
    for parcel, group in table.groupby("parcel_id"):
        assert group["recommended"].sum() == group.geometry.notna().any(), parcel
    advised = table[table["recommended"]].set_index("parcel_id")["option"]
    assert advised["plain"] == "yard"
    assert advised["no building"] == "lot line"
    assert advised["court to the street"] == "yard"
    assert table.index.equals(lines.index)


def test_work_by_hand() -> None:
    table = recommend_lines(
        candidates([100.0, 95.0, None], [True, True, False], [2, 1, 0]), conflicts_of("0-1", "0-1", "0-0")
    )
    assert table["footholds_in_conflict"].tolist() == [1, 2, 0]
    assert table["work_m"].tolist()[:2] == [100 + 8 + 3, 95 + 4 + 6]
    assert np.isnan(table["work_m"].iloc[2])
    assert table["recommended"].tolist() == [False, True, False]
    three = candidates([100.0, 95.0, None], [True, True, False], [2, 1, 0])
    dear = recommend_lines(three, conflicts_of("0-1", "0-1"), foothold_as_m=10.0)
    assert dear["recommended"].tolist() == [True, False, False]


def test_a_priced_remedy_counts_in_metres_of_line_and_a_stuck_one_weighs_heavily() -> None:
    three = candidates([100.0, 95.0, None], [True, True, False], [0, 0, 0])
    priced = conflicts_of("0-1", "0-1").assign(cheapest_cost=[240.0, 80.0])
    assert recommend_lines(three, priced, price_line_per_m=80.0)["work_m"].tolist()[:2] == [100, 95 + 3 + 1]
    stuck = conflicts_of("0-1").assign(cheapest_cost=[np.nan])
    advised = recommend_lines(three, stuck, stuck_foothold_as_m=100.0)
    assert advised["work_m"].tolist()[:2] == [100, 195]
    assert advised["recommended"].tolist() == [True, False, False]


def test_a_line_that_covers_goes_before_a_shorter_one() -> None:
    table = recommend_lines(candidates([100.0, 40.0, 20.0], [True, False, False], [0, 0, 0]), conflicts_of())
    assert table["recommended"].tolist() == [True, False, False]
    none_covers = recommend_lines(candidates([100.0, 40.0, 20.0], [False] * 3, [0, 0, 0]), conflicts_of())
    assert none_covers["recommended"].tolist() == [False, False, True]


def test_of_equal_lines_the_first() -> None:
    table = recommend_lines(candidates([50.0, 50.0, 50.0], [True] * 3, [0, 0, 0]), conflicts_of())
    assert table["recommended"].tolist() == [True, False, False]


lengths = st.one_of(st.none(), st.sampled_from([10.0, 20.0, 30.0, 40.0]))


@settings(max_examples=60, deadline=None)
@given(
    st.integers(1, 4).flatmap(
        lambda lots: st.tuples(
            st.lists(lengths, min_size=3 * lots, max_size=3 * lots),
            st.lists(st.booleans(), min_size=3 * lots, max_size=3 * lots),
            st.lists(st.integers(0, 2), min_size=3 * lots, max_size=3 * lots),
            st.lists(st.integers(0, 3), min_size=3 * lots, max_size=3 * lots),
        )
    )
)
def test_against_a_choice_lot_by_lot(drawn: tuple[list[float | None], list[bool], list[int], list[int]]) -> None:
    lengths_m, covers, gates, things = drawn
    given_lines = candidates(lengths_m, covers, gates)
    ids = [line for line, count in zip(given_lines["line_id"], things, strict=True) for _ in range(count)]
    table = recommend_lines(given_lines, conflicts_of(*ids))
    expected = []
    for first in range(0, len(lengths_m), 3):
        best = None
        for at in range(first, first + 3):
            length_m = lengths_m[at]
            if length_m is None:
                continue
            key = (not covers[at], length_m + 4 * gates[at] + 3 * things[at], at)
            best = key if best is None or key < best else best
        expected += [best is not None and best[2] == at for at in range(first, first + 3)]
    assert table["recommended"].tolist() == expected


def test_conflicts_of_any_kind_of_text_and_none(lines: gpd.GeoDataFrame) -> None:
    empty = gpd.GeoDataFrame({"line_id": []}, geometry=gpd.GeoSeries([], crs=CRS))
    assert (recommend_lines(lines, empty)["footholds_in_conflict"] == 0).all()
    as_objects = conflicts_of("plain-Y").astype({"line_id": object})
    table = recommend_lines(lines, as_objects)
    assert table.set_index("line_id")["footholds_in_conflict"]["plain-Y"] == 1
    assert len(recommend_lines(lines.iloc[:0], empty)) == 0


def test_footholds_to_clear_are_those_of_lines_to_build() -> None:
    conflicts = conflicts_of("b", "a", "c", "a")
    barrier = gpd.GeoDataFrame({"line_id": ["a", "b", "c"], "recommended": [True, False, True]})
    assert list_footholds_to_clear(conflicts, barrier)["line_id"].tolist() == ["a", "c", "a"]
    assert len(list_footholds_to_clear(conflicts.iloc[:0], barrier)) == 0
    assert len(list_footholds_to_clear(conflicts, barrier.iloc[:0])) == 0


def test_the_whole_way_from_footholds_to_advice(lines: gpd.GeoDataFrame) -> None:
    town: Town = make_town()
    rng = np.random.default_rng(5)
    lots = town.parcels.geometry.to_numpy()
    near = shapely.buffer(lots[~shapely.is_missing(lots)], 2).tolist()
    bounds = np.repeat([shape.bounds for shape in near if not shape.is_empty], 20, axis=0)
    spots = shapely.points(rng.uniform(bounds[:, 0], bounds[:, 2]), rng.uniform(bounds[:, 1], bounds[:, 3]))
    rocks = gpd.GeoDataFrame({"kind": ["rock"] * len(spots), "height_m": 0.8}, geometry=spots, crs=CRS)
    footholds = measure_setbacks(rocks)
    conflicts = find_conflicts(lines, footholds)
    table = recommend_lines(lines, conflicts)
    assert table["footholds_in_conflict"].sum() == len(conflicts) > 20
    cleared = list_footholds_to_clear(conflicts, table)
    assert len(cleared) == table.loc[table["recommended"], "footholds_in_conflict"].sum()
