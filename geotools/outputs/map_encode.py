"""Write shapes and columns compactly as text that the map's page reads without loss."""

from __future__ import annotations

import base64
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import shapely

from geotools.outputs.columns import explain_column, unit_sign

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import ArrayLike, NDArray

__all__ = ["UNIT_M", "encode_points", "encode_shapes", "encode_table", "pack_signed", "pack_unsigned"]

UNIT_M = 0.01
"""Coordinates are whole centimetres of the page's projection: a seventh of a pixel at the nearest zoom."""
_MOST_DECIMALS = 6
_EXACT = 2.0**52


def pack_unsigned(values: ArrayLike) -> str:
    """Write whole numbers from 0 as base64 of seven bits a byte, low bits first; the eighth bit says that more follow.

    Parameters
    ----------
    values : array_like of int, n

    Returns
    -------
    str

    Examples
    --------
    >>> pack_unsigned([0, 127, 128])
    'AH+AAQ=='
    """
    rest = np.asarray(values, dtype=np.uint64).ravel()
    sizes = np.ones(len(rest), dtype=np.int64)
    for bits in range(7, 63, 7):
        sizes += rest >= np.uint64(1 << bits)
    starts = np.cumsum(sizes) - sizes
    written = np.zeros(int(sizes.sum()), dtype=np.uint8)
    for place in range(int(sizes.max(initial=0))):
        here = sizes > place
        digit = (rest[here] >> np.uint64(7 * place)) & np.uint64(0x7F)
        more = np.where(sizes[here] > place + 1, 0x80, 0)
        written[starts[here] + place] = digit.astype(np.uint8) | more.astype(np.uint8)
    return base64.b64encode(written.tobytes()).decode("ascii")


def pack_signed(values: ArrayLike) -> str:
    """Write whole numbers of either sign: 0, -1, 1, -2 ... become 0, 1, 2, 3 ...

    Examples
    --------
    >>> pack_signed([0, -1, 1]) == pack_unsigned([0, 1, 2])
    True
    """
    numbers = np.asarray(values, dtype=np.int64).ravel()
    return pack_unsigned((numbers << 1) ^ (numbers >> 63))


def encode_shapes(
    shapes: NDArray[np.object_], rows: NDArray[np.int64], origin: tuple[float, float]
) -> dict[str, str | int]:
    """Encode some rows' shapes: their rows, the parts of each, the points of each part, and steps from point to point.

    Rings are written without their closing point, outer rings anticlockwise and holes clockwise (RFC 7946). Points
    closer than `UNIT_M` fall together.

    Parameters
    ----------
    shapes : array of geometry, in metres of the page's projection
        No empty one among the chosen rows; a table's shapes are points, lines or polygons.
    rows : array of int
        Which to encode, ascending.
    origin : tuple of float
        From where the coordinates count.

    Returns
    -------
    dict
        `count` and the packed `rows` (steps), `parts` (of each shape), `points` (of each part: their number times 4,
        plus 2 for a ring, plus 1 for the first of a polygon, line or point) and `xy` (steps).

    Examples
    --------
    >>> encode_shapes(shapely.points([[1.0, 2.0]]), np.array([0]), (0.0, 0.0))["xy"] == pack_signed([100, 200])
    True
    """
    chosen = shapely.orient_polygons(shapes[rows])
    parts, part_of = shapely.get_parts(chosen, return_index=True)
    polygons, inner_of = shapely.get_parts(parts, return_index=True)  # a collection may hold multi-part shapes
    polygon_of = part_of[inner_of]
    rings, ring_of = _parts_of(polygons)
    feature = polygon_of[ring_of]
    xy, part = shapely.get_coordinates(rings, return_index=True)
    closed = shapely.get_dimensions(polygons)[ring_of] == 2
    last = np.append(part[1:] != part[:-1], True) if len(part) else np.zeros(0, dtype=bool)
    whole = np.round((xy - origin) / UNIT_M).astype(np.int64)
    kept = ~(last & closed[part])
    same = np.zeros(len(whole), dtype=bool)
    same[1:] = (whole[1:] == whole[:-1]).all(axis=1) & (part[1:] == part[:-1])
    counts = np.bincount(part[kept & ~same], minlength=len(rings))
    kept &= ~same | (counts[part] < 2)
    outer = np.append(True, ring_of[1:] != ring_of[:-1]) if len(ring_of) else np.zeros(0, dtype=bool)
    return {
        "count": len(rows),
        "rows": pack_unsigned(np.diff(rows, prepend=0)),
        "parts": pack_unsigned(np.bincount(feature, minlength=len(rows))),
        "points": pack_unsigned(np.bincount(part[kept], minlength=len(rings)) * 4 + closed * 2 + outer),
        "xy": pack_signed(_steps(whole[kept])),
    }


