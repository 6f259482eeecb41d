"""Say of every column of specs.csv that can be blank when it is."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable

    import pandas as pd

Rule = tuple[str, "Callable[[pd.DataFrame], pd.Series]"]


def unusable(specs: pd.DataFrame) -> pd.Series:
    return specs["reason"].str.startswith("The outline of the parcel can't be used")


def no_line(specs: pd.DataFrame) -> pd.Series:
    return ~specs["verdict"].isin(["build", "retrofit"])


def not_new(specs: pd.DataFrame) -> pd.Series:
    return specs["verdict"] != "build"


def nothing_there(specs: pd.DataFrame) -> pd.Series:
    return ~specs["verdict"].isin(["build", "retrofit", "already sound"])


def any_lot(specs: pd.DataFrame) -> pd.Series:
    return specs["verdict"].notna()


UNUSABLE: Rule = ("the outline of the lot can't be used", unusable)
NO_LINE: Rule = ("nothing is built or mended on the lot", no_line)
NOT_NEW: Rule = ("no new line is built on the lot", not_new)
NO_BID: Rule = ("only the bid prices the lots", any_lot)
NOT_MEASURED: Rule = ("the layer that tells it is not given or is empty there", any_lot)

BLANK: dict[str, Rule] = {
    "exposure": UNUSABLE,
    "exposure_rank": UNUSABLE,
    "option": ("nothing stands or is built on the lot", nothing_there),
    **dict.fromkeys(("length_ft", "height_in", "mesh_opening_in", "burial_in"), NO_LINE),
    **dict.fromkeys(("roll_width_in", "surface_length_ft", "highest_panel_in"), NOT_NEW),
    **dict.fromkeys(("cost_low", "cost_likely", "cost_high"), NO_BID),
    **dict.fromkeys(("contact_ft", "contact_share", "habitat_share"), UNUSABLE),
    **dict.fromkeys(("points_contact", "points_desert", "points_habitat"), UNUSABLE),
    **dict.fromkeys(("points_footholds", "points_encounters", "points_attractants"), UNUSABLE),
    **dict.fromkeys(("foothold_density", "encounter_density"), UNUSABLE),
    **dict.fromkeys(("desert_distance_ft", "wash_distance_ft", "habitat_distance_ft"), NOT_MEASURED),
    **dict.fromkeys(("cover_share", "points_wash", "points_cover"), NOT_MEASURED),
}
"""Column to when it is blank, in words and as a rule over the table; no other column is ever blank."""


def unexplained(specs: pd.DataFrame) -> list[str]:
    """List blank cells that no rule explains, and numbers that are infinite."""
    found = []
    for column in specs.columns:
        blank = specs[column].isna()
        allowed = BLANK[column][1](specs) if column in BLANK else blank & False
        if (blank & ~allowed).any():
            found.append(f"{column} is blank for {specs.loc[blank & ~allowed, 'parcel_id'].tolist()}")
        if specs[column].isin([float("inf"), float("-inf"), "inf", "nan", "<NA>", "None", "NaT"]).any():
            found.append(f"{column} holds what is no number")
    return found
