"""Read, check, repair and write the layers of a job."""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from geotools.layers.checking import check_source
    from geotools.layers.reading import Inputs, read_inputs
    from geotools.layers.repair import LEFT_OUT, REPAIRED, is_left_out
    from geotools.layers.schema import HABITAT_LAYERS, LAYERS, layer_schema
    from geotools.layers.writing import write_geopackage

__all__ = [
    "HABITAT_LAYERS",
    "LAYERS",
    "LEFT_OUT",
    "REPAIRED",
    "Inputs",
    "check_source",
    "is_left_out",
    "layer_schema",
    "read_inputs",
    "write_geopackage",
]

_HOMES = {
    "checking": ("check_source",),
    "reading": ("Inputs", "read_inputs"),
    "repair": ("LEFT_OUT", "REPAIRED", "is_left_out"),
    "schema": ("HABITAT_LAYERS", "LAYERS", "layer_schema"),
    "writing": ("write_geopackage",),
}


def __getattr__(name: str) -> Any:
    """Import a name's module when it is first asked for: the geometry libraries take most of a second."""
    for home, names in _HOMES.items():
        if name in names:
            return getattr(importlib.import_module(f"{__name__}.{home}"), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
