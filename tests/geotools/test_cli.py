"""The command as a user types it: answers, exit status, one message for a mistake."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import rasterio
from shapely import Point, Polygon, box

REPOSITORY = Path(__file__).parents[2]


def bajada(*words: object, cwd: Path | None = None) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-c", "from geotools.cli import main; main()", *map(str, words)]
    return subprocess.run(command, cwd=cwd, capture_output=True, text=True, check=False)


@pytest.mark.published("heights and the 24 in rule: common practice, no source")
@pytest.mark.parametrize(("body_in", "height_in"), [(48, 30), (60, 36), (72, 42)])
def test_height_answers_both_ways_round(body_in: int, height_in: int) -> None:
    answer = json.loads(
        bajada("height", "--body-length", f"{body_in}in", "--buffer", "6in", "--fence", "24in", "--json").stdout
    )
    assert answer == {"height_in": height_in, "specified_height_in": height_in, "excludes_body_length_in": 36.0}


def test_height_takes_any_unit_and_a_foothold() -> None:
    answer = json.loads(bajada("height", "--body-length", "1.2192 m", "--foothold", "0in@1ft", "--json").stdout)
    assert answer["height_in"] == 30.0
    assert answer["setback_in"] == 0.0
    answer = json.loads(bajada("height", "--foothold", "18in@2ft", "--json").stdout)
    assert answer["setback_in"] == pytest.approx((36**2 - 18**2) ** 0.5, abs=1e-6)
    assert answer["local_height_in"] == pytest.approx(18 + (36**2 - 24**2) ** 0.5, abs=1e-6)


def test_height_on_a_slope_for_species_and_drawn(tmp_path: Path) -> None:
    words = ["height", "--region", "low desert", "--slope", "60deg", "--fence", "24in"]
    words += ["--species", "atrox", "--meshes"]
    told = bajada(*words, "--plot", tmp_path / "shares.png")
    assert told.returncode == 0, told.stderr
    assert "rises at 60deg: at least 60 in" in told.stdout
    assert "75.5 % of adult Crotalus atrox" in told.stdout
    assert "assumption of this project" in told.stdout
    assert "1. 1/4 in hardware cloth, 23 gauge, 5.69 mm clear: stops newborns" in told.stdout
    assert (tmp_path / "shares.png").read_bytes().startswith(b"\x89PNG")
    answer = json.loads(bajada(*words, "--json").stdout)
    assert answer["slope_height_in"] == pytest.approx(60)
    assert answer["share_excluded_pct"] == {"Crotalus atrox": pytest.approx(75.5, abs=0.05)}


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["height", "--body-length", "48 bananas"], "'bananas' is not a unit"),
        (["height", "--body-length", "48"], "has no unit"),
        (["height", "--body-length", "0 in"], "not above 0"),
        (["height", "--fence", "-3 in"], "below 0"),
        (["height", "--foothold", "18in"], "HEIGHT@DISTANCE"),
        (["height", "--slope", "95deg"], "treat it as a step"),
        (["height", "--species", "dragon"], "not a species of the table"),
        (["height", "--region", "mars"], "low desert"),
        (["run", "scren"], "did you mean 'screen'"),
        (["run", "nowhere/plan.toml"], "no such pipeline file"),
        (["steps", "score_exposur"], "did you mean 'score_exposure'"),
        (["run", "screen", "--engine", "cloud"], "local"),
        (["fly"], "bajada: no such command 'fly'; 'bajada --help' shows how it is used"),
    ],
)
def test_mistakes_end_with_status_2_and_one_message(words: list[str], said: str, tmp_path: Path) -> None:
    failed = bajada(*words, cwd=tmp_path)
    assert failed.returncode == 2
    assert said in failed.stderr
    assert "Traceback" not in failed.stderr
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("command", [[], ["run"], ["check"], ["steps"], ["height"]])
def test_help_has_an_example(command: list[str]) -> None:
    shown = bajada(*command, "--help")
    assert shown.returncode == 0
    assert "Example:" in shown.stdout


def test_help_imports_no_heavy_library() -> None:
    code = (
        "import sys, geotools.cli as c\n"
        "try: c.commands(['--help'], standalone_mode=False)\n"
        "except SystemExit: pass\n"
        "names = {'numpy', 'pandas', 'geopandas', 'shapely', 'rasterio', 'folium', 'pydantic', 'pint'}\n"
        "heavy = names & set(sys.modules)\n"
        "sys.exit(str(heavy) if heavy else 0)"
    )
    ended = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert ended.returncode == 0, ended.stderr


def test_a_run_in_a_fresh_folder_says_where_the_map_is(town_inputs: list[str], tmp_path: Path) -> None:
    done = bajada("run", "screen", *town_inputs, cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    assert done.stdout.splitlines()[-1] == f"done: {tmp_path / 'maps' / 'screen' / 'map.html'}"
    assert "4 parcels in, 4 out" in done.stdout
    specs = pd.read_csv(tmp_path / "maps" / "screen" / "specs.csv", dtype={"parcel_id": str})
    assert specs["parcel_id"].tolist() == ["001", "002", "003", "004"]


def test_quiet_prints_nothing(town_inputs: list[str], tmp_path: Path) -> None:
    done = bajada("run", "screen", *town_inputs, "--quiet", "--out", tmp_path / "out")
    assert (done.returncode, done.stdout, done.stderr) == (0, "", "")


def _bow_tie(x: float) -> Polygon:
    return Polygon([(x, 3.7e6), (x + 20, 3.7e6 + 40), (x + 20, 3.7e6), (x, 3.7e6 + 40)])


LOT = box(430_000, 3_700_000, 430_020, 3_700_040)
DESERT = box(430_000, 3_700_040, 430_020, 3_700_090)


def _write(path: Path, layer: str, geometry: list[object], *, crs: int | None = 26912, **columns: list[object]) -> None:
    table = gpd.GeoDataFrame(
        {"parcel_id": [str(n) for n in range(len(geometry))], **columns}, geometry=geometry, crs=crs
    )
    table.to_file(path, layer=layer, driver="GPKG")


def _far(path: Path) -> None:
    _write(path, "parcels", [LOT])
    _write(path, "open_desert", [box(9e5, 4.2e6, 9.1e5, 4.3e6)])


def _raster(path: Path) -> None:
    _write(path, "parcels", [LOT])
    _write(path, "open_desert", [DESERT])
    with rasterio.open(
        path.with_suffix(".tif"), "w", driver="GTiff", width=4, height=4, count=2, dtype="uint8"
    ) as target:
        target.write(np.ones((2, 4, 4), dtype="uint8"))


BAD_INPUTS = {
    "wrong path": (lambda path: None, ["parcels={p}"], "there is no"),
    "layer not in file": (lambda path: _write(path, "parcels", [LOT]), ["parcels={p}#parcel"], "parcels"),
    "no CRS": (lambda path: _write(path, "parcels", [LOT], crs=None), ["parcels={p}#parcels"], "parcels.crs=EPSG"),
    "absurd degrees": (lambda path: _write(path, "parcels", [LOT], crs=4326), ["parcels={p}#parcels"], "degrees"),
    "no overlap": (_far, ["parcels={p}#parcels", "open_desert={p}#open_desert"], "open_desert"),
    "all invalid": (
        lambda path: _write(path, "parcels", [_bow_tie(4.3e5), _bow_tie(4.31e5)]),
        ["parcels={p}#parcels"],
        "parcels",
    ),
    "zero parcels": (lambda path: _write(path, "parcels", []), ["parcels={p}#parcels"], "not one parcel"),
    "duplicate id": (
        lambda path: _write(path, "parcels", [LOT, DESERT], parcel_id=["A", "A"]),
        ["parcels={p}#parcels"],
        "A",
    ),
    "points for polygons": (
        lambda path: _write(path, "parcels", [Point(4.3e5, 3.7e6)]),
        ["parcels={p}#parcels"],
        "polygon",
    ),
    "raster without georeference": (
        _raster,
        ["parcels={p}#parcels", "open_desert={p}#open_desert", "vegetation={t}"],
        "georeference",
    ),
}


@pytest.mark.parametrize("name", BAD_INPUTS)
@pytest.mark.filterwarnings("ignore::UserWarning")
@pytest.mark.filterwarnings("ignore::rasterio.errors.NotGeoreferencedWarning")
def test_bad_input_is_refused_and_nothing_written(name: str, tmp_path: Path) -> None:
    make, inputs, said = BAD_INPUTS[name]
    path = tmp_path / "data.gpkg"
    make(path)
    given = [text.format(p=path, t=path.with_suffix(".tif")) for text in inputs]
    if not any("open_desert" in text for text in given):
        given.append(f"open_desert={given[0].partition('=')[2]}")
    before = sorted(tmp_path.iterdir())
    failed = bajada("run", "screen", *[word for text in given for word in ("--input", text)], "--out", tmp_path / "out")
    assert failed.returncode == 2, failed.stderr
    message = failed.stderr.splitlines()[-1]
    assert message.startswith("bajada: ")
    assert said in message
    assert "; " in message, "a message ends with how to mend it"
    assert "Traceback" not in failed.stderr
    assert sorted(tmp_path.iterdir()) == before


def test_check_reports_before_a_run(tmp_path: Path) -> None:
    path = tmp_path / "data.gpkg"
    _write(path, "parcels", [LOT, _bow_tie(4.301e5), None, DESERT], parcel_id=["A", "B", "C", "D"])
    told = bajada("check", f"parcels={path}#parcels")
    assert told.returncode == 0, told.stderr
    assert "row 2" in told.stdout
    assert "row 3" in told.stdout
    _write(path, "parcels", [LOT, DESERT], parcel_id=["A", "A"])
    told = bajada("check", f"parcels={path}#parcels")
    assert told.returncode == 2
    assert "A" in told.stdout
