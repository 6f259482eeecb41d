"""Layers in no CRS, the wrong one, swapped axes, the other foot, or another place."""

from __future__ import annotations

import numpy as np
import shapely
from battery.making import Case, both, feed, layer, lot, lots, nothing

FEET = 1 / 0.3048

DEGREES = [shapely.box(-111.757 + n * 0.0002, 33.437, -111.7568 + n * 0.0002, 33.4374) for n in range(3)]
IN_STATE_PLANE_FT = [shapely.box(700_000 + 60 * n, 900_000, 700_060 + 60 * n, 900_120) for n in range(3)]
BEHIND_FT = [shapely.box(699_000, 900_120, 701_000, 901_000)]
THREE = [lot(n) for n in range(3)]


def mirrored(shape: shapely.Polygon) -> shapely.Polygon:
    return shapely.transform(shape, lambda xy: xy[:, ::-1])


PLACES = (
    Case("no CRS", lots(crs=None), feed(), 2, ("there is no CRS", "--set parcels.crs=EPSG:")),
    Case("no CRS, told", lots(crs=None), feed("parcels.crs=EPSG:26912"), 0),
    Case(
        "no CRS, told nonsense",
        lots(crs=None),
        feed("parcels.crs=EPSG:99999999"),
        2,
        ("is no CRS that is known", "EPSG:2223"),
    ),
    Case("no CRS, told a number", lots(crs=None), feed("parcels.crs=26912"), 0),
    Case("degrees told to be metres", lots(DEGREES), feed(), 2, ("look like degrees", "--set parcels.crs=EPSG:4326")),
    Case(
        "metres told to be degrees",
        lots(crs=4326),
        feed(),
        2,
        ("absurd coordinates for a CRS in degrees", "they look like metres or feet"),
    ),
    Case(
        "latitude first",
        lots([mirrored(one) for one in DEGREES], crs=4326),
        feed(desert="lots.gpkg"),
        2,
        ("latitude and longitude look swapped",),
    ),
    Case(
        "northing first",
        lots([mirrored(one) for one in THREE]),
        feed(desert="lots.gpkg"),
        2,
        ("outside the area of its CRS EPSG:26912", "the order of its axes"),
    ),
    Case(
        "degrees west without the sign",
        lots([shapely.transform(one, lambda xy: xy * [-1, 1]) for one in DEGREES], crs=4326),
        feed(),
        2,
        ("the layers do not overlap",),
    ),
    Case(
        "longitude of 0 to 360",
        lots([shapely.transform(one, lambda xy: xy + np.array([360.0, 0.0])) for one in DEGREES], crs=4326),
        feed(desert="lots.gpkg"),
        2,
        ("longitudes beyond 180 degrees", "take 360 from them"),
    ),
    Case(
        "at zero, zero", lots([shapely.box(0, 0, 0.0002, 0.0004)], crs=4326), feed(), 2, ("the layers do not overlap",)
    ),
    Case(
        "feet told to be metres",
        lots([shapely.transform(one, lambda xy: xy * FEET) for one in THREE]),
        feed(),
        2,
        ("outside the area of its CRS", "(feet or metres)"),
    ),
    Case(
        "desert in feet told to be metres",
        layer("desert.gpkg", [shapely.transform(lot(0, y=40), lambda xy: xy * FEET)]),
        feed(),
        2,
        ("look like feet where metres are stated",),
    ),
    Case(
        "desert with axes swapped", layer("desert.gpkg", [mirrored(lot(0, y=40))]), feed(), 2, ("x and y look swapped",)
    ),
    Case("desert in degrees", layer("desert.gpkg", [lot(0, y=40)], to=4326), feed(), 0),
    Case(
        "desert without CRS",
        layer("desert.gpkg", [lot(0, y=40)], crs=None),
        feed(),
        2,
        ("there is no CRS", "--set open_desert.crs=EPSG:"),
    ),
    Case(
        "desert elsewhere",
        layer("desert.gpkg", [lot(0, x=60_000)]),
        feed(),
        2,
        ("the layers do not overlap", "km away"),
    ),
    Case(
        "desert just out of reach",
        layer("desert.gpkg", [lot(0, x=3000)]),
        feed(),
        0,
        ("nothing in it lies within 2,000 m",),
    ),
    Case(
        "walls elsewhere",
        layer("w.gpkg", [shapely.LineString(lot(0, x=60_000).exterior)]),
        feed("walls=w.gpkg"),
        0,
        ("walls", "the layers do not overlap"),
    ),
    Case(
        "international feet",
        both(lots(IN_STATE_PLANE_FT, crs=2223), layer("desert.gpkg", BEHIND_FT, crs=2223)),
        feed(),
        0,
    ),
    Case(
        "US survey feet",
        both(lots(IN_STATE_PLANE_FT, crs="ESRI:102649"), layer("desert.gpkg", BEHIND_FT, crs="ESRI:102649")),
        feed(),
        0,
    ),
    Case(
        "the two feet mixed",
        both(lots(IN_STATE_PLANE_FT, crs=2223), layer("desert.gpkg", BEHIND_FT, crs="ESRI:102649")),
        feed(),
        0,
    ),
    Case(
        "Web Mercator", both(lots(to=3857), layer("desert.gpkg", [lot(0, y=40)], to=3857)), feed(), 0, ("EPSG:32612",)
    ),
    Case(
        "metres told to be feet",
        both(
            lots([shapely.box(213_000 + 20 * n, 274_000, 213_020 + 20 * n, 274_040) for n in range(3)], crs=2223),
            layer("desert.gpkg", [shapely.box(212_000, 274_040, 214_000, 275_000)], crs=2223),
        ),
        feed(),
        0,
        ("half of the lots are smaller than 74.3 sq m", "(feet or metres)"),
    ),
    Case("NAD27", both(lots(to=26712), layer("desert.gpkg", [lot(0, y=40)], to=26712)), feed(), 0),
    Case("ground-centred CRS", lots(crs=4978), feed(), 2, ("neither geographic nor projected",)),
    Case("CRS with a height", lots(crs="EPSG:26912+5703"), feed(), 0),
    Case("local grid", lots(crs='LOCAL_CS["site",UNIT["metre",1]]'), feed(), 2, ("there is no CRS",)),
    Case("another zone's CRS", lots(crs=26913), feed(), 2, ("the layers do not overlap",)),
    Case("working CRS in degrees", nothing, feed() + " --set working_crs=EPSG:4326", 2, ("it is not projected",)),
    Case("working CRS of the web", nothing, feed() + " --set working_crs=EPSG:3857", 2, ("off the ground",)),
    Case("working CRS in feet", nothing, feed() + " --set working_crs=EPSG:2223", 2, ("0.3048 m, not 1 m",)),
    Case("working CRS that is none", nothing, feed() + " --set working_crs=mars", 2, ("'mars' is no CRS",)),
    Case(
        "lots a continent apart",
        lots([lot(0), lot(1), lot(2, x=3_000_000)]),
        feed(),
        2,
        ("no metre grid", "split the data"),
    ),
)
