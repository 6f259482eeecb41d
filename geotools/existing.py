"""Judge walls and gates that stand already against the barrier standard, and say what mends each."""

from __future__ import annotations

import itertools
import re
import warnings
from typing import TYPE_CHECKING, Any

import geopandas as gpd
import numpy as np
import pandas as pd

from geotools.design import BarrierStandard
from geotools.errors import Assumed, DesignError
from geotools.units import METRES_PER_INCH, write_small

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["judge_gates", "judge_walls"]

OPEN_GAP_M = 0.25 * METRES_PER_INCH
"""A gap of this clear width or more counts as open (published extension guides: 1/4 in)."""

CLIMBABLE = (
    r"chain ?link|rough|rubble|field ?stone|dry ?stone|gabion|lattice|trellis|hedge|split rail"
    r"|(?:woven|welded|barbed|field) wire"
)
"""Faces that are a ladder at any height (chain link: published, Engeman et al. 1999; the others: common practice)."""
MESH = r"(?:hardware|wire) cloth|mesh"
"""Cloth is named by its mesh size, centre to centre of the wires: its `opening_m` is read so."""
GAPPED = r"wrought iron|iron|pickets?|ornamental|tubular|railings?|bars?|view|wood|wooden|boards?|planks?"
"""Faces that have gaps unless measured: openings must be known (common practice)."""
TIGHT = r"block|blocks|cmu|masonry|brick|bricks|concrete|stucco|adobe|steel|metal|sheet|vinyl|solid|smooth"
"""Faces that are smooth and closed: a missing opening is taken as none (assumption of this project)."""

_WORST_FIRST = ("climbable", "openings too large", "too low", "rail outside", "to be measured", "sound")
_EXACT_M = 1e-9


def judge_walls(
    walls: gpd.GeoDataFrame, *, standard: BarrierStandard | None = None, units: str = "us"
) -> gpd.GeoDataFrame:
    """Judge each wall: sound, or what is wrong with it and what mends it.

    The rules, each with its mark (P published, CP common practice, A assumption of this project):

    - Needed is the reach R above the ground outside, or above the highest outside rail (a foothold at distance 0), and
      never less than the least height (A, from the reach rule; CP).
    - A clear opening of 1/4 in or more is open (P). Cloth is named by its mesh size: up to the standard's mesh it is
      closed (P).
    - Chain link, rough stone and the like are ladders at any height (P for chain link, CP for the others); block,
      masonry, solid smooth wood and sheet steel are not (CP).
    - Iron, pickets and boards have gaps: without a measured opening they are `to be measured` (A). Masonry and other
      tight faces without one are taken as closed (A). A missing rail is taken as none (A).
    - An unknown kind or height is `to be measured`, which is not sound (A).
    - `sound` given as true stands in for missing measurements and for the kind, never for a measurement that
      contradicts it; given as false it wins over everything (A).
    - Of several faults the first of climbable, openings, height, rail names the judgement; `why` has them all.

    The kind is matched on whole words in any case, hyphens and underscores as spaces; the worst matching class counts.

    Parameters
    ----------
    walls : GeoDataFrame, n rows
        Lines with any of `kind`, `height_m`, `opening_m`, `rail_m` and `sound` (true, false or missing).
    standard : BarrierStandard, optional
        What a barrier has to meet.
    units : str
        Units of the texts: `us` or `metric`.

    Returns
    -------
    GeoDataFrame, n rows on the same index
        The walls with `judgement` (sound, too low, openings too large, climbable, rail outside, to be measured),
        `sound_now`, `shortfall_m` (height missing, 0 where none, NaN where the height is not known),
        `effective_height_m` (height above the highest outside foothold, NaN where not known), `mend` (empty where
        sound) and `why`.

    Raises
    ------
    DesignError
        If a height, opening or rail is negative.

    Examples
    --------
    >>> from shapely import LineString
    >>> walls = gpd.GeoDataFrame(
    ...     {"kind": ["Block wall", "chain-link"], "height_m": [0.6096, 1.8]},
    ...     geometry=[LineString([(0, 0), (9, 0)])] * 2, crs=32612,
    ... )
    >>> judged = judge_walls(walls.assign(opening_m=0.0))
    >>> judged["judgement"].tolist(), (judged["shortfall_m"] / 0.0254).round(6).tolist()
    (['too low', 'climbable'], [12.0, 0.0])
    """
    standard = standard or BarrierStandard()
    heights_m, openings_m, rails_m = (_lengths(walls, name, "walls") for name in ("height_m", "opening_m", "rail_m"))
    marked = _flags(walls)
    kinds = _texts(walls, "kind")
    climbable, mesh, gapped, tight = (_matches(kinds, words) for words in (CLIMBABLE, MESH, GAPPED, TIGHT))
    solid = _matches(kinds, "solid") & tight
    mesh, gapped = mesh & ~climbable, gapped & ~climbable & ~mesh & ~solid
    tight = tight & ~climbable & ~mesh & ~gapped
    known_kind = climbable | mesh | gapped | tight

    railed = rails_m > 0
    rail_m = np.where(railed, rails_m, 0.0)
    effective_m = heights_m - np.minimum(rail_m, heights_m)
    needed_m = np.maximum(rail_m + standard.reach_m, standard.least_height_m)
    plain_needed_m = max(standard.reach_m, standard.least_height_m)
    shortfall_m = np.maximum(needed_m - heights_m, 0.0)
    shortfall_m[shortfall_m < _EXACT_M] = 0.0

    open_now = np.where(mesh, openings_m > standard.mesh_opening_m + _EXACT_M, openings_m >= OPEN_GAP_M - _EXACT_M)
    too_low = heights_m < plain_needed_m - _EXACT_M
    rail_out = railed & (shortfall_m > 0) & ~too_low
    contradicted = open_now | too_low | rail_out
    unknown_opening = np.isnan(openings_m) & ~tight & known_kind
    unmeasured = np.isnan(heights_m) | ~known_kind | unknown_opening
    faults = {
        "climbable": climbable & (marked != 1),
        "openings too large": open_now,
        "too low": too_low,
        "rail outside": rail_out,
        "to be measured": (unmeasured & (marked != 1)) | (marked == 0),
        "sound": np.ones(len(walls), dtype=bool),
    }
    judgement = np.array(_WORST_FIRST)[np.argmax([faults[name] for name in _WORST_FIRST], axis=0)]
    taken_tight = tight & np.isnan(openings_m) & (judgement == "sound") & (marked != 1)
    _say_assumed(taken_tight, "walls of tight kinds have no opening measured: taken as closed")

    low_by = [f"{write_small(short_m, units=units)}" for short_m in shortfall_m]
    reasons = {
        "climbable": [f"{kind or 'its face'} can be climbed at any height" for kind in kinds],
        "openings too large": [
            f"openings of {write_small(opening, units=units)} count as open" for opening in openings_m
        ],
        "too low": [f"{short} too low" for short in low_by],
        "rail outside": [
            f"an outside rail at {write_small(rail, units=units)} is a foothold: {short} of height missing above it"
            for rail, short in zip(rail_m, low_by, strict=True)
        ],
    }
    missing = _missing(np.isnan(heights_m), ~known_kind, unknown_opening)
    why = []
    for row, verdict in enumerate(judgement):
        found = [texts[row] for name, texts in reasons.items() if faults[name][row]]
        if marked[row] == 1:
            found = (
                [f"marked sound, but {' and '.join(found)}: contradictory, taken as not sound"]
                if contradicted[row]
                else []
            )
        elif missing[row]:
            found.append(f"{missing[row]} not known")
        if marked[row] == 0:
            found.append("marked not sound" + ("" if found else ", though nothing measured says so"))
        sound_text = "marked sound, and no measurement says otherwise" if marked[row] == 1 else "meets the standard"
        why.append(sound_text if verdict == "sound" else "; ".join(found))
    mend = _wall_mends(judgement, heights_m, missing, standard, units)
    return walls.assign(
        judgement=pd.Series(judgement, index=walls.index, dtype=str),
        sound_now=judgement == "sound",
        shortfall_m=shortfall_m,
        effective_height_m=effective_m,
        mend=pd.Series(mend, index=walls.index, dtype=str),
        why=pd.Series(why, index=walls.index, dtype=str),
    )


