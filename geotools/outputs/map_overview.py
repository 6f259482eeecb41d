"""Build the first page of a map in parts: squares of ground with what their lots come to, and where each lot is."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from geotools.outputs.columns import VERDICTS
from geotools.outputs.display import clean_text, show_table
from geotools.outputs.map_content import (
    UNITS_NOTES,
    Look,
    Site,
    encode_layers,
    frame_of,
    place_table,
    start_content,
    sum_up,
)
from geotools.outputs.map_encode import encode_points, encode_shapes, encode_table, pack_unsigned
from geotools.outputs.map_layers import LegendEntry, LegendGroup, MapLayer, Placed, ground_layers
from geotools.outputs.map_page import Frame, PageText, render_page
from geotools.outputs.map_style import EXPOSURE_CLASSES, NO_SCORE, classify_exposure, lot_style

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from geotools.outputs.map_parts import Squares

__all__ = ["build_overview", "encode_index", "sum_squares"]

_TO_BUILD = ("build", "retrofit")
_SHARES = ("none, or less than 1 in 20", "1 in 20 to 1 in 4", "1 in 4 to half", "half to 3 in 4", "3 in 4 or more")
_SHARE_STEPS = (0.05, 0.25, 0.5, 0.75)
"""Classes of the share of lots with something to build (assumption of this project)."""
_GROUND = ("open_desert", "wash_ground", "roads")
_FINEST = 2_500
"""The ground is drawn as fine as this part of the site's width: about a pixel of a large screen."""
_PART_STYLE: dict[str, Any] = {"color": "#111111", "weight": 2, "casing": 1, "fill": False}
_MEANINGS = {
    "square": ("Square", "Column and row of the square, counted from the south-west."),
    "exposure": ("Mean exposure", "Mean exposure of the square's lots, in points of 100."),
    "highest_exposure": ("Highest exposure", "Exposure of the most exposed lot, in points of 100."),
    "lots": ("Lots", "Number of lots whose inner point lies in the square."),
    "lots_80_to_100": ("Lots of 80 to 100", "Number of lots with an exposure of 80 or more."),
    "to_build": ("To build", "Number of lots with the verdict build or retrofit."),
    "cost_likely": ("Cost, likely", "Sum of the likely costs of the square's lots."),
    "part": ("Part", "Number of the page that shows the square's lots."),
}


def build_overview(site: Site, squares: Squares, files: Sequence[str], *, look: Look) -> str:
    """Build the page that leads to the parts.

    Parameters
    ----------
    site : Site
        The whole of it.
    squares : Squares
        From `split_lots`.
    files : sequence of str
        Of the parts.
    look : Look

    Returns
    -------
    str
        HTML.

    Examples
    --------
    >>> build_overview(site, squares, ["map-01.html"], look=Look("Plan", "us"))  # doctest: +SKIP
    """
    lots = site.tables["lots"]
    shown = show_table(lots[["parcel_id", "exposure", "verdict", *_costs(lots)]], units=look.units)
    table = sum_squares(shown, squares)
    west, south = squares.corner[0] + squares.column * squares.side_m, squares.corner[1] + squares.row * squares.side_m
    boxes = shapely.box(west, south, west + squares.side_m, south + squares.side_m)
    placed = place_table(gpd.GeoDataFrame(table, geometry=boxes, crs=lots.crs))
    bounds, relief = frame_of(placed, site.elevation)
    content = start_content(bounds, relief)
    ground_entries, ground = ground_layers(_coarse_ground(site), content["origin"], see_through=relief is not None)
    groups, schemes = _schemes(table)
    square_layer, parts_layer = _layers(placed, squares, content["origin"], lots.crs)
    entry = LegendEntry("parts", f"Edges of the {len(files)} parts", _PART_STYLE, None)
    side_ft = squares.side_m / 0.3048
    side = f"{squares.side_m:,.0f} m" if look.units == "metric" else f"{side_ft:,.0f} ft"
    verdicts = {_column_of(name): (f"Of them: {name}", f"Number of lots with the verdict {name}.") for name in VERDICTS}
    meanings = {**_MEANINGS, **verdicts}
    tables = encode_table(table)
    for field in tables["fields"]:
        field["title"], field["meaning"] = meanings.get(field["name"], (field["title"], field["meaning"]))
    content |= {
        "layers": encode_layers([square_layer, parts_layer, *ground]),
        "schemes": schemes,
        "tables": {"lots": tables},
        "table_columns": ["square", "exposure", "lots", "to_build", "part"],
        "sheets": None,
        "frontier": None,
        "overview": None,
        "lots_in_all": len(table),
        "key": "square",
        "one": "square",
        "many": "squares",
        "index": encode_index(shown["parcel_id"].astype(str).tolist(), squares),
        "files": list(files),
    }
    notes = (
        f"{len(lots):,} lots are too many for one page. Each square, {side} wide, says what its lots come to; "
        f"a square's card and the search lead to the lots, on {len(files)} pages that lie beside this one.",
        *_without_shape(squares, len(files)),
    )
    text = PageText(clean_text(look.title) or "", sum_up(shown), UNITS_NOTES[look.units], notes, look.tiles_credit)
    groups.append(LegendGroup("Ground", "", (entry, *ground_entries)))
    return render_page(groups, content, text, Frame(bounds, relief, look.tiles))


