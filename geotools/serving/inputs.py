"""Check the inputs of a request and lay them down for the job: layers as files of the job, no path but those shared."""

from __future__ import annotations

import base64
import binascii
import difflib
import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

from geotools.errors import LayerError, PipelineError
from geotools.layers import LAYERS

if TYPE_CHECKING:
    from collections.abc import Mapping

__all__ = ["INPUTS", "lay_down"]

INPUTS = "inputs"
"""Folder of a job that holds the layers which came by value."""
_TIFF_STARTS = (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+")
_TOLD_MOST = 60


def lay_down(
    inputs: Mapping[str, Any], described: Mapping[str, Any], *, job: Path, folder: Path | None
) -> dict[str, dict[str, Any]]:
    """Check all inputs against the description of the process, and write the layers that came by value.

    Parameters
    ----------
    inputs : mapping
        As the request has them: a value, `{"value": ...}`, or for a layer `{"href": "file.gpkg#layer"}`.
    described : mapping
        Inputs of the process's description.
    job : pathlib.Path
        Folder of the job.
    folder : pathlib.Path or None
        Folder whose files may be named.

    Returns
    -------
    dict
        `layers` (name to source), `rows` (name to rows or features of a table that is no input layer of a plan),
        `options`, `design` and `settings`.

    Raises
    ------
    PipelineError, LayerError
        For an unknown or missing input, a value of the wrong form, or a file that is not shared.

    Examples
    --------
    >>> lay_down({"fence": "24 in"}, {"fence": {"schema": {}}}, job=Path("none"), folder=None)["options"]
    {'fence': '24 in'}
    """
    laid: dict[str, dict[str, Any]] = {"layers": {}, "rows": {}, "options": {}, "design": {}, "settings": {}}
    for name, given in inputs.items():
        if name not in described:
            close = difflib.get_close_matches(name, described, n=1)
            mend = f"did you mean {close[0]!r}?" if close else f"use: {', '.join(described)}"
            raise PipelineError("the process has no such input", where=f"inputs.{name}", mend=mend)
        where, entry = f"inputs.{name}", described[name]
        if isinstance(given, list) and len(given) == 1 and isinstance(given[0], dict) and _is_qualified(given[0]):
            given = given[0]
        if isinstance(given, dict) and "href" in given:
            if not _is_layer(entry):
                raise PipelineError("it takes no reference", where=where, mend="give its value")
            laid["layers"][name] = _shared_source(given["href"], folder, where)
            continue
        qualified = isinstance(given, dict) and _is_qualified(given)
        value = given["value"] if qualified else given
        if name in ("design", "settings") and entry["schema"] == {"type": "object"}:
            laid[name] = _named_values(value, folder, where)
        elif not _is_layer(entry):
            _refuse_paths(value, folder, where)
            laid["options"][name] = value
        elif name in LAYERS and not ("columns" in value and "settings" not in described):
            laid["layers"][name] = str(_write_layer(name, value, entry, job / INPUTS, where))
        else:
            laid["rows"][name] = _rows(value, where)
    given_layers = {*laid["layers"], *laid["rows"]}
    for name, entry in described.items():
        if _is_layer(entry) and entry.get("minOccurs", 1) and name not in given_layers:
            raise LayerError("it is needed and not given", where=f"inputs.{name}", mend="give it by value or reference")
    return laid


def _is_layer(entry: Mapping[str, Any]) -> bool:
    schema = entry["schema"]
    return any("contentMediaType" in form for form in (schema, *schema.get("oneOf", ())))


def _is_qualified(given: Mapping[str, Any]) -> bool:
    return "value" in given and set(given) <= {"value", "mediaType", "encoding", "schema", "format"}


def _shared_source(href: Any, folder: Path | None, where: str) -> str:
    """A file of the shared folder, perhaps with the name of a layer; nothing else is ever opened."""
    if not isinstance(href, str) or not href:
        raise LayerError("href is no text", where=where, mend='write {"href": "lots.gpkg#parcels"}')
    if folder is None:
        raise LayerError("this server shares no files", where=where, mend="give the layer by value, as GeoJSON")
    name, hash_sign, layer = href.partition("#")
    refused = LayerError(
        f"{href!r} is no file of the shared folder",
        where=where,
        mend="name a file of it, such as lots.gpkg#parcels; addresses and other folders are not read",
    )
    if "\0" in href or ":" in name or "\\" in name or name.startswith(("/", "~")):
        raise refused
    root = folder.resolve()
    path = (root / name).resolve()
    if not path.is_relative_to(root) or path == root or not path.exists():
        raise refused
    return f"{path}{hash_sign}{layer}"


def _named_values(value: Any, folder: Path | None, where: str) -> dict[str, Any]:
    if not isinstance(value, dict):
        raise PipelineError("it is no object of names and values", where=where, mend='write {"NAME": VALUE}')
    for name, one in value.items():
        if "=" in name or not name.strip():
            raise PipelineError(f"{name!r} is no name", where=where, mend="write NAME or STEP.OPTION")
        if not isinstance(one, str | int | float | bool | list):
            raise PipelineError("it is no plain value", where=f"{where}.{name}", mend="give text, a number or a list")
        _refuse_paths(one, folder, f"{where}.{name}")
    return value


def _refuse_paths(value: Any, folder: Path | None, where: str) -> None:
    """Refuse text that could lead a step to a file outside the shared folder, which is where a job's paths start."""
    if isinstance(value, dict):
        for name, one in value.items():
            _refuse_paths(one, folder, f"{where}.{name}")
    elif isinstance(value, list):
        for one in value:
            _refuse_paths(one, folder, where)
    elif isinstance(value, str):
        text = value.strip()
        outside = text.startswith(("/", "~")) or "://" in text or "\0" in text or "\\" in text
        outside = outside or ".." in text.split("/")
        if not outside and folder is not None and len(text) < 255:
            outside = not (folder / text).resolve().is_relative_to(folder.resolve())
        if outside:
            raise PipelineError(
                f"{text[:_TOLD_MOST]!r} leads out of the shared folder",
                where=where,
                mend="name a file of the folder without its path",
            )


def _write_layer(name: str, value: Any, entry: Mapping[str, Any], folder: Path, where: str) -> Path:
    folder.mkdir(exist_ok=True)
    if isinstance(value, dict):
        _check_collection(value, where)
        path = folder / f"{name}.geojson"
        plain = {"type": "FeatureCollection", "features": value["features"]}
        path.write_text(json.dumps(plain, ensure_ascii=False), encoding="utf-8")
        return path
    forms = entry["schema"].get("oneOf", [entry["schema"]])
    if not isinstance(value, str) or not any(form["type"] == "string" for form in forms):
        raise LayerError("it is no GeoJSON FeatureCollection", where=where, mend="give one as the value")
    try:
        content = base64.b64decode(value, validate=True)
    except (binascii.Error, ValueError):
        raise LayerError("its value is no base64", where=where, mend="encode the GeoTIFF in base64") from None
    if not content.startswith(_TIFF_STARTS):  # a driver chosen by content could be one that reads other files
        raise LayerError("its value is no GeoTIFF", where=where, mend="encode a GeoTIFF in base64")
    path = folder / f"{name}.tif"
    path.write_bytes(content)
    return path


def _check_collection(value: Mapping[str, Any], where: str) -> None:
    features = value.get("features")
    if value.get("type") != "FeatureCollection" or not isinstance(features, list):
        raise LayerError("it is no GeoJSON FeatureCollection", where=where, mend="give one as the value")
    if "crs" in value:
        raise LayerError(
            "it names a coordinate reference system",
            where=f"{where}.crs",
            mend="give longitude and latitude on WGS 84, as RFC 7946 has it",
        )
    for number, feature in enumerate(features, start=1):
        sound = isinstance(feature, dict) and feature.get("type") == "Feature"
        if not sound or not isinstance(feature.get("geometry", {}), dict | None):
            raise LayerError("it is no GeoJSON feature", where=f"{where}, feature {number}", mend="mend or remove it")


def _rows(value: Any, where: str) -> Any:
    if isinstance(value, dict):
        _check_collection(value, where)
        return {name: value[name] for name in ("features", "columns") if name in value}
    if isinstance(value, list) and all(isinstance(row, dict) for row in value):
        return value
    raise LayerError(
        "it is neither a GeoJSON FeatureCollection nor a list of rows", where=where, mend="give the table as one"
    )
