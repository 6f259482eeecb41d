"""Say what share of the animals of an area a height keeps out, from the body lengths of their species."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import pandas as pd

from geotools.design import BUFFER_M, design_height, excluded_body_length, specified_height
from geotools.errors import DesignError, OutputError
from geotools.units import METRES_PER_INCH, parse_length

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

__all__ = [
    "DESIGN_ANIMALS",
    "SPECIES",
    "Species",
    "draw_shares",
    "excluded_share",
    "find_species",
    "list_design_animals",
    "list_species",
    "share_excluded",
]

S, M, A = "published, read as restated elsewhere", "from memory, not verified", "assumption of this project"
_CAUTION = "(means and spreads: mostly assumptions from stated ranges; no barrier is a guarantee)"
_DASHES = ("-", "--", "-.", ":")
_BETWEEN = f"{A}: between two values from memory (8 mm and 13 mm)"


class Species(NamedTuple):
    """Body length of the adults of a species, tip of the nose to tail, with the status of each value."""

    name: str
    common_name: str
    mean_m: float
    mean_status: str
    sd_m: float
    sd_status: str
    longest_m: float
    longest_status: str
    newborn_head_m: float
    newborn_head_status: str


def _mid(low_m: float, high_m: float) -> tuple[float, str, float, str]:
    """Mean and SD where only a range is known: its middle, a quarter of its width (as if two SD to each side)."""
    return (
        (low_m + high_m) / 2,
        f"{A}: middle of a stated range",
        (high_m - low_m) / 4,
        f"{A}: a quarter of a stated range",
    )


SPECIES = (
    Species(
        "Crotalus atrox", "western diamond-backed rattlesnake",
        0.848,
        "derived: published mean snout-vent length of adult females in Arizona (797 mm, Rosen & Goldberg 2002), "
        "tail 6 %; males are larger",
        0.096, f"{A}: published range of snout-vent lengths (648-1010 mm) taken as two SD to each side",
        2.13, f"{S} (Klauber 1972)", 0.013, M,
    ),
    Species("Crotalus scutulatus", "Mohave rattlesnake", *_mid(0.61, 1.37), 1.37, M, 0.010, _BETWEEN),
    Species("Crotalus cerastes", "sidewinder", *_mid(0.43, 0.80), 0.82, S, 0.008, M),
    Species("Crotalus tigris", "tiger rattlesnake", *_mid(0.45, 0.90), 0.91, M, 0.008, f"{A}: as the smallest"),
    Species(
        "Crotalus molossus", "black-tailed rattlesnake", *_mid(0.76, 1.07), 1.295, f"{S} (Shaw & Campbell 1974)",
        0.010, _BETWEEN,
    ),
    Species("Crotalus pyrrhus", "southwestern speckled rattlesnake", *_mid(0.60, 1.00), 1.00, S, 0.010, _BETWEEN),
    Species("Crotalus ruber", "red diamond rattlesnake", *_mid(0.99, 1.40), 1.65, S, 0.012, _BETWEEN),
    Species("Crotalus oreganus", "western rattlesnake", *_mid(0.65, 1.00), 1.60, M, 0.010, _BETWEEN),
    Species("Crotalus viridis", "prairie rattlesnake", *_mid(0.45, 1.65), 1.65, S, 0.010, _BETWEEN),
    Species(
        "Crotalus lepidus", "rock rattlesnake",
        0.47, f"{S}, weak: between the means of both sexes", 0.07, f"{A}: 15 % of the mean", 0.83, M,
        0.008, f"{A}: as the smallest",
    ),
    Species("Crotalus horridus", "timber rattlesnake", *_mid(0.76, 1.52), 1.89, M, 0.012, _BETWEEN),
    Species(
        "Crotalus adamanteus", "eastern diamond-backed rattlesnake", *_mid(0.84, 1.83),
        2.44, f"{S} (Klauber 1972, disputed)", 0.013, f"{A}: as atrox",
    ),
)  # fmt: skip
"""Body lengths of adults (published values as the texts restate them) and width of a newborn's head (from memory, low
confidence: no measured value is published)."""

DESIGN_ANIMALS = {
    "low desert": (48 * METRES_PER_INCH, "a very large adult around the low-desert cities"),
    "low desert, extreme": (60 * METRES_PER_INCH, "the regional extreme"),
    "texas and southeast": (72 * METRES_PER_INCH, "parts of Texas and the southeast"),
}
"""Body length of the design animal by region (common practice, no source)."""


def find_species(name: str) -> Species:
    """Look up a species by its scientific name, the second part of it, or its common name.

    Raises
    ------
    DesignError
        If it is not in the table, or the word means several.

    Examples
    --------
    >>> find_species("atrox").longest_m
    2.13
    """
    wanted = name.strip().casefold()
    found = [
        one
        for one in SPECIES
        if wanted
        in (
            one.name.casefold(),
            one.name.split()[1],
            one.common_name.casefold(),
            one.common_name.removesuffix(" rattlesnake").casefold(),
        )
    ]
    if len(found) != 1:
        known = ", ".join(one.name.split()[1] for one in SPECIES)
        raise DesignError(
            f"{name.strip()!r} is not a species of the table", where="species", mend=f"use one or more of: {known}"
        )
    return found[0]


def excluded_share(
    barrier_height_m: ArrayLike, *, mean_m: float, sd_m: float, longest_m: float, buffer_m: float = BUFFER_M
) -> NDArray[np.float64]:
    """Share of animals that a height keeps out, 0 to 1.

    Body lengths are normal, cut off at 0 and at the longest: F(l) = (Phi(z(l)) - Phi(z(0))) / (Phi(z(max)) -
    Phi(z(0))) with l = 2 (H - buffer), the height rule turned round (truncated normal distribution; the choice is an
    assumption of this project).

    Parameters
    ----------
    barrier_height_m : array_like
        Metres.
    mean_m, sd_m, longest_m : float
        Of the normal distribution before it is cut off, and where it ends, metres.
    buffer_m : float

    Returns
    -------
    numpy.ndarray, float64
        In the shape of `barrier_height_m`.

    Raises
    ------
    DesignError
        If a height is negative, or SD or longest is not above 0.

    Examples
    --------
    >>> excluded_share([0.15, 0.65, 1.65], mean_m=1.0, sd_m=0.2, longest_m=2.0, buffer_m=0.15).round(3).tolist()
    [0.0, 0.5, 1.0]
    """
    from scipy.special import ndtr

    if not (sd_m > 0 and longest_m > 0 and np.isfinite(mean_m)):
        raise DesignError(
            f"a mean of {mean_m}, SD of {sd_m} and longest of {longest_m} m", mend="give an SD and a longest above 0"
        )
    lengths_m = np.minimum(excluded_body_length(barrier_height_m, buffer_m=buffer_m), longest_m)
    none, all_ = ndtr((0 - mean_m) / sd_m), ndtr((longest_m - mean_m) / sd_m)
    return np.asarray((ndtr((lengths_m - mean_m) / sd_m) - none) / (all_ - none), dtype=np.float64)


def share_excluded(
    *,
    species: str = "",
    heights: str = "18 in, 24 in, 30 in, 36 in, 42 in, 48 in",
    buffer: str = f"{BUFFER_M / METRES_PER_INCH:g} in",
) -> pd.DataFrame:
    """Tabulate the share of adults of each species that heights keep out.

    Parameters
    ----------
    species : str
        Names, comma-separated; all of the table without it.
    heights : str
        Heights in any unit, comma-separated.
    buffer : str
        Buffer above the braced reach, in any unit.

    Returns
    -------
    DataFrame
        A row per species and height: species, common_name, height_in, excludes_body_length_in, share_excluded_pct,
        keeps_out_longest (whether even the longest published animal is kept out), mean_in, sd_in, longest_in and the
        status of each.

    Raises
    ------
    DesignError
        If a species is not known or a height is negative.
    UnitError
        If a text is no length.

    Examples
    --------
    >>> share_excluded(species="atrox", heights="24 in, 36 in")["share_excluded_pct"].round(1).tolist()
    [75.5, 100.0]
    """
    chosen = [find_species(name) for name in species.split(",") if name.strip()] or list(SPECIES)
    heights_m = np.array([parse_length(text) for text in heights.split(",") if text.strip()])
    buffer_m = parse_length(buffer)
    rows: list[dict[str, Any]] = []
    for one in chosen:
        shares = excluded_share(heights_m, mean_m=one.mean_m, sd_m=one.sd_m, longest_m=one.longest_m, buffer_m=buffer_m)
        limits_m = excluded_body_length(heights_m, buffer_m=buffer_m)
        rows += [
            {
                "species": one.name,
                "common_name": one.common_name,
                "height_in": round(height_m / METRES_PER_INCH, 9),
                "excludes_body_length_in": round(limit_m / METRES_PER_INCH, 9),
                "share_excluded_pct": 100 * share,
                "keeps_out_longest": bool(limit_m >= one.longest_m),
                "mean_in": one.mean_m / METRES_PER_INCH,
                "mean_status": one.mean_status,
                "sd_in": one.sd_m / METRES_PER_INCH,
                "sd_status": one.sd_status,
                "longest_in": one.longest_m / METRES_PER_INCH,
                "longest_status": one.longest_status,
            }
            for height_m, limit_m, share in zip(heights_m, limits_m, shares, strict=True)
        ]
    return pd.DataFrame(rows)


def list_species() -> pd.DataFrame:
    """List the species with their body lengths and the status of each value.

    Returns
    -------
    DataFrame
        A row per species: name, common_name, mean_m, sd_m, longest_m, newborn_head_m, each with its status.

    Examples
    --------
    >>> list_species()["name"].iloc[0]
    'Crotalus atrox'
    """
    return pd.DataFrame(SPECIES, columns=Species._fields)


def list_design_animals(*, overrides: dict[str, str] | None = None) -> pd.DataFrame:
    """List the design animal of each region and the height that it asks for.

    Parameters
    ----------
    overrides : dict of str, optional
        Body length by region, in any unit: changes a region of the table or adds one.

    Returns
    -------
    DataFrame
        region, body_length_in, height_in (exact), specified_height_in, source.

    Raises
    ------
    UnitError
        If a text is no length.

    Examples
    --------
    >>> animals = list_design_animals(overrides={"canyon": "54 in"})
    >>> animals["specified_height_in"].round(6).tolist()
    [30.0, 36.0, 42.0, 36.0]
    """
    lengths_m = {region: length_m for region, (length_m, _) in DESIGN_ANIMALS.items()}
    sources = {region: f"common practice: {text}" for region, (_, text) in DESIGN_ANIMALS.items()}
    for region, text in (overrides or {}).items():
        lengths_m[region], sources[region] = parse_length(text), "given"
    exact_m = design_height(np.array(list(lengths_m.values())))
    return pd.DataFrame(
        {
            "region": list(lengths_m),
            "body_length_in": np.array(list(lengths_m.values())) / METRES_PER_INCH,
            "height_in": exact_m / METRES_PER_INCH,
            "specified_height_in": specified_height(exact_m) / METRES_PER_INCH,
            "source": list(sources.values()),
        }
    )


def draw_shares(
    *,
    path: Path,
    species: str = "",
    fence: str = "",
    body_length: str = "60 in",
    buffer: str = f"{BUFFER_M / METRES_PER_INCH:g} in",
) -> None:
    """Draw the share of adults kept out against the height, with a community's own height and the specified one marked.

    Parameters
    ----------
    path : Path
        PNG to write.
    species : str
        Names, comma-separated; all of the table without it.
    fence : str
        Height of a given fence, in any unit; empty for none.
    body_length : str
        Length of the design animal, in any unit.
    buffer : str
        Buffer above the braced reach, in any unit.

    Raises
    ------
    DesignError
        If a species is not known.
    UnitError
        If a text is no length.
    OutputError
        If the file can't be written.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     draw_shares(path=Path(folder) / "shares.png", species="atrox", fence="24 in")
    ...     (Path(folder) / "shares.png").read_bytes()[1:4]
    b'PNG'
    """
    from matplotlib import colormaps
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    chosen = [find_species(name) for name in species.split(",") if name.strip()] or list(SPECIES)
    buffer_m = parse_length(buffer)
    marks_in = {
        "specified": float(specified_height(design_height(parse_length(body_length), buffer_m=buffer_m)))
        / METRES_PER_INCH
    }
    if fence:
        marks_in["this fence"] = parse_length(fence) / METRES_PER_INCH
    heights_m = np.linspace(0, max(60.0, *marks_in.values()) * METRES_PER_INCH, 241)
    figure = Figure(figsize=(8, 5), layout="constrained")
    FigureCanvasAgg(figure)
    axes = figure.add_subplot()
    # An even ramp for every eye, and dashes that tell lines apart without colour.
    for number, one in enumerate(chosen):
        shares = excluded_share(heights_m, mean_m=one.mean_m, sd_m=one.sd_m, longest_m=one.longest_m, buffer_m=buffer_m)
        colour = colormaps["viridis"](0.85 * number / max(len(chosen) - 1, 1))
        axes.plot(
            heights_m / METRES_PER_INCH, 100 * shares, _DASHES[number % len(_DASHES)], color=colour, label=one.name
        )
    for (name, height_in), dash in zip(marks_in.items(), ("--", "-"), strict=False):
        axes.axvline(height_in, color="black", linestyle=dash, linewidth=1.2, label=f"{name}: {height_in:.4g} in")
    axes.set(
        xlabel=f"height of the barrier, inches\n{_CAUTION}",
        ylabel="adults kept out, %",
        ylim=(0, 102),
        xlim=(0, heights_m[-1] / METRES_PER_INCH),
    )
    axes.set_title("Share of adults that a height keeps out")
    axes.legend(fontsize=8)
    axes.grid(visible=True, alpha=0.3)
    try:
        figure.savefig(path, format="png", dpi=120, metadata={"Software": None})
    except OSError as error:
        raise OutputError(
            f"it can't be written: {error.strerror}",
            where=str(path),
            mend="name a file in a folder that you may write to",
        ) from error
