"""Read the bid's PDF back: its text, its scale, its bytes."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import geopandas as gpd
import pytest
import shapely
from pypdf import PdfReader

from geotools.errors import CrsError, OutputError
from geotools.outputs.bid_document import write_bid_document
from geotools.outputs.bid_facts import money
from geotools.outputs.bid_plan import choose_scale, view_plan
from geotools.outputs.cautions import CAUTIONS, FIRST_CAUTION

from .bid_cases import small_bid, small_job

pytestmark = pytest.mark.filterwarnings("ignore:no price list is given")


@pytest.fixture(scope="module")
def bid(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    job, tables = small_job(), small_bid("")
    path = tmp_path_factory.mktemp("bid") / "bid.pdf"
    given = (tables["lots"], job["lines"], tables["takeoff"], tables["prices"])
    write_bid_document(*given, ways_in=job["ways_in"], path=path, title="Mesa ≤ 4\x07", date_of_data="2026-03")
    pages = [page.extract_text() for page in PdfReader(path).pages]
    return {"path": path, "pages": pages, "text": "\n".join(pages), "given": given, "tables": tables, "job": job}


def test_every_page_bears_units_date_caution_and_number(bid: dict[str, Any]) -> None:
    pages = bid["pages"]
    for number, text in enumerate(pages, start=1):
        assert "feet (ft)" in text
        assert "Date of the data: 2026-03" in text
        assert FIRST_CAUTION in text
        assert f"Page {number} of {len(pages)}" in text
        assert "The prices are invented" in text
    assert not re.search(r"20[0-9]{2}-[0-9]{2}-[0-9]{2}", bid["text"])


def test_the_parts_are_there(bid: dict[str, Any]) -> None:
    text = bid["text"]
    for heading in (
        "Bid",
        "Plan",
        "Schedule of prices",
        "Schedule of lots",
        "Alternates",
        "Assumptions",
        "Exclusions",
        "Terms",
    ):
        assert heading in text
    for label in ("Licence number", "Bidder, signature", "Owner, signature", "30 days from its signature"):
        assert label in text
    assert all(caution in text.replace("\n", " ") for caution in CAUTIONS)
    assert "Mesa ≤ 4" in text


def test_printed_amounts_add_up(bid: dict[str, Any]) -> None:
    prices = bid["tables"]["prices"]
    page = next(text for text in bid["pages"] if "Schedule of prices" in text)
    printed = [int(whole.replace(",", "") + rest) for whole, rest in re.findall(r"\$([\d,]+)\.(\d\d)", page)]
    rows = prices[prices["kind"].isin(["line", "charge", "total"])]
    assert printed == rows["amount_cents"].astype(int).tolist()
    assert sum(printed[:-1]) == printed[-1]
    shares = next(text for text in bid["pages"] if "Schedule of lots" in text)
    lots = [int(whole.replace(",", "") + rest) for whole, rest in re.findall(r"\$([\d,]+)\.(\d\d)", shares)]
    assert sum(lots) == printed[-1]


def test_a_known_length_measures_true_on_the_page(bid: dict[str, Any]) -> None:
    view = view_plan(bid["given"][0])
    assert view.scale == "1 in = 60 ft"
    assert "1 in = 60 ft" in bid["text"]
    page = PdfReader(bid["path"]).pages[1]
    content = page.get_contents().get_data().decode("latin-1")
    lines = re.findall(r"([\d.]+) ([\d.]+) m ([\d.]+) ([\d.]+) l", content)
    # The side of a lot is 100 ft: 120 points at 60 ft to 72 points. The drawing is rounded to 0.01 points.
    sides = [float(y1) - float(y0) for x0, y0, x1, y1 in lines if x0 == x1]
    assert any(abs(abs(side) - 120.0) < 0.03 for side in sides)
    bar = [float(x1) - float(x0) for x0, y0, x1, y1 in lines if y0 == y1]
    assert any(abs(length - 144.0) < 0.03 for length in bar)  # the bar of 120 ft


def test_scales() -> None:
    feet = choose_scale((300 * 0.3048, 10.0))
    assert feet[1:] == ("1 in = 50 ft", pytest.approx(100 * 0.3048), "100 ft")
    assert choose_scale((90.0, 10.0), units="metric")[1] == "1:1,000"
    assert choose_scale((1e9, 1.0))[0] * 1e9 <= 504
    assert choose_scale((1e9, 1.0), units="metric")[0] * 1e9 <= 504


def test_the_same_bytes(bid: dict[str, Any], tmp_path: Path) -> None:
    for name in ("one.pdf", "two.pdf"):
        write_bid_document(*bid["given"], path=tmp_path / name)
    assert (tmp_path / "one.pdf").read_bytes() == (tmp_path / "two.pdf").read_bytes()


def test_many_lots_go_on_over_pages(bid: dict[str, Any], tmp_path: Path) -> None:
    lots, lines, takeoff, prices = bid["given"]
    many = gpd.GeoDataFrame(
        {"parcel_id": [f"{n:04d}" for n in range(300)], "verdict": "build", "cost_likely": 1.0},
        geometry=[
            shapely.box(30 * (n % 20), 30 * (n // 20), 30 * (n % 20) + 30, 30 * (n // 20) + 30) for n in range(300)
        ],
        crs=lots.crs,
    )
    write_bid_document(many, lines, takeoff, prices, path=tmp_path / "many.pdf", units="metric")
    pages = [page.extract_text() for page in PdfReader(tmp_path / "many.pdf").pages]
    assert len(pages) >= 10
    assert sum(text.count("$1.00") for text in pages) == 300
    assert "Scale 1:" in pages[1]


def test_lots_without_a_shape_and_missing_tables(bid: dict[str, Any], tmp_path: Path) -> None:
    lots, lines, takeoff, prices = bid["given"]
    holed = lots.copy()
    holed.loc[3, "geometry"] = None
    write_bid_document(holed, lines, takeoff, prices, path=tmp_path / "holed.pdf")
    nothing = lots.assign(geometry=gpd.GeoSeries([None] * len(lots), crs=lots.crs))
    write_bid_document(nothing, lines.iloc[:0], takeoff.iloc[:0], prices, path=tmp_path / "none.pdf")
    with pytest.raises(CrsError):
        write_bid_document(lots.to_crs(4326), lines, takeoff, prices, path=tmp_path / "x.pdf")
    with pytest.raises(OutputError, match="verdict"):
        write_bid_document(lots.drop(columns="verdict"), lines, takeoff, prices, path=tmp_path / "x.pdf")
    with pytest.raises(OutputError, match="written"):
        write_bid_document(lots, lines, takeoff, prices, path=tmp_path / "no" / "x.pdf")


def test_money_is_written_with_its_sign() -> None:
    assert [money(0), money(7), money(-123456), money(100, "EUR")] == ["$0.00", "$0.07", "-$1,234.56", "EUR 1.00"]
