"""Describe what is offered as a process: every step, every plan that comes with the toolkit, and the height command."""

from __future__ import annotations

import importlib.metadata
import re
from copy import deepcopy
from functools import cache
from pathlib import Path, PurePath
from typing import Any

from geotools.design import BarrierStandard
from geotools.errors import StepError
from geotools.layers import LAYERS
from geotools.pipeline import find_plan, list_plans, read_plan
from geotools.steps import describe_step, find_step, list_steps

__all__ = ["HEIGHT", "PLAN_LAYERS", "describe_offer", "file_name_of", "list_offers", "media_type_of"]

HEIGHT = "height"
"""Id of the process that answers as the command `bajada height --json` does."""
_HEIGHT_STEP = "size_barrier"
PLAN_LAYERS = ("lots", "barrier_lines")
"""Layers of a plan's lots.gpkg that are offered as GeoJSON as well."""
_MEDIA_TYPES = {
    ".csv": "text/csv",
    ".geojson": "application/geo+json",
    ".gpkg": "application/geopackage+sqlite3",
    ".html": "text/html",
    ".json": "application/json",
    ".md": "text/markdown",
    ".pdf": "application/pdf",
    ".png": "image/png",
    ".txt": "text/plain",
    ".xlsx": "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet",
}
_LAYER_NOTE = (
    "GeoJSON by value (longitude and latitude on WGS 84, as RFC 7946 has it), or a file of the server's folder"
)


def list_offers() -> dict[str, str]:
    """List what can be offered, without importing any step.

    Returns
    -------
    dict
        Process id to its kind: `command`, `plan` or `step`. A plan goes before a step of the same name.

    Examples
    --------
    >>> list_offers()["height"], list_offers()["screen"], list_offers()["widen_washes"]
    ('command', 'plan', 'step')
    """
    steps = [name for name, claims in list_steps().items() if len(claims) == 1]
    plans = list_plans()
    return {
        HEIGHT: "command",
        **dict.fromkeys(plans, "plan"),
        **dict.fromkeys(steps, "step"),
        **dict.fromkeys(plans, "plan"),
    }


def describe_offer(name: str) -> dict[str, Any]:
    """Describe one process in the terms of OGC API - Processes, Part 1.

    Parameters
    ----------
    name : str
        Process id.

    Returns
    -------
    dict
        Ready for JSON; each input and output has a schema of the kind that the standard allows (OpenAPI 3.0).

    Raises
    ------
    StepError
        If there is no such process, or its step can't be loaded.

    Examples
    --------
    >>> sorted(describe_offer("height")["inputs"])
    ['body_length', 'buffer', 'fence', 'foothold', 'slope', 'species']
    """
    return deepcopy(_describe(name))


def file_name_of(step: str) -> str:
    """Name the file that a file-making step leaves: as the plans that come with the toolkit name it.

    Examples
    --------
    >>> file_name_of("draw_map")
    'map.html'
    """
    for path in list_plans().values():
        for row in read_plan(path).steps:
            if row.use == step and PurePath(row.gives).suffix:
                return row.gives
    return f"{step}.out"


def media_type_of(name: str) -> str:
    """Media type of a file by its name.

    Examples
    --------
    >>> media_type_of("lots.gpkg")
    'application/geopackage+sqlite3'
    """
    return _MEDIA_TYPES.get(Path(name).suffix.lower(), "application/octet-stream")


@cache
def _describe(name: str) -> dict[str, Any]:
    kind = list_offers().get(name)
    if kind is None:
        raise StepError(f"there is no process {name!r}", mend="the list of processes names them all")
    description = _describe_plan(name) if kind == "plan" else _describe_function(name, kind)
    return {
        **description,
        "id": name,
        "jobControlOptions": ["sync-execute", "async-execute"],
        "outputTransmission": ["value", "reference"],
    }


def _describe_function(name: str, kind: str) -> dict[str, Any]:
    step = find_step(_HEIGHT_STEP if kind == "command" else name)
    described = describe_step(step)
    definitions = described.pop("options").get("$defs", {})
    inputs: dict[str, Any] = {}
    for key, entry in described["inputs"].items():
        taken = {**entry, "schema": _plain_schema(entry["schema"], definitions)}
        if key in step.layers:
            taken["description"] = f"{entry['description']} {_LAYER_NOTE}.".strip()
        inputs[key] = taken
    if step.takes_standard:
        inputs["design"] = _design_input()
    if kind == "command":
        outputs = {"result": _output("sizes", {"type": "object", "contentMediaType": "application/json"})}
    elif step.makes_file:
        outputs = {"result": _file_output(file_name_of(name))}
    else:
        outputs = {"result": _output("table", _plain_schema(described["outputs"]["result"]["schema"], {}))}
    return {**described, "inputs": inputs, "outputs": outputs}


