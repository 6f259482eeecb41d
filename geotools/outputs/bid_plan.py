"""Draw the plan of a bid to an engineering scale: lots, lines to build, walls to mend."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import shapely

from geotools.outputs.pdf_text import BOLD, PLAIN, fit_text, text_width
from geotools.units import METRES_PER_FOOT, METRES_PER_INCH

if TYPE_CHECKING:
    from collections.abc import Sequence

    import geopandas as gpd
    from numpy.typing import NDArray

__all__ = ["PlanView", "choose_scale", "draw_plan", "view_plan"]

POINTS_PER_INCH = 72.0
_PLACE_PT = (54.0, 122.0, 504.0, 552.0)
"""Left, bottom, width and height of the drawing on a letter page."""
_US_SCALES_FT = tuple(step * power for power in (1, 10, 100, 1000) for step in (10, 20, 30, 40, 50, 60))
"""The six sides of an engineer's scale."""
_METRIC_SCALES = (100, 200, 250, 500, 1000, 1250, 2000, 2500, 5000, 10000, 20000, 25000, 50000, 100000, 250000)
_KEEP_SHARE = 1e-3
_LABEL_LEAST_PT = 3.4


class PlanView(NamedTuple):
    """How the ground lies on the page: points per metre, the middle on the ground, and the words of the scale."""

    points_per_m: float
    middle: tuple[float, float]
    scale: str
    bar_m: float
    bar_text: str


def choose_scale(extent_m: tuple[float, float], *, units: str = "us") -> tuple[float, str, float, str]:
    """Choose the largest engineering scale at which an extent fits.

    Parameters
    ----------
    extent_m : (float, float)
        Width and height on the ground, metres.
    units : str
        `us` (1 in = so many feet) or `metric` (1:so many).

    Returns
    -------
    points_per_m : float
    words : str
    bar_m : float
        Length of the scale bar, metres.
    bar_text : str

    Examples
    --------
    >>> choose_scale((300.0, 200.0))[1]
    '1 in = 200 ft'
    """
    least = max(extent_m[0] / _PLACE_PT[2], extent_m[1] / _PLACE_PT[3], 1e-6)
    if units == "us":
        feet = next((one for one in _US_SCALES_FT if one * METRES_PER_FOOT / POINTS_PER_INCH >= least), None)
        feet = feet or math.ceil(least * POINTS_PER_INCH / METRES_PER_FOOT / 60_000) * 60_000
        metres_per_pt = feet * METRES_PER_FOOT / POINTS_PER_INCH
        return 1 / metres_per_pt, f"1 in = {feet:,} ft", 2 * feet * METRES_PER_FOOT, f"{2 * feet:,} ft"
    one_pt_m = METRES_PER_INCH / POINTS_PER_INCH
    ratio = next((one for one in _METRIC_SCALES if one * one_pt_m >= least), None)
    ratio = ratio or math.ceil(least / one_pt_m / 100000) * 100000
    bar_m = ratio * 0.05
    return 1 / (ratio * one_pt_m), f"1:{ratio:,}", bar_m, f"{bar_m:,g} m"


def view_plan(lots: gpd.GeoDataFrame, *, units: str = "us") -> PlanView:
    """Place the lots on the page, north up.

    Examples
    --------
    >>> import geopandas as gpd
    >>> view_plan(gpd.GeoDataFrame(geometry=[shapely.box(0, 0, 300, 200)], crs=32612)).middle
    (150.0, 100.0)
    """
    bounds = lots.total_bounds
    if not np.all(np.isfinite(bounds)):
        bounds = np.array([0.0, 0.0, 1.0, 1.0])
    margin_m = 0.02 * float(max(bounds[2] - bounds[0], bounds[3] - bounds[1]))
    extent_m = (float(bounds[2] - bounds[0]) + 2 * margin_m, float(bounds[3] - bounds[1]) + 2 * margin_m)
    points_per_m, words, bar_m, bar_text = choose_scale(extent_m, units=units)
    middle = (float(bounds[0] + bounds[2]) / 2, float(bounds[1] + bounds[3]) / 2)
    return PlanView(points_per_m, middle, words, bar_m, bar_text)


