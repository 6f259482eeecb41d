"""Hold the lines that are drawn without a search against hulls of fine polygons and against the search itself."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from geotools.alignment import _loop
from geotools.alignment._around import Rounds, hull_of_discs

FINE = 512


@pytest.mark.parametrize("seed", range(20))
def test_a_round_of_discs_is_the_hull_of_fine_polygons(seed: int) -> None:
    rng = np.random.default_rng(seed)
    count = int(rng.integers(1, 25))
    centre, radius_m = rng.uniform(-10, 10, (count, 2)), rng.choice([0.3, 0.9, 4.0], count)
    _, length_m, _ = hull_of_discs(centre, radius_m, np.zeros(count, dtype=np.int64))
    hull = shapely.convex_hull(shapely.union_all(shapely.buffer(shapely.points(centre), radius_m, quad_segs=FINE)))
    # A polygon of 2048 sides is shorter than its circle by four parts in ten million.
    assert length_m.item() == pytest.approx(hull.length, rel=1e-6)
    assert length_m.item() >= hull.length - 1e-9


def test_rounds_of_many_groups_are_those_of_each() -> None:
    # Square houses: discs on a line, and equally low ones.
    square = np.array([[0.0, 0.0], [10.0, 0.0], [10.0, 6.0], [0.0, 6.0], [5.0, 0.0], [5.0, -1.5]])
    radius_m = np.array([0.9, 0.9, 0.9, 0.9, 0.9, 0.3])
    each = [
        hull_of_discs(square[:size], radius_m[:size], np.zeros(size, dtype=np.int64))[1].item() for size in (4, 5, 6)
    ]
    group = np.repeat([0, 1, 2], [4, 5, 6])
    rows = np.concatenate([np.arange(4), np.arange(5), np.arange(6)])
    assert hull_of_discs(square[rows], radius_m[rows], group)[1].tolist() == pytest.approx(each, rel=1e-14)
    assert each[0] == each[1] == pytest.approx(32 + 2 * np.pi * 0.9)


@pytest.mark.parametrize("seed", range(4))
def test_lines_without_a_search_are_those_that_a_search_finds(seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(seed)
    lots, things = 30, 4
    wide, deep = rng.uniform(8, 14, lots), rng.uniform(7, 12, lots)
    houses = shapely.difference(shapely.box(0, 0, wide, deep), shapely.box(0.6 * wide, 0.5 * deep, wide, deep))
    # Some lots so narrow that a thing inside finds no room.
    ground = shapely.box(-rng.uniform(1, 5, lots), -rng.uniform(1, 5, lots), wide + 3, deep + 4)
    rings = shapely.get_exterior_ring(
        shapely.buffer(shapely.convex_hull(houses)[:, None], rng.uniform(0.1, 2.5, (lots, things)))
    )
    items = shapely.line_interpolate_point(rings, rng.uniform(0, 1, (lots, things)), normalized=True)
    shapes = items.copy()
    shapes[:, 0] = shapely.buffer(items[:, 0], 0.4, quad_segs=2)
    given = {"item_lots": np.repeat(np.arange(lots), things), "setbacks_m": rng.uniform(0.3, 0.9, lots * things)}
    quick = _loop.shortest_loops(houses, ground, shapes.ravel(), **given)

    def search_all(lots: object, parts: object, hit: np.ndarray, *_: object, **__: object) -> Rounds:
        return Rounds(_loop.join_curves([empty]), np.full(len(houses), np.nan), hit)

    empty = _loop.Curves(np.zeros(0, dtype=np.int64), np.zeros((0, 2)), np.zeros(0), np.zeros(0), np.zeros(0))
    monkeypatch.setattr(_loop, "round_inner", search_all)
    monkeypatch.setattr(_loop, "cannot_be_inside", lambda lots, parts, which, clearance_m: np.zeros_like(which))
    searched = _loop.shortest_loops(houses, ground, shapes.ravel(), **given)
    assert len({loop.status for loop in searched}) > 1
    for one, other in zip(quick, searched, strict=True):
        assert (one.status, one.inside, one.outside, one.blocked_by) == (
            other.status, other.inside, other.outside, other.blocked_by,
        )  # fmt: skip
        assert one.length_m == pytest.approx(other.length_m, abs=1e-9, nan_ok=True)
