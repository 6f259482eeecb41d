"""The service for real: started by its command on a free loopback port, asked over HTTP, held against the standard."""

from __future__ import annotations

import http.client
import json
import socket
import subprocess
import sys
import time
from typing import TYPE_CHECKING, Any, NamedTuple

import geopandas as gpd
import processes_standard as standard
import pytest
from click.testing import CliRunner
from jsonschema import Draft202012Validator
from shapely import LineString

from geotools.cli import commands
from geotools.pipeline import find_plan, read_plan, run_plan
from geotools.pipeline.plan import change_plan
from geotools.serving import list_offers

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

TYPES = "http://www.opengis.net/def/exceptions/ogcapi-processes-1/1.0/"
LAYERS = ("parcels", "buildings", "open_desert", "roads", "footholds")


class Reply(NamedTuple):
    status: int
    headers: dict[str, str]
    body: bytes

    @property
    def json(self) -> Any:
        return json.loads(self.body)


class Service(NamedTuple):
    port: int
    folder: Path
    jobs: Path

    def ask(self, path: str, body: Any = None, method: str = "", **headers: str) -> Reply:
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=60)
        content = body if isinstance(body, bytes | None) else json.dumps(body).encode()
        sent = {"Content-Type": "application/json"} if content is not None else {}
        sent |= {name.replace("_", "-"): value for name, value in headers.items()}
        connection.request(method or ("GET" if content is None else "POST"), path, content, sent)
        answer = connection.getresponse()
        reply = Reply(answer.status, dict(answer.headers), answer.read())
        connection.close()
        return reply

    def run(self, process: str, inputs: dict[str, Any], **more: Any) -> Reply:
        headers = {name: more.pop(name) for name in ("Prefer",) if name in more}
        return self.ask(f"/processes/{process}/execution", {"inputs": inputs, **more}, **headers)

    def wait(self, job: str) -> dict[str, Any]:
        until = time.monotonic() + 60
        while time.monotonic() < until:
            told: dict[str, Any] = self.ask(f"/jobs/{job}").json
            assert_valid(told, standard.STATUS)
            if told["status"] not in ("accepted", "running"):
                return told
            time.sleep(0.1)
        raise AssertionError(f"job {job} is not done after a minute")


def assert_valid(content: Any, schema: dict[str, Any]) -> None:
    errors = [
        f"{error.json_path}: {error.message[:200]}" for error in Draft202012Validator(schema).iter_errors(content)
    ]
    assert not errors, errors


def assert_problem(reply: Reply, status: int, kind: str = "about:blank") -> dict[str, Any]:
    assert reply.status == status, reply.body[:500]
    assert reply.headers["Content-Type"] == "application/json"
    assert_valid(reply.json, standard.EXCEPTION)
    assert (reply.json["status"], reply.json["type"]) == (status, kind)
    told: dict[str, Any] = reply.json
    return told


@pytest.fixture(scope="module")
def collections(town: Path) -> dict[str, Any]:
    """The town's layers as RFC 7946 has them."""
    read = {name: gpd.read_file(town, layer=name).to_crs("OGC:CRS84") for name in LAYERS}
    made = {name: json.loads(layer.to_json(drop_id=True)) for name, layer in read.items()}
    for collection in made.values():
        collection.pop("crs", None)  # written by the library, though RFC 7946 took it out
    return made


@pytest.fixture(scope="module")
def service(tmp_path_factory: pytest.TempPathFactory, collections: dict[str, Any]) -> Iterator[Service]:
    home = tmp_path_factory.mktemp("service")
    folder = home / "shared"
    folder.mkdir()
    (folder / "desert.geojson").write_text(json.dumps(collections["open_desert"]), encoding="utf-8")
    (home / "secret.geojson").write_text(json.dumps(collections["parcels"]), encoding="utf-8")
    (folder / "link.geojson").symlink_to(home / "secret.geojson")
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    bajada = [sys.executable, "-u", "-c", "from geotools.cli import main; main()"]
    offer = ["offer", "offer.yml", "--jobs", "jobs", "--folder", "shared", "--port", str(port)]
    subprocess.run([*bajada, *offer, "--quiet"], cwd=home, check=True)
    with subprocess.Popen(
        [*bajada, "serve", "offer.yml", "--quiet"], cwd=home, stdout=subprocess.PIPE, text=True
    ) as running:
        try:
            assert running.stdout is not None
            assert running.stdout.readline().strip() == f"http://127.0.0.1:{port}"
            before = {path for path in home.rglob("*") if "jobs" not in path.parts}
            yield Service(port, folder, home / "jobs")
            # Whatever was asked, nothing was written but to the folder of jobs.
            assert {path for path in home.rglob("*") if "jobs" not in path.parts} == before
        finally:
            running.terminate()


