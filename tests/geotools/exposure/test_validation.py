"""Hold the measures of skill against an independent library and definitions, and the verdict against made-up towns."""

from __future__ import annotations

import warnings
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import spearmanr

from geotools.errors import Assumed, DesignError, LayerError, Noticed
from geotools.exposure import validate_exposure
from geotools.exposure._skill import area_under_curve, boyce_index, hit_rate_curve, spatial_blocks, top_lift
from geotools.exposure.validation import fit_weights

CRS = "EPSG:32612"


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 10_000), st.integers(4, 80))
def test_auc_against_an_independent_library(seed: int, count: int) -> None:
    metrics = pytest.importorskip("sklearn.metrics")
    rng = np.random.default_rng(seed)
    score = rng.integers(0, 12, count).astype(float)  # many ties
    number = rng.poisson(0.6, count) * 1.0
    presence = number > 0
    if presence.any() and not presence.all():
        assert area_under_curve(score, presence) == pytest.approx(metrics.roc_auc_score(presence, score))
        each = np.where(presence, number, 1.0)
        theirs = metrics.roc_auc_score(presence, score, sample_weight=each)
        assert area_under_curve(score, presence, weights=number) == pytest.approx(theirs)


def test_skill_of_species_records_that_a_package_carries(packaged: Any) -> None:
    """Records and background of a real species: our AUC and theirs, on a covariate as score."""
    metrics = pytest.importorskip("sklearn.metrics")
    table = gpd.read_file(packaged("elapid", "ariolimax.gpkg"))
    presence = table["presence"].to_numpy() == 1
    for name in [n for n in table.columns if n not in ("presence", "geometry")][:3]:
        score = table[name].to_numpy(dtype=float)
        ours = area_under_curve(score, presence)
        assert ours == pytest.approx(metrics.roc_auc_score(presence, score))
        assert -1 <= boyce_index(score, presence * 1.0) <= 1


def boyce_by_definition(score: np.ndarray[Any, Any], number: np.ndarray[Any, Any]) -> float:
    """Loop over the windows: share of the records over share of the places, then Spearman with the window's middle."""
    width = np.ptp(score) / 10
    middles, ratios = [], []
    for lower in np.linspace(score.min(), score.max() - width, 101):
        inside = (score >= lower - 1e-12) & (score <= lower + width + 1e-12)
        if inside.any():
            middles.append(lower + width / 2)
            ratios.append(number[inside].sum() / number.sum() / (inside.sum() / len(score)))
    return float(spearmanr(np.round(ratios, 12), middles).statistic)


@pytest.mark.published(
    "Hirzel et al. 2006, Ecol. Modelling 199:142-152: definition from memory; values by its own loop"
)
@pytest.mark.parametrize("seed", range(6))
def test_boyce_index_against_its_definition(seed: int) -> None:
    rng = np.random.default_rng(seed)
    score = rng.beta(2, 3, 300)
    number = rng.poisson(2 * score ** rng.uniform(0, 2))
    assert boyce_index(score, number) == pytest.approx(boyce_by_definition(score, number), abs=1e-9)


def test_boyce_index_worked_out_by_hand() -> None:
    # Ten places: four score 0, two 5, four 10. The window is 1 wide and begins at 0, 0.09, ..., 9: the first one holds
    # the zeros, those from 4.05 to 4.95 (11 of them) the fives, the last one the tens; the others hold nothing.
    score, number = np.repeat([0.0, 5.0, 10.0], [4, 2, 4]), np.array([1, 0, 0, 0, 1, 0, 1, 1, 0, 0.0])
    # P/E: (1/4)/(4/10) = 0.625 once, (1/4)/(2/10) = 1.25 eleven times, (2/4)/(4/10) = 1.25 once. Ranks: 1, then 7.5
    # twelve times (mean 7), against 1 to 13 (mean 7): sum of products (-6)(-6) + 0.5 (1 + ... + 12 - 12 * 6) = 39;
    # sums of squares 36 + 12 / 4 = 39 and 182. The index is 39 / sqrt(39 * 182) = sqrt(3 / 14).
    assert boyce_index(score, number) == pytest.approx(np.sqrt(3 / 14))
    # With no record on the tens and one more on the fives: 0.625, 2.5 eleven times, 0. Ranks 2, 8 eleven times, 1
    # (mean 7): products (-6)(-5) + (1)(-5 - 4 - ... + 5) + (6)(-6) = 30 + 0 - 36 = -6; squares 25 + 11 + 36 = 72.
    number = np.array([1, 0, 0, 0, 1, 0, 0, 0, 0, 0.0])
    assert boyce_index(score, number) == pytest.approx(-6 / np.sqrt(72 * 182))


