"""Test a community's rule against the barrier that each lot needs."""

from __future__ import annotations

import warnings
from typing import TYPE_CHECKING

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from geotools.design import BarrierStandard, excluded_body_length
from geotools.errors import Assumed, Noticed, StepError
from geotools.standards.rule_file import PLACES, CommunityRule, read_rule
from geotools.units import METRES_PER_FOOT, METRES_PER_INCH, write_small

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["judge_colour", "judge_rule", "share_at"]

_PLACES_OF = {"yard": ("side", "rear"), "house loop": PLACES, "lot line": PLACES}
"""Where a line runs that is not measured against the lot (assumption of this project)."""
_MESH = "mesh"
_LEAST_PART_M, _EDGE_M = 0.5, 0.1
_SLACK_M = 1e-6


def judge_rule(
    lots: gpd.GeoDataFrame,
    barrier_lines: gpd.GeoDataFrame,
    panels: gpd.GeoDataFrame | None = None,
    ground: gpd.GeoDataFrame | None = None,
    shares: pd.DataFrame | None = None,
    *,
    rule: str = "",
    standard: BarrierStandard | None = None,
    units: str = "us",
    material: str = "hardware cloth",
    colour: str = "",
    gate_width_m: float = 3 * METRES_PER_FOOT,
    species: str = "",
) -> gpd.GeoDataFrame:
    """Test a community's rule against the barrier that each lot is to get.

    A lot passes where what it needs may be built: the design height (and its highest panel) is within the heights
    allowed wherever its line runs, and mesh and the material are allowed there. What a height really keeps out is the
    height rule turned round, L = 2 (H - buffer) (common practice, no source).

    Parameters
    ----------
    lots : GeoDataFrame, n rows
        As `specify_lots` gives it.
    barrier_lines : GeoDataFrame
        As `list_barrier_lines` gives it.
    panels : GeoDataFrame, optional
        Height schedule, for heights above the design height.
    ground : GeoDataFrame, optional
        As `find_lot_ground` gives it: tells a line in the front from one at the side or rear. Without it a yard line
        is taken to run at the side and rear, others everywhere.
    shares : DataFrame, optional
        As `share_excluded` gives it, for the share of animals that the rule's height keeps out.
    rule : str
        Path of the community's rule file; without one an invented rule, so that the plan can be tried.
    standard : BarrierStandard, optional
    material : str
        What the barrier is made of.
    colour : str
        Its colour, as the rule names colours; without one the colour is not judged where the rule names any, and that
        is said. A wall to mend has the colour of its own column `colour`, where the lines carry one, else this.
    gate_width_m : float
        Width of the gates to be built, metres (assumption of this project: 3 ft).
    species : str
        The species of `shares` to count; the first of the table without it.
    units : str
        Units of the texts: `us` or `metric`.

    Returns
    -------
    GeoDataFrame, n rows on the same index
        parcel_id, `rule_file`, `needs_line`, `places` (where its line runs), `needed_height_m`, `allowed_height_m`
        (the least of the greatest heights allowed there; NaN without limit), `short_m`, `passes`, `conflicts` (text),
        `colour` (pass, "conflict: ...", "colour not stated: ...", or empty where the rule names none),
        `rule_excludes_m` and `design_excludes_m` (body lengths), `rule_share_pct`, `design_share_pct` (NaN without
        `shares`), geometry.

    Raises
    ------
    PipelineError, DesignError
        If the rule file can't be read or used.
    StepError
        If the species is not in `shares`.

    Examples
    --------
    >>> from geotools.steps import find_step
    >>> find_step("judge_rule").option_names
    ['rule', 'units', 'material', 'colour', 'gate_width_m', 'species']
    """
    standard = standard or BarrierStandard()
    community = read_rule(rule)
    if not rule:
        limit = write_small(24 * METRES_PER_INCH, units=units)
        warnings.warn(
            f"no rule file is given: an invented rule is tested ({limit} at side and rear)",
            Assumed,
            stacklevel=2,
        )
    advised = barrier_lines[barrier_lines["recommended"].astype(bool)].drop_duplicates("parcel_id")
    line = advised.set_index("parcel_id").reindex(lots["parcel_id"]).set_index(lots.index)
    needs_line = (lots["verdict"] == "build") & line["option"].notna()
    needed_m = pd.to_numeric(line["height_m"]).to_numpy(dtype=np.float64, na_value=np.nan)
    if panels is not None and len(panels):
        highest = panels[panels["line_id"].isin(set(advised["line_id"]))].groupby("line_id")["height_m"].max()
        needed_m = np.fmax(needed_m, line["line_id"].map(highest).to_numpy(dtype=np.float64))
    retrofit = (lots["verdict"] == "retrofit").to_numpy()
    needed_m = np.where(retrofit, standard.height_m, needed_m)
    runs = _places(line, needs_line.to_numpy(), ground)
    if retrofit.any():
        warnings.warn(
            "walls to mend are tested at the design height, at the side and rear of the lot", Assumed, stacklevel=2
        )
    allowed_m = np.array([_allowed(community, places) for places in runs])
    tested = needs_line.to_numpy() | retrofit
    conflicts = [
        "; ".join(_gathered(_conflicts(community, places, needed, material, units))) if test else ""
        for places, needed, test in zip(runs, needed_m, tested, strict=True)
    ]
    gated = (
        pd.to_numeric(line["gates"]).fillna(0).to_numpy() > 0 if "gates" in line.columns else np.zeros(len(lots), bool)
    )
    own_colours = line["colour"].to_numpy() if "colour" in line.columns else np.full(len(lots), None, dtype=object)
    colours = [
        judge_colour(community, places, own if isinstance(own, str) and own else colour) if test else ""
        for places, own, test in zip(runs, own_colours, tested, strict=True)
    ]
    conflicts = [
        "; ".join(filter(None, [text, told.removeprefix("conflict: ") if told.startswith("conflict") else ""]))
        for text, told in zip(conflicts, colours, strict=True)
    ]
    of_gates = "; ".join(_gate_conflicts(community, gate_width_m, units))
    conflicts = [
        "; ".join(filter(None, [text, of_gates if gate and test else ""]))
        for text, gate, test in zip(conflicts, gated, needs_line, strict=True)
    ]
    # Where the rule has no limit it lets the design be built: it keeps out what the design does.
    rule_m = np.where(np.isnan(allowed_m), standard.height_m, allowed_m)
    excluded_m = np.where(tested, excluded_body_length(rule_m, buffer_m=standard.buffer_m), np.nan)
    design_m = float(excluded_body_length(standard.height_m, buffer_m=standard.buffer_m))
    table = gpd.GeoDataFrame(
        {
            "parcel_id": lots["parcel_id"],
            "rule_file": pd.Series(rule, index=lots.index, dtype=str),
            "needs_line": tested,
            "places": [", ".join(places) if test else "" for places, test in zip(runs, tested, strict=True)],
            "needed_height_m": np.where(tested, needed_m, np.nan),
            "allowed_height_m": np.where(tested, allowed_m, np.nan),
            "short_m": np.where(
                tested, np.fmax(needed_m - np.where(np.isnan(allowed_m), np.inf, allowed_m), 0), np.nan
            ),
            "passes": [not text for text in conflicts],
            "conflicts": conflicts,
            "colour": colours,
            "rule_excludes_m": excluded_m,
            "design_excludes_m": np.where(tested, design_m, np.nan),
            "rule_share_pct": np.where(tested, share_at(shares, rule_m, species), np.nan),
            "design_share_pct": np.where(
                tested, share_at(shares, np.full(len(lots), standard.height_m), species), np.nan
            ),
        },
        geometry=lots.geometry,
    )
    unknown = sum(text.startswith("colour not stated") for text in colours)
    if unknown:
        warnings.warn(
            f"the rule names colours, and none is stated for {unknown} lots: give --set judge_rule.colour=...",
            Noticed,
            stacklevel=2,
        )
    failing = int((~table["passes"]).sum())
    warnings.warn(
        f"the rule of {community.community!r} ({community.status}): {failing} of {int(tested.sum())} lots that need a "
        "barrier can't have it under the rule",
        Noticed,
        stacklevel=2,
    )
    return table