def test_landing_page_leads_to_what_the_standard_names(service: Service) -> None:
    page = service.ask("/").json
    assert_valid(page, standard.LANDING)
    relations = {link["rel"] for link in page["links"]}
    assert {"service-desc", "conformance", "http://www.opengis.net/def/rel/ogc/1.0/processes"} <= relations


def test_conformance_names_what_is_offered_and_nothing_else(service: Service) -> None:
    declared = service.ask("/conformance").json
    assert_valid(declared, standard.CONFORMANCE)
    ours = {one.rpartition("/")[2] for one in declared["conformsTo"] if "ogcapi-processes-1/1.0" in one}
    assert ours == {"core", "json", "oas30", "ogc-process-description", "dismiss"}


def test_every_step_plan_and_command_is_listed(service: Service) -> None:
    listed = service.ask("/processes").json
    assert_valid(listed, standard.PROCESS_LIST)
    assert [one["id"] for one in listed["processes"]] == list(list_offers())
    assert {"height", "screen", "priority", "edge_bid", "community_rule", "score_exposure"} <= set(list_offers())


@pytest.mark.published("OGC API - Processes, Part 1: Core 1.0.0: process description, after its schema")
def test_every_description_is_valid(service: Service) -> None:
    for name in list_offers():
        described = service.ask(f"/processes/{name}").json
        assert_valid(described, standard.PROCESS)
        assert described["id"] == name
        assert described["outputTransmission"] == ["value", "reference"]


@pytest.mark.parametrize(
    ("inputs", "words"),
    [
        ({}, []),
        ({"fence": "24in", "foothold": "18in@2ft"}, ["--fence", "24in", "--foothold", "18in@2ft"]),
    ],
)
def test_height_answers_as_the_command_does(service: Service, inputs: dict[str, str], words: list[str]) -> None:
    reply = service.run("height", inputs)
    assert (reply.status, reply.headers["Content-Type"]) == (200, "application/json")
    assert reply.json == json.loads(CliRunner().invoke(commands, ["height", "--json", *words]).output)


def test_height_as_a_document(service: Service) -> None:
    # By hand: 48 in / 2 + 6 in = 30 in; a fence of 24 in is good for 2 * (24 - 6) = 36 in.
    reply = service.run("height", {"body_length": {"value": "48 in"}, "fence": "24 in"}, response="document")
    assert_valid(reply.json, standard.RESULTS)
    sizes = reply.json["result"]["value"]
    assert (sizes["height_in"], sizes["excludes_body_length_in"]) == (30.0, 36.0)


