"""Our own parsers answer or refuse in our words whatever they are given: found cases, and some seconds of new ones."""

from __future__ import annotations

import subprocess
import sys
from importlib.util import find_spec
from pathlib import Path

import pytest
from fuzz.targets import TARGETS

from geotools.units import parse_length

FUZZ = Path(__file__).parent / "fuzz"
SECONDS_A_TARGET = 5
"""A minute in all; hours on request: python tests/fuzz plans --seconds 3600."""


@pytest.mark.parametrize("case", sorted((FUZZ / "cases").iterdir()), ids=lambda path: path.name)
def test_found_cases_stay_mended(case: Path) -> None:
    TARGETS[case.name.partition("-")[0]](case.read_bytes())


def test_a_mixed_number_keeps_its_sign() -> None:
    assert parse_length("-3 1/2 in") == -parse_length("3 1/2 in")


@pytest.mark.skipif(find_spec("atheris") is None, reason="the fuzzer has no build for this machine")
@pytest.mark.parametrize("target", TARGETS)
def test_nothing_new_is_found_in_some_seconds(target: str) -> None:
    words = [sys.executable, str(FUZZ), target, "--seconds", str(SECONDS_A_TARGET)]
    told = subprocess.run(words, capture_output=True, text=True, check=False)
    assert told.returncode == 0, told.stderr[-3000:]
    assert "Done " in told.stderr
