"""Make small inputs, good and bad, in a folder: three lots of 20 x 40 m side by side, desert behind them."""

from __future__ import annotations

import warnings
from typing import TYPE_CHECKING, Any, NamedTuple

import geopandas as gpd
import numpy as np
import rasterio
import shapely
from affine import Affine

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from pathlib import Path

WEST, SOUTH = 430_000.0, 3_700_000.0
"""South-west corner of the first lot in EPSG:26912."""
IDS = ("001", "002", "003")


class Case(NamedTuple):
    """An input: how it is made, the words after `bajada`, and what the user must get.

    `says` are fragments of what is shown; `rejected` are "layer row: reason" fragments, one for each row of the layer
    `rejected`; `lots` are the ids that specs.csv must have, in order; `not_built` are those without a usable outline;
    `fits` is a last look at run.json and the folder of the results.
    """

    id: str
    make: Callable[[Path], object]
    words: str
    code: int
    says: tuple[str, ...] = ()
    rejected: tuple[str, ...] = ()
    lots: tuple[str, ...] = IDS
    not_built: tuple[str, ...] = ()


def feed(*more: str, parcels: str = "lots.gpkg", desert: str = "desert.gpkg", id_name: str = "APN") -> str:
    """Write the words of a run of the small plan; `more` are inputs (layer=SOURCE) and settings (name.option=value)."""
    words = ["run plan.toml --out out", f"--input parcels={parcels}", f"--input open_desert={desert}"]
    if id_name:
        words.append(f"--set parcels.id={id_name}")
    for text in more:
        settled = "." in text.partition("=")[0] or text.startswith("units=")
        words.append(f"--set {text}" if settled else f"--input {text}")
    return " ".join(words)


def nothing(folder: Path) -> None:
    """Make no more than what every case has."""


def lot(number: int = 0, *, x: float = 0.0, y: float = 0.0, wide: float = 20.0, deep: float = 40.0) -> shapely.Polygon:
    west, south = WEST + 20 * number + x, SOUTH + y
    return shapely.box(west, south, west + wide, south + deep)


def three() -> list[Any]:
    return [lot(0), lot(1), lot(2)]


def polygon(*corners: tuple[float, float], hole: Sequence[tuple[float, float]] = ()) -> shapely.Polygon:
    with np.errstate(invalid="ignore"):
        inner = [[(WEST + x, SOUTH + y) for x, y in hole]] if hole else []
        return shapely.Polygon([(WEST + x, SOUTH + y) for x, y in corners], inner)


def line(*corners: tuple[float, float]) -> shapely.LineString:
    return shapely.LineString([(WEST + x, SOUTH + y) for x, y in corners])


def point(x: float, y: float) -> shapely.Point:
    return shapely.Point(WEST + x, SOUTH + y)


def save(
    folder: Path,
    name: str,
    shapes: Sequence[Any],
    *,
    crs: Any = 26912,
    to: Any = None,
    spatial_index: str = "YES",
    **columns: Any,
) -> Path:
    """Save shapes; the driver goes by the name's ending, `to` reprojects."""
    frame = gpd.GeoDataFrame(columns, geometry=list(shapes), crs=crs)
    if to is not None:
        frame = frame.to_crs(to)
    path = folder / name
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # the writer complains of the very faults that are wanted
        if name.endswith(".parquet"):
            frame.to_parquet(path)
        else:
            more = {"SPATIAL_INDEX": spatial_index} if name.endswith(".fgb") else {}
            frame.to_file(path, engine="pyogrio", **more)
    return path


def lots(shapes: Sequence[Any] | None = None, *, name: str = "lots.gpkg", ids: Any = None, **more: Any) -> Any:
    """Make a maker of a parcel layer."""

    def make(folder: Path) -> None:
        given = three() if shapes is None else list(shapes)
        columns = {"APN": ids if ids is not None else [f"{n:03d}" for n in range(1, len(given) + 1)]}
        save(folder, name, given, **({} if more.get("without_id") else columns), **_rest(more))

    return make


def layer(name: str, shapes: Sequence[Any], **more: Any) -> Any:
    """Make a maker of any other layer beside the good lots."""

    def make(folder: Path) -> None:
        save(folder, name, shapes, **_rest(more))

    return make


def text(name: str, content: str | bytes) -> Any:
    """Make a maker of a file with this content."""

    def make(folder: Path) -> None:
        (folder / name).write_bytes(content.encode() if isinstance(content, str) else content)

    return make


def cut(name: str, share: float, source: Any) -> Any:
    """Make a maker of a file that is cut off after a share of its bytes."""

    def make(folder: Path) -> None:
        source(folder)
        path = folder / name
        whole = path.read_bytes()
        path.write_bytes(whole[: int(len(whole) * share)])

    return make


def without(*names: str, source: Any) -> Any:
    """Make a maker that takes files away again."""

    def make(folder: Path) -> None:
        source(folder)
        for name in names:
            (folder / name).unlink()

    return make


def both(*makers: Any) -> Any:
    def make(folder: Path) -> None:
        for one in makers:
            one(folder)

    return make


def raster(
    name: str,
    *,
    values: Any = None,
    cell_m: float = 5.0,
    transform: Affine | None = None,
    crs: Any = 26912,
    dtype: str = "float32",
    **more: Any,
) -> Any:
    """Make a maker of a raster around the lots, 60 x 60 cells of 5 m that rise to the north, or `values`."""

    def make(folder: Path) -> None:
        rows, _ = np.mgrid[0:60, 0:60]
        cells = np.asarray(600.0 + (60 - rows) * 0.1 if values is None else values)
        bands = cells if cells.ndim == 3 else cells[np.newaxis]
        placed = transform or Affine(cell_m, 0, WEST - 100, 0, -cell_m, SOUTH + 200)
        profile = {"driver": "GTiff", "count": len(bands), "dtype": dtype, "crs": crs, "transform": placed}
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            with rasterio.open(
                folder / name, "w", height=bands.shape[1], width=bands.shape[2], **profile, **more
            ) as out:
                out.write(bands.astype(dtype))

    return make


def _rest(more: dict[str, Any]) -> dict[str, Any]:
    return {name: value for name, value in more.items() if name != "without_id"}
