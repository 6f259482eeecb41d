"""Shapes that cross themselves, overlap, hold no area, no numbers or curves."""

from __future__ import annotations

import math
import warnings
from typing import TYPE_CHECKING, Any

import numpy as np
import pyogrio.raw
import shapely
from battery.making import SOUTH, WEST, Case, feed, layer, line, lot, lots, point, polygon, save, text

if TYPE_CHECKING:
    from pathlib import Path

BOW_TIE = polygon((60, 0), (80, 40), (80, 0), (60, 40))
RING = polygon((0, 0), (20, 0), (20, 40), (0, 40), hole=((5, 5), (15, 5), (15, 15), (5, 15)))
NAN, INFINITE = math.nan, math.inf


def with_fourth(shape: Any, ids: tuple[str, ...] = ("001", "002", "003", "004")) -> Any:
    """Three good lots and a fourth shape."""
    return lots([lot(0), lot(1), lot(2), shape], ids=list(ids))


FOUR = ("001", "002", "003", "004")


def fourth(name: str, shape: Any, reason: str, *, built: bool = True) -> Case:
    """A fourth shape that is repaired, or left out for this reason."""
    said = ("1 of 4 shapes",) if reason else ()
    rejected = (f"parcels 4: {reason}",) if reason else ()
    return Case(name, with_fourth(shape), feed(), 0, said, rejected, FOUR, () if built else ("004",))


def many_corners(count: int) -> shapely.Polygon:
    """A round lot with so many corners, 40 m across."""
    turn = np.linspace(0, 2 * np.pi, count, endpoint=False)
    return shapely.Polygon(np.column_stack([WEST + 82 + 20 * np.cos(turn), SOUTH + 20 + 20 * np.sin(turn)]))


def comb(teeth: int) -> shapely.Polygon:
    """A lot with as many narrow teeth."""
    x = np.linspace(60, 80, 2 * teeth)
    y = np.where(np.arange(2 * teeth) % 2, 40.0, 5.0)
    return polygon((60, 0), *zip(x, y, strict=True), (80, 0))


def curved(kind: str) -> Any:
    """Three lots in a GeoPackage, the third as curves."""
    a, b = WEST + 40, SOUTH
    arc = f"{a} {b},{a + 10} {b - 4},{a + 20} {b}"
    ring = f"COMPOUNDCURVE(CIRCULARSTRING({arc}),({a + 20} {b},{a + 20} {b + 40},{a} {b + 40},{a} {b}))"
    circle = f"{a + 20} {b + 20},{a + 10} {b + 30},{a} {b + 20},{a + 10} {b + 10},{a + 20} {b + 20}"
    texts = {
        "CurvePolygon": f"CURVEPOLYGON({ring})",
        "MultiSurface": f"MULTISURFACE(CURVEPOLYGON({ring}))",
        "circle": f"CURVEPOLYGON(CIRCULARSTRING({circle}))",
    }

    def make(folder: Path) -> None:
        rows = "\n".join(f'{number:03d},"{lot(number - 1).wkt}"' for number in (1, 2))
        (folder / "lots.csv").write_text(f'APN,WKT\n{rows}\n003,"{texts[kind]}"\n')

    return make


def gml(folder: Path) -> None:
    """Lots as GML, one with an arc."""
    members = []
    for number in range(3):
        x, y = WEST + 20 * number, SOUTH
        bottom = f"{x} {y} {x + 10} {y - 3} {x + 20} {y}"
        edges = (
            f"<gml:Curve><gml:segments><gml:Arc><gml:posList>{bottom}</gml:posList></gml:Arc>"
            f"<gml:LineStringSegment><gml:posList>{x + 20} {y} {x + 20} {y + 40} {x} {y + 40} {x} {y}"
            "</gml:posList></gml:LineStringSegment></gml:segments></gml:Curve>"
        )
        members.append(
            f'<gml:featureMember><Lot gml:id="l{number}"><APN>{number + 1:03d}</APN><shape><gml:Polygon '
            f'srsName="EPSG:26912"><gml:exterior><gml:Ring><gml:curveMember>{edges}</gml:curveMember></gml:Ring>'
            "</gml:exterior></gml:Polygon></shape></Lot></gml:featureMember>"
        )
    (folder / "lots.gml").write_text(
        '<?xml version="1.0"?><FeatureCollection xmlns:gml="http://www.opengis.net/gml/3.2">'
        + "".join(members)
        + "</FeatureCollection>"
    )