@pytest.mark.filterwarnings("ignore::geotools.errors.Noticed")
def test_species_that_count_are_named() -> None:
    lots = gpd.GeoDataFrame(
        {"exposure": [9.0, 1.0], "points_desert": [9.0, 1.0], "desert_distance_m": [0.0, 50.0]},
        geometry=[shapely.box(0, 0, 9, 9), shapely.box(9, 0, 18, 9)],
        crs=CRS,
    )
    met = gpd.GeoDataFrame(
        {"species": ["Tiger rattlesnake", "gopher snake", None]},
        geometry=gpd.points_from_xy([5, 12, 13], [5] * 3),
        crs=CRS,
    )

    def records(**how: Any) -> float:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", Noticed)
            return float(validate_exposure(lots, met, **how).set_index("measure").loc["records", "model"])

    with pytest.warns(Assumed, match="2 species count alike: gopher snake, tiger rattlesnake"):
        validate_exposure(lots, met)
    with pytest.warns(Assumed, match="name no species: all of them count"):
        validate_exposure(lots, met[["geometry"]], species=["rattlesnake"])
    assert records(species=["rattle"]) == 1
    assert records(species=["tiger rattlesnake "]) == 1
    assert records(species=["Tiger Rattlesnake", "gopher snake"]) == 2
    with pytest.warns(Noticed, match="2 of 3 encounters are with other species or none named"):
        validate_exposure(lots, met, species=["gopher snake"])
    with pytest.raises(LayerError, match="species 'sidewinder'"):
        records(species=["sidewinder"])


def test_boyce_index_knows_good_bad_and_no_skill() -> None:
    score = np.linspace(0, 1, 1001)
    assert boyce_index(score, score) == pytest.approx(1)
    assert boyce_index(score, 1 - score) == pytest.approx(-1)
    assert np.isnan(boyce_index(score, np.ones(1001)))
    assert np.isnan(boyce_index(np.ones(9), np.ones(9)))
    assert np.isnan(boyce_index(score, np.zeros(1001)))


def test_hit_rates_by_hand() -> None:
    assert hit_rate_curve([5, 5, 1, 1], [2, 0, 1, 1], [0.25, 0.5, 0.75, 1]).tolist() == [0.25, 0.5, 0.75, 1]
    assert top_lift(np.arange(10.0), [0] * 9 + [4]) == pytest.approx(10)
    assert np.isnan(hit_rate_curve([1, 2], [0, 0], [0.5])).all()


