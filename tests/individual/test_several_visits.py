"""Several visits and several tests of one person."""

import math

import numpy as np
import pandas as pd
import pytest

import truechange as tc
from truechange.individual.change import next_visit
from truechange.individual.norms import chosen, offers, place, power, power_sentences
from truechange.individual.verdict import sure_text
from truechange.page.sheet import HandOver, sheet_html, sheet_sections

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


@pytest.mark.parametrize(("given", "group", "weeks", "said"), [
    # by hand: 1.959964 × √2 × 0.5 = 1.386 of a usual gain of 2 in 12 weeks is reached after 8.3 of them
    ({"sem": 0.5}, GROUP, 12, "Test again from week 8 on: by then the usual change of the programme (2 in 12 weeks)"),
    ({"sem": 0.5}, GROUP, 24, "Test again from week 17 on"),
    ({"sem": 0.83}, GROUP, 12, "A usual change here (2 in 12 weeks) stays within the error of one test: average two"),
    ({"sem": 0.5, "better": "lower"}, GROUP, 12, None),  # the programme's people got worse
    ({"sem": 0.5}, tc.Programme(11, 11, 3.2, 3.4, 0.8, 200), 12, None),  # or did not change
    ({"sem": 0.2}, GROUP, 12, None),  # the change is real and important already
    ({"sem": None}, GROUP, 12, None), ({"sem": 0.5}, None, 12, None), ({"sem": 0.5}, GROUP, None, None),
])  # fmt: skip
def test_the_next_visit_is_when_the_usual_change_exceeds_the_error(given, group, weeks, said):
    one = tc.person_change(9, 10.1, **{"mcid": 1.0, "better": "higher"} | given)
    text = next_visit(group, weeks, one, one.test)
    assert text.startswith(said) if said else text == ""


SEATED, STEPPED = {"seat_height_cm": 43.5}, {"steps": 9, "step_height_cm": 17}


@pytest.mark.parametrize(("test", "score", "facts", "height", "watts"), [
    # recomputed: 0.9 m g (h/2 - seat)/(t/2n), and m g × 9 × 0.17/t
    ("chair_stand_30s", 13, SEATED, 168, 0.9 * 71.3 * 9.81 * (0.84 - 0.435) / (15 / 13)),
    ("sit_to_stand_5", 11.7, SEATED, 168, 0.9 * 71.3 * 9.81 * (0.84 - 0.435) / 1.17),
    ("stair_climb", 6.3, STEPPED, math.nan, 71.3 * 9.81 * 1.53 / 6.3),
    ("stair_climb", 6.3, {"steps": 9}, 168, math.nan), ("stair_climb", 6.3, SEATED, 168, math.nan),
    ("chair_stand_30s", 13, STEPPED, 168, math.nan), ("chair_stand_30s", 13, SEATED, math.nan, math.nan),
    ("walk_6min", 400, SEATED | STEPPED, 168, math.nan), ("chair_stand_30s", 0, SEATED, 168, math.nan),
    ("chair_stand_30s", -1, SEATED, 168, math.nan), ("chair_stand_30s", math.nan, SEATED, 168, math.nan),
])  # fmt: skip
def test_power_needs_what_its_equation_holds(test, score, facts, height, watts):
    assert power(tc.measure(test), score, facts, 71.3, height) == pytest.approx(watts, nan_ok=True)


@pytest.mark.parametrize(("test", "scores", "facts", "body", "said"), [
    ("chair_stand_30s", (13, 15), SEATED, (71.3, 168),
     "Sit-to-stand power: 221 W (3.10 W/kg) first, 255 W (3.58 W/kg) last."),
    ("stair_climb", (6.3, 5.9), STEPPED, (71.3, math.nan), "Stair-climb power (of the way up alone"),
    ("chair_stand_30s", (13, 15), {}, (71.3, 168), "Power needs seat height and body height of both tests"),
    ("stair_climb", (6.3, 5.9), {}, (71.3, 168), "Power needs steps and step height of both tests"),
    ("chair_stand_30s", (13, 15), {"seat_height_cm": 84}, (71.3, 168), "No power:"),
    ("chair_stand_30s", (13, 15), SEATED, (math.nan, 168), None), ("walk_6min", (400, 430), {}, (71.3, 168), None),
])  # fmt: skip
def test_power_is_said_with_what_it_lacks(test, scores, facts, body, said):
    texts = power_sentences(tc.measure(test), scores, (facts, facts), body)
    assert texts[0].startswith(said) if said else texts == ()


