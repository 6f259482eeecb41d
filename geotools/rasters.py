"""Open rasters, read windows of them in the working CRS, and sample them at points."""

from __future__ import annotations

import math
import warnings
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
from pyproj import CRS, Transformer

from geotools.crs import check_source_crs, coded_crs, parse_crs
from geotools.errors import RasterError, UnitError
from geotools.sources.drivers import HEAD_BYTES, raster_kind
from geotools.sources.remote import REMOTE_SCHEMES, driver_path, hushed, open_remote, show_address, show_path
from geotools.units import parse_length

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from affine import Affine
    from numpy.typing import ArrayLike, NDArray

__all__ = ["Raster", "open_cells", "open_raster", "read_window", "sample", "vegetation_index"]

_BAND_OPTIONS = ("red", "near_infrared", "index")
_TILE_CELLS = 1024
_WARP_TOLERANCE_CELLS = 0.01  # the library's 0.125 is metres of height on a slope of coarse cells
_LARGEST_WINDOW_CELLS = 400_000_000


@dataclass(frozen=True)
class Raster:
    """A raster on disk, looked into but not read; `value_factor` brings elevations to metres (1 for other values)."""

    path: str
    crs: CRS
    bounds: tuple[float, float, float, float]
    width: int
    height: int
    resolution: tuple[float, float]
    count: int
    nodata: float | None
    bands: Mapping[str, int] = field(default_factory=dict)
    value_factor: float = 1.0
    value_unit: str = ""


def open_raster(source: str | Path, name: str, options: Mapping[str, Any] | None = None) -> Raster:
    """Look into a raster and check that it can be used.

    Parameters
    ----------
    source : str or pathlib.Path
        A file, or an address that is read by ranges (https, s3, gs, az). Only kinds that can't reach other files or
        hosts are opened.
    name : str
        The layer's name, `elevation` or `vegetation`; elevations get the factor of their unit, from the option `unit`,
        else from the band's own unit, else metres.
    options : mapping, optional
        `crs`, `unit` (of elevations), band numbers from 1: `red` and `near_infrared`, or `index`; `driver`, the one
        driver that may open it, whatever it reaches.

    Returns
    -------
    Raster
        Bounds (west, south, east, north) and resolution (size of a cell across and down) are in its own CRS.

    Raises
    ------
    RasterError
        If it can't be opened, points to other files or hosts, has no georeference, or a band number is out of range.
    LayerError
        If an address can't be reached.
    CrsError
        If it has no CRS and none is given, or its coordinates can't be in it.
    """
    import rasterio
    from rasterio.errors import NotGeoreferencedWarning, RasterioIOError

    options = options or {}
    path, shown, driver = _place(source, name, options)
    where = f"{name}={shown}"
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", NotGeoreferencedWarning)  # refused below, in our words
        try:
            with hushed(path if shown != path else None):
                dataset = rasterio.open(path, driver=driver)
        except RasterioIOError as error:
            # of an address the driver's words may repeat what is secret in it
            raise RasterError(
                "it can't be opened: it is damaged, cut off or no raster that is read",
                where=where,
                mend="check the path and the file",
            ) from (error if shown == path else None)
    with dataset:
        if dataset.transform.is_identity or dataset.transform.determinant == 0.0:
            has_points = " (it has ground control points: warp it with them first)" if dataset.gcps[0] else ""
            raise RasterError(
                f"there is no georeference{has_points}",
                where=where,
                mend="deliver its world file, or a GeoTIFF with position",
            )
        if any(kind.startswith("complex") for kind in dataset.dtypes):
            raise RasterError("its cells are complex numbers", where=where, mend="deliver it in whole or real numbers")
        stated = options.get("crs")
        own = coded_crs(CRS.from_wkt(dataset.crs.to_wkt())) if dataset.crs else None
        bounds = _bounds(dataset.transform, dataset.width, dataset.height)
        crs = check_source_crs(
            parse_crs(stated, where=f"[{name}] crs") if stated is not None else own, bounds, layer=name, where=where
        )
        bands = {
            key: _band_number(options[key], dataset.count, where=f"[{name}] {key}")
            for key in _BAND_OPTIONS
            if key in options
        }
        if ("red" in bands) != ("near_infrared" in bands):
            raise RasterError(
                "red and near_infrared go together",
                where=f"[{name}]",
                mend="give both band numbers, or the band of an index",
            )
        factor, unit = (1.0, "") if name != "elevation" else _elevation_unit(dataset, options, name)
        transform = dataset.transform
        return Raster(
            path=path,
            crs=crs,
            bounds=bounds,
            width=dataset.width,
            height=dataset.height,
            resolution=(math.hypot(transform.a, transform.d), math.hypot(transform.b, transform.e)),
            count=dataset.count,
            nodata=None if dataset.nodata is None else float(dataset.nodata),
            bands=bands,
            value_factor=factor,
            value_unit=unit,
        )


