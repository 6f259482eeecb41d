"""Draw the edges of a site together to pieces, and price each of them."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING, NamedTuple

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from geotools.closure._linework import GAP, GATE
from geotools.closure._rooms import join
from geotools.errors import LayerError

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from geotools.closure._arrangement import Arrangement
    from geotools.closure._linework import Linework
    from geotools.design import BarrierStandard

    Floats = NDArray[np.float64]
    Ints = NDArray[np.intp]
    Flags = NDArray[np.bool_]
    Shapes = NDArray[np.object_]

__all__ = ["Labels", "Prices", "draw_pieces"]

SEPARATOR = " | "
"""Between parcel_ids where several lots share a face or a piece."""
BARRED = -1
_MOST_CENTS = 2.0**60
_STREET_GATES = 2
_AT_ONCE = 20_000
_THREADS = 2


class Prices(NamedTuple):
    """Cents for a metre of new line, retrofit and filled gap, and for a new gate and the repair of one."""

    new: float
    retrofit: float
    gap: float
    gate: float
    repair: float


class Labels(NamedTuple):
    """Per face: lots whose protected ground it is ('' for none), first lot that it lies in, habitat, unbuildable."""

    parcel: NDArray[np.object_]
    lot: Ints
    wild: Flags
    barred: Flags


def draw_pieces(
    ground: gpd.GeoDataFrame,
    plan: Arrangement,
    linework: Linework,
    item: Ints,
    labels: Labels,
    first_candidate: int,
    prices: Prices,
    fronts: Shapes,
    standard: BarrierStandard,
) -> gpd.GeoDataFrame:
    """Draw the edges between the same two rooms together, by what stands there.

    Returns
    -------
    GeoDataFrame
        As `arrange_site` describes it.

    Raises
    ------
    LayerError
        If the pieces cost more cents than can be counted exactly.
    """
    held = item >= 0
    room = join(len(labels.wild), plan.left[~held], plan.right[~held])
    room = _in_order(room)
    owner, wild = _of_rooms(room, labels)
    edge = np.flatnonzero(held & (room[plan.left] != room[plan.right]))
    left, right = plan.left[edge], plan.right[edge]
    what = item[edge]
    kind = np.select(
        [
            linework.sound[what],
            labels.barred[left] & labels.barred[right],
            linework.kind[what] == GATE,
            linework.kind[what] == GAP,
            linework.row[what] < first_candidate,
        ],
        ["existing", "open", "gate", "gap", "retrofit"],
        default="new",
    )
    low_lot, high_lot = np.sort(np.stack([labels.lot[left], labels.lot[right]]), axis=0)
    line = np.select([(low_lot < 0), low_lot == high_lot], ["edge", "inside"], default="between")
    facing = _faces_street(plan, edge, high_lot, fronts) & (line == "edge")

    low_room, high_room = np.sort(np.stack([room[left], room[right]]), axis=0)
    # Beside a house, not where building must stop at a wash or an easement.
    beside_house = (
        (line == "inside") & ~shapely.is_empty(fronts[high_lot]) & ~labels.barred[left] & ~labels.barred[right]
    )
    own_gate = np.where(kind == "gate", what, -1)
    keys = pd.DataFrame(
        {
            "a": low_room,
            "b": high_room,
            "kind": pd.Categorical(kind, ["existing", "gap", "gate", "new", "open", "retrofit"]),
            "line": pd.Categorical(line, ["between", "edge", "inside"]),
            "gate": own_gate,
            "low": low_lot,
            "high": high_lot,
            "front": facing,
            "beside": beside_house,
        }
    )
    groups = keys.groupby(list(keys.columns), sort=True, observed=True)
    number: Ints = np.asarray(groups.ngroup(), dtype=np.intp)
    first = np.unique(number, return_index=True)[1]
    length_m = np.hypot(*(plan.edges[edge, 1] - plan.edges[edge, 0]).T)
    per_m = np.where(np.isin(kind, ["existing", "open"]), 0.0, linework.cost_per_m[what])
    pieces = keys.iloc[first].assign(
        length_m=np.bincount(number, length_m), cents=np.bincount(number, length_m * per_m)
    )
    pieces = pieces.reset_index(drop=True)
    gates = _new_gates(pieces, owner)
    cents = np.rint(pieces["cents"].to_numpy() + gates * prices.gate)
    if cents.sum() > _MOST_CENTS:
        raise LayerError(
            f"the pieces cost {cents.sum():.3g} cents, more than can be counted exactly",
            where="pieces",
            mend="look for a wrong price",
        )
    cost = np.select(
        [pieces["kind"] == "existing", pieces["kind"] == "open"], [0, BARRED], default=np.maximum(cents, 1)
    )
    ids = np.append(ground["parcel_id"].astype(str).to_numpy(dtype=object), "")
    low, high = ids[pieces["low"].to_numpy()], ids[pieces["high"].to_numpy()]
    beside = np.where((low == "") | (low == high), high, low + SEPARATOR + high)
    order = np.argsort(number, kind="stable")
    shapes = _draw_lines(plan.edges[edge[order]] + plan.origin, number[order])
    text = {"kind": str, "line": str, "parcel_id": str, "left_parcel": str, "right_parcel": str}
    return gpd.GeoDataFrame(
        {
            "piece_id": [f"P{number:06d}" for number in range(1, len(pieces) + 1)],
            "left_face": pieces["a"].to_numpy(np.int64),
            "right_face": pieces["b"].to_numpy(np.int64),
            "kind": pieces["kind"].to_numpy(),
            "line": pieces["line"].to_numpy(),
            "parcel_id": beside,
            "length_m": pieces["length_m"].to_numpy(),
            "height_m": np.where(pieces["kind"].isin(["existing", "open"]), np.nan, standard.height_m),
            "cost_cents": cost.astype(np.int64),
            "gates": gates,
            "left_parcel": owner[pieces["a"].to_numpy()],
            "right_parcel": owner[pieces["b"].to_numpy()],
            "left_habitat": wild[pieces["a"].to_numpy()],
            "right_habitat": wild[pieces["b"].to_numpy()],
        },
        geometry=shapes,
        crs=ground.crs,
    ).astype(text)


def _draw_lines(segments: Floats, piece: Ints) -> Shapes:
    """Draw the segments of each piece together, in portions: the segments needn't all stand as shapes at once."""
    begin = np.searchsorted(piece, np.arange(0, piece.max(initial=-1) + 1 + _AT_ONCE, _AT_ONCE))

    def draw(low: int, high: int) -> Shapes:
        lines = np.asarray(shapely.linestrings(segments[low:high]), dtype=object)
        drawn = shapely.line_merge(shapely.multilinestrings(lines, indices=piece[low:high] - piece[low]))
        return np.asarray(drawn, dtype=object)

    with ThreadPoolExecutor(_THREADS) as pool:
        return np.concatenate([np.zeros(0, dtype=object), *pool.map(draw, begin[:-1].tolist(), begin[1:].tolist())])


