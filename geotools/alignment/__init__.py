"""Lay out candidate barrier lines on each lot."""

from geotools.alignment.choice import collect_lines, list_footholds_to_clear, recommend_lines
from geotools.alignment.gates import place_gates
from geotools.alignment.ground import find_lot_ground
from geotools.alignment.house_loop import draw_house_loops
from geotools.alignment.lot_line import draw_lot_lines
from geotools.alignment.yard import draw_yard_lines

__all__ = [
    "collect_lines",
    "draw_house_loops",
    "draw_lot_lines",
    "draw_yard_lines",
    "find_lot_ground",
    "list_footholds_to_clear",
    "place_gates",
    "recommend_lines",
]
