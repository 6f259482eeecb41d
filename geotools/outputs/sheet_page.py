"""Set what stands around a plan: title, tables, legend, cautions, the cover with its key plan, and the index."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from geotools.outputs.cautions import CAUTIONS
from geotools.outputs.pdf_text import BOLD, PLAIN, fit_text, safe_text, text_width, wrap_text
from geotools.outputs.sheet_scale import lay_view
from geotools.outputs.sheet_strokes import draw_bar, draw_north, stroke_shapes

if TYPE_CHECKING:
    from collections.abc import Sequence

__all__ = [
    "Block",
    "Frame",
    "IndexRow",
    "draw_blocks",
    "draw_corner",
    "draw_cover",
    "draw_foot",
    "draw_index",
    "index_page_count",
    "index_pages",
    "page_frame",
]

_MARGIN_PT, _FOOT_PT, _SIDE_PT = 26.0, 60.0, 246.0
_HEAD_PT, _BODY_PT, _FOOT_TEXT_PT = 8.0, 6.6, 5.9
_STRIP_PT, _LEGEND_PT = 46.0, 5.2
_LEAD = 1.28
_INDEX_ROWS, _MOST_LINES = 44, 8
_LETTER, _A4 = (792.0, 612.0), (841.89, 595.28)
"""ANSI letter and ISO 216 A4, lying, points."""
LEGEND = (
    "long dash, two short: lot line",
    "heavy line with crosses: new barrier (heavier: panels above the specified height); ticks: stations",
    "double line: sound wall; broken double line: wall to mend",
    "diamond F: climbable thing; circle W: way in; square G: gate that stands; N: new gate, its leaf open",
    "grey: building; light grey: wash (dotted edge), pool (dashed edge); dashed: easement; thin grey: other lots",
)


class Frame(NamedTuple):
    """A page: its size, and its places as left, bottom, width and height in points."""

    size_pt: tuple[float, float]
    plan: tuple[float, float, float, float]
    strip: tuple[float, float, float, float]
    side: tuple[float, float, float, float]
    foot: tuple[float, float, float, float]


class Block(NamedTuple):
    """A piece of the side column: heading, lines of plain text, or a table with shares of the width."""

    heading: str
    lines: Sequence[str] = ()
    head: Sequence[str] = ()
    rows: Sequence[Sequence[str]] = ()
    shares: Sequence[float] = ()


class IndexRow(NamedTuple):
    """A lot's line in the index: the page's bookmark and what the columns show."""

    bookmark: str
    cells: Sequence[str]


def page_frame(units: str) -> Frame:
    """Places on a lying letter page, or A4 in metric units.

    Examples
    --------
    >>> page_frame("us").size_pt
    (792.0, 612.0)
    """
    width, height = _LETTER if units == "us" else _A4
    left, bottom = _MARGIN_PT, _MARGIN_PT + _FOOT_PT + 6
    plan_width = width - 2 * _MARGIN_PT - _SIDE_PT - 8
    tall = height - bottom - _MARGIN_PT
    return Frame(
        (width, height),
        (left, bottom + _STRIP_PT, plan_width, tall - _STRIP_PT),
        (left, bottom, plan_width, _STRIP_PT),
        (left + plan_width + 8, bottom, _SIDE_PT, tall),
        (left, _MARGIN_PT, width - 2 * _MARGIN_PT, _FOOT_PT),
    )


def draw_foot(
    canvas: Any, frame: Frame, *, sheet: str, title: str, date_of_data: str, units: str, notes: str = ""
) -> None:
    """Write the foot of a page: cautions, then title, sheet, units and the date of the data.

    Examples
    --------
    >>> draw_foot(canvas, page_frame("us"), sheet="3 of 9", title="", date_of_data="", units="us")  # doctest: +SKIP
    """
    left, bottom, width, height = frame.foot
    canvas.setStrokeGray(0)
    canvas.setFillGray(0)
    canvas.setDash()
    canvas.setLineWidth(0.5)
    canvas.line(left, bottom + 10, left + width, bottom + 10)
    unit_text = "feet and inches" if units == "us" else "metres and millimetres"
    dated = f"date of data: {date_of_data or 'not given'}"
    canvas.setFont(PLAIN, _BODY_PT)
    canvas.drawString(
        left,
        bottom + 1,
        fit_text(f"{title or 'Barrier sheets'}   |   {dated}   |   units: {unit_text}", width - 110, _BODY_PT),
    )
    canvas.setFont(BOLD, _BODY_PT)
    canvas.drawRightString(left + width, bottom + 1, safe_text(f"sheet {sheet}"))
    column = (width - 12) / 2
    texts = [*CAUTIONS, *([notes] if notes else [])]
    lines = [(number, line) for number, text in enumerate(texts) for line in wrap_text(text, column - 8, _FOOT_TEXT_PT)]
    half = (len(lines) + 1) // 2
    top = bottom + height - _FOOT_TEXT_PT
    seen = -1
    canvas.setFont(PLAIN, _FOOT_TEXT_PT)
    for place, (number, line) in enumerate(lines):
        x_pt = left + (column + 12) * (place >= half)
        y_pt = top - (place % half if place < half else place - half) * _FOOT_TEXT_PT * _LEAD
        if number != seen:
            canvas.drawString(x_pt, y_pt, "•" if number < len(CAUTIONS) else "–")
        canvas.drawString(x_pt + 7, y_pt, line)
        seen = number


def draw_blocks(canvas: Any, place_pt: Sequence[float], blocks: Sequence[Block]) -> None:
    """Write blocks from the top of a place downward; rows that do not fit are counted, and said to be left out.

    Examples
    --------
    >>> draw_blocks(canvas, (0, 0, 200, 400), [Block("Notes", lines=["none"])])  # doctest: +SKIP
    """
    left, bottom, width, height = place_pt
    y_pt = bottom + height
    lead = _BODY_PT * _LEAD
    canvas.setFillGray(0)
    canvas.setStrokeGray(0)
    canvas.setDash()
    for block in blocks:
        if y_pt - 3 * lead < bottom:
            canvas.setFont(PLAIN, _BODY_PT)
            canvas.drawString(left, bottom + 1, f"no room for: {block.heading}; see lots.gpkg")
            return
        y_pt -= _HEAD_PT + 3
        canvas.setFont(BOLD, _HEAD_PT)
        canvas.drawString(left, y_pt, fit_text(block.heading, width, _HEAD_PT, BOLD))
        canvas.setLineWidth(0.4)
        canvas.line(left, y_pt - 2.2, left + width, y_pt - 2.2)
        y_pt -= 2.6
        canvas.setFont(PLAIN, _BODY_PT)
        for text in block.lines:
            wrapped = wrap_text(text, width, _BODY_PT)
            if len(wrapped) > _MOST_LINES:
                wrapped = [*wrapped[: _MOST_LINES - 1], "... (the rest: see lots.gpkg)"]
            for line in wrapped:
                if y_pt - lead < bottom:
                    return
                y_pt -= lead
                canvas.drawString(left, y_pt, line)
        y_pt = _draw_rows(canvas, left, y_pt, bottom, width, block)


def draw_cover(canvas: Any, frame: Frame, *, title: str, facts: Sequence[str], lots: Sequence[Any], units: str) -> None:
    """Draw the first page: what this is, a key plan of all lots, the legend.

    `lots` holds (outline, label, whether it has a sheet) of each lot.

    Examples
    --------
    >>> draw_cover(canvas, page_frame("us"), title="", facts=[], lots=[], units="us")  # doctest: +SKIP
    """
    import shapely

    outlines = np.array([outline for outline, _, _ in lots], dtype=object)
    canvas.bookmarkPage("cover")
    canvas.addOutlineEntry("Key plan", "cover", level=0)
    blocks = [
        Block(title or "Barrier sheets, one page a lot", lines=facts),
        Block(
            "How sure it is",
            lines=[
                "Lengths and places are those of the map layers, not of a survey: they show what to look for on the "
                "ground. The scale holds when the page is printed at 100 %.",
            ],
        ),
    ]
    draw_blocks(canvas, frame.side, blocks)
    if not len(outlines):
        return
    view = lay_view(shapely.total_bounds(outlines).tolist(), frame.plan, margin_pt=20, units=units)
    stroke_shapes(canvas, view, outlines[[not has for _, _, has in lots]], width_pt=0.3, gray=0.5)
    stroke_shapes(canvas, view, outlines[[bool(has) for _, _, has in lots]], width_pt=0.8)
    spots = view.to_page(shapely.get_coordinates(shapely.point_on_surface(outlines)))
    size_pt = float(np.clip(np.sqrt(np.median(shapely.area(outlines))) / view.scale.metres_per_point / 3.2, 2.6, 7.0))
    canvas.setFillGray(0)
    for (x_pt, y_pt), (_, label, has) in zip(spots, lots, strict=True):
        if has:
            canvas.setFont(BOLD, size_pt)
            canvas.drawCentredString(x_pt, y_pt - size_pt * 0.36, label)
    canvas.setLineWidth(0.8)
    canvas.rect(*frame.plan)
    _corner(canvas, frame, view, units, f"{view.scale.text}   numbers are sheets")


def draw_index(
    canvas: Any, frame: Frame, rows: Sequence[IndexRow], head: Sequence[str], shares: Sequence[float]
) -> None:
    """Write one page of the index; each line leads to its sheet.

    Examples
    --------
    >>> draw_index(canvas, page_frame("us"), [], ["sheet"], [1.0])  # doctest: +SKIP
    """
    left, bottom, width = frame.plan[0], frame.strip[1], frame.foot[2]
    height = frame.plan[3] + frame.strip[3]
    top, lead = bottom + height, (height - 22) / (_INDEX_ROWS + 1)
    starts = left + width * np.concatenate([[0.0], np.cumsum(shares)])
    canvas.setFillGray(0)
    canvas.setStrokeGray(0)
    canvas.setFont(BOLD, _HEAD_PT + 1)
    canvas.drawString(left, top - 9, "Index of sheets")
    for number, cells in enumerate([head, *(row.cells for row in rows)]):
        y_pt = top - 22 - number * lead
        font = PLAIN if number else BOLD
        canvas.setFont(font, _BODY_PT)
        for cell, start, end in zip(cells, starts[:-1], starts[1:], strict=True):
            canvas.drawString(start, y_pt, fit_text(cell, end - start - 4, _BODY_PT, font))
        if number:
            area = (left, y_pt - 2, left + width, y_pt + lead - 3)
            canvas.linkRect("", rows[number - 1].bookmark, area, relative=0, thickness=0)
        canvas.setLineWidth(0.25 if number else 0.6)
        canvas.line(left, y_pt - 2.4, left + width, y_pt - 2.4)


def index_page_count(rows: int) -> int:
    """Pages that an index of so many lines takes, at least one.

    Examples
    --------
    >>> index_page_count(45)
    2
    """
    return max(1, -(-rows // _INDEX_ROWS))


def index_pages(rows: Sequence[IndexRow]) -> list[Sequence[IndexRow]]:
    """Share the lines of the index out over pages.

    Examples
    --------
    >>> [len(page) for page in index_pages([IndexRow("", [])] * 50)]
    [44, 6]
    """
    return [rows[first : first + _INDEX_ROWS] for first in range(0, len(rows), _INDEX_ROWS)]


def _corner(canvas: Any, frame: Frame, view: Any, units: str, text: str) -> None:
    """North arrow, scale bar, scale and legend in the strip under the plan."""
    left, bottom, width, height = frame.strip
    canvas.setStrokeGray(0)
    canvas.setDash()
    canvas.setLineWidth(0.8)
    canvas.rect(left, bottom, width, height)
    draw_north(canvas, left + 16, bottom + 6)
    draw_bar(canvas, view, left + 40, bottom + 24, units=units)
    canvas.setFont(BOLD, _HEAD_PT)
    canvas.setFillGray(0)
    canvas.drawString(left + 37, bottom + 8, fit_text(text, 165, _HEAD_PT, BOLD))
    start = left + 206
    lines = [line for one in LEGEND for line in wrap_text(one, left + width - start - 4, _LEGEND_PT)]
    canvas.setFont(PLAIN, _LEGEND_PT)
    for number, line in enumerate(lines):
        canvas.drawString(start, bottom + height - 7.5 - number * _LEGEND_PT * _LEAD, line)


def draw_corner(canvas: Any, frame: Frame, view: Any, *, units: str) -> None:
    """Draw north arrow, scale bar and stated scale of a lot's plan.

    Examples
    --------
    >>> draw_corner(canvas, page_frame("us"), view, units="us")  # doctest: +SKIP
    """
    _corner(canvas, frame, view, units, f"scale {view.scale.text}")


def _draw_rows(canvas: Any, left: float, y_pt: float, bottom: float, width: float, block: Block) -> float:
    if not block.rows:
        return y_pt
    lead = _BODY_PT * _LEAD
    shares = np.array(block.shares or [1.0 / len(block.rows[0])] * len(block.rows[0]))
    starts = left + width * np.concatenate([[0.0], np.cumsum(shares / shares.sum())])
    table = [block.head, *block.rows] if block.head else list(block.rows)
    for number, row in enumerate(table):
        font = BOLD if block.head and number == 0 else PLAIN
        cells = [
            wrap_text(cell, end - start - 3, _BODY_PT, font)
            if text_width(safe_text(cell), _BODY_PT, font) > end - start - 3
            else [safe_text(cell)]
            for cell, start, end in zip(row, starts[:-1], starts[1:], strict=True)
        ]
        tall = max(len(cell) for cell in cells)
        left_over = len(table) - number
        if y_pt - (tall + (1 if left_over > 1 else 0)) * lead < bottom:
            canvas.setFont(PLAIN, _BODY_PT)
            canvas.drawString(left, max(y_pt - lead, bottom + 1), f"and {left_over} more: see lots.gpkg")
            return bottom
        canvas.setFont(font, _BODY_PT)
        for line in range(tall):
            y_pt -= lead
            for cell, start in zip(cells, starts[:-1], strict=True):
                if line < len(cell):
                    canvas.drawString(start, y_pt, cell[line])
    return y_pt - 2
