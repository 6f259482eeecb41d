"""Tell which meshes stop the smallest newborn, from their mesh size and wire gauge."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from geotools.errors import DesignError
from geotools.reach.population import SPECIES, find_species
from geotools.units import METRES_PER_INCH

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

__all__ = [
    "COMMON_MESHES",
    "STEEL_WIRE_GAUGE_IN",
    "clear_opening",
    "open_area_share",
    "opening_diagonal",
    "rank_meshes",
    "wire_diameter",
]

STEEL_WIRE_GAUGE_IN = {
    9: 0.1483, 11: 0.1205, 12: 0.1055, 14: 0.0800, 16: 0.0625, 17: 0.0540, 18: 0.0475,
    19: 0.0410, 20: 0.0348, 22: 0.0286, 23: 0.0258, 24: 0.0230, 25: 0.0204, 27: 0.0173,
}  # fmt: skip
"""US steel wire gauge, inches (published gauge tables). Not AWG: gauge 23 of that is 0.0226 in."""

COMMON_MESHES = (
    ("1/8 in hardware cloth", 0.125, 0.125, 27),
    ("1/4 in hardware cloth, 23 gauge", 0.25, 0.25, 23),
    ("1/4 in hardware cloth, 19 gauge", 0.25, 0.25, 19),
    ("1/2 in hardware cloth", 0.5, 0.5, 19),
    ("1 in poultry-size welded mesh", 1.0, 1.0, 16),
    ("1 x 2 in welded mesh (tortoise fence)", 1.0, 2.0, 16),
)
"""Name, mesh size across and along (centre to centre, inches), gauge (common stock; common practice, no source)."""
THIN_MARGIN_M = 0.002
_MM = 1000.0


def wire_diameter(gauge: int) -> float:
    """Diameter of a wire by the US steel wire gauge, metres.

    Raises
    ------
    DesignError
        If the gauge is not in the table.

    Examples
    --------
    >>> round(wire_diameter(23) / 0.0254, 4)
    0.0258
    """
    if gauge not in STEEL_WIRE_GAUGE_IN:
        raise DesignError(
            f"gauge {gauge} is not in the table",
            where="gauge",
            mend=f"use one of {', '.join(map(str, STEEL_WIRE_GAUGE_IN))}",
        )
    return STEEL_WIRE_GAUGE_IN[gauge] * METRES_PER_INCH


def clear_opening(pitch_m: ArrayLike, wire_m: ArrayLike) -> NDArray[np.float64]:
    """Clear width between two wires: mesh size, centre to centre, less a wire.

    Mesh size is one opening and one wire (ASTM A740).

    Parameters
    ----------
    pitch_m, wire_m : array_like
        Metres.

    Returns
    -------
    numpy.ndarray, float64
        Metres, in the common shape of the arguments.

    Raises
    ------
    DesignError
        If the wire is not thinner than the mesh size, or a value is not above 0.

    Examples
    --------
    >>> round(float(clear_opening(0.25 * 0.0254, wire_diameter(23))) * 1000, 2)
    5.69
    """
    pitches_m, wires_m = np.asarray(pitch_m, dtype=np.float64), np.asarray(wire_m, dtype=np.float64)
    if not (np.all(wires_m > 0) and np.all(pitches_m > wires_m)):
        raise DesignError(
            "the wire is not thinner than the mesh size", mend="give the mesh size centre to centre and a thinner wire"
        )
    return np.asarray(pitches_m - wires_m)


def opening_diagonal(across_m: ArrayLike, along_m: ArrayLike) -> NDArray[np.float64]:
    """Diagonal of a clear opening, metres: sqrt(a^2 + b^2).

    Examples
    --------
    >>> round(float(opening_diagonal(5.69, 5.69)), 2)
    8.05
    """
    return np.asarray(np.hypot(np.asarray(across_m, dtype=np.float64), np.asarray(along_m, dtype=np.float64)))


def open_area_share(pitch_m: ArrayLike, wire_m: ArrayLike) -> NDArray[np.float64]:
    """Open share of a square mesh, 0 to 1: (clear opening / mesh size)^2.

    Raises
    ------
    DesignError
        As `clear_opening`.

    Examples
    --------
    >>> round(float(open_area_share(0.25 * 0.0254, wire_diameter(23))), 3)
    0.804
    """
    return np.asarray((clear_opening(pitch_m, wire_m) / np.asarray(pitch_m, dtype=np.float64)) ** 2)


def rank_meshes(*, species: str = "", head_width_m: float = 0.0, thin_margin_m: float = THIN_MARGIN_M) -> pd.DataFrame:
    """Rank common meshes against the smallest newborn of the area.

    A mesh stops a newborn whose head is wider than the longer side of its clear opening. The head can turn, so the
    diagonal counts as well: where the head is not wider than it by `thin_margin_m`, the margin is said to be thin. No
    measured head width of a newborn rattlesnake is published; those used here are from memory (low confidence):
    measure, or give your own.

    Parameters
    ----------
    species : str
        Names of species of the area, comma-separated; all of the table without it.
    head_width_m : float
        Width of the smallest newborn's head, metres; 0 takes it from the species.
    thin_margin_m : float
        Metres (assumption of this project: 2 mm).

    Returns
    -------
    DataFrame
        Best first (those that stop it with margin, by open area; then those with a thin margin; then those that let it
        through): rank, mesh, gauge, pitch_in, clear_opening_mm, diagonal_mm, open_area_pct, head_width_mm,
        side_margin_mm, diagonal_margin_mm, judgement, remark.

    Raises
    ------
    DesignError
        If a species is not known or a width is negative.

    Examples
    --------
    >>> rank_meshes(species="atrox")[["mesh", "judgement"]].values.tolist()[0]
    ['1/4 in hardware cloth, 23 gauge', 'stops newborns']
    """
    if head_width_m < 0 or thin_margin_m < 0:
        raise DesignError("a width is below 0", mend="give 0 or more")
    chosen = [find_species(name) for name in species.split(",") if name.strip()] or list(SPECIES)
    head_m = head_width_m or min(one.newborn_head_m for one in chosen)
    names, across_in, along_in, gauges = zip(*COMMON_MESHES, strict=True)
    wires_m = np.array([wire_diameter(gauge) for gauge in gauges])
    across_m, along_m = (np.array(sizes) * METRES_PER_INCH for sizes in (across_in, along_in))
    clear_across_m, clear_along_m = clear_opening(across_m, wires_m), clear_opening(along_m, wires_m)
    diagonal_m = opening_diagonal(clear_across_m, clear_along_m)
    narrow_m = np.minimum(clear_across_m, clear_along_m)
    side_m, over_m = head_m - narrow_m, head_m - diagonal_m
    stops, roomy = side_m > 0, over_m >= thin_margin_m
    judgement = np.where(~stops, "lets newborns through", np.where(roomy, "stops newborns", "thin margin"))
    head = f"a head of about {head_m * _MM:.0f} mm"
    remark = [
        f"the diagonal is {diagonal * _MM:.2f} mm, {abs(margin) * _MM:.2f} mm {'less' if margin >= 0 else 'more'} than "
        f"{head}: measure before you rely on it"
        if word == "thin margin"
        else f"{head} fits an opening of {clear * _MM:.2f} mm"
        if word == "lets newborns through"
        else ""
        for word, diagonal, margin, clear in zip(judgement, diagonal_m, over_m, narrow_m, strict=True)
    ]
    table = pd.DataFrame(
        {
            "mesh": names,
            "gauge": gauges,
            "pitch_in": across_in,
            "clear_opening_mm": clear_across_m * _MM,
            "diagonal_mm": diagonal_m * _MM,
            "open_area_pct": 100 * clear_across_m * clear_along_m / (across_m * along_m),
            "head_width_mm": head_m * _MM,
            "side_margin_mm": side_m * _MM,
            "diagonal_margin_mm": over_m * _MM,
            "judgement": judgement,
            "remark": remark,
        }
    )
    within = np.select([stops & roomy, stops], [-table["open_area_pct"].to_numpy(), -over_m], narrow_m)
    order = np.lexsort((within, ~roomy, ~stops))
    ranked = table.iloc[order].reset_index(drop=True)
    ranked.insert(0, "rank", np.arange(1, len(ranked) + 1))
    return ranked
