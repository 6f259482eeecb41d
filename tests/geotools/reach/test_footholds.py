"""Check which climbable things count against a line, and what each asks for."""

from __future__ import annotations

import math
import re
import warnings
from typing import TYPE_CHECKING

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from geotools.design import BarrierStandard
from geotools.errors import Assumed, DesignError
from geotools.reach import find_conflicts, local_height, measure_setbacks

if TYPE_CHECKING:
    from collections.abc import Sequence

CRS = "EPSG:32612"
R_M = BarrierStandard().reach_m
YARD = shapely.box(0, 0, 20, 10)


def things(shapes: Sequence[object], heights_m: Sequence[float | None], kind: str = "rock") -> gpd.GeoDataFrame:
    return gpd.GeoDataFrame(
        {"kind": kind, "height_m": pd.Series(heights_m, dtype=float)}, geometry=gpd.GeoSeries(shapes, crs=CRS)
    )


def lines(*yards: shapely.Polygon | None) -> gpd.GeoDataFrame:
    table = gpd.GeoDataFrame(
        {
            "line_id": [f"{number}-L" for number in range(len(yards))],
            "parcel_id": [str(number) for number in range(len(yards))],
            "option": "lot line",
        },
        geometry=gpd.GeoSeries([None if yard is None else yard.exterior for yard in yards], crs=CRS),
    )
    table["enclosed"] = gpd.GeoSeries([yard or shapely.Polygon() for yard in yards], crs=CRS)
    return table


