"""Measure what exposes each lot, and bring every measure to a scale of 0 to 1 that no other lot can shift."""

from __future__ import annotations

import warnings
from typing import TYPE_CHECKING, Any, NamedTuple

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from geotools.errors import Assumed, DesignError, LayerError, Noticed
from geotools.exposure.measures import (
    count_things,
    habitat_around,
    measure_contact,
    measure_distance,
    quartic_density,
)
from geotools.rasters import Raster
from geotools.vegetation import green_threshold, measure_cover
from geotools.windows import cut_along_grid

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["CORE", "FACTORS", "FULL_AT", "NEARNESS", "factor_names", "measure_factors", "usable_records"]

CORE = ("contact", "desert", "wash", "cover")
"""Factors whose columns are always there, empty where their layer isn't given."""
FACTORS = ("contact", "desert", "wash", "habitat", "cover", "footholds", "attractants", "encounters")
NEARNESS = ("desert", "wash")
"""Factors that fall with distance as exp(-d / decay), so that another decay is a power of them."""
FULL_AT = {
    "contact": 0.25,
    "habitat": 0.5,
    "cover": 0.5,
    "footholds": 60.0,
    "attractants": 3.0,
    "encounters": 1.0,
}
"""The measure at which a factor is full, 1: contact, one side of a square lot; habitat, a straight edge of endless
desert; cover, half the lot; footholds, 60 a hectare; attractants, 3; encounters, 1 a hectare. Assumptions of this
project, fixed so that a lot's factor never hangs on another lot."""
_MEASURE = {
    "contact": "contact_share",
    "habitat": "habitat_share",
    "cover": "cover_share",
    "footholds": "footholds_per_hectare",
    "attractants": "attractants_count",
    "encounters": "encounters_per_hectare",
}
_M2_PER_HECTARE = 1e4
_NAMED_LOTS = 5
_FEW_LOTS = 10
"""That fewer lots share a factor is no wonder and not said."""


