"""Write what the budget means for each lot into the lots' table."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd

from geotools.errors import StepError

__all__ = ["advise_by_budget"]

_TO_BUILD = ("build", "retrofit")


def advise_by_budget(
    lots: gpd.GeoDataFrame,
    chosen_lots: gpd.GeoDataFrame,
    shares: gpd.GeoDataFrame | None = None,
    *,
    tell_budget: bool = True,
) -> gpd.GeoDataFrame:
    """Add to each lot whether the budget protects it, in which turn, and what it pays.

    A lot that can't be closed at any cost is `do not build`, whatever line would fit on it. The other columns keep what
    the lot would build by itself.

    Parameters
    ----------
    lots : GeoDataFrame, n rows
        From `specify_lots`.
    chosen_lots : GeoDataFrame, n rows on the same index
        From `choose_lots`.
    shares : GeoDataFrame, n rows on the same index, optional
        From `share_costs`.
    tell_budget : bool
        Say in the reason what the budget does for the lot; without a budget the reason tells the lot's share of the
        common barrier against what it would pay alone.

    Returns
    -------
    GeoDataFrame, n rows on the same index
        The lots with `protect_this`, `turn` (1 = joins first on the frontier; missing where it never joins) and, with
        shares, `share_usd` and `alone_usd`; verdict and reason are brought up to date.

    Raises
    ------
    StepError
        If the tables are not of the same lots.

    Examples
    --------
    >>> from geotools.steps import find_step
    >>> list(find_step("advise_by_budget").layers)
    ['lots', 'chosen_lots', 'shares']
    """
    for name, table in {"chosen_lots": chosen_lots, "shares": shares}.items():
        if table is not None and not table.index.equals(lots.index):
            raise StepError(f"{name} is not of the same lots", mend="make it from the same parcels")
    needed = lots["verdict"].isin(_TO_BUILD)
    hopeless = needed & chosen_lots["closable"].eq(False).fillna(False).astype(bool)
    chosen = needed & chosen_lots["protect_this"]
    why = chosen_lots["chosen_why"].str.capitalize()
    common = lots["reason"] + " The budget protects it by the common line."
    waiting = lots["reason"] + " " + why + "."
    if not tell_budget:
        common = waiting = lots["reason"] + (_tell_share(shares) if shares is not None else "")
    told = pd.Series(
        np.select(
            [hopeless, chosen, needed & chosen_lots["closable"].eq(True).fillna(False).astype(bool)],
            [
                "It can't be closed: " + chosen_lots["chosen_why"] + ".",
                common,
                waiting,
            ],
            default=lots["reason"],
        ),
        index=lots.index,
        dtype=str,
    )
    advised = lots.assign(
        verdict=lots["verdict"].where(~hopeless, "do not build"),
        reason=told,
        protect_this=chosen_lots["protect_this"],
        turn=chosen_lots["joins_at_cents"].rank(method="dense").astype("Int64"),
    )
    if shares is None:
        return advised
    return advised.assign(
        share_usd=shares["share_cents"].astype("Float64") / 100, alone_usd=shares["alone_cents"].astype("Float64") / 100
    )


def _tell_share(shares: gpd.GeoDataFrame) -> pd.Series[str]:
    texts = [
        f" In one barrier for the whole site its share would be ${share / 100:,.0f}, by itself ${alone / 100:,.0f}."
        if pd.notna(share) and pd.notna(alone) and alone > 0
        else ""
        for share, alone in zip(shares["share_cents"], shares["alone_cents"], strict=True)
    ]
    return pd.Series(texts, index=shares.index, dtype=str)
