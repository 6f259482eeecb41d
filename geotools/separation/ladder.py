"""Choose the lots that budgets between the frontier's break points protect best."""

from __future__ import annotations

import json

import geopandas as gpd
import numpy as np
import pandas as pd

from geotools.errors import DesignError, LayerError
from geotools.separation._budget import choose_within
from geotools.separation._ground import read_ground
from geotools.separation.frontier import WORTH_UNITS, _worth

__all__ = ["list_budget_choices"]


def list_budget_choices(
    pieces: gpd.GeoDataFrame,
    scored_lots: pd.DataFrame,
    frontier: pd.DataFrame,
    *,
    budgets_count: int = 24,
    least_gain_pct: float = 0.1,
    worth_column: str = "exposure",
    most_undecided_count: int = 200,
    most_nodes_count: int = 100,
) -> pd.DataFrame:
    """List the lots that each of some even budgets protects best, up to the cost of protecting all that can be closed.

    Budget k of n is floor(k / (n + 1) of the frontier's last cost); each choice is the one that `choose_lots` makes. A
    choice that is worth no more than one of a smaller budget gives way to that one. Where the frontier's point below a
    budget comes close to all that the budget could buy (the straight line to the next point), the budget is left out:
    the point is as good as the choice, and a large site has thousands of points.

    Parameters
    ----------
    pieces : GeoDataFrame
        From `arrange_site`.
    scored_lots : DataFrame
        parcel_id and the column of worth.
    frontier : DataFrame
        From `trace_frontier`, of the same pieces and worth.
    budgets_count : int
        How many budgets (assumption of this project).
    least_gain_pct : float
        What a choice must be able to add to the frontier's point, in percent of all worth (assumption of this project).
    worth_column : str
        As for `trace_frontier`.
    most_undecided_count, most_nodes_count : int
        As for `choose_lots`; enough for a proof on a site of 150 lots.

    Returns
    -------
    DataFrame, one row per budget that is kept
        budget_cents, cost_cents, worth, worth_pct and bound_pct (of all lots that can be closed; no lots within the
        budget can be worth more than the bound), lots (number protected) and `lots_closed` (JSON list of parcel_ids).

    Raises
    ------
    DesignError
        If the number of budgets is below 0.
    LayerError
        If the tables can't be used or don't fit each other.

    Examples
    --------
    >>> from geotools.separation import trace_frontier
    >>> pieces = pd.DataFrame({"piece_id": ["a", "b"], "left_face": [0, 0], "right_face": [1, 2], "cost_cents": [500,
    ...     200], "left_parcel": ["", ""], "right_parcel": ["7", "8"], "left_habitat": [True, True],
    ...     "right_habitat": [False, False]})
    >>> lots = pd.DataFrame({"parcel_id": ["7", "8"], "exposure": [90.0, 30.0]})
    >>> choices = list_budget_choices(pieces, lots, trace_frontier(pieces, lots), budgets_count=3)
    >>> choices[["budget_cents", "cost_cents", "lots_closed"]].to_numpy().tolist()
    [[175, 0, '[]'], [350, 200, '["8"]'], [525, 500, '["7"]']]
    """
    if budgets_count < 0:
        raise DesignError(f"it is {budgets_count}", where="budgets_count", mend="give 0 or more")
    ground = read_ground(pieces)
    worth = _worth(ground, scored_lots, worth_column)
    number = {name: at for at, name in enumerate(ground.lots)}
    added = [[number.get(name, -1) for name in json.loads(text)] for text in frontier["lots_added"]]
    if any(at < 0 for lots in added for at in lots):
        raise LayerError(
            "it names lots that the pieces don't have", where="frontier", mend="trace it from the same pieces"
        )
    costs = frontier["cost_cents"].tolist()
    possible = int(worth[ground.closable].sum())
    rows = []
    best = None
    for step in range(1, budgets_count + 1):
        budget = costs[-1] * step // (budgets_count + 1)
        if _most_gain_pct(frontier, budget) < least_gain_pct:
            continue
        choice = choose_within(ground, worth, added, costs, budget, most_undecided_count, most_nodes_count)
        if best is None or choice.worth > best.worth:
            best = choice
        rows.append((budget, best, max(choice.bound, best.worth)))
    return pd.DataFrame(
        {
            "budget_cents": np.array([budget for budget, _, _ in rows], dtype=np.int64),
            "cost_cents": np.array([choice.cents for _, choice, _ in rows], dtype=np.int64),
            "worth": [choice.worth / WORTH_UNITS for _, choice, _ in rows],
            "worth_pct": [100 * choice.worth / possible if possible else 100.0 for _, choice, _ in rows],
            "bound_pct": [100 * bound / possible if possible else 100.0 for _, _, bound in rows],
            "lots": [int(choice.lots.sum()) for _, choice, _ in rows],
            "lots_closed": [
                json.dumps([ground.lots[lot] for lot in np.flatnonzero(choice.lots)], ensure_ascii=False)
                for _, choice, _ in rows
            ],
        }
    )


def _most_gain_pct(frontier: pd.DataFrame, budget_cents: int) -> float:
    """What any choice within a budget can add to the frontier's point below it, in percent of all worth."""
    costs = frontier["cost_cents"].to_numpy(dtype=np.float64)
    pct = frontier["worth_pct"].to_numpy(dtype=np.float64)
    below = max(0, int(np.searchsorted(costs, budget_cents, side="right")) - 1)
    return float(np.interp(budget_cents, costs, pct) - pct[below])
