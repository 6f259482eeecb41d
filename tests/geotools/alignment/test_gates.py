"""Places of planned gates: by hand on one lot, and the rule checked place by place on awkward lots."""

from __future__ import annotations

import itertools
from typing import Any

import geopandas as gpd
import numpy as np
import pytest
import shapely
from lot_cases import make_town
from shapely import LineString, Point, box
from shapely.affinity import translate

from geotools.alignment import draw_lot_lines, draw_yard_lines, find_lot_ground, place_gates
from geotools.errors import DesignError, StepError

FOOT_M = 0.3048
pytestmark = pytest.mark.filterwarnings("ignore::geotools.errors.Assumed")
LOT, HOUSE = box(0, 0, 20, 40), box(4, 8, 16, 20)
STREET = LineString([(-50, -8), (70, -8)])


def layer(*shapes: Any, **columns: Any) -> gpd.GeoDataFrame:
    return gpd.GeoDataFrame(columns, geometry=list(shapes), crs=32612)


def land(*lots: Any, house: Any = HOUSE) -> gpd.GeoDataFrame:
    names = [str(number) for number in range(1, len(lots) + 1)]
    return find_lot_ground(layer(*lots, parcel_id=names), layer(house), layer(STREET))


def yard(ground: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    return draw_yard_lines(ground).assign(recommended=True)


def placed(**given: Any) -> Any:
    ground = land(LOT)
    return place_gates(yard(ground), ground, **given).iloc[0]


def test_it_goes_beside_the_house_on_the_street_side() -> None:
    gate = placed()
    assert (gate["placed"], gate["swing"], gate["agree_on_site"]) == ("street side", "in", False)
    # The return runs from the house wall at x 4 or 16 to 1 ft inside the lot line, 0.6 m behind the street corner.
    assert gate.geometry.y == pytest.approx(8.6)
    beside = gate.geometry.x if gate.geometry.x < 10 else 20 - gate.geometry.x
    # Half the width and 1 ft from the wall, and never nearer to it.
    assert 4 - beside == pytest.approx(1.5 * FOOT_M + 1 * FOOT_M, abs=0.06)
    assert gate["swing_deg"] == pytest.approx(0, abs=1e-6)  # into the yard, away from the street


def test_its_station_is_measured_along_the_line() -> None:
    ground = land(LOT)
    lines = yard(ground)
    gate = place_gates(lines, ground).iloc[0]
    assert lines.geometry.iloc[0].interpolate(gate["station_m"]).distance(gate.geometry) < 1e-6


def test_a_gate_that_stands_comes_first_with_its_own_width_if_wider() -> None:
    standing = layer(Point(19, 30), Point(2.5, 8.2), width_m=[None, 1.5])
    gate = placed(gates=standing)
    assert (gate["placed"], gate["width_m"]) == ("existing gate", 1.5)
    assert gate.geometry.distance(Point(2.5, 8.6)) < 0.01
    assert placed(gates=layer(Point(2.5, 8.2), width_m=[0.4]))["width_m"] == pytest.approx(3 * FOOT_M)
    assert placed(gates=layer(Point(2.5, 6.0), width_m=[1.5]))["placed"] == "street side"  # 2.6 m off the line


def test_a_gate_of_the_neighbour_is_not_used() -> None:
    both = land(LOT, box(20, 0, 40, 40))
    gate = place_gates(yard(both).iloc[:1], both, gates=layer(Point(20.6, 25), width_m=[1.0])).iloc[0]
    assert gate["placed"] == "street side"


def test_what_is_in_the_way_moves_it() -> None:
    ground = land(LOT)
    line = yard(ground)
    first = place_gates(line, ground).iloc[0].geometry
    for name, table in (
        ("conflicts", layer(first.buffer(0.2), line_id=["1-Y"])),
        ("easements", layer(first.buffer(0.2))),
        ("wash_ground", layer(first.buffer(0.2))),
    ):
        moved = place_gates(line, ground, **{name: table}).iloc[0]
        assert moved.geometry.distance(first.buffer(0.2)) >= 2 * FOOT_M - 1e-6, name
    other = layer(first.buffer(0.2), line_id=["another line"])
    assert place_gates(line, ground, conflicts=other).iloc[0].geometry.equals(first)


def test_it_swings_out_where_a_pool_lies_within() -> None:
    gate = placed(pools=layer(box(6, 26, 14, 30)))
    assert (gate["swing"], gate["placed"]) == ("out", "street side")
    assert gate["swing_deg"] == pytest.approx(180, abs=1e-6)
    assert "away from the pool" in gate["reason"]
    assert placed(pools=layer(box(6, 1, 14, 5)))["swing"] == "in"  # in front of the line, not within it


def test_no_gate_leads_onto_another_lot() -> None:
    # The returns are too narrow for a gate, and all sides but the rear meet other lots.
    wide = box(0.9, 8, 19.1, 20)
    alone, among = land(LOT, house=wide), land(LOT, box(-20, 0, 0, 40), box(20, 0, 40, 40), house=wide)
    for ground in (alone, among):
        gate = place_gates(yard(ground).iloc[:1], ground).iloc[0]
        assert gate["placed"] == "other side"
    assert gate.geometry.y == pytest.approx(40 - FOOT_M, abs=1e-3)


def test_where_no_place_meets_the_rule_it_is_said() -> None:
    wide = box(0.9, 8, 19.1, 20)
    ground = land(LOT, box(-20, 0, 0, 60), box(20, 0, 40, 60), box(0, 40, 20, 60), house=wide)
    gate = place_gates(yard(ground).iloc[:1], ground).iloc[0]
    assert gate["agree_on_site"]
    assert gate.geometry is None
    assert np.isnan(gate["station_m"])
    assert gate["reason"].startswith("agree on site")
    assert "1 ft" in gate["reason"]
    metric = place_gates(yard(ground).iloc[:1], ground, units="metric").iloc[0]
    assert "0.305 m" in metric["reason"]


def test_steep_ground_is_avoided(tmp_path: Any) -> None:
    import rasterio
    from affine import Affine

    from geotools.rasters import open_raster

    # 20 % east of the middle of the lot, level west of it.
    east_m, north_m = 500_000.0, 3_600_000.0
    heights = np.tile(np.maximum(np.arange(-10, 31) + 0.5 - 10, 0) * 0.2, (60, 1)).astype("float32")
    path = tmp_path / "slope.tif"
    shape = {"width": 41, "height": 60, "count": 1, "dtype": "float32", "crs": "EPSG:32612"}
    there = Affine(1, 0, east_m - 10, 0, -1, north_m + 50)
    with rasterio.open(path, "w", driver="GTiff", transform=there, **shape) as file:
        file.write(heights, 1)
    lot, house, street = (translate(one, east_m, north_m) for one in (LOT, box(6, 8, 15, 20), STREET))
    ground = find_lot_ground(layer(lot, parcel_id=["1"]), layer(house), layer(street))
    surface = open_raster(path, "elevation")
    assert place_gates(yard(ground), ground, elevation=surface).geometry.item().x - east_m < 10
    # With the western return closed by an easement, the steep one is left out, and the level one taken.
    east_only = place_gates(
        yard(ground), ground, elevation=surface, easements=layer(translate(box(0, 0, 10, 40), east_m, north_m))
    ).iloc[0]
    assert east_only["placed"] != "street side"
    level = place_gates(yard(ground), ground, easements=layer(translate(box(0, 0, 10, 40), east_m, north_m))).iloc[0]
    assert level["placed"] == "street side"


def test_two_gates_of_a_line_keep_apart() -> None:
    ground = land(LOT)
    table = place_gates(draw_lot_lines(ground, gates=2).assign(recommended=True), ground)
    assert table["gate"].tolist() == [1, 2]
    assert table["placed"].tolist() == ["street side", "street side"]
    assert table.geometry.iloc[0].distance(table.geometry.iloc[1]) >= 10 * FOOT_M - 1e-9


def test_lines_that_are_not_advised_are_left_out_unless_asked() -> None:
    ground = land(LOT)
    lines = yard(ground).assign(recommended=False)
    assert place_gates(lines, ground).empty
    assert len(place_gates(lines, ground, every_line=True)) == 1


def test_unusable_tables_and_options() -> None:
    ground = land(LOT)
    with pytest.raises(StepError, match="enclosed"):
        place_gates(yard(ground).drop(columns="enclosed"), ground)
    with pytest.raises(DesignError, match="clear_m"):
        place_gates(yard(ground), ground, clear_m=-1)
    with pytest.raises(DesignError, match="step_m"):
        place_gates(yard(ground), ground, step_m=0)


def test_every_place_meets_the_rule_on_awkward_lots() -> None:
    """Each condition again, one gate at a time, from the shapes alone."""
    town = make_town()
    ground = find_lot_ground(*town)
    checked = 0
    for draw in (draw_lot_lines, draw_yard_lines):
        lines = draw(ground).assign(recommended=True)
        table = place_gates(lines, ground, easements=town.easements, wash_ground=town.wash_ground)
        assert len(table) == int(lines.loc[lines.geometry.notna(), "gates"].sum())
        for gate in table[~table["agree_on_site"]].to_dict("records"):
            row = lines["line_id"].tolist().index(gate["line_id"])
            line, half = lines.geometry.iloc[row], gate["width_m"] / 2
            assert line.distance(gate["geometry"]) < 1e-6
            assert along(line, gate["station_m"]).distance(gate["geometry"]) < 1e-6
            near = shapely.intersection(line, gate["geometry"].buffer(half + FOOT_M - 1e-6))
            piece = min(shapely.get_parts(near), key=lambda part: part.distance(gate["geometry"]))
            assert bends_deg(piece) < 20
            assert piece.length >= 2 * half * 0.98  # the opening is all line, no end within
            turn = np.radians(gate["swing_deg"])
            lot, house = ground["lot"].iloc[row], ground["house"].iloc[row]
            leaf = Point(gate["geometry"].x + np.sin(turn) * 0.9, gate["geometry"].y + np.cos(turn) * 0.9)
            assert lot.contains(leaf)
            assert not house.contains(leaf)
            assert lines["enclosed"].iloc[row].contains(leaf)  # it swings in
            for table_of in (town.easements, town.wash_ground):
                if table_of is not None and len(table_of):
                    assert table_of.distance(gate["geometry"]).min() >= 2 * FOOT_M
            checked += 1
    assert checked > 20


def along(line: Any, station_m: float) -> Any:
    for piece in shapely.get_parts(line).tolist():
        if station_m <= piece.length + 1e-9:
            return piece.interpolate(station_m)
        station_m -= piece.length
    raise AssertionError


def bends_deg(line: Any) -> float:
    steps = np.diff(shapely.get_coordinates(line), axis=0)
    turns = [abs(np.degrees(np.arctan2(a[0] * b[1] - a[1] * b[0], a @ b))) for a, b in itertools.pairwise(steps)]
    return float(sum(turns))
