"""Files as deliveries bring them."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pytest
from lot_samples import layer, square

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    import geopandas as gpd


@pytest.fixture
def save(tmp_path: Path) -> Callable[..., str]:
    """Write a layer to a file of the test's folder and return its path as text."""

    def write(frame: gpd.GeoDataFrame, name: str, **options: Any) -> str:
        path = tmp_path / name
        frame.to_file(path, **options)
        return str(path)

    return write


@pytest.fixture
def lots(save: Callable[..., str]) -> str:
    """Three lots side by side."""
    return save(layer([square(0, 0), square(20, 0), square(40, 0)], parcel_id=["001", "002", "A-3"]), "lots.gpkg")
