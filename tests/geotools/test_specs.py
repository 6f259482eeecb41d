"""Check the order of the verdicts, the sentences and the numbers of the specs on tables made by hand."""

from __future__ import annotations

import re
import warnings
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely

from geotools.design import BarrierStandard
from geotools.errors import Assumed, Noticed, StepError
from geotools.specs import list_barrier_lines, list_ways_in, specify_lots

CRS = "EPSG:32612"
FIXED = [
    *("parcel_id", "exposure", "exposure_rank", "verdict", "reason", "option", "length_m", "height_m"),
    *("mesh_opening_m", "burial_m", "roll_width_m", "posts", "corners", "gates", "ways_in", "footholds_to_clear"),
    *("cost_low", "cost_likely", "cost_high"),
]
"""The columns of specs.csv, in their order, lengths in metres."""


def parcels_of(count: int, *, missing: tuple[int, ...] = ()) -> gpd.GeoDataFrame:
    shapes = [
        None if number in missing else shapely.box(30 * number, 0, 30 * number + 20, 40) for number in range(count)
    ]
    index = pd.Index([10 + number for number in range(count)])
    ids = [f"P{number}" for number in range(count)]
    return gpd.GeoDataFrame({"parcel_id": ids}, geometry=gpd.GeoSeries(shapes, crs=CRS, index=index), index=index)


def scores_of(parcels: gpd.GeoDataFrame, *, in_reach: Any = True, away_m: Any = 10.0) -> gpd.GeoDataFrame:
    return parcels.assign(
        exposure=50.0,
        exposure_rank=pd.array([1] * len(parcels), dtype="Int64"),
        in_reach=in_reach,
        habitat_distance_m=away_m,
        desert_distance_m=away_m,
        exposure_reason="open desert is near",
    )


def lines_of(parcels: gpd.GeoDataFrame, **columns: Any) -> gpd.GeoDataFrame:
    values: dict[str, Any] = {
        "line_id": parcels["parcel_id"] + "-Y",
        "parcel_id": parcels["parcel_id"],
        "option": "yard",
        "kind": "new",
        "length_m": 90.0,
        "height_m": 0.9144,
        "gates": 1,
        "covers_protected": True,
        "reason": "295 ft from the side walls of the house around the rear yard",
        "footholds_in_conflict": 0,
        "work_m": 94.0,
        "recommended": True,
        "posts": pd.array([31] * len(parcels), dtype="Int64"),
        "corners": pd.array([4] * len(parcels), dtype="Int64"),
        "roll_width_m": 1.2192,
        "mesh_courses": pd.array([1] * len(parcels), dtype="Int64"),
        **columns,
    }
    shape = shapely.LineString([(0, 0), (90, 0)])
    return gpd.GeoDataFrame(
        values, geometry=gpd.GeoSeries([shape] * len(parcels), index=parcels.index, crs=CRS)
    ).reset_index(drop=True)


def closure_of(parcels: gpd.GeoDataFrame, **columns: Any) -> gpd.GeoDataFrame:
    values: dict[str, Any] = {"closed_now": False, "closable": False, "ways_in": 0, "mend_length_m": np.nan, "why": ""}
    return parcels.assign(**{**values, **columns})


def specified(*tables: Any, **how: Any) -> gpd.GeoDataFrame:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", Noticed)
        return specify_lots(*tables, **how)


def test_the_first_verdict_that_holds_wins() -> None:
    """Every combination of what may hold, against the order in words."""
    cases = [
        (usable, reached, closed, closable, shorter, line)
        for usable in (True, False)
        for reached in (True, False)
        for closed in (True, False)
        for closable in (True, False)
        for shorter in (True, False)
        for line in (True, False)
    ]
    flags = pd.DataFrame(cases, columns=["usable", "reached", "closed", "closable", "shorter", "line"])
    parcels = parcels_of(len(cases), missing=tuple(np.flatnonzero(~flags["usable"])))
    closure = closure_of(
        parcels,
        closed_now=flags["closed"].to_numpy(),
        closable=flags["closable"].to_numpy(),
        mend_length_m=np.where(flags["shorter"], 5.0, 500.0),
        ways_in=2,
        why="the wall has gaps",
    )
    lines = lines_of(parcels, recommended=flags["line"].to_numpy())
    specs = specified(parcels, scores_of(parcels, in_reach=flags["reached"].to_numpy()), lines, closure)

    def verdict(case: tuple[bool, ...]) -> str:
        usable, reached, closed, closable, shorter, line = case
        if not usable:
            return "do not build"
        if not reached:
            return "not needed"
        if closed:
            return "already sound"
        if closable and (shorter or not line):
            return "retrofit"
        return "build" if line else "do not build"

    assert specs["verdict"].tolist() == [verdict(case) for case in cases]
    assert specs.index.equals(parcels.index)
    assert specs["parcel_id"].tolist() == parcels["parcel_id"].tolist()


