"""Part a county's lots into tiles: neighbours together, subdivisions whole, each with the surroundings it needs."""

from __future__ import annotations

import difflib
from typing import TYPE_CHECKING, Any, NamedTuple

import geopandas as gpd
import numpy as np
import shapely
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from geotools.errors import PipelineError

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    Ints = NDArray[np.int64]
    Shapes = NDArray[np.object_]

__all__ = ["Partition", "Tiling", "part_lots", "read_tiling", "surroundings"]

_CELL_M = 100.0
"""Size of the cells by which things without a lot of their own find their tile (assumption of this project)."""


class Tiling(BaseModel):
    """How a run is parted: [tiles] of a plan. All lengths in metres; all are assumptions of this project.

    `lots` is the size that tiles aim at. Lots no farther apart than `together_m` (across a local street) belong to one
    subdivision, which stays in one tile unless it is larger than `lots`. A tile sees every layer within `around_m` of
    its lots, and the lots within `neighbours_m`: no step may look farther. Ways and habitat surfaces look past
    other lots, so a plan with fewer neighbours must do without them.
    """

    model_config = ConfigDict(extra="forbid", frozen=True)

    lots: int = Field(default=4000, ge=1)
    together_m: float = Field(default=25.0, ge=0.0, le=1000.0)
    around_m: float = Field(default=1000.0, gt=0.0, le=50_000.0)
    neighbours_m: float = Field(default=1000.0, gt=0.0, le=50_000.0)


class Partition(NamedTuple):
    """The tile of each lot, how many lots lie in subdivisions that were cut, and the tile of each occupied cell."""

    tile: Ints
    tiles: int
    cut_lots: int
    cells: Ints
    cell_tile: Ints

    def tile_at(self, points: Shapes) -> Ints:
        """Tile of each point: that of the nearest occupied cell, so that every tile says the same of a point."""
        from scipy.spatial import cKDTree

        where = np.floor(shapely.get_coordinates(points) / _CELL_M)
        _, found = cKDTree(self.cells).query(where, k=min(4, len(self.cells)))
        found = np.asarray(found).reshape(len(where), -1)
        gap = ((self.cells[found] - where[:, None]) ** 2).sum(axis=2)
        nearest = np.where(gap == gap.min(axis=1, keepdims=True), found, len(self.cells)).min(axis=1)
        return np.asarray(self.cell_tile[nearest], dtype=np.int64)


def read_tiling(options: Mapping[str, Any]) -> Tiling:
    """Check the [tiles] table of a plan.

    Raises
    ------
    PipelineError
        For an unknown name, or a value out of range.

    Examples
    --------
    >>> read_tiling({"lots": 500}).around_m
    1000.0
    """
    try:
        return Tiling(**options)
    except ValidationError as error:
        first = error.errors()[0]
        name = str(first["loc"][0])
        close = difflib.get_close_matches(name, Tiling.model_fields, n=1)
        if name not in Tiling.model_fields:
            mend = f"did you mean {close[0]!r}?" if close else f"use {', '.join(Tiling.model_fields)}"
            raise PipelineError(f"there is no {name!r}", where="[tiles]", mend=mend) from None
        raise PipelineError(
            f"{name} = {options[name]!r} can't be used: {first['msg'].lower()}",
            where="[tiles]",
            mend="give a number in range",
        ) from None


