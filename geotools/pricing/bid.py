"""Price the takeoff of a project line by line, with its charges, its total and its range."""

from __future__ import annotations

import warnings
from dataclasses import replace
from decimal import Decimal
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from geotools.errors import DesignError, Noticed, StepError
from geotools.pricing.estimate import draw_correlated, pert_quantile
from geotools.pricing.money import exact, round_to, share_cents, to_cents
from geotools.pricing.price_list import ThreePoints, read_price_list

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from geotools.pricing.price_list import Price, PriceList

    Floats = NDArray[np.float64]

__all__ = ["COLUMNS", "draw_amounts", "price_takeoff", "simulate_total"]

COLUMNS = [
    "kind", "number", "item", "description", "section", "unit", "net_quantity", "waste_pct", "quantity", "material_low",
    "material_likely", "material_high", "material_price", "hours_low", "hours_likely", "hours_high", "hours_per_unit",
    "hours",
    "material_cents", "labour_cents", "amount_cents", "basis_pct", "note",
]  # fmt: skip
_SIZES = {
    "ft": (1, Decimal("0.3048")), "yd": (1, Decimal("0.9144")), "m": (1, Decimal(1)), "each": (0, Decimal(1)),
    "yd3": (3, Decimal("0.9144") ** 3), "ft3": (3, Decimal("0.3048") ** 3), "m3": (3, Decimal(1)),
}  # fmt: skip
_DECIMALS = 4
"""Of a unit price and of the hours for a unit: goods at a few cents each would lose too much by whole cents."""
_HOURS_DECIMALS = 6
_OTHER_SYSTEM = {
    "us": {"m": "ft", "m3": "yd3"},
    "metric": {"ft": "m", "yd": "m", "yd3": "m3", "ft3": "m3"},
}
_UNIT_DECIMALS = {"each": 0, "ft": 1}
"""Decimals of a quantity in a unit; 2 in all others."""


def price_takeoff(
    takeoff: pd.DataFrame,
    *,
    price_list: str = "",
    units: str = "us",
    correlation_pct: float = 50.0,
    low_pct: float = 10.0,
    high_pct: float = 90.0,
    samples: int = 4000,
    seed: int = 1,
) -> pd.DataFrame:
    """Price the project rows of a takeoff: lines, mobilisation, overhead, contingency, profit, minimum charge, tax.

    A unit price is the mean of its three points, to 4 decimals; material is priced on what is ordered, work on what is
    built. Overhead and contingency are on the work with mobilisation, profit on these together, the tax on materials.
    Every printed amount is in whole cents, and each total is the sum of the printed ones. Low and high are quantiles of
    correlated draws of all prices, hours and the rate.

    Parameters
    ----------
    takeoff : DataFrame
        As `list_takeoff` gives it.
    price_list : str
        File of the prices, TOML or CSV; without one the invented list is used, and the run says so.
    units : str
        `us` or `metric`: prices per foot or yard are brought to metres, and the other way round, each of their points
        to 4 decimals (hours to 6), so that the bid is in the units of the run.
    correlation_pct : float
        How far prices rise together, 0 to 100 (assumption of this project: 50).
    low_pct, high_pct : float
        Quantiles given as low and high.
    samples, seed : int
        Of the draws; the same seed gives the same range.

    Returns
    -------
    DataFrame
        Rows by `kind`: `line`, `charge`, `total`, `range` (low, high, mean), `rate`, `setting`, `term`; the amounts are
        whole cents.

    Raises
    ------
    StepError
        If the takeoff has no project rows, or the list lacks a price or has it in a unit of another kind.
    DesignError
        If a percentage can't be.

    Examples
    --------
    >>> takeoff = pd.DataFrame({"scope": ["project"], "item": ["gate"], "description": ["Gates"],
    ...     "section": ["32 31 13"], "unit": ["each"], "net_quantity": [2.0], "waste_pct": [0.0],
    ...     "quantity": [2.0], "note": [""]})
    >>> with warnings.catch_warnings():
    ...     warnings.simplefilter("ignore")
    ...     prices = price_takeoff(takeoff)
    >>> prices.loc[prices["kind"] == "line", ["hours", "material_cents", "labour_cents"]].values.tolist()
    [[4.17, 47500, 22239]]
    """
    if not 0 <= low_pct < high_pct <= 100:
        raise DesignError(f"low and high are the quantiles {low_pct} % and {high_pct} %", mend="give low below high")
    if units not in _OTHER_SYSTEM:
        raise StepError(f"units are {units!r}", mend="write 'us' or 'metric'")
    prices = read_price_list(price_list)
    if prices.invented:
        warnings.warn("no price list is given: the prices are invented, give your own", Noticed, stacklevel=2)
    rows = takeoff[takeoff["scope"] == "project"]
    if rows.empty and len(takeoff):
        raise StepError("the takeoff has no rows of the project", mend="take what `list_takeoff` gives")
    lines = [_line(row, prices, number, units) for number, row in enumerate(rows.to_dict("records"), start=1)]
    charges, total_cents = _charges(lines, prices)
    settings = {
        "correlation_pct": correlation_pct,
        "low_pct": low_pct,
        "high_pct": high_pct,
        "samples": samples,
        "seed": seed,
    }
    table = pd.DataFrame(
        [
            *lines,
            *charges,
            _three_points_row(prices),
            *({"kind": "setting", "item": name, "quantity": value} for name, value in settings.items()),
        ],
        columns=COLUMNS,
    )
    totals = simulate_total(table)
    low, high = (round(float(np.quantile(totals, share / 100))) for share in (low_pct, high_pct))
    spread: list[dict[str, Any]] = [
        {
            "kind": "range",
            "item": "low",
            "description": f"Low: {low_pct:g} % of the draws are below",
            "amount_cents": min(low, total_cents),
        },
        {
            "kind": "range",
            "item": "mean",
            "description": "Mean of the draws",
            "amount_cents": round(float(totals.mean())),
        },
        {
            "kind": "range",
            "item": "high",
            "description": f"High: {100 - high_pct:g} % of the draws are above",
            "amount_cents": max(high, total_cents),
        },
    ]
    return _typed(pd.concat([table, pd.DataFrame([*spread, *_terms(prices)], columns=COLUMNS)], ignore_index=True))


