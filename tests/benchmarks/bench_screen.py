"""Time the screening steps against a row-by-row version and against the bare array calls, in one run.

    python tests/benchmarks/bench_screen.py --rows 3 --columns 3

Prints lots per second and ratios; the town is made up by the generator of the sample.
"""

from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from geotools.alignment import draw_house_loops, draw_lot_lines, draw_yard_lines, find_lot_ground
from geotools.design import BarrierStandard
from geotools.exposure.measures import measure_contact, measure_distance
from geotools.habitat import widen_washes
from geotools.reach import find_conflicts, measure_setbacks

if TYPE_CHECKING:
    from collections.abc import Callable

    import geopandas as gpd

sys.path.insert(0, str(Path(__file__).parents[2] / "sample-gis"))
from scenario import build_scenario

Town = dict[str, "gpd.GeoDataFrame"]


def ours(town: Town) -> dict[str, Callable[[], Any]]:
    standard = BarrierStandard()
    washes = widen_washes(town["washes"])
    things = measure_setbacks(town["footholds"], standard=standard)
    ground = find_lot_ground(town["parcels"], town["buildings"], town["roads"], town["easements"], washes)
    lines = draw_lot_lines(ground)
    return {
        "nearness": lambda: nearness(town, washes),
        "lot lines": lambda: draw_lot_lines(
            find_lot_ground(town["parcels"], town["buildings"], town["roads"], town["easements"], washes)
        ),
        "conflicts": lambda: find_conflicts(lines, things, standard=standard),
        "yard lines": lambda: draw_yard_lines(ground),
        "house loops": lambda: draw_house_loops(ground, things),
    }


def nearness(town: Town, washes: gpd.GeoDataFrame) -> None:
    """Measure contact with open desert, and the distances to it and to a wash."""
    lots = town["parcels"].geometry.to_numpy()
    desert = shapely.get_parts(town["open_desert"].union_all())
    measure_contact(lots, desert, within_m=5.0)
    measure_distance(lots, desert)
    measure_distance(lots, shapely.get_parts(washes.union_all()))


def row_by_row(town: Town) -> dict[str, Callable[[], Any]]:
    """Compute the same by a loop over the lots, each against whole layers: what a first script does."""
    standard = BarrierStandard()
    washes = widen_washes(town["washes"])
    things = measure_setbacks(town["footholds"], standard=standard)
    desert, water = town["open_desert"].union_all(), washes.union_all()
    zone = desert.buffer(5.0)
    lots = list(town["parcels"].geometry)

    def nearness_of_each() -> list[tuple[float, float, float]]:
        return [
            (lot.boundary.intersection(zone).length / lot.boundary.length, lot.distance(desert), lot.distance(water))
            for lot in lots
        ]

    def lot_lines() -> list[float]:
        lengths = []
        for lot in lots:
            inset = lot.buffer(-standard.lot_line_offset_m, join_style="mitre")
            for layer in (town["easements"], washes):
                for shape in layer.geometry[layer.intersects(inset)]:
                    inset = inset.difference(shape)
            lengths.append(inset.length)
        return lengths

    lines = draw_lot_lines(find_lot_ground(town["parcels"]))

    def conflicts() -> int:
        count = 0
        for line in lines.geometry:
            distances_m = things.distance(line)
            count += int((distances_m < things["setback_m"]).sum())
        return count

    return {"nearness": nearness_of_each, "lot lines": lot_lines, "conflicts": conflicts}


def bare_calls(town: Town) -> dict[str, Callable[[], Any]]:
    """Make only the array calls that the work can't do without."""
    standard = BarrierStandard()
    lots = town["parcels"].geometry.to_numpy()
    outlines = shapely.boundary(lots)
    desert = shapely.get_parts(town["open_desert"].union_all())
    washes = widen_washes(town["washes"]).geometry.to_numpy()
    things = town["footholds"].geometry.to_numpy()

    def nearness_of_each() -> None:
        zone = shapely.buffer(desert, 5.0)
        at, of = shapely.STRtree(zone).query(outlines, predicate="intersects")
        shapely.length(shapely.intersection(outlines[at], zone[of]))
        shapely.STRtree(desert).query_nearest(lots, return_distance=True)
        shapely.STRtree(washes).query_nearest(lots, return_distance=True)

    def lot_lines() -> None:
        inset = shapely.buffer(lots, -standard.lot_line_offset_m, join_style="mitre")
        shapes = np.concatenate([town["easements"].geometry.to_numpy(), washes])
        of, at = shapely.STRtree(inset).query(shapes, predicate="intersects")
        shapely.difference(inset[at], shapes[of])

    def conflicts() -> None:
        of, at = shapely.STRtree(outlines).query(things, predicate="dwithin", distance=standard.reach_m)
        shapely.distance(things[of], outlines[at])

    return {"nearness": nearness_of_each, "lot lines": lot_lines, "conflicts": conflicts}


def seconds(work: Callable[[], Any], *, repeats: int) -> float:
    times = []
    for _ in range(repeats):
        start = time.perf_counter()
        work()
        times.append(time.perf_counter() - start)
    return float(np.median(times))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--rows", type=int, default=2)
    parser.add_argument("--columns", type=int, default=2)
    chosen = parser.parse_args()
    town = build_scenario(seed=7, rows=chosen.rows, columns=chosen.columns)
    town["open_desert"] = town["open_desert"].set_geometry(town["open_desert"].make_valid())
    lots = len(town["parcels"])
    slow, bare = row_by_row(town), bare_calls(town)
    print(f"{lots:,} lots, {len(town['footholds']):,} footholds; lots per second, median of 3")
    print(f"{'work':12} {'ours':>10} {'row by row':>11} {'bare calls':>11} {'times faster':>13} {'of bare':>8}")
    for name, work in ours(town).items():
        own = seconds(work, repeats=3)
        row = f"{name:12} {lots / own:10,.0f}"
        if name in slow:
            loop, raw = seconds(slow[name], repeats=1), seconds(bare[name], repeats=3)
            row += f" {lots / loop:11,.0f} {lots / raw:11,.0f} {loop / own:13.1f} {own / raw:8.2f}"
        print(row)


if __name__ == "__main__":
    main()
