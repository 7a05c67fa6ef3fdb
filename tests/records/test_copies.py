"""Copies: the marked one, the repaired one, the template, and text that a spreadsheet would run."""

import csv

import pandas as pd
import pytest
from openpyxl import load_workbook

import truechange as tc
from truechange.records.copies import inert_cell, inert_frame, write_marked, write_repaired, write_template
from truechange.records.rules import COLUMNS, TABLES

HEADER = "Patient,Visit date,Occasion,Test,Score,Result,Comments\n"
ROWS = (
    "P001,06.01.2025,pre,TUG,\"11,5\",,=1+1\n"
    "P001,07.04.2025,post,TUG,fast,,\n"
    "P002,2025-01-06,baseline,TUG,700,,\n"
    "P002,2025-04-07,discharge,TUG,unable,,\n"
    "P003,2025-01-06,baseline,TUG,65,,\n"
)  # fmt: skip


@pytest.fixture
def untidy(tmp_path):
    place = tmp_path / "assessments.csv"
    place.write_text(HEADER.replace("Visit date", "Test date") + ROWS, encoding="utf-8")
    return place


def as_workbook(place):
    from openpyxl import Workbook

    book = Workbook()
    book.active.title = "assessments"
    for row in csv.reader(place.read_text(encoding="utf-8").splitlines()):
        book.active.append(row)
    book.save(place.with_suffix(".xlsx"))
    return place.with_suffix(".xlsx")


@pytest.mark.parametrize("kind", ["csv", "xlsx"])
def test_cells_are_coloured_and_commented_and_the_original_is_untouched(untidy, tmp_path, kind):
    place = untidy if kind == "csv" else as_workbook(untidy)
    original = place.read_bytes()
    records = tc.read(place)
    write_marked(place, records, tmp_path / "marked.xlsx")
    assert place.read_bytes() == original
    sheet = load_workbook(tmp_path / "marked.xlsx")["assessments"]
    marked = {cell.coordinate: cell for row in sheet for cell in row if cell.comment}
    assert set(marked) == {"E3", "E4", "E6"}
    assert "not a number" in marked["E3"].comment.text
    assert marked["E3"].fill.start_color.rgb == marked["E4"].fill.start_color.rgb
    assert marked["E3"].fill.start_color.rgb != marked["E6"].fill.start_color.rgb  # an error and a warning
    assert sheet["G2"].data_type != "f"
    listed = load_workbook(tmp_path / "marked.xlsx")["what was found"]
    assert listed.max_row == 1 + len(records.problems)


def test_the_marked_copy_reads_like_the_original(untidy, tmp_path):
    place = as_workbook(untidy)
    records = tc.read(place)
    again = tc.read(write_marked(place, records, tmp_path / "marked.xlsx"))
    pd.testing.assert_frame_equal(again.assessments, records.assessments)


@pytest.mark.parametrize("write", [write_marked, write_repaired])
def test_the_original_is_never_written_over(untidy, write):
    place = as_workbook(untidy)
    records = tc.read(place)
    with pytest.raises(tc.ChoiceError, match="is the original"):
        write(place, records, place)


def test_names_are_withheld_in_the_marked_copy(untidy, tmp_path):
    text = untidy.read_text().replace("P001", "Ada Lovelace").replace("Comments", "Surname").replace("=1+1", "Lovelace")
    untidy.write_text(text)
    key = tmp_path / "key"
    records = tc.read(untidy, pseudonyms=key)
    write_marked(untidy, records, tmp_path / "marked.xlsx", pseudonyms=key)
    book = load_workbook(tmp_path / "marked.xlsx")
    cells = [
        str(cell.value) + (cell.comment.text if cell.comment else "") for sheet in book for row in sheet for cell in row
    ]
    assert not any("Lovelace" in text for text in cells)
    assert book["assessments"]["A2"].value == records.assessments.loc[0, "person"]


def test_a_cell_in_a_merged_area_is_marked_at_its_corner(untidy, tmp_path):
    place = as_workbook(untidy)
    book = load_workbook(place)
    book.active.merge_cells("D3:E3")
    book.save(place)
    records = tc.read(place)
    sheet = load_workbook(write_marked(place, records, tmp_path / "marked.xlsx"))["assessments"]
    assert sheet["D3"].comment is not None


