"""Make ready what a loop is drawn round: each lot's structures as one body, its ground, and the parts of its items."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import shapely

from geotools.errors import DesignError, GeotoolsError, LayerError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import ArrayLike, NDArray

    Floats = NDArray[np.float64]
    Integers = NDArray[np.int64]
    Flags = NDArray[np.bool_]
    Geometries = NDArray[np.object_]
    Given = Sequence[shapely.Geometry | None] | Geometries

__all__ = ["Lots", "Parts", "make_lots", "make_parts", "shift"]


class Lots(NamedTuple):
    """Structures with their holes filled, the body they make, its hull, and the ground of n lots, near the origin."""

    structures: Geometries
    body: Geometries
    hull: Geometries
    ground: Geometries
    origin: Floats


class Parts(NamedTuple):
    """Single points, lines and polygons of the items, the lot and item of each, and its setback."""

    shape: Geometries
    lot: Integers
    item: Integers
    setback_m: Floats

    def take(self, index: Flags | Integers) -> Parts:
        """Return the parts at an index."""
        return Parts(self.shape[index], self.lot[index], self.item[index], self.setback_m[index])


def make_lots(structures: Given, ground: Given) -> Lots:
    """Make one body of each lot's structures and choose the piece of ground that it stands on.

    Structures that stand apart are joined by the straight ground between them: the shortest lines that join them all (a
    minimum spanning tree). Coordinates are taken from a whole metre near the structures: rounding then does not matter.

    Parameters
    ----------
    structures, ground : (n,) arrays of Polygon or MultiPolygon, metres
        Missing ones become empty.

    Returns
    -------
    Lots

    Raises
    ------
    LayerError
        Where a geometry is not a valid polygon, or the arrays differ in length.

    Examples
    --------
    >>> lots = make_lots([shapely.union(shapely.box(0, 0, 2, 2), shapely.box(5, 0, 6, 2))], [shapely.box(-9, -9, 9, 9)])
    >>> shapely.length(shapely.get_parts(lots.body)).tolist()
    [8.0, 6.0, 3.0]
    """
    structures, ground = _check_polygons(structures, "structures"), _check_polygons(ground, "allowed ground")
    if len(structures) != len(ground):
        raise LayerError(
            f"there are structures for {len(structures)} lots and ground for {len(ground)}",
            where="house loop",
            mend="give one of each per lot",
        )
    origin = np.zeros((len(structures), 2))
    built = ~shapely.is_empty(structures)
    origin[built] = np.floor(shapely.get_coordinates(shapely.centroid(structures[built])))
    structures = _fill(shift(structures, -origin))
    ground = _one_piece(shift(ground, -origin), structures)
    body = structures.copy()
    several = shapely.get_num_geometries(structures)
    two = np.flatnonzero(several == 2)
    first, second = shapely.get_geometry(structures[two], 0), shapely.get_geometry(structures[two], 1)
    link = shapely.shortest_line(first, second)
    link[shapely.length(link) == 0.0] = None
    body[two] = shapely.geometrycollections(np.stack([first, second, link], axis=1))
    for lot in np.flatnonzero(several > 2):
        body[lot] = _join(shapely.get_parts(structures[lot]))
    return Lots(structures, body, shapely.convex_hull(structures), ground, origin)


def make_parts(items: Given, lots: ArrayLike, setbacks_m: ArrayLike, origin: Floats) -> Parts:
    """Take items apart into single points, lines and polygons, each near its lot's origin.

    Parameters
    ----------
    items : (m,) array of geometries
        Missing and empty ones, and those without a setback, are left out.
    lots : (m,) array of int
        Lot of each item.
    setbacks_m : (m,) array
        Setback of each item.
    origin : (n, 2) array
        Origin of each lot.

    Returns
    -------
    Parts

    Raises
    ------
    LayerError
        Where arrays differ in length, a lot does not exist, or a geometry is not valid.
    DesignError
        Where a setback is below 0 or missing.

    Examples
    --------
    >>> make_parts([shapely.MultiPoint([(1, 1), (2, 2)])], [0], [0.9], np.zeros((1, 2))).item.tolist()
    [0, 0]
    """
    things = _as_geometries(items)
    lot, setback_m = np.asarray(lots, dtype=np.int64).ravel(), np.asarray(setbacks_m, dtype=np.float64).ravel()
    if not len(things) == len(lot) == len(setback_m):
        raise LayerError(
            f"{len(things)} items, {len(lot)} lots and {len(setback_m)} setbacks do not match",
            where="house loop",
            mend="give one lot and one setback for each item",
        )
    _refuse(~((lot >= 0) & (lot < len(origin))), lot, "is no lot", LayerError, "number the lots from 0")
    _refuse(~((setback_m >= 0.0) & (setback_m < np.inf)), setback_m, "m is no setback", DesignError, "give 0 m or more")
    missing = shapely.is_missing(things)
    _refuse(~(missing | shapely.is_valid(things)), things, "is not valid", LayerError, "repair it first")
    item = np.flatnonzero(~missing & (setback_m > 0.0))
    shape = shapely.force_2d(things[item])
    while (shapely.get_type_id(shape) >= shapely.GeometryType.MULTIPOINT).any():
        shape, whole = shapely.get_parts(shape, return_index=True)
        item = item[whole]
    kept = ~shapely.is_empty(shape)
    shape, item = shape[kept], item[kept]
    return Parts(shift(shape, -origin[lot[item]]), lot[item], item, setback_m[item])


def shift(shapes: Geometries, by_m: Floats) -> Geometries:
    """Move each shape by its own vector.

    Examples
    --------
    >>> shift(np.array([shapely.Point(1, 2)]), np.array([[1.0, -2.0]]))[0].wkt
    'POINT (2 0)'
    """
    points, shape = shapely.get_coordinates(shapes, return_index=True)
    return np.asarray(shapely.set_coordinates(shapes.copy(), points + by_m[shape]), dtype=object)


def _as_geometries(shapes: Given) -> Geometries:
    array = np.empty(len(shapes), dtype=object)
    array[:] = list(shapes)
    return array


def _check_polygons(shapes: Given, name: str) -> Geometries:
    array = _as_geometries(shapes)
    array[shapely.is_missing(array)] = shapely.Polygon()
    kind = shapely.get_type_id(array)
    polygonal = (kind == shapely.GeometryType.POLYGON) | (kind == shapely.GeometryType.MULTIPOLYGON)
    _refuse(~(polygonal & shapely.is_valid(array)), array, "is no valid polygon", LayerError, f"repair the {name}")
    return np.asarray(shapely.force_2d(array), dtype=object)


def _refuse(
    wrong: Flags, values: NDArray[np.generic] | Geometries, what: str, error: type[GeotoolsError], mend: str
) -> None:
    if wrong.any():
        row = int(np.argmax(wrong))
        raise error(f"{str(values[row])[:60]} {what}", where=f"house loop, row {row}", mend=mend)


def _fill(structures: Geometries) -> Geometries:
    filled = structures.copy()
    single = shapely.get_type_id(structures) == shapely.GeometryType.POLYGON
    filled[single] = shapely.polygons(shapely.get_exterior_ring(structures[single]))
    # Joined buildings may close a court; what stands in the court goes with it.
    filled[~single] = _join_outlines(_join_outlines(structures[~single]))
    return filled


def _join_outlines(shapes: Geometries) -> Geometries:
    parts, at = shapely.get_parts(shapes, return_index=True)
    number = np.arange(len(at)) - np.searchsorted(at, at)
    table = np.full((len(shapes), int(number.max(initial=0)) + 1), None, dtype=object)
    table[at, number] = shapely.polygons(shapely.get_exterior_ring(parts))
    return np.asarray(shapely.union_all(table, axis=1), dtype=object)


def _one_piece(ground: Geometries, structures: Geometries) -> Geometries:
    pieces = ground.copy()
    for lot in np.flatnonzero(shapely.get_type_id(ground) == shapely.GeometryType.MULTIPOLYGON):
        if ground[lot].is_empty or structures[lot].is_empty:
            pieces[lot] = shapely.Polygon()
            continue
        parts = shapely.get_parts(ground[lot])
        pieces[lot] = parts[np.argmin(shapely.distance(parts, shapely.point_on_surface(structures[lot])))]
    return pieces


def _join(parts: Geometries) -> shapely.Geometry:
    # Prim's tree: the nearest part still apart is joined next.
    joined, apart, links = [0], list(range(1, len(parts))), []
    between = shapely.distance(parts[:, None], parts[None, :])
    while apart:
        row, column = np.unravel_index(np.argmin(between[np.ix_(joined, apart)]), (len(joined), len(apart)))
        links.append(shapely.shortest_line(parts[joined[row]], parts[apart[column]]))
        joined.append(apart.pop(int(column)))
    return shapely.GeometryCollection([*parts, *(link for link in links if link.length > 0.0)])
