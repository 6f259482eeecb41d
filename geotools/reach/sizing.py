"""Answer the height question for one animal, one fence, one foothold and one slope."""

from __future__ import annotations

from typing import Any

import pandas as pd

from geotools.design import BUFFER_M, design_height, excluded_body_length, specified_height
from geotools.errors import DesignError
from geotools.reach.envelope import local_height, setback, slope_height
from geotools.reach.population import SPECIES, excluded_share, find_species
from geotools.units import METRES_PER_INCH, parse_angle, parse_length

__all__ = ["size_barrier"]

_DECIMALS = 9
"""Inches are rounded here, far below any tape, so that 48 in of animal ask for 30 in and not 29.999999999999996."""


def size_barrier(
    *,
    body_length: str = "60 in",
    buffer: str = f"{BUFFER_M / METRES_PER_INCH:g} in",
    fence: str = "",
    foothold: str = "",
    slope: str = "",
    species: str = "",
) -> pd.DataFrame:
    """Size a barrier for an animal, and say which animals a given fence keeps out.

    Parameters
    ----------
    body_length : str
        Length of the design animal, nose to tail without the rattle, in any unit.
    buffer : str
        Buffer above the braced reach, in any unit.
    fence : str
        Height of a given fence, in any unit; empty for none.
    foothold : str
        Height and distance of a climbable thing outside, such as `18in@2ft`; empty for none.
    slope : str
        Rise of the ground outside as an angle, such as `30deg`; empty for level ground.
    species : str
        Species whose share kept out is asked for, such as `atrox,scutulatus`, or `all`; empty for none.

    Returns
    -------
    DataFrame, one row
        height_in (exact), specified_height_in (next 6 in step, at least 30), excludes_body_length_in (for the fence
        given, else for the specified one), and with a foothold setback_in (at that height) and local_height_in (exact,
        at that distance).

    Raises
    ------
    UnitError
        If a text is no length.
    DesignError
        If a length is negative, the body length 0, the foothold is not HEIGHT@DISTANCE, the slope 90 degrees or more,
        or a species not known.

    Examples
    --------
    >>> size_barrier(body_length="48 in", fence="24 in").to_dict("records")
    [{'height_in': 30.0, 'specified_height_in': 30.0, 'excludes_body_length_in': 36.0}]
    """
    length_m = _parse(body_length, "body length", above_zero=True)
    buffer_m = _parse(buffer, "buffer")
    reach_m = float(design_height(length_m, buffer_m=buffer_m))
    specified_m = float(specified_height(reach_m))
    built_m = _parse(fence, "fence") if fence else specified_m
    answer = {
        "height_in": reach_m,
        "specified_height_in": specified_m,
        "excludes_body_length_in": float(excluded_body_length(built_m, buffer_m=buffer_m)),
    }
    if foothold:
        height_text, at, distance_text = foothold.partition("@")
        if not at:
            raise DesignError(
                f"{foothold!r} is not HEIGHT@DISTANCE", where="foothold", mend="write a foothold such as 18in@2ft"
            )
        stands_m, distance_m = _parse(height_text, "foothold"), _parse(distance_text, "foothold")
        answer["setback_in"] = float(setback(stands_m, built_m, reach_m=reach_m))
        answer["local_height_in"] = float(local_height(stands_m, distance_m, reach_m=reach_m))
    if slope:
        answer["slope_height_in"] = float(slope_height(parse_angle(slope), reach_m=reach_m))
    table: dict[str, Any] = {name: [round(value_m / METRES_PER_INCH, _DECIMALS)] for name, value_m in answer.items()}
    if species:
        chosen = (
            SPECIES if species.strip() == "all" else [find_species(name) for name in species.split(",") if name.strip()]
        )
        shares = {
            one.name: excluded_share(
                built_m, mean_m=one.mean_m, sd_m=one.sd_m, longest_m=one.longest_m, buffer_m=buffer_m
            )
            for one in chosen
        }
        table["share_excluded_pct"] = [{name: round(100 * float(share), 2) for name, share in shares.items()}]
    return pd.DataFrame(table)


def _parse(text: str, what: str, *, above_zero: bool = False) -> float:
    length_m = parse_length(text)
    if length_m < 0 or (above_zero and length_m == 0):
        raise DesignError(
            f"{text!r} is {'not above 0' if above_zero else 'below 0'}",
            where=what,
            mend=f"give a {what} {'above 0' if above_zero else 'of 0 or more'}",
        )
    return length_m
