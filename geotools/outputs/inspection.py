"""Write an inspection: stretches and punch list as layers and tables, and a report with the maintenance calendar."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import geopandas as gpd
import numpy as np
import pandas as pd

from geotools.outputs.display import check_same_crs, show_table
from geotools.outputs.report import Part, write_report
from geotools.outputs.sheet_scale import show_height, show_length, show_station
from geotools.outputs.tables import _write_bytes, guard_text
from geotools.units import METRES_PER_FOOT, METRES_PER_INCH

if TYPE_CHECKING:
    from collections.abc import Sequence

__all__ = ["CALENDAR", "write_inspection"]

CALENDAR: tuple[tuple[str, str, str], ...] = (
    (
        "late winter, before spring",
        "walk the whole line: height, mesh, gates, sills, burial; trim what has grown within the setback",
        "UC IPM Pest Notes 74119: before activity begins (published, read as restated elsewhere)",
    ),
    (
        "after each storm, and after wind",
        "washed-out ground under the mesh, debris against it, leaning posts; flow gates free",
        "extension guides and exclusion fencing practice (published, read as restated elsewhere)",
    ),
    ("before the summer rains", "drains and flow gates open and sealed; soil back against the mesh", "common practice"),
    ("after the summer rains", "trim regrowth; measure low stretches again", "common practice"),
    ("each month", "gates close and latch by themselves, sweeps touch the sill", "assumption of this project"),
    (
        "in hot months",
        "animals held up along long stretches: ways round are open, shade is there",
        "Eye et al. 2018, Can. Field-Nat. 132:30-35: snakes die along fences (published, text read)",
    ),
)
"""When to look, at what, and where that is from."""
_MOST_STOPS = 200


def write_inspection(
    stretches: gpd.GeoDataFrame,
    punch_list: gpd.GeoDataFrame,
    as_built_closure: gpd.GeoDataFrame | None = None,
    *,
    path: Path,
    units: str = "us",
    title: str = "",
    date_of_data: str = "",
    snap_m: float = 5 * METRES_PER_FOOT,
    tolerance_m: float = 0.5 * METRES_PER_INCH,
) -> None:
    """Write an inspection as GeoPackage, and beside it inspection.csv, punch_list.csv, inspection.pdf and .md.

    Parameters
    ----------
    stretches : GeoDataFrame
        As `compare_as_built` gives it, in a projected CRS in metres.
    punch_list : GeoDataFrame
        As `list_punch` gives it.
    as_built_closure : GeoDataFrame, optional
        As `prove_closure` gives it for the lots with a line, with the barrier as it was built.
    path : Path
        The GeoPackage to write; the others are named after it.
    units : str
        `us` or `metric`.
    title, date_of_data : str
    snap_m, tolerance_m : float
        What the comparison was made with, for the report.

    Raises
    ------
    CrsError
        If a table has no projected CRS in metres, or another one.
    OutputError
        If a file can't be written.

    Examples
    --------
    >>> write_inspection(stretches, punch_list, path=Path("inspection.gpkg"))  # doctest: +SKIP
    """
    from geotools.layers.writing import write_geopackage

    check_same_crs({"stretches": stretches, "punch_list": punch_list})
    layers = {"stretches": _shown(stretches, units), "punch_list": _shown(punch_list, units)}
    kinds = {"stretches": "MultiLineString", "punch_list": "Point"}
    if as_built_closure is not None:
        check_same_crs({"stretches": stretches, "closure": as_built_closure})
        told = as_built_closure[["parcel_id", "closed_now", "ways_in", "why", "geometry"]]
        layers["ways_in_as_built"] = _shown(told[~told["closed_now"].astype(bool)], units)
        kinds["ways_in_as_built"] = "Unknown"
    write_geopackage(path, layers, geometry_types=kinds)
    _write_csv(layers["stretches"], path.with_name("inspection.csv"))
    _write_csv(layers["punch_list"], path.with_name("punch_list.csv"))
    parts = [
        Part("title", f"Inspection of the barrier{f': {title}' if title else ''}"),
        *_summary(stretches, units, snap_m, tolerance_m),
        *_closed(as_built_closure),
        *_punch(punch_list, units),
        Part("heading", "When to look again"),
        Part("table", head=("When", "What", "Source"), rows=CALENDAR, shares=(0.22, 0.43, 0.35)),
    ]
    unit_text = "feet and inches" if units == "us" else "metres and millimetres"
    foot = f"date of data: {date_of_data or 'not given'}; units: {unit_text}"
    write_report(parts, path.with_suffix(".pdf"), foot=foot)


def _write_csv(table: gpd.GeoDataFrame, path: Path) -> None:
    """Text that a spreadsheet would take for a formula stays text, as in the specs."""
    plain = pd.DataFrame(table.drop(columns="geometry"))
    for name in plain.columns:
        if plain[name].dtype == object:
            plain[name] = [guard_text(value) for value in plain[name]]
    _write_bytes(path, plain.to_csv(index=False, lineterminator="\r\n").encode("utf-8"))


def _shown(table: gpd.GeoDataFrame, units: str) -> gpd.GeoDataFrame:
    columns = [str(name) for name in table.columns if name != table.geometry.name]
    shown = show_table(pd.DataFrame(table[columns]), columns=columns, units=units)
    return gpd.GeoDataFrame(shown, geometry=table.geometry.array, crs=table.crs)


def _summary(stretches: gpd.GeoDataFrame, units: str, snap_m: float, tolerance_m: float) -> list[Part]:
    lines = stretches.groupby("line_id", sort=False)["passes"].all()
    length_m = stretches.groupby("finding", sort=False)["length_m"].agg(["count", "sum"])
    whole_m = float(stretches["length_m"].sum())
    rows: list[Sequence[object]] = [
        [finding, count, show_length(found_m, units=units), f"{100 * found_m / whole_m:.1f} %"]
        for finding, count, found_m in zip(length_m.index, length_m["count"], length_m["sum"], strict=True)
    ]
    text = (
        f"{int(lines.sum())} of {len(lines)} lines pass. A measured place belongs to the plan within "
        f"{show_length(snap_m, units=units)}; a top up to {show_height(tolerance_m, units=units)} low passes."
    )
    return [
        Part("heading", "Pass or fail"),
        Part("text", text),
        Part("table", head=("Finding", "Stretches", "Length", "Share"), rows=rows, shares=(0.4, 0.2, 0.2, 0.2)),
    ]


def _closed(closure: gpd.GeoDataFrame | None) -> list[Part]:
    head = Part("heading", "Closed as built?")
    if closure is None:
        return [head, Part("text", "Not proved: the layers of the plan's run are not at hand.")]
    closed = closure["closed_now"].astype(bool)
    rows: list[Sequence[object]] = [
        [row["parcel_id"], int(row["ways_in"]), row["why"]] for row in closure[~closed].to_dict("records")
    ]
    text = f"{int(closed.sum())} of {len(closure)} lots with a line are closed, by what was measured."
    parts = [head, Part("text", text)]
    if rows:
        parts.append(Part("table", head=("Lot", "Ways in", "Why"), rows=rows, shares=(0.2, 0.1, 0.7)))
    return parts


def _punch(punch_list: gpd.GeoDataFrame, units: str) -> list[Part]:
    head = Part("heading", "Punch list, in walking order")
    if punch_list.empty:
        return [head, Part("text", "Nothing to put right.")]
    rows: list[Sequence[object]] = [
        [
            row["stop"],
            row["parcel_id"],
            show_station(row["station_m"], units=units),
            f"{row['finding']}: {row['what']}",
            row["work"],
            show_length(row["walk_m"], units=units),
        ]
        for row in punch_list.head(_MOST_STOPS).to_dict("records")
    ]
    walk_m = float(np.nansum(punch_list["walk_m"]))
    text = f"{len(punch_list)} stops, {show_length(walk_m, units=units)} in straight lines."
    titles = ("Stop", "Lot", "Station", "Finding", "Work", "Walk")
    parts = [head, Part("text", text), Part("table", head=titles, rows=rows, shares=(0.07, 0.17, 0.1, 0.34, 0.2, 0.12))]
    if len(punch_list) > _MOST_STOPS:
        parts.append(Part("text", f"And {len(punch_list) - _MOST_STOPS} more: see punch_list.csv."))
    return parts
