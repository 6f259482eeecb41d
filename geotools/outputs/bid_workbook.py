"""Write a bid as a workbook whose totals follow when a price, a waste factor or a charge is changed."""

from __future__ import annotations

import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import geopandas as gpd
import pandas as pd

from geotools.errors import OutputError
from geotools.outputs.bid_facts import ALTERNATES_COLUMNS, BidFacts, ask_for_columns, gather_facts
from geotools.outputs.bid_gates import fill_gates, gates_taken_off
from geotools.outputs.bid_look import (
    FIRST_ROW,
    HEAD_ROW,
    Look,
    amount_format,
    begin_sheet,
    cell_text,
    make_look,
    write_heads,
)
from geotools.outputs.cautions import CAUTIONS
from geotools.units import METRES_PER_FOOT

if TYPE_CHECKING:
    from collections.abc import Sequence

    from xlsxwriter.worksheet import Worksheet

__all__ = ["write_bid_workbook"]

_CREATED = datetime.datetime(2000, 1, 1, tzinfo=datetime.UTC)
"""The same date in every workbook, so that the same input gives the same bytes."""
_RATE_ROW = HEAD_ROW + 1
_CHARGE_ROWS = {
    "mobilisation": HEAD_ROW + 2,
    "overhead_pct": HEAD_ROW + 3,
    "contingency_pct": HEAD_ROW + 4,
    "profit_pct": HEAD_ROW + 5,
    "minimum_charge": HEAD_ROW + 6,
    "tax_pct": HEAD_ROW + 7,
}
_ITEMS_HEAD = HEAD_ROW + 9
_ITEMS_FIRST = _ITEMS_HEAD + 1


def write_bid_workbook(
    takeoff: pd.DataFrame,
    prices: pd.DataFrame,
    alternates: pd.DataFrame | None = None,
    planned_gates: gpd.GeoDataFrame | None = None,
    *,
    path: Path,
    title: str = "",
    units: str = "us",
    date_of_data: str = "",
) -> None:
    """Write the bid: bid, takeoff, takeoff by lot, gates, alternates, unit prices, assumptions, exclusions, cautions.

    Every amount is a formula: change a price, hours, a waste factor, the rate or a charge on the yellow cells and the
    total follows. What is stored beside each formula is what `price_takeoff` found, to the cent. Low and high come from
    draws and do not follow. Text stays text; the same input gives the same bytes.

    Parameters
    ----------
    takeoff : pandas.DataFrame
        As `list_takeoff` gives it.
    prices : pandas.DataFrame
        As `price_takeoff` gives it.
    alternates : pandas.DataFrame, optional
        As `compare_alternates` gives it.
    planned_gates : geopandas.GeoDataFrame, optional
        As `place_gates` gives it.
    path : pathlib.Path
        The file to write.
    title : str
        Name of the job.
    units : str
        `us` or `metric`, for the lengths of the alternates and the gates.
    date_of_data : str
        As it shall be shown, such as `2026-03`.

    Raises
    ------
    OutputError
        If a column is missing or the file can't be written.

    Examples
    --------
    >>> write_bid_workbook(takeoff, prices, path=Path("bid.xlsx"))  # doctest: +SKIP
    """
    import xlsxwriter
    from xlsxwriter.exceptions import XlsxWriterException

    ask_for_columns(takeoff, ("scope", "parcel_id", "item", "net_quantity"), "takeoff")
    facts = gather_facts(prices, title=title, date_of_data=date_of_data)
    lines = prices[prices["kind"] == "line"].reset_index(drop=True)
    plain = {"strings_to_formulas": False, "strings_to_urls": False, "strings_to_numbers": False}
    book = xlsxwriter.Workbook(str(path), {"in_memory": True, **plain})
    book.set_properties({"title": "Bid", "created": _CREATED})
    look = make_look(book, facts.currency)
    names = ("Bid", "Takeoff", "Takeoff by lot", "Gates", "Alternates", "Unit prices")
    sheets = {name: book.add_worksheet(name) for name in names}
    _fill_bid(sheets["Bid"], prices, lines, facts, look)
    _fill_takeoff(sheets["Takeoff"], lines, facts, look)
    _fill_by_lot(sheets["Takeoff by lot"], takeoff, lines, facts, look)
    fill_gates(sheets["Gates"], gates_taken_off(planned_gates, takeoff), facts, look, units)
    _fill_alternates(sheets["Alternates"], alternates, facts, look, units)
    _fill_prices(sheets["Unit prices"], prices, lines, facts, look)
    for name, texts in _texts(facts).items():
        _fill_texts(book.add_worksheet(name), name, texts, facts, look)
    try:
        book.close()
    except (XlsxWriterException, OSError) as error:
        raise OutputError(
            f"the file can't be written ({error})", where=str(path), mend="choose a folder that can be written to"
        ) from error