@pytest.mark.parametrize("kind", ["csv", "xlsx"])
def test_safe_repairs_lose_nothing_and_are_listed(untidy, tmp_path, kind):
    place = untidy if kind == "csv" else as_workbook(untidy)
    records = tc.read(place)
    made = write_repaired(place, records, tmp_path / f"repaired.{kind}")
    assert ["Score", "11,5", "11.5"] in made[["column", "value", "repair"]].values.tolist()
    again = tc.read(tmp_path / f"repaired.{kind}")
    pd.testing.assert_frame_equal(again.assessments, records.assessments)
    for before, after in zip(
        *(held.problems.query("severity != 'note'").values.tolist() for held in (records, again)), strict=True
    ):
        assert before[1:] == after[1:]  # the sheet of a text file is called by the file
    assert set(again.problems["kind"]).isdisjoint({"decimal_comma", "date_converted", "word_read", "status_in_value"})


def test_repairs_need_one_file(tmp_path):
    with pytest.raises(tc.ChoiceError, match="one workbook or one text file"):
        write_repaired(tmp_path, None, tmp_path / "x.csv")


# ---- the template ----------------------------------------------------------------------------------------------------
def test_the_template_holds_every_declared_column_and_reads_as_empty(tmp_path):
    place = write_template(tmp_path / "new.xlsx")
    book = load_workbook(place)
    for table in TABLES:
        sheet = book[table]
        assert [cell.value for cell in sheet[1]] == list(COLUMNS[table])
        assert all(cell.comment and cell.protection.locked for cell in sheet[1])
        assert sheet["A2"].value == "EXAMPLE"
        assert sheet.protection.sheet
        assert not sheet.column_dimensions["A"].protection.locked
    records = tc.read(place)
    assert not records.needs_a_person
    assert records.ledger.rows_used == 0
    assert dict(records.ledger.set_aside.values.tolist()) == {"example row of the template": 4}


def test_the_template_offers_only_what_the_reader_understands(tmp_path):
    sheet = load_workbook(write_template(tmp_path / "new.xlsx"))["assessments"]
    rules = {str(rule.sqref)[0]: rule for rule in sheet.data_validations.dataValidation}
    assert rules["H"].formula1 == '"measured,unable,refused,not_done"'
    tests = load_workbook(tmp_path / "new.xlsx")["read me"]
    first, last = (int(part.split("$")[-1]) for part in rules["D"].formula1.split(":"))
    assert [tests.cell(row, 1).value for row in range(first, last + 1)] == list(tc.list_measures().index)
    assert all(len(rule.formula1) <= 255 for rule in rules.values())  # what a spreadsheet allows in a list


def test_the_example_row_would_be_good_data(tmp_path):
    place = write_template(tmp_path / "new.xlsx")
    book = load_workbook(place)
    for table in TABLES:
        book[table]["A2"] = "P001"
    book.save(place)
    records = tc.read(place)
    assert not records.needs_a_person, records.problems.to_string()
    assert records.ledger.rows_used == 4


@pytest.mark.parametrize(("name", "words"), [("a.csv", "ends in .xlsx"), ("there.xlsx", "exists already")])
def test_the_template_overwrites_nothing(tmp_path, name, words):
    (tmp_path / "there.xlsx").touch()
    with pytest.raises(tc.ChoiceError, match=words):
        write_template(tmp_path / name)


# ---- inert text ------------------------------------------------------------------------------------------------------
@pytest.mark.parametrize("text", ["=1+1", "+cmd|' /C calc'!A0", "-2+3", "@SUM(A1)", "\t=1", "  =1", "\r=1", "＝1+1"])
def test_text_that_a_spreadsheet_would_run_is_made_inert(text):
    assert inert_cell(text).startswith("'")


@pytest.mark.parametrize("value", ["knee", "-3.5", "+2", -3.5, None, 7, pd.Timestamp("2025-01-06"), "a=b", ""])
def test_other_values_pass(value):
    assert inert_cell(value) is value or inert_cell(value) == value


def test_control_characters_are_dropped():
    assert inert_cell("a\x00b\x1f") == "ab"


def test_a_frame_is_made_inert_in_cells_headings_and_index():
    frame = pd.DataFrame({"=x": ["=1", "ok"], "n": [-1.0, 2.0]}, index=["@a", "b"])
    safe = inert_frame(frame)
    assert safe.columns.tolist() == ["'=x", "n"]
    assert safe.index.tolist() == ["'@a", "b"]
    assert safe.iloc[0, 0] == "'=1"
    assert safe["n"].tolist() == [-1.0, 2.0]
    assert frame.columns[0] == "=x"
