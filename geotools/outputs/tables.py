"""Write the specs, one row a lot, as plain text and as a workbook."""

from __future__ import annotations

import datetime
import json
import re
import warnings
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from geotools.errors import Noticed, OutputError
from geotools.outputs.cautions import CAUTIONS
from geotools.outputs.columns import SPECS_COLUMNS, VERDICTS, ColumnMeaning, blank_where, explain_column
from geotools.outputs.display import show_table

if TYPE_CHECKING:
    from xlsxwriter.format import Format
    from xlsxwriter.worksheet import Worksheet

__all__ = ["guard_text", "write_specs_table", "write_specs_workbook"]

_FORMULA_START = re.compile(r"\s*[=+\-@\uff1d\uff0b\uff0d\uff20]")
_CREATED = datetime.datetime(2000, 1, 1, tzinfo=datetime.UTC)
"""The same date in every workbook, so that the same input gives the same bytes; the run's own date is in run.json."""
_LONGEST_CELL = 32_767
_MOST_ROWS = 1_048_575
"""Limits of the workbook's file format (ECMA-376 readers)."""
_LEAST_WIDTH, _GREATEST_WIDTH = 9, 60
_LINE_PT, _MOST_LINES = 15, 27
"""Height of a line, and as many as the file format lets a row have (409 points)."""
_WIDTH_ROWS = 500
_TYPES_OF = {"f": "number", "i": "integer", "u": "integer", "b": "boolean"}


def write_specs_table(specs: pd.DataFrame, *, path: Path, units: str = "us") -> None:
    """Write the specs as CSV (RFC 4180, UTF-8) with a Table Schema beside it.

    Numbers are plain, missing values are blank. Text that a spreadsheet would take for a formula gets an apostrophe in
    front (common practice, no source); numbers never do. The schema explains each column: `specs.csv` gets
    `specs.schema.json`.

    Parameters
    ----------
    specs : pandas.DataFrame, one row a parcel
        Working columns of the specs (lengths in metres); further columns follow the fixed ones.
    path : pathlib.Path
        The file to write.
    units : str
        `us` (feet and inches) or `metric` (metres and millimetres).

    Raises
    ------
    OutputError
        If a column is missing or holds what can't be written, or the file can't be written.

    Examples
    --------
    >>> write_specs_table(specs, path=Path("specs.csv"))  # doctest: +SKIP
    """
    _check_ranks(specs)
    shown = show_table(pd.DataFrame(specs), columns=SPECS_COLUMNS, units=units)
    if len(shown) and shown["cost_likely"].isna().all():
        warnings.warn("the costs of the lots are left blank: only the bid prices them", Noticed, stacklevel=2)
    schema = _describe_table(shown)
    for name in shown.columns:
        if shown[name].dtype == object:
            shown[name] = [guard_text(value) for value in shown[name]]
    rows = shown.to_csv(index=False, lineterminator="\r\n")
    _write_bytes(path, rows.encode("utf-8"))
    _write_bytes(
        path.with_suffix(".schema.json"), (json.dumps(schema, ensure_ascii=False, indent=2) + "\n").encode("utf-8")
    )


