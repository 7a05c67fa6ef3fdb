"""The ladder of seats: who may go lower, and how near the goal is (rule: common practice, no source)."""

import truechange as tc
from truechange.individual.seats import ProgressionRule

DAYS = {
    "date": [f"2026-01-{day}" for day in (12, 13, 14, 15, 16, 17)], "seat_height_cm": [48, 48, 48, 44, 44, 44],
    "reps": [10, 10, 10, 10, 9, 10], "arms_used": ["yes", "no", "no", "no", "no", "no"], "load_kg": [0] * 6,
    "pain_before": [2] * 6, "pain_after": [2, 2, 2, 2, 2, 3], "soreness_next_day": [0, 0, 0, 1, 0, 0],
}  # fmt: skip


def test_stages_and_easy_days_are_counted():
    found = tc.ladder(DAYS, goal_cm=40, goal="get up from the sofa")
    assert found.table()[["seat_height_cm", "arms_used", "days", "easy_days"]].values.tolist() == [
        [48, "yes", 1, 1], [48, "no", 2, 2], [44, "no", 3, 1],
    ]  # fmt: skip
    assert (found.lowest, found.start, found.easy_days, found.may_advance) == (44.0, 48.0, 1, False)
    assert list(found.table()) == [
        "seat_height_cm", "arms_used", "load_kg", "first", "last", "days", "most_reps", "easy_days",
    ]  # fmt: skip
    test = tc.measure("lowest_seat_height")
    assert len(test.reading) > 2
    assert found.cautions == (*test.reading[:2], *test.safety)
    assert "Goal: get up from the sofa (40 cm): 4 cm to go." in found.sentences()
    loaded = tc.ladder({**DAYS, "load_kg": [2.5] * 6, "reps": [4, 5, 6, 5, 4, 5]})  # loaded 5-8 a day: common practice
    assert loaded.table()["easy_days"].tolist() == [0, 2, 1]
    easier = tc.ladder(DAYS, rule=ProgressionRule(days=1))
    assert easier.may_advance
    assert easier.sentences()[-1].startswith("May go lower or heavier: easy days at 44 cm: 1, asked for: 1")


def test_a_reached_goal_and_a_seat_with_arms():
    assert "Goal: 44 cm: reached." in tc.ladder(DAYS, goal_cm=44).sentences()
    held = tc.ladder({**DAYS, "arms_used": ["yes"] * 6}, goal_cm=44)
    assert held.sentences()[0] == "Not yet stood up from any seat without arms."
    assert not any("Goal" in text for text in held.sentences())


def test_the_ladder_is_drawn_lower_seats_upwards():
    import matplotlib.pyplot as plt

    ax = tc.ladder(DAYS, goal_cm=40).plot()
    bottom, top = ax.get_ylim()
    assert bottom > top
    plt.close(ax.figure)


def test_arms_are_read_as_they_are_written_and_silence_is_told():
    read = tc.ladder({**DAYS, "arms_used": ["Y"] * 6}, goal_cm=44)
    assert read.sentences()[0] == "Not yet stood up from any seat without arms."
    assert not [text for text in read.cautions if "not stated" in text]
    silent = tc.ladder({name: values for name, values in DAYS.items() if name != "arms_used"}, goal_cm=44.0)
    assert silent.cautions[0] == "Days on which arms were not stated count as without arms."
    assert "10 confident repetitions, 5 loaded" in silent.sentences()[2]
    assert tc.ladder(DAYS).sentences()[0].endswith(" cm, with arms."), "the first day of these needed them"
