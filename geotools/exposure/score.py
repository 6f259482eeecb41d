"""Add the weighted factors up to a score from 0 to 100, keep each one's part in it, and say why in a sentence."""

from __future__ import annotations

import warnings
from typing import TYPE_CHECKING, Any

import geopandas as gpd
import numpy as np
import pandas as pd

from geotools.errors import DesignError, LayerError, Noticed
from geotools.exposure.factors import NEARNESS, factor_names, measure_factors
from geotools.exposure.ranking import rank_by
from geotools.exposure.weights import default_weights, given_weights
from geotools.rasters import Raster
from geotools.units import METRES_PER_FOOT, write_run

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

__all__ = ["decay_of", "factor_values", "nearness_at", "points_of", "score_exposure", "weights_for"]

DECAY_M = 150.0
"""Decay length where none is given: published home ranges have equal-area radii of about 95 to 270 m."""
_FULL_SCORE = 100.0
_LEAST_SHOWN_SHARE = 0.005
_M2_PER_ACRE = 4046.856
_MEASURES = (
    "contact_m",
    "contact_share",
    "desert_distance_m",
    "desert_cost_m",
    "wash_distance_m",
    "wash_cost_m",
    "habitat_share",
    "cover_share",
    "attractants_count",
    "cost_error_m",
)


def score_exposure(
    parcels: gpd.GeoDataFrame,
    open_desert: gpd.GeoDataFrame | None = None,
    wash_ground: gpd.GeoDataFrame | None = None,
    vegetation: gpd.GeoDataFrame | Raster | None = None,
    factors: gpd.GeoDataFrame | None = None,
    weights: pd.DataFrame | None = None,
    *,
    units: str = "us",
    decay_m: float | None = None,
    reach_decays: float = 3.0,
    contact_within_m: float = 5.0,
    cover_around_m: float = 15.0,
    green_index: float | str = 0.2,
    factor_weights: dict[str, float] | None = None,
) -> gpd.GeoDataFrame:
    """Score each lot's exposure from 0 to 100 and rank the lots.

    Score = 100 sum(w f) / sum(w) over the factors that could be measured on the lot, each from 0 to 1. Factors come
    from `measure_factors` and plug-in steps; without that table the plain ones are measured from the layers here.

    Parameters
    ----------
    parcels : GeoDataFrame, n rows
        Polygons in a projected CRS in metres; a missing geometry gives missing scores.
    open_desert, wash_ground, vegetation
        As `measure_factors` takes them; used where there is no table of factors.
    factors : GeoDataFrame, n rows, optional
        With `factor_<name>` columns from 0 to 1 and the measures.
    weights : DataFrame, optional
        factor, weight, as `weigh_factors` gives it. A factor without a weight counts nothing, which is said.
    decay_m : float, optional
        Distance at which nearness falls to 1/e, metres; that of the factors without it, 150 m without a table. Another
        one than theirs changes nearness alone, not the kernel of the habitat around.
    reach_decays : float
        A lot farther from all habitat than this many decay lengths needs no barrier (assumption of this project).
    contact_within_m, cover_around_m, green_index
        As `measure_factors` takes them.
    factor_weights : dict of str to float, optional
        Weights given here, in place of those of the table; without both, the comparisons of this project.
    units : str
        Units of the texts: `us` or `metric`.

    Returns
    -------
    GeoDataFrame, n rows on the parcels' index
        parcel_id, exposure, exposure_rank (1 = most exposed; equal scores share a rank), in_reach, habitat_distance_m,
        the measures, each factor's part of the score (`points_<name>`, which add up to the exposure; missing where it
        could not be measured), decay_m, exposure_reason, geometry.

    Raises
    ------
    LayerError
        If no habitat layer is given, a table is not of the same parcels or a factor is not from 0 to 1.
    DesignError
        If a weight is negative or all usable weights are 0, or a length is not above 0.

    Examples
    --------
    >>> lots = gpd.GeoDataFrame({"parcel_id": ["1"]}, geometry=gpd.GeoSeries.from_wkt(["POINT (0 0)"]).buffer(9))
    >>> desert = gpd.GeoDataFrame(geometry=lots.buffer(600), crs=32612)
    >>> score_exposure(lots.set_crs(32612), desert)["exposure"].round(1).tolist()
    [100.0]
    """
    if not ((decay_m is None or decay_m > 0) and reach_decays > 0):
        raise DesignError(
            "a length of the exposure score is not above 0", where="score_exposure", mend="give positive lengths"
        )
    if factors is None:
        factors = measure_factors(
            parcels,
            open_desert,
            wash_ground,
            vegetation,
            decay_m=DECAY_M if decay_m is None else decay_m,
            reach_decays=reach_decays,
            contact_within_m=contact_within_m,
            cover_around_m=cover_around_m,
            green_index=green_index,
        )
    if not factors.index.equals(parcels.index):
        raise LayerError("it is not of the same parcels", where="factors", mend="make it from the same parcels")
    own_m = decay_of(factors)
    decay_m = own_m if decay_m is None else decay_m
    values = nearness_at(factor_values(factors), own_m, decay_m)
    weighed = weights_for(list(values.columns), weights, factor_weights)
    usable = (~(parcels.geometry.isna() | parcels.geometry.is_empty)).to_numpy()
    points = pd.DataFrame(np.nan, index=parcels.index, columns=[f"points_{name}" for name in values.columns])
    points.loc[usable] = points_of(values.to_numpy()[usable], weighed, names=list(values.columns))
    exposure = points.sum(axis=1, skipna=True).round(6).where(usable)
    distances = [factors[name] for name in ("desert_distance_m", "wash_distance_m") if name in factors.columns]
    habitat_m = pd.concat(distances, axis=1).min(axis=1) if distances else pd.Series(np.nan, index=parcels.index)
    # What is not there or not to be reached is infinitely far; a table of results holds no infinite number.
    shown = {name: factors[name].replace(np.inf, np.nan) for name in _MEASURES if name in factors.columns}
    reasons = _reasons(factors, points, usable, units)
    return gpd.GeoDataFrame(
        {
            "parcel_id": parcels["parcel_id"],
            "exposure": exposure,
            "exposure_rank": rank_by(exposure),
            "habitat_distance_m": habitat_m.replace(np.inf, np.nan),
            **shown,
            **points,
            "decay_m": decay_m,
            "in_reach": (habitat_m <= reach_decays * decay_m).astype(bool),
            "exposure_reason": pd.Series(reasons, index=parcels.index, dtype=str),
        },
        geometry=parcels.geometry,
    )


