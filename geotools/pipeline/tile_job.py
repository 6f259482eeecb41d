"""The folder of a run in tiles that is under way: layers by tile, results by tile, and what it was begun with."""

from __future__ import annotations

import hashlib
import json
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from pyproj import CRS

from geotools.findings import Finding
from geotools.layers import LAYERS, Inputs, read_inputs
from geotools.layers.source import hash_source, parse_source
from geotools.pipeline.doing import number_rows
from geotools.pipeline.partition import Partition, Tiling, part_lots, surroundings
from geotools.pipeline.plan import Plan, StepRow
from geotools.pipeline.record import parameters_of, versions_of
from geotools.rasters import Raster, open_raster

if TYPE_CHECKING:
    from geotools.pipeline.schedule import Schedule

__all__ = ["LOT", "TileJob", "begin_job", "forget_job", "job_key", "load_table", "open_job", "save_table"]

LOT = "_lot"
"""Column of stored tables: position of the lot that a row belongs to among all lots, -1 for none."""

_OWN = "_own"
_JOB = "job.json"
_MANY_COORDINATES = 500
"""Ground drawn with more corners than this is cut to a tile's surroundings; less is carried whole."""


@dataclass(frozen=True)
class TileJob:
    """A run in tiles: its plan, its parting, and what its inputs are."""

    folder: Path
    key: str
    plan: Plan
    tiling: Tiling
    partition: Partition
    inputs: Inputs
    layers: tuple[str, ...]
    rasters: dict[str, Raster]

    @property
    def lots(self) -> int:
        """How many lots there are in all tiles together."""
        return len(self.partition.tile)

    def tile_folder(self, number: int) -> Path:
        """Where the results of a tile are, once it is done."""
        return self.folder / "done" / f"{number:05d}"

    def whole_layer(self, name: str) -> gpd.GeoDataFrame:
        """Load an input layer as it was read, all of it."""
        layer: gpd.GeoDataFrame = load_table(self.folder / "layers" / f"{name}.parquet")
        return layer

    def tile_layers(self, number: int) -> tuple[dict[str, Any], pd.DataFrame]:
        """Load the layers around a tile, and for each of its parcels the lot's position and whether it is its own."""
        place = self.folder / "parted" / f"{number:05d}"
        tables: dict[str, Any] = {name: load_table(place / f"{name}.parquet") for name in self.layers}
        parcels = tables["parcels"]
        whose = pd.DataFrame(parcels[["parcel_id", LOT, _OWN]]).rename(columns={_OWN: "own"})
        tables["parcels"] = parcels.drop(columns=[LOT, _OWN])
        rejected = self.inputs.rejected
        return {**tables, **self.rasters, "rejected": rejected}, whose


def job_key(plan: Plan, schedule: Schedule, tiling: Tiling) -> str | None:
    """Tell runs apart by all that their results hang on: parameters, versions and the inputs' content.

    Returns
    -------
    str or None
        None where an input is no file, so that its content is not known without reading it.
    """
    hashes = {}
    for name in schedule.layers:
        source = parse_source(plan.inputs[name])
        if source.path is None:
            return None
        hashes[name] = [plan.inputs[name], hash_source(source)]
    told = {"parameters": parameters_of(plan, schedule), "versions": versions_of(), "inputs": hashes}
    return hashlib.sha256(
        json.dumps([told, tiling.model_dump()], sort_keys=True, default=str).encode("utf-8")
    ).hexdigest()


