"""Say which layers there are, what shapes they hold and which columns they carry."""

from __future__ import annotations

import difflib
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

from geotools.errors import LayerError
from geotools.units import LENGTH_SUFFIXES_M

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable, Mapping

__all__ = ["HABITAT_LAYERS", "LAYERS", "Column", "LayerSchema", "check_options", "did_you_mean", "layer_schema"]

Shape = Literal["point", "line", "polygon"]
_ANY: tuple[Shape, ...] = ("point", "line", "polygon")
_LARGEST_HEIGHT_M = 100.0
_LARGEST_WIDTH_M = 5000.0
_LARGEST_FLOW_CFS = 1e7
_LARGEST_ORDER = 20.0


@dataclass(frozen=True)
class Column:
    """A canonical column: its name, what it holds, and the largest value that can be meant."""

    name: str
    kind: Literal["id", "text", "length", "number", "share", "flag", "date"]
    largest: float = math.inf

    @property
    def stem(self) -> str:
        """The name without its unit, as users write it in a column map."""
        return self.name.removesuffix("_m") if self.kind == "length" else self.name

    def spellings(self) -> tuple[str, ...]:
        """Every name that means this column: with each unit suffix where it is a length."""
        if self.kind == "length":
            return (self.stem, *(self.stem + suffix for suffix in LENGTH_SUFFIXES_M))
        return (self.name, "id") if self.kind == "id" else (self.name,)


@dataclass(frozen=True)
class LayerSchema:
    """A layer: the shapes it may hold (none for a raster only), its columns, and whether a raster will do.

    The shapes of `ground` stand for the ground they cover alone: a part of one means there what the whole does.
    """

    name: str
    shapes: tuple[Shape, ...]
    columns: tuple[Column, ...] = ()
    raster: bool = False
    ground: bool = False

    @property
    def name_fixed(self) -> bool:
        """Whether it is one of the toolkit's own layers, whose columns are fixed."""
        return self.name in LAYERS


def _length(stem: str, largest_m: float = _LARGEST_HEIGHT_M) -> Column:
    return Column(f"{stem}_m", "length", largest_m)


_WIDTH = _length("width", _LARGEST_WIDTH_M)
_KIND = Column("kind", "text")

LAYERS: dict[str, LayerSchema] = {
    schema.name: schema
    for schema in (
        LayerSchema("parcels", ("polygon",), (Column("parcel_id", "id"),)),
        LayerSchema("buildings", ("polygon",)),
        LayerSchema(
            "washes",
            ("line", "polygon"),
            (_WIDTH, Column("q100_cfs", "number", _LARGEST_FLOW_CFS), Column("stream_order", "number", _LARGEST_ORDER)),
            ground=True,
        ),
        LayerSchema("open_desert", ("polygon",), ground=True),
        LayerSchema("vegetation", ("polygon",), (Column("cover", "share", 1.0),), raster=True, ground=True),
        LayerSchema("land_cover", ("polygon",), (Column("land_class", "text"),), raster=True, ground=True),
        LayerSchema("elevation", (), raster=True),
        LayerSchema(
            "walls", ("line",), (_KIND, _length("height"), _length("opening"), _length("rail"), Column("sound", "flag"))
        ),
        LayerSchema("gates", ("point",), (_WIDTH, _length("opening"))),
        LayerSchema("footholds", _ANY, (_KIND, _length("height"))),
        LayerSchema("roads", ("line", "polygon"), (_WIDTH,), ground=True),
        LayerSchema("easements", ("polygon",), ground=True),
        LayerSchema("pools", ("polygon",), (_length("depth"),)),
        LayerSchema("attractants", _ANY, (_KIND,)),
        LayerSchema("encounters", ("point",), (Column("observed_on", "date"), Column("species", "text"))),
    )
}
"""The input layers by name. The largest heights (100 m), widths (5,000 m), flows (10,000,000 cfs) and stream orders
(20) are assumptions of this project: more can only be a mistake."""

HABITAT_LAYERS = ("washes", "open_desert", "vegetation")
"""Layers that say where the animals live; one of them far from the parcels is refused."""

_VECTOR_OPTIONS = ("crs", "layer", "encoding", "unit", "driver", "unpacked_limit_gb")
_RASTER_OPTIONS = {
    "vegetation": ("crs", "driver", "red", "near_infrared", "index"),
    "elevation": ("crs", "driver", "unit", "index"),
}


def layer_schema(name: str, *, others: Collection[str] = ()) -> LayerSchema:
    """Look up a layer; a name in `others` is a layer of any shape whose columns are kept as they are.

    Raises
    ------
    LayerError
        If the name is not known, with the nearest name.

    Examples
    --------
    >>> layer_schema("gates").shapes
    ('point',)
    """
    if name in LAYERS:
        return LAYERS[name]
    if name in others:
        return LayerSchema(name, _ANY)
    raise LayerError(
        f"there is no input layer called {name!r}", where="inputs", mend=did_you_mean(name, [*LAYERS, *others])
    )


def check_options(schema: LayerSchema, options: Mapping[str, Any], *, raster: bool = False) -> None:
    """Refuse option names that the layer doesn't take.

    Raises
    ------
    LayerError
        Naming the option and the nearest one that is known.

    Examples
    --------
    >>> check_options(LAYERS["parcels"], {"id": "APN"})
    """
    if raster:
        known: tuple[str, ...] = _RASTER_OPTIONS.get(schema.name, ("crs", "driver", "index"))
    else:
        known = (*_VECTOR_OPTIONS, *(spelling for column in schema.columns for spelling in column.spellings()))
    for key, value in options.items():
        if key not in known:
            raise LayerError(f"there is no option {key!r}", where=f"[{schema.name}]", mend=did_you_mean(key, known))
        if isinstance(value, bool) or not isinstance(value, str | int | float):
            raise LayerError(
                f"{value!r} is neither text nor a number", where=f"[{schema.name}] {key}", mend="give text"
            )


def did_you_mean(word: str, known: Iterable[str]) -> str:
    """Suggest the nearest known word, or list them all.

    Examples
    --------
    >>> did_you_mean("parcls", ["parcels", "walls"])
    "did you mean 'parcels'?"
    """
    names = {name.casefold(): name for name in known}
    near = difflib.get_close_matches(str(word).casefold(), names, n=1, cutoff=0.6)
    if near:
        return f"did you mean {names[near[0]]!r}?"
    return f"use one of: {', '.join(names.values())}" if names else "there is none to choose from"
