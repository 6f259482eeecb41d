"""Write the schedule of new gates of a bid: on its sheet of the workbook, and as rows of the document."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from geotools.outputs.bid_look import FIRST_ROW, HEAD_ROW, Look, begin_sheet, cell_text, write_heads
from geotools.outputs.sheet_scale import show_height, show_station

if TYPE_CHECKING:
    from xlsxwriter.worksheet import Worksheet

    from geotools.outputs.bid_facts import BidFacts

__all__ = ["GATES_HEAD", "fill_gates", "gates_taken_off", "list_gates"]

GATES_HEAD = ("Lot", "Gate", "Station", "Clear width", "Swings", "Place")
_NOTE = (
    "Stations run along the barrier line of the lot, as on its sheet in sheets.pdf; map places, to be set out on site."
)


def gates_taken_off(planned_gates: pd.DataFrame | None, takeoff: pd.DataFrame) -> pd.DataFrame:
    """Keep the planned gates of the lines that are taken off.

    Examples
    --------
    >>> takeoff = pd.DataFrame({"line_id": ["A", "B"], "item": ["gate", "wire"]})
    >>> gates_taken_off(pd.DataFrame({"line_id": ["A", "B"]}), takeoff)["line_id"].tolist()
    ['A']
    """
    if planned_gates is None:
        return pd.DataFrame({"line_id": []})
    return planned_gates[planned_gates["line_id"].isin(takeoff.loc[takeoff["item"] == "gate", "line_id"])]


def list_gates(planned_gates: pd.DataFrame, *, units: str, short: bool = False) -> list[list[str]]:
    """Rows of the schedule of gates, as `GATES_HEAD` heads them; `short` names the part of the rule, not the reason.

    Examples
    --------
    >>> gate = {"parcel_id": "1", "gate": 1, "station_m": 30.48, "width_m": 0.9144, "swing": "in", "reason": "here"}
    >>> list_gates(pd.DataFrame([{**gate, "agree_on_site": False}]), units="us")
    [['1', '1', '1+00', '36 in', 'in', 'here']]
    """
    return [
        [
            cell_text(row["parcel_id"]),
            str(row["gate"]),
            "" if row["agree_on_site"] else show_station(float(row["station_m"]), units=units),
            show_height(float(row["width_m"]), units=units),
            row["swing"],
            (cell_text(row["placed"]) or "agree on site") if short else cell_text(row["reason"]),
        ]
        for row in planned_gates.to_dict("records")
    ]


def fill_gates(sheet: Worksheet, planned_gates: pd.DataFrame, facts: BidFacts, look: Look, units: str) -> None:
    """Fill the sheet Gates.

    Examples
    --------
    >>> fill_gates(sheet, gates, facts, look, "us")  # doctest: +SKIP
    """
    begin_sheet(sheet, "Gates", facts, look, (16, 7, 11, 12, 9, 90))
    write_heads(sheet, HEAD_ROW, GATES_HEAD, look)
    rows = list_gates(planned_gates, units=units)
    for at, row in enumerate(rows):
        for place, text in enumerate(row):
            sheet.write_string(FIRST_ROW + at, place, text, look.text)
    text = _NOTE if rows else "None: no places of gates were worked out for this bid."
    sheet.write_string(FIRST_ROW + len(rows) + bool(rows), 0, text, look.note)
