"""Write a bid as a document for signature: cover, plan, schedules, terms left blank, cautions."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import geopandas as gpd
import pandas as pd

from geotools.errors import OutputError
from geotools.outputs.bid_facts import ALTERNATES_COLUMNS, BidFacts, ask_for_columns, gather_facts, money
from geotools.outputs.bid_gates import GATES_HEAD, gates_taken_off, list_gates
from geotools.outputs.bid_pages import (
    LETTER_PT,
    Column,
    Flow,
    PageFrame,
    add_blanks,
    add_heading,
    add_list,
    add_table,
    add_text,
    finish_flow,
    start_flow,
)
from geotools.outputs.bid_plan import draw_plan, view_plan
from geotools.outputs.cautions import CAUTIONS
from geotools.outputs.display import check_same_crs, clean_text
from geotools.outputs.pdf_text import new_canvas
from geotools.units import METRES_PER_FOOT

if TYPE_CHECKING:
    from collections.abc import Sequence

__all__ = ["write_bid_document"]

_TERM_LINES = 14
_ITEM_GROUPS = {
    "posts": ("post_line", "post_corner", "post_end", "post_gate"),
    "gates": ("gate",),
    "new": ("hang_24", "hang_36", "hang_48"),
    "mended": ("face_24", "face_36", "face_48"),
}


def write_bid_document(
    lots: gpd.GeoDataFrame,
    barrier_lines: gpd.GeoDataFrame,
    takeoff: pd.DataFrame,
    prices: pd.DataFrame,
    alternates: pd.DataFrame | None = None,
    ways_in: gpd.GeoDataFrame | None = None,
    buildings: gpd.GeoDataFrame | None = None,
    roads: gpd.GeoDataFrame | None = None,
    planned_gates: gpd.GeoDataFrame | None = None,
    *,
    path: Path,
    title: str = "",
    units: str = "us",
    date_of_data: str = "",
) -> None:
    """Write the bid as PDF: cover, plan to scale, schedule of prices, schedule of lots, alternates, terms, cautions.

    The contractor's name, licence, terms and signature are ruled blanks. Every page bears the units, the date of the
    data and a caution. No time stamps: the same input gives the same bytes.

    Parameters
    ----------
    lots : GeoDataFrame
        parcel_id, verdict, height_m and, after `price_lots`, cost_likely.
    barrier_lines : GeoDataFrame
        kind, recommended; same CRS.
    takeoff, prices : DataFrame
        As `list_takeoff` and `price_takeoff` give them.
    alternates : DataFrame, optional
        As `compare_alternates` gives it.
    ways_in, buildings, roads : GeoDataFrame, optional
        For the plan; same CRS.
    planned_gates : GeoDataFrame, optional
        As `place_gates` gives it, for the plan and the schedule of gates.
    path : pathlib.Path
        The file to write.
    title : str
        Name of the job.
    units : str
        `us` or `metric`: scale of the plan, lengths of alternates.
    date_of_data : str
        As it shall be shown, such as `2026-03`.

    Raises
    ------
    CrsError
        If the layers are not in one projected CRS in metres.
    OutputError
        If a column is missing or the file can't be written.

    Examples
    --------
    >>> write_bid_document(lots, lines, takeoff, prices, path=Path("bid.pdf"))  # doctest: +SKIP
    """
    given = {
        "lots": lots, "barrier_lines": barrier_lines, "ways_in": ways_in, "buildings": buildings, "roads": roads,
        "planned_gates": planned_gates,
    }  # fmt: skip
    check_same_crs({name: table for name, table in given.items() if table is not None})
    ask_for_columns(lots, ("parcel_id", "verdict"), "lots")
    ask_for_columns(takeoff, ("scope", "parcel_id", "item", "net_quantity", "unit"), "takeoff")
    facts = gather_facts(prices, title=title, date_of_data=date_of_data)
    by_lot = _sum_by_lot(takeoff)
    ground = {name: table for name, table in {"buildings": buildings, "roads": roads}.items() if table is not None}
    plan, view = start_flow(), view_plan(lots, units=units)
    add_heading(plan, "Plan")
    gates = gates_taken_off(planned_gates, takeoff)
    if planned_gates is not None:
        ground["gates"] = planned_gates.loc[gates.index]
    plan.pages[-1].append(lambda canvas: draw_plan(canvas, view, lots, barrier_lines, ways_in, ground))
    flows = [
        _cover(facts, lots, by_lot, takeoff),
        plan,
        _price_pages(facts, prices),
        _lot_pages(lots, by_lot, facts, _length_unit(takeoff)),
        *([_gate_pages(gates, units)] if len(gates) else []),
        _other_pages(facts, alternates, units),
        _signature_page(facts),
    ]
    frame = PageFrame(f"Bid - {facts.title}" if facts.title else "Bid", facts.note, facts.invented)
    canvas = new_canvas(path, title=frame.title, page_size_pt=LETTER_PT)
    finish_flow(canvas, flows, frame)
    try:
        canvas.save()
    except OSError as error:
        raise OutputError(
            f"the file can't be written ({error})", where=str(path), mend="choose a folder that can be written to"
        ) from error


def _sum_by_lot(takeoff: pd.DataFrame) -> pd.DataFrame:
    """Length of new and mended mesh, posts and gates of each lot."""
    own = takeoff[takeoff["scope"] == "lot"]
    group = {item: name for name, items in _ITEM_GROUPS.items() for item in items}
    named = own.assign(group=own["item"].map(group)).dropna(subset="group")
    table = named.pivot_table(index="parcel_id", columns="group", values="net_quantity", aggfunc="sum", fill_value=0.0)
    return table.reindex(columns=list(_ITEM_GROUPS), fill_value=0.0)


def _length_unit(takeoff: pd.DataFrame) -> str:
    lengths = takeoff.loc[takeoff["item"].isin([*_ITEM_GROUPS["new"], *_ITEM_GROUPS["mended"]]), "unit"]
    return str(lengths.iloc[0]) if len(lengths) else "ft"


def _cover(facts: BidFacts, lots: gpd.GeoDataFrame, by_lot: pd.DataFrame, takeoff: pd.DataFrame) -> Flow:
    flow = start_flow()
    flow.at_pt[0] -= 26
    add_heading(flow, "Bid", size_pt=30)
    add_heading(flow, "Rattlesnake exclusion barrier", size_pt=15)
    add_text(flow, facts.title or "Site: not named", size_pt=12)
    if facts.invented:
        add_text(flow, facts.invented, size_pt=10, bold=True, red=True)
    flow.at_pt[0] -= 8
    verdicts = lots["verdict"].value_counts()
    unit = _length_unit(takeoff)
    sums = by_lot.sum()
    rows = [
        ["Total of the bid", facts.amount(facts.total_cents)],
        ["Range, low to high", f"{facts.amount(facts.low_cents)} to {facts.amount(facts.high_cents)}"],
        ["Lots to build on", f"{int(verdicts.get('build', 0)):,}"],
        ["Lots whose walls and gates are mended", f"{int(verdicts.get('retrofit', 0)):,}"],
        ["New line, mesh hung", f"{sums['new']:,.1f} {unit}"],
        ["Mesh on standing walls", f"{sums['mended']:,.1f} {unit}"],
        ["Posts", f"{sums['posts']:,.0f}"],
        ["New gates", f"{sums['gates']:,.0f}"],
        ["Price list", facts.price_list],
        ["Stands for", f"{facts.valid_days} days from the signature"],
    ]
    add_table(flow, [Column("In short", 220), Column("", 284, right=True)], rows, strong_rows=frozenset({0}))
    add_heading(flow, "Bidder", size_pt=11)
    add_blanks(flow, ["Name", "Licence number and class", "Address", "Telephone and mail"])
    add_heading(flow, "Owner", size_pt=11)
    add_blanks(flow, ["Name", "Address"])
    return flow


def _price_pages(facts: BidFacts, prices: pd.DataFrame) -> Flow:
    flow = start_flow()
    add_heading(flow, "Schedule of prices")
    columns = [
        Column("No.", 26),
        Column("Section", 50),
        Column("Item", 206),
        Column("Quantity", 62, right=True),
        Column("Unit", 32),
        Column("Hours", 52, right=True),
        Column(f"Amount ({facts.currency})", 76, right=True),
    ]
    rows: list[list[str]] = []
    strong: set[int] = set()
    for row in prices[prices["kind"].isin(["line", "charge", "total"])].to_dict("records"):
        amount = money(int(row["amount_cents"]), facts.currency)
        if row["kind"] == "line":
            quantity = (
                f"{row['quantity']:,.0f}"
                if row["unit"] == "each"
                else f"{row['quantity']:,.2f}".rstrip("0").rstrip(".")
            )
            words = [
                str(row["number"]),
                row["section"],
                row["description"],
                quantity,
                row["unit"],
                f"{row['hours']:,.2f}",
            ]
            rows.append([*(clean_text(word) or "" for word in words), amount])
        else:
            percent = "" if pd.isna(row["basis_pct"]) else f"{row['basis_pct']:g} %"
            if row["kind"] == "total":
                strong.add(len(rows))
            rows.append(["", "", clean_text(row["description"]) or "", percent, "", "", amount])
    add_table(flow, columns, rows, strong_rows=frozenset(strong))
    add_text(
        flow,
        "Quantities are what is ordered, waste in them. Unit prices, net quantities and waste stand in bid.xlsx.",
        size_pt=8,
    )
    return flow


def _lot_pages(lots: gpd.GeoDataFrame, by_lot: pd.DataFrame, facts: BidFacts, unit: str) -> Flow:
    flow = start_flow()
    add_heading(flow, "Schedule of lots")
    columns = [
        Column("Lot", 104),
        Column("Work", 82),
        Column(f"New line ({unit})", 66, right=True),
        Column(f"Mended ({unit})", 66, right=True),
        Column("Posts", 48, right=True),
        Column("Gates", 48, right=True),
        Column(f"Share ({facts.currency})", 90, right=True),
    ]
    work = lots[lots["verdict"].isin(["build", "retrofit"])]
    columns_of = ("new", "mended", "posts", "gates")
    sums = by_lot.reindex(work["parcel_id"].astype(str)).fillna(0.0)
    costs = work["cost_likely"] if "cost_likely" in work.columns else pd.Series(float("nan"), index=work.index)
    rows = [
        [
            clean_text(lot) or "",
            str(verdict),
            f"{new:,.1f}" if new else "",
            f"{mended:,.1f}" if mended else "",
            f"{posts:,.0f}" if posts else "",
            f"{gates:,.0f}" if gates else "",
            "" if pd.isna(cost) else money(round(cost * 100), facts.currency),
        ]
        for lot, verdict, (new, mended, posts, gates), cost in zip(
            work["parcel_id"], work["verdict"], sums[list(columns_of)].to_numpy().tolist(), costs, strict=True
        )
    ]
    add_table(flow, columns, rows)
    return flow


def _gate_pages(gates: pd.DataFrame, units: str) -> Flow:
    flow = start_flow()
    add_heading(flow, "Schedule of gates")
    widths = (104.0, 32.0, 52.0, 66.0, 44.0, 206.0)
    add_table(
        flow,
        [Column(*head) for head in zip(GATES_HEAD, widths, strict=True)],
        list_gates(gates, units=units, short=True),
    )
    add_text(
        flow,
        "Stations run along the lot's barrier line, as on its sheet. Places are from the map, to be set out on site.",
        size_pt=8,
    )
    return flow


def _other_pages(facts: BidFacts, alternates: pd.DataFrame | None, units: str) -> Flow:
    flow = start_flow()
    add_heading(flow, "Alternates")
    if alternates is None or alternates.empty:
        add_text(flow, "None: no alternates were worked out for this bid.")
    else:
        ask_for_columns(alternates, ALTERNATES_COLUMNS, "alternates")
        unit, metres = ("ft", METRES_PER_FOOT) if units == "us" else ("m", 1.0)
        columns = [
            Column("Alternate", 84),
            Column(f"Length ({unit})", 76, right=True),
            Column(f"Cost ({facts.currency})", 92, right=True),
            Column(f"New ({unit})", 76, right=True),
            Column(f"Mended ({unit})", 76, right=True),
            Column("Lots closed", 60, right=True),
            Column("Open", 40, right=True),
        ]
        rows = [
            [
                clean_text(row["alternate"]) or "",
                f"{row['length_m'] / metres:,.0f}",
                money(int(row["cost_cents"]), facts.currency),
                f"{row['new_m'] / metres:,.0f}",
                f"{row['retrofit_m'] / metres:,.0f}",
                f"{row['lots_closed']:,}",
                f"{row['lots_open']:,}",
            ]
            for row in alternates.to_dict("records")
        ]
        add_table(flow, columns, rows)
        add_list(flow, [f"{row['alternate']} leaves open: {row['leaves']}." for row in alternates.to_dict("records")])
        note = "Alternates are priced per length by the step that compares them, not by the lines of this bid."
        add_text(flow, note, size_pt=8)
    add_heading(flow, "Assumptions")
    add_list(
        flow,
        [*facts.assumptions, *facts.notes, "Lengths come from map layers; what else the plan assumes is in run.json."],
    )
    add_heading(flow, "Exclusions")
    add_list(flow, facts.exclusions or ("None are named in the price list: the contractor's own go here.",))
    add_heading(flow, "Cautions")
    add_list(flow, CAUTIONS)
    return flow


def _signature_page(facts: BidFacts) -> Flow:
    flow = start_flow()
    add_heading(flow, "Terms")
    add_text(flow, "To be filled in by the contractor; this document brings none of its own.", size_pt=8.5)
    add_blanks(flow, [""] * _TERM_LINES, step_pt=22)
    add_heading(flow, "Signature")
    add_text(
        flow,
        f"Total {facts.amount(facts.total_cents)}. This bid stands for {facts.valid_days} days from its signature.",
    )
    labels: Sequence[str] = (
        "Bidder, signature",
        "Name and title",
        "Date",
        "Owner, signature",
        "Name and title",
        "Date",
    )
    add_blanks(flow, labels)
    return flow
