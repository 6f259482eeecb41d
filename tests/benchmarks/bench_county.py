"""Time the plan of a county end to end, tile by tile, on one worker and on several: files in, files out.

    python tests/benchmarks/bench_county.py --lots 5000 50000 500000 --workers 1 2

The lots are those of bench_screen.py, as GeoParquet. For each size and number of workers: seconds of the clock and of
the processors, lots per second, the share of reading and of writing, most memory of the process that joins the tiles
and of a worker, and the size of the results. Seconds by step are added up over the workers. A JSON file takes the same
figures.
"""

from __future__ import annotations

import argparse
import json
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

from bench_screen import LAYERS, make_town

_RUN = """
import json, resource, sys
from geotools.pipeline import find_plan, read_plan, run_plan
from geotools.pipeline.plan import change_plan
from pathlib import Path

if __name__ == "__main__":
    inputs, out, workers, tile, leave_out = json.loads(sys.argv[1])
    plan = change_plan(read_plan(find_plan("county")), inputs=inputs, settings=[f"tiles.lots={tile}"])
    plan = type(plan)(**{**vars(plan), "steps": tuple(row for row in plan.steps if row.gives not in leave_out)})
    engine = {"engine": "dask", "workers": workers} if workers > 1 else {}
    run_plan(plan, Path(out), progress=lambda *told: print(*told, file=sys.stderr), **engine)
    peaks = [resource.getrusage(who).ru_maxrss / 1e6 for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)]
    print(json.dumps(peaks))
"""


def main() -> None:
    words = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    words.add_argument("--lots", type=int, nargs="+", default=[500, 5_000])
    words.add_argument("--workers", type=int, nargs="+", default=[1, 2])
    words.add_argument("--tile", type=int, default=4_000)
    words.add_argument("--leave-out", nargs="*", default=[], help="files not to write, such as map.html")
    words.add_argument("--json", type=Path, default=Path("bench_county.json"))
    asked = words.parse_args()
    every = []
    with tempfile.TemporaryDirectory() as folder:
        for lots in asked.lots:
            inputs = write_layers(lots, Path(folder) / str(lots))
            for workers in asked.workers:
                out = Path(folder) / f"{lots}-{workers}"
                figures = run(inputs, out, lots, workers, asked.tile, asked.leave_out)
                every.append(figures)
                tell(figures)
                asked.json.write_text(json.dumps(every, indent=2) + "\n", encoding="utf-8")


def write_layers(lots: int, folder: Path) -> list[str]:
    """Write the generated layers, and give them as inputs."""
    folder.mkdir()
    town = make_town(lots)
    for name in LAYERS:
        town[name].to_parquet(folder / f"{name}.parquet")
    return [f"{name}={folder / name}.parquet" for name in LAYERS]


def run(inputs: list[str], out: Path, lots: int, workers: int, tile: int, leave_out: list[str]) -> dict[str, Any]:
    """Run the plan in a process of its own, and take its figures."""
    job = json.dumps([inputs, str(out), workers, tile, leave_out])
    used, clock = processor_s(), time.perf_counter()
    told = subprocess.run([sys.executable, "-c", _RUN, job], stdout=subprocess.PIPE, text=True, check=True).stdout
    seconds = time.perf_counter() - clock
    record = json.loads((out / "run.json").read_text(encoding="utf-8"))
    peaks = json.loads(told.splitlines()[-1])
    writing = sum(value for name, value in record["seconds"].items() if "." in name)
    return {
        "lots": lots,
        "workers": workers,
        "tiles": record["tiles"]["tiles"],
        "seconds": round(seconds, 1),
        "processor_s": round(processor_s() - used, 1),
        "lots_per_s": round(lots / seconds, 1),
        "reading_pct": round(100 * record["seconds"]["read"] / seconds, 1),
        "writing_pct": round(100 * writing / seconds, 1),
        "joining_peak_gb": round(peaks[0], 2),
        "worker_peak_gb": round(peaks[1], 2) if workers > 1 else None,
        "results_mb": round(sum(path.stat().st_size for path in out.iterdir()) / 1e6, 1),
        "step_seconds": record["seconds"],
    }


def processor_s() -> float:
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


def tell(figures: dict[str, Any]) -> None:
    print(", ".join(f"{name} {value}" for name, value in figures.items() if name != "step_seconds"))
    slowest = sorted(figures["step_seconds"].items(), key=lambda item: -item[1])[:12]
    print("    " + ", ".join(f"{name} {value:.1f}" for name, value in slowest), flush=True)


if __name__ == "__main__":
    main()
