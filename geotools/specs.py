"""Write up each lot: its verdict, the reason in a sentence, and what is to be built."""

from __future__ import annotations

import warnings

import geopandas as gpd
import numpy as np
import pandas as pd

from geotools.design import BarrierStandard
from geotools.errors import Assumed, StepError
from geotools.signature import ids_of_rows
from geotools.units import write_run

__all__ = ["list_barrier_lines", "list_ways_in", "specify_lots"]

VERDICTS = ("not needed", "already sound", "retrofit", "build", "do not build")
_EXISTING = "existing walls"
_IF_MEASURED = ("surface_length_m", "highest_panel_m")
"""Columns of a line that are passed on where the plan measures them."""
_FROM_LINE = ("option", "length_m", "height_m", "roll_width_m", "posts", "corners", "gates", "footholds_in_conflict")


def specify_lots(
    parcels: gpd.GeoDataFrame,
    scored_lots: gpd.GeoDataFrame,
    counted_lines: gpd.GeoDataFrame,
    closure: gpd.GeoDataFrame | None = None,
    *,
    standard: BarrierStandard | None = None,
    units: str = "us",
) -> gpd.GeoDataFrame:
    """Give every parcel its row: exposure, verdict, reason and the specification of its barrier.

    The verdict is the first that holds: `do not build` for a parcel without a usable outline; `not needed` where no
    habitat is in reach; `already sound` where sound walls and house walls close the protected ground; `retrofit` where
    existing walls would close it once mended and that is no longer than the new line; `build` where a line fits; `do
    not build`.

    Parameters
    ----------
    parcels : GeoDataFrame, n rows
    scored_lots : GeoDataFrame, n rows on the same index
        As `score_exposure` gives it.
    counted_lines : GeoDataFrame
        Candidate lines with `recommended`, `footholds_in_conflict` and the counts of the takeoff.
    closure : GeoDataFrame, n rows on the same index, optional
        As `prove_closure` gives it: `closed_now`, `closable`, `ways_in`, `mend_length_m`, `why`.
    standard : BarrierStandard, optional
    units : str
        Units of the texts: `us` or `metric`.

    Returns
    -------
    GeoDataFrame, n rows on the parcels' index
        The columns of specs.csv in working form (lengths in metres), the measured factors and their parts of the score.

    Raises
    ------
    StepError
        If a table is not of the same parcels.

    Examples
    --------
    >>> from geotools.steps import find_step
    >>> list(find_step("specify_lots").layers)
    ['parcels', 'scored_lots', 'counted_lines', 'closure']
    """
    standard = standard or BarrierStandard()
    for name, table in {"scored_lots": scored_lots, "closure": closure}.items():
        if table is not None and not table.index.equals(parcels.index):
            raise StepError(f"{name} is not of the same parcels", mend="make it from the same parcels layer")
    _say_assumptions(closure)
    advised = counted_lines[counted_lines["recommended"]].set_index("parcel_id")
    measured = [name for name in _IF_MEASURED if name in counted_lines.columns]
    line = (
        advised[[*_FROM_LINE, *measured, "reason", "covers_protected", "work_m"]]
        .reindex(parcels["parcel_id"])
        .set_index(parcels.index)
    )
    state = _closure_state(parcels, closure)
    usable = ~(parcels.geometry.isna() | parcels.geometry.is_empty)
    has_line = line["option"].notna()
    mends = state["closable"] & (~has_line | (state["mend_length_m"] <= line["work_m"].fillna(np.inf)))
    verdict = pd.Series(
        np.select(
            [~usable, ~scored_lots["in_reach"], state["closed_now"], mends, has_line],
            ["do not build", "not needed", "already sound", "retrofit", "build"],
            default="do not build",
        ),
        index=parcels.index,
        dtype=str,
    )
    build, retrofit = verdict == "build", verdict == "retrofit"
    existing = retrofit | (verdict == "already sound")
    lengths_m = line["length_m"].where(build, state["mend_length_m"].where(retrofit))
    counts = {name: line[name].where(build).fillna(0).astype("Int64") for name in ("posts", "corners", "gates")}
    open_points = state["ways_in"].where(retrofit | (verdict == "do not build"), 0).astype("Int64")
    table = gpd.GeoDataFrame(
        {
            "parcel_id": parcels["parcel_id"],
            "exposure": scored_lots["exposure"],
            "exposure_rank": scored_lots["exposure_rank"],
            "verdict": verdict,
            "reason": _reasons(verdict, usable, scored_lots, line, state, counted_lines, parcels, units),
            "option": line["option"].where(build, pd.Series(_EXISTING, index=parcels.index).where(existing)),
            "length_m": lengths_m,
            "height_m": pd.Series(standard.height_m, index=parcels.index).where(build | retrofit),
            "mesh_opening_m": pd.Series(standard.mesh_opening_m, index=parcels.index).where(build | retrofit),
            "burial_m": pd.Series(standard.burial_m, index=parcels.index).where(build | retrofit),
            "roll_width_m": line["roll_width_m"].where(build),
            **counts,
            "ways_in": open_points,
            "footholds_to_clear": line["footholds_in_conflict"].where(build).fillna(0).astype("Int64"),
            "cost_low": np.nan,
            "cost_likely": np.nan,
            "cost_high": np.nan,
            **{name: line[name].where(build) for name in measured},
        },
        geometry=parcels.geometry,
    )
    kept = [name for name in scored_lots.columns if name not in table.columns]
    return table.join(scored_lots[kept])


