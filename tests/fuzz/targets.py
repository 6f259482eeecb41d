"""What is fuzzed: each of our own parsers, given anything at all, answers or refuses in our words."""

from __future__ import annotations

import contextlib
import math
import tempfile
import warnings
from collections.abc import Callable
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from geotools.errors import GeotoolsError, Noticed
from geotools.inspection import (
    apply_foothold_survey,
    apply_gate_survey,
    apply_wall_survey,
    compare_as_built,
)
from geotools.layers.columns import read_columns, resolve_columns
from geotools.layers.schema import LAYERS, check_options
from geotools.layers.source import parse_source
from geotools.pipeline.plan import change_plan, find_plan, read_plan
from geotools.pipeline.schedule import check_plan
from geotools.pricing.price_list import read_price_list
from geotools.standards.rule_file import read_rule
from geotools.units import parse_angle, parse_length

__all__ = ["TARGETS"]

_SCREEN = read_plan(find_plan("screen"))
_LINE = shapely.LineString([(0, 0), (30, 0)])


def lengths(data: bytes) -> None:
    """Texts such as "4 ft 6 in": a finite length, or a refusal."""
    text = data.decode("utf-8", errors="replace")
    for parse in (parse_length, parse_angle):
        for unit in (None, "ft"):
            with contextlib.suppress(GeotoolsError):
                assert math.isfinite(parse(text, default_unit=unit)), text


def plans(data: bytes) -> None:
    """Pipeline files: a plan that is checked whole, or a refusal."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "plan.toml"
        path.write_bytes(data)
        with contextlib.suppress(GeotoolsError):
            check_plan(read_plan(path))


def settings(data: bytes) -> None:
    """--input and --set texts on the plan that comes with the toolkit."""
    texts = data.decode("utf-8", errors="replace").split("\n")
    inputs = [text.removeprefix("i:") for text in texts if text.startswith("i:")]
    with contextlib.suppress(GeotoolsError):
        check_plan(change_plan(_SCREEN, inputs=inputs, settings=[text for text in texts if not text.startswith("i:")]))


def sources(data: bytes) -> None:
    """Sources as users name them."""
    with contextlib.suppress(GeotoolsError):
        parse_source(data.decode("utf-8", errors="replace"))


def column_maps(data: bytes) -> None:
    """Column names, a column map and values of any kind for any layer."""
    feed = _Feed(data)
    schema = list(LAYERS.values())[feed.number(len(LAYERS))]
    fields = list(dict.fromkeys(feed.text() for _ in range(feed.number(5)))) or ["APN"]
    spellings = [spelling for column in schema.columns for spelling in column.spellings()] or ["id"]
    options = {spellings[feed.number(len(spellings))]: fields[feed.number(len(fields))] for _ in range(feed.number(3))}
    frame = pd.DataFrame({name: pd.Series(feed.values(4), dtype=object) for name in fields})
    try:
        check_options(schema, options)
        uses = resolve_columns(fields, schema, options, where="fuzz")
        table, _ = read_columns(frame, uses, schema, rows=np.arange(1, 5), where="fuzz")
    except GeotoolsError:
        return
    lengths_m = table[[column.name for column in schema.columns if column.kind == "length"]].to_numpy(dtype=float)
    assert not np.isinf(lengths_m).any(), "an infinite length went through"


def surveys(data: bytes) -> None:
    """Field surveys with columns of any kind, read back onto walls, gates and footholds."""
    feed = _Feed(data)
    columns = {name: feed.values(2) for name in _names(feed, ("state", "height_in", "opening_mm", "kind", "width_ft"))}
    lines = gpd.GeoDataFrame(columns, geometry=[_LINE, feed.shape()], crs=32612)
    points = lines.set_geometry([shapely.Point(3, 0.1), feed.shape()], crs=32612)
    walls = gpd.GeoDataFrame(
        {"kind": ["block"], "height_m": [1.0], "opening_m": [np.nan], "rail_m": [np.nan]}, geometry=[_LINE], crs=32612
    )
    walls["sound"] = pd.array([None], dtype="boolean")
    known = walls.set_geometry([shapely.Point(3, 0)], crs=32612).assign(width_m=1.0)
    for apply, layer, found in (
        (apply_wall_survey, walls, lines),
        (apply_gate_survey, known, points),
        (apply_foothold_survey, known, points),
    ):
        with contextlib.suppress(GeotoolsError):
            apply(layer, found)


def as_built(data: bytes) -> None:
    """As-built layers with columns of any kind, held against a planned line."""
    feed = _Feed(data)
    columns = {
        name: feed.values(3) for name in _names(feed, ("height_in", "opening_in", "kind", "line_id", "height_m"))
    }
    shapes = [shapely.Point(1, 0), shapely.Point(20, feed.number(9)), feed.shape()]
    built = gpd.GeoDataFrame(columns, geometry=shapes, crs=32612)
    plan = gpd.GeoDataFrame(
        {"line_id": ["A"], "parcel_id": ["1"], "height_m": [0.9144], "recommended": [True], "gates": [0]},
        geometry=[_LINE],
        crs=32612,
    )
    with contextlib.suppress(GeotoolsError):
        compare_as_built(plan, built)


def price_lists(data: bytes) -> None:
    """Price lists, as TOML and as CSV."""
    _read_as(data, (".toml", ".csv"), lambda path: read_price_list(str(path)))


def rules(data: bytes) -> None:
    """A community's rule file."""
    _read_as(data, (".toml",), read_rule)


TARGETS: dict[str, Callable[[bytes], None]] = {
    target.__name__: target
    for target in (lengths, plans, settings, sources, column_maps, surveys, as_built, price_lists, rules)
}


def _read_as(data: bytes, endings: tuple[str, ...], read: Callable[[Path], object]) -> None:
    with tempfile.TemporaryDirectory() as folder:
        for ending in endings:
            path = Path(folder) / f"file{ending}"
            path.write_bytes(data)
            with contextlib.suppress(GeotoolsError):
                read(path)


def _names(feed: _Feed, names: tuple[str, ...]) -> list[str]:
    return [name for name in names if feed.number(2)]


class _Feed:
    """Values drawn from bytes, the same for the same bytes."""

    def __init__(self, data: bytes) -> None:
        self.data, self.at = data, 0

    def take(self, count: int) -> bytes:
        taken = self.data[self.at : self.at + count]
        self.at += count
        return taken

    def number(self, below: int) -> int:
        return int.from_bytes(self.take(1) or b"\0", "little") % max(below, 1)

    def text(self) -> str:
        return self.take(self.number(24)).decode("utf-8", errors="replace")

    def value(self) -> object:
        kinds = (
            lambda: None,
            lambda: math.nan,
            lambda: math.inf,
            lambda: -math.inf,
            lambda: int.from_bytes(self.take(9), "little", signed=True),
            lambda: float(np.frombuffer(self.take(8).ljust(8, b"\0"), dtype=np.float64)[0]),
            lambda: bool(self.number(2)),
            lambda: f"{self.number(90)} in",
            lambda: self.take(5),
            lambda: pd.Timestamp(2024, 2, 1 + self.number(28)),
            self.text,
            self.text,
        )
        return kinds[self.number(len(kinds))]()

    def values(self, count: int) -> list[object]:
        return [self.value() for _ in range(count)]

    def shape(self) -> object:
        shapes = (None, shapely.Point(), shapely.Point(5, 5), _LINE, shapely.LineString(), shapely.box(0, 0, 3, 3))
        return shapes[self.number(len(shapes))]


warnings.simplefilter("ignore", Noticed)