def test_columns_are_the_fixed_ones_first_and_the_factors_follow() -> None:
    parcels = parcels_of(2)
    specs = specified(parcels, scores_of(parcels), lines_of(parcels))
    assert list(specs.columns)[: len(FIXED)] == FIXED
    assert {"desert_distance_m", "exposure_reason", "in_reach"} <= set(specs.columns)
    assert specs[["cost_low", "cost_likely", "cost_high"]].isna().all(axis=None)


def test_a_lot_to_build_carries_its_line() -> None:
    parcels = parcels_of(1)
    row = specified(parcels, scores_of(parcels), lines_of(parcels, footholds_in_conflict=2)).iloc[0]
    assert row[["option", "length_m", "posts", "corners", "gates", "footholds_to_clear", "ways_in"]].tolist() == [
        "yard", 90.0, 31, 4, 1, 2, 0,
    ]  # fmt: skip
    standard = BarrierStandard()
    assert row[["height_m", "mesh_opening_m", "burial_m", "roll_width_m"]].tolist() == pytest.approx(
        [standard.height_m, standard.mesh_opening_m, standard.burial_m, 1.2192]
    )
    said_ft, cleared = (int(text) for text in re.findall(r"\d+", row["reason"]))
    assert said_ft == round(row["length_m"] / 0.3048)
    assert cleared == row["footholds_to_clear"]
    assert row["reason"].endswith("yard. 2 climbable things to clear first.")


def test_one_thing_is_not_many() -> None:
    parcels = parcels_of(1)
    reason = specified(parcels, scores_of(parcels), lines_of(parcels, footholds_in_conflict=1))["reason"].item()
    assert reason.endswith("1 climbable thing to clear first.")


def test_a_line_that_covers_a_part_says_so() -> None:
    parcels = parcels_of(1)
    reason = specified(parcels, scores_of(parcels), lines_of(parcels, covers_protected=False))["reason"].item()
    assert "does not cover the whole protected ground" in reason


def test_a_lot_to_retrofit_carries_what_is_to_be_mended() -> None:
    parcels = parcels_of(1)
    closure = closure_of(parcels, closable=True, ways_in=3, mend_length_m=12.0, why="two gaps and a gate are open")
    row = specified(parcels, scores_of(parcels), lines_of(parcels), closure).iloc[0]
    assert (row["verdict"], row["option"], row["length_m"], row["ways_in"]) == ("retrofit", "existing walls", 12.0, 3)
    assert row["reason"] == "Two gaps and a gate are open."
    assert (row["posts"], row["footholds_to_clear"]) == (0, 0)
    assert row["height_m"] == BarrierStandard().height_m
    assert np.isnan(row["roll_width_m"])


def test_sound_and_unneeded_lots_ask_for_nothing() -> None:
    parcels = parcels_of(3)
    scores = scores_of(parcels, in_reach=[True, False, False], away_m=[10.0, 1219.2, np.inf])
    closure = closure_of(parcels, closed_now=[True, False, False], why="sound walls all round")
    specs = specified(parcels, scores, lines_of(parcels), closure)
    assert specs["verdict"].tolist() == ["already sound", "not needed", "not needed"]
    assert specs["reason"].tolist() == [
        "Sound walls all round.",
        "No desert or wash within reach: the nearest is 4,000 ft away.",
        "No desert or wash within reach.",
    ]
    assert specs[["length_m", "height_m", "burial_m", "roll_width_m"]].isna().all(axis=None)
    assert (specs[["posts", "corners", "gates", "ways_in", "footholds_to_clear"]] == 0).all(axis=None)
    assert specs["option"].iloc[0] == "existing walls"
    assert specs["option"].isna().tolist() == [False, True, True]


def test_lots_not_to_build_say_what_stands_in_the_way_of_every_line() -> None:
    parcels = parcels_of(3, missing=(2,))
    first = lines_of(parcels.iloc[:1], recommended=False, reason="no house on the lot")
    second = first.assign(option="house loop", reason="the lot is too small")
    specs = specified(parcels, scores_of(parcels), pd.concat([first, second], ignore_index=True))
    assert specs["verdict"].tolist() == ["do not build"] * 3
    assert specs["reason"].tolist() == [
        "No line fits: yard: no house on the lot; house loop: the lot is too small.",
        "No line was drawn for this lot.",
        "The outline of the parcel can't be used; see 'rejected'.",
    ]


