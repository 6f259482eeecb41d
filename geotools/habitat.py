"""Map the ground that rattlesnakes come from: open desert and washes."""

from __future__ import annotations

import warnings

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from geotools.errors import Assumed, DesignError, LayerError
from geotools.units import METRES_PER_FOOT, feet_and_inches

__all__ = ["map_habitat", "widen_washes"]


def widen_washes(
    washes: gpd.GeoDataFrame,
    *,
    default_width_m: float = 10 * METRES_PER_FOOT,
    bank_setback_m: float = 5 * METRES_PER_FOOT,
) -> gpd.GeoDataFrame:
    """Give wash lines their width, and every wash the strip along its bank where no line is built.

    Parameters
    ----------
    washes : GeoDataFrame, n rows
        Lines or polygons in a projected CRS in metres, with `width_m` where known.
    default_width_m : float
        Width of a wash line without one (assumption of this project: 10 ft).
    bank_setback_m : float
        Strip along the bank that is kept free of barrier lines (assumption of this project: 5 ft; the erosion setback
        of the local flood control office comes first).

    Returns
    -------
    GeoDataFrame, n rows on the same index
        Polygons of bed and bank strip, with `width_m` and `width_assumed`.

    Raises
    ------
    DesignError
        If a width or the setback is negative.

    Examples
    --------
    >>> wash = gpd.GeoDataFrame({"width_m": [4.0]}, geometry=[shapely.LineString([(0, 0), (100, 0)])], crs=32612)
    >>> widen_washes(wash, bank_setback_m=1.0).total_bounds[[1, 3]].tolist()
    [-3.0, 3.0]
    """
    widths_m = pd.to_numeric(washes["width_m"]).to_numpy(dtype=np.float64, na_value=np.nan)
    if default_width_m < 0 or bank_setback_m < 0 or np.any(widths_m < 0):
        raise DesignError("a wash's width or bank setback is negative", where="washes", mend="give 0 or more")
    lines = shapely.get_dimensions(washes.geometry.to_numpy()) == 1
    assumed = np.isnan(widths_m) & lines
    if assumed.any():
        warnings.warn(
            f"{assumed.sum():,} of {len(assumed):,} washes have no width: "
            f"taken as {feet_and_inches(default_width_m)} wide",
            Assumed,
            stacklevel=2,
        )
    widths_m = np.where(assumed, default_width_m, widths_m)
    grow_m = np.where(lines, widths_m / 2, 0.0) + bank_setback_m
    ground = shapely.buffer(washes.geometry.to_numpy(), grow_m)
    return washes.assign(width_m=widths_m, width_assumed=assumed).set_geometry(
        gpd.GeoSeries(ground, index=washes.index, crs=washes.crs)
    )


def map_habitat(
    open_desert: gpd.GeoDataFrame | None = None, wash_ground: gpd.GeoDataFrame | None = None
) -> gpd.GeoDataFrame:
    """Put open desert and washes into one habitat layer.

    Parameters
    ----------
    open_desert, wash_ground : GeoDataFrame, optional
        Polygons in the same projected CRS; at least one of the two.

    Returns
    -------
    GeoDataFrame
        Polygons with `kind` (open desert, wash).

    Raises
    ------
    LayerError
        If neither layer is given.

    Examples
    --------
    >>> desert = gpd.GeoDataFrame(geometry=[shapely.box(0, 0, 9, 9)], crs=32612)
    >>> map_habitat(desert)["kind"].tolist()
    ['open desert']
    """
    given = {"open desert": open_desert, "wash": wash_ground}
    parts = [
        gpd.GeoDataFrame({"kind": kind}, index=layer.index, geometry=layer.geometry)
        for kind, layer in given.items()
        if layer is not None
    ]
    if not parts:
        raise LayerError(
            "there is no habitat layer",
            where="[inputs]",
            mend="give open_desert, washes or both: exposure is measured from them",
        )
    return gpd.GeoDataFrame(pd.concat(parts, ignore_index=True), geometry="geometry", crs=parts[0].crs)
