"""Write a short report of headings, paragraphs, lists and tables, the same as Markdown and as PDF."""

from __future__ import annotations

import re
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, NamedTuple

import numpy as np

from geotools.errors import OutputError
from geotools.outputs.cautions import CAUTIONS
from geotools.outputs.display import clean_text
from geotools.outputs.pdf_text import BOLD, PLAIN, fit_text, new_canvas, safe_text, wrap_text

if TYPE_CHECKING:
    from collections.abc import Sequence

__all__ = ["Part", "write_markdown", "write_report"]

_SIZE_PT = (612.0, 792.0)
_MARGIN_PT, _BODY_PT, _SMALL_PT, _LEAD = 54.0, 9.0, 7.0, 1.35
_HEAD_PT = {1: 15.0, 2: 11.5}
_SIGNS = re.compile(r"([\\`*_{}\[\]<>#|!~])")
_LINE_START = re.compile(r"^(\s*\d*)([-+=.)])(?=\s|$)")


class Part(NamedTuple):
    """A piece of a report: a heading of level 1 or 2, a paragraph, a list, or a table with its head."""

    kind: Literal["title", "heading", "text", "list", "table"]
    text: str = ""
    items: Sequence[str] = ()
    head: Sequence[str] = ()
    rows: Sequence[Sequence[object]] = ()
    shares: Sequence[float] = ()


def write_report(parts: Sequence[Part], path: Path, *, foot: str = "") -> None:
    """Write a report as PDF, and as Markdown beside it under the same name; both end with the cautions.

    Parameters
    ----------
    parts : sequence of Part
    path : pathlib.Path
        The PDF.
    foot : str
        At the foot of each page: units, date of the data.

    Raises
    ------
    OutputError
        If a file can't be written.

    Examples
    --------
    >>> write_report([Part("title", "Memo")], Path("memo.pdf"))  # doctest: +SKIP
    """
    whole = [*parts, Part("heading", "Cautions"), Part("list", items=CAUTIONS)]
    try:
        path.with_suffix(".md").write_text(write_markdown(whole, foot=foot), encoding="utf-8", newline="\n")
        _write_pdf(whole, path, foot)
    except OSError as error:
        raise OutputError(
            f"the file can't be written ({error})", where=str(path), mend="choose a folder that can be written to"
        ) from error


def write_markdown(parts: Sequence[Part], *, foot: str = "") -> str:
    r"""Write a report as Markdown; text from data stays text.

    Examples
    --------
    >>> print(write_markdown([Part("title", "Lot *7*"), Part("table", head=["a"], rows=[["x|y"]])]).strip())
    # Lot \*7\*
    <BLANKLINE>
    | a |
    |---|
    | x\|y |
    """
    texts = []
    for part in parts:
        if part.kind == "title":
            texts.append(f"# {_plain(part.text)}")
        elif part.kind == "heading":
            texts.append(f"## {_plain(part.text)}")
        elif part.kind == "text":
            texts.append(_plain(part.text))
        elif part.kind == "list":
            texts.append("\n".join(f"- {_plain(item)}" for item in part.items))
        elif part.rows:
            lines = [part.head, *part.rows]
            table = [f"| {' | '.join(_plain(cell) for cell in line)} |" for line in lines]
            table.insert(1, "|" + "---|" * len(part.head))
            texts.append("\n".join(table))
    if foot:
        texts.append(_plain(foot))
    return "\n\n".join(texts) + "\n"


def _plain(text: object) -> str:
    escaped = _SIGNS.sub(r"\\\1", clean_text(text) or "")
    return _LINE_START.sub(r"\1\\\2", escaped)


def _write_pdf(parts: Sequence[Part], path: Path, foot: str) -> None:
    title = next((part.text for part in parts if part.kind == "title"), "Report")
    canvas = new_canvas(path, title=title, page_size_pt=_SIZE_PT)
    page = _Page(canvas, foot)
    for part in parts:
        _set_part(page, part)
    page.end()
    canvas.save()


