"""Say how sure a lot's rank is: draw weights, decay length and missing factors many times, and rank again each time."""

from __future__ import annotations

import math
import warnings
from typing import TYPE_CHECKING

import geopandas as gpd
import numpy as np
import pandas as pd

from geotools.errors import DesignError, LayerError, Noticed
from geotools.exposure.factors import NEARNESS
from geotools.exposure.ranking import rank_by
from geotools.exposure.score import decay_of, factor_values, weights_for
from geotools.signature import AllLots

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

__all__ = ["compare_decays", "draw_ranks", "group_ranks", "rank_uncertainty"]

TAILS_M = (95.0, 270.0, 564.0, 1000.0)
"""Decay lengths to try: equal-area radii of published home ranges, of 100 ha (expert opinion), and a longer tail."""


def rank_uncertainty(
    scored_lots: AllLots,
    factors: gpd.GeoDataFrame,
    weights: pd.DataFrame | None = None,
    *,
    samples: int = 1000,
    seed: int = 20,
    weight_concentration: float = 40.0,
    decay_low_m: float = 95.0,
    decay_high_m: float = 270.0,
    top_count: int = 25,
    sure_pct: float = 90.0,
    factor_weights: dict[str, float] | None = None,
) -> gpd.GeoDataFrame:
    """Add to each lot how sure its rank is.

    In each draw the weights come from a Dirichlet distribution around the given ones (concentration 40: a weight of
    0.20 varies by about 0.06; assumption of this project), the decay length is log-uniform between the equal-area radii
    of published home ranges, and a factor that could not be measured on a lot takes the value of another lot. Costs of
    ways are off by a normal error of the size in the factors' `cost_error_m`, which the grid leaves in them. The
    amount of habitat keeps its kernel. Memory: 4 bytes a lot and draw.

    Parameters
    ----------
    scored_lots : GeoDataFrame, n rows
        As `score_exposure` gives it.
    factors : GeoDataFrame, n rows
        The factors it was scored by.
    weights : DataFrame, optional
        factor, weight; those of this project without it.
    samples : int
        How many draws.
    seed : int
        The same seed gives the same draws.
    weight_concentration : float
        The higher, the nearer the drawn weights lie to the given ones.
    decay_low_m, decay_high_m : float
        Range of the decay length, metres.
    top_count : int
        N of "among the N most exposed".
    sure_pct : float
        How much of the draws the interval holds, percent.
    factor_weights : dict of str to float, optional
        Weights in place of the table's.

    Returns
    -------
    GeoDataFrame, n rows on the same index
        With exposure_rank over all of them, rank_low and rank_high (the interval of the rank), top_probability (0-1),
        rank_group (lots of one group can't be told apart from its first), rank_note (the same in words).

    Raises
    ------
    DesignError
        If a number is out of range.
    LayerError
        If the tables are not of the same lots.

    Examples
    --------
    >>> lots = gpd.GeoDataFrame({"exposure": [90.0, 10.0]})
    >>> table = pd.DataFrame({"factor_desert": [0.9, 0.1], "factor_wash": [0.8, 0.1]})
    >>> with warnings.catch_warnings(action="ignore"):
    ...     rank_uncertainty(lots, table, samples=100, top_count=1)["rank_note"].tolist()
    ['place 1 in 90% of draws', 'place 2 in 90% of draws']
    """
    if samples < 1 or top_count < 1 or not (weight_concentration > 0 and 0 < sure_pct < 100):
        raise DesignError("a number is out of range", where="rank_uncertainty", mend="give numbers above 0")
    if not 0 < decay_low_m <= decay_high_m:
        raise DesignError("the decay lengths are no range", where="rank_uncertainty", mend="give 0 < low <= high")
    if not scored_lots.index.equals(factors.index):
        raise LayerError("it is not of the same parcels", where="factors", mend="make it from the same parcels")
    values = factor_values(factors)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", Noticed)  # the score has said it
        weighed = weights_for(list(values.columns), weights, factor_weights)
    decay_m = decay_of(factors)
    usable = scored_lots["exposure"].notna().to_numpy()
    names = list(values.columns)
    known = values.to_numpy()[usable]
    if not len(known):
        return _added(scored_lots, usable, np.zeros((0, 5)), [])
    ranks = draw_ranks(
        known,
        weighed,
        near=[names.index(name) for name in NEARNESS if name in names],
        powers=(decay_m / decay_high_m, decay_m / decay_low_m),
        concentration=weight_concentration,
        error=[_grid_error(factors, name) / decay_m for name in names],
        samples=samples,
        seed=seed,
    )
    tail = (100 - sure_pct) / 2
    low, high = np.percentile(ranks, [tail, 100 - tail], axis=0, method="closest_observation")
    groups = group_ranks(ranks, scored_lots["exposure"].to_numpy()[usable], sure_share=1 - tail / 100)
    sizes = np.bincount(groups)
    notes = [
        _note(int(a), int(b), int(sizes[group]), sure_pct)
        for a, b, group in zip(low, high, groups.tolist(), strict=True)
    ]
    top = (ranks <= top_count).mean(axis=0)
    _say_decays(known, weighed, names, decay_m, decay_of(scored_lots))
    return _added(scored_lots, usable, np.column_stack([low, high, top, groups]), notes)


