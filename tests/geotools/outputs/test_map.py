"""The map in a browser without a network: what is drawn, what a click shows, and that data stay data."""

from __future__ import annotations

import html
import importlib
import importlib.util
import json
import os
import re
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pandas as pd
import pytest

from geotools.errors import CrsError, OutputError
from geotools.outputs.cautions import CAUTIONS
from geotools.outputs.map import draw_map

BROWSER = Path("/usr/bin/chromium")
BROWSER_OPTIONS = [
    *("--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run"),
    *("--disable-background-networking", "--disable-component-update", "--disable-sync"),
]
OTHER_TABLES = ("ways_in", "wash_ground", "open_desert", "footholds", "buildings", "roads")
TITLE = "Plan <b>& co"


class Opened(NamedTuple):
    """A page that is open, and what it asked for and complained about."""

    page: object
    requests: list[str]
    complaints: list[str]


def _draw(town, path, **options):
    draw_map(town.lots, town.barrier_lines, **{n: getattr(town, n) for n in OTHER_TABLES}, path=path, **options)
    return path


@pytest.fixture(scope="module")
def map_file(town, tmp_path_factory):
    return _draw(town, tmp_path_factory.mktemp("map") / "map.html", title=TITLE)


@pytest.fixture(scope="module")
def browser():
    must_run = os.environ.get("CI") == "true"
    if not must_run and not BROWSER.exists():
        pytest.skip(f"no browser at {BROWSER}: install Debian's chromium to run the map's tests")
    if not must_run and not importlib.util.find_spec("playwright"):
        pytest.skip("playwright is not installed: install the test extras to run the map's tests")
    sync_api = importlib.import_module("playwright.sync_api")
    with sync_api.sync_playwright() as play:
        running = play.chromium.launch(executable_path=str(BROWSER), args=BROWSER_OPTIONS)
        yield running
        running.close()


@pytest.fixture(params=[(1400, 900), (390, 844)], ids=["desktop", "phone"])
def opened(request, browser, map_file):
    yield from _open(browser, map_file, request.param)


@pytest.fixture
def desktop(browser, map_file):
    yield from _open(browser, map_file, (1400, 900))


def _open(browser, path, size):
    context = browser.new_context(viewport={"width": size[0], "height": size[1]})
    context.set_offline(True)
    page = context.new_page()
    requests, complaints = [], []
    page.on("request", lambda request: requests.append(request.url))
    page.on("console", lambda message: complaints.append(message.text))
    page.on("pageerror", lambda error: complaints.append(str(error)))
    page.goto(path.as_uri())
    page.wait_for_function("document.readyState === 'complete'")
    yield Opened(page, requests, complaints)
    context.close()


def _click_lot(page, row):
    """Show the lot's neighbourhood, then click beside its house."""
    place = page.evaluate(
        """(row) => {
            for (const name of Object.keys(window).filter((key) => key.startsWith("shapes_lots_"))) {
                for (const lot of window[name].getLayers()) {
                    if (lot.feature.properties.row !== row) continue;
                    map_lots.setView(lot.getBounds().getCenter(), 20, {animate: false});
                    const corner = map_lots.latLngToContainerPoint(lot.getLatLngs()[0][0]);
                    const middle = map_lots.latLngToContainerPoint(lot.getBounds().getCenter());
                    const frame = map_lots.getContainer().getBoundingClientRect();
                    const inside = corner.add(middle.subtract(corner).multiplyBy(0.12));
                    return [frame.x + inside.x, frame.y + inside.y];
                }
            }
        }""",
        row,
    )
    page.mouse.click(*place)
    page.wait_for_selector(".leaflet-popup .card")


def test_page_opens_with_no_request_and_no_complaint(opened, town):
    assert [url for url in opened.requests if not url.startswith(("file:", "data:"))] == []
    assert opened.complaints == []
    assert opened.page.title() == TITLE
    assert opened.page.evaluate("document.documentElement.lang") == "en"
    drawn = opened.page.evaluate(
        "[0, 1, 2, 3, 4, 5].map((n) => window['shapes_lots_' + n]).filter((g) => g && map_lots.hasLayer(g))"
        ".reduce((sum, group) => sum + group.getLayers().length, 0)"
    )
    assert drawn == len(town.lots)
    assert opened.page.evaluate("document.documentElement.scrollWidth <= window.innerWidth")


