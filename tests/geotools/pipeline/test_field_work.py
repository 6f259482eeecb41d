"""A survey made from a run and read back, and an inspection of what was built, by the commands."""

from __future__ import annotations

import json
import re
from typing import TYPE_CHECKING, Any

import geopandas as gpd
import pypdf
import pytest
from click.testing import CliRunner
from shapely import LineString

from geotools.cli import commands
from geotools.errors import GeotoolsError, OutputError, PipelineError, UnitError
from geotools.pipeline import find_plan, read_plan, run_plan
from geotools.pipeline.earlier import make_tables, read_earlier
from geotools.pipeline.inspecting import inspect_plan, to_working
from geotools.pipeline.plan import change_plan
from geotools.pipeline.surveying import make_survey

if TYPE_CHECKING:
    from pathlib import Path

WALL_Y_M = 3_700_000.0 + 40.0


@pytest.fixture(scope="module")
def finished(tmp_path_factory: pytest.TempPathFactory, town: Path) -> Path:
    """A run of the rule's plan on four lots, with a sound wall far off, and the package of layers beside its memo."""
    folder = tmp_path_factory.mktemp("field")
    wall = gpd.GeoDataFrame(
        {"kind": ["block"], "height_in": [30.0]}, geometry=[LineString([(430_000, 3_700_060), (430_020, 3_700_060)])],
        crs=26912,
    )  # fmt: skip
    wall.to_file(folder / "walls.gpkg", layer="walls", driver="GPKG")
    text = find_plan("community_rule").read_text(encoding="utf-8")
    text += '\n[[step]]\nuse = "list_footholds_to_clear"\ngives = "footholds_to_clear"\n'
    text += '\n[[step]]\nuse = "write_lots"\ntakes = { footholds = "footholds_to_clear" }\ngives = "lots.gpkg"\n'
    (folder / "plan.toml").write_text(text, encoding="utf-8")
    names = ("parcels", "buildings", "open_desert", "roads", "footholds")
    inputs = [*(f"{name}={town}#{name}" for name in names), f"walls={folder / 'walls.gpkg'}#walls"]
    settings = ["parcels.id=APN", "footholds.height=height_in", "walls.height=height_in"]
    run_plan(change_plan(read_plan(folder / "plan.toml"), inputs=inputs, settings=settings), folder / "out")
    return folder


def planned(finished: Path) -> gpd.GeoDataFrame:
    lines = gpd.read_file(finished / "out" / "lots.gpkg", layer="barrier_lines")
    return lines[lines["recommended"]].reset_index(drop=True)


def test_what_was_built_to_plan_passes_and_is_closed(finished: Path, tmp_path: Path) -> None:
    planned(finished)[["line_id", "parcel_id", "height_in", "geometry"]].to_file(tmp_path / "built.gpkg", driver="GPKG")
    done = CliRunner().invoke(
        commands,
        ["inspect", str(finished / "out" / "lots.gpkg"), str(tmp_path / "built.gpkg"), "--out", str(tmp_path / "in")],
    )
    assert done.exit_code == 0, done.output
    assert "4 of 4 lines pass; 0 stops" in done.output
    assert "4 of 4 lots with a line are closed as built" in done.output
    files = sorted(path.name for path in (tmp_path / "in").iterdir())
    assert files == [
        "inspection.csv",
        "inspection.gpkg",
        "inspection.md",
        "inspection.pdf",
        "punch_list.csv",
        "run.json",
    ]
    text = " ".join(page.extract_text() for page in pypdf.PdfReader(tmp_path / "in" / "inspection.pdf").pages)
    for wanted in ("Nothing to put right", "late winter, before spring", "after each storm", "5.0 ft", "0.5 in"):
        assert wanted in " ".join(text.split()), wanted


def test_a_gap_opens_its_lot_alone(finished: Path, tmp_path: Path) -> None:
    built = planned(finished)
    first = built.geometry.iloc[0]
    hole = first.interpolate(first.length / 2).buffer(0.5)
    built.loc[0, "geometry"] = first.difference(hole)
    built.loc[1, "height_in"] -= 1.0
    built.loc[2, "height_in"] -= 0.4  # within the tolerance
    built[["line_id", "height_in", "geometry"]].to_file(tmp_path / "built.gpkg", driver="GPKG")
    told = inspect_plan(finished / "out" / "lots.gpkg", str(tmp_path / "built.gpkg"), tmp_path / "in", snap="1 ft")
    assert (told["lines"], told["lines_passed"], told["stops"]) == (4, 2, 2)
    assert (told["lots"], told["lots_closed"]) == (4, 2)
    punch = (tmp_path / "in" / "punch_list.csv").read_text(encoding="utf-8")
    assert "not built" in punch
    assert "1 in too low" in punch
    layer = gpd.read_file(tmp_path / "in" / "inspection.gpkg", layer="stretches")
    gap_ft = layer.loc[layer["finding"] == "not built", "length_ft"].item()
    assert gap_ft == pytest.approx(1.0 / 0.3048, abs=0.1)  # shown to a tenth of a foot


