"""Sites drawn by hand and a real quarter, from layers to the cheapest barrier, which the closure proof then judges."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from oracles.barrier_plans import closable_lots, networkx_cents
from shapely import LineString, box

from geotools.alignment import find_lot_ground
from geotools.closure import prove_closure
from geotools.closure.site_pieces import arrange_site
from geotools.errors import Assumed, CrsError, DesignError, LayerError, Noticed
from geotools.separation import separate_lots

if TYPE_CHECKING:
    from collections.abc import Callable

CRS = 26912
PRICES = {  # 100 cents for a metre of new line, 40 for a metre of retrofit, 500 for a new gate, 200 for a gate's repair
    "price_new_usd_per_ft": 0.3048,
    "price_retrofit_usd_per_ft": 0.3048 * 0.4,
    "price_mesh_usd_per_ft2": 0.0,
    "price_new_gate_usd": 5.0,
    "price_gate_repair_usd": 2.0,
}


def layer(shapes: list[Any], **columns: Any) -> gpd.GeoDataFrame:
    return gpd.GeoDataFrame(columns, geometry=shapes, crs=CRS)


def ground_of(lots: list[Any], houses: list[Any] | None = None) -> gpd.GeoDataFrame:
    parcels = layer(lots, parcel_id=[chr(65 + number) for number in range(len(lots))])
    return find_lot_ground(parcels, None if houses is None else layer(houses))


def walls_of(lines: list[Any], *, sound: bool = True) -> gpd.GeoDataFrame:
    return layer(lines, sound_now=[sound] * len(lines))


def barrier_of(ground: gpd.GeoDataFrame, desert: Any, *, only: str = "", **layers: Any) -> gpd.GeoDataFrame:
    pieces = arrange_site(ground, layer([desert]), edge_within_m=1.0, **layers, **PRICES)
    chosen = ground.assign(protect_this=ground["parcel_id"].isin(list(only or ground["parcel_id"])))
    return separate_lots(pieces, chosen)


def cents(barrier: gpd.GeoDataFrame) -> int:
    return int(barrier.attrs["run_record"]["separation"]["flow_cents"])


def closed_by(
    barrier: gpd.GeoDataFrame, ground: gpd.GeoDataFrame, desert: Any, walls: gpd.GeoDataFrame | None = None
) -> pd.Series:
    """Let the closure proof judge the barrier as if it stood."""
    built = barrier[barrier["to_build"]]
    stands = walls_of(built.geometry.tolist())
    if walls is not None:
        stands = pd.concat([walls, stands], ignore_index=True)
    return prove_closure(ground, layer([desert]), stands)["closed_now"]


ROW = [box(20 * n, 0, 20 * n + 20, 40) for n in range(3)]
NORTH = box(-200, 40, 260, 300)


def test_a_metre_of_new_line_takes_its_cloth_as_well() -> None:
    # 36 in above ground and 6 in buried are 3.5 ft2 of mesh a foot: 10 + 3.5 x 2 = 17 dollars a foot.
    prices = {**PRICES, "price_new_usd_per_ft": 10.0, "price_mesh_usd_per_ft2": 2.0, "price_new_gate_usd": 0.0}
    pieces = arrange_site(ground_of(ROW), layer([NORTH]), edge_within_m=1.0, **prices)
    new = pieces[pieces["kind"] == "new"]
    assert len(new) > 3
    # Whole cents.
    assert new["cost_cents"].to_numpy() == pytest.approx(new["length_m"].to_numpy() / 0.3048 * 1700, abs=1)


def test_three_lots_in_a_row_by_the_desert() -> None:
    ground = ground_of(ROW)
    barrier = barrier_of(ground, NORTH)
    # The outline of all three, 2 x 60 + 2 x 40 m, against 3 x 120 m one by one.
    assert cents(barrier) == 20_000
    assert barrier.loc[barrier["to_build"], "line"].unique().tolist() == ["edge"]
    assert closed_by(barrier, ground, NORTH).all()
    assert cents(barrier_of(ground, NORTH, only="B")) == 12_000


def test_walls_round_the_row_leave_the_desert_side() -> None:
    walls = walls_of([LineString([(0, 40), (0, 0), (60, 0), (60, 40)])])
    barrier = barrier_of(ground_of(ROW), NORTH, judged_walls=walls)
    assert cents(barrier) == 6_000
    # A low wall on the desert side is mended for 40 cents a metre.
    walls = pd.concat([walls, walls_of([LineString([(0, 40), (60, 40)])], sound=False)], ignore_index=True)
    barrier = barrier_of(ground_of(ROW), NORTH, judged_walls=walls)
    assert cents(barrier) == 2_400
    assert barrier.loc[barrier["to_build"], "kind"].unique().tolist() == ["retrofit"]


def test_a_gate_in_the_wall_is_a_fixed_sum() -> None:
    walls = walls_of([box(0, 0, 60, 40).exterior])
    gates = layer([shapely.Point(30, 40)], sound_now=[False], width_m=[1.0])
    barrier = barrier_of(ground_of(ROW), NORTH, judged_walls=walls, judged_gates=gates)
    assert cents(barrier) == 200
    assert barrier.loc[barrier["to_build"], "kind"].tolist() == ["gate"]


COURT = [box(0, 0, 20, 60), box(40, 0, 60, 60), box(20, 40, 40, 60)]
AROUND = box(-100, -100, 160, 160).difference(box(-5, -5, 65, 65))


def test_cul_de_sac_open_at_its_mouth() -> None:
    # Outside 60 + 60 + 60 + 20 + 20 m, inside 40 + 20 + 40 m: the court must be lined as well.
    ground = ground_of(COURT)
    barrier = barrier_of(ground, AROUND)
    assert cents(barrier) == 32_000
    assert closed_by(barrier, ground, AROUND).all()


@pytest.mark.parametrize(("sound", "expected"), [(True, 22_000), (False, 22_000 + 800)])
def test_cul_de_sac_with_a_wall_across_its_mouth(sound: bool, expected: int) -> None:
    ground, wall = ground_of(COURT), walls_of([LineString([(20, 0), (40, 0)])], sound=sound)
    barrier = barrier_of(ground, AROUND, judged_walls=wall)
    assert cents(barrier) == expected
    assert closed_by(barrier, ground, AROUND, walls_of([LineString([(20, 0), (40, 0)])])).all()


def test_gap_in_the_wall_across_the_mouth() -> None:
    # 2.5 m between the wall's end and the far lot are filled like new line; where it is wider, the court is lined.
    barrier = barrier_of(ground_of(COURT), AROUND, judged_walls=walls_of([LineString([(20, 0), (37.5, 0)])]))
    assert cents(barrier) == 22_000 + 250
    assert barrier.loc[barrier["to_build"] & (barrier["kind"] == "gap"), "length_m"].tolist() == [2.5]
    barrier = barrier_of(ground_of(COURT), AROUND, judged_walls=walls_of([LineString([(20, 0), (36.5, 0)])]))
    assert cents(barrier) == 32_000


CORNERS = [box(0, 0, 20, 40), box(30, 0, 50, 40)]
OUTER_WALLS = [LineString([(20, 40), (0, 40), (0, 0), (20, 0)]), LineString([(30, 40), (50, 40), (50, 0), (30, 0)])]


def test_corner_lots_on_a_road_entrance_draw_back_from_the_road() -> None:
    road = layer([LineString([(25, -60), (25, 60)])], width_m=[10.0])
    mouths = layer([LineString([(20, 0), (30, 0)]), LineString([(20, 40), (30, 40)])])
    ground = ground_of(CORNERS)
    kept = {"judged_walls": walls_of(OUTER_WALLS), "more_lines": mouths}
    barrier = barrier_of(ground, NORTH, roads=road, **kept)
    # 2 x 40 m along the road, where 2 x 10 m across it would do if one could build there.
    assert cents(barrier) == 8_000
    assert (barrier.loc[barrier["kind"] == "open", "cost_cents"] == -1).all()
    assert cents(barrier_of(ground, NORTH, **kept)) == 2_000


def test_neighbours_missing_wall() -> None:
    lots = [box(0, 0, 20, 40), box(20, 0, 40, 40)]
    walls = walls_of([LineString([(20, 40), (0, 40), (0, 0), (40, 0), (40, 40)])])
    ground = ground_of(lots)
    barrier = barrier_of(ground, NORTH, only="A", judged_walls=walls)
    assert cents(barrier) == 2_000
    assert barrier.loc[barrier["to_build"], "parcel_id"].tolist() == ["B"]
    # Nothing can be built on the neighbour's lot: the owner builds on the common line.
    easement = layer([box(20, -5, 40, 42)])
    with pytest.warns(Noticed, match="no protected ground outside roads, washes and easements: B"):
        barrier = barrier_of(ground, NORTH, only="A", judged_walls=walls, easements=easement)
    assert cents(barrier) == 4_000
    # A strip along the desert can't be built on: the line draws back to its inner edge.
    barrier = barrier_of(ground, NORTH, only="A", judged_walls=walls, easements=layer([box(19, 35, 45, 45)]))
    assert cents(barrier) == 2_000 + 100 + 500  # beside it 1 m and 5 m where the strip cuts the corner of his own lot


def test_house_walls_close_the_yard_and_its_gate_is_counted() -> None:
    parcels, house = layer([box(0, 0, 20, 40)], parcel_id=["A"]), layer([box(4, 8, 16, 20)])
    ground = find_lot_ground(parcels, house, layer([LineString([(-50, -8), (70, -8)])]))
    barrier = barrier_of(ground, NORTH)
    # Rear 20 m, sides 2 x 20 m to the rear ends of the house's side walls, returns 2 x 4 m, and one gate in a return.
    built = barrier[barrier["to_build"]]
    assert cents(barrier) == round(built["length_m"].sum() * 100) + 500
    assert built["gates"].sum() == 1
    assert built["length_m"].sum() == pytest.approx(68.0, abs=0.01)  # the plane is rounded to a millimetre
    assert closed_by(barrier, ground, NORTH).all()


def test_lot_line_noise_within_the_tolerance_stays_one_line() -> None:
    # Survey noise of 2 cm between neighbours must not leave a way in between them.
    lots = [box(0, 0, 20, 40), box(20.02, 0, 40, 40)]
    ground = ground_of(lots)
    barrier = barrier_of(ground, NORTH)
    assert cents(barrier) == pytest.approx(2 * (40 + 40) * 100, abs=10)
    assert closed_by(barrier, ground, NORTH).all()


def test_a_lot_in_the_habitat() -> None:
    with pytest.warns(Noticed, match="1 lots lie in the habitat"):
        barrier = barrier_of(ground_of(ROW), box(-200, 10, 15, 300))
    assert barrier.attrs["run_record"]["separation"]["lots_closed"] == 2


def test_a_lot_wholly_on_ground_that_can_not_be_built_on() -> None:
    with pytest.warns(Noticed, match="1 lots have no protected ground outside roads, washes and easements: B"):
        barrier = barrier_of(ground_of(ROW), NORTH, only="AC", wash_ground=layer([box(19, -5, 41, 45)]))
    assert barrier.attrs["run_record"]["separation"]["lots_closed"] == 2


def test_input_order_changes_nothing() -> None:
    rng = np.random.default_rng(4)
    ground = ground_of([*ROW, *(box(20 * n, 50, 20 * n + 20, 80) for n in range(3))])
    walls = walls_of([LineString([(0, 40), (60, 40)]), LineString([(0, 0), (0, 40)]), LineString([(60, 50), (60, 80)])])
    first = barrier_of(ground, NORTH.difference(box(-10, 40, 70, 90)), judged_walls=walls)
    for _ in range(3):
        mixed = (
            ground.iloc[rng.permutation(len(ground))],
            walls.iloc[rng.permutation(len(walls))].reset_index(drop=True),
        )
        second = barrier_of(mixed[0], NORTH.difference(box(-10, 40, 70, 90)), judged_walls=mixed[1])
        columns = ["piece_id", "left_parcel", "right_parcel", "cost_cents", "to_build"]
        assert second[columns].equals(first[columns])
        assert second.geometry.equals(first.geometry)


@pytest.mark.published(
    "momepy bubenec.gpkg (BSD-3): a real city quarter; cut held against networkx, closure against the proof"
)
def test_real_quarter(packaged: Callable[[str, str], str]) -> None:
    source = packaged("momepy", "bubenec.gpkg")
    plots, houses, streets = (
        gpd.read_file(source, layer=name).to_crs(32633) for name in ("plots", "buildings", "streets")
    )
    plots = plots.assign(parcel_id=[f"{number:03d}" for number in range(len(plots))])
    west, south, _, north = plots.total_bounds
    desert = gpd.GeoDataFrame(geometry=[box(west - 300, south, west + 5, north)], crs=plots.crs)
    ground = find_lot_ground(plots, houses, streets)
    with pytest.warns(Assumed, match="roads have no width"):
        pieces = arrange_site(ground, desert, roads=streets, **PRICES)
    with pytest.warns(Noticed, match="lots lie in the habitat"):
        barrier = separate_lots(pieces)
    told = barrier.attrs["run_record"]["separation"]
    assert told["lots_closed"] > 300
    closable = closable_lots(pieces)
    assert told["flow_cents"] == networkx_cents(pieces, closable)
    stands = barrier.loc[barrier["to_build"], ["geometry"]].assign(sound_now=True)
    proof = prove_closure(ground, desert, stands).set_index("parcel_id")
    cut_by_roads = shapely.intersects(
        ground["protected"].to_numpy(), shapely.union_all(shapely.buffer(streets.geometry.to_numpy(), 3.6576))
    )
    whole = [lot for lot in closable if lot not in set(ground.loc[cut_by_roads, "parcel_id"])]
    assert proof.loc[whole, "closed_now"].all()


def test_prices_shipped_are_said_to_be_invented() -> None:
    with pytest.warns(Assumed, match="invented prices stand in arrange_site: price_new_usd_per_ft, "):
        arrange_site(ground_of(ROW), layer([NORTH]))


def test_bad_input_is_refused() -> None:
    ground, desert = ground_of(ROW), layer([NORTH])
    with pytest.raises(DesignError, match="price_new_usd_per_ft is -1"):
        arrange_site(ground, desert, **{**PRICES, "price_new_usd_per_ft": -1.0})
    with pytest.raises(DesignError, match="gap_m is 0"):
        arrange_site(ground, desert, gap_m=0, **PRICES)
    with pytest.raises(CrsError, match="roads"):
        arrange_site(
            ground, desert, roads=layer([LineString([(0, 0), (1, 1)])]).set_crs(32613, allow_override=True), **PRICES
        )
    with pytest.raises(LayerError, match="there is no column 'sound_now'"):
        arrange_site(ground, desert, layer([LineString([(0, 0), (1, 1)])]), **PRICES)
    with pytest.raises(LayerError, match="more than can be counted exactly"):
        separate_lots(arrange_site(ground, desert, **{**PRICES, "price_new_usd_per_ft": 1e15}))
    with pytest.warns(Noticed, match=r"1 of \d+ walls have no length"):
        arrange_site(
            ground,
            desert,
            walls_of([LineString([(0, 0), (9, 9), (9, 0), (0, 9)]), LineString([(5, 5), (5, 5)])]),
            **PRICES,
        )
    with pytest.warns(Noticed, match="gates stand more than"):
        arrange_site(
            ground,
            desert,
            judged_gates=layer([shapely.Point(30, 20.5 + 70)], sound_now=[True], width_m=[1.0]),
            **PRICES,
        )
