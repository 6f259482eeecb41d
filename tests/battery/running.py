"""Run a case of the battery as a user would, and look at all that it leaves behind."""

from __future__ import annotations

import json
import re
import shlex
import shutil
import sys
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

import pandas as pd
import pyogrio
from battery.making import lot, save, three

from geotools import cli

if TYPE_CHECKING:
    import pytest

PLAN = Path(__file__).with_name("plan.toml")
EARLIER = {"run.json": '{"outputs": ["run.json", "specs.csv"]}', "specs.csv": "of an earlier run"}
JARGON = re.compile(
    r"Traceback|\b\w*(?:Exception|Error)\b|ERROR \d|Warning \d|DataFrame|Series|pyogrio|fiona|rasterio|shapely"
    r"|geopandas|GDAL|OGR|GEOS|numpy|pandas|pyproj|NoneType|dtype|ndarray"
    r"|/vsi|0x[0-9a-f]{6}|line \d+, in |<class|sqlite3_"
    r"|libshp|errno|\[Errno|site-packages|pydantic|tomllib|click\."
)
"""What no message may say: words of the libraries beneath."""


class Left(NamedTuple):
    """Exit status, all that was shown, and the last line of it that is the message."""

    code: int
    shown: str

    @property
    def message(self) -> str:
        return next((text for text in reversed(self.shown.splitlines()) if text.startswith("bajada: ")), "")


def prepare(folder: Path, base: Path | None = None) -> None:
    """Lay out what every case has: the plan, good lots, desert, and the results of an earlier run."""
    if base is not None:
        shutil.copytree(base, folder, dirs_exist_ok=True)
        return
    shutil.copy(PLAN, folder / "plan.toml")
    save(folder, "lots.gpkg", three(), APN=["001", "002", "003"])
    save(folder, "desert.gpkg", [lot(0, x=-200, y=40, wide=460, deep=360)])
    (folder / "out").mkdir()
    for name, content in EARLIER.items():
        (folder / "out" / name).write_text(content)


def leave_out_geopackage(folder: Path) -> None:
    """Take the plan's last step away, which writes lots.gpkg."""
    before, step, after = (folder / "plan.toml").read_text().rpartition("[[step]]")
    assert step
    assert "write_lots" in after
    (folder / "plan.toml").write_text(before)


def call(words: list[str], capfd: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Left:
    """Call the command in this process with the working folder as it is."""
    capfd.readouterr()
    monkeypatch.setattr(sys, "argv", ["bajada", *words])
    code: object = 0
    try:
        cli.main()
    except SystemExit as ended:
        code = ended.code
    out, err = capfd.readouterr()
    return Left(code if isinstance(code, int) else 1, err + out)


def split(words: str) -> list[str]:
    return shlex.split(words)


def contents(folder: Path) -> dict[str, bytes]:
    """Every file below a folder but the results, with its bytes."""
    return {
        path.relative_to(folder).as_posix(): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file() and "out" not in path.relative_to(folder).parts[:1] and path.stat().st_size < 10_000_000
    }


def read_specs(folder: Path) -> pd.DataFrame:
    return pd.read_csv(folder / "specs.csv", dtype={"parcel_id": str}, keep_default_na=False, na_values=[""])


def read_rejected(folder: Path) -> list[str]:
    """The layer of rejected rows as "layer row: reason"."""
    table = pyogrio.read_dataframe(folder / "lots.gpkg", layer="rejected", read_geometry=False)
    return [f"{one.layer} {one.row}: {one.reason}" for one in table.itertuples()]


def read_record(folder: Path) -> dict[str, object]:
    record: dict[str, object] = json.loads((folder / "run.json").read_text(encoding="utf-8"))
    return record
