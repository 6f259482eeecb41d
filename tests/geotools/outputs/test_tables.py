"""The specs as text and as a workbook, read back with other libraries."""

from __future__ import annotations

import json
import zipfile

import numpy as np
import openpyxl
import pandas as pd
import pytest

from geotools.errors import OutputError
from geotools.outputs.cautions import CAUTIONS
from geotools.outputs.tables import write_specs_table, write_specs_workbook

pytestmark = pytest.mark.filterwarnings("ignore:the costs of the lots are left blank")


@pytest.fixture
def specs(town):
    return pd.DataFrame(town.lots.drop(columns="geometry"))


def test_csv_holds_every_lot_in_order(specs, tmp_path):
    path = tmp_path / "specs.csv"
    write_specs_table(specs, path=path)
    read = pd.read_csv(path, dtype={"parcel_id": str})
    assert len(read) == len(specs)
    assert read["parcel_id"][:3].tolist() == ["00100", "00101", "00102"]
    np.testing.assert_allclose(read["length_ft"], specs["length_m"] / 0.3048, atol=0.05 + 1e-9)  # shown to 0.1 ft
    assert read["cost_low"].isna().all()
    assert read["height_in"].dropna().unique().tolist() == [36.0]
    assert read["verdict"].tolist() == specs["verdict"].tolist()


def test_csv_is_rfc_4180_in_utf_8(specs, tmp_path):
    path = tmp_path / "specs.csv"
    write_specs_table(specs.assign(reason='peña, "quoted"\nsecond line'), path=path)
    content = path.read_bytes()
    assert content.count(b"\n") == content.count(b"\r\n") == len(specs) + 1
    assert 'peña, ""quoted"" second line"'.encode() in content


@pytest.mark.parametrize("start", ["=1+1", "+1", "-1", "@x", "\t=1", " =1", "\r=1", "\uff1d1"])
def test_csv_text_is_never_a_formula(specs, tmp_path, start):
    path = tmp_path / "specs.csv"
    specs = specs.assign(points_cover=-1.5)
    specs.loc[0, "parcel_id"] = start
    write_specs_table(specs, path=path)
    read = pd.read_csv(path, dtype=str)
    assert read["parcel_id"][0] == "'" + start.replace("\t", " ").replace("\r", " ")
    assert read["points_cover"][0] == "-1.5"


def test_schema_describes_each_column_of_the_csv(specs, tmp_path):
    path = tmp_path / "specs.csv"
    write_specs_table(specs, path=path, units="metric")
    schema = json.loads((tmp_path / "specs.schema.json").read_text(encoding="utf-8"))
    read = pd.read_csv(path)
    assert [field["name"] for field in schema["fields"]] == list(read.columns)
    assert {field["name"]: field["type"] for field in schema["fields"]}["posts"] == "integer"
    assert all(field["description"] and field["type"] for field in schema["fields"])
    told = {field["name"]: field["description"] for field in schema["fields"]}
    assert told["roll_width_mm"].endswith("Unit: millimetres. Blank where no new line is built on the lot.")
    assert "Blank" not in told["verdict"]
    assert set(read["verdict"]) <= set(schema["fields"][3]["constraints"]["enum"])
    assert read["height_mm"].dropna().unique().tolist() == [914.4]


def test_workbook_is_read_back_whole(specs, tmp_path):
    path = tmp_path / "specs.xlsx"
    write_specs_workbook(specs, path=path)
    book = openpyxl.load_workbook(path)
    assert book.sheetnames == ["Lots", "What the columns mean", "Cautions"]
    sheet = book["Lots"]
    rows = list(sheet.iter_rows(values_only=True))
    assert len(rows) == len(specs) + 1
    assert rows[0][6:8] == ("Length (feet)", "Height (inches)")
    assert [row[0] for row in rows[1:]] == specs["parcel_id"].tolist()
    assert [row[3] for row in rows[1:]] == specs["verdict"].tolist()
    built = int(np.flatnonzero(specs["height_m"].notna())[0])
    assert rows[built + 1][7] == 36
    assert rows[built + 1][16] is None
    assert sheet.freeze_panes == "B2"
    assert sheet.auto_filter.ref.startswith("A1:")
    assert sheet.cell(built + 2, 8).number_format == "#,##0.00"
    assert sheet["A1"].alignment.wrap_text
    assert [row[0].value for row in book["Cautions"].iter_rows(min_row=2)] == list(CAUTIONS)
    assert book["What the columns mean"].max_row == len(rows[0]) + 1


def test_workbook_prints_the_spec_with_its_caution(specs, tmp_path):
    write_specs_workbook(specs, path=tmp_path / "specs.xlsx")
    sheet = openpyxl.load_workbook(tmp_path / "specs.xlsx")["Lots"]
    assert sheet.print_area == f"'Lots'!$A$1:$S${len(specs) + 1}"  # the 19 columns that are always there
    assert "No barrier is a guarantee" in sheet.oddFooter.left.text


def test_workbook_text_is_never_a_formula_or_link(specs, town, tmp_path):
    path = tmp_path / "specs.xlsx"
    specs.loc[1, "parcel_id"] = "https://invalid/"
    write_specs_workbook(specs, path=path)
    sheet = openpyxl.load_workbook(path)["Lots"]
    cells = [row[0] for row in sheet.iter_rows(min_row=2)]
    assert {cell.data_type for cell in cells} == {"s"}
    assert town.hostile_ids[0] in [cell.value for cell in cells]
    assert all(cell.hyperlink is None for cell in cells)
    with zipfile.ZipFile(path) as parts:
        assert b"<f>" not in parts.read("xl/worksheets/sheet1.xml")


@pytest.mark.parametrize(("write", "name"), [(write_specs_table, "specs.csv"), (write_specs_workbook, "specs.xlsx")])
def test_same_input_gives_same_bytes(specs, tmp_path, write, name):
    contents = set()
    for run in ("first", "second"):
        (tmp_path / run).mkdir()
        write(specs, path=tmp_path / run / name)
        contents.add((tmp_path / run / name).read_bytes())
    assert len(contents) == 1


@pytest.mark.parametrize("write", [write_specs_table, write_specs_workbook])
def test_a_folder_that_is_not_there_is_named(specs, tmp_path, write):
    with pytest.raises(OutputError, match="nowhere"):
        write(specs, path=tmp_path / "nowhere" / "specs.file")


@pytest.mark.parametrize("write", [write_specs_table, write_specs_workbook])
def test_no_lots_give_a_table_with_a_head_alone(specs, tmp_path, write):
    path = tmp_path / "specs.out"
    write(specs.iloc[:0], path=path)
    assert path.stat().st_size > 0