def _in_order(room: Ints) -> Ints:
    """Number rooms by their first face."""
    first = np.unique(room, return_index=True)[1]
    number = np.empty(len(first), dtype=np.intp)
    number[np.argsort(first, kind="stable")] = np.arange(len(first))
    return number[room]


def _of_rooms(room: Ints, labels: Labels) -> tuple[NDArray[np.object_], Flags]:
    """Gather what the faces of a room are."""
    rooms = int(room.max(initial=-1)) + 1
    wild = np.zeros(rooms, dtype=bool)
    wild[room[labels.wild]] = True
    owner = np.full(rooms, "", dtype=object)
    owned = np.flatnonzero(labels.parcel != "")
    if not len(owned):
        return owner, wild
    pairs = pd.DataFrame({"room": room[owned], "name": labels.parcel[owned]}).drop_duplicates()
    several = pairs["room"].duplicated(keep=False)
    owner[pairs.loc[~several, "room"]] = pairs.loc[~several, "name"]
    for number in pairs.loc[several, "room"].unique().tolist():
        names = pairs.loc[pairs["room"] == number, "name"]
        owner[number] = SEPARATOR.join(sorted({name for text in names for name in text.split(SEPARATOR)}))
    return owner, wild


def _faces_street(plan: Arrangement, edge: Ints, lot: Ints, fronts: Shapes) -> Flags:
    """Tell which edges lie in front of the house of their lot."""
    found = np.zeros(len(edge), dtype=bool)
    asked = np.flatnonzero(lot >= 0)
    asked = asked[~shapely.is_empty(fronts[lot[asked]])]
    middles = shapely.points(plan.edges[edge[asked]].mean(axis=1) + plan.origin)
    found[asked] = shapely.intersects(fronts[lot[asked]], middles)
    return found


def _new_gates(pieces: pd.DataFrame, owner: NDArray[np.object_]) -> Ints:
    """Count a gate in the longest new piece beside each house, and two in the longest along its street front."""
    gates = np.zeros(len(pieces), dtype=np.int64)
    new = pieces["kind"].eq("new")
    one_side = pd.Series((owner[pieces["a"].to_numpy()] == "") != (owner[pieces["b"].to_numpy()] == ""))
    for chosen, count in ((new & pieces["beside"] & one_side, 1), (new & pieces["front"], _STREET_GATES)):
        some = pieces[chosen].sort_values(["high", "length_m"], kind="stable")
        gates[some.index[~some["high"].duplicated(keep="last")]] += count
    return gates
