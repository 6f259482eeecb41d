"""Hold the score against encounter records, beside the plain distance to habitat, and say if it does no better."""

from __future__ import annotations

import warnings
from typing import TYPE_CHECKING, Any, NamedTuple

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from geotools.errors import DesignError, LayerError, Noticed
from geotools.exposure._skill import area_under_curve, boyce_index, hit_rate_curve, spatial_blocks, top_lift
from geotools.exposure.factors import usable_records
from geotools.signature import AllLots

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["fit_weights", "validate_exposure"]

_CURVE_PCT = (5, 10, 20, 30, 40, 50, 75, 100)
_LEAST_LOTS = 10
"""Fewer lots with records than this tell nothing (assumption of this project)."""
_RESAMPLES = 400
_INTERVAL_PCT = (5.0, 95.0)
_PENALTY = 1e-3
_DAYS_A_YEAR = 365.25
_FIFTHS = 5


def validate_exposure(
    scored_lots: AllLots,
    encounters: gpd.GeoDataFrame,
    *,
    join_within_m: float = 20.0,
    block_m: float = 200.0,
    folds_count: int = 5,
    seed: int = 7,
    as_of: str | None = None,
    watched_from: str | None = None,
    watched_until: str | None = None,
    reported_pct: float | None = None,
    species: list[str] | None = None,
) -> pd.DataFrame:
    """Test whether the score finds the lots where rattlesnakes were met, and whether better than plain distance.

    Records say where animals were met, not where none was: lots without a record are background, not absences, and
    where people look and report shapes the records. The part of the score that comes from the records themselves is
    left out. Compared are the score, the distance to desert (the baseline) and weights fitted to the records of the
    other blocks (blocked cross-validation: square blocks are dealt out to folds, and each fold is tested alone). The
    score counts as better when the difference in AUC is above 0 in 95 % of resamples of the blocks.

    Parameters
    ----------
    scored_lots : GeoDataFrame, n rows
        As `score_exposure` gives it.
    encounters : GeoDataFrame
        Points, with `observed_on` where known.
    join_within_m : float
        A record belongs to the nearest lot within this distance, metres (assumption of this project).
    block_m : float
        Side of a block, metres (assumption of this project: above the usual decay length).
    folds_count, seed : int
    as_of : str, optional
        Records after this date (year-month-day) can't be; today without it.
    watched_from, watched_until : str, optional
        Dates between which encounters were recorded.
    reported_pct : float, optional
        How many of all encounters were reported in that time, percent. Only with dates of all records, both dates and
        this share is a yearly rate given.
    species : list of str, optional
        Species whose encounters count, by a part of the name such as `rattlesnake`; all of them without it.

    Returns
    -------
    DataFrame
        measure, part, model, baseline, fitted (NaN where it doesn't apply) and said, a sentence where there is one.
        Measures: records, lots with records, auc, auc held out (per fold and mean), auc difference (with its interval),
        boyce index, lift in the top tenth, hit rate (per share of lots), encounters a lot and year, verdict.

    Raises
    ------
    LayerError
        If no distance to habitat was measured.
    DesignError
        If a number or a date is out of range.

    Examples
    --------
    >>> lots = gpd.GeoDataFrame(
    ...     {"exposure": [9.0, 1.0], "points_desert": [9.0, 1.0], "desert_distance_m": [0.0, 50.0]},
    ...     geometry=[shapely.box(0, 0, 9, 9), shapely.box(9, 0, 18, 9)],
    ...     crs=32612,
    ... )
    >>> met = gpd.GeoDataFrame(geometry=gpd.points_from_xy([5], [5]), crs=32612)
    >>> with warnings.catch_warnings(action="ignore"):
    ...     validate_exposure(lots, met).set_index("measure").loc["auc", ["model", "baseline"]].tolist()
    [1.0, 1.0]
    """
    if not (join_within_m >= 0 and block_m > 0 and folds_count > 1):
        raise DesignError("a number is out of range", where="validate_exposure", mend="give lengths above 0, 2 folds")
    usable = scored_lots["exposure"].notna().to_numpy()
    table = scored_lots[usable]
    lots = table.geometry.to_numpy()
    records = usable_records(encounters, lots, within_m=join_within_m, as_of=as_of, species=species)
    number = _per_lot(records.xy, lots)
    parts = [column for column in table.columns if column.startswith("points_") and column != "points_encounters"]
    points = table[parts].fillna(0.0).to_numpy(dtype=np.float64)
    test = _Test(points.sum(axis=1), _baseline(table), number)
    rows: list[dict[str, Any]] = [
        _row("records", model=number.sum()),
        _row("lots with records", model=(number > 0).sum()),
    ]
    if (number > 0).any() and (number == 0).any():
        folds = spatial_blocks(lots, block_m=block_m, folds=folds_count, seed=seed)
        fitted = _held_out_fit(points, number, folds)
        rows += _skills(test, folds, fitted)
        blocks = spatial_blocks(lots, block_m=block_m, folds=len(lots), seed=seed)
        low, middle, high = _difference(test, blocks, seed)
        rows.append(_row("auc difference", part="middle", model=middle))
        rows += [_row("auc difference", part=p, model=v) for p, v in (("low", low), ("high", high))]
        verdict = _verdict(test, low, high)
    else:
        verdict = "The records do not tell lots apart: the score is not tested."
    rows += _rates(test.score, number, records.dates, watched_from, watched_until, reported_pct)
    rows.append(_row("verdict", said=verdict))
    warnings.warn(verdict, Noticed, stacklevel=2)
    return pd.DataFrame(rows)


