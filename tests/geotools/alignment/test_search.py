"""Hold that the line of a lot does not hang on the lots that it is searched with."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from geotools.alignment import _loop, _taut


@pytest.mark.parametrize("pairs", [1, 2000])
def test_lots_searched_together_get_the_bytes_that_each_gets_alone(pairs: int, monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(3)
    lots, things = 12, 8
    wide, deep = rng.uniform(8, 14, lots), rng.uniform(7, 12, lots)
    houses = shapely.difference(shapely.box(0, 0, wide, deep), shapely.box(0.5 * wide, 0.6 * deep, wide, deep))
    ground = shapely.difference(
        shapely.buffer(shapely.envelope(houses), rng.uniform(1.5, 5, lots), join_style="mitre"),
        shapely.box(wide + 1, deep + 1, wide + 1.2, deep + 1.2),
    )
    rings = shapely.get_exterior_ring(
        shapely.buffer(shapely.convex_hull(houses)[:, None], rng.uniform(0.1, 1.7, (lots, things)))
    )
    items = shapely.line_interpolate_point(rings, rng.uniform(0, 1, (lots, things)), normalized=True)
    items[:, 0] = shapely.buffer(items[:, 0], 0.3, quad_segs=1)
    setbacks_m = np.full((lots, things), 0.9)
    searched: list[int] = []
    search = _loop.hold_off
    monkeypatch.setattr(_loop, "hold_off", lambda *given: searched.append(len(given[3])) or search(*given))
    monkeypatch.setattr(_taut, "_PAIRS_AT_ONCE", pairs)
    at = np.repeat(np.arange(lots), things)
    together = _loop.shortest_loops(houses, ground, items.ravel(), item_lots=at, setbacks_m=setbacks_m.ravel())
    assert searched[0] >= lots // 2
    for lot, loop in enumerate(together):
        alone = _loop.shortest_loop(houses[lot], ground[lot], items[lot], setbacks_m=setbacks_m[lot])
        assert (loop.line is None) == (alone.line is None)
        assert loop.line is None or loop.line.wkb == alone.line.wkb
        assert loop.status == alone.status
        assert [item - lot * things for item in (*loop.inside, *loop.blocked_by)] == [*alone.inside, *alone.blocked_by]
