"""Measure what new lines, mended walls and things to clear take, in metres, cubic metres and counts."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import shapely

from geotools.takeoff.cutting import split_run
from geotools.takeoff.digging import SOILS, footing_concrete, footing_hole, soil_shares, trench_volume
from geotools.takeoff.gates import classify_between_gates, cut_runs, find_gate_openings
from geotools.takeoff.materials import STOCK_WIDTHS_M, grade_factor, roll_width
from geotools.units import METRES_PER_INCH

if TYPE_CHECKING:
    import geopandas as gpd
    from numpy.typing import NDArray

    from geotools.takeoff.posts import Openings

    Floats = NDArray[np.float64]

__all__ = ["Practice", "Work", "collect_runs", "take_off_clearing", "take_off_lines", "take_off_walls"]

_TIE_M = 12 * METRES_PER_INCH
"""Ties up a post and anchors along a wall, 12 in apart (common practice, no source)."""
_SAME_M = 1e-6


@dataclass(frozen=True)
class Practice:
    """How the work is done; lengths in metres."""

    burial_m: float
    stock_m: float
    lap_m: float
    wrap_m: float
    post_spacing_m: float
    corner_deg: float
    straighten_m: float
    closer_on_curves: bool
    line_post_m: float
    terminal_post_m: float
    gate_width_m: float
    trench_width_m: float
    ring_spacing_m: float
    soil: str
    caliche_pct: float


@dataclass
class Work:
    """What was taken off so far: rows of parcel, line, item and quantity, and the pieces of mesh to cut by width."""

    rows: list[pd.DataFrame] = field(default_factory=list)
    pieces_m: dict[int, list[float]] = field(default_factory=dict)

    def add(self, item: str, parcel_ids: Any, line_ids: Any, quantities: Any) -> None:
        """Note a quantity of an item for each of some lines; zeros are left out."""
        amounts = np.asarray(quantities, dtype=np.float64)
        rows = pd.DataFrame(
            {
                "parcel_id": np.asarray(parcel_ids, dtype=object),
                "line_id": np.asarray(line_ids, dtype=object),
                "item": item,
                "amount": amounts,
            }
        )
        self.rows.append(rows[amounts > 0])

    def cut(self, width_in: int, pieces_m: list[float]) -> None:
        """Note pieces of mesh to cut."""
        self.pieces_m.setdefault(width_in, []).extend(pieces_m)


def collect_runs(
    lines: gpd.GeoDataFrame, panels: gpd.GeoDataFrame | None, openings: Openings | None = None, *, burial_m: float
) -> pd.DataFrame:
    """Collect the runs of one mesh width along each line.

    A run goes on from panel to panel, round corners, until the width changes, the line breaks or a gate opens it.

    Parameters
    ----------
    lines : GeoDataFrame, n rows
        line_id, height_m, geometry.
    panels : GeoDataFrame, optional
        line_id, from_m, to_m, length_m, height_m, geometry, in order; a line without panels is built at its height_m.
    openings : Openings, optional
        Gates that have a place.
    burial_m : float

    Returns
    -------
    DataFrame
        row (of the line), length_m (plan), height_m, width_in, courses, run (number), one row per panel or part.

    Examples
    --------
    >>> import geopandas as gpd
    >>> shape = shapely.LineString([(0, 0), (9, 0)])
    >>> run = gpd.GeoDataFrame({"line_id": ["A"], "height_m": [0.9144]}, geometry=[shape])
    >>> collect_runs(run, None, burial_m=0.1524)[["row", "length_m", "width_in", "courses"]].to_numpy().tolist()
    [[0.0, 9.0, 48.0, 1.0]]
    """
    ids = pd.Index(lines["line_id"].astype(str))
    shapes = lines.geometry.to_numpy()
    with_panels = np.zeros(len(lines), dtype=bool)
    tables: list[pd.DataFrame] = []
    if panels is not None and len(panels):
        at = ids.get_indexer(pd.Index(panels["line_id"].astype(str)))
        used = panels[at >= 0]
        ends = shapely.get_coordinates(used.geometry.to_numpy(), return_index=True)
        first = np.searchsorted(ends[1], np.arange(len(used)))
        last = np.append(first[1:], len(ends[0]))[: len(used)] - 1
        begin, end = ends[0][first], ends[0][last]
        row = at[at >= 0]
        joined = np.append(False, (row[1:] == row[:-1]) & (np.hypot(*(begin[1:] - end[:-1]).T) < _SAME_M))[: len(row)]
        tables.append(
            pd.DataFrame(
                {
                    "row": row,
                    "from_m": used.groupby(row)["length_m"].cumsum().to_numpy() - used["length_m"].to_numpy(),
                    "length_m": used["length_m"].to_numpy(),
                    "height_m": used["height_m"].to_numpy(),
                    "joined": joined,
                }
            )
        )
        with_panels[row] = True
    rest = np.flatnonzero(~with_panels)
    parts, part_of = shapely.get_parts(shapes[rest], return_index=True)
    heights_m = pd.to_numeric(lines["height_m"]).to_numpy(dtype=np.float64, na_value=np.nan)
    long_m = shapely.length(parts)
    before_m = np.cumsum(long_m) - long_m
    tables.append(
        pd.DataFrame(
            {
                "row": rest[part_of],
                "from_m": before_m - before_m[np.searchsorted(part_of, part_of)],
                "length_m": long_m,
                "height_m": heights_m[rest[part_of]],
                "joined": False,
            }
        )
    )
    runs = pd.concat(tables, ignore_index=True)
    if openings is not None and len(openings.line):
        runs = cut_runs(runs, openings)
    width_m, courses = roll_width(runs["height_m"].to_numpy(dtype=np.float64) + burial_m)
    runs["width_in"] = np.rint(np.nan_to_num(width_m) / METRES_PER_INCH).astype(np.int64)
    runs["courses"] = courses
    same = runs[["width_in", "courses"]].eq(runs[["width_in", "courses"]].shift()).all(axis=1) & runs["joined"].astype(
        bool
    )
    runs["run"] = (~same).cumsum() - 1
    return runs.drop(columns="joined").sort_values(["row", "run"], kind="stable", ignore_index=True)


def take_off_lines(
    work: Work,
    lines: gpd.GeoDataFrame,
    panels: gpd.GeoDataFrame | None,
    soils: gpd.GeoDataFrame | None,
    practice: Practice,
    planned_gates: gpd.GeoDataFrame | None = None,
) -> None:
    """Take off new lines: mesh, posts, footings, holes, trench, wire, fasteners, gates and the cleared strip."""
    if lines.empty:
        return
    ids = (lines["parcel_id"].to_numpy(), lines["line_id"].to_numpy())
    factor = grade_factor(lines)
    shapes = lines.geometry.to_numpy()
    ground_m = shapely.length(shapes) * factor
    gates = lines["gates"].fillna(0).to_numpy(dtype=np.int64)
    openings = find_gate_openings(lines, planned_gates)
    placed = np.bincount(openings.line, minlength=len(lines))
    gates = np.maximum(gates, placed)
    placed_m = np.bincount(openings.line, openings.to_m - openings.from_m, minlength=len(lines))
    open_m = placed_m + (gates - placed) * practice.gate_width_m
    counts = classify_between_gates(
        shapes,
        openings,
        straighten_m=practice.straighten_m,
        post_spacing_m=practice.post_spacing_m,
        corner_deg=practice.corner_deg,
        closer_on_curves=practice.closer_on_curves,
        grade_factor=factor,
    )
    fence_m = np.maximum(ground_m - open_m, 0.0)
    runs = collect_runs(lines, panels, openings, burial_m=practice.burial_m)
    _take_off_mesh(work, runs, ids, factor, gates - placed, practice)
    terminals = counts.corner + counts.end + 2 * gates
    shares = soil_shares(lines, soils, soil=practice.soil, caliche_pct=practice.caliche_pct)
    for item, number in {
        "post_line": counts.line,
        "post_corner": counts.corner,
        "post_end": counts.end,
        "post_gate": 2 * gates,
    }.items():
        work.add(item, *ids, number)
    _take_off_footings(
        work,
        runs,
        ids,
        counts.line,
        terminals,
        shares,
        practice,
    )
    trench_m3 = trench_volume(ground_m, width_m=practice.trench_width_m, depth_m=practice.burial_m)
    for column, soil in enumerate(SOILS):
        work.add(f"trench_{soil}", *ids, trench_m3 * shares[:, column])
    work.add("wire", *ids, 2 * fence_m)
    height_m = _line_mean(runs, runs["height_m"].to_numpy(dtype=np.float64), len(lines))
    work.add("tie", *ids, (counts.line + terminals) * (np.ceil(height_m / _TIE_M - _SAME_M) + 1))
    work.add("ring", *ids, 2 * np.ceil(fence_m / practice.ring_spacing_m - _SAME_M))
    work.add("gate", *ids, gates)
    work.add("sweep", *ids, gates)
    work.add("sill", *ids, open_m)
    work.add("clear_strip", *ids, ground_m)


def take_off_walls(work: Work, ways_in: gpd.GeoDataFrame, *, height_m: float, practice: Practice) -> None:
    """Take off the mending of standing walls and gates: mesh on the face, anchors, sweeps, sills and seals.

    Only `kind`, `parcel_id`, `length_m` and `remedy` are read; gaps are lines and are left to `take_off_lines`.
    """
    kinds = ways_in["kind"].astype(str).to_numpy()
    length_m = ways_in["length_m"].to_numpy(dtype=np.float64)
    unknown = ways_in["remedy"].astype(str).str.startswith("measure").to_numpy()
    parcel = ways_in["parcel_id"].to_numpy(dtype=object)
    none = np.full(len(ways_in), "", dtype=object)
    gate = (kinds == "gate") & ~unknown
    wall = np.array(["wall" in kind for kind in kinds], dtype=bool) & ~unknown
    work.add("sweep", parcel, none, gate)
    work.add("sill", parcel, none, gate * length_m)
    work.add("seal", parcel, none, gate * 2 * height_m)
    width_m, courses = roll_width(np.array([height_m + practice.burial_m]))
    width_in = round(width_m[0] / METRES_PER_INCH)
    work.add(f"face_{width_in}", parcel, none, wall * length_m * courses[0])
    work.add("anchor", parcel, none, wall * 2 * (np.ceil(length_m / _TIE_M - _SAME_M) + 1))
    trench_m3 = trench_volume(length_m * wall, width_m=practice.trench_width_m, depth_m=practice.burial_m)
    work.add(f"trench_{practice.soil}", parcel, none, trench_m3 * (1 - practice.caliche_pct / 100))
    work.add("trench_caliche", parcel, none, trench_m3 * practice.caliche_pct / 100)
    for each_m in length_m[wall].tolist():
        for _ in range(int(courses[0])):
            work.cut(width_in, split_run(each_m, stock_m=practice.stock_m, lap_m=practice.lap_m, wrap_m=0.0))
    work.add("site_check", parcel, none, unknown)


def take_off_clearing(
    work: Work, lines: gpd.GeoDataFrame, footholds: gpd.GeoDataFrame | None, wash_ground: gpd.GeoDataFrame | None
) -> None:
    """Take off climbable things to trim or remove along the lines, and flow gates where a line crosses a wash."""
    if footholds is not None and len(footholds):
        near = footholds[footholds["line_id"].isin(lines["line_id"])]
        if "cheapest" in near.columns:
            near = near[near["cheapest"].eq("clear")]
        trims = near["remedy"].astype(str).str.contains("trim it").to_numpy()
        ids = (near["parcel_id"].to_numpy(dtype=object), near["line_id"].to_numpy(dtype=object))
        work.add("trim", *ids, trims)
        work.add("remove", *ids, ~trims)
    if wash_ground is not None and len(wash_ground) and len(lines):
        water = shapely.union_all(wash_ground.geometry.to_numpy())
        crossing_m = shapely.length(shapely.intersection(lines.geometry.to_numpy(), water))
        work.add("flow_gate", lines["parcel_id"], lines["line_id"], np.where(crossing_m > _SAME_M, crossing_m, 0.0))


def _take_off_mesh(
    work: Work, runs: pd.DataFrame, ids: tuple[Any, Any], factor: Floats, gates: NDArray[np.int64], practice: Practice
) -> None:
    """Mesh of each run, and its pieces; gates without a place are taken from their line's longest run."""
    grouped = runs.assign(ground_m=runs["length_m"] * factor[runs["row"]]).groupby("run", sort=True)
    table = grouped.agg(
        row=("row", "first"), ground_m=("ground_m", "sum"), width_in=("width_in", "first"), courses=("courses", "first")
    )
    longest = table.groupby("row")["ground_m"].idxmax()
    gaps = pd.Series(0, index=table.index)
    gaps.loc[longest] = gates[longest.index]
    table["ground_m"] = (table["ground_m"] - gaps * practice.gate_width_m).clip(lower=0.0)
    parcels, lines = ids
    for width_in in (round(width_m / METRES_PER_INCH) for width_m in STOCK_WIDTHS_M):
        own = table[table["width_in"] == width_in]
        hung_m = np.bincount(own["row"], own["ground_m"] * own["courses"], minlength=len(parcels))
        work.add(f"hang_{width_in}", parcels, lines, hung_m)
        for run_m, courses, gap in zip(
            own["ground_m"].tolist(), own["courses"].tolist(), gaps[own.index].tolist(), strict=True
        ):
            pieces_m = split_run(
                run_m, stock_m=practice.stock_m, lap_m=practice.lap_m, wrap_m=practice.wrap_m * (1 + gap)
            )
            for _ in range(courses):
                work.cut(width_in, pieces_m)


