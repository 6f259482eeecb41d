"""Find the steps that are installed, and describe each from its signature."""

from __future__ import annotations

import difflib
import importlib.metadata
import inspect
import math
import types
import typing
from dataclasses import dataclass
from functools import cache, cached_property
from typing import TYPE_CHECKING, Any

from geotools.errors import StepError, in_plain_words

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping

    from pydantic import BaseModel

__all__ = ["GROUP", "Step", "describe_step", "find_step", "list_steps"]

GROUP = "geotools.steps"
"""Entry point group in which a package names its steps."""
_FILLED_BY_RUNNER = ("standard", "path")


@dataclass(frozen=True)
class Step:
    """A step: a plain function whose signature says what it takes, which options it has and what it gives.

    Examples
    --------
    >>> find_step("widen_washes").layers
    {'washes': True}
    """

    id: str
    function: Callable[..., Any]
    package: str

    @cached_property
    def signature(self) -> inspect.Signature:
        """The function's signature, with its annotations as types."""
        try:
            return inspect.signature(self.function, eval_str=True)
        except (NameError, TypeError, ValueError) as error:
            raise StepError(
                f"its signature can't be read: {error}",
                where=f"step {self.id}",
                mend="import what its annotations name at run time",
            ) from error

    @cached_property
    def layers(self) -> dict[str, bool]:
        """Layers and tables that the step takes, and whether each is needed."""
        return {
            name: parameter.default is inspect.Parameter.empty
            for name, parameter in self.signature.parameters.items()
            if parameter.kind is inspect.Parameter.POSITIONAL_OR_KEYWORD
        }

    @cached_property
    def option_names(self) -> list[str]:
        """Options that a pipeline may set, in the order of the signature."""
        return [
            name
            for name, parameter in self.signature.parameters.items()
            if parameter.kind is inspect.Parameter.KEYWORD_ONLY and name not in _FILLED_BY_RUNNER
        ]

    @property
    def takes_standard(self) -> bool:
        """Whether the runner hands it the barrier standard of the plan."""
        return "standard" in self.signature.parameters

    @property
    def needs_all_lots(self) -> bool:
        """Whether one of its tables holds lots against each other, so that a part of them would give other results."""
        from geotools.signature import ALL_LOTS

        notes = (self.signature.parameters[name].annotation for name in self.layers)
        return any(ALL_LOTS in marks for note in notes for _, marks in _kinds(note))

    @property
    def makes_file(self) -> bool:
        """Whether it writes a file at the `path` that it is given instead of returning a table."""
        return "path" in self.signature.parameters

    @cached_property
    def options_model(self) -> type[BaseModel]:
        """The options as a model that checks their values."""
        from pydantic import ConfigDict, create_model

        fields: dict[str, Any] = {
            name: (self.signature.parameters[name].annotation, self.signature.parameters[name].default)
            for name in self.option_names
        }
        return create_model(self.id, __config__=ConfigDict(extra="forbid", strict=False), **fields)

    def check_options(self, options: Mapping[str, Any], *, where: str) -> dict[str, Any]:
        """Return the options with their values checked and converted.

        Raises
        ------
        StepError
            For an unknown option (with a suggestion) or a value of the wrong kind.
        """
        from pydantic import ValidationError

        for name in options:
            if name not in self.option_names:
                raise StepError(
                    f"step {self.id} has no option {name!r}",
                    where=where,
                    mend=_suggest(name, self.option_names) or "it has no options",
                )
            value = options[name]
            if isinstance(value, float) and not math.isfinite(value):
                raise StepError(f"{name} = {value} is no finite number", where=where, mend="give a number")
        try:
            checked = self.options_model(**options)
        except ValidationError as error:
            first = error.errors()[0]
            name = str(first["loc"][0])
            raise StepError(
                f"{name} = {options.get(name)!r} can't be used: {in_plain_words(first['msg'])}",
                where=f"{where}, step {self.id}",
                mend=f"'bajada steps {self.id}' shows its options",
            ) from None
        return {name: getattr(checked, name) for name in options}


def list_steps() -> dict[str, list[importlib.metadata.EntryPoint]]:
    """List the names of all installed steps, without importing any, each with who claims it.

    Returns
    -------
    dict
        Step id to the entry points of that name; more than one means that it is claimed twice.

    Examples
    --------
    >>> "score_exposure" in list_steps()
    True
    """
    return _claims(importlib.metadata.entry_points(group=GROUP))


@cache
def find_step(name: str) -> Step:
    """Load one step by its name.

    Parameters
    ----------
    name : str
        Step id.

    Returns
    -------
    Step

    Raises
    ------
    StepError
        If no package offers it (with a suggestion), two packages claim it, or it can't be loaded.

    Examples
    --------
    >>> find_step("score_exposure").makes_file
    False
    """
    entries = _claims(importlib.metadata.entry_points(group=GROUP, name=name)).get(name, [])
    if not entries:
        near = _suggest(name, list(list_steps()))
        raise StepError(f"there is no step {name!r}", mend=near or "install the package that offers it")
    packages = [entry.dist.name if entry.dist else "unknown" for entry in entries]
    if len(entries) > 1:
        raise StepError(
            f"step {name!r} is claimed by {' and '.join(sorted(packages))}", mend="remove one of these packages"
        )
    try:
        function = entries[0].load()
    except Exception as error:
        raise StepError(
            f"step {name!r} of package {packages[0]} can't be loaded: {type(error).__name__}: {error}",
            mend=f"mend or remove package {packages[0]}",
        ) from error
    if not callable(function):
        raise StepError(f"step {name!r} of package {packages[0]} is no function", mend=f"mend package {packages[0]}")
    return Step(name, function, packages[0])


