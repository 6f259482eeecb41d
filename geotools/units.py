"""Read lengths and angles in any unit, and turn metres into what is shown."""

from __future__ import annotations

import math
import re
from fractions import Fraction
from functools import cache
from typing import TYPE_CHECKING, Any

from geotools.errors import UnitError

if TYPE_CHECKING:
    from collections.abc import Iterable

    import numpy as np
    from numpy.typing import NDArray

__all__ = [
    "LENGTH_SUFFIXES_M",
    "METRES_PER_FOOT",
    "METRES_PER_INCH",
    "METRES_PER_US_SURVEY_FOOT",
    "feet_and_inches",
    "parse_angle",
    "parse_length",
    "parse_lengths",
    "write_area",
    "write_at_least",
    "write_length",
    "write_run",
    "write_small",
]

METRES_PER_INCH = 0.0254
"""International inch (exact by definition since 1959)."""
METRES_PER_FOOT = 0.3048
"""International foot (exact by definition since 1959)."""
METRES_PER_US_SURVEY_FOOT = 1200 / 3937
"""US survey foot (exact by definition)."""

LENGTH_SUFFIXES_M = {"_m": 1.0, "_mm": 0.001, "_cm": 0.01, "_ft": METRES_PER_FOOT, "_in": METRES_PER_INCH}
"""Column suffixes that state a length's unit, with metres per unit."""

_SIGNS = {"'": "ft", "\u2032": "ft", '"': "in", "\u2033": "in", "\u201d": "in", "''": "in"}
_NUMBER = r"[-+]?(?:(?:\d{1,9}\s+)?\d{1,9}/\d{1,9}|(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][-+]?\d{1,3})?)"
_UNIT = r"(?:''|['\"\u2032\u2033\u201d]|[A-Za-z\u00b5\u00b0][A-Za-z_\u00b0]*)"
_TERM = re.compile(rf"\s*(?P<number>{_NUMBER})\s*-?\s*(?P<unit>{_UNIT})\.?\s*,?")
_LONGEST_TEXT = 64
_NO_MORE = 1e-6
"""So much over a whole number is a rounding, not a step more."""
_FRACTIONS = {0.25: "1/4", 0.5: "1/2", 0.75: "3/4", 1.75: "1-3/4"}
"""Inches that the trade's rules write as fractions."""


def parse_length(value: str | float, *, default_unit: str | None = None) -> float:
    """Read a length in any unit, in metres.

    Text is a number and a unit, or several of them added up ("5 ft 6 in"); the size of a unit comes from the units
    library, so "ft" is the international foot and "survey_foot" the US survey foot.

    Parameters
    ----------
    value : str or float
        The text, or a bare number when `default_unit` is given.
    default_unit : str, optional
        Unit of a bare number; without it a bare number is refused.

    Returns
    -------
    float
        Metres.

    Raises
    ------
    UnitError
        If there is no number, no unit, an unknown unit, or a unit that is no length.

    Examples
    --------
    >>> parse_length("48 in")
    1.2192
    >>> parse_length("5 ft 6 in")
    1.6764
    """
    return _parse(value, default_unit, "meter", "a length such as '48 in', '4 ft' or '1.2 m'")


def parse_angle(value: str | float, *, default_unit: str | None = None) -> float:
    """Read an angle in any unit, in degrees.

    Raises
    ------
    UnitError
        If the text is no angle.

    Examples
    --------
    >>> parse_angle("30deg")
    30.0
    """
    return _parse(value, default_unit, "degree", "an angle such as '30 deg'")


def parse_lengths(values: Iterable[Any], *, default_unit: str | None = None) -> NDArray[np.float64]:
    """Read many lengths at once, in metres; missing values stay missing (NaN).

    Each different text is read once.

    Parameters
    ----------
    values : iterable of str, float or None, length n
    default_unit : str, optional
        Unit of bare numbers.

    Returns
    -------
    numpy.ndarray, float64, length n
        Metres; NaN where the value is missing or blank.

    Raises
    ------
    UnitError
        Naming the first value that is no length and its row, counted from 1.

    Examples
    --------
    >>> parse_lengths(["4 ft", None, "1.2 m"]).tolist()
    [1.2192, nan, 1.2]
    """
    import numpy as np
    import pandas as pd

    codes, distinct = pd.factorize(np.asarray(list(values), dtype=object))
    lengths_m = np.full(len(distinct) + 1, np.nan)
    for code, value in enumerate(distinct):
        if isinstance(value, str) and not value.strip():
            continue
        try:
            lengths_m[code] = parse_length(value, default_unit=default_unit)
        except UnitError as error:
            row = int(np.flatnonzero(codes == code)[0]) + 1
            raise error.at(f"row {row}") from None
    return lengths_m[codes]


def feet_and_inches(length_m: float) -> str:
    """Write a length as feet and whole inches, as a tape is read.

    Examples
    --------
    >>> feet_and_inches(1.6764)
    '5 ft 6 in'
    """
    inches = round(length_m / METRES_PER_INCH)
    feet, rest = divmod(inches, 12)
    return " ".join(part for part in (f"{feet} ft" * bool(feet), f"{rest} in" * bool(rest or not feet)) if part)


def write_length(length_m: float, *, units: str = "us") -> str:
    """Write a height or short distance: feet and whole inches, or metres to the millimetre.

    Examples
    --------
    >>> write_length(1.6764), write_length(1.6764, units="metric")
    ('5 ft 6 in', '1.676 m')
    """
    return feet_and_inches(length_m) if _is_us(units) else f"{round(length_m, 3):g} m"


