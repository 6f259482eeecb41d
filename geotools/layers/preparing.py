"""Bring the rows of one layer into the working CRS, in usable shape, with canonical columns; list what was changed."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from geotools.errors import LayerError
from geotools.findings import Finding, first_few
from geotools.layers.columns import canonical_columns
from geotools.layers.repair import LEFT_OUT, clean_geometries, is_left_out, sound_coordinates

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray
    from pyproj import CRS

    from geotools.layers.schema import LayerSchema
    from geotools.layers.vector import RawLayer

__all__ = ["REJECTED_COLUMNS", "Prepared", "move_shapes", "no_rejected", "prepare_layer"]

REJECTED_COLUMNS = ("layer", "row", "id", "reason", "geometry_text", "geometry")
"""Columns of the table of rows that were changed or left out."""

_TEXT_LENGTH = 1000
_UNUSABLE_CRS = f"{LEFT_OUT}: coordinates that can't be brought into the working CRS"


class Prepared(NamedTuple):
    """A layer in use, the rows that were changed or left out, what was noticed, and how many rows lie beyond."""

    layer: gpd.GeoDataFrame
    rejected: gpd.GeoDataFrame
    findings: list[Finding]
    beyond: int


def prepare_layer(
    raw: RawLayer,
    schema: LayerSchema,
    working_crs: CRS,
    *,
    area: Sequence[float] | None = None,
    keep_rows: bool = False,
) -> Prepared:
    """Make a layer that analysis can use.

    Parameters
    ----------
    raw : RawLayer
    schema : LayerSchema
    working_crs : pyproj.CRS
        Projected, in metres.
    area : sequence of 4 float, optional
        West, south, east, north in the working CRS; rows that lie wholly beyond are counted and dropped.
    keep_rows : bool
        Keep rows whose shape is left out, without geometry (parcels); otherwise they are dropped.

    Raises
    ------
    LayerError
        If a value can't be read, or no row is of use.
    """
    frame, rows = raw.frame, raw.rows
    if schema.name_fixed:
        table = canonical_columns(frame, raw.uses, schema, rows=rows, where=raw.layer.where)
    else:
        table = pd.DataFrame(frame.drop(columns="geometry"))
    delivered = frame.geometry.to_numpy()
    moved = move_shapes(frame.geometry, working_crs)
    kept = np.ones(len(frame), dtype=bool)
    if area is not None:
        kept = ~_beyond(moved, area)
    table, rows, delivered, moved = table[kept].reset_index(drop=True), rows[kept], delivered[kept], moved[kept]

    cleaned = clean_geometries(moved, shapes=schema.shapes)
    lost = sound_coordinates(delivered) & ~(finite := sound_coordinates(moved))
    reason = np.where(lost, _UNUSABLE_CRS, cleaned.reason).astype(object)
    layer = gpd.GeoDataFrame(table, geometry=gpd.GeoSeries(cleaned.geometry, index=table.index, crs=working_crs))

    listed = reason != ""
    left_out = is_left_out(reason)
    if len(layer) and left_out.all():
        _refuse(raw, reason, "nothing in it is of use")
    if schema.name == "parcels" and len(layer) and listed.all():
        _refuse(raw, reason, "no parcel in it is whole, so the file is taken to be damaged")
    ids = table["parcel_id"] if "parcel_id" in table else pd.Series(pd.NA, index=table.index, dtype="str")
    shown = moved.copy()
    shown[~finite] = None
    rejected = gpd.GeoDataFrame(
        {
            "layer": pd.array([schema.name] * int(listed.sum()), dtype="str"),
            "row": rows[listed],
            "id": ids[listed].reset_index(drop=True),
            "reason": pd.array(reason[listed], dtype="str"),
            "geometry_text": pd.array(_texts(np.where(finite, moved, delivered)[listed]), dtype="str"),
        },
        geometry=gpd.GeoSeries(shown[listed], crs=working_crs),
    )
    findings = _findings(raw, schema.name, reason, left_out, rows)
    if not keep_rows:
        layer = layer[~left_out].reset_index(drop=True)
    if schema.shapes == ("point",):
        layer = layer.explode(ignore_index=True)
    return Prepared(layer, rejected, findings, int((~kept).sum()))


def move_shapes(shapes: gpd.GeoSeries, working_crs: CRS) -> NDArray[np.object_]:
    """Bring shapes into the working CRS; those with coordinates that are no numbers stay as they are."""
    made = np.array(shapes.to_numpy(), dtype=object)
    if shapes.crs != working_crs:
        finite = sound_coordinates(made)
        sound: gpd.GeoSeries = gpd.GeoSeries(made[finite], crs=shapes.crs)
        made[finite] = sound.to_crs(working_crs).to_numpy()
    return made


def no_rejected(crs: CRS) -> gpd.GeoDataFrame:
    """Make an empty table of rejected rows."""
    text = pd.array([], dtype="str")
    columns = {"layer": text, "row": np.empty(0, dtype=np.int64), "id": text, "reason": text, "geometry_text": text}
    return gpd.GeoDataFrame(columns, geometry=gpd.GeoSeries([], crs=crs))


def _beyond(shapes: NDArray[np.object_], area: Sequence[float]) -> NDArray[np.bool_]:
    west, south, east, north = shapely.bounds(shapes).T
    with np.errstate(invalid="ignore"):
        return np.asarray((east < area[0]) | (north < area[1]) | (west > area[2]) | (south > area[3]))


def _texts(shapes: NDArray[np.object_]) -> list[str]:
    texts = [text or "" for text in shapely.to_wkt(shapes, rounding_precision=3)]
    return [text if len(text) <= _TEXT_LENGTH else f"{text[:_TEXT_LENGTH]}..." for text in texts]


def _refuse(raw: RawLayer, reason: NDArray[np.object_], what: str) -> None:
    reasons, counts = np.unique([str(one).partition("; area")[0] for one in reason], return_counts=True)
    most = int(counts.argmax())
    raise LayerError(
        f"{what}: {len(reason)} row{'s' if len(reason) > 1 else ''}, of which {counts[most]} {reasons[most]}",
        where=raw.layer.where,
        mend="deliver the layer again; `bajada check` lists every row",
    )


def _findings(
    raw: RawLayer, name: str, reason: NDArray[np.object_], left_out: NDArray[np.bool_], rows: NDArray[np.int64]
) -> list[Finding]:
    found = list(raw.findings)
    repaired = (reason != "") & ~left_out
    for kind, which, verb in (("left out", left_out, "left out"), ("repaired", repaired, "repaired and in use")):
        count = int(which.sum())
        if count:
            named = first_few(f"row {row}: {why}" for row, why in zip(rows[which], reason[which], strict=True))
            message = f"{count} of {len(reason)} shapes {verb}"
            found.append(Finding(kind, "warning", name, message, count=count, first_ids=named))
    return found
