"""Spec sheets: what a page says, and lengths measured back from it."""

from __future__ import annotations

import re
import time
from typing import TYPE_CHECKING, Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pypdf
import pytest
import shapely

from geotools.errors import CrsError, OutputError
from geotools.outputs.cautions import CAUTIONS
from geotools.outputs.sheet_plan import lot_sides
from geotools.outputs.sheet_scale import choose_scale, lay_view, quadrant_bearing, show_station
from geotools.outputs.sheets import write_sheets

if TYPE_CHECKING:
    from pathlib import Path

FOOT_M, INCH_M = 0.3048, 0.0254
CRS = 26912
EAST_M, NORTH_M = 430_000.0, 3_700_000.0


def tables(count: int = 1, *, width_ft: float = 80.0, depth_ft: float = 120.0, name: str = "00{}") -> dict[str, Any]:
    """Lots in a row with a line of 300 ft round the rear of each, a foothold, a way in, panels."""
    lots, lines, things, openings, panels = [], [], [], [], []
    for number in range(count):
        west = EAST_M + number * width_ft * FOOT_M
        at = lambda x, y, west=west: (west + x * FOOT_M, NORTH_M + y * FOOT_M)  # noqa: E731
        lots.append(shapely.box(*at(0, 0), *at(width_ft, depth_ft)))
        line = shapely.LineString([at(1, 8), at(1, 119), at(79, 119), at(79, 8)])
        lines.append(line)
        things.append(shapely.Point(at(0, 60)))
        openings.append(shapely.LineString([at(20, 0), at(24, 0)]))
        panels += [
            shapely.LineString([at(1, 8), at(1, 108)]),
            shapely.LineString([at(1, 108), at(1, 119), at(79, 119)]),
        ]
    ids = [name.format(number + 1) for number in range(count)]
    specs: dict[str, Any] = {
        "parcel_id": ids, "exposure": 50.0, "exposure_rank": 1, "verdict": "build", "reason": "300 ft round the yard.",
        "option": "yard", "length_m": 300 * FOOT_M, "height_m": 36 * INCH_M, "mesh_opening_m": 0.25 * INCH_M,
        "burial_m": 6 * INCH_M, "roll_width_m": 48 * INCH_M, "posts": 31, "corners": 2, "gates": 1, "ways_in": 1,
        "footholds_to_clear": 1,
    }  # fmt: skip
    own = {"parcel_id": ids, "line_id": [f"{one}-Y" for one in ids]}
    return {
        "lots": gpd.GeoDataFrame(specs, geometry=lots, crs=CRS),
        "barrier_lines": gpd.GeoDataFrame(
            {**own, "option": "yard", "kind": "new", "length_m": 300 * FOOT_M, "height_m": 36 * INCH_M,
             "recommended": True, "reason": "", "footholds_in_conflict": 1, "gates": 1},
            geometry=lines, crs=CRS,
        ),
        "ways_in": gpd.GeoDataFrame(
            {"parcel_id": ids, "kind": "gate", "opening_m": 2 * INCH_M, "remedy": "a rigid sweep"},
            geometry=openings, crs=CRS,
        ),
        "footholds": gpd.GeoDataFrame(
            {**own, "kind": "rock", "height_m": 18 * INCH_M, "distance_m": 12 * INCH_M, "remedy": "move it"},
            geometry=things, crs=CRS,
        ),
        "panels": gpd.GeoDataFrame(
            {"line_id": np.repeat(own["line_id"], 2), "parcel_id": np.repeat(ids, 2), "panel": [1, 2] * count,
             "from_m": [0.0, 100 * FOOT_M] * count, "to_m": [100 * FOOT_M, 300 * FOOT_M] * count,
             "height_m": [36 * INCH_M, 42 * INCH_M] * count, "governed_by": ["ground", "F00001"] * count},
            geometry=panels, crs=CRS,
        ),
    }  # fmt: skip


def write(path: Path, given: dict[str, Any], **options: Any) -> pypdf.PdfReader:
    write_sheets(**given, path=path, **options)
    return pypdf.PdfReader(path)


def strokes(page: pypdf.PageObject) -> list[np.ndarray]:
    """Every polyline that the page's content moves along, points of the page."""
    text = page.get_contents().get_data().decode("latin-1")
    lines: list[list[tuple[float, float]]] = []
    for x, y, operator in re.findall(r"(-?[\d.]+) (-?[\d.]+) ([ml])\b", text):
        if operator == "m":
            lines.append([])
        lines[-1].append((float(x), float(y)))
    return [np.array(line) for line in lines]