def test_neighbours_are_in_one_fold() -> None:
    x, y = (part.ravel() * 20.0 for part in np.meshgrid(np.arange(30), np.arange(30)))
    fold = spatial_blocks(shapely.points(x, y), block_m=100.0, folds=5, seed=3)
    assert set(fold.tolist()) == set(range(5))
    block = (x // 100).astype(int) * 100 + (y // 100).astype(int)
    assert all(len(set(fold[block == one].tolist())) == 1 for one in np.unique(block))
    sizes = np.bincount(fold)
    assert sizes.max() - sizes.min() <= 25


def test_fitted_weights_find_what_matters_and_are_never_negative() -> None:
    rng = np.random.default_rng(2)
    points = rng.random((2000, 3))
    presence = rng.random(2000) < 1 / (1 + np.exp(4 - 5 * points[:, 0] + 3 * points[:, 2]))
    weights = fit_weights(points, presence)
    assert weights[0] == pytest.approx(5, rel=0.3)
    assert weights[1] < 0.5
    assert weights[2] == 0


def town(seed: int, *, follows: str, records: int = 300) -> tuple[gpd.GeoDataFrame, gpd.GeoDataFrame]:
    """A town of 900 lots south of the desert, with records that follow the score, the distance, or nothing."""
    rng = np.random.default_rng(seed)
    x, y = (part.ravel() * 25.0 for part in np.meshgrid(np.arange(30), np.arange(30)))
    lots = shapely.box(x, y, x + 25, y + 25)
    away_m = 750 - y - 25
    cover = rng.random(900)
    points = pd.DataFrame({"points_desert": 40 * np.exp(-away_m / 150), "points_cover": 60 * cover})
    scored = gpd.GeoDataFrame(
        {"exposure": points.sum(axis=1), **points, "desert_distance_m": away_m}, geometry=lots, crs=CRS
    )
    chance = {"score": scored["exposure"] ** 3, "distance": np.exp(-away_m / 60), "nothing": np.ones(900)}[follows]
    chance = np.asarray(chance, dtype=float)
    at = rng.choice(900, records, p=chance / chance.sum())
    met = gpd.GeoDataFrame(
        {"observed_on": pd.Timestamp("2020-06-01")},
        index=range(records),
        geometry=shapely.points(x[at] + rng.uniform(1, 24, records), y[at] + rng.uniform(1, 24, records)),
        crs=CRS,
    )
    return scored, met


@pytest.mark.parametrize(
    ("follows", "words"), [("score", "does better"), ("distance", "does worse"), ("nothing", "no better")]
)
def test_verdict_on_towns_where_the_truth_is_known(follows: str, words: str) -> None:
    scored, met = town(1, follows=follows)
    with pytest.warns(Noticed, match=words):
        table = validate_exposure(scored, met)
    rows = table.set_index(["measure", "part"])
    assert words in table.loc[table["measure"] == "verdict", "said"].item()
    assert rows.loc[("records", ""), "model"] == 300
    assert rows.loc[("hit rate", "top 100% of lots"), "model"] == 1
    auc, plain = rows.loc[("auc", ""), ["model", "baseline"]]
    assert (auc > plain + 0.05) == (follows == "score")
    held_out = rows.loc[("auc held out", "mean")]
    if follows == "score":
        assert auc > 0.65
        assert held_out["fitted"] > 0.6
        assert rows.loc[("boyce index", ""), "model"] > 0.8
        assert rows.loc[("lift in the top tenth", ""), "model"] > 1.5
    if follows == "nothing":
        # 300 records at random on 900 lots: the standard error of an AUC is about 0.02.
        assert auc == pytest.approx(0.5, abs=0.07)
        assert rows.loc[("auc difference", "low"), "model"] <= 0 <= rows.loc[("auc difference", "high"), "model"]


def test_records_do_not_test_themselves() -> None:
    scored, met = town(2, follows="nothing")
    with_records = scored.assign(points_encounters=0.0)
    lots_met = np.unique(shapely.STRtree(scored.geometry.to_numpy()).query(met.geometry.to_numpy(), "intersects")[1])
    with_records.loc[lots_met, "points_encounters"] = 90.0
    with pytest.warns(Noticed):
        plain = validate_exposure(scored, met)
    with pytest.warns(Noticed):
        doped = validate_exposure(with_records, met)
    pd.testing.assert_frame_equal(plain, doped)


def test_yearly_rate_only_with_dates_and_effort() -> None:
    scored, met = town(3, follows="score")
    measure = "encounters a lot and year"
    dates: dict[str, Any] = {"watched_from": "2019-01-01", "watched_until": "2021-01-01"}
    with warnings.catch_warnings(action="ignore"):
        unknown = validate_exposure(scored, met, **dates)
        known = validate_exposure(scored, met, **dates, reported_pct=50.0)
        undated = validate_exposure(scored, met.assign(observed_on=pd.NaT), **dates, reported_pct=50.0)
        outside = validate_exposure(
            scored, met, watched_from="2021-01-01", watched_until="2022-01-01", reported_pct=9.0
        )
    for table in (unknown, undated, outside):
        rows = table[table["measure"] == measure]
        assert len(rows) == 1
        assert rows["said"].item().startswith("No yearly rate")
    rates = known[known["measure"] == measure]["model"].to_numpy()
    assert len(rates) == 5
    assert rates[0] > rates[-1]
    # 300 records in 731 days, half of the encounters reported, on 900 lots in five equal groups.
    assert rates.mean() == pytest.approx(300 / (731 / 365.25) / 0.5 / 900)


def test_few_records_and_none() -> None:
    scored, met = town(4, follows="score")
    with pytest.warns(Noticed, match="too few lots"):
        validate_exposure(scored, met.iloc[:5])
    with pytest.warns(Noticed, match="not tested"):
        table = validate_exposure(scored, met.iloc[:0])
    assert table["measure"].tolist()[:2] == ["records", "lots with records"]
    with pytest.raises(LayerError, match="no distance"):
        validate_exposure(scored.drop(columns="desert_distance_m"), met)
    for how in (
        {"folds_count": 1},
        {"block_m": 0.0},
        {"watched_from": "soon", "watched_until": "2020-01-01", "reported_pct": 9.0},
    ):
        with pytest.raises(DesignError):
            validate_exposure(scored, met, **how)  # type: ignore[arg-type]
