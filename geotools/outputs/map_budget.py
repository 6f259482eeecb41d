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
SHARE_MEANINGS = {
    "cost_share": ("Share of the shared line", "What the lot pays of the common barrier, in dollars."),
    "cost_alone": ("Cost alone", "What the cheapest line of its own would cost the lot, in dollars."),
    "cost_saved": ("Saved by sharing", "What the lot saves by the common barrier, in dollars."),
    "share_rule": ("How the cost is split", "The rule behind the shares."),
}
"""Title and meaning of the columns that `add_shares` gives."""


def encode_frontier(frontier: pd.DataFrame, parcel_ids: Sequence[str]) -> dict[str, Any]:
    """Encode the break points of a frontier and the point at which each lot joins the protected ones.

    Parameters
    ----------
    frontier : pandas.DataFrame, one row a break point, in any order
        A cost (`cost_cents`, `budget_cents`, `cost_usd` or `budget_usd`) and `lots_added` (the lots that join there)
        or `lots_closed` (all lots protected there), as a list or the JSON of one; `worth_pct` if known.
    parcel_ids : sequence of str, n
        The map's lots.

    Returns
    -------
    dict
        `cents`, `worth_pct` and `lots` by break point, `joins` packed by lot (0 for never, else the break point's
        number from 1).

    Raises
    ------
    OutputError
        If there is no cost or no list of lots, or one can't be read.

    Examples
    --------
    >>> table = pd.DataFrame({"cost_cents": [0, 900], "lots_added": ["[]", '["7"]']})
    >>> encode_frontier(table, ["7", "8"])["lots"]
    [0, 1]
    """
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
    order = np.argsort(cents, kind="stable")
    row_of = {name: row for row, name in enumerate(parcel_ids)}
    joins = np.zeros(len(parcel_ids), dtype=np.int64)
    for point, row in enumerate(order.tolist(), start=1):
        named = [row_of[name] for name in _names(frontier[lists[0]].iloc[row], row) if name in row_of]
        fresh = np.array([at for at in named if joins[at] == 0], dtype=np.int64)
        joins[fresh] = point
    worth = (
        frontier["worth_pct"].to_numpy(dtype=float)[order] if "worth_pct" in frontier else np.full(len(order), np.nan)
    )
    return {
        "cents": cents[order].astype(np.int64).tolist(),
        "worth_pct": [round(value, 1) if np.isfinite(value) else None for value in worth.tolist()],
        "lots": np.cumsum(np.bincount(joins, minlength=len(order) + 1)[1:]).tolist(),
        "joins": pack_unsigned(joins),
    }


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
