"""Read a pipeline file, and change it by settings from the command line."""

from __future__ import annotations

import difflib
import tomllib
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from geotools.design import field_of
from geotools.errors import PipelineError
from geotools.layers import LAYERS

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

__all__ = ["Plan", "StepRow", "beside", "change_plan", "find_plan", "list_plans", "read_plan"]

_SETTINGS = {"title": "", "units": "us", "working_crs": "auto"}
_SHAPES = {"inputs": "a table [inputs]", "design": "a table [design]", "step": "rows [[step]]"}
_ROW_KEYS = ("use", "takes", "gives")


@dataclass(frozen=True)
class StepRow:
    """One [[step]] row: which step, which tables it takes under which names, what it gives, and its options."""

    use: str
    takes: Mapping[str, str]
    gives: str
    options: Mapping[str, Any]
    number: int

    @property
    def place(self) -> str:
        """How a message names the row."""
        return f"[[step]] {self.number} ({self.use})"


@dataclass(frozen=True)
class Plan:
    """A pipeline file as read: nothing in it is checked against the installed steps yet."""

    name: str
    base: Path
    settings: Mapping[str, str]
    inputs: Mapping[str, str]
    design: Mapping[str, Any]
    layer_options: Mapping[str, Mapping[str, Any]]
    tiles: Mapping[str, Any] | None = None
    steps: tuple[StepRow, ...] = field(default=())


def list_plans() -> dict[str, Path]:
    """List the pipelines that come with the toolkit, by name.

    Returns
    -------
    dict
        Name to file.

    Examples
    --------
    >>> "screen" in list_plans()
    True
    """
    package = Path(__file__).resolve().parents[1]
    for folder in (package / "plans", package.parent / "pipelines"):
        if folder.is_dir():
            return {path.stem: path for path in sorted(folder.glob("*.toml"))}
    return {}


def find_plan(name: str) -> Path:
    """Find a pipeline by its name or by the path of its file.

    Raises
    ------
    PipelineError
        If there is neither.

    Examples
    --------
    >>> find_plan("screen").name
    'screen.toml'
    """
    plans = list_plans()
    path = Path(name)
    if path.suffix == ".toml" or path.parent != Path() or path.is_file():
        if path.is_file():
            return path
        raise PipelineError(
            "there is no such pipeline file", where=name, mend="check the path, or use a name: " + ", ".join(plans)
        )
    if name in plans:
        return plans[name]
    close = difflib.get_close_matches(name, plans, n=1)
    mend = f"did you mean {close[0]!r}?" if close else f"use one of {', '.join(plans)}, or the path of a .toml file"
    raise PipelineError(f"there is no pipeline {name!r}", mend=mend)


def read_plan(path: Path) -> Plan:
    """Read a pipeline file.

    Parameters
    ----------
    path : Path
        A TOML file with [inputs], [design], a table for a layer's own options, and [[step]] rows.

    Returns
    -------
    Plan

    Raises
    ------
    PipelineError
        If the file can't be read, is no TOML, or has a table or row of the wrong shape.

    Examples
    --------
    >>> read_plan(find_plan("screen")).name
    'screen'
    """
    try:
        content = tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except OSError as error:
        raise PipelineError(f"it can't be read: {error.strerror}", where=str(path), mend="check the path") from error
    except UnicodeDecodeError as error:
        raise PipelineError("it is not UTF-8 text", where=str(path), mend="save it as UTF-8") from error
    except tomllib.TOMLDecodeError as error:
        raise PipelineError(f"it is no valid TOML: {error}", where=str(path), mend="mend that line") from error
    except RecursionError:
        raise PipelineError("its lists lie too deep in each other", where=str(path), mend="write it flat") from None
    settings = dict(_SETTINGS)
    tables: dict[str, dict[str, Any]] = {}
    rows: list[dict[str, Any]] = []
    for key, value in content.items():
        if key in _SETTINGS:
            settings[key] = _text(value, f"{path.name}: {key}")
        elif key == "step" and isinstance(value, list) and all(isinstance(row, dict) for row in value):
            rows = value
        elif isinstance(value, dict) and key != "step":
            tables[key] = value
        elif key in _SHAPES:
            raise PipelineError(f"{key!r} has another shape", where=path.name, mend=f"write it as {_SHAPES[key]}")
        else:
            close = difflib.get_close_matches(key, [*_SETTINGS, "step", "inputs", "design"], n=1)
            mend = f"did you mean {close[0]!r}?" if close else "use title, units, working_crs, tables and [[step]] rows"
            raise PipelineError(f"{key!r} is no setting of a pipeline", where=path.name, mend=mend)
    inputs = {name: _text(source, f"{path.name}: [inputs] {name}") for name, source in tables.pop("inputs", {}).items()}
    return Plan(
        name=path.stem,
        base=path.resolve().parent,
        settings=settings,
        inputs={name: beside(source, path.resolve().parent) for name, source in inputs.items()},
        design=tables.pop("design", {}),
        tiles=tables.pop("tiles", None),
        layer_options=tables,
        steps=tuple(_read_row(row, number, path.name) for number, row in enumerate(rows, start=1)),
    )