@pytest.mark.parametrize(
    ("units", "text", "points_per_m"),
    [("us", "1 in = 30 ft", 72 / (30 * FOOT_M)), ("metric", "1:250", 72 / INCH_M / 250)],
)
def test_known_lengths_are_to_scale_on_the_page(tmp_path: Path, units: str, text: str, points_per_m: float) -> None:
    reader = write(tmp_path / "sheets.pdf", tables(), units=units)
    page = reader.pages[2]
    shown = re.search(r"scale (1 in = \d+ ft|1:\d+)", page.extract_text())
    assert shown is not None
    if units == "us":
        assert shown[1] == text
    else:
        points_per_m = 72 / INCH_M / float(shown[1].partition(":")[2])
    lot_pt = np.array([80, 120]) * FOOT_M * points_per_m
    line_pt = 300 * FOOT_M * points_per_m
    lines = strokes(page)
    # 0.02 pt is what two decimals of a PDF coordinate leave open at both ends.
    assert any(np.allclose(np.ptp(line, axis=0), lot_pt, atol=0.02) for line in lines if len(line) >= 4)
    lengths = [np.hypot(*np.diff(line, axis=0).T).sum() for line in lines]
    assert np.isclose(lengths, line_pt, atol=0.1).any()


def test_scale_bar_is_as_long_as_it_says(tmp_path: Path) -> None:
    page = write(tmp_path / "sheets.pdf", tables()).pages[2]
    bars = re.findall(r"([\d.]+) [\d.]+ (\d\d[\d.]*) 4 re", page.get_contents().get_data().decode("latin-1"))
    assert len(bars) == 4
    assert {round(float(width), 3) for _, width in bars} == {
        round(10 / 30 * 72, 3)
    }  # four parts of 10 ft at 1 in = 30 ft
    assert "40 ft" in page.extract_text()


def test_page_says_what_is_to_be_done(tmp_path: Path) -> None:
    reader = write(tmp_path / "sheets.pdf", tables(), title="Bench", date_of_data="2026-11")
    assert len(reader.pages) == 3
    text = " ".join(reader.pages[2].extract_text().split())
    for wanted in (
        "Lot 001: build", "300 ft", "36 in", "42 in", "0+00", "3+00", "P1", "P2", "F00001", "W1", "F1", "a rigid sweep",
        "move it", "80.0 ft", "120.0 ft", "scale 1 in = 30 ft", "sheet 3 of 3", "date of data: 2026-11",
        "units: feet and inches", "N",
    ):  # fmt: skip
        assert wanted in text, wanted
    for page in reader.pages:
        words = " ".join(page.extract_text().split())
        assert all(caution in words for caution in CAUTIONS)
        assert "date of data: 2026-11" in words
        assert "units: feet and inches" in words


def test_costs_say_their_money(tmp_path: Path) -> None:
    given = tables()
    given["lots"]["cost_likely"] = 3339.34
    text = " ".join(write(tmp_path / "sheets.pdf", given).pages[2].extract_text().split())
    assert "$3,339.34" in text


def test_index_leads_to_sheets(tmp_path: Path) -> None:
    reader = write(tmp_path / "sheets.pdf", tables(45))
    titles = [entry.title for entry in reader.outline if not isinstance(entry, list)]
    assert titles == ["Key plan", "Index of sheets", "Sheets"]
    sheets = next(entry for entry in reader.outline if isinstance(entry, list))
    assert [entry.title for entry in sheets[:2]] == ["Lot 001", "Lot 002"]
    assert reader.get_destination_page_number(sheets[0]) == 3  # cover, two pages of index
    links = [annotation.get_object() for annotation in reader.pages[1]["/Annots"]]
    assert len(links) == 44


def test_only_lots_with_work_unless_all_are_asked_for(tmp_path: Path) -> None:
    given = tables(3)
    given["lots"]["verdict"] = ["build", "not needed", "already sound"]
    assert len(write(tmp_path / "some.pdf", given).pages) == 3
    assert len(write(tmp_path / "all.pdf", given, every_lot=True).pages) == 5


def test_lots_without_shape_or_work_give_cover_and_index(tmp_path: Path) -> None:
    given = tables(2)
    given["lots"].loc[0, "geometry"] = None
    given["lots"]["verdict"] = ["do not build", "not needed"]
    reader = write(tmp_path / "none.pdf", given)
    assert len(reader.pages) == 2