def list_barrier_lines(
    lots: gpd.GeoDataFrame, counted_lines: gpd.GeoDataFrame, judged_walls: gpd.GeoDataFrame | None = None
) -> gpd.GeoDataFrame:
    """List every line of the plan: the candidates that fit, and the walls that stand.

    A candidate is recommended where its lot is to be built; a standing wall is `existing` where it is sound, else
    `retrofit`.

    Parameters
    ----------
    lots : GeoDataFrame
        As `specify_lots` gives it.
    counted_lines : GeoDataFrame
        Candidate lines.
    judged_walls : GeoDataFrame, optional
        Walls with `sound_now`, `height_m`, `why`.

    Returns
    -------
    GeoDataFrame
        line_id, parcel_id (empty for a wall, which lots share), option, kind, length_m, height_m, gates,
        footholds_in_conflict, posts, corners, recommended, reason, geometry.

    Examples
    --------
    >>> from geotools.steps import find_step
    >>> find_step("list_barrier_lines").layers["judged_walls"]
    False
    """
    to_build = set(lots.loc[lots["verdict"] == "build", "parcel_id"])
    columns = [
        "line_id",
        "parcel_id",
        "option",
        "kind",
        "length_m",
        "height_m",
        "gates",
        "footholds_in_conflict",
        "posts",
        "corners",
    ]
    fits = counted_lines[counted_lines.geometry.notna()]
    new = fits[[*columns, "recommended", "reason", "geometry"]].assign(
        recommended=fits["recommended"] & fits["parcel_id"].isin(to_build)
    )
    together = new
    if judged_walls is not None and not judged_walls.empty:
        together = gpd.GeoDataFrame(pd.concat([new, _standing_walls(judged_walls)]))
    counts = ["gates", "footholds_in_conflict", "posts", "corners"]
    together[counts] = together[counts].astype("Int64")
    return gpd.GeoDataFrame(together.reset_index(drop=True), geometry="geometry", crs=counted_lines.crs)


