"""Sort the plan's tables into the layers of the map and the groups of its legend."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import shapely

from geotools.outputs.columns import VERDICTS
from geotools.outputs.map_encode import encode_points, encode_shapes
from geotools.outputs.map_style import (
    EXPOSURE_CLASSES,
    GROUND_STYLES,
    LINE_STYLES,
    MARK_STYLES,
    NO_SCORE,
    NO_VERDICT,
    OTHER_LINE,
    ROUTE_STYLE,
    VERDICT_CLASSES,
    WALL_STYLES,
    candidate_stroke,
    classify_exposure,
    lot_style,
    recommended_stroke,
)

if TYPE_CHECKING:
    from collections.abc import Mapping

    import geopandas as gpd
    import pandas as pd
    from numpy.typing import NDArray

    from geotools.outputs.map_style import ExposureClass, LineStyle

    Shapes = NDArray[np.object_]
    Rows = NDArray[np.int64]

__all__ = [
    "LegendEntry",
    "LegendGroup",
    "MapLayer",
    "Placed",
    "class_legend",
    "ground_layers",
    "line_layers",
    "lot_layer",
    "mark_layers",
]

_TOLERANCE_M = {"routes": 0.5, "wash_ground": 0.2}
"""How far a point of a route or of a wash's rounded bank may be passed over (assumption of this project)."""
_FINE_LOT_PX = 7.0
"""Where the middle lot is narrower on the screen, what lies on it is left out (assumption of this project)."""


class MapLayer(NamedTuple):
    """One layer as the page draws it: id, encoded shapes, style, table of its cards, and from which lot width on."""

    id: str
    shapes: dict[str, Any]
    style: dict[str, Any]
    table: str = ""
    least_lot_px: float = 0.0


class LegendEntry(NamedTuple):
    """One line of the legend, which is a switch too: of a layer, or of a class of the lots (`exposure:5`)."""

    id: str
    title: str
    style: dict[str, Any]
    size: int | None
    note: str = ""
    shown: bool = True


class LegendGroup(NamedTuple):
    """Entries under one heading; `scheme` names the way of colouring the lots that it belongs to."""

    title: str
    note: str
    entries: tuple[LegendEntry, ...]
    scheme: str = ""


class Placed(NamedTuple):
    """A table and its shapes in the page's projection, None where there is nothing to draw."""

    table: gpd.GeoDataFrame
    shapes: Shapes


def lot_layer(lots: Placed, origin: tuple[float, float]) -> tuple[MapLayer, dict[str, Any]]:
    """Encode the lots with the places of their labels, and the class of each lot in both ways of colouring.

    Examples
    --------
    >>> lot_layer(lots, (0.0, 0.0))  # doctest: +SKIP
    """
    rows = _drawn(lots.shapes)
    shapes = encode_shapes(lots.shapes, rows, origin)
    shapes["at"] = encode_points(shapely.get_coordinates(shapely.point_on_surface(lots.shapes[rows])), origin)
    return MapLayer("lots", shapes, {}, "lots"), {
        "exposure": {"classes": _class_styles((NO_SCORE, *EXPOSURE_CLASSES)), "of": _exposure(lots.table).tolist()},
        "verdict": {"classes": _class_styles((NO_VERDICT, *VERDICT_CLASSES)), "of": _verdict(lots.table).tolist()},
    }


def class_legend(lots: gpd.GeoDataFrame) -> list[LegendGroup]:
    """List both ways of colouring the lots, most exposed first.

    Examples
    --------
    >>> class_legend(lots)  # doctest: +SKIP
    """
    groups = []
    for scheme, title, note, classes, none, of in (
        ("exposure", "Exposure of the lots", "of 100", EXPOSURE_CLASSES[::-1], NO_SCORE, _exposure(lots)),
        ("verdict", "Verdict on the lots", "", VERDICT_CLASSES[::-1], NO_VERDICT, _verdict(lots)),
    ):
        counts = np.bincount(of, minlength=len(classes) + 1)
        shown = (*classes, none) if counts[0] else classes
        entries = tuple(
            LegendEntry(f"{scheme}:{one.number}", one.title, lot_style(one), int(counts[one.number]), one.note)
            for one in shown
        )
        groups.append(LegendGroup(title, note, entries, scheme))
    return groups


def line_layers(
    lines: Placed, origin: tuple[float, float], *, candidates: bool = True
) -> tuple[list[LegendGroup], list[MapLayer]]:
    """Sort lines by kind: advised ones, walls that stand, and others that were looked at.

    Parameters
    ----------
    lines : Placed
    origin : tuple of float
    candidates : bool
        Whether lines that are not advised are drawn.

    Returns
    -------
    groups, layers

    Examples
    --------
    >>> line_layers(lines, (0.0, 0.0))  # doctest: +SKIP
    """
    advised = lines.table["recommended"].astype("boolean").fillna(False).to_numpy(dtype=bool)
    groups, layers = [], []
    with_other: dict[str, LineStyle] = {**LINE_STYLES, "": OTHER_LINE}
    for title, slug, styles, chosen, shown in (
        ("Other lines looked at", "candidate", with_other, ~advised, False),
        ("Walls that stand", "wall", WALL_STYLES, ~advised, True),
        ("Advised line", "advised", with_other, advised, True),
    ):
        if slug == "candidate" and not candidates:
            continue
        entries = []
        for style, rows in _rows_by_option(lines, styles, chosen):
            stroke = recommended_stroke(style) if slug == "advised" else candidate_stroke(style)
            name = f"{slug}_{style.slug}"
            layers.append(
                MapLayer(name, encode_shapes(lines.shapes, rows, origin), stroke, "barrier_lines", _FINE_LOT_PX)
            )
            entries.append(LegendEntry(name, style.title, stroke, len(rows), shown=shown))
        if entries:
            groups.append(LegendGroup(title, "", tuple(entries)))
    return groups[::-1], layers


