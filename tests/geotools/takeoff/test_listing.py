"""Take off lines, walls and things to clear by hand."""

from __future__ import annotations

import warnings
from typing import Any

import geopandas as gpd
import pandas as pd
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from geotools.design import BarrierStandard
from geotools.errors import Assumed, DesignError, StepError
from geotools.takeoff import list_takeoff
from geotools.takeoff.items import ITEMS, measure_unit, order_quantity, round_quantity

FOOT_M = 0.3048
CRS = 32612
SOILS = gpd.GeoDataFrame({"soil": ["gravel"]}, geometry=[shapely.box(-1e5, -1e5, 1e5, 1e5)], crs=CRS)


def lots(**verdicts: str) -> gpd.GeoDataFrame:
    return gpd.GeoDataFrame({"parcel_id": list(verdicts), "verdict": list(verdicts.values())})


def line_table(*shapes: Any, parcels: tuple[str, ...] = ("a",), gates: int = 0, **more: Any) -> gpd.GeoDataFrame:
    return gpd.GeoDataFrame(
        {
            "line_id": [f"{parcel}-Y" for parcel in parcels],
            "parcel_id": list(parcels),
            "height_m": 36 * 0.0254,
            "gates": gates,
            "recommended": True,
            **more,
        },
        geometry=list(shapes),
        crs=CRS,
    )


def straight(length_ft: float) -> Any:
    return shapely.LineString([(0, 0), (length_ft * FOOT_M, 0)])


def amounts(takeoff: pd.DataFrame, scope: str = "project", column: str = "net_quantity") -> dict[str, float]:
    rows = takeoff[takeoff["scope"] == scope]
    return dict(zip(rows["item"], rows[column], strict=True))


def test_a_straight_run_by_hand() -> None:
    found = amounts(list_takeoff(lots(a="build"), line_table(straight(100)), soils=SOILS))
    assert found["hang_48"] == 100.0  # 36 in and 6 in buried: the 48 in roll
    assert found["roll_48"] == 2.0  # 100 ft and 6 in round each end post
    assert (found["post_line"], found["post_end"]) == (9.0, 2.0)
    assert "post_corner" not in found
    assert found["trench_gravel"] == 0.93
    # Nine posts of 1.9 in at .591 ft3 and two of 2.375 in at .923 ft3.
    assert found["concrete"] == pytest.approx((9 * 0.591 + 2 * 0.923) / 27, abs=0.006)
    # Their holes are 7.6 and 9.5 in wide and 2 ft deep: .630 and .984 ft3.
    assert found["hole_gravel"] == pytest.approx((9 * 0.630 + 2 * 0.984) / 27, abs=0.006)
    assert found["pipe_line"] == pytest.approx(9 * 5.0)  # 3 ft above ground, 2 ft below
    assert found["wire"] == 200.0
    assert found["ring"] == 200.0
    assert found["tie"] == 11 * 4.0  # every foot of 3 ft, both ends
    assert found["clear_strip"] == 100.0


def test_gates_are_no_mesh_but_posts_sweep_and_sill() -> None:
    found = amounts(list_takeoff(lots(a="build"), line_table(straight(100), gates=1), soils=SOILS))
    assert found["hang_48"] == 97.0
    assert found["pipe_terminal"] == 4 * 5.0  # two end and two gate posts, 3 ft above ground and 2 ft below
    assert (found["gate"], found["sweep"], found["sill"], found["post_gate"]) == (1.0, 1.0, 3.0, 2.0)


def test_waste_is_shown_and_only_on_what_is_ordered() -> None:
    takeoff = list_takeoff(
        lots(a="build"), line_table(straight(100)), soils=SOILS, waste_posts_pct=10.0, waste_mesh_pct=50.0
    )
    rows = takeoff[takeoff["scope"] == "project"].set_index("item")
    assert rows.loc["post_line", ["net_quantity", "waste_pct", "quantity"]].tolist() == [9.0, 10.0, 10.0]
    assert rows.loc["roll_48", ["net_quantity", "waste_pct", "quantity"]].tolist() == [2.0, 50.0, 3.0]
    assert (takeoff.loc[takeoff["scope"] != "project", "waste_pct"] == 0).all()
    assert "proven fewest" in rows.loc["roll_48", "note"]


