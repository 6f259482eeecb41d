"""The built wheel carries all that the toolkit needs, and works outside the clone."""

from __future__ import annotations

import os
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

REPOSITORY = Path(__file__).parents[1]


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("wheel")
    command = [
        sys.executable,
        "-m",
        "pip",
        "wheel",
        "-q",
        "--no-deps",
        "--no-index",
        "--no-build-isolation",
        "-w",
        folder,
    ]
    subprocess.run([*command, REPOSITORY], check=True)
    return next(folder.glob("*.whl"))


def test_wheel_carries_types_plans_and_the_page(wheel: Path) -> None:
    names = zipfile.ZipFile(wheel).namelist()
    for name in ("geotools/py.typed", "geotools/plans/screen.toml", "geotools/outputs/page/map.js"):
        assert name in names
    assert not [name for name in names if name.startswith(("tests/", "sample-gis/"))]


def test_installed_wheel_runs_outside_the_clone(wheel: Path, town_inputs: list[str], tmp_path: Path) -> None:
    site = tmp_path / "site"
    install = [sys.executable, "-m", "pip", "install", "-q", "--no-deps", "--no-index", "--target", site, wheel]
    subprocess.run(install, check=True)
    env = {**os.environ, "PYTHONPATH": str(site)}

    def bajada(*words: str) -> subprocess.CompletedProcess[str]:
        check = f"import geotools; assert geotools.__file__.startswith({str(site)!r})"
        code = f"{check}; from geotools.cli import main; main()"
        command = [sys.executable, "-c", code, *words]
        return subprocess.run(command, env=env, cwd=tmp_path, capture_output=True, text=True, check=False)

    done = bajada("run", "screen", *town_inputs)
    assert done.returncode == 0, done.stderr
    assert (tmp_path / "maps" / "screen" / "map.html").is_file()
    without_data = bajada("run", "screen")
    assert without_data.returncode == 2
    assert "sample-gis" in without_data.stderr
