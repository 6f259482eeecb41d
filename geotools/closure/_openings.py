"""Put the openings of each lot, their remedies and the reason for the verdict into plain words."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import shapely

from geotools.closure._linework import GAP, GATE, HOUSE, JOINT, WALL
from geotools.closure._proof import HABITAT_INSIDE, OPEN_SIDE, REPAIR, Proof
from geotools.units import METRES_PER_INCH, write_run, write_small

if TYPE_CHECKING:
    import geopandas as gpd
    from numpy.typing import NDArray

    from geotools.closure._linework import Linework
    from geotools.closure._site import Site

    Ints = NDArray[np.intp]
    Shapes = NDArray[np.object_]

__all__ = ["collect", "explain", "list_openings", "warn_of_touching"]

_WALL_KINDS = {
    "too low": "wall too low",
    "openings too large": "wall openings too large",
    "climbable": "climbable wall",
    "rail outside": "wall with outside rail",
    "to be measured": "wall to be measured",
}
_NEW_LINE = "a new line along this side, or pull the line back to where it can be closed"
_LIES_IN_HABITAT = "pull the line back out of the habitat, or correct the habitat layer"
_FILL = "fill it with a line to the standard, tied tight at both ends"
_SEALED_M = 0.25 * METRES_PER_INCH
"""A gap of this width or more counts as open (published extension guides)."""


def list_openings(
    site: Site, proof: Proof, walls: gpd.GeoDataFrame, gates: gpd.GeoDataFrame | None, units: str
) -> pd.DataFrame:
    """Join the listed pieces to one opening per lot and wall, gate, gap or open side.

    Returns
    -------
    DataFrame
        lot, reason, kind, opening_m, remedy, length_m, and `line` (multi-part line in world coordinates), ordered by
        lot.
    """
    item = np.where(proof.piece_reason == REPAIR, site.item[proof.piece_edge], -1)
    keys = np.stack([proof.piece_lot, proof.piece_reason, item])
    groups, at = np.unique(keys, axis=1, return_inverse=True)
    order = np.argsort(at, kind="stable")
    segments = np.asarray(shapely.linestrings(site.plan.edges[proof.piece_edge[order]]), dtype=object)
    lines = np.full(groups.shape[1], None, dtype=object)
    shapely.multilinestrings(segments, indices=at[order], out=lines)
    lines = shapely.transform(shapely.line_merge(lines), lambda xy: xy + site.plan.origin)
    lot, reason, item = groups
    length_m = shapely.length(lines)
    kind, opening_m, remedy = _describe(site.linework, reason, item, length_m, walls, gates, units)
    return pd.DataFrame(
        {
            "lot": lot,
            "reason": reason,
            "item_kind": np.append(site.linework.kind, -1)[item],
            "kind": kind,
            "opening_m": opening_m,
            "remedy": remedy,
            "length_m": length_m,
            "line": lines,
        }
    )


def collect(openings: pd.DataFrame, lots: int) -> tuple[Shapes, list[str]]:
    """Gather each lot's openings in one collection, and their notes in one JSON text, in the same order."""
    lot = openings["lot"].to_numpy(dtype=np.intp)
    collections = np.full(lots, shapely.GeometryCollection(), dtype=object)
    if len(lot):
        shapely.geometrycollections(openings["line"].to_numpy(), indices=lot, out=collections)
    notes: list[list[dict[str, object]]] = [[] for _ in range(lots)]
    for at, kind, opening_m, remedy in zip(
        lot.tolist(), openings["kind"], openings["opening_m"].tolist(), openings["remedy"], strict=True
    ):
        known = None if np.isnan(opening_m) else round(opening_m, 6)
        notes[at].append({"kind": kind, "opening_m": known, "remedy": remedy})
    return collections, [json.dumps(note) for note in notes]


def explain(proof: Proof, openings: pd.DataFrame, ids: list[str], source: str, units: str) -> list[str]:
    """Say in a sentence why each lot is closed, closable or open."""
    lots = len(ids)
    lot = openings["lot"].to_numpy(dtype=np.intp)
    length_m = np.bincount(lot, openings["length_m"], lots)
    mend_m = mend_lengths(openings, lots)
    counts: list[dict[str, int]] = [{} for _ in range(lots)]
    for at, kind in zip(lot.tolist(), openings["kind"], strict=True):
        counts[at][kind] = counts[at].get(kind, 0) + 1
    texts = []
    for number in range(lots):
        if not proof.known[number]:
            texts.append("no ground to protect is known for this lot")
        elif proof.closed[number]:
            texts.append(
                f"closed: every route from {source} meets a sound wall, gate or house wall (doors taken as shut)"
            )
        elif proof.in_habitat[number]:
            texts.append("the protected ground lies partly or wholly in the habitat: no line around it closes it")
        elif not proof.closable[number]:
            by = f", by way of lot {ids[proof.through[number]]}" if proof.through[number] >= 0 else ""
            texts.append(
                f"open ground leads from {source} to the protected ground{by}: "
                f"{write_run(length_m[number], units=units)} of its edge has no wall, "
                "and mending what exists can't close it"
            )
        else:
            found = ", ".join(f"{times} {kind}" if times > 1 else kind for kind, times in counts[number].items())
            mend = f", {write_run(mend_m[number], units=units)} of wall or gap" if mend_m[number] else ""
            texts.append(f"open from {source}; closed once these are mended: {found}{mend}")
    return texts