def mark_layers(placed: Mapping[str, Placed], origin: tuple[float, float]) -> tuple[list[LegendEntry], list[MapLayer]]:
    """Show what is to be put right or built: routes in, footholds nearer to a line than their setback, openings, gates.

    Examples
    --------
    >>> mark_layers({}, (0.0, 0.0))
    ([], [])
    """
    entries, layers = [], []
    if "footholds" in placed:
        table, shapes = placed["footholds"]
        too_near = _numbers(table["distance_m"]) < _numbers(table["setback_m"])
        rows = np.intersect1d(_drawn(shapes), np.flatnonzero(too_near))
        points = shapely.point_on_surface(shapes)
        layers.append(
            MapLayer(
                "footholds", encode_shapes(points, rows, origin), MARK_STYLES["footholds"], "footholds", _FINE_LOT_PX
            )
        )
        entries.append(LegendEntry("footholds", "Footholds near a line", MARK_STYLES["footholds"], len(rows)))
    if "closure" in placed:
        lines = shapely.simplify(placed["closure"].shapes, _TOLERANCE_M["routes"])
        rows = np.intersect1d(_drawn(lines), np.flatnonzero(shapely.get_dimensions(lines) == 1))
        layers.append(MapLayer("routes", encode_shapes(lines, rows, origin), ROUTE_STYLE, "", _FINE_LOT_PX))
        entries.append(LegendEntry("routes", "Routes in", ROUTE_STYLE, len(rows), shown=False))
    if "planned_gates" in placed:
        shapes = placed["planned_gates"].shapes
        rows, style = _drawn(shapes), MARK_STYLES["planned_gates"]
        layers.append(
            MapLayer("planned_gates", encode_shapes(shapes, rows, origin), style, "planned_gates", _FINE_LOT_PX)
        )
        entries.append(LegendEntry("planned_gates", "Gates to build", style, len(rows)))
    if "ways_in" in placed:
        shapes = placed["ways_in"].shapes
        rows = _drawn(shapes)
        encoded = encode_shapes(shapes, rows, origin)
        places = shapely.point_on_surface(shapes[rows])
        encoded["at"] = encode_points(shapely.get_coordinates(places), origin)
        layers.append(MapLayer("ways_in", encoded, MARK_STYLES["ways_in"], "ways_in", _FINE_LOT_PX))
        entries.append(LegendEntry("ways_in", "Ways in", MARK_STYLES["ways_in"], len(rows), "seal first"))
    used = [entry for entry in reversed(entries) if entry.size]
    return used, [layer for layer in layers if layer.shapes["count"]]


def ground_layers(
    placed: Mapping[str, Placed], origin: tuple[float, float], *, see_through: bool
) -> tuple[list[LegendEntry], list[MapLayer]]:
    """Draw desert, washes, roads and buildings; the first two let a shaded ground show through.

    Examples
    --------
    >>> ground_layers({}, (0.0, 0.0), see_through=False)
    ([], [])
    """
    entries, layers = [], []
    titles = {"open_desert": "Open desert", "wash_ground": "Washes", "roads": "Roads", "buildings": "Buildings"}
    for name, title in titles.items():
        rows = _drawn(placed[name].shapes) if name in placed else np.empty(0, dtype=np.int64)
        if not len(rows):
            continue
        style = dict(GROUND_STYLES[name])
        if see_through and name == "open_desert":
            style["fillOpacity"] = 0.5
        least_px = _FINE_LOT_PX if name == "buildings" else 0.0
        shapes = placed[name].shapes
        if name in _TOLERANCE_M:
            shapes = shapely.simplify(shapes, _TOLERANCE_M[name])
        layers.append(MapLayer(name, encode_shapes(shapes, rows, origin), style, "", least_px))
        entries.append(LegendEntry(name, title, style, None))
    return entries, layers


def _rows_by_option(
    lines: Placed, styles: Mapping[str, LineStyle], chosen: NDArray[np.bool_]
) -> list[tuple[LineStyle, Rows]]:
    """Rows of each option that there are; the style under an empty option takes those that no style knows."""
    option = lines.table["option"].astype(object).to_numpy()
    known = np.isin(option.astype(str), [*LINE_STYLES, *WALL_STYLES])
    drawn = _drawn(lines.shapes)
    found = []
    for name, style in styles.items():
        rows = np.intersect1d(drawn, np.flatnonzero((option == name if name else ~known) & chosen))
        if len(rows):
            found.append((style, rows))
    return found


def _class_styles(classes: tuple[ExposureClass, ...]) -> list[dict[str, Any]]:
    return [{"title": one.title, **lot_style(one)} for one in classes]


def _exposure(lots: gpd.GeoDataFrame) -> NDArray[np.int64]:
    return classify_exposure(_numbers(lots["exposure"]))


def _verdict(lots: gpd.GeoDataFrame) -> NDArray[np.int64]:
    return np.array([VERDICTS.index(name) + 1 if name in VERDICTS else 0 for name in lots["verdict"]], dtype=np.int64)


def _drawn(shapes: Shapes) -> Rows:
    return np.flatnonzero(~shapely.is_missing(shapes)).astype(np.int64)


def _numbers(values: pd.Series[Any]) -> NDArray[np.float64]:
    return np.asarray(values.astype("Float64").to_numpy(dtype=float, na_value=np.nan), dtype=np.float64)