def test_without_the_run_closure_is_said_to_be_unproved(finished: Path, tmp_path: Path) -> None:
    plan = tmp_path / "lots.gpkg"
    plan.write_bytes((finished / "out" / "lots.gpkg").read_bytes())
    planned(finished)[["height_in", "geometry"]].to_file(tmp_path / "built.gpkg", driver="GPKG")
    told = inspect_plan(plan, str(tmp_path / "built.gpkg"), tmp_path / "in")
    assert told["lots"] is None
    assert any("closure is not proved again" in text for text in told["told"])
    assert "Not proved" in (tmp_path / "in" / "inspection.md").read_text(encoding="utf-8")


def test_same_bytes_twice(finished: Path, tmp_path: Path) -> None:
    planned(finished)[["line_id", "height_in", "geometry"]].to_file(tmp_path / "built.gpkg", driver="GPKG")
    for name in ("a", "b"):
        inspect_plan(finished / "out" / "lots.gpkg", str(tmp_path / "built.gpkg"), tmp_path / name)
    for file in ("inspection.csv", "inspection.gpkg", "inspection.md", "inspection.pdf", "punch_list.csv"):
        assert (tmp_path / "a" / file).read_bytes() == (tmp_path / "b" / file).read_bytes(), file


@pytest.mark.parametrize(("option", "value"), [("snap", "near"), ("tolerance", "3")])
def test_lengths_that_are_none_are_refused_and_nothing_is_left(
    finished: Path, tmp_path: Path, option: str, value: str
) -> None:
    options: dict[str, Any] = {option: value}
    with pytest.raises(UnitError):
        inspect_plan(finished / "out" / "lots.gpkg", "x.gpkg", tmp_path / "in", **options)
    assert not list(tmp_path.iterdir())


def test_columns_of_any_unit_become_metres_and_other_text_stays() -> None:
    columns = {"Height_ft": [3.0], "opening": ["1/4 in"], "to": ["the oak"], "seen_in": ["spring"], "ways_in": [2]}
    made = to_working(gpd.GeoDataFrame(columns, geometry=gpd.points_from_xy([0], [0]), crs=26912))
    assert made["height_m"].item() == pytest.approx(0.9144)
    assert made["opening_m"].item() == pytest.approx(0.00635)
    assert (made["to"].item(), made["seen_in"].item(), made["ways_in"].item()) == ("the oak", "spring", 2)
    with pytest.raises(UnitError):
        to_working(gpd.GeoDataFrame({"height": [3.0]}, geometry=gpd.points_from_xy([0], [0]), crs=26912))


def test_other_files_are_no_plan(town: Path, tmp_path: Path) -> None:
    with pytest.raises(GeotoolsError, match="barrier_lines"):
        inspect_plan(town, str(town), tmp_path / "in")
    assert not list(tmp_path.iterdir())


def test_survey_of_a_run_is_prefilled_and_reads_back(finished: Path, tmp_path: Path, town: Path) -> None:
    field = tmp_path / "field.gpkg"
    done = CliRunner().invoke(commands, ["survey", str(field), "--lots", str(finished / "out")])
    assert done.exit_code == 0, done.output
    assert "4 lots, 1 walls, 2 footholds" in done.output
    walls = gpd.read_file(field, layer="walls")
    assert walls[["kind", "height_in", "state"]].values.tolist() == [["block", 30.0, "as drawn"]]
    walls.loc[0, ["height_in", "state"]] = [42.0, "measured"]
    walls.to_file(tmp_path / "back.gpkg", layer="walls", driver="GPKG")
    plan = change_plan(
        read_plan(find_plan("screen")),
        inputs=[
            f"parcels={town}#parcels", f"open_desert={town}#open_desert", f"walls={finished / 'walls.gpkg'}#walls",
            f"surveyed_walls={tmp_path / 'back.gpkg'}#walls",
        ],
        settings=["parcels.id=APN", "walls.height=height_in"],
    )  # fmt: skip
    with pytest.warns(Warning, match="1 of 1 walls are measured on the ground"):
        made = make_tables(plan, ["known_walls"])["known_walls"]
    assert (made["height_m"] / 0.0254).round(6).tolist() == [42.0]


def test_survey_never_writes_over_field_work(tmp_path: Path, town: Path) -> None:
    field = tmp_path / "field.gpkg"
    options = {"parcels": {"id": "APN"}}
    counts = make_survey(field, lots=f"{town}#parcels", options=options, inputs={"footholds": f"{town}#footholds"})
    assert counts == {"lots": 4, "footholds": 2}
    before = field.read_bytes()
    with pytest.raises(OutputError, match="already"):
        make_survey(field, lots=f"{town}#parcels", options=options)
    assert field.read_bytes() == before
    assert [path.name for path in tmp_path.iterdir()] == ["field.gpkg"]
    with pytest.raises(PipelineError, match="takes no layer"):
        make_survey(tmp_path / "x.gpkg", lots=f"{town}#parcels", inputs={"roads": "x"})


def test_records_that_are_none_are_refused(tmp_path: Path) -> None:
    with pytest.raises(PipelineError, match=r"no run\.json"):
        read_earlier(tmp_path)
    for text in ("[]", "{", json.dumps({"parameters": {}})):
        (tmp_path / "run.json").write_text(text, encoding="utf-8")
        with pytest.raises(PipelineError, match="can't be read"):
            read_earlier(tmp_path)


def test_memo_of_the_run(finished: Path) -> None:
    text = (finished / "out" / "memo.md").read_text(encoding="utf-8")
    assert re.search(r"4 of the 4 lots that need a barrier can't have it", text)
