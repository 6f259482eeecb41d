"""Check the factors of the exposure against arithmetic and naive loops, and the score against what it must never do."""

from __future__ import annotations

import math
import warnings
from typing import TYPE_CHECKING, Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import rasterio
import shapely
from affine import Affine
from hypothesis import given, settings
from hypothesis import strategies as st

from geotools.errors import Assumed, DesignError, LayerError, Noticed, RasterError
from geotools.exposure import measure_contact, measure_cover, measure_distance, measure_factors, score_exposure
from geotools.exposure.weights import default_weights
from geotools.rasters import open_raster

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from pathlib import Path

    from geotools.rasters import Raster

CRS = "EPSG:32612"
EAST_M, NORTH_M = 510_000.0, 3_575_000.0
CORNER = np.array([EAST_M, NORTH_M])
FACTORS = ("contact", "desert", "wash", "habitat", "cover")


def layer(shapes: Sequence[Any], **columns: Any) -> gpd.GeoDataFrame:
    return gpd.GeoDataFrame(columns, geometry=gpd.GeoSeries(list(shapes), crs=CRS))


def grid_of_lots(columns: int = 6, rows: int = 5) -> gpd.GeoDataFrame:
    x, y = (part.ravel() for part in np.meshgrid(np.arange(columns) * 20.0, np.arange(rows) * 40.0))
    return layer(
        shapely.box(EAST_M + x, NORTH_M + y, EAST_M + x + 20, NORTH_M + y + 40),
        parcel_id=[str(number) for number in range(len(x))],
    )


def shapes_around(count: int, seed: int) -> list[shapely.Geometry]:
    rng = np.random.default_rng(seed)
    points = shapely.points(EAST_M + rng.uniform(-200, 300, count), NORTH_M + rng.uniform(-200, 400, count))
    return list(shapely.buffer(points, rng.uniform(3, 60, count), quad_segs=3))


def moved(table: gpd.GeoDataFrame, turn: Callable[[np.ndarray[Any, Any]], np.ndarray[Any, Any]]) -> gpd.GeoDataFrame:
    shapes = shapely.transform(table.geometry.to_numpy(), lambda points: turn(points - CORNER) + CORNER)
    return table.set_geometry(gpd.GeoSeries(shapes, index=table.index, crs=table.crs))


LOTS = grid_of_lots()
DESERT = layer([shapely.box(EAST_M - 600, NORTH_M + 200, EAST_M + 900, NORTH_M + 1200), *shapes_around(6, 3)])
WASH = layer([shapely.box(EAST_M + 100, NORTH_M - 700, EAST_M + 106, NORTH_M + 900)])
PATCHES = layer(shapes_around(15, 5), cover=np.linspace(0.1, 1.0, 15))


def test_one_lot_by_hand() -> None:
    lot = layer([shapely.box(0, 0, 20, 40)], parcel_id=["1"])
    desert = layer([shapely.box(-100, 40, 100, 200)])
    wash = layer([shapely.box(170, 0, 180, 40)])
    half = layer([shapely.box(-50, 0, 10, 40)], cover=[0.5])
    weights = {"contact": 0.35, "desert": 0.25, "wash": 0.25, "cover": 0.15}
    with pytest.warns(Noticed, match="habitat"):
        row = score_exposure(
            lot, desert, wash, half, contact_within_m=0, cover_around_m=0, factor_weights=weights
        ).iloc[0]
    assert row["contact_share"] == pytest.approx(20 / 120, abs=1e-6)
    assert (row["desert_distance_m"], row["wash_distance_m"], row["cover_share"]) == pytest.approx((0, 150, 0.25))
    # A side of a square, a quarter, is full contact; half cover is full cover.
    assert row["points_contact"] == pytest.approx(35 * 4 / 6, abs=1e-4)
    assert row["points_desert"] == pytest.approx(25)
    assert row["points_wash"] == pytest.approx(25 / math.e)
    assert row["points_cover"] == pytest.approx(15 / 2)
    assert row["exposure"] == pytest.approx(35 * 4 / 6 + 25 + 25 / math.e + 15 / 2, abs=1e-4)
    assert row["habitat_distance_m"] == 0
    assert row["exposure_rank"] == 1


