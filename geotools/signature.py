"""Words that a step's signature may use beside plain types."""

from __future__ import annotations

from typing import Annotated

import geopandas as gpd

__all__ = ["ALL_LOTS", "AllLots"]

ALL_LOTS = "all lots at once"
"""Mark of a table that a step must be given whole, because it holds lots against each other."""

AllLots = Annotated[gpd.GeoDataFrame, ALL_LOTS]
"""A table of which a step must have all lots at once: a run in tiles does such a step when all tiles are done."""