def measured(footholds: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", Assumed)
        return measure_setbacks(footholds)


def test_setbacks_by_hand() -> None:
    table = measure_setbacks(things([shapely.Point(0, 0)] * 4, [0.0, 18 * 0.0254, R_M, 5.0]))
    assert table["setback_m"].to_numpy() == pytest.approx([0.0, math.sqrt(0.75) * R_M, R_M, R_M], abs=1e-12)
    assert table["foothold_id"].tolist() == ["F00001", "F00002", "F00003", "F00004"]
    assert not table["height_assumed"].any()


def test_a_thing_on_the_ground_asks_for_nothing_at_all() -> None:
    for body in ("48 in", "60 in", "72 in"):
        standard = BarrierStandard.from_table({"body_length": body})
        assert measure_setbacks(things([shapely.Point(0, 0)], [0.0]), standard=standard)["setback_m"].item() == 0.0


def test_a_thing_without_a_height_asks_for_the_whole_reach_and_is_said() -> None:
    with pytest.warns(Assumed, match="1 of 2 footholds have no height"):
        table = measure_setbacks(things([shapely.Point(0, 0)] * 2, [None, 0.0]))
    assert table["setback_m"].tolist() == pytest.approx([R_M, 0.0])
    assert table["height_assumed"].tolist() == [True, False]
    assert table["height_m"].isna().tolist() == [True, False]


@pytest.mark.parametrize("dtype", ["Float64", "Int64", "object", "float32"])
def test_heights_of_any_kind_of_number(dtype: str) -> None:
    rocks = things([shapely.Point(-0.1, 5), shapely.Point(-0.1, 6)], [1.0, 2.0]).astype({"height_m": dtype})
    assert measure_setbacks(rocks)["setback_m"].tolist() == pytest.approx([R_M, R_M])
    assert len(find_conflicts(lines(YARD), measure_setbacks(rocks))) == 2
    rocks.loc[1, "height_m"] = None
    table = find_conflicts(lines(YARD), measured(rocks))
    assert np.isnan(table["local_height_m"]).tolist() == [False, True]


def test_a_negative_height_is_refused_with_its_row() -> None:
    with pytest.raises(DesignError, match=r"footholds, row 2: the height is -0\.5 m"):
        measure_setbacks(things([shapely.Point(0, 0)] * 2, [1.0, -0.5]))


def test_empty_layers_give_empty_tables() -> None:
    none = measure_setbacks(things([], []))
    assert len(none) == 0
    conflicts = find_conflicts(lines(YARD), none)
    assert len(conflicts) == 0
    assert {"line_id", "foothold_id", "distance_m", "local_height_m", "remedy"} <= set(conflicts.columns)
    assert len(find_conflicts(lines(), none)) == 0
    assert len(find_conflicts(lines(None), measured(things([shapely.Point(0, 0)], [1.0])))) == 0


def test_no_layer_of_things_is_said_openly() -> None:
    with pytest.warns(Assumed, match="smooth ground"):
        conflicts = find_conflicts(lines(YARD))
    assert len(conflicts) == 0
    assert conflicts.crs == CRS


@pytest.mark.parametrize(
    ("shape", "height_m", "counts"),
    [
        (shapely.Point(-0.5, 5), 1.0, True),  # outside, near
        (shapely.Point(-1.0, 5), 1.0, False),  # outside, beyond the reach
        (shapely.Point(0.5, 5), 1.0, False),  # inside: it helps an animal to leave
        (shapely.Point(0.0, 5), 1.0, True),  # on the line
        (shapely.Point(-0.5, 5), 0.0, False),  # flat
        (shapely.box(-3, 4, -0.5, 6), 1.0, True),  # by its nearest edge
        (shapely.box(-3, 4, -0.95, 6), 1.0, False),
        (shapely.box(-1, 4, 1, 6), 1.0, True),  # across the line: a part is outside
        (shapely.box(-1, -1, 21, 11), 1.0, True),  # all round
        (shapely.LineString([(5, 5), (30, 5)]), 1.0, True),  # a rail across the line
        (shapely.box(5, 4, 6, 6), 1.0, False),
        (None, 1.0, False),
        (shapely.Polygon(), 1.0, False),
    ],
)
def test_only_things_outside_and_near_count(shape: object, height_m: float, counts: bool) -> None:
    assert len(find_conflicts(lines(YARD), measured(things([shape], [height_m])))) == int(counts)


def test_a_line_exactly_at_the_setback_holds_it() -> None:
    away_m = measure_setbacks(things([shapely.Point(0, 0)], [0.5]))["setback_m"].item()
    at = [shapely.Point(-away_m, 5), shapely.Point(-away_m + 0.002, 5)]
    assert find_conflicts(lines(YARD), measured(things(at, [0.5, 0.5])))["foothold_id"].tolist() == ["F00002"]


def test_a_thing_may_count_for_some_lines_only() -> None:
    next_door = shapely.box(-20, 0, 0, 10)
    table = find_conflicts(lines(YARD, next_door), measured(things([shapely.Point(0.4, 5)], [1.0])))
    assert table["line_id"].tolist() == ["1-L"]


def test_numbers_and_sentence_agree() -> None:
    height_m = 18 * 0.0254
    table = find_conflicts(lines(YARD), measured(things([shapely.Point(-0.3, 5)], [height_m], kind="boulder")))
    row = table.iloc[0]
    assert row["distance_m"] == pytest.approx(0.3)
    asked_in = float(local_height(height_m, 0.3, reach_m=R_M)) / 0.0254
    assert row["local_height_m"] / 0.0254 == pytest.approx(6 * math.ceil(asked_in / 6))
    away_in, feet, inches = (float(text) for text in re.findall(r"\d+", row["remedy"]))
    assert row["setback_m"] / 0.0254 <= away_in < row["setback_m"] / 0.0254 + 1  # rounded to the safe side
    assert feet * 12 + inches == pytest.approx(row["local_height_m"] / 0.0254)
    assert row["kind"] == "boulder"


def test_the_height_to_build_goes_by_the_steps_of_the_standard() -> None:
    # 18 in at 21.6 in asks for 18 + 28.8 = 46.8 in: the next step of 6, 4, 1 or 5 in.
    rock = measured(things([shapely.Point(-21.6 * 0.0254, 5)], [18 * 0.0254]))
    for step_in, built_in in ((6, 48), (4, 48), (1, 47), (5, 50)):
        standard = BarrierStandard(height_step_m=step_in * 0.0254)
        found = find_conflicts(lines(YARD), rock, standard=standard)["local_height_m"].item()
        assert found / 0.0254 == pytest.approx(built_in)


def test_a_thing_without_a_height_is_to_be_measured() -> None:
    row = find_conflicts(lines(YARD), measured(things([shapely.Point(-0.3, 5)], [None]))).iloc[0]
    assert np.isnan(row["local_height_m"])
    assert row["remedy"].startswith("remove or trim it, or keep the line 36 in away; height not known")


@settings(max_examples=40, deadline=None)
@given(
    st.lists(
        st.tuples(st.floats(-3, 23), st.floats(-3, 13), st.floats(0, 2), st.sampled_from(["point", "box"])), max_size=8
    )
)
def test_against_every_pair_one_by_one(rocks: list[tuple[float, float, float, str]]) -> None:
    shapes = [
        shapely.Point(x, y) if shape == "point" else shapely.box(x, y, x + 0.4, y + 0.4) for x, y, _, shape in rocks
    ]
    yards = [YARD, shapely.box(20, 0, 40, 10), None]
    table = measured(things(shapes, [height_m for _, _, height_m, _ in rocks]))
    found = find_conflicts(lines(*yards), table)
    expected = []
    for number, yard in enumerate(yards):
        for shape, thing in zip(shapes, table.itertuples(), strict=True):
            if yard is None or shape.within(yard):
                continue
            if yard.exterior.distance(shape) < thing.setback_m - 0.001:
                expected.append((f"{number}-L", thing.foothold_id))
    assert list(zip(found["line_id"], found["foothold_id"], strict=True)) == expected


def test_order_of_things_does_not_matter() -> None:
    rng = np.random.default_rng(1)
    table = measured(
        things(list(shapely.points(rng.uniform(-1, 21, 60), rng.uniform(-1, 11, 60))), rng.uniform(0, 2, 60))
    )
    found = find_conflicts(lines(YARD), table)
    again = find_conflicts(lines(YARD), table.iloc[::-1])
    assert len(found) > 5
    assert sorted(found["foothold_id"]) == sorted(again["foothold_id"])