def describe_step(step: Step) -> dict[str, Any]:
    """Describe a step as a process description of OGC API - Processes, Part 1.

    Layers and options are both inputs there; the JSON Schema of the options alone is given under `options` as well.

    Parameters
    ----------
    step : Step

    Returns
    -------
    dict
        Ready for JSON.

    Examples
    --------
    >>> describe_step(find_step("widen_washes"))["inputs"]["washes"]["minOccurs"]
    1
    """
    text = inspect.cleandoc(step.function.__doc__ or "")
    title, _, description = text.partition("\n")
    told = _told_parameters(text)
    schema = step.options_model.model_json_schema()
    inputs: dict[str, Any] = {}
    for name, needed in step.layers.items():
        inputs[name] = {
            "title": name.replace("_", " "),
            "description": told.get(name, ""),
            "minOccurs": 1 if needed else 0,
            "maxOccurs": 1,
            "schema": {"oneOf": _layer_schemas(step.signature.parameters[name].annotation)},
        }
    for name in step.option_names:
        inputs[name] = {
            "title": name.replace("_", " "),
            "description": told.get(name, ""),
            "minOccurs": 0,
            "schema": schema["properties"][name],
        }
    result = (
        {"type": "string", "format": "binary"}
        if step.makes_file
        else {"oneOf": _layer_schemas(step.signature.return_annotation)}
    )
    return {
        "id": step.id,
        "title": title.rstrip("."),
        "description": _first_paragraph(description),
        "version": importlib.metadata.version(step.package),
        "jobControlOptions": ["sync-execute"],
        "outputTransmission": ["value"],
        "keywords": ["makes a file"] if step.makes_file else [],
        "inputs": inputs,
        "outputs": {"result": {"title": "file" if step.makes_file else "table", "schema": result}},
        "options": schema,
    }


def _claims(entries: Iterable[importlib.metadata.EntryPoint]) -> dict[str, list[importlib.metadata.EntryPoint]]:
    """Entry points by name, each once: whose they are is read of each, which takes its time."""
    claims: dict[str, dict[str, importlib.metadata.EntryPoint]] = {}
    for entry in entries:
        package = entry.dist.name if entry.dist else ""
        claims.setdefault(entry.name, {}).setdefault(f"{package} {entry.value}", entry)
    return {name: list(claims[name].values()) for name in sorted(claims)}


def _first_paragraph(text: str) -> str:
    """The paragraph after the title; empty where the sections of the docstring begin at once."""
    first = text.strip().partition("\n\n")[0]
    return "" if "\n---" in first else first.replace("\n", " ")


def _told_parameters(text: str) -> dict[str, str]:
    """What a numpydoc docstring tells of each parameter."""
    _, _, section = text.partition("Parameters\n----------\n")
    told: dict[str, str] = {}
    names: list[str] = []
    for line in section.splitlines():
        if not line.strip():
            break
        if not line.startswith(" "):
            names = [name.strip() for name in line.partition(" : ")[0].split(",")]
        for name in names:
            told[name] = (
                f"{told.get(name, '')} {line.strip()}".strip() if line.startswith(" ") else line.partition(" : ")[2]
            )
    return told


def _kinds(annotation: object) -> list[tuple[object, tuple[object, ...]]]:
    """Types that an annotation allows, each with its marks."""
    several = typing.get_origin(annotation) in (typing.Union, types.UnionType)
    kinds = typing.get_args(annotation) if several else (annotation,)
    return [(getattr(kind, "__origin__", kind), getattr(kind, "__metadata__", ())) for kind in kinds]


def _layer_schemas(annotation: object) -> list[dict[str, Any]]:
    schemas: list[dict[str, Any]] = []
    for kind, _ in _kinds(annotation):
        name = getattr(kind, "__name__", "")
        if name == "GeoDataFrame":
            schemas.append(
                {"type": "object", "contentMediaType": "application/geo+json", "format": "geojson-feature-collection"}
            )
        elif name == "Raster":
            schemas.append(
                {"type": "string", "contentEncoding": "binary", "contentMediaType": "image/tiff; application=geotiff"}
            )
        elif name == "DataFrame":
            schemas.append({"type": "string", "contentMediaType": "text/csv"})
    return schemas


def _suggest(name: str, names: list[str]) -> str:
    close = difflib.get_close_matches(name, names, n=1)
    if close:
        return f"did you mean {close[0]!r}?"
    return f"use one of: {', '.join(names)}" if names else ""