@pytest.mark.published(
    "published home ranges of 0.76 to 22.84 ha (and 100 ha, expert opinion) as equal-area radii, derived"
)
@pytest.mark.parametrize(
    ("hectares", "radius_m"),
    [(0.76, 49.2), (2.80, 94.4), (5.86, 136.6), (13.69, 208.8), (22.84, 269.6), (100.0, 564.2)],
)
def test_decay_lengths_of_published_home_ranges(hectares: float, radius_m: float) -> None:
    assert math.sqrt(1e4 * hectares / math.pi) == pytest.approx(radius_m, abs=0.05)
    lot = layer([shapely.box(0, 0, 20, 40)], parcel_id=["1"])
    desert = layer([shapely.box(20 + radius_m, 0, 900, 40)])
    with warnings.catch_warnings(action="ignore"):
        row = score_exposure(lot, desert, decay_m=radius_m, factor_weights={"desert": 1.0}).iloc[0]
    assert row["exposure"] == pytest.approx(100 / math.e, abs=1e-6)


def test_contact_against_naive_loops() -> None:
    desert = shapely.union_all(DESERT.geometry.to_numpy())
    for within_m in (0.0, 5.0, 30.0):
        table = score_exposure(LOTS, DESERT, contact_within_m=within_m)
        zone = desert.buffer(max(within_m, 1e-6), quad_segs=8)
        shares = [lot.boundary.intersection(zone).length / lot.length for lot in LOTS.geometry]
        # Both draw circles as polygons with the same corners; cutting along the grid moves edges by roundings.
        assert table["contact_share"].to_numpy() == pytest.approx(shares, abs=1e-4)
    assert 0 < np.count_nonzero(table["contact_share"]) < len(LOTS)


def test_distance_against_naive_loops() -> None:
    table = score_exposure(LOTS, DESERT, WASH)
    for name, habitat in (("desert", DESERT), ("wash", WASH)):
        naive_m = [min(lot.distance(shape) for shape in habitat.geometry) for lot in LOTS.geometry]
        assert table[f"{name}_distance_m"].to_numpy() == pytest.approx(naive_m, abs=1e-6)


def test_cover_against_naive_loops() -> None:
    naive = []
    for lot in LOTS.geometry:
        area = lot.buffer(15, quad_segs=8)
        part_m2 = sum(
            area.intersection(patch).area * cover
            for patch, cover in zip(PATCHES.geometry, PATCHES["cover"], strict=True)
        )
        naive.append(min(part_m2 / area.area, 1.0))
    table = score_exposure(LOTS, DESERT, vegetation=PATCHES)
    assert table["cover_share"].to_numpy() == pytest.approx(naive, abs=1e-9)
    assert len({round(share, 6) for share in naive}) > 3


def test_desert_cut_at_the_grid_keeps_its_edge_on_a_turned_town() -> None:
    """A lot line along a long slanted edge of desert, which the cutting breaks in pieces, stays in contact."""
    angle = 0.3
    matrix = np.array([[math.cos(angle), -math.sin(angle)], [math.sin(angle), math.cos(angle)]])
    lots = moved(grid_of_lots(columns=50, rows=1), lambda points: points @ matrix.T)
    desert = layer([shapely.box(EAST_M - 100, NORTH_M + 40, EAST_M + 1100, NORTH_M + 900)])
    desert = moved(desert, lambda points: points @ matrix.T)
    shares = score_exposure(lots, desert, contact_within_m=0.0)["contact_share"]
    assert shares.to_numpy() == pytest.approx(1 / 6, abs=1e-4)