def list_ways_in(lots: gpd.GeoDataFrame, openings: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Keep the ways in of the lots whose verdict turns on them: those to retrofit, and those that are not to be built.

    Parameters
    ----------
    lots : GeoDataFrame
        As `specify_lots` gives it.
    openings : GeoDataFrame
        As `find_ways_in` gives it.

    Returns
    -------
    GeoDataFrame
        The rows of `openings` of those lots, in the same order.

    Examples
    --------
    >>> lots = gpd.GeoDataFrame({"parcel_id": ["1", "2"], "verdict": ["build", "retrofit"]})
    >>> openings = gpd.GeoDataFrame({"parcel_id": ["1", "2"], "kind": ["gap", "gate"]})
    >>> list_ways_in(lots, openings)["kind"].tolist()
    ['gate']
    """
    asked = lots.loc[lots["verdict"].isin(["retrofit", "do not build"]), "parcel_id"]
    return openings[openings["parcel_id"].isin(asked)].reset_index(drop=True)


def _standing_walls(judged_walls: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    why, mend = (judged_walls[name].to_numpy(dtype=object) for name in ("why", "mend"))
    return gpd.GeoDataFrame(
        {
            "line_id": ids_of_rows(judged_walls, "W"),
            "parcel_id": "",
            "option": np.where(judged_walls["sound_now"], "sound wall", "wall to mend"),
            "kind": np.where(judged_walls["sound_now"], "existing", "retrofit"),
            "length_m": judged_walls.length.to_numpy(),
            "height_m": pd.to_numeric(judged_walls["height_m"]).to_numpy(dtype=np.float64, na_value=np.nan),
            "recommended": False,
            "reason": np.where(judged_walls["sound_now"], why, why + "; " + mend),
        },
        geometry=judged_walls.geometry.to_numpy(),
        crs=judged_walls.crs,
    )


def _closure_state(parcels: gpd.GeoDataFrame, closure: gpd.GeoDataFrame | None) -> pd.DataFrame:
    if closure is None:
        return pd.DataFrame(
            {"closed_now": False, "closable": False, "ways_in": 0, "mend_length_m": np.nan, "why": ""},
            index=parcels.index,
        )
    return pd.DataFrame(closure[["closed_now", "closable", "ways_in", "mend_length_m", "why"]])


def _reasons(
    verdict: pd.Series,
    usable: pd.Series,
    scored_lots: gpd.GeoDataFrame,
    line: pd.DataFrame,
    state: pd.DataFrame,
    counted_lines: gpd.GeoDataFrame,
    parcels: gpd.GeoDataFrame,
    units: str,
) -> pd.Series:
    """Say in a sentence a lot why its verdict is what it is."""
    far_m = scored_lots["habitat_distance_m"]
    not_needed = pd.Series(
        [
            f"No desert or wash within reach: the nearest is {write_run(away_m, units=units)} away."
            if np.isfinite(away_m)
            else "No desert or wash within reach."
            for away_m in far_m
        ],
        index=far_m.index,
    )
    build = _sentence(line["reason"])
    partly = line["covers_protected"].eq(False)
    build = build.where(
        ~partly, build + " It does not cover the whole protected ground, which no line on this lot can."
    )
    conflicts = line["footholds_in_conflict"].fillna(0).astype(int)
    cleared = pd.Series(
        [f" {count} climbable thing{'s' if count > 1 else ''} to clear first." if count else "" for count in conflicts],
        index=build.index,
    )
    tried = counted_lines[counted_lines["parcel_id"].isin(parcels["parcel_id"][verdict == "do not build"])]
    each = (tried["option"] + ": " + tried["reason"].fillna("")).groupby(tried["parcel_id"], sort=False)
    blocked = {parcel: f"No line fits: {'; '.join(texts)}." for parcel, texts in each}
    refused = pd.Series(
        [blocked.get(parcel, "No line was drawn for this lot.") for parcel in parcels["parcel_id"]],
        index=parcels.index,
        dtype=str,
    ).where(usable, "The outline of the parcel can't be used; see 'rejected'.")
    why = _sentence(state["why"])
    texts = {
        "not needed": not_needed,
        "already sound": why,
        "retrofit": why,
        "build": build + cleared,
        "do not build": refused,
    }
    chosen = pd.Series("", index=verdict.index, dtype=str)
    for name, text in texts.items():
        chosen = chosen.where(verdict != name, text)
    return chosen


def _sentence(texts: pd.Series) -> pd.Series:
    filled = texts.astype(object).fillna("").astype(str)
    ended = filled.where(filled.str.endswith(".") | (filled == ""), filled + ".")
    return ended.str[:1].str.upper() + ended.str[1:]


def _say_assumptions(closure: gpd.GeoDataFrame | None) -> None:
    warnings.warn("doors and windows of a house are taken as shut and its walls as sound", Assumed, stacklevel=3)
    if closure is None:
        warnings.warn("no layer of existing walls is given: none are counted on", Assumed, stacklevel=3)