def _fill_bid(sheet: Worksheet, prices: pd.DataFrame, lines: pd.DataFrame, facts: BidFacts, look: Look) -> None:
    begin_sheet(sheet, "Bid", facts, look, (6, 11, 48, 7, 12, 12, 15, 10, 15, 16))
    write_heads(
        sheet,
        HEAD_ROW,
        ("No.", "Section", "Item", "Unit", "Quantity", "Unit price", "Material", "Hours", "Labour", "Amount"),
        look,
    )
    for at, line in enumerate(lines.to_dict("records")):
        row, takeoff, price = FIRST_ROW + at, FIRST_ROW + at + 1, _ITEMS_FIRST + at + 1
        sheet.write_number(row, 0, int(line["number"]), look.place)
        sheet.write_string(row, 1, cell_text(line["section"]), look.text)
        sheet.write_string(row, 2, cell_text(line["description"]), look.text)
        sheet.write_string(row, 3, cell_text(line["unit"]), look.text)
        sheet.write_formula(row, 4, f"=Takeoff!G{takeoff}", amount_format(line, look), line["quantity"])
        sheet.write_formula(row, 5, f"='Unit prices'!G{price}", look.price, line["material_price"])
        sheet.write_formula(row, 6, f"=ROUND(E{row + 1}*F{row + 1},2)", look.money, line["material_cents"] / 100)
        sheet.write_formula(row, 7, f"=ROUND(Takeoff!E{takeoff}*'Unit prices'!K{price},2)", look.hours, line["hours"])
        sheet.write_formula(
            row, 8, f"=ROUND(H{row + 1}*'Unit prices'!$G${_RATE_ROW + 1},2)", look.money, line["labour_cents"] / 100
        )
        sheet.write_formula(row, 9, f"=G{row + 1}+I{row + 1}", look.money, line["amount_cents"] / 100)
    end = FIRST_ROW + len(lines)
    _fill_charges(sheet, prices, end, facts, look)


def _fill_charges(sheet: Worksheet, prices: pd.DataFrame, end: int, facts: BidFacts, look: Look) -> None:
    """Charges and total below the lines, in the order in which each builds on those above."""
    material, work = (f"SUM({column}{FIRST_ROW + 1}:{column}{max(end, FIRST_ROW + 1)})" for column in "GJ")
    first = end + 1
    row_of = {name: first + place for place, name in enumerate((*_CHARGE_ROWS, "total"))}
    cell = {name: f"J{row + 1}" for name, row in row_of.items()}
    ask = {name: f"'Unit prices'!$G${row + 1}" for name, row in _CHARGE_ROWS.items()}
    base = f"({work}+{cell['mobilisation']})"
    built = f"({base}+{cell['overhead_pct']}+{cell['contingency_pct']})"
    formulas = {
        "mobilisation": f"=ROUND({ask['mobilisation']},2)",
        "overhead_pct": f"=ROUND(ROUND({base},2)*{ask['overhead_pct']}/100,2)",
        "contingency_pct": f"=ROUND(ROUND({base},2)*{ask['contingency_pct']}/100,2)",
        "profit_pct": f"=ROUND(ROUND({built},2)*{ask['profit_pct']}/100,2)",
        "minimum_charge": f"=MAX(0,ROUND({ask['minimum_charge']}-{built}-{cell['profit_pct']},2))",
        "tax_pct": f"=ROUND(ROUND({material},2)*{ask['tax_pct']}/100,2)",
        "total": f"=ROUND({work}+SUM({cell['mobilisation']}:{cell['tax_pct']}),2)",
    }
    if end == FIRST_ROW:
        formulas |= {"mobilisation": "=0", "minimum_charge": "=0"}
    found = prices[prices["kind"].isin(["charge", "total"])].set_index("item")
    for name, row in row_of.items():
        last = name == "total"
        sheet.write_string(row, 2, cell_text(found["description"].get(name, name)), look.strong if last else look.text)
        sheet.write_formula(
            row, 9, formulas[name], look.total if last else look.money, int(found["amount_cents"].get(name, 0)) / 100
        )
    row = row_of["total"] + 2
    for text, cents in (
        ("Low, from draws at the prices listed", facts.low_cents),
        ("High, from draws at the prices listed", facts.high_cents),
    ):
        sheet.write_string(row, 2, f"{text}; does not follow changes", look.text)
        sheet.write_number(row, 9, cents / 100, look.money)
        row += 1
    sheet.write_string(row + 1, 2, f"This bid stands for {facts.valid_days} days from its signature.", look.text)


