"""Who someone is: recognised, refused without naming any value, or replaced by codes that need a key."""

import stat

import pytest

import truechange as tc
from truechange.records.persons import pseudonym, read_key
from truechange.records.reading import read
from truechange.records.rules import fit_to_show

HEADER = "person,date,occasion,measure,value"
ROW = "P001,2025-01-06,baseline,timed_up_and_go,11.5"


def file_with(tmp_path, header=HEADER, row=ROW):
    place = tmp_path / "assessments.csv"
    place.write_text(f"{header}\n{row}\n", encoding="utf-8")
    return place


COLUMNS = [("Surname", "Lovelace"), ("First name", "Ada"), ("DOB", "1941-02-03"), ("Date of birth", "1941-02-03"),
           ("E-mail", "x"), ("Phone", "x"), ("Address", "x"), ("Post code", "x"), ("MRN", "x"),
           ("Medical record number", "1"), ("Contact", "ada@example.org"), ("Reach at", "0171 555 1234"),
           ("Lives", "12 Long Hill Road"), ("Chart", "12345678"), ("Called", "Ada Lovelace")]  # fmt: skip


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


PEOPLE = "person,programme,site,therapist,joint"


def clinic_with(tmp_path, people, aid="none", settings=""):
    (tmp_path / "people.csv").write_text("\n".join([PEOPLE, *people]) + "\n", encoding="utf-8")
    file_with(tmp_path, f"{HEADER},walking_aid", f"{ROW},{aid}")
    if settings:
        (tmp_path / "clinic.toml").write_text(settings, encoding="utf-8")
    return read(tmp_path)


def test_a_site_or_therapist_that_reads_like_a_name_is_asked_about_and_shown_by_number(tmp_path):
    records = clinic_with(
        tmp_path, ["P001,Leg Power,Ada Lovelace,Grace Hopper,knee", "P002,Leg Power,North Clinic,T1,hip"]
    )
    assert records.people["site"].tolist() == ["Site 1", "North Clinic"]
    assert records.people["therapist"].tolist() == ["Therapist 1", "T1"]
    assert records.people["programme"].tolist() == ["Leg Power", "Leg Power"]  # not a name
    asked = records.problems[records.problems["kind"] == "label_withheld"]
    assert asked["column"].tolist() == ["site", "therapist"]
    assert set(asked["value"]) == {"(withheld)"}
    assert asked["remedy"].str.contains("clinic.toml beside the file, under [labels]: site = ", regex=False).iloc[0]
    assert "Lovelace" not in records.problems.to_csv()


def test_a_label_confirmed_once_in_the_clinics_file_is_asked_about_no_more(tmp_path):
    settings = '[labels]\nsite = { "Ada Lovelace" = "Ada Lovelace" }\ntherapist = { "Grace Hopper" = "T7" }\n'
    records = clinic_with(tmp_path, ["P001,leg power,Ada Lovelace,Grace Hopper,knee"], settings=settings)
    assert records.people.loc[0, ["site", "therapist"]].tolist() == ["Ada Lovelace", "T7"]
    assert "label_withheld" not in set(records.problems["kind"])


def test_a_sentence_typed_as_a_site_is_no_label(tmp_path):
    people = ["P001,leg power,fell in the kitchen,T1,knee", "P002,leg power,the clinic in the north,T1,hip"]
    assert clinic_with(tmp_path, people).people["site"].tolist() == ["Site 1", "the clinic in the north"]


def test_a_number_given_to_a_label_is_never_one_that_stands_in_the_file(tmp_path):
    records = clinic_with(tmp_path, ["P001,leg power,Ada Lovelace,T1,knee", "P002,leg power,Site 1,T1,hip"])
    assert records.people["site"].tolist() == ["Site 2", "Site 1"]


@pytest.mark.parametrize("text", ["[labels]\nsite = 1\n", '[labels]\nvalue = { a = "b" }\n', "[labels\n"])
def test_a_clinics_file_that_cannot_be_read_is_refused(tmp_path, text):
    with pytest.raises(tc.DataError, match=r"clinic\.toml"):
        clinic_with(tmp_path, ["P001,leg power,North,T1,knee"], settings=text)


def test_a_name_typed_as_a_walking_aid_or_joint_is_not_read_on(tmp_path):
    records = clinic_with(tmp_path, ["P001,leg power,North,T1,seen by Ada Lovelace"], aid="Grace Hopper held her arm")
    everything = "".join(table.to_csv() for table in (records.people, records.assessments, records.problems)).lower()
    assert "lovelace" not in everything
    assert "hopper" not in everything


def test_words_of_the_trade_and_ordinary_cells_are_no_names():
    words = "Leg Power|North Clinic|Green Park|Tai Chi|T1|Initial Assessment|Timed Up & Go|LEG POWER"
    for label in [*words.split("|"), "2025-04-03", "03.04.2025", "12/14", "1,234.5", "P001", "11.5"]:
        assert fit_to_show(label) == label


@pytest.mark.parametrize(
    "label", ["Ada Lovelace", "ADA LOVELACE", "Lovelace, Ada", "saw Ada Lovelace today", "Dr Ada Lovelace"]
)
def test_names_are_recognised_anywhere_in_a_text(label):
    assert fit_to_show(label) == "(withheld)"
