"""A square of 100 ft is 10,000 sq ft in every CRS that is read, within the scale error that the run states."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

import pytest
import shapely
from battery.making import save
from pyproj import Geod, Transformer

from geotools.layers import read_inputs
from geotools.pipeline import find_plan, read_plan, run_plan
from geotools.pipeline.plan import change_plan

if TYPE_CHECKING:
    from pathlib import Path

SIDE_FT, AREA_FT2, FOOT_M = 100.0, 10_000.0, 0.3048
LON, LAT = -111.75, 33.44
CRSS = {
    "UTM in metres": 26912,
    "state plane in international feet": 2223,
    "state plane in US survey feet": "ESRI:102649",
    "state plane in metres": 26949,
    "degrees, WGS 84": 4326,
    "degrees, NAD83": 4269,
    "Web Mercator": 3857,
}


def ground_square(crs: object) -> shapely.Polygon:
    """A square of 100 ft a side laid out on the ellipsoid from its south-west corner, in a CRS."""
    geod = Geod(ellps="GRS80")
    corners = [(LON, LAT)]
    for azimuth in (90.0, 0.0, 270.0):
        lon, lat, _ = geod.fwd(*corners[-1], azimuth, SIDE_FT * FOOT_M)
        corners.append((lon, lat))
    to = Transformer.from_crs(4269, crs, always_xy=True)
    return shapely.Polygon([to.transform(*corner) for corner in corners])


@pytest.mark.parametrize("crs", CRSS.values(), ids=CRSS)
def test_a_square_of_100_ft_in_every_crs(crs: object, tmp_path: Path) -> None:
    save(tmp_path, "lots.gpkg", [ground_square(crs)], crs=crs, APN=["1"])
    read = read_inputs({"parcels": "lots.gpkg"}, options={"parcels": {"id": "APN"}}, base=tmp_path)
    shape = read.layers["parcels"].geometry[0]
    # twice the stated error for an area, and 5e-6 for the meeting of the meridians over 100 ft: s tan(lat) / R
    within = 2 * read.scale_error_pct / 100 + 5e-6
    assert read.scale_error_pct < 0.2
    assert shape.area / FOOT_M**2 == pytest.approx(AREA_FT2, rel=within)
    assert shape.length / FOOT_M == pytest.approx(4 * SIDE_FT, rel=within)


def test_run_and_report_give_the_scale_error_of_the_site(tmp_path: Path) -> None:
    save(tmp_path, "lots.gpkg", [ground_square(26912)], APN=["1"])
    save(tmp_path, "desert.gpkg", [shapely.affinity.translate(ground_square(26912), 0, 31)])
    inputs = [f"{name}={tmp_path / file}" for name, file in (("parcels", "lots.gpkg"), ("open_desert", "desert.gpkg"))]
    plan = change_plan(read_plan(find_plan("screen")), inputs=inputs, settings=["parcels.id=APN"])
    record = run_plan(plan, tmp_path / "out")
    # the zone's grid is 0.9996 on its middle meridian, 111 W; 0.75 degrees west of it the scale has grown by
    # (0.01309 rad cos 33.44)^2 / 2 = 59.7 millionths
    expected_ppm = 1e6 * (1 - 0.9996 * (1 + 59.7e-6))
    assert record["scale_error_pct"] * 1e4 == pytest.approx(expected_ppm, abs=2)
    told = re.search(r"within\n([\d,]+) parts per million", (tmp_path / "out" / "exposure.txt").read_text())
    assert told is not None
    assert float(told[1]) == pytest.approx(expected_ppm, abs=2)
