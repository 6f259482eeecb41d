"""GeoParquet 1.1 as its standard says, read back in part by us and by a query engine; FlatGeobuf."""

from __future__ import annotations

import json
import warnings

import geopandas as gpd
import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
import shapely
from lot_samples import SOUTH, WEST, layer, square
from pyproj import CRS

from geotools.errors import LayerError, Noticed, OutputError
from geotools.layers.columnar import hilbert_order, read_parquet, write_flatgeobuf, write_parquet
from geotools.layers.source import look_in, parse_source

COUNT = 20_000


@pytest.fixture(scope="module")
def lots():
    """200 x 100 lots of 20 m, row by row, one of them without shape."""
    across, up = np.meshgrid(np.arange(200) * 25.0, np.arange(100) * 45.0)
    shapes = shapely.box(
        WEST + across.ravel(), SOUTH + up.ravel(), WEST + across.ravel() + 20.0, SOUTH + up.ravel() + 40.0
    )
    frame = layer(shapes, parcel_id=[f"{n:05d}" for n in range(COUNT)], length_ft=np.arange(COUNT) / 10.0)
    frame["posts"] = pd.array([4, None] * (COUNT // 2), dtype="Int64")
    frame.loc[7, "geometry"] = None
    return frame


@pytest.fixture(scope="module")
def written(lots, tmp_path_factory):
    path = tmp_path_factory.mktemp("columnar") / "lots.parquet"
    write_parquet(path, lots)
    return path


def read(path, **options):
    with look_in(parse_source(str(path))) as (found,):
        return found, read_parquet(found, ["parcel_id"], **options)


def test_all_lots_come_back(lots, written):
    found, part = read(written)
    assert (found.fields, found.features, found.driver) == (("parcel_id", "length_ft", "posts"), COUNT, "Parquet")
    back = part.frame.set_index("parcel_id").loc[lots["parcel_id"]]
    assert back.crs == lots.crs
    assert shapely.equals_identical(
        back.geometry.to_numpy()[lots.geometry.notna()], lots.geometry.to_numpy()[lots.geometry.notna()]
    ).all()
    assert part.bounds is None
    assert part.rows.tolist() == list(range(1, COUNT + 1))


def test_the_metadata_are_those_of_the_standard(written, lots):
    """Field by field against the words of GeoParquet 1.1.0, from memory: no registry package carries its schema."""
    geo = json.loads(pq.read_metadata(written).metadata[b"geo"])
    assert geo["version"] == "1.1.0"
    assert geo["primary_column"] == "geometry"
    column = geo["columns"]["geometry"]
    assert set(column) <= {"encoding", "geometry_types", "crs", "orientation", "edges", "bbox", "epoch", "covering"}
    assert column["encoding"] == "WKB"
    assert column["geometry_types"] == ["Polygon"]
    assert CRS.from_json_dict(column["crs"]) == lots.crs  # PROJJSON
    assert column["bbox"] == lots.total_bounds.tolist()
    assert column.get("edges", "planar") == "planar"
    assert column["covering"] == {"bbox": {side: ["bbox", side] for side in ("xmin", "ymin", "xmax", "ymax")}}
    schema = pq.read_schema(written)
    assert schema.field("geometry").type in (pa.binary(), pa.large_binary())
    assert [field.name for field in schema.field("bbox").type] == ["xmin", "ymin", "xmax", "ymax"]
    assert {field.type for field in schema.field("bbox").type} <= {pa.float32(), pa.float64()}
    assert schema.names[-1] == "bbox"  # at the root, beside the geometry


def test_rows_that_lie_near_each_other_are_stored_together(written, lots):
    frame = gpd.read_parquet(written)
    assert frame["parcel_id"].iloc[-1] == "00007"  # the one without shape comes last
    file = pq.ParquetFile(written)
    assert file.num_row_groups == 3
    group = gpd.GeoSeries(frame.geometry.iloc[:8192])
    west, south, east, north = group.total_bounds
    whole = lots.total_bounds
    # 8,192 of 20,000 rows in input order would be as wide as the site; along the curve they are not
    assert (east - west) * (north - south) < 0.75 * (whole[2] - whole[0]) * (whole[3] - whole[1])
    middles = shapely.get_coordinates(shapely.centroid(frame.geometry.to_numpy()[:-1]))
    steps = np.hypot(*np.diff(middles, axis=0).T)
    # neighbours are 25 or 45 m apart; a curve on a grid of 2:1 steps a little further at times
    assert np.median(steps) <= 45.0
    assert steps.mean() < 60.0
    assert hilbert_order(lots).tolist() == hilbert_order(lots).tolist()


def test_a_window_is_read_with_the_rows_of_the_source(written):
    window = (WEST + 101.0, SOUTH + 1.0, WEST + 151.0, SOUTH + 50.0)
    _, whole = read(written)
    _, part = read(written, window=window)
    # lots at x 100 and 125 and 150, y 0 and 45: a brute-force test of bounds says the same
    west, south, east, north = shapely.bounds(whole.frame.geometry.to_numpy()).T
    with np.errstate(invalid="ignore"):
        wanted = (west <= window[2]) & (south <= window[3]) & (east >= window[0]) & (north >= window[1])
    assert sorted(part.frame["parcel_id"]) == ["00004", "00005", "00006", "00204", "00205", "00206"]
    assert part.rows.tolist() == (np.flatnonzero(wanted) + 1).tolist()
    assert whole.frame["parcel_id"].to_numpy()[part.rows - 1].tolist() == part.frame["parcel_id"].tolist()
    assert part.bounds == (WEST, SOUTH, WEST + 199 * 25 + 20, SOUTH + 99 * 45 + 40)


def test_a_window_in_degrees(written):
    from geotools.crs import transform_bounds

    window = (WEST + 101.0, SOUTH + 1.0, WEST + 151.0, SOUTH + 50.0)
    degrees = transform_bounds(window, CRS(26912), CRS(4326))
    _, part = read(written, window=degrees, window_crs=CRS(4326))
    assert {"00004", "00005", "00006", "00204", "00205", "00206"} <= set(part.frame["parcel_id"])
    assert len(part.frame) <= 12  # the window turned and squared again is at most a lot wider on each side


def test_a_file_without_covering_is_read_whole(lots, tmp_path):
    lots.iloc[:10].to_parquet(tmp_path / "plain.parquet")
    _, part = read(tmp_path / "plain.parquet", window=(0, 0, 1, 1))
    assert (len(part.frame), part.bounds) == (10, None)


def test_a_query_engine_reads_the_lots_of_a_window(written):
    duckdb = pytest.importorskip("duckdb")
    where = f"bbox.xmin <= {WEST + 151} AND bbox.ymin <= {SOUTH + 50} "
    where += f"AND bbox.xmax >= {WEST + 101} AND bbox.ymax >= {SOUTH + 1}"
    rows = duckdb.execute(
        f"SELECT parcel_id, length_ft, posts, geometry FROM read_parquet('{written}') WHERE {where} ORDER BY 1"  # noqa: S608
    ).fetchall()
    assert [row[:3] for row in rows] == [
        ("00004", 0.4, 4), ("00005", 0.5, None), ("00006", 0.6, 4),
        ("00204", 20.4, 4), ("00205", 20.5, None), ("00206", 20.6, 4),
    ]  # fmt: skip
    assert duckdb.execute(f"SELECT count(*) FROM '{written}'").fetchone() == (COUNT,)  # noqa: S608


def test_same_layer_same_bytes_and_empty_layers(lots, tmp_path):
    for name in ("a", "b"):
        write_parquet(tmp_path / f"{name}.parquet", lots)
        with pytest.warns(Noticed, match="1 of 20000 rows have no shape"):
            write_flatgeobuf(tmp_path / f"{name}_.fgb", lots)
    assert (tmp_path / "a.parquet").read_bytes() == (tmp_path / "b.parquet").read_bytes()
    write_parquet(tmp_path / "none.parquet", lots.iloc[:0])
    found, part = read(tmp_path / "none.parquet", window=(0, 0, 1, 1))
    assert (found.features, len(part.frame)) == (0, 0)
    json.loads(pq.read_metadata(tmp_path / "none.parquet").metadata[b"geo"], parse_constant=pytest.fail)


def test_flatgeobuf_comes_back(lots, tmp_path):
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        write_flatgeobuf(tmp_path / "lots.fgb", lots.drop(index=7))
    back = gpd.read_file(tmp_path / "lots.fgb").set_index("parcel_id").loc[lots["parcel_id"].drop(index=7)]
    np.testing.assert_array_equal(back.area, lots.area.drop(index=7))
    assert back["posts"].isna().sum() == lots["posts"].drop(index=7).isna().sum()
    first = (tmp_path / "lots.fgb").read_bytes()
    write_flatgeobuf(tmp_path / "lots.fgb", lots.drop(index=7))
    assert (tmp_path / "lots.fgb").read_bytes() == first


def test_what_cannot_be_written_or_read(tmp_path):
    with pytest.raises(OutputError, match="no CRS"):
        write_parquet(tmp_path / "a.parquet", layer([square(0, 0)], crs=None))
    with pytest.raises(OutputError, match="can't be written"):
        write_parquet(tmp_path / "none" / "a.parquet", layer([square(0, 0)]))
    write_parquet(tmp_path / "a.parquet", layer([square(0, 0)], parcel_id=["1"]))
    whole = (tmp_path / "a.parquet").read_bytes()
    (tmp_path / "a.parquet").write_bytes(whole[: len(whole) // 2])
    with pytest.raises(LayerError, match="can't be opened"):
        read(tmp_path / "a.parquet")