def _fill_takeoff(sheet: Worksheet, lines: pd.DataFrame, facts: BidFacts, look: Look) -> None:
    begin_sheet(sheet, "Takeoff", facts, look, (6, 11, 48, 7, 13, 10, 13, 70))
    write_heads(
        sheet, HEAD_ROW, ("No.", "Section", "Item", "Unit", "Net quantity", "Waste, %", "To order", "Note"), look
    )
    for at, line in enumerate(lines.to_dict("records")):
        row = FIRST_ROW + at
        sheet.write_number(row, 0, int(line["number"]), look.place)
        for place, name in ((1, "section"), (2, "description"), (3, "unit"), (7, "note")):
            sheet.write_string(row, place, cell_text(line[name]), look.text)
        sheet.write_number(row, 4, line["net_quantity"], amount_format(line, look))
        sheet.write_number(row, 5, line["waste_pct"], look.entry_number)
        amount = f"E{row + 1}*(1+F{row + 1}/100)"
        decimals = 1 if line["unit"] == "ft" else 2
        formula = f"=ROUNDUP(ROUND({amount},6),0)" if line["unit"] == "each" else f"=ROUND({amount},{decimals})"
        sheet.write_formula(row, 6, formula, amount_format(line, look), line["quantity"])


def _fill_by_lot(sheet: Worksheet, takeoff: pd.DataFrame, lines: pd.DataFrame, facts: BidFacts, look: Look) -> None:
    """Net quantities of each lot, one column an item."""
    own = takeoff[takeoff["scope"] == "lot"]
    wide = own.pivot_table(index="parcel_id", columns="item", values="net_quantity", aggfunc="sum", sort=True)
    known = takeoff.drop_duplicates("item").set_index("item")
    items = [item for item in lines["item"] if item in wide.columns]
    begin_sheet(sheet, "Takeoff by lot, net", facts, look, (16, *[13] * len(items)))
    write_heads(
        sheet,
        HEAD_ROW,
        ("Lot", *(f"{cell_text(known['description'][item])} ({known['unit'][item]})" for item in items)),
        look,
    )
    sheet.set_row(HEAD_ROW, 75)
    sheet.fit_to_pages(3, 0)
    sheet.repeat_columns(0)
    sheet.freeze_panes(FIRST_ROW, 1)
    formats = [look.count if known["unit"][item] == "each" else look.number for item in items]
    amounts = wide.reindex(columns=items).to_numpy().tolist()
    for at, (lot, row) in enumerate(zip(wide.index, amounts, strict=True)):
        sheet.write_string(FIRST_ROW + at, 0, cell_text(lot) or "shared", look.text)
        for place, (value, shown) in enumerate(zip(row, formats, strict=True), start=1):
            if value > 0:
                sheet.write_number(FIRST_ROW + at, place, value, shown)


def _fill_alternates(
    sheet: Worksheet, alternates: pd.DataFrame | None, facts: BidFacts, look: Look, units: str
) -> None:
    unit, metres = ("ft", METRES_PER_FOOT) if units == "us" else ("m", 1.0)
    begin_sheet(sheet, "Alternates", facts, look, (20, 14, 14, 14, 16, 12, 12, 70))
    write_heads(
        sheet,
        HEAD_ROW,
        (
            "Alternate",
            f"Length ({unit})",
            f"New ({unit})",
            f"Mended ({unit})",
            "Cost",
            "Lots closed",
            "Lots open",
            "What it leaves open",
        ),
        look,
    )
    if alternates is None or alternates.empty:
        sheet.write_string(FIRST_ROW, 0, "None: no alternates were worked out for this bid.", look.text)
        return
    ask_for_columns(alternates, ALTERNATES_COLUMNS, "alternates")
    for at, row in enumerate(alternates.to_dict("records")):
        sheet.write_string(FIRST_ROW + at, 0, cell_text(row["alternate"]), look.text)
        for place, name in enumerate(("length_m", "new_m", "retrofit_m"), start=1):
            sheet.write_number(FIRST_ROW + at, place, round(row[name] / metres, 1), look.number)
        sheet.write_number(FIRST_ROW + at, 4, int(row["cost_cents"]) / 100, look.money)
        sheet.write_number(FIRST_ROW + at, 5, int(row["lots_closed"]), look.count)
        sheet.write_number(FIRST_ROW + at, 6, int(row["lots_open"]), look.count)
        sheet.write_string(FIRST_ROW + at, 7, cell_text(row["leaves"]), look.text)
    note = "Costs of alternates are priced per length by the step that compares them, not by the lines of this bid."
    sheet.write_string(FIRST_ROW + len(alternates) + 1, 0, note, look.note)


