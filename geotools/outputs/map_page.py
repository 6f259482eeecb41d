"""Put a folium map, its data and the libraries it needs into one page that asks the network for nothing."""

from __future__ import annotations

import json
import re
from functools import cache
from importlib import resources
from typing import TYPE_CHECKING, Any, NamedTuple
from urllib.parse import urlsplit

from geotools.errors import OutputError
from geotools.outputs.cautions import CAUTIONS, FIRST_CAUTION

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

__all__ = ["LegendGroup", "MapLayer", "embed_json", "render_page"]

_MAP_ID = "lots"
_CLOSERS = re.compile(r"<(?=/script|!--|script)", re.IGNORECASE)
_MAP_FILE_NOTE = re.compile(r"^//[#@] sourceMappingURL=.*$", re.MULTILINE)
_CSS_ADDRESS = re.compile(r"url\([^)]*\)")
_JSON_ESCAPES = str.maketrans(
    {"<": "\\u003c", ">": "\\u003e", "&": "\\u0026", "\u2028": "\\u2028", "\u2029": "\\u2029"}
)
_LIBRARIES = (("xstatic.pkg.jquery", "jquery.min.js"), ("xstatic.pkg.leaflet", "leaflet.js"))
"""What the map library's script calls, in loading order."""


class MapLayer(NamedTuple):
    """One switchable layer of constant style: its id, words, GeoJSON text, style, size, and the table of its cards."""

    id: str
    title: str
    features: str
    style: dict[str, Any]
    size: int
    note: str = ""
    table: str = ""
    shown: bool = True


class LegendGroup(NamedTuple):
    """Layers under one heading of the legend, in the order shown there."""

    title: str
    note: str
    layers: tuple[MapLayer, ...]


def render_page(
    groups: Sequence[LegendGroup],
    draw_order: Sequence[str],
    tables: Mapping[str, Any],
    *,
    bounds_deg: tuple[float, float, float, float],
    title: str,
    summary: str,
    units_note: str,
    tiles: str = "",
    tiles_credit: str = "",
) -> str:
    """Render the whole page as text.

    Parameters
    ----------
    groups : sequence of LegendGroup
        Layers as the legend lists them.
    draw_order : sequence of str
        Ids of all layers, lowest first.
    tables : mapping of str to JSON value
        Fields and rows that the cards show.
    bounds_deg : tuple of float
        West, south, east, north of what must be seen on opening.
    title, summary, units_note : str
        Plain text.
    tiles, tiles_credit : str
        Address template of online tiles and whom to credit for them; without it nothing is asked from the network.

    Returns
    -------
    str
        HTML; the same input gives the same text.

    Raises
    ------
    OutputError
        If the tiles' address is not an https address with {z}, {x} and {y}.

    Examples
    --------
    >>> page = render_page([], [], {}, bounds_deg=(0, 0, 1, 1), title="T", summary="", units_note="")
    >>> page.startswith("<!DOCTYPE html>")
    True
    """
    import jinja2

    layers = {layer.id: layer for group in groups for layer in group.layers}
    environment = jinja2.Environment(
        autoescape=True, trim_blocks=True, lstrip_blocks=True, undefined=jinja2.StrictUndefined
    )
    data = {f"data-{name}": layers[name].features for name in draw_order}
    data["data-tables"] = embed_json(tables)
    map_html, map_script = _render_map([layers[name] for name in draw_order], bounds_deg, tiles, tiles_credit)
    return environment.from_string(_page_file("map.html")).render(
        policy=_policy(tiles),
        title=title,
        summary=summary,
        units_note=units_note,
        tiles_credit=tiles_credit if tiles else "",
        groups=groups,
        cautions=CAUTIONS,
        first_caution=FIRST_CAUTION,
        styles=[_CSS_ADDRESS.sub("none", _library("xstatic.pkg.leaflet", "leaflet.css")), _page_file("map.css")],
        scripts=[*(_script_safe(_library(*library)) for library in _LIBRARIES), _page_file("map.js")],
        data=data,
        map_html=map_html,
        map_script=_script_safe(map_script),
        map_name=f"map_{_MAP_ID}",
        swatch=lambda layer: json.dumps({**layer.style, "kind": _swatch_kind(layer)}, sort_keys=True),
    )


def embed_json(value: Any) -> str:
    r"""Write a value as JSON that can stand inside a script element: no sign that could end it.

    Examples
    --------
    >>> embed_json("</script>")
    '"\\u003c/script\\u003e"'
    """
    text = json.dumps(value, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    return text.translate(_JSON_ESCAPES)


def _render_map(
    layers: Sequence[MapLayer], bounds_deg: tuple[float, float, float, float], tiles: str, tiles_credit: str
) -> tuple[str, str]:
    """Let folium write the map's own element and script, under stable ids and without its network links."""
    import folium
    from branca.element import Figure
    from markupsafe import escape

    west, south, east, north = bounds_deg
    map_ = folium.Map(
        location=[(south + north) / 2, (west + east) / 2],
        tiles=None,
        control_scale=True,
        prefer_canvas=True,
        zoom_control="bottomright",
        attribution_control=False,
        max_zoom=22,
        zoom_snap=0.25,
        zoom_delta=0.5,
    )
    map_._id = _MAP_ID
    map_.default_js, map_.default_css = [], []
    if tiles:
        ground = folium.TileLayer(tiles, attr=str(escape(tiles_credit or "credit not given")), max_zoom=22)
        ground._id = "ground"
        ground.add_to(map_)
    shapes = [_make_shapes(layer) for layer in layers]
    for shape in shapes:
        shape.add_to(map_)
    if shapes:
        map_.keep_in_front(*shapes)
    map_.fit_bounds([[south, west], [north, east]], padding=(16, 16))
    figure = Figure()
    figure.add_child(map_)
    figure.render()
    return figure.html.render(), figure.script.render()


def _make_shapes(layer: MapLayer) -> Any:
    """Make the folium layer that hands one embedded GeoJSON and one style to the page's script."""
    from folium.map import Layer
    from folium.template import Template

    shapes: Any = Layer(name=layer.title, overlay=True, show=layer.shown)
    shapes._name, shapes._id = "Shapes", layer.id
    shapes._template = Template(
        "{% macro script(this, kwargs) %}"
        "var {{ this.get_name() }} = lotMap.makeShapes({{ this.spec|tojson }});"
        "{% endmacro %}"
    )
    shapes.spec = {"id": layer.id, "table": layer.table, "title": layer.title, "style": layer.style}
    return shapes


def _swatch_kind(layer: MapLayer) -> str:
    if "shape" in layer.style:
        return str(layer.style["shape"])
    return "line" if layer.style.get("fill") is False else "area"


def _policy(tiles: str) -> str:
    """Allow what stands in the page, pictures made in it, and the tiles' host when there is one: nothing else."""
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
    return (
        "default-src 'none'; script-src 'unsafe-inline'; style-src 'unsafe-inline'; "
        f"img-src {pictures}; base-uri 'none'; form-action 'none'"
    )


def _script_safe(script: str) -> str:
    return _CLOSERS.sub(r"\\x3c", _MAP_FILE_NOTE.sub("", script))


@cache
def _library(package: str, name: str) -> str:
    return (resources.files(package) / "data" / name).read_text(encoding="utf-8")


@cache
def _page_file(name: str) -> str:
    return (resources.files("geotools.outputs") / "page" / name).read_text(encoding="utf-8")
