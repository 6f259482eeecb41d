"""Hostile texts in every layer stay texts in every file of the plans, and names of files stay in the run's folder."""

from __future__ import annotations

import csv
import json
import os
import re
import stat
import sys
import zipfile
from dataclasses import replace
from pathlib import Path

import openpyxl
import pypdf
import pytest
from hostile_town import HOSTILE, make_hostile
from map_pages import shown_ids
from towns import LAYERS, county_plan, write_towns

from geotools.errors import GeotoolsError, PipelineError, StepError
from geotools.pipeline import check_plan, find_plan, read_plan, run_plan
from geotools.pipeline.plan import Plan, change_plan

PLANS = ("screen", "edge_bid", "priority")
UNSEEN = re.compile(r"[\x00-\x08\x0b-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069]")
FORMULA = re.compile(r"[=+@\t\r]|-(?![\d.]+$)")


def hostile_plan(name: str, hostile: Path) -> Plan:
    inputs = [f"{layer}={hostile}#{layer}" for layer in LAYERS]
    return change_plan(read_plan(find_plan(name)), inputs=inputs, settings=["parcels.id=APN", f"title={HOSTILE[6]}"])


@pytest.fixture(scope="module")
def results(tmp_path_factory: pytest.TempPathFactory) -> Path:
    place = tmp_path_factory.mktemp("hostile")
    hostile = make_hostile(write_towns(place / "towns.gpkg", towns=len(HOSTILE) // 4), place / "hostile.gpkg")
    before = os.umask(0o022)
    try:
        for name in PLANS:
            run_plan(hostile_plan(name, hostile), place / name)
    finally:
        os.umask(before)
    return place


def files(results: Path, ending: str) -> list[Path]:
    found = sorted(path for name in PLANS for path in (results / name).glob(f"*{ending}"))
    assert found
    return found


def test_every_lot_is_there_under_its_id(results: Path) -> None:
    for name in PLANS:
        record = json.loads((results / name / "run.json").read_text(encoding="utf-8"))
        assert record["counts"] == {"parcels_in": len(HOSTILE), "parcels_out": len(HOSTILE), "rejected": 0}


def test_no_cell_of_a_csv_begins_a_formula_or_hides_a_sign(results: Path) -> None:
    seen = ""
    for path in files(results, ".csv"):
        with path.open(encoding="utf-8-sig", newline="") as file:
            rows = list(csv.reader(file))
        assert len({len(row) for row in rows}) == 1
        cells = [cell for row in rows for cell in row]
        assert not [cell[:40] for cell in cells if FORMULA.match(cell) or UNSEEN.search(cell)], path.name
        seen += "\n".join(cells)
    assert all(text in seen for text in (HOSTILE[0], HOSTILE[5], HOSTILE[7]))


def test_no_cell_of_a_workbook_is_a_formula_of_theirs_or_a_link(results: Path) -> None:
    for path in files(results, ".xlsx"):
        cells = [cell for sheet in openpyxl.load_workbook(path) for row in sheet.iter_rows() for cell in row]
        texts = [str(cell.value) for cell in cells if cell.data_type == "s"]
        assert any(HOSTILE[0] in text for text in texts)
        assert not [cell.coordinate for cell in cells if cell.hyperlink]
        formulas = [str(cell.value) for cell in cells if cell.data_type == "f"]
        assert bool(formulas) == (path.name == "bid.xlsx")
        assert not [text for text in formulas if re.search(r"HYPERLINK|cmd|A0|SUM\(1\)|http|\[", text)]
        with zipfile.ZipFile(path) as parts:
            assert not [name for name in parts.namelist() if re.search("external|vba|embed", name, re.IGNORECASE)]
            links = [parts.read(name) for name in parts.namelist() if name.endswith(".rels")]
        assert not any(b"External" in text for text in links)


def test_papers_show_the_texts_and_do_nothing(results: Path) -> None:
    for path in files(results, ".pdf"):
        paper = pypdf.PdfReader(path)
        shown = "\n".join(page.extract_text() for page in paper.pages)
        assert all(text in shown for text in ("=HYPERLINK", "</script>", "<img", "DROP TABLE", "etc/passwd")), path.name
        assert not UNSEEN.search(shown)
        objects = [paper.get_object(number) for number in range(1, len(paper.xref[0]) + 1)]
        names = {str(key) for one in objects if isinstance(one, dict) for key in one}
        active = {"/JS", "/JavaScript", "/AA", "/OpenAction", "/Launch", "/URI", "/EmbeddedFiles", "/AcroForm"}
        assert not names & active
        marks = [mark.get_object() for page in paper.pages for mark in page.get("/Annots", [])]
        # The key plan leads to the lots' pages; nothing leads out.
        assert all(mark["/Subtype"] == "/Link" and "/Dest" in mark and "/A" not in mark for mark in marks)


def test_reports_show_no_hidden_signs(results: Path) -> None:
    for path in files(results, ".txt"):
        assert not UNSEEN.search(path.read_text(encoding="utf-8"))


@pytest.mark.parametrize("plan", PLANS)
def test_pages_run_no_script_of_theirs(plan: str, results: Path, open_page) -> None:
    opened = open_page(results / plan / "map.html")
    names = shown_ids(opened.page)
    assert {HOSTILE[0], HOSTILE[5], HOSTILE[6]} <= set(names)
    for text in (HOSTILE[5], HOSTILE[6], "javascript:window.broken=1"):
        opened.page.evaluate("(text) => { location.hash = '#lot=' + encodeURIComponent(text) }", text)
    opened.page.wait_for_timeout(100)
    assert opened.page.evaluate("window.broken") is None
    assert opened.page.evaluate("document.querySelectorAll('img[src=x], a[href^=javascript], iframe').length") == 0
    assert not [address for address in opened.requests if not address.startswith(("file:", "data:", "blob:"))]
    assert not opened.complaints


def test_results_are_as_open_as_the_user_lets_files_be(results: Path) -> None:
    for name in PLANS:
        assert stat.S_IMODE((results / name).stat().st_mode) == 0o755
        assert {stat.S_IMODE(path.stat().st_mode) for path in (results / name).iterdir()} == {0o644}


@pytest.mark.parametrize(
    "name",
    [
        *("../x.csv", "/tmp/x.csv", "a/x.csv", "..\\x.csv", "C:x.csv", "C:\\x.csv", ".x.csv", "..", ".", "", "x", "x."),  # noqa: S108
        *("x\0.csv", "x\n.csv", "\u202evsc.exe.csv", "run.json", "RUN.JSON", "a" * 300 + ".csv", "x.csv/", "x.csv:y"),
    ],
)
def test_a_file_name_that_leaves_the_folder_is_refused(name: str) -> None:
    plan = county_plan(Path("towns.gpkg"))
    rows = [replace(row, gives=name) if row.use == "write_specs_table" else row for row in plan.steps]
    with pytest.raises(PipelineError, match="no plain file name"):
        check_plan(replace(plan, steps=tuple(rows)))


@pytest.mark.parametrize("tiles", [False, True])
def test_links_inside_the_target_are_not_written_through(tiles: bool, tmp_path: Path) -> None:
    towns = write_towns(tmp_path / "towns.gpkg", towns=1)
    plan = county_plan(towns)
    plan = plan if tiles else replace(plan, tiles=None)
    out, outside = tmp_path / "out", tmp_path / "outside"
    run_plan(plan, out)
    outside.mkdir()
    (outside / "kept.csv").write_text("kept")
    for name in ("specs.csv", "lots.gpkg"):
        (out / name).unlink()
        (out / name).symlink_to(outside / "kept.csv")
    (out / "mine").symlink_to(outside)
    run_plan(plan, out)
    assert (outside / "kept.csv").read_text() == "kept"
    assert not (out / "specs.csv").is_symlink()
    assert (out / "mine").is_symlink()
    assert sorted(path.name for path in tmp_path.iterdir()) == ["out", "outside", "towns.gpkg"]


def test_a_target_that_is_a_link_leads_to_its_folder(tmp_path: Path) -> None:
    towns = write_towns(tmp_path / "towns.gpkg", towns=1)
    (tmp_path / "real").mkdir(mode=0o700)
    (tmp_path / "out").symlink_to("real")
    for _ in range(2):
        run_plan(replace(county_plan(towns), tiles=None), tmp_path / "out")
    assert (tmp_path / "out").is_symlink()
    assert (tmp_path / "real" / "specs.csv").is_file()
    assert stat.S_IMODE((tmp_path / "real").stat().st_mode) == 0o700  # what the user has closed stays closed
    assert sorted(path.name for path in tmp_path.iterdir()) == ["out", "real", "towns.gpkg"]


@pytest.mark.parametrize("tiles", [False, True])
def test_work_under_way_is_its_owners_alone(tiles: bool, tmp_path: Path) -> None:
    towns = write_towns(tmp_path / "towns.gpkg", towns=2)
    plan = county_plan(towns, "tiles.lots=4")
    seen: dict[str, int] = {}

    def progress(name: str, number: int, total: int) -> None:
        seen.update({path.name: stat.S_IMODE(path.stat().st_mode) for path in tmp_path.glob(".out-*")})

    before = os.umask(0)
    try:
        run_plan(plan if tiles else replace(plan, tiles=None), tmp_path / "out", progress=progress)
    finally:
        os.umask(before)
    assert len(seen) == (2 if tiles else 1)
    assert set(seen.values()) == {0o700}


@pytest.mark.parametrize(
    "use",
    [
        *("evil", "evil:run", "evil.run", "os:system", "os.system", "builtins:exec", "__import__('evil')"),
        *("geotools.pricing:price_lots", "geotools.cli", "../evil", "./evil.py", "evil.py", "price_lots; import evil"),
    ],
)
def test_a_plan_can_import_no_code(use: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    mark = tmp_path / "was run"
    (tmp_path / "evil.py").write_text(f"open({str(mark)!r}, 'w').close()\ndef run(parcels): return parcels\n")
    monkeypatch.syspath_prepend(str(tmp_path))
    monkeypatch.chdir(tmp_path)
    text = f'[inputs]\nparcels = "lots.gpkg"\n[[step]]\nuse = """{use}"""\ngives = "x"\n'
    (tmp_path / "plan.toml").write_text(text)
    with pytest.raises(StepError):
        check_plan(read_plan(tmp_path / "plan.toml"))
    assert not mark.exists()
    assert "evil" not in sys.modules


@pytest.mark.parametrize(
    "text",
    [
        'import = "evil"',
        'plugins = ["evil"]',
        '[tool]\nimport = "evil"',
        '[engine]\nmodule = "evil"',
        '[parcels]\nid = "!!python/object/apply:os.system"',
        "[design]\nbody_length = \"__import__('evil')\"",
        '[[step]]\nuse = "weigh_factors"\nmodule = "evil"',
        '[[step]]\nuse = "weigh_factors"\nweights = "__import__(\'evil\')"',
    ],
)
def test_no_other_key_of_a_plan_imports_code(text: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    mark = tmp_path / "was run"
    (tmp_path / "evil.py").write_text(f"open({str(mark)!r}, 'w').close()\n")
    monkeypatch.syspath_prepend(str(tmp_path))
    towns = write_towns(tmp_path / "towns.gpkg", towns=1)
    inputs = "".join(f'{name} = "{towns}#{name}"\n' for name in LAYERS)
    if not text.startswith("["):
        text, inputs = "", f"{text}\n[inputs]\n{inputs}"
    else:
        inputs = f"[inputs]\n{inputs}"
    rows = '[[step]]\nuse = "measure_factors"\ngives = "factors"\n'
    (tmp_path / "plan.toml").write_text(f"{inputs}{text}\n{rows}")
    with pytest.raises(GeotoolsError):
        run_plan(read_plan(tmp_path / "plan.toml"), tmp_path / "out")
    assert not mark.exists()
    assert "evil" not in sys.modules
