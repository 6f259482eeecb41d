"""The map in a browser without a network: what is drawn and chosen, for eyes, keyboard and readers; data stay data."""

from __future__ import annotations

import importlib
import os
from importlib import resources
from urllib.parse import quote

import numpy as np
import pytest
import shapely
from map_pages import PHONE, TITLE, click_lot

from geotools.outputs.cautions import CAUTIONS
from geotools.outputs.map import draw_map

# --- opening ---------------------------------------------------------------------------------------------------------


def test_page_opens_with_no_request_and_no_complaint(opened, town):
    page = opened.page
    assert [url for url in opened.requests if not url.startswith(("file:", "data:"))] == []
    assert opened.complaints == []
    assert page.title() == TITLE
    assert page.evaluate("document.documentElement.lang") == "en"
    assert page.evaluate("lotMap.plan.lots.count") == len(town.lots)
    assert page.evaluate("document.documentElement.scrollWidth <= window.innerWidth")
    assert page.evaluate("document.querySelector('.leaflet-image-layer').naturalWidth") > 50


def test_map_is_really_painted(desktop):
    shades = desktop.page.evaluate(
        """() => {
            const canvas = document.querySelector("#ground canvas");
            const dots = canvas.getContext("2d").getImageData(0, 0, canvas.width, canvas.height).data;
            const seen = new Set();
            for (let i = 0; i < dots.length; i += 4) {
                if (dots[i + 3] === 255) seen.add(dots[i] * 65536 + dots[i + 1] * 256 + dots[i + 2]);
            }
            return [...seen];
        }"""
    )
    assert {0x0A4FA3, 0xC8002B, 0xFFD91A} <= set(shades)


def test_ten_lots_lie_on_the_page_where_their_coordinates_say(desktop, town):
    degrees = town.lots.to_crs(4326).geometry
    for row in np.linspace(0, len(town.lots) - 1, 10).astype(int).tolist():
        corners = shapely.get_coordinates(degrees.iloc[row])
        wanted = desktop.page.evaluate(
            "(all) => all.map(([x, y]) => { const p = map_plan.latLngToContainerPoint([y, x]); return [p.x, p.y]; })",
            corners.tolist(),
        )
        got = desktop.page.evaluate(
            """(row) => {
                const { lots, featureOf } = lotMap.plan, world = lotMap.draw.worldView(map_plan.getZoom());
                const corner = map_plan.getPixelOrigin().subtract(map_plan._getMapPanePos()), places = [];
                const part = lots.firstPart[featureOf[row]], [left, top] = [world.x - corner.x, world.y - corner.y];
                for (let p = lots.firstPoint[part]; p < lots.firstPoint[part + 1]; p++)
                    places.push([left + lots.xy[2 * p] * world.scale, top - lots.xy[2 * p + 1] * world.scale]);
                return places;
            }""",
            row,
        )
        away = np.hypot(*(np.array(wanted)[:, None] - np.array(got)[None]).transpose(2, 0, 1)).min(axis=1)
        assert away.max() < 1.0  # within a pixel on the screen


def test_a_lot_is_painted_inside_its_corners_and_not_beyond(open_page, town, tmp_path):
    lots = town.lots.iloc[:1]
    draw_map(lots.assign(parcel_id="1"), town.barrier_lines.iloc[:0], path=tmp_path / "one.html")
    page = open_page(tmp_path / "one.html").page
    page.evaluate("map_plan.setView(lotMap.plan.lotBounds(0).getCenter(), 20, { animate: false })")
    corners = shapely.get_coordinates(lots.to_crs(4326).geometry.iloc[0])
    box = page.evaluate(
        """() => {
            const canvas = document.querySelector("#ground canvas"), frame = canvas.getBoundingClientRect();
            const map = map_plan.getContainer().getBoundingClientRect(), ratio = canvas.width / frame.width;
            const dots = canvas.getContext("2d").getImageData(0, 0, canvas.width, canvas.height).data;
            let [w, n, e, s] = [1e9, 1e9, -1, -1];
            for (let y = 0; y < canvas.height; y++) for (let x = 0; x < canvas.width; x++) {
                if (dots[4 * (y * canvas.width + x) + 3] < 128) continue;
                [w, e, n, s] = [Math.min(w, x), Math.max(e, x + 1), Math.min(n, y), Math.max(s, y + 1)];
            }
            const [left, top] = [frame.x - map.x, frame.y - map.y];
            return [w / ratio + left, n / ratio + top, e / ratio + left, s / ratio + top];
        }"""
    )
    pixels = np.array(
        page.evaluate(
            "(all) => all.map(([x, y]) => { const p = map_plan.latLngToContainerPoint([y, x]); return [p.x, p.y]; })",
            corners.tolist(),
        )
    )
    np.testing.assert_allclose(
        box, [*pixels.min(0), *pixels.max(0)], atol=2.0
    )  # a pixel, and half the outline of up to 2.2


