"""Results go to a spatial database whole or not at all; no password is told; no text of the user becomes SQL."""

from __future__ import annotations

import json
import threading
import time
import traceback

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely

from geotools.errors import GeotoolsError, LayerError, OutputError
from geotools.layers import read_inputs
from geotools.layers.database_writing import TableKind, check_name, write_tables
from geotools.layers.source import parse_source
from geotools.layers.writing import write_geopackage
from geotools.outputs.database import ADDRESS_VARIABLE, write_database
from geotools.pipeline import find_plan, read_plan, run_plan
from geotools.pipeline.plan import change_plan

psycopg = pytest.importorskip("psycopg")
SECRETS = ("s3cret", "pass@")


@pytest.fixture
def address(database_server, monkeypatch):
    """Set the environment variable, and take away what a test leaves."""
    monkeypatch.setenv(ADDRESS_VARIABLE, database_server)
    yield database_server
    with psycopg.connect(database_server) as connection:
        connection.execute("DROP SCHEMA IF EXISTS bajada CASCADE")


@pytest.fixture
def write(town, tmp_path):
    def write_it(path=None, **changes):
        tables = {name: getattr(town, name) for name in ("lots", "barrier_lines", "ways_in", "footholds", "rejected")}
        options = {name: changes.pop(name) for name in list(changes) if name not in tables}
        write_database(**{**tables, **changes}, path=path or tmp_path / "database.json", **options)

    return write_it


def ask(address, question):
    with psycopg.connect(address) as connection:
        return connection.execute(question).fetchall()


def versions(address, table="lots"):
    """By key, which transaction has written a row."""
    key = {"lots": "parcel_id", "barrier_lines": "line_id"}.get(table, "row_in_table")
    return dict(ask(address, f"SELECT {key}, xmin::text FROM bajada.{table}"))  # noqa: S608 - our own names


def test_tables_have_the_rows_keys_and_indexes(address, write, town, tmp_path):
    write()
    receipt = json.loads((tmp_path / "database.json").read_text())
    counts = {name: len(getattr(town, name)) for name in receipt["rows"]}
    assert receipt["rows"] == counts
    assert list(counts) == ["lots", "barrier_lines", "ways_in", "footholds", "rejected"]
    assert receipt["crs"] == "EPSG:32612"
    assert not any(secret in (tmp_path / "database.json").read_text() for secret in SECRETS)
    for name, count in counts.items():
        assert ask(address, f"SELECT count(*) FROM bajada.{name}") == [(count,)]  # noqa: S608
        indexes = ask(address, f"SELECT indexdef FROM pg_indexes WHERE schemaname='bajada' AND tablename='{name}'")  # noqa: S608
        told = " ".join(one for (one,) in indexes)
        assert "UNIQUE" in told
        assert "USING gist (geometry)" in told
    rows = ask(address, "SELECT parcel_id, length_ft, geometry FROM bajada.lots ORDER BY row_in_table")
    assert [row[0] for row in rows] == town.lots["parcel_id"].tolist()
    back = shapely.from_wkb([bytes.fromhex(row[2]) for row in rows])
    np.testing.assert_array_equal(shapely.get_coordinates(back), shapely.get_coordinates(town.lots.geometry.to_numpy()))
    assert set(shapely.get_srid(back)) == {32612}
    feet = np.array([row[1] for row in rows], dtype=float)
    np.testing.assert_allclose(feet, town.lots["length_m"] / 0.3048, atol=0.05 + 1e-9)  # shown to 0.1 ft


def test_lots_written_are_read_back_as_parcels(address, write, town):
    write()
    inputs = read_inputs({"parcels": f"{address}?table=bajada.lots"}, working_crs="EPSG:32612")
    parcels = inputs.layers["parcels"].set_index("parcel_id").loc[town.lots["parcel_id"]]
    np.testing.assert_allclose(parcels.area.to_numpy(), town.lots.area.to_numpy(), rtol=1e-12)  # the same coordinates