def test_map_is_really_painted(desktop):
    shades = desktop.page.evaluate(
        """() => {
            const canvas = document.querySelector(".folium-map canvas");
            const dots = canvas.getContext("2d").getImageData(0, 0, canvas.width, canvas.height).data;
            const seen = new Set();
            for (let i = 0; i < dots.length; i += 4) {
                if (dots[i + 3] === 255) seen.add(dots[i] * 65536 + dots[i + 1] * 256 + dots[i + 2]);
            }
            return [...seen];
        }"""
    )
    assert {0x0A4FA3, 0xC8002B, 0xFFD91A} <= set(shades)


@pytest.mark.parametrize("place", [-1, -2])
def test_click_on_a_lot_shows_its_card_and_hostile_ids_as_text(opened, town, place):
    row = len(town.lots) + place
    _click_lot(opened.page, row)
    card = opened.page.locator(".leaflet-popup .card")
    assert card.locator("h2").inner_text() == f"Lot {town.hostile_ids[place]}"
    assert opened.page.evaluate("window.broken") is None
    assert opened.page.locator("img").count() == 0
    lot = town.lots.iloc[row]
    text = card.inner_text()
    assert lot["verdict"] in text
    assert lot["reason"] in text
    assert f"Exposure {lot['exposure']:.1f} of 100" in text
    assert opened.complaints == []


def test_card_gives_the_spec_with_units_and_the_parts_of_the_score(desktop, town):
    chosen = (town.lots["verdict"] == "build") & (town.lots["option"] == "house loop")
    row = int(np.flatnonzero(chosen)[0])
    _click_lot(desktop.page, row)
    text = desktop.page.locator(".leaflet-popup .card").inner_text()
    lot = town.lots.iloc[row]
    for words in ("house loop", f"{lot['length_m'] / 0.3048:,.1f} ft", "36 in", "0.25 in", "6 in", "48 in", "31"):
        assert words in text
    assert desktop.page.locator(".part").count() == 4
    shown = [float(part) for part in desktop.page.locator(".part b").all_inner_texts()]
    assert sum(shown) == pytest.approx(lot["exposure"], abs=4 * 0.05)  # four parts, each shown to 0.1


def test_legend_cautions_scale_and_north_are_there(opened):
    page = opened.page
    if not page.locator("#legend .inside").is_visible():
        page.locator("#legend summary").click()
        page.locator("#cautions summary").click()
    legend = page.locator("#legend").inner_text()
    for words in (
        "80 to 100",
        "0 to 20",
        "Along the lot line",
        "Around the yard",
        "Around the house",
        "Washes",
        "feet",
        "inches",
    ):
        assert words in legend
    for caution in CAUTIONS:
        assert page.get_by_text(caution).last.is_visible()
    scale = page.locator(".leaflet-control-scale").inner_text()
    assert " m" in scale
    assert " ft" in scale
    assert page.get_by_text("North is up").is_visible()


def test_other_lines_wait_for_their_switch(desktop):
    box = desktop.page.locator("input[data-layer='candidate_yard']")
    assert not box.is_checked()
    assert not desktop.page.evaluate("map_lots.hasLayer(shapes_candidate_yard)")
    box.check()
    assert desktop.page.evaluate("map_lots.hasLayer(shapes_candidate_yard)")
    desktop.page.locator("input[data-layer='lots_2']").uncheck()
    assert not desktop.page.evaluate("map_lots.hasLayer(shapes_lots_2)")
    desktop.page.locator("input[data-layer='lots_2']").check()
    lowest = desktop.page.evaluate("Math.max(...shapes_lots_2.getLayers().map((lot) => lot._leaflet_id))")
    order = desktop.page.evaluate(
        """() => { const ids = [];
            for (let o = map_lots._renderer._drawFirst; o; o = o.next) ids.push(o.layer._leaflet_id);
            return ids; }"""
    )
    marks = desktop.page.evaluate("shapes_ways_in.getLayers().map((mark) => mark._leaflet_id)")
    assert order.index(lowest) < min(order.index(mark) for mark in marks)
    assert desktop.complaints == []


