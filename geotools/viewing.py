"""Show the map of a finished run in a browser, from this machine only, and again after each new run."""

from __future__ import annotations

import base64
import hashlib
import html
import http
import re
import threading
from functools import partial
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import TYPE_CHECKING
from urllib.parse import unquote, urlsplit

from geotools.errors import GeotoolsError

if TYPE_CHECKING:
    from collections.abc import Iterator

__all__ = ["make_server", "serve_run"]

_ADDRESS = "127.0.0.1"
_MAP, _RECORD = "map.html", "run.json"
_KINDS = {
    ".html": "text/html; charset=utf-8",
    ".json": "application/json; charset=utf-8",
    ".csv": "text/csv; charset=utf-8",
    ".pdf": "application/pdf",
    ".png": "image/png",
    ".xlsx": "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet",
    ".gpkg": "application/geopackage+sqlite3",
}
_CHUNK_BYTES = 1 << 20
_WATCH = """
(() => {
  let known = null;
  setInterval(async () => {
    try {
      const answer = await fetch("run.json", { method: "HEAD", cache: "no-store" });
      const mark = answer.ok ? answer.headers.get("ETag") : null;
      if (mark && known && mark !== known) window.location.reload();
      known = mark ?? known;
    } catch { /* the server has stopped */ }
  }, 1000);
})();
"""
"""Put into the page as it is served, never into the file: it loads again when the run's record has changed."""
_POLICY = re.compile(r'(<meta http-equiv="Content-Security-Policy" content=")([^"]*)(">)')


def serve_run(folder: Path, *, port: int = 0, browser: bool = True) -> Iterator[str]:
    """Serve a run's folder on this machine until stopped; gives the address once, then serves.

    Parameters
    ----------
    folder : pathlib.Path
        What a run wrote.
    port : int
        0 for a free one.
    browser : bool
        Whether to open the browser at it.

    Yields
    ------
    str
        The address of the map.

    Raises
    ------
    GeotoolsError
        If there is no map in the folder, or the port is taken.

    Examples
    --------
    >>> next(serve_run(Path("maps/screen"), browser=False))  # doctest: +SKIP
    'http://127.0.0.1:40417/'
    """
    import webbrowser

    with make_server(folder, port=port) as server:
        address = f"http://{_ADDRESS}:{server.server_address[1]}/"
        yield address
        if browser:
            threading.Thread(target=webbrowser.open, args=(address,), daemon=True).start()
        server.serve_forever()


def make_server(folder: Path, *, port: int = 0) -> ThreadingHTTPServer:
    """Make a server of the plain files of one folder, on the loopback address only; it doesn't run yet.

    It answers GET and HEAD for files that stand in the folder itself, and `/` with the map. It lists nothing, follows
    no link out of the folder, and refuses requests under another host's name: no page elsewhere can read the run.

    Parameters
    ----------
    folder : pathlib.Path
    port : int
        0 for a free one.

    Returns
    -------
    http.server.ThreadingHTTPServer

    Raises
    ------
    GeotoolsError
        If there is no map in the folder, or the port is taken.

    Examples
    --------
    >>> make_server(Path("maps/screen")).server_address  # doctest: +SKIP
    ('127.0.0.1', 40417)
    """
    if not (folder / _MAP).is_file():
        raise GeotoolsError(f"there is no {_MAP}", where=str(folder), mend="give the folder that 'bajada run' wrote")
    try:
        return ThreadingHTTPServer((_ADDRESS, port), partial(_Answers, folder.absolute()))
    except OSError as error:
        raise GeotoolsError(
            f"the port can't be used ({error.strerror})", where=f"port {port}", mend="leave --port out"
        ) from error


class _Answers(BaseHTTPRequestHandler):
    """Answers one request; the standard library asks for a class here."""

    server_version, sys_version = "bajada", ""

    def __init__(self, folder: Path, *args: object) -> None:
        self.folder = folder
        super().__init__(*args)  # type: ignore[arg-type]

    def do_GET(self) -> None:
        self._answer(body=True)

    def do_HEAD(self) -> None:
        self._answer(body=False)

    def log_message(self, *_: object) -> None:
        """Keep quiet."""

    def _answer(self, *, body: bool) -> None:
        port = self.connection.getsockname()[1]
        if self.headers.get("Host") not in (f"{_ADDRESS}:{port}", f"localhost:{port}"):
            self._refuse(http.HTTPStatus.FORBIDDEN, body)
            return
        path = _find(self.folder, self.path)
        if path is None:
            self._refuse(http.HTTPStatus.NOT_FOUND, body)
            return
        try:
            with path.open("rb") as file:
                mark = _mark(path)
                if path.suffix == ".html":
                    page = _watched_page(file.read().decode("utf-8")).encode("utf-8")
                    self._head(path, len(page), mark)
                    if body:
                        self.wfile.write(page)
                    return
                self._head(path, path.stat().st_size, mark)
                while body and (chunk := file.read(_CHUNK_BYTES)):
                    self.wfile.write(chunk)
        except (BrokenPipeError, ConnectionResetError):
            return
        except OSError:
            self._refuse(http.HTTPStatus.NOT_FOUND, body)

    def _head(self, path: Path, size: int, mark: str) -> None:
        self.send_response(http.HTTPStatus.OK)
        self.send_header("Content-Type", _KINDS.get(path.suffix, "application/octet-stream"))
        self.send_header("Content-Length", str(size))
        self.send_header("ETag", mark)
        self._safe_headers()

    def _refuse(self, status: http.HTTPStatus, body: bool) -> None:
        text = f"{status.phrase}\n".encode()
        self.send_response(status)
        self.send_header("Content-Type", "text/plain; charset=utf-8")
        self.send_header("Content-Length", str(len(text)))
        self._safe_headers()
        if body:
            self.wfile.write(text)

    def _safe_headers(self) -> None:
        self.send_header("Cache-Control", "no-store")
        self.send_header("X-Content-Type-Options", "nosniff")
        self.send_header("Referrer-Policy", "no-referrer")
        self.send_header("Cross-Origin-Resource-Policy", "same-origin")
        self.end_headers()


def _watched_page(page: str) -> str:
    """Let the page look for a new run: its script goes to the end, and into the policy that names what may run.

    Examples
    --------
    >>> "setInterval" in _watched_page("<html><body></body></html>")
    True
    """
    allowed = f"'sha256-{base64.b64encode(hashlib.sha256(_WATCH.encode()).digest()).decode()}'"

    def widen(found: re.Match[str]) -> str:
        policy = html.unescape(found[2])
        policy = policy.replace("script-src ", f"script-src {allowed} ").replace(
            "connect-src 'none'", "connect-src 'self'"
        )
        return found[1] + html.escape(policy) + found[3]

    before, end, after = _POLICY.sub(widen, page, count=1).rpartition("</body>")
    return f"{before}<script>{_WATCH}</script>\n{end}{after}" if end else f"{after}<script>{_WATCH}</script>"


def _find(folder: Path, address: str) -> Path | None:
    """Find the file that an address names: a plain name in the folder itself, no link out of it; None for all else."""
    name = unquote(urlsplit(address).path).removeprefix("/") or _MAP
    if "/" in name or "\\" in name or "\0" in name or name.startswith("."):
        return None
    path = folder / name
    try:
        inside = path.resolve(strict=True).parent == folder.resolve(strict=True)
    except OSError:
        return None
    return path if inside and path.is_file() else None


def _mark(path: Path) -> str:
    seen = path.stat()
    return f'"{seen.st_mtime_ns:x}-{seen.st_size:x}-{seen.st_ino:x}"'
