"""Turn a working table in metres into the table that is shown."""

from __future__ import annotations

import re
import unicodedata
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from geotools.errors import CrsError, OutputError
from geotools.outputs.columns import explain_column, shown_name
from geotools.units import LENGTH_SUFFIXES_M

if TYPE_CHECKING:
    from collections.abc import Hashable, Iterable, Sequence

    import geopandas as gpd

__all__ = ["check_same_crs", "clean_text", "show_table"]

_SPACES = re.compile(r"[\t\n\v\f\r\x85\u2028\u2029]+")
_DIRECTIONS = re.compile(r"[\u202a-\u202e\u2066-\u2069]")
_UNSEEN = ("Cc", "Cs", "Cn")
"""Unicode categories that no reader sees: control characters, lone surrogates, characters that don't exist."""

_OTHER_DECIMALS = 6
"""Of numbers without a length's unit, such as shares: finer than what they mean, coarser than the order of adding."""


def show_table(table: pd.DataFrame, *, columns: Sequence[str] = (), units: str = "us") -> pd.DataFrame:
    """Convert, round and order a working table for showing.

    Each column in metres is converted to the unit that `shown_name` gives it and rounded: feet to 0.1, inches to
    0.01, metres to 0.01, millimetres to 0.1; scores to 0.1, costs to 0.01. Counts become whole numbers that may be
    missing. Control characters are taken out of text (a line break or tab becomes a space). Geometry is left out.

    Parameters
    ----------
    table : pandas.DataFrame, n rows
        A working table; lengths in metres in columns that end in `_m`.
    columns : sequence of str
        Working names that must come first, in this order; costs and the geometry's text may be missing from the table.
    units : str
        `us` or `metric`.

    Returns
    -------
    pandas.DataFrame, n rows
        On the same index; missing numbers are NaN or NA, missing text is None.

    Raises
    ------
    OutputError
        If a needed column is missing, a number is infinite, a count is not whole, two columns would share a name, or
        `units` is unknown.

    Examples
    --------
    >>> show_table(pd.DataFrame({"height_m": [0.762], "length_m": [30.48]})).to_dict("records")
    [{'height_in': 30.0, 'length_ft': 100.0}]
    """
    order = _order_columns(table, columns)
    names = [shown_name(column, units=units) for column in order]
    twice = sorted({name for name in names if names.count(name) > 1})
    if twice:
        raise OutputError(
            f"two columns would both be shown as {twice[0]!r}", where="table", mend="rename or leave out one of the two"
        )
    shown = {
        name: _show_column(table[column], column, name) if column in table else _missing(table.index)
        for column, name in zip(order, names, strict=True)
    }
    return pd.DataFrame(shown, index=table.index)


def clean_text(text: object) -> str | None:
    r"""Take out what no reader sees: control characters, direction overrides, broken characters; None if missing.

    Examples
    --------
    >>> clean_text("12\x07-A\nnorth")
    '12-A north'
    """
    if text is None or text is pd.NA or text is pd.NaT or (isinstance(text, float) and np.isnan(text)):
        return None
    plain = text if isinstance(text, str) else str(text)
    if plain.isascii() and plain.isprintable():
        return plain
    spaced = _DIRECTIONS.sub("", _SPACES.sub(" ", plain))
    return "".join(sign for sign in spaced if unicodedata.category(sign) not in _UNSEEN)


def check_same_crs(tables: dict[str, gpd.GeoDataFrame]) -> None:
    """Refuse tables that are not all in one projected CRS in metres.

    Parameters
    ----------
    tables : dict of str to geopandas.GeoDataFrame
        By the name that a message should give them.

    Raises
    ------
    CrsError
        Naming the first table without CRS, in degrees, not in metres, or in another CRS than the first one.

    Examples
    --------
    >>> check_same_crs({})
    """
    first, first_crs = "", None
    for name, table in tables.items():
        if table.crs is None:
            raise CrsError("the table has no CRS", where=name, mend="set the CRS that its coordinates are in")
        if not table.crs.is_projected or any(axis.unit_conversion_factor != 1.0 for axis in table.crs.axis_info[:2]):
            raise CrsError(
                f"the table is in {table.crs.name}, not in a projected CRS in metres",
                where=name,
                mend="reproject it to the working CRS",
            )
        if first_crs is None:
            first, first_crs = name, table.crs
        if table.crs != first_crs:
            raise CrsError(
                f"the table is in {table.crs.name}, but {first} is in {first_crs.name}",
                where=name,
                mend="reproject both to the same working CRS",
            )


def _order_columns(table: pd.DataFrame, columns: Sequence[str]) -> list[str]:
    missing = [
        name for name in columns if name not in table and not name.startswith("cost_") and name != "geometry_text"
    ]
    if missing:
        raise OutputError(
            f"the column{'s' * (len(missing) > 1)} {', '.join(missing)} {'are' if len(missing) > 1 else 'is'} missing",
            where="table",
            mend="run the steps that make them, or add them",
        )
    geometry = {name for name, dtype in table.dtypes.items() if str(dtype) == "geometry"}
    return [*columns, *_strings(name for name in table if name not in columns and name not in geometry)]


def _strings(names: Iterable[Hashable]) -> list[str]:
    return [str(name) for name in names]


def _missing(index: pd.Index[Any]) -> pd.Series[Any]:
    return pd.Series(np.nan, index=index, dtype="float64")


def _show_column(values: pd.Series[Any], column: str, name: str) -> pd.Series[Any]:
    meaning = explain_column(name)
    if meaning.type == "boolean" or (not meaning.type and pd.api.types.is_bool_dtype(values)):
        return values.astype("boolean") if values.isna().any() else values.astype(bool)
    if meaning.type == "string" or not (meaning.type or pd.api.types.is_numeric_dtype(values)):
        return pd.Series([clean_text(value) for value in values], index=values.index, dtype=object)
    if meaning.type == "integer" or (not meaning.type and pd.api.types.is_integer_dtype(values)):
        return _whole(values, column)
    numbers = _finite(values, column)
    if column.endswith("_m"):
        suffix = name[name.rindex("_") :]
        numbers = numbers / LENGTH_SUFFIXES_M[suffix]
    return numbers.round(_OTHER_DECIMALS if meaning.decimals is None else meaning.decimals)


def _whole(values: pd.Series[Any], column: str) -> pd.Series[Any]:
    numbers = _finite(values, column)
    odd = numbers.notna() & (numbers != numbers.round())
    if odd.any():
        row = int(np.flatnonzero(odd.to_numpy())[0])
        raise OutputError(
            f"{numbers.iloc[row]} is not a whole number",
            where=f"column {column}, row {row + 1}",
            mend="give a count, or leave it missing",
        )
    return numbers.astype("Int64")


def _finite(values: pd.Series[Any], column: str) -> pd.Series[Any]:
    try:
        numbers = values.astype("Float64").astype("float64") if values.isna().any() else values.astype("float64")
    except (TypeError, ValueError):
        raise OutputError(
            "there is something that is not a number",
            where=f"column {column}",
            mend="give numbers, or leave them missing",
        ) from None
    infinite = np.isinf(numbers.to_numpy())
    if infinite.any():
        row = int(np.flatnonzero(infinite)[0])
        raise OutputError(
            "the number is infinite", where=f"column {column}, row {row + 1}", mend="leave it missing (NaN) instead"
        )
    return numbers
