"""A small bid for the tests of its workbook and document."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from geotools.pricing import price_lots, price_takeoff
from geotools.takeoff import list_takeoff
from geotools.takeoff.items import order_quantity

CRS = 32612
LINES_PER_UNIT = 60


def small_job() -> dict[str, gpd.GeoDataFrame]:
    """Four lots of 100 ft by 100 ft in a row: two to build on, one to mend, one that needs nothing."""
    ids = ["=lot|'1'!A1", "100-2", "100-3\x07", "100-4"]
    lots = gpd.GeoDataFrame(
        {"parcel_id": ids, "verdict": ["build", "build", "retrofit", "not needed"]},
        geometry=[shapely.box(30.48 * at, 0, 30.48 * at + 30.48, 30.48) for at in range(4)],
        crs=CRS,
    )
    lines = gpd.GeoDataFrame(
        {
            "line_id": ["1-Y", "2-Y"],
            "parcel_id": ids[:2],
            "option": "yard",
            "kind": "new",
            "height_m": 0.9144,
            "length_m": 91.44,
            "gates": [1, 0],
            "recommended": True,
            "reason": "",
        },
        geometry=[shapely.LineString([(x, 0), (x, 30.48), (x + 30.48, 30.48), (x + 30.48, 0)]) for x in (0.0, 30.48)],
        crs=CRS,
    )
    ways_in = gpd.GeoDataFrame(
        {"parcel_id": [ids[2]], "kind": ["climbable wall"], "length_m": [30.48], "remedy": ["1/4 in mesh"]},
        geometry=[shapely.LineString([(60.96, 30.48), (91.44, 30.48)])],
        crs=CRS,
    )
    soils = gpd.GeoDataFrame({"soil": ["caliche"]}, geometry=[shapely.box(-99, -99, 999, 999)], crs=CRS)
    return {"lots": lots, "lines": lines, "ways_in": ways_in, "soils": soils}


def small_bid(price_list: str) -> dict[str, pd.DataFrame]:
    """Takeoff, prices and priced lots of the small job."""
    job = small_job()
    takeoff = list_takeoff(job["lots"], job["lines"], ways_in=job["ways_in"], soils=job["soils"])
    prices = price_takeoff(takeoff, price_list=price_list, samples=200)
    return {"takeoff": takeoff, "prices": prices, "lots": price_lots(job["lots"], takeoff, prices)}


def write_awkward_list(path: Path, *, seed: int, post_price: float | None = None) -> tuple[str, pd.DataFrame]:
    """A price list and a takeoff of many lines, whose amounts often end in half a cent."""
    rng = np.random.default_rng(seed)
    rows, items = [], []
    for unit, decimals in (("each", 0), ("ft", 1), ("yd3", 2)):
        for at in range(LINES_PER_UNIT):
            name = f"{unit}_{at}"
            low, likely, high = np.sort(rng.integers(1, 4000, 3)) / 200
            likely = post_price if (post_price is not None and name == "each_0") else likely
            low, high = min(low, likely), max(high, likely)
            hours = np.sort(rng.integers(0, 400, 3)) / 400
            price = f"price = [{low}, {likely}, {high}], hours = {hours.tolist()}"
            items.append(f'{name} = {{ unit = "{unit}", {price} }}')
            net = float(np.round(rng.uniform(0.5, 900), decimals))
            rows.append((name, unit, net, float(rng.choice([0.0, 2.0, 2.5, 10.0]))))
    percent = "overhead_pct = 12.5\ncontingency_pct = 5\nprofit_pct = 9.75\ntax_pct = 8.1"
    charges = f"mobilisation = 123.45\nminimum_charge = 10\n{percent}\n"
    text = f'title = "Awkward"\n[labour]\nrate = [41.15, 50.05, 63.35]\n[charges]\n{charges}[items]\n' + "\n".join(
        items
    )
    path.write_text(text, encoding="utf-8")
    table = pd.DataFrame(rows, columns=["item", "unit", "net_quantity", "waste_pct"])
    ordered = [order_quantity(net, waste, unit) for _, unit, net, waste in rows]
    extra = {"scope": "project", "parcel_id": "", "line_id": "", "section": "32 31 13", "note": ""}
    return str(path), table.assign(quantity=ordered, description=table["item"], **extra)
