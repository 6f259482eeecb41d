"""Time closure and the cheapest barrier of invented tracts, with networkx beside: bench_separation.py [LOTS ...]."""

from __future__ import annotations

import os
import resource
import sys
import time
import warnings
from typing import TYPE_CHECKING, Any

import geopandas as gpd
import networkx as nx
import numpy as np
import pandas as pd
from shapely import LineString, Point, box

from geotools.alignment import find_lot_ground
from geotools.closure import prove_closure
from geotools.closure.site_pieces import arrange_site
from geotools.separation import choose_lots, compare_alternates, separate_lots, share_costs, trace_frontier

if TYPE_CHECKING:
    from collections.abc import Callable

LOT_M, DEEP_M, STREET_M = 20.0, 40.0, 15.0
EAST_M, NORTH_M = 430_000.0, 3_700_000.0
MOST_LOTS_FOR_NETWORKX = 6_000


def hard_pieces(size: int) -> gpd.GeoDataFrame:
    """A lattice with habitat along one side and protected ground along the other: the hard case of a minimum cut."""
    rng = np.random.default_rng(1)
    face = np.arange(size * size).reshape(size, size)
    left = np.concatenate([face[:, :-1].ravel(), face[:-1].ravel()])
    right = np.concatenate([face[:, 1:].ravel(), face[1:].ravel()])
    table: dict[str, Any] = {
        "piece_id": np.arange(len(left)).astype(str),
        "left_face": left,
        "right_face": right,
        "cost_cents": rng.integers(1, 100_000, len(left)),
    }
    for name, side in (("left", left), ("right", right)):
        row = side // size
        table[f"{name}_parcel"] = np.where(row == size - 1, np.char.add("L", (side % size).astype(str)), "")
        table[f"{name}_habitat"] = row == 0
    return gpd.GeoDataFrame(table, geometry=[Point(0, 0)] * len(left), crs=26912)


def networkx_cut(pieces: pd.DataFrame) -> int:
    """The same cut by networkx's default algorithm."""
    graph, free = nx.DiGraph(), nx.Graph()
    free.add_node("habitat")
    sides = pd.concat(
        [pieces[[f"{side}_{name}" for name in ("face", "parcel", "habitat")]].set_axis([*"fph"], axis=1)
         for side in ("left", "right")]
    )  # fmt: skip
    free.add_edges_from(("habitat", face) for face in sides.loc[sides["h"], "f"])
    low, high = np.sort(pieces[["left_face", "right_face"]].to_numpy(), axis=1).T
    barred = (pieces["cost_cents"] < 0).to_numpy()
    free.add_edges_from(zip(low[barred].tolist(), high[barred].tolist(), strict=True))
    open_faces = nx.node_connected_component(free, "habitat")
    lots = [(name, face) for face, names in zip(sides["f"], sides["p"], strict=True) for name in names.split(" | ")]
    lost = {name for name, face in lots if face in open_faces}
    priced = pieces["cost_cents"][~barred].groupby([low[~barred], high[~barred]]).sum()
    for (one, other), cents in priced.items():
        graph.add_edge(one, other, capacity=cents)
        graph.add_edge(other, one, capacity=cents)
    for one, other in free.edges:
        graph.add_edges_from([(one, other), (other, one)])
    graph.add_edges_from((face, "lots") for name, face in lots if name and name not in lost)
    return int(nx.maximum_flow_value(graph, "habitat", "lots")) if "lots" in graph else 0