def test_only_footholds_nearer_than_their_setback_are_drawn(desktop, town):
    wanted = int((town.footholds["distance_m"] < town.footholds["setback_m"]).sum())
    assert 0 < wanted < len(town.footholds)
    assert desktop.page.evaluate("shapes_footholds.getLayers().length") == wanted


def test_lots_lie_where_their_coordinates_say(desktop, town):
    wanted = town.lots.to_crs(4326).bounds
    found = {}
    for number in range(1, 6):
        text = desktop.page.evaluate(f"document.getElementById('data-lots_{number}').textContent")
        for feature in json.loads(text)["features"]:
            corners = np.array(feature["geometry"]["coordinates"][0])
            found[feature["properties"]["row"]] = [*corners.min(0), *corners.max(0)]
    got = pd.DataFrame.from_dict(found, orient="index").sort_index()
    np.testing.assert_allclose(got, wanted, atol=0.5001e-7)  # rounded to 7 decimals of a degree


def test_page_is_closed_to_the_network_and_to_the_data(map_file, town):
    page = map_file.read_text(encoding="utf-8")
    policy = "default-src 'none'; script-src 'unsafe-inline'; style-src 'unsafe-inline'; img-src data:;"
    assert policy in html.unescape(page[:2000])
    assert re.findall(r"<(?:script|link|img|iframe)[^>]*(?:src|href)=", page) == []
    assert "url(" not in "".join(re.findall(r"<style>(.*?)</style>", page, re.DOTALL))
    assert not any(hostile in page for hostile in town.hostile_ids[1:])
    assert page.count("<script") == page.count("</script>")


def test_same_input_gives_same_bytes(town, map_file, tmp_path):
    again = _draw(town, tmp_path / "map.html", title=TITLE)
    assert again.read_bytes() == map_file.read_bytes()


def test_five_hundred_lots_stay_under_two_megabytes_and_a_second_and_a_half(browser, large_town, tmp_path):
    path = _draw(large_town, tmp_path / "map.html")
    assert len(large_town.lots) == 500
    assert path.stat().st_size < 2_000_000
    for opened in _open(browser, path, (1400, 900)):
        spent_ms = opened.page.evaluate("performance.getEntriesByType('navigation')[0].loadEventEnd")
        assert spent_ms < 1500


def test_metric_map_says_so(town, tmp_path):
    page = _draw(town, tmp_path / "map.html", units="metric").read_text(encoding="utf-8")
    assert "Lengths in metres" in page
    assert '"unit":"mm"' in page


def test_tiles_are_let_in_only_when_asked_for(town, tmp_path):
    path = tmp_path / "map.html"
    page = _draw(town, path, tiles="https://{s}.invalid/{z}/{x}/{y}.png", tiles_credit="A <i>").read_text(
        encoding="utf-8"
    )
    assert "img-src data: https://*.invalid;" in page
    assert "A &lt;i&gt;" in page
    for wrong in ("http://invalid/{z}/{x}/{y}.png", "https://invalid/a.png", "https://a b;c/{z}/{x}/{y}"):
        with pytest.raises(OutputError, match="tiles"):
            _draw(town, path, tiles=wrong)


def test_gaps_in_the_data_are_drawn_around(town, tmp_path):
    lots = town.lots.copy()
    lots.loc[0, "geometry"] = None
    lots.loc[1, ["exposure", "exposure_rank"]] = [np.nan, np.nan]
    path = tmp_path / "map.html"
    draw_map(lots, town.barrier_lines.iloc[:0], path=path)
    assert "No score" in path.read_text(encoding="utf-8")
    with pytest.raises(OutputError, match="no lot has a geometry"):
        draw_map(lots.iloc[:1], town.barrier_lines, path=path)
    with pytest.raises(CrsError, match="roads"):
        draw_map(lots, town.barrier_lines, roads=town.roads.to_crs(4326), path=path)
