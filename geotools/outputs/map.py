"""Draw the map: lots by exposure or verdict, the lines that are advised, and what stands in their way."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import geopandas as gpd
import numpy as np
import pandas as pd

from geotools.errors import OutputError
from geotools.outputs.display import check_same_crs
from geotools.outputs.map_content import Look, Place, Site, build_page
from geotools.outputs.map_overview import build_overview
from geotools.outputs.map_page import check_sheets
from geotools.outputs.map_parts import cut_site, owner_parts, split_lots
from geotools.rasters import Raster

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["draw_map"]

_ON_SHEETS = ("build", "retrofit", "do not build")


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
    budget_choices: pd.DataFrame | None = None,
    planned_gates: gpd.GeoDataFrame | None = None,
    *,
    path: Path,
    title: str = "Rattlesnake barrier plan",
    units: str = "us",
    sheets: str = "",
    every_lot: bool = False,
    tiles: str = "",
    tiles_credit: str = "",
    most_lots_count: int = 60_000,
    most_lots_per_part_count: int = 10_000,
    most_candidates_count: int = 2_000,
) -> None:
    """Write the map as one HTML file that opens without a network; a county's as an overview with a file for each part.

    Lots are drawn in five equal classes of exposure (20 points each) or by verdict, beside a table that sorts and
    filters. Every text of the data is shown as text. A foothold is drawn where it stands nearer to a line than its
    setback.

    Past `most_lots_count` lots the file shows squares of ground with what their lots come to, finds every lot by its
    number, and leads to files beside it (map-01.html ...), each the whole map of one part. No lot is left out, and each
    is in one part. All of them open from disk.

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
    budget_choices : pandas.DataFrame, optional
        What budgets between the frontier's points buy, from `list_budget_choices`: more stops of the slider.
    planned_gates : geopandas.GeoDataFrame, optional
        Points of the gates to build, of which those of advised lines are shown: line_id, parcel_id, station_m (along
        the line), width_m, placed, agree_on_site.
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
        Most lots of a map in one file (measured: 50,000 open within 2 s).
    most_lots_per_part_count : int
        Most lots of a part of a larger map (assumption of this project: about 8 MB, which a phone opens).
    most_candidates_count : int
        With more lots than this on a page, lines that are not advised are left out, and that is said.

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
        "planned_gates": None if planned_gates is None else _to_build(planned_gates, barrier_lines),
        "open_desert": open_desert,
        "wash_ground": wash_ground,
        "roads": roads,
        "buildings": buildings,
    }
    present = {name: table for name, table in given.items() if table is not None}
    check_same_crs(present)
    pages = _sheet_pages(lots, every_lot) if sheets else np.zeros(len(lots), dtype=np.int64)
    site = Site(present, pages, elevation, shares, frontier, budget_choices)
    look = Look(title, units, sheets, tiles, tiles_credit)
    if len(lots) <= most_lots_count or lots.geometry.isna().all():
        _write(path, build_page(*_leave_out(site, most_candidates_count), look=look))
        return
    squares = split_lots(lots, most_lots=most_lots_per_part_count)
    count = int(squares.part.max()) + 1
    width = max(2, len(str(count)))
    files = tuple(f"{path.stem}-{number:0{width}}{path.suffix}" for number in range(1, count + 1))
    owners = owner_parts(site, squares)
    for part, file in enumerate(files):
        shown, notes = _leave_out(cut_site(site, squares, owners, part), most_candidates_count)
        place = Place(path.name, files, part + 1, len(lots))
        _write(path.with_name(file), build_page(shown, notes, look=look, place=place))
    _write(path, build_overview(site, squares, files, look=look))


def _leave_out(site: Site, most_candidates: int) -> tuple[Site, tuple[str, ...]]:
    """Leave out lines that are not advised where they would make the page too large, and say so."""
    if len(site.tables["lots"]) <= most_candidates:
        return site, ()
    lines = site.tables["barrier_lines"]
    advised = lines["recommended"].astype("boolean").fillna(False).to_numpy(dtype=bool)
    standing = lines["option"].isin(["sound wall", "wall to mend"]).to_numpy()
    if (advised | standing).all():
        return site, ()
    note = (
        f"Lines that are not advised are left out of a page of more than {most_candidates:,} lots; lots.gpkg has them."
    )
    return site._replace(tables={**site.tables, "barrier_lines": lines[advised | standing]}), (note,)


def _to_build(gates: gpd.GeoDataFrame, barrier_lines: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Leave the gates of lines that are advised: those of other candidates are not built."""
    if "line_id" not in gates.columns:
        return gates
    advised = barrier_lines.loc[barrier_lines["recommended"].astype(bool), "line_id"]
    return gates[gates["line_id"].isin(advised)]


def _sheet_pages(lots: gpd.GeoDataFrame, every_lot: bool) -> NDArray[np.int64]:
    """Pages of the lots in the sheets, 0 for none: a key plan and the index stand in front."""
    from geotools.outputs.sheet_page import index_page_count

    has_shape = ~(lots.geometry.isna() | lots.geometry.is_empty).to_numpy()
    on_sheets = has_shape & (every_lot | lots["verdict"].isin(_ON_SHEETS).to_numpy())
    first = 2 + index_page_count(int(on_sheets.sum()))
    return np.asarray(np.where(on_sheets, first + np.cumsum(on_sheets) - 1, 0), dtype=np.int64)


def _write(path: Path, page: str) -> None:
    try:
        path.write_text(page, encoding="utf-8", newline="\n")
    except OSError as error:
        raise OutputError(
            f"the file can't be written ({error})", where=str(path), mend="choose a folder that can be written to"
        ) from error
