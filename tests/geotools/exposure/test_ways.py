"""Hold ways and their costs against a published grid, an independent graph search and what must never happen."""

from __future__ import annotations

import math
import warnings
from typing import Any

import geopandas as gpd
import numpy as np
import pytest
import shapely
import shapely.affinity
import shapely.ops
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import dijkstra

from geotools.errors import DesignError, LayerError, Noticed
from geotools.exposure import draw_routes, measure_movement
from geotools.exposure._crossings import lay_net, meet_walls
from geotools.exposure._ways import accumulate_cost

CRS = "EPSG:32612"
X_M, Y_M = 510_000.0, 3_575_000.0
INF = np.inf


def layer(shapes: Any, **columns: Any) -> gpd.GeoDataFrame:
    moved = shapely.transform(list(shapes), lambda points: points + np.array([X_M, Y_M]))
    return gpd.GeoDataFrame(columns, geometry=gpd.GeoSeries(list(moved), crs=CRS))


def habitat(*boxes: Any, kind: str = "open desert") -> gpd.GeoDataFrame:
    return layer(boxes, kind=[kind] * len(boxes), quality=[1.0] * len(boxes))


LOT = layer([shapely.box(60, 0, 80, 40)], parcel_id=["1"])
DESERT = habitat(shapely.box(0, 0, 20, 40))


def wall(*points: tuple[float, float], sound: bool = True) -> gpd.GeoDataFrame:
    return layer([shapely.LineString(points)], sound_now=[sound])


def cost_m(lots: gpd.GeoDataFrame = LOT, surface: gpd.GeoDataFrame = DESERT, **others: Any) -> float:
    table = measure_movement(lots, surface, **{"cell_m": 1.0, "farthest_m": 160.0, **others})
    return float(table["desert_cost_m"].iloc[0])


@pytest.mark.published("cost-distance grid 6 x 6, widely reproduced; the input from memory, the output by own Dijkstra")
def test_published_cost_distance_grid() -> None:
    cost = np.array(
        [
            [1, 3, 4, 4, 3, 2],
            [4, 6, 2, 3, 7, 6],
            [5, 8, 7, 5, 6, 6],
            [1, 4, 5, INF, 5, 1],
            [4, 7, 5, INF, 2, 6],
            [1, 2, 2, 1, 3, 4],
        ]
    )
    expected = [
        [2.0, 0.0, 0.0, 4.0, 6.7, 9.2],
        [4.5, 4.0, 0.0, 2.5, 7.5, 13.1],
        [8.0, 7.1, 4.5, 4.9, 8.9, 12.7],
        [5.0, 7.5, 10.5, INF, 10.6, 9.2],
        [2.5, 5.7, 6.4, INF, 7.1, 11.1],
        [0.0, 1.5, 3.5, 5.0, 7.0, 10.5],
    ]
    sources = np.zeros((6, 6), dtype=bool)
    sources[0, 1] = sources[0, 2] = sources[1, 2] = sources[5, 0] = True
    found = accumulate_cost(cost, sources, cell_m=1.0)
    # The table is printed to a tenth.
    assert found == pytest.approx(np.array(expected), abs=0.0501)


def graph_cost(resistance: np.ndarray[Any, Any], sources: np.ndarray[Any, Any], cell_m: float) -> Any:
    """Every pair of neighbouring cells as an edge of a graph, searched by an independent library."""
    rows, columns = resistance.shape
    number = np.arange(rows * columns).reshape(rows, columns)
    start, stop, length = [], [], []
    for down, right in ((0, 1), (1, 0), (1, 1), (1, -1)):
        here = number[: rows - down, max(-right, 0) : columns - max(right, 0)].ravel()
        there = here + down * columns + right
        mean = (resistance.ravel()[here] + resistance.ravel()[there]) / 2
        kept = np.isfinite(mean)
        start.append(here[kept])
        stop.append(there[kept])
        length.append(mean[kept] * math.hypot(down, right) * cell_m)
    graph = coo_matrix(
        (np.concatenate(length), (np.concatenate(start), np.concatenate(stop))), shape=(number.size, number.size)
    )
    from_cells = np.flatnonzero(sources & np.isfinite(resistance))
    if not len(from_cells):
        return np.full(resistance.shape, INF)
    return dijkstra(graph, directed=False, indices=from_cells, min_only=True).reshape(resistance.shape)


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 10_000), st.integers(2, 14), st.integers(2, 14))
def test_costs_against_a_graph_search(seed: int, rows: int, columns: int) -> None:
    rng = np.random.default_rng(seed)
    resistance = rng.choice([1.0, 2.0, 4.0, INF], (rows, columns), p=[0.4, 0.3, 0.1, 0.2])
    sources = rng.random((rows, columns)) < rng.choice([0.05, 0.4])
    found = accumulate_cost(resistance, sources, cell_m=2.0)
    assert found == pytest.approx(graph_cost(resistance, sources, 2.0))


