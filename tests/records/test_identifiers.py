"""Who someone is: recognised, refused without naming any value, or replaced by codes that need a key."""

import stat

import pytest

import truechange as tc
from truechange.records import read
from truechange.records.identifiers import pseudonym, read_key
from truechange.records.rules import fit_to_show

HEADER = "person,date,occasion,measure,value"
ROW = "P001,2025-01-06,baseline,timed_up_and_go,11.5"


def file_with(tmp_path, header=HEADER, row=ROW):
    place = tmp_path / "assessments.csv"
    place.write_text(f"{header}\n{row}\n", encoding="utf-8")
    return place


COLUMNS = [
    ("Surname", "Lovelace"),
    ("First name", "Ada"),
    ("DOB", "1941-02-03"),
    ("Date of birth", "1941-02-03"),
    ("E-mail", "x"),
    ("Phone", "x"),
    ("Address", "x"),
    ("Post code", "x"),
    ("MRN", "x"),
    ("Medical record number", "1"),
    ("Contact", "ada@example.org"),
    ("Reach at", "0171 555 1234"),
    ("Lives", "12 Long Hill Road"),
    ("Chart", "12345678"),
    ("Called", "Ada Lovelace"),
]


@pytest.mark.parametrize(("header", "value"), COLUMNS)
def test_a_column_that_says_who_someone_is_is_refused_and_never_quoted(tmp_path, header, value):
    with pytest.raises(tc.DataError, match="pseudonyms KEYFILE") as refused:
        read(file_with(tmp_path, f"{HEADER},{header}", f"{ROW},{value}"))
    assert header in str(refused.value)
    assert len(value) < 5 or value not in str(refused.value)


@pytest.mark.parametrize("person", ["Ada Lovelace", "Lovelace, Ada", "Dr. Ada B. Lovelace", "a@b.org", "12345678"])
def test_people_named_instead_of_coded_are_refused(tmp_path, person):
    row = ROW.replace("P001", f'"{person}"')
    with pytest.raises(tc.DataError, match="column 'person'") as refused:
        read(file_with(tmp_path, row=row))
    assert person not in str(refused.value)


@pytest.mark.parametrize("code", ["P001", "A-17", "north_3", "7", "K12 b"])
def test_codes_are_no_identifiers(tmp_path, code):
    assert read(file_with(tmp_path, row=ROW.replace("P001", code))).people.empty


def test_with_a_key_people_become_codes_and_the_rest_is_left_out(tmp_path):
    place = file_with(
        tmp_path, f"{HEADER},Surname,assessor", ROW.replace("P001", "Ada Lovelace") + ",Lovelace,Grace Hopper"
    )
    key = tmp_path / "key.txt"
    records = read(place, pseudonyms=key)
    assert stat.S_IMODE(key.stat().st_mode) == 0o600
    shown = records.assessments.to_csv() + records.problems.to_csv()
    assert "Lovelace" not in shown
    assert "Hopper" not in shown
    assert records.assessments.loc[0, "person"] == pseudonym("ada  LOVELACE", read_key(key))
    assert read(place, pseudonyms=key).assessments.equals(records.assessments)
    other = read(place, pseudonyms=tmp_path / "other.txt")
    assert other.assessments.loc[0, "person"] != records.assessments.loc[0, "person"]
    assert "identifier_left_out" in set(records.problems["kind"])


def test_a_short_key_is_refused(tmp_path):
    (tmp_path / "key.txt").write_text("1234")
    with pytest.raises(tc.ChoiceError, match="shorter than 16 bytes"):
        read(file_with(tmp_path), pseudonyms=tmp_path / "key.txt")


def test_an_address_in_the_wrong_cell_is_not_repeated_in_the_report(tmp_path):
    row = ROW.replace("11.5", "0171 555 1234")
    problems = read(file_with(tmp_path, row=row)).problems
    assert problems.loc[0, "value"] == "(withheld)"
    assert "555" not in problems.to_csv()


@pytest.mark.parametrize("text", ["2025-04-03", "03.04.2025", "12/14", "1,234.5", "P001", "11.5"])
def test_ordinary_cells_are_fit_to_show(text):
    assert fit_to_show(text) == text