def fit_weights(points: NDArray[np.float64], presence: NDArray[np.bool_]) -> NDArray[np.float64]:
    """Weights of 0 or more that best tell the lots with records from the background, by logistic regression.

    Both groups weigh the same; a small penalty keeps the weights finite.

    Parameters
    ----------
    points : numpy.ndarray, n x k
    presence : numpy.ndarray of bool, n

    Returns
    -------
    numpy.ndarray, float64, k

    Examples
    --------
    >>> fit_weights(np.array([[1.0, 0.0], [0.9, 1.0], [0.1, 0.0], [0.0, 1.0]]), np.array([1, 1, 0, 0], bool)).argmax()
    np.int64(0)
    """
    from scipy.optimize import minimize
    from scipy.special import expit

    scale = np.maximum(points.std(axis=0), 1e-9)
    given = points / scale
    each = np.where(presence, 0.5 / presence.sum(), 0.5 / (~presence).sum())
    sign = np.where(presence, 1.0, -1.0)

    def loss(b: NDArray[np.float64]) -> tuple[float, NDArray[np.float64]]:
        margin = sign * (b[0] + given @ b[1:])
        slope = -each * sign * expit(-margin)
        value = float((each * np.logaddexp(0.0, -margin)).sum() + _PENALTY * (b[1:] ** 2).sum())
        return value, np.concatenate([[slope.sum()], given.T @ slope + 2 * _PENALTY * b[1:]])

    limits = [(None, None)] + [(0.0, None)] * points.shape[1]
    found = minimize(loss, np.zeros(points.shape[1] + 1), jac=True, method="L-BFGS-B", bounds=limits)
    return np.asarray(found.x[1:] / scale)


class _Test(NamedTuple):
    """The score, the baseline and the number of records of each lot."""

    score: NDArray[np.float64]
    baseline: NDArray[np.float64]
    number: NDArray[np.float64]

    def auc(self, which: str, kept: NDArray[Any] | slice = slice(None)) -> float:
        number = self.number[kept]
        return area_under_curve(getattr(self, which)[kept], number > 0, weights=number)


def _row(
    measure: str,
    *,
    part: str = "",
    model: float = np.nan,
    baseline: float = np.nan,
    fitted: float = np.nan,
    said: str = "",
) -> dict[str, Any]:
    values = {"model": float(model), "baseline": float(baseline), "fitted": float(fitted)}
    return {"measure": measure, "part": part, **values, "said": said}


def _baseline(table: gpd.GeoDataFrame) -> NDArray[np.float64]:
    for name in ("desert_distance_m", "habitat_distance_m", "wash_distance_m"):
        if name in table.columns and table[name].notna().any():
            return np.asarray(-table[name].fillna(np.inf).to_numpy(dtype=np.float64).clip(max=1e9))
    raise LayerError(
        "no distance to habitat was measured", where="scored_lots", mend="score with open_desert or washes"
    )


def _per_lot(records_xy: NDArray[np.float64], lots: NDArray[Any]) -> NDArray[np.float64]:
    """Number of records of each lot; a record belongs to the lot it is on, else to the nearest."""
    if not len(records_xy):
        return np.zeros(len(lots))
    points = shapely.points(records_xy)
    _, lot_at = shapely.STRtree(lots).query_nearest(points, all_matches=False)
    return np.bincount(lot_at, minlength=len(lots)).astype(np.float64)


def _held_out_fit(
    points: NDArray[np.float64], number: NDArray[np.float64], folds: NDArray[np.intp]
) -> NDArray[np.float64]:
    """Score of each lot by weights fitted to the other folds; NaN where those can't be fitted."""
    fitted = np.full(len(points), np.nan)
    presence = number > 0
    for fold in np.unique(folds):
        others = folds != fold
        if presence[others].any() and not presence[others].all():
            fitted[~others] = points[~others] @ fit_weights(points[others], presence[others])
    return fitted