def begin_job(folder: Path, plan: Plan, schedule: Schedule, tiling: Tiling, key: str) -> TileJob:
    """Read all layers, one after the other, and part them by tile.

    Parameters
    ----------
    folder : pathlib.Path
        Empty.
    plan, schedule, tiling
        What is run.
    key : str
        As `job_key` gives it.

    Returns
    -------
    TileJob

    Raises
    ------
    GeotoolsError
        If an input can't be used.
    """
    (folder / "layers").mkdir()
    (folder / "done").mkdir()
    parted: list[Any] = []

    def put_aside(name: str, layer: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
        layer = number_rows({name: layer})[name]
        save_table(layer, folder / "layers" / f"{name}.parquet")
        if name == "parcels":
            parted.append(part_lots(layer.geometry, tiling))
            parted.append(_part_parcels(layer, parted[0], tiling, folder / "parted"))
        else:
            _part_layer(name, layer, parted[1], folder / "parted")
        return layer.iloc[:0]

    inputs = read_inputs(
        {name: plan.inputs[name] for name in schedule.layers},
        options={name: options for name, options in plan.layer_options.items() if name in schedule.layers},
        working_crs=plan.settings["working_crs"],
        others=[name for name in schedule.layers if name not in LAYERS],
        put_aside=put_aside,
    )
    partition: Partition = parted[0]
    save_table(inputs.rejected, folder / "rejected.parquet")
    arrays: dict[str, Any] = {name: np.asarray(value) for name, value in partition._asdict().items()}
    np.savez(folder / "partition.npz", **arrays)
    rasters = {name: layer for name, layer in inputs.layers.items() if isinstance(layer, Raster)}
    layers = tuple(name for name in inputs.layers if name not in rasters)
    content = {
        "key": key,
        # Sources as they may be shown: a database's address holds its password.
        "plan": {
            **asdict(plan),
            "base": str(plan.base),
            "inputs": {name: parse_source(source).shown for name, source in plan.inputs.items()},
        },
        "tiling": tiling.model_dump(),
        "working_crs": inputs.working_crs.to_wkt(),
        "scale_error_pct": inputs.scale_error_pct,
        "summary": inputs.summary,
        "findings": [asdict(finding) for finding in inputs.findings],
        "layers": layers,
        "rasters": {name: raster.path for name, raster in rasters.items()},
    }
    unfinished = folder / f"{_JOB}.part"
    unfinished.write_text(json.dumps(content, default=str), encoding="utf-8")
    unfinished.rename(folder / _JOB)
    return TileJob(folder, key, plan, tiling, partition, inputs, layers, rasters)


def open_job(folder: Path) -> TileJob | None:
    """Open a run that was begun earlier, or in another process.

    Returns
    -------
    TileJob or None
        None if its layers were never parted to the end.
    """
    if not (folder / _JOB).is_file():
        return None
    content = json.loads((folder / _JOB).read_text(encoding="utf-8"))
    told = content["plan"]
    rows = tuple(StepRow(**row) for row in told.pop("steps"))
    plan = Plan(**{**told, "base": Path(told["base"]), "steps": rows})
    with np.load(folder / "partition.npz") as stored:
        partition = Partition(
            stored["tile"], int(stored["tiles"]), int(stored["cut_lots"]), stored["cells"], stored["cell_tile"]
        )
    findings = [Finding(**{**one, "first_ids": tuple(one["first_ids"])}) for one in content["findings"]]
    rasters = {
        name: open_raster(path, name, plan.layer_options.get(name, {})) for name, path in content["rasters"].items()
    }
    inputs = Inputs(
        layers={},
        rejected=load_table(folder / "rejected.parquet"),
        working_crs=CRS.from_wkt(content["working_crs"]),
        scale_error_pct=content["scale_error_pct"],
        summary=content["summary"],
        findings=findings,
    )
    return TileJob(
        folder, content["key"], plan, Tiling(**content["tiling"]), partition, inputs, tuple(content["layers"]), rasters
    )


def forget_job(folder: Path) -> None:
    """Take away what lets a run be gone on with."""
    (folder / _JOB).unlink(missing_ok=True)


def save_table(table: pd.DataFrame, path: Path) -> None:
    """Store a table with its column types; what hangs on the table beside its rows is not kept."""
    plain = table.reset_index(drop=True)
    plain.attrs = {}
    plain.to_parquet(path, index=False)


def load_table(path: Path) -> Any:
    """Load a stored table."""
    import pyarrow.parquet as pq

    if b"geo" in (pq.read_schema(path).metadata or {}):
        return gpd.read_parquet(path)
    return pd.read_parquet(path)


def _part_parcels(
    parcels: gpd.GeoDataFrame, partition: Partition, tiling: Tiling, folder: Path
) -> list[shapely.Geometry]:
    """Store for each tile its own parcels with their neighbours; give each tile's surroundings."""
    shapes = np.asarray(parcels.geometry.to_numpy(), dtype=object)
    tree = shapely.STRtree(shapes)
    areas = []
    for number in range(partition.tiles):
        own = np.flatnonzero(partition.tile == number)
        areas.append(surroundings(shapes[own], tiling.around_m))
        near = tree.query(surroundings(shapes[own], tiling.neighbours_m), predicate="intersects")
        rows = np.union1d(own, near)
        place = folder / f"{number:05d}"
        place.mkdir(parents=True)
        table = parcels.iloc[rows]
        save_table(table.assign(**{LOT: rows, _OWN: partition.tile[rows] == number}), place / "parcels.parquet")
    return areas


def _part_layer(name: str, layer: gpd.GeoDataFrame, areas: list[shapely.Geometry], folder: Path) -> None:
    """Store for each tile the features around it, in their order."""
    shapes = np.asarray(layer.geometry.to_numpy(), dtype=object)
    tree = shapely.STRtree(shapes)
    corners = shapely.get_num_coordinates(shapes)
    may_cut = name in LAYERS and LAYERS[name].ground
    for number, area in enumerate(areas):
        rows = np.sort(tree.query(area, predicate="intersects"))
        part = layer.iloc[rows]
        if may_cut and (corners[rows] > _MANY_COORDINATES).any():
            part = part.set_geometry(_cut(shapes[rows], corners[rows], area), crs=layer.crs)
        save_table(part, folder / f"{number:05d}" / f"{name}.parquet")


def _cut(shapes: np.ndarray[Any, Any], corners: np.ndarray[Any, Any], area: shapely.Geometry) -> Any:
    """Cut shapes of many corners to the bounds of an area; the kind of shape stays."""
    made = shapes.copy()
    many = corners > _MANY_COORDINATES
    frame = shapely.box(*shapely.bounds(area))
    cut = shapely.intersection(made[many], frame)
    same_kind = shapely.get_dimensions(cut) == shapely.get_dimensions(made[many])
    mixed = shapely.get_type_id(cut) == 7
    made[many] = np.where(same_kind & ~mixed & ~shapely.is_empty(cut), cut, made[many])
    return made
