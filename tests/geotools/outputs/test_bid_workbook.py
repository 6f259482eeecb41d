"""Recalculate the bid's workbook by an independent spreadsheet program, and look for text that could do harm."""

from __future__ import annotations

import shutil
import subprocess
import zipfile
from pathlib import Path
from typing import Any

import openpyxl
import pandas as pd
import pytest

from geotools.errors import OutputError
from geotools.outputs.bid_workbook import write_bid_workbook
from geotools.outputs.cautions import CAUTIONS, FIRST_CAUTION
from geotools.pricing import price_takeoff
from geotools.takeoff.items import order_quantity

from .bid_cases import small_bid, write_awkward_list

SHEETS = [
    "Bid", "Takeoff", "Takeoff by lot", "Gates", "Alternates", "Unit prices", "Assumptions", "Exclusions", "Cautions",
]  # fmt: skip
ALTERNATES = pd.DataFrame(
    {
        "alternate": ["edge line", "=cheapest"],
        "length_m": [304.8, 100.0],
        "new_m": [304.8, 100.0],
        "retrofit_m": [0.0, 0.0],
        "cost_cents": [123456, 99],
        "lots_closed": [3, 4],
        "lots_open": [1, 0],
        "leaves": ["1 lot", "nothing"],
    }
)


@pytest.fixture(scope="module")
def awkward(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, pd.DataFrame, pd.DataFrame]:
    folder = tmp_path_factory.mktemp("awkward")
    price_list, takeoff = write_awkward_list(folder / "prices.toml", seed=5)
    prices = price_takeoff(takeoff, price_list=price_list, samples=10)
    write_bid_workbook(takeoff, prices, ALTERNATES, path=folder / "bid.xlsx", title="A job", date_of_data="2026-03")
    return folder / "bid.xlsx", takeoff, prices


def recalculate(books: dict[str, openpyxl.Workbook], folder: Path) -> dict[str, openpyxl.Workbook]:
    """Save without the stored values, let the spreadsheet program work everything out, and read that."""
    program = shutil.which("soffice")
    if program is None:
        pytest.skip("no spreadsheet program (Debian: libreoffice-calc-nogui)")
    paths = [folder / f"{name}.xlsx" for name in books]
    for path, book in zip(paths, books.values(), strict=True):
        book.save(path)
    profile = f"-env:UserInstallation=file://{folder}/profile"
    convert = [program, profile, "--headless", "--convert-to", "xlsx:Calc MS Excel 2007 XML"]
    command = [*convert, "--outdir", str(folder / "out"), *map(str, paths)]
    subprocess.run(command, check=True, capture_output=True, timeout=120)
    return {path.stem: openpyxl.load_workbook(folder / "out" / path.name, data_only=True) for path in paths}


@pytest.fixture(scope="module")
def recalculated(
    awkward: tuple[Path, pd.DataFrame, pd.DataFrame], tmp_path_factory: pytest.TempPathFactory
) -> dict[str, openpyxl.Workbook]:
    """The workbook as it is, and with a price, a waste factor, the rate and the tax changed."""
    changed = openpyxl.load_workbook(awkward[0])
    sheet = changed["Unit prices"]
    row = next(cell.row for cell in sheet["A"] if cell.value == "each_0")
    sheet.cell(row, 5).value = 37.5
    sheet.cell(row, 6).value = max(37.5, sheet.cell(row, 6).value)
    sheet.cell(next(cell.row for cell in sheet["A"] if cell.value == "labour"), 5).value = 55.55
    sheet.cell(next(cell.row for cell in sheet["A"] if cell.value == "tax"), 7).value = 9.1
    changed["Takeoff"].cell(7, 6).value = 33.0
    least = openpyxl.load_workbook(awkward[0])
    sheet = least["Unit prices"]
    sheet.cell(next(cell.row for cell in sheet["A"] if cell.value == "minimum charge"), 7).value = 9_000_000
    folder = tmp_path_factory.mktemp("recalculated")
    books = {"same": openpyxl.load_workbook(awkward[0]), "changed": changed, "least": least}
    return recalculate(books, folder)


def amounts(book: openpyxl.Workbook) -> dict[str, list[int]]:
    """Quantities (in hundredths), material, hours, labour and amounts of the lines and charges, in cents."""
    rows = [row for row in book["Bid"].iter_rows(min_row=7, values_only=True) if row[9] is not None]
    return {
        name: [round(100 * (row[place] or 0)) for row in rows]
        for name, place in (("quantity", 4), ("material", 6), ("hours", 7), ("labour", 8), ("amount", 9))
    }


def expected(prices: pd.DataFrame) -> dict[str, list[int]]:
    rows = prices[prices["kind"].isin(["line", "charge", "total"])]
    spread = prices[prices["item"].isin(["low", "high"]) & (prices["kind"] == "range")]
    rows = pd.concat([rows, spread])
    whole = {name: rows[f"{name}_cents"].fillna(0).astype(int).tolist() for name in ("material", "labour", "amount")}
    parts = {name: (rows[name].fillna(0) * 100).round().astype(int).tolist() for name in ("quantity", "hours")}
    return {**whole, **parts}


@pytest.mark.published("LibreOffice Calc, headless: every formula of the workbook recalculated")
def test_recalculated_to_the_cent(
    awkward: tuple[Path, pd.DataFrame, pd.DataFrame], recalculated: dict[str, openpyxl.Workbook]
) -> None:
    path, _, prices = awkward
    wanted = expected(prices)
    assert amounts(openpyxl.load_workbook(path, data_only=True)) == wanted  # as stored
    assert amounts(recalculated["same"]) == wanted


