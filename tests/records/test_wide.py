"""Wide sheets: what is sure is read, what is a guess is asked, and the rest is the same as from the long form."""

import numpy as np
import pandas as pd
import pytest
from openpyxl import load_workbook

import truechange as tc
from truechange.cli.main import main
from truechange.records.copies import write_marked, write_repaired, write_template
from truechange.records.headings import find_header, meaning, table_of
from truechange.records.reading import from_wide

HEADINGS = (
    "Patient,Gender,Age,Date pre,TUG (s) pre,30CST pre,Seat height (in) pre,"
    "Date post,TUG (s) post,30CST post,Seat height (in) post,GROC,Shoe size"
)
ROWS = (
    tuple(HEADINGS.split(",")),
    ("P001", "F", "70", "2025-01-06", "1:05", "10", "17", "2025-04-07", "12.5", "13", "17", "2", "40"),
    ("P002", "M", "66", "2025-01-06", "11", "9", "17", "2025-04-07", "9", "unable", "17", "1", "44"),
    ("P003", "M", "61", "2025-01-06", "11", "9", "17", "", "", "", "", "", "44"),
)


@pytest.fixture
def wide(tmp_path):
    place = tmp_path / "wide.csv"

    def write(rows=ROWS, columns=""):
        place.write_text("\n".join(",".join(row) for row in rows), encoding="utf-8")
        if columns:
            (tmp_path / "clinic.toml").write_text(f"[columns]\n{columns}\n", encoding="utf-8")
        return place

    return write


def renamed(**names):
    """Return the rows with words in the headings replaced."""
    return [[names.get(heading, heading) for heading in ROWS[0]], *ROWS[1:]]


def test_headings_that_say_everything_need_no_answer(wide):
    records = tc.read(wide())
    assert len(records.assessments) == 10
    assert records.assessments["seat_height_cm"].eq(43.18).all()
    assert records.people["sex"].tolist() == ["female", "male", "male"]
    assert records.ratings["rating"].tolist() == [2, 1]
    frame = records.pairs("timed_up_and_go", before="baseline", after="discharge").frame
    assert frame["why_not"].tolist() == ["", "", "no score at discharge"]
    assert records.ledger.rows_read == 10 + 2 + 3
    assert records.assessments["source_row"].tolist() == [2, 3, 4, 2, 3, 4, 2, 3, 2, 3]


def test_what_was_taken_for_what_is_written_down_and_read_back(wide, tmp_path):
    place = wide()
    first = tc.read(place)
    assert main(["inspect", str(place), "--map"]) == 1
    text = (tmp_path / "clinic.toml").read_text()
    assert '"TUG (s) pre" = { score = "timed_up_and_go", at = "baseline", unit = "s" }' in text
    again = tc.read(place)
    pd.testing.assert_frame_equal(again.assessments, first.assessments)
    assert tc.settings(tmp_path / "clinic.toml").measures == {}  # the clinic's one file, for person and page too
    told = [set(records.problems["column"]) for records in (first, again)]
    assert told[0] - told[1] == {"Shoe size"}  # its line says that it is not read
    main(["inspect", str(place), "--map"])
    assert (tmp_path / "clinic.toml").read_text() == text


def test_a_score_without_a_visit_is_asked_before_any_number(wide, tmp_path):
    place = wide(renamed(**{"TUG (s) pre": "TUG", "TUG (s) post": "Timed up and go"}))
    records = tc.read(place)
    asked = records.unmapped.set_index("word")["guess"]
    assert asked["TUG"] == '{ score = "timed_up_and_go", at = "baseline" }'
    assert asked["Timed up and go"] == '{ score = "timed_up_and_go", at = "discharge" }'
    with pytest.raises(tc.DataError, match=r"column “TUG” \(3 rows"):
        records.pairs("chair_stand_30s", before="baseline", after="discharge")
    main(["inspect", str(place), "--map"])
    answers = (tmp_path / "clinic.toml").read_text()
    assert '# "TUG" = { score' in answers
    (tmp_path / "clinic.toml").write_text(answers.replace('# "', '"'))
    pairs = tc.read(place).pairs("timed_up_and_go", before="baseline", after="discharge")
    assert pairs.usable[["before", "after"]].to_numpy().tolist() == [[65, 12.5], [11, 9]]


