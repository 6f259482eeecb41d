"""Steps are found, loaded and described; a third-party package adds one."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pandas as pd
import pytest

from geotools.errors import StepError
from geotools.steps import describe_step, find_step, list_steps

PLUGIN = '''
"""Count trees."""
import geopandas as gpd
import pandas as pd

def count_corners(parcels: gpd.GeoDataFrame, *, least: int = 3) -> pd.DataFrame:
    """Count the corners of each lot.

    Parameters
    ----------
    parcels : GeoDataFrame
        The lots.
    least : int
        Fewest corners to list.
    """
    return pd.DataFrame({"parcel_id": parcels["parcel_id"], "corners": parcels.geometry.count_coordinates() - 1})

def fail(parcels: gpd.GeoDataFrame) -> pd.DataFrame:
    """Fail always."""
    raise RuntimeError("boom")

def wrong(parcels: gpd.GeoDataFrame) -> pd.DataFrame:
    """Give the wrong thing."""
    return 3

def add_corners(factors: gpd.GeoDataFrame, *, full_at_count: int = 8) -> gpd.GeoDataFrame:
    """Add the corners of each lot as a factor.

    Parameters
    ----------
    factors : GeoDataFrame
        The factors so far.
    full_at_count : int
        Corners at which the factor is full.
    """
    corners = factors.geometry.count_coordinates() - 1
    return factors.assign(corners_count=corners, factor_corners=(corners / full_at_count).clip(upper=1))

def compare_by_corners(factors: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Score by desert and corners and say how sure the ranks are.

    Parameters
    ----------
    factors : GeoDataFrame
        With the factor corners.
    """
    from geotools.exposure import rank_uncertainty, score_exposure

    weights = {"desert": 0.5, "corners": 0.5}
    scored = score_exposure(factors[["parcel_id", "geometry"]], factors=factors, factor_weights=weights)
    return rank_uncertainty(scored, factors, factor_weights=weights, samples=50)

def write_corners(corners: pd.DataFrame, *, path: "pathlib.Path") -> None:
    """Write the corners."""
    corners.to_csv(path, index=False)
