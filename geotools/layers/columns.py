"""Bring anyone's columns to the canonical names, kinds and units."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from geotools.errors import LayerError, UnitError
from geotools.findings import FIRST_IDS, first_few
from geotools.layers.schema import Column, LayerSchema, did_you_mean
from geotools.units import LENGTH_SUFFIXES_M, parse_length

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

__all__ = ["ColumnUse", "Fault", "canonical_columns", "read_columns", "resolve_columns"]

_FLAGS = {"true": True, "yes": True, "y": True, "t": True, "1": True, "1.0": True}
_FLAGS |= {"false": False, "no": False, "n": False, "f": False, "0": False, "0.0": False}
_LIKELY_IDS = ("apn", "pin", "id", "parcelid", "parcel", "parcel_no")
_BLANK = ("", "nan", "none", "null", "<null>", "n/a", "na")


class ColumnUse(NamedTuple):
    """Which source column fills a canonical one, and the unit of its bare numbers."""

    column: Column
    source_column: str
    unit: str | None


class Fault(NamedTuple):
    """What is wrong with a column's values, at which rows of the source, and how to mend it."""

    what: str
    place: str
    rows: NDArray[np.int64]
    mend: str

    def error(self) -> LayerError:
        """Make the error that stops a run."""
        named = ", ".join(first_few(self.rows))
        more = f" and {len(self.rows) - FIRST_IDS} more" if len(self.rows) > FIRST_IDS else ""
        word = "rows" if len(self.rows) > 1 else "row"
        return LayerError(self.what, where=f"{self.place}, {word} {named}{more}", mend=self.mend)


def resolve_columns(
    fields: Sequence[str], schema: LayerSchema, options: Mapping[str, Any], *, where: str
) -> list[ColumnUse]:
    """Decide which source columns to read.

    A column that the options name; otherwise the one whose name is the canonical one, case aside, with any unit suffix.

    Raises
    ------
    LayerError
        If a named column isn't there, two could be meant, or parcels have no id.

    Examples
    --------
    >>> from geotools.layers.schema import LAYERS
    >>> [(use.source_column, use.unit) for use in resolve_columns(["WIDTH_FT"], LAYERS["gates"], {}, where="gates")]
    [('WIDTH_FT', 'ft')]
    """
    unit = options.get("unit")
    if unit is not None:
        try:
            parse_length(1.0, default_unit=str(unit))
        except UnitError as error:
            raise LayerError(error.what, where=f"[{schema.name}] unit", mend=error.mend) from None
    uses = []
    for column in schema.columns:
        named = [(key, str(options[key])) for key in column.spellings() if key in options]
        if len(named) > 1:
            keys = " and ".join(key for key, _ in named)
            raise LayerError(f"{keys} say the same thing twice", where=f"[{schema.name}]", mend="keep one of them")
        if named:
            key, wanted = named[0]
            found = _find(wanted, fields, place=f"[{schema.name}] {key}", source=where)
            uses.append(ColumnUse(column, found, _unit_of(key) or _unit_of(found) or unit))
            continue
        alike = [field for field in fields if field.casefold() in column.spellings() and field.casefold() != "id"]
        if len(alike) > 1:
            raise LayerError(
                f"{', '.join(alike)} could each be the {column.stem}",
                where=where,
                mend=f"say which: --set {schema.name}.{column.stem}={alike[0]}",
            )
        if alike:
            uses.append(ColumnUse(column, alike[0], _unit_of(alike[0]) or unit))
        elif column.kind == "id":
            near = [field for field in fields if field.casefold() in _LIKELY_IDS]
            raise LayerError(
                "there is no column parcel_id",
                where=where,
                mend=f"say which column is the id: --set {schema.name}.id={(near or [*fields, 'APN'])[0]} "
                f"(it has: {', '.join(fields) or 'none'})",
            )
    return uses


def canonical_columns(
    frame: pd.DataFrame, uses: Sequence[ColumnUse], schema: LayerSchema, *, rows: NDArray[np.int64], where: str
) -> pd.DataFrame:
    """Make the canonical columns, all of the schema's, missing values as NaN or NA.

    Lengths are metres; ids are text as they stand; flags are nullable booleans; dates have no time zone.

    Parameters
    ----------
    frame : pandas.DataFrame, n rows
    uses : sequence of ColumnUse
    schema : LayerSchema
    rows : numpy.ndarray of int, n
        Rows in the source, counted from 1, for messages.
    where : str
        The source, for messages.

    Raises
    ------
    LayerError
        Naming the rows and values that can't be read, are out of range, or ids that are blank or come twice.

    Examples
    --------
    >>> from geotools.layers.schema import LAYERS
    >>> raw = pd.DataFrame({"WIDTH_FT": [10.0, None]})
    >>> uses = resolve_columns(raw.columns, LAYERS["gates"], {}, where="gates")
    >>> canonical_columns(raw, uses, LAYERS["gates"], rows=np.array([1, 2]), where="gates")["width_m"].tolist()
    [3.048, nan]
    """
    table, faults = read_columns(frame, uses, schema, rows=rows, where=where)
    if faults:
        raise faults[0].error()
    return table


