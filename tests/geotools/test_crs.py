"""The working CRS measures true, and what can't be is refused."""

from __future__ import annotations

import math
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj import CRS, Geod, Transformer

from geotools.crs import (
    check_source_crs,
    check_working_crs,
    choose_working_crs,
    coded_crs,
    describe_crs,
    parse_crs,
    place_findings,
    scale_error_pct,
    transform_bounds,
    transformation_findings,
)
from geotools.errors import CrsError

TUCSON = (-110.95, 32.2, -110.94, 32.21)


@pytest.mark.parametrize(
    ("crs", "bounds", "chosen"),
    [
        (26912, (430_000, 3_700_000, 431_000, 3_701_000), "EPSG:26912"),  # its own
        (2223, (700_000, 900_000, 701_000, 901_000), "EPSG:26912"),  # international feet
        ("ESRI:102649", (700_000, 900_000, 701_000, 901_000), "EPSG:26912"),  # US survey feet
        (6404, (213_000, 274_000, 214_000, 275_000), "EPSG:6404"),  # state plane in metres will do
        (4269, TUCSON, "EPSG:26912"),
        (6318, TUCSON, "EPSG:6341"),  # NAD83(2011) stays there
        (4267, TUCSON, "EPSG:26912"),  # NAD27 goes to NAD83
        (4326, TUCSON, "EPSG:32612"),
        (3857, (-12_351_000, 3_790_000, -12_350_000, 3_791_000), "EPSG:32612"),
        (4326, (18.0, -34.0, 18.1, -33.9), "EPSG:32734"),  # south of the equator
    ],
)
def test_choice(crs, bounds, chosen):
    assert describe_crs(choose_working_crs(bounds, CRS(crs))) == chosen


@settings(max_examples=15, deadline=None)
@given(st.floats(-124.0, -68.0), st.floats(25.0, 49.0))
def test_the_chosen_crs_measures_like_the_ellipsoid(lon, lat):
    crs = choose_working_crs((lon, lat, lon + 0.01, lat + 0.01), CRS(4269))
    west, south, _, _ = transform_bounds((lon, lat, lon, lat), CRS(4269), crs)
    x, y, _, _ = transform_bounds((lon + 0.01, lat, lon + 0.01, lat), CRS(4269), crs)
    _, _, ground_m = Geod(ellps="GRS80").inv(lon, lat, lon + 0.01, lat)
    assert math.hypot(x - west, y - south) == pytest.approx(ground_m, rel=0.002)  # the rule's own 0.2 %


def test_scale_of_web_mercator_is_one_over_cosine():
    # on a sphere 1 / cos; the ellipsoid's flattening moves it by up to 0.7 %
    assert scale_error_pct(CRS(3857), (-110, 33, -110, 33)) == pytest.approx(
        100 / math.cos(math.radians(33)) - 100, abs=0.2
    )
    assert scale_error_pct(CRS(26912), (-111.0, 33, -111.0, 33)) == pytest.approx(
        0.04, abs=1e-6
    )  # 0.9996 by definition


@pytest.mark.parametrize(
    ("crs", "says"),
    [(3857, "off the ground"), (4326, "not projected"), (2223, "0.3048 m"), ("ESRI:102649", "0.3048006096 m")],
)
def test_unfit_working_crs_is_refused_with_its_figure(crs, says):
    with pytest.raises(CrsError, match=says) as caught:
        check_working_crs(CRS(crs), TUCSON, CRS(4326))
    assert "auto" in caught.value.mend


def test_working_crs_of_another_place_is_refused():
    with pytest.raises(CrsError, match="off the ground"):
        check_working_crs(CRS(26918), TUCSON, CRS(4326))
    assert check_working_crs(CRS(26912), TUCSON, CRS(4326)) < 0.05


def test_data_across_a_continent_has_no_metre_grid():
    with pytest.raises(CrsError, match="no metre grid"):
        choose_working_crs((-120, 30, -80, 45), CRS(4326))


@pytest.mark.parametrize(
    ("crs", "bounds", "says"),
    [
        (None, (0, 0, 1, 1), "no CRS"),
        ('LOCAL_CS["plan",UNIT["metre",1]]', (0, 0, 1, 1), "no CRS"),
        (4326, (32.2, -110.95, 32.21, -110.94), "swapped"),
        (4326, (430_000, 3_700_000, 431_000, 3_701_000), "absurd"),
        (26912, TUCSON, "look like degrees"),
        (2223, TUCSON, "look like degrees"),
        (3857, TUCSON, "look like degrees"),
        (4978, (0, 0, 1, 1), "neither"),
    ],
)
def test_coordinates_that_cannot_be(crs, bounds, says):
    with pytest.raises(CrsError, match=says) as caught:
        check_source_crs(None if crs is None else CRS(crs), bounds, layer="parcels", where="a.gpkg")
    assert caught.value.where == "a.gpkg"
    assert caught.value.mend


