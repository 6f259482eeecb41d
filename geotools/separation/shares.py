"""Say what each lot pays of the common barrier."""

from __future__ import annotations

import warnings
from typing import TYPE_CHECKING

import geopandas as gpd
import numpy as np
import pandas as pd

from geotools.errors import DesignError, Noticed
from geotools.separation._alone import find_own_lines
from geotools.separation._frontier import split_ground
from geotools.separation._ground import pick, read_ground
from geotools.separation._shares import split_cost

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Costs = NDArray[np.int64]

__all__ = ["share_costs"]

CORE = "no group of lots could build alone for less"
OPEN_RULE = "in the ratio of what each lot would pay alone: no split keeps every group from building alone for less"


def share_costs(
    pieces: gpd.GeoDataFrame, chosen_lots: gpd.GeoDataFrame, *, total_usd: float | None = None
) -> gpd.GeoDataFrame:
    """Split the cost of the common barrier among the lots that it protects.

    Of the splits that no group of lots could undercut by building a line of its own (the core of the cost game), the
    one whose shares are as even as can be, in parts of what each lot would pay alone: the greatest is least, then the
    next. For the cheapest barrier there always is just one: the cost of a group's own line is submodular (Shapley 1971;
    Fujishige 1980). No split of the core lies nearer to the plain ratio of what the lots would pay alone, which a
    linear programme over all groups confirms. When more is to be paid than that, there is none; the ratio itself is
    used then, and said.

    Parameters
    ----------
    pieces : GeoDataFrame
        From `arrange_site` or `separate_lots`.
    chosen_lots : GeoDataFrame, n rows
        parcel_id and `protect_this`.
    total_usd : float, optional
        What the barrier really costs, such as a bid, in dollars; without it the cost of the cheapest barrier.

    Returns
    -------
    GeoDataFrame, n rows on the same index
        parcel_id, `alone_cents`, `share_cents`, `saved_cents` (whole cents; missing for lots that don't take part),
        `share_rule`, geometry. The shares add up to the total.

    Raises
    ------
    DesignError
        If the total is negative.
    LayerError
        If the pieces can't be used.

    Examples
    --------
    >>> from geotools.steps import find_step
    >>> find_step("share_costs").option_names
    ['total_usd']
    """
    if total_usd is not None and not 0 <= total_usd < np.inf:
        raise DesignError(f"the total is {total_usd} dollars", where="total_usd", mend="give 0 or more")
    ground = read_ground(pieces)
    players = pick(ground, chosen_lots) & ground.closable
    alone = np.zeros(len(players), dtype=np.int64)
    shares = np.zeros(len(players), dtype=np.int64)
    for own in find_own_lines(ground, players):
        alone[own.lot] = own.cents
    for part in split_ground(ground):
        mine = players[part.lot]
        if mine.any() and len(part.one) and part.one.min() == 0:
            shares[part.lot[mine]] = split_cost(part, mine, alone[part.lot[mine]])
    least = int(shares[players].sum())
    total = least if total_usd is None else round(total_usd * 100)
    rule = CORE
    if total > least:
        rule = OPEN_RULE
        shares[players] = _round_to(alone[players].astype(np.float64), total)
        warnings.warn(
            f"the barrier costs ${total / 100:,.2f}, the cheapest ${least / 100:,.2f}: the cost is split {OPEN_RULE}",
            Noticed,
            stacklevel=2,
        )
    elif total < least:
        shares[players] = _round_to(shares[players].astype(np.float64), total)
    table = pd.DataFrame({"alone": alone, "share": shares}, index=ground.lots)[players].reindex(
        chosen_lots["parcel_id"].astype(str)
    )
    result = gpd.GeoDataFrame(
        {
            "parcel_id": chosen_lots["parcel_id"],
            "alone_cents": table["alone"].astype("Int64").to_numpy(),
            "share_cents": table["share"].astype("Int64").to_numpy(),
            "saved_cents": (table["alone"] - table["share"]).astype("Int64").to_numpy(),
            "share_rule": pd.Series(np.where(table["share"].notna(), rule, ""), index=chosen_lots.index, dtype=str),
        },
        geometry=chosen_lots.geometry,
    )
    result = result.astype(dict.fromkeys(("alone_cents", "share_cents", "saved_cents"), "Int64"))
    result.attrs = {
        "run_record": {
            "shares": {
                "total_cents": total,
                "alone_cents": int(alone[players].sum()),
                "lots": int(players.sum()),
                "rule": rule,
            }
        }
    }
    return result


def _round_to(weights: NDArray[np.float64], total: int) -> Costs:
    """Split a total in a ratio into whole cents, the largest remainders first; equally where all weights are 0."""
    if not len(weights):
        return np.zeros(0, dtype=np.int64)
    if not weights.sum() > 0:
        weights = np.ones(len(weights))
    exact = weights / weights.sum() * total
    whole = np.floor(exact).astype(np.int64)
    rest = np.argsort(-(exact - whole), kind="stable")[: total - int(whole.sum())]
    whole[rest] += 1
    return np.asarray(whole, dtype=np.int64)