def write_at_least(length_m: float, *, units: str = "us") -> str:
    """Write a distance to keep, rounded up: whole inches, or millimetres in tens; rounded down it would not hold.

    Examples
    --------
    >>> write_at_least(0.8891), write_at_least(0.8891, units="metric")
    ('36 in', '890 mm')
    """
    if _is_us(units):
        return f"{math.ceil(length_m / METRES_PER_INCH - _NO_MORE)} in"
    return f"{10 * math.ceil(length_m * 100 - _NO_MORE)} mm"


def write_run(length_m: float, *, units: str = "us") -> str:
    """Write a length of line or a distance over ground: whole feet, or metres to the decimetre.

    Examples
    --------
    >>> write_run(30.48), write_run(30.48, units="metric")
    ('100 ft', '30.5 m')
    """
    return f"{length_m / METRES_PER_FOOT:,.0f} ft" if _is_us(units) else f"{length_m:,.1f} m"


def write_small(length_m: float, *, units: str = "us") -> str:
    """Write an opening, a depth or a missing height: inches, fractions as on a tape, or millimetres.

    Examples
    --------
    >>> [write_small(size_in * METRES_PER_INCH) for size_in in (0.25, 3.75, 36)]
    ['1/4 in', '3.75 in', '36 in']
    >>> [write_small(size_in * METRES_PER_INCH, units="metric") for size_in in (0.25, 3.75, 36)]
    ['6.35 mm', '95.2 mm', '914 mm']
    """
    if not _is_us(units):
        size_mm = length_m * 1000
        return f"{round(size_mm, 2 if size_mm < 10 else 1 if size_mm < 100 else 0):g} mm"
    size_in = round(length_m / METRES_PER_INCH, 2)
    return f"{_FRACTIONS.get(size_in, f'{size_in:g}')} in"


def write_area(area_m2: float, *, units: str = "us") -> str:
    """Write an area of ground: whole square feet, or square metres.

    Examples
    --------
    >>> write_area(92.903), write_area(92.903, units="metric")
    ('1,000 sq ft', '93 sq m')
    """
    return f"{area_m2 / METRES_PER_FOOT**2:,.0f} sq ft" if _is_us(units) else f"{area_m2:,.0f} sq m"


def _is_us(units: str) -> bool:
    if units not in ("us", "metric"):
        raise UnitError(f"units are {units!r}", mend="write 'us' or 'metric'")
    return units == "us"


def _parse(value: str | float, default_unit: str | None, target: str, wanted: str) -> float:
    if isinstance(value, str):
        exact = _read_terms(value, target, wanted, default_unit)
    elif isinstance(value, bool) or not hasattr(value, "__float__"):
        raise UnitError(f"{value!r} is not {wanted.split(' such')[0]}", mend=f"write {wanted}")
    elif not math.isfinite(value):
        raise UnitError(f"{value!r} is not a finite number", mend=f"write {wanted}")
    elif default_unit is None:
        raise UnitError(f"{value!r} has no unit", mend=f"write {wanted}")
    else:
        exact = Fraction(repr(float(value))) * _unit_size(default_unit, target, wanted)
    try:
        return float(exact)
    except OverflowError:
        raise UnitError(f"{value!r} is too large", mend=f"write {wanted}") from None


def _read_terms(text: str, target: str, wanted: str, default_unit: str | None) -> Fraction:
    shown = repr(text if len(text) <= _LONGEST_TEXT else text[:_LONGEST_TEXT] + "...")
    if len(text) <= _LONGEST_TEXT and re.fullmatch(rf"\s*{_NUMBER}\s*", text):
        if default_unit is None:
            raise UnitError(f"{shown} has no unit", mend=f"write {wanted}")
        return _read_number(text, shown, wanted) * _unit_size(default_unit, target, wanted)
    terms: list[Fraction] = []
    position = 0
    while position < len(text) <= _LONGEST_TEXT and (match := _TERM.match(text, position)):
        number = _read_number(match["number"], shown, wanted)
        if terms and number < 0:
            break
        terms.append(number * _unit_size(_SIGNS.get(match["unit"], match["unit"]), target, wanted))
        position = match.end()
    if not terms or text[position:].strip():
        raise UnitError(f"{shown} can't be read", mend=f"write {wanted}")
    first, rest = terms[0], sum(terms[1:], Fraction(0))
    return first - rest if first < 0 else first + rest


def _read_number(text: str, shown: str, wanted: str) -> Fraction:
    *whole, part = text.split()
    try:
        if not whole:
            return Fraction(part)
        # The sign is that of the mixed number: -3 1/2 is -3.5.
        size = abs(Fraction(whole[0])) + Fraction(part)
        return -size if whole[0].startswith("-") else size
    except ZeroDivisionError:
        raise UnitError(f"{shown} divides by zero", mend=f"write {wanted}") from None


@cache
def _unit_size(unit: str, target: str, wanted: str) -> Fraction:
    """Size of a unit in the target unit, from the units library, exact where the definition is."""
    import pint

    registry = _registry()
    try:
        size = registry.Quantity(Fraction(1), unit.lower() if unit.isupper() else unit).to(target).magnitude
    except pint.errors.UndefinedUnitError:
        raise UnitError(f"{unit!r} is not a unit that is known", mend=f"write {wanted}") from None
    except pint.errors.DimensionalityError:
        raise UnitError(f"{unit!r} does not measure what is asked for", mend=f"write {wanted}") from None
    return Fraction(size)


@cache
def _registry() -> Any:
    import pint

    return pint.UnitRegistry(non_int_type=Fraction)