def draw_ranks(
    values: NDArray[np.float64],
    weights: NDArray[np.float64],
    *,
    near: Sequence[int],
    powers: tuple[float, float],
    concentration: float,
    samples: int,
    seed: int,
    error: Sequence[float] = (),
) -> NDArray[np.int32]:
    """Rank the lots once per draw of weights, decay length and missing factors.

    Parameters
    ----------
    values : numpy.ndarray, n lots x k factors
        0 to 1; NaN where not measured.
    weights : numpy.ndarray, k
    near : sequence of int
        The factors that fall with distance: another decay length raises them to a power.
    powers : tuple of 2 float
        Range of that power, log-uniform.
    concentration : float
    samples, seed : int
    error : sequence of float, k, optional
        Standard error of the way behind each factor, in decay lengths; 0 where there is none.

    Returns
    -------
    numpy.ndarray of int32, samples x n
        1 = most exposed; equal scores share a rank.
    """
    from scipy.stats import rankdata

    rng = np.random.default_rng(seed)
    used = np.flatnonzero((weights > 0) & ~np.isnan(values).all(axis=0))
    if not len(used):
        return np.ones((samples, len(values)), dtype=np.int32)
    drawn = rng.dirichlet(weights[used] / weights[used].sum() * concentration, samples)
    power = np.exp(rng.uniform(math.log(powers[0]), math.log(powers[1]), samples)) if len(near) else np.ones(samples)
    at_near = [number for number, factor in enumerate(used) if factor in set(near)]
    base = values[:, used]
    # What touches habitat or has no way from it is known without a grid.
    unsure = [
        (number, np.flatnonzero((base[:, number] > 0) & (base[:, number] < 1)), error[factor])
        for number, factor in enumerate(used.tolist())
        if len(error) and error[factor] > 0
    ]
    gaps = [(number, np.flatnonzero(np.isnan(column))) for number, column in enumerate(base.T)]
    gaps = [(number, rows) for number, rows in gaps if len(rows)]
    pools = {number: base[~np.isnan(base[:, number]), number] for number, _ in gaps}
    ranks = np.empty((samples, len(values)), dtype=np.int32)
    for draw in range(samples):
        now = base.copy()
        for number, rows in gaps:
            now[rows, number] = rng.choice(pools[number], len(rows))
        for number, rows, size in unsure:
            now[rows, number] = np.minimum(now[rows, number] * np.exp(size * rng.standard_normal(len(rows))), 1.0)
        now[:, at_near] **= power[draw]
        ranks[draw] = rankdata(-np.round(now @ drawn[draw], 9), method="min")
    return ranks


