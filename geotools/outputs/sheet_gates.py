"""Draw the gates to be built on the plan of a lot."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import shapely

from geotools.outputs.pdf_text import BOLD, text_width
from geotools.outputs.sheet_labels import Board, Place, find_place, keep_free
from geotools.outputs.sheet_strokes import write_text

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from geotools.outputs.sheet_scale import View

__all__ = ["NewGate", "draw_new_gates", "keep_gates_free", "label_new_gates"]

_TEXT_PT = 6.4


class NewGate(NamedTuple):
    """A gate to be built: its number, middle, clear width and the direction of its open leaf."""

    number: int
    point: Any
    width_m: float
    swing_deg: float


def draw_new_gates(canvas: Any, view: View, gates: Sequence[NewGate]) -> None:
    """A gate as it is drawn in a plan: the line broken between two posts, the leaf open, and the way that it swings.

    Examples
    --------
    >>> draw_new_gates(canvas, view, [])  # doctest: +SKIP
    """
    canvas.setDash()
    canvas.setStrokeGray(0)
    for gate in gates:
        middle, half, leaf = _gate_on_page(view, gate)
        hinge, latch = middle - half, middle + half
        canvas.setStrokeGray(1)
        canvas.setLineWidth(6.5)
        canvas.line(*hinge, *latch)
        canvas.setStrokeGray(0)
        canvas.setLineWidth(1.0)
        canvas.line(*hinge, *(hinge + leaf))
        reach = float(np.hypot(*leaf))
        start = math.degrees(math.atan2(*(latch - hinge)[::-1]))
        sweep = (math.degrees(math.atan2(*leaf[::-1])) - start + 180) % 360 - 180
        canvas.setLineWidth(0.5)
        canvas.arc(*(hinge - reach), *(hinge + reach), startAng=start, extent=sweep)
        canvas.setFillGray(0)
        for post in (hinge, latch):
            canvas.rect(post[0] - 1.5, post[1] - 1.5, 3, 3, stroke=0, fill=1)


def keep_gates_free(board: Board, view: View, gates: Sequence[NewGate]) -> None:
    """Keep labels off the leaves.

    Examples
    --------
    >>> keep_gates_free(board, view, [])  # doctest: +SKIP
    """
    for gate in gates:
        middle, half, leaf = _gate_on_page(view, gate)
        keep_free(board, np.array([middle + leaf / 2, middle - half + leaf]), radius_pt=float(np.hypot(*leaf)) / 2)


def label_new_gates(canvas: Any, view: View, board: Board, gates: Sequence[NewGate]) -> None:
    """Write the number of each gate beside it.

    Examples
    --------
    >>> label_new_gates(canvas, view, board, [])  # doctest: +SKIP
    """
    for gate in gates:
        middle, _, leaf = _gate_on_page(view, gate)
        away = leaf / max(float(np.hypot(*leaf)), 1e-9)
        text = f"N{gate.number}"
        reaches = (-9.0, -13.0, float(np.hypot(*leaf)) + 6.0, float(np.hypot(*leaf)) + 11.0)
        places = [Place(*(middle + away * reach).tolist()) for reach in reaches]
        place = find_place(board, text_width(text, _TEXT_PT, BOLD), _TEXT_PT, places) or places[0]
        write_text(canvas, text, place, _TEXT_PT, font=BOLD)


def _gate_on_page(view: View, gate: NewGate) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Middle of a gate on the page, and vectors of half its opening and of its open leaf, points."""
    turn = math.radians(gate.swing_deg)
    leaf = np.array([math.sin(turn), math.cos(turn)]) * gate.width_m / view.scale.metres_per_point
    return view.to_page(shapely.get_coordinates(gate.point))[0], np.array([leaf[1], -leaf[0]]) / 2, leaf
