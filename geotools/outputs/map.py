"""Draw the map: lots by exposure or verdict, the lines that are advised, and what stands in their way."""

from __future__ import annotations

import warnings
from pathlib import Path
from typing import TYPE_CHECKING, Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from pyproj import Geod

from geotools.errors import Noticed, OutputError
from geotools.outputs.columns import (
    BARRIER_LINES_COLUMNS,
    FOOTHOLDS_COLUMNS,
    SPECS_COLUMNS,
    VERDICTS,
    WAYS_IN_COLUMNS,
)
from geotools.outputs.display import check_same_crs, clean_text, show_table
from geotools.outputs.map_budget import SHARE_MEANINGS, add_shares, encode_frontier
from geotools.outputs.map_encode import UNIT_M, encode_table, pack_unsigned
from geotools.outputs.map_layers import (
    LegendGroup,
    MapLayer,
    Placed,
    class_legend,
    ground_layers,
    line_layers,
    lot_layer,
    mark_layers,
)
from geotools.outputs.map_page import Frame, PageText, check_sheets, render_page
from geotools.outputs.map_relief import draw_relief
from geotools.rasters import Raster

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

__all__ = ["draw_map"]

_PAGE_CRS = "EPSG:3857"
_ELLIPSOID = Geod(ellps="WGS84")
_UNITS_NOTES = {
    "us": "Lengths in feet; heights, openings and depths in inches; exposure in points of 100.",
    "metric": "Lengths in metres; heights, openings and depths in millimetres; exposure in points of 100.",
}
_COLUMNS = {
    "lots": SPECS_COLUMNS,
    "barrier_lines": BARRIER_LINES_COLUMNS,
    "ways_in": WAYS_IN_COLUMNS,
    "footholds": FOOTHOLDS_COLUMNS,
}
_ON_SHEETS = ("build", "retrofit", "do not build")
_LINE_EXTRAS = ("posts", "corners")
_MARGIN = 0.25
"""Share of the site's width and height that the shaded ground reaches beyond it."""
_DRAW_ORDER = (
    *("open_desert", "wash_ground", "roads", "lots", "buildings"),
    *("candidate_", "wall_", "advised_", "routes", "footholds", "ways_in"),
)
"""Lowest first."""


