"""Spread cost over a grid from where ways begin, and find the least of it on each lot."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import geopandas as gpd
import numpy as np
import shapely

from geotools.errors import DesignError, LayerError
from geotools.exposure._surface import Ground, Window, burn_ground, lay_grid
from geotools.windows import group_near

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

__all__ = [
    "WINDOW_M2",
    "accumulate_cost",
    "cells_of",
    "check_ways",
    "cost_of_lots",
    "mask_of",
    "sources_of",
    "spread_cost",
    "targets_of",
]

WINDOW_M2 = 6e6
"""Lots whose ways are found in one window lie within about this."""
_GOOD = 0.5
"""Habitat of at least this quality is where ways begin (assumption of this project)."""


def accumulate_cost(resistance: ArrayLike, sources: ArrayLike, *, cell_m: float) -> NDArray[np.float64]:
    """Least cost from the nearest source to each cell: length times the mean resistance of each two cells of the way.

    Parameters
    ----------
    resistance : array_like, rows x columns
        Infinite where a cell can't be crossed.
    sources : array_like of bool, rows x columns
    cell_m : float
        Metres.

    Returns
    -------
    numpy.ndarray, float64, rows x columns
        Infinite where there is no way.

    Examples
    --------
    >>> accumulate_cost([[1, 3, 1]], [[True, False, False]], cell_m=2.0).tolist()
    [[0.0, 4.0, 8.0]]
    """
    costs, _ = spread_cost(np.asarray(resistance, dtype=np.float64), np.asarray(sources, dtype=bool), cell_m)
    return costs


def cost_of_lots(
    targets: NDArray[Any], ground: Ground, sources: dict[str, NDArray[Any]], *, cell_m: float, farthest_m: float
) -> dict[str, NDArray[np.float64]]:
    """Least cost from each kind of source to each target, `<kind>_cost_m`; infinite beyond `farthest_m`."""
    costs = {f"{kind}_cost_m": np.full(len(targets), np.inf if len(s) else np.nan) for kind, s in sources.items()}
    trees = {kind: shapely.STRtree(shapes) for kind, shapes in sources.items() if len(shapes)}
    for some in group_near(targets, window_m2=WINDOW_M2):
        window = lay_grid(shapely.total_bounds(targets[some]), cell_m=cell_m, halo_m=farthest_m)
        near = {kind: sources[kind][tree.query(window.extent)] for kind, tree in trees.items()}
        if not any(len(shapes) for shapes in near.values()):
            continue
        resistance = burn_ground(ground, window)
        cells, target_at = cells_of(targets[some], window)
        for kind, shapes in near.items():
            if not len(shapes):
                continue
            spread = accumulate_cost(resistance, mask_of(shapes, window), cell_m=cell_m)
            least = np.full(len(some), np.inf)
            np.minimum.at(least, target_at, spread.ravel()[cells])
            costs[f"{kind}_cost_m"][some] = np.where(least <= farthest_m, least, np.inf)
    return costs


def sources_of(habitat_surface: gpd.GeoDataFrame) -> dict[str, NDArray[Any]]:
    """Where ways begin: washes, and open desert; where none is drawn, other habitat of at least half quality."""
    good = habitat_surface[habitat_surface["quality"] >= _GOOD]
    wash = (good["kind"] == "wash").to_numpy()
    shapes = good.geometry.to_numpy()
    kinds = good["kind"].to_numpy()
    # Vegetation is where animals rest; they come from it only where nothing better is known.
    for desert in (kinds == "open desert", ~wash & (kinds != "vegetation"), ~wash):
        if desert.any():
            break
    return {"desert": shapes[desert], "wash": shapes[wash]}


def targets_of(
    parcels: gpd.GeoDataFrame, buildings: gpd.GeoDataFrame | None, ground: gpd.GeoDataFrame | None
) -> tuple[NDArray[np.bool_], NDArray[Any]]:
    """Which lots have an outline, and the ground of each that is to be reached: protected, else the lot's yard."""
    lots = parcels.geometry.to_numpy()
    usable = ~(shapely.is_missing(lots) | shapely.is_empty(lots))
    yards = lots[usable]
    if buildings is not None and len(buildings):
        houses = buildings.geometry.to_numpy()
        lot_at, house_at = shapely.STRtree(houses).query(yards, predicate="intersects")
        at, first = np.unique(lot_at, return_index=True)
        together = [shapely.union_all(houses[some]) for some in np.split(house_at, first[1:])] if len(at) else []
        less = shapely.difference(yards[at], np.array(together, dtype=object))
        yards = yards.copy()
        yards[at] = np.where(shapely.is_empty(less), yards[at], less)
    if ground is not None and "protected" in ground.columns:
        if not ground.index.equals(parcels.index):
            raise LayerError("it is not of the same parcels", where="ground", mend="make it from the same parcels")
        protected = ground["protected"].to_numpy()[usable]
        known = ~(shapely.is_missing(protected) | shapely.is_empty(protected))
        yards = np.where(known, protected, yards)
    return usable, np.asarray(yards, dtype=object)


