"""Read a price list: the user's own, or the invented one that comes with the demo."""

from __future__ import annotations

import csv
import difflib
import tomllib
from dataclasses import dataclass
from decimal import Decimal, InvalidOperation
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

from geotools.errors import StepError

if TYPE_CHECKING:
    from collections.abc import Mapping

__all__ = ["CHARGES", "Price", "PriceList", "ThreePoints", "read_price_list"]

INVENTED = Path(__file__).with_name("invented_prices.toml")
CHARGES = ("mobilisation", "minimum_charge", "overhead_pct", "contingency_pct", "profit_pct", "tax_pct")
"""Two amounts, and four percentages; the tax is on materials."""
UNITS = ("each", "ft", "yd", "m", "yd3", "ft3", "m3")
_SOIL_ITEMS = ("hole", "trench")
_ZERO = Decimal(0)


class ThreePoints(NamedTuple):
    """Low, likely and high."""

    low: Decimal
    likely: Decimal
    high: Decimal


@dataclass(frozen=True)
class Price:
    """Price of an item: material per unit, hours of work per unit, and the list's own words and section for it."""

    unit: str
    material: ThreePoints
    hours: ThreePoints
    section: str = ""
    description: str = ""


@dataclass(frozen=True)
class PriceList:
    """A price list: items by name, the rate of an hour, the charges, and what is said with them."""

    title: str
    invented: bool
    currency: str
    rate: ThreePoints
    charges: Mapping[str, Decimal]
    items: Mapping[str, Price]
    valid_days: int
    assumptions: tuple[str, ...]
    exclusions: tuple[str, ...]

    def price(self, item: str) -> Price:
        """Price of an item.

        Raises
        ------
        StepError
            If the list has none (with a suggestion).
        """
        if item in self.items:
            return self.items[item]
        close = difflib.get_close_matches(item, self.items, n=1)
        raise StepError(
            f"there is no price for {item!r}", where=self.title,
            mend=f"add it (the list has {close[0]!r})" if close else "add it, with its unit",
        )  # fmt: skip