def measure_factors(
    parcels: gpd.GeoDataFrame,
    open_desert: gpd.GeoDataFrame | None = None,
    wash_ground: gpd.GeoDataFrame | None = None,
    vegetation: gpd.GeoDataFrame | Raster | None = None,
    footholds: gpd.GeoDataFrame | None = None,
    habitat_surface: gpd.GeoDataFrame | None = None,
    movement: gpd.GeoDataFrame | None = None,
    attractants: gpd.GeoDataFrame | None = None,
    encounters: gpd.GeoDataFrame | None = None,
    *,
    decay_m: float = 150.0,
    reach_decays: float = 3.0,
    contact_within_m: float = 5.0,
    cover_around_m: float = 15.0,
    encounter_radius_m: float = 150.0,
    cell_m: float = 10.0,
    green_index: float | str = 0.2,
    full_at: dict[str, float] | None = None,
    as_of: str | None = None,
    species: list[str] | None = None,
) -> gpd.GeoDataFrame:
    """Measure the factors of each lot's exposure and normalise each to 0-1.

    Nearness to desert and to a wash is exp(-d / decay), d being the cost distance where `movement` gives it, else the
    plain distance. Every other factor is its measure over a fixed full value, at most 1: contact with desert, habitat
    within the decay kernel, cover, footholds and attractants on the lot, density of encounters. Fixed values, not the
    least and greatest lot: one extreme lot shifts no other. The decay length stands for published home ranges, whose
    equal-area radii are about 95 to 270 m.

    Parameters
    ----------
    parcels : GeoDataFrame, n rows
        Polygons in a projected CRS in metres; a missing geometry gives missing factors.
    open_desert, wash_ground : GeoDataFrame, optional
        Habitat polygons in the same CRS; at least one of the two, or a habitat surface.
    vegetation : GeoDataFrame or Raster, optional
        Polygons with `cover` (0-1), or a raster with red and near-infrared bands or an index band.
    footholds, attractants : GeoDataFrame, optional
        Things on the lots of any shape (attractants: water, feeders, wood piles).
    habitat_surface : GeoDataFrame, optional
        Polygons with `quality`, without overlaps; desert and washes at full quality without it.
    movement : GeoDataFrame, n rows, optional
        As `measure_movement` gives it.
    encounters : GeoDataFrame, optional
        Points, with `observed_on` where known.
    decay_m : float
        Distance at which nearness falls to 1/e, metres.
    reach_decays : float
        The habitat kernel ends at this many decay lengths (assumption of this project).
    contact_within_m : float
        Boundary within this distance of open desert is in contact, metres (assumption of this project).
    cover_around_m : float
        Cover is measured on the lot and this far around it, metres (assumption of this project).
    encounter_radius_m : float
        Radius of the quartic kernel, metres (assumption of this project).
    cell_m : float
        Size of the cells for the amount of habitat, metres (assumption of this project).
    green_index : float or str
        A cell counts as vegetation from this vegetation index on, or "otsu" for the threshold of Otsu's method.
    full_at : dict of str to float, optional
        Measures at which a factor is full, where they are not those of this project.
    as_of : str, optional
        Records after this date (year-month-day) can't be; today without it.
    species : list of str, optional
        Species whose encounters count, by a part of the name such as `rattlesnake`; all of them without it.

    Returns
    -------
    GeoDataFrame, n rows on the parcels' index
        parcel_id, the measures (contact_m, contact_share, desert_distance_m, wash_distance_m, cover_share and those of
        the other layers given), `factor_<name>` from 0 to 1, missing where it can't be measured, decay_m, desert_is
        (what stands for desert), geometry. A plug-in step may add its own `factor_<name>` columns.

    Raises
    ------
    LayerError
        If no habitat layer is given, or a table is not of the same parcels.
    DesignError
        If a length is not above 0 or a full value is unknown.

    Examples
    --------
    >>> lots = gpd.GeoDataFrame({"parcel_id": ["1"]}, geometry=[shapely.box(0, 0, 20, 40)], crs=32612)
    >>> desert = gpd.GeoDataFrame(geometry=[shapely.box(-900, 40, 900, 990)], crs=32612)
    >>> measure_factors(lots, desert, contact_within_m=0)[["contact_m", "factor_desert"]].round(3).values.tolist()
    [[20.0, 1.0]]
    """
    lengths_m = (decay_m, reach_decays, encounter_radius_m, cell_m)
    if not (min(lengths_m) > 0 and contact_within_m >= 0 and cover_around_m >= 0):
        raise DesignError(
            "a length of the exposure factors is not above 0", where="measure_factors", mend="give positive lengths"
        )
    full = _full_values(full_at)
    if open_desert is None and wash_ground is None and habitat_surface is None:
        raise LayerError(
            "there is no habitat layer",
            where="[inputs]",
            mend="give open_desert, washes or both: exposure is measured from them",
        )
    if movement is not None and not movement.index.equals(parcels.index):
        raise LayerError("it is not of the same parcels", where="movement", mend="make it from the same parcels")
    usable = ~(shapely.is_missing(parcels.geometry.to_numpy()) | shapely.is_empty(parcels.geometry.to_numpy()))
    lots = parcels.geometry.to_numpy()[usable]
    cuts = {
        name: cut_along_grid(layer.geometry.to_numpy())
        for name, layer in _habitats(open_desert, wash_ground, habitat_surface).items()
    }
    measures: dict[str, NDArray[np.float64]] = {}
    if "desert" in cuts:
        measures["contact_share"] = measure_contact(lots, cuts["desert"], within_m=contact_within_m)
        measures["contact_m"] = measures["contact_share"] * shapely.length(lots)
    for name, pieces in cuts.items():
        measures[f"{name}_distance_m"] = measure_distance(lots, pieces)
        if movement is not None and f"{name}_cost_m" in movement.columns:
            measures[f"{name}_cost_m"] = movement.loc[usable, f"{name}_cost_m"].to_numpy(dtype=np.float64)
    pieces, quality = _amounts(cuts, habitat_surface)
    reach_m = reach_decays * decay_m
    measures["habitat_share"] = habitat_around(lots, pieces, quality, decay_m=decay_m, reach_m=reach_m, cell_m=cell_m)
    if vegetation is not None:
        ids = parcels["parcel_id"].to_numpy()[usable]
        measures["cover_share"] = _cover(lots, ids, vegetation, parcels.crs, cover_around_m, green_index)
    if footholds is not None:
        counted = count_things(lots, footholds.geometry.to_numpy())
        measures["footholds_per_hectare"] = counted / (shapely.area(lots) / _M2_PER_HECTARE)
    if attractants is not None:
        measures["attractants_count"] = count_things(lots, attractants.geometry.to_numpy())
    if encounters is not None:
        records = usable_records(encounters, lots, within_m=encounter_radius_m, as_of=as_of, species=species)
        middle = shapely.get_coordinates(shapely.centroid(lots))
        measures["encounters_per_hectare"] = quartic_density(middle, records.xy, radius_m=encounter_radius_m)
    factors = _normalise(measures, decay_m, full)
    for name in CORE:
        factors.setdefault(name, np.full(len(lots), np.nan))
        measures.setdefault(_MEASURE.get(name, f"{name}_distance_m"), np.full(len(lots), np.nan))
    _say_equal(factors)
    columns = {**measures, **{f"factor_{name}": factors[name] for name in FACTORS if name in factors}}
    table = pd.DataFrame(columns, index=parcels.index[usable]).reindex(parcels.index)
    # Where no desert is drawn, ground of other habitat stands in for it, and is not called desert.
    desert_is = "open desert" if open_desert is not None or wash_ground is not None else "habitat"
    named = {"parcel_id": parcels["parcel_id"], **table, "decay_m": float(decay_m), "desert_is": desert_is}
    if movement is not None and "cost_error_m" in movement.columns:
        named["cost_error_m"] = movement["cost_error_m"]
    return gpd.GeoDataFrame(named, index=parcels.index, geometry=parcels.geometry)


