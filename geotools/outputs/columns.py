"""Say in plain words what each column of the results means."""

from __future__ import annotations

from typing import NamedTuple

from geotools.errors import OutputError

__all__ = [
    "BARRIER_LINES_COLUMNS",
    "FOOTHOLDS_COLUMNS",
    "PANELS_COLUMNS",
    "PLANNED_GATES_COLUMNS",
    "REJECTED_COLUMNS",
    "SPECS_COLUMNS",
    "UNITS",
    "VERDICTS",
    "WAYS_IN_COLUMNS",
    "ColumnMeaning",
    "blank_where",
    "explain_column",
    "shown_name",
    "unit_sign",
]

UNITS = ("us", "metric")
"""The two ways in which results are shown."""

VERDICTS = ("not needed", "already sound", "retrofit", "build", "do not build")
"""What a lot's row can advise."""

SPECS_COLUMNS = (
    "parcel_id",
    "exposure",
    "exposure_rank",
    "verdict",
    "reason",
    "option",
    "length_m",
    "height_m",
    "mesh_opening_m",
    "burial_m",
    "roll_width_m",
    "posts",
    "corners",
    "gates",
    "ways_in",
    "footholds_to_clear",
    "cost_low",
    "cost_likely",
    "cost_high",
)
"""Columns of the specs in their fixed order, under their working names (metres)."""

BARRIER_LINES_COLUMNS = (
    "line_id",
    "parcel_id",
    "option",
    "kind",
    "length_m",
    "height_m",
    "recommended",
    "reason",
    "footholds_in_conflict",
    "gates",
)
WAYS_IN_COLUMNS = ("parcel_id", "kind", "opening_m", "remedy")
FOOTHOLDS_COLUMNS = (
    "foothold_id",
    "kind",
    "height_m",
    "setback_m",
    "parcel_id",
    "distance_m",
    "local_height_m",
    "remedy",
)
PANELS_COLUMNS = (
    "line_id",
    "parcel_id",
    "option",
    "panel",
    "from_m",
    "to_m",
    "length_m",
    "height_m",
    "governed_by",
    "recommended",
)
PLANNED_GATES_COLUMNS = (
    "gate_id",
    "line_id",
    "parcel_id",
    "option",
    "gate",
    "station_m",
    "width_m",
    "swing",
    "swing_deg",
    "placed",
    "agree_on_site",
    "recommended",
    "reason",
)
REJECTED_COLUMNS = ("layer", "row", "reason", "geometry_text")

_UNIT_WORDS = {"_ft": "feet", "_in": "inches", "_m": "metres", "_mm": "millimetres"}
_SIGNS = {"_ft": "ft", "_in": "in", "_m": "m", "_mm": "mm"}
_DECIMALS = {"_ft": 1, "_in": 2, "_m": 2, "_mm": 1}
"""A tape is read to the tenth of a foot; openings need the hundredth of an inch (common practice, no source)."""

_SMALL = ("height", "opening", "burial", "roll_width", "setback", "rail", "panel")
"""Stems (or their ends) shown in inches; a foothold's `distance` too, because it is held against its setback."""

_TEXT, _NUMBER, _COUNT, _YES_NO = "string", "number", "integer", "boolean"

