"""Reading: what cannot be read is refused with its place and a remedy; what can is the same from any format."""

import gc
import gzip
import re
import time
import zipfile

import pandas as pd
import pytest

import truechange as tc
from truechange.records import rules

HEADER = "person,date,occasion,measure,value,unit,result,seat_height_cm\n"
GOOD = (
    "P001,2025-01-06,baseline,timed_up_and_go,11.5,s,,45\n"
    "P001,2025-04-07,discharge,timed_up_and_go,9.8,s,,45\n"
    "P002,2025-01-07,baseline,timed_up_and_go,14.1,s,,45\n"
    "P002,2025-04-08,discharge,timed_up_and_go,,,unable,45\n"
)


@pytest.fixture
def csv_file(tmp_path):
    def write(rows=GOOD, header=HEADER, name="assessments.csv"):
        place = tmp_path / name
        place.write_text(header + rows, encoding="utf-8")
        return place

    return write


@pytest.fixture
def workbook(tmp_path):
    def write(*, sheet="assessments", before=(), rows=GOOD, header=HEADER, change=lambda book, sheet: None):
        from openpyxl import Workbook

        book = Workbook()
        page = book.active
        page.title = sheet
        for row in before:
            page.append(list(row))
        for line in (header + rows).splitlines():
            page.append([cell or None for cell in line.split(",")])
        change(book, page)
        place = tmp_path / "clinic.xlsx"
        book.save(place)
        return place

    return write


def only(records, kind):
    found = records.problems[records.problems["kind"] == kind]
    assert len(found) == 1, records.problems.to_string()
    return found.iloc[0]


# ---- the file as a whole ---------------------------------------------------------------------------------------------
def test_a_missing_file_says_so(tmp_path):
    with pytest.raises(tc.DataError, match=r"no file .*absent\.xlsx\. Check the name"):
        tc.read(tmp_path / "absent.xlsx")


def test_an_empty_file_says_so(tmp_path):
    (tmp_path / "a.csv").touch()
    with pytest.raises(tc.DataError, match="0 bytes"):
        tc.read(tmp_path / "a.csv")


@pytest.mark.parametrize(
    ("name", "advice"), [("a.xls", "save it as .xlsx"), ("a.pdf", "cannot be read safely"), ("a.zip", "Save it as")]
)
def test_other_kinds_are_refused_with_advice(tmp_path, name, advice):
    (tmp_path / name).write_bytes(b"x")
    with pytest.raises(tc.DataError, match=advice):
        tc.read(tmp_path / name)


def test_a_protected_workbook_is_refused_with_advice(tmp_path):
    (tmp_path / "a.xlsx").write_bytes(b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(4000))
    with pytest.raises(tc.DataError, match="protected by a password"):
        tc.read(tmp_path / "a.xlsx")


@pytest.mark.parametrize("cut", [50, 1000, 3000])
def test_a_damaged_workbook_is_refused_in_words(workbook, cut):
    place = workbook()
    place.write_bytes(place.read_bytes()[:cut])
    with pytest.raises(tc.DataError, match="damaged or not a workbook"):
        tc.read(place)


