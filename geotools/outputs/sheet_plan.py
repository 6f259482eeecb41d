"""Draw the plan of one lot: its lot line with lengths, its barrier with stations, and what is to be dealt with."""

from __future__ import annotations

import math
from itertools import pairwise
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import shapely

from geotools.outputs.pdf_text import BOLD, PLAIN, text_width
from geotools.outputs.sheet_gates import NewGate, draw_new_gates, keep_gates_free, label_new_gates
from geotools.outputs.sheet_labels import Board, Place, find_place, keep_free, readable_angle
from geotools.outputs.sheet_scale import quadrant_bearing, show_height, show_length, show_station, station_step
from geotools.outputs.sheet_strokes import fill_shapes, stroke_shapes, write_mark, write_text

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from geotools.outputs.sheet_scale import View

__all__ = ["LotPlan", "Mark", "Panel", "Side", "draw_plan", "lot_sides"]

_SMALL_PT, _TEXT_PT = 5.6, 6.4
_STRAIGHT_M = 0.15
"""Bends that leave a straight side by less are drawn, but not dimensioned (assumption of this project: 6 in)."""
_LOT_DASH = (12, 3, 2.5, 3, 2.5, 3)


class Panel(NamedTuple):
    """A piece of the barrier of one height."""

    number: int
    shape: Any
    height_m: float
    raised: bool


class Mark(NamedTuple):
    """A numbered thing on the plan: `F` a climbable thing, `W` a way in, `G` a gate that stands."""

    letter: str
    number: int
    shape: Any


class LotPlan(NamedTuple):
    """All that the plan of a lot shows; shapes in the working CRS, metres."""

    lot: Any
    barrier: Any
    panels: Sequence[Panel]
    marks: Sequence[Mark]
    neighbours: Sequence[Any]
    houses: Sequence[Any]
    sound_walls: Sequence[Any]
    weak_walls: Sequence[Any]
    washes: Sequence[Any]
    easements: Sequence[Any]
    new_gates: Sequence[NewGate] = ()
    pools: Sequence[Any] = ()


class Side(NamedTuple):
    """A side of the lot: its ends, metres, and its length along the lot line."""

    start: tuple[float, float]
    end: tuple[float, float]
    length_m: float
    leftward: bool = True
    """Whether the lot lies on the left of it."""


def lot_sides(lot: Any, *, straight_m: float = _STRAIGHT_M) -> list[Side]:
    """Sides of a lot between its bends, each with its length along the lot line.

    Parameters
    ----------
    lot : shapely Polygon or MultiPolygon
        Metres.
    straight_m : float
        Bends that leave a straight side by less than this don't end it.

    Returns
    -------
    list of Side
        Along the outer lines, in their order.

    Examples
    --------
    >>> [side.length_m for side in lot_sides(shapely.Polygon([(0, 0), (5, 0), (9, 0), (9, 4), (0, 4)]))]
    [9.0, 4.0, 9.0, 4.0]
    """
    sides = []
    for part in shapely.get_parts(lot):
        ring = shapely.get_exterior_ring(part)
        points = shapely.get_coordinates(ring)[:-1]
        # Begin at the sharpest bend, which stays a corner whatever is straightened.
        before, after = points - np.roll(points, 1, axis=0), np.roll(points, -1, axis=0) - points
        turn = np.abs(np.arctan2(before[:, 0] * after[:, 1] - before[:, 1] * after[:, 0], (before * after).sum(axis=1)))
        points = np.roll(points, -int(np.argmax(turn)), axis=0)
        whole = np.vstack([points, points[:1]])
        kept = shapely.get_coordinates(shapely.simplify(shapely.LineString(whole), straight_m))
        at_m = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(whole, axis=0).T))])
        where = [0]
        for point in kept[1:-1]:
            where.append(where[-1] + 1 + int(np.argmin(np.abs(whole[where[-1] + 1 : -1] - point).sum(axis=1))))
        where.append(len(whole) - 1)
        leftward = bool(shapely.is_ccw(ring))
        sides += [
            Side(tuple(whole[first]), tuple(whole[last]), float(at_m[last] - at_m[first]), leftward)
            for first, last in pairwise(where)
        ]
    return sides


