"""Put a folium map, the plan's data and the library it needs into one page that asks the network for nothing."""

from __future__ import annotations

import base64
import hashlib
import json
import re
from functools import cache
from importlib import resources
from typing import TYPE_CHECKING, Any, NamedTuple
from urllib.parse import urlsplit

import numpy as np

from geotools.errors import OutputError
from geotools.outputs.cautions import CAUTIONS, FIRST_CAUTION

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from geotools.outputs.map_layers import LegendEntry, LegendGroup
    from geotools.outputs.map_relief import Relief

__all__ = ["Frame", "PageText", "check_sheets", "embed_json", "render_page"]

_MAP_ID = "plan"
_EARTH_RADIUS_M = 6378137.0
"""Of the page's projection (EPSG:3857)."""
_CLOSERS = re.compile(r"<(?=/script|!--|script)", re.IGNORECASE)
_MAP_FILE_NOTE = re.compile(r"^//[#@] sourceMappingURL=.*$", re.MULTILINE)
_CSS_ADDRESS = re.compile(r"url\([^)]*\)")
_JSON_ESCAPES = str.maketrans(
    {"<": "\\u003c", ">": "\\u003e", "&": "\\u0026", "\u2028": "\\u2028", "\u2029": "\\u2029"}
)
_SCRIPTS = ("read.js", "plan.js", "draw.js", "card.js", "table.js", "share.js", "index.js", "map.js")
"""The page's own scripts, in loading order."""


class PageText(NamedTuple):
    """Plain texts of the page: title, summary, what the units are, what was left out, whom to credit for tiles, links.

    Links are pairs of a file in the same folder and what it is called.
    """

    title: str
    summary: str
    units_note: str
    notes: tuple[str, ...] = ()
    tiles_credit: str = ""
    links: tuple[tuple[str, str], ...] = ()


class Frame(NamedTuple):
    """What is seen on opening (west, south, east, north in EPSG:3857) and what lies under the plan."""

    bounds: tuple[float, float, float, float]
    relief: Relief | None = None
    tiles: str = ""


def render_page(groups: Sequence[LegendGroup], content: Mapping[str, Any], text: PageText, frame: Frame) -> str:
    """Render the whole page as text.

    Parameters
    ----------
    groups : sequence of LegendGroup
        The legend.
    content : mapping of str to JSON value
        What the page's scripts read: origin, layers, schemes, tables and the rest.
    text : PageText
    frame : Frame

    Returns
    -------
    str
        HTML; the same input gives the same text. Its policy allows the scripts that it carries and no other.

    Raises
    ------
    OutputError
        If the tiles' address is not an https address with {z}, {x} and {y}.

    Examples
    --------
    >>> page = render_page([], {}, PageText("T", "", ""), Frame((0.0, 0.0, 1.0, 1.0)))
    >>> page.startswith("<!DOCTYPE html>")
    True
    """
    import jinja2

    environment = jinja2.Environment(
        autoescape=True, trim_blocks=True, lstrip_blocks=True, undefined=jinja2.StrictUndefined
    )
    map_html, map_script = _render_map(frame, text.tiles_credit)
    scripts = [
        _script_safe(_library("leaflet.js")),
        *(_script_safe(_page_file(name)) for name in _SCRIPTS),
        _script_safe(f"{map_script}\nlotMap.start(map_{_MAP_ID});"),
    ]
    schemes = [group.scheme for group in groups if group.scheme]
    return environment.from_string(_page_file("map.html")).render(
        policy=_policy(scripts, frame.tiles),
        text=text,
        credit=text.tiles_credit if frame.tiles else "",
        groups=groups,
        schemes=schemes,
        one=content.get("one", "lot"),
        many=content.get("many", "lots"),
        has_frontier=bool(content.get("frontier")),
        cautions=CAUTIONS,
        first_caution=FIRST_CAUTION,
        styles=[_CSS_ADDRESS.sub("none", _library("leaflet.css")), _page_file("map.css")],
        scripts=scripts,
        data=embed_json(content),
        map_html=map_html,
        swatch=_swatch,
    )


def check_sheets(name: str) -> None:
    """Refuse a name of the sheets that is no plain name of a PDF file in the same folder.

    Raises
    ------
    OutputError

    Examples
    --------
    >>> check_sheets("sheets.pdf")
    """
    if name and not re.fullmatch(r"\w[\w.-]*\.pdf", name, re.ASCII):
        raise OutputError(f"{name!r} is no file name of a PDF", where="sheets", mend="write sheets.pdf")


