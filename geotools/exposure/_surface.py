"""Gather what resists movement, and read how much harder a metre is in each cell than on natural ground."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, NamedTuple

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from geotools.errors import DesignError
from geotools.exposure._barriers import Barriers, gather_barriers
from geotools.rasters import Raster
from geotools.vegetation import green_threshold, read_green

if TYPE_CHECKING:
    from collections.abc import Sequence

    from affine import Affine
    from numpy.typing import NDArray

__all__ = ["BARRIER", "RESISTANCE", "Ground", "Window", "burn_ground", "check_resistance", "gather_ground", "lay_grid"]

BARRIER = 0.0
"""The value that marks ground that can't be crossed."""
RESISTANCE = {
    "desert": 1.0,
    "wash": 1.0,
    "vegetation": 1.0,
    "bare": 2.0,
    "yard": 2.0,
    "road": 4.0,
    "unsound wall": 4.0,
    "opening": 2.0,
    "building": BARRIER,
    "sound wall": BARRIER,
}
"""Cost of a metre on each kind of ground, natural ground being 1; 0 marks what can't be crossed; a wall counts for a
metre. That roads and walls slow animals and that they follow arroyos is published; the figures are assumptions of this
project."""
_HALF_COVER = 0.5


@dataclass(frozen=True)
class Window:
    """A grid in the working CRS: its transform and its rows and columns."""

    transform: Affine
    shape: tuple[int, int]

    @property
    def extent(self) -> Any:
        """The ground of the window as a polygon."""
        west, north = self.transform.c, self.transform.f
        east, south = west + self.transform.a * self.shape[1], north + self.transform.e * self.shape[0]
        return shapely.box(west, south, east, north)

    @property
    def cell_m(self) -> float:
        """Size of a cell, metres."""
        return float(self.transform.a)

    def in_cells(self, xy: NDArray[np.float64]) -> NDArray[np.float64]:
        """Column and row of places, the middles of cells being at whole numbers."""
        corner = np.array([self.transform.c, self.transform.f])
        return np.asarray((xy - corner) / (self.cell_m, -self.cell_m) - 0.5)

    def in_metres(self, cells: NDArray[np.float64]) -> NDArray[np.float64]:
        """Places of columns and rows, the reverse of `in_cells`."""
        corner = np.array([self.transform.c, self.transform.f])
        return np.asarray((cells + 0.5) * (self.cell_m, -self.cell_m) + corner)

    def burn(self, shapes: Any, values: Any, out: NDArray[Any], *, all_touched: bool = False) -> None:
        """Burn shapes, with one value each, into a grid of this window."""
        from rasterio.features import rasterize

        if len(shapes):
            pairs = list(zip(shapes, np.broadcast_to(values, len(shapes)).tolist(), strict=True))
            rasterize(pairs, out=out, transform=self.transform, all_touched=all_touched)


def lay_grid(bounds: NDArray[np.float64], *, cell_m: float, halo_m: float) -> Window:
    """Lay a grid around bounds on whole multiples of the cell, so that windows side by side share their cells."""
    from affine import Affine

    west, south, east, north = bounds + halo_m * np.array([-1, -1, 1, 1])
    left, top = math.floor(west / cell_m), math.ceil(north / cell_m)
    shape = top - math.floor(south / cell_m), math.ceil(east / cell_m) - left
    return Window(Affine(cell_m, 0.0, left * cell_m, 0.0, -cell_m, top * cell_m), shape)


def check_resistance(given: dict[str, float] | None) -> dict[str, float]:
    """Merge resistances with the table of this project, and refuse what can't be.

    Raises
    ------
    DesignError
        For an unknown kind, a value between 0 and 1, or one that is no number.
    """
    unknown = [name for name in given or {} if name not in RESISTANCE]
    if unknown:
        raise DesignError(
            f"there is no kind of ground {unknown[0]!r}",
            where="resistance",
            mend=f"use one of: {', '.join(RESISTANCE)}",
        )
    merged = {**RESISTANCE, **(given or {})}
    for name, value in merged.items():
        if not (value == BARRIER or 1 <= value < np.inf):
            raise DesignError(
                f"the resistance of {name!r} is {value}",
                where="resistance",
                mend="give 1 (natural ground) or more, or 0 for what can't be crossed",
            )
    return merged


