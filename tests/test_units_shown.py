"""A run shows one system of units: what a metric run writes holds no foot or inch, and the other way round."""

from __future__ import annotations

import json
import re
import subprocess
from typing import TYPE_CHECKING

import openpyxl
import pyogrio
import pytest

from geotools.pipeline import list_plans, read_plan, run_plan
from geotools.pipeline.plan import change_plan

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

US = re.compile(
    r"(?<![A-Za-z_])(?:ft|feet|foot|inch|inches|yd3?|sq ft|cfs|acre)(?![A-Za-z_])"
    r"|(?<![.\d:])\d[\d,./]*[ -]in\b(?! (?:\d|the|a|one|each|any|of))"
    r"|(?<!ways)_(?:ft|in)\b(?!_)"
)
"""Feet, inches, yards; a column's suffix; not `place 4 in 90 % of draws`."""
METRIC = re.compile(r"\d ?(?:m|mm|cm|m2|m3|sq m)\b|\b(?:milli)?metres?\b|_(?:m|mm)\b|\bhectare\b")
_REPAIR = re.compile(r"area [\d.,]+ sq m before, [\d.,]+ sq m after")
"""What reading tells of a repaired outline is in the square metres of the working CRS, whatever is shown."""
_SETTINGS = re.compile(
    r"taken to be in metres|--set elevation\.unit=\w+|price_\w+|good to \d+ m|cells are \d+ m|to be [\d.]+ m or less"
)
"""Names of options, and what is told of the data's own cells and transformations."""


def written(folder: Path) -> Iterator[tuple[str, str]]:
    """Every text of the results, with where it stands."""
    for path in sorted(folder.iterdir()):
        if path.suffix == ".gpkg":
            for layer in pyogrio.list_layers(path)[:, 0].tolist():
                table = pyogrio.read_dataframe(path, layer=layer, read_geometry=False)
                yield f"{path.name} {layer}", " ".join(table.columns)
                for name in table.columns:
                    texts = (value for value in table[name].unique() if isinstance(value, str))
                    yield from ((f"{path.name} {layer}.{name}", value) for value in texts)
        elif path.suffix in (".csv", ".md"):
            yield path.name, path.read_text(encoding="utf-8")
        elif path.suffix == ".pdf":
            told = subprocess.run(["pdftotext", "-layout", str(path), "-"], capture_output=True, text=True, check=True)
            yield path.name, told.stdout
        elif path.suffix == ".xlsx":
            for sheet in openpyxl.load_workbook(path):
                for row in sheet.iter_rows(values_only=True):
                    yield from ((f"{path.name} {sheet.title}", value) for value in row if isinstance(value, str))
        elif path.suffix == ".html":
            yield path.name, re.sub(r"<(script|style).*?</\1>", "", path.read_text(encoding="utf-8"), flags=re.DOTALL)
        elif path.name == "run.json":
            record = json.loads(path.read_text(encoding="utf-8"))
            for told in (*record["assumptions"], *record["warnings"]):
                yield path.name, _SETTINGS.sub("", str(told))


@pytest.mark.parametrize(("plan", "units"), [("edge_bid", "metric"), ("edge_bid", "us"), ("community_rule", "metric")])
def test_a_run_shows_one_system_of_units(plan: str, units: str, tmp_path: Path) -> None:
    run_plan(change_plan(read_plan(list_plans()[plan]), settings=[f"units={units}"]), tmp_path / "out")
    other, own = (US, METRIC) if units == "metric" else (METRIC, US)
    texts = [(where, _REPAIR.sub("", text)) for where, text in written(tmp_path / "out")]
    found = {(where, match[0]): text[max(0, match.start() - 60) : match.end() + 20]
             for where, text in texts for match in other.finditer(text)}  # fmt: skip
    assert not found
    assert sum(bool(own.search(text)) for _, text in texts) > (100 if plan == "edge_bid" else 1)