def draw_plan(
    canvas: Any, view: View, plan: LotPlan, *, units: str = "us", bearings: bool = False
) -> list[tuple[str, str]]:
    """Draw the plan of a lot into its place on the page.

    Parameters
    ----------
    canvas : reportlab canvas
    view : View
    plan : LotPlan
    units : str
    bearings : bool
        Write the grid bearing of each side of the lot beside its length.

    Returns
    -------
    list of (str, str)
        Letters of sides too short for a label on the plan, with their length.

    Examples
    --------
    >>> draw_plan(canvas, view, plan)  # doctest: +SKIP
    []
    """
    box = (view.left_pt, view.bottom_pt, view.left_pt + view.width_pt, view.bottom_pt + view.height_pt)
    board = Board((box[0] + 3, box[1] + 3, box[2] - 3, box[3] - 3))
    canvas.saveState()
    frame = canvas.beginPath()
    frame.rect(view.left_pt, view.bottom_pt, view.width_pt, view.height_pt)
    canvas.clipPath(frame, stroke=0, fill=0)
    canvas.setLineJoin(1)
    _draw_ground(canvas, view, plan)
    _draw_walls(canvas, view, plan)
    stroke_shapes(canvas, view, [plan.lot], width_pt=1.0, dash=_LOT_DASH)
    _draw_barrier(canvas, view, plan)
    _reserve(board, view, plan)
    keep_gates_free(board, view, plan.new_gates)
    label_new_gates(canvas, view, board, plan.new_gates)
    _label_marks(canvas, view, board, plan)
    draw_new_gates(canvas, view, plan.new_gates)
    short = _label_sides(canvas, view, board, plan.lot, units, bearings)
    _label_panels(canvas, view, board, plan, units)
    _label_stations(canvas, view, board, plan.barrier, units)
    _label_ground(canvas, view, board, plan)
    canvas.restoreState()
    canvas.setStrokeGray(0)
    canvas.setDash()
    canvas.setLineWidth(0.8)
    canvas.rect(view.left_pt, view.bottom_pt, view.width_pt, view.height_pt)
    return short


def _draw_ground(canvas: Any, view: View, plan: LotPlan) -> None:
    fill_shapes(canvas, view, plan.washes, gray=0.90)
    stroke_shapes(canvas, view, plan.washes, width_pt=0.5, dash=(1, 1.5))
    stroke_shapes(canvas, view, plan.easements, width_pt=0.5, gray=0.25, dash=(5, 2.5))
    stroke_shapes(canvas, view, plan.neighbours, width_pt=0.4, gray=0.5)
    fill_shapes(canvas, view, plan.pools, gray=0.93)
    stroke_shapes(canvas, view, plan.pools, width_pt=0.7, dash=(2.5, 1.2))
    fill_shapes(canvas, view, plan.houses, gray=0.82)
    stroke_shapes(canvas, view, plan.houses, width_pt=0.7)


def _draw_walls(canvas: Any, view: View, plan: LotPlan) -> None:
    """A wall is two thin lines; one that must be mended is broken."""
    for walls, dash in ((plan.weak_walls, (4, 2)), (plan.sound_walls, ())):
        stroke_shapes(canvas, view, walls, width_pt=2.4, dash=dash)
        stroke_shapes(canvas, view, walls, width_pt=1.3, gray=1)


def _draw_barrier(canvas: Any, view: View, plan: LotPlan) -> None:
    if plan.barrier is None:
        return
    stroke_shapes(canvas, view, [plan.barrier], width_pt=1.7)
    stroke_shapes(canvas, view, [panel.shape for panel in plan.panels if panel.raised], width_pt=3.6)
    canvas.setLineWidth(0.7)
    canvas.setStrokeGray(0)
    canvas.setDash()
    # Crosses along it, as a fence is drawn.
    for middle, along in _along(view, plan.barrier, 16.0 * view.scale.metres_per_point, first=8.0):
        for turn in (0.25, -0.25):
            angle = along + turn * math.pi
            east, north = 2.8 * math.cos(angle), 2.8 * math.sin(angle)
            canvas.line(middle[0] - east, middle[1] - north, middle[0] + east, middle[1] + north)
    ends = [point for piece in shapely.get_parts(plan.barrier) for point in shapely.get_coordinates(piece)[[0, -1]]]
    canvas.setFillGray(0)
    for x_pt, y_pt in view.to_page(np.array(ends)):
        canvas.rect(x_pt - 2, y_pt - 2, 4, 4, stroke=0, fill=1)