def read_columns(
    frame: pd.DataFrame, uses: Sequence[ColumnUse], schema: LayerSchema, *, rows: NDArray[np.int64], where: str
) -> tuple[pd.DataFrame, list[Fault]]:
    """Make the canonical columns and list all that is wrong with their values; what can't be read is missing.

    Takes what `canonical_columns` takes.

    Examples
    --------
    >>> from geotools.layers.schema import LAYERS
    >>> raw = pd.DataFrame({"WIDTH_FT": [-10.0, None]})
    >>> uses = resolve_columns(raw.columns, LAYERS["gates"], {}, where="gates")
    >>> read_columns(raw, uses, LAYERS["gates"], rows=np.array([1, 2]), where="gates")[1][0].what
    "a width of -10.0 ft can't be"
    """
    by_name = {use.column.name: use for use in uses}
    made: dict[str, Any] = {}
    faults: list[Fault] = []
    for column in schema.columns:
        use = by_name.get(column.name)
        if use is None:
            made[column.name] = _missing(column, len(frame))
            continue
        place = f"{where}, column {use.source_column}"

        def wrong(what: str, mask: Any, mend: str, place: str = place) -> None:
            faults.append(Fault(what, place, rows[np.asarray(mask, dtype=bool)], mend))

        values = frame[use.source_column]
        if column.kind == "length":
            made[column.name] = _lengths(values, use, schema, wrong)
        elif column.kind in ("number", "share"):
            made[column.name] = _numbers(values, column, wrong)
        elif column.kind == "flag":
            made[column.name] = _flags(values, wrong)
        elif column.kind == "date":
            made[column.name] = _dates(values, wrong)
        else:
            made[column.name] = _texts(values)
            if column.kind == "id":
                _check_ids(made[column.name], wrong)
    return pd.DataFrame(made, index=pd.RangeIndex(len(frame))), faults


def _find(wanted: str, fields: Sequence[str], *, place: str, source: str) -> str:
    if wanted in fields:
        return wanted
    alike = [field for field in fields if field.casefold() == wanted.casefold()]
    if len(alike) == 1:
        return alike[0]
    raise LayerError(f"there is no column {wanted!r} in {source}", where=place, mend=did_you_mean(wanted, fields))


def _unit_of(name: str) -> str | None:
    """Find the unit that a column's name ends in."""
    head, _, last = name.casefold().rpartition("_")
    return last if head and f"_{last}" in LENGTH_SUFFIXES_M else None


def _missing(column: Column, count: int) -> Any:
    if column.kind == "flag":
        return pd.array([pd.NA] * count, dtype="boolean")
    if column.kind == "date":
        return pd.array([pd.NaT] * count, dtype="datetime64[ns]")
    if column.kind in ("text", "id"):
        return pd.array([pd.NA] * count, dtype="str")
    return np.full(count, np.nan)


def _lengths(values: pd.Series, use: ColumnUse, schema: LayerSchema, wrong: Callable[..., None]) -> NDArray[np.float64]:
    """Read each different value once; NaN where it is missing."""
    stem = use.column.stem
    codes, distinct = pd.factorize(values.astype(object))
    lengths_m = np.full(len(distinct) + 1, np.nan)
    bad: list[tuple[int, str, str]] = []
    for code, value in enumerate(distinct):
        if isinstance(value, str) and value.strip().casefold() in _BLANK:
            continue
        try:
            length_m = parse_length(value, default_unit=use.unit)
        except UnitError as error:
            known = f", or state the unit of bare numbers: --set {schema.name}.unit=ft" if not use.unit else ""
            bad.append((code, error.what, f"{error.mend}{known}"))
            continue
        if 0.0 <= length_m <= use.column.largest:
            lengths_m[code] = length_m
        else:
            unit = f" {use.unit}" if use.unit and not isinstance(value, str) else ""
            mend = f"give a {stem} of 0 to {use.column.largest:,.0f} m, and leave it empty where it is unknown"
            bad.append((code, f"a {stem} of {value}{unit} can't be", mend))
    if bad:
        _, what, mend = bad[0]
        more = f" (and {len(bad) - 1} other values)" if len(bad) > 1 else ""
        wrong(f"{what}{more}", np.isin(codes, [code for code, _, _ in bad]), mend)
    return np.asarray(lengths_m[codes], dtype=float)


