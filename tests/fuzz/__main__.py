"""Fuzz one target: python tests/fuzz plans --seconds 3600. What is found is printed, to be kept as a case."""

from __future__ import annotations

import argparse
import sys
import tempfile
from pathlib import Path

import atheris

CASES = Path(__file__).parent / "cases"
_REPOSITORY = Path(__file__).parents[2]
_GOOD = {
    "plans": sorted(_REPOSITORY.glob("pipelines/*.toml")),
    "price_lists": sorted(_REPOSITORY.glob("geotools/pricing/*.toml")),
    "rules": sorted(_REPOSITORY.glob("sample-gis/*rule*")),
}
"""Files that are right, to start from."""


def main() -> None:
    with atheris.instrument_imports(include=["geotools"]):
        from targets import TARGETS
    words = argparse.ArgumentParser(prog="python tests/fuzz", description=__doc__)
    words.add_argument("target", choices=TARGETS)
    words.add_argument("--seconds", type=int, default=60)
    words.add_argument("--seed", type=int, default=1)
    asked = words.parse_args()
    with tempfile.TemporaryDirectory() as corpus:
        for case in [*sorted(CASES.glob(f"{asked.target}-*")), *_GOOD.get(asked.target, ())]:
            (Path(corpus) / case.name).write_bytes(case.read_bytes())
        options = [f"-max_total_time={asked.seconds}", f"-seed={asked.seed}", "-max_len=16384", "-timeout=20"]
        options += ["-rss_limit_mb=4096", f"-artifact_prefix={tempfile.gettempdir()}/{asked.target}-found-"]
        atheris.Setup([sys.argv[0], corpus, *options], TARGETS[asked.target])
        atheris.Fuzz()


main()