def test_screen_by_itself_with_status_results_and_dismissal(
    service: Service, collections: dict[str, Any], tmp_path: Path
) -> None:
    inputs = {**collections, "open_desert": {"href": "desert.geojson"}}
    settings = {"parcels.id": "APN", "title": "Four lots"}
    more = {
        "response": "document",
        "outputs": {"specs.csv": {}, "lots": {}, "map.html": {"transmissionMode": "reference"}},
    }
    reply = service.run("screen", {**inputs, "settings": settings}, Prefer="respond-async", **more)
    assert reply.status == 201
    assert reply.headers["Preference-Applied"] == "respond-async"
    assert_valid(reply.json, standard.STATUS)
    assert reply.json["status"] in ("accepted", "running")
    job = reply.json["jobID"]
    assert reply.headers["Location"] == f"http://127.0.0.1:{service.port}/jobs/{job}"
    assert_problem(service.ask(f"/jobs/{job}/results"), 404, f"{TYPES}result-not-ready")

    told = service.wait(job)
    assert (told["status"], told["progress"]) == ("successful", 100), told
    listed = service.ask("/jobs").json
    assert_valid(listed, standard.JOB_LIST)
    assert job in [one["jobID"] for one in listed["jobs"]]

    results = service.ask(f"/jobs/{job}/results").json
    assert_valid(results, standard.RESULTS)
    assert set(results) == {"specs.csv", "lots", "map.html"}
    for name, collection in collections.items():
        (tmp_path / f"{name}.geojson").write_text(json.dumps(collection), encoding="utf-8")
    plan = change_plan(
        read_plan(find_plan("screen")),
        inputs=[f"{name}={tmp_path / name}.geojson" for name in LAYERS],
        settings=[f"{name}={value}" for name, value in settings.items()],
    )
    run_plan(plan, tmp_path / "out")
    assert results["specs.csv"]["value"].encode() == (tmp_path / "out" / "specs.csv").read_bytes()
    page = service.ask(results["map.html"]["href"].partition(str(service.port))[2])
    assert (page.status, page.headers["Content-Type"]) == (200, "text/html")
    assert page.body == (tmp_path / "out" / "map.html").read_bytes()

    lots = results["lots"]["value"]
    assert_valid(lots, standard.GEOJSON)
    assert [one["properties"]["parcel_id"] for one in lots["features"]] == ["001", "002", "003", "004"]
    back = gpd.GeoDataFrame.from_features(lots["features"], crs="OGC:CRS84").to_crs(26912)
    # Four lots of 20 x 40 m; the way to longitude and latitude and back costs far less than a square centimetre.
    assert back.area.to_numpy() == pytest.approx([800.0] * 4, abs=1e-4)
    assert all(ring.exterior.is_ccw for ring in back.geometry.explode())

    record = service.ask(f"/jobs/{job}/results/run.json")
    assert str(service.jobs).encode() not in record.body
    assert record.json["inputs"]["open_desert"]["source"] == "desert.geojson#desert"
    assert_problem(service.ask(f"/jobs/{job}/results/none.csv"), 404)

    gone = service.ask(f"/jobs/{job}", method="DELETE")
    assert_valid(gone.json, standard.STATUS)
    assert (gone.status, gone.json["status"]) == (200, "dismissed")
    assert_problem(service.ask(f"/jobs/{job}"), 404, f"{TYPES}no-such-job")
    assert not (service.jobs / job).exists()


def test_a_running_job_is_stopped_by_its_dismissal(service: Service, collections: dict[str, Any]) -> None:
    reply = service.run("screen", {**collections, "settings": {"parcels.id": "APN"}}, Prefer="respond-async")
    job = reply.json["jobID"]
    while service.ask(f"/jobs/{job}").json["status"] == "accepted":
        time.sleep(0.05)
    assert service.ask(f"/jobs/{job}", method="DELETE").json["status"] == "dismissed"
    listed = subprocess.run(["ps", "-eo", "args"], capture_output=True, text=True, check=True).stdout
    assert job not in listed
    assert not (service.jobs / job).exists()


def test_single_step_takes_and_gives_longitude_and_latitude(service: Service) -> None:
    # A straight wash of 100 m, 4 m wide, without a bank: the ground within 2 m of its line.
    wash = gpd.GeoDataFrame(
        {"width_m": [4.0]}, geometry=[LineString([(430000, 3700000), (430000, 3700100)])], crs="EPSG:32612"
    )
    given = json.loads(wash.to_crs("OGC:CRS84").to_json(drop_id=True))
    given.pop("crs", None)
    reply = service.run("widen_washes", {"washes": given, "bank_setback_m": 0.0})
    assert reply.status == 200, reply.body
    assert reply.headers["Content-Type"] == "application/geo+json"
    assert_valid(reply.json, standard.GEOJSON)
    made = gpd.GeoDataFrame.from_features(reply.json["features"], crs="OGC:CRS84").to_crs(32612).union_all()
    assert made.contains(LineString([(429998.01, 3700050), (430001.99, 3700050)]))
    assert not made.contains(LineString([(429997.9, 3700050), (430002.1, 3700050)]))
    assert made.bounds[2] - made.bounds[0] == pytest.approx(4.0, abs=1e-3)


def test_a_failed_job_keeps_its_message(service: Service) -> None:
    reply = service.run("height", {"body_length": "48 cubits"}, Prefer="respond-async")
    told = service.wait(reply.json["jobID"])
    assert told["status"] == "failed"
    assert "cubits" in told["message"]
    problem = assert_problem(service.ask(f"/jobs/{told['jobID']}/results"), 400)
    assert "cubits" in problem["what"]
    assert problem["mend"]


