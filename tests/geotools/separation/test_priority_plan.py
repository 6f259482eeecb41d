"""The planner's pipeline runs whole, says its certificate, and gives the same bytes."""

from __future__ import annotations

import hashlib
from typing import TYPE_CHECKING

import pandas as pd
import pytest

from geotools.pipeline import find_plan, read_plan, run_plan
from geotools.pipeline.plan import change_plan

if TYPE_CHECKING:
    from pathlib import Path

    from geotools.pipeline import Plan


def town_plan(town: Path, *settings: str) -> Plan:
    inputs = [f"{name}={town}#{name}" for name in ("parcels", "buildings", "open_desert", "roads", "footholds")]
    return change_plan(read_plan(find_plan("priority")), inputs=inputs, settings=["parcels.id=APN", *settings])


def test_town_by_hand(town: Path, tmp_path: Path) -> None:
    record = run_plan(town_plan(town), tmp_path / "out")
    assert record["separation"]["flow_cents"] == record["separation"]["cut_cents"] > 0
    assert record["budget"]["cost_cents"] <= record["budget"]["budget_cents"] == 10_000_000
    assert record["shares"]["total_cents"] == record["separation"]["cut_cents"]
    assert any("invented prices" in text for text in record["assumptions"])
    alternates = pd.read_csv(tmp_path / "out" / "alternates.csv").set_index("alternate")
    # Four yards of 20 x 19.4 m: rear 80 m, both ends, returns of 2 x (4 + 0.6) m each; alone 20 + 2 x 19.4 + 9.2 m.
    assert alternates.loc["cheapest", "length_ft"] * 0.3048 == pytest.approx(80 + 2 * 19.4 + 4 * 9.2, abs=0.1)
    assert alternates.loc["lot by lot", "length_ft"] * 0.3048 == pytest.approx(4 * 68, abs=0.1)
    shares = pd.read_csv(tmp_path / "out" / "shares.csv")
    assert round(shares["share_usd"].sum() * 100) == record["shares"]["total_cents"]
    frontier = pd.read_csv(tmp_path / "out" / "frontier.csv")
    assert frontier["budget_usd"].is_monotonic_increasing
    assert frontier["protection_pct"].iloc[-1] == 100
    specs = pd.read_csv(tmp_path / "out" / "specs.csv", encoding="utf-8-sig")
    assert specs["protect_this"].tolist() == [True] * 4
    assert {"frontier.png", "lots.gpkg", "map.html", "specs.xlsx"} <= {
        path.name for path in (tmp_path / "out").iterdir()
    }


def test_same_bytes_and_less_money_protects_less(town: Path, tmp_path: Path) -> None:
    folders = [tmp_path / "one", tmp_path / "two"]
    digests = []
    for folder in folders:
        run_plan(town_plan(town), folder)
        files = [path for path in sorted(folder.iterdir()) if path.name != "run.json"]
        digests.append([(path.name, hashlib.sha256(path.read_bytes()).hexdigest()) for path in files])
    assert digests[0] == digests[1]