def simulate_total(prices: pd.DataFrame) -> Floats:
    """Draw totals of a bid, in cents, from the three points of its prices, hours and rate.

    Examples
    --------
    >>> simulate_total(pd.DataFrame(columns=COLUMNS)).tolist()
    [0.0]
    """
    material, labour = draw_amounts(prices)
    return _totals(material.sum(axis=1), labour.sum(axis=1), prices)


def draw_amounts(prices: pd.DataFrame) -> tuple[Floats, Floats]:
    """Draw the material and labour amounts of each line, in cents.

    Returns
    -------
    material_cents, labour_cents : numpy.ndarray, samples x lines

    Examples
    --------
    >>> draw_amounts(pd.DataFrame(columns=COLUMNS))[0].shape
    (1, 0)
    """
    lines = prices[prices["kind"] == "line"]
    setting = prices[prices["kind"] == "setting"].set_index("item")["quantity"].astype(float)
    samples, seed = int(setting.get("samples", 1)), int(setting.get("seed", 1))
    count = len(lines)
    draws = draw_correlated(
        2 * count + 1, samples, correlation=float(setting.get("correlation_pct", 0.0)) / 100, seed=seed
    )
    rate = prices[prices["kind"] == "rate"]
    # The rate comes first, so that its draws do not hang on how many lines there are.
    hourly = _draw(draws[:, :1], rate, "material") if len(rate) else np.zeros((samples, 1))
    quantity, net = (lines[name].to_numpy(dtype=np.float64) for name in ("quantity", "net_quantity"))
    material = 100 * quantity * _draw(draws[:, 1 : count + 1], lines, "material")
    return material, 100 * net * _draw(draws[:, count + 1 :], lines, "hours") * hourly


def _draw(shares: Floats, rows: pd.DataFrame, what: str) -> Floats:
    low, likely, high = (rows[f"{what}_{point}"].to_numpy(dtype=np.float64) for point in ("low", "likely", "high"))
    return pert_quantile(shares, low, likely, high)


def _totals(material: Floats, labour: Floats, prices: pd.DataFrame) -> Floats:
    """Add the charges to drawn sums of material and labour, unrounded."""
    charge = prices[prices["kind"] == "charge"].set_index("item")
    pct = {
        name: float(charge["basis_pct"].get(name, 0.0)) / 100
        for name in ("overhead_pct", "contingency_pct", "profit_pct", "tax_pct")
    }
    work = material + labour + float(charge["amount_cents"].get("mobilisation", 0.0))
    work = work * (1 + pct["overhead_pct"] + pct["contingency_pct"]) * (1 + pct["profit_pct"])
    least = 100 * float(charge["material_price"].get("minimum_charge", 0.0))
    return np.maximum(work, least) + pct["tax_pct"] * material


def _line(row: Mapping[Any, Any], prices: PriceList, number: int, units: str) -> dict[str, Any]:
    price = _in_system(prices.price(str(row["item"])), units)
    unit = str(row["unit"])
    net = _in_unit(row["net_quantity"], unit, price, str(row["item"]), prices.title)
    ordered = exact(row["quantity"]) if unit == price.unit else _ordered(net, exact(row["waste_pct"]), price.unit)
    material_price, hours_per_unit = _mean(price.material, _DECIMALS), _mean(price.hours, _DECIMALS)
    hours = round_to(net * hours_per_unit, 2)
    material_cents, labour_cents = to_cents(ordered * material_price), to_cents(hours * _mean(prices.rate, 2))
    return {
        "kind": "line",
        "number": number,
        "item": row["item"],
        "description": price.description or row["description"],
        "section": price.section or row["section"],
        "unit": price.unit,
        "net_quantity": float(net),
        "waste_pct": row["waste_pct"],
        "quantity": float(ordered),
        **_as_columns("material", price.material),
        "material_price": float(material_price),
        **_as_columns("hours", price.hours),
        "hours_per_unit": float(hours_per_unit),
        "hours": float(hours),
        "material_cents": material_cents,
        "labour_cents": labour_cents,
        "amount_cents": material_cents + labour_cents,
        "note": row["note"],
    }


