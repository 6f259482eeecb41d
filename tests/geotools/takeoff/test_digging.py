"""Hold footings, trenches and soils against published volumes and hand counts."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pytest
import shapely

from geotools.errors import DesignError, LayerError
from geotools.takeoff import SOILS, footing_concrete, footing_hole, soil_shares, trench_volume

INCH_M, FOOT_M, YARD_M = 0.0254, 0.3048, 0.9144


@pytest.mark.published(
    "ASTM F567: hole 4 x post diameter (3 x over 4 in), 24 in deep + 3 in per ft over 4 ft; volumes derived"
)
@pytest.mark.parametrize(
    ("post_in", "fence_ft", "hole_in", "depth_in", "gross_ft3", "net_ft3"),
    [
        (2.375, 4, 9.5, 24, 0.984, 0.923),
        (2.375, 6, 9.5, 30, 1.231, 1.154),
        (1.9, 4, 7.6, 24, None, 0.591),
        (1.9, 6, 7.6, 30, None, 0.738),
        (4.5, 4, 13.5, 24, 1.988, 1.767),
        (4.0, 4, 16.0, 24, None, None),
        (1.9, 3, 7.6, 24, None, 0.591),
    ],
)
def test_footings(
    post_in: float, fence_ft: float, hole_in: float, depth_in: float, gross_ft3: float | None, net_ft3: float | None
) -> None:
    diameter_m, depth_m = footing_hole(post_in * INCH_M, fence_ft * FOOT_M)
    assert (diameter_m / INCH_M, depth_m / INCH_M) == (pytest.approx(hole_in), pytest.approx(depth_in))
    # Published to three decimals.
    if gross_ft3 is not None:
        assert np.pi / 4 * diameter_m**2 * depth_m / FOOT_M**3 == pytest.approx(gross_ft3, abs=6e-4)
    if net_ft3 is not None:
        assert footing_concrete(post_in * INCH_M, fence_ft * FOOT_M) / FOOT_M**3 == pytest.approx(net_ft3, abs=6e-4)


@pytest.mark.published(
    "trench volumes per 100 ft: 4 x 6 in .617 yd3, 6 x 6 in 25 ft3 = .926 yd3 = .708 m3, 6 x 12 in 1.852 yd3 (derived)"
)
@pytest.mark.parametrize(("width_in", "depth_in", "yards3"), [(4, 6, 0.617), (6, 6, 0.926), (6, 12, 1.852)])
def test_trenches(width_in: float, depth_in: float, yards3: float) -> None:
    volume_m3 = trench_volume(100 * FOOT_M, width_m=width_in * INCH_M, depth_m=depth_in * INCH_M)
    assert volume_m3 / YARD_M**3 == pytest.approx(yards3, abs=6e-4)
    if (width_in, depth_in) == (6, 6):
        assert volume_m3 / FOOT_M**3 == pytest.approx(25.0)
        assert volume_m3 == pytest.approx(0.708, abs=6e-4)


@pytest.mark.parametrize(("post_m", "fence_m"), [(0.0, 1.0), (-1.0, 1.0), (0.05, -1.0)])
def test_impossible_footings(post_m: float, fence_m: float) -> None:
    with pytest.raises(DesignError):
        footing_hole(post_m, fence_m)


def test_impossible_trench() -> None:
    with pytest.raises(DesignError):
        trench_volume(1.0, width_m=-0.1, depth_m=0.1)


def soil_layer(**grounds: shapely.Geometry) -> gpd.GeoDataFrame:
    return gpd.GeoDataFrame({"soil": list(grounds)}, geometry=list(grounds.values()), crs=32612)


def test_soils_by_length() -> None:
    lines = gpd.GeoDataFrame(geometry=[shapely.LineString([(0, 0), (100, 0)]), shapely.LineString()], crs=32612)
    soils = soil_layer(caliche=shapely.box(0, -1, 25, 1), rock=shapely.box(20, -1, 50, 1))
    shares = soil_shares(lines, soils, soil="sand", caliche_pct=10.0)
    # 25 m of caliche, which comes before rock, 25 m of rock, and of the other 50 m a tenth is caliche.
    assert dict(zip(SOILS, shares[0].round(9).tolist(), strict=True)) == {
        "sand": 0.45,
        "gravel": 0.0,
        "caliche": 0.3,
        "rock": 0.25,
    }
    assert shares.sum(axis=1) == pytest.approx(1.0)
    assert soil_shares(lines, soils[::-1], soil="sand", caliche_pct=10.0) == pytest.approx(shares)


@pytest.mark.parametrize("caliche_pct", [0.0, 30.0, 100.0])
def test_ground_that_no_polygon_tells(caliche_pct: float) -> None:
    line = gpd.GeoDataFrame(geometry=[shapely.LineString([(0, 0), (100, 0)])], crs=32612)
    share = caliche_pct / 100
    expected = [0.0, 1 - share, share, 0.0]
    assert soil_shares(line, None, soil="gravel", caliche_pct=caliche_pct)[0].tolist() == pytest.approx(expected)
    assert soil_shares(line, None, soil="caliche", caliche_pct=caliche_pct)[0].tolist() == [0.0, 0.0, 1.0, 0.0]


def test_unknown_soils_are_refused() -> None:
    lines = gpd.GeoDataFrame(geometry=[shapely.LineString([(0, 0), (1, 0)])], crs=32612)
    with pytest.raises(DesignError, match="loam"):
        soil_shares(lines, None, soil="loam", caliche_pct=0.0)
    with pytest.raises(DesignError, match="120"):
        soil_shares(lines, None, soil="sand", caliche_pct=120.0)
    with pytest.raises(LayerError):
        soil_shares(lines, soil_layer(loam=shapely.box(0, 0, 1, 1)), soil="sand", caliche_pct=0.0)
