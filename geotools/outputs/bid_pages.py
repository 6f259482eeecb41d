"""Lay out pages of a printed document: a frame with title and notes, text, ruled blanks, and tables that go on."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial
from typing import Any, NamedTuple

from geotools.outputs.pdf_text import BOLD, PLAIN, fit_text, text_width, wrap_text

__all__ = [
    "LETTER_PT",
    "Column",
    "Flow",
    "PageFrame",
    "add_blanks",
    "add_heading",
    "add_list",
    "add_table",
    "add_text",
    "draw_frame",
    "finish_flow",
    "start_flow",
]

LETTER_PT = (612.0, 792.0)
MARGIN_PT = 54.0
_TOP_PT, _BOTTOM_PT = 84.0, 72.0
_INK, _SOFT, _RULE, _SAND = (0.13, 0.11, 0.09), (0.38, 0.36, 0.33), (0.70, 0.66, 0.58), (0.93, 0.89, 0.82)
_RED = (0.61, 0.11, 0.11)
_ROW_PT, _SIZE_PT = 13.0, 8.0

Draw = Callable[[Any], None]


class PageFrame(NamedTuple):
    """What stands on every page: the title, the notes at the foot, and a warning in red if there is one."""

    title: str
    notes: str
    warning: str


class Column(NamedTuple):
    """A column of a table: heading, width in points, and whether its text stands at the right."""

    heading: str
    width_pt: float
    right: bool = False


class Flow(NamedTuple):
    """Pages in the making: finished ones, what is drawn on the open one, and where its next line stands (in a list)."""

    pages: list[list[Draw]]
    at_pt: list[float]


def start_flow() -> Flow:
    """Begin with one open page.

    Examples
    --------
    >>> len(start_flow().pages)
    1
    """
    return Flow([[]], [LETTER_PT[1] - _TOP_PT])


def finish_flow(canvas: Any, flows: Sequence[Flow], frame: PageFrame) -> int:
    """Draw the pages of flows one after the other, each with its frame, and return how many there are.

    Examples
    --------
    >>> finish_flow(None, [], PageFrame("", "", ""))
    0
    """
    pages = [page for flow in flows for page in flow.pages]
    for number, page in enumerate(pages, start=1):
        canvas.setPageSize(LETTER_PT)
        draw_frame(canvas, frame, number, len(pages))
        for draw in page:
            draw(canvas)
        canvas.showPage()
    return len(pages)


def draw_frame(canvas: Any, frame: PageFrame, number: int, count: int) -> None:
    """Draw title, rules, notes and page number of one page.

    Examples
    --------
    >>> draw_frame(canvas, frame, 1, 9)  # doctest: +SKIP
    """
    width_pt, height_pt = LETTER_PT
    _set(canvas, 9, BOLD, _SOFT)
    canvas.drawString(MARGIN_PT, height_pt - 44, fit_text(frame.title, 280, 9, BOLD))
    if frame.warning:
        _set(canvas, 8, BOLD, _RED)
        canvas.drawRightString(width_pt - MARGIN_PT, height_pt - 44, fit_text(frame.warning, 220, 8, BOLD))
    canvas.setStrokeColorRGB(*_RULE)
    canvas.setLineWidth(0.8)
    canvas.line(MARGIN_PT, height_pt - 52, width_pt - MARGIN_PT, height_pt - 52)
    canvas.line(MARGIN_PT, 54, width_pt - MARGIN_PT, 54)
    _set(canvas, 6.5, PLAIN, _SOFT)
    for line, text in enumerate(wrap_text(frame.notes, width_pt - 2 * MARGIN_PT - 70, 6.5)[:2]):
        canvas.drawString(MARGIN_PT, 43 - 9 * line, text)
    canvas.drawRightString(width_pt - MARGIN_PT, 43, f"Page {number} of {count}")


def add_heading(flow: Flow, text: str, *, size_pt: float = 14.0) -> None:
    """Add a heading, on a new page if little room is left.

    Examples
    --------
    >>> flow = start_flow()
    >>> add_heading(flow, "Terms")
    >>> flow.at_pt[0] < 708
    True
    """
    y = _take(flow, size_pt + 22, keep_pt=48)
    _draw(flow, partial(_string, x=MARGIN_PT, y=y + 8, text=text, size_pt=size_pt, font=BOLD, color=_INK))


def add_text(flow: Flow, text: str, *, size_pt: float = 9.0, bold: bool = False, red: bool = False) -> None:
    """Add a paragraph.

    Examples
    --------
    >>> flow = start_flow()
    >>> add_text(flow, "One line.")
    >>> len(flow.pages[0])
    1
    """
    font, color = BOLD if bold else PLAIN, _RED if red else _INK
    for line in wrap_text(text, LETTER_PT[0] - 2 * MARGIN_PT, size_pt, font):
        y = _take(flow, size_pt * 1.4)
        _draw(flow, partial(_string, x=MARGIN_PT, y=y, text=line, size_pt=size_pt, font=font, color=color))
    flow.at_pt[0] -= size_pt * 0.5


def add_list(flow: Flow, texts: Sequence[str], *, size_pt: float = 9.0) -> None:
    """Add numbered sentences.

    Examples
    --------
    >>> flow = start_flow()
    >>> add_list(flow, ["One.", "Two."])
    >>> len(flow.pages[0])
    4
    """
    for number, text in enumerate(texts, start=1):
        for place, line in enumerate(wrap_text(text, LETTER_PT[0] - 2 * MARGIN_PT - 20, size_pt)):
            y = _take(flow, size_pt * 1.4)
            if place == 0:
                _draw(
                    flow, partial(_string, x=MARGIN_PT, y=y, text=f"{number}.", size_pt=size_pt, font=BOLD, color=_SOFT)
                )
            _draw(flow, partial(_string, x=MARGIN_PT + 20, y=y, text=line, size_pt=size_pt, font=PLAIN, color=_INK))
        flow.at_pt[0] -= size_pt * 0.35


def add_blanks(flow: Flow, labels: Sequence[str], *, step_pt: float = 26.0) -> None:
    """Add ruled lines to be filled in by hand, each with its label (which may be empty).

    Examples
    --------
    >>> flow = start_flow()
    >>> add_blanks(flow, ["Name", ""])
    >>> len(flow.pages[0])
    2
    """
    for label in labels:
        y = _take(flow, step_pt)
        _draw(flow, partial(_blank, y=y, label=label))


def add_table(
    flow: Flow, columns: Sequence[Column], rows: Sequence[Sequence[str]], *, strong_rows: frozenset[int] = frozenset()
) -> None:
    """Add a table; its head is repeated on each page, text that is too wide ends in dots.

    Examples
    --------
    >>> flow = start_flow()
    >>> add_table(flow, [Column("Lot", 60)], [["1"]] * 100)
    >>> len(flow.pages)
    3
    """
    _table_head(flow, columns)
    for number, row in enumerate(rows):
        if flow.at_pt[0] - _ROW_PT < _BOTTOM_PT:
            _new_page(flow)
            _table_head(flow, columns)
        y = _take(flow, _ROW_PT)
        strong = number in strong_rows
        _draw(flow, partial(_table_row, y=y, columns=columns, row=row, strong=strong))
    flow.at_pt[0] -= 10


def _table_head(flow: Flow, columns: Sequence[Column]) -> None:
    y = _take(flow, _ROW_PT + 4, keep_pt=2 * _ROW_PT)

    def draw(canvas: Any) -> None:
        canvas.setFillColorRGB(*_SAND)
        canvas.rect(MARGIN_PT, y - 3.5, sum(column.width_pt for column in columns), _ROW_PT + 2, stroke=0, fill=1)
        _cells(canvas, y, columns, [column.heading for column in columns], BOLD)

    _draw(flow, draw)


def _table_row(canvas: Any, y: float, columns: Sequence[Column], row: Sequence[str], *, strong: bool) -> None:
    canvas.setStrokeColorRGB(*(_INK if strong else _SAND))
    canvas.setLineWidth(0.9 if strong else 0.4)
    top = _ROW_PT - 3.5 if strong else -3.5
    canvas.line(MARGIN_PT, y + top, MARGIN_PT + sum(column.width_pt for column in columns), y + top)
    _cells(canvas, y, columns, row, BOLD if strong else PLAIN)


def _cells(canvas: Any, y: float, columns: Sequence[Column], row: Sequence[str], font: str) -> None:
    _set(canvas, _SIZE_PT, font, _INK)
    x = MARGIN_PT
    for column, text in zip(columns, row, strict=True):
        shown = fit_text(text, column.width_pt - 6, _SIZE_PT, font)
        if column.right:
            canvas.drawRightString(x + column.width_pt - 3, y, shown)
        else:
            canvas.drawString(x + 3, y, shown)
        x += column.width_pt


def _blank(canvas: Any, y: float, label: str) -> None:
    _string(canvas, MARGIN_PT, y, label, 8.5, PLAIN, _SOFT)
    start = MARGIN_PT + (text_width(label, 8.5) + 8 if label else 0)
    canvas.setStrokeColorRGB(*_SOFT)
    canvas.setLineWidth(0.6)
    canvas.line(start, y - 2, LETTER_PT[0] - MARGIN_PT, y - 2)


def _string(canvas: Any, x: float, y: float, text: str, size_pt: float, font: str, color: tuple[float, ...]) -> None:
    _set(canvas, size_pt, font, color)
    canvas.drawString(x, y, fit_text(text, LETTER_PT[0] - MARGIN_PT - x, size_pt, font))


def _set(canvas: Any, size_pt: float, font: str, color: tuple[float, ...]) -> None:
    canvas.setFont(font, size_pt)
    canvas.setFillColorRGB(*color)


def _take(flow: Flow, height_pt: float, *, keep_pt: float = 0.0) -> float:
    """Height on the page of the next line, on a new page where it has no room."""
    if flow.at_pt[0] - height_pt - keep_pt < _BOTTOM_PT:
        _new_page(flow)
    flow.at_pt[0] -= height_pt
    return flow.at_pt[0]


def _new_page(flow: Flow) -> None:
    flow.pages.append([])
    flow.at_pt[0] = LETTER_PT[1] - _TOP_PT


def _draw(flow: Flow, draw: Draw) -> None:
    flow.pages[-1].append(draw)
