"""A web server on the loopback that gives files by ranges, as the standard library's own does not, and keeps count."""

from __future__ import annotations

import base64
import contextlib
import http.server
import re
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple
from urllib.parse import unquote, urlsplit

if TYPE_CHECKING:
    from collections.abc import Iterator


class Served(NamedTuple):
    """Where the files are, and a file of what was sent: path and bytes in each line."""

    address: str
    log: Path

    def sent(self, name: str) -> int:
        lines = [line.split("\t") for line in self.log.read_text(encoding="utf-8").splitlines()]
        return sum(int(count) for path, count in lines if name in path)


@contextlib.contextmanager
def serve_files(folder: Path, *, login: str = "", key: str = "") -> Iterator[Served]:
    """Serve a folder, to all or to those who know the login (user:password) or the key (the query).

    In a process of its own: a driver that waits for an answer holds this one's interpreter.
    """
    with tempfile.TemporaryDirectory() as place:
        log = Path(place, "log")
        log.touch()
        words = [sys.executable, __file__, str(folder), str(log), login, key]
        with subprocess.Popen(words, stdout=subprocess.PIPE, text=True) as process:
            try:
                assert process.stdout is not None
                yield Served(f"http://127.0.0.1:{int(process.stdout.readline())}", log)
            finally:
                process.kill()


def main(folder: Path, log: Path, login: str, key: str) -> None:
    class Handler(http.server.BaseHTTPRequestHandler):
        protocol_version = "HTTP/1.1"

        def do_HEAD(self) -> None:
            self.answer(with_body=False)

        def do_GET(self) -> None:
            self.answer(with_body=True)

        def answer(self, *, with_body: bool) -> None:
            parts = urlsplit(self.path)
            path = folder / unquote(parts.path).lstrip("/")
            wanted = f"Basic {base64.b64encode(login.encode()).decode()}" if login else ""
            if (wanted and self.headers.get("Authorization") != wanted) or (key and parts.query != key):
                self.finish_with(401 if wanted else 403, b"")
                return
            if not path.is_file():
                self.finish_with(404, b"")
                return
            content, status, headers = path.read_bytes(), 200, {"Accept-Ranges": "bytes"}
            span = re.fullmatch(r"bytes=(\d*)-(\d*)", self.headers.get("Range", ""))
            if span and any(span.groups()):
                size = len(content)
                first = int(span[1]) if span[1] else max(size - int(span[2]), 0)
                last = min(int(span[2]), size - 1) if span[1] and span[2] else size - 1
                headers["Content-Range"] = f"bytes {first}-{last}/{size}"
                content, status = content[first : last + 1], 206
            self.finish_with(status, content, headers, with_body=with_body)

        def finish_with(
            self, status: int, content: bytes, headers: dict[str, str] | None = None, *, with_body: bool = True
        ) -> None:
            self.send_response(status)
            for name, value in {**(headers or {}), "Content-Length": str(len(content))}.items():
                self.send_header(name, value)
            self.end_headers()
            if with_body:
                with contextlib.suppress(ConnectionError):
                    self.wfile.write(content)
                with log.open("a", encoding="utf-8") as stream:
                    stream.write(f"{self.path}\t{len(content)}\n")

        def log_message(self, *words: object) -> None:
            """Keep quiet."""

    with http.server.ThreadingHTTPServer(("127.0.0.1", 0), Handler) as server:
        sys.stdout.write(f"{server.server_port}\n")
        sys.stdout.flush()
        server.serve_forever()


if __name__ == "__main__":
    main(Path(sys.argv[1]), Path(sys.argv[2]), sys.argv[3], sys.argv[4])