def mend_lengths(openings: pd.DataFrame, lots: int) -> NDArray[np.float64]:
    """Add up the walls and gaps to mend, metres per lot."""
    counted = np.isin(openings["item_kind"], [WALL, GAP]) & (openings["reason"] == REPAIR)
    return np.asarray(np.bincount(openings["lot"].to_numpy(np.intp), openings["length_m"] * counted, lots))


def warn_of_touching(
    site: Site, proof: Proof, walls: gpd.GeoDataFrame, lots: int, snap_m: float, units: str
) -> list[str]:
    """Say where the tolerance makes two sides of one protected ground touch, and which sides."""
    texts = [""] * lots
    plan, linework = site.plan, site.linework
    if not len(proof.touch_lot):
        return texts
    solid = np.flatnonzero(linework.kind[linework.item_at] != JOINT)
    middles = plan.edges[proof.touch_edge].mean(axis=1) + plan.origin
    row, near = shapely.STRtree(linework.lines[solid]).query(
        shapely.points(middles), predicate="dwithin", distance=snap_m
    )
    order = np.lexsort((near, row))
    items = linework.item_at[solid[near[order]]]
    kinds = walls["kind"].tolist() if "kind" in walls.columns else [None] * len(walls)
    called = {item: _name(linework, item, kinds) for item in np.unique(items).tolist()}
    bounds = np.searchsorted(row[order], np.arange(len(middles) + 1)).tolist()
    for number, (lot, middle) in enumerate(zip(proof.touch_lot.tolist(), middles.tolist(), strict=True)):
        some = items[bounds[number] : bounds[number + 1]].tolist()
        names = " and ".join(dict.fromkeys(called[item] for item in some))
        if names in texts[lot]:
            continue
        text = (
            f"two sides of the protected ground come within {write_small(snap_m, units=units)} of each other "
            f"({names}, at {middle[0]:.1f}, {middle[1]:.1f}) and are taken to touch"
        )
        texts[lot] = f"{texts[lot]}; {text}" if texts[lot] else text
    return texts


def _name(linework: Linework, item: int, kinds: list[object]) -> str:
    if linework.kind[item] == HOUSE:
        return "house wall"
    if linework.kind[item] != WALL:
        return "gate" if linework.kind[item] == GATE else "gap"
    row = int(linework.row[item])
    kind = kinds[row]
    return f"{kind if isinstance(kind, str) and kind else 'wall'} (walls, row {row + 1})"


def _describe(
    linework: Linework,
    reason: Ints,
    item: Ints,
    length_m: NDArray[np.float64],
    walls: gpd.GeoDataFrame,
    gates: gpd.GeoDataFrame | None,
    units: str,
) -> tuple[NDArray[np.object_], NDArray[np.float64], NDArray[np.object_]]:
    kind = np.full(len(item), "", dtype=object)
    remedy = np.full(len(item), "", dtype=object)
    opening_m = np.full(len(item), np.nan)
    what = np.append(linework.kind, -1)[item]
    row = np.append(linework.row, -1)[item]

    wall = what == WALL
    judged = _column(walls, "judgement", "")[row[wall]]
    kind[wall] = [_WALL_KINDS.get(str(verdict), "wall not sound") for verdict in judged]
    remedy[wall] = [str(text) or "mend it to the standard" for text in _column(walls, "mend", "")[row[wall]]]
    opening_m[wall] = _column(walls, "opening_m", np.nan)[row[wall]].astype(np.float64)
    gate = what == GATE
    tight = write_small(_SEALED_M, units=units)
    sweep = f"a rigid sweep to a hard sill, sides sealed to less than {tight}, self-closing"
    if gates is not None:
        kind[gate] = "gate"
        remedy[gate] = [str(text) or sweep for text in _column(gates, "mend", "")[row[gate]]]
        opening_m[gate] = _column(gates, "opening_m", np.nan)[row[gate]].astype(np.float64)
    for chosen, name, mend in (
        (what == GAP, "gap", _FILL),
        (reason == OPEN_SIDE, "open side", _NEW_LINE),
        (reason == HABITAT_INSIDE, "habitat inside", _LIES_IN_HABITAT),
    ):
        kind[chosen], remedy[chosen], opening_m[chosen] = name, mend, length_m[chosen]
    opening_m[reason == HABITAT_INSIDE] = np.nan
    return kind, opening_m, remedy


def _column(table: gpd.GeoDataFrame, name: str, missing: object) -> NDArray[np.object_]:
    if name not in table.columns:
        return np.full(len(table), missing, dtype=object)
    column = table[name]
    return np.asarray(column.astype(object).where(column.notna(), missing), dtype=object)
