"""Turn the design animal into a barrier standard, and a barrier back into the animals that it excludes."""

from __future__ import annotations

import difflib
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from geotools.errors import DesignError, UnitError, in_plain_words
from geotools.units import LENGTH_SUFFIXES_M, METRES_PER_FOOT, METRES_PER_INCH, parse_length

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import ArrayLike, NDArray

__all__ = ["BarrierStandard", "design_height", "excluded_body_length", "field_of", "specified_height"]

BUFFER_M = 6 * METRES_PER_INCH
"""Buffer above the braced reach (common practice, no source)."""
LEAST_HEIGHT_M = 30 * METRES_PER_INCH
"""The least height that is ever specified (common practice, no source)."""
HEIGHT_STEP_M = 6 * METRES_PER_INCH
"""Heights are built in steps of 6 in (roll and picket stock; common practice, no source)."""
_SLACK = 1e-9
"""A height this share of a step above a step is on the step: binary rounding, not a taller animal."""


def design_height(body_length_m: ArrayLike, *, buffer_m: float = BUFFER_M) -> NDArray[np.float64]:
    """Height that keeps out an animal that is braced in a corner.

    H = L / 2 + buffer (common practice, no source; terrestrial snakes hold 30-50 % of their length unsupported,
    Lillywhite et al. 2000, J. Herpetol. 34:523-528). The same length is the radius R of the reach around a foothold.

    Parameters
    ----------
    body_length_m : array_like
        Body length from nose to tail without the rattle, metres.
    buffer_m : float
        Buffer above the braced reach, metres.

    Returns
    -------
    numpy.ndarray, float64
        Metres, in the shape of `body_length_m`.

    Raises
    ------
    DesignError
        If a length is negative or not finite.

    Examples
    --------
    >>> round(float(design_height(48 * 0.0254)) / 0.0254, 9)
    30.0
    """
    length_m = _checked(body_length_m, "body length")
    return np.asarray(length_m / 2 + _checked(buffer_m, "buffer"))


def specified_height(
    height_m: ArrayLike, *, least_height_m: float = LEAST_HEIGHT_M, height_step_m: float = HEIGHT_STEP_M
) -> NDArray[np.float64]:
    """Height to build: the next step up, and never less than the least height.

    Common practice, no source: 6 in steps, at least 30 in.

    Parameters
    ----------
    height_m : array_like
        Required heights, metres; NaN stays NaN.
    least_height_m, height_step_m : float
        Metres.

    Returns
    -------
    numpy.ndarray, float64
        Metres, in the shape of `height_m`.

    Raises
    ------
    DesignError
        If a height is negative or the step is not above 0.

    Examples
    --------
    >>> (specified_height([0.7, 0.8, 0.9144]) / 0.0254).round(6).tolist()
    [30.0, 36.0, 36.0]
    """
    heights_m = np.asarray(height_m, dtype=np.float64)
    if np.any(heights_m < 0):
        raise DesignError(f"the height is {float(np.nanmin(heights_m))} m", mend="give a height of 0 or more")
    if not height_step_m > 0:
        raise DesignError(f"the height step is {height_step_m} m", mend="give a step above 0")
    steps = np.ceil(heights_m / height_step_m - _SLACK)
    # Six steps of 0.1524 m fall a rounding short of 0.9144 m: what is built is never below what is asked for.
    return np.maximum(np.maximum(steps * height_step_m, heights_m), least_height_m)


def excluded_body_length(barrier_height_m: ArrayLike, *, buffer_m: float = BUFFER_M) -> NDArray[np.float64]:
    """Longest animal that a barrier keeps out: L = 2 (H - buffer), never below 0.

    The height rule turned round (common practice, no source).

    Parameters
    ----------
    barrier_height_m : array_like
        Vertical height of the barrier above the ground outside, metres.
    buffer_m : float
        Metres.

    Returns
    -------
    numpy.ndarray, float64
        Metres, in the shape of `barrier_height_m`.

    Raises
    ------
    DesignError
        If a height is negative or not finite.

    Examples
    --------
    >>> round(float(excluded_body_length(24 * 0.0254)) / 0.0254, 6)
    36.0
    """
    return np.maximum(2 * (_checked(barrier_height_m, "height") - _checked(buffer_m, "buffer")), 0.0)


