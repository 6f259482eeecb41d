"""Every plan that comes with the toolkit runs on the sample and leaves the files that it names."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd
import pytest

from geotools.pipeline import check_plan, list_plans, read_plan, run_plan

if TYPE_CHECKING:
    from pathlib import Path

PLANS = list_plans()


def test_each_user_has_a_plan() -> None:
    assert {"screen", "edge_bid", "priority"} <= PLANS.keys()


@pytest.mark.parametrize("name", sorted(PLANS.keys() - {"screen"}))  # test_sample runs the screen
def test_plan_runs_and_leaves_its_files(name: str, tmp_path: Path) -> None:
    plan = read_plan(PLANS[name])
    named = {one.row.gives for one in check_plan(plan).steps if one.step.makes_file}
    record = run_plan(plan, tmp_path / "out")
    files = {path.name for path in (tmp_path / "out").iterdir()}
    assert named <= files
    assert files == set(record["outputs"])
    assert record["counts"]["parcels_in"] == record["counts"]["parcels_out"] == 150
    assert record["inputs"]["parcels"]["features"] == 150
    for table in files & {"specs.csv", "shares.csv"}:
        assert len(pd.read_csv(tmp_path / "out" / table)) == 150