def write_specs_workbook(specs: pd.DataFrame, *, path: Path, units: str = "us") -> None:
    """Write the specs as a workbook: the lots, what the columns mean, and the cautions.

    Text stays text (never a formula or a link); the same input gives the same bytes.

    Parameters
    ----------
    specs : pandas.DataFrame, one row a parcel
        Working columns of the specs (lengths in metres); further columns follow the fixed ones.
    path : pathlib.Path
        The file to write.
    units : str
        `us` (feet and inches) or `metric` (metres and millimetres).

    Raises
    ------
    OutputError
        If a column is missing or holds what can't be written, there are more lots than a sheet has rows, or the file
        can't be written.

    Examples
    --------
    >>> write_specs_workbook(specs, path=Path("specs.xlsx"))  # doctest: +SKIP
    """
    import xlsxwriter
    from xlsxwriter.exceptions import XlsxWriterException

    shown = show_table(pd.DataFrame(specs), columns=SPECS_COLUMNS, units=units)
    if len(shown) > _MOST_ROWS:
        raise OutputError(
            f"{len(shown)} lots are more than a sheet has rows ({_MOST_ROWS})",
            where=str(path),
            mend="leave out the workbook and use specs.csv, or run one part of the area at a time",
        )
    meanings = [explain_column(name) for name in shown.columns]
    options = {
        "in_memory": True,
        "strings_to_formulas": False,
        "strings_to_urls": False,
        "strings_to_numbers": False,
        "default_date_format": "yyyy-mm-dd",
    }
    book = xlsxwriter.Workbook(str(path), options)
    book.set_properties({"title": "Barrier specs, one row a lot", "created": _CREATED})
    heading = book.add_format({"bold": True, "text_wrap": True, "valign": "top", "bg_color": "#E9E1D0", "bottom": 1})
    wrapped = book.add_format({"text_wrap": True, "valign": "top"})
    _fill_lots(book.add_worksheet("Lots"), shown, meanings, heading, wrapped, _number_formats(book, meanings))
    _fill_meanings(book.add_worksheet("What the columns mean"), meanings, heading, wrapped)
    _fill_cautions(book.add_worksheet("Cautions"), heading, wrapped)
    try:
        book.close()
    except (XlsxWriterException, OSError) as error:
        raise _unwritable(path, error) from error


def _check_ranks(specs: pd.DataFrame) -> None:
    """Refuse ranks that are not over all these lots, such as those of the tiles that they were scored in."""
    if not {"exposure", "exposure_rank"} <= set(specs.columns):
        return
    over_all = specs["exposure"].rank(method="min", ascending=False)
    wrong = (over_all != specs["exposure_rank"].astype("Float64")).fillna(False).to_numpy(dtype=bool)
    if wrong.any():
        row = int(np.flatnonzero(wrong)[0])
        raise OutputError(
            f"the rank {specs['exposure_rank'].iloc[row]} is not over all {len(specs):,} lots: it would be "
            f"{over_all.iloc[row]:.0f}",
            where=f"column exposure_rank, row {row + 1}",
            mend="let the plan do rank_lots before the specs are written",
        )


def _describe(meaning: ColumnMeaning) -> str:
    unit = f" Unit: {meaning.unit}." if meaning.unit else ""
    return f"{meaning.meaning}{unit}{_blank(meaning)}"


def _blank(meaning: ColumnMeaning) -> str:
    where = blank_where(meaning.name)
    return f" Blank {where}." if where else ""


def _describe_table(shown: pd.DataFrame) -> dict[str, Any]:
    """Describe the shown columns in the terms of the Frictionless Table Schema."""
    fields: list[dict[str, Any]] = []
    for name in shown.columns:
        meaning = explain_column(str(name))
        field: dict[str, Any] = {
            "name": meaning.name,
            "title": meaning.title,
            "type": meaning.type or _TYPES_OF.get(shown[name].dtype.kind, "string"),
            "description": _describe(meaning),
        }
        if meaning.unit:
            field["unit"] = meaning.unit
        if name == "parcel_id":
            field["constraints"] = {"required": True, "unique": True}
        elif name == "verdict":
            field["constraints"] = {"enum": list(VERDICTS)}
        fields.append(field)
    return {
        "$schema": "https://datapackage.org/profiles/2.0/tableschema.json",
        "description": "One row a lot. Text that begins like a formula is written with an apostrophe in front.",
        "fields": fields,
        "primaryKey": ["parcel_id"],
        "missingValues": [""],
    }


def guard_text(value: str | None) -> str | None:
    """Put an apostrophe in front of text that a spreadsheet would take for a formula.

    Examples
    --------
    >>> guard_text("=1+1")
    "'=1+1"
    """
    return f"'{value}" if value and _FORMULA_START.match(value) else value


def _number_formats(book: Any, meanings: list[ColumnMeaning]) -> list[Format | None]:
    """Give each column its number format, one object for each format in use."""
    patterns = [_number_pattern(meaning) for meaning in meanings]
    known = {
        pattern: book.add_format({"num_format": pattern, "valign": "top"})
        for pattern in dict.fromkeys(patterns)
        if pattern
    }
    return [known.get(pattern) for pattern in patterns]