def sum_squares(shown: pd.DataFrame, squares: Squares) -> pd.DataFrame:
    """Sum up the lots of each square.

    Parameters
    ----------
    shown : DataFrame, n rows
        parcel_id, exposure, verdict and, if there are prices, cost_likely of the lots.
    squares : Squares

    Returns
    -------
    DataFrame, one row a square
        square, exposure (mean) and highest_exposure (missing where no lot has one), lots, lots_80_to_100, to_build, the
        number of lots by verdict, cost_likely (sum of those known), part (from 1).

    Examples
    --------
    >>> sum_squares(shown, squares)  # doctest: +SKIP
    """
    count = len(squares.part)
    inside = squares.of_lot >= 0
    at = squares.of_lot[inside]
    exposure = shown["exposure"].astype("Float64").to_numpy(dtype=float, na_value=np.nan)[inside]
    verdict = shown["verdict"].to_numpy(dtype=object)[inside]
    by_square = pd.Series(exposure).groupby(at)

    def number(which: NDArray[np.bool_]) -> NDArray[np.int64]:
        return np.bincount(at[which], minlength=count).astype(np.int64)

    wide = len(str(max(int(squares.column.max()), int(squares.row.max())) + 1))
    table = pd.DataFrame(
        {
            "square": [
                f"{column:0{wide}}-{row:0{wide}}"
                for column, row in zip((squares.column + 1).tolist(), (squares.row + 1).tolist(), strict=True)
            ],
            "exposure": by_square.mean().round(1).reindex(range(count)),
            "highest_exposure": by_square.max().reindex(range(count)),
            "lots": number(np.ones(len(at), dtype=bool)),
            "lots_80_to_100": number(exposure >= 80),
            "to_build": number(np.isin(verdict.astype(str), _TO_BUILD)),
            **{_column_of(name): number(verdict == name) for name in VERDICTS if (verdict == name).any()},
        }
    )
    for name in _costs(shown):
        costs = shown[name].astype("Float64").to_numpy(dtype=float, na_value=0.0)[inside]
        table[name] = np.bincount(at, weights=costs, minlength=count).round(2)
    return table.assign(part=squares.part + 1)


def encode_index(parcel_ids: Sequence[str], squares: Squares) -> dict[str, Any]:
    """Encode the numbers of all lots in sorted order, each by what differs from the one before, and its square.

    Parameters
    ----------
    parcel_ids : sequence of str, n
    squares : Squares

    Returns
    -------
    dict
        `shared` (signs taken from the number before) and `sizes` (signs of its own), packed, in UTF-16 units as the
        page counts them; `own`, the signs; `squares`, packed, 0 for a lot without a shape, else the square from 1.

    Examples
    --------
    >>> from geotools.outputs.map_parts import split_lots
    >>> lots = gpd.GeoDataFrame(geometry=shapely.box([0, 150], 0, [9, 159], 9), crs=32612)
    >>> encode_index(["102", "101"], split_lots(lots, most_lots=2))["own"]
    '1012'
    """
    order = sorted(range(len(parcel_ids)), key=lambda row: parcel_ids[row])
    shared, sizes, own = [], [], []
    before = ""
    for row in order:
        text = parcel_ids[row]
        same = next(
            (n for n, (a, b) in enumerate(zip(before, text, strict=False)) if a != b), min(len(before), len(text))
        )
        shared.append(_units(text[:same]))
        sizes.append(_units(text[same:]))
        own.append(text[same:])
        before = text
    return {
        "shared": pack_unsigned(shared),
        "sizes": pack_unsigned(sizes),
        "own": "".join(own),
        "squares": pack_unsigned(squares.of_lot[order] + 1),
    }


