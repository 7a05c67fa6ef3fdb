"""Several visits and several tests of one person."""

import math

import numpy as np
import pandas as pd
import pytest

import truechange as tc
from truechange.individual.norms import chosen, offers, place

GROUP = tc.Programme(11, 13, 3.2, 3.4, 0.8, 200)


def test_two_visits_are_the_two_scores():
    course = tc.visits({"day": [0, 84], "score": [9, 13]}, sem=1.0, mcid=2.0, programme=GROUP)
    plain = tc.person_change(9, 13, sem=1.0, mcid=2.0, programme=GROUP)
    assert course.verdict == plain.verdict
    assert course.p_meaningful == pytest.approx(plain.p_meaningful, abs=1e-12)
    assert course.change.value == 4
    assert course.per_week.value == pytest.approx(4 / 12)


def test_the_course_is_generalised_least_squares_with_a_prior():
    days, scores = np.array([0, 14, 40, 70, 84.0]), np.array([9, 10.5, 11, 12, 13.5])
    u = days / 84
    z = np.column_stack([1 - u, u])
    s = np.array([[3.2**2, 0.8 * 3.2 * 3.4], [0.8 * 3.2 * 3.4, 3.4**2]])
    prior = s - np.eye(2)
    mu, c = np.array([11.0, 13.0]), np.array([-1.0, 1.0])
    gain = prior @ z.T @ np.linalg.inv(z @ prior @ z.T + np.eye(5))
    mean, cov = mu + gain @ (scores - z @ mu), prior - gain @ z @ prior
    course = tc.visits(pd.DataFrame({"day": days, "score": scores}), sem=1.0, mcid=2.0, programme=GROUP)
    assert course.beliefs[0].mean == pytest.approx(c @ mean, abs=1e-10)
    assert course.beliefs[0].sd == pytest.approx(math.sqrt(c @ cov @ c), abs=1e-10)
    slope = np.polyfit(days, scores, 1)[0]
    assert course.change.value == pytest.approx(84 * slope)
    se = 84 / math.sqrt(((days - days.mean()) ** 2).sum())
    assert course.change.high - course.change.value == pytest.approx(1.959964 * se, abs=1e-5)


def test_repeated_looks_are_paid_for():
    course = tc.visits({"day": [0, 30, 60], "score": [9, 11.9, 11.9]}, sem=1.0, mcid=2.0)
    assert course.verdicts == ("important_sized_within_error",) * 2
    assert course.table()["mdc"].iloc[-1] == pytest.approx(2.241403 * math.sqrt(2), abs=1e-5)  # z at 1 − .05/4
    planned = tc.visits({"day": [0, 30], "score": [9, 11.9]}, sem=1.0, mcid=2.0, looks=4)
    assert planned.looks == 4


def test_the_course_is_drawn():
    import matplotlib.pyplot as plt

    course = tc.visits({"day": [0, 42, 84], "score": [9, 11, 13]}, sem=1.0, mcid=2.0, unit="stands")
    ax = course.plot()
    assert {text.get_text() for text in ax.texts} == {"baseline", "important change", "detectable change"}
    assert "day 84" in course.alt
    plt.close(ax.figure)


def test_a_score_among_others_carries_the_source():
    said = place("chair_stand_30s", 9, age=72, sex="female")
    assert "below the lower end of the usual range of 10 stands" in said[0]
    assert "Rikli & Jones" in said[0]
    assert all("does not diagnose" in text for text in said)
    memory = ["from memory" in text for text in said]
    assert memory == sorted(memory), "values from memory come last"
    assert place("sit_to_stand_power", 2.2, age=72, sex="female")


def test_published_thresholds_are_chosen_and_their_gap_is_minded():
    sem = chosen("chair_stand_30s", "sem", "Gill et al")
    assert sem.value == pytest.approx(2.5 / (1.959964 * math.sqrt(2)), abs=1e-6)
    assert sem.df == sem.n - 1
    assert chosen("chair_stand_30s", "mcid", "Mostafaee").value == 2.5
    assert "expect more error here" in chosen("chair_stand_30s", "sem", "Gill et al", 84).origin.note
    assert chosen("chair_stand_30s", "sem", "Gill et al", 0.0).origin == sem.origin


def test_the_best_match_comes_first():
    best = offers("chair_stand_30s", "sem", 84)[0]
    assert "knee OA" in best.value.origin.population
    assert best.words.startswith("0.89 stands · knee OA, primary care, n = 114")
    assert "TKA" in offers("stair_climb", "sem")[0].value.origin.population  # nobody else was measured
    answered = [test for test in tc.list_measures().index if offers(test, "sem") and offers(test, "mcid")]
    assert set(answered) == {"chair_stand_30s", "sit_to_stand_5", "walk_6min", "single_leg_stance", "pain_0_10"}


UNABLE = "unable"


@pytest.mark.parametrize(("scores", "verdict"), [
    ([9, 12, UNABLE], "lost_ability"), ([9, UNABLE], "lost_ability"), ([9, 12, 0], "lost_ability"),
    ([UNABLE, 3, UNABLE], "lost_ability"), ([UNABLE, 3, 8], "became_able"), ([0, 3, 8], "became_able"),
    ([UNABLE, UNABLE, 8], "became_able"), ([9, UNABLE, 13], "real_and_important")])  # fmt: skip
def test_the_last_visit_decides_ability(scores, verdict):
    days = [42 * k for k in range(len(scores))]
    course = tc.visits({"day": days, "score": scores}, sem=1.0, mcid=2.0, measure="chair_stand_30s")
    assert course.verdict == verdict
    table = course.table()
    assert len(table) == len(scores), "no visit vanishes"
    assert table["score"].isna().sum() == sum(score in (UNABLE, 0) for score in scores)
    said = " ".join(course.sentences())
    if verdict.endswith("ability"):
        assert "no longer able" in said
        assert "You could do this test before but not this time" in said
    if verdict == "became_able":
        assert "You could not do this test before, and now you can." in said
    if verdict != "real_and_important":
        assert (math.isnan(course.p_meaningful), course.beliefs) == (True, ())
        assert math.isnan(course.change.value)
        assert math.isnan(course.per_week.value)
        assert "Chance" not in said
    assert "unable on day" in course.alt
    course.plot()


def test_the_course_has_a_sentence_for_the_person_that_follows_its_own_chance():
    course = tc.visits({"day": [0, 42, 84], "score": [9, 11, 13]}, sem=1.0, mcid=2.0, unit="stands")
    assert course.by_course.person_sentence in course.sentences()
    assert course.by_course.p_meaningful == course.p_meaningful
    assert sum("Chance" in text for text in course.sentences()) == 1
