"""Time the screening of generated lots with exact lines, step by step, against a row-by-row version and bare calls.

    python tests/benchmarks/bench_screen.py --lots 500 5000 50000 500000 --workers 2

One subdivision of the sample's generator (153 lots) is copied by translation, 1 km apart, with new ids: fast to make at
any size, every copy alike, and none within another's reach. Sizes above `--tile` are screened in tiles, each read from
its own file by one of the workers. For each size a table of the steps (processor seconds of all workers together, which
other work on the machine disturbs less than the clock; lots per second; most memory of a process) and the ratios to (a)
a loop over the rows with geopandas, timed on some of the lots and told for all, and (b) the array calls that the work
can't do without, on the lots of the first tile. A JSON file takes the same figures.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import os
import resource
import sys
import tempfile
import time
import warnings
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from functools import cache, partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from row_by_row import BARE, ROW_BY_ROW, same_share

from geotools import alignment, existing, exposure, habitat, reach, specs, takeoff
from geotools.alignment._loop import shortest_loops
from geotools.layers import read_inputs
from geotools.outputs.package import write_lots
from geotools.outputs.tables import write_specs_table, write_specs_workbook

if TYPE_CHECKING:
    from collections.abc import Callable

sys.path.insert(0, str(Path(__file__).parents[2] / "sample-gis"))
from scenario import build_scenario

LAYERS = ("parcels", "buildings", "walls", "gates", "easements", "washes", "open_desert", "footholds", "roads")
PITCH_M = 1000.0
COPIES_IN_A_ROW = 58
CRS = "EPSG:26912"
ROWS_TIMED = 150
"""Lots that the row-by-row version is timed on: it costs the same for each, every lot meeting the whole layers."""
LIKE = {
    "contact and distances": ("contact and distances",),
    "ground and lot lines": ("find_lot_ground", "draw_lot_lines"),
    "yard lines": ("draw_yard_lines",),
    "house loops": ("draw_house_loops",),
    "conflicts": ("find_conflicts",),
}
"""Steps of ours that do what one piece of the other versions does."""


@cache
def one_subdivision() -> dict[str, gpd.GeoDataFrame]:
    """The layers that are copied."""
    town = build_scenario(seed=7)
    return {name: town[name] for name in LAYERS}


def make_town(lots: int, first: int = 0) -> dict[str, gpd.GeoDataFrame]:
    """Copy the subdivision, from a number on, until there are so many lots; the last copy is cut short."""
    whole = one_subdivision()
    copies = -(-lots // len(whole["parcels"]))
    number = np.arange(first, first + copies)
    shift_m = PITCH_M * np.column_stack([number % COPIES_IN_A_ROW, number // COPIES_IN_A_ROW])
    town = {}
    for name, layer in whole.items():
        shapes = np.tile(layer.geometry.to_numpy(), copies)
        points, at = shapely.get_coordinates(shapes, return_index=True)
        shapely.set_coordinates(shapes, points + shift_m[at // len(layer)])
        table = pd.concat([layer.drop(columns="geometry")] * copies, ignore_index=True)
        town[name] = gpd.GeoDataFrame(table, geometry=shapes, crs=layer.crs)
    parcels = town["parcels"].iloc[:lots]
    copy_of = np.repeat(number, len(whole["parcels"]))[:lots]
    ids = [f"{copy:05d}-{parcel}" for copy, parcel in zip(copy_of, parcels["parcel_id"], strict=True)]
    town["parcels"] = parcels.assign(parcel_id=pd.Series(ids, dtype=str))
    return town


def peak_gb() -> float:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6


def screen(town_file: Path, folder: Path) -> tuple[dict[str, float], dict[str, float], dict[str, int]]:
    """Read a file of layers, screen its lots with exact lines and write the results.

    Returns the seconds of each step, the most memory by its end (GB), and the size of each file (bytes).
    """
    seconds: dict[str, float] = {}
    peaks: dict[str, float] = {}

    def step(name: str, work: Callable[[], Any]) -> Any:
        start = time.process_time()
        result = work()
        seconds[name], peaks[name] = time.process_time() - start, peak_gb()
        return result

    sources = {name: f"{town_file}#{name}" for name in LAYERS}
    read = step("read", lambda: read_inputs(sources, working_crs=CRS)).layers
    parcels, houses, roads, walls = (read[name] for name in ("parcels", "buildings", "roads", "walls"))
    desert, footholds = read["open_desert"], read["footholds"]
    washes = step("widen_washes", lambda: habitat.widen_washes(read["washes"]))
    step("map_habitat", lambda: habitat.map_habitat(desert, washes))
    factors = step("measure_factors", lambda: exposure.measure_factors(parcels, desert, washes, footholds=footholds))
    scored = step(
        "score_exposure", lambda: exposure.score_exposure(parcels, factors=factors, weights=exposure.weigh_factors())
    )
    things = step("measure_setbacks", lambda: reach.measure_setbacks(footholds))
    ground = step(
        "find_lot_ground", lambda: alignment.find_lot_ground(parcels, houses, roads, read["easements"], washes)
    )
    lot_lines = step("draw_lot_lines", lambda: alignment.draw_lot_lines(ground))
    yard_lines = step("draw_yard_lines", lambda: alignment.draw_yard_lines(ground))
    loops = step("draw_house_loops", lambda: alignment.draw_house_loops(ground, things))
    lines = step("collect_lines", lambda: alignment.collect_lines(lot_lines, yard_lines, loops))
    conflicts = step("find_conflicts", lambda: reach.find_conflicts(lines, things))
    priced = step("price_remedies", lambda: reach.price_remedies(conflicts, lines, ground))
    compared = step("recommend_lines", lambda: alignment.recommend_lines(lines, priced))
    counted = step("count_materials", lambda: takeoff.count_materials(compared))
    by_face = step("judge_walls", lambda: existing.judge_walls(walls))
    judged = step("measure_walls", lambda: reach.measure_walls(by_face, ground, things))
    step("judge_gates", lambda: existing.judge_gates(read["gates"]))
    lots = step("specify_lots", lambda: specs.specify_lots(parcels, scored, counted))
    barrier = step("list_barrier_lines", lambda: specs.list_barrier_lines(lots, counted, judged))
    clear = step("list_footholds_to_clear", lambda: alignment.list_footholds_to_clear(priced, barrier))
    step("write specs.csv", lambda: write_specs_table(lots, path=folder / "specs.csv"))
    step("write specs.xlsx", lambda: write_specs_workbook(lots, path=folder / "specs.xlsx"))
    step("write lots.gpkg", lambda: write_lots(lots, barrier, None, clear, path=folder / "lots.gpkg"))
    sizes = {path.name: path.stat().st_size for path in sorted(folder.iterdir())}
    return seconds, peaks, {"town.gpkg (input)": town_file.stat().st_size, **sizes}


def write_town(town: dict[str, gpd.GeoDataFrame], path: Path) -> None:
    for name, layer in town.items():
        layer.to_file(path, layer=name, engine="pyogrio")


def screen_tile(first: int, lots: int) -> tuple[dict[str, float], dict[str, float], dict[str, int], float]:
    """Make a tile of copies from a number on, and screen it; with its wall-clock seconds, the making left out."""
    warnings.simplefilter("ignore")
    with tempfile.TemporaryDirectory() as folder:
        town_file, out = Path(folder) / "town.gpkg", Path(folder) / "out"
        out.mkdir()
        write_town(make_town(lots, first), town_file)
        start, spent = time.perf_counter(), time.process_time()
        seconds, peaks, sizes = screen(town_file, out)
        return seconds, peaks, sizes | {"cpu_ms": int(1e3 * (time.process_time() - spent))}, time.perf_counter() - start


def compare(lots: int) -> dict[str, Any]:
    """Time (a) and (b) on a town in memory, and ours for the same work, and say how far the results are the same."""
    warnings.simplefilter("ignore")
    town = make_town(lots)
    town["washes"] = habitat.widen_washes(town["washes"])
    things = reach.measure_setbacks(town["footholds"])
    parcels = town["parcels"]
    ground = alignment.find_lot_ground(parcels, town["buildings"], town["roads"], town["easements"], town["washes"])
    lines = alignment.draw_lot_lines(ground)
    mine: dict[str, Callable[[], Any]] = {
        "contact and distances": lambda: nearness(town),
        "ground and lot lines": lambda: alignment.draw_lot_lines(
            alignment.find_lot_ground(parcels, town["buildings"], town["roads"], town["easements"], town["washes"])
        ),
        "yard lines": lambda: alignment.draw_yard_lines(ground),
        "house loops": lambda: alignment.draw_house_loops(ground, things),
        "conflicts": lambda: reach.find_conflicts(lines, things),
    }
    some = np.sort(np.random.default_rng(1).choice(lots, min(ROWS_TIMED, lots), replace=False))
    found: dict[str, Any] = {}
    for name, work in mine.items():
        ours_s, result = best_of(work)
        entry = {"ours_s": ours_s}
        if name in BARE:
            prepared = BARE[name](town, ground, lines, things)
            entry["bare_s"] = best_of(prepared)[0]
        if name in ROW_BY_ROW:
            start = time.process_time()
            rows = ROW_BY_ROW[name](town, ground, lines, things, some)
            entry["rows_s"] = (time.process_time() - start) * lots / len(some)
            entry["same_share"] = same_share(name, result, rows, some)
        found[name] = entry
    return found


def nearness(town: dict[str, gpd.GeoDataFrame]) -> pd.DataFrame:
    """Measure contact with open desert, and the distances to it and to a wash, as measure_factors does."""
    from geotools.windows import cut_along_grid

    lots = town["parcels"].geometry.to_numpy()
    desert, water = (cut_along_grid(town[name].geometry.to_numpy()) for name in ("open_desert", "washes"))
    contact = exposure.measure_contact(lots, desert, within_m=5.0)
    away_m = [exposure.measure_distance(lots, ground) for ground in (desert, water)]
    return pd.DataFrame({"contact": contact, "desert_m": away_m[0], "wash_m": away_m[1]})


def best_of(work: Callable[[], Any], repeats: int = 3) -> tuple[float, Any]:
    times = []
    for _ in range(repeats):
        start = time.process_time()
        result = work()
        times.append(time.process_time() - start)
    return min(times), result


def time_loops(lots: int = 300, things: int = 20) -> dict[str, float]:
    """Lots per second of exact loops with so many footholds in the way of each lot's line round the hull."""
    rng = np.random.default_rng(1)
    found = {}
    for name in ("square houses", "L-shaped houses"):
        wide, deep = rng.uniform(10, 16, lots), rng.uniform(9, 14, lots)
        houses = shapely.box(0, 0, wide, deep)
        if name.startswith("L"):
            houses = shapely.difference(houses, shapely.box(0.5 * wide, 0.6 * deep, wide, deep))
        hulls = shapely.convex_hull(houses)
        ground = shapely.buffer(shapely.envelope(houses), 7, join_style="mitre")
        # Nearer to the line round the hull than the setback, all of them.
        away_m = rng.uniform(0.05, 1.7, (lots, things))
        rings = shapely.get_exterior_ring(shapely.buffer(hulls[:, None], away_m))
        items = shapely.line_interpolate_point(rings, rng.uniform(0, 1, (lots, things)), normalized=True).ravel()
        at = np.repeat(np.arange(lots), things)
        work = partial(shortest_loops, houses, ground, items, item_lots=at, setbacks_m=np.full(len(items), 0.9))
        found[name] = lots / best_of(work)[0]
    return found