class Records(NamedTuple):
    """Records that can be used: their places, and their dates (missing where unknown)."""

    xy: NDArray[np.float64]
    dates: pd.Series


def usable_records(
    encounters: gpd.GeoDataFrame,
    lots: NDArray[Any],
    *,
    within_m: float,
    as_of: str | None = None,
    species: list[str] | None = None,
) -> Records:
    """Leave out the records of other species and those that lie elsewhere or in the future, and say how many.

    Parameters
    ----------
    encounters : GeoDataFrame
        Points, with `observed_on` where known.
    lots : array of Polygon, length n
    within_m : float
        A record farther than this from every lot lies elsewhere, metres.
    as_of : str, optional
        Records after this date (year-month-day) lie in the future; today without it.
    species : list of str, optional
        Names, or parts of them, of the column `species` that count, whatever their capitals; all without it, which is
        said where there are several.

    Returns
    -------
    Records

    Raises
    ------
    DesignError
        If the date can't be read.
    LayerError
        If a species that counts is in no record.

    Examples
    --------
    >>> points = gpd.GeoDataFrame(geometry=gpd.points_from_xy([5, 900], [5, 5]), crs=32612)
    >>> with warnings.catch_warnings(action="ignore"):
    ...     usable_records(points, np.array([shapely.box(0, 0, 9, 9)]), within_m=50.0).xy.tolist()
    [[5.0, 5.0]]
    """
    points = encounters.geometry.to_numpy()
    kept = ~(shapely.is_missing(points) | shapely.is_empty(points)) & _of_species(encounters, species)
    dates = pd.Series(pd.NaT, index=encounters.index, dtype="datetime64[s]")
    if "observed_on" in encounters.columns:
        dates = pd.to_datetime(encounters["observed_on"], errors="coerce").dt.tz_localize(None)
    try:
        last = pd.Timestamp(as_of) if as_of is not None else pd.Timestamp.now()
    except ValueError:
        raise DesignError(f"{as_of!r} is no date", where="as_of", mend="write year-month-day") from None
    future = kept & (dates > last).fillna(False).to_numpy(dtype=bool)
    kept &= ~future
    near = np.zeros(len(points), dtype=bool)
    if len(lots):
        at, _ = shapely.STRtree(lots).query(shapely.centroid(points[kept]), predicate="dwithin", distance=within_m)
        near[np.flatnonzero(kept)[np.unique(at)]] = True
    for number, what in ((int(future.sum()), "lie in the future"), (int((kept & ~near).sum()), "lie off the lots")):
        if number:
            warnings.warn(f"{number:,} of {len(points):,} encounters {what}: left out", Noticed, stacklevel=3)
    kept &= near
    return Records(shapely.get_coordinates(shapely.centroid(points[kept])), dates[kept].reset_index(drop=True))


def _of_species(encounters: gpd.GeoDataFrame, species: list[str] | None) -> NDArray[np.bool_]:
    """Which records are of a species that counts."""
    known = encounters["species"] if "species" in encounters.columns else pd.Series(pd.NA, index=encounters.index)
    names = known.astype("string").str.strip().str.casefold()
    there = sorted(names.dropna().unique())
    if species is None:
        if len(there) > 1:
            text = (
                f"encounters with {len(there):,} species count alike: {', '.join(there)}; the option species names some"
            )
            warnings.warn(text, Assumed, stacklevel=4)
        return np.ones(len(encounters), dtype=bool)
    if not there:
        warnings.warn("the encounters name no species: all of them count", Assumed, stacklevel=4)
        return np.ones(len(encounters), dtype=bool)
    counted = np.zeros(len(encounters), dtype=bool)
    for part in species:
        own = names.str.contains(part.strip().casefold(), regex=False).fillna(False).to_numpy(dtype=bool)
        if not own.any():
            raise LayerError(
                f"no encounter is with the species {part!r}",
                where="encounters, column species",
                mend=f"name some of: {', '.join(there)}",
            )
        counted |= own
    left = int((~counted).sum())
    if left:
        text = f"{left:,} of {len(encounters):,} encounters are with other species or none named: left out"
        warnings.warn(text, Noticed, stacklevel=4)
    return counted