def _number_pattern(meaning: ColumnMeaning) -> str:
    if meaning.type == "integer":
        return "#,##0"
    if meaning.decimals is None:
        return ""
    return f"#,##0.{'0' * meaning.decimals}"


def _fill_lots(
    sheet: Worksheet,
    shown: pd.DataFrame,
    meanings: list[ColumnMeaning],
    heading: Format,
    wrapped: Format,
    numbers: list[Format | None],
) -> None:
    lines = np.ones(len(shown), dtype=np.int64)
    for place, (name, meaning, number) in enumerate(zip(shown.columns, meanings, numbers, strict=True)):
        values = shown[name]
        is_text = values.dtype == object
        width = _column_width(values, meaning)
        sheet.write_string(0, place, meaning.heading, heading)
        sheet.set_column(place, place, width, wrapped if is_text else number)
        if is_text:
            lengths = values.map(lambda value: 0 if value is None or pd.isna(value) else len(str(value)))
            lines = np.maximum(lines, -(-lengths.to_numpy(dtype=np.int64) // (width - 4)))  # words end before the edge
        for row, value in enumerate(values.astype(object), start=1):
            if value is None or pd.isna(value):
                continue
            if isinstance(value, bool):
                sheet.write_boolean(row, place, value)
            elif is_text:
                sheet.write_string(row, place, _fit_cell(value), wrapped)
            else:
                sheet.write_number(row, place, value, number)
    for row, count in enumerate(np.minimum(lines, _MOST_LINES).tolist(), start=1):
        sheet.set_row(row, _LINE_PT * count)
    sheet.set_row(0, 45)
    sheet.freeze_panes(1, 1)
    sheet.autofilter(0, 0, max(len(shown), 1), max(len(meanings) - 1, 0))
    sheet.set_landscape()
    sheet.fit_to_pages(1, 0)
    sheet.repeat_rows(0)
    # On paper the spec alone, which can be read; the columns that follow it are for the screen.
    sheet.print_area(0, 0, max(len(shown), 1), min(len(SPECS_COLUMNS), len(meanings)) - 1)
    sheet.set_footer(f"&L&8{CAUTIONS[0]}&R&8Page &P of &N")


def _fill_meanings(sheet: Worksheet, meanings: list[ColumnMeaning], heading: Format, wrapped: Format) -> None:
    for place, (title, width) in enumerate((("Column", 24), ("Heading", 26), ("Unit", 16), ("Meaning", 90))):
        sheet.write_string(0, place, title, heading)
        sheet.set_column(place, place, width, wrapped)
    for row, meaning in enumerate(meanings, start=1):
        for place, text in enumerate((meaning.name, meaning.title, meaning.unit, meaning.meaning + _blank(meaning))):
            sheet.write_string(row, place, text, wrapped)
    sheet.freeze_panes(1, 0)


def _fill_cautions(sheet: Worksheet, heading: Format, wrapped: Format) -> None:
    sheet.set_column(0, 0, 110, wrapped)
    sheet.write_string(0, 0, "Cautions", heading)
    for row, caution in enumerate(CAUTIONS, start=1):
        sheet.write_string(row, 0, caution, wrapped)


def _column_width(values: pd.Series[Any], meaning: ColumnMeaning) -> int:
    """Width in characters that shows the longest word of the heading and the longest of the first values."""
    longest_word = max(len(word) for word in meaning.heading.split())
    longest_value = max((len(str(value)) for value in values.head(_WIDTH_ROWS) if value is not None), default=0)
    return min(max(longest_word, longest_value, _LEAST_WIDTH - 2) + 2, _GREATEST_WIDTH)


def _fit_cell(text: str) -> str:
    return text if len(text) <= _LONGEST_CELL else text[: _LONGEST_CELL - 3] + "..."


def _write_bytes(path: Path, content: bytes) -> None:
    try:
        path.write_bytes(content)
    except OSError as error:
        raise _unwritable(path, error) from error


def _unwritable(path: Path, error: Exception) -> OutputError:
    return OutputError(
        f"the file can't be written ({error})", where=str(path), mend="choose a folder that can be written to"
    )
