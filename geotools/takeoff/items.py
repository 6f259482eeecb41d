"""Name the items of a takeoff: what each is, how it is measured, and which specification section it falls under."""

from __future__ import annotations

from decimal import ROUND_CEILING, ROUND_HALF_UP, Decimal
from typing import NamedTuple

from geotools.errors import StepError
from geotools.units import write_small

__all__ = ["ITEMS", "Item", "describe_item", "measure_unit", "order_quantity", "round_quantity"]

FENCE, WIRE_FENCE, CLEARING, EXCAVATION = "32 31 13", "32 31 26", "31 11 00", "31 23 00"
"""Sections of the US government's UFGS: chain link fences and gates, wire fences and gates, clearing, excavation."""
_UNITS = {
    "us": {"length": "ft", "volume": "yd3", "count": "each"},
    "metric": {"length": "m", "volume": "m3", "count": "each"},
}
_METRES_PER = {"ft": 0.3048, "m": 1.0, "yd3": 0.9144**3, "m3": 1.0, "each": 1.0}
_DECIMALS = {"ft": 1, "m": 2, "yd3": 2, "m3": 2, "each": 0}
"""A tape is read to the tenth of a foot (common practice, no source)."""


class Item(NamedTuple):
    """One kind of work or goods; `measure` is length, volume or count, `waste` names the waste factor that it takes."""

    description: str
    section: str
    measure: str
    waste: str = ""


def _mesh_items() -> dict[str, Item]:
    items: dict[str, Item] = {}
    for width_in in (24, 36, 48):
        items[f"roll_{width_in}"] = Item(
            f"Mesh rolls, {width_in} in wide, by cutting stock", WIRE_FENCE, "count", "mesh"
        )
        items[f"hang_{width_in}"] = Item(f"Hang {width_in} in mesh on posts, buried and tied", WIRE_FENCE, "length")
        items[f"face_{width_in}"] = Item(f"Fix {width_in} in mesh to the face of a standing wall", WIRE_FENCE, "length")
    return items


ITEMS: dict[str, Item] = {
    **_mesh_items(),
    "post_line": Item("Set line posts", FENCE, "count", "posts"),
    "post_corner": Item("Set corner posts", FENCE, "count", "posts"),
    "post_end": Item("Set end posts", FENCE, "count", "posts"),
    "post_gate": Item("Set gate posts", FENCE, "count", "posts"),
    "pipe_line": Item("Pipe for line posts", FENCE, "length", "posts"),
    "pipe_terminal": Item("Pipe for corner, end and gate posts", FENCE, "length", "posts"),
    "concrete": Item("Concrete in footings", FENCE, "volume", "concrete"),
    "hole_sand": Item("Post holes in sand", EXCAVATION, "volume"),
    "hole_gravel": Item("Post holes in gravel", EXCAVATION, "volume"),
    "hole_caliche": Item("Post holes in caliche", EXCAVATION, "volume"),
    "hole_rock": Item("Post holes in rock", EXCAVATION, "volume"),
    "trench_sand": Item("Trench and backfill in sand", EXCAVATION, "volume"),
    "trench_gravel": Item("Trench and backfill in gravel", EXCAVATION, "volume"),
    "trench_caliche": Item("Trench and backfill in caliche", EXCAVATION, "volume"),
    "trench_rock": Item("Trench and backfill in rock", EXCAVATION, "volume"),
    "wire": Item("Smooth wire, top and bottom", WIRE_FENCE, "length", "wire"),
    "tie": Item("Ties at posts", WIRE_FENCE, "count", "fasteners"),
    "ring": Item("Rings on the wires", WIRE_FENCE, "count", "fasteners"),
    "anchor": Item("Anchors in standing walls", WIRE_FENCE, "count", "fasteners"),
    "gate": Item("Gates, meshed, self-closing", FENCE, "count"),
    "sweep": Item("Rigid sweeps under gates", FENCE, "count"),
    "sill": Item("Hard sills under gates", FENCE, "length"),
    "seal": Item("Seals at the sides of standing gates", FENCE, "length", "wire"),
    "flow_gate": Item("Flow gates at washes (permit first)", WIRE_FENCE, "length"),
    "clear_strip": Item("Clear the strip of the line", CLEARING, "length"),
    "trim": Item("Trim climbable plants", CLEARING, "count"),
    "remove": Item("Remove climbable things", CLEARING, "count"),
    "site_check": Item("Measure on the ground before work", FENCE, "count"),
}
"""By name, in the order of a takeoff."""


def describe_item(item: str, *, units: str) -> str:
    """Say what an item is, mesh widths in the units that are shown.

    Examples
    --------
    >>> describe_item("roll_36", units="us"), describe_item("roll_36", units="metric")
    ('Mesh rolls, 36 in wide, by cutting stock', 'Mesh rolls, 914 mm wide, by cutting stock')
    """
    width = item.rpartition("_")[2]
    words = ITEMS[item].description
    return words if not width.isdigit() else words.replace(f"{width} in", write_small(int(width) * 0.0254, units=units))


def measure_unit(item: str, *, units: str) -> tuple[str, float]:
    """Unit in which an item is taken off, with its size in metres or cubic metres.

    Raises
    ------
    StepError
        If the item or the units are unknown.

    Examples
    --------
    >>> measure_unit("sill", units="us")
    ('ft', 0.3048)
    """
    if units not in _UNITS:
        raise StepError(f"units are {units!r}", mend="write 'us' or 'metric'")
    if item not in ITEMS:
        raise StepError(f"there is no item {item!r}", mend=f"use one of: {', '.join(ITEMS)}")
    unit = _UNITS[units][ITEMS[item].measure]
    return unit, _METRES_PER[unit]


def round_quantity(quantity: float, unit: str) -> float:
    """Round a quantity as it is printed: counts up to whole numbers, lengths and volumes to the unit's decimals.

    Examples
    --------
    >>> round_quantity(3.2, "each"), round_quantity(12.345, "ft")
    (4.0, 12.3)
    """
    if unit == "each":
        return float(Decimal(repr(float(quantity))).quantize(Decimal("0.000001")).to_integral_value(ROUND_CEILING))
    return float(Decimal(repr(float(quantity))).quantize(Decimal(1).scaleb(-_DECIMALS[unit]), ROUND_HALF_UP))


def order_quantity(net: float, waste_pct: float, unit: str) -> float:
    """Quantity to order: the net quantity and its waste, rounded as printed (exact decimals).

    Examples
    --------
    >>> order_quantity(95.0, 2.0, "each"), order_quantity(100.0, 3.0, "ft")
    (97.0, 103.0)
    """
    exact = Decimal(repr(float(net))) * (1 + Decimal(repr(float(waste_pct))) / 100)
    if unit == "each":
        return float(exact.quantize(Decimal("0.000001")).to_integral_value(ROUND_CEILING))
    return float(exact.quantize(Decimal(1).scaleb(-_DECIMALS[unit]), ROUND_HALF_UP))
