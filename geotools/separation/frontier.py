"""Weigh protection against its cost: the whole frontier, and the lots that a given budget protects."""

from __future__ import annotations

import json
import warnings
from itertools import groupby
from typing import TYPE_CHECKING

import geopandas as gpd
import numpy as np
import pandas as pd

from geotools.errors import DesignError, LayerError, Noticed
from geotools.separation._budget import choose_within
from geotools.separation._frontier import rank, split_ground, trace_steps
from geotools.separation._ground import cut_lots, read_ground

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from geotools.separation._ground import Ground

    Costs = NDArray[np.int64]

__all__ = ["choose_lots", "trace_frontier"]

WORTH_UNITS = 100
"""Worth is counted in whole hundredths, so that every break point is exact (assumption of this project)."""


def trace_frontier(
    pieces: gpd.GeoDataFrame, scored_lots: pd.DataFrame, *, worth_column: str = "exposure"
) -> pd.DataFrame:
    """Trace the frontier of cost and protection: every best set of lots that some price of protection singles out.

    For each price of a unit of worth the best set is a minimum cut; the sets grow with the price. All break points are
    found, not a grid, in exact fractions. Between two of them other sets may be best for a given budget: `choose_lots`
    finds those.

    Parameters
    ----------
    pieces : GeoDataFrame
        From `arrange_site`.
    scored_lots : DataFrame
        parcel_id and the column of worth; a lot without a worth counts 0.
    worth_column : str
        What a protected lot is worth, 0 or more.

    Returns
    -------
    DataFrame, one row per break point
        `point` (0 is what is closed as things stand), cost_cents, worth, worth_pct (of all lots that can be closed),
        lots (number protected), `price_cents` (of a unit of worth, from which on the row is best) and `lots_added`
        (JSON list of parcel_ids).

    Raises
    ------
    LayerError
        If the pieces or the worth can't be used.

    Examples
    --------
    >>> pieces = pd.DataFrame({"piece_id": ["a", "b"], "left_face": [0, 0], "right_face": [1, 2], "cost_cents": [500,
    ...     200],
    ...     "left_parcel": ["", ""], "right_parcel": ["7", "8"], "left_habitat": [True, True],
    ...     "right_habitat": [False, False]})
    >>> lots = pd.DataFrame({"parcel_id": ["7", "8"], "exposure": [50.0, 50.0]})
    >>> trace_frontier(pieces, lots)[["cost_cents", "worth", "lots_added"]].to_numpy().tolist()
    [[0, 0.0, '[]'], [200, 50.0, '["8"]'], [700, 100.0, '["7"]']]
    """
    ground = read_ground(pieces)
    worth = _worth(ground, scored_lots, worth_column)
    steps = [step for part in split_ground(ground) for step in trace_steps(part, worth[part.lot])]
    steps.sort(key=rank)
    cents, gained, count = 0, 0, 0
    rows: list[tuple[int, int, int, float, list[int]]] = []
    for price, together in groupby(steps, key=lambda step: step.price):
        added = list(together)
        lots = sorted(lot for step in added for lot in step.lots)
        if price > 0 and not rows:
            rows.append((0, 0, 0, 0.0, []))
        cents += sum(step.cents for step in added)
        gained += sum(step.worth for step in added)
        count += len(lots)
        rows.append((cents, gained, count, float(price * WORTH_UNITS), lots))
    rows = rows or [(0, 0, 0, 0.0, [])]
    possible = int(worth[ground.closable].sum())
    return pd.DataFrame(
        {
            "point": range(len(rows)),
            "cost_cents": np.array([row[0] for row in rows], dtype=np.int64),
            "worth": [row[1] / WORTH_UNITS for row in rows],
            "worth_pct": [100 * row[1] / possible if possible else 100.0 for row in rows],
            "lots": [row[2] for row in rows],
            "price_cents": [row[3] for row in rows],
            "lots_added": [json.dumps([ground.lots[lot] for lot in row[4]], ensure_ascii=False) for row in rows],
        }
    )