class _Page:
    """Where the next line goes."""

    def __init__(self, canvas: Any, foot: str) -> None:
        self.canvas, self.foot, self.number = canvas, foot, 1
        self.width = _SIZE_PT[0] - 2 * _MARGIN_PT
        self.y_pt = _SIZE_PT[1] - _MARGIN_PT

    def room(self, needed_pt: float) -> None:
        """Turn to a new page where there is no room."""
        if self.y_pt - needed_pt < _MARGIN_PT + 14:
            self.end()
            self.number += 1
            self.y_pt = _SIZE_PT[1] - _MARGIN_PT

    def end(self) -> None:
        """Write the foot, and end the page."""
        self.canvas.setFont(PLAIN, _SMALL_PT)
        self.canvas.setLineWidth(0.4)
        self.canvas.line(_MARGIN_PT, _MARGIN_PT, _SIZE_PT[0] - _MARGIN_PT, _MARGIN_PT)
        first = CAUTIONS[0]
        told = f"{first}   {self.foot}" if self.foot else first
        self.canvas.drawString(_MARGIN_PT, _MARGIN_PT - 10, fit_text(told, self.width - 50, _SMALL_PT))
        self.canvas.drawRightString(_SIZE_PT[0] - _MARGIN_PT, _MARGIN_PT - 10, f"page {self.number}")
        self.canvas.showPage()

    def line(self, text: str, size_pt: float, *, font: str = PLAIN, indent_pt: float = 0.0) -> None:
        """Set one line and go down."""
        self.room(size_pt * _LEAD)
        self.y_pt -= size_pt * _LEAD
        self.canvas.setFont(font, size_pt)
        self.canvas.drawString(_MARGIN_PT + indent_pt, self.y_pt, text)


def _set_part(page: _Page, part: Part) -> None:
    if part.kind in ("title", "heading"):
        level = 1 if part.kind == "title" else 2
        page.room(4 * _HEAD_PT[level])
        page.y_pt -= 8 if level > 1 else 0
        mark = f"part-{page.number}-{page.y_pt:.0f}"
        page.canvas.bookmarkPage(mark)
        page.canvas.addOutlineEntry(safe_text(part.text), mark, level=level - 1)
        for line in wrap_text(part.text, page.width, _HEAD_PT[level], BOLD):
            page.line(line, _HEAD_PT[level], font=BOLD)
        page.y_pt -= 3
    elif part.kind == "text":
        for line in wrap_text(part.text, page.width, _BODY_PT):
            page.line(line, _BODY_PT)
        page.y_pt -= 5
    elif part.kind == "list":
        for item in part.items:
            for number, line in enumerate(wrap_text(item, page.width - 12, _BODY_PT)):
                page.line(line, _BODY_PT, indent_pt=12)
                if not number:
                    page.canvas.drawString(_MARGIN_PT + 2, page.y_pt, "•")
        page.y_pt -= 5
    elif part.rows:
        _set_table(page, part)


def _set_table(page: _Page, part: Part) -> None:
    shares = np.array(part.shares or [1.0] * len(part.head))
    widths = page.width * shares / shares.sum()
    starts = _MARGIN_PT + np.concatenate([[0.0], np.cumsum(widths)])
    size, lead = _SMALL_PT + 0.6, (_SMALL_PT + 0.6) * _LEAD
    heads = [wrap_text(cell, width - 5, size, BOLD) for cell, width in zip(part.head, widths, strict=True)]
    for number, row in enumerate([part.head, *part.rows]):
        font = PLAIN if number else BOLD
        cells = [wrap_text(cell, width - 5, size, font) for cell, width in zip(row, widths, strict=True)]
        tall = max(len(cell) for cell in cells)
        before = page.number
        page.room(tall * lead + 3)
        if page.number != before and number:
            _set_row(page, heads, starts, size, BOLD)
        _set_row(page, cells, starts, size, font)
    page.y_pt -= 6


def _set_row(page: _Page, cells: Sequence[Sequence[str]], starts: Any, size: float, font: str) -> None:
    lead = size * _LEAD
    page.canvas.setFont(font, size)
    for cell, start in zip(cells, starts[:-1], strict=True):
        for place, line in enumerate(cell):
            page.canvas.drawString(start, page.y_pt - (place + 1) * lead, line)
    page.y_pt -= max(len(cell) for cell in cells) * lead + 3
    page.canvas.setLineWidth(0.7 if font == BOLD else 0.25)
    page.canvas.line(_MARGIN_PT, page.y_pt - 0.6, _MARGIN_PT + page.width, page.y_pt - 0.6)