@contextmanager
def open_cells(raster: Raster) -> Iterator[Any]:
    """Open a raster to read its cells.

    Raises
    ------
    RasterError
        If they can't be read: the file is cut off or damaged, or gone by now.

    Examples
    --------
    >>> with open_cells(raster) as dataset:  # doctest: +SKIP
    ...     dataset.read(1)
    """
    import rasterio
    from rasterio.errors import RasterioIOError

    is_address = raster.path.startswith("/vsi")
    try:
        with hushed(raster.path if is_address else None), rasterio.open(raster.path) as dataset:
            yield dataset
    except RasterioIOError as error:
        reached = " or it can't be reached" if is_address else ""
        raise RasterError(
            f"its cells can't be read: the file is cut off or damaged{reached}",
            where=show_path(raster.path),
            mend="deliver it again",
        ) from (None if is_address else error)


def read_window(
    raster: Raster,
    bounds: Sequence[float],
    *,
    crs: CRS,
    resolution_m: float | None = None,
    bands: Sequence[int] | None = None,
    margin_m: float = 0.0,
    resampling: Literal["bilinear", "nearest"] = "bilinear",
) -> tuple[NDArray[np.float32], Affine]:
    """Read a window, warped to the working CRS, its cells on a grid that windows side by side share.

    Parameters
    ----------
    raster : Raster
    bounds : sequence of 4 float
        West, south, east, north in `crs`.
    crs : pyproj.CRS
        The working CRS, in metres.
    resolution_m : float, optional
        Size of a cell; the raster's own, brought to metres, without it.
    bands : sequence of int, optional
        Band numbers from 1; all without it.
    margin_m : float
        How much more than the bounds to read on each side.
    resampling : str
        `bilinear` for measures, `nearest` for class codes.

    Returns
    -------
    array : numpy.ndarray of float32, bands x rows x columns
        NaN where there is no data or the raster ends.
    transform : affine.Affine
        From column and row to x and y in `crs`, of the first cell's upper left corner.

    Raises
    ------
    RasterError
        If bounds or resolution are no window, or the window is larger than 400 million cells.
    """
    from affine import Affine
    from rasterio.enums import ColorInterp, Resampling
    from rasterio.vrt import WarpedVRT

    west, south, east, north = (float(value) for value in bounds)
    if not (math.isfinite(west + south + east + north) and west < east and south < north and margin_m >= 0.0):
        raise RasterError(
            f"{tuple(bounds)} is no window", where=show_path(raster.path), mend="give west, south, east, north"
        )
    own_m = _cell_size(raster, bounds, crs)
    cell_m = resolution_m if resolution_m is not None else own_m
    if not (math.isfinite(cell_m) and cell_m > 0.0):
        raise RasterError(
            f"a cell of {cell_m} m can't be", where=show_path(raster.path), mend="give a resolution above 0 m"
        )
    left, top = math.floor((west - margin_m) / cell_m), math.ceil((north + margin_m) / cell_m)
    columns = math.ceil((east + margin_m) / cell_m) - left
    rows = top - math.floor((south - margin_m) / cell_m)
    numbers = list(bands) if bands is not None else list(range(1, raster.count + 1))
    for number in numbers:
        _band_number(number, raster.count, where=show_path(raster.path))
    if rows * columns * len(numbers) > _LARGEST_WINDOW_CELLS:
        raise RasterError(
            f"a window of {rows:,} x {columns:,} cells", where=show_path(raster.path), mend="read it in smaller parts"
        )
    transform = Affine(cell_m, 0.0, left * cell_m, 0.0, -cell_m, top * cell_m)
    # Left to itself the library takes turned or oblong cells for finer ones and blurs them unevenly: a slope of 30 %
    # then waves by a fiftieth of a cell up and down. Only cells that are coarser are to be averaged.
    plain = {"XSCALE": "1", "YSCALE": "1"} if cell_m <= 1.05 * own_m else {}
    with open_cells(raster) as dataset:
        needs_alpha = dataset.nodata is None and ColorInterp.alpha not in dataset.colorinterp
        with WarpedVRT(
            dataset,
            src_crs=raster.crs.to_wkt(),
            crs=crs.to_wkt(),
            transform=transform,
            width=columns,
            height=rows,
            resampling=Resampling[resampling],
            add_alpha=needs_alpha,
            tolerance=_WARP_TOLERANCE_CELLS,
            **plain,
            dtype="float64" if dataset.dtypes[0] in ("float64", "int32", "uint32") else "float32",
        ) as warped:
            read = warped.read(indexes=numbers, masked=True).astype(np.float64).filled(np.nan)
            read[~np.isfinite(read)] = np.nan
            if ColorInterp.alpha in warped.colorinterp:
                read[:, warped.read(warped.colorinterp.index(ColorInterp.alpha) + 1) == 0] = np.nan
        values = _scaled(dataset, numbers, read, raster.value_factor)
    return values.astype(np.float32), transform