def test_hostile_text_stays_text(tmp_path: Path) -> None:
    given = tables(1, name="=cmd()\x00\x1b[31m\u202e) Tj ET (\u4e2d {}")
    given["lots"]["reason"] = ["\x07" + "W" * 5000 + "\n<b>bold</b> & ((("]
    given["footholds"]["remedy"] = ["\u200b\u2028\u2264 5 \u00bd in " * 50]
    reader = write(tmp_path / "sheets.pdf", given, title="t\x00\u202eitle")
    text = reader.pages[2].extract_text()
    assert "=cmd()" in text
    assert not re.search(r"[\x00-\x08\x0b\x0e-\x1f\u202e]", text)
    assert "\u2264" in text
    assert reader.metadata is not None
    assert "\x00" not in str(reader.metadata.title)


def test_same_bytes_twice(tmp_path: Path) -> None:
    given = tables(3)
    write(tmp_path / "a.pdf", given)
    write(tmp_path / "b.pdf", given)
    assert (tmp_path / "a.pdf").read_bytes() == (tmp_path / "b.pdf").read_bytes()


def test_no_colour_is_used(tmp_path: Path) -> None:
    page = write(tmp_path / "sheets.pdf", tables()).pages[2]
    operators = set(re.findall(r"(?<=\s)(rg|RG|k|K|scn|SCN)(?=\s)", page.get_contents().get_data().decode("latin-1")))
    colours = re.findall(r"([\d.]+) ([\d.]+) ([\d.]+) (?:rg|RG)", page.get_contents().get_data().decode("latin-1"))
    assert not operators - {"rg", "RG"}
    assert all(red == green == blue for red, green, blue in colours)


def test_hundreds_of_pages_in_seconds_and_small(tmp_path: Path) -> None:
    began = time.process_time()
    write_sheets(**tables(60), path=tmp_path / "sheets.pdf")
    # Measured 1 s on a quiet core (200 pages: 3 s); time of the processor, so that others on the machine don't count.
    assert time.process_time() - began < 10
    assert (tmp_path / "sheets.pdf").stat().st_size < 1e6


def test_bad_input_is_refused(tmp_path: Path) -> None:
    given = tables()
    with pytest.raises(CrsError, match="panels"):
        write_sheets(**{**given, "panels": given["panels"].to_crs(4326)}, path=tmp_path / "x.pdf")
    with pytest.raises(OutputError, match="missing"):
        write_sheets(given["lots"].drop(columns="posts"), given["barrier_lines"], path=tmp_path / "x.pdf")
    with pytest.raises(OutputError, match="can't be written"):
        write_sheets(**given, path=tmp_path / "no" / "x.pdf")
    with pytest.raises(OutputError, match="does not fit"):
        write_sheets(**tables(1, width_ft=1e6), path=tmp_path / "x.pdf")
    with pytest.raises(OutputError, match="units"):
        write_sheets(**given, path=tmp_path / "x.pdf", units="furlong")


def test_gates_and_other_layers_are_drawn(tmp_path: Path) -> None:
    given = tables()
    more = {
        "buildings": gpd.GeoDataFrame(
            geometry=[shapely.box(EAST_M + 5, NORTH_M + 8, EAST_M + 18, NORTH_M + 20)], crs=CRS
        ),
        "wash_ground": gpd.GeoDataFrame(
            geometry=[shapely.box(EAST_M - 9, NORTH_M + 26, EAST_M + 60, NORTH_M + 33)], crs=CRS
        ),
        "gates": gpd.GeoDataFrame(geometry=[shapely.Point(EAST_M + 3, NORTH_M)], crs=CRS),
        "easements": gpd.GeoDataFrame(geometry=[shapely.box(EAST_M + 20, NORTH_M, EAST_M + 24, NORTH_M + 36)], crs=CRS),
    }
    text = write(tmp_path / "sheets.pdf", {**given, **more}).pages[2].extract_text()
    for word in ("building", "wash", "G1", "easement"):
        assert word in text, word


@pytest.mark.parametrize(
    ("feet", "wanted"), [(59, "1 in = 10 ft"), (61, "1 in = 20 ft"), (250, "1 in = 50 ft"), (590, "1 in = 100 ft")]
)
def test_scale_is_the_largest_that_fits(feet: float, wanted: str) -> None:
    assert choose_scale(feet * FOOT_M, 1.0, width_pt=432, height_pt=432).text == wanted


