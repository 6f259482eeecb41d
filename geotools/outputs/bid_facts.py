"""Gather what every page and sheet of a bid says: units, date of the data, terms, and the totals."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from geotools.errors import OutputError
from geotools.outputs.cautions import FIRST_CAUTION
from geotools.outputs.display import clean_text

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["ALTERNATES_COLUMNS", "BidFacts", "ask_for_columns", "gather_facts", "money"]

ALTERNATES_COLUMNS = (
    *("alternate", "length_m", "new_m", "retrofit_m"),
    *("cost_cents", "lots_closed", "lots_open", "leaves"),
)
_NEEDED = ("kind", "item", "description", "quantity", "amount_cents")
_UNIT_NAMES = {
    "ft": "feet (ft)",
    "m": "metres (m)",
    "yd3": "cubic yards (yd3)",
    "m3": "cubic metres (m3)",
    "ft3": "cubic feet (ft3)",
    "yd": "yards (yd)",
}


class BidFacts(NamedTuple):
    """Facts of a bid; amounts in cents."""

    title: str
    currency: str
    price_list: str
    invented: str
    valid_days: int
    assumptions: tuple[str, ...]
    exclusions: tuple[str, ...]
    notes: tuple[str, ...]
    """What the takeoff notes to its items."""
    total_cents: int
    low_cents: int
    high_cents: int
    note: str
    """One line with the units, the date of the data and the first caution."""

    def amount(self, cents: int) -> str:
        """Write an amount with its currency."""
        return money(cents, self.currency)


def gather_facts(prices: pd.DataFrame, *, title: str, date_of_data: str) -> BidFacts:
    """Gather the facts of a bid from its table of prices.

    Raises
    ------
    OutputError
        If the table has no total.

    Examples
    --------
    >>> import pandas as pd
    >>> row = {"kind": "total", "item": "total", "description": "", "unit": "", "quantity": 0.0, "amount_cents": 125}
    >>> rows = pd.DataFrame([row])
    >>> gather_facts(rows, title="A job", date_of_data="").amount(125)
    '$1.25'
    """
    ask_for_columns(prices, _NEEDED, "prices")
    total = prices.loc[prices["kind"] == "total", "amount_cents"]
    if total.empty:
        raise OutputError("there is no total", where="prices", mend="take what `price_takeoff` gives")
    terms = prices[prices["kind"] == "term"]

    def said(item: str) -> tuple[str, ...]:
        return tuple(clean_text(text) or "" for text in terms.loc[terms["item"] == item, "description"])

    spread = prices[prices["kind"] == "range"].set_index("item")["amount_cents"]
    total_cents = int(total.iloc[0])
    lines = prices[prices["kind"] == "line"]
    units = [_UNIT_NAMES[unit] for unit in dict.fromkeys(lines["unit"]) if unit in _UNIT_NAMES] if len(lines) else []
    noted = zip(lines["description"], lines["note"], strict=True) if "note" in lines.columns else ()
    notes = tuple(f"{clean_text(what)}: {clean_text(text)}." for what, text in noted if text)
    currency = (said("currency") or ("USD",))[0]
    dated = clean_text(date_of_data) or "not stated"
    return BidFacts(
        title=clean_text(title) or "",
        currency=currency,
        price_list=(said("price list") or ("",))[0],
        invented=(said("invented") or ("",))[0],
        valid_days=int((said("valid days") or ("30",))[0]),
        assumptions=said("assumption"),
        exclusions=said("exclusion"),
        notes=notes,
        total_cents=total_cents,
        low_cents=int(spread.get("low", total_cents)),
        high_cents=int(spread.get("high", total_cents)),
        note=f"Units: {', '.join([*units, currency])}. Date of the data: {dated}. {FIRST_CAUTION}",
    )


def ask_for_columns(table: pd.DataFrame, columns: tuple[str, ...], name: str) -> None:
    """Refuse a table that lacks a column.

    Raises
    ------
    OutputError
        Naming the first column that is missing.

    Examples
    --------
    >>> import pandas as pd
    >>> ask_for_columns(pd.DataFrame({"kind": []}), ("kind",), "prices")
    """
    for column in columns:
        if column not in table.columns:
            raise OutputError(
                f"the column {column} is missing", where=name, mend="take what the toolkit's own step gives"
            )


def money(cents: int, currency: str = "USD") -> str:
    """Write an amount of whole cents.

    Examples
    --------
    >>> money(123456789), money(-5, "EUR")
    ('$1,234,567.89', 'EUR -0.05')
    """
    whole, rest = divmod(abs(int(cents)), 100)
    sign = "-" if cents < 0 else ""
    number = f"{whole:,}.{rest:02d}"
    return f"{sign}${number}" if currency == "USD" else f"{currency} {sign}{number}"
