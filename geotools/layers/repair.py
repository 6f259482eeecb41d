"""Make shapes usable, and say of each what was done: repaired and in use, or left out."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import shapely

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

__all__ = [
    "LARGEST_COORDINATE",
    "LEFT_OUT",
    "REPAIRED",
    "Cleaned",
    "clean_geometries",
    "is_left_out",
    "sound_coordinates",
]

LEFT_OUT = "left out"
"""How the reason of a row begins that is not in use."""
REPAIRED = "repaired"
"""How the reason of a row begins that was changed and is in use."""

LARGEST_COORDINATE = 1e8
"""No coordinate in any CRS of the Earth is larger, in metres or feet: half its girth is 2e7 m."""

_POINTS, _LINES, _POLYGONS, _COLLECTION = (0, 4), (1, 2, 5), (3, 6), 7
_MULTI = (4, 5, 6)


class Cleaned(NamedTuple):
    """Shapes in use (None where left out), and the reason where a shape is not as delivered ('' elsewhere)."""

    geometry: NDArray[np.object_]
    reason: NDArray[np.object_]


def clean_geometries(geometries: NDArray[np.object_], *, shapes: Sequence[str]) -> Cleaned:
    """Check and repair shapes, in metres.

    Null, empty and wrongly shaped ones, and those with coordinates that are no numbers, are left out. Invalid polygons
    are made valid (`shapely.make_valid`, method "structure": holes stay holes), collections are reduced to the shapes
    asked for; both are named with their area before and after. A multipart shape of one part becomes that part.

    Parameters
    ----------
    geometries : numpy.ndarray of shapely.Geometry or None, n
        In a projected CRS in metres, without Z and M.
    shapes : sequence of str
        Of "point", "line", "polygon": what the layer may hold.

    Examples
    --------
    >>> bow_tie = shapely.from_wkt("POLYGON ((0 0, 10 10, 10 0, 0 10, 0 0))")
    >>> clean_geometries(np.array([bow_tie]), shapes=["polygon"]).reason[0]
    'repaired: Self-intersection[5 5]; area 0.0 sq m before, 50.0 sq m after'
    """
    made = np.array(geometries, dtype=object)
    reason = np.full(len(made), "", dtype=object)

    def leave_out(where: NDArray[np.bool_], why: str) -> None:
        reason[where] = f"{LEFT_OUT}: {why}"
        made[where] = None

    leave_out(shapely.is_missing(made), "no geometry")
    leave_out(~shapely.is_missing(made) & shapely.is_empty(made), "empty geometry")
    leave_out(~sound_coordinates(made), "coordinates that are not numbers, or off the Earth")  # no predicate sees them

    kinds = shapely.get_type_id(made)
    broken = ~shapely.is_missing(made) & ~shapely.is_valid(made) & np.isin(kinds, [*_POLYGONS, _COLLECTION])
    mixed = kinds == _COLLECTION
    changed = broken | mixed
    if changed.any():
        before = made[changed]
        why = np.where(broken[changed], shapely.is_valid_reason(before), "a collection of shapes")
        after = shapely.make_valid(before, method="structure", keep_collapsed=False)
        again = ~shapely.is_valid(
            after
        )  # the geometry engine may leave parts that share an edge: a second pass joins them
        after[again] = shapely.make_valid(after[again], method="structure", keep_collapsed=False)
        after = _only(after, shapes)
        area_before, area_after = shapely.area(before), shapely.area(after)
        made[changed] = after
        reason[changed] = [
            f"{REPAIRED}: {one}; area {old:,.1f} sq m before, {new:,.1f} sq m after"
            for one, old, new in zip(why, area_before, area_after, strict=True)
        ]
        leave_out(changed & (shapely.is_missing(made) | shapely.is_empty(made)), f"there is not {_list(shapes)} in it")
        leave_out(changed & ~shapely.is_missing(made) & ~shapely.is_valid(made), "it can't be repaired")

    allowed = [code for shape in shapes for code in _codes(shape)]
    kinds = shapely.get_type_id(made)
    wrong = (kinds >= 0) & ~np.isin(kinds, allowed)
    for kind in np.unique(kinds[wrong]):
        leave_out(wrong & (kinds == kind), f"a {_name(kind)} where {_list(shapes)} is needed")
    lines = np.flatnonzero(np.isin(shapely.get_type_id(made), _LINES))
    flat = np.zeros(len(made), dtype=bool)
    flat[lines] = ~shapely.is_valid(made[lines])
    leave_out(flat, "a line without length")
    leave_out(np.isin(shapely.get_type_id(made), _POLYGONS) & (shapely.area(made) == 0.0), "a polygon without area")

    single = np.isin(shapely.get_type_id(made), _MULTI) & (shapely.get_num_geometries(made) == 1)
    made[single] = shapely.get_geometry(made[single], 0)
    return Cleaned(made, reason)


def sound_coordinates(geometries: NDArray[np.object_]) -> NDArray[np.bool_]:
    """Whether every coordinate of a shape is a number that can be; a shape without coordinates counts as such.

    Examples
    --------
    >>> sound_coordinates(np.array([shapely.Point(1, 2), shapely.Point(1, 1e300), None])).tolist()
    [True, False, True]
    """
    coordinates, index = shapely.get_coordinates(geometries, return_index=True)
    sound = np.ones(len(geometries), dtype=bool)
    sound[index[~(np.abs(coordinates) <= LARGEST_COORDINATE).all(axis=1)]] = False
    return sound


def is_left_out(reasons: NDArray[np.object_]) -> NDArray[np.bool_]:
    """Tell the reasons of rows that are not in use.

    Examples
    --------
    >>> is_left_out(np.array(["", "left out: no geometry"], dtype=object)).tolist()
    [False, True]
    """
    return np.array([str(reason).startswith(LEFT_OUT) for reason in reasons], dtype=bool)


def _codes(shape: str) -> tuple[int, ...]:
    return {"point": _POINTS, "line": _LINES, "polygon": _POLYGONS}[shape]


def _only(geometries: NDArray[np.object_], shapes: Sequence[str]) -> NDArray[np.object_]:
    """Reduce collections to the parts of the largest dimension that is asked for."""
    made = geometries.copy()
    mixed = np.flatnonzero(shapely.get_type_id(made) == _COLLECTION)
    parts, owner = made[mixed], mixed
    while (shapely.get_type_id(parts) >= 4).any():  # collections may hold multipart shapes
        parts, inner = shapely.get_parts(parts, return_index=True)
        owner = owner[inner]
    made[mixed] = None
    joins: dict[str, Any] = {
        "point": shapely.multipoints,
        "line": shapely.multilinestrings,
        "polygon": shapely.multipolygons,
    }
    for shape, join in joins.items():
        fits = np.isin(shapely.get_type_id(parts), _codes(shape))
        if shape in shapes and fits.any():
            owners, position = np.unique(owner[fits], return_inverse=True)
            made[owners] = join(parts[fits], indices=position)
    return made


def _name(kind: int) -> str:
    for shape in ("point", "line", "polygon"):
        if kind in _codes(shape):
            return shape
    return "collection"


def _list(shapes: Sequence[str]) -> str:
    return " or ".join(f"a {shape}" for shape in shapes)