def choose_lots(
    pieces: gpd.GeoDataFrame,
    scored_lots: gpd.GeoDataFrame,
    frontier: pd.DataFrame,
    *,
    budget_usd: float | None = None,
    worth_column: str = "exposure",
    most_undecided_count: int = 60,
    most_nodes_count: int = 20,
) -> gpd.GeoDataFrame:
    """Choose the lots that a budget protects best.

    The most worth within the budget, by an integer programme (HiGHS, branch and bound) over the lots that join near the
    budget on the frontier; those that join long before are kept, those long after are left out. The gap is measured
    against a bound that holds for all lots, so it is honest about both.

    Parameters
    ----------
    pieces : GeoDataFrame
        From `arrange_site`.
    scored_lots : GeoDataFrame, n rows
        parcel_id and the column of worth.
    frontier : DataFrame
        From `trace_frontier`, of the same pieces and worth.
    budget_usd : float, optional
        Dollars; without it every lot that can be closed is chosen.
    worth_column : str
        As for `trace_frontier`.
    most_undecided_count : int
        Lots left to the integer programme (assumption of this project); all of a site with no more lots than this.
    most_nodes_count : int
        Most nodes of its search (assumption of this project): a count, not a time, so that every run gives the same.

    Returns
    -------
    GeoDataFrame, n rows on the same index
        parcel_id, worth, `closable` (missing for a lot without protected ground), `protect_this`, `joins_at_cents`
        (cost of the frontier's point at which the lot joins; missing where it never does), `chosen_why`, geometry.
        `attrs["run_record"]` holds budget, cost, worth, bound and gap.

    Raises
    ------
    DesignError
        If the budget is negative.
    LayerError
        If the tables don't fit each other.

    Examples
    --------
    >>> from geotools.steps import find_step
    >>> find_step("choose_lots").option_names[0]
    'budget_usd'
    """
    if budget_usd is not None and not 0 <= budget_usd < np.inf:
        raise DesignError(f"the budget is {budget_usd} dollars", where="budget_usd", mend="give 0 or more")
    ground = read_ground(pieces)
    worth = _worth(ground, scored_lots, worth_column)
    number = {name: at for at, name in enumerate(ground.lots)}
    added = [[number.get(name, -1) for name in json.loads(text)] for text in frontier["lots_added"]]
    if any(at < 0 for lots in added for at in lots):
        raise LayerError(
            "it names lots that the pieces don't have", where="frontier", mend="trace it from the same pieces"
        )
    joins = np.full(len(ground.lots), -1, dtype=np.int64)
    for lots, cents in zip(added, frontier["cost_cents"].tolist(), strict=True):
        joins[lots] = cents
    if budget_usd is None:
        chosen = ground.closable.copy()
        cut = cut_lots(ground, chosen)
        record = {
            "budget_cents": None,
            "cost_cents": cut.flow,
            "worth": int(worth[chosen].sum()) / WORTH_UNITS,
            "gap_pct": 0.0,
        }
    else:
        best = choose_within(
            ground,
            worth,
            added,
            frontier["cost_cents"].tolist(),
            round(budget_usd * 100),
            most_undecided_count,
            most_nodes_count,
        )
        chosen = best.lots
        gap = 100 * (best.bound - best.worth) / best.bound if best.bound else 0.0
        record = {
            "budget_cents": round(budget_usd * 100),
            "cost_cents": best.cents,
            "worth": best.worth / WORTH_UNITS,
            "worth_bound": best.bound / WORTH_UNITS,
            "gap_pct": round(gap, 6),
        }
        if gap > 0:
            warnings.warn(
                f"the lots chosen for the budget are within {gap:.2g}% of the best that could be", Noticed, stacklevel=2
            )
    return _lots_table(scored_lots, ground, worth_column, chosen, joins, record)


def _worth(ground: Ground, scored_lots: pd.DataFrame, column: str) -> Costs:
    """Worth per lot of the ground, in whole units."""
    for name in ("parcel_id", column):
        if name not in scored_lots.columns:
            raise LayerError(
                f"there is no column {name!r}",
                where="scored_lots",
                mend="run score_exposure, or name the column of worth",
            )
    values = pd.to_numeric(scored_lots[column]).to_numpy(dtype=np.float64, na_value=np.nan)
    bad = np.flatnonzero(np.nan_to_num(values) < 0) if not np.isinf(values).any() else np.flatnonzero(np.isinf(values))
    if len(bad):
        raise LayerError(
            f"{column} is {values[bad[0]]}",
            where=f"scored_lots, row {bad[0] + 1}",
            mend="give a finite worth of 0 or more",
        )
    by_id = dict(zip(scored_lots["parcel_id"].astype(str), np.nan_to_num(values), strict=True))
    missing = [name for name in ground.lots if name not in by_id]
    if missing:
        raise LayerError(
            f"lot {missing[0]!r} of the pieces has no row", where="scored_lots", mend="make both from the same parcels"
        )
    units = np.rint(np.array([by_id[name] for name in ground.lots], dtype=np.float64) * WORTH_UNITS)
    if units.sum() > np.iinfo(np.int64).max / 4:
        raise LayerError(
            "the worth adds up to more than can be counted exactly", where="scored_lots", mend="give smaller numbers"
        )
    return units.astype(np.int64)


def _lots_table(
    scored_lots: gpd.GeoDataFrame,
    ground: Ground,
    column: str,
    chosen: NDArray[np.bool_],
    joins: Costs,
    record: dict[str, float | int | None],
) -> gpd.GeoDataFrame:
    ids = scored_lots["parcel_id"].astype(str)
    known = pd.DataFrame(
        {"closable": ground.closable, "wild": ground.wild, "chosen": chosen, "joins": joins}, index=ground.lots
    ).reindex(ids)
    present = known["closable"].notna().to_numpy()
    protect = known["chosen"].astype("boolean").fillna(False).to_numpy(dtype=bool)
    cents = known["joins"].fillna(-1).to_numpy(dtype=np.int64)
    able = known["closable"].astype("boolean").fillna(False).to_numpy(dtype=bool)
    wild = known["wild"].astype("boolean").fillna(False).to_numpy(dtype=bool)
    why = np.select(
        [~present, wild, ~able, protect & (cents == 0), protect],
        [
            "there is no protected ground on the lot",
            "habitat lies in the protected ground",
            "ground where nothing can be built leads to it",
            "closed as things stand",
            "chosen",
        ],
        default="not chosen: other lots give more protection for the money",
    )
    table = gpd.GeoDataFrame(
        {
            "parcel_id": scored_lots["parcel_id"],
            "worth": scored_lots[column],
            "closable": known["closable"].astype("boolean").array,
            "protect_this": protect,
            "joins_at_cents": pd.array(np.where(cents < 0, 0, cents), dtype="Int64"),
            "chosen_why": pd.Series(why, index=scored_lots.index, dtype=str),
        },
        geometry=scored_lots.geometry,
    )
    table.loc[cents < 0, "joins_at_cents"] = pd.NA
    table.attrs = {"run_record": {"budget": record}}
    return table
