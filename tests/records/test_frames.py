"""Frames are read as files are: the same rows, findings, refusals and account of every row, whatever their dtypes."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import truechange as tc
from truechange.foundation.errors import DataError, RefusedError

DATA = Path(__file__).parents[2] / "data_synthetic"
TABLES = ("people", "assessments", "ratings", "sessions")
LONG = pd.DataFrame({
    "Patient": ["P1", "P1", "P2", "P2", "P3", "P3", "P4", "P4", "P5"],
    "test date": ["2025-01-06", "2025-04-07"] * 4 + ["2025-01-06"],
    "visit": ["pre", "post", "pre", "post", "pre", "post", "pre", "final", "pre"],
    "test": ["TUG", "TUG", "TUG", "TUG", "tug", "TUG", "TUG", "TUG", "TUG"],
    "score": ["12.5", "11,2", "1:05", "unable", "900", "12", "11", "", "10.4"],
    "seat": [43, 43, 43, 43, 43, 43, 43, 43, 43],
})  # fmt: skip
WIDE = pd.DataFrame({
    "person": ["P1", "P2", "P3"], "Age": [70, 66, 61], "Date pre": "2025-01-06", "TUG (s) pre": [12.4, 11.0, 9.1],
    "30CST pre": [10, 9, np.nan], "Date post": "2025-04-07", "TUG (s) post": [10.0, np.nan, 9.1],
    "30CST post": [13, 11, 12], "GROC": [2, 1, np.nan], "Shoe size": 40,
})  # fmt: skip


def as_file(frames, folder):
    """Read frames as the CSV files they would be saved as."""
    for name, frame in frames.items():
        frame.to_csv(folder / f"{name}.csv", index=False)
    return tc.read(folder if "assessments" in frames else folder / f"{next(iter(frames))}.csv")


def same(one, other, *, shift):
    """Hold two readings against each other: all tables, findings and counts; rows of a file begin below its header."""
    for name in TABLES:
        first, second = getattr(one, name), getattr(other, name)
        pd.testing.assert_frame_equal(first.assign(source_row=first["source_row"] - shift), second)
    problems = one.problems.assign(row=one.problems["row"] - shift)
    own_words = ["problem", "remedy"]  # other rows are named in the words, too
    pd.testing.assert_frame_equal(problems.drop(columns=own_words), other.problems.drop(columns=own_words))
    for name in ("set_aside", "aside", "words", "unmapped", "columns"):
        pd.testing.assert_frame_equal(getattr(one, name), getattr(other, name))
    pd.testing.assert_frame_equal(one.ledger.by_table, other.ledger.by_table)
    assert one.ledger.rows_read == other.ledger.rows_used + int(other.ledger.set_aside["count"].sum())


def test_the_invented_clinic_is_the_same_from_files_and_from_frames():
    frames = {name: pd.read_csv(DATA / f"{name}.csv") for name in TABLES}
    same(tc.read(DATA), tc.read(frames), shift=2)


@pytest.mark.parametrize("frame", [LONG, WIDE], ids=["long", "wide"])
def test_an_untidy_frame_is_the_same_as_its_file(frame, tmp_path):
    name = "assessments" if frame is LONG else "frame"
    read = as_file({name: frame}, tmp_path)
    same(read, tc.read({name: frame}), shift=2)
    assert len(read.problems) > (frame is LONG)


def dressed(long):
    """The same scores in the dtypes that frames come in."""
    return long.assign(
        Patient=long["Patient"].astype("category"), visit=long["visit"].astype("string"),
        **{"test date": pd.to_datetime(long["test date"]).dt.tz_localize("Australia/Sydney")},
        seat=long["seat"].astype("Int64"), test=pd.Categorical(long["test"], categories=["tug", "TUG", "walk"]),
    )  # fmt: skip


def test_dtypes_change_nothing():
    same(tc.read({"assessments": LONG}), tc.read({"assessments": dressed(LONG)}), shift=0)
    numbers = WIDE.astype({"30CST pre": "Int64", "30CST post": "Float32", "TUG (s) pre": "float32", "Age": "int8"})
    same(tc.read(WIDE), tc.read(numbers.convert_dtypes()), shift=0)


def test_nothing_of_the_frame_is_changed_and_a_yes_stays_a_yes():
    frame = dressed(LONG).assign(arms=np.array([True, False, True, False, True, True, True, True, False]))
    before = frame.copy(deep=True)
    records = tc.read(frame)
    pd.testing.assert_frame_equal(frame, before)
    assert records.assessments["arms_used"].tolist()[:2] == [True, False]


def test_levels_of_columns_are_joined_in_either_order_and_the_index_may_hold_the_person():
    flat = WIDE[["person", "TUG (s) pre", "30CST pre", "TUG (s) post", "30CST post"]]
    levels = [("pre", "TUG (s)"), ("pre", "30CST"), ("post", "TUG (s)"), ("post", "30CST")]
    nested = flat.set_index("person").set_axis(pd.MultiIndex.from_tuples(levels), axis="columns")
    read = tc.read(flat)
    for frame in (nested, nested.swaplevel(axis="columns"), nested.rename_axis("Patient")):
        found = tc.read(frame)
        pd.testing.assert_frame_equal(found.assessments, read.assessments)
        assert found.ledger.rows_read == read.ledger.rows_read


def test_findings_name_the_column_and_the_label_of_the_row():
    problems = tc.read(LONG.iloc[::-1]).problems.set_index("kind")
    assert (problems.loc["hard_bound", "row"], problems.loc["hard_bound", "column"]) == (4, "score")
    kept = LONG[LONG["Patient"] != "P1"]
    assert tc.read(kept).problems.set_index("kind").loc["hard_bound", "row"] == 4
    doubled = pd.concat([kept, kept.assign(Patient="Q" + kept["Patient"].str[1:])])  # labels twice: by place
    assert tc.read(doubled).problems.set_index("kind").loc["hard_bound", "row"].tolist() == [2, 9]


def test_an_audit_of_frames_is_that_of_the_files():
    frames = {name: pd.read_csv(DATA / f"{name}.csv") for name in ("assessments", "people", "ratings")}
    known = {"measures": ["chair_stand_30s"], "programme": "leg power", "n_boot": 100, "label_seed": 1}
    first, second = tc.audit(tc.read(DATA), **known), tc.audit(frames, **known)
    pd.testing.assert_frame_equal(first.table(), second.table())
    assert first.sentences() == second.sentences()


def test_a_retest_study_may_be_a_file_or_frames_too():
    retest = pd.read_csv(DATA / "retest.csv")
    known = {"measures": ["chair_stand_30s"], "programme": "leg power", "n_boot": 100, "trials": "last"}
    errors = [tc.audit(tc.read(DATA), retest=given, **known).known["chair_stand_30s"].sem.value
              for given in (retest, DATA / "retest.csv", {"scores": retest})]  # fmt: skip
    assert len(set(errors)) == 1


def test_a_row_of_the_retest_study_that_the_door_keeps_out_is_said():
    retest = (
        pd.read_csv(DATA / "retest.csv").query("measure == 'chair_stand_30s' and trial == 2").reset_index(drop=True)
    )
    known = {"measures": ["chair_stand_30s"], "programme": "leg power", "n_boot": 100, "trials": "last"}
    retest.loc[0, "value"] = 900
    said = tc.audit(tc.read(DATA), retest=retest, **known).cautions
    assert "Rows of the retest study that were set aside: 1." in said


def test_a_frame_without_a_word_on_whose_scores_it_holds_is_refused_or_asked():
    with pytest.raises(DataError, match=r"no column says whose scores .*rename_axis\('person'\)"):
        tc.read(WIDE.drop(columns="person"))
    records = tc.read(WIDE.set_index("person").rename_axis(None))
    assert records.unmapped["guess"].tolist() == ["{ person = true }"]
    with pytest.raises(DataError, match=r"column “index” .*words='clinic\.toml'"):
        records.pairs("timed_up_and_go", before="baseline", after="discharge")


def test_what_the_columns_hold_is_written_for_a_frame_as_for_a_file(tmp_path):
    place, wide = tmp_path / "clinic.toml", WIDE.drop(columns="Shoe size")
    with pytest.raises(RefusedError, match=r"the data in memory were taken for is now in clinic\.toml"):
        tc.from_wide(wide, mapping=place)
    same(tc.read(wide), tc.from_wide(wide, mapping=place), shift=0)


def test_names_and_doubled_columns_are_refused_as_in_a_file():
    with pytest.raises(DataError, match=r"say who someone is.*sheet frame, column 'Surname'"):
        tc.read(LONG.assign(Surname="Doe"))
    twice = pd.concat([LONG, LONG[["score"]]], axis="columns")
    with pytest.raises(DataError, match="Sheet frame: the columns “score” and “score” both read as value"):
        tc.read(twice)