def draw_map(
    lots: gpd.GeoDataFrame,
    barrier_lines: gpd.GeoDataFrame,
    ways_in: gpd.GeoDataFrame | None = None,
    wash_ground: gpd.GeoDataFrame | None = None,
    open_desert: gpd.GeoDataFrame | None = None,
    footholds: gpd.GeoDataFrame | None = None,
    buildings: gpd.GeoDataFrame | None = None,
    roads: gpd.GeoDataFrame | None = None,
    closure: gpd.GeoDataFrame | None = None,
    elevation: Raster | None = None,
    shares: gpd.GeoDataFrame | None = None,
    frontier: pd.DataFrame | None = None,
    *,
    path: Path,
    title: str = "Rattlesnake barrier plan",
    units: str = "us",
    sheets: str = "",
    every_lot: bool = False,
    tiles: str = "",
    tiles_credit: str = "",
    most_lots_count: int = 60_000,
    most_candidates_count: int = 2_000,
) -> None:
    """Write the map as one HTML file that opens without a network.

    Lots are drawn in five equal classes of exposure (20 points each) or by verdict, beside a table that sorts and
    filters. Every text of the data is shown as text. A foothold is drawn where it stands nearer to a line than its
    setback.

    Parameters
    ----------
    lots : geopandas.GeoDataFrame, one row a parcel
        Working columns of the specs, lengths in metres; `points_*` columns are the parts of the exposure score.
    barrier_lines, ways_in, footholds : geopandas.GeoDataFrame
        Working tables in the same projected CRS.
    wash_ground, open_desert, buildings, roads : geopandas.GeoDataFrame, optional
        What the map shows beside them; geometry only.
    closure : geopandas.GeoDataFrame, optional
        parcel_id and the way in as a line, from `prove_closure`.
    elevation : Raster, optional
        Terrain to shade the ground with.
    shares : geopandas.GeoDataFrame, optional
        What each lot pays of a common barrier, from `share_costs`.
    frontier : pandas.DataFrame, optional
        Protection against cost, from `trace_frontier`: gives the map a budget slider.
    path : pathlib.Path
        The file to write.
    title : str
        Title of the page.
    units : str
        `us` (feet and inches) or `metric` (metres and millimetres).
    sheets : str
        Name of the sheets' PDF in the same folder, to which each lot's card links; empty for none.
    every_lot : bool
        Whether the sheets were written with a page for every lot.
    tiles : str
        Address template of online tiles, such as https://host/{z}/{x}/{y}.png; empty for none.
    tiles_credit : str
        Whom to credit for the tiles.
    most_lots_count : int
        Of more lots the most exposed ones are drawn, and that is said (measured: more take a browser too long).
    most_candidates_count : int
        With more lots than this, lines that are not advised are left out, and that is said.

    Raises
    ------
    CrsError
        If a table has no projected CRS in metres, or another one than the lots.
    OutputError
        If no lot has a geometry, a column is missing or holds what can't be shown, the sheets' or tiles' address can't
        be used, or the file can't be written.

    Examples
    --------
    >>> draw_map(lots, lines, path=Path("map.html"))  # doctest: +SKIP
    """
    check_sheets(sheets)
    given = {
        "lots": lots,
        "barrier_lines": barrier_lines,
        "ways_in": ways_in,
        "footholds": footholds,
        "closure": closure,
        "open_desert": open_desert,
        "wash_ground": wash_ground,
        "roads": roads,
        "buildings": buildings,
    }
    present = {name: table for name, table in given.items() if table is not None}
    check_same_crs(present)
    present, notes = _keep_within(present, most_lots_count, most_candidates_count)
    placed = {name: Placed(table, _to_page(table)) for name, table in present.items()}
    bounds = _bounds(placed["lots"].shapes)
    origin = (float(np.round((bounds[0] + bounds[2]) / 2)), float(np.round((bounds[1] + bounds[3]) / 2)))
    if "closure" in placed:
        placed["closure"] = _by_lot(placed["closure"], placed["lots"].table)
    relief = draw_relief(elevation, _widen(bounds)) if elevation is not None else None
    lot_part, schemes = lot_layer(placed["lots"], origin)
    candidates = len(placed["lots"].table) <= most_candidates_count
    line_groups, lines = line_layers(placed["barrier_lines"], origin, candidates=candidates)
    mark_entries, marks = mark_layers(placed, origin)
    ground_entries, ground = ground_layers(placed, origin, see_through=relief is not None)
    groups = [
        *class_legend(placed["lots"].table),
        *line_groups[:1],
        LegendGroup("To put right", "", tuple(mark_entries)),
        *line_groups[1:],
        LegendGroup("Ground", "", tuple(ground_entries)),
    ]
    shown = {
        name: show_table(present[name], columns=_COLUMNS[name], units=units) for name in _COLUMNS if name in present
    }
    if shares is not None:
        shown["lots"] = add_shares(shown["lots"], shares)
    content: dict[str, Any] = {
        "origin": origin,
        "unit_m": UNIT_M,
        "bounds": bounds,
        "north_share": _north_share(bounds),
        "layers": [layer._asdict() for layer in _in_order([lot_part, *lines, *marks, *ground])],
        "schemes": schemes,
        "tables": _encode_tables(shown),
        "table_columns": _table_columns(shown["lots"]),
        "relief": relief.bounds if relief else None,
        "sheets": {"file": sheets, "pages": pack_unsigned(_sheet_pages(lots, present["lots"], every_lot))}
        if sheets
        else None,
        "frontier": encode_frontier(frontier, shown["lots"]["parcel_id"].astype(str).tolist())
        if frontier is not None
        else None,
    }
    page = render_page(
        [group for group in groups if group.entries],
        content,
        PageText(clean_text(title) or "", _sum_up(shown["lots"]), _UNITS_NOTES[units], tuple(notes), tiles_credit),
        Frame(bounds, relief, tiles),
    )
    try:
        path.write_text(page, encoding="utf-8", newline="\n")
    except OSError as error:
        raise OutputError(
            f"the file can't be written ({error})", where=str(path), mend="choose a folder that can be written to"
        ) from error


def _keep_within(
    present: dict[str, gpd.GeoDataFrame], most_lots: int, most_candidates: int
) -> tuple[dict[str, gpd.GeoDataFrame], list[str]]:
    """Leave out what would make the page too large, and say so."""
    lots, lines = present["lots"], present["barrier_lines"]
    kept, notes = dict(present), []
    if len(lots) > most_lots:
        order = np.argsort(-lots["exposure"].astype("Float64").to_numpy(dtype=float, na_value=-1.0), kind="stable")
        chosen = lots.iloc[np.sort(order[:most_lots])]
        text = (
            f"Only the {most_lots:,} most exposed of {len(lots):,} lots are drawn, without buildings: "
            "run parts of the site for the rest."
        )
        warnings.warn(f"map: {text}", Noticed, stacklevel=3)
        notes.append(text)
        ids = {*chosen["parcel_id"].astype(str), "", "None", "nan"}
        for name in ("barrier_lines", "ways_in", "footholds"):
            if name in kept:
                kept[name] = kept[name][kept[name]["parcel_id"].astype(str).isin(ids)]
        kept["lots"] = chosen
        kept.pop("buildings", None)
        lines = kept["barrier_lines"]
    if len(lots) > most_candidates:
        advised = lines["recommended"].astype("boolean").fillna(False).to_numpy(dtype=bool)
        standing = lines["option"].isin(["sound wall", "wall to mend"]).to_numpy()
        if not (advised | standing).all():
            notes.append(
                f"Lines that are not advised are left out of a map of more than {most_candidates:,} lots; "
                "lots.gpkg has them."
            )
        kept["barrier_lines"] = lines[advised | standing]
    return kept, notes