def test_parts_add_up_and_ranks_follow_the_score() -> None:
    table = score_exposure(LOTS, DESERT, WASH, PATCHES)
    parts = table[[f"points_{name}" for name in FACTORS]]
    assert parts.sum(axis=1).to_numpy() == pytest.approx(table["exposure"].to_numpy(), abs=1e-6)
    assert table["exposure"].between(0, 100).all()
    naive = [1 + sum(other > score for other in table["exposure"]) for score in table["exposure"]]
    assert table["exposure_rank"].tolist() == naive
    assert table.index.equals(LOTS.index)
    assert table["parcel_id"].tolist() == LOTS["parcel_id"].tolist()


def test_sentence_holds_the_numbers_of_the_table_largest_part_first() -> None:
    table = score_exposure(LOTS, DESERT, WASH, PATCHES)
    for row in table.itertuples():
        texts = {
            f"open desert is {row.desert_distance_m / 0.3048:,.0f} ft away": row.points_desert,
            f"a wash is {row.wash_distance_m / 0.3048:,.0f} ft away": row.points_wash,
        }
        if row.habitat_share >= 0.005:
            texts[f"{row.habitat_share:.0%} of the ground around is habitat"] = row.points_habitat
        if row.contact_share >= 0.005:
            texts[f"{row.contact_share:.0%} of the boundary meets open desert"] = row.points_contact
        if row.cover_share >= 0.005:
            texts[f"vegetation covers {row.cover_share:.0%}"] = row.points_cover
        said = row.exposure_reason.split("; ")
        assert set(texts) <= set(said)
        assert all("less than 1%" in text for text in set(said) - set(texts))
        points = [texts[text] for text in said if text in texts]
        assert points == sorted(points, reverse=True)


@settings(max_examples=25, deadline=None)
@given(st.floats(0, 2000), st.floats(0, 500), st.sampled_from([5.0, 0.0]))
def test_moving_away_from_habitat_never_raises_the_score(away_m: float, further_m: float, within_m: float) -> None:
    def score(distance_m: float) -> float:
        lot = layer(
            [shapely.box(EAST_M, NORTH_M - distance_m - 40, EAST_M + 20, NORTH_M - distance_m)], parcel_id=["1"]
        )
        desert = layer([shapely.box(EAST_M - 900, NORTH_M, EAST_M + 900, NORTH_M + 900)])
        wash = layer([shapely.box(EAST_M + 50, NORTH_M + 1, EAST_M + 55, NORTH_M + 900)])
        return float(score_exposure(lot, desert, wash, contact_within_m=within_m)["exposure"].item())

    # The score is rounded to 6 decimals.
    assert score(away_m + further_m) <= score(away_m) + 1e-6


@pytest.mark.parametrize(
    "turn",
    [
        lambda points: points * [-1, 1],
        lambda points: points @ np.array([[0.8, 0.6], [-0.6, 0.8]]),
        lambda points: points + np.array((12_345.678, -6_543.21)),
    ],
    ids=["mirrored", "turned", "shifted"],
)
def test_moved_towns_have_the_same_scores(turn: Any) -> None:
    here = score_exposure(LOTS, DESERT, WASH, PATCHES)
    there = score_exposure(*(moved(table, turn) for table in (LOTS, DESERT, WASH, PATCHES)))
    # Buffers turn with compass directions: circles lose up to 0.5 % of their radius of 5 or 15 m elsewhere.
    assert there["exposure"].to_numpy() == pytest.approx(here["exposure"].to_numpy(), abs=0.1)
    assert there["wash_distance_m"].to_numpy() == pytest.approx(here["wash_distance_m"].to_numpy(), abs=1e-6)


def test_order_of_rows_does_not_matter() -> None:
    here = score_exposure(LOTS, DESERT, WASH, PATCHES)
    there = score_exposure(LOTS.iloc[::-1], DESERT.iloc[::-1], WASH, PATCHES.iloc[::-1])
    assert there.index.tolist() == LOTS.index.tolist()[::-1]
    assert there.sort_index()["exposure"].to_numpy() == pytest.approx(here["exposure"].to_numpy(), abs=1e-6)
    assert there.sort_index()["exposure_rank"].tolist() == here["exposure_rank"].tolist()


