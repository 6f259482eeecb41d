"""Put open desert and washes into one layer, which closure is proved against."""

from __future__ import annotations

import geopandas as gpd
import pandas as pd

from geotools.errors import LayerError

__all__ = ["map_habitat"]

_GOOD = 0.5
"""Ground of less quality is not what a barrier is closed against (assumption of this project)."""


def map_habitat(
    open_desert: gpd.GeoDataFrame | None = None,
    wash_ground: gpd.GeoDataFrame | None = None,
    habitat_surface: gpd.GeoDataFrame | None = None,
) -> gpd.GeoDataFrame:
    """Put open desert and washes into one habitat layer.

    Parameters
    ----------
    open_desert, wash_ground : GeoDataFrame, optional
        Polygons in the same projected CRS.
    habitat_surface : GeoDataFrame, optional
        With `kind` and `quality`; its pieces of at least half quality are the habitat where nothing else is given.

    Returns
    -------
    GeoDataFrame
        Polygons with `kind` (open desert, wash, or the kinds of the surface).

    Raises
    ------
    LayerError
        If no layer is given.

    Examples
    --------
    >>> from shapely import box
    >>> desert = gpd.GeoDataFrame(geometry=[box(0, 0, 9, 9)], crs=32612)
    >>> map_habitat(desert)["kind"].tolist()
    ['open desert']
    """
    given = {"open desert": open_desert, "wash": wash_ground}
    parts = [
        gpd.GeoDataFrame({"kind": kind}, index=layer.index, geometry=layer.geometry)
        for kind, layer in given.items()
        if layer is not None
    ]
    if not parts and habitat_surface is not None:
        good = habitat_surface[habitat_surface["quality"] >= _GOOD]
        return gpd.GeoDataFrame(good[["kind", "geometry"]].reset_index(drop=True), geometry="geometry", crs=good.crs)
    if not parts:
        raise LayerError(
            "there is no habitat layer",
            where="[inputs]",
            mend="give open_desert, washes or both: exposure is measured from them",
        )
    return gpd.GeoDataFrame(pd.concat(parts, ignore_index=True), geometry="geometry", crs=parts[0].crs)