def factor_values(factors: pd.DataFrame) -> pd.DataFrame:
    """Take the factors out of their table, and refuse what is no factor.

    Parameters
    ----------
    factors : DataFrame, n rows

    Returns
    -------
    DataFrame, n rows
        One column per factor, named without `factor_`.

    Raises
    ------
    LayerError
        If there is none, or one is not from 0 to 1.

    Examples
    --------
    >>> factor_values(pd.DataFrame({"factor_wash": [0.5, None]}))["wash"].tolist()
    [0.5, nan]
    """
    names = factor_names(factors)
    if not names:
        raise LayerError("it has no factor_<name> column", where="factors", mend="make it with measure_factors")
    values = pd.DataFrame({name: pd.to_numeric(factors[f"factor_{name}"]).astype(np.float64) for name in names})
    for name in names:
        wrong = values.index[(values[name] < 0) | (values[name] > 1)]
        if len(wrong):
            raise LayerError(
                f"the factor is {values.loc[wrong[0], name]:g}",
                where=f"factors, row {wrong[0]}, factor_{name}",
                mend="bring factors to 0-1",
            )
    return values


def decay_of(table: pd.DataFrame) -> float:
    """Read the decay length that a table was made with; 150 m where it doesn't say.

    Examples
    --------
    >>> decay_of(pd.DataFrame({"decay_m": [95.0, 95.0]})), decay_of(pd.DataFrame())
    (95.0, 150.0)
    """
    return float(table["decay_m"].iloc[0]) if "decay_m" in table.columns and len(table) else DECAY_M


def nearness_at(values: pd.DataFrame, own_m: float, decay_m: float) -> pd.DataFrame:
    """Bring the factors that fall with distance to another decay length: exp(-d / b) is exp(-d / a) to the power a / b.

    Examples
    --------
    >>> nearness_at(pd.DataFrame({"wash": [0.25]}), 100.0, 200.0)["wash"].tolist()
    [0.5]
    """
    near = [name for name in NEARNESS if name in values.columns]
    return values if own_m == decay_m else values.assign(**{name: values[name] ** (own_m / decay_m) for name in near})


def weights_for(
    names: list[str], weights: pd.DataFrame | None = None, factor_weights: Mapping[str, float] | None = None
) -> NDArray[np.float64]:
    """Look up the weight of each factor: given here, else of the table, else of this project.

    Parameters
    ----------
    names : list of str
    weights : DataFrame, optional
        factor, weight.
    factor_weights : mapping, optional

    Returns
    -------
    numpy.ndarray, float64, one per name

    Raises
    ------
    DesignError
        If a weight is negative, or a weight is given for a factor that isn't there.

    Examples
    --------
    >>> weights_for(["desert", "wash"], factor_weights={"desert": 0.6, "wash": 0.4}).tolist()
    [0.6, 0.4]
    """
    if factor_weights is not None:
        weights = given_weights(dict(factor_weights))
        unknown = [name for name in factor_weights if name not in names and factor_weights[name]]
    else:
        unknown = []
    table = default_weights() if weights is None else dict(zip(weights["factor"], weights["weight"], strict=True))
    if any(not 0 <= weight < np.inf for weight in table.values()):
        raise DesignError("the weight is negative", where="weights", mend="give weights of 0 or more")
    if unknown:
        raise DesignError(
            f"there is no factor {unknown[0]!r}",
            where="factor_weights",
            mend=f"give its layer, or weigh: {', '.join(names)}",
        )
    left = [name for name in names if name not in table]
    if left:
        warnings.warn(f"these factors have no weight and count nothing: {', '.join(left)}", Noticed, stacklevel=3)
    return np.array([table.get(name, 0.0) for name in names])


