"""What a budget makes of each lot: verdict, reason, turn and what it pays."""

from __future__ import annotations

from typing import Any

import geopandas as gpd
import pandas as pd
import pytest
import shapely

from geotools.errors import StepError
from geotools.separation import advise_by_budget

IDS = ["in", "waits", "open", "sound", "far"]


def lots(**columns: Any) -> gpd.GeoDataFrame:
    return gpd.GeoDataFrame(columns, geometry=[shapely.box(at, 0, at + 1, 1) for at in range(len(IDS))], crs=32612)


def specified() -> gpd.GeoDataFrame:
    return lots(
        parcel_id=IDS,
        verdict=["build", "build", "build", "not needed", "do not build"],
        reason=["A.", "B.", "C.", "D.", "E."],
    )


def chosen() -> gpd.GeoDataFrame:
    return lots(
        parcel_id=IDS,
        closable=pd.array([True, True, False, True, pd.NA], dtype="boolean"),
        protect_this=[True, False, False, True, False],
        chosen_why=["x", "the budget ends before it", "a street runs through it", "y", "z"],
        joins_at_cents=pd.array([500, 900, pd.NA, 0, 900], dtype="Int64"),
    )


def shares() -> gpd.GeoDataFrame:
    return lots(
        parcel_id=IDS,
        share_cents=pd.array([123_460, 60_000, pd.NA, 0, pd.NA], dtype="Int64"),
        alone_cents=pd.array([200_060, 80_000, pd.NA, 0, 700], dtype="Int64"),
    )


def test_the_budget_is_told_to_each_lot() -> None:
    told = advise_by_budget(specified(), chosen())
    assert told["verdict"].tolist() == ["build", "build", "do not build", "not needed", "do not build"]
    assert told["reason"].tolist() == [
        "A. The budget protects it by the common line.",
        "B. The budget ends before it.",
        "It can't be closed: a street runs through it.",
        "D.",
        "E.",
    ]
    assert told["protect_this"].tolist() == [True, False, False, True, False]
    # Lots that join at the same cost have the same turn; one that never joins has none.
    assert told["turn"].tolist() == [2, 3, pd.NA, 1, 3]
    assert "share_usd" not in told


def test_shares_are_given_in_dollars() -> None:
    told = advise_by_budget(specified(), chosen(), shares())
    assert told["share_usd"].tolist() == [1234.6, 600.0, pd.NA, 0.0, pd.NA]
    assert told["alone_usd"].tolist() == [2000.6, 800.0, pd.NA, 0.0, 7.0]


def test_without_a_budget_the_reason_tells_the_share() -> None:
    told = advise_by_budget(specified(), chosen(), shares(), tell_budget=False)
    assert told["reason"].tolist() == [
        "A. In one barrier for the whole site its share would be $1,235, by itself $2,001.",
        "B. In one barrier for the whole site its share would be $600, by itself $800.",
        "It can't be closed: a street runs through it.",
        "D.",
        "E.",
    ]
    plain = advise_by_budget(specified(), chosen(), tell_budget=False)
    assert plain["reason"].tolist() == ["A.", "B.", "It can't be closed: a street runs through it.", "D.", "E."]


@pytest.mark.parametrize("which", ["chosen_lots", "shares"])
def test_tables_of_other_lots_are_refused(which: str) -> None:
    tables = {"chosen_lots": chosen(), "shares": shares()}
    tables[which] = tables[which].iloc[::-1]
    with pytest.raises(StepError, match=f"{which} is not of the same lots"):
        advise_by_budget(specified(), **tables)
