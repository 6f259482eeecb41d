"""Check the answers to the height question."""

from __future__ import annotations

import math

import pytest

from geotools.errors import DesignError, GeotoolsError
from geotools.reach import size_barrier


def ask(**question: str) -> dict[str, float]:
    return {str(name): float(value) for name, value in size_barrier(**question).iloc[0].items()}


@pytest.mark.parametrize(("body_in", "height_in"), [(48, 30), (60, 36), (72, 42)])
def test_height_table_of_the_trade(body_in: int, height_in: int) -> None:
    """Common practice of the trade, no source; exact to the last digit that is shown."""
    assert ask(body_length=f"{body_in} in") == {
        "height_in": height_in,
        "specified_height_in": height_in,
        "excludes_body_length_in": body_in,
    }


def test_between_the_steps() -> None:
    assert ask(body_length="50 in") == {"height_in": 31, "specified_height_in": 36, "excludes_body_length_in": 60}
    assert ask(body_length="20 in")["specified_height_in"] == 30


def test_a_given_fence_is_judged_as_it_is() -> None:
    assert ask(fence="24 in")["excludes_body_length_in"] == 36
    assert ask(fence="4 ft")["excludes_body_length_in"] == 84
    assert ask(fence="0 in")["excludes_body_length_in"] == 0
    assert ask(fence="24 in", buffer="4 in")["excludes_body_length_in"] == 40


@pytest.mark.published(
    "Reading A of published guides: 36 in of slanted cloth stands 25.98 in and holds animals to 52 in"
)
def test_slanted_cloth_with_the_half_length_rule_alone() -> None:
    assert ask(fence="25.98 in", buffer="0 in")["excludes_body_length_in"] == pytest.approx(52, abs=0.05)


def test_a_foothold_asks_for_a_setback_or_a_local_height() -> None:
    answer = ask(body_length="60 in", foothold="18in@2ft")
    assert answer["setback_in"] == pytest.approx(math.sqrt(36**2 - 18**2), abs=1e-8)
    assert answer["local_height_in"] == pytest.approx(18 + math.sqrt(36**2 - 24**2), abs=1e-8)


def test_a_setback_is_that_of_the_fence_given() -> None:
    assert ask(fence="54 in", foothold="18 in @ 0 in")["setback_in"] == 0
    assert ask(fence="24 in", foothold="30 in @ 1 ft")["setback_in"] == 36


@pytest.mark.published("surface length factors 1 / cos: 15 deg 1.03528, 30 deg 1.15470")
@pytest.mark.parametrize(("slope", "factor"), [("15deg", 1.03528), ("30 deg", 1.15470), ("-30deg", 1.0), ("0deg", 1.0)])
def test_ground_that_rises_asks_for_more(slope: str, factor: float) -> None:
    assert ask(slope=slope)["slope_height_in"] == pytest.approx(36 * factor, abs=5e-4)


@pytest.mark.published(
    "36 in upright, slanted by 30 deg, and 6 in of burial take 47.57 in of cloth; 30 in slanted stand 25.98 in"
)
def test_slant_readings_are_the_same_factor() -> None:
    factor = ask(slope="30deg")["slope_height_in"] / 36
    assert 36 * factor + 6 == pytest.approx(47.57, abs=0.005)
    assert 30 / factor == pytest.approx(25.98, abs=0.005)


def test_the_share_kept_out_is_told_by_species() -> None:
    shares = size_barrier(fence="24 in", species="atrox, cerastes")["share_excluded_pct"].item()
    assert list(shares) == ["Crotalus atrox", "Crotalus cerastes"]
    # (36 in - 84.8 cm) / 9.6 cm = 0.69 standard deviations above the mean.
    assert shares["Crotalus atrox"] == pytest.approx(75.5, abs=0.05)
    assert len(size_barrier(species="all")["share_excluded_pct"].item()) == 12


@pytest.mark.parametrize(
    "question",
    [
        {"slope": "90deg"},
        {"slope": "3 ft"},
        {"species": "dragon"},
        {"body_length": "0 in"},
        {"body_length": "-4 in"},
        {"buffer": "-1 in"},
        {"fence": "-2 ft"},
        {"fence": "tall"},
        {"body_length": "48"},
        {"foothold": "18in"},
        {"foothold": "@2ft"},
        {"foothold": "18in@"},
        {"foothold": "18in@-2ft"},
    ],
)
def test_what_can_not_be_read_is_refused_with_a_remedy(question: dict[str, str]) -> None:
    with pytest.raises(GeotoolsError) as caught:
        size_barrier(**question)
    assert caught.value.mend


def test_what_is_refused_is_named() -> None:
    with pytest.raises(DesignError, match="'-1 in' is below 0") as caught:
        size_barrier(buffer="-1 in")
    assert caught.value.where == "buffer"
