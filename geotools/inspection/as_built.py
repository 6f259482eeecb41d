"""Put the barrier as it was built among the walls, so that its closure can be proved again."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd

__all__ = ["join_as_built"]

_STANDS = ("pass", "moved", "missing gate")
"""Findings after which the line itself stands; a moved line is taken at its planned place."""
_JUDGEMENTS = {"low": "too low", "opening": "openings too large", "not measured": "to be measured"}


def join_as_built(stretches: gpd.GeoDataFrame, judged_walls: gpd.GeoDataFrame | None = None) -> gpd.GeoDataFrame:
    """Add the stretches of the barrier to the walls: sound where they pass, not sound where they fail.

    A stretch that was not built is no wall at all. A stretch about an opening takes the place of what passes there, so
    that the opening leads in. A moved line that is high enough is taken to stand at its planned place (assumption of
    this project).

    Parameters
    ----------
    stretches : GeoDataFrame
        As `compare_as_built` gives it.
    judged_walls : GeoDataFrame, optional
        As `judge_walls` gives it.

    Returns
    -------
    GeoDataFrame
        Lines with `kind`, `sound_now`, `judgement`, `mend`, `why`, ready for `prove_closure`.

    Examples
    --------
    >>> from shapely import LineString
    >>> found = gpd.GeoDataFrame({"finding": ["pass", "not built"], "what": ["", ""]}, crs=32612,
    ...     geometry=[LineString([(0, 0), (2, 0)]), LineString([(2, 0), (3, 0)])])
    >>> join_as_built(found)["sound_now"].tolist()
    [True]
    """
    built = stretches[~stretches["finding"].isin(["not built", "missing gate"])].reset_index(drop=True)
    shapes = built.geometry
    holes = built[built["finding"] == "opening"].geometry
    if len(holes):
        cut = shapes.difference(holes.buffer(1e-4).union_all())
        shapes = shapes.where(built["finding"] == "opening", cut)
    sound = built["finding"].isin(_STANDS).to_numpy()
    lines = gpd.GeoDataFrame(
        {
            "kind": pd.array(["new barrier"] * len(built), dtype="str"),
            "sound_now": sound,
            "judgement": np.where(sound, "sound", built["finding"].map(_JUDGEMENTS).fillna("to be measured")),
            "mend": np.where(sound, "", built["what"]),
            "why": built["what"].to_numpy(),
        },
        geometry=shapes.to_numpy(),
        crs=stretches.crs,
    )
    lines = lines[~lines.geometry.is_empty].reset_index(drop=True)
    if judged_walls is None or judged_walls.empty:
        return lines
    return gpd.GeoDataFrame(pd.concat([judged_walls, lines], ignore_index=True), crs=stretches.crs)