'''.replace("import pandas as pd\n", "import pandas as pd\nimport pathlib\n", 1)

PROJECT = """
[build-system]
requires = ["hatchling"]
build-backend = "hatchling.build"
[project]
name = "corner-count"
version = "1.0"
[project.entry-points."geotools.steps"]
count_corners = "corner_count:count_corners"
fail = "corner_count:fail"
wrong = "corner_count:wrong"
write_corners = "corner_count:write_corners"
add_corners = "corner_count:add_corners"
compare_by_corners = "corner_count:compare_by_corners"
broken = "corner_count:not_there"
score_exposure = "corner_count:count_corners"
"""


@pytest.fixture(scope="module")
def plugin(tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    """A real package with steps of its own, built and installed to a folder; the environment that sees it."""
    folder = tmp_path_factory.mktemp("plugin")
    (folder / "corner_count.py").write_text(PLUGIN)
    (folder / "pyproject.toml").write_text(PROJECT)
    site = folder / "site"
    subprocess.run(
        [
            sys.executable,
            "-m",
            "pip",
            "install",
            "-q",
            "--no-deps",
            "--no-index",
            "--no-build-isolation",
            "--target",
            site,
            folder,
        ],
        check=True,
    )
    return {**os.environ, "PYTHONPATH": str(site)}


def bajada(*words: str | Path, env: dict[str, str], cwd: Path) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-c", "from geotools.cli import main; main()", *map(str, words)]
    return subprocess.run(command, env=env, cwd=cwd, capture_output=True, text=True, check=False)


def test_third_party_step_is_listed_described_and_run(plugin: dict[str, str], town: Path, tmp_path: Path) -> None:
    listed = bajada("steps", env=plugin, cwd=tmp_path)
    assert "count_corners" in listed.stdout
    assert "corner-count" in listed.stdout
    described = json.loads(bajada("steps", "count_corners", "--json", env=plugin, cwd=tmp_path).stdout)
    assert described["options"]["properties"]["least"]["default"] == 3
    plan = tmp_path / "corners.toml"
    plan.write_text(
        f'[inputs]\nparcels = "{town}#parcels"\n[parcels]\nid = "APN"\n'
        '[[step]]\nuse = "write_corners"\ngives = "corners.csv"\n[[step]]\nuse = "count_corners"\ngives = "corners"\n'
    )
    done = bajada("run", plan, "--out", tmp_path / "out", env=plugin, cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    assert (tmp_path / "out" / "corners.csv").read_text().splitlines() == [
        "parcel_id,corners",
        *(f"00{n},4" for n in (1, 2, 3, 4)),
    ]


def test_third_party_factor_counts_in_score_reason_and_draws(
    plugin: dict[str, str], town: Path, tmp_path: Path
) -> None:
    # This package claims score_exposure too, which no plan can then use: it scores in a step of its own.
    plan = tmp_path / "factor.toml"
    plan.write_text(
        f'[inputs]\nparcels = "{town}#parcels"\nopen_desert = "{town}#open_desert"\n[parcels]\nid = "APN"\n'
        '[[step]]\nuse = "measure_factors"\ngives = "plain_factors"\n'
        '[[step]]\nuse = "add_corners"\ntakes = { factors = "plain_factors" }\ngives = "factors"\n'
        '[[step]]\nuse = "compare_by_corners"\ngives = "scored_lots"\n'
        '[[step]]\nuse = "write_plain_table"\ntakes = { table = "scored_lots" }\ngives = "scored.csv"\n'
    )
    done = bajada("run", plan, "--out", tmp_path / "out", env=plugin, cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    table = pd.read_csv(tmp_path / "out" / "scored.csv")
    # Weights 0.5 and 0.5: four corners of eight are half of 50 points.
    assert table["points_corners"].tolist() == pytest.approx([25.0] * 4)
    assert table["exposure"].tolist() == pytest.approx((table["points_corners"] + table["points_desert"]).tolist())
    assert table["exposure_reason"].str.contains("corners adds 25.0 points").all()
    assert {"rank_low", "rank_high"} <= set(table.columns)


@pytest.mark.parametrize(
    ("use", "said"),
    [
        ("fail", "RuntimeError: boom"),
        ("wrong", "it gave something of the kind 'int', not a table"),
        ("broken", "can't be loaded"),
        ("score_exposure", "is claimed by bajada and corner-count"),
    ],
)
def test_broken_step_fails_only_for_its_user(
    plugin: dict[str, str], town: Path, tmp_path: Path, use: str, said: str
) -> None:
    plan = tmp_path / "plan.toml"
    plan.write_text(f'[inputs]\nparcels = "{town}#parcels"\n[parcels]\nid = "APN"\n[[step]]\nuse = "{use}"\n')
    failed = bajada("run", plan, "--out", tmp_path / "out", env=plugin, cwd=tmp_path)
    assert failed.returncode == 2
    assert said in failed.stderr
    assert "Traceback" not in failed.stderr
    assert not (tmp_path / "out").exists()
    assert bajada("steps", "find_lot_ground", env=plugin, cwd=tmp_path).returncode == 0


def test_unknown_step_suggests_the_nearest() -> None:
    with pytest.raises(StepError, match="did you mean 'score_exposure'"):
        find_step("score_exposur")


def test_listing_imports_nothing() -> None:
    code = "import sys; from geotools.steps import list_steps; list_steps(); sys.exit('geopandas' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


@pytest.mark.parametrize("name", list(list_steps()))
def test_description_has_what_the_standard_asks_for(name: str) -> None:
    """Required members of a process description: OGC 18-062r2 (OGC API - Processes, Part 1), from memory."""
    description = describe_step(find_step(name))
    json.dumps(description, allow_nan=False)
    assert {"id", "version", "inputs", "outputs", "title", "description"} <= description.keys()
    assert all(
        {"title", "schema", "minOccurs", "description"} <= one.keys() and one["description"]
        for one in description["inputs"].values()
    )
    assert description["outputs"]["result"]["schema"]