@pytest.mark.parametrize(("old", "new", "guess"), [
    ("TUG (s) pre", "TUG 1", "{ leave_out = true }"),
    ("30CST post", "Sit2stand post", '{ score = "sit_to_stand_5", at = "discharge" }'),
    ("Shoe size", "TUG (s) post", "{ leave_out = true }"),
    ("Age", "Weight pre", '{ people = "mass_kg" }')])  # fmt: skip
def test_numbers_under_a_heading_that_may_be_a_score_are_asked(wide, old, new, guess):
    records = tc.read(wide(renamed(**{old: new})))
    assert records.unmapped["guess"].tolist() == [guess]
    assert records.needs_a_person


def test_two_columns_of_one_name_are_asked_in_their_order(tmp_path):
    place = tmp_path / "w.csv"
    place.write_text("Pat.;TUG;30CST;Notes;TUG;30CST\nA1;12,5;9;ok;10,1;12\nA2;11,0;8;;9,9;10\n")
    main(["inspect", str(place), "--map"])
    answers = (tmp_path / "clinic.toml").read_text()
    (tmp_path / "clinic.toml").write_text(answers.replace('# "', '"'))
    usable = tc.read(place).pairs("timed_up_and_go", before="baseline", after="discharge").usable
    assert usable[["person", "before", "after"]].to_numpy().tolist() == [["A1", 12.5, 10.1], ["A2", 11.0, 9.9]]


def test_a_sheet_whose_person_is_not_found_asks_who_it_is(wide, tmp_path):
    place = wide(renamed(Patient="Nr."))
    assert tc.read(place).unmapped[["word", "guess"]].to_numpy().tolist() == [["Nr.", "{ person = true }"]]
    (tmp_path / "clinic.toml").write_text('[columns]\n"Nr." = { person = true }\n')
    assert len(tc.read(place).assessments) == 10


def test_a_clinic_reads_its_own_headings(wide):
    records = tc.read(
        wide(renamed(**{"30CST pre": "Aufstehen 1"}), '"Aufstehen 1" = { score = "chair_stand_30s", at = "baseline" }')
    )
    assert (records.assessments["measure"] == "chair_stand_30s").sum() == 5
    assert records.problems["kind"].tolist().count("column_unknown") == 1


def test_problems_name_the_columns_of_the_wide_sheet(wide):
    rows = [list(row) for row in ROWS]
    rows[2][9] = "lots"
    records = tc.read(wide(rows))
    found = records.problems[records.problems["severity"] == "error"].iloc[0]
    assert (found["sheet"], found["row"], found["column"], found["kind"]) == ("wide", 3, "30CST post", "not_a_number")
    assert records.ledger.rows_used == records.ledger.rows_read - 1


def test_somebody_without_any_score_started_all_the_same(wide):
    rows = [*ROWS, ("P004", "F", "58", *[""] * 10)]
    assert tc.read(wide(rows)).people["person"].tolist() == ["P001", "P002", "P003", "P004"]


def test_a_row_with_a_cell_too_many_is_set_aside_and_the_person_stays(wide):
    rows = [*ROWS, ("P004", "F", "58", "2025-01-06", "12", "5", "9", "17", "2025-04-07", "9", "11", "17", "1", "40")]
    records = tc.read(wide(rows))
    assert set(records.aside["person"]) == {"P004"}
    assert "P004" in records.people["person"].tolist()


def test_a_row_of_visits_above_the_tests_is_joined(tmp_path):
    place = tmp_path / "w.csv"
    place.write_text(",Baseline,,Discharge,\nPatient,TUG,30CST,TUG,30CST\nP001,12,10,9,13\n", encoding="utf-8")
    records = tc.read(place)
    assert records.assessments["value"].tolist() == [12, 10, 9, 13]
    assert records.problems["kind"].tolist() == ["undated"]  # no dates: said, and the scores are used
    assert records.columns["column"].tolist()[-1] == "Discharge 30CST"