def sample(raster: Raster, points_xy: ArrayLike, *, crs: CRS, band: int = 1) -> NDArray[np.float64]:
    """Sample a raster at points, bilinear between the centres of the four cells around each.

    Cells without data lend no weight, the rest share it; a point whose own cell has no data, or outside the raster,
    is NaN.

    Parameters
    ----------
    raster : Raster
    points_xy : array_like, n x 2
        In `crs`.
    crs : pyproj.CRS
    band : int
        Counted from 1.

    Returns
    -------
    numpy.ndarray of float64, n
        Metres for an elevation, otherwise the raster's own values.
    """
    from rasterio.windows import Window

    points = np.asarray(points_xy, dtype=float).reshape(-1, 2)
    values = np.full(len(points), np.nan)
    band = _band_number(band, raster.count, where=show_path(raster.path))
    x, y = Transformer.from_crs(crs, raster.crs, always_xy=True).transform(points[:, 0], points[:, 1])
    with open_cells(raster) as dataset:
        back = ~dataset.transform
        with np.errstate(invalid="ignore"):
            column = back.a * np.asarray(x) + back.b * np.asarray(y) + back.c
            row = back.d * np.asarray(x) + back.e * np.asarray(y) + back.f
            inside = (column >= 0) & (column <= dataset.width) & (row >= 0) & (row <= dataset.height)
        at = np.flatnonzero(inside)
        tile_of = np.stack([row[at] // _TILE_CELLS, column[at] // _TILE_CELLS], axis=1).astype(int)
        tiles, which = np.unique(tile_of, axis=0, return_inverse=True)
        order = np.argsort(which.ravel(), kind="stable")
        cuts = np.searchsorted(which.ravel()[order], np.arange(len(tiles) + 1))
        for number, (tile_row, tile_column) in enumerate(tiles):
            members = order[cuts[number] : cuts[number + 1]]
            top, left = max(tile_row * _TILE_CELLS - 1, 0), max(tile_column * _TILE_CELLS - 1, 0)
            bottom = min((tile_row + 1) * _TILE_CELLS + 1, dataset.height)
            right = min((tile_column + 1) * _TILE_CELLS + 1, dataset.width)
            window = Window(left, top, right - left, bottom - top)
            cells = dataset.read(band, window=window).astype(float)
            cells[(dataset.read_masks(band, window=window) == 0) | ~np.isfinite(cells)] = np.nan
            who = at[members]
            values[who] = _bilinear(cells, row[who] - top, column[who] - left)
        scaled = _scaled(dataset, [band], values[np.newaxis], raster.value_factor)
    return np.asarray(scaled[0], dtype=float)


def vegetation_index(red: ArrayLike, near_infrared: ArrayLike) -> NDArray[np.float64]:
    """Compute the normalized difference vegetation index, (NIR - red) / (NIR + red), from -1 to 1.

    From NASA SP-351 (1974), "Monitoring vegetation systems in the Great Plains with ERTS". NaN where the sum is zero or
    either is NaN.

    Parameters
    ----------
    red, near_infrared : array_like of one shape
        Reflectance, or any values in proportion to it.

    Examples
    --------
    >>> vegetation_index([1.0, 0.0], [3.0, 0.0]).tolist()
    [0.5, nan]
    """
    red_values, infrared = np.asarray(red, dtype=float), np.asarray(near_infrared, dtype=float)
    total = infrared + red_values
    with np.errstate(invalid="ignore"):
        index = np.divide(infrared - red_values, total, out=np.full(total.shape, np.nan), where=total != 0.0)
    return np.asarray(index, dtype=float)


def _place(source: str | Path, name: str, options: Mapping[str, Any]) -> tuple[str, str, str]:
    """Find what the driver opens, what messages show, and the one driver that may open it, by the first bytes."""
    text = str(source)
    is_address = "://" in text
    if is_address and text.partition("://")[0].lower() not in REMOTE_SCHEMES:
        raise RasterError("a database is not read as a raster", where=name, mend="save it as a GeoTIFF")
    path, shown = (driver_path(text), show_address(text)) if is_address else (text, text)
    if "driver" in options:
        return path, shown, str(options["driver"])
    where = f"{name}={shown}"
    try:
        with open_remote(text) if is_address else Path(text).open("rb") as stream:
            head = stream.read(HEAD_BYTES)
    except OSError as error:
        raise RasterError(
            f"it can't be opened ({error.strerror})", where=where, mend="check the path and the file"
        ) from None
    return path, shown, raster_kind(head, shown, where=where).drivers[0]


def _bounds(transform: Affine, width: int, height: int) -> tuple[float, float, float, float]:
    column, row = np.array([0, width, 0, width]), np.array([0, 0, height, height])
    x = transform.a * column + transform.b * row + transform.c
    y = transform.d * column + transform.e * row + transform.f
    return float(x.min()), float(y.min()), float(x.max()), float(y.max())


def _band_number(value: Any, count: int, *, where: str) -> int:
    text = str(value).strip()
    if not text.isdecimal() or not 1 <= int(text) <= count:
        bands = "one band" if count == 1 else f"{count} bands"
        raise RasterError(
            f"there is no band {text} (the raster has {bands})", where=where, mend=f"give a number of 1 to {count}"
        )
    return int(text)


def _elevation_unit(dataset: Any, options: Mapping[str, Any], name: str) -> tuple[float, str]:
    stated = options.get("unit") or (dataset.units[0] if dataset.units else None)
    if not stated:
        return 1.0, ""
    spoken = {
        "us survey foot": "survey_foot",
        "us-ft": "survey_foot",
        "ftus": "survey_foot",
        "metre": "m",
        "meters": "m",
    }
    unit = spoken.get(str(stated).strip().casefold(), str(stated).strip())
    try:
        return parse_length(1.0, default_unit=unit), unit
    except UnitError as error:
        raise RasterError(
            f"the unit of the elevations is {stated!r}: {error.what}",
            where=f"[{name}] unit",
            mend="say --set elevation.unit=m or ft",
        ) from None


def _cell_size(raster: Raster, bounds: Sequence[float], crs: CRS) -> float:
    """Bring the raster's own cell to metres at the middle of the bounds: the mean of across and down."""
    x, y = (bounds[0] + bounds[2]) / 2, (bounds[1] + bounds[3]) / 2
    to_own = Transformer.from_crs(crs, raster.crs, always_xy=True)
    own_x, own_y = to_own.transform(x, y)
    across, down = raster.resolution
    around_x, around_y = to_own.transform(
        [own_x, own_x + across, own_x], [own_y, own_y, own_y + down], direction="INVERSE"
    )
    steps = [math.hypot(around_x[i] - around_x[0], around_y[i] - around_y[0]) for i in (1, 2)]
    return sum(steps) / 2


def _scaled(dataset: Any, bands: Sequence[int], values: NDArray[np.float64], factor: float) -> NDArray[np.float64]:
    scales = np.array([dataset.scales[band - 1] for band in bands]).reshape(-1, *[1] * (values.ndim - 1))
    offsets = np.array([dataset.offsets[band - 1] for band in bands]).reshape(scales.shape)
    return np.asarray((values * scales + offsets) * factor, dtype=float)


def _bilinear(cells: NDArray[np.float64], row: NDArray[np.float64], column: NDArray[np.float64]) -> NDArray[np.float64]:
    """Weigh the four cells around positions counted in cells from the upper left corner."""
    rows, columns = cells.shape
    own = cells[np.clip(row.astype(int), 0, rows - 1), np.clip(column.astype(int), 0, columns - 1)]
    up, left = np.floor(row - 0.5).astype(int), np.floor(column - 0.5).astype(int)
    down_share, right_share = row - 0.5 - up, column - 0.5 - left
    total, weight = np.zeros(len(row)), np.zeros(len(row))
    for step_down, step_right in ((0, 0), (0, 1), (1, 0), (1, 1)):
        value = cells[np.clip(up + step_down, 0, rows - 1), np.clip(left + step_right, 0, columns - 1)]
        share = (down_share if step_down else 1 - down_share) * (right_share if step_right else 1 - right_share)
        share = np.where(np.isnan(value), 0.0, share)
        total += np.nan_to_num(value) * share
        weight += share
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.where(np.isnan(own), np.nan, total / weight)
