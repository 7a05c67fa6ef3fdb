"""Scores, numbers and facts as people type them: read, or refused by name; never read as something else."""

import pytest

import truechange as tc
from truechange.individual.typed import typed_fact, typed_number, typed_score
from truechange.measures.catalogue import catalogue, facts

STANDS, TUG, PAIN, WALK = map(tc.measure, ("chair_stand_30s", "timed_up_and_go", "pain_0_10", "walk_40m_fast"))


@pytest.mark.parametrize(("text", "unit", "number"), [
    ("14.6", "s", 14.6), ("14,6", "s", 14.6), (" 14,6 s", "s", 14.6), ("1:05", "s", 65), ("43cm", "cm", 43),
    ("43,5", "cm", 43.5), ("43 cm", "cm", 43), ("0,43 m", "cm", 43), ("430 mm", "cm", 43), ("-0,5", "s", -0.5),
    (1e-05, "s", 1e-05), ("1,5 m/s", "m/s", 1.5)])  # fmt: skip
def test_a_number_is_read_with_its_comma_and_its_unit(text, unit, number):
    assert typed_number(text, "SEM", unit) == pytest.approx(number)


@pytest.mark.parametrize("text", ["", "nan", "inf", "1_0", "nine", "1,234", "<5", "12+", "43 kg", "9-10", "0x10"])
def test_what_is_no_number_is_never_made_one(text):
    with pytest.raises(tc.DataError, match=r"^seat: "):
        typed_number(text, "seat", "cm")


@pytest.mark.parametrize(
    ("text", "test", "score"),
    [("9", STANDS, 9), ("12 reps", STANDS, 12), ("9/10", STANDS, (9, 10)), ("9;10", STANDS, (9, 10)),
     ("9 10", STANDS, (9, 10)), ("14,6", TUG, 14.6), ("14,6/14,2", TUG, (14.6, 14.2)), ("14,6; 14 s", TUG, (14.6, 14)),
     ("7;10", PAIN, (7, 10)), ("Unable", STANDS, "unable"), ("could not", STANDS, "unable"), ("1,2 m/s", WALK, 1.2)],
)  # fmt: skip
def test_a_score_is_one_several_of_a_stage_or_unable(text, test, score):
    assert typed_score(text, "first score", test) == score


@pytest.mark.parametrize("aid", ["stick", "Cane", "walking stick", "ONE STICK"])
def test_the_same_aid_by_another_name_is_the_same(aid):
    assert typed_fact("walking_aid", aid) == ("stick", "")


@pytest.mark.parametrize(("typed", "word"), [("n", "no"), ("no", "no"), (False, "no"), ("Y", "yes"), ("yes", "yes")])
def test_yes_and_no(typed, word):
    assert typed_fact("arms_used", typed) == (word, "")


def test_unusual_facts_are_said():
    low = {"seat_height_cm": 24}
    said = tc.person_change(9, 13, sem=1, mcid=2, before_protocol=low, after_protocol=low).cautions
    assert "seat height (cm) 24 is unusual (usually 30 to 60): check it." in said


def test_the_files_of_a_clinic_know_the_same_facts():
    from truechange.records.rules import COLUMNS, word_list

    for column in COLUMNS["assessments"].values():
        if column.name in facts():
            assert (column.hard, column.soft) == (facts()[column.name].hard, facts()[column.name].soft)
    assert set(word_list("walking_aid").values()) == set(facts()["walking_aid"].words)
    assert word_list("sex")["woman"] == "female"


def test_every_protocol_fact_of_every_test_is_known_and_its_hard_side_too():
    for test in catalogue().values():
        assert set(test.protocol) <= set(facts())
        for fact, hardest in test.harder.items():
            assert fact in test.protocol
            assert hardest in facts()[fact].words or hardest in ("lower", "higher")
