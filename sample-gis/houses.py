"""Put houses, sheds and guest houses on lots, square to the street and within their setbacks.

Works in each lot's own frame: u runs along the street, v from the frontage into the lot, metres.
"""

from __future__ import annotations

from typing import NamedTuple

import geopandas as gpd
import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import Polygon
from shapely.geometry.base import BaseGeometry

Floats = NDArray[np.float64]

FRONT_SETBACK_M = 6.1
TIGHT_LOTS = 4
WIDTHS_M = (17.0, 15.0, 13.0, 11.0, 9.0)
DEPTHS_M = (21.0, 18.0, 15.0, 12.0, 10.0)
SHIFTS_M = (0.0, -2.0, 2.0, -4.0, 4.0)
STEP_BACKS_M = (0.0, 3.0, 7.0)


class Houses(NamedTuple):
    """Footprints of all buildings, and the walls of each lot's house in the lot's frame (NaN where there is none)."""

    buildings: gpd.GeoDataFrame
    left_u_m: Floats
    right_u_m: Floats
    front_v_m: Floats
    rear_v_m: Floats
    return_v_m: Floats
    tight: NDArray[np.bool_]


def to_frame(lots: gpd.GeoDataFrame, shapes: NDArray[np.object_], rows: NDArray[np.intp]) -> NDArray[np.object_]:
    """Turn shapes from the plan's frame into the frame of their lots."""
    return _turn(lots, shapes, rows, outward=False)


def from_frame(lots: gpd.GeoDataFrame, shapes: NDArray[np.object_], rows: NDArray[np.intp]) -> NDArray[np.object_]:
    """Turn shapes from the frames of their lots into the plan's frame."""
    return _turn(lots, shapes, rows, outward=True)


def build_houses(lots: gpd.GeoDataFrame, kept_clear: BaseGeometry, *, rng: np.random.Generator) -> Houses:
    """Build a house on each lot that has room, and sheds and guest houses behind some.

    The largest of a set of rectangles that keeps the setbacks (front about 20 ft, sides 5-9 ft, rear 15-30 ft;
    assumptions of this project) is cut into an L, T or U shape. A few houses stand almost on their side line.

    Parameters
    ----------
    lots : geopandas.GeoDataFrame
        Result of ``town_plan.cut_lots``.
    kept_clear : shapely geometry
        Ground that stays free (wash channels).
    rng : numpy.random.Generator
        Choice of sizes and shapes.

    Returns
    -------
    Houses
        buildings has the columns lot (position in lots), kind, geometry.
    """
    count = len(lots)
    rows = np.arange(count)
    ground = shapely.difference(lots.geometry.to_numpy(), kept_clear)
    ground = to_frame(lots, ground, rows)
    tight = np.zeros(count, dtype=bool)
    tight[rng.choice(count, TIGHT_LOTS, replace=False)] = True
    side_m = np.where(tight, 0.35, rng.uniform(1.6, 2.7, count))
    front_m = FRONT_SETBACK_M + rng.uniform(-0.4, 1.6, count)
    rear_m = rng.uniform(4.8, 9.0, count)

    left, back, wide, deep = _best_rectangles(ground, front_m=front_m, side_m=side_m, rear_m=rear_m)
    left = _slide_to_line(ground, left, back, wide, deep, tight)
    garage_m, recess_m, notch_m = (
        rng.uniform(5.8, 6.8, count),
        rng.uniform(1.2, 3.6, count),
        rng.uniform(1.5, 3.4, count),
    )
    notch_share, style, mirror = rng.uniform(0.3, 0.5, count), rng.integers(0, 5, count), rng.random(count) < 0.5
    built = np.flatnonzero(np.isfinite(wide))
    shapes = []
    for i in built:
        outline = _footprint(wide[i], deep[i], garage_m[i], recess_m[i], notch_m[i], notch_share[i], int(style[i]))
        if mirror[i]:
            outline[:, 0] = wide[i] - outline[:, 0]
        shapes.append(Polygon(outline + np.array([left[i], back[i]])))
    houses = np.array(shapes, dtype=object)
    lot, kind, more = _build_behind(ground, houses, built, rng=rng)
    buildings = gpd.GeoDataFrame(
        {"lot": [*built, *lot], "kind": ["house"] * len(built) + kind},
        geometry=[*from_frame(lots, houses, built), *from_frame(lots, more, lot)],
    )
    return Houses(
        buildings=buildings,
        left_u_m=left,
        right_u_m=left + wide,
        front_v_m=back,
        rear_v_m=back + deep,
        return_v_m=back + recess_m + rng.uniform(0.8, 2.6, count),
        tight=tight,
    )


def _turn(
    lots: gpd.GeoDataFrame, shapes: NDArray[np.object_], rows: NDArray[np.intp], *, outward: bool
) -> NDArray[np.object_]:
    """Rotate and shift each shape between the plan's frame and the frame of its lot."""
    xy, owner = shapely.get_coordinates(shapes, return_index=True)
    row = rows[owner]
    origin = lots[["front_x", "front_y"]].to_numpy()[row]
    nx, ny = lots[["inward_x", "inward_y"]].to_numpy()[row].T
    if outward:
        turned = origin + np.column_stack([ny * xy[:, 0] + nx * xy[:, 1], -nx * xy[:, 0] + ny * xy[:, 1]])
    else:
        dx, dy = (xy - origin).T
        turned = np.column_stack([ny * dx - nx * dy, nx * dx + ny * dy])
    return np.asarray(shapely.set_coordinates(shapes.copy(), turned), dtype=object)