def test_a_workbook_whose_parts_are_spoilt_is_refused_in_words(workbook, tmp_path):
    place = workbook()
    with zipfile.ZipFile(place) as old:
        parts = {name: old.read(name) for name in old.namelist()}
    for name in ("xl/worksheets/sheet1.xml", "xl/workbook.xml", "[Content_Types].xml"):
        with zipfile.ZipFile(tmp_path / "b.xlsx", "w") as new:
            for part, content in parts.items():
                new.writestr(part, content[: len(content) // 2] if part == name else content)
        with pytest.raises(tc.DataError, match="damaged or not a workbook"):
            tc.read(tmp_path / "b.xlsx")
        gc.collect()  # a file left open would warn here, and warnings are errors


def quickly(act, seconds=10.0):
    start = time.perf_counter()
    act()
    assert time.perf_counter() - start < seconds


def test_a_zip_bomb_is_refused_at_once(tmp_path):
    with zipfile.ZipFile(tmp_path / "bomb.xlsx", "w", zipfile.ZIP_DEFLATED, compresslevel=1) as bomb:
        bomb.writestr("xl/worksheets/sheet1.xml", bytes(70 << 20))

    def act():
        with pytest.raises(tc.DataError, match="unpacks to 70 MB"):
            tc.read(tmp_path / "bomb.xlsx")

    quickly(act)


def test_entities_that_multiply_are_refused(workbook, tmp_path):
    place = workbook()
    tenfold = "".join(f'<!ENTITY l{n} "{f"&l{n - 1};" * 10}">' for n in range(1, 12))
    with zipfile.ZipFile(place) as old, zipfile.ZipFile(tmp_path / "b.xlsx", "w") as new:
        for name in old.namelist():
            content = old.read(name)
            if b">person<" in content:
                head = f'<!DOCTYPE worksheet [<!ENTITY l0 "ha">{tenfold}]>'.encode()
                content = head + content.replace(b">person<", b">&l11;<")
            new.writestr(name, content)
    assert (tmp_path / "b.xlsx").read_bytes() != place.read_bytes()

    def act():
        with pytest.raises(tc.DataError, match="damaged or not a workbook"):
            tc.read(tmp_path / "b.xlsx")

    quickly(act)


def test_a_packed_bomb_is_refused(tmp_path, monkeypatch):
    monkeypatch.setitem(rules.LIMITS, "text_mb", 8)
    (tmp_path / "assessments.csv.gz").write_bytes(gzip.compress(bytes(80 << 20), compresslevel=1))

    def act():
        with pytest.raises(tc.DataError, match="too large to check row by row"):
            tc.read(tmp_path / "assessments.csv.gz")

    quickly(act)


def test_ten_million_rows_are_refused(tmp_path):
    place = tmp_path / "assessments.csv"
    with place.open("wb") as stream:
        stream.write(HEADER.encode())
        for _ in range(100):
            stream.write(b"P,2025-01-01,b,t,1,s,,\n" * 100_000)

    def act():
        with pytest.raises(tc.DataError, match="more than 1,500,000 rows"):
            tc.read(place)

    quickly(act)


def test_a_stray_cell_at_the_end_of_a_sheet_is_refused(workbook):
    def change(book, page):
        page.cell(1_048_576, 16_384, "x")

    with pytest.raises(tc.DataError, match="Delete the empty rows and columns"):
        tc.read(workbook(change=change))


def test_a_folder_without_assessments_says_what_is_looked_for(tmp_path):
    with pytest.raises(tc.DataError, match=r"no assessments\.csv"):
        tc.read(tmp_path)


def test_no_sheet_of_assessments_says_what_was_found(workbook):
    with pytest.raises(tc.DataError, match=r"no sheet of assessments; found Sheet7.*truechange template"):
        tc.read(workbook(sheet="Sheet7", header="a,b,c\n", rows="1,2,3\n"))


def test_two_sheets_for_one_table_are_not_mixed(workbook):
    def change(book, page):
        copy = book.copy_worksheet(page)
        copy.title = "South"

    with pytest.raises(tc.DataError, match="assessments and South both hold assessments"):
        tc.read(workbook(change=change))


def test_a_missing_column_is_named_with_those_there(csv_file):
    with pytest.raises(tc.DataError, match=r"no column for occasion.*It has: person, date, "):
        tc.read(csv_file(header=HEADER.replace("occasion", "blob")))


def test_two_columns_that_mean_the_same_are_refused(csv_file):
    with pytest.raises(tc.DataError, match="“value” and “Score” both read as value"):
        tc.read(csv_file(header=HEADER.replace("unit", "Score")))


def test_a_wrong_word_for_dates_is_a_choice(csv_file):
    with pytest.raises(tc.ChoiceError, match="'day first', 'month first'"):
        tc.read(csv_file(), dates="american")


# ---- the same from any format ----------------------------------------------------------------------------------------
def same(left, right):
    pd.testing.assert_frame_equal(
        left.assessments.drop(columns="source_row"), right.assessments.drop(columns="source_row")
    )


def test_every_format_reads_the_same(csv_file, workbook, tmp_path):
    expected = tc.read(csv_file())
    (tmp_path / "a.csv.gz").write_bytes(gzip.compress(csv_file().read_bytes()))
    (tmp_path / "b.txt").write_bytes(csv_file().read_bytes().replace(b",", b"\t"))
    (tmp_path / "c.csv").write_bytes(b"sep=;\n" + csv_file().read_bytes().replace(b",", b";"))
    frame = pd.read_csv(csv_file(), parse_dates=["date"])
    frame.to_parquet(tmp_path / "d.parquet")
    for place in (tmp_path / "a.csv.gz", tmp_path / "b.txt", tmp_path / "c.csv", tmp_path / "d.parquet", workbook()):
        same(tc.read(place), expected)


def test_the_quick_reader_and_the_careful_one_agree(csv_file, monkeypatch):
    from truechange.records import formats

    rows = "".join(GOOD.replace("P00", f"P{number:03d}") for number in range(100, 400))
    rows += 'P999,2025-01-06,baseline,timed_up_and_go,"11,5",s,,45\n'
    careful = tc.read(csv_file(rows))
    monkeypatch.setattr(formats, "WORTHWHILE", 0)
    called = []
    quick = formats.quick_columns
    monkeypatch.setattr(
        "truechange.records.formats.quick_columns", lambda *opened: called.append(quick(*opened)) or called[-1]
    )
    quicker = tc.read(csv_file(rows))
    assert called[0] is not None
    pd.testing.assert_frame_equal(quicker.assessments, careful.assessments)
    pd.testing.assert_frame_equal(quicker.problems, careful.problems)


def test_blank_lines_and_titles_do_not_move_the_row_numbers(csv_file):
    lines = GOOD.splitlines()
    records = tc.read(
        csv_file("\n".join([lines[0], "", ",,,,,,,", *lines[1:], "", ""]), header=f"Our clinic\n\n{HEADER}")
    )
    assert records.assessments["source_row"].tolist() == [4, 7, 8, 9]
    assert only(records, "header_row")["row"] == 3


def test_real_dates_and_numbers_of_a_workbook_are_read(workbook):
    def change(book, page):
        page["B2"], page["E2"] = pd.Timestamp("2025-01-06").to_pydatetime(), 11.5

    records = tc.read(workbook(change=change))
    assert records.problems.empty
    assert records.assessments.loc[0, "date"] == pd.Timestamp("2025-01-06")


def test_hidden_rows_columns_and_sheets_are_reported(workbook):
    def change(book, page):
        page.row_dimensions[3].hidden = True
        page.column_dimensions["F"].hidden = True

    found = tc.read(workbook(change=change)).problems
    assert found["problem"].tolist() == [
        "columns F are hidden: read like the others",
        "rows 3 are hidden: read like the others",
    ]


def test_merged_cells_among_the_records_are_reported_and_titles_are_not(workbook):
    def change(book, page):
        page.merge_cells("A1:D1")
        page.merge_cells("A3:A4")

    records = tc.read(workbook(before=[["Our clinic"]], change=change))
    assert only(records, "merged_cells")["problem"].startswith("merged cells A3:A4")


def test_a_column_without_a_heading_is_reported(csv_file):
    rows = "".join(f"{line},7\n" for line in GOOD.splitlines())
    records = tc.read(csv_file(rows, header=HEADER.replace("\n", ",\n")))
    assert only(records, "column_unknown")["column"] == "(column 9, no heading)"


# ---- rows ------------------------------------------------------------------------------------------------------------
@pytest.mark.parametrize(("row", "column", "problem", "remedy"), [
    ("P003,2025-01-06,baseline,jumping,3,,,", "measure", "no test called “jumping”", "truechange measures"),
    ("P003,2025-01-06,baseline,TUG,fast,,,", "value", "“fast” is not a number", "enter one number"),
    ("P003,2025-01-06,baseline,TUG,-9,,,", "value", r"-9 s is outside.*minus sign", "check the original record"),
    ("P001,2024-04-07,midway,timed_up_and_go,9.8,s,,45", "date", "before baseline on 2025-01-06", "swapped"),
    ("P003,2025-01-06,baseline,TUG,11,kg,,", "value", "kg is not a unit for timed_up_and_go", "in s"),
    ("P003,2025-01-06,baseline,TUG,,,,", "value", "neither a score nor a result", "unable, refused or not_done"),
    ("P003,06/07/2025,baseline,TUG,11,,,", "date", "could be 6 Jul 2025 or 7 Jun 2025", "day first")])  # fmt: skip
def test_a_bad_row_has_place_problem_and_remedy_and_nothing_is_lost(csv_file, row, column, problem, remedy):
    records = tc.read(csv_file(f"{GOOD}{row}\n"))
    found = records.problems[records.problems["severity"] == "error"].iloc[0]
    assert (found["sheet"], found["row"], found["column"]) == ("assessments", 6, column)
    assert re.search(problem, found["problem"])
    assert remedy in found["remedy"]
    assert records.ledger.rows_read == 5
    assert records.ledger.rows_used == len(records.assessments) == 4
    assert records.needs_a_person


def test_a_row_twice_keeps_the_first(csv_file):
    records = tc.read(csv_file(GOOD + GOOD.splitlines()[0] + "\n"))
    assert only(records, "doubled")["problem"] == "this row repeats row 2 exactly"
    assert len(records.assessments) == 4


@pytest.mark.parametrize("order", ["day first", "month first"])
def test_the_user_can_say_how_dates_are_meant(csv_file, order):
    rows = "P003,06/07/2025,baseline,TUG,11,,,\n"
    records = tc.read(csv_file(rows), dates=order)
    assert records.assessments.loc[0, "date"] == pd.Timestamp("2025-07-06" if order == "day first" else "2025-06-07")


def test_the_rest_of_the_column_can_settle_a_date(csv_file):
    records = tc.read(csv_file("P003,06/07/2025,baseline,TUG,11,,,\nP004,23/07/2025,baseline,TUG,11,,,\n"))
    assert records.assessments.loc[0, "date"] == pd.Timestamp("2025-07-06")
    assert not records.needs_a_person


def test_dates_that_contradict_each_other_settle_nothing(csv_file):
    rows = (
        "P003,06/07/2025,baseline,TUG,11,,,\nP004,23/07/2025,baseline,TUG,11,,,\nP005,07/23/2025,baseline,TUG,11,,,\n"
    )
    assert only(tc.read(csv_file(rows)), "date_unclear")["row"] == 2


def test_a_bad_cell_that_is_not_needed_is_emptied_and_the_score_kept(csv_file):
    records = tc.read(csv_file(GOOD.replace(",45\n", ",high\n", 1)))
    assert only(records, "not_a_number")["column"] == "seat_height_cm"
    assert records.ledger.rows_used == 4
    assert pd.isna(records.assessments.loc[0, "seat_height_cm"])


def test_zero_with_unable_is_unable_not_a_score(csv_file):
    records = tc.read(csv_file("P003,2025-01-06,baseline,30CST,0,,unable,\n"))
    assert pd.isna(records.assessments.loc[0, "value"])
    assert records.assessments.loc[0, "result"] == "unable"
    assert not records.needs_a_person


def test_notes_are_never_read_on(csv_file):
    header = HEADER.replace("seat_height_cm", "Comments")
    records = tc.read(csv_file(GOOD.replace(",45\n", ",rang her son\n"), header=header))
    assert "rang her son" not in records.assessments.to_csv() + records.problems.to_csv()


def test_records_say_themselves(csv_file):
    records = tc.read(csv_file())
    assert str(records).splitlines() == ["2 people, 1 test, 4 scores.", "4 rows read = 4 used + 0 set aside."]
    assert "<table>" in records._repr_html_()


def test_tables_that_were_not_brought_are_empty_and_typed(csv_file):
    records = tc.read(csv_file())
    assert records.people.empty
    assert records.people["age"].dtype == float
    assert str(records.sessions["date"].dtype).startswith("datetime64")
