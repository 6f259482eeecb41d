"""The parts of the service by themselves: configuration, inputs, tables over the net, limits of jobs."""

from __future__ import annotations

import base64
import json
from email import message_from_bytes
from email.policy import HTTP
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from pyproj import CRS
from shapely import Point, Polygon, box

from geotools.errors import GeotoolsError, LayerError, OutputError, PipelineError
from geotools.serving import Limits, describe_offer, make_config, write_config
from geotools.serving.answers import answer_results
from geotools.serving.inputs import lay_down
from geotools.serving.jobs import Desk, close_left_open, find_job, list_jobs
from geotools.serving.offers import _plain_schema, media_type_of
from geotools.serving.record import change_record, start_record
from geotools.serving.tables import move_table, read_features, read_rows, table_as_json

UTM = CRS(32612)


def test_config_is_valid_for_the_server(tmp_path: Path) -> None:
    from pygeoapi.config import validate_config

    config = make_config(jobs=tmp_path / "jobs", folder=tmp_path, processes=["height", "screen"])
    assert validate_config(config)
    assert config["server"]["bind"]["host"] == "127.0.0.1"
    assert list(config["resources"]) == ["height", "screen"]
    write_config(tmp_path / "offer.yml", config)
    with pytest.raises(OutputError, match="there already"):
        write_config(tmp_path / "offer.yml", config)


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"processes": ["nothing"]}, "no process 'nothing'"),
        ({"folder": Path("no-such-folder")}, "no folder"),
        ({"url": "ftp://example.org"}, "no web address"),
    ],
)
def test_config_that_can_not_be(options: dict[str, Any], words: str) -> None:
    with pytest.raises(PipelineError, match=words):
        make_config(jobs=Path("jobs"), **options)


def test_schemas_are_written_in_the_words_of_the_standard() -> None:
    definitions = {"side": {"const": "rear"}}
    schema = {"anyOf": [{"type": "number", "exclusiveMinimum": 0}, {"type": "null"}], "default": None}
    made = {"type": "number", "minimum": 0, "exclusiveMinimum": True, "nullable": True, "default": None}
    assert _plain_schema(schema, {}) == made
    assert _plain_schema({"type": "array", "items": {"$ref": "#/$defs/side"}}, definitions) == {
        "type": "array",
        "items": {"enum": ["rear"]},
    }


def table() -> gpd.GeoDataFrame:
    lot = box(430000, 3700000, 430020, 3700040)
    return gpd.GeoDataFrame(
        {
            "parcel_id": ["001", "002", "003"],
            "height_in": [30.0, np.nan, 36.5],
            "posts": [3, 0, 7],
            "sound": [True, False, True],
            "nothing": [np.nan] * 3,
            "reason": ["a", None, "b"],
            "reasons": [["a", "b"], [], ["c"]],
            "yard": gpd.GeoSeries([lot, None, lot.centroid], crs=UTM),
        },
        geometry=[Polygon(list(lot.exterior.coords)), Point(430000, 3700000), None],
        crs=UTM,
    )


def sent(collection: Any) -> Any:
    return json.loads(json.dumps(collection, allow_nan=False))


@pytest.mark.parametrize("rows", [3, 1, 0])
def test_table_goes_over_the_net_and_comes_back(rows: int) -> None:
    frame = table().head(rows)
    back = move_table(read_features(sent(table_as_json(frame)), where="inputs.lots"), UTM)
    assert list(back.columns) == [name for name in frame.columns if name != "geometry"] + ["geometry"]
    for name in ("height_in", "posts", "sound", "nothing"):
        assert back[name].dtype == frame[name].dtype, name
    plain = ["parcel_id", "height_in", "posts", "sound", "nothing"]
    pd.testing.assert_frame_equal(pd.DataFrame(back[plain]), pd.DataFrame(frame[plain]), check_dtype=False)
    assert back["reasons"].tolist() == frame["reasons"].tolist()
    # A millionth of a metre: longitude and latitude carry all digits, the transformation repeats within nanometres.
    for name in ("yard", "geometry"):
        for here, there in zip(back[name], frame[name], strict=True):
            assert (here is None) == (there is None)
            assert here is None or here.hausdorff_distance(there) < 1e-6


def test_rows_without_shapes() -> None:
    rows = table_as_json(pd.DataFrame({"name": ["a", "b"], "share_pct": [1.5, np.inf]}))
    assert rows == [{"name": "a", "share_pct": 1.5}, {"name": "b", "share_pct": None}]
    assert np.isnan(read_rows(rows, where="")["share_pct"].iloc[1])


@pytest.mark.parametrize(
    "collection",
    [
        {"features": [{"geometry": {"type": "Blob", "coordinates": []}}]},
        {"features": [{"geometry": {"type": "Point", "coordinates": ["a", "b"]}}]},
        {"features": [{"geometry": {"type": "Polygon", "coordinates": [[[0, 0], [1, 1]]]}}]},
        {"features": [{"geometry": None, "properties": {"posts": "many"}}], "columns": {"posts": "int64"}},
        {"features": [], "columns": ["posts"]},
    ],
)
def test_collections_that_can_not_be_read(collection: dict[str, Any]) -> None:
    with pytest.raises(LayerError, match=r"inputs\.lots"):
        read_features(collection, where="inputs.lots")


def test_text_that_names_no_path_is_left_alone(tmp_path: Path) -> None:
    described = {"title": {"schema": {"type": "string"}}}
    laid = lay_down({"title": "Lots A/B, 3-4"}, described, job=tmp_path, folder=tmp_path)
    assert laid["options"] == {"title": "Lots A/B, 3-4"}


