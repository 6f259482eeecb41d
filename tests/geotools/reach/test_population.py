"""Check shares against an independent distribution, and that every value says where it is from."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import truncnorm

from geotools.errors import DesignError, OutputError, UnitError
from geotools.reach import draw_shares, list_design_animals, share_excluded
from geotools.reach.population import SPECIES, excluded_share, find_species, list_species

if TYPE_CHECKING:
    from pathlib import Path

INCH_M = 0.0254


@given(st.floats(0.1, 2.0), st.floats(0.3, 2.0), st.floats(0.05, 0.5), st.floats(0.5, 3.0))
def test_shares_are_those_of_a_truncated_normal(height_m: float, mean_m: float, sd_m: float, longest_m: float) -> None:
    low, high = -mean_m / sd_m, (longest_m - mean_m) / sd_m
    limit_m = max(2 * (height_m - 0.1524), 0)
    expected = truncnorm.cdf(limit_m, low, high, loc=mean_m, scale=sd_m)
    share = float(excluded_share(height_m, mean_m=mean_m, sd_m=sd_m, longest_m=longest_m))
    assert share == pytest.approx(expected, abs=1e-7)


def test_half_are_kept_out_at_the_mean_and_all_at_the_longest() -> None:
    shares = excluded_share(np.array([0.1524, 0.65 + 0.0024, 5.0]), mean_m=1.0, sd_m=0.1, longest_m=2.0)
    np.testing.assert_allclose(shares, [0, 0.5, 1], atol=1e-9)


def test_shares_rise_with_height() -> None:
    for one in SPECIES:
        shares = excluded_share(np.linspace(0, 2, 200), mean_m=one.mean_m, sd_m=one.sd_m, longest_m=one.longest_m)
        assert (np.diff(shares) >= 0).all()
        assert (shares[0], shares[-1]) == (0, 1)


@pytest.mark.published(
    "Rosen & Goldberg 2002: adult females in Arizona 797 mm snout to vent; with a tail of 6 % 848 mm in all"
)
def test_mean_length_of_the_commonest_species() -> None:
    assert find_species("atrox").mean_m == pytest.approx(0.797 / 0.94, abs=5e-4)


@pytest.mark.published("Klauber 1972, as restated: longest reliable western diamond-back 213 cm (83.9 in)")
def test_it_takes_48_in_to_keep_out_the_longest_ever() -> None:
    table = share_excluded(species="atrox", heights="36 in, 42 in, 48 in")
    assert table["keeps_out_longest"].tolist() == [False, False, True]
    assert table["excludes_body_length_in"].tolist() == [60, 72, 84]
    assert (table["share_excluded_pct"] > 99.9).all()


def test_there_is_a_row_for_each_species_and_height() -> None:
    table = share_excluded(species="tigris, atrox", heights="24 in, 36 in")
    assert table[["species", "height_in"]].to_numpy().tolist() == [
        ["Crotalus tigris", 24.0], ["Crotalus tigris", 36.0], ["Crotalus atrox", 24.0], ["Crotalus atrox", 36.0],
    ]  # fmt: skip
    assert len(share_excluded()) == len(SPECIES) * 6


@pytest.mark.published(
    "reach table: half of 85, 120, 150, 180, 213 and 244 cm is 16.7, 23.6, 29.5, 35.4, 41.9 and 48.0 in"
)
@pytest.mark.parametrize(
    ("length_cm", "half_in"), [(85, 16.7), (120, 23.6), (150, 29.5), (180, 35.4), (213, 41.9), (244, 48.0)]
)
def test_reach_table(length_cm: float, half_in: float) -> None:
    animals = list_design_animals(overrides={"one": f"{length_cm} cm"}).set_index("region")
    assert animals.loc["one", "height_in"] - 6 == pytest.approx(half_in, abs=0.05)


def test_every_value_says_what_it_is() -> None:
    table = list_species()
    for name in ("mean", "sd", "longest", "newborn_head"):
        assert table[f"{name}_status"].str.match("published|derived|from memory|assumption of this project").all()
    assert (table["sd_status"].str.startswith("assumption")).all()
    assert (table["mean_m"] < table["longest_m"]).all()


def test_species_are_found_by_any_of_their_names() -> None:
    for name in ("Crotalus atrox", "ATROX", "western diamond-backed rattlesnake", " western diamond-backed "):
        assert find_species(name).name == "Crotalus atrox"
    with pytest.raises(DesignError, match="'cobra' is not a species"):
        find_species("cobra")


def test_regions_can_be_changed_and_added() -> None:
    table = list_design_animals(overrides={"low desert": "60 in", "canyon": "1 m"}).set_index("region")
    assert table.loc["low desert", ["height_in", "source"]].tolist() == [pytest.approx(36), "given"]
    assert table.loc["canyon", "specified_height_in"] == pytest.approx(30)
    assert list_design_animals()["specified_height_in"].round(6).tolist() == [30, 36, 42]
    with pytest.raises(UnitError):
        list_design_animals(overrides={"canyon": "long"})


def test_bad_numbers_are_refused() -> None:
    with pytest.raises(DesignError, match="SD"):
        excluded_share(1.0, mean_m=1.0, sd_m=0.0, longest_m=2.0)
    with pytest.raises(DesignError):
        share_excluded(heights="-3 in")


def test_the_picture_is_the_same_each_time_and_a_bad_place_is_said(tmp_path: Path) -> None:
    one, two = tmp_path / "one.png", tmp_path / "two.png"
    for path in (one, two):
        draw_shares(path=path, species="atrox,tigris", fence="24 in")
    assert one.read_bytes() == two.read_bytes()
    with pytest.raises(OutputError, match="can't be written"):
        draw_shares(path=tmp_path / "none" / "x.png", species="atrox")