def _sheet_pages(lots: gpd.GeoDataFrame, drawn: gpd.GeoDataFrame, every_lot: bool) -> NDArray[np.int64]:
    """Pages of the drawn lots in the sheets, 0 for none: a key plan and the index stand in front."""
    from geotools.outputs.sheet_page import index_page_count

    has_shape = ~(lots.geometry.isna() | lots.geometry.is_empty).to_numpy()
    on_sheets = has_shape & (every_lot | lots["verdict"].isin(_ON_SHEETS).to_numpy())
    first = 2 + index_page_count(int(on_sheets.sum()))
    pages = np.where(on_sheets, first + np.cumsum(on_sheets) - 1, 0)
    return np.asarray(pages[lots.index.get_indexer(drawn.index)], dtype=np.int64)


def _to_page(table: gpd.GeoDataFrame) -> NDArray[np.object_]:
    """Geometries in the page's projection; None where there is nothing to draw."""
    shapes = np.asarray(table.geometry.to_crs(_PAGE_CRS).array, dtype=object)
    shapes[shapely.is_empty(shapes)] = None
    return np.asarray(shapely.force_2d(shapes), dtype=object)


def _bounds(shapes: NDArray[np.object_]) -> tuple[float, float, float, float]:
    west, south, east, north = np.round(shapely.total_bounds(shapes), 2)
    if not np.isfinite([west, south, east, north]).all():
        raise OutputError("no lot has a geometry", where="lots", mend="check the parcel layer with 'bajada check'")
    return float(west), float(south), float(east), float(north)


def _widen(bounds: tuple[float, float, float, float]) -> tuple[float, float, float, float]:
    west, south, east, north = bounds
    across, up = _MARGIN * (east - west) + 1, _MARGIN * (north - south) + 1
    return west - across, south - up, east + across, north + up


def _north_share(bounds: tuple[float, float, float, float]) -> float:
    """How much less a metre counts northward than eastward at the site: EPSG:3857 takes the ellipsoid for a sphere.

    Radii of curvature of the meridian and the prime vertical, M / N = (1 - e^2) / (1 - e^2 sin^2 latitude) (geometry of
    the ellipsoid).
    """
    latitude = 2 * np.arctan(np.exp((bounds[1] + bounds[3]) / 2 / _ELLIPSOID.a)) - np.pi / 2
    return float(round((1 - _ELLIPSOID.es) / (1 - _ELLIPSOID.es * np.sin(latitude) ** 2), 9))


def _by_lot(closure: Placed, lots: gpd.GeoDataFrame) -> Placed:
    """Bring the ways in into the order of the lots."""
    row_of = {str(name): row for row, name in enumerate(closure.table["parcel_id"])}
    shapes = np.full(len(lots), None, dtype=object)
    for at, name in enumerate(lots["parcel_id"]):
        if str(name) in row_of:
            shapes[at] = closure.shapes[row_of[str(name)]]
    return Placed(closure.table, shapes)


def _in_order(layers: list[MapLayer]) -> list[MapLayer]:
    return sorted(
        layers, key=lambda layer: next(i for i, floor in enumerate(_DRAW_ORDER) if layer.id.startswith(floor))
    )


def _encode_tables(shown: Mapping[str, pd.DataFrame]) -> dict[str, Any]:
    tables = {
        name: encode_table(table, columns=_line_columns(table) if name == "barrier_lines" else ())
        for name, table in shown.items()
    }
    for field in tables["lots"]["fields"]:
        if field["name"] in SHARE_MEANINGS:
            field["title"], field["meaning"] = SHARE_MEANINGS[field["name"]]
    return tables


def _line_columns(lines: pd.DataFrame) -> list[str]:
    return [*map(str, lines.columns[: len(BARRIER_LINES_COLUMNS)]), *_LINE_EXTRAS]


def _table_columns(shown: pd.DataFrame) -> list[str]:
    """Columns of the table beside the map; the last is the money where there is any."""
    length = next(name for name in map(str, shown.columns) if name in ("length_ft", "length_m"))
    costs = [name for name in ("cost_share", "cost_likely") if name in shown and shown[name].notna().any()]
    return ["parcel_id", "exposure", "verdict", length, costs[0] if costs else "ways_in"]


def _sum_up(shown: pd.DataFrame) -> str:
    counts = shown["verdict"].value_counts()
    parts = [f"{counts[verdict]:,} {verdict}" for verdict in VERDICTS if verdict in counts]
    return f"{len(shown):,} lots" + (f": {', '.join(parts)}" if parts else "")
