"""Every bad input ends with the right status and a message to act on; nothing is lost, nothing half-written."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest
from battery.blanks import unexplained
from battery.cases import CASES
from battery.file_cases import FILES
from battery.making import Case
from battery.place_cases import PLACES
from battery.raster_cases import RASTERS
from battery.running import (
    EARLIER,
    JARGON,
    call,
    contents,
    leave_out_geopackage,
    prepare,
    read_record,
    read_rejected,
    read_specs,
    split,
)

from geotools import steps


@pytest.fixture(scope="session")
def base(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tmp_path_factory.mktemp("base")
    prepare(made)
    return made


@pytest.fixture
def folder(base: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    prepare(tmp_path, base)
    monkeypatch.chdir(tmp_path)
    return tmp_path


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.id)
def test_case(case: Case, folder: Path, capfd: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
    if case in (*FILES, *PLACES, *RASTERS) and not case.rejected and case.id != "good lots":
        leave_out_geopackage(folder)  # what is in it does not hang on the case, and it takes its time
    case.make(folder)
    if (folder / "plugins").is_dir():
        monkeypatch.syspath_prepend(folder / "plugins")
        steps.find_step.cache_clear()
    before = contents(folder)
    left = call(split(case.words), capfd, monkeypatch)
    if (folder / "plugins").is_dir():
        steps.find_step.cache_clear()
        sys.modules.pop("odd_package", None)

    assert left.code == case.code, left.shown
    for fragment in case.says:
        assert fragment in left.shown
    if not case.id.startswith("plug-in"):  # what goes wrong in another's code is told as it is, for those who keep it
        assert not JARGON.search(left.shown), JARGON.search(left.shown)
    assert contents(folder) == before, "something was written beside the user's data"
    assert [path.name for path in folder.iterdir() if path.name.startswith(".")] == []
    if case.code:
        assert left.message.count(":") >= 1
        assert "; " in left.message, "a message ends with how to mend it"
        kept = {path.name: path.read_text() for path in (folder / "out").iterdir()}
        assert kept == EARLIER, "the earlier results are as they were"
        return
    record = read_record(folder / "out")
    assert sorted(record["outputs"]) == sorted(path.name for path in (folder / "out").iterdir())
    if "specs.csv" not in record["outputs"]:
        return
    specs = read_specs(folder / "out")
    assert tuple(specs["parcel_id"]) == case.lots
    assert unexplained(specs) == []
    rejected = read_rejected(folder / "out") if "lots.gpkg" in record["outputs"] else []
    assert len(rejected) == len(case.rejected), rejected
    for told, wanted in zip(rejected, case.rejected, strict=True):
        place, _, reason = wanted.partition(": ")
        assert told.startswith(f"{place}: ")
        assert reason in told
    assert record["counts"] == {
        "parcels_in": len(case.lots),
        "parcels_out": len(case.lots),
        "rejected": len(case.rejected),
    }
    unusable = specs["reason"].str.startswith("The outline of the parcel can't be used")
    assert tuple(specs.loc[unusable, "parcel_id"]) == case.not_built
    assert set(specs.loc[unusable, "verdict"]) <= {"do not build"}


def test_there_are_enough_cases_and_no_two_alike() -> None:
    names = [case.id for case in CASES]
    assert len(names) == len(set(names))
    assert len(names) >= 120
