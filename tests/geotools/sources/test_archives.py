"""An archive is looked through before anything of it is unpacked."""

from __future__ import annotations

import stat
import zipfile
from typing import TYPE_CHECKING

import pytest
from lot_samples import layer, square

from geotools.errors import LayerError
from geotools.layers import read_inputs
from geotools.sources.archives import check_archive

if TYPE_CHECKING:
    from pathlib import Path

LOTS = layer([square(0, 0), square(20, 0)], parcel_id=["1", "2"])


def pack(path: Path, *members: tuple[str | zipfile.ZipInfo, bytes]) -> Path:
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in members:
            archive.writestr(name, content, compress_type=zipfile.ZIP_DEFLATED)
    return path


def test_an_archive_that_unpacks_to_too_much_is_refused_by_its_directory(tmp_path):
    big = pack(tmp_path / "big.zip", ("lots.geojson", b" " * 30_000_000))
    assert big.stat().st_size < 100_000
    source = {"parcels": str(big)}
    with pytest.raises(LayerError, match=r"unpacks to 0\.03 GB, more than 0\.02 GB") as caught:
        read_inputs(source, options={"parcels": {"unpacked_limit_gb": 0.02}})
    assert "unpacked_limit_gb" in caught.value.mend
    with pytest.raises(LayerError, match="'much' is no number"):
        read_inputs(source, options={"parcels": {"unpacked_limit_gb": "much"}})
    assert check_archive(big, where="big.zip") == ["lots.geojson"]


def test_a_directory_that_claims_terabytes_is_believed(tmp_path):
    """Sizes are read, nothing is unpacked: the claim alone is enough."""
    path = pack(tmp_path / "claim.zip", ("lots.geojson", b"{}"))
    with zipfile.ZipFile(path, "a") as archive:
        archive.getinfo("lots.geojson").file_size = 4_000_000_000
        archive.comment = b"changed, so that the directory is written again"
    with pytest.raises(LayerError, match=r"unpacks to 4 GB, more than 1 GB"):
        check_archive(path, where="claim.zip", limit_gb=1)


def test_members_that_lie_over_each_other(tmp_path):
    path = pack(tmp_path / "over.zip", ("a.geojson", b"".join(b"%d" % n for n in range(5000))))
    with zipfile.ZipFile(path, "a") as archive:
        one = archive.getinfo("a.geojson")
        for number in range(30):
            again = zipfile.ZipInfo(f"b{number}.geojson")
            again.header_offset, again.compress_size, again.file_size = 0, one.compress_size, one.file_size
            again.CRC, again.compress_type = one.CRC, one.compress_type
            archive.filelist.append(again)
        archive.comment = b"changed"
    with pytest.raises(LayerError, match="lie over each other"):
        check_archive(path, where="over.zip")


@pytest.mark.parametrize(
    "name", ["../lots.geojson", "a/../../lots.geojson", "/etc/lots.geojson", "..\\lots.geojson", "C:\\lots.geojson"]
)
def test_members_that_leave_the_archive(tmp_path, name):
    path = pack(tmp_path / "out.zip", (name, b"{}"))
    with pytest.raises(LayerError, match="would lie outside"):
        read_inputs({"parcels": str(path)})


def test_members_that_are_links(tmp_path):
    link = zipfile.ZipInfo("lots.geojson")
    link.create_system = 3
    link.external_attr = (stat.S_IFLNK | 0o777) << 16
    path = pack(tmp_path / "link.zip", (link, b"/etc/passwd"))
    with pytest.raises(LayerError, match="is a link to another file"):
        read_inputs({"parcels": str(path)})


def test_locked_and_damaged_members(tmp_path):
    path = pack(tmp_path / "locked.zip", ("lots.geojson", b"{}" * 500))
    content = bytearray(path.read_bytes())
    at = content.index(b"PK\x01\x02")
    content[at + 8] |= 1
    path.write_bytes(content)
    with pytest.raises(LayerError, match="is locked"):
        check_archive(path, where="locked.zip")
    path = pack(tmp_path / "damaged.zip", ("lots.geojson", bytes(range(256)) * 40))
    content = bytearray(path.read_bytes())
    content[45:60] = b"\xff" * 15
    path.write_bytes(content)
    with pytest.raises(LayerError, match="damaged"):
        read_inputs({"parcels": str(path)})


def test_virtual_texts_in_an_archive_are_refused(tmp_path):
    LOTS.to_file(tmp_path / "lots.gpkg")
    text = f'<OGRVRTDataSource><OGRVRTLayer name="a"><SrcDataSource>{tmp_path}/lots.gpkg</SrcDataSource></OGRVRTLayer>'
    path = pack(tmp_path / "virtual.zip", ("lots.gpkg", f"{text}</OGRVRTDataSource>".encode()))
    with pytest.raises(LayerError, match="point to other files"):
        read_inputs({"parcels": str(path)})
    good = pack(tmp_path / "good.zip", ("a/lots.gpkg", (tmp_path / "lots.gpkg").read_bytes()))
    assert len(read_inputs({"parcels": str(good)}).layers["parcels"]) == 2
