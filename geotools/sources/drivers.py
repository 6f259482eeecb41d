"""Say which kinds of data are opened, and refuse those that reach other files or hosts unless they are asked for."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, NamedTuple

from geotools.errors import LayerError, RasterError

if TYPE_CHECKING:
    from typing import IO

    from geotools.errors import GeotoolsError

__all__ = ["HEAD_BYTES", "Kind", "check_driver", "check_json", "check_text", "raster_kind", "vector_kind"]

HEAD_BYTES = 65_536
"""How much of a file tells its kind: more than any driver looks at (assumption of this project)."""


_CHUNK_BYTES = 16 * 1024 * 1024


class Kind(NamedTuple):
    """A kind of file: its name, the drivers that may open it, how it begins, or else how its name ends."""

    name: str
    drivers: tuple[str, ...]
    begins: tuple[bytes, ...] = ()
    suffixes: tuple[str, ...] = ()


_VECTOR = (
    Kind("GeoPackage or SQLite", ("GPKG", "SQLite"), (b"SQLite format 3\0",)),
    Kind("shapefile", ("ESRI Shapefile",), (b"\0\0\x27\x0a",)),
    Kind("FlatGeobuf", ("FlatGeobuf",), (b"fgb",)),
    Kind("GeoParquet", ("Parquet",), (b"PAR1",)),
    Kind("JSON", ("GeoJSON", "GeoJSONSeq", "ESRIJSON", "TopoJSON", "JSONFG"), (b"{", b"[", b"\x1e")),
    Kind("GPX", ("GPX",), (b"<gpx",)),
    Kind("KML", ("KML", "LIBKML"), (b"<kml",)),
    Kind("file geodatabase", ("OpenFileGDB",), suffixes=(".gdb",)),
    Kind("CSV", ("CSV",), suffixes=(".csv",)),
    Kind("DXF", ("DXF",), suffixes=(".dxf",)),
)
_RASTER = (
    Kind("GeoTIFF", ("GTiff",), (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+")),
    Kind("PNG", ("PNG",), (b"\x89PNG",)),
    Kind("JPEG 2000", ("JP2OpenJPEG",), (b"\0\0\0\x0cjP", b"\xffO\xffQ")),
    Kind("netCDF", ("netCDF",), (b"CDF", b"\x89HDF")),
    Kind("IMG", ("HFA",), (b"EHFA_HEADER_TAG",)),
    Kind("GeoPackage", ("GPKG",), (b"SQLite format 3\0",)),
    Kind("ASCII grid", ("AAIGrid",), suffixes=(".asc",)),
    Kind("flat binary grid", ("EHdr",), suffixes=(".bil", ".flt")),
    Kind("DEM", ("USGSDEM",), suffixes=(".dem",)),
)
_PREAMBLE = re.compile(rb"(?:\s|\xef\xbb\xbf|<\?.*?\?>|<!--.*?-->|<!DOCTYPE[^>\[]*>)*", re.DOTALL)
"""What may stand before the first element of XML, or the first bracket of JSON."""

_REMOTE_CRS = re.compile(
    rb'"(?:crs|[^"\s]*\\u00[2-7][^"\s]*)"\s*:\s*\{(?:[^{}]|\{[^{}]*\})*?(?:"(?:link|url)"|\\u00[2-7])', re.IGNORECASE
)
"""A CRS given as an address; letters written as numbers are read as well, which no honest writer does."""

_VIRTUAL_JSON = (b"gdal_streamed_alg", b"gdal_virtual", b'"STACIT', b'"STACTA')
_DRIVER_TEXT = re.compile(r"/vsi|<|\w{2,}:(?!\\)", re.IGNORECASE)
_MEND = "export it as a GeoPackage; or, if you trust it and all that it points to, ask for its driver: "


def check_text(text: str) -> None:
    """Refuse a source that is no path but a command to a driver: a virtual path, a connection text, XML.

    Raises
    ------
    LayerError
        Saying what to write instead.

    Examples
    --------
    >>> check_text("lots.gpkg")
    >>> check_text("WFS:https://example.org")
    Traceback (most recent call last):
    geotools.errors.LayerError: WFS:...: the source is a virtual path or a driver's connection text, ...
    """
    found = _DRIVER_TEXT.match(text.strip())
    if found:
        raise LayerError(
            "the source is a virtual path or a driver's connection text, which can reach any file or host",
            where=f"{found.group()}...",
            mend="name a file on disk, an address (https://, s3://, gs://, az://) or a database URL",
        )


def vector_kind(head: bytes, name: str, *, where: str) -> Kind:
    """Tell a vector file's kind by how it begins, or else by how its name ends.

    Parameters
    ----------
    head : bytes
        Its first bytes, up to `HEAD_BYTES`.
    name : str
        The file's name.
    where : str
        The source, for messages.

    Raises
    ------
    LayerError
        If it is of no kind that is read, or points to other files or hosts.

    Examples
    --------
    >>> vector_kind(b'{"type": "FeatureCollection"}', "lots.geojson", where="lots.geojson").name
    'JSON'
    """
    return _kind(head, name, _VECTOR, where, LayerError)


def check_json(stream: IO[bytes], *, where: str) -> None:
    """Refuse JSON whose CRS is an address on the network, which its driver would fetch.

    Raises
    ------
    LayerError
        Saying so.

    Examples
    --------
    >>> import io
    >>> check_json(io.BytesIO(b'{"crs": {"type": "name"}}'), where="lots.geojson")
    """
    kept = b""
    while read := stream.read(_CHUNK_BYTES):
        chunk = kept + read
        if _REMOTE_CRS.search(chunk):
            raise LayerError(
                "its CRS is an address on the network, which would be fetched",
                where=where,
                mend="export it in longitude and latitude, without a crs member",
            )
        kept = chunk[-HEAD_BYTES:]


def raster_kind(head: bytes, name: str, *, where: str) -> Kind:
    r"""Tell a raster file's kind, as `vector_kind` does.

    Raises
    ------
    RasterError
        If it is of no kind that is read, or points to other files or hosts.

    Examples
    --------
    >>> raster_kind(b"II*", "dem.tif", where="dem.tif").drivers
    Traceback (most recent call last):
    geotools.errors.RasterError: dem.tif: it can't be opened (it is of no kind that is read); ...
    >>> raster_kind(b"II*\0", "dem.tif", where="dem.tif").drivers
    ('GTiff',)
    """
    return _kind(head, name, _RASTER, where, RasterError)


def check_driver(driver: str, kind: Kind, *, where: str) -> None:
    """Refuse a file that another driver has opened than those of its kind.

    Raises
    ------
    LayerError
        Naming the driver.

    Examples
    --------
    >>> check_driver("GPKG", Kind("GeoPackage", ("GPKG",)), where="lots.gpkg")
    """
    if driver not in kind.drivers:
        raise LayerError(
            f"it looks like {kind.name}, but opens as {driver}, which is not read unless asked for",
            where=where,
            mend=f"{_MEND}driver = {driver!r} among the layer's options",
        )


def _kind(head: bytes, name: str, kinds: tuple[Kind, ...], where: str, error: type[GeotoolsError]) -> Kind:
    plain = head[_end(_PREAMBLE, head) :]
    for kind in kinds:
        if any(head.startswith(sign) or plain[: len(sign)].lower() == sign for sign in kind.begins):
            if plain[:1] in (b"{", b"[") and any(sign in head for sign in _VIRTUAL_JSON):
                break
            return kind
    element = re.match(rb"<([\w:.-]{1,60})", plain)
    if element or plain[:1] in (b"{", b"[", b"<"):
        what = element.group(1).decode() if element else "a list of commands"
        raise error(
            f"it is no data of its own but text that may point to other files or hosts ({what})",
            where=where,
            mend=f"{_MEND}driver = 'NAME' among the layer's options",
        )
    for kind in kinds:
        if name.lower().endswith(kind.suffixes or ("\0",)):
            return kind
    names = ", ".join(kind.name for kind in kinds)
    raise error(
        "it can't be opened (it is of no kind that is read)",
        where=where,
        mend=f"check that the file is whole; these are read: {names}; another driver on request: driver = 'NAME'",
    )


def _end(pattern: re.Pattern[bytes], text: bytes) -> int:
    found = pattern.match(text)
    return found.end() if found else 0
