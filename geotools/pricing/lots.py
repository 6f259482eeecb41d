"""Give each lot its share of the bid."""

from __future__ import annotations

from typing import TYPE_CHECKING

import geopandas as gpd
import numpy as np
import pandas as pd

from geotools.pricing.bid import draw_amounts, simulate_total
from geotools.pricing.money import allot_cents

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

__all__ = ["price_lots"]

_AT_ONCE = 2000


def price_lots(lots: gpd.GeoDataFrame, takeoff: pd.DataFrame, prices: pd.DataFrame) -> gpd.GeoDataFrame:
    """Fill the costs of the lots: each lot's share of the bid as a part of the whole job.

    A line of the bid is shared by net quantity, rolls by the length of mesh of their width; charges follow the work.
    The likely costs of all lots (and of lines that lots share) add up to the bid to the cent. Low and high are
    quantiles of the bid's own draws. A lot alone would cost more: mobilisation and the minimum charge would be its own.

    Parameters
    ----------
    lots : GeoDataFrame, n rows
        parcel_id, verdict.
    takeoff : DataFrame
        As `list_takeoff` gives it.
    prices : DataFrame
        As `price_takeoff` gives it.

    Returns
    -------
    GeoDataFrame, n rows on the same index
        The lots with cost_low, cost_likely, cost_high in the list's currency, to the cent; blank on lots that are not
        to be built, 0 where nothing is needed.

    Examples
    --------
    >>> from geotools.steps import find_step
    >>> list(find_step("price_lots").layers)
    ['lots', 'takeoff', 'prices']
    """
    lines = prices[prices["kind"] == "line"].reset_index(drop=True)
    owners, shares = _share_lines(takeoff, lines["item"].tolist())
    likely = shares @ lines["amount_cents"].to_numpy(dtype=np.float64)
    total = prices.loc[prices["kind"] == "total", "amount_cents"]
    likely_cents = allot_cents(int(total.iloc[0]) if len(total) else 0, likely)
    low_cents, high_cents = _ranges(shares, prices)
    table = pd.DataFrame(
        {
            "cost_low": np.minimum(low_cents, likely_cents) / 100,
            "cost_likely": likely_cents / 100,
            "cost_high": np.maximum(high_cents, likely_cents) / 100,
        },
        index=owners,
    ).round(2)
    filled = table.reindex(lots["parcel_id"].astype(str)).fillna(0.0).set_index(lots.index)
    filled = filled.mask(lots["verdict"] == "do not build")
    return lots.assign(**{name: filled[name] for name in ("cost_low", "cost_likely", "cost_high")})


def _share_lines(takeoff: pd.DataFrame, items: list[str]) -> tuple[pd.Index, Floats]:
    """Share of each lot in each line of the bid, lots x lines; columns add up to 1."""
    own = takeoff[takeoff["scope"] == "lot"]
    table = own.pivot_table(
        index="parcel_id", columns="item", values="net_quantity", aggfunc="sum", fill_value=0.0, sort=True
    )
    columns = []
    for item in items:
        width = item.removeprefix("roll_")
        names = [f"hang_{width}", f"face_{width}"] if item.startswith("roll_") else [item]
        amount = table.reindex(columns=names, fill_value=0.0).sum(axis=1).to_numpy(dtype=np.float64)
        columns.append(amount / amount.sum() if amount.sum() else amount)
    return table.index.astype(str), np.stack(columns, axis=1) if columns else np.zeros((len(table), 0))


def _ranges(shares: Floats, prices: pd.DataFrame) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Low and high of each lot, in cents: quantiles of its drawn work, with the drawn charges in proportion."""
    setting = prices[prices["kind"] == "setting"].set_index("item")["quantity"].astype(float)
    material, labour = draw_amounts(prices)
    work = material + labour
    sums = work.sum(axis=1)
    grown = np.divide(simulate_total(prices), sums, out=np.ones_like(sums), where=sums > 0)
    drawn = work * grown[:, None]
    found = [np.zeros((2, 0))]
    for start in range(0, len(shares), _AT_ONCE):
        costs = drawn @ shares[start : start + _AT_ONCE].T
        found.append(np.quantile(costs, [setting["low_pct"] / 100, setting["high_pct"] / 100], axis=0))
    low, high = np.rint(np.concatenate(found, axis=1)).astype(np.int64)
    return low, high