@pytest.mark.parametrize(
    ("process", "inputs", "words"),
    [
        ("height", {"body_lenght": "48 in"}, ["inputs.body_lenght", "did you mean 'body_length'?"]),
        ("height", {"body_length": "-3 in"}, ["-3 in"]),
        ("height", {"body_length": {"href": "desert.geojson"}}, ["inputs.body_length", "no reference"]),
        ("height", {"species": "/etc/passwd"}, ["inputs.species", "out of the shared folder"]),
        ("screen", {}, ["inputs.parcels", "needed"]),
        ("screen", {"parcels": {"href": "../secret.geojson"}}, ["inputs.parcels", "no file of the shared folder"]),
        ("screen", {"parcels": {"href": "link.geojson"}}, ["inputs.parcels", "no file of the shared folder"]),
        ("screen", {"parcels": {"href": "http://127.0.0.1:1/lots.geojson"}}, ["no file of the shared folder"]),
        ("screen", {"parcels": {"href": "/vsicurl/http://127.0.0.1:1/a"}}, ["no file of the shared folder"]),
        ("screen", {"parcels": {"type": "Feature"}}, ["inputs.parcels", "FeatureCollection"]),
        ("screen", {"parcels": {"type": "FeatureCollection", "features": [], "crs": {}}}, ["inputs.parcels.crs"]),
        ("screen", {"parcels": {"type": "FeatureCollection", "features": [3]}}, ["feature 1"]),
        ("screen", {"elevation": "AAAA"}, ["inputs.elevation", "GeoTIFF"]),
        ("community_rule", {"settings": {"judge_rule.rule": "../rule.toml"}}, ["settings.judge_rule.rule"]),
    ],
)
def test_inputs_that_can_not_be_used(service: Service, process: str, inputs: dict[str, Any], words: list[str]) -> None:
    told = assert_problem(service.run(process, inputs), 400)
    for word in words:
        assert word in told["detail"]
    assert {"what", "where", "mend"} <= set(told)
    assert str(service.folder) not in told["detail"]


@pytest.mark.parametrize(
    ("body", "headers", "status"),
    [
        (b"{", {}, 400),
        (b"[]", {}, 400),
        (b'{"inputs": []}', {}, 400),
        (b"[" * 100_000, {}, 400),
        (b'{"response": "song"}', {}, 400),
        (b'{"outputs": {"none": {}}}', {}, 400),
        (b'{"outputs": {"result": {"transmissionMode": "pigeon"}}}', {}, 400),
        (b'{"outputs": {"result": {"format": {"mediaType": "text/csv"}}}}', {}, 400),
        (b'{"subscriber": {"successUri": "http://127.0.0.1:1/"}}', {}, 400),
        (b"{}", {"Content_Type": "text/plain"}, 415),
        (b" " * 50_000_001, {}, 413),
        (b"{}", {"Host": "example.invalid"}, 403),
    ],
    ids=lambda value: str(value)[:40],
)
def test_requests_that_can_not_be_used(service: Service, body: bytes, headers: dict[str, str], status: int) -> None:
    try:
        reply = service.ask("/processes/height/execution", body, **headers)
    except (BrokenPipeError, ConnectionResetError):
        assert status == 413  # refused before all of it was taken
        return
    assert_problem(reply, status)


def test_what_is_not_there(service: Service) -> None:
    assert_problem(service.ask("/processes/none"), 404, f"{TYPES}no-such-process")
    assert_problem(service.run("none", {}), 404, f"{TYPES}no-such-process")
    for path in ("/jobs/none", "/jobs/none/results", "/jobs/none/results/map.html", "/jobs/..%2f..%2fshared"):
        reply = service.ask(path)
        assert reply.status == 404, path
        assert_valid(reply.json, standard.EXCEPTION)
    assert_problem(service.ask("/jobs/none"), 404, f"{TYPES}no-such-job")
    assert_problem(service.ask("/jobs/none", method="DELETE"), 404, f"{TYPES}no-such-job")
    assert_problem(service.ask("/nothing"), 404)
    assert_problem(service.ask("/admin/config"), 404)
