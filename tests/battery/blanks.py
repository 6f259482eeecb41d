"""Hold blank cells of specs.csv against what its schema says of them."""

from __future__ import annotations

from typing import TYPE_CHECKING

from geotools.outputs import columns

if TYPE_CHECKING:
    from collections.abc import Callable

    import pandas as pd


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


RULES: dict[str, Callable[[pd.DataFrame], pd.Series]] = {
    columns.UNUSABLE: unusable,
    columns.NO_LINE: no_line,
    columns.NOT_NEW: not_new,
    columns.NOTHING_THERE: nothing_there,
    columns.NO_BID: any_lot,
    columns.NOT_MEASURED: any_lot,
}
"""What the toolkit says of blank cells, as a rule over the table."""


def unexplained(specs: pd.DataFrame) -> list[str]:
    """List blank cells that no rule explains, and numbers that are infinite."""
    found = []
    for column in specs.columns:
        blank = specs[column].isna()
        said = columns.blank_where(column)
        allowed = RULES[said](specs) if said else blank & False
        if (blank & ~allowed).any():
            found.append(f"{column} is blank for {specs.loc[blank & ~allowed, 'parcel_id'].tolist()}")
        if specs[column].isin([float("inf"), float("-inf"), "inf", "nan", "<NA>", "None", "NaT"]).any():
            found.append(f"{column} holds what is no number")
    return found