def judge_gates(
    gates: gpd.GeoDataFrame, *, standard: BarrierStandard | None = None, units: str = "us"
) -> gpd.GeoDataFrame:
    """Judge each gate by the widest opening under or beside it.

    An opening of 1/4 in or more is open (P); a missing one is `to be measured`, which is not sound (A). A height is
    judged where it is given, else taken as that of the wall (A). `sound` counts as for walls.

    Parameters
    ----------
    gates : GeoDataFrame, n rows
        Points with any of `width_m`, `opening_m`, `height_m` and `sound`.
    standard : BarrierStandard, optional
        What a barrier has to meet.
    units : str
        Units of the texts: `us` or `metric`.

    Returns
    -------
    GeoDataFrame, n rows on the same index
        The gates with `judgement` (sound, openings too large, too low, to be measured), `sound_now`, `mend` and `why`.

    Raises
    ------
    DesignError
        If a width, opening or height is negative.

    Examples
    --------
    >>> points = gpd.points_from_xy([0, 1, 2], [0, 0, 0])
    >>> gates = gpd.GeoDataFrame({"opening_m": [0.0, 0.05, None]}, geometry=points, crs=32612)
    >>> judge_gates(gates)["judgement"].tolist()
    ['sound', 'openings too large', 'to be measured']
    """
    standard = standard or BarrierStandard()
    _, openings_m, heights_m = (_lengths(gates, name, "gates") for name in ("width_m", "opening_m", "height_m"))
    marked = _flags(gates)
    open_now = openings_m >= OPEN_GAP_M - _EXACT_M
    needed_m = max(standard.reach_m, standard.least_height_m)
    too_low = heights_m < needed_m - _EXACT_M
    unmeasured = np.isnan(openings_m)
    faults = {
        "climbable": np.zeros(len(gates), dtype=bool),
        "openings too large": open_now,
        "too low": too_low,
        "rail outside": np.zeros(len(gates), dtype=bool),
        "to be measured": (unmeasured & (marked != 1)) | (marked == 0),
        "sound": np.ones(len(gates), dtype=bool),
    }
    judgement = np.array(_WORST_FIRST)[np.argmax([faults[name] for name in _WORST_FIRST], axis=0)]
    tight = write_small(OPEN_GAP_M, units=units)
    sealed = f"a rigid sweep to a hard sill, sides sealed to less than {tight}, self-closing"
    mends = {
        "sound": "",
        "openings too large": sealed,
        "too low": f"a gate {write_small(standard.height_m, units=units)} high with {sealed}",
        "to be measured": "measure the openings under and beside the gate",
    }
    why = []
    for row, verdict in enumerate(judgement):
        found = [f"an opening of {write_small(openings_m[row], units=units)} counts as open"] if open_now[row] else []
        if too_low[row]:
            found.append(f"{write_small(needed_m - heights_m[row], units=units)} too low")
        if marked[row] == 1 and found:
            found = [f"marked sound, but {' and '.join(found)}: contradictory, taken as not sound"]
        elif unmeasured[row] and marked[row] != 1:
            found.append("openings not known")
        if marked[row] == 0:
            found.append("marked not sound" + ("" if found else ", though nothing measured says so"))
        sound_text = "marked sound, and no measurement says otherwise" if marked[row] == 1 else "meets the standard"
        why.append(sound_text if verdict == "sound" else "; ".join(found))
    return gates.assign(
        judgement=pd.Series(judgement, index=gates.index, dtype=str),
        sound_now=judgement == "sound",
        mend=pd.Series([mends[name] for name in judgement], index=gates.index, dtype=str),
        why=pd.Series(why, index=gates.index, dtype=str),
    )


