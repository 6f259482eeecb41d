"""List what each line, each lot and the whole project take to build."""

from __future__ import annotations

import warnings
from typing import TYPE_CHECKING

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from geotools.design import BarrierStandard
from geotools.errors import Assumed, DesignError, StepError
from geotools.signature import AllLots
from geotools.takeoff.cutting import cut_stock
from geotools.takeoff.items import ITEMS, describe_item, measure_unit, order_quantity, round_quantity
from geotools.takeoff.posts import POST_SPACING_M
from geotools.takeoff.work import Practice, Work, take_off_clearing, take_off_lines, take_off_walls
from geotools.units import METRES_PER_FOOT, METRES_PER_INCH, write_length

if TYPE_CHECKING:
    from collections.abc import Mapping

__all__ = ["list_takeoff"]

_WIDER_M = 0.3
"""A gate wider by more than this is another gate to buy (assumption of this project)."""
_COLUMNS = [
    "scope",
    "parcel_id",
    "line_id",
    "item",
    "description",
    "section",
    "unit",
    "net_quantity",
    "waste_pct",
    "quantity",
    "note",
]


def list_takeoff(
    lots: AllLots,
    counted_lines: gpd.GeoDataFrame,
    panels: gpd.GeoDataFrame | None = None,
    ways_in: gpd.GeoDataFrame | None = None,
    footholds_to_clear: gpd.GeoDataFrame | None = None,
    wash_ground: gpd.GeoDataFrame | None = None,
    soils: gpd.GeoDataFrame | None = None,
    planned_gates: gpd.GeoDataFrame | None = None,
    *,
    standard: BarrierStandard | None = None,
    units: str = "us",
    stock_m: float = 100 * METRES_PER_FOOT,
    lap_m: float = 6 * METRES_PER_INCH,
    wrap_m: float = 6 * METRES_PER_INCH,
    post_spacing_m: float = POST_SPACING_M,
    corner_deg: float = 20.0,
    straighten_m: float = 0.15,
    closer_on_curves: bool = True,
    line_post_m: float = 1.9 * METRES_PER_INCH,
    terminal_post_m: float = 2.375 * METRES_PER_INCH,
    gate_width_m: float = 3 * METRES_PER_FOOT,
    trench_width_m: float = 6 * METRES_PER_INCH,
    ring_spacing_m: float = 12 * METRES_PER_INCH,
    soil: str = "gravel",
    caliche_pct: float = 20.0,
    waste_mesh_pct: float = 3.0,
    waste_posts_pct: float = 2.0,
    waste_concrete_pct: float = 10.0,
    waste_wire_pct: float = 3.0,
    waste_fasteners_pct: float = 5.0,
) -> pd.DataFrame:
    """Take off every recommended line, every wall to mend, and the project as a whole.

    New lines are those recommended on lots to `build` (or shared by lots); walls, gates and gaps are mended on lots to
    `retrofit`. A panel whose height comes from a climbable thing that is cleared is built as high as the ground alone
    asks on that line. Rolls are cut for the project, so that offcuts of one line serve the next.

    Parameters
    ----------
    lots : GeoDataFrame
        As `specify_lots` gives it: parcel_id, verdict.
    counted_lines : GeoDataFrame
        Lines with line_id, parcel_id, height_m, gates, recommended and, where measured, surface_length_m.
    panels : GeoDataFrame, optional
        Height schedule, as `schedule_panels` gives it.
    ways_in : GeoDataFrame, optional
        As `list_ways_in` gives it; one that two lots share is counted on the first.
    footholds_to_clear : GeoDataFrame, optional
        Those with cheapest = `clear` (all, if there is no such column) are trimmed or removed.
    wash_ground : GeoDataFrame, optional
        Where a line crosses it, a flow gate stands.
    soils : GeoDataFrame, optional
        Polygons with `soil`: sand, gravel, caliche or rock.
    planned_gates : GeoDataFrame, optional
        As `place_gates` gives it: each gate opens its line at its station, at its own width, and posts and mesh are
        laid out afresh either side. A gate without a place is taken from the longest run of its line.
    standard : BarrierStandard, optional
        Height and burial.
    units : str
        `us` (ft, yd3) or `metric` (m, m3).
    stock_m : float
        Length of a roll (common practice, no source: 100 ft).
    lap_m, wrap_m : float
        Lap where two pieces meet, and mesh round an end post (assumptions of this project: 6 in).
    post_spacing_m : float
        Largest spacing of posts along grade (ASTM F567: 10 ft).
    corner_deg, straighten_m : float
        As in `count_materials`.
    closer_on_curves : bool
        As in `count_materials`.
    line_post_m, terminal_post_m : float
        Outside diameters (common practice, no source: 1.9 in and 2.375 in).
    gate_width_m : float
        Clear width of a new gate without a place (assumption of this project: 3 ft).
    trench_width_m : float
        Width of the trench (assumption of this project: 6 in); its depth is the burial.
    ring_spacing_m : float
        Rings along each wire (published tortoise fence specification: 12-18 in).
    soil : str
        Class of soil where no polygon tells (assumption of this project: gravel).
    caliche_pct : float
        Share of that ground that turns out as caliche (assumption of this project: 20 %).
    waste_mesh_pct, waste_posts_pct, waste_concrete_pct, waste_wire_pct, waste_fasteners_pct : float
        Added to what is ordered for the project (assumptions of this project); cutting loss of the mesh is not in it.

    Returns
    -------
    DataFrame
        A row per item and scope (`line`, `lot`, `project`): scope, parcel_id, line_id, item, description, section
        (UFGS number), unit, net_quantity, waste_pct, quantity (to order), note. Lot rows are sums of the lot's line
        rows and of the walls to mend there; project rows are sums of the lot rows. Rolls stand in the project alone.

    Raises
    ------
    DesignError
        If a measure or waste factor can't be.
    StepError
        If the units are unknown or a column is missing.

    Examples
    --------
    >>> lots = gpd.GeoDataFrame({"parcel_id": ["1"], "verdict": ["build"]})
    >>> lines = gpd.GeoDataFrame(
    ...     {"line_id": ["1-Y"], "parcel_id": ["1"], "height_m": [0.9144], "gates": [0], "recommended": [True]},
    ...     geometry=[shapely.LineString([(0, 0), (30.48, 0)])], crs=32612)
    >>> soils = gpd.GeoDataFrame({"soil": ["gravel"]}, geometry=[shapely.box(-1, -1, 40, 1)], crs=32612)
    >>> takeoff = list_takeoff(lots, lines, soils=soils)
    >>> project = takeoff[takeoff["scope"] == "project"].set_index("item")
    >>> project.loc[["roll_48", "post_line"], "net_quantity"].tolist()
    [2.0, 9.0]
    """
    standard = standard or BarrierStandard()
    waste_pct = {
        "mesh": waste_mesh_pct,
        "posts": waste_posts_pct,
        "concrete": waste_concrete_pct,
        "wire": waste_wire_pct,
        "fasteners": waste_fasteners_pct,
        "": 0.0,
    }
    _check(waste_pct, stock_m, ring_spacing_m, gate_width_m)
    practice = Practice(
        burial_m=standard.burial_m,
        stock_m=stock_m,
        lap_m=lap_m,
        wrap_m=wrap_m,
        post_spacing_m=post_spacing_m,
        corner_deg=corner_deg,
        straighten_m=straighten_m,
        closer_on_curves=closer_on_curves,
        line_post_m=line_post_m,
        terminal_post_m=terminal_post_m,
        gate_width_m=gate_width_m,
        trench_width_m=trench_width_m,
        ring_spacing_m=ring_spacing_m,
        soil=soil,
        caliche_pct=caliche_pct,
    )
    lines = _lines_to_build(lots, counted_lines)
    mends = _mends(lots, ways_in)
    gaps = _gaps_as_lines(mends, standard.height_m)
    work = Work()
    take_off_lines(
        work, lines, _panels_after_clearing(panels, lines, footholds_to_clear), soils, practice, planned_gates
    )
    take_off_lines(work, gaps, None, soils, practice)
    take_off_walls(work, mends[mends["kind"] != "gap"], height_m=standard.height_m, practice=practice)
    take_off_clearing(work, lines, footholds_to_clear, wash_ground)
    if soils is None:
        warnings.warn(f"no layer of soils is given: {soil}, with {caliche_pct:g} % of caliche", Assumed, stacklevel=2)
    notes = {"gate": _note_wide_gates(lines, planned_gates, gate_width_m, units)}
    return _arrange(work, practice, waste_pct, units, notes)


