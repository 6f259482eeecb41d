"""Read, check, repair and write the layers of a job."""

from __future__ import annotations

from geotools.layers.checking import check_source
from geotools.layers.crs import check_working_crs, choose_working_crs, describe_crs
from geotools.layers.findings import Finding, format_findings
from geotools.layers.reading import Inputs, read_inputs
from geotools.layers.repair import LEFT_OUT, REPAIRED, is_left_out
from geotools.layers.schema import HABITAT_LAYERS, LAYERS, layer_schema
from geotools.layers.writing import write_geopackage

__all__ = [
    "HABITAT_LAYERS",
    "LAYERS",
    "LEFT_OUT",
    "REPAIRED",
    "Finding",
    "Inputs",
    "check_source",
    "check_working_crs",
    "choose_working_crs",
    "describe_crs",
    "format_findings",
    "is_left_out",
    "layer_schema",
    "read_inputs",
    "write_geopackage",
]
