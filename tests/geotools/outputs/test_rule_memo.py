"""The memo: figures, sources with their status, cautions, as PDF and as Markdown."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pypdf
import pytest
from shapely import box

from geotools.errors import OutputError
from geotools.outputs.cautions import CAUTIONS
from geotools.outputs.report import Part, write_markdown, write_report
from geotools.outputs.rule_memo import write_rule_memo

if TYPE_CHECKING:
    from pathlib import Path

INCH_M = 0.0254


def judged(count: int = 3, **columns: Any) -> gpd.GeoDataFrame:
    table = {
        "parcel_id": [f"{number:03}" for number in range(count)], "rule_file": "", "needs_line": True,
        "places": "side, rear", "needed_height_m": 36 * INCH_M, "allowed_height_m": 24 * INCH_M, "passes": False,
        "conflicts": "side and rear: 36 in is needed, 24 in is allowed",
    }  # fmt: skip
    return gpd.GeoDataFrame({**table, **columns}, geometry=[box(0, 0, 1, 1)] * count, crs=26912)


def pdf_text(path: Path) -> str:
    return " ".join(" ".join(page.extract_text() for page in pypdf.PdfReader(path).pages).split())


def test_memo_asks_with_figures_sources_and_cautions(tmp_path: Path) -> None:
    shares = pd.DataFrame(
        {"species": "Crotalus atrox", "height_in": [24.0, 36.0], "share_excluded_pct": [75.5, 100.0],
         "mean_status": "derived", "sd_status": "assumed"}
    )  # fmt: skip
    write_rule_memo(judged(), None, shares, path=tmp_path / "memo.pdf", title="Bench", date_of_data="2026-11")
    for text in (pdf_text(tmp_path / "memo.pdf"), (tmp_path / "memo.md").read_text(encoding="utf-8")):
        for wanted in (
            "animals up to 36 in long", "asks for 36 in", "3 of the 3 lots", "invented", "76 %",
            "Lillywhite et al. 2000", "published, text read", "common practice", "A.R.S. 36-1681", "2026-11",
        ):  # fmt: skip
            assert wanted in text, wanted
        assert all(caution in text for caution in CAUTIONS)


def test_memo_of_a_good_rule_asks_for_nothing(tmp_path: Path) -> None:
    write_rule_memo(judged(passes=True, conflicts=""), path=tmp_path / "memo.pdf")
    assert "Nothing needs to change" in pdf_text(tmp_path / "memo.pdf")


def test_long_memo_turns_pages_and_counts_what_is_left_out(tmp_path: Path) -> None:
    write_rule_memo(judged(200, allowed_height_m=np.nan), path=tmp_path / "memo.pdf", units="metric")
    text = pdf_text(tmp_path / "memo.pdf")
    assert "And 140 more lots." in text
    assert "914 mm" in text
    assert len(pypdf.PdfReader(tmp_path / "memo.pdf").pages) > 2


def test_hostile_text_is_text_in_both(tmp_path: Path) -> None:
    write_rule_memo(judged(1, conflicts="=cmd|' /C' \x07<script>*x*</script>\n# no"), path=tmp_path / "memo.pdf")
    markdown = (tmp_path / "memo.md").read_text(encoding="utf-8")
    assert "<script>" not in markdown
    assert r"\<script\>\*x\*" in markdown
    assert "\x07" not in markdown
    assert "=cmd|' /C' <script>" in pdf_text(tmp_path / "memo.pdf")


def test_same_bytes_twice(tmp_path: Path) -> None:
    for name in ("a", "b"):
        write_rule_memo(judged(), path=tmp_path / f"{name}.pdf")
    assert (tmp_path / "a.pdf").read_bytes() == (tmp_path / "b.pdf").read_bytes()


def test_markdown_escapes_what_would_be_markup() -> None:
    text = write_markdown([Part("text", "1. not a list"), Part("list", items=["- a", "25.5 ft"])])
    assert text == "1\\. not a list\n\n- \\- a\n- 25.5 ft\n"


def test_a_folder_that_is_not_there_is_refused(tmp_path: Path) -> None:
    with pytest.raises(OutputError, match="can't be written"):
        write_report([Part("title", "A")], tmp_path / "no" / "a.pdf")