def _check(waste_pct: Mapping[str, float], stock_m: float, ring_spacing_m: float, gate_width_m: float) -> None:
    for name, value in waste_pct.items():
        if not 0 <= value <= 100:
            raise DesignError(f"the waste of {name} is {value} %", mend="give 0 to 100")
    for name, value in {"stock_m": stock_m, "ring_spacing_m": ring_spacing_m}.items():
        if not 0 < value < np.inf:
            raise DesignError(f"{name} is {value}", mend="give a length above 0")
    if not 0 <= gate_width_m < np.inf:
        raise DesignError(f"gate_width_m is {gate_width_m}", mend="give a length of 0 or more")


def _lines_to_build(lots: gpd.GeoDataFrame, counted_lines: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    for name in ("line_id", "parcel_id", "height_m", "gates", "recommended"):
        if name not in counted_lines.columns:
            raise StepError(f"the lines have no column {name!r}", mend="take the lines that `count_materials` gives")
    parcels = counted_lines["parcel_id"].fillna("").astype(str)
    asked = parcels.isin(lots.loc[lots["verdict"] == "build", "parcel_id"]) | (parcels == "")
    shapes = counted_lines.geometry
    there = shapes.notna() & ~shapes.is_empty
    return counted_lines[counted_lines["recommended"].astype(bool) & asked & there].assign(parcel_id=parcels)


def _mends(lots: gpd.GeoDataFrame, ways_in: gpd.GeoDataFrame | None) -> gpd.GeoDataFrame:
    if ways_in is None or ways_in.empty:
        return gpd.GeoDataFrame({name: [] for name in ("parcel_id", "kind", "length_m", "remedy")}, geometry=[])
    chosen = ways_in[ways_in["parcel_id"].isin(lots.loc[lots["verdict"] == "retrofit", "parcel_id"])]
    shape = pd.Series(shapely.to_wkb(shapely.normalize(chosen.geometry.to_numpy())), index=chosen.index)
    shared = shape.duplicated() & chosen.geometry.notna()
    if shared.any():
        warnings.warn(
            f"{int(shared.sum())} ways in are shared by two lots: each is taken off once, on the first lot",
            Assumed,
            stacklevel=3,
        )
    return chosen[~shared]


def _gaps_as_lines(mends: gpd.GeoDataFrame, height_m: float) -> gpd.GeoDataFrame:
    gaps = mends[mends["kind"] == "gap"]
    number = gaps.groupby("parcel_id").cumcount() + 1
    names = gaps["parcel_id"].astype(str) + "-gap-" + number.astype(str)
    return gpd.GeoDataFrame(
        {"line_id": names, "parcel_id": gaps["parcel_id"], "height_m": height_m, "gates": 0},
        geometry=gaps.geometry,
        crs=mends.crs,
    )


def _panels_after_clearing(
    panels: gpd.GeoDataFrame | None, lines: gpd.GeoDataFrame, footholds: gpd.GeoDataFrame | None
) -> gpd.GeoDataFrame | None:
    """Panels with the heights that are left once the climbable things are cleared that are to be."""
    if panels is None:
        return None
    own = panels[panels["line_id"].isin(lines["line_id"])]
    if footholds is None or footholds.empty or "foothold_id" not in footholds.columns:
        return own
    cleared = footholds[footholds["cheapest"].eq("clear")] if "cheapest" in footholds.columns else footholds
    gone = pd.MultiIndex.from_frame(own[["line_id", "governed_by"]]).isin(
        pd.MultiIndex.from_frame(cleared[["line_id", "foothold_id"]])
    )
    ground = own[own["governed_by"] == "ground"].groupby("line_id")["height_m"].max()
    least = lines.drop_duplicates("line_id").set_index("line_id")["height_m"].astype(float)
    left = own["line_id"].map(ground).fillna(own["line_id"].map(least)).astype(float)
    return own.assign(height_m=np.where(gone, np.minimum(left, own["height_m"]), own["height_m"]))


def _note_wide_gates(
    lines: gpd.GeoDataFrame, planned_gates: gpd.GeoDataFrame | None, gate_width_m: float, units: str
) -> str:
    """Say how many gates are wider than a new one, because a wider gate stands there: one price does not fit all."""
    if planned_gates is None:
        return ""
    own = planned_gates[planned_gates["line_id"].isin(lines["line_id"]) & planned_gates["station_m"].notna()]
    wide = own["width_m"][own["width_m"] > gate_width_m + _WIDER_M].round(2).value_counts().sort_index()
    told = [f"{count} of {write_length(width_m, units=units)}" for width_m, count in zip(wide.index, wide, strict=True)]
    return f"wider than {write_length(gate_width_m, units=units)}: {', '.join(told)}" if told else ""


def _arrange(
    work: Work, practice: Practice, waste_pct: Mapping[str, float], units: str, notes: Mapping[str, str]
) -> pd.DataFrame:
    """Round each line's quantities as printed, add them up by lot and project, and cut the rolls."""
    order = {item: number for number, item in enumerate(ITEMS)}
    known = {item: measure_unit(item, units=units) for item in ITEMS}
    empty = pd.DataFrame({"parcel_id": [], "line_id": [], "item": [], "amount": []})
    rows = pd.concat([empty, *work.rows]) if work.rows else empty
    rows = pd.DataFrame(rows.groupby(["parcel_id", "line_id", "item"], sort=False)["amount"].sum()).reset_index()
    rows["unit"] = [known[item][0] for item in rows["item"]]
    rows["net_quantity"] = [
        round_quantity(amount / known[item][1], unit)
        for item, amount, unit in zip(rows["item"], rows["amount"], rows["unit"], strict=True)
    ]
    each = rows[rows["net_quantity"] > 0].assign(scope="line", note="")
    by_line = each[each["line_id"] != ""]
    by_lot = _add_up(each, ["parcel_id", "item", "unit"]).assign(scope="lot", line_id="")
    project = _add_up(each, ["item", "unit"]).assign(scope="project", parcel_id="", line_id="")
    project["note"] = project["item"].map(dict(notes)).fillna("")
    table = pd.concat(
        [by_line, by_lot, pd.concat([project, _rolls(work, practice, units)], ignore_index=True)], ignore_index=True
    )
    table["description"] = [describe_item(item, units=units) for item in table["item"]]
    table["section"] = [ITEMS[item].section for item in table["item"]]
    ordered = table["scope"] == "project"
    table["waste_pct"] = [
        waste_pct[ITEMS[item].waste] if last else 0.0 for item, last in zip(table["item"], ordered, strict=True)
    ]
    table["quantity"] = [
        order_quantity(net, waste, unit)
        for net, waste, unit in zip(table["net_quantity"], table["waste_pct"], table["unit"], strict=True)
    ]
    table["rank"] = table["item"].map(order)
    table["last"] = table["scope"].map({"line": 0, "lot": 1, "project": 2})
    table = table.sort_values(["last", "parcel_id", "line_id", "rank"], kind="stable", ignore_index=True)
    texts = ["scope", "parcel_id", "line_id", "item", "unit", "note"]
    table[texts] = table[texts].astype(object).where(table[texts].notna(), "").astype(str)
    return pd.DataFrame(table[_COLUMNS])


def _add_up(rows: pd.DataFrame, keys: list[str]) -> pd.DataFrame:
    summed = pd.DataFrame(rows.groupby(keys, sort=False)["net_quantity"].sum()).reset_index()
    return summed.assign(net_quantity=summed["net_quantity"].round(6), note="")


def _rolls(work: Work, practice: Practice, units: str) -> pd.DataFrame:
    rows = []
    roll = f"{practice.stock_m / METRES_PER_FOOT:g} ft" if units == "us" else f"{practice.stock_m:g} m"
    for width_in, pieces_m in sorted(work.pieces_m.items()):
        plan = cut_stock(pieces_m, stock_m=practice.stock_m)
        gap = plan.rolls - plan.bound
        proof = "proven fewest" if not gap else f"at most {gap} more than the fewest ({plan.bound})"
        loss_pct = 100 * plan.offcuts_m.sum() / (plan.rolls * practice.stock_m)
        how = f"{len(pieces_m)} pieces cut from rolls of {roll} by {plan.method}"
        note = f"{how}: {proof}; {loss_pct:.1f} % left as offcuts"
        rows.append(
            {
                "scope": "project",
                "parcel_id": "",
                "line_id": "",
                "item": f"roll_{width_in}",
                "unit": "each",
                "net_quantity": float(plan.rolls),
                "note": note,
            }
        )
    return pd.DataFrame(rows, columns=["scope", "parcel_id", "line_id", "item", "unit", "net_quantity", "note"])
