"""Burn what stands in the way into a grid of resistance: how much harder a metre is there than on natural ground."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, NamedTuple

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from geotools.errors import DesignError
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
"""Cost of a metre on each kind of ground, natural ground being 1; 0 marks what can't be crossed. That roads and walls
slow animals and that they follow arroyos is published; the figures are assumptions of this project."""
_HALF_COVER = 0.5
_THICK_M = 0.05
"""Walls are burnt this thick on each side: ends that miss each other by less meet, and one that runs through the corner
of cells leaves no way between them (assumption of this project, that of the barrier standard)."""
_JOINED_M = 0.5
"""A wall that ends this near to a house ends at the house (assumption of this project)."""


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

    def burn(self, shapes: Any, values: Any, out: NDArray[Any], *, all_touched: bool = True) -> None:
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
    gates = None if judged_gates is None else judged_gates[~judged_gates["sound_now"].astype(bool)]
    patches: NDArray[Any] = np.zeros(0, dtype=object)
    if isinstance(vegetation, gpd.GeoDataFrame):
        cover = pd.to_numeric(vegetation["cover"]).fillna(1.0).to_numpy(dtype=np.float64)
        patches = vegetation.geometry.to_numpy()[cover >= _HALF_COVER]
    return Ground(
        crs=parcels.crs,
        bare=values["bare"],
        green=values["vegetation"],
        green_index=green_threshold(green_index, vegetation, lots, crs=parcels.crs),
        raster=vegetation if isinstance(vegetation, Raster) else None,
        yards=_layer(lots, values["yard"]),
        patches=_layer(patches, values["vegetation"]),
        desert=_layer(surface[~wash], values["desert"]),
        roads=_layer(_road_ground(roads, road_width_m), values["road"]),
        wash=_layer(surface[wash], values["wash"]),
        buildings=_layer(_shapes(buildings), values["building"]),
        walls=_wall_layer(judged_walls, values),
        passages=_layer(np.concatenate([_passages(openings), _shapes(gates)]), values["opening"]),
        sealed=_layer(np.array(list(sealed), dtype=object), np.inf),
    )


def burn_ground(ground: Ground, window: Window) -> NDArray[np.float64]:
    """Burn the resistance of each cell of a window; infinite where it can't be crossed."""
    cells = np.full(window.shape, ground.bare)
    window.burn(*_within(ground.yards, window), out=cells, all_touched=False)
    window.burn(*_within(ground.patches, window), out=cells, all_touched=False)
    if ground.raster is not None:
        cells[_green_cells(ground, ground.raster, window)] = ground.green
    window.burn(*_within(ground.desert, window), out=cells, all_touched=False)
    window.burn(*_within(ground.roads, window), out=cells, all_touched=False)
    # A wash passes under the road.
    window.burn(*_within(ground.wash, window), out=cells)
    window.burn(*_within(ground.buildings, window), out=cells, all_touched=False)
    unwalled = cells.copy()
    _burn_walls(ground, ground.walls, window, cells)
    # A wall along the edge of cells fills those on both sides: an opening reaches one cell to each.
    passages, value = _within(ground.passages, window)
    opened = np.full(window.shape, np.nan)
    window.burn(shapely.buffer(passages, window.cell_m, quad_segs=2), value, out=opened)
    cells = np.where(np.isnan(opened) | np.isinf(unwalled), cells, np.minimum(cells, opened))
    _burn_walls(ground, ground.sealed, window, cells)
    return cells


class _Layer(NamedTuple):
    """Shapes with one value each, and their search tree."""

    shapes: NDArray[Any]
    values: NDArray[np.float64]
    tree: Any


@dataclass(frozen=True)
class Ground:
    """Everything that resists movement, in the order in which it is burnt; the raster is read when a window is."""

    crs: Any
    bare: float
    green: float
    green_index: float
    raster: Raster | None
    yards: _Layer
    patches: _Layer
    desert: _Layer
    roads: _Layer
    wash: _Layer
    buildings: _Layer
    walls: _Layer
    passages: _Layer
    sealed: _Layer


def _layer(shapes: NDArray[Any], values: Any) -> _Layer:
    usable = ~(shapely.is_missing(shapes) | shapely.is_empty(shapes))
    each = np.broadcast_to(np.asarray(values, dtype=np.float64), shapes.shape)[usable]
    return _Layer(shapes[usable], each, shapely.STRtree(shapes[usable]))


def _within(layer: _Layer, window: Window) -> tuple[NDArray[Any], NDArray[np.float64]]:
    near = np.sort(layer.tree.query(window.extent))
    return layer.shapes[near], layer.values[near]


def _wall_layer(judged_walls: gpd.GeoDataFrame | None, values: dict[str, float]) -> _Layer:
    if judged_walls is None:
        return _layer(np.zeros(0, dtype=object), np.inf)
    sound = judged_walls["sound_now"].to_numpy(dtype=bool)
    each = np.where(sound, values["sound wall"], values["unsound wall"])
    order = np.argsort(sound, kind="stable")  # sound ones last: they win where walls meet
    return _layer(judged_walls.geometry.to_numpy()[order], each[order])


def _burn_walls(ground: Ground, walls: _Layer, window: Window, cells: NDArray[np.float64]) -> None:
    """Burn walls, those that can't be crossed carried into the houses they end at, so that no way is left between."""
    shapes, values = _within(walls, window)
    window.burn(shapely.buffer(shapes, _THICK_M, quad_segs=1), values, out=cells)
    lines = shapely.get_parts(shapes[np.isinf(values) & (shapely.get_dimensions(shapes) == 1)])
    ends = np.concatenate([shapely.get_point(lines, 0), shapely.get_point(lines, -1)])
    houses = ground.buildings
    end_at, house_at = houses.tree.query(ends, predicate="dwithin", distance=_JOINED_M)
    near = shapely.buffer(ends[end_at], _JOINED_M + 1.5 * window.cell_m, quad_segs=2)
    inside = shapely.intersection(near, houses.shapes[house_at])
    window.burn(shapely.union(inside, shapely.shortest_line(ends[end_at], houses.shapes[house_at])), np.inf, out=cells)


def _green_cells(ground: Ground, raster: Raster, window: Window) -> NDArray[np.bool_]:
    green, transform = read_green(
        raster, window.extent.bounds, crs=ground.crs, green_index=ground.green_index, resolution_m=window.cell_m
    )
    row = round((window.transform.f - transform.f) / window.transform.e)
    column = round((window.transform.c - transform.c) / window.cell_m)
    return np.asarray(green[row : row + window.shape[0], column : column + window.shape[1]] == 1.0)


def _shapes(layer: gpd.GeoDataFrame | None) -> NDArray[Any]:
    return np.zeros(0, dtype=object) if layer is None else np.asarray(layer.geometry.to_numpy(), dtype=object)


def _passages(openings: gpd.GeoDataFrame | None) -> NDArray[Any]:
    """Gaps and gates; an unsound wall has its own resistance along its whole length."""
    if openings is not None and "kind" in openings.columns:
        openings = openings[openings["kind"].astype(str).str.contains("gap|gate|opening$", regex=True)]
    return _shapes(openings)


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
