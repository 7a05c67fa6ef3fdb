"""Pairing: one row a person, why a pair is not comparable, a ledger that adds up."""

import pandas as pd
import pytest

import truechange as tc

HEADER = "person,date,occasion,measure,value,result,trial,seat_height_cm,arms_used,walking_aid,assessor\n"
ROWS = """\
P001,2025-01-06,baseline,chair_stand_30s,12,,,43,no,none,T1
P001,2025-04-07,discharge,chair_stand_30s,15,,,43,no,none,T1
P002,2025-01-06,baseline,chair_stand_30s,10,,,43,no,none,T1
P002,2025-04-07,discharge,chair_stand_30s,14,,,46,no,none,T1
P003,2025-01-06,baseline,chair_stand_30s,9,,,43,no,none,T1
P003,2025-04-07,discharge,chair_stand_30s,,unable,,43,no,none,T1
P004,2025-01-06,baseline,chair_stand_30s,9,,,43,no,none,T1
P005,2025-04-07,discharge,chair_stand_30s,11,,,43,no,none,T1
P006,2025-01-06,baseline,chair_stand_30s,11,,,43,,none,T1
P006,2025-04-07,discharge,chair_stand_30s,13,,,43.9,no,none,T2
P007,2025-01-06,baseline,timed_up_and_go,11,,,43,no,none,T1
P007,2025-04-07,discharge,timed_up_and_go,9,,,43,no,none,T1
"""


@pytest.fixture
def clinic(tmp_path):
    def write(rows=ROWS):
        (tmp_path / "assessments.csv").write_text(HEADER + rows, encoding="utf-8")
        (tmp_path / "people.csv").write_text(
            "person,site,birth_year\nP001,North,1950\nP002,South,1960\n", encoding="utf-8"
        )
        (tmp_path / "ratings.csv").write_text("person,occasion,rating\nP001,discharge,2\n", encoding="utf-8")
        return tc.read(tmp_path)

    return write


def test_each_person_with_a_baseline_has_one_row_and_a_reason(clinic):
    pairs = clinic().pairs("chair_stand_30s", before="baseline", after="discharge")
    frame = pairs.frame.set_index("person")
    assert list(frame.index) == ["P001", "P002", "P003", "P004", "P006"]
    assert frame["comparable"].tolist() == [True, False, False, False, True]
    assert frame.loc["P002", "why_not"] == "seat height changed (43 to 46 cm)"
    assert frame.loc["P003", "why_not"] == "unable at discharge"
    assert frame.loc["P004", "why_not"] == "no score at discharge"
    assert frame.loc["P001", "improvement"] == 3
    assert frame.loc["P001", ["site", "rating", "age"]].tolist() == ["North", 2, 75]


def test_what_is_not_known_of_the_protocol_is_a_caution_not_a_mismatch(clinic):
    pairs = clinic().pairs("chair_stand_30s", before="baseline", after="discharge")
    assert any("Arms used is not recorded on both occasions for 1 of 3 pairs" in said for said in pairs.cautions)
    assert any("tester changed in 1 of 3" in said for said in pairs.cautions)
    assert not any("Walking aid" in said for said in pairs.cautions)


def test_the_ledger_accounts_for_every_row(clinic):
    pairs = clinic().pairs("chair_stand_30s", before="baseline", after="discharge")
    assert pairs.ledger.rows_read == 12
    assert pairs.ledger.rows_used == 4
    assert dict(zip(pairs.ledger.set_aside["reason"], pairs.ledger.set_aside["count"], strict=True)) == {
        "another test": 2,
        "no record at baseline": 1,
        "seat height changed": 2,
        "unable at discharge": 2,
        "no score at discharge": 1,
    }


def test_a_shorter_time_is_an_improvement(clinic):
    pairs = clinic().pairs("timed_up_and_go", before="pre", after="post")
    assert pairs.usable["improvement"].tolist() == [2]


TRIALS = ROWS + "P001,2025-04-07,discharge,chair_stand_30s,18,,2,43,no,none,T1\n"


@pytest.mark.parametrize(("rule", "score"), [("mean", 16.5), ("best", 18), ("last", 15), ("first", 18)])
def test_the_rule_for_trials_decides_the_score(clinic, rule, score):
    # The row without a trial number sorts after the numbered one.
    with pytest.raises(tc.RefusedError, match="trials='mean'"):
        clinic(TRIALS).pairs("chair_stand_30s", before="baseline", after="discharge")
    pairs = clinic(TRIALS).pairs("chair_stand_30s", before="baseline", after="discharge", trials=rule)
    assert pairs.frame.set_index("person").loc["P001", "after"] == score


def test_protocol_that_differs_between_trials_is_not_comparable(clinic):
    rows = ROWS + "P001,2025-04-07,discharge,chair_stand_30s,18,,2,46,no,none,T1\n"
    pairs = clinic(rows).pairs("chair_stand_30s", before="baseline", after="discharge", trials="mean")
    assert "between trials" in pairs.frame.set_index("person").loc["P001", "why_not"]


@pytest.mark.parametrize(("measure", "before", "after", "words"), [
    ("chair_stand_30s", "baseline", "pre", "two different occasions"),
    ("chair_stand_30s", "baseline", "week 6", "its occasions are: baseline, discharge"),
    ("stair_climb", "baseline", "discharge", "No usable row for stair_climb"),
    ("chair", "baseline", "discharge", "not in the catalogue"),
    ("chair_stand_30s", "discharge", "baseline", "wrong way round")])  # fmt: skip
def test_a_wrong_question_says_what_there_is(clinic, measure, before, after, words):
    with pytest.raises(tc.ChoiceError, match=words):
        clinic().pairs(measure, before=before, after=after)


def test_nothing_is_modified_in_place(clinic):
    records = clinic()
    kept = records.assessments.copy()
    records.pairs("chair_stand_30s", before="baseline", after="discharge")
    pd.testing.assert_frame_equal(records.assessments, kept)
