"""Reading: what cannot be read is refused with its place and a remedy; what can is the same from any format."""

import gc
import gzip
import re
import time
import zipfile
from functools import partial

import pandas as pd
import pytest
from openpyxl import Workbook

import truechange as tc
from truechange.records import rules

HEADER = "person,date,occasion,measure,value,unit,result,seat_height_cm\n"
GOOD = (
    "P001,2025-01-06,baseline,timed_up_and_go,11.5,s,,45\n"
    "P001,2025-04-07,discharge,timed_up_and_go,9.8,s,,45\n"
    "P002,2025-01-07,baseline,timed_up_and_go,14.1,s,,45\n"
    "P002,2025-04-08,discharge,timed_up_and_go,,,unable,45\n"
)


def text(folder, rows=GOOD, header=HEADER, name="assessments.csv"):
    (folder / name).write_text(header + rows, encoding="utf-8")
    return folder / name


def booked(folder, *, sheet="assessments", before=(), rows=GOOD, header=HEADER, change=lambda book, page: None):
    book = Workbook()
    book.active.title = sheet
    for row in [*before, *([cell or None for cell in line.split(",")] for line in (header + rows).splitlines())]:
        book.active.append(row)
    change(book, book.active)
    book.save(folder / "clinic.xlsx")
    return folder / "clinic.xlsx"


@pytest.fixture
def csv_file(tmp_path):
    return partial(text, tmp_path)


@pytest.fixture
def workbook(tmp_path):
    return partial(booked, tmp_path)


def only(records, kind):
    found = records.problems[records.problems["kind"] == kind]
    assert len(found) == 1, records.problems.to_string()
    return found.iloc[0]


# ---- the file as a whole ---------------------------------------------------------------------------------------------
def written(place, content):
    place.write_bytes(content)
    return place


def spoilt(place, part):
    """Cut one part of a workbook in half."""
    with zipfile.ZipFile(place) as old, zipfile.ZipFile(place.with_name("b.xlsx"), "w") as new:
        for name in old.namelist():
            content = old.read(name)
            new.writestr(name, content[: len(content) // 2] if name == part else content)
    return place.with_name("b.xlsx")


def doubled(book, page):
    book.copy_worksheet(page).title = "South"


def stray(book, page):
    page.cell(1_048_576, 16_384, "x")


DAMAGED, LOCKED = "damaged or not a workbook", b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(4000)
PARTS = ("xl/worksheets/sheet1.xml", "xl/workbook.xml", "[Content_Types].xml")
UNREADABLE = [  # how the file is made in a folder, what is said of it
    (lambda home: home / "absent.xlsx", r"no file .*absent\.xlsx\. Check the name"),
    (lambda home: written(home / "a.csv", b""), "0 bytes"),
    (lambda home: written(home / "a.xls", b"x"), "save it as .xlsx"),
    (lambda home: written(home / "a.pdf", b"x"), "cannot be read safely"),
    (lambda home: written(home / "a.zip", b"x"), "Save it as"),
    (lambda home: written(home / "a.xlsx", LOCKED), "protected by a password"),
    *((lambda home, cut=cut: written(home / "b.xlsx", booked(home).read_bytes()[:cut]), DAMAGED)
      for cut in (50, 1000, 3000)),
    *((lambda home, part=part: spoilt(booked(home), part), DAMAGED) for part in PARTS),
    (lambda home: booked(home, change=stray), "Delete the empty rows and columns"),
    (lambda home: home, r"no assessments\.csv"),
    (lambda home: booked(home, sheet="Sheet7", header="a,b,c\n", rows="1,2,3\n"),
     r"no sheet of assessments; found Sheet7.*truechange template"),
    (lambda home: booked(home, change=doubled), "assessments and South both hold assessments"),
    (lambda home: text(home, header=HEADER.replace("occasion", "blob")),
     r"no column for occasion.*It has: person, date, "),
    (lambda home: text(home, header=HEADER.replace("unit", "Score")), "“value” and “Score” both read as value"),
]  # fmt: skip


@pytest.mark.parametrize(("made", "words"), UNREADABLE, ids=[words[:30] for _, words in UNREADABLE])
def test_what_cannot_be_read_is_refused_in_words(tmp_path, made, words):
    with pytest.raises(tc.DataError, match=words):
        tc.read(made(tmp_path))
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