def share_at(shares: pd.DataFrame | None, heights_m: NDArray[np.float64], species: str = "") -> NDArray[np.float64]:
    """Share of adults that heights keep out, percent, between the heights of a table on a straight line.

    Parameters
    ----------
    shares : pandas.DataFrame or None
        As `share_excluded` gives it.
    heights_m : numpy.ndarray
    species : str
        The first of the table without it.

    Returns
    -------
    numpy.ndarray
        NaN without a table, or beyond its heights.

    Raises
    ------
    StepError
        If the species is not in the table.

    Examples
    --------
    >>> table = pd.DataFrame({"species": "a", "height_in": [24.0, 36.0], "share_excluded_pct": [70.0, 100.0]})
    >>> share_at(table, np.array([30 * 0.0254])).round(6).tolist()
    [85.0]
    """
    if shares is None or shares.empty:
        return np.full(len(heights_m), np.nan)
    wanted = species.strip().casefold() or str(shares["species"].iloc[0]).casefold()
    names = shares["species"].str.casefold()
    rows = shares[(names == wanted) | (names.str.split().str[-1] == wanted)].sort_values("height_in")
    if rows.empty:
        known = ", ".join(dict.fromkeys(shares["species"]))
        raise StepError(f"{species!r} is not in the shares", where="species", mend=f"use one of: {known}")
    at_m = rows["height_in"].to_numpy(dtype=np.float64) * METRES_PER_INCH
    pct = rows["share_excluded_pct"].to_numpy(dtype=np.float64)
    near = np.clip(heights_m, at_m[0], at_m[-1])
    inside = np.abs(near - heights_m) <= _SLACK_M
    return np.where(inside, np.interp(near, at_m, pct), np.nan)