def factor_names(factors: pd.DataFrame) -> list[str]:
    """Names of the factors in a table: ours in their order, then those that plug-in steps added.

    Examples
    --------
    >>> factor_names(pd.DataFrame(columns=["parcel_id", "factor_dogs", "factor_wash"]))
    ['wash', 'dogs']
    """
    named = [column.removeprefix("factor_") for column in factors.columns if str(column).startswith("factor_")]
    return [name for name in FACTORS if name in named] + [name for name in named if name not in FACTORS]


def _habitats(
    open_desert: gpd.GeoDataFrame | None,
    wash_ground: gpd.GeoDataFrame | None,
    habitat_surface: gpd.GeoDataFrame | None,
) -> dict[str, gpd.GeoDataFrame]:
    """Desert and wash as given; without both, what the surface has."""
    found = {name: layer for name, layer in (("desert", open_desert), ("wash", wash_ground)) if layer is not None}
    if not found and habitat_surface is not None:
        found["desert"] = habitat_surface[habitat_surface["kind"] != "wash"]
    return found


def _amounts(
    cuts: dict[str, NDArray[Any]], habitat_surface: gpd.GeoDataFrame | None
) -> tuple[NDArray[Any], NDArray[np.float64]]:
    if habitat_surface is None:
        pieces = cut_along_grid(np.concatenate(list(cuts.values())))
        return pieces, np.ones(len(pieces))
    shapes, quality = habitat_surface.geometry.to_numpy(), habitat_surface["quality"].to_numpy(dtype=np.float64)
    levels = np.unique(quality)
    cut = [np.zeros(0, dtype=object), *(cut_along_grid(shapes[quality == level]) for level in levels)]
    return np.concatenate(cut), np.repeat(levels, [len(some) for some in cut[1:]])


def _cover(
    lots: NDArray[Any],
    ids: NDArray[Any],
    vegetation: gpd.GeoDataFrame | Raster,
    crs: Any,
    around_m: float,
    green_index: float | str,
) -> NDArray[np.float64]:
    around = shapely.buffer(lots, around_m) if around_m else lots
    index = green_threshold(green_index, vegetation, lots, crs=crs)
    cover = measure_cover(around, vegetation, crs=crs, green_index=index)
    missing = np.isnan(cover)
    if missing.any():
        named = ", ".join(str(name) for name in ids[missing][:_NAMED_LOTS])
        more = f" and {missing.sum() - _NAMED_LOTS:,} more" if missing.sum() > _NAMED_LOTS else ""
        warnings.warn(
            f"the vegetation raster has no value on {missing.sum():,} lots ({named}{more}): scored on the rest",
            Noticed,
            stacklevel=3,
        )
    return cover


def _full_values(full_at: dict[str, float] | None) -> dict[str, float]:
    merged = {**FULL_AT, **(full_at or {})}
    for name, value in merged.items():
        if name not in FULL_AT:
            raise DesignError(f"no factor {name!r} has a full value", mend=f"use one of: {', '.join(FULL_AT)}")
        if not 0 < value < np.inf:
            raise DesignError(f"the full value of {name!r} is {value}", where="full_at", mend="give a value above 0")
    return merged


def _normalise(
    measures: dict[str, NDArray[np.float64]], decay_m: float, full: dict[str, float]
) -> dict[str, NDArray[np.float64]]:
    factors = {name: np.clip(measures[m] / full[name], 0, 1) for name, m in _MEASURE.items() if m in measures}
    for name in NEARNESS:
        away_m = measures.get(f"{name}_cost_m", measures.get(f"{name}_distance_m"))
        if away_m is not None:
            plain_m = measures[f"{name}_distance_m"]
            factors[name] = np.exp(-np.where(np.isnan(away_m), plain_m, away_m) / decay_m)
    return factors


def _say_equal(factors: dict[str, NDArray[np.float64]]) -> None:
    for name, values in factors.items():
        known = values[~np.isnan(values)]
        if len(known) >= _FEW_LOTS and np.ptp(known) == 0:
            warnings.warn(
                f"the factor {name} is {known[0]:.2f} for every lot: it tells none apart", Noticed, stacklevel=3
            )
