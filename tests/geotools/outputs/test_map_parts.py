"""A map too large for one page: every lot in one part, found from the first page, and the pages linked both ways."""

from __future__ import annotations

import json
import re
import threading
from urllib.parse import quote

import pytest
import shapely
from map_pages import TITLE, click_lot, draw_town, shown_ids

from geotools.outputs.map_parts import split_lots
from geotools.viewing import make_server

MOST_PER_PART = 30


@pytest.fixture(scope="module")
def folder(town, elevation, tmp_path_factory):
    folder = tmp_path_factory.mktemp("parts")
    draw_town(
        town, folder / "map.html", title=TITLE, elevation=elevation, most_lots_count=100,
        most_lots_per_part_count=MOST_PER_PART,
    )  # fmt: skip
    return folder


def content_of(path):
    page = path.read_text(encoding="utf-8")
    return json.loads(re.search(r'<script type="application/json" id="plan-data">(.*?)</script>', page, re.DOTALL)[1])


def ids_of(path, table="lots"):
    fields = content_of(path)["tables"][table]["fields"]
    return next(field for field in fields if field["name"] == "parcel_id")["words"]


def part_files(folder):
    return sorted(folder.glob("map-*.html"))


def test_every_lot_is_in_one_part_and_no_part_is_over_its_limit(folder, town):
    held = [ids_of(path) for path in part_files(folder)]
    assert len(held) >= 120 / MOST_PER_PART
    assert sorted(name for ids in held for name in ids) == sorted(town.lots["parcel_id"])
    assert max(map(len, held)) <= MOST_PER_PART
    assert [path.name for path in part_files(folder)] == content_of(folder / "map.html")["files"]


def test_what_belongs_to_a_lot_goes_with_it(folder, town):
    for name in ("barrier_lines", "ways_in", "footholds"):
        counts = [content_of(path)["tables"][name]["count"] for path in part_files(folder)]
        assert sum(counts) == len(getattr(town, name))
    for path in part_files(folder):
        assert set(ids_of(path, "barrier_lines")) <= set(ids_of(path))


def test_squares_agree_with_a_count_lot_by_lot(town):
    lots = town.lots.copy()
    lots.loc[4, "geometry"] = None
    squares = split_lots(lots, most_lots=MOST_PER_PART)
    for row in range(len(lots)):
        if row == 4:
            assert squares.of_lot[row] == -1
            assert squares.part_of_lot[row] == squares.part.max()
            continue
        spot = shapely.point_on_surface(lots.geometry[row])
        square = squares.of_lot[row]
        west = squares.corner[0] + squares.column[square] * squares.side_m
        south = squares.corner[1] + squares.row[square] * squares.side_m
        assert west <= spot.x < west + squares.side_m
        assert south <= spot.y < south + squares.side_m
        assert squares.part_of_lot[row] == squares.part[square]


def test_a_crowded_square_is_a_part_by_itself(town):
    lots = town.lots.iloc[[0] * 70].reset_index(drop=True)
    assert split_lots(lots, most_lots=MOST_PER_PART).part_of_lot.tolist() == [0] * 70


def test_same_input_gives_the_same_files(folder, town, elevation, tmp_path):
    draw_town(
        town, tmp_path / "map.html", title=TITLE, elevation=elevation, most_lots_count=100,
        most_lots_per_part_count=MOST_PER_PART,
    )  # fmt: skip
    assert sorted(path.name for path in tmp_path.iterdir()) == sorted(path.name for path in folder.iterdir())
    for path in tmp_path.iterdir():
        assert path.read_bytes() == (folder / path.name).read_bytes()


def test_squares_sum_up_their_lots(open_page, folder, town):
    opened = open_page(folder / "map.html")
    page = opened.page
    assert opened.complaints == []
    assert [url for url in opened.requests if not url.startswith(("file:", "data:"))] == []
    rows = page.evaluate(
        """() => { const { lots } = lotMap.read.tables, all = [];
            for (let row = 0; row < lots.count; row++)
                all.push(Object.fromEntries(lots.fields.map(({ name }) => [name, lots.value(name, row)])));
            return all; }"""
    )
    assert sum(row["lots"] for row in rows) == len(town.lots)
    assert sum(row["to_build"] for row in rows) == town.lots["verdict"].isin(["build", "retrofit"]).sum()
    assert sum(row["lots_80_to_100"] for row in rows) == (town.lots["exposure"].round(1) >= 80).sum()
    assert max(row["highest_exposure"] for row in rows) == pytest.approx(town.lots["exposure"].max(), abs=0.05)
    mean = sum(row["exposure"] * row["lots"] for row in rows) / len(town.lots)
    assert mean == pytest.approx(town.lots["exposure"].mean(), abs=0.1)  # each square's mean is kept to 0.1
    assert page.locator("#summary").inner_text().startswith("120 lots")
    page.locator("input[value='to build']").check()
    assert page.locator("#legend").get_by_text("3 in 4 or more").is_visible()