def gather_ground(
    parcels: gpd.GeoDataFrame,
    habitat_surface: gpd.GeoDataFrame,
    *,
    buildings: gpd.GeoDataFrame | None,
    roads: gpd.GeoDataFrame | None,
    judged_walls: gpd.GeoDataFrame | None,
    judged_gates: gpd.GeoDataFrame | None,
    openings: gpd.GeoDataFrame | None,
    vegetation: gpd.GeoDataFrame | Raster | None,
    resistance: dict[str, float] | None,
    green_index: float | str,
    road_width_m: float,
    sealed: Sequence[Any] = (),
) -> Ground:
    """Gather every layer that resists movement, each with a search tree, ready to be burnt window by window.

    Raises
    ------
    DesignError
        If a resistance or the road width can't be.
    """
    values = {name: np.inf if value == BARRIER else value for name, value in check_resistance(resistance).items()}
    if not road_width_m >= 0:
        raise DesignError(f"the road width is {road_width_m} m", where="road_width_m", mend="give 0 or more")
    lots = parcels.geometry.to_numpy()
    lots = lots[~(shapely.is_missing(lots) | shapely.is_empty(lots))]
    wash = (habitat_surface["kind"] == "wash").to_numpy()
    surface = habitat_surface.geometry.to_numpy()
    houses, stops = _usable(_shapes(buildings)), np.isinf(values["building"])
    patches: NDArray[Any] = np.zeros(0, dtype=object)
    if isinstance(vegetation, gpd.GeoDataFrame):
        cover = pd.to_numeric(vegetation["cover"]).fillna(1.0).to_numpy(dtype=np.float64)
        patches = vegetation.geometry.to_numpy()[cover >= _HALF_COVER]
    return Ground(
        crs=parcels.crs,
        bare=values["bare"],
        yard=values["yard"],
        green=values["vegetation"],
        green_index=green_threshold(green_index, vegetation, lots, crs=parcels.crs),
        raster=vegetation if isinstance(vegetation, Raster) else None,
        yards=_layer(lots, values["yard"]),
        patches=_layer(patches, values["vegetation"]),
        desert=_layer(surface[~wash], values["desert"]),
        roads=_layer(_road_ground(roads, road_width_m), values["road"]),
        wash=_layer(surface[wash], values["wash"]),
        buildings=_layer(houses[:0] if stops else houses, values["building"]),
        opening=values["opening"],
        barriers=gather_barriers(
            judged_walls, judged_gates, openings, houses if stops else houses[:0], values=values, sealed=sealed
        ),
    )


def burn_ground(ground: Ground, window: Window) -> NDArray[np.float64]:
    """Read the resistance at the middle of each cell of a window; infinite where it can't be crossed."""
    cells = np.full(window.shape, ground.bare)
    for layer in (ground.yards, ground.patches):
        window.burn(*_within(layer, window), out=cells)
    if ground.raster is not None:
        cells[_green_cells(ground, ground.raster, window)] = ground.green
    for layer in (ground.desert, ground.roads):
        window.burn(*_within(layer, window), out=cells)
    # A wash passes under the road, and holds together where it is narrower than a cell.
    window.burn(*_within(ground.wash, window), out=cells, all_touched=True)
    window.burn(*_within(ground.buildings, window), out=cells)
    return cells


class _Layer(NamedTuple):
    """Shapes with one value each, and their search tree."""

    shapes: NDArray[Any]
    values: NDArray[np.float64]
    tree: Any


@dataclass(frozen=True)
class Ground:
    """Everything that resists movement, areas in the order they are burnt in; the raster is read window by window."""

    crs: Any
    bare: float
    yard: float
    green: float
    green_index: float
    raster: Raster | None
    yards: _Layer
    patches: _Layer
    desert: _Layer
    roads: _Layer
    wash: _Layer
    buildings: _Layer
    opening: float
    barriers: Barriers


def _layer(shapes: NDArray[Any], values: Any) -> _Layer:
    usable = ~(shapely.is_missing(shapes) | shapely.is_empty(shapes))
    each = np.broadcast_to(np.asarray(values, dtype=np.float64), shapes.shape)[usable]
    return _Layer(shapes[usable], each, shapely.STRtree(shapes[usable]))


def _within(layer: _Layer, window: Window) -> tuple[NDArray[Any], NDArray[np.float64]]:
    near = np.sort(layer.tree.query(window.extent))
    return layer.shapes[near], layer.values[near]


def _green_cells(ground: Ground, raster: Raster, window: Window) -> NDArray[np.bool_]:
    green, transform = read_green(
        raster, window.extent.bounds, crs=ground.crs, green_index=ground.green_index, resolution_m=window.cell_m
    )
    row = round((window.transform.f - transform.f) / window.transform.e)
    column = round((window.transform.c - transform.c) / window.cell_m)
    return np.asarray(green[row : row + window.shape[0], column : column + window.shape[1]] == 1.0)


def _shapes(layer: gpd.GeoDataFrame | None) -> NDArray[Any]:
    return np.zeros(0, dtype=object) if layer is None else np.asarray(layer.geometry.to_numpy(), dtype=object)


def _usable(shapes: NDArray[Any]) -> NDArray[Any]:
    return np.asarray(shapes[~(shapely.is_missing(shapes) | shapely.is_empty(shapes))])


def _road_ground(roads: gpd.GeoDataFrame | None, default_width_m: float) -> NDArray[Any]:
    shapes = _shapes(roads)
    if roads is None or not len(shapes):
        return shapes
    widths_m = np.full(len(shapes), default_width_m)
    if "width_m" in roads.columns:
        given_m = pd.to_numeric(roads["width_m"]).to_numpy(dtype=np.float64, na_value=np.nan)
        widths_m = np.where(np.isnan(given_m), default_width_m, given_m)
    lines = shapely.get_dimensions(shapes) == 1
    return np.where(lines, shapely.buffer(shapes, widths_m / 2, cap_style="flat"), shapes)
