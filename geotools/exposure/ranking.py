"""Rank lots by their exposure."""

from __future__ import annotations

from typing import TYPE_CHECKING

from geotools.signature import AllLots

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["rank_by", "rank_lots"]


def rank_lots(lots: AllLots) -> AllLots:
    """Rank all lots against each other by their exposure, where they were scored in parts.

    Parameters
    ----------
    lots : GeoDataFrame, n rows
        With `exposure`.

    Returns
    -------
    GeoDataFrame, n rows
        With `exposure_rank` over all of them: 1 is the most exposed, equal scores share a rank.

    Examples
    --------
    >>> import geopandas as gpd
    >>> rank_lots(gpd.GeoDataFrame({"exposure": [20.0, 90.0, 20.0]}))["exposure_rank"].tolist()
    [2, 1, 2]
    """
    return lots.assign(exposure_rank=rank_by(lots["exposure"]))


def rank_by(exposure: pd.Series) -> pd.Series:
    """Give each score its rank: 1 is the highest, equal scores share a rank, a missing one has none.

    Examples
    --------
    >>> import pandas as pd
    >>> rank_by(pd.Series([20.0, None, 90.0])).tolist()
    [2, <NA>, 1]
    """
    return exposure.rank(method="min", ascending=False).astype("Int64")