def test_search_leads_to_the_lot_on_its_part_and_back(open_page, folder, town):
    page = open_page(folder / "map.html").page
    for name in (town.lots["parcel_id"][0], town.lots["parcel_id"][60], *town.hostile_ids):
        page.locator("#search").fill(name)
        page.wait_for_function("document.querySelectorAll('#hits a').length === 1")
        assert page.locator("#hits a").inner_text() == f"Lot {name}"
        page.locator("#hits a").click()
        page.wait_for_url("**/map-*.html#lot=*")
        assert page.locator("#card h2").inner_text() == f"Lot {name}"
        assert page.evaluate("window.broken") is None
        page.get_by_role("link", name="Whole site").click()
        page.wait_for_url("**/map.html")
    page.locator("#search").fill("0010")
    page.wait_for_function("document.querySelectorAll('#hits a').length === 10")
    page.locator("#search").press("Enter")
    page.wait_for_url("**/map-*.html#lot=*")
    assert page.locator("#card h2").inner_text() == "Lot 00100"


def test_a_part_sends_on_what_it_does_not_have(open_page, folder, town):
    first, last = part_files(folder)[0], part_files(folder)[-1]
    elsewhere = next(name for name in ids_of(last) if name.isdigit())
    page = open_page(first).page
    page.locator("#search").fill(elsewhere)
    page.locator("#hits a").click()
    page.wait_for_url("**/map.html#find=*")
    page.wait_for_selector("#hits a")
    assert page.locator("#search").input_value() == elsewhere
    assert page.locator("#hits a").inner_text() == f"Lot {elsewhere}"
    page.goto(f"{first.as_uri()}#lot={quote(elsewhere)}")
    page.wait_for_url(f"**/{last.name}#lot={quote(elsewhere)}")
    page.wait_for_selector("#card h2")
    assert page.locator("#card h2").inner_text() == f"Lot {elsewhere}"
    page.goto(f"{first.as_uri()}#lot=none")
    page.wait_for_function("document.getElementById('status').textContent.includes('There is no lot none')")


def test_parts_lie_beside_each_other_and_show_the_ground_about_them(open_page, folder, town):
    files = part_files(folder)
    page = open_page(files[1]).page
    assert page.title() == f"{TITLE}, part 2 of {len(files)}"
    names = page.locator(".links a").all_inner_texts()
    assert names == ["Whole site", "Part 1", "Part 3"]
    page.get_by_role("link", name="Part 3").click()
    page.wait_for_url(f"**/{files[2].name}")
    page.wait_for_function("typeof lotMap !== 'undefined' && lotMap.ready")
    click_lot(page, 0)
    rank = town.lots.set_index("parcel_id").loc[page.evaluate("lotMap.read.tables.lots.value('parcel_id', 0)")]
    assert f"place {rank['exposure_rank']} of 120" in page.locator("#card").inner_text()
    for path in files:
        ids = [layer["id"] for layer in content_of(path)["layers"]]
        assert {"open_desert", "roads", "lots", "buildings"} <= set(ids)


def test_a_square_leads_to_its_part(open_page, folder):
    page = open_page(folder / "map.html").page
    page.locator("tr[data-place='0']").click()
    part = int(page.evaluate("lotMap.read.tables.lots.value('part', lotMap.plan.state.chosen.row)"))
    assert page.locator("#card h2").inner_text().startswith("Square ")
    assert page.evaluate("location.hash").startswith("#square=")
    page.get_by_role("link", name=f"See its lots on part {part}").click()
    page.wait_for_url(f"**/{part_files(folder)[part - 1].name}")
    page.wait_for_function("typeof lotMap !== 'undefined' && lotMap.ready")
    assert len(shown_ids(page)) > 0


def test_served_parts_open_and_watch_for_a_new_run(open_page, folder):
    with make_server(folder) as server:
        thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.02})
        thread.start()
        try:
            address = f"http://127.0.0.1:{server.server_address[1]}"
            opened = open_page(f"{address}/", fragment=f"#lot={ids_of(part_files(folder)[1])[0]}", offline=False)
            opened.page.wait_for_url("**/map-02.html#lot=*")
            opened.page.wait_for_selector("#card h2")
            assert "run.json" in opened.page.content()
            assert opened.page.evaluate("lotMap.ready")
        finally:
            opened.page.context.close()
            server.shutdown()
            thread.join()
