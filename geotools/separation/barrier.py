"""Find the cheapest barrier of a whole subdivision."""

from __future__ import annotations

import warnings
from typing import TYPE_CHECKING

import geopandas as gpd
import numpy as np
import pandas as pd

from geotools.errors import Noticed
from geotools.separation._ground import cut_lots, join, pick, read_ground

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from geotools.separation._ground import Ground

    Ints = NDArray[np.intp]
    Flags = NDArray[np.bool_]

__all__ = ["list_shared_lines", "separate_lots"]

_SHOWN = 10


def separate_lots(pieces: gpd.GeoDataFrame, chosen_lots: pd.DataFrame | None = None) -> gpd.GeoDataFrame:
    """Find the cheapest set of pieces that parts the chosen lots from the habitat.

    A minimum cut in whole cents: it decides by itself where one line along the edge beats a line round each lot, and
    draws back from where nothing can be built. Its certificate, a flow as great as the cut, is checked and goes to
    run.json. Of several cheapest barriers it is the one that leaves the least ground outside, whatever the order of the
    rows.

    Parameters
    ----------
    pieces : GeoDataFrame, n rows
        From `arrange_site`: piece_id, left_face, right_face, cost_cents (0 where sound already, -1 where nothing can be
        built), left_parcel, right_parcel, left_habitat, right_habitat.
    chosen_lots : DataFrame, optional
        parcel_id and `protect_this`; without it all lots with protected ground are chosen. A lot that can't be closed
        at any cost is left out, and said.

    Returns
    -------
    GeoDataFrame, n rows on the same index
        The pieces with `in_barrier`, `to_build` (in the barrier and not sound yet), `component` (number of the closed
        ground, 0 for none), `serves_lots` (chosen lots in that ground) and `serves_only` (the lot's id where it is one
        alone). `attrs["run_record"]` holds the certificate: flow_cents, cut_cents.

    Raises
    ------
    LayerError
        If the pieces contradict each other or can't be counted exactly.

    Examples
    --------
    >>> from shapely import LineString
    >>> pieces = gpd.GeoDataFrame({"piece_id": ["edge", "wall"], "left_face": [0, 1], "right_face": [1, 2],
    ...     "cost_cents": [900, 0],
    ...     "left_parcel": ["", "7"], "right_parcel": ["7", ""], "left_habitat": [True, False],
    ...     "right_habitat": [False, False]},
    ...     geometry=[LineString([(0, 0), (9, 0)]), LineString([(0, 9), (9, 9)])], crs=32612)
    >>> barrier = separate_lots(pieces)
    >>> barrier["to_build"].tolist(), barrier.attrs["run_record"]["separation"]["flow_cents"]
    ([True, False], 900)
    """
    ground = read_ground(pieces)
    wanted = pick(ground, chosen_lots)
    _say_left_out(ground, wanted, chosen_lots)
    cut = cut_lots(ground, wanted)
    inside = ~cut.outside
    component, names = _components(ground, inside, wanted)
    left, right = component[ground.left_room], component[ground.right_room]
    cost = pieces["cost_cents"].to_numpy(dtype=np.int64)
    to_build = inside[ground.left_room] != inside[ground.right_room]
    to_build &= cost > 0
    relied_on = (cost == 0) & (left != right) & (np.minimum(left, right) == 0)
    total = int(cost[to_build].sum())
    if not total == cut.flow == cut.price:
        raise AssertionError(f"the pieces cost {total}, the cut {cut.price}, the flow is {cut.flow}")
    in_barrier = to_build | relied_on
    group = np.where(in_barrier, np.maximum(left, right), 0)
    count = np.array([0, *(len(lots) for lots in names)])
    alone = np.array(["", *(lots[0] if len(lots) == 1 else "" for lots in names)], dtype=object)
    barrier = pieces.assign(
        in_barrier=in_barrier,
        to_build=to_build,
        component=group,
        serves_lots=count[group],
        serves_only=pd.Series(alone[group], index=pieces.index, dtype=str),
    )
    closed = wanted & ground.closable
    barrier.attrs = {
        "run_record": {
            "separation": {
                "flow_cents": cut.flow,
                "cut_cents": cut.price,
                "lots_closed": int(closed.sum()),
                "lots_that_can_not_be_closed": int((wanted & ~ground.closable).sum()),
                "pieces_to_build": int(to_build.sum()),
            }
        }
    }
    return barrier


