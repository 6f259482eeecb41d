"""Hold the cheapest barrier against its alternates: a line along the edge only, and every lot by itself."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import geopandas as gpd
import numpy as np
import pandas as pd

from geotools.separation._alone import find_own_lines
from geotools.separation._ground import cut_lots, pick, read_ground

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from geotools.separation._ground import Ground

    Flags = NDArray[np.bool_]

__all__ = ["compare_alternates"]


def compare_alternates(pieces: gpd.GeoDataFrame, compared_lots: gpd.GeoDataFrame | None = None) -> pd.DataFrame:
    """Compare a line along the edge only, every lot by itself, and the cheapest barrier.

    - `edge line`: new line only where a lot meets ground that is no lot; standing walls may be mended anywhere.
    - `lot by lot`: every owner alone closes his own lot in the cheapest way; what two neighbours both build counts
      twice.
    - `cheapest`: what `separate_lots` finds.

    Parameters
    ----------
    pieces : GeoDataFrame
        From `arrange_site`, with kind, length_m and, if known, `line` (`edge` for pieces between a lot and ground that
        is no lot). Without `line` a piece with protected ground on one side only is taken as the edge.
    compared_lots : GeoDataFrame, optional
        parcel_id and `protect_this`; without it all lots.

    Returns
    -------
    DataFrame, three rows
        alternate, length_m (to build), new_m, retrofit_m, cost_cents, lots_closed, lots_open, `left_open` (JSON list of
        parcel_ids) and `leaves` (what it leaves open, in a sentence).

    Raises
    ------
    LayerError
        If the pieces can't be used.

    Examples
    --------
    >>> pieces = pd.DataFrame({"piece_id": ["a", "b", "c"], "left_face": [0, 0, 1], "right_face": [1, 2, 2],
    ...     "cost_cents": [500, 200, 900],
    ...     "left_parcel": ["", "", "7"], "right_parcel": ["7", "8", "8"], "left_habitat": [True, True, False],
    ...     "right_habitat": [False, False, False], "kind": ["new"] * 3, "length_m": [5.0, 2.0, 9.0]})
    >>> compare_alternates(pieces)[["alternate", "length_m", "lots_closed"]].to_numpy().tolist()
    [['edge line', 7.0, 2], ['lot by lot', 14.0, 2], ['cheapest', 7.0, 2]]
    """
    ground = read_ground(pieces)
    wanted = pick(ground, compared_lots)
    if "line" in pieces.columns:
        edge = pieces["line"].to_numpy() == "edge"
    else:
        edge = (pieces["left_parcel"] == "").to_numpy() != (pieces["right_parcel"] == "").to_numpy()
    off_edge = ~edge & (pieces["kind"] == "new").to_numpy()
    at_edge = read_ground(pieces, barred=off_edge)
    rows = [
        _row("edge line", pieces, at_edge, wanted, _built(pieces, at_edge, wanted)),
        _row("lot by lot", pieces, ground, wanted, _built_alone(pieces, ground, wanted)),
        _row("cheapest", pieces, ground, wanted, _built(pieces, ground, wanted)),
    ]
    return pd.DataFrame(rows)


def _built(pieces: pd.DataFrame, ground: Ground, wanted: Flags) -> NDArray[np.int64]:
    """How often each piece is built: once, or not."""
    outside = cut_lots(ground, wanted).outside
    crossing = outside[ground.left_room] != outside[ground.right_room]
    return np.asarray(crossing & (pieces["cost_cents"].to_numpy() > 0), dtype=np.int64)


def _built_alone(pieces: pd.DataFrame, ground: Ground, wanted: Flags) -> NDArray[np.int64]:
    """How often each piece is built when every lot builds by itself."""
    times = np.zeros(len(pieces), dtype=np.int64)
    pair = np.minimum(ground.left_room, ground.right_room) * ground.rooms + np.maximum(
        ground.left_room, ground.right_room
    )
    priced = np.flatnonzero((pieces["cost_cents"].to_numpy() > 0) & (ground.left_room != ground.right_room))
    ends = np.concatenate([ground.one, ground.other])
    order = np.argsort(ends, kind="stable")
    low = np.searchsorted(ends[order], np.arange(ground.rooms + 1))
    known = ground.one * ground.rooms + ground.other
    built = np.zeros(len(known), dtype=np.int64)
    for own in find_own_lines(ground, wanted):
        touched = np.concatenate([order[low[room] : low[room + 1]] for room in own.inside.tolist()])
        rows, count = np.unique(touched % max(len(known), 1), return_counts=True)
        built[rows[count == 1]] += 1
    times[priced] = built[np.searchsorted(known, pair[priced])]
    return times


def _row(name: str, pieces: pd.DataFrame, ground: Ground, wanted: Flags, times: NDArray[np.int64]) -> dict[str, object]:
    length_m = pieces["length_m"].to_numpy(dtype=np.float64)
    new = (pieces["kind"] == "new").to_numpy()
    new_m, retrofit_m = float((length_m * times)[new].sum()), float((length_m * times)[~new].sum())
    left_open = [ground.lots[lot] for lot in np.flatnonzero(wanted & ~ground.closable)]
    inside = int((wanted & ground.wild).sum())
    leaves = (
        "nothing"
        if not left_open
        else f"{len(left_open):,} lots that open ground leads to: streets, washes and what can't be built on"
    )
    if inside:
        leaves += f" ({inside:,} of them lie in the habitat)"
    return {
        "alternate": name,
        "length_m": new_m + retrofit_m,
        "new_m": new_m,
        "retrofit_m": retrofit_m,
        "cost_cents": int((pieces["cost_cents"].to_numpy() * times).sum()),
        "lots_closed": int((wanted & ground.closable).sum()),
        "lots_open": len(left_open),
        "left_open": json.dumps(left_open, ensure_ascii=False),
        "leaves": leaves,
    }
