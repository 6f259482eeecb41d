"""What the tests of the map in a browser share: draw a town, click a lot, read the table, save a file."""

from __future__ import annotations

from geotools.outputs.map import draw_map

OTHER_TABLES = ("ways_in", "wash_ground", "open_desert", "footholds", "buildings", "roads")
TITLE = "Plan <b>& co"
PHONE = (390, 844)


def draw_town(town, path, **more):
    draw_map(town.lots, town.barrier_lines, **{n: getattr(town, n) for n in OTHER_TABLES}, path=path, **more)
    return path


def click_lot(page, row, share=0.12):
    """Show the lot's neighbourhood, then click beside its house."""
    place = page.evaluate(
        """([row, share]) => {
            const box = lotMap.plan.lotBounds(row), { lots, featureOf, latLngOf } = lotMap.plan;
            map_plan.setView(box.getCenter(), 20, { animate: false });
            const p = 2 * lots.firstPoint[lots.firstPart[featureOf[row]]];
            const corner = map_plan.latLngToContainerPoint(latLngOf(lots.xy[p], lots.xy[p + 1]));
            const middle = map_plan.latLngToContainerPoint(box.getCenter());
            const frame = map_plan.getContainer().getBoundingClientRect();
            const inside = corner.add(middle.subtract(corner).multiplyBy(share));
            return [frame.x + inside.x, frame.y + inside.y];
        }""",
        [row, share],
    )
    page.mouse.click(*place)
    page.wait_for_selector("#card h2")


def shown_ids(page):
    return page.evaluate("Array.from(lotMap.table.rows(), (row) => lotMap.read.tables.lots.value('parcel_id', row))")


def saved(page, button):
    with page.expect_download() as waiting:
        page.locator(button).click()
    return waiting.value.suggested_filename, waiting.value.path().read_bytes().decode("utf-8")