def draw_plan(
    canvas: Any,
    view: PlanView,
    lots: gpd.GeoDataFrame,
    barrier_lines: gpd.GeoDataFrame,
    ways_in: gpd.GeoDataFrame | None,
    ground: dict[str, gpd.GeoDataFrame],
) -> None:
    """Draw the plan, its legend, north arrow and scale bar; readable in black and white.

    Examples
    --------
    >>> draw_plan(canvas, view, lots, lines, None, {})  # doctest: +SKIP
    """
    left, bottom, width, height = _PLACE_PT
    canvas.saveState()
    frame = canvas.beginPath()
    frame.rect(left, bottom, width, height)
    canvas.clipPath(frame, stroke=0, fill=0)
    if "roads" in ground:
        _stroke(canvas, view, ground["roads"].geometry.to_numpy(), color=0.80, width_pt=2.2)
    _fill(canvas, view, lots.geometry.to_numpy()[(lots["verdict"] == "build").to_numpy()], color=0.93)
    _stroke(canvas, view, shapely.boundary(lots.geometry.to_numpy()), color=0.55, width_pt=0.35)
    if "buildings" in ground:
        _fill(canvas, view, ground["buildings"].geometry.to_numpy(), color=0.78)
    kinds = barrier_lines["kind"].to_numpy()
    shapes = barrier_lines.geometry.to_numpy()
    _stroke(canvas, view, shapes[kinds == "existing"], color=0.45, width_pt=0.7)
    if ways_in is not None and len(ways_in):
        mended = ways_in["parcel_id"].isin(lots.loc[lots["verdict"] == "retrofit", "parcel_id"]).to_numpy()
        _stroke(canvas, view, ways_in.geometry.to_numpy()[mended], color=0.0, width_pt=1.5, dash=(2.2, 1.4))
    _stroke(
        canvas,
        view,
        shapes[(kinds == "new") & barrier_lines["recommended"].to_numpy(dtype=bool)],
        color=0.0,
        width_pt=1.5,
    )
    if "gates" in ground:
        _mark_gates(canvas, view, ground["gates"].geometry.to_numpy())
    prefix = _label_lots(canvas, view, lots)
    canvas.restoreState()
    canvas.setStrokeGray(0.45)
    canvas.setLineWidth(0.6)
    canvas.rect(left, bottom, width, height)
    _draw_legend(canvas, view, prefix, gates="gates" in ground)


def _mark_gates(canvas: Any, view: PlanView, points: NDArray[Any]) -> None:
    for x, y in _on_page(shapely.get_coordinates(points), view).tolist():
        _gate_mark(canvas, x, y)


def _gate_mark(canvas: Any, x: float, y: float) -> None:
    canvas.setFillGray(1.0)
    canvas.setStrokeGray(0.0)
    canvas.setLineWidth(0.8)
    canvas.circle(x, y, 1.8, stroke=1, fill=1)


def _draw_legend(canvas: Any, view: PlanView, prefix: str, *, gates: bool) -> None:
    left, bottom, width, _ = _PLACE_PT
    y = bottom - 16
    samples: Sequence[tuple[str, float, float, tuple[float, float] | None]] = (
        ("new line", 0.0, 1.5, None),
        ("wall, gate or gap to mend", 0.0, 1.5, (2.2, 1.4)),
        ("sound wall", 0.45, 0.7, None),
        ("lot", 0.55, 0.35, None),
    )
    x = left
    for words, gray, line_pt, dash in samples:
        canvas.setStrokeGray(gray)
        canvas.setLineWidth(line_pt)
        canvas.setDash(*(dash or ()))
        canvas.line(x, y + 2.5, x + 20, y + 2.5)
        canvas.setDash()
        canvas.setFillGray(0.15)
        canvas.setFont(PLAIN, 7.5)
        canvas.drawString(x + 24, y, words)
        x += 36 + text_width(words, 7.5)
    canvas.setFillGray(0.93)
    canvas.rect(x, y - 1, 12, 7, stroke=0, fill=1)
    canvas.setFillGray(0.15)
    canvas.drawString(x + 16, y, "lot to build on")
    if gates:
        x += 26 + text_width("lot to build on", 7.5)
        _gate_mark(canvas, x, y + 2.5)
        canvas.setFillGray(0.15)
        canvas.drawString(x + 6, y, "new gate")
    x = left + width - 12
    arrow = canvas.beginPath()
    arrow.moveTo(x, y - 34)
    arrow.lineTo(x - 5, y - 38)
    arrow.lineTo(x, y - 12)
    arrow.lineTo(x + 5, y - 38)
    arrow.close()
    canvas.drawPath(arrow, stroke=0, fill=1)
    canvas.setFont(BOLD, 8)
    canvas.drawCentredString(x, y - 9, "N")
    bar_pt = view.bar_m * view.points_per_m
    canvas.setStrokeGray(0.0)
    canvas.setLineWidth(1.2)
    canvas.line(left, y - 24, left + bar_pt, y - 24)
    for share in (0.0, 0.5, 1.0):
        canvas.line(left + share * bar_pt, y - 27, left + share * bar_pt, y - 21)
    canvas.setFont(PLAIN, 7.5)
    canvas.drawString(left + bar_pt + 6, y - 27, f"{view.bar_text}   Scale {view.scale} when printed at full size")
    note = f"Lot numbers stand without their common beginning {prefix!r}." if prefix else ""
    canvas.drawString(left + bar_pt + 6, y - 37, fit_text(note, width - bar_pt - 40, 7.5))