def _take_off_footings(
    work: Work,
    runs: pd.DataFrame,
    ids: tuple[Any, Any],
    line_posts: Any,
    terminals: Any,
    soil: Floats,
    practice: Practice,
) -> None:
    """Pipe, concrete and holes; the heights along a line count by their share of its length."""
    heights_m = runs["height_m"].to_numpy(dtype=np.float64)
    concrete, holes = np.zeros(len(ids[0])), np.zeros(len(ids[0]))
    for item, post_m, number in (
        ("pipe_line", practice.line_post_m, line_posts),
        ("pipe_terminal", practice.terminal_post_m, terminals),
    ):
        diameter_m, depth_m = footing_hole(np.full(len(heights_m), post_m), heights_m)
        concrete += number * _line_mean(runs, footing_concrete(np.full(len(heights_m), post_m), heights_m), len(ids[0]))
        holes += number * _line_mean(runs, np.pi / 4 * diameter_m**2 * depth_m, len(ids[0]))
        work.add(item, *ids, number * _line_mean(runs, heights_m + depth_m, len(ids[0])))
    work.add("concrete", *ids, concrete)
    for number, name in enumerate(SOILS):
        work.add(f"hole_{name}", *ids, holes * soil[:, number])


def _line_mean(runs: pd.DataFrame, values: Floats, lines: int) -> Floats:
    """Mean of a value over the length of each line."""
    weight = runs["length_m"].to_numpy(dtype=np.float64)
    total = np.bincount(runs["row"], weight * values, minlength=lines)
    length = np.bincount(runs["row"], weight, minlength=lines)
    return np.asarray(np.divide(total, length, out=np.zeros(lines), where=length > 0))
