"""Give washes the width of their bed, from what the layer says about them."""

from __future__ import annotations

import warnings
from typing import TYPE_CHECKING

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from geotools.errors import Assumed, DesignError
from geotools.units import METRES_PER_FOOT, write_length

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["widen_washes"]

_REGIME = 2.67
"""Width of a bed in feet = 2.67 sqrt(discharge in cubic feet a second): Lacey's regime formula of 1930, from memory,
made for canals in their own sediment. That a wash is as wide at its 100-year flood is an assumption of this project."""


def widen_washes(
    washes: gpd.GeoDataFrame,
    *,
    units: str = "us",
    default_width_m: float = 10 * METRES_PER_FOOT,
    bank_setback_m: float = 5 * METRES_PER_FOOT,
    width_by_order_m: dict[str, float] | None = None,
) -> gpd.GeoDataFrame:
    """Give wash lines their width, and every wash the strip along its bank where no line is built.

    The width of a line is the first of these that is known: its own `width_m`; by its `stream_order`, where a table
    of widths is given; 2.67 sqrt(`q100_cfs`) feet (Lacey's regime width, from memory; assumption of this project); the
    default.

    Parameters
    ----------
    washes : GeoDataFrame, n rows
        Lines or polygons in a projected CRS in metres, with `width_m`, `stream_order`, `q100_cfs` where known.
    default_width_m : float
        Width of a wash line of which nothing is known (assumption of this project: 10 ft).
    bank_setback_m : float
        Strip along the bank that is kept free of barrier lines (assumption of this project: 5 ft; the erosion setback
        of the local flood control office comes first).
    width_by_order_m : dict of str to float, optional
        Stream order to width, metres.
    units : str
        Units of the texts: `us` or `metric`.

    Returns
    -------
    GeoDataFrame, n rows on the same index
        Polygons of bed and bank strip, with `width_m` and `width_assumed`.

    Raises
    ------
    DesignError
        If a width, a discharge or the setback is negative.

    Examples
    --------
    >>> wash = gpd.GeoDataFrame({"width_m": [4.0]}, geometry=[shapely.LineString([(0, 0), (100, 0)])], crs=32612)
    >>> widen_washes(wash, bank_setback_m=1.0).total_bounds[[1, 3]].tolist()
    [-3.0, 3.0]
    """
    widths_m, flows_cfs = _numbers(washes, "width_m"), _numbers(washes, "q100_cfs")
    orders = {float(order): width_m for order, width_m in (width_by_order_m or {}).items()}
    given_m = [default_width_m, bank_setback_m, *orders.values()]
    if min(given_m) < 0 or np.any(widths_m < 0) or np.any(flows_cfs < 0):
        raise DesignError("a wash's width or bank setback is negative", where="washes", mend="give 0 or more")
    lines = shapely.get_dimensions(washes.geometry.to_numpy()) == 1
    assumed = np.isnan(widths_m) & lines
    if orders:
        of_order_m = _numbers(washes, "stream_order")
        of_order_m = np.array([orders.get(order, np.nan) for order in of_order_m.tolist()], dtype=np.float64)
        widths_m = np.where(assumed & ~np.isnan(of_order_m), of_order_m, widths_m)
        _say(assumed & ~np.isnan(of_order_m), "get their width from their stream order by the table given")
    unknown = np.isnan(widths_m) & lines
    from_flow = unknown & ~np.isnan(flows_cfs)
    widths_m = np.where(from_flow, _REGIME * np.sqrt(flows_cfs) * METRES_PER_FOOT, widths_m)
    _say(from_flow, "get their width from their 100-year flood, by the published regime formula")
    unknown &= ~from_flow
    widths_m = np.where(unknown, default_width_m, widths_m)
    _say(unknown, f"have no width: taken as {write_length(default_width_m, units=units)} wide")
    grow_m = np.where(lines, widths_m / 2, 0.0) + bank_setback_m
    ground = shapely.buffer(washes.geometry.to_numpy(), grow_m)
    return washes.assign(width_m=widths_m, width_assumed=assumed).set_geometry(
        gpd.GeoSeries(ground, index=washes.index, crs=washes.crs)
    )


def _numbers(washes: gpd.GeoDataFrame, name: str) -> NDArray[np.float64]:
    if name not in washes.columns:
        return np.full(len(washes), np.nan)
    return np.asarray(pd.to_numeric(washes[name]).to_numpy(dtype=np.float64, na_value=np.nan))


def _say(which: NDArray[np.bool_], what: str) -> None:
    if which.any():
        warnings.warn(f"{which.sum():,} of {len(which):,} washes {what}", Assumed, stacklevel=3)
