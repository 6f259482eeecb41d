"""Give the sheets of a bid their looks: formats, title, notes, headings, safe text."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple

from geotools.outputs.display import clean_text

if TYPE_CHECKING:
    from collections.abc import Sequence

    from xlsxwriter.worksheet import Worksheet

    from geotools.outputs.bid_facts import BidFacts

__all__ = [
    "FIRST_ROW",
    "HEAD_ROW",
    "Look",
    "amount_format",
    "begin_sheet",
    "cell_text",
    "make_look",
    "write_heads",
]

HEAD_ROW = 5
"""Row of the headings, from 0: title, notes and a blank row stand above."""
FIRST_ROW = HEAD_ROW + 1
_LONGEST = 32_000
_WORDS = {
    *("No.", "Section", "Item", "Unit", "Note", "Lot", "Alternate", "What it leaves open", "Charge", "What it is"),
    *("Assumptions", "Exclusions", "Cautions"),
}
"""Headings of columns that hold text."""


class Look(NamedTuple):
    """The formats of the workbook, each made once."""

    title: Any
    note: Any
    warning: Any
    head: Any
    right: Any
    place: Any
    text: Any
    count: Any
    number: Any
    hours: Any
    price: Any
    rate: Any
    money: Any
    total: Any
    strong: Any
    entry_price: Any
    entry_number: Any


def make_look(book: Any, currency: str) -> Look:
    """Make the formats in a workbook.

    Examples
    --------
    >>> make_look(book, "USD")  # doctest: +SKIP
    """
    sign = '"$"' if currency == "USD" else f'"{currency} "'
    top = {"valign": "top"}
    head = {"bold": True, "text_wrap": True, **top, "bg_color": "#E9E1D0", "bottom": 1}
    entry = {"bg_color": "#FFF6CC", "font_color": "#1F3F7F", "border": 4, "border_color": "#C9B458", **top}
    return Look(
        title=book.add_format({"bold": True, "font_size": 16, "font_color": "#3B2F1E"}),
        note=book.add_format({"italic": True, "font_color": "#555555"}),
        warning=book.add_format({"bold": True, "font_color": "#9C1C1C"}),
        head=book.add_format({**head, "indent": 1}),
        right=book.add_format({**head, "align": "right"}),
        place=book.add_format({"num_format": "0", "align": "left", "indent": 1, **top}),
        text=book.add_format({"text_wrap": True, "indent": 1, **top}),
        count=book.add_format({"num_format": "#,##0", **top}),
        number=book.add_format({"num_format": "#,##0.0#", **top}),
        hours=book.add_format({"num_format": "#,##0.00", **top}),
        rate=book.add_format({"num_format": "0.00##", **top}),
        price=book.add_format({"num_format": f"{sign}#,##0.00##", **top}),
        money=book.add_format({"num_format": f"{sign}#,##0.00", **top}),
        total=book.add_format({"bold": True, "num_format": f"{sign}#,##0.00", "top": 1, "bottom": 6, **top}),
        strong=book.add_format({"bold": True, "top": 1, "bottom": 6, **top}),
        entry_price=book.add_format({"num_format": f"{sign}#,##0.00##", **entry}),
        entry_number=book.add_format({"num_format": "0.0###", **entry}),
    )


def begin_sheet(sheet: Worksheet, name: str, facts: BidFacts, look: Look, widths: Sequence[float]) -> None:
    """Write title and notes of a sheet, and set its column widths and printed page.

    Examples
    --------
    >>> begin_sheet(sheet, "Bid", facts, look, (6, 11))  # doctest: +SKIP
    """
    for place, width in enumerate(widths):
        sheet.set_column(place, place, width)
    sheet.write_string(0, 0, f"{name} - {facts.title}" if facts.title else name, look.title)
    sheet.write_string(1, 0, facts.note, look.note)
    sheet.write_string(
        2, 0, facts.invented or f"Prices: {facts.price_list}", look.warning if facts.invented else look.note
    )
    sheet.set_landscape()
    sheet.fit_to_pages(1, 0)
    sheet.repeat_rows(HEAD_ROW)
    sheet.set_footer(f"&L&8{_for_footer(facts.note)}&R&8&A, page &P of &N")
    sheet.freeze_panes(FIRST_ROW, 0)


def write_heads(sheet: Worksheet, row: int, heads: Sequence[str], look: Look) -> None:
    """Write headings, to the right over numbers.

    Examples
    --------
    >>> write_heads(sheet, HEAD_ROW, ("No.", "Amount"), look)  # doctest: +SKIP
    """
    for place, text in enumerate(heads):
        sheet.write_string(row, place, text, look.head if text in _WORDS else look.right)


def amount_format(line: Any, look: Look) -> Any:
    """Format of a quantity: whole for counts.

    Examples
    --------
    >>> amount_format({"unit": "each"}, look)  # doctest: +SKIP
    """
    return look.count if line["unit"] == "each" else look.number


def cell_text(value: object) -> str:
    r"""Text as a cell can hold it: no control characters, not too long.

    Examples
    --------
    >>> cell_text("12\x07")
    '12'
    """
    return (clean_text(value) or "")[:_LONGEST]


def _for_footer(text: str) -> str:
    """A footer of 255 signs at most (ECMA-376 readers), in which & begins a code."""
    return text.replace("&", "&&")[:180]