def encode_points(points: NDArray[np.float64], origin: tuple[float, float]) -> str:
    """Encode points, n x 2, as packed steps from one to the next.

    Examples
    --------
    >>> encode_points(np.array([[1.0, 1.0], [1.0, 1.01]]), (0.0, 0.0)) == pack_signed([100, 100, 0, 1])
    True
    """
    return pack_signed(_steps(np.round((points - origin) / UNIT_M).astype(np.int64)))


def encode_table(shown: pd.DataFrame, *, columns: Sequence[str] = ()) -> dict[str, Any]:
    """Encode a shown table by columns: words once each, numbers as whole numbers of their last decimal.

    Parameters
    ----------
    shown : pandas.DataFrame
    columns : sequence of str
        Those to keep, of the ones that there are; all without it.

    Returns
    -------
    dict
        `count` and `fields`: name, title, unit, meaning, decimals, type and the packed values.

    Examples
    --------
    >>> encode_table(pd.DataFrame({"gates": [1, 2]}))["fields"][0]["scale"]
    1
    """
    names = [str(name) for name in shown.columns if not columns or name in columns]
    return {"count": len(shown), "fields": [_encode_column(shown[name], name) for name in names]}


def _parts_of(polygons: NDArray[np.object_]) -> tuple[NDArray[np.object_], NDArray[np.int64]]:
    """Rings of polygons, lines and points as they are, in order."""
    areal = shapely.get_dimensions(polygons) == 2
    rings, owner = shapely.get_rings(polygons[areal], return_index=True)
    of = np.concatenate([np.flatnonzero(areal)[owner], np.flatnonzero(~areal)])
    every = np.concatenate([rings, polygons[~areal]])
    order = np.argsort(of, kind="stable")
    return every[order], of[order].astype(np.int64)


def _steps(whole: NDArray[np.int64]) -> NDArray[np.int64]:
    return np.diff(whole, axis=0, prepend=np.zeros((1, 2), dtype=np.int64))


def _encode_column(values: pd.Series[Any], name: str) -> dict[str, Any]:
    meaning = explain_column(name)
    field: dict[str, Any] = {
        "name": name,
        "title": meaning.title,
        "unit": unit_sign(name),
        "meaning": meaning.meaning,
        "decimals": meaning.decimals,
    }
    if pd.api.types.is_bool_dtype(values):
        return {**field, "type": "yes_no", "scale": 1, "values": _pack_numbers(values.astype("Float64"), 1.0)}
    if pd.api.types.is_numeric_dtype(values):
        numbers = values.astype("Float64")
        scale = _scale_of(np.asarray(numbers.dropna().to_numpy(dtype=float)))
        if scale is not None:
            return {**field, "type": "number", "scale": scale, "values": _pack_numbers(numbers, scale)}
        plain = numbers.astype(object).where(numbers.notna(), None).tolist()
        return {**field, "type": "number", "plain": plain}
    codes, words = pd.factorize(values.astype(object).where(values.notna(), None))
    return {**field, "type": "text", "words": [str(word) for word in words], "values": pack_unsigned(codes + 1)}


def _scale_of(numbers: NDArray[np.float64]) -> int | None:
    """Find the least power of ten that makes all whole without loss; None if there is none."""
    for decimals in range(_MOST_DECIMALS + 1):
        whole = np.round(numbers * 10.0**decimals)
        if (np.abs(whole) < _EXACT).all() and (whole / 10.0**decimals == numbers).all():
            return int(10**decimals)
    return None


def _pack_numbers(numbers: pd.Series[Any], scale: float) -> str:
    """0 for a missing one, else one more than the unsigned form."""
    known = numbers.notna().to_numpy()
    whole = np.round(numbers.to_numpy(dtype=float, na_value=0.0) * scale).astype(np.int64)
    return pack_unsigned(np.where(known, ((whole << 1) ^ (whole >> 63)) + 1, 0))