def group_ranks(ranks: NDArray[np.int32], exposure: NDArray[np.float64], *, sure_share: float) -> NDArray[np.intp]:
    """Group lots, from the most exposed on, that can't be told apart from the first of their group.

    Parameters
    ----------
    ranks : numpy.ndarray, samples x n
    exposure : numpy.ndarray, n
    sure_share : float
        A lot is told apart when the first of the group outranks it in at least this share of the draws.

    Returns
    -------
    numpy.ndarray of int, n
        1, 2, ...

    Examples
    --------
    >>> draws = np.array([[1, 2, 3], [2, 1, 3]], dtype=np.int32)
    >>> group_ranks(draws, np.array([9.0, 8.0, 1.0]), sure_share=0.95).tolist()
    [1, 1, 2]
    """
    order = np.argsort(-exposure, kind="stable")
    columns = np.ascontiguousarray(ranks.T)
    groups = np.zeros(len(exposure), dtype=np.intp)
    first, group = order[0], 1
    for lot in order:
        if lot != first and (columns[first] < columns[lot]).mean() >= sure_share:
            first, group = lot, group + 1
        groups[lot] = group
    return groups


def compare_decays(
    values: NDArray[np.float64],
    weights: NDArray[np.float64],
    *,
    near: Sequence[int],
    decay_m: float,
    decays_m: Sequence[float] = TAILS_M,
) -> dict[float, float]:
    """Rank correlation of the score with the scores at other decay lengths.

    Parameters
    ----------
    values : numpy.ndarray, n lots x k factors
    weights : numpy.ndarray, k
    near : sequence of int
        The factors that fall with distance.
    decay_m : float
        Decay length of `values`, metres.
    decays_m : sequence of float
        Metres.

    Returns
    -------
    dict
        Decay length to Spearman's correlation; NaN where scores are all equal.
    """
    from scipy.stats import rankdata

    def ranked(at_m: float) -> NDArray[np.float64]:
        now = np.nan_to_num(values)
        now[:, list(near)] **= decay_m / at_m
        return np.asarray(rankdata(np.round(now @ weights, 9)))

    own, found = ranked(decay_m), {}
    for at_m in decays_m:
        other = ranked(at_m)
        same = np.ptp(own) == 0 or np.ptp(other) == 0
        found[float(at_m)] = math.nan if same else float(np.corrcoef(own, other)[0, 1])
    return found


def _grid_error(factors: gpd.GeoDataFrame, name: str) -> float:
    known = "cost_error_m" in factors.columns and f"{name}_cost_m" in factors.columns and len(factors)
    return float(factors["cost_error_m"].iloc[0]) if known else 0.0


def _say_decays(
    values: NDArray[np.float64], weights: NDArray[np.float64], names: list[str], own_m: float, decay_m: float
) -> None:
    near = [names.index(name) for name in NEARNESS if name in names]
    values = values.copy()
    values[:, near] **= own_m / decay_m
    found = compare_decays(values, weights, near=near, decay_m=decay_m)
    told = ", ".join(f"{at_m:g} m {value:.2f}" for at_m, value in found.items() if not math.isnan(value))
    if told:
        warnings.warn(
            f"rank correlation of the exposure with that of other decay lengths than {decay_m:g} m: {told}",
            Noticed,
            stacklevel=3,
        )


def _note(low: int, high: int, size: int, sure_pct: float) -> str:
    where = f"place {low}" if low == high else f"place {low:,} to {high:,}"
    apart = f"; one of {size:,} lots that can't be told apart from the first of them" if size > 1 else ""
    return f"{where} in {sure_pct:g}% of draws{apart}"


def _added(
    scored_lots: gpd.GeoDataFrame, usable: NDArray[np.bool_], columns: NDArray[np.float64], notes: list[str]
) -> gpd.GeoDataFrame:
    index = scored_lots.index[usable]
    table = pd.DataFrame(
        columns[:, :4], index=index, columns=["rank_low", "rank_high", "top_probability", "rank_group"]
    ).reindex(scored_lots.index)
    said = pd.Series(notes, index=index, dtype=str).reindex(scored_lots.index).fillna("not ranked")
    whole = dict.fromkeys(("rank_low", "rank_high", "rank_group"), "Int64")
    # Lots that were scored in parts are ranked over all of them here.
    return scored_lots.assign(exposure_rank=rank_by(scored_lots["exposure"]), **table.astype(whole), rank_note=said)
