"""Say what steps may count on beside plain types: tables of all lots, and rows that keep their number."""

from __future__ import annotations

from typing import Annotated

import geopandas as gpd
import numpy as np
import pandas as pd

__all__ = ["ADDED", "ALL_LOTS", "NUMBER", "AllLots", "ids_of_rows"]

ALL_LOTS = "all lots at once"
"""Mark of a table that a step must be given whole, because it holds lots against each other."""

AllLots = Annotated[gpd.GeoDataFrame, ALL_LOTS]
"""A table of which a step must have all lots at once: a run in tiles does such a step when all tiles are done."""

NUMBER = "number"
"""Column with the number of a row in the whole input layer, from 1, where a run gives it: what ids hang on."""
ADDED = "added"
"""Column that is true for what a field survey found and no layer has."""


def ids_of_rows(table: pd.DataFrame, mark: str) -> list[str]:
    """Name the rows of a layer so that a part of it, or one with rows taken out, has the same names.

    Parameters
    ----------
    table : DataFrame
        With `number`, and `added` where a survey added rows; without, rows are numbered as they lie.
    mark : str
        What the names begin with.

    Returns
    -------
    list of str

    Examples
    --------
    >>> ids_of_rows(pd.DataFrame({"number": [7, 2], "added": [False, True]}), "W")
    ['W00007', 'WN00002']
    """
    numbers = table[NUMBER] if NUMBER in table.columns else range(1, len(table) + 1)
    added = table[ADDED].fillna(False) if ADDED in table.columns else np.zeros(len(table), dtype=bool)
    return [f"{mark}{'N' if new else ''}{int(number):05d}" for number, new in zip(numbers, added, strict=True)]