def test_legend_cautions_scale_and_north_are_there(opened):
    page = opened.page
    assert page.get_by_text("North is up").is_visible()
    scale = page.locator(".leaflet-control-scale").inner_text()
    assert " m" in scale
    assert " ft" in scale
    if not page.locator("#legend").is_visible():
        page.get_by_role("button", name="Legend", exact=True).first.click()
    legend = page.locator("#legend").inner_text()
    words = (
        "80 to 100",
        "0 to 20",
        "Along the lot line",
        "Around the yard",
        "Around the house",
        "Ways in",
        "Washes",
        "feet",
        "inches",
    )
    assert [word for word in words if word not in legend] == []
    if page.locator(".views").is_visible():
        page.get_by_role("button", name="Lots", exact=True).click()
    page.locator("#cautions summary").click()
    for caution in CAUTIONS:
        assert page.get_by_text(caution).last.is_visible()


# --- choosing --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("place", [-1, -3])
def test_click_on_a_lot_shows_its_card_and_row_and_hostile_ids_as_text(opened, town, place):
    row = len(town.lots) + place
    click_lot(opened.page, row)
    assert opened.page.locator("#card h2").inner_text() == f"Lot {town.hostile_ids[place]}"
    assert opened.page.evaluate("window.broken") is None
    assert opened.page.locator("#card img, #rows img, #card script, #rows script").count() == 0
    lot = town.lots.iloc[row]
    text = opened.page.locator("#card").inner_text()
    assert lot["verdict"] in text
    assert lot["reason"] in text
    assert f"Exposure {lot['exposure']:.1f} of 100" in text
    if opened.page.locator(".views").is_visible():
        opened.page.get_by_role("button", name="Lots", exact=True).click()
    chosen = opened.page.locator("tr[aria-selected='true']")
    assert chosen.locator("td").first.text_content() == town.hostile_ids[place]
    assert opened.complaints == []


def test_click_on_a_row_shows_the_lot_on_the_map(opened):
    page = opened.page
    if page.locator(".views").is_visible():
        page.get_by_role("button", name="Lots", exact=True).click()
    line = page.locator("tr[data-place='3']")
    lot_id = line.locator("td").first.text_content()
    line.click()
    assert page.locator("#card h2").inner_text() == f"Lot {lot_id}"
    assert page.evaluate("document.body.dataset.view") == "map"
    seen = page.evaluate(
        "map_plan.getBounds().contains(lotMap.plan.lotBounds(lotMap.plan.state.chosen.row).getCenter())"
    )
    assert seen
    assert page.evaluate("decodeURIComponent(location.hash)") == f"#lot={lot_id}"


