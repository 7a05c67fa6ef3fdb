"""Transport check: each finding by itself, and the verdict as the worst of them. The rules are our own (no source)."""

import numpy as np
import pytest

import truechange as tc
from truechange.reliability.transport import days_between

SCORES = np.random.default_rng(1).normal(11, 2.5, 40).round()


def source(**changes):
    facts = {"kind": "published", "citation": "Someone 2015", "population": "knee OA", "n": 60}
    facts |= {"interval": "10 weeks", "status": "checked"}
    return tc.Threshold(value=2.5, kind="mdc", unit="stands", n=60, origin=tc.Origin(**(facts | changes)))


FITS = {"source_mean": 11.0, "source_sd": 2.6, "source_protocol": {"seat_height_cm": 44, "arms_used": "no"},
        "protocol": {"seat_height_cm": 44.0, "arms_used": "No"}, "interval": "12 weeks", "same_condition": True,
        "unit": "stands"}  # fmt: skip


def test_everything_known_and_alike_matches():
    check = tc.transport_check(source(), SCORES, **FITS)
    assert check.verdict == "matches"
    assert check.reasons == ()
    assert check.cautions == ()
    assert "fits these people" in check.sentence()


@pytest.mark.parametrize(
    ("changes", "verdict", "said"),
    [
        ({"protocol": {"seat_height_cm": 50, "arms_used": "no"}}, "do not use", "seat height cm 44 there, 50 here"),
        ({"protocol": {"seat_height_cm": 44}}, "doubtful", "Not known on both sides: arms used"),
        ({"protocol": None, "source_protocol": None}, "doubtful", "was not compared"),
        ({"unit": "s"}, "do not use", "in stands, the scores here are in s"),
        ({"interval": "12 months"}, "doubtful", "the error is larger"),
        ({"interval": ""}, "doubtful", "time between tests here was not stated"),
        ({"same_condition": None}, "doubtful", "same condition was not stated"),
        ({"same_condition": False}, "doubtful", "people differ"),
        ({"source_sd": 6.0}, "doubtful", "times as much"),
        ({"source_mean": 30.0}, "do not use", "0% of the scores here"),
        ({"source_mean": None}, "doubtful", "scores are not known"),
        ({"repeats": ([9, 10, 12, 12, 7, 9], [14, 6, 15, 8, 12, 4])}, "doubtful", "Own retests give"),
        ({"repeats": (SCORES, SCORES[::-1]), "within_visit": True}, "do not use", "Already two trials of one visit"),
    ],
)
def test_one_difference_decides(changes, verdict, said):
    check = tc.transport_check(source(), SCORES, **(FITS | changes))
    assert check.verdict == verdict
    assert any(said in reason for reason in check.reasons), check.reasons
    assert check.cautions


@pytest.mark.parametrize(("value", "verdict", "said"), [
    (2.5, "doubtful", "Nothing is known"), (source(status="from memory"), "doubtful", "from memory"),
    (source(population="healthy adults"), "doubtful", "people differ"),
    (source(interval="two raters"), "doubtful", "time between tests is not known"),
    (tc.Threshold(value=0.5, kind="mdc", level="group", unit="stands"), "do not use", "group-level")])  # fmt: skip
def test_the_number_itself_decides(value, verdict, said):
    changes = FITS | ({"same_condition": None} if "differ" in said else {})
    check = tc.transport_check(value, SCORES, **changes)
    assert check.verdict == verdict
    assert any(said in reason for reason in check.reasons)


def test_a_group_threshold_is_fine_for_a_group():
    value = tc.Threshold(value=0.5, kind="mdc", level="group", unit="stands")
    assert "level" not in tc.transport_check(value, SCORES, for_person=False).findings["what"].tolist()


def test_rows_of_the_published_table_are_read_and_those_without_a_use_refused():
    table = tc.published(quantity="mdc95")
    for row in table.to_dict("records"):
        check = tc.transport_check(row)
        assert check.verdict == ("doubtful" if row["use"] == "person" else "do not use")
    assert (table["use"] == "none").any()


def test_own_retests_that_agree_are_named():
    rng = np.random.default_rng(4)
    true = rng.normal(11, 2.5, 40)
    repeats = true + rng.normal(0, 2.5 / 2.77, 40), true + rng.normal(0, 2.5 / 2.77, 40)
    check = tc.transport_check(source(), SCORES, repeats=repeats, **FITS)
    assert check.verdict == "matches"
    assert check.own_sem.low < 2.5 / 2.77 < check.own_sem.high


def test_a_published_sem_is_compared_as_a_sem():
    rng = np.random.default_rng(4)
    true = rng.normal(11, 2.5, 40)
    repeats = true + rng.normal(0, 0.9, 40), true + rng.normal(0, 0.9, 40)
    row = {"quantity": "sem", "value": 0.9, "unit": "stands", "status": "checked", "n": 60, "interval": "10 weeks"}
    found = tc.transport_check(row, SCORES, repeats=repeats, **FITS).findings.set_index("what")
    assert found.loc["own repeats", "finding"] == "matches"


def test_own_numbers_need_no_comparison_of_scores():
    own = tc.Threshold(value=2.5, kind="mdc", unit="stands", origin=tc.Origin.own(interval="12 weeks"))
    given = {name: value for name, value in FITS.items() if not name.startswith("source_m")}
    assert tc.transport_check(own, **given).verdict == "matches"


@pytest.mark.parametrize(("words", "days"), [
    ("45-60 min", 0), ("1-4 months", 121.6), ("2 trials, one session", 0), (">= 72 h", 0), ("1 year", 365),
    ("3-8 days", 8)])  # fmt: skip
def test_intervals_in_words(words, days):
    assert days_between(words) == pytest.approx(days)


# The F ratio has source_n - 1 degrees of freedom, so one person at the source gives none and two give the first.
@pytest.mark.parametrize(("source_n", "ratio"), [(1, np.nan), (2, np.var(SCORES, ddof=1) / 2.6**2)])
def test_a_spread_is_compared_from_two_people_at_the_source_on(source_n, ratio):
    check = tc.transport_check(source(n=None), SCORES, **FITS, source_n=source_n)
    assert check.variance_ratio.value == pytest.approx(ratio, nan_ok=True)
    assert check.variance_ratio.has_interval == (source_n > 1)


def test_the_table_shows_both_sides_and_nothing_for_what_is_not_known():
    sides = {"source_protocol": {"footwear": "own", "height": None}, "protocol": {"arms": 2, "height": np.nan}}
    table = tc.transport_check(2.5, SCORES, **sides).table().set_index("what")[["source", "here"]]
    assert table.loc[["footwear", "arms", "height"]].to_numpy().tolist() == [["own", ""], ["", "2"], ["", ""]]


def test_the_table_and_words_carry_every_reason():
    check = tc.transport_check(2.5, SCORES, protocol={"arms_used": "no"})
    assert set(check.findings["finding"]) <= {"matches", "doubtful", "do not use"}
    for reason in check.reasons:
        assert reason in str(check)
    assert "doubtful" in check._repr_html_()