def test_counts_are_whole_numbers_that_may_be_missing() -> None:
    parcels = parcels_of(2)
    specs = specified(parcels, scores_of(parcels), lines_of(parcels))
    for name in ("exposure_rank", "posts", "corners", "gates", "ways_in", "footholds_to_clear"):
        assert str(specs[name].dtype) == "Int64", name


def test_order_of_lines_does_not_matter() -> None:
    parcels = parcels_of(5)
    lines = lines_of(parcels, length_m=[10.0, 20.0, 30.0, 40.0, 50.0])
    here = specified(parcels, scores_of(parcels), lines)
    there = specified(parcels, scores_of(parcels), lines.iloc[[3, 1, 4, 0, 2]])
    assert here["length_m"].tolist() == there["length_m"].tolist() == [10.0, 20.0, 30.0, 40.0, 50.0]


def test_no_parcels_at_all() -> None:
    parcels = parcels_of(2)
    none = parcels.iloc[:0]
    specs = specified(none, scores_of(parcels).iloc[:0], lines_of(parcels).iloc[:0], closure_of(parcels).iloc[:0])
    assert len(specs) == 0
    assert list(specs.columns)[: len(FIXED)] == FIXED


def test_tables_of_other_parcels_are_refused() -> None:
    parcels = parcels_of(2)
    with pytest.raises(StepError, match="scored_lots"):
        specified(parcels, scores_of(parcels).iloc[::-1], lines_of(parcels))
    with pytest.raises(StepError, match="closure"):
        specified(parcels, scores_of(parcels), lines_of(parcels), closure_of(parcels).iloc[:1])


def test_what_is_assumed_is_said() -> None:
    parcels = parcels_of(1)
    with pytest.warns(Noticed) as said:
        specify_lots(parcels, scores_of(parcels), lines_of(parcels))
    assumed = [str(warning.message) for warning in said if isinstance(warning.message, Assumed)]
    assert any("walls" in text and "none are counted on" in text for text in assumed)
    assert any("doors" in text for text in assumed)


def test_lines_are_recommended_where_their_lot_is_to_be_built() -> None:
    parcels = parcels_of(3)
    lines = lines_of(parcels, recommended=[True, True, False])
    lines.geometry = [*lines.geometry[:2], None]
    lots = parcels.assign(verdict=["build", "retrofit", "build"])
    listed = list_barrier_lines(lots, lines)
    assert listed["line_id"].tolist() == ["P0-Y", "P1-Y"]
    assert listed["recommended"].tolist() == [True, False]
    assert listed.crs == CRS


def test_standing_walls_are_listed_after_the_lines() -> None:
    parcels = parcels_of(1)
    walls = gpd.GeoDataFrame(
        {
            "sound_now": [True, False],
            "height_m": pd.array([1.8, None], dtype="Float64"),
            "why": ["sound", "too low"],
            "mend": ["", "raise it"],
        },
        geometry=[shapely.LineString([(0, 0), (7, 0)]), shapely.LineString([(0, 0), (0, 3)])],
        crs=CRS,
    )
    listed = list_barrier_lines(parcels.assign(verdict="build"), lines_of(parcels), walls)
    assert listed["line_id"].tolist() == ["P0-Y", "W00001", "W00002"]
    assert listed["kind"].tolist() == ["new", "existing", "retrofit"]
    assert listed["length_m"].tolist() == [90.0, 7.0, 3.0]
    assert listed["parcel_id"].tolist() == ["P0", "", ""]
    assert listed["recommended"].tolist() == [True, False, False]
    assert np.isnan(listed["height_m"].iloc[2])
    without = list_barrier_lines(parcels.assign(verdict="build"), lines_of(parcels), walls.iloc[:0])
    for name in ("gates", "posts", "corners", "footholds_in_conflict"):
        assert str(listed[name].dtype) == str(without[name].dtype) == "Int64"


def test_ways_in_are_those_of_lots_whose_verdict_turns_on_them() -> None:
    lots = parcels_of(4).assign(verdict=["retrofit", "do not build", "build", "already sound"])
    openings = gpd.GeoDataFrame({"parcel_id": ["P3", "P1", "P0", "P2", "P0"], "kind": list("abcde")})
    assert list_ways_in(lots, openings)["kind"].tolist() == ["b", "c", "e"]
    assert len(list_ways_in(lots, openings.iloc[:0])) == 0