def _fill_prices(sheet: Worksheet, prices: pd.DataFrame, lines: pd.DataFrame, facts: BidFacts, look: Look) -> None:
    begin_sheet(sheet, "Unit prices", facts, look, (18, 48, 8, 12, 12, 12, 13, 11, 11, 11, 13))
    sheet.write_string(
        3, 0, "Yellow cells are yours to change; the price used is (low + 4 likely + high) / 6.", look.note
    )
    write_heads(sheet, HEAD_ROW, ("Charge", "What it is", "Unit", "Low", "Likely", "High", "Used"), look)
    rate = prices[prices["kind"] == "rate"]
    sheet.write_string(_RATE_ROW, 0, "labour", look.text)
    sheet.write_string(_RATE_ROW, 1, "Labour, one hour of one worker", look.text)
    sheet.write_string(_RATE_ROW, 2, "hour", look.text)
    if len(rate):
        _three(sheet, _RATE_ROW, (3, 4, 5), rate.iloc[0], "material", look.entry_price)
        row = _RATE_ROW + 1
        sheet.write_formula(
            _RATE_ROW, 6, f"=ROUND((D{row}+4*E{row}+F{row})/6,2)", look.price, float(rate["material_price"].iloc[0])
        )
    found = prices[prices["kind"] == "charge"].set_index("item")
    for name, row in _CHARGE_ROWS.items():
        percent = name.endswith("_pct")
        sheet.write_string(row, 0, name.removesuffix("_pct").replace("_", " "), look.text)
        sheet.write_string(row, 1, cell_text(found["description"].get(name, "")), look.text)
        sheet.write_string(row, 2, "%" if percent else facts.currency, look.text)
        value = found["basis_pct" if percent else "material_price"].get(name, 0.0)
        if name == "mobilisation":
            value = int(found["amount_cents"].get(name, 0)) / 100
        sheet.write_number(
            row, 6, 0.0 if pd.isna(value) else float(value), look.entry_number if percent else look.entry_price
        )
    heads = (
        "Item",
        "What it is",
        "Unit",
        "Low",
        "Likely",
        "High",
        "Price used",
        "Hours, low",
        "Hours, likely",
        "Hours, high",
        "Hours used",
    )
    write_heads(sheet, _ITEMS_HEAD, heads, look)
    for at, line in enumerate(lines.to_dict("records")):
        row = _ITEMS_FIRST + at
        for place, name in ((0, "item"), (1, "description"), (2, "unit")):
            sheet.write_string(row, place, cell_text(line[name]), look.text)
        _three(sheet, row, (3, 4, 5), line, "material", look.entry_price)
        _three(sheet, row, (7, 8, 9), line, "hours", look.entry_number)
        cell = row + 1
        sheet.write_formula(row, 6, f"=ROUND((D{cell}+4*E{cell}+F{cell})/6,4)", look.price, line["material_price"])
        sheet.write_formula(row, 10, f"=ROUND((H{cell}+4*I{cell}+J{cell})/6,4)", look.rate, line["hours_per_unit"])


def _three(sheet: Worksheet, row: int, places: Sequence[int], line: Any, what: str, entry: Any) -> None:
    for place, point in zip(places, ("low", "likely", "high"), strict=True):
        sheet.write_number(row, place, float(line[f"{what}_{point}"]), entry)


def _texts(facts: BidFacts) -> dict[str, Sequence[str]]:
    assumptions = [
        *facts.assumptions,
        *facts.notes,
        "Waste factors stand on the sheet Takeoff and can be changed there; the rolls have the cutting loss in them.",
        "Lengths come from map layers; what else the plan assumes is listed in run.json.",
        f"Price list: {facts.price_list}.",
    ]
    none = ("None are named in the price list: the contractor's own go here.",)
    return {"Assumptions": assumptions, "Exclusions": facts.exclusions or none, "Cautions": CAUTIONS}


def _fill_texts(sheet: Worksheet, name: str, texts: Sequence[str], facts: BidFacts, look: Look) -> None:
    begin_sheet(sheet, name, facts, look, (6, 120))
    write_heads(sheet, HEAD_ROW, ("No.", name), look)
    for at, text in enumerate(texts):
        sheet.write_number(FIRST_ROW + at, 0, at + 1, look.place)
        sheet.write_string(FIRST_ROW + at, 1, cell_text(text), look.text)