def test_the_wastes_that_are_assumed() -> None:
    wastes = amounts(list_takeoff(lots(a="build"), line_table(straight(100)), soils=SOILS), column="waste_pct")
    expected = {"roll_48": 3.0, "post_line": 2.0, "post_end": 2.0, "pipe_line": 2.0, "pipe_terminal": 2.0}
    expected |= {"concrete": 10.0, "wire": 3.0, "tie": 5.0, "ring": 5.0}
    assert {item: waste for item, waste in wastes.items() if waste} == expected


def test_only_recommended_lines_of_lots_to_build() -> None:
    lines = line_table(
        straight(100), straight(50), straight(30), parcels=("a", "b", ""), recommended=[True, True, True]
    )
    takeoff = list_takeoff(lots(a="build", b="do not build"), lines, soils=SOILS)
    assert amounts(takeoff)["hang_48"] == 130.0
    assert takeoff.loc[takeoff["scope"] == "lot", "parcel_id"].unique().tolist() == ["", "a"]


def test_panels_change_the_mesh_and_cleared_things_lower_it() -> None:
    line = line_table(straight(40))
    panels = gpd.GeoDataFrame(
        {
            "line_id": "a-Y",
            "height_m": [36 * 0.0254, 60 * 0.0254, 36 * 0.0254],
            "length_m": [10 * FOOT_M, 10 * FOOT_M, 20 * FOOT_M],
            "governed_by": ["ground", "F1", "ground"],
        },
        geometry=[shapely.LineString([(x * FOOT_M, 0), (y * FOOT_M, 0)]) for x, y in ((0, 10), (10, 20), (20, 40))],
        crs=CRS,
    )
    raised = amounts(list_takeoff(lots(a="build"), line, panels, soils=SOILS))
    assert raised["hang_48"] == 30.0
    assert raised["hang_36"] == 20.0  # 66 in of mesh: two courses of 36 in
    rock = pd.DataFrame(
        {"line_id": ["a-Y"], "parcel_id": ["a"], "foothold_id": ["F1"], "remedy": ["remove it"], "cheapest": ["clear"]}
    )
    cleared = amounts(
        list_takeoff(lots(a="build"), line, panels, footholds_to_clear=gpd.GeoDataFrame(rock), soils=SOILS)
    )
    assert cleared["hang_48"] == 40.0
    assert cleared["remove"] == 1.0
    kept = gpd.GeoDataFrame(rock.assign(cheapest="raise"))
    assert amounts(list_takeoff(lots(a="build"), line, panels, footholds_to_clear=kept, soils=SOILS)) == raised


def test_holes_are_dug_in_the_soils_along_the_line() -> None:
    halves = gpd.GeoDataFrame(
        {"soil": ["rock", "sand"]}, geometry=[shapely.box(-1, -1, 75 * FOOT_M, 1), shapely.box(75 * FOOT_M, -1, 99, 1)]
    )
    found = amounts(list_takeoff(lots(a="build"), line_table(straight(100)), soils=halves.set_crs(CRS), units="metric"))
    hole_m3 = (9 * 0.630 + 2 * 0.984) * FOOT_M**3
    assert (found["hole_rock"], found["hole_sand"]) == (round(0.75 * hole_m3, 2), round(0.25 * hole_m3, 2))
    assert "hole_gravel" not in found


def test_walls_gates_and_gaps_of_lots_to_mend() -> None:
    ways = gpd.GeoDataFrame(
        {
            "parcel_id": ["b"] * 4 + ["c"],
            "kind": ["wall openings too large", "gate", "gap", "wall to be measured", "gate"],
            "length_m": [20 * FOOT_M, 4 * FOOT_M, 10 * FOOT_M, 5.0, 1.0],
            "remedy": ["1/4 in mesh", "a rigid sweep", "fill it", "measure it (height)", "a rigid sweep"],
        },
        geometry=[
            shapely.LineString([(0, y), (length, y)])
            for y, length in enumerate((20 * FOOT_M, 4 * FOOT_M, 10 * FOOT_M, 5, 1))
        ],
        crs=CRS,
    )
    takeoff = list_takeoff(
        lots(b="retrofit", c="do not build"), line_table(straight(9), parcels=("c",)), ways_in=ways, soils=SOILS
    )
    found = amounts(takeoff)
    assert (found["face_48"], found["anchor"]) == (20.0, 2 * 21.0)
    assert (found["sweep"], found["sill"], found["seal"]) == (1.0, 4.0, 6.0)
    assert (found["hang_48"], found["post_end"], found["site_check"]) == (10.0, 2.0, 1.0)
    assert found["roll_48"] == 1.0  # 11 ft and 20 ft from one roll
    assert set(takeoff.loc[takeoff["scope"] == "lot", "parcel_id"]) == {"b"}


