"""Write layers to a GeoPackage or another kind of file, the same bytes for the same layers."""

from __future__ import annotations

from typing import TYPE_CHECKING

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio

from geotools.errors import OutputError

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

__all__ = ["geometry_type", "writable", "write_geopackage", "write_layers"]

_WRITTEN_ON = "2000-01-01T00:00:00.000Z"  # a fixed date in the file, so that the bytes depend on the layers alone
_FAMILIES = {
    "MultiPolygon": {"Polygon", "MultiPolygon"},
    "MultiLineString": {"LineString", "LinearRing", "MultiLineString"},
    "Point": {"Point"},
    "MultiPoint": {"Point", "MultiPoint"},
}
_OF_LAYER = {"lots": "MultiPolygon", "parcels": "MultiPolygon", "barrier_lines": "MultiLineString"}


def write_geopackage(
    path: Path, layers: Mapping[str, pd.DataFrame], *, geometry_types: Mapping[str, str] | None = None
) -> None:
    """Write layers, in the order given, to a new GeoPackage.

    Polygons and lines are written as their multipart kinds, a layer that mixes kinds as "Unknown"; empty layers keep
    their columns; a table without geometry becomes an attribute table.

    Parameters
    ----------
    path : pathlib.Path
        Replaced if it is there.
    layers : mapping of str to pandas.DataFrame or geopandas.GeoDataFrame
        All geometries in one CRS, stated.
    geometry_types : mapping of str to str, optional
        Layer to its OGC geometry type, where the rows don't tell it (an empty layer).

    Raises
    ------
    OutputError
        If a layer has no CRS, or the file can't be written.
    """
    write_layers(path, layers, driver="GPKG", geometry_types=geometry_types)


def write_layers(
    path: Path,
    layers: Mapping[str, pd.DataFrame],
    *,
    driver: str,
    geometry_types: Mapping[str, str] | None = None,
) -> None:
    """Write layers to a new file with one of the drivers, as `write_geopackage` says.

    Raises
    ------
    OutputError
        If a layer has no CRS, or the file can't be written.
    """
    crs = {frame.crs for frame in layers.values() if isinstance(frame, gpd.GeoDataFrame)}
    if None in crs or len(crs) > 1:
        raise OutputError("the layers are not all in one stated CRS", where=str(path), mend="reproject them first")
    before = pyogrio.get_gdal_config_option("OGR_CURRENT_DATE")
    pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": _WRITTEN_ON})
    try:
        path.unlink(missing_ok=True)
        for name, frame in layers.items():
            if isinstance(frame, gpd.GeoDataFrame):
                wanted = (geometry_types or {}).get(name) or geometry_type(name, frame)
                pyogrio.write_dataframe(
                    writable(frame),
                    path,
                    layer=name,
                    driver=driver,
                    geometry_type=wanted,
                    promote_to_multi=wanted.startswith("Multi"),
                )
            else:
                pyogrio.write_dataframe(writable(frame), path, layer=name, driver=driver)
    except (
        OSError,
        pyogrio.errors.DataSourceError,
        pyogrio.errors.DataLayerError,
        pyogrio.errors.GeometryError,
    ) as error:
        raise OutputError(
            f"the file can't be written ({error})", where=str(path), mend="check folder and space"
        ) from None
    finally:
        pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": before})


def geometry_type(name: str, frame: gpd.GeoDataFrame) -> str:
    """Tell the OGC geometry type that holds all shapes of a layer: multipart where parts may be several.

    Examples
    --------
    >>> geometry_type("lots", gpd.GeoDataFrame(geometry=[]))
    'MultiPolygon'
    """
    kinds = set(frame.geometry.geom_type.dropna())
    if not kinds:
        return _OF_LAYER.get(name, "Unknown")
    return next((family for family, members in _FAMILIES.items() if kinds <= members), "Unknown")


def writable(frame: pd.DataFrame) -> pd.DataFrame:
    """Give columns that hold nothing the kind that their type says, and text where there are only missing values.

    Examples
    --------
    >>> str(writable(pd.DataFrame({"note": [None]}, dtype=object))["note"].dtype)
    'str'
    """
    made = frame.reset_index(drop=True)
    for name in made.columns:
        if isinstance(made, gpd.GeoDataFrame) and name == made.geometry.name:
            continue
        if made[name].dtype == object and not made[name].notna().any():
            made[name] = pd.array([None] * len(made), dtype="str")
        elif made[name].dtype == np.float16:
            made[name] = made[name].astype(np.float32)
    return made
