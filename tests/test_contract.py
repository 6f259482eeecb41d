"""Every registered step keeps the contract: signature, docstring, units, index, CRS."""

from __future__ import annotations

import inspect
import typing
from types import UnionType

import geopandas as gpd
import pandas as pd
import pytest

from geotools.rasters import Raster
from geotools.steps import Step, find_step, list_steps

OURS = [
    name for name, claims in list_steps().items() if any(entry.dist and entry.dist.name == "bajada" for entry in claims)
]
TABLES = (gpd.GeoDataFrame, pd.DataFrame, Raster)
UNITS = ("_m", "_m2", "_ft", "_in", "_mm", "_deg", "_pct", "_share", "_cfs")
WITHOUT_UNIT = (
    "gates",
    "weight_",
    "reach_decays",
    "green_index",
    "least",
    "seed",
    "corner",
    "count",
    "price_",
    "_cents",
    "_usd",
    "samples",
)
"""Counts, weights, indices and money, which carry no unit of length."""


@pytest.fixture(params=OURS)
def step(request: pytest.FixtureRequest) -> Step:
    return find_step(request.param)


def kinds(annotation: object) -> tuple[object, ...]:
    several = typing.get_origin(annotation) in (typing.Union, UnionType)
    return tuple(
        getattr(kind, "__origin__", kind) for kind in (typing.get_args(annotation) if several else [annotation])
    )


def test_signature_is_layers_then_keyword_only_options(step: Step) -> None:
    for name, parameter in step.signature.parameters.items():
        assert parameter.annotation is not inspect.Parameter.empty, name
        if parameter.kind is inspect.Parameter.POSITIONAL_OR_KEYWORD:
            assert set(kinds(parameter.annotation)) <= {*TABLES, type(None)}, name
        else:
            assert parameter.kind is inspect.Parameter.KEYWORD_ONLY, name
            assert name == "path" or parameter.default is not inspect.Parameter.empty, f"{name} has no default"
    result = step.signature.return_annotation
    assert result in (None, type(None)) if step.makes_file else kinds(result)[0] in TABLES


def test_numbers_carry_their_unit(step: Step) -> None:
    for name in step.option_names:
        parameter = step.signature.parameters[name]
        if parameter.annotation in (float, int):
            assert name.endswith(UNITS) or any(word in name for word in WITHOUT_UNIT), name


def test_docstring_tells_all(step: Step) -> None:
    text = inspect.cleandoc(step.function.__doc__ or "")
    title = text.splitlines()[0]
    assert title.endswith(".")
    assert "Parameters\n----------" in text
    for name in step.signature.parameters:
        assert name in text.partition("Parameters\n----------")[2], name
    assert step.makes_file or "Returns\n-------" in text
    assert "Examples\n--------" in text


def test_description_is_ready_for_json(step: Step) -> None:
    schema = step.options_model.model_json_schema()
    assert set(schema["properties"]) == set(step.option_names)