def test_a_second_run_replaces_adds_and_removes(address, write, town):
    write()
    before = versions(address)
    lots = town.lots.iloc[1:].reset_index(drop=True).copy()
    lots.loc[0, "reason"] = "another reason"
    added = lots.iloc[[5]].assign(parcel_id="new")
    lots = gpd.GeoDataFrame(pd.concat([lots, added], ignore_index=True), crs=town.lots.crs)
    write(lots=lots)
    after = versions(address)
    assert set(after) == set(lots["parcel_id"])
    # places have moved up by one, so all rows differ; of the lines none does, and none is written again
    assert ask(address, "SELECT reason FROM bajada.lots WHERE row_in_table = 1") == [("another reason",)]
    assert set(before) - set(after) == {town.lots["parcel_id"].iloc[0]}
    lines = versions(address, "barrier_lines")
    write(lots=lots)
    assert versions(address, "barrier_lines") == lines
    assert versions(address) == after
    write(lots=lots.assign(cost_low=[5.0, *[np.nan] * (len(lots) - 1)]))
    assert sum(versions(address)[key] != after[key] for key in after) == 1


def test_runs_share_tables_and_columns_are_added(address, write, town):
    write(run_id="first")
    write(run_id="second", lots=town.lots.assign(shade_pct=12.5))
    count = len(town.lots)
    told = ask(address, "SELECT run_id, count(*), count(shade_pct) FROM bajada.lots GROUP BY run_id ORDER BY run_id")
    assert told == [("first", count, 0), ("second", count, count)]
    write(run_id="second")
    assert ask(address, "SELECT count(shade_pct) FROM bajada.lots") == [(0,)]


def test_hostile_texts_stay_texts(address, write, town):
    hostile = "'); DROP TABLE bajada.lots; --"
    lots = town.lots.assign(**{'x"; DROP SCHEMA bajada; --': 1.0})
    lots["reason"] = hostile
    write(lots=lots, run_id="O'Brien\"; --")
    assert ask(address, "SELECT DISTINCT reason, run_id FROM bajada.lots") == [(hostile, "O'Brien\"; --")]
    assert set(town.hostile_ids) <= {row[0] for row in ask(address, "SELECT parcel_id FROM bajada.lots")}


@pytest.mark.parametrize(
    "name", ["", "a b", 'a"b', "A", "pg_catalog", "information_schema", "a" * 51, "a;b", "é", "1a"]
)
def test_names_that_are_refused(name):
    with pytest.raises(OutputError, match="can't be the name"):
        check_name(name, what="schema")


def test_a_cut_connection_keeps_the_earlier_rows(address, write, town):
    write()
    before = {name: versions(address, name) for name in ("lots", "barrier_lines", "ways_in")}
    outcome = []

    def second_run():
        try:
            write(lots=town.lots.iloc[:3].assign(reason="half"), barrier_lines=town.barrier_lines.iloc[:1])
        except GeotoolsError as error:
            outcome.append(error)

    with psycopg.connect(address) as other:
        # the run waits for this lock after it has written the lots
        other.execute("LOCK TABLE bajada.barrier_lines IN ACCESS EXCLUSIVE MODE")
        running = threading.Thread(target=second_run)
        running.start()
        waiting = "SELECT pid FROM pg_stat_activity WHERE application_name = 'bajada' AND wait_event_type = 'Lock'"
        until = time.monotonic() + 20
        while not (found := ask(address, waiting)) and time.monotonic() < until:
            time.sleep(0.02)
        ((pid,),) = found
        ask(address, f"SELECT pg_terminate_backend({int(pid)})")
        running.join(20)
        assert not running.is_alive()
    (error,) = outcome
    assert isinstance(error, OutputError)
    assert "keeps what it had" in error.what
    assert not any(secret in str(error) for secret in SECRETS)
    assert {name: versions(address, name) for name in before} == before
    write(lots=town.lots.iloc[:3])
    assert len(versions(address)) == 3


def test_a_row_that_the_database_refuses_leaves_nothing(address, write, town, monkeypatch):
    write()
    before = versions(address)
    ask_once = psycopg.connect(address)
    with ask_once as connection:
        connection.execute("ALTER TABLE bajada.rejected ADD CONSTRAINT none CHECK (reason = 'nothing') NOT VALID")
    rejected = town.rejected.assign(reason="other")
    with pytest.raises(OutputError, match="refused the results"):
        write(lots=town.lots.iloc[:3], rejected=rejected)
    assert versions(address) == before