def _reserve(board: Board, view: View, plan: LotPlan) -> None:
    step_m = 5.0 * view.scale.metres_per_point
    outline = shapely.boundary(plan.lot)
    keep_free(board, _page_points(view, shapely.segmentize(outline, step_m)), radius_pt=1.2)
    if plan.barrier is not None:
        keep_free(board, _page_points(view, shapely.segmentize(plan.barrier, step_m)), radius_pt=2.2)


def _label_marks(canvas: Any, view: View, board: Board, plan: LotPlan) -> None:
    """Numbered marks at the things themselves: diamond, circle, square."""
    for mark in plan.marks:
        if mark.letter == "F" and shapely.get_dimensions(mark.shape) == 2:
            fill_shapes(canvas, view, [mark.shape], gray=0.6)
        elif mark.letter == "F" and shapely.get_dimensions(mark.shape) == 1:
            stroke_shapes(canvas, view, [mark.shape], width_pt=1.0, dash=(1, 1))
        elif mark.letter == "W" and shapely.get_dimensions(mark.shape) == 1:
            stroke_shapes(canvas, view, [mark.shape], width_pt=4.0, gray=1)
            stroke_shapes(canvas, view, [mark.shape], width_pt=3.0, dash=(1.2, 1.2))
    for mark in plan.marks:
        spot = shapely.get_coordinates(shapely.point_on_surface(mark.shape))
        if not len(spot):
            continue
        x_pt, y_pt = view.to_page(spot)[0]
        write_mark(canvas, mark.letter, x_pt, y_pt)
        text = f"{mark.letter}{mark.number}"
        width = text_width(text, _TEXT_PT, BOLD)
        turns = [math.radians(angle) for angle in range(45, 405, 45)]
        places = [
            Place(x_pt + reach * math.cos(turn) * 1.3, y_pt + reach * math.sin(turn))
            for reach in (8.0, 12.0, 17.0, 24.0)
            for turn in turns
        ]
        place = find_place(board, width, _TEXT_PT, places) or places[0]
        if math.hypot(place.x_pt - x_pt, place.y_pt - y_pt) > 15:
            canvas.setLineWidth(0.3)
            canvas.line(x_pt, y_pt, place.x_pt, place.y_pt)
        write_text(canvas, text, place, _TEXT_PT, font=BOLD)


def _label_sides(canvas: Any, view: View, board: Board, lot: Any, units: str, bearings: bool) -> list[tuple[str, str]]:
    """Write each side's length outside the lot, or a letter where the side is too short on paper."""
    short: list[tuple[str, str]] = []
    for side in sorted(lot_sides(lot), key=lambda side: -side.length_m):
        ends = view.to_page(np.array([side.start, side.end]))
        along = ends[1] - ends[0]
        paper_pt = float(np.hypot(*along))
        if paper_pt < 1e-6:
            continue
        text = show_length(side.length_m, units=units)
        if bearings:
            east, north = side.end[0] - side.start[0], side.end[1] - side.start[1]
            text = f"{quadrant_bearing(east, north)}  {text}"
        middle, across = ends.mean(axis=0), np.array([along[1], -along[0]]) / paper_pt
        if not side.leftward:
            across = -across
        angle = readable_angle(along.tolist())
        width = text_width(text, _TEXT_PT)
        slides = (0.0, 0.12, -0.12, 0.22, -0.22, 0.3, -0.3)
        places = [
            _place(middle + along * slide + across * away, angle)
            for away in (7.5, -7.5, 14.0)
            for slide in slides
            if width + 4 + 2 * abs(slide) * paper_pt <= paper_pt
        ]
        place = find_place(board, width, _TEXT_PT, places)
        if place is None:
            letter = _letter(len(short))
            around = [_place(middle + across * away) for away in (7.0, -7.0, 12.0, -12.0)]
            place = find_place(board, text_width(letter, _TEXT_PT, BOLD), _TEXT_PT, around) or around[0]
            write_text(canvas, letter, place, _TEXT_PT, font=BOLD)
            short.append((letter, text))
        else:
            write_text(canvas, text, place, _TEXT_PT)
    return short


def _label_panels(canvas: Any, view: View, board: Board, plan: LotPlan, units: str) -> None:
    # The raised ones first: they must not be missed.
    for panel in sorted(plan.panels, key=lambda panel: (not panel.raised, panel.number)):
        text = f"P{panel.number} {show_height(panel.height_m, units=units)}"
        _label_along(canvas, view, board, panel.shape, text, BOLD if panel.raised else PLAIN)