def test_a_gap_is_dug_in_the_soil_where_it_lies() -> None:
    gap = straight(10)
    ways = gpd.GeoDataFrame(
        {"parcel_id": ["b"], "kind": ["gap"], "length_m": [gap.length], "remedy": ["fill it"]}, geometry=[gap], crs=CRS
    )
    rock = gpd.GeoDataFrame({"soil": ["rock"]}, geometry=[shapely.box(-1, -1, 9, 1)], crs=CRS)
    none = line_table(straight(9), recommended=False)
    found = amounts(list_takeoff(lots(b="retrofit"), none, ways_in=ways, soils=rock))
    assert found["trench_rock"] == 0.09  # 10 x 1/2 x 1/2 ft are 2.5 ft3
    assert not {"trench_gravel", "trench_caliche", "hole_gravel", "hole_caliche"} & set(found)


def test_what_two_lots_share_is_taken_off_once() -> None:
    shape = straight(20)
    ways = gpd.GeoDataFrame(
        {"parcel_id": ["a", "b"], "kind": "climbable wall", "length_m": shape.length, "remedy": "1/4 in mesh"},
        geometry=[shape, shapely.reverse(shape)],
        crs=CRS,
    )
    none = line_table(straight(9), recommended=False)
    with pytest.warns(Assumed, match="1 ways in are shared"):
        takeoff = list_takeoff(lots(a="retrofit", b="retrofit"), none, ways_in=ways, soils=SOILS)
    assert amounts(takeoff)["face_48"] == 20.0


def test_flow_gates_stand_in_washes() -> None:
    wash = gpd.GeoDataFrame(geometry=[shapely.box(5 * FOOT_M, -5, 17 * FOOT_M, 5)], crs=CRS)
    found = amounts(list_takeoff(lots(a="build"), line_table(straight(100)), wash_ground=wash, soils=SOILS))
    assert found["flow_gate"] == 12.0


def test_metric_units_measure_the_same() -> None:
    line = line_table(straight(100))
    feet, metres = (list_takeoff(lots(a="build"), line, soils=SOILS, units=units) for units in ("us", "metric"))
    assert amounts(metres)["hang_48"] == pytest.approx(amounts(feet)["hang_48"] * FOOT_M)
    assert amounts(metres)["trench_gravel"] == pytest.approx(0.71)
    assert set(metres["unit"]) == {"m", "m3", "each"}


def test_the_slope_lengthens_what_runs_along_the_ground() -> None:
    line = line_table(straight(100), surface_length_m=110 * FOOT_M)
    found = amounts(list_takeoff(lots(a="build"), line, soils=SOILS))
    assert (found["hang_48"], found["wire"], found["ring"], found["clear_strip"]) == (110.0, 220.0, 220.0, 110.0)
    assert (found["post_line"], found["post_end"]) == (10.0, 2.0)
    assert found["trench_gravel"] == 1.02  # 110 x 1/2 x 1/2 ft are 27.5 ft3


def test_a_line_that_is_all_gate_takes_no_fence() -> None:
    found = amounts(list_takeoff(lots(a="build"), line_table(straight(3)), soils=SOILS, planned_gates=whole_gate()))
    assert (found["gate"], found["sill"], found["post_gate"]) == (1.0, 3.0, 2.0)
    assert not {"wire", "ring", "hang_48", "roll_48", "post_line", "post_end", "pipe_line"} & set(found)


def whole_gate() -> gpd.GeoDataFrame:
    columns = {"line_id": ["a-Y"], "station_m": [1.5 * FOOT_M], "width_m": [3 * FOOT_M]}
    return gpd.GeoDataFrame(columns, geometry=[None], crs=CRS)