def _label_lots(canvas: Any, view: PlanView, lots: gpd.GeoDataFrame) -> str:
    """Number the lots where the number fits; return the beginning that all numbers share and that is left out."""
    ids = [str(one) for one in lots["parcel_id"]]
    prefix = _common_beginning(ids)
    there = ~(lots.geometry.isna() | lots.geometry.is_empty).to_numpy()
    shapes = lots.geometry.to_numpy()[there]
    places = _on_page(shapely.get_coordinates(shapely.point_on_surface(shapes)), view)
    room_pt = np.sqrt(shapely.area(shapes)) * view.points_per_m
    canvas.setFillGray(0.2)
    for (x, y), room, name in zip(places.tolist(), room_pt.tolist(), np.array(ids, dtype=object)[there], strict=True):
        text = str(name)[len(prefix) :]
        size_pt = min(7.0, 0.8 * room / max(text_width(text, 1.0), 1e-6))
        if size_pt >= _LABEL_LEAST_PT:
            canvas.setFont(PLAIN, size_pt)
            canvas.drawCentredString(x, y - 0.35 * size_pt, text)
    return prefix


def _common_beginning(ids: list[str]) -> str:
    """What all lot numbers begin with, up to the last sign that is no letter or digit."""
    if len(ids) < 2:
        return ""
    least, most = min(ids), max(ids)
    same = next((at for at, (a, b) in enumerate(zip(least, most, strict=False)) if a != b), min(len(least), len(most)))
    while same and least[same - 1].isalnum():
        same -= 1
    return least[:same]


def _stroke(
    canvas: Any,
    view: PlanView,
    shapes: NDArray[Any],
    *,
    color: float,
    width_pt: float,
    dash: tuple[float, float] | None = None,
) -> None:
    parts = shapely.get_parts(_lines_of(shapes))
    parts = shapely.simplify(parts, _KEEP_SHARE * POINTS_PER_INCH / view.points_per_m)
    canvas.setStrokeGray(color)
    canvas.setLineWidth(width_pt)
    canvas.setDash(*(dash or ()))
    path = canvas.beginPath()
    _trace(path, parts, view)
    canvas.drawPath(path, stroke=1, fill=0)
    canvas.setDash()


def _fill(canvas: Any, view: PlanView, shapes: NDArray[Any], *, color: float) -> None:
    canvas.setFillGray(color)
    path = canvas.beginPath()
    _trace(path, shapely.get_parts(shapely.boundary(shapely.get_parts(shapes))), view)
    canvas.drawPath(path, stroke=0, fill=1, fillMode=0)


def _lines_of(shapes: NDArray[Any]) -> NDArray[Any]:
    """Shapes as lines: outlines of what has an area; points and missing shapes are left out."""
    parts = shapely.get_parts(shapes)
    parts = np.where(shapely.get_dimensions(parts) == 2, shapely.boundary(parts), parts)
    return np.asarray(parts[shapely.get_dimensions(parts) == 1])


def _trace(path: Any, lines: NDArray[Any], view: PlanView) -> None:
    points, line_at = shapely.get_coordinates(lines, return_index=True)
    begins = np.append(True, np.diff(line_at) != 0)[: len(points)]
    for (x, y), first in zip(_on_page(points, view).round(2).tolist(), begins.tolist(), strict=True):
        if first:
            path.moveTo(x, y)
        else:
            path.lineTo(x, y)


def _on_page(points: NDArray[np.float64], view: PlanView) -> NDArray[np.float64]:
    left, bottom, width, height = _PLACE_PT
    on_page = (points - np.array(view.middle)) * view.points_per_m
    return np.asarray(on_page + np.array([left + width / 2, bottom + height / 2]))