def test_vertical_part_and_shift_are_dropped():
    flat = check_source_crs(CRS("EPSG:6341+5703"), (430_000, 3_700_000, 431_000, 3_701_000), layer="parcels", where="a")
    assert describe_crs(flat) == "EPSG:6341"


def test_unknown_code_is_refused():
    with pytest.raises(CrsError, match="EPSG:99999"):
        parse_crs("EPSG:99999")


def test_feet_taken_for_metres_are_noticed():
    assert not place_findings(CRS(26949), (213_000, 274_000, 214_000, 275_000), layer="parcels")
    (found,) = place_findings(CRS(26949), (2_133_600, 2_743_200, 2_134_000, 2_743_600), layer="parcels")
    assert "feet" in found.mend


def test_transformation_without_its_grid_is_flagged():
    (found,) = transformation_findings(CRS(4267), CRS(26912), TUCSON, layer="washes")
    assert (found.severity, found.layer) == ("warning", "washes")
    assert "unknown accuracy" in found.message
    assert transformation_findings(CRS(2223), CRS(26912), (700_000, 900_000, 701_000, 901_000), layer="washes") == []


@pytest.mark.published("libpysal 4.14 geodanet streets, Mesa AZ: state plane in US survey feet, no EPSG code")
def test_survey_feet_are_not_called_their_international_sister(packaged):
    crs = CRS.from_wkt(Path(packaged("libpysal", "geodanet/streets.prj")).read_text(encoding="ascii"))
    assert crs.to_epsg() is None
    assert describe_crs(crs) == "ESRI:102649"
    assert coded_crs(crs).axis_info[0].unit_conversion_factor == pytest.approx(1200 / 3937, rel=1e-12)


@pytest.mark.published("Vincenty 1975, Flinders Peak to Buninyong: 54,972.271 m (several public test suites)")
def test_length_in_the_working_crs_agrees_with_the_published_geodesic():
    def degrees(sign: int, degree: int, minute: int, second: float) -> float:
        return sign * (degree + minute / 60 + second / 3600)

    flinders = degrees(1, 144, 25, 29.52440), degrees(-1, 37, 57, 3.72030)
    buninyong = degrees(1, 143, 55, 35.38390), degrees(-1, 37, 39, 10.15610)
    geodesic_m = Geod(ellps="GRS80").inv(*flinders, *buninyong)[2]
    assert geodesic_m == pytest.approx(54_972.271, abs=0.001)  # published to the millimetre
    bounds = (buninyong[0], flinders[1], flinders[0], buninyong[1])
    crs = choose_working_crs(bounds, CRS(4283))
    to_crs = Transformer.from_crs(4283, crs, always_xy=True)
    (east, north), (east_2, north_2) = to_crs.transform(*flinders), to_crs.transform(*buninyong)
    planar_m = math.hypot(east_2 - east, north_2 - north)
    # The planar length may be off by the CRS's own scale error at the data, and no more.
    assert abs(planar_m / geodesic_m - 1) * 100 <= scale_error_pct(crs, bounds) < 0.2


def test_an_area_of_use_across_the_antimeridian_holds_both_its_sides():
    assert CRS(4269).area_of_use.west > CRS(4269).area_of_use.east
    assert place_findings(CRS(4269), (-112.0, 33.0, -111.0, 34.0), layer="parcels") == []
    assert place_findings(CRS(4269), (170.0, 52.0, 171.0, 53.0), layer="parcels") == []
    assert len(place_findings(CRS(4269), (10.0, 52.0, 11.0, 53.0), layer="parcels")) == 1


def test_data_round_the_earth_have_no_grid():
    # a transverse grid is true to scale again on the far side: the corners alone would pass
    with pytest.raises(CrsError, match="no metre grid"):
        choose_working_crs((-179.9995, 52.0, 179.9995, 52.0004), CRS(4326))


def test_longitudes_beyond_180_are_told_how_to_mend():
    with pytest.raises(CrsError, match="longitudes beyond 180") as caught:
        check_source_crs(CRS(4326), (248.2, 33.4, 248.3, 33.5), layer="parcels", where="a.gpkg")
    assert "take 360" in caught.value.mend