def test_plain_ground_by_hand() -> None:
    # 40 m of bare ground at 2, from edge to edge.
    assert cost_m() == pytest.approx(40 * 2)
    assert cost_m(resistance={"bare": 1.0, "yard": 1.0}) == pytest.approx(40)


@pytest.mark.parametrize("cell_m", [0.5, 1.0, 1.3, 2.0, 2.7, 4.0])
@pytest.mark.parametrize("moved", [0.0, 0.5, 0.31])
def test_cells_and_their_place_do_not_matter_on_even_ground(cell_m: float, moved: float) -> None:
    # 60 m from the desert's edge to the yard's, all of it at 1: the way is straight along a row, so 60 exactly.
    even = {"bare": 1.0, "yard": 1.0}

    def shifted(table: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
        return table.set_geometry(table.translate(moved * cell_m, moved * cell_m))

    lot, desert = layer([shapely.box(80, -40, 110, 90)], parcel_id=["1"]), habitat(shapely.box(-20, -60, 20, 100))
    assert cost_m(shifted(lot), shifted(desert), cell_m=cell_m, resistance=even) == pytest.approx(60)


@pytest.mark.parametrize("turn_deg", [10, 22.5, 45, 70])
def test_a_turned_town_costs_no_more_than_the_grid_adds(turn_deg: float) -> None:
    def turned(table: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
        return table.set_geometry(table.rotate(turn_deg, origin=(X_M + 50, Y_M + 20)))

    even = {"bare": 1.0, "yard": 1.0}
    lot, desert = layer([shapely.box(80, 10, 110, 30)], parcel_id=["1"]), habitat(shapely.box(0, 10, 20, 30))
    # Eight directions make a way at most 1 / cos(22.5 deg) = 1.0824 times as long, and never shorter.
    assert 60 - 1e-6 <= cost_m(turned(lot), turned(desert), resistance=even) <= 60 * 1.0824 + 1e-6


@pytest.mark.parametrize("cell_m", [0.6, 1.0, 1.7, 2.5, 4.0])
@pytest.mark.parametrize("turn_deg", [0.0, 8.0, 33.0, 45.0])
def test_an_opening_narrower_than_a_cell_passes_and_costs_its_detour(cell_m: float, turn_deg: float) -> None:
    even = {"bare": 1.0, "yard": 1.0, "opening": 1.0}
    middle = shapely.Point(70, 20)
    yard, pen = shapely.box(60, 10, 80, 30), shapely.box(45, -5, 95, 45)
    lot = layer([shapely.affinity.rotate(yard, turn_deg, middle)], parcel_id=["1"])
    desert = habitat(shapely.affinity.rotate(shapely.box(0, -20, 20, 60), turn_deg, middle))
    # The pen opens on its far side: round the corner, back to the opening and in. A gap of 0.4 m needs no listing.
    far = [(95, 20.2), (95, 45), (45, 45), (45, -5), (95, -5), (95, 19.8)]
    gapped = layer([shapely.affinity.rotate(shapely.LineString(far), turn_deg, middle)], sound_now=[True])
    listed = layer([shapely.affinity.rotate(pen.exterior, turn_deg, middle)], sound_now=[True])
    opening = layer([shapely.affinity.rotate(shapely.Point(95, 20), turn_deg, middle)])
    # 25 m to the line of the corner, 50 along the pen, 25 back to the gap, 15 in.
    straight = 25 + 50 + 25 + 15
    for found in (
        cost_m(lot, desert, judged_walls=gapped, cell_m=cell_m, resistance=even),
        cost_m(lot, desert, judged_walls=listed, openings=opening, cell_m=cell_m, resistance=even),
    ):
        # Corners are rounded within a cell, and eight directions add up to 8.24 %.
        assert straight - 2.5 * cell_m <= found <= straight * 1.0824 + 2.5 * cell_m
    assert cost_m(lot, desert, judged_walls=listed, cell_m=cell_m, resistance=even) == INF


@settings(max_examples=60, deadline=None)
@given(st.floats(0, 90), st.floats(0.6, 5.0), st.floats(-3, 3), st.floats(-3, 3))
def test_a_thin_wall_never_leaks(turn_deg: float, cell_m: float, east_m: float, north_m: float) -> None:
    ring = shapely.affinity.translate(
        shapely.affinity.rotate(shapely.box(45, -15, 95, 55).exterior, turn_deg), east_m, north_m
    )
    # Drawn in pieces whose ends miss each other by a twentieth of a metre.
    pieces = [shapely.LineString(pair) for pair in zip(ring.coords[:-1], ring.coords[1:], strict=True)]
    pieces = [shapely.ops.substring(line, 0.05, line.length) for line in pieces]
    assert cost_m(judged_walls=layer(pieces, sound_now=[True] * 4), cell_m=cell_m) == INF


@pytest.mark.parametrize("cell_m", [1.0, 2.0, 3.0, 4.5])
def test_a_corridor_narrower_than_a_cell_is_a_way(cell_m: float) -> None:
    # Two long walls 0.9 m apart, askew to the grid, are all that leads into the pen.
    corridor = [[(30, 3.0), (50, 10.0)], [(30, 3.96), (50, 10.96)]]
    pen = [(50, 10.0), (50, 0), (95, 0), (95, 45), (50, 45), (50, 10.96)]
    walls = layer([shapely.LineString(line) for line in (*corridor, pen)], sound_now=[True] * 3)
    assert cost_m(judged_walls=walls, cell_m=cell_m) < INF


def test_a_sound_gate_shuts_the_gap_that_it_hangs_in() -> None:
    gapped = wall((45, 20.6), (45, 55), (95, 55), (95, -15), (45, -15), (45, 19.4))
    gate = layer([shapely.Point(45.1, 20)], width_m=[1.2], sound_now=[True])
    assert cost_m(judged_walls=gapped) < INF
    assert cost_m(judged_walls=gapped, judged_gates=gate) == INF
    assert cost_m(judged_walls=gapped, judged_gates=gate.assign(sound_now=False)) < INF


def test_an_unsound_wall_counts_for_a_metre_whatever_the_cell() -> None:
    for cell_m in (0.7, 1.0, 2.0, 3.3):
        across = wall((40, -400), (40, 400), sound=False)
        assert cost_m(judged_walls=across, cell_m=cell_m) == pytest.approx(cost_m(cell_m=cell_m) + 4)


def test_moves_against_walls_as_an_independent_library_has_it() -> None:
    rng = np.random.default_rng(3)
    walls = rng.uniform(0, 12, (60, 2, 2))
    cost = np.where(rng.random(60) < 0.5, INF, rng.uniform(1, 5, 60))
    start = rng.uniform(1, 10, (400, 2))
    stop = start + rng.uniform(-1.5, 1.5, (400, 2))
    found = meet_walls(lay_net(walls, cost, np.ones((12, 12), dtype=bool)), start, stop)
    moves = shapely.linestrings(np.stack([start, stop], axis=1))
    crossed = shapely.intersects(moves[:, None], shapely.linestrings(walls)[None, :])
    assert found == pytest.approx(np.where(crossed, cost, 0.0).sum(axis=1))


def test_a_sound_wall_is_gone_round_an_unsound_one_through() -> None:
    plain = cost_m()
    unsound = cost_m(judged_walls=wall((40, -20), (40, 60), sound=False))
    sound = cost_m(judged_walls=wall((40, -20), (40, 60)))
    assert plain < unsound < sound < INF
    # Round the nearer end of the wall, 20 m aside, in steps along rows, columns and diagonals.
    assert sound == pytest.approx(plain + 2 * 2 * 20 * (math.sqrt(2) - 1), abs=8)


@pytest.mark.parametrize("turn_deg", [0, 17, 45, 73])
@pytest.mark.parametrize("cell_m", [0.7, 1.0, 2.0])
def test_a_closed_wall_leaves_no_way_however_it_lies(turn_deg: float, cell_m: float) -> None:
    ring = shapely.affinity.rotate(shapely.box(45, -15, 95, 55).exterior, turn_deg)
    walls = layer([ring], sound_now=[True])
    assert cost_m(judged_walls=walls, cell_m=cell_m) == INF
    opened = layer([ring.interpolate(ring.project(shapely.Point(10, 20)))])
    assert cost_m(judged_walls=walls, openings=opened, cell_m=cell_m) < INF
    gate = opened.assign(sound_now=False)
    assert cost_m(judged_walls=walls, judged_gates=gate, cell_m=cell_m) < INF
    assert cost_m(judged_walls=walls, judged_gates=gate.assign(sound_now=True), cell_m=cell_m) == INF


@pytest.mark.parametrize("turn_deg", [0, 23, 45])
def test_walls_that_end_at_a_house_close_with_it(turn_deg: float) -> None:
    middle = shapely.Point(70, 20)
    house = shapely.affinity.rotate(shapely.box(60, 0, 80, 8), turn_deg, origin=middle)
    line = shapely.LineString([(62, 8), (55, 20), (55, 38), (85, 38), (85, 20), (78, 8)])
    line = shapely.affinity.rotate(line, turn_deg, origin=middle)
    yard = shapely.affinity.rotate(shapely.box(62, 15, 78, 35), turn_deg, origin=middle)
    lot = layer([yard], parcel_id=["1"])
    assert cost_m(lot, judged_walls=layer([line], sound_now=[True]), buildings=layer([house]), cell_m=2.0) == INF


def test_roads_slow_and_washes_carry() -> None:
    road = layer([shapely.LineString([(40, -800), (40, 800)])], width_m=[10.0])
    assert cost_m(roads=road) == pytest.approx(cost_m() + 10 * 2, abs=4)
    wash = habitat(shapely.box(20, 18, 62, 22), kind="wash")
    both = gpd.GeoDataFrame(gpd.pd.concat([DESERT, wash], ignore_index=True), crs=CRS)
    table = measure_movement(LOT, both, roads=road, cell_m=1.0, farthest_m=160.0)
    assert table["wash_cost_m"].iloc[0] == 0
    assert table["desert_cost_m"].iloc[0] == pytest.approx(42, abs=3)


def test_windows_and_order_do_not_matter(monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(4)
    corner = rng.uniform(30, 600, (40, 2))
    lots = layer([shapely.box(x, y, x + 12, y + 12) for x, y in corner], parcel_id=[str(n) for n in range(40)])
    walls = layer([shapely.LineString(rng.uniform(0, 620, (2, 2))) for _ in range(25)], sound_now=rng.random(25) < 0.6)
    desert = habitat(shapely.box(-10, -10, 25, 640), shapely.box(300, 300, 330, 330))
    whole = measure_movement(lots, desert, judged_walls=walls, farthest_m=300.0)["desert_cost_m"]
    assert 5 < np.isfinite(whole).sum() < 40
    # No way is shorter than the plain distance; cells of 2 m that touch the desert reach up to a diagonal beyond it.
    plain_m = lots.distance(desert.union_all())
    assert (whole >= plain_m - 2 * 2 * math.sqrt(2)).all()
    monkeypatch.setattr("geotools.exposure._ways.WINDOW_M2", 3000.0)
    cut = measure_movement(lots.iloc[::-1], desert, judged_walls=walls, farthest_m=300.0)["desert_cost_m"]
    assert cut.sort_index().to_numpy() == pytest.approx(whole.to_numpy())


def test_mirrored_towns_have_mirrored_costs() -> None:
    rng = np.random.default_rng(9)
    corner = rng.integers(30, 300, (25, 2)) * 2.0
    lots = [shapely.box(x, y, x + 12, y + 12) for x, y in corner]
    walls = [shapely.LineString(rng.uniform(0, 620, (2, 2))) for _ in range(15)]
    desert = [shapely.box(0, 0, 24, 600)]

    def costs(mirror: int) -> Any:
        turned = [shapely.transform(s, lambda points: points * np.array([mirror, 1])) for s in (lots, walls, desert)]
        ids = [str(number) for number in range(25)]
        sound = layer(turned[1], sound_now=[True] * 15)
        return measure_movement(layer(turned[0], parcel_id=ids), habitat(*turned[2]), judged_walls=sound)

    assert costs(-1)["desert_cost_m"].to_numpy() == pytest.approx(costs(1)["desert_cost_m"].to_numpy())


@settings(max_examples=20, deadline=None)
@given(st.floats(0, 200), st.floats(0, 60))
def test_moving_away_never_lowers_the_cost(away_m: float, further_m: float) -> None:
    def cost(distance_m: float) -> float:
        return cost_m(
            layer([shapely.box(20 + distance_m, 0, 40 + distance_m, 40)], parcel_id=["1"]), cell_m=4.0, farthest_m=600.0
        )

    assert cost(away_m + further_m) >= cost(away_m) - 1e-9


def test_stacked_tiny_and_missing_lots() -> None:
    lots = layer(
        [shapely.box(60, 0, 80, 40), shapely.box(60, 0, 80, 40), shapely.box(60.2, 0.2, 60.3, 0.3)],
        parcel_id=["a", "b", "c"],
    )
    lots = gpd.GeoDataFrame(gpd.pd.concat([lots, lots.iloc[:1].assign(geometry=None)], ignore_index=True), crs=CRS)
    table = measure_movement(lots, DESERT, cell_m=1.0, farthest_m=160.0)
    assert table["desert_cost_m"].tolist()[:3] == pytest.approx([80.0, 80.0, 40.2 * 2], abs=1.0)
    assert np.isnan(table["desert_cost_m"].iloc[3])


def test_what_is_proved_closed_is_not_reached() -> None:
    closure = LOT.assign(closed_now=True)
    assert cost_m(closure=closure) == INF
    with pytest.raises(LayerError, match="not of the same parcels"):
        cost_m(closure=closure.iloc[:0])


def test_route_is_as_long_and_costly_as_measured() -> None:
    walls = wall((40, -20), (40, 60))
    route = draw_routes(LOT, DESERT, judged_walls=walls, parcel_ids=["1"], cell_m=1.0, farthest_m=160.0).iloc[0]
    assert route["cost_m"] == pytest.approx(cost_m(judged_walls=walls))
    assert not route.geometry.intersects(walls.geometry.iloc[0])
    assert DESERT.intersects(shapely.Point(route.geometry.coords[0])).all()
    assert LOT.intersects(shapely.Point(route.geometry.coords[-1])).all()
    assert route["kind"] == "open desert"
    assert route["length_m"] == pytest.approx(route.geometry.length)


def test_ways_begin_in_open_desert_where_it_is_drawn() -> None:
    rock = layer([shapely.box(50, 0, 55, 40)], kind=["steep rock"], quality=[0.8])
    both = gpd.GeoDataFrame(gpd.pd.concat([DESERT, rock], ignore_index=True), crs=CRS)
    assert cost_m(surface=both) == pytest.approx(cost_m() - 5, abs=1)
    assert cost_m(surface=rock) == pytest.approx(5 * 2)
    assert np.isnan(cost_m(surface=rock.assign(quality=0.3)))


def test_habitat_on_the_lot_needs_no_way() -> None:
    inside = habitat(shapely.box(0, 0, 100, 100))
    assert cost_m(surface=inside) == 0
    with pytest.warns(Noticed, match="habitat is on them"):
        assert len(draw_routes(LOT, inside)) == 0


def test_routes_of_the_first_lots_and_of_none() -> None:
    lots = layer([shapely.box(60, y, 80, y + 20) for y in (0, 20, 40)], parcel_id=["a", "b", "c"])
    scored = lots.assign(exposure_rank=[3, 1, 2])
    assert draw_routes(lots, DESERT, scored, top_count=2)["parcel_id"].tolist() == ["b", "c"]
    with pytest.raises(LayerError, match="no lot 'z'"):
        draw_routes(lots, DESERT, parcel_ids=["z"])
    shut = layer([shapely.box(50, -10, 90, 50).exterior], sound_now=[True])
    with pytest.warns(Noticed, match="1 of 1 lots have no way to draw"):
        assert len(draw_routes(lots, DESERT, judged_walls=shut, parcel_ids=["a"])) == 0


@pytest.mark.parametrize(
    "how",
    [
        {"cell_m": 0.0},
        {"farthest_m": 0.5},
        {"resistance": {"road": 0.5}},
        {"resistance": {"lava": 3.0}},
        {"resistance": {"road": math.nan}},
        {"road_width_m": -1.0},
    ],
)
def test_impossible_options_are_refused(how: dict[str, Any]) -> None:
    with pytest.raises(DesignError):
        cost_m(**how)


def test_habitat_without_kinds_is_refused_and_none_gives_no_way() -> None:
    with pytest.raises(LayerError, match="no kind and quality"):
        cost_m(surface=layer([shapely.box(0, 0, 1, 1)]))
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        assert np.isnan(cost_m(surface=habitat().iloc[:0].set_crs(CRS, allow_override=True)))
