"""Check openings against the published wire gauges and the figures derived from them."""

from __future__ import annotations

import pytest

from geotools.errors import DesignError
from geotools.reach import rank_meshes
from geotools.reach.openings import STEEL_WIRE_GAUGE_IN, clear_opening, open_area_share, opening_diagonal, wire_diameter

INCH_M = 0.0254


@pytest.mark.published("US steel wire gauge tables: 16 .0625, 19 .0410, 23 .0258 in; not AWG (.0508, .0359, .0226)")
@pytest.mark.parametrize(("gauge", "wire_in"), [(9, 0.1483), (16, 0.0625), (19, 0.0410), (23, 0.0258), (27, 0.0173)])
def test_wire_is_steel_wire_gauge(gauge: int, wire_in: float) -> None:
    assert wire_diameter(gauge) / INCH_M == pytest.approx(wire_in, abs=1e-9)
    awg_in = 0.005 * 92 ** ((36 - gauge) / 39)
    assert abs(wire_in - awg_in) > 0.001


@pytest.mark.published(
    "ASTM A740: mesh size is one opening and one wire; openings, diagonals and open areas derived from it"
)
@pytest.mark.parametrize(
    ("pitch_in", "gauge", "clear_mm", "diagonal_mm", "open_pct"),
    [(0.25, 23, 5.69, 8.05, 80.4), (0.5, 19, 11.66, 16.49, 84.3), (0.125, 27, 2.74, 3.87, 74.2)],
)
def test_published_openings(pitch_in: float, gauge: int, clear_mm: float, diagonal_mm: float, open_pct: float) -> None:
    pitch_m, wire_m = pitch_in * INCH_M, wire_diameter(gauge)
    clear_m = clear_opening(pitch_m, wire_m)
    assert clear_m * 1000 == pytest.approx(clear_mm, abs=0.005)
    assert opening_diagonal(clear_m, clear_m) * 1000 == pytest.approx(diagonal_mm, abs=0.005)
    assert 100 * open_area_share(pitch_m, wire_m) == pytest.approx(open_pct, abs=0.05)


@pytest.mark.published("1 x 2 in 16 gauge tortoise mesh: 23.8 x 49.2 mm clear, passes newborns")
def test_a_tortoise_fence_is_no_snake_fence() -> None:
    table = rank_meshes().set_index("mesh")
    row = table.loc["1 x 2 in welded mesh (tortoise fence)"]
    assert row["clear_opening_mm"] == pytest.approx(23.8, abs=0.05)
    assert row["judgement"] == "lets newborns through"
    assert row["open_area_pct"] == pytest.approx(100 * 23.8125 * 49.2125 / (25.4 * 50.8))
    assert table.loc["1/4 in hardware cloth, 23 gauge", "open_area_pct"] == pytest.approx(80.4, abs=0.05)


def test_the_thin_margin_on_the_diagonal_is_said() -> None:
    """8.05 mm against a head of about 8 mm: the wires stop it straight on, the diagonal hardly."""
    row = rank_meshes(species="cerastes").set_index("mesh").loc["1/4 in hardware cloth, 23 gauge"]
    assert row["judgement"] == "thin margin"
    assert row["side_margin_mm"] == pytest.approx(8 - 5.69, abs=0.01)
    assert row["diagonal_margin_mm"] == pytest.approx(8 - 8.05, abs=0.01)
    assert "0.05 mm more than a head of about 8 mm" in row["remark"]


@pytest.mark.parametrize(("head_mm", "judgement"), [(10.0, "thin margin"), (10.1, "stops newborns")])
def test_a_margin_is_thin_below_2_mm(head_mm: float, judgement: str) -> None:
    """The diagonal of 1/4 in cloth of 23 gauge is 8.05 mm: 10.05 mm is the width from which there is room."""
    table = rank_meshes(head_width_m=head_mm / 1000).set_index("mesh")
    assert table.loc["1/4 in hardware cloth, 23 gauge", "judgement"] == judgement


def test_ranks_go_from_room_to_thin_to_open() -> None:
    table = rank_meshes(head_width_m=0.008)
    assert table["rank"].tolist() == list(range(1, len(table) + 1))
    order = {"stops newborns": 0, "thin margin": 1, "lets newborns through": 2}
    assert [order[word] for word in table["judgement"]] == sorted(order[word] for word in table["judgement"])
    assert table["mesh"].iloc[0].startswith("1/8 in")
    # Among those that stop a larger head the most open one comes first: less wind, less cost.
    assert rank_meshes(head_width_m=0.013)["mesh"].iloc[0] == "1/4 in hardware cloth, 23 gauge"


def test_half_inch_mesh_lets_every_species_of_the_table_through_but_the_largest_heads() -> None:
    assert (
        rank_meshes(species="tigris").set_index("mesh").loc["1/2 in hardware cloth", "judgement"]
        == "lets newborns through"
    )


def test_nonsense_is_refused() -> None:
    with pytest.raises(DesignError, match="gauge 13"):
        wire_diameter(13)
    with pytest.raises(DesignError, match="not thinner"):
        clear_opening(0.01, 0.01)
    with pytest.raises(DesignError, match="below 0"):
        rank_meshes(head_width_m=-1)
    with pytest.raises(DesignError, match="not a species"):
        rank_meshes(species="python")
    assert STEEL_WIRE_GAUGE_IN[23] < STEEL_WIRE_GAUGE_IN[19]
