"""`bajada check` finds before a run whatever would stop the run because of one layer."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import pytest
from battery.file_cases import FILES
from battery.making import Case
from battery.running import JARGON, call, contents, prepare, split
from battery.shape_cases import SHAPES
from battery.value_cases import VALUES

from geotools.layers import LAYERS

ONE_LAYER = (*FILES, *SHAPES, *VALUES)


def check_words(case: Case) -> list[str]:
    """The inputs of a run and the options of its layers, as `bajada check` takes them."""
    words, made = split(case.words), ["check"]
    for option, text in pairwise(words):
        if option == "--input":
            made.append(text)
        elif option == "--set" and text.partition(".")[0] in LAYERS:
            made += ["--set", text]
    return made


@pytest.mark.parametrize("case", ONE_LAYER, ids=lambda case: case.id)
def test_check_ends_as_the_run_would(
    case: Case, tmp_path: Path, capfd: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    prepare(tmp_path)
    monkeypatch.chdir(tmp_path)
    case.make(tmp_path)
    before = contents(tmp_path)
    left = call(check_words(case), capfd, monkeypatch)
    assert left.code == case.code, left.shown
    assert not JARGON.search(left.shown), JARGON.search(left.shown)
    assert contents(tmp_path) == before