def run_size(lots: int, tile: int, workers: int) -> dict[str, Any]:
    """Screen so many lots, in tiles, and compare the first tile with (a) and (b)."""
    per_copy = len(one_subdivision()["parcels"])
    copies = max(tile // per_copy, 1)
    most = copies * per_copy if lots > tile else lots
    tiles = [(first // per_copy, min(most, lots - first)) for first in range(0, lots, most)]
    seconds, peaks, sizes = Counter[str](), dict[str, float](), Counter[str]()
    busy_s = 0.0
    context = multiprocessing.get_context("spawn")
    # Each worker starts afresh, so that its most memory is of this size.
    with ProcessPoolExecutor(workers if len(tiles) > 1 else 1, mp_context=context) as pool:
        for got, most_gb, bytes_, wall_s in pool.map(screen_tile, *zip(*tiles, strict=True)):
            seconds.update(got)
            sizes.update(bytes_)
            peaks = {name: max(most_gb[name], peaks.get(name, 0.0)) for name in most_gb}
            busy_s += wall_s
        used = min(workers, len(tiles))
    with ProcessPoolExecutor(1, mp_context=context) as pool:
        found = pool.submit(compare, min(lots, most)).result()
    return {
        "lots": lots, "tiles": len(tiles), "lots_in_a_tile": most, "workers": used, "seconds": dict(seconds),
        "peak_gb": peaks, "bytes": {name: size for name, size in sizes.items() if name != "cpu_ms"},
        "busy_s": busy_s, "cpu_s": sizes["cpu_ms"] / 1e3, "elapsed_s": busy_s / used, "compared": found,
    }  # fmt: skip


def tell(figures: dict[str, Any]) -> None:
    """Print one size's tables."""
    lots, total_s = figures["lots"], figures["busy_s"]
    print(
        f"\n{lots:,} lots in {figures['tiles']} tiles on {figures['workers']} workers: "
        f"{figures['elapsed_s']:,.1f} s, {lots / figures['elapsed_s']:,.0f} lots/s; "
        f"each worker {lots / total_s:,.0f} lots/s by the clock, {lots / figures['cpu_s']:,.0f} by its processor time"
    )
    print(f"{'step':26} {'seconds':>9} {'lots/s':>11} {'peak GB':>8}")
    for name, spent in figures["seconds"].items():
        print(f"{name:26} {spent:9.3f} {lots / max(spent, 1e-9):11,.0f} {figures['peak_gb'][name]:8.2f}")
    cpu_s = sum(figures["seconds"].values())
    files_s = sum(spent for name, spent in figures["seconds"].items() if name.startswith(("read", "write")))
    print(f"{'all':26} {cpu_s:9.3f} {lots / cpu_s:11,.0f}          files: {files_s / cpu_s:.0%} of it")
    print("bytes: " + ", ".join(f"{name} {size:,}" for name, size in figures["bytes"].items()))
    some = figures["lots_in_a_tile"] if figures["tiles"] > 1 else lots
    print(
        f"\nlots per second, {some:,} lots {'':5} "
        f"{'ours':>9} {'(a) rows':>9} {'(b) bare':>9} {'a/ours':>7} {'ours/b':>7}"
    )
    whole: Counter[str] = Counter()
    for name, times in [*figures["compared"].items(), ("together", whole)]:
        ours_s, rows_s, bare_s = times["ours_s"], times.get("rows_s"), times.get("bare_s")
        row = f"{name:33} {some / ours_s:9,.0f}"
        row += f" {some / rows_s:9,.0f}" if rows_s else f" {'':9}"
        row += f" {some / bare_s:9,.0f}" if bare_s else f" {'':9}"
        row += f" {rows_s / ours_s:7.1f}" if rows_s else f" {'':7}"
        row += f" {ours_s / bare_s:7.2f}" if bare_s else ""
        same = times.get("same_share")
        print(row + (f"   same on {same:.1%} of the rows" if same is not None else ""))
        if name != "together":
            whole.update({key: value for key, value in times.items() if key.endswith("_s")})


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--lots", type=int, nargs="+", default=[500, 5000])
    parser.add_argument("--tile", type=int, default=10_000, help="lots in a tile at most")
    parser.add_argument("--workers", type=int, default=os.cpu_count() or 1)
    parser.add_argument("--json", type=Path, default=Path("bench_screen.json"))
    chosen = parser.parse_args()
    warnings.simplefilter("ignore")
    every = []
    for lots in chosen.lots:
        every.append(run_size(lots, chosen.tile, chosen.workers))
        tell(every[-1])
    loops = time_loops()
    print(
        "\nexact loops with 20 footholds in the way of each lot: "
        + ", ".join(f"{name} {rate:,.0f} lots/s" for name, rate in loops.items())
    )
    chosen.json.write_text(
        json.dumps({"sizes": every, "loops_20_lots_per_s": loops}, indent=2) + "\n", encoding="utf-8"
    )
    print(f"written to {chosen.json}")


if __name__ == "__main__":
    main()
