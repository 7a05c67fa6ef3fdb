"""Wide sheets: a proposal that a person confirms, then the same records as from the long form."""

import pytest

import truechange as tc
from truechange.records import from_wide
from truechange.records.wide import meaning

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
    place, mapping = tmp_path / "wide.csv", tmp_path / "wide.toml"

    def write(rows=ROWS, confirm=True, change=lambda text: text):
        place.write_text("\n".join(",".join(row) for row in rows), encoding="utf-8")
        with pytest.raises(tc.RefusedError, match=r"now in wide\.toml"):
            from_wide(place, mapping=mapping)
        text = mapping.read_text(encoding="utf-8")
        if confirm:
            text = text.replace("confirmed = false", "confirmed = true")
        mapping.write_text(change(text), encoding="utf-8")
        return lambda: from_wide(place, mapping=mapping)

    return write


def test_the_proposal_reads_the_headings(wide):
    records = wide()()
    assert len(records.assessments) == 10
    assert records.assessments["seat_height_cm"].eq(43.18).all()
    assert records.people["sex"].tolist() == ["female", "male", "male"]
    assert records.ratings["rating"].tolist() == [2, 1]
    frame = records.pairs("timed_up_and_go", before="baseline", after="discharge").frame
    assert frame["why_not"].tolist() == ["", "", "no score at discharge"]
    assert records.ledger.rows_read == 10 + 2 + 3


def test_an_unconfirmed_mapping_is_not_used(wide):
    with pytest.raises(tc.RefusedError, match="set confirmed = true"):
        wide(confirm=False)()


def test_problems_name_the_columns_of_the_wide_sheet(wide):
    rows = [list(row) for row in ROWS]
    rows[2][9] = "lots"
    records = wide(rows)()
    found = records.problems[records.problems["severity"] == "error"].iloc[0]
    assert (found["row"], found["column"], found["kind"]) == (3, "30CST post", "not_a_number")
    assert records.ledger.rows_used == records.ledger.rows_read - 1


def test_a_row_of_visits_above_the_tests_is_joined(tmp_path):
    place, mapping = tmp_path / "w.csv", tmp_path / "w.toml"
    place.write_text(",Baseline,,Discharge,\nPatient,TUG,30CST,TUG,30CST\nP001,12,10,9,13\n", encoding="utf-8")
    with pytest.raises(tc.RefusedError):
        from_wide(place, mapping=mapping)
    assert '"Discharge 30CST" = { score = "chair_stand_30s", at = "discharge" }' in mapping.read_text()
    mapping.write_text(mapping.read_text().replace("false", "true", 1))
    records = from_wide(place, mapping=mapping)
    assert records.assessments["value"].tolist() == [12, 10, 9, 13]
    assert records.problems["kind"].tolist() == ["undated"]  # no dates: said, and the scores are used


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        (
            '{ score = "timed_up_and_go", at = "baseline", unit = "s" }',
            '{ score = "timed_up_and_go" }',
            "at which visit",
        ),
        ('"Age" =', '"Agee" =', "no such column in sheet wide: Agee"),
        ("{ person = true }", "{ leave_out = true }", "exactly one column must be the person"),
        ('{ people = "age" }', '{ peple = "age" }', "needs exactly one of person, people"),
        ("[columns]", "[columns", r"wide\.toml: "),
        ("[columns]", "[other]", "needs lines like"),
        ("score =", "fact =", "no column is a score"),
    ],
)
def test_a_mistake_in_the_mapping_is_named(wide, old, new, words):
    with pytest.raises(tc.ChoiceError, match=words):
        wide(change=lambda text: text.replace(old, new))()


def test_names_in_a_wide_sheet_are_proposed_to_be_left_out(wide):
    rows = [[*row, extra] for row, extra in zip(ROWS, ("Surname", "a", "b", "c"), strict=True)]
    records = wide(rows, change=lambda text: text)()
    assert "Surname" not in records.problems.to_csv()


def test_people_in_a_wide_sheet_are_guarded_too(wide):
    rows = [ROWS[0], ("Ada Lovelace", *ROWS[1][1:])]
    with pytest.raises(tc.DataError, match="say who someone is"):
        wide(rows)()


def test_a_sheet_that_is_not_wide_is_refused(tmp_path):
    (tmp_path / "a.csv").write_text("x,y\n1,2\n")
    with pytest.raises(tc.DataError, match="no row names people and tests"):
        from_wide(tmp_path / "a.csv", mapping=tmp_path / "m.toml")


@pytest.mark.parametrize(
    ("heading", "facts"),
    [
        ("Timed Up and Go - initial", {"score": "timed_up_and_go", "at": "baseline"}),
        ("post_6MWT", {"score": "walk_6min", "at": "discharge"}),
        ("TUG", {"score": "timed_up_and_go", "at": ""}),
        ("Test date final visit", {"fact": "date", "at": "discharge"}),
        ("ID", {"person": True}),
        ("Height (in)", {"people": "height_cm"}),
        ("Poster", {"leave_out": True}),
    ],
)
def test_headings_are_read_in_plain_words(heading, facts):
    assert meaning(heading) == facts