@pytest.mark.parametrize(("units", "roll"), [("us", "100 ft"), ("metric", "30.48 m")])
def test_the_cutting_of_rolls_is_told(units: str, roll: str) -> None:
    takeoff = list_takeoff(lots(a="build"), line_table(straight(100)), soils=SOILS, units=units)
    # 101 ft with the wraps: a roll of 100 ft, and 1 ft with a lap of 6 in; 98.5 of 200 ft are left.
    told = f"2 pieces cut from rolls of {roll} by best fit: proven fewest; 49.2 % left as offcuts"
    assert takeoff.set_index("item").loc["roll_48", "note"] == told


def test_mesh_of_each_stocked_width_is_an_item() -> None:
    mesh = {name: item for name, item in ITEMS.items() if name.split("_")[0] in {"roll", "hang", "face"}}
    expected = {
        "roll": ("32 31 26", "count", "mesh"),
        "hang": ("32 31 26", "length", ""),
        "face": ("32 31 26", "length", ""),
    }
    assert {name: item[1:] for name, item in mesh.items()} == {
        f"{kind}_{width_in}": facts for width_in in (24, 36, 48) for kind, facts in expected.items()
    }
    assert all(f"{name.split('_')[1]} in" in item.description for name, item in mesh.items())


def test_without_a_soil_layer_it_is_assumed_and_said() -> None:
    with pytest.warns(Assumed, match="20 % of caliche"):
        found = amounts(list_takeoff(lots(a="build"), line_table(straight(1000))))
    assert found["trench_caliche"] / (found["trench_caliche"] + found["trench_gravel"]) == pytest.approx(0.2, abs=0.001)


def test_nothing_to_build() -> None:
    assert list_takeoff(lots(a="not needed"), line_table(straight(5)), soils=SOILS).empty


def test_sums_over_scopes() -> None:
    lines = line_table(straight(77.7), straight(33.3), parcels=("a", "b"), gates=1)
    takeoff = list_takeoff(lots(a="build", b="build"), lines, soils=SOILS)
    each, lot, project = (amounts_sum(takeoff, scope) for scope in ("line", "lot", "project"))
    assert each == pytest.approx(lot)
    assert {item: value for item, value in project.items() if not item.startswith("roll_")} == pytest.approx(lot)


def amounts_sum(takeoff: pd.DataFrame, scope: str) -> dict[str, float]:
    return takeoff[takeoff["scope"] == scope].groupby("item")["net_quantity"].sum().to_dict()


@settings(max_examples=8, deadline=None)
@given(st.floats(5.0, 900.0), st.floats(0.0, 300.0))
def test_a_longer_line_never_takes_less(length_ft: float, more_ft: float) -> None:
    short, long = (
        amounts(list_takeoff(lots(a="build"), line_table(straight(feet)), soils=SOILS), column="quantity")
        for feet in (length_ft, length_ft + more_ft)
    )
    assert all(long[item] >= amount for item, amount in short.items())


@pytest.mark.parametrize(
    "options", [{"waste_mesh_pct": -1.0}, {"stock_m": 0.0}, {"ring_spacing_m": 0.0}, {"gate_width_m": -1.0}]
)
def test_impossible_options(options: dict[str, float]) -> None:
    with pytest.raises(DesignError):
        list_takeoff(lots(a="build"), line_table(straight(5)), soils=SOILS, **options)


def test_unusable_tables_and_units() -> None:
    with pytest.raises(StepError, match="recommended"):
        list_takeoff(lots(a="build"), line_table(straight(5)).drop(columns="recommended"), soils=SOILS)
    with pytest.raises(StepError, match="furlongs"):
        list_takeoff(lots(a="build"), line_table(straight(5)), soils=SOILS, units="furlongs")
    with pytest.raises(StepError, match="no item"):
        measure_unit("moat", units="us")


def test_quantities_are_rounded_as_printed() -> None:
    assert round_quantity(2.0000000001, "each") == 2.0  # roundings are no further piece
    assert order_quantity(100.0, 5.0, "each") == 105.0
    assert order_quantity(10.05, 0.0, "ft") == 10.1
    assert all(item.section.count(" ") == 2 for item in ITEMS.values())


def test_burial_widens_the_roll() -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        shallow = list_takeoff(
            lots(a="build"), line_table(straight(50)), soils=SOILS, standard=BarrierStandard(burial_m=0.0)
        )
    assert "hang_36" in amounts(shallow)
    assert "trench_gravel" not in amounts(shallow)