def test_one_row_a_visit(tmp_path):
    place = tmp_path / "w.csv"
    place.write_text("person,visit,date,TUG,30CST,TUG course (m),group\nP001,pre,2025-01-06,12,10,3,power\n"
                     "P001,post,2025-04-07,9,13,3,power\nP002,pre,2025-01-07,11,,3,power\n")  # fmt: skip
    records = tc.read(place)
    assert not records.needs_a_person
    rows = records.assessments.set_index(["measure", "person", "occasion"])
    assert rows["value"].to_dict() == {
        ("timed_up_and_go", "P001", "baseline"): 12, ("timed_up_and_go", "P001", "discharge"): 9,
        ("timed_up_and_go", "P002", "baseline"): 11, ("chair_stand_30s", "P001", "baseline"): 10,
        ("chair_stand_30s", "P001", "discharge"): 13,
    }  # fmt: skip
    courses = records.assessments.groupby("measure")["course_m"].agg(list).to_dict()
    assert courses["timed_up_and_go"] == [3, 3, 3]
    assert np.isnan(courses["chair_stand_30s"]).all()
    assert records.people[["person", "programme"]].to_numpy().tolist() == [["P001", "power"], ["P002", "power"]]


def test_a_sheet_named_as_a_visit_holds_that_visit(tmp_path):
    from openpyxl import Workbook

    book = Workbook()
    book.active.title = "Pre"
    for name, score in (("Pre", 9), ("Post", 12)):
        sheet = book[name] if name in book else book.create_sheet(name)
        sheet.append(["ID", "Test date", "30CST"])
        sheet.append(["P001", f"2025-0{score // 3}-06", score])
    book.save(tmp_path / "w.xlsx")
    usable = tc.read(tmp_path / "w.xlsx").pairs("chair_stand_30s", before="baseline", after="discharge").usable
    assert usable[["before", "after"]].to_numpy().tolist() == [[9, 12]]


@pytest.mark.parametrize(("line", "words"), [
    ('"Age" = { peple = "age" }', "exactly one of person, visit, people"),
    ('"Age" = { people = "shoe" }', "'shoe' is not known; people is one of age"), ('"Age" = "age"', "exactly one of"),
    ('"TUG (s) pre" = { score = "tugg", at = "baseline" }', "'tugg' is not known"),
    ('"TUG (s) pre" = { score = "timed_up_and_go", when = "baseline" }', "exactly one of"),
    ('"Age" = {', r"clinic\.toml is no valid TOML")])  # fmt: skip
def test_a_mistake_in_the_columns_is_named(wide, line, words):
    with pytest.raises(tc.DataError, match=words):
        tc.read(wide(columns=line))


def test_names_in_a_wide_sheet_are_left_out(wide, tmp_path):
    rows = [[*row, extra] for row, extra in zip(ROWS, ("Surname", "Abel", "Baker", "Cole"), strict=True)]
    place = wide(rows)
    records = tc.read(place)
    assert "Surname" not in records.problems.to_csv()
    sheet = load_workbook(write_marked(place, records, tmp_path / "marked.xlsx"))["wide"]
    assert "Abel" not in [cell.value for row in sheet for cell in row]


def test_people_in_a_wide_sheet_are_guarded_too(wide, tmp_path):
    place = wide([ROWS[0], ("Ada Lovelace", *ROWS[1][1:])])
    with pytest.raises(tc.DataError, match="say who someone is"):
        tc.read(place)
    records = tc.read(place, pseudonyms=tmp_path / "key")
    assert len(records.assessments) == 4
    sheet = load_workbook(write_marked(place, records, tmp_path / "m.xlsx", pseudonyms=tmp_path / "key"))["wide"]
    assert sheet["A2"].value == records.people["person"][0]


def test_repairs_keep_to_the_unit_of_the_heading(wide, tmp_path):
    place = wide()
    made = write_repaired(place, tc.read(place), tmp_path / "repaired.csv")
    assert set(made["column"]) == {"Gender", "TUG (s) pre"}
    pd.testing.assert_frame_equal(tc.read(tmp_path / "repaired.csv").assessments, tc.read(place).assessments)


def test_a_sheet_that_is_not_wide_is_refused(tmp_path):
    (tmp_path / "a.csv").write_text("x,y\n1,2\n")
    with pytest.raises(tc.DataError, match="or one column a test and visit"):
        tc.read(tmp_path / "a.csv")


def test_a_summary_beside_the_long_form_is_not_read_twice(tmp_path):
    from openpyxl import Workbook

    book = Workbook()
    book.active.title = "assessments"
    book.active.append(["person", "date", "occasion", "measure", "value"])
    book.active.append(["P001", "2025-01-06", "baseline", "chair_stand_30s", 9])
    book.create_sheet("summary").append(["person", "30CST pre", "30CST post"])
    book["summary"].append(["P001", 9, 12])
    book.save(tmp_path / "w.xlsx")
    assert tc.read(tmp_path / "w.xlsx").assessments["value"].tolist() == [9]


