"""JSON Schemas of OGC API - Processes, Part 1 (1.0.0), by hand after the standard's clauses and schemas."""

from __future__ import annotations

from typing import Any

LINK = {
    "type": "object",
    "required": ["href"],
    "properties": {name: {"type": "string"} for name in ("href", "rel", "type", "hreflang", "title")},
}
_LINKS = {"type": "array", "items": LINK}
_TEXTS = {"type": "array", "items": {"type": "string"}}
_TIME = {"type": "string", "pattern": r"^\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d+)?Z$"}

LANDING = {
    "type": "object",
    "required": ["links"],
    "properties": {"title": {"type": "string"}, "description": {"type": "string"}, "links": _LINKS},
}
CONFORMANCE = {
    "type": "object",
    "required": ["conformsTo"],
    "properties": {"conformsTo": {**_TEXTS, "uniqueItems": True}},
}
_DESCRIPTION: dict[str, Any] = {
    "title": {"type": "string"},
    "description": {"type": "string"},
    "keywords": _TEXTS,
    "metadata": {"type": "array"},
}
SUMMARY = {
    "type": "object",
    "required": ["id", "version"],
    "properties": {
        **_DESCRIPTION,
        "id": {"type": "string"},
        "version": {"type": "string"},
        "jobControlOptions": {"type": "array", "items": {"enum": ["sync-execute", "async-execute", "dismiss"]}},
        "outputTransmission": {"type": "array", "items": {"enum": ["value", "reference"]}},
        "links": _LINKS,
    },
}
PROCESS_LIST = {
    "type": "object",
    "required": ["processes", "links"],
    "properties": {"processes": {"type": "array", "items": SUMMARY}, "links": _LINKS},
}
# What a value may look like: the schema object of OpenAPI 3.0 with the two content keywords, and nothing beside.
_VALUE_SCHEMA: dict[str, Any] = {
    "oneOf": [
        {"type": "object", "required": ["$ref"], "properties": {"$ref": {"type": "string"}}},
        {
            "type": "object",
            "not": {"required": ["$ref"]},
            "additionalProperties": False,
            "properties": {
                **{
                    name: {"type": "string"}
                    for name in (
                        "title",
                        "description",
                        "format",
                        "pattern",
                        "contentMediaType",
                        "contentEncoding",
                        "contentSchema",
                    )
                },
                **{
                    name: {"type": "boolean"}
                    for name in (
                        "exclusiveMaximum",
                        "exclusiveMinimum",
                        "uniqueItems",
                        "nullable",
                        "readOnly",
                        "writeOnly",
                        "deprecated",
                    )
                },
                **{
                    name: {"type": "integer", "minimum": 0}
                    for name in ("maxLength", "minLength", "maxItems", "minItems", "maxProperties", "minProperties")
                },
                **{name: {"type": "number"} for name in ("multipleOf", "maximum", "minimum")},
                **{name: {"type": "array", "items": {"$ref": "#/$defs/value"}} for name in ("allOf", "oneOf", "anyOf")},
                "type": {"enum": ["array", "boolean", "integer", "number", "object", "string"]},
                "required": {**_TEXTS, "minItems": 1, "uniqueItems": True},
                "enum": {"type": "array", "minItems": 1},
                "not": {"$ref": "#/$defs/value"},
                "items": {"$ref": "#/$defs/value"},
                "properties": {"type": "object", "additionalProperties": {"$ref": "#/$defs/value"}},
                "additionalProperties": {"oneOf": [{"$ref": "#/$defs/value"}, {"type": "boolean"}]},
                "default": {},
                "example": {},
            },
        },
    ]
}
_DATA = {"type": "object", "required": ["schema"], "properties": {**_DESCRIPTION, "schema": {"$ref": "#/$defs/value"}}}
_INPUT = {
    **_DATA,
    "properties": {
        **_DATA["properties"],
        "minOccurs": {"type": "integer"},
        "maxOccurs": {"oneOf": [{"type": "integer"}, {"const": "unbounded"}]},
    },
}
PROCESS = {
    "$defs": {"value": _VALUE_SCHEMA},
    **SUMMARY,
    "required": ["id", "version", "inputs", "outputs"],
    "properties": {
        **SUMMARY["properties"],
        "inputs": {"type": "object", "additionalProperties": _INPUT},
        "outputs": {"type": "object", "minProperties": 1, "additionalProperties": _DATA},
    },
}
STATUS = {
    "type": "object",
    "required": ["jobID", "status", "type"],
    "properties": {
        "processID": {"type": "string"},
        "type": {"const": "process"},
        "jobID": {"type": "string"},
        "status": {"enum": ["accepted", "running", "successful", "failed", "dismissed"]},
        "message": {"type": "string"},
        **dict.fromkeys(("created", "started", "finished", "updated"), _TIME),
        "progress": {"type": "integer", "minimum": 0, "maximum": 100},
        "links": _LINKS,
    },
}
JOB_LIST = {
    "type": "object",
    "required": ["jobs", "links"],
    "properties": {"jobs": {"type": "array", "items": STATUS}, "links": _LINKS},
}
_QUALIFIED = {
    "type": "object",
    "required": ["value"],
    "properties": {
        "value": {},
        "mediaType": {"type": "string"},
        "encoding": {"type": "string"},
        "schema": {},
    },
    "additionalProperties": False,
}
RESULTS = {
    "type": "object",
    "additionalProperties": {
        "oneOf": [
            {"type": ["string", "number", "boolean", "array"]},
            _QUALIFIED,
            {**LINK, "not": {"required": ["value"]}},
        ]
    },
}
EXCEPTION = {
    "type": "object",
    "required": ["type", "title", "status", "detail"],
    "properties": {
        "type": {"type": "string"},
        "title": {"type": "string"},
        "status": {"type": "integer"},
        "detail": {"type": "string"},
        "instance": {"type": "string"},
    },
}
GEOJSON = {
    "type": "object",
    "required": ["type", "features"],
    "not": {"required": ["crs"]},
    "properties": {
        "type": {"const": "FeatureCollection"},
        "features": {
            "type": "array",
            "items": {
                "type": "object",
                "required": ["type", "properties", "geometry"],
                "properties": {"type": {"const": "Feature"}, "geometry": {"type": ["object", "null"]}},
            },
        },
    },
}
