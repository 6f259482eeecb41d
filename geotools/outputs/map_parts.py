"""Split a site that is too large for one page into parts of neighbouring squares, each with what lies on it."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from geotools.outputs.map_content import Site

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Ints = NDArray[np.int64]

__all__ = ["Squares", "cut_site", "owner_parts", "split_lots"]

_LEAST_SIDE_M = 100.0
_MOST_SQUARES = 3_000
"""As many as a reader can take in and a page opens with at once (assumption of this project)."""
_AROUND_M = 150.0
"""How far beyond its lots a part shows the ground (assumption of this project)."""
_OWNED = ("barrier_lines", "ways_in", "footholds", "closure", "planned_gates")


class Squares(NamedTuple):
    """Squares of the ground with lots in them: side, column and row from the south-west, part, and where each lot is.

    `part` counts from 0. Of a lot without a shape `of_lot` is -1; `part_of_lot` puts it into the last part.
    """

    side_m: float
    corner: tuple[float, float]
    column: Ints
    row: Ints
    part: Ints
    of_lot: Ints
    part_of_lot: Ints


def split_lots(lots: gpd.GeoDataFrame, *, most_lots: int) -> Squares:
    """Put each lot into the square where its inner point lies, and squares into parts of at most so many lots.

    The side is the least of 100 m, 200 m, 400 m ... that gives at most 3,000 squares; neighbours come together along a
    Hilbert curve. A square is never split: one that holds more lots is a part by itself.

    Parameters
    ----------
    lots : GeoDataFrame, n rows
        In a projected CRS in metres; at least one with a shape.
    most_lots : int
        Of a part.

    Returns
    -------
    Squares

    Examples
    --------
    >>> lots = gpd.GeoDataFrame(geometry=shapely.box([0, 150, 700], 0, [9, 159, 709], 9), crs=32612)
    >>> squares = split_lots(lots, most_lots=2)
    >>> squares.side_m, squares.column.tolist(), squares.part_of_lot.tolist()
    (100.0, [0, 1, 7], [0, 0, 1])
    """
    shapes = np.asarray(lots.geometry.array, dtype=object)
    drawn = np.flatnonzero(~(shapely.is_missing(shapes) | shapely.is_empty(shapes)))
    spots = shapely.get_coordinates(shapely.point_on_surface(shapes[drawn]))
    side = _LEAST_SIDE_M
    while True:
        low = np.floor(spots.min(axis=0) / side).astype(np.int64)
        cells, of_drawn = np.unique(np.floor(spots / side).astype(np.int64) - low, axis=0, return_inverse=True)
        if len(cells) <= _MOST_SQUARES:
            break
        side *= 2
    of_drawn = of_drawn.reshape(-1)
    counts = np.bincount(of_drawn, minlength=len(cells))
    order = np.argsort(gpd.GeoSeries(shapely.points(cells)).hilbert_distance().to_numpy(), kind="stable")
    part = np.zeros(len(cells), dtype=np.int64)
    number, held = 0, 0
    for square in order.tolist():
        if held and held + counts[square] > most_lots:
            number, held = number + 1, 0
        part[square] = number
        held += counts[square]
    of_lot = np.full(len(lots), -1, dtype=np.int64)
    of_lot[drawn] = of_drawn
    part_of_lot = np.where(of_lot >= 0, part[of_lot], number)
    corner = (float(low[0] * side), float(low[1] * side))
    return Squares(side, corner, cells[:, 0], cells[:, 1], part, of_lot, part_of_lot)


def owner_parts(site: Site, squares: Squares) -> dict[str, Ints]:
    """Part of each row that belongs to a lot, by table; -1 for one that belongs to none, such as a shared line.

    Examples
    --------
    >>> owner_parts(site, squares)  # doctest: +SKIP
    """
    ids = pd.Index(site.tables["lots"]["parcel_id"].astype(str))
    first = ~ids.duplicated()
    known = pd.Series(squares.part_of_lot[first], index=ids[first])
    return {
        name: known.reindex(site.tables[name]["parcel_id"].astype(str)).fillna(-1).to_numpy(dtype=np.int64)
        for name in _OWNED
        if name in site.tables
    }


def cut_site(site: Site, squares: Squares, owners: dict[str, Ints], part: int) -> Site:
    """Take what one part shows: its lots, what belongs to them, and the ground around cut to its bounds.

    Parameters
    ----------
    site : Site
    squares : Squares
        From `split_lots`.
    owners : dict of str to array of int
        From `owner_parts`.
    part : int
        From 0.

    Returns
    -------
    Site

    Examples
    --------
    >>> cut_site(site, squares, owner_parts(site, squares), 0)  # doctest: +SKIP
    """
    chosen = squares.part_of_lot == part
    lots = site.tables["lots"][chosen]
    bounds = np.array(lots.total_bounds)
    near = shapely.box(*(bounds + np.array([-1, -1, 1, 1]) * _AROUND_M))
    tables: dict[str, gpd.GeoDataFrame] = {}
    for name, table in site.tables.items():
        if name == "lots":
            tables[name] = lots
        elif name in owners:
            ownerless = np.zeros(len(table), dtype=bool)
            ownerless[table.sindex.query(shapely.box(*bounds), predicate="intersects")] = True
            tables[name] = table[(owners[name] == part) | ((owners[name] < 0) & ownerless)]
        else:
            reached = table.iloc[np.sort(table.sindex.query(near, predicate="intersects"))]
            tables[name] = reached if name == "buildings" else _clip(reached, near)
    return site._replace(tables=tables, sheet_pages=site.sheet_pages[chosen])


def _clip(table: gpd.GeoDataFrame, near: shapely.Polygon) -> gpd.GeoDataFrame:
    shapes = shapely.clip_by_rect(np.asarray(table.geometry.array, dtype=object), *near.bounds)
    return gpd.GeoDataFrame(geometry=gpd.GeoSeries(shapes, index=table.index, crs=table.crs))