def test_card_gives_the_spec_with_units_the_parts_of_the_score_and_the_sheet(desktop, town):
    chosen = (town.lots["verdict"] == "build") & (town.lots["option"] == "house loop")
    row = int(np.flatnonzero(chosen)[0])
    click_lot(desktop.page, row)
    text = desktop.page.locator("#card").inner_text()
    lot = town.lots.iloc[row]
    for words in (
        "house loop",
        f"{lot['length_m'] / 0.3048:,.1f} ft",
        "36 in",
        "0.25 in",
        "6 in",
        "48 in",
        "31",
        "$456",
        CAUTIONS[0],
    ):
        assert words in text
    assert f"${(12_300 + row) / 100:,.0f}" in text
    shown = [float(part) for part in desktop.page.locator(".part b").all_inner_texts()]
    assert len(shown) == 4
    assert sum(shown) == pytest.approx(lot["exposure"], abs=4 * 0.05)  # four parts, each shown to 0.1
    link = desktop.page.get_by_role("link", name="Sheet (page").get_attribute("href")
    on_sheets = town.lots["verdict"].isin(["build", "retrofit", "do not build"])
    in_front = 1 + -(-int(on_sheets.sum()) // 44)  # a key plan, an index of 44 lines a page
    assert link == f"sheets.pdf#page={in_front + 1 + int(on_sheets.iloc[:row].sum())}"


def test_what_is_to_be_put_right_is_listed_and_leads_to_its_own_card(desktop, town):
    lot_id = town.ways_in["parcel_id"].iloc[0]
    desktop.page.locator("#search").fill(lot_id)
    desktop.page.locator("#search").press("Enter")
    assert "screen with 1/4 in mesh" in desktop.page.locator("#card").inner_text()
    desktop.page.get_by_role("button", name="drain, opening 1.57 in").click()
    assert desktop.page.locator("#card h2").inner_text() == "Way in"
    desktop.page.get_by_role("button", name="Show its lot").click()
    assert desktop.page.locator("#card h2").inner_text() == f"Lot {lot_id}"


def test_planned_gates_are_drawn_listed_and_have_a_card(desktop, town, planned_gates):
    page = desktop.page
    entry = page.locator("#legend label", has_text="Gates to build")
    assert entry.locator(".count").inner_text() == str(len(planned_gates))
    lot_id = planned_gates["parcel_id"][0]
    place = page.evaluate(
        """([x, y]) => {
            map_plan.setView([y, x], 21, { animate: false });
            const spot = map_plan.latLngToContainerPoint([y, x]);
            const frame = map_plan.getContainer().getBoundingClientRect();
            return [frame.x + spot.x, frame.y + spot.y];
        }""",
        shapely.get_coordinates(planned_gates.to_crs(4326).geometry[0])[0].tolist(),
    )
    for name in ("ways_in", "footholds"):
        page.locator(f"input[data-shows='{name}']").uncheck()
    page.mouse.click(*place)
    text = page.locator("#card").inner_text()
    for words in ("Gate to build", "10 ft", "4 ft", "beside the <b>house</b>", str(lot_id)):
        assert words in text
    page.get_by_role("button", name="Show its lot").click()
    assert "Gates to build" in page.locator("#card").inner_text()
    page.get_by_role("button", name="width 4 ft").click()
    assert page.locator("#card h2").inner_text() == "Gate to build"


def test_address_names_a_lot_and_a_wrong_one_is_said(open_page, map_file, town):
    hostile = town.hostile_ids[2]
    opened = open_page(map_file, fragment=f"#lot={quote(hostile)}")
    assert opened.page.locator("#card h2").inner_text() == f"Lot {hostile}"
    opened.page.evaluate("location.hash = '#lot=' + encodeURIComponent('<img src=x onerror=window.broken=1>no')")
    opened.page.wait_for_function("document.getElementById('status').textContent.includes('There is no lot')")
    opened.page.evaluate("location.hash = '#lot=%E0%A4%A'")
    assert opened.page.locator("#status img").count() == 0
    assert opened.complaints == []


def test_link_to_a_lot_is_copied(desktop, town):
    desktop.page.context.grant_permissions(["clipboard-read", "clipboard-write"])
    click_lot(desktop.page, len(town.lots) - 1)
    desktop.page.get_by_role("button", name="Copy link").click()
    desktop.page.wait_for_function("document.getElementById('status').textContent === 'Link copied'")
    text = desktop.page.evaluate("navigator.clipboard.readText()")
    assert text.endswith(f"map.html#lot={quote(town.hostile_ids[-1], safe='')}")


def test_each_side_of_a_line_carries_its_length(desktop, town):
    chosen = town.barrier_lines[town.barrier_lines["recommended"] & (town.barrier_lines["option"] == "lot line")].iloc[
        0
    ]
    words = desktop.page.evaluate(
        """(line) => {
            const layer = lotMap.read.layers.find(({ id }) => id === "advised_lot_line"), words = [];
            const lines = lotMap.read.tables.barrier_lines;
            const own = [...Array(lines.count).keys()].find((n) => lines.value("line_id", n) === line);
            const lots = lotMap.read.tables.lots, id = lines.value("parcel_id", own);
            const row = [...Array(lots.count).keys()].find((n) => lots.value("parcel_id", n) === id);
            lotMap.plan.state.chosen = { table: "lots", row }; // its lengths come first
            const i = layer.shapes.rows.findIndex((n) => lotMap.read.tables.barrier_lines.value("line_id", n) === line);
            const scale = 70 / 1000, [west, south, east, north] = layer.shapes.box.subarray(4 * i, 4 * i + 4);
            const pen = document.createElement("canvas").getContext("2d");
            pen.fillText = (text) => words.push(text);
            // a window just about the line, so that its neighbours' lengths are few
            const size = [(east - west) * scale, (north - south) * scale];
            lotMap.draw.paint(pen, lotMap.draw.viewOf(scale, -west * scale, north * scale, ...size));
            return words.filter((text) => text.endsWith(" ft"));
        }""",
        chosen["line_id"],
    )
    feet = [float(text.removesuffix(" ft")) for text in words]
    sides = shapely.get_coordinates(chosen.geometry)
    wanted = np.hypot(*np.diff(sides, axis=0).T) / 0.3048
    for side in wanted[wanted > 10]:
        assert np.abs(np.array(feet) - side).min() < 0.15  # shown to 0.1 ft, as the whole line is


# --- keyboard and readers --------------------------------------------------------------------------------------------


def test_keyboard_reaches_everything_and_focus_is_seen(desktop, town):
    page = desktop.page
    reached = []
    page.locator("body").focus()
    for _ in range(70):
        page.keyboard.press("Tab")
        reached.append(
            page.evaluate(
                "document.activeElement.id || document.activeElement.className || document.activeElement.tagName"
            )
        )
        outline = page.evaluate("getComputedStyle(document.activeElement).outlineWidth")
        if page.evaluate("document.activeElement !== document.body"):
            assert outline == "3px", reached[-1]
        if reached[-1] == "BODY":
            break
    for wanted in (
        "save-table",
        "print",
        "map_plan",
        "legend-switch",
        "label-choice",
        "search",
        "clear",
        "budget-stop",
    ):
        assert any(wanted in one for one in reached), wanted
    page.locator("tr[tabindex='0']").focus()
    for key in ("ArrowDown", "ArrowDown", "End", "Home", "PageDown", "Enter"):
        page.keyboard.press(key)
    assert page.locator("#card h2").is_visible()
    assert page.evaluate("document.activeElement.getAttribute('aria-selected')") == "true"
    page.get_by_role("button", name="Close").click()
    assert page.locator("#card").is_hidden()


@pytest.mark.parametrize("size", [(1400, 900), PHONE], ids=["desktop", "phone"])
def test_no_serious_finding_of_the_accessibility_audit(open_page, map_file, town, size):
    try:
        carrier = importlib.import_module("axe_playwright_python")
    except ImportError:
        if os.environ.get("CI") == "true":
            raise
        pytest.skip("axe-playwright-python is not installed: install the test extras")
    page = open_page(map_file, size=size).page
    page.evaluate(resources.files(carrier).joinpath("axe.min.js").read_text(encoding="utf-8") + ";0")

    def audit():
        found = page.evaluate(
            "async () => (await axe.run()).violations.map((one) => [one.id, one.impact, one.nodes[0].html])"
        )
        assert [one for one in found if one[1] in ("serious", "critical")] == []

    audit()
    click_lot(page, len(town.lots) - 1)
    audit()
    if size == PHONE:
        for name in ("Lots", "Legend"):
            page.locator(".views").get_by_role("button", name=name, exact=True).click()
            audit()
    page.evaluate("document.getElementById('cautions').open = true")
    audit()


@pytest.mark.published("WCAG 2.2, 1.4.3: contrast of text at least 4.5")
def test_every_text_on_the_page_stands_out_from_its_ground(desktop, town):
    """The audit leaves out texts that it can't place; this reads the colours that the style sheet gives."""
    click_lot(desktop.page, len(town.lots) - 1)
    pairs = desktop.page.evaluate(
        """() => {
            const rgb = (text) => text.match(/[\\d.]+/g).map(Number);
            const hasWords = (one) => [...one.childNodes].some((n) => n.nodeType === 3 && n.data.trim());
            const speaks = (one) => one.checkVisibility() && hasWords(one);
            const groundOf = (one) => {
                while (one && (rgb(getComputedStyle(one).backgroundColor)[3] ?? 1) < 0.85) one = one.parentElement;
                return getComputedStyle(one ?? document.body).backgroundColor;
            };
            return [...document.querySelectorAll("body *")].filter(speaks)
                .map((one) => [one.textContent.slice(0, 30), rgb(getComputedStyle(one).color), rgb(groundOf(one))]);
        }"""
    )

    def light(colour):
        parts = np.array(colour[:3]) / 255
        return float(
            np.where(parts <= 0.04045, parts / 12.92, ((parts + 0.055) / 1.055) ** 2.4) @ [0.2126, 0.7152, 0.0722]
        )

    assert len(pairs) > 80
    for text, ink, ground in pairs:
        dark, bright = sorted([light(ink), light(ground)])
        assert (bright + 0.05) / (dark + 0.05) >= 4.5, (text, ink, ground)
