"""What holds for every subdivision: rows, permitted ground, closure, heights, place, direction, order, repetition."""

from __future__ import annotations

import os
from typing import Any

import numpy as np
import pandas as pd
import pytest
import shapely
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from oracles.closure_plans import reached_past_thick_walls
from subdivisions import do_county, make_subdivision, move

CASES = int(os.environ.get("BAJADA_CASES", "4"))
"""Of each property; thousands on request."""
SUBDIVISIONS = {"seed": st.integers(0, 2**32 - 1), "lots": st.integers(2, 8)}
few = settings(max_examples=CASES, deadline=None, suppress_health_check=list(HealthCheck))
TOLERANCE_M = 0.002
"""Outlines are rounded to a grid of a millimetre twice on their way to a line: 0.71 mm each."""
EXACT = ("parcel_id", "verdict", "option", "ways_in", "footholds_to_clear", "gates")


@given(**SUBDIVISIONS)
@few
def test_rows_ground_and_heights(seed: int, lots: int) -> None:
    tables = do_county(make_subdivision(seed, lots))
    parcels = tables["parcels"]
    for name in ("ground", "closure", "lots", "scored_lots"):
        assert tables[name]["parcel_id"].tolist() == parcels["parcel_id"].tolist(), name
    lines = tables["compared_lines"]
    lines = lines[lines.geometry.notna() & ~lines.geometry.is_empty]
    own = parcels.geometry.to_numpy()[parcels.set_index("parcel_id").index.get_indexer(lines["parcel_id"])]
    shapes = lines.geometry.to_numpy()
    assert shapely.covers(shapely.buffer(own, TOLERANCE_M, join_style="mitre"), shapes).all()
    for name in ("easements", "wash_ground"):
        if len(tables[name]):
            barred = shapely.buffer(shapely.union_all(tables[name].geometry), -TOLERANCE_M)
            assert shapely.length(shapely.intersection(shapes, barred)).max(initial=0) == 0, name
    standard = tables["standard"]
    reach_m = standard.body_length_m / 2 + standard.buffer_m
    assert (lines["height_m"] >= reach_m - 1e-9).all()
    found = tables["conflicts"]
    gap_m, stands_m = found["distance_m"].to_numpy(), found["height_m"].to_numpy()
    over_m = stands_m + np.sqrt(np.clip(reach_m**2 - gap_m**2, 0, None))
    least_m = np.maximum(reach_m, np.where(gap_m < reach_m, over_m, 0))
    assert (found["local_height_m"].to_numpy() >= least_m - 1e-6).all()
    # Whatever stands nearer than the closed form allows is a conflict of the recommended line.
    for row in lines[lines["recommended"]].itertuples():
        spots = tables["footholds"]
        outside = ~shapely.covers(row.enclosed, spots.geometry.to_numpy())
        away_m = shapely.distance(row.geometry, spots.geometry.to_numpy())
        rise_m = np.clip(row.height_m - spots["height_m"].to_numpy(), 0, None)
        reached = outside & (np.hypot(away_m, rise_m) < reach_m - TOLERANCE_M)
        assert row.footholds_in_conflict >= reached.sum()


@given(**SUBDIVISIONS)
@few
def test_closure_is_that_of_thickened_walls(seed: int, lots: int) -> None:
    layers = make_subdivision(seed, lots, gates=False)
    tables = do_county(layers)
    walls = tables["judged_walls"]
    sound = list(walls.geometry[walls["sound_now"].astype(bool)])
    sound += list(shapely.boundary(layers["buildings"].geometry.to_numpy()))
    desert = shapely.union_all(tables["habitat"].geometry)
    goals = tables["ground"]["protected"].to_numpy()
    for row, goal in zip(tables["closure"].itertuples(), goals, strict=True):
        if goal is None or goal.is_empty or desert.is_empty:
            continue
        inner = shapely.buffer(goal, -1.0, join_style="mitre")
        if inner.is_empty:
            continue
        tight, loose = (reached_past_thick_walls(sound, desert, inner, tolerance_m=m) for m in (0.04, 0.06))
        if tight == loose:
            assert row.closed_now == (not tight), row.parcel_id


@given(**SUBDIVISIONS, turn_deg=st.floats(0, 360), east_m=st.integers(-20_000, 20_000))
@few
def test_place_and_direction_do_not_matter(seed: int, lots: int, turn_deg: float, east_m: int) -> None:
    layers = make_subdivision(seed, lots)
    # Buffers are polygons whose corners stay with the axes: shares of habitat turn by 0.2 %, the score by 0.02 points.
    # Coordinates of 4 000 km hold a nanometre; outlines are rounded to a millimetre, a line has tens of corners.
    assert_same(do_county(layers), do_county(move(layers, east_m, -east_m, turn_deg=turn_deg)), tolerance_m=0.05)


@given(**SUBDIVISIONS)
@few
def test_order_does_not_matter(seed: int, lots: int) -> None:
    layers = make_subdivision(seed, lots)
    random = np.random.default_rng(seed)
    mixed = {name: layer.iloc[random.permutation(len(layer))].reset_index(drop=True) for name, layer in layers.items()}
    tables = do_county(mixed)
    assert tables["lots"]["parcel_id"].tolist() == mixed["parcels"]["parcel_id"].tolist()
    assert_same(do_county(layers), tables, tolerance_m=1e-6)


@given(**SUBDIVISIONS)
@few
def test_again_and_on_its_own_result_the_same(seed: int, lots: int) -> None:
    layers = make_subdivision(seed, lots)
    first, second = do_county(layers), do_county(layers)
    for name in ("lots", "barrier_lines", "ways_in", "closure"):
        pd.testing.assert_frame_equal(pd.DataFrame(first[name]), pd.DataFrame(second[name]))
        if name != "lots":
            same = shapely.to_wkb(first[name].geometry.to_numpy()) == shapely.to_wkb(second[name].geometry.to_numpy())
            assert np.all(same), name
    again = do_county({**layers, "parcels": first["lots"][["parcel_id", "geometry"]]})
    pd.testing.assert_frame_equal(pd.DataFrame(first["lots"]), pd.DataFrame(again["lots"]))


def assert_same(one: dict[str, Any], other: dict[str, Any], *, tolerance_m: float) -> None:
    """Hold the lots of two runs against each other, by their ids."""
    lots, others = (tables["lots"].set_index("parcel_id", drop=False).sort_index() for tables in (one, other))
    for name in EXACT:
        assert lots[name].astype("str").tolist() == others[name].astype("str").tolist(), name
    assert lots["exposure"].tolist() == pytest.approx(others["exposure"].tolist(), abs=0.1, nan_ok=True)
    for name in ("length_m", "height_m"):
        was, now = (table[name].astype(float).tolist() for table in (lots, others))
        assert was == pytest.approx(now, abs=tolerance_m, nan_ok=True), name
