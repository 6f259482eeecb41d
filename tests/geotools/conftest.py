"""Find open data that installed packages carry, and start a spatial database."""

from __future__ import annotations

from importlib import metadata
from typing import TYPE_CHECKING

import pytest
from database_server import serve

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator


@pytest.fixture(scope="session")
def packaged() -> Callable[[str, str], str]:
    """Find a data file of an installed package, without importing the package."""

    def find(distribution: str, ending: str) -> str:
        try:
            files = metadata.files(distribution) or []
        except metadata.PackageNotFoundError:
            pytest.skip(f"{distribution} is not installed")
        found = [file for file in files if file.as_posix().endswith(ending)]
        if not found:
            pytest.skip(f"{distribution} carries no {ending}")
        return str(found[0].locate())

    return find


@pytest.fixture(scope="session")
def database_server() -> Iterator[str]:
    """The address, with its password, of a spatial database of our own."""
    with serve() as address:
        yield address
