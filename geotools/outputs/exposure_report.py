"""Write what stands behind the exposure: weights, how sure the ranks are, the test by records, what would change it."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import geopandas as gpd
import numpy as np
import pandas as pd

from geotools.crs import describe_crs, lonlat_bounds, scale_error_pct
from geotools.errors import OutputError
from geotools.outputs.cautions import CAUTIONS
from geotools.outputs.display import check_same_crs, clean_text, show_table
from geotools.units import METRES_PER_FOOT

if TYPE_CHECKING:
    from collections.abc import Iterator

__all__ = ["write_exposure_layers", "write_exposure_report"]

_LISTED = 25
_CHANGES = {
    "exposure_with_barrier": "with the recommended barrier, taken as whole",
    "exposure_if_cleared": "with cover, footholds and attractants cleared from the lot",
    "exposure_if_wash_closed": "with the wash no longer a way in (a permit question, and often not allowed)",
}


def write_exposure_report(
    scored_lots: pd.DataFrame,
    weights: pd.DataFrame | None = None,
    validation: pd.DataFrame | None = None,
    scenarios: pd.DataFrame | None = None,
    *,
    path: Path,
    title: str = "",
) -> None:
    """Write the account of the exposure as plain text (UTF-8), for a council or a board.

    Parameters
    ----------
    scored_lots : DataFrame, one row a lot
        With exposure, exposure_rank, points_*, exposure_reason; rank_low, rank_high, top_probability, rank_group and
        rank_note where the ranks were tested.
    weights : DataFrame, optional
        factor, weight, consistency_ratio.
    validation : DataFrame, optional
        As `validate_exposure` gives it.
    scenarios : DataFrame, optional
        As `compare_scenarios` gives it.
    path : pathlib.Path
        The file to write.
    title : str
        Name of the place.

    Raises
    ------
    OutputError
        If the file can't be written or the lots are not scored.

    Examples
    --------
    >>> write_exposure_report(lots, path=Path("exposure.txt"))  # doctest: +SKIP
    """
    if not {"exposure", "exposure_rank", "exposure_reason"} <= set(scored_lots.columns):
        raise OutputError("the lots are not scored", where="scored_lots", mend="make them with score_exposure")
    lines = [f"Exposure to rattlesnakes{': ' + title if title else ''}", "=" * 40, ""]
    lines += _weights(scored_lots, weights)
    lines += _first_lots(scored_lots)
    lines += _validation(validation)
    lines += _scenarios(scenarios)
    lines += _scale(scored_lots)
    lines += ["What must be kept in mind", "-------------------------", *[f"- {caution}" for caution in CAUTIONS]]
    try:
        path.write_text("".join(f"{clean_text(line)}\n" for line in lines), encoding="utf-8", newline="\n")
    except OSError as error:
        raise OutputError(f"it can't be written ({error.strerror})", where=str(path), mend="check the folder") from None


def write_exposure_layers(
    scored_lots: gpd.GeoDataFrame,
    habitat_surface: gpd.GeoDataFrame | None = None,
    routes: gpd.GeoDataFrame | None = None,
    scenarios: gpd.GeoDataFrame | None = None,
    *,
    path: Path,
    units: str = "us",
) -> None:
    """Write a GeoPackage with the layers scored_lots, habitat_surface, routes and scenarios, as far as they are given.

    Parameters
    ----------
    scored_lots, habitat_surface, routes, scenarios : GeoDataFrame
        Working tables in one projected CRS.
    path : pathlib.Path
        The file to write.
    units : str
        `us` or `metric`.

    Raises
    ------
    CrsError
        If the tables are not in one projected CRS in metres.
    OutputError
        If a table holds what can't be written.

    Examples
    --------
    >>> write_exposure_layers(lots, path=Path("exposure.gpkg"))  # doctest: +SKIP
    """
    from geotools.layers.writing import write_geopackage

    given = {
        "scored_lots": scored_lots,
        "habitat_surface": habitat_surface,
        "routes": routes,
        "scenarios": scenarios,
    }
    tables = {name: table for name, table in given.items() if table is not None}
    check_same_crs(tables)
    types = {"scored_lots": "MultiPolygon", "habitat_surface": "MultiPolygon", "routes": "MultiLineString"}
    layers = {
        name: gpd.GeoDataFrame(show_table(table, units=units), geometry=table.geometry.array, crs=table.crs)
        for name, table in tables.items()
    }
    write_geopackage(path, layers, geometry_types={**types, "scenarios": "MultiPolygon"})


def _scale(scored_lots: pd.DataFrame) -> list[str]:
    """Say how far lengths are from the ground; h / R for the height, R = 6,371 km, is 48 millionths a 1,000 ft."""
    crs = getattr(scored_lots, "crs", None)
    if crs is None or not crs.is_projected:
        return []
    bounds = [float(value) for value in scored_lots.total_bounds]
    error_ppm = scale_error_pct(crs, lonlat_bounds(bounds, crs)) * 1e4
    return [
        *_heading("How true the lengths are"),
        f"Lengths are measured in {describe_crs(crs)} ({crs.name}). On this site its scale is within",
        f"{error_ppm:,.0f} parts per million of the ground ({error_ppm / 1e3:.2f} ft in 1,000 ft), not counting the",
        "height above the sea: the ground is longer by 48 parts per million for every 1,000 ft of it.",
        "",
    ]


def _heading(text: str) -> list[str]:
    return [text, "-" * len(text)]


def _weights(scored_lots: pd.DataFrame, weights: pd.DataFrame | None) -> Iterator[str]:
    yield from _heading("What the score is made of")
    yield "The score of a lot, 0 to 100, is the weighted mean of what was measured on it, each brought to 0 to 1 by a"
    yield "fixed rule that no other lot can shift."
    if weights is not None:
        measured = {
            str(name).removeprefix("points_") for name in scored_lots.columns if str(name).startswith("points_")
        }
        for factor, weight in zip(weights["factor"], weights["weight"], strict=True):
            note = "" if factor in measured else "   (no layer: its weight goes to the others)"
            yield f"  {factor:<14}{weight:.3f}{note}"
        ratio = weights["consistency_ratio"].iloc[0] if len(weights) else np.nan
        if pd.notna(ratio):
            yield f"The weights come from pairwise comparison, consistency ratio {ratio:.3f} (above 0.1 is refused)."
    yield ""


def _first_lots(scored_lots: pd.DataFrame) -> Iterator[str]:
    yield from _heading("The most exposed lots, and how sure that is")
    ranked = scored_lots[scored_lots["exposure"].notna()].sort_values("exposure_rank", kind="stable")
    if "rank_group" in ranked.columns:
        first = int((ranked["rank_group"] == 1).sum())
        apart = "The first is told apart from all others."
        if first > 1:
            apart = f"The first {first:,}, of one group, can't be told apart from the most exposed."
        yield f"{len(ranked):,} lots are ranked. {apart}"
    if "cost_error_m" in ranked.columns and ranked["cost_error_m"].notna().any():
        error_ft = ranked["cost_error_m"].max() / METRES_PER_FOOT
        yield f"Lengths of ways as the ground is crossed are measured over cells, most to within {2 * error_ft:.0f} ft;"
        yield "the places that each lot may take allow for that."
    for row in ranked.head(_LISTED).to_dict("records"):
        sure = f" [{row['rank_note']}]" if "rank_note" in row else ""
        name = row.get("parcel_id", "")
        yield f"  {row['exposure_rank']:>5,}  {name}  {row['exposure']:.0f}: {row['exposure_reason']}{sure}"
    yield ""


def _validation(validation: pd.DataFrame | None) -> Iterator[str]:
    yield from _heading("Does it find the places where rattlesnakes were met?")
    if validation is None:
        yield from ("Not tested: no encounter records were given.", "")
        return
    for text in validation.loc[validation["measure"] == "verdict", "said"]:
        yield text
    yield "Records show where animals were met and reported, not where none was: lots without a record are background."
    yield f"  {'':<42}{'score':>8}{'distance':>10}{'fitted':>8}"
    for row in validation[validation["model"].notna()].to_dict("records"):
        values = [("" if pd.isna(row[k]) else f"{row[k]:.2f}") for k in ("model", "baseline", "fitted")]
        name = f"{row['measure']} {row['part']}".strip()
        yield f"  {name:<42}{values[0]:>8}{values[1]:>10}{values[2]:>8}"
    for text in validation.loc[(validation["said"] != "") & (validation["measure"] != "verdict"), "said"]:
        yield text
    yield ""


def _scenarios(scenarios: pd.DataFrame | None) -> Iterator[str]:
    yield from _heading("What would change it")
    if scenarios is None:
        yield from ("Not looked into.", "")
        return
    for column, what in _CHANGES.items():
        if column in scenarios.columns:
            known = scenarios[["exposure", column]].dropna()
            drop = known["exposure"] - known[column]
            yield f"  {what}: {(drop > 1).sum():,} lots less exposed, mean exposure {known['exposure'].mean():.0f}"
            yield f"      to {known[column].mean():.0f}; {(drop < -1).sum():,} lots more exposed"
    if "way_left" in scenarios.columns and scenarios["way_left"].notna().any():
        yield f"  With the barrier a way in is left to {int(scenarios['way_left'].fillna(False).sum()):,} lots."
    yield ""