def _in_system(price: Price, units: str) -> Price:
    """A price per unit of the run's own units."""
    unit = _OTHER_SYSTEM[units].get(price.unit, price.unit)
    if unit == price.unit:
        return price
    factor = _SIZES[unit][1] / _SIZES[price.unit][1]
    return replace(
        price,
        unit=unit,
        material=ThreePoints(*(round_to(point * factor, _DECIMALS) for point in price.material)),
        hours=ThreePoints(*(round_to(point * factor, _HOURS_DECIMALS) for point in price.hours)),
    )


def _charges(lines: list[dict[str, Any]], prices: PriceList) -> tuple[list[dict[str, Any]], int]:
    pct = prices.charges
    work = sum(line["amount_cents"] for line in lines)
    material = sum(line["material_cents"] for line in lines)
    mobilisation = to_cents(pct["mobilisation"]) if lines else 0
    base = work + mobilisation
    overhead, contingency = share_cents(base, pct["overhead_pct"]), share_cents(base, pct["contingency_pct"])
    profit = share_cents(base + overhead + contingency, pct["profit_pct"])
    before = base + overhead + contingency + profit
    least = to_cents(pct["minimum_charge"]) if lines else 0
    topped = max(least - before, 0)
    tax = share_cents(material, pct["tax_pct"])
    total = before + topped + tax
    amounts = (
        ("charge", "mobilisation", "Mobilisation", mobilisation),
        ("charge", "overhead_pct", "Overhead, on the work and mobilisation", overhead),
        ("charge", "contingency_pct", "Contingency, on the work and mobilisation", contingency),
        ("charge", "profit_pct", "Profit, on all above", profit),
        ("charge", "minimum_charge", "Added to reach the minimum charge", topped),
        ("charge", "tax_pct", "Tax, on materials", tax),
        ("total", "total", "Total", total),
    )
    rows: list[dict[str, Any]] = []
    for kind, item, words, cents in amounts:
        row: dict[str, Any] = {"kind": kind, "item": item, "description": words, "amount_cents": cents}
        if item.endswith("_pct"):
            row["basis_pct"] = float(pct[item])
        elif item == "minimum_charge":
            row["material_price"] = least / 100
        rows.append(row)
    return rows, total


def _in_unit(quantity: Any, unit: str, price: Price, item: str, title: str) -> Decimal:
    """A quantity in the unit of its price; as it is where the units are the same."""
    (kind, size), (own_kind, own_size) = _SIZES[unit], _SIZES[price.unit]
    if kind != own_kind:
        raise StepError(
            f"{item!r} is measured in {unit} and priced per {price.unit}", where=title, mend=f"price it per {unit}"
        )
    if unit == price.unit:
        return exact(quantity)
    return round_to(exact(quantity) * size / own_size, _UNIT_DECIMALS.get(price.unit, 2))


def _ordered(net: Decimal, waste_pct: Decimal, unit: str) -> Decimal:
    return round_to(net * (1 + waste_pct / 100), _UNIT_DECIMALS.get(unit, 2))


def _mean(points: ThreePoints, decimals: int) -> Decimal:
    return round_to((points.low + 4 * points.likely + points.high) / 6, decimals)


def _as_columns(what: str, points: ThreePoints) -> dict[str, float]:
    return {f"{what}_{name}": float(value) for name, value in zip(("low", "likely", "high"), points, strict=True)}


def _three_points_row(prices: PriceList) -> dict[str, Any]:
    return {
        "kind": "rate",
        "item": "labour",
        "description": "Labour",
        "unit": "hour",
        **_as_columns("material", prices.rate),
        "material_price": float(_mean(prices.rate, 2)),
    }


def _terms(prices: PriceList) -> list[dict[str, Any]]:
    terms = [("price list", prices.title), ("currency", prices.currency), ("valid days", str(prices.valid_days))]
    if prices.invented:
        terms.append(("invented", "The prices are invented: this is no offer."))
    terms += [("assumption", text) for text in prices.assumptions] + [("exclusion", text) for text in prices.exclusions]
    return [{"kind": "term", "item": item, "description": text} for item, text in terms]


def _typed(table: pd.DataFrame) -> pd.DataFrame:
    counts = ["number", "material_cents", "labour_cents", "amount_cents"]
    texts = ["kind", "item", "description", "section", "unit", "note"]
    rest = [name for name in COLUMNS if name not in {*counts, *texts}]
    table[texts] = table[texts].astype(object).where(table[texts].notna(), "").astype(str)
    table[counts] = table[counts].astype("Int64")
    table[rest] = table[rest].astype("float64")
    return table