class BarrierStandard(BaseModel):
    """What every barrier of a plan is designed to; lengths in metres.

    In a pipeline's [design] table the names stand without `_m` and the values are text with a unit: `body_length = "60
    in"`.

    Examples
    --------
    >>> BarrierStandard.from_table({"body_length": "48 in"}).height_m / 0.0254
    30.0
    """

    model_config = ConfigDict(frozen=True, extra="forbid", validate_default=True)

    body_length_m: float = Field(
        default=60 * METRES_PER_INCH,
        gt=0,
        le=3.0,
        description="Body length of the design animal, nose to tail without the rattle "
        "(common practice: 60 in, the regional extreme)",
    )
    buffer_m: float = Field(
        default=BUFFER_M, ge=0, le=1.0, description="Buffer above the braced reach (common practice: 6 in)"
    )
    burial_m: float = Field(
        default=6 * METRES_PER_INCH,
        ge=0,
        le=1.0,
        description="Depth of mesh below ground (published extension guides: 6 in, 4-6 in accepted by some)",
    )
    mesh_opening_m: float = Field(
        default=0.25 * METRES_PER_INCH,
        gt=0,
        le=0.1,
        description="Mesh size, centre to centre of the wires (published extension guides: 1/4 in)",
    )
    least_height_m: float = Field(
        default=LEAST_HEIGHT_M, ge=0, le=3.0, description="The least height ever specified (common practice: 30 in)"
    )
    height_step_m: float = Field(
        default=HEIGHT_STEP_M, gt=0, le=1.0, description="Heights are built in steps of this (common practice: 6 in)"
    )
    lot_line_offset_m: float = Field(
        default=1 * METRES_PER_FOOT,
        ge=0,
        le=10.0,
        description="How far a line is drawn in from the lot boundary (assumption of this project: 1 ft)",
    )
    house_clearance_m: float = Field(
        default=3 * METRES_PER_FOOT,
        gt=0,
        le=10.0,
        description="Least distance of a house loop from the walls of the house "
        "(assumption of this project: 3 ft to walk and mend)",
    )
    least_area_m2: float = Field(
        default=9.0,
        gt=0,
        le=1000.0,
        description="Ground smaller than this is not worth a line (assumption of this project: 9 m2)",
    )
    snap_m: float = Field(
        default=0.05,
        gt=0,
        le=0.5,
        description="Drawn lines that miss each other by no more than this are taken to meet "
        "(assumption of this project: 5 cm)",
    )
    protect: Literal["rear_yard", "lot", "house"] = Field(
        default="rear_yard",
        description="The ground to protect: the lot behind the street side of the house, the whole lot, or the house",
    )

    @property
    def reach_m(self) -> float:
        """Radius of the reach around a foothold, R = L / 2 + buffer, metres."""
        return float(design_height(self.body_length_m, buffer_m=self.buffer_m))

    @property
    def height_m(self) -> float:
        """Height to build on level ground with no foothold near, metres."""
        return float(
            specified_height(self.reach_m, least_height_m=self.least_height_m, height_step_m=self.height_step_m)
        )

    @classmethod
    def from_table(cls, table: Mapping[str, Any]) -> BarrierStandard:
        """Read a [design] table.

        Parameters
        ----------
        table : mapping
            Names as in a pipeline file. A length is text with its unit (`body_length = "48 in"`) or a number under a
            name with a unit (`body_length_in = 48`).

        Returns
        -------
        BarrierStandard

        Raises
        ------
        DesignError
            For an unknown name (with a suggestion), an unreadable length or a value out of range.

        Examples
        --------
        >>> BarrierStandard.from_table({"burial_in": 4}).burial_m
        0.1016
        """
        values: dict[str, Any] = {}
        for key, value in table.items():
            name, unit = field_of(key)
            if name in values:
                raise DesignError(
                    f"{name.removesuffix('_m')} is given twice", where=f"[design] {key}", mend="keep one of them"
                )
            try:
                values[name] = _value_of(name, value, unit)
            except UnitError as error:
                raise DesignError(error.what, where=f"[design] {key}", mend=error.mend) from None
        try:
            return cls(**values)
        except ValidationError as error:
            first = error.errors()[0]
            name = str(first["loc"][0])
            given = next((value for key, value in table.items() if field_of(key)[0] == name), values.get(name))
            raise DesignError(
                f"{given!r} can't be: {in_plain_words(first['msg'])}{' m' if name.endswith('_m') else ''}",
                where=f"[design] {name.removesuffix('_m')}",
                mend=f"what it is: {cls.model_fields[name].description}",
            ) from None


def field_of(key: str) -> tuple[str, str | None]:
    """Find the field and the unit that a key of the [design] table means.

    Raises
    ------
    DesignError
        If it is no design value, with the nearest one that is.

    Examples
    --------
    >>> field_of("burial_in"), field_of("body_length")
    (('burial_m', 'in'), ('body_length_m', None))
    """
    fields = BarrierStandard.model_fields
    if f"{key}_m" in fields:
        return f"{key}_m", None
    for suffix in LENGTH_SUFFIXES_M:
        if key.endswith(suffix) and f"{key.removesuffix(suffix)}_m" in fields:
            return f"{key.removesuffix(suffix)}_m", suffix[1:]
    if key in fields:
        return key, None
    names = sorted(name.removesuffix("_m") for name in fields)
    close = difflib.get_close_matches(key, names, n=1)
    raise DesignError(
        f"{key!r} is no design value",
        where="[design]",
        mend=f"did you mean {close[0]!r}?" if close else f"use one of: {', '.join(names)}",
    )


def _value_of(name: str, value: object, unit: str | None) -> object:
    if not name.endswith("_m"):
        return value
    if isinstance(value, str) or unit is not None:
        return parse_length(value, default_unit=unit)  # type: ignore[arg-type]
    raise UnitError(f"{value!r} has no unit", mend="write a length such as '48 in', '4 ft' or '1.2 m'")


def _checked(length_m: ArrayLike, what: str) -> NDArray[np.float64]:
    lengths_m = np.asarray(length_m, dtype=np.float64)
    if not np.all((lengths_m >= 0) & np.isfinite(lengths_m)):
        worst = float(lengths_m.flat[int(np.argmin(np.where(np.isfinite(lengths_m), lengths_m, -np.inf)))])
        raise DesignError(f"the {what} is {worst} m", mend=f"give a {what} of 0 or more")
    return lengths_m
