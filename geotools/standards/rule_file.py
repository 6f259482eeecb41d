"""Read and check a community's rule about fences and barriers, written as TOML."""

from __future__ import annotations

import difflib
import tomllib
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationError, model_validator

from geotools.errors import DesignError, GeotoolsError, PipelineError
from geotools.units import parse_length

__all__ = ["INVENTED_RULE", "PLACES", "Allowance", "CommunityRule", "GateRule", "read_rule"]

Place = Literal["front", "side", "rear"]
PLACES: tuple[Place, ...] = ("front", "side", "rear")
"""Where on a lot a rule can say something."""
_LARGEST_FILE = 1_000_000


def _as_length(value: object) -> object:
    if value is None or isinstance(value, float):
        return value
    if not isinstance(value, str):
        raise ValueError("write a length as text with its unit, such as '24 in'")
    try:
        length_m = parse_length(value)
    except GeotoolsError as error:
        raise ValueError(str(error)) from None
    if length_m < 0:
        raise ValueError("a length can't be below 0")
    return length_m


Length = Annotated[float | None, BeforeValidator(_as_length)]


class _Strict(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class Allowance(_Strict):
    """What may be built in some places of a lot; lengths in metres, None where the rule says nothing."""

    where: tuple[Place, ...] = Field(default=("front", "side", "rear"), min_length=1)
    least_height: Length = None
    greatest_height: Length = None
    materials: tuple[str, ...] = ()
    colours: tuple[str, ...] = ()
    mesh: bool = True
    note: str = ""

    @model_validator(mode="after")
    def _heights_in_order(self) -> Allowance:
        if self.least_height and self.greatest_height and self.least_height > self.greatest_height:
            raise ValueError("least_height is above greatest_height")
        return self


class GateRule(_Strict):
    """What the rule asks of gates: their swing seen from the yard, self-closing, the widest allowed."""

    swing: Literal["in", "out", "either"] = "either"
    self_closing: bool = False
    greatest_width: Length = None


class CommunityRule(_Strict):
    """A community's rule: whose it is, how sure its text is, and what it allows where.

    Examples
    --------
    >>> rule = CommunityRule(community="A", rule="4.2", allows=[{"where": ["rear"], "greatest_height": "24 in"}])
    >>> rule.greatest_height("rear"), rule.greatest_height("front")
    (0.6096, None)
    """

    community: str = Field(min_length=1)
    rule: str = Field(min_length=1)
    dated: str = ""
    status: str = "as given, not verified"
    allows: tuple[Allowance, ...] = Field(min_length=1)
    gates: GateRule = GateRule()

    def at(self, place: str) -> tuple[Allowance, ...]:
        """Return what the rule allows at a place; empty where it allows nothing."""
        return tuple(one for one in self.allows if place in one.where)

    def greatest_height(self, place: str) -> float | None:
        """Greatest height allowed at a place, metres; None where there is no limit, or nothing is allowed."""
        heights = [one.greatest_height for one in self.at(place)]
        known = [height for height in heights if height is not None]
        return max(known) if known and len(known) == len(heights) else None


INVENTED_RULE = CommunityRule(
    community="an invented community",
    rule="an invented rule",
    status="an invented example: give your community's own",
    allows=(Allowance(where=("side", "rear"), greatest_height="24 in"),),  # type: ignore[arg-type]
)
"""Stands in where no rule is given, so that the plan can be tried (assumption of this project)."""


def read_rule(path: str | Path) -> CommunityRule:
    """Read a community's rule.

    Parameters
    ----------
    path : str or pathlib.Path
        A TOML file with `community`, `rule`, `dated`, `status`, one `[[allows]]` table for each kind of place, and
        `[gates]`; without one the invented rule.

    Returns
    -------
    CommunityRule

    Raises
    ------
    PipelineError
        If the file can't be read.
    DesignError
        For an unknown name (with a suggestion) or a value that can't be.

    Examples
    --------
    >>> read_rule("no-such-rule.toml")
    Traceback (most recent call last):
    geotools.errors.PipelineError: no-such-rule.toml: there is no such file; give the path of the rule's TOML file
    """
    if not str(path):
        return INVENTED_RULE
    file = Path(path)
    try:
        if file.stat().st_size > _LARGEST_FILE:
            raise PipelineError("it is too large for a rule", where=str(path), mend="give the rule's TOML file")
        table: dict[str, Any] = tomllib.loads(file.read_text(encoding="utf-8"))
    except FileNotFoundError:
        raise PipelineError(
            "there is no such file", where=str(path), mend="give the path of the rule's TOML file"
        ) from None
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise PipelineError(f"it can't be read: {error}", where=str(path), mend="write it as TOML, in UTF-8") from None
    try:
        return CommunityRule(**table)
    except ValidationError as error:
        raise _explain(error, str(path)) from None


def _explain(error: ValidationError, place: str) -> DesignError:
    first = error.errors()[0]
    names = [str(part) for part in first["loc"] if not isinstance(part, int)]
    row = next((part + 1 for part in first["loc"] if isinstance(part, int)), None)
    table = names[0] if len(names) > 1 else ""
    where = (
        f"{place}, {f'[{table}] ' if table else ''}{f'{row}, ' if row and table else ''}{names[-1] if names else ''}"
    )
    if first["type"] == "extra_forbidden":
        models: dict[str, type[BaseModel]] = {"allows": Allowance, "gates": GateRule}
        near = difflib.get_close_matches(names[-1], models.get(table, CommunityRule).model_fields, n=1)
        mend = (
            f"did you mean {near[0]!r}?" if near else f"use: {', '.join(models.get(table, CommunityRule).model_fields)}"
        )
        return DesignError("there is no such name in a rule", where=where, mend=mend)
    if first["type"] == "missing":
        return DesignError("it is missing", where=where, mend=f"add {names[-1]}")
    text = first["msg"].removeprefix("Value error, ")
    return DesignError(f"{first['input']!r} can't be used: {text}", where=where, mend="change it in the rule file")