def part_lots(lots: gpd.GeoSeries, tiling: Tiling) -> Partition:
    """Part lots into tiles along a Hilbert curve, subdivisions whole.

    Subdivisions (lots that lie within `together_m` of each other, directly or through others) are laid on a Hilbert
    curve by the middle of their bounds, and put into tiles until a tile is full. One that is larger than a tile is cut
    along the same curve, into parts of even size. The result hangs on the shapes alone, not on their order, but for
    lots of the same bounds.

    Parameters
    ----------
    lots : GeoSeries, n polygons
        In a projected CRS in metres; a missing or empty one goes to the first tile.
    tiling : Tiling

    Returns
    -------
    Partition

    Examples
    --------
    >>> lots = gpd.GeoSeries(shapely.box([0, 20, 900, 920], 0, [20, 40, 920, 940], 30), crs=32612)
    >>> part_lots(lots, Tiling(lots=2)).tile.tolist()
    [0, 0, 1, 1]
    """
    shapes = np.asarray(lots.to_numpy(), dtype=object)
    known = np.flatnonzero(~(shapely.is_missing(shapes) | shapely.is_empty(shapes)))
    tile = np.zeros(len(shapes), dtype=np.int64)
    if not len(known):
        return Partition(tile, 1, 0, np.zeros((1, 2), dtype=np.int64), np.zeros(1, dtype=np.int64))
    usable = shapes[known]
    subdivision = _subdivisions(usable, tiling.together_m)
    bounds = shapely.bounds(usable)
    size = np.bincount(subdivision)
    large = size > tiling.lots
    middle = np.column_stack([bounds[:, [0, 2]].mean(axis=1), bounds[:, [1, 3]].mean(axis=1)])
    low = np.full((len(size), 2), np.inf)
    high = np.full((len(size), 2), -np.inf)
    np.minimum.at(low, subdivision, bounds[:, :2])
    np.maximum.at(high, subdivision, bounds[:, 2:])
    centre = (low + high) / 2
    order = np.lexsort((_curve_rank(middle), _curve_rank(centre)[subdivision]))
    number = np.zeros(len(usable), dtype=np.int64)
    cut_lots = current = filled = 0
    starts = np.flatnonzero(np.diff(subdivision[order], prepend=-1))
    for start, end in zip(starts, [*starts[1:], len(order)], strict=True):
        members, count = order[start:end], end - start
        if large[subdivision[members[0]]]:
            pieces = -(-count // tiling.lots)
            first = current + (filled > 0)
            number[members] = first + np.arange(count) * pieces // count
            current, filled = first + pieces, 0
            cut_lots += count
            continue
        if filled and filled + count > tiling.lots:
            current, filled = current + 1, 0
        number[members] = current
        filled += count
    tile[known] = number
    where = np.floor(middle / _CELL_M).astype(np.int64)
    cells, first_lot = np.unique(where[order], axis=0, return_index=True)
    return Partition(tile, int(number.max()) + 1, int(cut_lots), cells, number[order][first_lot])


def surroundings(lots: Shapes, around_m: float) -> shapely.Geometry:
    """Ground within a distance of some lots, and a little more: squares around them, grown and joined.

    Parameters
    ----------
    lots : array of polygons
    around_m : float
        Metres.

    Returns
    -------
    shapely.Polygon or MultiPolygon

    Examples
    --------
    >>> surroundings(np.array([shapely.box(0, 0, 10, 10)]), 100.0).contains(shapely.box(-100, -100, 110, 110))
    True
    """
    usable = lots[~(shapely.is_missing(lots) | shapely.is_empty(lots))]
    bounds = shapely.bounds(usable) + np.array([-around_m, -around_m, around_m, around_m])
    side_m = max(around_m / 4, _CELL_M)
    corners = np.unique(
        np.column_stack([np.floor(bounds[:, :2] / side_m), np.ceil(bounds[:, 2:] / side_m)]).astype(np.int64), axis=0
    )
    return shapely.union_all(shapely.box(*(corners.T * side_m)))


def _subdivisions(lots: Shapes, together_m: float) -> Ints:
    """Number of the subdivision of each lot."""
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components

    one, other = shapely.STRtree(lots).query(lots, predicate="dwithin", distance=together_m)
    links = coo_array((np.ones(len(one), dtype=np.int8), (one, other)), shape=(len(lots), len(lots)))
    return np.asarray(connected_components(links, directed=False)[1], dtype=np.int64)


def _curve_rank(points: NDArray[np.float64]) -> Ints:
    """Rank along a Hilbert curve over all points, ties by coordinates."""
    distance = gpd.GeoSeries(shapely.points(points)).hilbert_distance().to_numpy()
    rank = np.empty(len(points), dtype=np.int64)
    rank[np.lexsort((points[:, 1], points[:, 0], distance))] = np.arange(len(points))
    return rank