def _column_of(verdict: str) -> str:
    return f"lots_{verdict.replace(' ', '_')}"


def _units(text: str) -> int:
    return len(text) if text.isascii() else len(text.encode("utf-16-le")) // 2


def _costs(table: pd.DataFrame) -> list[str]:
    return ["cost_likely"] if "cost_likely" in table and table["cost_likely"].notna().any() else []


def _without_shape(squares: Squares, parts: int) -> tuple[str, ...]:
    missing = int((squares.of_lot < 0).sum())
    return (f"{missing:,} lots without a shape are listed in part {parts} and in no square.",) if missing else ()


def _schemes(table: pd.DataFrame) -> tuple[list[LegendGroup], dict[str, Any]]:
    """Both ways of colouring the squares: by mean exposure, and by the share of lots with something to build."""
    exposure = classify_exposure(table["exposure"].to_numpy(dtype=float))
    share = table["to_build"].to_numpy() / table["lots"].to_numpy()
    build = np.searchsorted(_SHARE_STEPS, share, side="right") + 1
    groups, schemes = [], {}
    for name, title, of, words in (
        ("exposure", "Mean exposure of a square's lots", exposure, [one.title for one in EXPOSURE_CLASSES]),
        ("to build", "Lots of a square to build or retrofit", build, list(_SHARES)),
    ):
        counts = np.bincount(of, minlength=len(EXPOSURE_CLASSES) + 1)
        classes = [(one, lot_style(one), word) for one, word in zip(EXPOSURE_CLASSES, words, strict=True)]
        entries = [
            LegendEntry(f"{name}:{one.number}", word, style, int(counts[one.number]))
            for one, style, word in reversed(classes)
        ]
        if counts[0]:
            entries.append(LegendEntry(f"{name}:0", NO_SCORE.title, lot_style(NO_SCORE), int(counts[0])))
        groups.append(LegendGroup(title, "", tuple(entries), name))
        schemes[name] = {
            "classes": [
                {"title": NO_SCORE.title, **lot_style(NO_SCORE)},
                *({"title": word, **style} for _, style, word in classes),
            ],
            "of": of.tolist(),
        }
    return groups, schemes


def _layers(placed: Placed, squares: Squares, origin: tuple[float, float], crs: Any) -> tuple[MapLayer, MapLayer]:
    """The squares, and the edges of the parts."""
    rows = np.arange(len(placed.shapes))
    shapes = encode_shapes(placed.shapes, rows, origin)
    shapes["at"] = encode_points(shapely.get_coordinates(shapely.centroid(placed.shapes)), origin)
    boxes = np.asarray(placed.table.geometry.array, dtype=object)
    edges = [
        shapely.boundary(shapely.union_all(boxes[squares.part == part])) for part in range(int(squares.part.max()) + 1)
    ]
    lines = place_table(gpd.GeoDataFrame(geometry=edges, crs=crs)).shapes
    return MapLayer("lots", shapes, {}, "lots"), MapLayer(
        "parts", encode_shapes(lines, np.arange(len(lines)), origin), _PART_STYLE
    )


def _coarse_ground(site: Site) -> dict[str, Placed]:
    """The ground with no more detail than the overview can show."""
    west, south, east, north = site.tables["lots"].total_bounds
    coarse = max(east - west, north - south) / _FINEST
    return {
        name: place_table(site.tables[name][["geometry"]].assign(geometry=site.tables[name].simplify(coarse)))
        for name in _GROUND
        if name in site.tables
    }
