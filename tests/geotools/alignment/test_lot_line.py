"""Check lines along lot boundaries: lengths by hand, where they may run, and that they close with the walls."""

from __future__ import annotations

import re
from typing import Any

import geopandas as gpd
import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from lot_cases import CASES, Case, Town, make_town, moved_town
from shapely import box

from geotools.alignment import draw_lot_lines, find_lot_ground
from geotools.design import BarrierStandard

AT_THE_LINE = BarrierStandard(lot_line_offset_m=0.0)
OFFSET_M = BarrierStandard().lot_line_offset_m
COLUMNS = ["line_id", "parcel_id", "option", "kind", "length_m", "height_m", "gates", "covers_protected", "reason"]


@pytest.fixture(scope="module")
def town() -> Town:
    return make_town()


@pytest.fixture(scope="module")
def lines(town: Town) -> gpd.GeoDataFrame:
    return draw_lot_lines(find_lot_ground(*town))


def line_of(case: Case | str, standard: BarrierStandard | None = None) -> Any:
    town = make_town({"x": CASES[case] if isinstance(case, str) else case})
    return draw_lot_lines(find_lot_ground(*town, standard=standard), standard=standard).iloc[0]


def test_every_parcel_has_its_row(town: Town, lines: gpd.GeoDataFrame) -> None:
    assert lines.index.equals(town.parcels.index)
    assert list(lines.columns)[: len(COLUMNS)] == COLUMNS
    assert lines["parcel_id"].tolist() == list(CASES)
    assert lines["line_id"].tolist() == [f"{name}-L" for name in CASES]
    assert set(lines["option"]) == {"lot line"}
    assert lines.crs == town.parcels.crs


def test_lots_without_a_line_say_why(lines: gpd.GeoDataFrame) -> None:
    gone = lines[lines.geometry.isna()]
    assert dict(zip(gone["parcel_id"], gone["reason"], strict=True)) == {
        "easement everywhere": "the easement leaves no ground for a line",
        "house over all": "buildings stand on the whole line",
        "missing lot": "the lot has no usable outline",
        "empty lot": "the lot has no usable outline",
        "tiny lot": "the lot is too small for a line",
        "sliver lot": "the lot is too small for a line",
    }
    assert gone[["length_m", "height_m"]].isna().all(axis=None)
    assert (gone["gates"] == 0).all()
    assert not gone["covers_protected"].any()
    assert shapely.is_empty(gone["enclosed"].to_numpy()).all()


@pytest.mark.parametrize(
    "name", ["plain", "no building", "slanted lot", "flag lot", "easement beside", "house elsewhere"]
)
def test_without_an_offset_the_line_is_the_lot_boundary(name: str) -> None:
    row = line_of(name, AT_THE_LINE)
    # Vertices are rounded to a millimetre, which changes each side by less than 1.5 mm.
    assert row["length_m"] == pytest.approx(CASES[name].lot.length, abs=0.01)
    assert row["enclosed"].area == pytest.approx(CASES[name].lot.area, abs=0.1)
    assert row["reason"] == f"{CASES[name].lot.length / 0.3048:.0f} ft along the lot boundary"


@pytest.mark.parametrize(
    ("name", "length_m"),
    [
        ("plain", 2 * (20 + 40) - 8 * OFFSET_M),
        ("easement at the rear", 2 * (20 + 37) - 6 * OFFSET_M),
        ("wash behind the house", 2 * (20 + 25) - 6 * OFFSET_M),
        ("easement island", 2 * (20 + 40) - 8 * OFFSET_M),
        ("zero lot line", 2 * (20 + 40) - 8 * OFFSET_M - 12),
        ("over the lot line", 2 * (20 + 40) - 8 * OFFSET_M - 12),
        ("along the lot line", 2 * (20 + 40) - 8 * OFFSET_M - 4),
        ("house to the rear", 20 - 2 * OFFSET_M + 2 * (8 - OFFSET_M)),
        ("lot in two parts", 2 * (20 + 40) - 8 * OFFSET_M),
    ],
)
def test_lengths_by_hand(lines: gpd.GeoDataFrame, name: str, length_m: float) -> None:
    row = lines.set_index("parcel_id").loc[name]
    assert row["length_m"] == pytest.approx(length_m, abs=0.01)
    assert row["length_m"] == pytest.approx(row["geometry"].length, abs=1e-9)


def test_lines_stay_on_their_lot_and_off_easements_and_washes(town: Town, lines: gpd.GeoDataFrame) -> None:
    drawn = lines[lines.geometry.notna()]
    lots = town.parcels.geometry.to_numpy()[drawn.index]
    off_m = shapely.length(shapely.difference(drawn.geometry.to_numpy(), shapely.buffer(lots, 0.001)))
    assert off_m.max() == 0
    for layer in (town.easements, town.wash_ground):
        inner = shapely.buffer(layer.geometry.to_numpy(), -0.001)  # vertices are rounded to a millimetre
        pairs = shapely.STRtree(inner).query(drawn.geometry.to_numpy(), predicate="intersects")
        assert pairs.size == 0