def list_shared_lines(
    barrier: gpd.GeoDataFrame, barrier_lines: gpd.GeoDataFrame | None = None, *, advised: bool = True
) -> gpd.GeoDataFrame:
    """List the pieces to build as lines of the plan, in front of other lines, which are then no longer advised.

    Parameters
    ----------
    barrier : GeoDataFrame
        From `separate_lots`, with kind, length_m, height_m.
    barrier_lines : GeoDataFrame, optional
        Lines of the plan so far.
    advised : bool
        Advise these lines instead of those so far; else list them behind those, as an alternative.

    Returns
    -------
    GeoDataFrame
        line_id, parcel_id (the lot where it serves one alone, else empty), option, kind, length_m, height_m, gates,
        footholds_in_conflict, posts, corners, recommended, reason, geometry.

    Examples
    --------
    >>> from geotools.steps import find_step
    >>> find_step("list_shared_lines").layers
    {'barrier': True, 'barrier_lines': False}
    """
    built = barrier[barrier["to_build"]]
    with_gate = built["gates"] if "gates" in built.columns else pd.Series(0, index=built.index)
    lines = gpd.GeoDataFrame(
        {
            "line_id": [f"S{number:05d}" for number in range(1, len(built) + 1)],
            "parcel_id": built["serves_only"].to_numpy(),
            "option": "shared line",
            "kind": np.where(built["kind"].isin(["retrofit", "gate"]), "retrofit", "new"),
            "length_m": built["length_m"].to_numpy(),
            "height_m": built["height_m"].to_numpy(),
            "gates": pd.array(with_gate.to_numpy(), dtype="Int64"),
            "recommended": advised,
            "reason": [
                f"Part of the cheapest barrier around {number:,} lot{'s' if number > 1 else ''}: "
                f"${cents / 100:,.0f} at the given prices."
                for number, cents in zip(built["serves_lots"], built["cost_cents"], strict=True)
            ],
        },
        geometry=built.geometry.to_numpy(),
        crs=barrier.crs,
    )
    counts = ["footholds_in_conflict", "posts", "corners"]
    lines[counts] = pd.DataFrame(0, index=lines.index, columns=counts, dtype="Int64")
    if barrier_lines is None or barrier_lines.empty:
        return lines
    tables = [lines, barrier_lines.assign(recommended=False)] if advised else [barrier_lines, lines]
    return gpd.GeoDataFrame(pd.concat(tables, ignore_index=True), geometry="geometry", crs=barrier.crs)


def _components(ground: Ground, inside: Flags, wanted: Flags) -> tuple[Ints, list[list[str]]]:
    """Number the closed grounds that hold wanted lots, by their first lot; 0 for all other rooms."""
    kept = inside[ground.one] & inside[ground.other]
    group = join(ground.rooms, ground.one[kept], ground.other[kept])
    served = (wanted & ground.closable)[ground.lot_at] & inside[ground.room_at]
    lots: dict[int, list[str]] = {}
    for label, lot in zip(group[ground.room_at[served]].tolist(), ground.lot_at[served].tolist(), strict=True):
        names = lots.setdefault(label, [])
        if not names or names[-1] != ground.lots[lot]:
            names.append(ground.lots[lot])
    number = np.zeros(int(group.max(initial=0)) + 1, dtype=np.intp)
    number[list(lots)] = np.arange(1, len(lots) + 1)
    return np.where(inside, number[group], 0), list(lots.values())


def _say_left_out(ground: Ground, wanted: Flags, chosen: pd.DataFrame | None) -> None:
    if chosen is not None:
        asked = chosen.loc[chosen["protect_this"].astype("boolean").fillna(False), "parcel_id"].astype(str)
        unknown = sorted(set(asked) - set(ground.lots))
        _warn(unknown, "chosen lots have no protected ground")
    in_habitat = wanted & ground.wild
    open_ground = wanted & ~ground.closable & ~ground.wild
    _warn(
        [ground.lots[at] for at in np.flatnonzero(in_habitat)], "lots lie in the habitat: no line can part them from it"
    )
    _warn(
        [ground.lots[at] for at in np.flatnonzero(open_ground)],
        "lots can't be closed: ground where nothing can be built leads to them (a road, a wash, an easement)",
    )


def _warn(names: list[str], text: str) -> None:
    if names:
        more = f" and {len(names) - _SHOWN:,} more" if len(names) > _SHOWN else ""
        warnings.warn(f"{len(names):,} {text}: {', '.join(names[:_SHOWN])}{more}", Noticed, stacklevel=4)