def _numbers(values: pd.Series, column: Column, wrong: Callable[..., None]) -> NDArray[np.float64]:
    text = values.astype(object)
    blank = _is_blank(values)
    numbers = pd.to_numeric(text.mask(blank), errors="coerce").to_numpy(dtype=float, na_value=np.nan)
    bad = ~blank & ~((numbers >= 0.0) & (numbers <= column.largest) & np.isfinite(numbers))
    if bad.any():
        largest = f"0 to {column.largest:,.0f}" if math.isfinite(column.largest) else "0 or more"
        limit = f"{largest} (a share, not percent)" if column.kind == "share" else largest
        wrong(f"a {column.name} of {_first(values, bad)} can't be", bad, f"give a number of {limit}")
    return np.where(bad, np.nan, numbers)


def _flags(values: pd.Series, wrong: Callable[..., None]) -> Any:
    text = values.astype(object).map(lambda value: str(value).strip().casefold())
    blank = _is_blank(values)
    bad = ~blank & ~text.isin(list(_FLAGS)).to_numpy(dtype=bool)
    if bad.any():
        mend = "write true or false, yes or no, 1 or 0, or leave it empty"
        wrong(f"{_first(values, bad)} is neither true nor false", bad, mend)
    read = [pd.NA if empty else _FLAGS.get(one, pd.NA) for one, empty in zip(text, blank, strict=True)]
    return pd.array(read, dtype="boolean")


def _dates(values: pd.Series, wrong: Callable[..., None]) -> Any:
    blank = _is_blank(values)
    text = values.astype(object).mask(blank)
    if pd.api.types.is_numeric_dtype(values):
        dates = pd.Series(pd.NaT, index=values.index, dtype="datetime64[ns, UTC]")
    else:
        dates = pd.to_datetime(text.map(str, na_action="ignore"), format="mixed", errors="coerce", utc=True)
    bad = ~blank & dates.isna().to_numpy()
    if bad.any():
        wrong(f"{_first(values, bad)} is no date", bad, "write dates such as 2026-04-30")
    return dates.dt.tz_localize(None).to_numpy(dtype="datetime64[ns]")


def _texts(values: pd.Series) -> Any:
    """Text as it stands; whole numbers without the '.0' that missing values force on them."""
    if pd.api.types.is_float_dtype(values):
        numbers = values.to_numpy(dtype=float, na_value=np.nan)
        whole = bool((np.isnan(numbers) | (numbers == np.round(numbers))).all())
        texts = [pd.NA if np.isnan(one) else str(int(one)) if whole else repr(float(one)) for one in numbers]
        return pd.array(texts, dtype="str")
    missing = values.isna().to_numpy()
    return pd.array([pd.NA if empty else str(one) for one, empty in zip(values, missing, strict=True)], dtype="str")


def _check_ids(ids: Any, wrong: Callable[..., None]) -> None:
    series = pd.Series(ids)
    blank = _is_blank(series)
    if blank.any():
        mend = "give every parcel an id (a row without one can't be found again), or name another id column"
        wrong(f"{int(blank.sum())} of {len(series)} parcels have no id", blank, mend)
    twice = series.duplicated(keep=False).to_numpy() & ~blank
    if twice.any():
        names = series[twice].unique()
        first = ", ".join(first_few(names))
        come = "1 id comes" if len(names) == 1 else f"{len(names)} ids come"
        what = f"{come} more than once, on {int(twice.sum())} rows (first: {first})"
        wrong(what, twice, "give each parcel its own id; several ids on one shape (a condominium) are in order")


def _is_blank(values: pd.Series) -> NDArray[np.bool_]:
    """Missing, or text that stands for nothing."""
    text = values.astype(object).map(lambda value: str(value).strip().casefold(), na_action="ignore")
    return np.asarray(values.isna().to_numpy(dtype=bool) | text.isin(_BLANK).to_numpy(dtype=bool))


def _first(values: pd.Series, bad: NDArray[np.bool_]) -> str:
    value = values.to_numpy()[bad][0]
    return repr(value) if isinstance(value, str) else str(value)
