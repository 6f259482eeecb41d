"""Draw the strokes that plans are made of: lines, fills, marks, texts, the north arrow and the scale bar."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from geotools.outputs.pdf_text import BOLD, PLAIN, safe_text, text_width
from geotools.outputs.sheet_scale import bar_lengths
from geotools.units import METRES_PER_FOOT

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from geotools.outputs.sheet_labels import Place
    from geotools.outputs.sheet_scale import View

__all__ = ["draw_bar", "draw_north", "fill_shapes", "stroke_shapes", "write_mark", "write_text"]

_SMALL_PT = 5.6


def draw_bar(canvas: Any, view: View, x_pt: float, y_pt: float, *, units: str = "us") -> float:
    """Draw a scale bar of four parts from a point of the page rightward.

    Returns
    -------
    float
        Its length on paper, points.

    Examples
    --------
    >>> draw_bar(canvas, view, 40, 40)  # doctest: +SKIP
    144.0
    """
    part_m, _ = bar_lengths(view.scale, units=units)
    part_pt = part_m / view.scale.metres_per_point
    canvas.setStrokeGray(0)
    canvas.setDash()
    canvas.setLineWidth(0.6)
    for part in range(4):
        canvas.setFillGray(0 if part % 2 == 0 else 1)
        canvas.rect(x_pt + part * part_pt, y_pt, part_pt, 4, stroke=1, fill=1)
    canvas.setFillGray(0)
    canvas.setFont(PLAIN, _SMALL_PT)
    each, sign = (part_m / METRES_PER_FOOT, "ft") if units == "us" else (part_m, "m")
    for mark in (0, 1, 2, 4):
        text = f"{each * mark:.10g}" + (f" {sign}" if mark == 4 else "")
        canvas.drawCentredString(x_pt + mark * part_pt, y_pt + 6, text)
    return 4 * part_pt


def draw_north(canvas: Any, x_pt: float, y_pt: float, *, size_pt: float = 34.0) -> None:
    """Draw a north arrow whose foot is at a point of the page.

    Examples
    --------
    >>> draw_north(canvas, 100, 100)  # doctest: +SKIP
    """
    canvas.setStrokeGray(0)
    canvas.setFillGray(0)
    canvas.setDash()
    canvas.setLineWidth(0.7)
    wing = size_pt * 0.18
    half = canvas.beginPath()
    half.moveTo(x_pt, y_pt + size_pt * 0.72)
    half.lineTo(x_pt - wing, y_pt)
    half.lineTo(x_pt, y_pt + size_pt * 0.16)
    half.close()
    canvas.drawPath(half, stroke=1, fill=1)
    other = canvas.beginPath()
    other.moveTo(x_pt, y_pt + size_pt * 0.72)
    other.lineTo(x_pt + wing, y_pt)
    other.lineTo(x_pt, y_pt + size_pt * 0.16)
    canvas.drawPath(other, stroke=1, fill=0)
    canvas.setFont(BOLD, 9)
    canvas.drawCentredString(x_pt, y_pt + size_pt * 0.76, "N")


def write_mark(canvas: Any, letter: str, x_pt: float, y_pt: float) -> None:
    """Draw the mark of a thing: W a circle with its middle, G a square, F a diamond.

    Examples
    --------
    >>> write_mark(canvas, "W", 40, 40)  # doctest: +SKIP
    """
    canvas.setDash()
    canvas.setLineWidth(0.9)
    canvas.setStrokeGray(0)
    canvas.setFillGray(1)
    if letter == "W":
        canvas.circle(x_pt, y_pt, 3.2, stroke=1, fill=1)
        canvas.setFillGray(0)
        canvas.circle(x_pt, y_pt, 1.0, stroke=0, fill=1)
        return
    shape = canvas.beginPath()
    reach = 3.4
    corners = [(0, -reach), (reach, 0), (0, reach), (-reach, 0)]
    if letter == "G":
        corners = [(-2.6, -2.6), (2.6, -2.6), (2.6, 2.6), (-2.6, 2.6)]
    shape.moveTo(x_pt + corners[0][0], y_pt + corners[0][1])
    for east, north in corners[1:]:
        shape.lineTo(x_pt + east, y_pt + north)
    shape.close()
    canvas.drawPath(shape, stroke=1, fill=1)


def write_text(canvas: Any, text: str, place: Place, size_pt: float, *, font: str = PLAIN) -> None:
    """Write a text on a white ground, its middle at the place.

    Examples
    --------
    >>> write_text(canvas, "wash", Place(40, 40), 6.0)  # doctest: +SKIP
    """
    shown = safe_text(text)
    width = text_width(shown, size_pt, font)
    canvas.saveState()
    canvas.translate(place.x_pt, place.y_pt)
    if place.angle_deg:
        canvas.rotate(place.angle_deg)
    canvas.setFillGray(1)
    canvas.rect(-width / 2 - 0.6, -size_pt * 0.5, width + 1.2, size_pt, stroke=0, fill=1)
    canvas.setFillGray(0)
    canvas.setFont(font, size_pt)
    canvas.drawString(-width / 2, -size_pt * 0.36, shown)
    canvas.restoreState()


def stroke_shapes(
    canvas: Any, view: View, shapes: Iterable[Any], *, width_pt: float, gray: float = 0, dash: Sequence[float] = ()
) -> None:
    """Draw lines and outlines of shapes on the ground.

    Examples
    --------
    >>> stroke_shapes(canvas, view, [line], width_pt=1.0)  # doctest: +SKIP
    """
    canvas.setLineWidth(width_pt)
    canvas.setStrokeGray(gray)
    canvas.setDash(list(dash)) if dash else canvas.setDash()
    path = _path(canvas, view, shapes)
    if path is not None:
        canvas.drawPath(path, stroke=1, fill=0)


def fill_shapes(canvas: Any, view: View, shapes: Iterable[Any], *, gray: float) -> None:
    """Fill areas on the ground with a grey, 0 black to 1 white.

    Examples
    --------
    >>> fill_shapes(canvas, view, [house], gray=0.8)  # doctest: +SKIP
    """
    path = _path(canvas, view, shapes)
    if path is not None:
        canvas.setFillGray(gray)
        canvas.drawPath(path, stroke=0, fill=1, fillMode=0)


def _path(canvas: Any, view: View, shapes: Iterable[Any]) -> Any:
    """Lines and outlines of shapes as one path, or None where there are none."""
    path, drawn = canvas.beginPath(), False
    parts = shapely.get_parts(np.array([shape for shape in shapes if shape is not None], dtype=object))
    while len(parts) and (shapely.get_type_id(parts) >= 4).any():
        parts = shapely.get_parts(parts)
    areas = shapely.get_dimensions(parts) == 2
    rings = shapely.get_rings(parts[areas]) if areas.any() else np.zeros(0, dtype=object)
    for line in [*rings, *parts[shapely.get_dimensions(parts) == 1]]:
        points = view.to_page(shapely.get_coordinates(line))
        if len(points) < 2:
            continue
        path.moveTo(*points[0])
        for x_pt, y_pt in points[1:]:
            path.lineTo(x_pt, y_pt)
        drawn = True
    return path if drawn else None