def raw_bytes(shapes: list[bytes | None]) -> Any:
    """Lots whose shapes are these bytes of well-known binary."""

    def make(folder: Path) -> None:
        (folder / "lots.gpkg").unlink()
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            pyogrio.raw.write(
                folder / "lots.gpkg",
                geometry=np.array(shapes, dtype=object),
                field_data=[np.array([f"{n:03d}" for n in range(1, len(shapes) + 1)], dtype=object)],
                fields=["APN"],
                geometry_type="Unknown",
                crs="EPSG:26912",
            )

    return make


def unclosed() -> bytes:
    """A ring whose last corner is not its first."""
    whole = bytearray(shapely.to_wkb(lot(2), byte_order=1))
    whole[-16:-8] = np.float64(WEST + 1000).tobytes()
    return bytes(whole)


def tall(folder: Path, *, m: bool = False) -> None:
    shapes = [shapely.force_3d(lot(n), 700.0) for n in range(3)]
    save(folder, "lots.gpkg", shapes, APN=["001", "002", "003"])


SHAPES = (
    fourth("self-crossing lot", BOW_TIE, "repaired: Self-intersection"),
    fourth("lot without area", polygon((60, 0), (70, 0), (80, 0)), "left out: ", built=False),
    fourth("lot of one point", polygon((60, 0), (60, 0), (60, 0)), "left out: ", built=False),
    fourth("null shape", None, "left out: no geometry", built=False),
    fourth("empty shape", shapely.Polygon(), "left out: empty geometry", built=False),
    fourth(
        "coordinate that is not a number",
        polygon((60, 0), (80, NAN), (80, 40)),
        "left out: coordinates that are not numbers, or off the Earth",
        built=False,
    ),
    fourth(
        "infinite coordinate",
        polygon((60, 0), (INFINITE, 0), (80, 40)),
        "left out: coordinates that are not numbers",
        built=False,
    ),
    fourth(
        "coordinate of 1e300",
        polygon((60, 0), (1e300, 0), (80, 40)),
        "left out: coordinates that are not numbers, or off the Earth",
        built=False,
    ),
    fourth("point among lots", point(70, 10), "left out: a point where a polygon is needed", built=False),
    fourth("line among lots", line((60, 0), (80, 40)), "left out: a line where a polygon is needed", built=False),
    fourth(
        "collection of shapes",
        shapely.GeometryCollection([lot(3), line((0, 0), (9, 9))]),
        "repaired: a collection of shapes",
    ),
    fourth(
        "collection without polygon",
        shapely.GeometryCollection([point(1, 1)]),
        "left out: there is not a polygon in it",
        built=False,
    ),
    fourth("empty collection among lots", shapely.GeometryCollection(), "left out: empty geometry", built=False),
    fourth("multipart lot", shapely.MultiPolygon([lot(3), lot(6)]), ""),
    fourth("overlapping parts", shapely.MultiPolygon([lot(3), lot(3, x=10)]), "repaired: "),
    fourth(
        "hole outside the outline",
        polygon((60, 0), (80, 0), (80, 40), (60, 40), hole=((100, 0), (110, 0), (110, 9))),
        "repaired: ",
    ),
    fourth(
        "hole as large as the lot",
        polygon((60, 0), (80, 0), (80, 40), (60, 40), hole=((60, 0), (60, 40), (80, 40), (80, 0))),
        "left out: ",
        built=False,
    ),
    fourth("spike", polygon((60, 0), (80, 0), (80, 40), (80, 400), (80, 40), (60, 40)), "repaired: "),
    fourth(
        "ring drawn twice",
        polygon((60, 0), (80, 0), (80, 40), (60, 40), (60, 0), (80, 0), (80, 40), (60, 40)),
        "repaired: ",
    ),
    fourth("100,000 corners", many_corners(100_000), ""),
    fourth("comb", comb(200), ""),
    fourth("sliver of 1 mm", lot(3, wide=0.001), ""),
    fourth("sliver of a tenth of a micrometre", lot(3, wide=1e-7), ""),
    fourth("lot of 1 square cm", lot(3, wide=0.01, deep=0.01), ""),
    fourth("lot of 100 square km", lot(3, wide=10_000, deep=10_000), ""),
    fourth("lot far away", lot(3, x=60_000), ""),
    fourth("lot over all others", lot(0, wide=60), ""),
    fourth("lot within another", lot(0, x=5, y=5, wide=5, deep=5), ""),
    fourth("same lot again", lot(2), ""),
    Case("lot in the hole of another", lots([RING, polygon((5, 5), (15, 5), (15, 15), (5, 15)), lot(2)]), feed(), 0),
    Case(
        "hole that is all the neighbour",
        lots([lot(0, x=-50, y=-50, wide=200, deep=200).difference(lot(1)), lot(1), lot(3)]),
        feed(),
        0,
    ),
    Case(
        "lots overlap by half",
        lots([lot(0), lot(0, x=10), lot(2)]),
        feed(),
        0,
        ("1 pair of parcels overlaps by 400.0 sq m", "001 and 002"),
    ),
    Case(
        "every lot crosses itself",
        lots([BOW_TIE, BOW_TIE]),
        feed(),
        2,
        ("no parcel in it is whole", "deliver the layer again"),
    ),
    Case(
        "clockwise and counterclockwise",
        lots([shapely.geometry.polygon.orient(lot(n), 1 - 2 * (n % 2)) for n in range(3)]),
        feed(),
        0,
    ),
    Case("heights in the corners", tall, feed(), 0),
    Case(
        "Z that is not a number",
        lots(
            [
                shapely.from_wkt(
                    lot(n).wkt.replace("POLYGON", "POLYGON Z").replace(",", " nan,").replace("))", " nan))")
                )
                for n in range(3)
            ]
        ),
        feed(),
        0,
    ),
    *(
        Case(f"curves: {kind}", curved(kind), feed("parcels.crs=EPSG:26912", parcels="lots.csv"), 0)
        for kind in ("CurvePolygon", "MultiSurface", "circle")
    ),
    Case("curves in GML", gml, feed(parcels="lots.gml"), 2, ("text that may point to other", "ask for its driver")),
    Case(
        "curves in GML whose driver is asked for",
        gml,
        feed("parcels.crs=EPSG:26912", "parcels.driver=GML", parcels="lots.gml"),
        0,
    ),
    Case(
        "ring that is not closed",
        raw_bytes([shapely.to_wkb(lot(0)), shapely.to_wkb(lot(1)), unclosed()]),
        feed(),
        0,
        ("1 of 3 shapes left out",),
        ("parcels 3: left out: no geometry",),
        not_built=("003",),
    ),
    Case(
        "lots as triangles",
        raw_bytes(
            [
                shapely.to_wkb(lot(0)),
                bytes.fromhex("0111000000") + shapely.to_wkb(polygon((20, 0), (40, 0), (30, 40)), byte_order=1)[5:],
                shapely.to_wkb(lot(2)),
            ]
        ),
        feed(),
        0,
        ("1 of 3 shapes left out",),
        ("parcels 2: left out: no geometry",),
        not_built=("002",),
    ),
    Case(
        "across the antimeridian",
        lots(
            [
                shapely.box(n - 179.9995 if n else 179.9993, 52.0, n - 179.9990 if n else 179.9998, 52.0004)
                for n in (0, 0.0)
            ],
            crs=4326,
        ),
        feed(desert="lots.gpkg"),
        0,
        lots=("001", "002"),
    ),
    Case(
        "on both sides of the antimeridian",
        lots([shapely.box(179.9990, 52, 179.9995, 52.0004), shapely.box(-179.9995, 52, -179.9990, 52.0004)], crs=4326),
        feed(desert="lots.gpkg"),
        2,
        ("longitude", "split the data"),
    ),
    Case("at the pole", lots([shapely.box(0, 89.9, 1, 90)], crs=4326), feed(desert="lots.gpkg"), 2, ("name a CRS",)),
    Case(
        "desert crosses itself",
        layer("desert.gpkg", [polygon((-50, 40), (100, 90), (100, 40), (-50, 90))]),
        feed(),
        0,
        ("1 of 1 shapes repaired",),
        ("open_desert 1: repaired: Self-intersection",),
    ),
    Case(
        "desert with a null shape",
        layer("desert.gpkg", [None, lot(0, y=40)]),
        feed(),
        0,
        ("1 of 2 shapes left out",),
        ("open_desert 1: left out: no geometry",),
    ),
    Case(
        "desert as lines",
        layer("desert.gpkg", [line((-50, 40), (100, 40))]),
        feed(),
        2,
        ("a line where a polygon is needed",),
    ),
    Case("desert without rows", layer("desert.gpkg", []), feed(), 0, ("open_desert", "there is nothing in it")),
    Case("desert over the lots", layer("desert.gpkg", [lot(0, x=-200, y=-200, wide=460, deep=460)]), feed(), 0),
    Case(
        "buildings of no area and null",
        layer("b.gpkg", [polygon((4, 8), (16, 8), (8, 8)), None, lot(1, x=4, y=8, wide=12, deep=12)]),
        feed("buildings=b.gpkg"),
        0,
        ("2 of 3 shapes left out",),
        ("buildings 1: left out: ", "buildings 2: left out: no geometry"),
    ),
    Case(
        "building larger than its lot",
        layer("b.gpkg", [lot(1, x=-5, y=-5, wide=30, deep=50)]),
        feed("buildings=b.gpkg"),
        0,
    ),
    Case(
        "building on the lot line", layer("b.gpkg", [lot(1, x=-6, y=8, wide=12, deep=12)]), feed("buildings=b.gpkg"), 0
    ),
    Case(
        "walls of no length",
        layer("w.gpkg", [line((0, 40), (0, 40)), line((0, 40), (60, 40))]),
        feed("walls=w.gpkg"),
        0,
        ("1 of 2 shapes left out",),
        ("walls 1: left out: a line without length",),
    ),
    Case(
        "walls as polygons", layer("w.gpkg", [lot(0)]), feed("walls=w.gpkg"), 2, ("a polygon where a line is needed",)
    ),
    Case(
        "footholds of every kind",
        layer(
            "f.gpkg",
            [point(10, 41), line((30, 41), (35, 41)), lot(2, x=5, y=41, wide=3, deep=3), None, shapely.Point()],
        ),
        feed("footholds=f.gpkg"),
        0,
        ("2 of 5 shapes left out",),
        ("footholds 4: left out: no geometry", "footholds 5: left out: "),
    ),
    Case(
        "gates as lines",
        layer("g.gpkg", [line((0, 40), (1, 40))]),
        feed("gates=g.gpkg"),
        2,
        ("a line where a point is needed",),
    ),
    Case(
        "washes as points",
        layer("s.gpkg", [point(0, 60)]),
        feed("washes=s.gpkg"),
        2,
        ("a point where a line or a polygon is needed",),
    ),
    Case(
        "wash that crosses itself and the lots",
        layer("s.gpkg", [line((-50, 20), (100, 20), (100, 60), (30, -30))]),
        feed("washes=s.gpkg"),
        0,
    ),
    Case(
        "broken coordinates in text",
        text("t.csv", 'APN,WKT\n001,"POLYGON((1 2, 3"\n'),
        feed("parcels.crs=EPSG:26912", parcels="t.csv"),
        2,
        ("t.csv",),
    ),
)