@pytest.mark.published("LibreOffice Calc, headless: a minimum charge above the sum")
def test_a_minimum_charge_tops_the_total_up(recalculated: dict[str, openpyxl.Workbook]) -> None:
    found = amounts(recalculated["least"])["amount"]
    *_, tax, total, _, _ = found
    assert total - tax == 900_000_000
    assert sum(found[:-3]) == total


@pytest.mark.published("LibreOffice Calc, headless: a price, a waste factor, the rate and a charge changed")
def test_the_total_follows_a_changed_price(
    awkward: tuple[Path, pd.DataFrame, pd.DataFrame], recalculated: dict[str, openpyxl.Workbook], tmp_path: Path
) -> None:
    path, takeoff, _ = awkward
    price_list, _ = write_awkward_list(tmp_path / "changed.toml", seed=5, post_price=37.5)
    text = Path(price_list).read_text(encoding="utf-8").replace("50.05", "55.55")
    Path(price_list).write_text(text.replace("tax_pct = 8.1", "tax_pct = 9.1"), encoding="utf-8")
    changed = takeoff.copy()
    changed.loc[0, "quantity"] = order_quantity(changed.loc[0, "net_quantity"], 33.0, "each")
    wanted = expected(price_takeoff(changed, price_list=price_list, samples=10))
    found = amounts(recalculated["changed"])
    lines = len(takeoff) + 7  # low and high do not follow
    for name, values in found.items():
        assert values[:lines] == wanted[name][:lines], name
    assert found["amount"] != amounts(openpyxl.load_workbook(path, data_only=True))["amount"]


@pytest.fixture(scope="module")
def small(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, dict[str, pd.DataFrame]]:
    bid = small_bid("")
    path = tmp_path_factory.mktemp("small") / "bid.xlsx"
    write_bid_workbook(bid["takeoff"], bid["prices"], path=path, title='=HYPERLINK("x")\x07', date_of_data="2026-03")
    return path, bid


pytestmark = pytest.mark.filterwarnings("ignore:no price list is given")


def test_every_sheet_is_there_with_units_date_and_caution(small: tuple[Path, Any]) -> None:
    book = openpyxl.load_workbook(small[0])
    assert book.sheetnames == SHEETS
    for sheet in book:
        note = sheet["A2"].value
        assert "feet (ft)" in note
        assert "Date of the data: 2026-03" in note
        assert FIRST_CAUTION in note
        assert "invented" in sheet["A3"].value
        assert "2026-03" in sheet.oddFooter.left.text
    assert [row[1] for row in book["Cautions"].iter_rows(min_row=7, values_only=True)] == list(CAUTIONS)


def test_text_stays_text(small: tuple[Path, Any]) -> None:
    book = openpyxl.load_workbook(small[0])
    texts = [cell for sheet in book for row in sheet.iter_rows() for cell in row if isinstance(cell.value, str)]
    formulas = [cell for cell in texts if cell.data_type == "f"]
    assert formulas
    for cell in formulas:
        assert cell.value.startswith(("=ROUND(", "=ROUNDUP(", "=MAX(0,", "=Takeoff!G", "='Unit prices'!", "=G")), (
            cell.value
        )
    lots = [cell.value for cell in book["Takeoff by lot"]["A"][6:]]
    assert "=lot|'1'!A1" in lots
    assert "100-3" in lots  # the control character is gone
    assert book["Takeoff by lot"].cell(7 + lots.index("=lot|'1'!A1"), 1).data_type == "s"
    assert book["Bid"]["A1"].value == 'Bid - =HYPERLINK("x")'


def test_alternates_and_their_absence(small: tuple[Path, Any], awkward: tuple[Path, Any, Any]) -> None:
    assert openpyxl.load_workbook(small[0])["Alternates"]["A7"].value.startswith("None")
    sheet = openpyxl.load_workbook(awkward[0])["Alternates"]
    assert [cell.value for cell in sheet[7]][:5] == ["edge line", 1000, 1000, 0, 1234.56]
    assert (sheet["A8"].value, sheet["A8"].data_type) == ("=cheapest", "s")


def test_the_same_bytes_and_no_clock(small: tuple[Path, dict[str, pd.DataFrame]], tmp_path: Path) -> None:
    bid = small[1]
    for name in ("one.xlsx", "two.xlsx"):
        write_bid_workbook(bid["takeoff"], bid["prices"], path=tmp_path / name)
    assert (tmp_path / "one.xlsx").read_bytes() == (tmp_path / "two.xlsx").read_bytes()
    with zipfile.ZipFile(tmp_path / "one.xlsx") as parts:
        assert b"2000-01-01" in parts.read("docProps/core.xml")


def test_an_empty_bid_and_unusable_tables(tmp_path: Path, small: tuple[Path, dict[str, pd.DataFrame]]) -> None:
    takeoff, prices = small[1]["takeoff"], small[1]["prices"]
    write_bid_workbook(takeoff.iloc[:0], price_takeoff(takeoff.iloc[:0]), path=tmp_path / "empty.xlsx")
    assert openpyxl.load_workbook(tmp_path / "empty.xlsx", data_only=True)["Bid"]["J14"].value == 0
    with pytest.raises(OutputError, match="no total"):
        write_bid_workbook(takeoff, prices[prices["kind"] == "line"], path=tmp_path / "x.xlsx")
    with pytest.raises(OutputError, match="net_quantity"):
        write_bid_workbook(takeoff.drop(columns="net_quantity"), prices, path=tmp_path / "x.xlsx")
    with pytest.raises(OutputError, match="written"):
        write_bid_workbook(takeoff, prices, path=tmp_path / "no" / "x.xlsx")