def _wall_mends(
    judgement: NDArray[np.str_],
    heights_m: NDArray[np.float64],
    missing: list[str],
    standard: BarrierStandard,
    units: str,
) -> list[str]:
    size = write_small(standard.mesh_opening_m, units=units)
    foot = (
        f"up to {write_small(standard.height_m, units=units)} above the ground outside, "
        f"buried {write_small(standard.burial_m, units=units)} or fixed tight to the footing"
    )
    texts = []
    carry_m = standard.height_m - _EXACT_M
    for verdict, height_m, unknown in zip(judgement, heights_m, missing, strict=True):
        carried = " and carried on posts above the wall" if height_m < carry_m else ""
        texts.append(
            {
                "sound": "",
                "to be measured": f"measure it ({unknown})" if unknown else "look for the damage and mend it",
                "rail outside": f"{size} mesh on the outside face over the rail {foot}; or take the rail off",
            }.get(verdict, f"{size} mesh on the outside face{carried} {foot}")
        )
    return texts


def _missing(*unknown: NDArray[np.bool_]) -> list[str]:
    """Say per row what is not known, of height, kind and openings."""
    names = ("height", "kind", "openings")
    told = {row: ", ".join(itertools.compress(names, row)) for row in itertools.product((False, True), repeat=3)}
    return [told[row] for row in zip(*(gone.tolist() for gone in unknown), strict=True)]


def _lengths(table: gpd.GeoDataFrame, name: str, layer: str) -> NDArray[np.float64]:
    if name not in table.columns:
        return np.full(len(table), np.nan)
    lengths_m: NDArray[np.float64] = pd.to_numeric(table[name]).to_numpy(dtype=np.float64, na_value=np.nan)
    if np.any(lengths_m < 0):
        row = int(np.flatnonzero(lengths_m < 0)[0])
        raise DesignError(
            f"{name.removesuffix('_m')} is {lengths_m[row]} m", where=f"{layer}, row {row + 1}", mend="give 0 or more"
        )
    return lengths_m


def _flags(table: gpd.GeoDataFrame) -> NDArray[np.int8]:
    """Read `sound` as 1 (true), 0 (false) or -1 (missing)."""
    if "sound" not in table.columns:
        return np.full(len(table), -1, dtype=np.int8)
    flags = table["sound"].astype("boolean")
    return np.where(flags.isna(), -1, flags.fillna(False).astype(int)).astype(np.int8)


def _texts(table: gpd.GeoDataFrame, name: str) -> list[Any]:
    if name not in table.columns:
        return [""] * len(table)
    codes, kinds = pd.factorize(table[name], use_na_sentinel=False)
    plain = ["" if pd.isna(text) else re.sub(r"[\s_-]+", " ", str(text)).strip() for text in kinds]
    return [plain[code] for code in codes]


def _matches(texts: list[Any], words: str) -> NDArray[np.bool_]:
    pattern = re.compile(rf"\b(?:{words})\b", re.IGNORECASE)
    known = {text: pattern.search(text) is not None for text in set(texts)}
    return np.array([known[text] for text in texts], dtype=bool)


def _say_assumed(chosen: NDArray[np.bool_], text: str) -> None:
    if chosen.any():
        warnings.warn(f"{chosen.sum():,} of {len(chosen):,} {text}", Assumed, stacklevel=3)