_MEANINGS: dict[str, tuple[str, str, str]] = {
    "parcel_id": (_TEXT, "Lot", "The lot's number in the parcel layer."),
    "exposure": (
        _NUMBER,
        "Exposure",
        "How exposed the lot is to rattlesnakes, from 0 (least) to 100 (most): the sum of the points of its parts.",
    ),
    "exposure_rank": (
        _COUNT,
        "Exposure rank",
        "Place of the lot by exposure: 1 is the most exposed; equal scores share a place.",
    ),
    "rank_low": (_COUNT, "Rank, best case", "Highest place of the lot in 9 of 10 draws of what is uncertain."),
    "rank_high": (_COUNT, "Rank, worst case", "Lowest place that the lot takes in 9 of 10 draws."),
    "rank_group": (_COUNT, "Rank group", "Lots of one group can't be told apart from the first of it."),
    "rank_note": (_TEXT, "How sure the rank is", "The interval of the rank, and how many lots can't be told apart."),
    "top_probability": (_NUMBER, "Chance to be in the top", "Share of draws with the lot among the most exposed."),
    "exposure_reason": (_TEXT, "Exposure, why", "What was measured, the largest part of the score first."),
    "decay": (_NUMBER, "Decay length", "Distance at which nearness falls to 37 %, from published home ranges."),
    "desert_cost": (_NUMBER, "Way from desert", "Least cost of the way to the yard, in lengths of natural ground."),
    "wash_cost": (_NUMBER, "Way from a wash", "Least cost of the way to the yard, in lengths of natural ground."),
    "habitat_share": (_NUMBER, "Habitat around", "Share of the ground around that is habitat, near ground first."),
    "verdict": (_TEXT, "Verdict", f"What is advised for the lot: {', '.join(VERDICTS[:-1])} or {VERDICTS[-1]}."),
    "reason": (_TEXT, "Reason", "Why, in a sentence."),
    "option": (_TEXT, "Line", "Which line: along the lot line, around the yard, or around the house."),
    "kind": (_TEXT, "Kind", "What it is; for a line: new, retrofit (mesh on what stands there) or existing."),
    "length": (_NUMBER, "Length", "Length of the line, measured along it."),
    "height": (_NUMBER, "Height", "Height above the ground; for a barrier, straight up on the snake's side."),
    "mesh_opening": (_NUMBER, "Mesh opening", "Widest opening that the mesh may have."),
    "burial": (_NUMBER, "Burial", "Depth of the mesh below the ground."),
    "roll_width": (_NUMBER, "Roll width", "Width of the mesh roll to order: height and burial together."),
    "posts": (
        _COUNT,
        "Posts",
        "Number of posts along the line, corners and ends included; gates have 2 posts more each.",
    ),
    "corners": (_COUNT, "Corners", "Number of corners of the line."),
    "gates": (_COUNT, "Gates", "Number of gates in the line; each needs a sweep and a hard sill."),
    "ways_in": (_COUNT, "Ways in", "Number of openings that must be sealed before the line is closed."),
    "footholds_to_clear": (
        _COUNT,
        "Footholds to clear",
        "Number of climbable things too near the line: take inside, move, trim, or raise the line there.",
    ),
    "footholds_in_conflict": (_COUNT, "Footholds in conflict", "Number of climbable things too near this line."),
    "cost_low": (_NUMBER, "Cost, low", "Low estimate in the price list's currency."),
    "cost_likely": (_NUMBER, "Cost, likely", "Likely cost in the price list's currency."),
    "cost_high": (_NUMBER, "Cost, high", "High estimate in the price list's currency."),
    "surface_length": (_NUMBER, "Length on the ground", "Length of the line laid on the ground, for materials."),
    "highest_panel": (
        _NUMBER,
        "Highest panel",
        "Height of the line's highest panel if nothing near it is cleared and the ground stays as it is.",
    ),
    "raised_length": (_NUMBER, "Raised length", "Length of panels above the specified height if nothing is cleared."),
    "from": (_NUMBER, "From", "Where the panel begins, measured along the line."),
    "to": (_NUMBER, "To", "Where the panel ends, measured along the line."),
    "panel": (_COUNT, "Panel", "Number of the panel on its line."),
    "governed_by": (_TEXT, "Governed by", "The climbable thing that asks for the height, or the ground."),
    "gate_id": (_TEXT, "Gate number", "The planned gate's own number."),
    "gate": (_COUNT, "Gate", "Number of the gate on its line."),
    "station": (_NUMBER, "Station", "Where it is, measured along the line."),
    "width": (_NUMBER, "Width", "Clear width."),
    "swing": (_TEXT, "Swings", "in: into the protected side; out: away from it, where a pool lies within."),
    "swing_deg": (_NUMBER, "Way of the leaf", "Direction of the open leaf, degrees clockwise from north."),
    "placed": (_TEXT, "Placed", "By which part of the rule: existing gate, street side, other side."),
    "agree_on_site": (_YES_NO, "Agree on site", "No place along the line meets the rule for gates."),
    "line_id": (_TEXT, "Line number", "The line's own number."),
    "recommended": (_YES_NO, "Recommended", "Whether this is the line that is advised."),
    "opening": (_NUMBER, "Opening", "Widest clear opening."),
    "remedy": (_TEXT, "Remedy", "What would mend it."),
    "foothold_id": (_TEXT, "Foothold", "The climbable thing's own number."),
    "setback": (_NUMBER, "Setback", "Least distance that the line must keep from it."),
    "distance": (_NUMBER, "Distance", "Distance between it and the line."),
    "local_height": (_NUMBER, "Local height", "Height that the barrier needs beside it if it stays."),
    "layer": (_TEXT, "Layer", "The layer that the row came from."),
    "row": (_COUNT, "Row", "The row's place in that layer, counted from 1."),
    "geometry_text": (_TEXT, "Geometry as text", "What was found where a geometry was expected."),
}
UNUSABLE = "where the outline of the lot can't be used"
NO_LINE = "where nothing is built or mended on the lot"
NOT_NEW = "where no new line is built on the lot"
NOTHING_THERE = "where nothing stands or is built on the lot"
NO_BID = "until the bid prices the lots"
NOT_MEASURED = "where the layer that tells it is not given or holds nothing near"