def _skills(test: _Test, folds: NDArray[np.intp], fitted: NDArray[np.float64]) -> list[dict[str, Any]]:
    rows = [_row("auc", model=test.auc("score"), baseline=test.auc("baseline"))]
    each = []
    for fold in np.unique(folds).tolist():
        kept = folds == fold
        own = area_under_curve(fitted[kept], test.number[kept] > 0, weights=test.number[kept])
        each.append((test.auc("score", kept), test.auc("baseline", kept), own))
        if not np.isnan(each[-1][0]):
            ours, plain, own = each[-1]
            rows.append(_row("auc held out", part=f"fold {fold + 1}", model=ours, baseline=plain, fitted=own))
    known = np.array([values for values in each if not np.isnan(values).any()]).reshape(-1, 3)
    if len(known):
        ours, plain, own = known.mean(axis=0).tolist()
        rows.append(_row("auc held out", part="mean", model=ours, baseline=plain, fitted=own))
    score, baseline, number = test
    for measure, skill in (("boyce index", boyce_index), ("lift in the top tenth", top_lift)):
        rows.append(_row(measure, model=skill(score, number), baseline=skill(baseline, number)))
    shares = np.array(_CURVE_PCT) / 100
    curves = zip(
        _CURVE_PCT, hit_rate_curve(score, number, shares), hit_rate_curve(baseline, number, shares), strict=True
    )
    rows += [_row("hit rate", part=f"top {pct}% of lots", model=ours, baseline=plain) for pct, ours, plain in curves]
    return rows


def _difference(test: _Test, blocks: NDArray[np.intp], seed: int) -> tuple[float, float, float]:
    """Interval of the difference in AUC over resamples of whole blocks."""
    rng = np.random.default_rng(seed)
    members = [np.flatnonzero(blocks == block) for block in np.unique(blocks)]
    found = []
    for _ in range(_RESAMPLES):
        kept = np.concatenate([members[at] for at in rng.integers(0, len(members), len(members))])
        found.append(test.auc("score", kept) - test.auc("baseline", kept))
    known = np.array(found)[~np.isnan(found)]
    if not len(known):
        return np.nan, np.nan, np.nan
    low, high = np.percentile(known, _INTERVAL_PCT)
    return float(low), float(np.median(known)), float(high)


def _verdict(test: _Test, low: float, high: float) -> str:
    lots = int((test.number > 0).sum())
    told = (
        f"Held against {test.number.sum():,.0f} records on {lots:,} lots, the score has an AUC of "
        f"{test.auc('score'):.2f}, plain distance to desert {test.auc('baseline'):.2f}"
    )
    if lots < _LEAST_LOTS:
        return f"{told}: too few lots with records to tell which is better."
    if low > 0:
        return f"{told}: the score does better."
    if high < 0:
        return f"{told}: the score does worse than plain distance."
    return f"{told}: the score does no better than plain distance."


def _rates(
    score: NDArray[np.float64],
    number: NDArray[np.float64],
    dates: pd.Series,
    watched_from: str | None,
    watched_until: str | None,
    reported_pct: float | None,
) -> list[dict[str, Any]]:
    """Encounters a lot and year by fifths of the score, where dates and effort are known; else say why not."""
    measure = "encounters a lot and year"
    if watched_from is None or watched_until is None or reported_pct is None:
        return [_row(measure, said="No yearly rate: it is not known when and how well encounters were reported.")]
    try:
        first, last = pd.Timestamp(watched_from), pd.Timestamp(watched_until)
    except ValueError:
        raise DesignError("a date can't be read", where="watched_from", mend="write year-month-day") from None
    if not (first < last and 0 < reported_pct <= 100):
        raise DesignError("the time watched or the share reported is out of range", mend="give from < until, 0-100 %")
    if dates.isna().any() or not dates.between(first, last).all():
        return [_row(measure, said="No yearly rate: records without a date, or from outside the time watched.")]
    years = (last - first) / pd.Timedelta(days=_DAYS_A_YEAR)
    fifth = np.minimum((np.argsort(np.argsort(-score, kind="stable")) * _FIFTHS) // max(len(score), 1), _FIFTHS - 1)
    lots = np.bincount(fifth, minlength=_FIFTHS)
    met = np.bincount(fifth, number, minlength=_FIFTHS)
    return [
        _row(measure, part=f"fifth {at + 1} of 5", model=met[at] / lots[at] / years / (reported_pct / 100))
        for at in range(_FIFTHS)
        if lots[at]
    ]
