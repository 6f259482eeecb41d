"""Build one page of the map from the plan's tables: the whole site's, or one part's of a site too large for a page."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import shapely
from pyproj import Geod

from geotools.errors import OutputError
from geotools.outputs.columns import (
    BARRIER_LINES_COLUMNS,
    FOOTHOLDS_COLUMNS,
    SPECS_COLUMNS,
    VERDICTS,
    WAYS_IN_COLUMNS,
)
from geotools.outputs.display import clean_text, show_table
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
from geotools.outputs.map_page import Frame, PageText, render_page
from geotools.outputs.map_relief import draw_relief

if TYPE_CHECKING:
    from collections.abc import Mapping

    import geopandas as gpd
    import pandas as pd
    from numpy.typing import NDArray

    from geotools.outputs.map_relief import Relief
    from geotools.rasters import Raster

__all__ = [
    "UNITS_NOTES",
    "Look",
    "Place",
    "Site",
    "build_page",
    "encode_layers",
    "frame_of",
    "place_table",
    "start_content",
    "sum_up",
]

_PAGE_CRS = "EPSG:3857"
_ELLIPSOID = Geod(ellps="WGS84")
UNITS_NOTES = {
    "us": "Lengths in feet; heights, openings and depths in inches; exposure in points of 100.",
    "metric": "Lengths in metres; heights, openings and depths in millimetres; exposure in points of 100.",
}
_COLUMNS: dict[str, tuple[str, ...]] = {
    "lots": SPECS_COLUMNS,
    "barrier_lines": BARRIER_LINES_COLUMNS,
    "ways_in": WAYS_IN_COLUMNS,
    "footholds": FOOTHOLDS_COLUMNS,
    "planned_gates": ("parcel_id", "station_m", "width_m", "placed", "agree_on_site"),
}
_MEANINGS = {
    **SHARE_MEANINGS,
    "station_ft": ("Along the line", "Where the gate stands, measured along its line from the line's beginning."),
    "station_m": ("Along the line", "Where the gate stands, measured along its line from the line's beginning."),
    "width_ft": ("Width", "Clear width of the gate."),
    "width_m": ("Width", "Clear width of the gate."),
}
"""Titles and meanings of columns that only the map shows."""
_LINE_EXTRAS = ("posts", "corners")
_MARGIN = 0.25
"""Share of the site's width and height that the shaded ground reaches beyond it."""
_DRAW_ORDER = (
    *("open_desert", "wash_ground", "roads", "lots", "buildings", "parts"),
    *("candidate_", "wall_", "advised_", "routes", "footholds", "planned_gates", "ways_in"),
)
"""Lowest first."""


class Site(NamedTuple):
    """What a map shows: tables with shapes by name, the page of the sheets of each lot, and tables without shapes."""

    tables: Mapping[str, gpd.GeoDataFrame]
    sheet_pages: NDArray[np.int64]
    elevation: Raster | None = None
    shares: gpd.GeoDataFrame | None = None
    frontier: pd.DataFrame | None = None
    budget_choices: pd.DataFrame | None = None


class Look(NamedTuple):
    """Title, `us` or `metric`, name of the sheets' file, address of online tiles and whom to credit for them."""

    title: str
    units: str
    sheets: str = ""
    tiles: str = ""
    tiles_credit: str = ""


class Place(NamedTuple):
    """Where a page stands in a map of several: the page of the whole site, this page's number, how many, all lots."""

    overview: str
    files: tuple[str, ...]
    number: int
    lots_in_all: int


def build_page(site: Site, notes: tuple[str, ...] = (), *, look: Look, place: Place | None = None) -> str:
    """Build the page of all lots that it is given.

    Parameters
    ----------
    site : Site
        Tables in one projected CRS, lengths in metres.
    notes : tuple of str
        What was left out.
    look : Look
    place : Place, optional
        Of a page that shows a part.

    Returns
    -------
    str
        HTML.

    Examples
    --------
    >>> build_page(site, look=Look("Plan", "us"))  # doctest: +SKIP
    """
    placed = {name: place_table(table) for name, table in site.tables.items()}
    if "closure" in placed:
        placed["closure"] = _by_lot(placed["closure"], placed["lots"].table)
    bounds, relief = frame_of(placed["lots"], site.elevation)
    content = start_content(bounds, relief)
    origin = content["origin"]
    lot_part, schemes = lot_layer(placed["lots"], origin)
    line_groups, lines = line_layers(placed["barrier_lines"], origin)
    mark_entries, marks = mark_layers(placed, origin)
    ground_entries, ground = ground_layers(placed, origin, see_through=relief is not None)
    groups = [
        *class_legend(placed["lots"].table),
        *line_groups[:1],
        LegendGroup("To put right and to build", "", tuple(mark_entries)),
        *line_groups[1:],
        LegendGroup("Ground", "", tuple(ground_entries)),
    ]
    shown = {
        name: show_table(table, columns=_COLUMNS[name], units=look.units)
        for name, table in site.tables.items()
        if name in _COLUMNS
    }
    if site.shares is not None:
        shown["lots"] = add_shares(shown["lots"], site.shares)
    content |= {
        "layers": encode_layers([lot_part, *lines, *marks, *ground]),
        "schemes": schemes,
        "tables": _encode_tables(shown),
        "table_columns": _table_columns(shown["lots"]),
        "sheets": {"file": look.sheets, "pages": pack_unsigned(site.sheet_pages)} if look.sheets else None,
        "frontier": encode_frontier(site.frontier, shown["lots"]["parcel_id"].astype(str).tolist(), site.budget_choices)
        if site.frontier is not None
        else None,
        "overview": place.overview if place else None,
        "lots_in_all": place.lots_in_all if place else len(shown["lots"]),
    }
    title = clean_text(look.title) or ""
    text = PageText(
        f"{title}, part {place.number} of {len(place.files)}" if place else title,
        sum_up(shown["lots"]),
        UNITS_NOTES[look.units],
        notes,
        look.tiles_credit,
        links=_links(place) if place else (),
    )
    return render_page([group for group in groups if group.entries], content, text, Frame(bounds, relief, look.tiles))