_BLANK_WHERE: dict[str, str] = {
    "option": NOTHING_THERE,
    **dict.fromkeys(("length", "height", "mesh_opening", "burial"), NO_LINE),
    **dict.fromkeys(("roll_width", "surface_length", "highest_panel"), NOT_NEW),
    **dict.fromkeys(("cost_low", "cost_likely", "cost_high"), NO_BID),
    **dict.fromkeys(("exposure", "exposure_rank", "contact", "contact_share", "habitat_share"), UNUSABLE),
    **dict.fromkeys(("points_contact", "points_desert", "points_habitat", "points_footholds"), UNUSABLE),
    **dict.fromkeys(("points_encounters", "points_attractants", "foothold_density", "encounter_density"), UNUSABLE),
    **dict.fromkeys(("desert_distance", "wash_distance", "habitat_distance", "cover_share"), NOT_MEASURED),
    **dict.fromkeys(("points_wash", "points_cover"), NOT_MEASURED),
}
"""Where a column of the specs is blank, in the words that follow "Blank"; no other column of them ever is."""

_COST_DECIMALS = 2
_SCORE_DECIMALS = 1


class ColumnMeaning(NamedTuple):
    """One column of a result: its name, heading, unit, meaning, kind and decimals shown (None: as it is)."""

    name: str
    title: str
    unit: str
    meaning: str
    type: str
    decimals: int | None

    @property
    def heading(self) -> str:
        """The title with its unit, as a table's head shows it."""
        return f"{self.title} ({self.unit})" if self.unit else self.title


def shown_name(column: str, *, units: str = "us") -> str:
    """Name a working column as it is shown: `_m` becomes `_ft` or `_in`, or `_m` or `_mm` in metric units.

    Lengths are shown in feet (metres), small measures such as heights and openings in inches (millimetres); common
    practice of the fencing trade, no source. Any other name stays as it is.

    Parameters
    ----------
    column : str
        Name of a column of a working table.
    units : str
        `us` or `metric`.

    Returns
    -------
    str

    Raises
    ------
    OutputError
        If `units` is neither.

    Examples
    --------
    >>> shown_name("length_m"), shown_name("height_m"), shown_name("height_m", units="metric")
    ('length_ft', 'height_in', 'height_mm')
    """
    if units not in UNITS:
        raise OutputError(f"units are {units!r}", where="units", mend="write 'us' or 'metric'")
    if not column.endswith("_m"):
        return column
    stem = column.removesuffix("_m")
    small = stem == "distance" or any(stem == end or stem.endswith(f"_{end}") for end in _SMALL)
    suffix = ("_in" if small else "_ft") if units == "us" else ("_mm" if small else "_m")
    return stem + suffix


def explain_column(name: str) -> ColumnMeaning:
    """Explain a shown column: heading, unit, meaning, kind and decimals.

    A column of another step, unknown here, gets a heading from its name and its unit from its suffix.

    Parameters
    ----------
    name : str
        Name of a column as shown, such as `length_ft`.

    Returns
    -------
    ColumnMeaning

    Examples
    --------
    >>> explain_column("height_in").heading
    'Height (inches)'
    >>> explain_column("points_wash").meaning
    "Points of the exposure score that come from 'wash'."
    """
    stem, suffix = _split_unit(name)
    if stem.startswith("points_"):
        part = stem.removeprefix("points_").replace("_", " ")
        meaning = f"Points of the exposure score that come from {part!r}."
        return ColumnMeaning(name, f"Exposure from {part}", "points", meaning, _NUMBER, _SCORE_DECIMALS)
    kind, title, meaning = _MEANINGS.get(stem, ("", _as_title(stem), "Added by another step."))
    decimals = _DECIMALS.get(suffix)
    if stem.startswith("cost_"):
        decimals = _COST_DECIMALS
    elif stem == "exposure":
        decimals = _SCORE_DECIMALS
    unit = "points of 100" if stem == "exposure" else _UNIT_WORDS.get(suffix, "")
    return ColumnMeaning(name, title, unit, meaning, kind or (_NUMBER if suffix else ""), decimals)


def blank_where(name: str) -> str:
    """Say where a shown column of the specs is blank; an empty text for one that never is.

    Examples
    --------
    >>> blank_where("roll_width_in"), blank_where("verdict")
    ('where no new line is built on the lot', '')
    """
    return _BLANK_WHERE.get(_split_unit(name)[0], "")


def unit_sign(name: str) -> str:
    """Return the short sign of a shown column's unit, or an empty text.

    Examples
    --------
    >>> unit_sign("length_ft")
    'ft'
    """
    return _SIGNS.get(_split_unit(name)[1], "")


def _split_unit(name: str) -> tuple[str, str]:
    for suffix in ("_ft", "_in", "_mm", "_m"):
        if name.endswith(suffix) and name != "ways_in":
            return name.removesuffix(suffix), suffix
    return name, ""


def _as_title(stem: str) -> str:
    words = stem.replace("_", " ").strip()
    return words[:1].upper() + words[1:]
