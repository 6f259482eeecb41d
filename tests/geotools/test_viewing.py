"""The server of a finished run: the files of its folder, to this machine, and nothing else."""

from __future__ import annotations

import html
import http.client
import re
import socket
import subprocess
import sys
import threading
from pathlib import Path

import pytest

from geotools.errors import GeotoolsError
from geotools.viewing import make_server

PAGE = (
    '<!DOCTYPE html><html><head><meta http-equiv="Content-Security-Policy" content="default-src \'none\'; '
    "script-src 'sha256-abc'; connect-src 'none'\"></head><body>map \u00e9</body></html>"
)


@pytest.fixture
def run_folder(tmp_path: Path) -> Path:
    folder = tmp_path / "runs" / "screen"
    folder.mkdir(parents=True)
    (folder / "map.html").write_text(PAGE, encoding="utf-8")
    (folder / "run.json").write_text("{}", encoding="utf-8")
    (folder / "lots.gpkg").write_bytes(b"lots")
    (folder / ".hidden").write_text("hidden", encoding="utf-8")
    (folder / "inner").mkdir()
    (folder / "inner" / "file.txt").write_text("inner", encoding="utf-8")
    (tmp_path / "runs" / "secret.txt").write_text("secret", encoding="utf-8")
    (folder / "link.txt").symlink_to(tmp_path / "runs" / "secret.txt")
    return folder


@pytest.fixture
def port(run_folder: Path):
    with make_server(run_folder) as server:
        thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.02})
        thread.start()
        yield server.server_address[1]
        server.shutdown()
        thread.join()


def ask(port: int, path: str, method: str = "GET", host: str | None = None) -> tuple[int, dict[str, str], bytes]:
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=5)
    connection.putrequest(method, path, skip_host=True)
    connection.putheader("Host", host or f"127.0.0.1:{port}")
    connection.endheaders()
    answer = connection.getresponse()
    body = answer.read()
    connection.close()
    return answer.status, dict(answer.headers), body


def test_map_comes_first_and_its_policy_lets_only_the_watch_in(port: int) -> None:
    status, headers, body = ask(port, "/")
    assert status == 200
    assert headers["Content-Type"] == "text/html; charset=utf-8"
    assert headers["Cache-Control"] == "no-store"
    page = html.unescape(body.decode("utf-8"))
    assert "map \u00e9" in page
    assert "connect-src 'self'" in page
    assert re.search(r"script-src 'sha256-[^']+' 'sha256-abc'", page)
    assert int(headers["Content-Length"]) == len(body)


def test_files_of_the_run_are_served_as_they_are(port: int) -> None:
    assert ask(port, "/lots.gpkg")[2] == b"lots"
    assert ask(port, "/lots.gpkg?again=1")[0] == 200
    status, headers, body = ask(port, "/run.json", "HEAD")
    assert (status, headers["Content-Length"], body) == (200, "2", b"")


@pytest.mark.parametrize(
    "path",
    [
        *("/../secret.txt", "/%2e%2e/secret.txt", "/..%2fsecret.txt", "//etc/passwd", "/..\\secret.txt", "/%00"),
        *("/link.txt", "/.hidden", "/inner", "/inner/", "/inner/file.txt", "/none.txt", "/./", "/run.json/"),
    ],
)
def test_nothing_else_is_served(port: int, path: str) -> None:
    status, _, body = ask(port, path)
    assert status == 404
    assert body == b"Not Found\n"


@pytest.mark.parametrize("method", ["POST", "PUT", "DELETE", "OPTIONS"])
def test_only_reading_is_answered(port: int, method: str) -> None:
    assert ask(port, "/", method)[0] == 501


@pytest.mark.parametrize("host", ["example.invalid", "127.0.0.1:1", "localhost"])
def test_pages_under_another_name_are_refused(port: int, host: str) -> None:
    assert ask(port, "/run.json", host=host)[0] == 403
    assert ask(port, "/run.json", host=f"localhost:{port}")[0] == 200


def test_mark_changes_with_the_record(port: int, run_folder: Path) -> None:
    before = ask(port, "/run.json", "HEAD")[1]["ETag"]
    assert ask(port, "/run.json", "HEAD")[1]["ETag"] == before
    new = run_folder.with_name("new")
    run_folder.rename(run_folder.with_name("old"))
    new.mkdir()
    for name in ("map.html", "run.json"):
        (new / name).write_text("{}", encoding="utf-8")
    new.rename(run_folder)  # as a run puts its folder in place
    assert ask(port, "/run.json", "HEAD")[1]["ETag"] != before


def test_listens_to_this_machine_only(run_folder: Path) -> None:
    with make_server(run_folder) as server:
        assert server.server_address[0] == "127.0.0.1"
        with pytest.raises(GeotoolsError, match="port"):
            make_server(run_folder, port=server.server_address[1])


def test_a_folder_without_a_map_is_refused(tmp_path: Path) -> None:
    with pytest.raises(GeotoolsError, match=r"map\.html"):
        make_server(tmp_path)


def test_command_prints_the_address_and_serves(run_folder: Path) -> None:
    code = "from geotools.cli import main; main()"
    command = [sys.executable, "-u", "-c", code, "view", str(run_folder), "--no-browser", "--quiet"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as running:
        try:
            assert running.stdout is not None
            address = running.stdout.readline().strip()
            found = re.fullmatch(r"http://127\.0\.0\.1:(\d+)/", address)
            assert found
            assert ask(int(found[1]), "/")[0] == 200
        finally:
            running.terminate()
    with socket.socket() as free:
        assert free.connect_ex(("127.0.0.1", int(found[1]))) != 0


def test_command_ends_with_2_where_there_is_no_map(tmp_path: Path) -> None:
    command = [sys.executable, "-c", "from geotools.cli import main; main()", "view", str(tmp_path), "--no-browser"]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 2
    assert "map.html" in done.stderr
