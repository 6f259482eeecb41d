"""Ids, heights and columns that can't be, or mean something else than their name says."""

from __future__ import annotations

from typing import Any

import pandas as pd
from battery.making import IDS, Case, both, feed, layer, line, lot, lots, point

LONG = "9" * 10_000
REAR = line((0, 40), (60, 40))


def ids(*values: Any, **more: Any) -> Any:
    return lots([lot(n) for n in range(len(values))], ids=pd.Series(list(values), **more))


def walls(**columns: Any) -> Any:
    count = len(next(iter(columns.values())))
    return layer("w.gpkg", [line((20 * n, 40), (20 * n + 20, 40)) for n in range(count)], **columns)


def footholds(**columns: Any) -> Any:
    count = len(next(iter(columns.values())))
    return layer("f.gpkg", [point(10 + 20 * n, 40.5) for n in range(count)], **columns)


WALLS, FOOTHOLDS = feed("walls=w.gpkg"), feed("footholds=f.gpkg")

VALUES = (
    Case(
        "id twice", ids("A", "B", "A"), feed(), 2, ("1 id comes more than once, on 2 rows", "rows 1, 3", "column APN")
    ),
    Case("id null", ids("A", None, "C"), feed(), 2, ("1 of 3 parcels have no id", "row 2")),
    Case("id blank", ids("A", "  ", "C"), feed(), 2, ("1 of 3 parcels have no id", "row 2")),
    Case("every id the same", ids("A", "A", "A"), feed(), 2, ("on 3 rows",)),
    Case("ids as whole numbers", ids(1, 2, 3), feed(), 0, lots=("1", "2", "3")),
    Case("ids as numbers with a null", ids(1.0, None, 3.0), feed(), 2, ("1 of 3 parcels have no id",)),
    Case("ids as fractions", ids(1.5, 2.5, 3.25), feed(), 0, lots=("1.5", "2.5", "3.25")),
    Case(
        "ids of 18 digits",
        ids(123456789012345678, 123456789012345679, 5),
        feed(),
        0,
        lots=("123456789012345678", "123456789012345679", "5"),
    ),
    Case("ids with leading zeros", ids("0001", "001", "01"), feed(), 0, lots=("0001", "001", "01")),
    Case("ids like numbers in e", ids("1e5", "1E5", "100000"), feed(), 0, lots=("1e5", "1E5", "100000")),
    Case("ids that differ in case", ids("a1", "A1", "ª1"), feed(), 0, lots=("a1", "A1", "ª1")),
    Case("ids with spaces around", ids(" 1", "1 ", "1"), feed(), 0, lots=(" 1", "1 ", "1")),
    Case("ids not in Latin letters", ids("Ñandú", "地块三", "🐍"), feed(), 0, lots=("Ñandú", "地块三", "🐍")),
    Case("ids with commas, quotes and breaks", ids("a,b", 'c"d', "e\nf"), feed(), 0, lots=("a,b", 'c"d', "e f")),
    Case("ids like formulas", ids("=1+1", "@SUM(A1)", "-2"), feed(), 0, lots=("'=1+1", "'@SUM(A1)", "'-2")),
    Case("id of 10,000 characters", ids(LONG, "2", "3"), feed(), 0, lots=(LONG, "2", "3")),
    Case("ids as true and false", ids(True, False), feed(), 0, lots=("True", "False")),
    Case(
        "ids as dates",
        ids(pd.Timestamp("2020-01-01"), pd.Timestamp("2020-01-02")),
        feed(),
        0,
        lots=("2020-01-01 00:00:00", "2020-01-02 00:00:00"),
    ),
    Case("id called nan", ids("nan", "B", "C"), feed(), 2, ("1 of 3 parcels have no id",)),
    Case("id column not there", lots(), feed(id_name="PIN"), 2, ("no column 'PIN'", "did you mean 'APN'?")),
    Case("id column not told", lots(), feed(id_name=""), 2, ("no column parcel_id", "--set parcels.id=APN")),
    Case("id in another case", lots(), feed(id_name="apn"), 0),
    Case("no column at all", lots(without_id=True), feed(), 2, ("there is no column 'APN'",)),
    Case(
        "column called geometry",
        lots(name="g.geojson", to=4326),
        feed(parcels="g.geojson", id_name="geometry"),
        2,
        ("no column 'geometry'",),
    ),
    Case(
        "columns named like ours",
        lots(verdict=["x"] * 3, exposure=[-1] * 3, height_m=["tall"] * 3, cost_low=[9] * 3, parcel_id=["q"] * 3),
        feed(),
        0,
    ),
    Case("both parcel_id and id", lots(parcel_id=list(IDS), id=["q"] * 3), feed(id_name=""), 0),
    Case(
        "parcel_id twice but for case",
        lots(name="t.geojson", to=4326, parcel_id=["1", "2", "3"], PARCEL_ID=list(IDS)),
        feed(parcels="t.geojson", id_name=""),
        2,
        ("could each be the parcel_id",),
    ),
    Case(
        "desert with our columns",
        layer("desert.gpkg", [lot(0, y=40)], parcel_id=["z"], factor_contact=[7.0], exposure=["no"]),
        feed(),
        0,
    ),
    Case("wall height 0", walls(height_ft=[0.0, 6.0, 6.0]), WALLS, 0),
    Case(
        "wall height negative",
        walls(height_ft=[-1.0, 6.0, 6.0]),
        WALLS,
        2,
        ("a height of -1.0 ft can't be", "row 1", "column height_ft"),
    ),
    Case(
        "wall height huge", walls(height_in=[6e6, 72.0, 72.0]), WALLS, 2, ("a height of 6000000.0 in can't be", "row 1")
    ),
    Case(
        "wall height near the largest number",
        walls(height_m=[1e308, 2.0, 2.0]),
        WALLS,
        2,
        ("1e+308 m can't be", "row 1"),
    ),
    Case(
        "foothold height near the largest number", footholds(height_ft=[1e308]), FOOTHOLDS, 2, ("1e+308 ft can't be",)
    ),
    Case(
        "wall height beyond 64 bits",
        walls(height_mm=["99999999999999999999"] * 3),
        WALLS,
        2,
        ("can't be", "rows 1, 2, 3"),
    ),
    Case(
        "ids of 19 digits",
        lots(ids=[2**63 - 1, 2**63 - 2, 2**53 + 1]),
        feed(),
        0,
        lots=tuple(map(str, (2**63 - 1, 2**63 - 2, 2**53 + 1))),
    ),
    Case(
        "wash flow of 10^12",
        layer("s.gpkg", [line((0, 60), (60, 60))], q100_cfs=[10**12]),
        feed("washes=s.gpkg"),
        2,
        ("a q100_cfs of 1000000000000",),
    ),
    Case(
        "wash flow near the largest number",
        layer("s.gpkg", [line((0, 60), (60, 60))], q100_cfs=[1e308]),
        feed("washes=s.gpkg"),
        2,
        ("a q100_cfs of 1e+308",),
    ),
    Case(
        "wash width of 10^12 ft",
        layer("s.gpkg", [line((0, 60), (60, 60))], width_ft=[10**12]),
        feed("washes=s.gpkg"),
        2,
        ("a width of 1000000000000",),
    ),
    Case(
        "gate width of 10^12",
        layer("g.gpkg", [point(10, 40)], width_in=[10**12]),
        feed("gates=g.gpkg"),
        2,
        ("a width of 1000000000000",),
    ),
    Case("wall height not a number", walls(height_ft=[float("nan"), 6.0, 6.0]), WALLS, 0),
    Case("wall height infinite", walls(height_ft=[float("inf"), 6.0, 6.0]), WALLS, 2, ("not a finite number", "row 1")),
    Case("wall height as text", walls(height=["6 ft", "72 in", "1.8 m"]), WALLS, 0),
    Case("wall height in words", walls(height=["tall", "6 ft", "6 ft"]), WALLS, 2, ("'tall' can't be read", "row 1")),
    Case(
        "wall height without a unit",
        walls(height=[6.0, 6.0, 6.0]),
        WALLS,
        2,
        ("6.0 has no unit", "--set walls.unit=ft"),
    ),
    Case("wall height with a unit told", walls(height=[6.0, 6.0, 6.0]), feed("walls=w.gpkg", "walls.unit=ft"), 0),
    Case(
        "wall height in an unknown unit",
        walls(height=["6 cubits", "6 ft", "6 ft"]),
        WALLS,
        2,
        ("'cubits' is not a unit",),
    ),
    Case(
        "wall heights in two columns",
        walls(height_ft=[6.0], height_m=[2.0]),
        WALLS,
        2,
        ("could each be the height", "--set walls.height="),
    ),
    Case("rail above the wall", walls(height_ft=[6.0], rail_ft=[9.0]), WALLS, 0),
    Case("sound in other words", walls(sound=["aye"]), WALLS, 2, ("'aye' is neither true nor false",)),
    Case("sound as 2", walls(sound=[2]), WALLS, 2, ("2 is neither true nor false",)),
    Case("foothold height 0", footholds(height_in=[0.0]), FOOTHOLDS, 0),
    Case("foothold higher than any barrier", footholds(height_ft=[90.0]), FOOTHOLDS, 0),
    Case("foothold height negative", footholds(height_in=[-3.0]), FOOTHOLDS, 2, ("a height of -3.0 in can't be",)),
    Case("wash width 0", layer("s.gpkg", [line((0, 60), (60, 60))], width_ft=[0.0]), feed("washes=s.gpkg"), 0),
    Case(
        "wash flow as text",
        layer("s.gpkg", [line((0, 60), (60, 60))], q100_cfs=["lots"]),
        feed("washes=s.gpkg"),
        2,
        ("a q100_cfs of 'lots' can't be",),
    ),
    Case(
        "cover in percent",
        layer("v.gpkg", [lot(0, y=40)], cover=[35.0]),
        feed("vegetation=v.gpkg"),
        2,
        ("a cover of 35.0 can't be", "not percent"),
    ),
    Case(
        "date that is none",
        layer("e.gpkg", [point(10, 50)], observed_on=["last spring"]),
        feed("encounters=e.gpkg"),
        2,
        ("'last spring' is no date",),
    ),
    Case(
        "date as a number",
        layer("e.gpkg", [point(10, 50)], observed_on=[20260430]),
        feed("encounters=e.gpkg"),
        2,
        ("20260430 is no date",),
    ),
    Case(
        "encounter in the future",
        layer("e.gpkg", [point(10, 50)], observed_on=["2999-01-01"]),
        feed("encounters=e.gpkg"),
        0,
    ),
    Case(
        "garbled letters",
        lots(owner=["\ufffd"] * 3, ids=["Ca\ufffdon", "2", "3"]),
        feed(),
        0,
        ("garbled", "parcels.encoding=cp1252"),
        lots=("Ca\ufffdon", "2", "3"),
    ),
    Case(
        "encoding that is none",
        lots(name="p.shp"),
        feed("parcels.encoding=parsnip", parcels="p.shp"),
        2,
        ("p.shp#p: there is no encoding 'parsnip'", "cp1252"),
    ),
    Case(
        "column map to nowhere",
        both(walls(high=[6.0])),
        feed("walls=w.gpkg", "walls.height_ft=hi"),
        2,
        ("no column 'hi'", "did you mean 'high'"),
    ),
    Case(
        "column map said twice",
        both(walls(high=[6.0])),
        feed("walls=w.gpkg", "walls.height_ft=high", "walls.height_m=high"),
        2,
        ("say the same thing twice",),
    ),
    Case("layer option that is none", lots(), feed("parcels.idd=APN"), 2, ("no option 'idd'", "did you mean 'id'")),
)
