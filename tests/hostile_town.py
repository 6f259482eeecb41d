"""A row of towns whose every text is hostile: formulas, scripts, SQL, unseen signs, paths, great length."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import numpy as np
import pyogrio

HOSTILE = (
    '=HYPERLINK("http://invalid.example","x")',
    "+1+cmd|' /C calc'!A0",
    "-2+3",
    "@SUM(1)",
    "\t=1+1",
    "</script><script>window.broken=1</script>",
    "<img src=x onerror=window.broken=1>",
    "'); DROP TABLE bajada.lots; --",
    "\u202e\u2066txt.exe\u200b",
    "../../../etc/passwd",
    "http://invalid.example/a",
    "A" * 10_000,
)


def make_hostile(towns: Path, path: Path) -> Path:
    """Write a copy of the towns in which every text column, and the ids, are hostile."""
    for name in (row[0] for row in pyogrio.list_layers(towns)):
        layer = gpd.read_file(towns, layer=name)
        for column in layer.columns.drop("geometry"):
            if layer[column].dtype.kind in "OTU" or str(layer[column].dtype) in ("str", "string"):
                words = [f"{HOSTILE[row % len(HOSTILE)]}" for row in range(len(layer))]
                if column == "APN":
                    words = [word + ("" if row < len(HOSTILE) else f" {row}") for row, word in enumerate(words)]
                layer[column] = np.array(words, dtype=object)
        layer.assign(owner=HOSTILE[5], name=HOSTILE[6]).to_file(path, layer=name, driver="GPKG")
    return path