# Sources: Alcazar and others 2021 (30 s) and Baltasar-Fernandez and others 2021 (five stands), as in published.csv.
@pytest.mark.parametrize(("test", "sex", "cut"), [("chair_stand_30s", "female", "2.1 W/kg (ROC v mobility limitation"),
                                                  ("chair_stand_30s", "male", "2.6 W/kg (ROC v mobility limitation"),
                                                  ("sit_to_stand_5", "female", "1.9 W/kg (ROC; 5-repetition"),
                                                  ("sit_to_stand_5", "male", "2.5 W/kg (ROC; 5-rep")])  # fmt: skip
def test_power_stands_beside_the_cut_off_of_its_own_test(test, sex, cut):
    texts = power_sentences(tc.measure(test), (13, 12), (SEATED, SEATED), (71.3, 168), age=70, sex=sex)
    assert cut in texts[1]


def test_one_visit_says_nothing_of_a_change_or_its_chance():
    # practice expected, and the score at a place where a decline could be read into it: there is no change at all
    alone = tc.visits({"day": [0], "score": [29]}, sem=1.0, mcid=2.0, practice=0.4, measure="chair_stand_30s")
    twice = tc.person_change(29, 29, sem=1.0, mcid=2.0, practice=0.4, measure="chair_stand_30s")
    of_change = ("decline", "treatment", "own uncertainty", "chance", "getting worse")
    assert [text for text in alone.cautions if any(word in text for word in of_change)] == []
    assert set(alone.cautions) < set(twice.cautions)


def test_every_caution_and_page_follows_the_course_not_the_last_two_scores():
    given = {"sem": 1.0, "mcid": 2.0, "practice": 1.0, "measure": "chair_stand_30s"}
    course = tc.visits({"day": [0, 31, 50, 59], "score": [9, 12, 16, 11]}, **given)
    # another library's line through these visits ends 4 stands up; the last visit stands 2 up
    assert course.change.value == pytest.approx(59 * np.polyfit([0, 31, 50, 59], [9, 12, 16, 11], 1)[0])
    assert course.last.improvement == 2
    chance = sure_text(course.p_meaningful)
    assert any(text.endswith(f"the first chance with it in: {chance}.") for text in course.cautions)
    page = sheet_html(course, HandOver(), "referrer")
    leads = sure_text(course.last.leads())
    assert f"without the practice gain of 1, is an important improvement (at least 2 stands): {leads}." in page
    assert leads in course.sentences()[3]
    doubled = tc.visits({"day": [0, 31, 50, 59], "score": [9, 12, 16, 11]}, **{**given, "sem": 1.3})
    assert f"Were the SEM 30% larger, the chance would be {sure_text(doubled.last.leads())}." in course.cautions


def test_a_course_downwards_is_a_decline_with_positive_numbers():
    said = tc.visits({"day": [0, 31, 59], "score": [13, 11, 9]}, sem=1.0, mcid=2.0, unit="stands").sentences()[2]
    assert said.startswith("By a straight course the decline is 4.0 stands (95% CI 1.2 to 6.8), or 0.47 stands a week")


def test_one_visit_has_no_second_score():
    one = tc.visits({"day": [0], "score": [0]}, sem=1.0, mcid=2.0, measure="pain_0_10")
    assert "The score is the best the test can show: the person may be better than that." in one.cautions
    assert not [text for text in one.cautions if "first" in text or "second" in text or "both" in text]
    title, sections = sheet_sections(one, HandOver(), "chart")
    assert (title, [section.title for section in sections if section.title == "At the next test"]) == (
        "Pain, 0–10", ["At the next test"])  # fmt: skip