def points_of(values: NDArray[np.float64], weights: NDArray[np.float64], *, names: list[str]) -> NDArray[np.float64]:
    """Part of each factor in the score; a lot for which a factor can't be measured is scored on the others.

    Parameters
    ----------
    values : numpy.ndarray, n lots x k factors
        0 to 1, NaN where not measured.
    weights : numpy.ndarray, k
    names : list of str, k

    Returns
    -------
    numpy.ndarray, n x k

    Raises
    ------
    DesignError
        If the weights of a lot's factors add up to 0.

    Examples
    --------
    >>> points_of(np.array([[1.0, 0.5], [1.0, np.nan]]), np.array([0.5, 0.5]), names=["a", "b"]).tolist()
    [[50.0, 25.0], [100.0, nan]]
    """
    total = (~np.isnan(values)) @ weights
    if np.any(total <= 0):
        known = [name for name, column in zip(names, values.T, strict=True) if not np.isnan(column).all()]
        raise DesignError(
            "the weights of the factors that the given layers allow add up to 0",
            where="score_exposure",
            mend=f"give a weight above 0 to one of: {', '.join(known)}",
        )
    return np.asarray(_FULL_SCORE * values * weights / total[:, None])


def _reasons(factors: pd.DataFrame, points: pd.DataFrame, usable: NDArray[np.bool_], units: str) -> list[str]:
    """Write a sentence a lot: its measured factors, the one with the largest part first."""
    names = [str(column).removeprefix("points_") for column in points.columns]
    parts = points.fillna(-1.0).to_numpy()
    order = np.argsort(-parts, axis=1, kind="stable")
    texts = {name: _texts(name, factors, parts[:, number], units) for number, name in enumerate(names)}
    costs = [factors[name] for name in ("desert_cost_m", "wash_cost_m") if name in factors.columns]
    shut = np.all([np.isinf(cost) for cost in costs if cost.notna().any()], axis=0) if costs else np.False_
    shut = np.broadcast_to(shut, len(usable))
    sentences = []
    for lot, used in enumerate(usable.tolist()):
        said = [texts[names[at]][lot] for at in order[lot] if parts[lot, at] > 0]
        said += ["no way in was found from habitat"] if shut[lot] else []
        sentences.append(
            ("; ".join(said) or "far from desert, wash and cover") if used else "the lot has no usable outline"
        )
    return sentences


def _texts(name: str, factors: pd.DataFrame, parts: NDArray[np.float64], units: str) -> list[str]:
    """What to say of one factor on each lot."""

    def column(measure: str) -> list[Any]:
        return factors[measure].tolist() if measure in factors.columns else [np.nan] * len(factors)

    desert = str(factors["desert_is"].iloc[0]) if "desert_is" in factors.columns and len(factors) else "open desert"
    if name == "contact":
        return [f"{_share(share)} of the boundary meets {desert}" for share in column("contact_share")]
    if name in ("desert", "wash"):
        thing = desert if name == "desert" else "a wash"
        away = zip(column(f"{name}_distance_m"), column(f"{name}_cost_m"), strict=True)
        return [
            f"{thing} is {write_run(distance_m, units=units)} away{_effort(distance_m, cost_m, units)}"
            for distance_m, cost_m in away
        ]
    if name == "habitat":
        return [f"{_share(share)} of the ground around is habitat" for share in column("habitat_share")]
    if name == "cover":
        return [f"vegetation covers {_share(share)}" for share in column("cover_share")]
    if name == "footholds":
        share, area = (_M2_PER_ACRE / 1e4, "an acre") if units == "us" else (1.0, "a hectare")
        return [f"{count * share:,.0f} climbable things {area}" for count in column("footholds_per_hectare")]
    if name == "attractants":
        return [f"{_count(count)} that attracts" for count in column("attractants_count")]
    if name == "encounters":
        return ["encounters are on record near"] * len(factors)
    return [f"{name.replace('_', ' ')} adds {part:.1f} points" for part in parts]


def _effort(distance_m: float, cost_m: float, units: str) -> str:
    """Say how hard the way is, where that differs from the plain distance."""
    if np.isnan(cost_m) or cost_m <= 2 * distance_m + METRES_PER_FOOT * 10:
        return ""
    return f" ({write_run(cost_m, units=units)} as the ground is crossed)" if np.isfinite(cost_m) else ""


def _count(count: float) -> str:
    return "one thing" if count == 1 else f"{count:,.0f} things"


def _share(share: float) -> str:
    return "less than 1%" if 0 < share < _LEAST_SHOWN_SHARE else f"{share:.0%}"
