"""Read price lists of both kinds, and say what is wrong with others."""

from __future__ import annotations

from decimal import Decimal
from pathlib import Path

import pytest

from geotools.errors import StepError
from geotools.pricing import read_price_list
from geotools.pricing.price_list import INVENTED
from geotools.takeoff.items import ITEMS

TOML = """
title = "Mine"
currency = "USD"
valid_days = 45
exclusions = ["Permits"]
[labour]
rate = 50.00
[charges]
overhead_pct = 10
[soil]
caliche = 3
[items]
trench = { unit = "yd3", price = 0, hours = [1.0, 2.0, 4.0] }
gate = { unit = "each", price = [100.10, 120, 150], hours = 2, section = "08 1", description = "Our gate" }
"""
CSV = """item,unit,low,likely,high,hours_low,hours,hours_high,section,description
title,,,,,,,,,Mine
currency,,,,,,,,,USD
valid_days,,,45,,,,,,
exclusion,,,,,,,,,Permits
labour,hour,,50.00,,,,,,
overhead_pct,,,10,,,,,,
soil_caliche,,,3,,,,,,
trench,yd3,,0,,1.0,2.0,4.0,,
gate,each,100.10,120,150,,2,,08 1,Our gate
"""


def write(path: Path, text: str) -> str:
    path.write_text(text, encoding="utf-8")
    return str(path)


def test_toml_and_csv_say_the_same(tmp_path: Path) -> None:
    toml, table = read_price_list(write(tmp_path / "a.toml", TOML)), read_price_list(write(tmp_path / "a.csv", CSV))
    assert toml == table
    assert toml.items["gate"].material == (Decimal("100.10"), 120, 150)  # exact, never by way of binary
    assert toml.items["trench_caliche"].hours == (3, 6, 12)
    assert toml.charges["overhead_pct"] == 10
    assert toml.charges["tax_pct"] == 0
    assert (toml.valid_days, toml.exclusions, toml.invented) == (45, ("Permits",), False)


def test_the_invented_list_says_so_and_prices_everything() -> None:
    prices = read_price_list()
    assert prices.invented
    assert "INVENTED" in INVENTED.read_text(encoding="utf-8")
    assert set(ITEMS) <= set(prices.items)


def test_a_missing_price_names_the_nearest() -> None:
    with pytest.raises(StepError, match=r"no price for 'gates'.*'gate'"):
        read_price_list().price("gates")


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("price = 0", 'price = "free"', "no number"),
        ("price = 0", "price = -1", "0 or more"),
        ("[1.0, 2.0, 4.0]", "[2.0, 1.0, 4.0]", "rising order"),
        ("[1.0, 2.0, 4.0]", "[1.0, 2.0]", "low, likely and high"),
        ('unit = "yd3"', 'unit = "bucket"', "bucket"),
        ("overhead_pct", "overheads", "no charge"),
        ("[labour]\nrate", "[labour]\nwage", "rate of an hour"),
        ('title = "Mine"', 'titel = "Mine"', "no part"),
        ("[items]", "[items", "no TOML"),
    ],
)
def test_what_is_wrong_is_said(tmp_path: Path, old: str, new: str, said: str) -> None:
    assert old in TOML
    with pytest.raises(StepError, match=said):
        read_price_list(write(tmp_path / "a.toml", TOML.replace(old, new)))


def test_files_that_are_no_price_list(tmp_path: Path) -> None:
    with pytest.raises(StepError, match="can't be read"):
        read_price_list(str(tmp_path / "none.toml"))
    with pytest.raises(StepError, match="columns item and likely"):
        read_price_list(write(tmp_path / "b.csv", "a,b\n1,2\n"))
    (tmp_path / "c.csv").write_bytes(b"item,likely\n\xff,1\n")
    with pytest.raises(StepError, match="UTF-8"):
        read_price_list(str(tmp_path / "c.csv"))