def tract(lots: int) -> tuple[gpd.GeoDataFrame, gpd.GeoDataFrame, gpd.GeoDataFrame, gpd.GeoDataFrame]:
    """Blocks of two rows of ten lots with streets between them, desert around."""
    blocks = -(-lots // 20)
    wide, high = 10 * LOT_M + STREET_M, 2 * DEEP_M + STREET_M
    columns = max(round(np.sqrt(blocks * high / wide)), 1)
    number = np.arange(lots)
    column, row = number // 20 % columns, number // 20 // columns
    west = EAST_M + column * wide + number % 20 // 2 * LOT_M
    south = NORTH_M + row * high + number % 2 * DEEP_M
    house = south + np.where(number % 2 == 0, 8.0, 20.0)
    rows = int(row.max()) + 1
    east_m, north_m = EAST_M + columns * wide, NORTH_M + rows * high
    streets = [
        LineString(
            [(EAST_M - STREET_M, NORTH_M - STREET_M / 2 + n * high), (east_m, NORTH_M - STREET_M / 2 + n * high)]
        )
        for n in range(rows + 1)
    ] + [
        LineString(
            [(EAST_M - STREET_M / 2 + n * wide, NORTH_M - STREET_M), (EAST_M - STREET_M / 2 + n * wide, north_m)]
        )
        for n in range(columns + 1)
    ]
    inside = box(EAST_M - STREET_M, NORTH_M - STREET_M, east_m, north_m)
    desert = inside.buffer(300, join_style="mitre").difference(inside)

    def layer(shapes: Any, **more: Any) -> gpd.GeoDataFrame:
        return gpd.GeoDataFrame(more, geometry=shapes, crs=26912)

    return (
        layer(box(west, south, west + LOT_M, south + DEEP_M), parcel_id=[f"{n:06d}" for n in number]),
        layer(box(west + 4, house, west + 16, house + 12)),
        layer(streets, width_m=[8.0] * len(streets)),
        layer([desert]),
    )


def timed(name: str, work: Callable[[], Any], lots: int = 0) -> Any:
    """Do the work and print its seconds, and the lots per second where the lots are given."""
    start, spent = time.perf_counter(), time.process_time()
    result = work()
    seconds, spent = time.perf_counter() - start, time.process_time() - spent
    peak_gb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6
    rate = f"  {lots / seconds:,.0f} lots/s" if lots else ""
    print(f"{name:<44}{seconds:>9.2f} s  processor {spent:>7.2f} s  peak {peak_gb:.2f} GB{rate}", flush=True)
    return result


def bench_lattices() -> None:
    """Hold the hard case of a cut against networkx."""
    for size in (30, 100, 316, 1000):
        pieces = hard_pieces(size)
        name = f"hard cut, {size * size:,} faces"
        ours = timed(name, lambda pieces=pieces: separate_lots(pieces)).attrs["run_record"]["separation"]["flow_cents"]
        if size <= 100:
            assert timed(f"  networkx, {size * size:,} faces", lambda pieces=pieces: networkx_cut(pieces)) == ours


def bench_tract(lots: int) -> None:
    """Prove, arrange and cut an invented tract, and let networkx cut it too; then what is worked out from the cut."""
    parcels, houses, streets, desert = tract(lots)
    parcels["exposure"] = np.random.default_rng(1).integers(0, 1000, lots) / 10
    ground = timed(f"lot ground, {lots:,} lots", lambda: find_lot_ground(parcels, houses, streets))
    # Every third lot line is a wall, and every second of these is sound.
    walls = gpd.GeoDataFrame(geometry=parcels.boundary[::3].to_numpy(), crs=parcels.crs)
    walls["sound_now"] = np.arange(len(walls)) % 2 == 0
    start, spent = time.perf_counter(), time.process_time()
    timed("prove_closure", lambda: prove_closure(ground, desert, walls, buildings=houses), lots)
    pieces = timed("arrange_site", lambda: arrange_site(ground, desert, roads=streets), lots)
    barrier = timed("separate_lots", lambda: separate_lots(pieces), lots)
    seconds, spent = time.perf_counter() - start, time.process_time() - spent
    told = barrier.attrs["run_record"]["separation"]
    print(f"{'  these three':<44}{seconds:>9.2f} s  processor {spent:>7.2f} s  {len(pieces):,} pieces, {told}")
    if lots <= MOST_LOTS_FOR_NETWORKX:
        assert timed("  networkx, the same cut", lambda: networkx_cut(pieces), lots) == told["flow_cents"]
    frontier = timed("trace_frontier", lambda: trace_frontier(pieces, parcels), lots)
    budget = float(frontier["cost_cents"].iloc[-1]) / 300
    chosen = timed("choose_lots", lambda: choose_lots(pieces, parcels, frontier, budget_usd=budget))
    timed("share_costs", lambda: share_costs(pieces, chosen))
    timed("share_costs, all lots", lambda: share_costs(pieces, chosen.assign(protect_this=True)))
    timed("compare_alternates", lambda: compare_alternates(pieces))


if __name__ == "__main__":
    warnings.simplefilter("ignore")
    print(f"load {os.getloadavg()[0]:.1f} on {os.cpu_count()} processors")
    for number in [int(text) for text in sys.argv[1:]] or [500, 5433, 48926]:
        bench_tract(number)
    bench_lattices()