def test_line_and_walls_close_round_the_enclosed_ground(town: Town, lines: gpd.GeoDataFrame) -> None:
    houses = find_lot_ground(*town)["house"].to_numpy()
    for row, house in zip(lines.itertuples(), houses, strict=True):
        if row.geometry is None:
            continue
        barrier = shapely.union_all([row.geometry.buffer(0.002), house])
        open_m = row.enclosed.boundary.difference(barrier).length
        assert open_m == 0, row.parcel_id
        faces = shapely.polygonize([shapely.union_all([shapely.snap(row.geometry, house, 0.005), house.boundary])])
        together = shapely.union_all([*shapely.get_parts(faces), house])
        assert row.enclosed.difference(together).area < 0.01 * (1 + row.enclosed.length), row.parcel_id


def test_sentence_holds_the_numbers_of_the_table(lines: gpd.GeoDataFrame) -> None:
    drawn = lines[lines.geometry.notna()]
    for row in drawn.itertuples():
        length_ft, offset_ft = (int(text) for text in re.findall(r"\d+", row.reason.partition(";")[0]))
        assert length_ft == round(row.length_m / 0.3048)
        assert offset_ft == 1
    reasons = lines.set_index("parcel_id")["reason"]
    assert "and clear of the easement and wash" in reasons["easement and wash"]


def test_gates_and_height_are_as_asked(town: Town) -> None:
    ground = find_lot_ground(*town)
    standard = BarrierStandard.from_table({"body_length": "72 in"})
    drawn = draw_lot_lines(ground, standard=standard, gates=3)
    fits = drawn.geometry.notna()
    assert (drawn["gates"] == np.where(fits, 3, 0)).all()
    assert (drawn.loc[fits, "height_m"] / 0.0254).tolist() == pytest.approx([42] * fits.sum())


def test_ground_too_small_is_measured_by_the_standard() -> None:
    small = Case(lot=box(0, 0, 4, 4), buildings=())
    assert line_of(small)["geometry"] is not None
    assert line_of(small, BarrierStandard(least_area_m2=12.0))["geometry"] is None


def test_no_lots_at_all(town: Town) -> None:
    assert len(draw_lot_lines(find_lot_ground(*(layer.iloc[:0] for layer in town)))) == 0


@settings(max_examples=10, deadline=None)
@given(st.floats(0, 360), st.booleans(), st.tuples(st.floats(-9e4, 9e4), st.floats(-9e5, 9e5)))
def test_lines_move_with_the_town(turn_deg: float, mirror: bool, by_m: tuple[float, float]) -> None:
    town = make_town()
    how: dict[str, Any] = {"turn_deg": turn_deg, "mirror": mirror, "by_m": by_m}
    here = draw_lot_lines(find_lot_ground(*town))
    there = draw_lot_lines(find_lot_ground(*moved_town(town, **how)))
    assert there.geometry.isna().tolist() == here.geometry.isna().tolist()
    # Vertices are rounded to a millimetre on either side: 1.5 mm an end, and up to twenty of them.
    assert there["length_m"].to_numpy() == pytest.approx(here["length_m"].to_numpy(), abs=0.03, nan_ok=True)


def test_mirrored_towns_have_mirrored_lines(town: Town, lines: gpd.GeoDataFrame) -> None:
    mirrored = draw_lot_lines(find_lot_ground(*moved_town(town, mirror=True)))
    expected = moved_town(town._replace(parcels=lines), mirror=True).parcels
    apart_m = shapely.hausdorff_distance(mirrored.geometry.to_numpy(), expected.geometry.to_numpy())
    assert np.nanmax(apart_m) < 0.003


def test_order_of_parcels_does_not_matter(town: Town, lines: gpd.GeoDataFrame) -> None:
    shuffled = draw_lot_lines(find_lot_ground(town.parcels.iloc[::-1], *town[1:])).sort_index()
    assert shuffled["length_m"].to_numpy() == pytest.approx(lines["length_m"].to_numpy(), abs=1e-6, nan_ok=True)
    assert shuffled["reason"].tolist() == lines["reason"].tolist()


def test_ground_that_an_easement_keeps_outside_is_said_in_square_feet() -> None:
    """A strip of 20 x 5 m along the rear of the plain lot, less the foot that the line is drawn in anyway."""
    case = Case(easements=[box(-1, 35, 21, 41)])
    beyond_m2 = 20 * (5 - OFFSET_M - 0.3)
    said = re.search(r"; ([\d,]+) sq ft of the protected ground beyond it stay outside", line_of(case)["reason"])
    assert said is not None
    assert int(said[1].replace(",", "")) == pytest.approx(beyond_m2 / 0.3048**2, abs=1)
    assert "stay outside" not in line_of(Case(easements=[box(-1, 39.6, 21, 41)]))["reason"]