def check_ways(habitat_surface: gpd.GeoDataFrame, cell_m: float, farthest_m: float) -> None:
    """Refuse lengths and a habitat that no way can be sought with.

    Raises
    ------
    DesignError
        If a length is out of range.
    LayerError
        If the habitat has no kinds.
    """
    if not 0 < cell_m < farthest_m < np.inf:
        raise DesignError("a length is out of range", where="movement", mend="give a cell, and a way longer than it")
    if not {"kind", "quality"} <= set(habitat_surface.columns):
        raise LayerError("the habitat has no kind and quality", where="habitat_surface", mend="use map_habitat_surface")


def spread_cost(
    resistance: NDArray[np.float64], sources: NDArray[np.bool_], cell_m: float
) -> tuple[NDArray[np.float64], Any]:
    """Spread cost from the sources; the costs, and the ways to trace back (None where nothing spreads)."""
    from scipy.ndimage import binary_erosion
    from skimage.graph import MCP_Geometric

    sources = sources & np.isfinite(resistance)
    if not sources.any():
        return np.full(resistance.shape, np.inf), None
    # Every way out of a source leaves by its rim: the inside need not be searched.
    inside = binary_erosion(sources, np.ones((3, 3), dtype=bool), border_value=1)
    ways = MCP_Geometric(np.where(inside, np.inf, resistance), fully_connected=True, sampling=(cell_m, cell_m))
    starts = np.argwhere(sources & ~inside)
    if not len(starts):
        return np.where(sources, 0.0, np.inf), None
    costs, _ = ways.find_costs(starts.tolist())
    return np.where(sources, 0.0, costs), ways


def mask_of(shapes: NDArray[Any], window: Window) -> NDArray[np.bool_]:
    """Mark the cells that any of the shapes touches."""
    mask = np.zeros(window.shape, dtype=np.uint8)
    window.burn(shapes, 1, out=mask)
    return mask > 0


def cells_of(targets: NDArray[Any], window: Window) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Flat positions of the cells with their centre in each target, and whose they are."""
    labels = np.zeros(window.shape, dtype=np.int32)
    window.burn(targets, np.arange(1, len(targets) + 1), out=labels, all_touched=False)
    cells = np.flatnonzero(labels)
    target_at = labels.ravel()[cells] - 1
    # Small or stacked targets have no cell of their own there: they are burnt one by one.
    left = np.setdiff1d(np.arange(len(targets)), target_at)
    more, whose = [cells], [target_at]
    for number in left.tolist():
        own = lay_grid(np.array(targets[number].bounds), cell_m=window.cell_m, halo_m=window.cell_m)
        mask = np.zeros(own.shape, dtype=np.uint8)
        own.burn([targets[number]], 1, out=mask)
        row, column = np.nonzero(mask)
        row = row + round((window.transform.f - own.transform.f) / window.cell_m)
        column = column + round((own.transform.c - window.transform.c) / window.cell_m)
        more.append(row * window.shape[1] + column)
        whose.append(np.full(len(row), number))
    return np.concatenate(more), np.concatenate(whose)
