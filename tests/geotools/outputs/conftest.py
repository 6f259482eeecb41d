"""Make up a small town at the desert's edge for the tests of what is written."""

from __future__ import annotations

import importlib
import importlib.util
import json
import os
from pathlib import Path
from typing import NamedTuple

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import rasterio
import shapely
from affine import Affine
from map_pages import PHONE, TITLE, draw_town

from geotools.rasters import open_raster

UTM_12_NORTH = "EPSG:32612"
WEST_M, SOUTH_M = 510_000.0, 3_575_000.0
LOT_WIDTH_M, LOT_DEPTH_M, STREET_M = 24.0, 36.0, 12.0
HOSTILE_IDS = (
    '=HYPERLINK("http://invalid","x")',
    "</script><script>window.broken=1</script>",
    "<img src=x onerror=window.broken=1>",
)


class Town(NamedTuple):
    """The working tables of a made-up run, in metres."""

    lots: gpd.GeoDataFrame
    barrier_lines: gpd.GeoDataFrame
    ways_in: gpd.GeoDataFrame
    footholds: gpd.GeoDataFrame
    rejected: gpd.GeoDataFrame
    wash_ground: gpd.GeoDataFrame
    open_desert: gpd.GeoDataFrame
    buildings: gpd.GeoDataFrame
    roads: gpd.GeoDataFrame
    hostile_ids: tuple[str, ...] = HOSTILE_IDS
    """Ids of the last lots: a formula, a script, a picture."""