def test_tables_of_another_make_are_left_alone(address, write, town):
    with psycopg.connect(address) as connection:
        connection.execute("CREATE SCHEMA bajada")
        connection.execute("CREATE TABLE bajada.lots (owner text)")
        connection.execute("INSERT INTO bajada.lots VALUES ('the county')")
    with pytest.raises(OutputError, match="no run has made"):
        write()
    assert ask(address, "SELECT * FROM bajada.lots") == [("the county",)]
    with psycopg.connect(address) as connection:
        connection.execute("DROP TABLE bajada.lots")
    write()
    with pytest.raises(OutputError, match=r"geometry.*32612.*32613"):
        write(
            **{
                name: getattr(town, name).to_crs(32613)
                for name in ("lots", "barrier_lines", "ways_in", "footholds", "rejected")
            }
        )


def test_ids_that_come_twice_or_are_missing(address, write, town):
    with pytest.raises(OutputError, match="comes twice"):
        write(lots=town.lots.assign(parcel_id="1"))
    with pytest.raises(OutputError, match="has no line_id"):
        write(barrier_lines=town.barrier_lines.assign(line_id=None))
    assert ask(address, "SELECT 1 FROM pg_namespace WHERE nspname = 'bajada'") == []


def test_a_password_in_the_plan_is_refused(database_server, write, tmp_path, monkeypatch):
    monkeypatch.delenv(ADDRESS_VARIABLE, raising=False)
    for url in (database_server, "postgresql://ann@h/d?password=s3cret", "postgresql://ann:s3cret/pass@h/d"):
        with pytest.raises(OutputError, match="holds a password") as caught:
            write(database_url=url)
        assert not any(secret in "".join(traceback.format_exception(caught.value)) for secret in SECRETS)
    with pytest.raises(OutputError, match="no database to write to"):
        write()
    with pytest.raises(OutputError, match="no address of a database"):
        write(database_url="https://example.org/lots.gpkg")
    assert not list(tmp_path.iterdir())


def test_the_address_may_stand_in_the_plan_without_the_password(address, write, monkeypatch):
    monkeypatch.delenv(ADDRESS_VARIABLE)
    monkeypatch.setenv("PGPASSWORD", "s3cret/pass")
    write(database_url=address.replace(":s3cret%2Fpass", ""))
    assert versions(address)


def test_a_wrong_password_is_not_repeated(address, write, monkeypatch):
    monkeypatch.setenv(ADDRESS_VARIABLE, address.replace("s3cret", "wr0ng"))
    with pytest.raises(LayerError, match="password is missing or refused") as caught:
        write()
    assert "wr0ng" not in str(caught.value)
    assert "wr0ng" not in repr(caught.value.args)


def test_a_crs_without_code_is_refused(address):
    frame = gpd.GeoDataFrame({"a": [1]}, geometry=[shapely.Point(0, 0)], crs="+proj=tmerc +lon_0=-111.3 +k=0.9998")
    with pytest.raises(OutputError, match="EPSG code"):
        write_tables(parse_source(address), {"one": frame}, kinds={"one": TableKind()}, schema="bajada", run_id="a")


def test_a_plan_writes_files_and_database_and_tells_no_password(address, town, tmp_path, capfd):
    layers = {"parcels": town.lots.iloc[:6][["parcel_id", "geometry"]], "open_desert": town.open_desert}
    write_geopackage(tmp_path / "town.gpkg", {**layers, "buildings": town.buildings, "roads": town.roads})
    head, sign, tail = (
        find_plan("priority").read_text(encoding="utf-8").partition('# [[step]]\n# use = "write_database"')
    )
    assert sign
    plan_file = tmp_path / "priority.toml"
    plan_file.write_text(head + "\n".join(line.removeprefix("# ") for line in (sign + tail).splitlines()))
    names = ("parcels", "open_desert", "buildings", "roads")
    plan = change_plan(read_plan(plan_file), inputs=[f"{name}={tmp_path}/town.gpkg#{name}" for name in names])
    record = run_plan(plan, tmp_path / "out")
    assert "database.json" in record["outputs"]
    assert ask(address, "SELECT count(*) FROM bajada.lots WHERE run_id = 'priority'") == [(6,)]
    written = capfd.readouterr()
    for file in (tmp_path / "out").iterdir():
        assert not any(secret.encode() in file.read_bytes() for secret in (*SECRETS, "s3cret%2Fpass")), file.name
    assert not any(secret in written.out + written.err for secret in SECRETS)
