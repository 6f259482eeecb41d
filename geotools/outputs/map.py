"""Draw the map: lots by exposure, the lines that are advised, and what stands in their way."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import geopandas as gpd
import numpy as np
import shapely

from geotools.errors import OutputError
from geotools.outputs.columns import (
    BARRIER_LINES_COLUMNS,
    FOOTHOLDS_COLUMNS,
    SPECS_COLUMNS,
    VERDICTS,
    WAYS_IN_COLUMNS,
    explain_column,
    unit_sign,
)
from geotools.outputs.display import check_same_crs, clean_text, show_table
from geotools.outputs.map_page import LegendGroup, MapLayer, render_page
from geotools.outputs.map_style import (
    EXPOSURE_CLASSES,
    GROUND_STYLES,
    LINE_STYLES,
    MARK_STYLES,
    NO_SCORE,
    OTHER_LINE,
    WALL_STYLES,
    LineStyle,
    candidate_stroke,
    classify_exposure,
    lot_style,
    recommended_stroke,
)

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import pandas as pd
    from numpy.typing import NDArray

__all__ = ["draw_map"]

_LONGITUDE_LATITUDE = "EPSG:4326"
_DECIMALS_DEG = 7
"""About a centimetre on the ground."""
_UNITS_NOTES = {
    "us": "Lengths in feet; heights, openings and depths in inches; exposure in points of 100.",
    "metric": "Lengths in metres; heights, openings and depths in millimetres; exposure in points of 100.",
}
_GROUND_TITLES = {"open_desert": "Open desert", "wash_ground": "Washes", "roads": "Roads", "buildings": "Buildings"}


def draw_map(
    lots: gpd.GeoDataFrame,
    barrier_lines: gpd.GeoDataFrame,
    ways_in: gpd.GeoDataFrame | None = None,
    wash_ground: gpd.GeoDataFrame | None = None,
    open_desert: gpd.GeoDataFrame | None = None,
    footholds: gpd.GeoDataFrame | None = None,
    buildings: gpd.GeoDataFrame | None = None,
    roads: gpd.GeoDataFrame | None = None,
    *,
    path: Path,
    title: str = "Rattlesnake barrier plan",
    units: str = "us",
    tiles: str = "",
    tiles_credit: str = "",
) -> None:
    """Write the map as one HTML file that opens without a network.

    Lots are drawn in five equal classes of exposure (20 points each). Every text of the data is shown as text.
    A foothold is drawn where it stands nearer to a line than its setback.

    Parameters
    ----------
    lots : geopandas.GeoDataFrame, one row a parcel
        Working columns of the specs, lengths in metres; `points_*` columns are the parts of the exposure score.
    barrier_lines, ways_in, footholds : geopandas.GeoDataFrame
        Working tables in the same projected CRS.
    wash_ground, open_desert, buildings, roads : geopandas.GeoDataFrame, optional
        What the map shows beside them; geometry only.
    path : pathlib.Path
        The file to write.
    title : str
        Title of the page.
    units : str
        `us` (feet and inches) or `metric` (metres and millimetres).
    tiles : str
        Address template of online tiles, such as https://host/{z}/{x}/{y}.png; empty for none.
    tiles_credit : str
        Whom to credit for the tiles.

    Raises
    ------
    CrsError
        If a table has no projected CRS in metres, or another one than the lots.
    OutputError
        If no lot has a geometry, a column is missing or holds what can't be shown, or the file can't be written.

    Examples
    --------
    >>> draw_map(lots, lines, path=Path("map.html"))  # doctest: +SKIP
    """
    ground = {"open_desert": open_desert, "wash_ground": wash_ground, "roads": roads, "buildings": buildings}
    given = {"lots": lots, "barrier_lines": barrier_lines, "ways_in": ways_in, "footholds": footholds, **ground}
    present = {name: table for name, table in given.items() if table is not None}
    check_same_crs(present)
    shapes = {name: _to_degrees(table) for name, table in present.items()}
    shown = {
        name: show_table(present[name], columns=columns, units=units)
        for name, columns in (
            ("lots", SPECS_COLUMNS),
            ("barrier_lines", BARRIER_LINES_COLUMNS),
            ("ways_in", WAYS_IN_COLUMNS),
            ("footholds", FOOTHOLDS_COLUMNS),
        )
        if name in present
    }
    lines = shapes["barrier_lines"]
    groups = [
        LegendGroup(
            "Exposure of the lots", "points of 100; each lot carries its score", _lot_layers(lots, shapes["lots"])
        ),
        LegendGroup("Advised line", "", _line_layers(barrier_lines, lines, LINE_STYLES, advised=True)),
        LegendGroup("To put right", "", _mark_layers(present, shapes)),
        LegendGroup("Walls that stand", "", _line_layers(barrier_lines, lines, WALL_STYLES, shown=True)),
        LegendGroup("Other lines looked at", "", _line_layers(barrier_lines, lines, {**LINE_STYLES, "": OTHER_LINE})),
        LegendGroup("Ground", "", _ground_layers(shapes)),
    ]
    groups = [group for group in groups if group.layers]
    page = render_page(
        groups,
        _draw_order(groups),
        {name: _card_table(table) for name, table in shown.items()},
        bounds_deg=_bounds_deg(shapes["lots"]),
        title=clean_text(title) or "",
        summary=_sum_up(shown["lots"]),
        units_note=_UNITS_NOTES[units],
        tiles=tiles,
        tiles_credit=tiles_credit,
    )
    try:
        path.write_text(page, encoding="utf-8", newline="\n")
    except OSError as error:
        raise OutputError(
            f"the file can't be written ({error})", where=str(path), mend="choose a folder that can be written to"
        ) from error


def _to_degrees(table: gpd.GeoDataFrame) -> NDArray[np.object_]:
    """Geometries in longitude and latitude, rounded; None where there is nothing to draw."""
    degrees = np.asarray(table.geometry.to_crs(_LONGITUDE_LATITUDE).array, dtype=object)
    degrees[shapely.is_empty(degrees)] = None
    return _round_degrees(shapely.force_2d(degrees))


def _round_degrees(shapes: NDArray[np.object_]) -> NDArray[np.object_]:
    rounded: NDArray[np.object_] = shapely.transform(shapes, lambda xy: np.round(xy, _DECIMALS_DEG))
    return rounded


def _bounds_deg(shapes: NDArray[np.object_]) -> tuple[float, float, float, float]:
    west, south, east, north = shapely.total_bounds(shapes)
    if not np.isfinite([west, south, east, north]).all():
        raise OutputError("no lot has a geometry", where="lots", mend="check the parcel layer with 'bajada check'")
    return float(west), float(south), float(east), float(north)


def _lot_layers(lots: gpd.GeoDataFrame, shapes: NDArray[np.object_]) -> tuple[MapLayer, ...]:
    numbers = classify_exposure(_numbers(lots["exposure"]))
    layers = []
    for exposure_class in (*reversed(EXPOSURE_CLASSES), NO_SCORE):
        rows = _rows_of(shapes, numbers == exposure_class.number)
        if exposure_class is NO_SCORE and not len(rows):
            continue
        layers.append(
            MapLayer(
                f"lots_{exposure_class.number}",
                exposure_class.title,
                _write_features(shapes, rows, label_points=True),
                lot_style(exposure_class),
                len(rows),
                note=exposure_class.note,
                table="lots",
            )
        )
    return tuple(layers)


def _line_layers(
    lines: gpd.GeoDataFrame,
    shapes: NDArray[np.object_],
    styles: Mapping[str, LineStyle],
    *,
    advised: bool = False,
    shown: bool = False,
) -> tuple[MapLayer, ...]:
    """One layer an option; the style under an empty option takes those that no style knows."""
    recommended = lines["recommended"].astype("boolean").fillna(False).to_numpy(dtype=bool)
    options = lines["option"].astype(object).to_numpy()
    known = np.isin(options.astype(str), [*LINE_STYLES, *WALL_STYLES])
    layers = []
    for option, style in styles.items():
        chosen = options == option if option else ~known
        rows = _rows_of(shapes, chosen & (recommended == advised))
        if not len(rows):
            continue
        layers.append(
            MapLayer(
                f"{'advised' if advised else 'candidate'}_{style.slug}",
                style.title,
                _write_features(shapes, rows),
                recommended_stroke(style) if advised else candidate_stroke(style),
                len(rows),
                table="barrier_lines",
                shown=advised or shown,
            )
        )
    return tuple(layers)


def _mark_layers(present: dict[str, gpd.GeoDataFrame], shapes: dict[str, NDArray[np.object_]]) -> tuple[MapLayer, ...]:
    layers = []
    for name, title, note in (
        ("ways_in", "Ways in", "seal these first"),
        ("footholds", "Footholds too near a line", "take inside, move, trim or raise the line"),
    ):
        if name not in present:
            continue
        chosen = np.ones(len(present[name]), dtype=bool)
        if name == "footholds":
            distance_m, setback_m = (_numbers(present[name][column]) for column in ("distance_m", "setback_m"))
            chosen = distance_m < setback_m
        rows = _rows_of(shapes[name], chosen)
        points = shapely.point_on_surface(shapes[name])
        features = _write_features(_round_degrees(points), rows)
        if len(rows):
            layers.append(MapLayer(name, title, features, MARK_STYLES[name], len(rows), note=note, table=name))
    return tuple(layers)


def _ground_layers(shapes: dict[str, NDArray[np.object_]]) -> tuple[MapLayer, ...]:
    layers = []
    for name, title in _GROUND_TITLES.items():
        rows = (
            _rows_of(shapes[name], np.ones(len(shapes[name]), dtype=bool)) if name in shapes else np.empty(0, dtype=int)
        )
        if len(rows):
            layers.append(MapLayer(name, title, _write_features(shapes[name], rows), GROUND_STYLES[name], len(rows)))
    return tuple(layers)


def _draw_order(groups: Sequence[LegendGroup]) -> list[str]:
    """Lowest first: ground, lots, buildings, lines, marks."""
    ids = [layer.id for group in groups for layer in group.layers]
    floors = (
        "open_desert",
        "wash_ground",
        "roads",
        "lots_",
        "buildings",
        "candidate_",
        "advised_",
        "footholds",
        "ways_in",
    )
    return sorted(ids, key=lambda name: (next(i for i, floor in enumerate(floors) if name.startswith(floor)), name))


def _rows_of(shapes: NDArray[np.object_], chosen: NDArray[np.bool_]) -> NDArray[np.int64]:
    return np.flatnonzero(chosen & ~shapely.is_missing(shapes))


def _write_features(shapes: NDArray[np.object_], rows: NDArray[np.int64], *, label_points: bool = False) -> str:
    """Write some rows as a GeoJSON feature collection; each feature knows its row, and where its label goes."""
    geometries = shapely.to_geojson(shapes[rows])
    labels = [""] * len(rows)
    if label_points and len(rows):
        places = np.round(shapely.get_coordinates(shapely.point_on_surface(shapes[rows])), _DECIMALS_DEG)
        labels = [f',"at":[{x},{y}]' for x, y in places.tolist()]
    features = ",".join(
        f'{{"type":"Feature","properties":{{"row":{row}{label}}},"geometry":{geometry}}}'
        for row, label, geometry in zip(rows.tolist(), labels, geometries, strict=True)
    )
    return f'{{"type":"FeatureCollection","features":[{features}]}}'


def _card_table(shown: pd.DataFrame) -> dict[str, Any]:
    """Fields and rows for the cards; missing values are null."""
    fields = []
    for name in map(str, shown.columns):
        meaning = explain_column(name)
        fields.append(
            {
                "name": name,
                "title": meaning.title,
                "unit": unit_sign(name),
                "meaning": meaning.meaning,
                "decimals": meaning.decimals,
            }
        )
    plain = shown.astype(object).where(shown.notna(), None)
    return {"fields": fields, "rows": plain.to_numpy(dtype=object).tolist()}


def _sum_up(shown: pd.DataFrame) -> str:
    counts = shown["verdict"].value_counts()
    parts = [f"{counts[verdict]:,} {verdict}" for verdict in VERDICTS if verdict in counts]
    return f"{len(shown):,} lots" + (f": {', '.join(parts)}" if parts else "")


def _numbers(values: pd.Series[Any]) -> NDArray[np.float64]:
    return np.asarray(values.astype("Float64").to_numpy(dtype=float, na_value=np.nan), dtype=np.float64)