def make_town(columns: int = 12, blocks: int = 5, seed: int = 7) -> Town:
    """Lots in double rows along bent streets; scores fall with the distance from the desert in the north and east."""
    rng = np.random.default_rng(seed)
    block_m = 2 * LOT_DEPTH_M + STREET_M
    place = [(c, b, side) for b in range(blocks) for side in (0, 1) for c in range(columns)]
    left = np.array([c * LOT_WIDTH_M for c, _, _ in place])
    low = np.array([b * block_m + side * LOT_DEPTH_M for _, b, side in place])
    corners = np.stack(
        [
            np.stack([left, low], 1),
            np.stack([left + LOT_WIDTH_M, low], 1),
            np.stack([left + LOT_WIDTH_M, low + LOT_DEPTH_M], 1),
            np.stack([left, low + LOT_DEPTH_M], 1),
        ],
        axis=1,
    )
    polygons = shapely.polygons(_bend(corners))
    count = len(polygons)
    middle = shapely.get_coordinates(shapely.centroid(polygons))
    width_m, depth_m = columns * LOT_WIDTH_M, blocks * block_m
    edge_m = np.minimum(SOUTH_M + depth_m - middle[:, 1], WEST_M + width_m - middle[:, 0]).clip(0)
    parts = {
        "points_desert_contact": np.where(edge_m < 30, rng.uniform(15, 38, count), 0.0),
        "points_distance_to_desert": 30 * np.exp(-edge_m / 90),
        "points_distance_to_wash": 18 * np.exp(-np.abs(middle[:, 0] - WEST_M - 0.62 * width_m) / 60),
        "points_cover": rng.uniform(0, 14, count),
    }
    exposure = np.sum(list(parts.values()), axis=0).clip(0, 100)
    near = exposure > 25
    verdict = np.where(~near, "not needed", rng.choice(["build", "retrofit", "already sound", "do not build"], count))
    reason = {
        "not needed": "No habitat within reach of the yard.",
        "build": "The yard can be closed with one line and one gate.",
        "retrofit": "The wall is sound but for two openings and a rail on the snake's side.",
        "already sound": "Every route crosses a sound wall at least 36 in high.",
        "do not build": "The wash crosses the lot line and may not be closed.",
    }
    ids = [f"{100 + i:05d}" for i in range(count)]
    ids[-len(HOSTILE_IDS) :] = HOSTILE_IDS
    built = np.isin(verdict, ["build", "retrofit"])
    option = np.where(built, rng.choice(["lot line", "yard", "house loop"], count), None)
    blank = np.where(built, 1.0, np.nan)
    lots = gpd.GeoDataFrame(
        {
            "parcel_id": ids,
            "exposure": exposure,
            "exposure_rank": pd.Series(exposure).rank(ascending=False, method="min").astype(int),
            "verdict": verdict,
            "reason": [reason[v] for v in verdict],
            "option": option,
            "length_m": shapely.length(polygons) * 0.7 * blank,
            "height_m": 0.9144 * blank,
            "mesh_opening_m": 0.00635 * blank,
            "burial_m": 0.1524 * blank,
            "roll_width_m": 1.2192 * blank,
            "posts": pd.array(np.where(built, 31, pd.NA), dtype="Int64"),
            "corners": 6 * blank,
            "gates": 1 * blank,
            "ways_in": rng.integers(0, 3, count),
            "footholds_to_clear": rng.integers(0, 4, count),
            "cost_low": np.nan,
            "cost_likely": np.nan,
            "cost_high": np.nan,
            **parts,
        },
        geometry=polygons,
        crs=UTM_12_NORTH,
    )
    houses = shapely.polygons(_bend(_boxes(left + 5, low + np.where(np.arange(count) // columns % 2, 8, 12), 14, 15)))
    return Town(
        lots,
        _make_lines(lots, houses, built),
        _make_points(
            lots, {"kind": "drain", "opening_m": 0.04, "remedy": "screen with 1/4 in mesh"}, built, -0.35, rng
        ),
        _make_footholds(lots, built, rng),
        gpd.GeoDataFrame(
            {"layer": ["parcels"], "row": [3], "reason": ["no geometry"], "geometry_text": [None]},
            geometry=[None],
            crs=UTM_12_NORTH,
        ),
        _frame([shapely.LineString(_wander(width_m, depth_m)).buffer(7)]),
        _frame([_desert(width_m, depth_m)]),
        _frame(houses),
        _frame([shapely.LineString(_bend(xy)) for xy in _streets(columns, blocks, block_m)]),
    )


@pytest.fixture(scope="session")
def town() -> Town:
    """A town of 120 lots with hostile ids."""
    return make_town()


@pytest.fixture(scope="session")
def large_town() -> Town:
    """A town of 500 lots."""
    return make_town(columns=25, blocks=10)


@pytest.fixture(scope="session")
def huge_town() -> Town:
    """A town of 5,000 lots."""
    return make_town(columns=100, blocks=25)


BROWSER = Path("/usr/bin/chromium")
BROWSER_OPTIONS = [
    *("--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run"),
    *("--disable-background-networking", "--disable-component-update", "--disable-sync"),
]


class Opened(NamedTuple):
    """A page that is open, and what it asked for and complained about."""

    page: object
    requests: list[str]
    complaints: list[str]


@pytest.fixture(scope="session")
def browser():
    """Debian's Chromium; outside CI the tests are skipped where it is missing."""
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


@pytest.fixture
def open_page(browser):
    """Open a file or an address: `open_page(path)`, `open_page(path, size=(390, 844), fragment="#lot=7")`."""
    contexts = []

    def open_it(path, size=(1400, 900), fragment="", offline=True) -> Opened:
        context = browser.new_context(
            viewport={"width": size[0], "height": size[1]}, reduced_motion="reduce", accept_downloads=True
        )
        contexts.append(context)
        context.set_offline(offline)
        page = context.new_page()
        requests, complaints = [], []
        page.on("request", lambda request: requests.append(request.url))
        page.on("console", lambda message: complaints.append(message.text))
        page.on("pageerror", lambda error: complaints.append(str(error)))
        page.goto((path if isinstance(path, str) else path.as_uri()) + fragment)
        page.wait_for_function("typeof lotMap !== 'undefined' && lotMap.ready")
        return Opened(page, requests, complaints)

    yield open_it
    for context in contexts:
        context.close()


@pytest.fixture(scope="session")
def elevation(town, tmp_path_factory):
    path = tmp_path_factory.mktemp("terrain") / "elevation.tif"
    west, south, east, north = town.lots.total_bounds
    y, x = np.mgrid[0:150, 0:150]
    cell_m = max(east - west, north - south) / 100
    heights = (20 * np.sin(x / 15) * np.cos(y / 20)).astype("float32")
    with rasterio.open(
        path, "w", driver="GTiff", width=150, height=150, count=1, dtype="float32", crs=town.lots.crs.to_wkt(),
        transform=Affine(cell_m, 0, west - 25 * cell_m, 0, -cell_m, north + 25 * cell_m), nodata=-9999,
    ) as out:  # fmt: skip
        out.write(heights, 1)
    return open_raster(path, "elevation")


@pytest.fixture(scope="session")
def frontier(town):
    ids = town.lots.nlargest(40, "exposure")["parcel_id"].tolist()
    groups = [[], ids[:10], ids[10:25], ids[25:]]
    cents = [0, 100_000, 250_000, 900_000]
    return pd.DataFrame(
        {"cost_cents": cents, "worth_pct": [0.0, 40.0, 70.0, 100.0], "lots_added": [json.dumps(g) for g in groups]}
    )


@pytest.fixture(scope="session")
def budget_choices(town):
    """Two choices between the frontier's last points, and one that a break point beats."""
    ids = town.lots.nlargest(40, "exposure")["parcel_id"].tolist()
    sets = [[*ids[:25], ids[27]], [*ids[2:25], *ids[30:36]], ids[:3]]
    return pd.DataFrame(
        {
            "budget_cents": [400_000, 600_000, 300_000],
            "cost_cents": [390_000, 600_000, 260_000],
            "worth_pct": [72.5, 80.0, 60.0],
            "bound_pct": [74.0, 80.0, 71.0],
            "lots_closed": [json.dumps(some) for some in sets],
        }
    )


@pytest.fixture(scope="session")
def planned_gates(town):
    """A gate on the line of each lot with an advised one, at its first point."""
    lines = town.barrier_lines[town.barrier_lines["recommended"]].reset_index(drop=True)
    columns = {
        "parcel_id": lines["parcel_id"],
        "station_m": 3.048,
        "width_m": 1.2192,
        "placed": "beside the <b>house</b>",
        "agree_on_site": False,
    }
    starts = shapely.get_point(lines.geometry.array, 0)
    return gpd.GeoDataFrame(columns, geometry=starts, crs=lines.crs)


@pytest.fixture(scope="session")
def map_file(town, elevation, frontier, budget_choices, planned_gates, tmp_path_factory):
    """All that a map can have: terrain, ways in with routes, a frontier with choices, shares, gates, sheets."""
    middle = shapely.get_coordinates(shapely.centroid(town.lots.geometry.array))
    routes = shapely.linestrings(np.stack([middle, middle + np.array([3.0, 15.0])], axis=1))
    closure = gpd.GeoDataFrame({"parcel_id": town.lots["parcel_id"]}, geometry=routes, crs=town.lots.crs).iloc[::-1]
    shares = town.lots[["parcel_id", "geometry"]].assign(
        share_cents=pd.array([12_300 + row for row in range(len(town.lots))], dtype="Int64"),
        alone_cents=pd.array([45_600] * len(town.lots), dtype="Int64"),
        share_rule="no group of lots could build alone for less",
    )
    more = {
        "closure": closure, "elevation": elevation, "frontier": frontier, "budget_choices": budget_choices,
        "shares": shares, "planned_gates": planned_gates, "sheets": "sheets.pdf",
    }  # fmt: skip
    return draw_town(town, tmp_path_factory.mktemp("map") / "map.html", title=TITLE, **more)


@pytest.fixture(scope="session")
def plain_file(town, tmp_path_factory):
    return draw_town(town, tmp_path_factory.mktemp("plain") / "map.html", title=TITLE)


@pytest.fixture(params=[(1400, 900), PHONE], ids=["desktop", "phone"])
def opened(request, open_page, map_file):
    return open_page(map_file, size=request.param)


@pytest.fixture
def desktop(open_page, map_file):
    return open_page(map_file)


def _bend(xy: np.ndarray) -> np.ndarray:
    x, y = xy[..., 0], xy[..., 1]
    return np.stack([WEST_M + x + 10 * np.sin(y / 95), SOUTH_M + y + 14 * np.sin(x / 110)], axis=-1)


def _boxes(left: np.ndarray, low: np.ndarray, wide: float, deep: float) -> np.ndarray:
    offsets = np.array(
        [(0, 0), (wide, 0), (wide, deep * 0.6), (wide * 0.55, deep * 0.6), (wide * 0.55, deep), (0, deep)]
    )
    return np.stack([left, low], 1)[:, None, :] + offsets


def _frame(geometry: object) -> gpd.GeoDataFrame:
    return gpd.GeoDataFrame(geometry=list(geometry), crs=UTM_12_NORTH)


def _make_lines(lots: gpd.GeoDataFrame, houses: np.ndarray, built: np.ndarray) -> gpd.GeoDataFrame:
    shapes = {
        "lot line": shapely.boundary(shapely.buffer(lots.geometry.array, -1.0, join_style="mitre")),
        "yard": shapely.boundary(shapely.buffer(houses, 6.0, join_style="mitre")),
        "house loop": shapely.boundary(shapely.buffer(shapely.convex_hull(houses), 2.5)),
    }
    rows = np.flatnonzero(built)
    tables = [
        gpd.GeoDataFrame(
            {
                "line_id": [f"{lots.parcel_id[row]}-{option[0]}" for row in rows],
                "parcel_id": lots.parcel_id.to_numpy()[rows],
                "option": option,
                "kind": "new",
                "length_m": shapely.length(shape[rows]),
                "height_m": 0.9144,
                "recommended": (lots.option == option).to_numpy()[rows],
                "reason": "Shortest line that keeps every setback.",
                "footholds_in_conflict": 1,
                "gates": 1,
            },
            geometry=shape[rows],
            crs=lots.crs,
        )
        for option, shape in shapes.items()
    ]
    return gpd.GeoDataFrame(pd.concat(tables, ignore_index=True), crs=lots.crs)


def _make_points(
    lots: gpd.GeoDataFrame, values: dict[str, object], built: np.ndarray, shift: float, rng: np.random.Generator
) -> gpd.GeoDataFrame:
    rows = rng.permutation(np.flatnonzero(built))[: built.sum() // 3]
    points = shapely.get_coordinates(shapely.centroid(lots.geometry.array[rows])) + np.array([LOT_WIDTH_M * shift, 8.0])
    data = {"parcel_id": lots.parcel_id.to_numpy()[rows], **values}
    return gpd.GeoDataFrame(data, geometry=shapely.points(points), crs=lots.crs)


def _make_footholds(lots: gpd.GeoDataFrame, built: np.ndarray, rng: np.random.Generator) -> gpd.GeoDataFrame:
    points = _make_points(lots, {"kind": "boulder", "height_m": 0.5, "setback_m": 0.8}, built, 0.4, rng)
    points["foothold_id"] = [f"F{i}" for i in range(len(points))]
    points["distance_m"] = np.where(np.arange(len(points)) % 4 == 0, 2.0, 0.3)
    points["local_height_m"] = 1.2
    points["remedy"] = "move it, or take it inside"
    return points


def _wander(width_m: float, depth_m: float) -> np.ndarray:
    y = np.linspace(-90, depth_m + 110, 60)
    return np.stack([WEST_M + width_m + 40 + 22 * np.sin(y / 50) - y * 0.02, SOUTH_M + y], axis=1)


def _desert(width_m: float, depth_m: float) -> shapely.Geometry:
    outer = shapely.box(WEST_M - 60, SOUTH_M - 60, WEST_M + width_m + 130, SOUTH_M + depth_m + 110)
    inner = shapely.Polygon(
        _bend(np.array([(-70, -70), (width_m + 6, -70), (width_m + 4, depth_m - 6), (-70, depth_m - 6)], dtype=float))
    )
    return outer - inner


def _streets(columns: int, blocks: int, block_m: float) -> list[np.ndarray]:
    x = np.linspace(-8, columns * LOT_WIDTH_M, 30)
    across = [np.stack([x, np.full_like(x, b * block_m - STREET_M / 2)], axis=1) for b in range(blocks)]
    y = np.linspace(-STREET_M / 2, (blocks - 1) * block_m - STREET_M / 2, 20)
    return [*across, np.stack([np.full_like(y, -8.0), y], axis=1)]