def test_a_mapping_that_was_not_confirmed_is_not_used(wide, tmp_path):
    (tmp_path / "m.toml").write_text('confirmed = false\nsheet = "wide"\n[columns]\n"Age" = { people = "age" }\n')
    with pytest.raises(tc.DataError, match="is not confirmed"):
        from_wide(wide(), mapping=tmp_path / "m.toml")
    (tmp_path / "m.toml").write_text((tmp_path / "m.toml").read_text().replace("false", "true"))
    assert len(from_wide(wide(), mapping=tmp_path / "m.toml").assessments) == 10


def test_from_wide_stops_once_for_somebody_to_look(wide, tmp_path):
    place, mapping = wide(), tmp_path / "m.toml"
    with pytest.raises(tc.RefusedError, match=r"now in m\.toml"):
        from_wide(place, mapping=mapping)
    pd.testing.assert_frame_equal(from_wide(place, mapping=mapping).assessments, tc.read(place).assessments)


def test_a_training_log_is_not_taken_for_scores():
    header = ["person", "date", "exercise", "pain_before", "pain_after"]
    assert table_of("Sheet1", header) == "sessions"
    assert table_of("log", ["person", "date", "pain_before", "pain_after"]) == "sessions"
    assert find_header([header]).headings == header


@pytest.mark.parametrize(
    ("heading", "facts"),
    [
        ("Timed Up and Go - initial", {"score": "timed_up_and_go", "at": "baseline"}),
        ("post_6MWT", {"score": "walk_6min", "at": "discharge"}),
        ("T0 6MWT (m)", {"score": "walk_6min", "at": "t0", "unit": "m"}),
        ("TUG", {"score": "timed_up_and_go", "at": ""}),
        ("TUG pre trial 2", {"score": "timed_up_and_go", "at": "baseline", "trial": 2}),
        ("Test date final visit", {"fact": "date", "at": "discharge"}),
        (
            "TUG seat height pre (in)",
            {"fact": "seat_height_cm", "test": "timed_up_and_go", "at": "baseline", "unit": "in"},
        ),
        ("ID", {"person": True}),
        ("Start date", {"people": "start_date"}),
        ("Height (in)", {"people": "height_cm", "unit": "in"}),
        ("Poster", {"leave_out": True}),
        ("Notes pre", {"leave_out": True}),
    ],
)
def test_headings_are_read_in_plain_words(heading, facts):
    assert meaning(heading) == facts


# ---- the template with one row a visit -------------------------------------------------------------------------------
def test_the_template_by_visit_is_read_back_without_questions(tmp_path, capsys):
    place = tmp_path / "visits.xlsx"
    assert main(["template", str(place), "--visits"]) == 0
    book = load_workbook(place)
    sheet = book["visits"]
    places = {cell.value: cell.column for cell in sheet[1]}
    tests = [key for key in tc.list_measures().index if key != "rating_of_change"]
    assert set(tests) <= set(places)
    assert main(["inspect", str(place)]) == 0
    assert "Not understood" not in capsys.readouterr().out
    sheet.cell(2, 1).value = "P001"  # the example would be good data
    later = {"person": "P001", "visit": "discharge", "date": "2025-04-09", "chair_stand_30s": "unable", "rating": 2,
             "timed_up_and_go": 8.2, "timed_up_and_go course_m": 3}  # fmt: skip
    for heading, value in later.items():
        sheet.cell(3, places[heading]).value = value
    book.save(place)
    records = tc.read(place)
    assert not records.needs_a_person, records.problems.to_string()
    assert records.assessments[["measure", "occasion", "result"]].to_numpy().tolist() == [
        ["chair_stand_30s", "baseline", "measured"], ["chair_stand_30s", "discharge", "unable"],
        ["timed_up_and_go", "baseline", "measured"], ["timed_up_and_go", "discharge", "measured"],
    ]  # fmt: skip
    assert records.ratings["rating"].tolist() == [2]
    assert records.people["programme"].tolist() == ["leg power"]


@pytest.mark.parametrize("visits", [False, True])
def test_drop_downs_reach_the_last_row(tmp_path, visits):
    book = load_workbook(write_template(tmp_path / "new.xlsx", visits=visits))
    areas = [str(rule.sqref) for sheet in book for rule in sheet.data_validations.dataValidation]
    assert len(areas) > 20
    assert all(area.endswith("1048576") for area in areas)  # the last row a workbook has