def test_lots_without_an_outline_keep_their_row() -> None:
    lots = layer([None, shapely.box(0, 0, 20, 40), shapely.Polygon()], parcel_id=["a", "b", "c"])
    table = score_exposure(lots, layer([shapely.box(0, 40, 9, 90)]), vegetation=layer([], cover=[]))
    assert table["exposure"].notna().tolist() == [False, True, False]
    assert table["exposure_rank"].tolist()[1] == 1
    assert table["exposure_rank"].isna().tolist() == [True, False, True]
    assert table["in_reach"].tolist() == [False, True, False]
    assert table["exposure_reason"].iloc[0] == "the lot has no usable outline"


def test_empty_layers() -> None:
    nothing = layer([])
    with pytest.warns(Noticed, match="for every lot: it tells none apart"):
        table = score_exposure(LOTS, nothing, nothing)
    assert (table["exposure"] == 0).all()
    assert (table["exposure_rank"] == 1).all()
    assert not table["in_reach"].any()
    assert table["habitat_distance_m"].isna().all()
    assert (table["exposure_reason"] == "far from desert, wash and cover").all()
    assert len(score_exposure(LOTS.iloc[:0], DESERT, WASH, PATCHES)) == 0
    assert len(score_exposure(LOTS.iloc[:0], nothing)) == 0


def test_lots_in_several_parts_and_inside_the_desert() -> None:
    two = shapely.MultiPolygon([shapely.box(0, 0, 10, 10), shapely.box(20, 0, 30, 10)])
    lots = layer([two, shapely.box(0, 50, 10, 60)], parcel_id=["two", "inside"])
    table = score_exposure(lots, layer([shapely.box(0, 10, 10, 90)]), contact_within_m=0.0)
    assert table["contact_share"].to_numpy() == pytest.approx([10 / 80, 1.0], abs=1e-6)
    assert table["desert_distance_m"].tolist() == [0, 0]


def test_reach_is_counted_in_decay_lengths() -> None:
    lots = layer([shapely.box(0, 0, 20, 40)], parcel_id=["1"])
    for distance_m, reached in ((299.9, True), (300.1, False)):
        desert = layer([shapely.box(20 + distance_m, 0, 900, 40)])
        assert score_exposure(lots, desert, decay_m=100.0)["in_reach"].tolist() == [reached]


def test_layers_that_are_not_given_leave_their_columns_missing() -> None:
    table = score_exposure(LOTS, wash_ground=WASH)
    for name in (
        "contact_share",
        "desert_distance_m",
        "cover_share",
        "points_contact",
        "points_desert",
        "points_cover",
    ):
        assert table[name].isna().all()
    weights = default_weights()
    nearness = 100 * np.exp(-table["wash_distance_m"] / 150) * weights["wash"]
    around = 100 * np.minimum(table["habitat_share"] / 0.5, 1) * weights["habitat"]
    expected = (nearness + around) / (weights["wash"] + weights["habitat"])
    assert table["exposure"].to_numpy() == pytest.approx(expected.to_numpy(), abs=1e-6)


def test_vegetation_without_a_cover_is_full_and_said() -> None:
    patches = layer([shapely.box(0, 0, 5, 10), shapely.box(5, 0, 10, 5)], cover=pd.array([None, 0.5], dtype="Float64"))
    lot = np.array([shapely.box(0, 0, 10, 10)])
    with pytest.warns(Assumed, match="1 of 2 vegetation polygons"):
        assert measure_cover(lot, patches, crs=patches.crs).tolist() == [0.5 + 0.125]


def test_overlapping_vegetation_is_never_more_than_full() -> None:
    patches = layer([shapely.box(-1, -1, 11, 11)] * 3, cover=[0.8, 0.8, 0.8])
    assert measure_cover(np.array([shapely.box(0, 0, 10, 10)]), patches, crs=patches.crs).tolist() == [1.0]