def _describe_plan(name: str) -> dict[str, Any]:
    path = find_plan(name)
    plan = read_plan(path)
    taken = set(plan.inputs)
    files = []
    for row in plan.steps:
        step = find_step(row.use)
        taken |= {row.takes.get(layer, layer) for layer in step.layers} & set(LAYERS)
        if step.makes_file:
            files.append(row.gives)
    inputs: dict[str, Any] = {layer: _layer_input(layer) for layer in LAYERS if layer in taken}
    inputs["design"] = _design_input()
    inputs["settings"] = {
        "title": "settings",
        "description": "Values of the plan to change: units, title, working_crs, LAYER.NAME or STEP.OPTION",
        "minOccurs": 0,
        "schema": {"type": "object"},
    }
    outputs = {file: _file_output(file) for file in (*files, "run.json")}
    if "lots.gpkg" in files:
        collection = {"type": "object", "contentMediaType": "application/geo+json"}
        outputs |= {layer: _output(f"{layer} of lots.gpkg", collection) for layer in PLAN_LAYERS}
    title, rest = _head_of(path)
    return {
        "title": title,
        "description": rest,
        "version": importlib.metadata.version("bajada"),
        "keywords": ["plan"],
        "inputs": inputs,
        "outputs": outputs,
    }


def _head_of(path: Path) -> tuple[str, str]:
    """Title and description of a plan: the comment at its top."""
    lines = []
    for line in path.read_text(encoding="utf-8").splitlines():
        if not line.startswith("#"):
            break
        lines.append(line.removeprefix("#").strip())
    title, *rest = re.split(r"(?<=[.?]) ", " ".join(lines), maxsplit=1)
    return title.rstrip("."), "".join(rest)


def _layer_input(layer: str) -> dict[str, Any]:
    schema = LAYERS[layer]
    forms: list[dict[str, Any]] = []
    if schema.shapes:
        forms.append(
            {"type": "object", "contentMediaType": "application/geo+json", "format": "geojson-feature-collection"}
        )
    if schema.raster or not schema.shapes:
        forms.append(
            {"type": "string", "contentEncoding": "base64", "contentMediaType": "image/tiff; application=geotiff"}
        )
    columns = ", ".join(column.name for column in schema.columns)
    return {
        "title": layer.replace("_", " "),
        "description": f"{_LAYER_NOTE}.{f' Columns it can use: {columns}.' if columns else ''}",
        "minOccurs": 1 if layer == "parcels" else 0,
        "maxOccurs": 1,
        "schema": {"oneOf": forms} if len(forms) > 1 else forms[0],
    }


def _design_input() -> dict[str, Any]:
    names = ", ".join(name.removesuffix("_m") for name in BarrierStandard.model_fields)
    return {
        "title": "design",
        "description": f'The barrier standard, as in the [design] table of a plan: {names}; a length is text: "48 in"',
        "minOccurs": 0,
        "schema": {"type": "object"},
    }


def _file_output(name: str) -> dict[str, Any]:
    media_type = media_type_of(name)
    schema: dict[str, Any] = {"type": "string", "contentMediaType": media_type}
    if media_type == "application/json":
        schema["type"] = "object"
    elif not media_type.startswith("text/"):
        schema["contentEncoding"] = "base64"
    return _output(name, schema)


def _output(title: str, schema: dict[str, Any]) -> dict[str, Any]:
    return {"title": title, "schema": schema}


def _plain_schema(schema: Any, definitions: dict[str, Any]) -> Any:
    """The same schema in the words of OpenAPI 3.0, which is what the standard allows: no null type, no references."""
    if isinstance(schema, list):
        return [_plain_schema(one, definitions) for one in schema]
    if not isinstance(schema, dict):
        return schema
    if "$ref" in schema:
        return _plain_schema(definitions[schema["$ref"].rpartition("/")[2]], definitions)
    if schema.get("contentMediaType") == "text/csv":
        return {"type": "array", "items": {"type": "object"}, "contentMediaType": "application/json"}
    made: dict[str, Any] = {}
    for key, value in schema.items():
        if key == "const":
            made["enum"] = [value]
        elif key == "prefixItems":
            made["items"] = {"anyOf": _plain_schema(value, definitions)}
        elif key in ("exclusiveMinimum", "exclusiveMaximum"):
            made[key.removeprefix("exclusive").lower()], made[key] = value, True
        elif key == "properties":
            made[key] = {name: _plain_schema(one, definitions) for name, one in value.items()}
        elif key in ("anyOf", "oneOf", "allOf"):
            kinds = [one for one in value if one != {"type": "null"}]
            if len(kinds) < len(value):
                made["nullable"] = True
            if len(kinds) == 1:
                made |= _plain_schema(kinds[0], definitions)
            else:
                made[key] = _plain_schema(kinds, definitions)
        elif key in ("items", "additionalProperties", "not"):
            made[key] = _plain_schema(value, definitions)
        else:
            made[key] = value
    return made
