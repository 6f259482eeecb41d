"""The map as a file: closed to network and data, the same bytes again, and honest about what it leaves out."""

from __future__ import annotations

import base64
import hashlib
import html
import json
import re

import numpy as np
import pandas as pd
import pytest

from geotools.errors import CrsError, OutputError
from geotools.outputs.map import draw_map
from geotools.outputs.sheets import write_sheets

OTHER_TABLES = ("ways_in", "wash_ground", "open_desert", "footholds", "buildings", "roads")
TITLE = "Plan <b>& co"


def draw(town, path, **options):
    draw_map(town.lots, town.barrier_lines, **{n: getattr(town, n) for n in OTHER_TABLES}, path=path, **options)
    return path


def content_of(path):
    page = path.read_text(encoding="utf-8")
    return json.loads(re.search(r'<script type="application/json" id="plan-data">(.*?)</script>', page, re.DOTALL)[1])


@pytest.fixture(scope="module")
def map_file(town, tmp_path_factory):
    return draw(town, tmp_path_factory.mktemp("map") / "map.html", title=TITLE)


def test_page_is_closed_to_the_network_and_to_the_data(map_file, town):
    page = map_file.read_text(encoding="utf-8")
    assert re.findall(r"<(?:script|link|img|iframe)[^>]*(?:src|href)=", page) == []
    assert "url(" not in "".join(re.findall(r"<style>(.*?)</style>", page, re.DOTALL))
    assert not any(hostile in page for hostile in town.hostile_ids[1:])
    assert page.count("<script") == page.count("</script>")
    assert "<b>& co" not in page


def test_policy_names_the_scripts_that_the_page_carries_and_no_other(map_file):
    page = map_file.read_text(encoding="utf-8")
    policy = html.unescape(re.search(r'Content-Security-Policy" content="([^"]*)"', page)[1])
    rules = dict(rule.strip().split(" ", 1) for rule in policy.split(";"))
    carried = re.findall(r"<script>(.*?)</script>", page, re.DOTALL)
    hashes = {f"'sha256-{base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()}'" for text in carried}
    assert set(rules["script-src"].split()) == hashes
    assert rules["default-src"] == "'none'"
    assert rules["connect-src"] == "'none'"
    assert rules["img-src"] == "data:"


def test_same_input_gives_same_bytes(town, map_file, tmp_path):
    assert draw(town, tmp_path / "map.html", title=TITLE).read_bytes() == map_file.read_bytes()


def test_metric_map_says_so(town, tmp_path):
    page = draw(town, tmp_path / "map.html", units="metric").read_text(encoding="utf-8")
    assert "Lengths in metres" in page
    assert '"unit":"mm"' in page


def test_tiles_are_let_in_only_when_asked_for(town, tmp_path):
    path = tmp_path / "map.html"
    page = draw(town, path, tiles="https://{s}.invalid/{z}/{x}/{y}.png", tiles_credit="A <i>").read_text(
        encoding="utf-8"
    )
    assert "img-src data: https://*.invalid;" in page
    assert "A &lt;i&gt;" in page
    for wrong in ("http://invalid/{z}/{x}/{y}.png", "https://invalid/a.png", "https://a b;c/{z}/{x}/{y}"):
        with pytest.raises(OutputError, match="tiles"):
            draw(town, path, tiles=wrong)


@pytest.mark.parametrize("wrong", ["https://host/sheets.pdf", "../sheets.pdf", "javascript:alert(1).pdf", "sheets"])
def test_sheets_are_a_file_beside_the_map(town, tmp_path, wrong):
    with pytest.raises(OutputError, match="sheets"):
        draw(town, tmp_path / "map.html", sheets=wrong)


def test_gaps_in_the_data_are_drawn_around(town, tmp_path):
    lots = town.lots.copy()
    lots.loc[0, "geometry"] = None
    lots.loc[1, ["exposure", "exposure_rank"]] = [np.nan, np.nan]
    path = tmp_path / "map.html"
    draw_map(lots, town.barrier_lines.iloc[:0], path=path)
    assert "No score" in path.read_text(encoding="utf-8")
    assert content_of(path)["layers"][0]["shapes"]["count"] == len(lots) - 1
    with pytest.raises(OutputError, match="no lot has a geometry"):
        draw_map(lots.iloc[:1], town.barrier_lines, path=path)
    with pytest.raises(CrsError, match="roads"):
        draw_map(lots, town.barrier_lines, roads=town.roads.to_crs(4326), path=path)


def test_lines_that_are_not_advised_are_left_out_of_a_large_map_and_that_is_said(town, tmp_path, map_file):
    path = draw(town, tmp_path / "map.html", most_candidates_count=100)
    assert "Lines that are not advised are left out" in path.read_text(encoding="utf-8")
    assert not [layer for layer in content_of(path)["layers"] if layer["id"].startswith("candidate_")]
    assert content_of(path)["tables"]["barrier_lines"]["count"] == town.barrier_lines["recommended"].sum()
    assert [layer for layer in content_of(map_file)["layers"] if layer["id"].startswith("candidate_")]


def test_only_footholds_nearer_than_their_setback_are_drawn(map_file, town):
    wanted = int((town.footholds["distance_m"] < town.footholds["setback_m"]).sum())
    assert 0 < wanted < len(town.footholds)
    counts = {layer["id"]: layer["shapes"]["count"] for layer in content_of(map_file)["layers"]}
    assert counts["footholds"] == wanted


def test_frontier_must_have_a_cost_and_lots(town, tmp_path):
    for wrong in (
        pd.DataFrame({"cost_cents": [1]}),
        pd.DataFrame({"lots_added": ["[]"]}),
        pd.DataFrame({"cost_cents": [1], "lots_added": ["no list"]}),
        pd.DataFrame({"cost_cents": [-1], "lots_added": ["[]"]}),
    ):
        with pytest.raises(OutputError, match="frontier"):
            draw(town, tmp_path / "map.html", frontier=wrong)
    with pytest.raises(OutputError, match="share_cents"):
        draw(town, tmp_path / "map.html", shares=town.lots[["parcel_id", "geometry"]])


def test_sheet_pages_are_those_of_the_written_sheets(town, tmp_path):
    pypdf = pytest.importorskip("pypdf", reason="pypdf is not installed: install the test extras")
    lots = town.lots.iloc[-70:].reset_index(drop=True)
    lines = town.barrier_lines[town.barrier_lines["parcel_id"].isin(lots["parcel_id"])]
    write_sheets(lots, lines, path=tmp_path / "sheets.pdf")
    draw_map(lots, lines, path=tmp_path / "map.html", sheets="sheets.pdf")
    packed = base64.b64decode(content_of(tmp_path / "map.html")["sheets"]["pages"])
    assert max(packed) < 128  # so each byte is a number
    texts = [page.extract_text() for page in pypdf.PdfReader(tmp_path / "sheets.pdf").pages]
    found = [(row, page) for row, page in enumerate(packed) if page]
    assert len(found) == lots["verdict"].isin(["build", "retrofit", "do not build"]).sum() > 5
    for row, page in found:
        if lots["parcel_id"][row].isdigit():
            assert lots["parcel_id"][row] in texts[page - 1]
    assert max(packed) == len(texts)