def place_table(table: gpd.GeoDataFrame) -> Placed:
    """Bring a table's shapes into the page's projection; None where there is nothing to draw.

    Examples
    --------
    >>> place_table(lots)  # doctest: +SKIP
    """
    shapes = np.asarray(table.geometry.to_crs(_PAGE_CRS).array, dtype=object)
    shapes[shapely.is_empty(shapes)] = None
    return Placed(table, np.asarray(shapely.force_2d(shapes), dtype=object))


def frame_of(lots: Placed, elevation: Raster | None) -> tuple[tuple[float, float, float, float], Relief | None]:
    """Bounds of the lots in the page's projection, and the shaded ground about them.

    Raises
    ------
    OutputError
        If no lot has a geometry.

    Examples
    --------
    >>> frame_of(place_table(lots), None)  # doctest: +SKIP
    """
    west, south, east, north = (float(end) for end in np.round(shapely.total_bounds(lots.shapes), 2))
    if not np.isfinite([west, south, east, north]).all():
        raise OutputError("no lot has a geometry", where="lots", mend="check the parcel layer with 'bajada check'")
    bounds = (west, south, east, north)
    across, up = _MARGIN * (east - west) + 1, _MARGIN * (north - south) + 1
    wide = (west - across, south - up, east + across, north + up)
    return bounds, draw_relief(elevation, wide) if elevation is not None else None


def start_content(bounds: tuple[float, float, float, float], relief: Relief | None) -> dict[str, Any]:
    """Begin what the page's scripts read: where it lies, and what its rows are called.

    Examples
    --------
    >>> start_content((0.0, 0.0, 9.0, 9.0), None)["origin"]
    (4.0, 4.0)
    """
    return {
        "origin": (float(np.round((bounds[0] + bounds[2]) / 2)), float(np.round((bounds[1] + bounds[3]) / 2))),
        "unit_m": UNIT_M,
        "bounds": bounds,
        "north_share": _north_share(bounds),
        "relief": relief.bounds if relief else None,
        "key": "parcel_id",
        "one": "lot",
        "many": "lots",
    }


def encode_layers(layers: list[MapLayer]) -> list[dict[str, Any]]:
    """Put layers into the order in which they are drawn.

    Examples
    --------
    >>> [layer["id"] for layer in encode_layers([MapLayer("lots", {}, {}), MapLayer("roads", {}, {})])]
    ['roads', 'lots']
    """
    return [layer._asdict() for layer in sorted(layers, key=lambda layer: _floor_of(layer.id))]


def sum_up(shown: pd.DataFrame) -> str:
    """Count the lots by verdict, in words.

    Examples
    --------
    >>> import pandas as pd
    >>> sum_up(pd.DataFrame({"verdict": ["build", "not needed", "build"]}))
    '3 lots: 1 not needed, 2 build'
    """
    counts = shown["verdict"].value_counts()
    parts = [f"{counts[verdict]:,} {verdict}" for verdict in VERDICTS if verdict in counts]
    return f"{len(shown):,} lots" + (f": {', '.join(parts)}" if parts else "")


def _floor_of(name: str) -> int:
    return next(number for number, floor in enumerate(_DRAW_ORDER) if name.startswith(floor))


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


def _links(place: Place) -> tuple[tuple[str, str], ...]:
    """Ways to the whole site and to the parts before and after."""
    links = [(place.overview, "Whole site")]
    if place.number > 1:
        links.append((place.files[place.number - 2], f"Part {place.number - 1}"))
    if place.number < len(place.files):
        links.append((place.files[place.number], f"Part {place.number + 1}"))
    return tuple(links)


def _encode_tables(shown: Mapping[str, pd.DataFrame]) -> dict[str, Any]:
    tables = {
        name: encode_table(table, columns=_line_columns(table) if name == "barrier_lines" else ())
        for name, table in shown.items()
    }
    for name in ("lots", "planned_gates"):
        for field in tables.get(name, {"fields": []})["fields"]:
            if field["name"] in _MEANINGS:
                field["title"], field["meaning"] = _MEANINGS[field["name"]]
    return tables


def _line_columns(lines: pd.DataFrame) -> list[str]:
    return [*map(str, lines.columns[: len(BARRIER_LINES_COLUMNS)]), *_LINE_EXTRAS]


def _table_columns(shown: pd.DataFrame) -> list[str]:
    """Columns of the table beside the map; the last is the money where there is any."""
    length = next(name for name in map(str, shown.columns) if name in ("length_ft", "length_m"))
    costs = [name for name in ("cost_share", "cost_likely") if name in shown and shown[name].notna().any()]
    return ["parcel_id", "exposure", "verdict", length, costs[0] if costs else "ways_in"]