def change_plan(plan: Plan, *, inputs: Iterable[str] = (), settings: Iterable[str] = ()) -> Plan:
    """Change a plan by `layer=SOURCE` inputs and `name=value` settings.

    One input replaces the plan's inputs as a whole, with the layers' own options, so that two sets of data never mix.

    Parameters
    ----------
    plan : Plan
    inputs : iterable of str
        `layer=SOURCE`, relative to the current folder.
    settings : iterable of str
        `units=metric`, `design.body_length=48 in`, `parcels.id=APN`, or `score_exposure.decay_m=200` for an option of
        a step.

    Returns
    -------
    Plan

    Raises
    ------
    PipelineError
        If a text has no `=` or names nothing that can be set.

    Examples
    --------
    >>> plan = read_plan(find_plan("screen"))
    >>> change_plan(plan, settings=["design.body_length=48 in"]).design["body_length"]
    '48 in'
    """
    pairs = [_split(text, "--input", "layer=SOURCE") for text in inputs]
    given = dict(pairs)
    for name in given:
        if sum(name == other for other, _ in pairs) > 1:
            raise PipelineError(f"{name} is given twice", where="--input", mend="keep one of them")
    if given:
        plan = replace(plan, inputs={name: str(source) for name, source in given.items()}, layer_options={})
    for text in settings:
        name, value = _split(text, "--set", "name=value")
        plan = _set(plan, name, _toml_value(value))
    return plan


def _set(plan: Plan, name: str, value: Any) -> Plan:
    table, dot, key = name.partition(".")
    if not dot and table in _SETTINGS:
        return replace(plan, settings={**plan.settings, table: _text(value, f"--set {name}")})
    if dot and table == "design":
        kept = {name: was for name, was in plan.design.items() if field_of(name)[0] != field_of(key)[0]}
        return replace(plan, design={**kept, key: value})
    if dot and table == "tiles":
        return replace(plan, tiles={**(plan.tiles or {}), key: value})
    if dot and table in plan.inputs:
        options = {**plan.layer_options.get(table, {}), key: value}
        return replace(plan, layer_options={**plan.layer_options, table: options})
    if dot and any(row.use == table for row in plan.steps):
        rows = [replace(row, options={**row.options, key: value}) if row.use == table else row for row in plan.steps]
        return replace(plan, steps=tuple(rows))
    if dot and table in LAYERS:
        raise PipelineError(
            f"{name!r} can't be set: no input gives {table}", where="--set", mend=f"add --input {table}=FILE"
        )
    names = [*_SETTINGS, "design", "tiles", *plan.inputs, *dict.fromkeys(row.use for row in plan.steps)]
    close = difflib.get_close_matches(table, names, n=1)
    mend = (
        f"did you mean {close[0]!r}?"
        if close
        else "set design.NAME, LAYER.NAME, STEP.OPTION, title, units or working_crs"
    )
    raise PipelineError(f"{name!r} can't be set", where="--set", mend=mend)


def _read_row(row: dict[str, Any], number: int, file: str) -> StepRow:
    place = f"{file}: [[step]] {number}"
    if "use" not in row:
        raise PipelineError("it does not say which step to use", where=place, mend='write use = "STEP"')
    use = _text(row["use"], f"{place} use")
    takes = row.get("takes", {})
    if not isinstance(takes, dict):
        raise PipelineError("takes is no table of names", where=place, mend='write takes = { lots = "scored_lots" }')
    return StepRow(
        use=use,
        takes={name: _text(table, f"{place} takes") for name, table in takes.items()},
        gives=_text(row.get("gives", use), f"{place} gives"),
        options={key: value for key, value in row.items() if key not in _ROW_KEYS},
        number=number,
    )


def beside(source: str, base: Path) -> str:
    """Give a source from a base folder, where it is a relative path.

    Examples
    --------
    >>> beside("lots.gpkg#parcels", Path("data")), beside("postgresql://host/db?table=lots", Path("data"))
    ('data/lots.gpkg#parcels', 'postgresql://host/db?table=lots')
    """
    if "://" in source or source.startswith("/vsi") or Path(source).is_absolute():
        return source
    return str(base / source)


def _split(text: str, option: str, shape: str) -> tuple[str, str]:
    name, equals, value = text.partition("=")
    if not (name.strip() and equals and value.strip()):
        raise PipelineError(f"{text!r} is not {shape}", where=option, mend=f"write {option} {shape}")
    return name.strip(), value.strip()


def _toml_value(text: str) -> Any:
    """A number, true, false or list as TOML reads it; anything else is text."""
    try:
        return tomllib.loads(f"value = {text}")["value"]
    except tomllib.TOMLDecodeError:
        return text


def _text(value: Any, where: str) -> str:
    if isinstance(value, str):
        return value
    raise PipelineError(f"{value!r} is no text", where=where, mend="put it in quotes")
