"""Look into an archive before anything is unpacked: what is in it, how large it gets, and that nothing leaves it."""

from __future__ import annotations

import io
import stat
import zipfile
import zlib
from contextlib import contextmanager
from pathlib import Path, PurePosixPath
from typing import IO, TYPE_CHECKING

from geotools.errors import LayerError

if TYPE_CHECKING:
    from collections.abc import Iterator

__all__ = ["UNPACKED_LIMIT_GB", "check_archive", "data_in_archive", "open_member"]

UNPACKED_LIMIT_GB = 20.0
"""Gigabytes (1e9 bytes) that an archive may unpack to (assumption of this project: ten counties' parcels)."""

_DATA_SUFFIXES = (".shp", ".gpkg", ".geojson", ".json", ".fgb", ".gdb")
_ENCRYPTED = 0x1


def check_archive(path: Path, *, where: str, limit_gb: float = UNPACKED_LIMIT_GB) -> list[str]:
    """List an archive's members after checking its directory; nothing is unpacked.

    Parameters
    ----------
    path : pathlib.Path
    where : str
        The source, for messages.
    limit_gb : float
        Gigabytes that all members together may unpack to.

    Returns
    -------
    list of str
        Names of members.

    Raises
    ------
    LayerError
        If it is damaged or locked, gets too large, or a member is a link, lies over another, or leaves the archive.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     path = Path(folder, "a.zip")
    ...     with zipfile.ZipFile(path, "w") as archive:
    ...         archive.writestr("lots.geojson", "{}")
    ...     check_archive(path, where="a.zip")
    ['lots.geojson']
    """
    try:
        with zipfile.ZipFile(path) as archive:
            members = archive.infolist()
    except (zipfile.BadZipFile, NotImplementedError, ValueError):
        raise LayerError("the archive is damaged", where=where, mend="zip it again") from None
    for member in members:
        name = member.filename
        parts = PurePosixPath(name.replace("\\", "/")).parts
        if name.startswith(("/", "\\")) or ".." in parts or ":" in (parts or ("",))[0]:
            raise LayerError(f"its member {name[:80]!r} would lie outside of it", where=where, mend="zip it again")
        if stat.S_ISLNK(member.external_attr >> 16):
            raise LayerError(
                f"its member {name[:80]!r} is a link to another file", where=where, mend="zip the file itself"
            )
        if member.flag_bits & _ENCRYPTED:
            raise LayerError(f"its member {name[:80]!r} is locked", where=where, mend="zip it without a password")
    unpacked_gb = sum(member.file_size for member in members) / 1e9
    if unpacked_gb > limit_gb:
        raise LayerError(
            f"it unpacks to {unpacked_gb:,.3g} GB, more than {limit_gb:g} GB",
            where=where,
            mend="unpack it yourself and name the file, or raise unpacked_limit_gb among the layer's options",
        )
    if sum(member.compress_size for member in members) > path.stat().st_size:
        raise LayerError("its members lie over each other", where=where, mend="zip it again")
    return [member.filename for member in members]


def data_in_archive(names: list[str], *, where: str) -> list[str]:
    """Pick the members (or folders) that hold spatial data.

    Raises
    ------
    LayerError
        If there are none.

    Examples
    --------
    >>> data_in_archive(["a/lots.shp", "a/lots.dbf", "town.gdb/a0001.gdbtable"], where="a.zip")
    ['a/lots.shp', 'town.gdb']
    """
    plain = {name.rstrip("/") for name in names}
    folders = {str(parent) for name in plain for parent in PurePosixPath(name).parents}
    wanted = (name for name in plain | folders if name.lower().endswith(_DATA_SUFFIXES))
    inside = sorted(name for name in wanted if "__MACOSX" not in name)
    if not inside:
        raise LayerError("there is no spatial data in the archive", where=where, mend="zip it again")
    return inside


@contextmanager
def open_member(path: Path, name: str) -> Iterator[IO[bytes]]:
    """Open a member to read its bytes; a folder has none.

    Raises
    ------
    LayerError
        If the member is damaged.
    """
    try:
        with zipfile.ZipFile(path) as archive:
            if name not in archive.namelist():
                yield io.BytesIO()
                return
            with archive.open(name) as member:
                yield member
    except (zipfile.BadZipFile, NotImplementedError, EOFError, zlib.error):
        raise LayerError(f"its member {name[:80]!r} is damaged", where=str(path), mend="zip it again") from None
