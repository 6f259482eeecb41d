"""Draw spec sheets: a page a lot with its plan to scale, its quantities, and what is to be dealt with."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from geotools.errors import OutputError
from geotools.outputs.columns import BARRIER_LINES_COLUMNS, SPECS_COLUMNS, explain_column, shown_name
from geotools.outputs.display import check_same_crs, clean_text, show_table
from geotools.outputs.pdf_text import new_canvas
from geotools.outputs.sheet_gates import NewGate
from geotools.outputs.sheet_page import (
    Block,
    Frame,
    IndexRow,
    draw_blocks,
    draw_corner,
    draw_cover,
    draw_foot,
    draw_index,
    index_page_count,
    index_pages,
    page_frame,
)
from geotools.outputs.sheet_plan import LotPlan, Mark, Panel, draw_plan
from geotools.outputs.sheet_scale import lay_view, show_height, show_station

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from geotools.outputs.sheet_scale import View

__all__ = ["write_sheets"]

_ON_SHEETS = ("build", "retrofit", "do not build")
"""Verdicts after which there is something to do, to mend, or to know on the ground."""
_LABEL_ROOM_PT = 30.0
_AROUND_M = 1.5
_GATES_WITHIN_M = 2.0
_QUANTITIES = (
    "option", "length_m", "surface_length_m", "height_m", "highest_panel_m", "mesh_opening_m", "burial_m",
    "roll_width_m", "posts", "corners", "gates", "ways_in", "footholds_to_clear", "cost_low", "cost_likely",
    "cost_high",
)  # fmt: skip
_FIXED = {"_ft": 1, "_m": 2}
"""Decimals of lengths, so that they can be held against each other."""
_NOTHING = ("", "0", "0.0 ft", "0.00 m")
_INDEX_HEAD = ("Sheet", "Lot", "Verdict", "Line", "Length", "Height", "Ways in", "To clear", "Scale")
_INDEX_SHARES = (0.06, 0.22, 0.12, 0.14, 0.11, 0.09, 0.08, 0.08, 0.10)


class _Own(NamedTuple):
    """The rows of each table that belong to one lot."""

    line: Any
    panels: pd.DataFrame
    footholds: pd.DataFrame
    ways_in: pd.DataFrame
    new_gates: pd.DataFrame


class _Sheet(NamedTuple):
    row: int
    view: View
    own: _Own


def write_sheets(
    lots: gpd.GeoDataFrame,
    barrier_lines: gpd.GeoDataFrame,
    ways_in: gpd.GeoDataFrame | None = None,
    footholds: gpd.GeoDataFrame | None = None,
    panels: gpd.GeoDataFrame | None = None,
    buildings: gpd.GeoDataFrame | None = None,
    gates: gpd.GeoDataFrame | None = None,
    wash_ground: gpd.GeoDataFrame | None = None,
    easements: gpd.GeoDataFrame | None = None,
    planned_gates: gpd.GeoDataFrame | None = None,
    pools: gpd.GeoDataFrame | None = None,
    *,
    path: Path,
    units: str = "us",
    title: str = "",
    date_of_data: str = "",
    every_lot: bool = False,
    bearings: bool = False,
) -> None:
    """Draw a page a lot: a vector plan at a stated engineering scale, quantities, things to deal with, cautions.

    In front stand a key plan and an index whose lines lead to the sheets; each sheet is in the outline. Stations run
    along the barrier (0+00 in hundreds of feet, or kilometres and metres), on from piece to piece. Lengths of the lot
    line follow the parcel layer, not a survey. Everything is told apart without colour. The same input gives the same
    bytes.

    Parameters
    ----------
    lots : GeoDataFrame, one row a parcel
        As `specify_lots` gives it; projected CRS in metres.
    barrier_lines : GeoDataFrame
        As `list_barrier_lines` gives it.
    ways_in, footholds, panels : GeoDataFrame, optional
        Openings with their seal, climbable things with their remedy, height schedule.
    buildings, gates, wash_ground, easements, pools : GeoDataFrame, optional
        Drawn where they lie on or about a lot.
    planned_gates : GeoDataFrame, optional
        As `place_gates` gives it; without it the place of each gate is left to be agreed on site.
    path : Path
        The PDF to write.
    units : str
        `us` (letter, 1 in = 10, 20, 30, 40, 50, 60, 100 ft) or `metric` (A4, 1:100, 200, 250, 500).
    title, date_of_data : str
        Written at the foot of each page.
    every_lot : bool
        A sheet for lots with nothing to do as well.
    bearings : bool
        Grid bearings beside the lengths of the lot lines.

    Raises
    ------
    CrsError
        If a table has no projected CRS in metres, or another one than the lots.
    OutputError
        If a column is missing, a lot is too large for a sheet, or the file can't be written.

    Examples
    --------
    >>> write_sheets(lots, barrier_lines, path=Path("sheets.pdf"))  # doctest: +SKIP
    """
    given: dict[str, gpd.GeoDataFrame | None] = {
        "lots": lots, "barrier_lines": barrier_lines, "ways_in": ways_in, "footholds": footholds, "panels": panels,
        "buildings": buildings, "gates": gates, "wash_ground": wash_ground, "easements": easements,
        "planned_gates": planned_gates, "pools": pools,
    }  # fmt: skip
    check_same_crs({name: table for name, table in given.items() if table is not None})
    shown = show_table(lots, columns=SPECS_COLUMNS, units=units)
    _ = show_table(barrier_lines, columns=BARRIER_LINES_COLUMNS, units=units)
    frame = page_frame(units)
    sheets = _choose_sheets(lots, given, frame, units, every_lot)
    context = _context(given, sheets)
    pages = index_page_count(len(sheets))
    total = 1 + pages + len(sheets)
    foot: dict[str, str] = {"title": title, "date_of_data": date_of_data, "units": units}

    canvas = new_canvas(path, title=title or "Barrier sheets", page_size_pt=frame.size_pt)
    numbers = {sheet.row: 2 + pages + place for place, sheet in enumerate(sheets)}
    _draw_front(canvas, frame, lots, shown, sheets, numbers, total, foot, units)
    for place, sheet in enumerate(sheets):
        number = numbers[sheet.row]
        name = clean_text(lots["parcel_id"].iloc[sheet.row]) or ""
        canvas.bookmarkPage(_bookmark(number))
        if not place:
            canvas.bookmarkPage("sheets")
            canvas.addOutlineEntry("Sheets", "sheets", level=0)
        canvas.addOutlineEntry(f"Lot {name}", _bookmark(number), level=1)
        plan = _lot_plan(lots, sheet, {key: shapes[place] for key, shapes in context.items()})
        short = draw_plan(canvas, sheet.view, plan, units=units, bearings=bearings)
        draw_corner(canvas, frame, sheet.view, units=units)
        draw_blocks(canvas, frame.side, _blocks(name, shown.iloc[sheet.row], sheet.own, plan, short, units))
        draw_foot(canvas, frame, sheet=f"{number} of {total}", **foot)
        canvas.showPage()
    try:
        canvas.save()
    except OSError as error:
        raise OutputError(
            f"the file can't be written ({error})", where=str(path), mend="choose a folder that can be written to"
        ) from error


def _choose_sheets(
    lots: gpd.GeoDataFrame, given: Mapping[str, Any], frame: Frame, units: str, every_lot: bool
) -> list[_Sheet]:
    usable = ~(lots.geometry.isna() | lots.geometry.is_empty)
    wanted = usable & (every_lot | lots["verdict"].isin(_ON_SHEETS))
    lines = given["barrier_lines"]
    advised = lines[lines["recommended"].astype(bool) & lines.geometry.notna()].drop_duplicates("parcel_id")
    line_of = dict(zip(advised["parcel_id"], range(len(advised)), strict=True))
    advised_ids = set(advised["line_id"])
    groups = {name: _by_lot(given[name], advised_ids) for name in ("panels", "footholds", "ways_in")}
    # A gate without a place has no point, but its row on the sheet.
    groups["planned_gates"] = _by_lot(given["planned_gates"], advised_ids, everywhere=True)
    sheets = []
    for row in np.flatnonzero(wanted.to_numpy()):
        parcel = lots["parcel_id"].iloc[row]
        line = advised.iloc[line_of[parcel]] if parcel in line_of else None
        own = _Own(line, *(groups[name].get(parcel, pd.DataFrame()) for name in groups))
        shapes = [lots.geometry.iloc[row]]
        if line is not None:
            shapes.append(line.geometry)
        for table in (own.footholds, own.ways_in):
            shapes += [shape for shape in table.geometry if shape is not None] if len(table) else []
        bounds = shapely.total_bounds(np.array(shapes, dtype=object)) + np.array([-1, -1, 1, 1]) * _AROUND_M
        try:
            view = lay_view(bounds.tolist(), frame.plan, margin_pt=_LABEL_ROOM_PT, units=units)
        except OutputError as error:
            raise error.at(f"lot {clean_text(parcel)}") from None
        sheets.append(_Sheet(int(row), view, own))
    return sheets


def _by_lot(table: gpd.GeoDataFrame | None, advised: set[str], *, everywhere: bool = False) -> dict[str, pd.DataFrame]:
    """Rows by lot; of things that belong to a line, those of the advised line only."""
    if table is None or table.empty:
        return {}
    kept = table[table["line_id"].isin(advised)] if "line_id" in table.columns else table
    kept = kept if everywhere else kept[kept.geometry.notna() & ~kept.geometry.is_empty]
    return {str(parcel): rows for parcel, rows in kept.groupby("parcel_id", sort=False)}


def _context(given: Mapping[str, Any], sheets: Sequence[_Sheet]) -> dict[str, list[list[Any]]]:
    """What lies in the window of each sheet, cut to it, all sheets of a layer at once."""
    frames: Any = shapely.box(*np.array([sheet.view.ground for sheet in sheets], dtype=np.float64).reshape(-1, 4).T)
    lines = given["barrier_lines"]
    layers = {
        "neighbours": given["lots"],
        "houses": given["buildings"],
        "sound_walls": lines[lines["kind"] == "existing"],
        "weak_walls": lines[lines["kind"] == "retrofit"],
        "washes": given["wash_ground"],
        "easements": given["easements"],
        "pools": given["pools"],
        "gates": given["gates"],
    }
    found: dict[str, list[list[Any]]] = {}
    for name, table in layers.items():
        found[name] = [[] for _ in sheets]
        if table is None or table.empty or not len(sheets):
            continue
        shapes = table.geometry.to_numpy()
        at, which = shapely.STRtree(shapes).query(frames, predicate="intersects")
        order = np.lexsort((which, at))
        at, which = at[order], which[order]
        # Outlines are cut as lines, so that the edge of the window is not drawn as an edge of the thing.
        whole = shapely.boundary(shapes[which]) if name == "neighbours" else shapes[which]
        seen: Any = shapely.intersection(whole, frames[at])
        for place, shape in zip(at, seen, strict=True):
            if not shapely.is_empty(shape):
                found[name][place].append(shape)
    return found


def _lot_plan(lots: gpd.GeoDataFrame, sheet: _Sheet, context: dict[str, list[Any]]) -> LotPlan:
    lot, own = lots.geometry.iloc[sheet.row], sheet.own
    least_m = own.panels["height_m"].min() if len(own.panels) else np.nan
    pieces = [
        Panel(int(row["panel"]), row["geometry"], float(row["height_m"]), bool(row["height_m"] > least_m + 1e-6))
        for row in own.panels.to_dict("records")
    ]
    new_gates = [
        NewGate(int(row["gate"]), row["geometry"], float(row["width_m"]), float(row["swing_deg"]))
        for row in own.new_gates.to_dict("records")
        if row["geometry"] is not None
    ]
    near = shapely.buffer(lot, _GATES_WITHIN_M)
    # Where a new gate takes the place of one that stands, the new one is drawn.
    taken = shapely.union_all([shapely.buffer(gate.point, _GATES_WITHIN_M) for gate in new_gates])
    gates = [
        shape
        for shape in context.pop("gates")
        if shapely.intersects(shape, near) and not shapely.intersects(shape, taken)
    ]
    marks = [
        Mark(letter, number, shape)
        for letter, shapes in (("F", _shapes(own.footholds)), ("W", _shapes(own.ways_in)), ("G", gates))
        for number, shape in enumerate(shapes, start=1)
    ]
    barrier = None if own.line is None else own.line.geometry
    return LotPlan(lot, barrier, pieces, marks, new_gates=new_gates, **context)


def _shapes(table: pd.DataFrame) -> list[Any]:
    return list(table.geometry) if len(table) else []


def _draw_front(
    canvas: Any,
    frame: Frame,
    lots: gpd.GeoDataFrame,
    shown: pd.DataFrame,
    sheets: Sequence[_Sheet],
    numbers: Mapping[int, int],
    total: int,
    foot: dict[str, str],
    units: str,
) -> None:
    """The cover with its key plan, then the index."""
    counts = shown["verdict"].value_counts()
    facts = [f"{len(shown):,} lots: " + ", ".join(f"{counts[verdict]} {verdict}" for verdict in counts.index) + "."]
    facts.append(f"{len(sheets):,} sheets" + ("." if len(sheets) == len(shown) else "; lots without one need no work."))
    usable = np.flatnonzero(~(lots.geometry.isna() | lots.geometry.is_empty))
    key = [(lots.geometry.iloc[row], str(numbers.get(int(row), "")), int(row) in numbers) for row in usable]
    draw_cover(canvas, frame, title=foot["title"], facts=facts, lots=key, units=units)
    draw_foot(canvas, frame, sheet=f"1 of {total}", **foot)
    canvas.showPage()
    rows = [
        IndexRow(_bookmark(numbers[sheet.row]), _index_cells(shown.iloc[sheet.row], numbers[sheet.row], sheet))
        for sheet in sheets
    ]
    for place, page in enumerate(index_pages(rows) or [[]]):
        if not place:
            canvas.bookmarkPage("index")
            canvas.addOutlineEntry("Index of sheets", "index", level=0)
        draw_index(canvas, frame, page, _INDEX_HEAD, _INDEX_SHARES)
        draw_foot(canvas, frame, sheet=f"{2 + place} of {total}", **foot)
        canvas.showPage()


def _index_cells(lot: pd.Series[Any], number: int, sheet: _Sheet) -> list[str]:
    length, height = (
        next((name for name in lot.index if name.startswith(stem)), "") for stem in ("length_", "height_")
    )
    return [
        str(number),
        lot["parcel_id"] or "",
        lot["verdict"] or "",
        lot["option"] or "",
        _amount(lot, length),
        _amount(lot, height),
        _amount(lot, "ways_in"),
        _amount(lot, "footholds_to_clear"),
        sheet.view.scale.text,
    ]


def _blocks(
    name: str, lot: pd.Series[Any], own: _Own, plan: LotPlan, short: list[tuple[str, str]], units: str
) -> list[Block]:
    blocks = [Block(f"Lot {name}: {lot['verdict']}", lines=[lot["reason"] or ""])]
    wanted = [shown_name(column, units=units) for column in _QUANTITIES]
    rows = [
        [explain_column(column).title, _amount(lot, column)]
        for column in wanted
        if column in lot.index and _amount(lot, column) not in _NOTHING
    ]
    no_place = not len(own.new_gates)
    if plan.barrier is not None and "gates" in lot.index and _amount(lot, "gates") not in _NOTHING:
        rows.append(
            ["Each gate", "a rigid sweep to a hard sill, self-closing" + "; agree its place on site" * no_place]
        )
    blocks.append(Block("Quantities", rows=rows, shares=(0.45, 0.55)))
    if len(own.new_gates):
        blocks.append(
            Block(
                "New gates (N)",
                head=("No.", "Station", "Clear", "Swings", "Place"),
                rows=[
                    [
                        f"N{row['gate']}",
                        "" if row["agree_on_site"] else show_station(float(row["station_m"]), units=units),
                        show_height(float(row["width_m"]), units=units),
                        row["swing"],
                        row["reason"],
                    ]
                    for row in own.new_gates.to_dict("records")
                ],
                shares=(0.09, 0.14, 0.12, 0.13, 0.52),
            )
        )
    if len(own.ways_in):
        blocks.append(
            Block(
                "Ways in (W) and what seals them",
                head=("No.", "What", "Opening", "Seal"),
                rows=[
                    [f"W{number}", row["kind"], show_height(float(row["opening_m"]), units=units), row["remedy"]]
                    for number, row in enumerate(own.ways_in.to_dict("records"), start=1)
                ],
                shares=(0.09, 0.25, 0.15, 0.51),
            )
        )
    if len(own.footholds):
        blocks.append(
            Block(
                "Climbable things (F) and what to do",
                head=("No.", "What", "Height", "Away", "Remedy"),
                rows=[
                    [
                        f"F{number}",
                        row["kind"],
                        show_height(float(row["height_m"]), units=units),
                        show_height(round(float(row["distance_m"]), 3), units=units),
                        row["remedy"],
                    ]
                    for number, row in enumerate(own.footholds.to_dict("records"), start=1)
                ],
                shares=(0.09, 0.17, 0.14, 0.14, 0.46),
            )
        )
    if len(own.panels):
        blocks.append(
            Block(
                "Panels (P)",
                head=("No.", "From", "To", "Height", "Because of"),
                rows=[
                    [
                        f"P{row['panel']}",
                        show_station(float(row["from_m"]), units=units),
                        show_station(float(row["to_m"]), units=units),
                        show_height(float(row["height_m"]), units=units),
                        row["governed_by"],
                    ]
                    for row in own.panels.to_dict("records")
                ],
                shares=(0.12, 0.17, 0.17, 0.2, 0.34),
            )
        )
    if short:
        text = ", ".join(f"{letter} {length}" for letter, length in short)
        blocks.append(Block("Sides too short to label", lines=[text]))
    return blocks


def _amount(lot: pd.Series[Any], column: str) -> str:
    """A value of the specs with its unit, or nothing where it is missing."""
    if not column or column not in lot.index or pd.isna(lot[column]):
        return ""
    value = lot[column]
    if isinstance(value, str):
        return value
    if column.startswith("cost_"):
        return f"${value:,.2f}"
    for suffix, sign in (("_ft", "ft"), ("_in", "in"), ("_mm", "mm"), ("_m", "m")):
        if column.endswith(suffix) and column != "ways_in":
            return f"{value:,.{_FIXED[suffix]}f} {sign}" if suffix in _FIXED else f"{value:,.10g} {sign}"
    return f"{int(value):,}"


def _bookmark(number: int) -> str:
    return f"sheet-{number}"