def _label_along(canvas: Any, view: View, board: Board, shape: Any, text: str, font: str) -> None:
    line = max(shapely.get_parts(shape), key=shapely.length, default=None)
    if line is None or shapely.is_empty(line):
        return
    width = text_width(text, _TEXT_PT, font)
    places = []
    for share in (0.5, 0.35, 0.65, 0.2, 0.8):
        point, along = _at(view, line, share)
        across = np.array([-math.sin(along), math.cos(along)])
        angle = readable_angle((math.cos(along), math.sin(along)))
        places += [_place(point + across * away, angle) for away in (8.0, -8.0, 15.0, -15.0)]
    place = find_place(board, width, _TEXT_PT, places)
    if place is not None:
        write_text(canvas, text, place, _TEXT_PT, font=font)


def _label_stations(canvas: Any, view: View, board: Board, barrier: Any, units: str) -> None:
    """Ticks across the barrier at even stations, and at its end; pieces of a line are counted on."""
    if barrier is None:
        return
    step_m, run_m = station_step(view.scale, units=units), 0.0
    canvas.setDash()
    for piece in shapely.get_parts(barrier):
        length_m = float(shapely.length(piece))
        first = math.ceil(run_m / step_m - 1e-9)
        stations = [run_m, *(number * step_m for number in range(first, int((run_m + length_m) // step_m) + 1))]
        stations.append(run_m + length_m)
        for station_m in dict.fromkeys(round(one, 6) for one in stations):
            point, along = _at(view, piece, (station_m - run_m) / length_m if length_m else 0.0)
            across = np.array([-math.sin(along), math.cos(along)])
            canvas.setLineWidth(0.7)
            canvas.setStrokeGray(0)
            canvas.line(*(point - across * 4.5), *(point + across * 4.5))
            text = show_station(station_m, units=units)
            angle = readable_angle(across.tolist())
            width = text_width(text, _SMALL_PT)
            aways = (7.0 + width / 2, -7.0 - width / 2)
            place = find_place(board, width, _SMALL_PT, [_place(point + across * away, angle) for away in aways])
            if place is not None:
                write_text(canvas, text, place, _SMALL_PT)
        run_m += length_m


def _label_ground(canvas: Any, view: View, board: Board, plan: LotPlan) -> None:
    window = shapely.box(*view.ground)
    for text, shapes in (
        ("building", plan.houses),
        ("pool", plan.pools),
        ("wash", plan.washes),
        ("easement", plan.easements),
    ):
        for shape in shapes:
            seen = shapely.intersection(shape, window)
            if shapely.area(seen) <= 0:
                continue
            spot = view.to_page(shapely.get_coordinates(shapely.point_on_surface(seen)))[0]
            place = find_place(board, text_width(text, _SMALL_PT), _SMALL_PT, [_place(spot)])
            if place is not None:
                write_text(canvas, text, place, _SMALL_PT)


def _page_points(view: View, shape: Any) -> NDArray[np.float64]:
    return view.to_page(shapely.get_coordinates(shape))


def _along(view: View, line: Any, step_m: float, *, first: float) -> list[tuple[NDArray[np.float64], float]]:
    """Points on the page every so often along a line, with the direction there."""
    found = []
    for piece in shapely.get_parts(line):
        length_m = float(shapely.length(piece))
        at_m = np.arange(first * view.scale.metres_per_point, length_m, step_m)
        found += [_at(view, piece, one / length_m) for one in at_m]
    return found


def _at(view: View, line: Any, share: float) -> tuple[NDArray[np.float64], float]:
    length_m = float(shapely.length(line))
    near_m = min(0.05, length_m / 4)
    at_m = min(max(share * length_m, 0.0), length_m)
    spots = shapely.line_interpolate_point(line, [at_m, max(at_m - near_m, 0.0), min(at_m + near_m, length_m)])
    points = view.to_page(shapely.get_coordinates(spots))
    along = points[2] - points[1]
    return points[0], math.atan2(along[1], along[0])


def _letter(number: int) -> str:
    """Letters a to z, then aa, ab, ..."""
    ahead, last = divmod(number, 26)
    return (_letter(ahead - 1) if ahead else "") + chr(ord("a") + last)


def _place(point: NDArray[np.float64], angle_deg: float = 0.0) -> Place:
    return Place(float(point[0]), float(point[1]), angle_deg)