def test_measures_of_nothing() -> None:
    none = np.array([], dtype=object)
    lot = np.array([shapely.box(0, 0, 10, 10)])
    assert measure_contact(none, lot, within_m=1.0).shape == measure_distance(none, lot).shape == (0,)
    assert measure_contact(lot, none, within_m=1.0).tolist() == [0.0]
    assert measure_distance(lot, none).tolist() == [np.inf]


@pytest.mark.parametrize(
    ("how", "words"),
    [
        ({"factor_weights": {"desert": -1.0}}, "weight desert: the weight is -1.0"),
        ({"factor_weights": {"wash": math.nan}}, "weight wash: the weight is nan"),
        ({"factor_weights": {"desert": 0.0, "wash": 0.0}}, "add up to 0"),
        ({"factor_weights": {"dogs": 1.0}}, "no factor 'dogs'"),
        ({"decay_m": 0.0}, "length"),
        ({"reach_decays": -1.0}, "length"),
        ({"contact_within_m": math.nan}, "length"),
        ({"cover_around_m": -1.0}, "length"),
    ],
)
def test_impossible_options_are_refused(how: dict[str, Any], words: str) -> None:
    with pytest.raises(DesignError, match=words):
        score_exposure(LOTS, DESERT, WASH, **how)


def test_no_habitat_layer_is_refused() -> None:
    with pytest.raises(LayerError, match="no habitat layer"):
        score_exposure(LOTS, vegetation=PATCHES)


def write_raster(path: Path, bands: np.ndarray[Any, Any], *, west: float, north: float, cell_m: float) -> str:
    profile = {
        "driver": "GTiff",
        "height": bands.shape[1],
        "width": bands.shape[2],
        "count": bands.shape[0],
        "dtype": "float32",
        "crs": CRS,
        "transform": Affine(cell_m, 0, west, 0, -cell_m, north),
        "nodata": -9999.0,
    }
    with rasterio.open(path, "w", **profile) as dataset:
        dataset.write(bands.astype("float32"))
    return str(path)


@pytest.fixture(scope="module")
def greenness() -> np.ndarray[Any, Any]:
    index = np.random.default_rng(8).uniform(-0.2, 0.6, (110, 80))
    index[40:44, 30:34] = -9999.0
    return index


@pytest.fixture(scope="module")
def raster(greenness: np.ndarray[Any, Any], tmp_path_factory: pytest.TempPathFactory) -> Raster:
    path = tmp_path_factory.mktemp("raster") / "index.tif"
    source = write_raster(path, greenness[None], west=EAST_M - 20, north=NORTH_M + 240, cell_m=2.0)
    return open_raster(source, "vegetation", {"index": 1})