@pytest.mark.parametrize("text", ["/etc/passwd", "~/x", "a/../../b", "https://a.b/c", "..", "C:\\x", "s3://a", "x\0"])
def test_text_that_leads_elsewhere_is_refused(tmp_path: Path, text: str) -> None:
    described = {"rule": {"schema": {"type": "string"}}}
    for value in (text, [text], {"deep": [text]}):
        with pytest.raises(PipelineError, match="shared folder"):
            lay_down({"rule": value}, described, job=tmp_path, folder=tmp_path)


def test_rasters_by_value_are_what_they_say(tmp_path: Path) -> None:
    entry = {"elevation": describe_offer("screen")["inputs"]["elevation"]}
    with pytest.raises(LayerError, match="no GeoTIFF"):  # a virtual raster, which would read any other file
        lay_down({"elevation": "PFZSVERhdGFzZXQvPg=="}, entry, job=tmp_path, folder=None)
    laid = lay_down({"elevation": {"value": "SUkqAA==", "encoding": "base64"}}, entry, job=tmp_path, folder=None)
    assert Path(laid["layers"]["elevation"]).read_bytes() == b"II*\0"


def done_job(jobs: Path) -> dict[str, Any]:
    """A job with two results, as a worker leaves it."""
    results = jobs / "1" / "results"
    results.mkdir(parents=True)
    (results / "specs.csv").write_bytes(b"parcel_id\r\n001\r\n")
    (results / "lots.gpkg").write_bytes(b"\0--bajada-part\r\n")
    made = {name: {"file": name, "media_type": media_type_of(name)} for name in ("specs.csv", "lots.gpkg")}
    return {"identifier": "1", "status": "successful", "outputs": made}


def test_several_results_raw_come_as_parts(tmp_path: Path) -> None:
    outputs = {"specs.csv": "value", "lots.gpkg": "reference"}
    asked = {"outputs": outputs, "response": "raw"}
    body, status, headers = answer_results(done_job(tmp_path), asked, tmp_path, "http://here")
    assert status == 200
    head = f"Content-Type: {headers['Content-Type']}\r\n\r\n".encode()
    whole = message_from_bytes(head + body, policy=HTTP)
    parts = {part["Content-ID"]: part for part in whole.iter_parts()}
    assert set(parts) == set(outputs)
    assert parts["specs.csv"].get_payload(decode=True) == b"parcel_id\r\n001\r\n"
    assert parts["lots.gpkg"]["Content-Location"] == "http://here/jobs/1/results/lots.gpkg"


def test_results_raw_by_reference_are_links(tmp_path: Path) -> None:
    asked = {"outputs": {"specs.csv": "reference"}, "response": "raw"}
    told = '<http://here/jobs/1/results/specs.csv>; rel="specs.csv"; type="text/csv"'
    assert answer_results(done_job(tmp_path), asked, tmp_path, "http://here") == (b"", 204, {"Link": told})


def test_binary_results_in_a_document_are_base64(tmp_path: Path) -> None:
    asked = {"outputs": {"lots.gpkg": "value"}, "response": "document"}
    body, _, _ = answer_results(done_job(tmp_path), asked, tmp_path, "http://here")
    told = json.loads(body)["lots.gpkg"]
    assert base64.b64decode(told["value"]) == b"\0--bajada-part\r\n"
    assert told["encoding"] == "base64"


def desk(folder: Path, **limits: int) -> Desk:
    return Desk(folder / "jobs", None, Limits(**limits))


def test_a_job_past_its_time_is_stopped(tmp_path: Path) -> None:
    here = desk(tmp_path, seconds=0)
    job = here.start("height", describe_offer("height"), {"inputs": {}})
    here.wait(job)
    record = find_job(here.jobs, job)
    assert record is not None
    assert (record["status"], record["problem"]["status"]) == ("failed", 400)
    assert "longer than 0 s" in record["message"]
    assert not here.running


def test_no_more_jobs_than_wait_in_line(tmp_path: Path) -> None:
    here = desk(tmp_path, jobs_at_once=0, jobs_waiting=1)
    job = here.start("height", describe_offer("height"), {"inputs": {}})
    with pytest.raises(BlockingIOError):
        here.start("height", describe_offer("height"), {"inputs": {}})
    here.dismiss(job)
    assert not list_jobs(here.jobs)


def test_a_request_that_can_not_be_used_leaves_no_job(tmp_path: Path) -> None:
    here = desk(tmp_path)
    with pytest.raises(GeotoolsError):
        here.start("height", describe_offer("height"), {"inputs": {"none": 1}})
    assert not list(here.jobs.iterdir())
    assert not here.watchers


def test_old_jobs_are_cleared_and_left_open_ones_are_closed(tmp_path: Path) -> None:
    here = desk(tmp_path, jobs_kept=1, jobs_at_once=0)
    names = [f"00000000-0000-4000-8000-00000000000{number}" for number in range(3)]
    for name in names:
        (here.jobs / name).mkdir(parents=True)
        start_record(here.jobs / name, "height")
    change_record(here.jobs / names[0], status="successful")
    close_left_open(here.jobs)
    told = {record["identifier"]: record["status"] for record in list_jobs(here.jobs)}
    assert told == {names[0]: "successful", names[1]: "failed", names[2]: "failed"}
    job = here.start("height", describe_offer("height"), {"inputs": {}})
    assert [record["identifier"] for record in list_jobs(here.jobs)] == [job, names[2]]
    here.dismiss(job)