def _places(line: pd.DataFrame, needs: NDArray[np.bool_], ground: gpd.GeoDataFrame | None) -> list[tuple[str, ...]]:
    """Where each lot's line runs; a lot whose walls are mended has them at its side and rear."""
    runs: list[tuple[str, ...]] = [
        _PLACES_OF.get(str(option), PLACES) if need else ("side", "rear")
        for option, need in zip(line["option"], needs, strict=True)
    ]
    if ground is None:
        warnings.warn("a yard line is taken to run at the side and rear, other lines everywhere", Assumed, stacklevel=3)
        return runs
    # A return from the house runs along the edge of the front ground: that is not in front.
    inner = shapely.buffer(ground["front"].to_numpy(), -_EDGE_M, join_style="mitre")
    front = shapely.length(shapely.intersection(line["geometry"].where(needs, None).to_numpy(dtype=object), inner))
    in_front = np.nan_to_num(front) >= _LEAST_PART_M
    known = ~shapely.is_empty(ground["front"].to_numpy())
    for row in np.flatnonzero(needs & known):
        others = ("side", "rear")
        runs[row] = ("front", *others) if in_front[row] else others
    return runs


def _allowed(rule: CommunityRule, places: tuple[str, ...]) -> float:
    """Least of the greatest heights allowed where a line runs; NaN where there is no limit."""
    heights = [rule.greatest_height(place) if rule.at(place) else 0.0 for place in places]
    known = [height for height in heights if height is not None]
    return min(known) if known else np.nan


def _conflicts(rule: CommunityRule, places: tuple[str, ...], needed_m: float, material: str, units: str) -> list[str]:
    found = []
    needed = write_small(needed_m, units=units)
    for place in places:
        allowed = rule.at(place)
        if not allowed:
            found.append(f"{place}: no barrier is allowed")
            continue
        fits = [one for one in allowed if not one.greatest_height or one.greatest_height >= needed_m - _SLACK_M]
        if not fits:
            most = max(one.greatest_height or 0.0 for one in allowed)
            found.append(f"{place}: {needed} is needed, {write_small(most, units=units)} is allowed")
        elif all(one.least_height and one.least_height > needed_m + _SLACK_M for one in fits):
            least = min(one.least_height or 0.0 for one in fits)
            found.append(f"{place}: at least {write_small(least, units=units)} is asked for, {needed} is planned")
        if not any(one.mesh for one in allowed):
            found.append(f"{place}: mesh is not allowed")
        wanted = material.casefold()
        if wanted and all(one.materials for one in allowed):
            named = [name.casefold() for one in allowed for name in one.materials]
            if not any(wanted in name or name in wanted or _MESH in name for name in named):
                found.append(f"{place}: {material} is not among the materials allowed")
    return found


def judge_colour(rule: CommunityRule, places: tuple[str, ...], colour: str) -> str:
    """Judge a colour against those that the rule allows where a line runs.

    A place with an allowance that names no colour takes any. Colours are compared as whole texts, whatever the case.

    Parameters
    ----------
    rule : CommunityRule
    places : tuple of str
    colour : str
        Empty where it is not stated.

    Returns
    -------
    str
        Empty where the rule names no colour there, else `pass`, `conflict: ...` or `colour not stated: ...`.

    Examples
    --------
    >>> rule = CommunityRule(community="A", rule="1", allows=[{"where": ["rear"], "colours": ["tan"]}])
    >>> [judge_colour(rule, ("rear",), colour) for colour in ("Tan", "white", "")]
    ['pass', 'conflict: rear: white is not among the colours allowed (tan)', 'colour not stated: rear: allowed are tan']
    """
    asked: dict[tuple[str, ...], list[str]] = {}
    for place in places:
        allowed = rule.at(place)
        if allowed and all(one.colours for one in allowed):
            names = tuple(dict.fromkeys(name for one in allowed for name in one.colours))
            asked.setdefault(names, []).append(place)
    if not asked:
        return ""
    wanted = " ".join(colour.split()).casefold()
    if not wanted:
        told = [f"{' and '.join(at)}: allowed are {', '.join(names)}" for names, at in asked.items()]
        return f"colour not stated: {'; '.join(told)}"
    against = [
        f"{' and '.join(at)}: {colour} is not among the colours allowed ({', '.join(names)})"
        for names, at in asked.items()
        if wanted not in [name.casefold() for name in names]
    ]
    return f"conflict: {'; '.join(against)}" if against else "pass"


def _gate_conflicts(rule: CommunityRule, width_m: float, units: str) -> list[str]:
    found = []
    if rule.gates.swing == "out":
        found.append("gates: the rule asks for a swing out, a snake gate swings into the protected side")
    if rule.gates.greatest_width is not None and width_m > rule.gates.greatest_width + _SLACK_M:
        planned, most = (write_small(size_m, units=units) for size_m in (width_m, rule.gates.greatest_width))
        found.append(f"gates: {planned} wide is planned, {most} is allowed")
    return found


def _gathered(found: list[str]) -> list[str]:
    """Say once what holds at several places."""
    places: dict[str, list[str]] = {}
    for text in found:
        place, _, what = text.partition(": ")
        places.setdefault(what, []).append(place)
    return [f"{' and '.join(names)}: {what}" for what, names in places.items()]