def naive_cover(area: shapely.Geometry, index: np.ndarray[Any, Any], threshold: float = 0.2) -> float:
    """Cell by cell, with the part of each cell that is inside."""
    green_m2 = known_m2 = 0.0
    west, south, east, north = area.bounds
    for row in range(max(0, int((NORTH_M + 240 - north) // 2)), min(110, int((NORTH_M + 240 - south) // 2) + 1)):
        for column in range(max(0, int((west - EAST_M + 20) // 2)), min(80, int((east - EAST_M + 20) // 2) + 1)):
            if index[row, column] == -9999.0:
                continue
            x, y = EAST_M - 20 + 2 * column, NORTH_M + 240 - 2 * row
            part_m2 = shapely.box(x, y - 2, x + 2, y).intersection(area).area
            known_m2 += part_m2
            green_m2 += part_m2 * (index[row, column] >= threshold)
    return green_m2 / known_m2 if known_m2 else math.nan


def test_cover_of_a_raster_against_every_cell(raster: Raster, greenness: np.ndarray[Any, Any]) -> None:
    lots = LOTS.geometry.to_numpy()[::4]
    share = measure_cover(lots, raster, crs=LOTS.crs)
    assert share == pytest.approx([naive_cover(lot, greenness) for lot in lots], abs=1e-6)
    scored = score_exposure(LOTS.iloc[:3], DESERT, vegetation=raster, cover_around_m=15.0)
    naive = [naive_cover(lot.buffer(15, quad_segs=8), greenness) for lot in LOTS.geometry[:3]]
    assert scored["cover_share"].to_numpy() == pytest.approx(naive, abs=1e-6)


def test_cover_does_not_hang_on_the_windows(raster: Raster, monkeypatch: pytest.MonkeyPatch) -> None:
    lots = LOTS.geometry.to_numpy()
    whole = measure_cover(lots, raster, crs=LOTS.crs)
    monkeypatch.setattr("geotools.vegetation.WINDOW_M2", 2000.0)
    assert measure_cover(lots, raster, crs=LOTS.crs) == pytest.approx(whole, abs=1e-9)


def test_cover_from_red_and_near_infrared(tmp_path: Path) -> None:
    red, infrared = np.full((10, 10), 100.0), np.full((10, 10), 100.0)
    infrared[:, :4] = 200.0  # index 1/3 on four tenths, 0 elsewhere
    source = write_raster(
        tmp_path / "bands.tif", np.stack([infrared, red]), west=EAST_M, north=NORTH_M + 10, cell_m=1.0
    )
    vegetation = open_raster(source, "vegetation", {"red": 2, "near_infrared": 1})
    areas = shapely.transform([shapely.box(0, 0, 10, 10), shapely.box(3.5, 2, 5.5, 4)], lambda points: points + CORNER)
    assert measure_cover(areas, vegetation, crs=LOTS.crs) == pytest.approx([0.4, 0.25], abs=1e-6)
    assert measure_cover(areas, vegetation, crs=LOTS.crs, green_index=0.34) == pytest.approx([0.0, 0.0])


def test_lots_off_the_raster_are_scored_on_the_rest(raster: Raster) -> None:
    x = EAST_M + np.array([0.0, 5000.0])
    lots = layer(shapely.box(x, NORTH_M + 100, x + 20, NORTH_M + 140), parcel_id=["on", "off"])
    with pytest.warns(Noticed, match=r"no value on 1 lots \(off\)"):
        table = score_exposure(lots, DESERT, vegetation=raster)
    assert table["cover_share"].isna().tolist() == [False, True]
    assert table["points_cover"].isna().tolist() == [False, True]
    without = score_exposure(lots, DESERT)
    assert table["exposure"].iloc[1] == without["exposure"].iloc[1]


def test_bands_that_nothing_names_are_refused(tmp_path: Path) -> None:
    source = write_raster(tmp_path / "bands.tif", np.zeros((3, 5, 5)), west=EAST_M, north=NORTH_M + 5, cell_m=1.0)
    with pytest.raises(RasterError, match="3 bands") as caught:
        measure_cover(LOTS.geometry.to_numpy()[:1], open_raster(source, "vegetation"), crs=LOTS.crs)
    assert "near_infrared" in caught.value.mend


def test_nothing_is_warned_about() -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        score_exposure(LOTS, DESERT, WASH, PATCHES)


def test_one_extreme_lot_shifts_no_other() -> None:
    more = layer(
        [*LOTS.geometry, shapely.box(EAST_M + 2000, NORTH_M + 400, EAST_M + 2400, NORTH_M + 800)],
        parcel_id=[*LOTS["parcel_id"], "extreme"],
    )
    here = score_exposure(LOTS, DESERT, WASH, PATCHES)
    there = score_exposure(more, DESERT, WASH, PATCHES)
    assert there["exposure"].to_numpy()[:-1] == pytest.approx(here["exposure"].to_numpy(), abs=1e-6)


def test_factors_of_a_plug_in_are_scored_and_explained() -> None:
    factors = measure_factors(LOTS, DESERT).assign(factor_dogs=np.linspace(0, 1, len(LOTS)))
    with pytest.warns(Noticed, match="no weight and count nothing"):
        table = score_exposure(LOTS, factors=factors, factor_weights={"desert": 0.5, "dogs": 0.5})
    assert table["points_dogs"].to_numpy() == pytest.approx(50 * np.linspace(0, 1, len(LOTS)))
    assert "dogs adds 50.0 points" in table["exposure_reason"].iloc[-1]
    with pytest.warns(Noticed, match="count nothing: dogs"):
        assert (score_exposure(LOTS, factors=factors)["points_dogs"] == 0).all()
    with pytest.raises(LayerError, match="the factor is 2"):
        score_exposure(LOTS, factors=factors.assign(factor_dogs=2.0))
    with pytest.raises(LayerError, match="not of the same parcels"):
        score_exposure(LOTS.iloc[1:], factors=factors)


def test_cost_distance_takes_the_place_of_the_plain_one() -> None:
    cost_m = np.full(len(LOTS), 300.0)
    cost_m[0] = np.inf
    movement = LOTS.assign(desert_cost_m=cost_m)
    factors = measure_factors(LOTS, DESERT, movement=movement)
    assert factors["factor_desert"].to_numpy()[1:] == pytest.approx(math.exp(-2))
    assert factors["factor_desert"].iloc[0] == 0
    table = score_exposure(LOTS, factors=factors)
    assert np.isnan(table["desert_cost_m"].iloc[0])
    assert table["exposure_reason"].iloc[0].endswith("no way in was found from habitat")
    assert "984 ft as the ground is crossed" in table["exposure_reason"].iloc[-1]


def test_records_off_the_lots_and_in_the_future_are_left_out_and_said() -> None:
    met = layer(
        [LOTS.geometry[0].centroid, shapely.Point(EAST_M + 9000, NORTH_M), LOTS.geometry[0].centroid],
        observed_on=pd.to_datetime(["2020-05-01", "2020-05-01", "2030-01-01"]),
    )
    with pytest.warns(Noticed) as said:
        factors = measure_factors(LOTS, DESERT, encounters=met, as_of="2024-01-01", encounter_radius_m=100.0)
    texts = [str(one.message) for one in said]
    assert any("1 of 3 encounters lie in the future" in text for text in texts)
    assert any("1 of 3 encounters lie off the lots" in text for text in texts)
    # The peak of one record within 100 m: 3 / (pi r^2), 0.95493 a hectare.
    assert factors["encounters_per_hectare"].iloc[0] == pytest.approx(0.95493, abs=1e-5)
    with pytest.raises(DesignError, match="no date"):
        measure_factors(LOTS, DESERT, encounters=met, as_of="last week")


def test_things_on_the_lot_are_counted() -> None:
    here = LOTS.geometry[0].centroid
    factors = measure_factors(LOTS, DESERT, footholds=layer([here] * 4), attractants=layer([here]))
    assert factors["factor_footholds"].tolist()[:2] == [pytest.approx(4 / 0.08 / 60), 0]
    assert factors["factor_attractants"].tolist()[:2] == [pytest.approx(1 / 3), 0]
    with pytest.raises(DesignError, match="full value of 'cover' is 0"):
        measure_factors(LOTS, DESERT, full_at={"cover": 0.0})


def test_another_decay_length_is_taken_up_from_the_factors_or_given() -> None:
    factors = measure_factors(LOTS, DESERT, WASH, decay_m=200.0)
    table = score_exposure(LOTS, factors=factors)
    assert (table["decay_m"] == 200).all()
    shorter = score_exposure(LOTS, factors=factors, decay_m=80.0)
    nearness = np.exp(-factors["wash_distance_m"] / 80.0)
    ratio = shorter["points_wash"] / nearness
    assert ratio.to_numpy() == pytest.approx(ratio.iloc[0])
    assert shorter["points_habitat"].to_numpy() == pytest.approx(table["points_habitat"].to_numpy())
