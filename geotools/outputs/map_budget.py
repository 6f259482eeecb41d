"""Read the frontier of cost and protection and the shares of a common barrier for the map."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from geotools.errors import OutputError
from geotools.outputs.map_encode import pack_unsigned

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

__all__ = ["SHARE_MEANINGS", "add_shares", "encode_frontier"]

_CENTS = {"cost_cents": 1, "budget_cents": 1, "cost_usd": 100, "budget_usd": 100}
"""Columns that may hold the cost of a break point, and cents in their unit."""
_WORTH_DECIMALS = 9
"""Of worth_pct: far below what one lot adds, so that equal ones stay equal."""
SHARE_MEANINGS = {
    "cost_share": ("Share of the shared line", "What the lot pays of the common barrier, in dollars."),
    "cost_alone": ("Cost alone", "What the cheapest line of its own would cost the lot, in dollars."),
    "cost_saved": ("Saved by sharing", "What the lot saves by the common barrier, in dollars."),
    "share_rule": ("How the cost is split", "The rule behind the shares."),
}
"""Title and meaning of the columns that `add_shares` gives."""


def encode_frontier(
    frontier: pd.DataFrame, parcel_ids: Sequence[str], choices: pd.DataFrame | None = None
) -> dict[str, Any]:
    """Encode the choices that budgets buy: the frontier's break points and, where given, the choices between them.

    A choice that costs no less than a better one is left out, so that the best for a budget is the last one that it
    can pay.

    Parameters
    ----------
    frontier : pandas.DataFrame, one row a break point, in any order
        A cost (`cost_cents`, `budget_cents`, `cost_usd` or `budget_usd`) and `lots_added` (the lots that join there)
        or `lots_closed` (all lots protected there), as a list or the JSON of one; `worth_pct` if known.
    parcel_ids : sequence of str, n
        The map's lots; others of the frontier are counted, but not shown.
    choices : pandas.DataFrame, optional
        From `list_budget_choices`; it needs `worth_pct` in the frontier.

    Returns
    -------
    dict
        `joins` packed by lot (0 for never, else the break point's number from 1); `stops` from the cheapest on: cents,
        worth_pct, lots, `point` (the break point that it starts from) and `swaps` (packed steps between the rows that
        differ from that); `points` and `bounds`, pairs of cents and worth_pct: the break points, and what no choice
        within so much money can be above.

    Raises
    ------
    OutputError
        If there is no cost or no list of lots, or one can't be read.

    Examples
    --------
    >>> table = pd.DataFrame({"cost_cents": [0, 900], "lots_added": ["[]", '["7"]']})
    >>> [stop["lots"] for stop in encode_frontier(table, ["7", "8"])["stops"]]
    [0, 1]
    """
    cents, listed = _read_points(frontier)
    order = np.argsort(cents, kind="stable")
    row_of = {name: row for row, name in enumerate(parcel_ids)}
    joins = np.zeros(len(parcel_ids), dtype=np.int64)
    worth = _known(frontier, "worth_pct")[order]
    protected: set[str] = set()
    stops: list[dict[str, Any]] = []
    for point, row in enumerate(order.tolist(), start=1):
        names = _names(frontier[listed].iloc[row], row)
        protected.update(names)
        joins[[row_of[name] for name in names if name in row_of and joins[row_of[name]] == 0]] = point
        stops.append(_stop(int(cents[row]), worth[point - 1], len(protected), point))
    points = [[stop["cents"], stop["worth_pct"]] for stop in stops]
    if choices is not None:
        stops = _keep_best([*stops, *_between(choices, stops, joins, row_of)])
    return {"joins": pack_unsigned(joins), "stops": stops, "points": points, "bounds": _bounds(choices)}


def add_shares(shown: pd.DataFrame, shares: pd.DataFrame) -> pd.DataFrame:
    """Add what each lot pays of a common barrier, in dollars, to the shown lots.

    Parameters
    ----------
    shown : pandas.DataFrame, n rows
        With parcel_id.
    shares : pandas.DataFrame
        parcel_id, `share_cents` and, if known, `alone_cents`, `saved_cents`, `share_rule`.

    Returns
    -------
    pandas.DataFrame, n rows
        With `cost_share` and, if known, `cost_alone`, `cost_saved`, `share_rule`; missing for lots that take no part.

    Raises
    ------
    OutputError
        If parcel_id or share_cents is missing, or a lot has two shares.

    Examples
    --------
    >>> shares = pd.DataFrame({"parcel_id": ["8"], "share_cents": [12345]})
    >>> add_shares(pd.DataFrame({"parcel_id": ["7", "8"]}), shares)["cost_share"].tolist()
    [nan, 123.45]
    """
    for name in ("parcel_id", "share_cents"):
        if name not in shares:
            raise OutputError(f"the column {name} is missing", where="shares", mend="give the table of share_costs")
    by_lot = shares.assign(parcel_id=shares["parcel_id"].astype(str)).set_index("parcel_id")
    if not by_lot.index.is_unique:
        raise OutputError("a lot has two shares", where="shares", mend="give one row a lot")
    rows = by_lot.index.get_indexer(pd.Index(shown["parcel_id"].astype(str)))
    added = {
        f"cost_{name}": _take(_dollars(by_lot[f"{name}_cents"]), rows)
        for name in ("share", "alone", "saved")
        if f"{name}_cents" in by_lot
    }
    result = shown.assign(**added)
    if "share_rule" in by_lot:
        rules = [*by_lot["share_rule"].tolist(), None]
        result["share_rule"] = pd.Series([rules[row] or None for row in rows], index=shown.index, dtype=object)
    return result


def _read_points(frontier: pd.DataFrame) -> tuple[NDArray[np.float64], str]:
    """Costs of the break points in cents, and the name of the column that lists the lots."""
    costs = [name for name in _CENTS if name in frontier]
    lists = [name for name in ("lots_added", "lots_closed") if name in frontier]
    if not costs or not lists:
        raise OutputError(
            f"it has the columns {', '.join(map(str, frontier.columns))}",
            where="frontier",
            mend="give a cost (cost_cents or cost_usd) and the lots (lots_added or lots_closed) of each break point",
        )
    cents = np.round(frontier[costs[0]].to_numpy(dtype=float) * _CENTS[costs[0]])
    if not np.isfinite(cents).all() or (cents < 0).any():
        raise OutputError(
            "a cost is missing or below 0", where=f"frontier, {costs[0]}", mend="run trace_frontier again"
        )
    return np.asarray(cents, dtype=np.float64), lists[0]


def _known(table: pd.DataFrame, name: str) -> NDArray[np.float64]:
    return table[name].to_numpy(dtype=float) if name in table else np.full(len(table), np.nan)


def _stop(cents: int, worth_pct: float, lots: int, point: int, swapped: Sequence[int] = ()) -> dict[str, Any]:
    return {
        "cents": cents,
        "worth_pct": round(float(worth_pct), _WORTH_DECIMALS) if np.isfinite(worth_pct) else None,
        "lots": lots,
        "point": point,
        "swaps": pack_unsigned(np.diff(sorted(swapped), prepend=0)),
    }


def _between(
    choices: pd.DataFrame, stops: Sequence[dict[str, Any]], joins: NDArray[np.int64], row_of: dict[str, int]
) -> list[dict[str, Any]]:
    """Each choice as what differs from the break point below it."""
    if any(stop["worth_pct"] is None for stop in stops):
        raise OutputError("it has no worth_pct", where="frontier", mend="run trace_frontier again")
    points = np.array([stop["cents"] for stop in stops])
    made = []
    for row, (cents, worth) in enumerate(zip(choices["cost_cents"], choices["worth_pct"], strict=True)):
        names = _names(choices["lots_closed"].iloc[row], row)
        point = max(1, int(np.searchsorted(points, cents, side="right")))
        chosen = np.zeros(len(joins), dtype=bool)
        chosen[[row_of[name] for name in names if name in row_of]] = True
        swapped = np.flatnonzero(chosen != ((joins > 0) & (joins <= point)))
        made.append(_stop(int(cents), float(worth), len(names), point, swapped.tolist()))
    return made


def _keep_best(stops: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """From the cheapest on, those that protect more than all cheaper ones; a break point before its equal."""
    kept: list[dict[str, Any]] = []
    for stop in sorted(stops, key=lambda stop: (stop["cents"], -stop["worth_pct"])):
        if not kept or stop["worth_pct"] > kept[-1]["worth_pct"]:
            kept.append(stop)
    return kept


def _bounds(choices: pd.DataFrame | None) -> list[list[float]]:
    """Least bound of each budget and of all above it: what more money can't buy, less can't."""
    if choices is None:
        return []
    by_budget = choices.sort_values("budget_cents")
    least = np.minimum.accumulate(by_budget["bound_pct"].to_numpy(dtype=float)[::-1])[::-1]
    return [
        [int(cents), round(float(bound), _WORTH_DECIMALS)]
        for cents, bound in zip(by_budget["budget_cents"], least, strict=True)
    ]


def _names(value: object, row: int) -> list[str]:
    if isinstance(value, str):
        try:
            value = json.loads(value)
        except json.JSONDecodeError:
            value = None
    if not isinstance(value, (list, tuple, np.ndarray)):
        raise OutputError(
            "the lots of a break point are no list", where=f"frontier, row {row + 1}", mend="give a list of parcel_ids"
        )
    return [str(name) for name in value]


def _dollars(cents: pd.Series[Any]) -> NDArray[np.float64]:
    return np.asarray(cents.astype("Float64").to_numpy(dtype=float, na_value=np.nan) / 100, dtype=np.float64)


def _take(values: NDArray[np.float64], rows: NDArray[np.intp]) -> NDArray[np.float64]:
    return np.append(values, np.nan)[rows]