def test_view_is_centred_and_to_scale() -> None:
    view = lay_view((0, 0, 30 * FOOT_M, 10 * FOOT_M), (10, 20, 300, 200))
    corners = view.to_page(np.array([[0, 0], [30 * FOOT_M, 10 * FOOT_M]]))
    assert np.allclose(corners.mean(axis=0), [160, 120])
    assert np.allclose(np.diff(corners, axis=0)[0], [216, 72])  # 30 by 10 ft at 1 in = 10 ft


def test_sides_follow_bends_and_keep_arcs() -> None:
    turns = np.linspace(0, np.pi / 2, 31)
    arc = np.column_stack([10 * np.cos(turns), 10 * np.sin(turns)])
    sides = lot_sides(shapely.Polygon([(0, 0), *arc]))
    assert sum(side.length_m for side in sides) == pytest.approx(20 + 5 * np.pi, abs=0.02)
    assert sum(side.length_m > 9.9 for side in sides) == 2
    clockwise = lot_sides(shapely.Polygon([(0, 0), (0, 4), (4, 4), (4, 0)]))
    assert [side.length_m for side in clockwise] == [4.0] * 4
    assert not any(side.leftward for side in clockwise)


def test_stations_and_bearings() -> None:
    assert [show_station(feet * FOOT_M) for feet in (0, 99.6, 1234)] == ["0+00", "1+00", "12+34"]
    assert quadrant_bearing(1, -1) == "S 45°00' E"
    assert quadrant_bearing(0, 1) == "N 00°00' E"


def test_missing_values_are_left_blank(tmp_path: Path) -> None:
    given = tables()
    given["lots"]["posts"] = pd.array([pd.NA], dtype="Int64")
    given["footholds"]["height_m"] = np.nan
    text = write(tmp_path / "sheets.pdf", given).pages[2].extract_text()
    assert "nan" not in text.lower()
    assert "<NA>" not in text


def planned(**columns: Any) -> gpd.GeoDataFrame:
    """One gate of the first lot's line at 50 ft along it: 42 ft up its west side."""
    row: dict[str, Any] = {
        "gate_id": "001-Y-G1", "line_id": "001-Y", "parcel_id": "001", "option": "yard", "gate": 1,
        "station_m": 50 * FOOT_M, "width_m": 3 * FOOT_M, "swing": "out", "swing_deg": 270.0, "placed": "street side",
        "agree_on_site": False, "recommended": True, "reason": "on the street side",
    }  # fmt: skip
    point = shapely.Point(EAST_M + 1 * FOOT_M, NORTH_M + 58 * FOOT_M)
    return gpd.GeoDataFrame([{**row, **columns}], geometry=[None if columns.get("agree_on_site") else point], crs=CRS)


def test_a_planned_gate_has_its_station_and_its_symbol(tmp_path: Path) -> None:
    plain, gated = tmp_path / "plain.pdf", tmp_path / "gated.pdf"
    write_sheets(**tables(), path=plain)
    write_sheets(**tables(), planned_gates=planned(), path=gated)
    text = pypdf.PdfReader(gated).pages[-1].extract_text()
    assert "New gates (N)" in text
    assert "0+50" in text
    assert text.count("N1") == 2  # in the table, and on the plan
    assert "agree" not in text
    assert "agree its place on site" in pypdf.PdfReader(plain).pages[-1].extract_text().replace("\n", " ")
    # The leaf's swing is a quarter of a circle: curves that the plain sheet has not.
    curves = [
        len(re.findall(rb" c\n", pypdf.PdfReader(path).pages[-1].get_contents().get_data()))  # type: ignore[union-attr]
        for path in (plain, gated)
    ]
    assert curves[1] > curves[0]


def test_a_gate_without_a_place_is_listed_and_not_drawn(tmp_path: Path) -> None:
    path = tmp_path / "sheets.pdf"
    gate = planned(agree_on_site=True, station_m=np.nan, reason="agree on site: no place is straight")
    write_sheets(**tables(), planned_gates=gate, path=path)
    text = pypdf.PdfReader(path).pages[-1].extract_text()
    assert text.count("N1") == 1
    assert "agree on site" in text.replace("\n", " ")


def test_pools_are_drawn(tmp_path: Path) -> None:
    path = tmp_path / "sheets.pdf"
    water = shapely.box(EAST_M + 10, NORTH_M + 20, EAST_M + 16, NORTH_M + 24)
    write_sheets(**tables(), pools=gpd.GeoDataFrame(geometry=[water], crs=CRS), path=path)
    assert re.search(r"^pool$", pypdf.PdfReader(path).pages[-1].extract_text(), re.MULTILINE)