def read_price_list(path: str = "") -> PriceList:
    """Read a price list from TOML or CSV; without a path, the invented one.

    TOML: `title`, `currency`, `valid_days`, `assumptions`, `exclusions`, tables [labour] (rate), [charges], [soil]
    (factor on the hours of `hole` and `trench`) and [items.NAME] with `unit`, `price`, `hours`, `section`,
    `description`. A price or hours is one number or low, likely and high. CSV: columns item, unit, low, likely, high,
    hours_low, hours, hours_high, section, description; the rows `labour`, `mobilisation`, ... and `soil_caliche` have
    their value under likely, `title`, `currency`, `assumption` and `exclusion` their text under description.

    Parameters
    ----------
    path : str

    Returns
    -------
    PriceList

    Raises
    ------
    StepError
        If the file can't be read, or a number, unit or name in it can't be used.

    Examples
    --------
    >>> read_price_list().invented
    True
    """
    file = Path(path) if path else INVENTED
    try:
        text = file.read_text(encoding="utf-8-sig")
        content = (
            _from_csv(text, file.name) if file.suffix.lower() == ".csv" else tomllib.loads(text, parse_float=Decimal)
        )
    except OSError as error:
        raise StepError(
            f"it can't be read: {error.strerror}", where=str(file), mend="check the path of the price list"
        ) from error
    except (UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise StepError(
            f"it is no TOML: {error}", where=str(file), mend="mend that line, or save a CSV as UTF-8"
        ) from error
    return _build(content, file.name)


def _build(content: Mapping[str, Any], name: str) -> PriceList:
    known = {
        "title",
        "invented",
        "currency",
        "valid_days",
        "assumptions",
        "exclusions",
        "labour",
        "charges",
        "soil",
        "items",
    }
    for key in content:
        if key not in known:
            raise StepError(f"{key!r} is no part of a price list", where=name, mend=f"use {', '.join(sorted(known))}")
    charges = {key: _number(value, f"{name}: {key}") for key, value in content.get("charges", {}).items()}
    for key in charges:
        if key not in CHARGES:
            raise StepError(f"{key!r} is no charge", where=name, mend=f"use {', '.join(CHARGES)}")
    if "rate" not in content.get("labour", {}):
        raise StepError("there is no rate of an hour", where=name, mend="add [labour] rate = 45.00")
    items = {key: _price(row, f"{name}: {key}") for key, row in content.get("items", {}).items()}
    for key, value in content.get("soil", {}).items():
        factor = _number(value, f"{name}: soil {key}")
        for base in _SOIL_ITEMS:
            if base in items and f"{base}_{key}" not in items:
                one = items[base]
                items[f"{base}_{key}"] = Price(
                    one.unit, one.material, ThreePoints(*(hours * factor for hours in one.hours)), one.section
                )
    return PriceList(
        title=str(content.get("title", name)),
        invented=bool(content.get("invented", False)),
        currency=str(content.get("currency", "USD")),
        rate=_points(content["labour"]["rate"], f"{name}: labour rate"),
        charges={key: charges.get(key, _ZERO) for key in CHARGES},
        items=items,
        valid_days=int(content.get("valid_days", 30)),
        assumptions=tuple(str(text) for text in content.get("assumptions", ())),
        exclusions=tuple(str(text) for text in content.get("exclusions", ())),
    )


def _price(row: Any, where: str) -> Price:
    if not isinstance(row, dict):
        raise StepError("the item is no table", where=where, mend='write unit = "each", price = 10.00, hours = 0.5')
    if row.get("unit") not in UNITS:
        raise StepError(f"the unit is {row.get('unit')!r}", where=where, mend=f"use one of: {', '.join(UNITS)}")
    return Price(
        unit=str(row["unit"]),
        material=_points(row.get("price", 0), f"{where} price"),
        hours=_points(row.get("hours", 0), f"{where} hours"),
        section=str(row.get("section", "")),
        description=str(row.get("description", "")),
    )


def _points(value: Any, where: str) -> ThreePoints:
    numbers = [_number(one, where) for one in (value if isinstance(value, list) else [value] * 3)]
    if len(numbers) != 3 or not numbers[0] <= numbers[1] <= numbers[2]:
        raise StepError(
            f"{value!r} is not low, likely and high", where=where, mend="give one number, or three in rising order"
        )
    return ThreePoints(*numbers)


def _number(value: Any, where: str) -> Decimal:
    try:
        number = Decimal(str(value).strip().replace(",", "").lstrip("$"))
    except InvalidOperation:
        raise StepError(f"{value!r} is no number", where=where, mend="write a number such as 12.50") from None
    if isinstance(value, bool) or not number.is_finite() or number < 0:
        raise StepError(f"{value!r} can't be used", where=where, mend="write a number of 0 or more")
    return number


def _from_csv(text: str, name: str) -> dict[str, Any]:
    reader = csv.DictReader(text.splitlines())
    if not {"item", "likely"} <= set(reader.fieldnames or ()):
        raise StepError("it has no columns item and likely", where=name, mend="name the columns in the first row")
    content: dict[str, Any] = {
        "title": name,
        "labour": {},
        "charges": {},
        "soil": {},
        "items": {},
        "assumptions": [],
        "exclusions": [],
    }
    for line in reader:
        row = {str(key).strip(): (value or "").strip() for key, value in line.items() if isinstance(value, str)}
        item, words = row.get("item", ""), row.get("description", "")
        price = _csv_points(row, "low", "likely", "high")
        if item == "labour":
            content["labour"]["rate"] = price
        elif item in CHARGES:
            content["charges"][item] = row["likely"]
        elif item.startswith("soil_"):
            content["soil"][item.removeprefix("soil_")] = row["likely"]
        elif item in ("title", "currency"):
            content[item] = words
        elif item in ("assumption", "exclusion"):
            content[f"{item}s"].append(words)
        elif item == "valid_days":
            content[item] = int(_number(row["likely"], f"{name}: {item}"))
        elif item:
            hours = _csv_points(row, "hours_low", "hours", "hours_high")
            content["items"][item] = {
                "unit": row.get("unit", ""),
                "price": price,
                "hours": hours,
                "section": row.get("section", ""),
                "description": words,
            }
    return content


def _csv_points(row: Mapping[str, str], low: str, likely: str, high: str) -> list[str]:
    middle = row.get(likely) or "0"
    return [row.get(low) or middle, middle, row.get(high) or middle]