def _best_rectangles(
    ground: NDArray[np.object_], *, front_m: Floats, side_m: Floats, rear_m: Floats
) -> tuple[Floats, Floats, Floats, Floats]:
    """Return left u, front v, width and depth of the largest candidate on each lot; NaN where none fits."""
    wide, deep, shift, step = (
        axis.ravel() for axis in np.meshgrid(WIDTHS_M, DEPTHS_M, SHIFTS_M, STEP_BACKS_M, indexing="ij")
    )
    # A step back from the street or away from the lot's middle has to pay for itself in floor area.
    order = np.argsort(-(wide * deep - 6 * step - 2 * np.abs(shift)), kind="stable")
    wide, deep, shift, step = wide[order], deep[order], shift[order], step[order]
    found = np.full((4, len(ground)), np.nan)
    inner = shapely.buffer(ground, -side_m, join_style="mitre")
    shapely.prepare(inner)
    for i, room in enumerate(inner):
        front = front_m[i] + step
        tail_m = rear_m[i] - side_m[i]
        fits = shapely.contains(room, shapely.box(shift - wide / 2, front, shift + wide / 2, front + deep + tail_m))
        if fits.any():
            best = int(np.argmax(fits))
            found[:, i] = shift[best] - wide[best] / 2, front[best], wide[best], deep[best]
    return found[0], found[1], found[2], found[3]


def _slide_to_line(
    ground: NDArray[np.object_],
    left_m: Floats,
    back_m: Floats,
    wide_m: Floats,
    deep_m: Floats,
    tight: NDArray[np.bool_],
) -> Floats:
    """Move the houses of the tight lots sideways until they almost stand on the lot line."""
    moved = left_m.copy()
    slide_m = np.arange(8.0, 0.0, -0.2)
    for i in np.flatnonzero(tight & np.isfinite(wide_m)):
        west = left_m[i] - slide_m
        boxes = shapely.box(
            west, np.full(len(west), back_m[i]), west + wide_m[i], np.full(len(west), back_m[i] + deep_m[i])
        )
        fits = shapely.contains(shapely.buffer(ground[i], -0.05), boxes)
        if fits.any():
            moved[i] = west[np.argmax(fits)]
    return moved


def _footprint(
    wide_m: float, deep_m: float, garage_m: float, recess_m: float, notch_m: float, notch_share: float, style: int
) -> Floats:
    """Draw one house: the garage stands forward on the left, the rear is plain, L, T or U shaped."""
    front = [(0.0, 0.0), (garage_m, 0.0), (garage_m, recess_m), (wide_m, recess_m)]
    cut_m = wide_m * notch_share
    half_m = (wide_m - cut_m) / 2
    rear = {
        0: [(wide_m, deep_m), (0.0, deep_m)],
        1: [(wide_m, deep_m - notch_m), (wide_m - cut_m, deep_m - notch_m), (wide_m - cut_m, deep_m), (0.0, deep_m)],
        2: [
            (wide_m, deep_m - notch_m),
            (wide_m - half_m, deep_m - notch_m),
            (wide_m - half_m, deep_m),
            (half_m, deep_m),
            (half_m, deep_m - notch_m),
            (0.0, deep_m - notch_m),
        ],
        3: [
            (wide_m, deep_m),
            (wide_m - half_m, deep_m),
            (wide_m - half_m, deep_m - notch_m),
            (half_m, deep_m - notch_m),
            (half_m, deep_m),
            (0.0, deep_m),
        ],
        4: [(wide_m, deep_m), (cut_m, deep_m), (cut_m, deep_m - notch_m), (0.0, deep_m - notch_m)],
    }
    return np.array(front + rear[style])


def _build_behind(
    ground: NDArray[np.object_], houses: NDArray[np.object_], built: NDArray[np.intp], *, rng: np.random.Generator
) -> tuple[NDArray[np.intp], list[str], NDArray[np.object_]]:
    """Place sheds and guest houses in the rear yard of about a third of the lots, clear of house and lot line."""
    chance = rng.random(len(built))
    tries = 24
    lots: list[int] = []
    kinds: list[str] = []
    shapes: list[Polygon] = []
    for house, i, draw in zip(houses, built, chance, strict=True):
        if draw > 0.36:
            continue
        kind, size_m = ("guest house", (6.2, 5.0)) if draw < 0.08 else ("shed", (3.0, 2.4))
        west, south, east, north = ground[i].bounds
        u, v = rng.uniform(west, east, tries), rng.uniform(max(south, house.bounds[3]), north, tries)
        boxes = shapely.box(u - size_m[0] / 2, v - size_m[1] / 2, u + size_m[0] / 2, v + size_m[1] / 2)
        fits = shapely.contains(shapely.buffer(ground[i], -0.9), boxes) & (shapely.distance(boxes, house) > 1.8)
        if fits.any():
            # The place nearest the rear line: that is where sheds stand.
            best = int(np.argmax(np.where(fits, v, -np.inf)))
            lots.append(int(i))
            kinds.append(kind)
            shapes.append(boxes[best])
    return np.array(lots, dtype=np.intp), kinds, np.array(shapes, dtype=object)