def embed_json(value: Any) -> str:
    r"""Write a value as JSON that can stand inside a script element: no sign that could end it.

    Examples
    --------
    >>> embed_json("</script>")
    '"\\u003c/script\\u003e"'
    """
    text = json.dumps(value, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    return text.translate(_JSON_ESCAPES)


def _render_map(frame: Frame, tiles_credit: str) -> tuple[str, str]:
    """Let folium write the map's own element and script, under stable ids and without its network links."""
    import folium
    from branca.element import Figure
    from markupsafe import escape

    south_west, north_east = _corners_deg(frame.bounds)
    map_ = folium.Map(
        location=[(south_west[0] + north_east[0]) / 2, (south_west[1] + north_east[1]) / 2],
        tiles=None,
        control_scale=True,
        zoom_control="bottomright",
        attribution_control=False,
        max_zoom=22,
        zoom_snap=0.25,
        zoom_delta=0.5,
    )
    map_._id = _MAP_ID
    map_.default_js, map_.default_css = [], []
    if frame.tiles:
        tiles = folium.TileLayer(frame.tiles, attr=str(escape(tiles_credit or "credit not given")), max_zoom=22)
        tiles._id = "ground"
        tiles.add_to(map_)
    if frame.relief:
        shade = folium.raster_layers.ImageOverlay(
            frame.relief.picture, list(_corners_deg(frame.relief.bounds)), alt="Shaded ground, lit from the north-west"
        )
        shade._id = "relief"
        shade.add_to(map_)
    figure = Figure()
    figure.add_child(map_)
    figure.render()
    return figure.html.render(), figure.script.render()


def _corners_deg(bounds: tuple[float, float, float, float]) -> tuple[list[float], list[float]]:
    """South-west and north-east corner as latitude and longitude."""
    x, y = np.array(bounds[::2]), np.array(bounds[1::2])
    longitude = np.degrees(x / _EARTH_RADIUS_M)
    latitude = np.degrees(2 * np.arctan(np.exp(y / _EARTH_RADIUS_M)) - np.pi / 2)
    corners = np.round(np.stack([latitude, longitude], axis=1), 9).tolist()
    return corners[0], corners[1]


def _swatch(entry: LegendEntry) -> str:
    kind = "line" if entry.style.get("fill") is False else "area"
    return json.dumps({**entry.style, "kind": entry.style.get("shape", kind)}, sort_keys=True)


def _policy(scripts: Sequence[str], tiles: str) -> str:
    """Allow the page's own scripts, pictures made in it, and the tiles' host when there is one: nothing else."""
    pictures = "data:"
    if tiles:
        parts = urlsplit(tiles)
        host = parts.netloc.replace("{s}", "*")
        if parts.scheme != "https" or not re.fullmatch(r"(\*\.)?[A-Za-z0-9.-]+(:\d+)?", host):
            raise OutputError(
                f"{tiles!r} is not an https address", where="tiles", mend="write https://host/{z}/{x}/{y}.png"
            )
        if not all(sign in tiles for sign in ("{z}", "{x}", "{y}")):
            raise OutputError(f"{tiles!r} lacks a place", where="tiles", mend="write https://host/{z}/{x}/{y}.png")
        pictures += f" https://{host}"
    hashes = " ".join(f"'sha256-{_hash(script)}'" for script in scripts)
    return (
        f"default-src 'none'; script-src {hashes}; style-src 'unsafe-inline'; "
        f"img-src {pictures}; connect-src 'none'; base-uri 'none'; form-action 'none'"
    )


def _hash(script: str) -> str:
    return base64.b64encode(hashlib.sha256(script.encode("utf-8")).digest()).decode("ascii")


def _script_safe(script: str) -> str:
    return _CLOSERS.sub(r"\\x3c", _MAP_FILE_NOTE.sub("", script))


@cache
def _library(name: str) -> str:
    return (resources.files("xstatic.pkg.leaflet") / "data" / name).read_text(encoding="utf-8")


@cache
def _page_file(name: str) -> str:
    return (resources.files("geotools.outputs") / "page" / name).read_text(encoding="utf-8")
