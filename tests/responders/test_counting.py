"""Counting: the denominator is whoever started."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import truechange as tc

NAN = float("nan")
gains = st.lists(st.one_of(st.just(NAN), st.integers(-6, 9).map(float)), min_size=1, max_size=60)


def test_people_without_follow_up_stay_in_the_denominator():
    row = tc.count_responders([3, 2, 1, NAN, NAN], 2).table().iloc[0]
    assert (row["started"], row["measured"], row["changed_enough"]) == (5, 3, 2)
    assert (row["proportion"], row["share_of_measured"]) == pytest.approx((0.4, 2 / 3))
    assert (row["lowest_possible"], row["highest_possible"]) == pytest.approx((0.4, 0.8))


@settings(derandomize=True, deadline=None)
@given(gains, st.floats(0.1, 6))
def test_bounds_hold_and_a_higher_threshold_never_adds(values, limit):
    row = tc.count_responders(values, limit).table().iloc[0]
    higher = tc.count_responders(values, limit + 1).table().iloc[0]
    assert higher["changed_enough"] <= row["changed_enough"] <= row["measured"] <= row["started"] == len(values)
    assert row["lowest_possible"] <= row["highest_possible"] <= 1
    assert row["low"] <= row["proportion"] <= row["high"]


def test_a_change_of_exactly_the_threshold_counts():
    assert tc.count_responders([2.0], 2).table()["changed_enough"].iloc[0] == 1


def test_worsening_is_counted_the_other_way():
    assert tc.count_responders([-2, -1, 3], 2).table()["worse_enough"].iloc[0] == 1


@pytest.mark.parametrize(
    "started",
    [
        {"A": 4, "B": 3},
        pd.Series({"A": 4, "B": 3}),
        [4, 3],
        ["A"] * 4 + ["B"] * 3,
        pd.Series(["A"] * 4 + ["B"] * 3),
    ],
    ids=["dict", "series", "numbers", "labels", "series of labels"],
)
def test_started_can_be_given_in_several_ways(started):
    table = tc.count_responders([3, 0, 2, 5], 2, by=["A", "A", "B", "B"], started=started).table()
    assert table[["group", "started", "measured", "changed_enough"]].to_numpy().tolist() == [
        ["A", 4, 2, 1],
        ["B", 3, 2, 2],
    ]


def test_started_as_one_number_and_as_yes_or_no():
    assert tc.count_responders([3, 0], 2, started=10).table()["proportion"].iloc[0] == 0.1
    kept = tc.count_responders([3, 0, 4], 2, started=[True, True, False]).table().iloc[0]
    assert (kept["started"], kept["changed_enough"]) == (2, 1)


def test_a_group_where_nobody_came_back_is_still_there():
    table = tc.count_responders([3.0], 2, by=["A"], started={"A": 1, "B": 5}).table()
    assert table.loc[table["group"] == "B", ["started", "measured", "changed_enough"]].to_numpy().tolist() == [
        [5, 0, 0]
    ]


def test_by_person():
    values = pd.Series([3, 0], index=["P1", "P2"])
    table = tc.count_responders(values, 2, by={"P1": "A", "P2": "B"}).table()
    assert table["changed_enough"].tolist() == [1, 0]
    with pytest.raises(tc.DataError, match="indexed by person"):
        tc.count_responders([3, 0], 2, by={"P1": "A"})


def test_a_person_without_a_group_is_named_not_lost():
    table = tc.count_responders([3, 0], 2, by=["A", None]).table()
    assert table["group"].tolist() == ["A", "not stated"]


@pytest.mark.parametrize(
    ("arguments", "error", "words"),
    [
        (([3, np.inf], 2), tc.DataError, "finite"),
        (([3], 0), tc.RefusedError, "positive"),
        (([3, 4], 2, None, 1), tc.DataError, "2 people were measured but 1 started"),
        (([3, 4], 2, ["A"]), tc.DataError, "1 entries for 2 people"),
        (([3, 4], 2, ["A", "B"], {"A": 1}), tc.DataError, "No number of people who started for B"),
        (([3, 4], 2, ["A", "B"], [1, 1, 1]), tc.DataError, "3 numbers for 2 groups"),
        (([3, 4], 2, None, [True]), tc.DataError, "1 entries for 2"),
        (([], 2), tc.DataError, "measured but 0 started"),
    ],
)
def test_what_cannot_be_counted_is_refused(arguments, error, words):
    with pytest.raises(error, match=words):
        tc.count_responders(*arguments)


def test_a_group_threshold_is_refused():
    group = tc.Threshold(value=0.5, kind="mdc", level="group")
    with pytest.raises(tc.RefusedError, match="says nothing about one person"):
        tc.count_responders([1, 2], group)


def test_few_people_get_counts_and_no_percentage():
    said = tc.count_responders([3, 0, 1], 2)
    assert "%" not in said.sentence()
    assert any("read the count" in text for text in said.cautions)
    assert "%" in tc.count_responders([3, 0, 1, 4] * 4, 2).sentence()


def test_words_never_say_caused():
    found = tc.count_responders([3] * 12, 2)
    assert "changed by at least" in found.sentence()
    assert any("not “caused by" in text for text in found.cautions)
    assert found.share().n == 12
    with pytest.raises(tc.DataError, match="No group"):
        found.share("C")
    assert found.plot().get_xlim() == (0, 1)
    assert found.alt


# 1.2 - 0.9 is 0.29999999999999993 in binary: five people who changed by exactly 0.3.
def test_people_exactly_at_a_decimal_threshold_are_counted():
    change = np.array([1.2, 2.1, 12.3, 11.9, 3.3]) - np.array([0.9, 1.8, 12.0, 11.6, 3.0])
    assert tc.count_responders(change, 0.3).table()["changed_enough"].iloc[0] == 5
    assert tc.count_responders(-change, 0.3).table()["worse_enough"].iloc[0] == 5
    assert tc.cumulative_change(change).at(0.3)["share"].iloc[0] == 1
    assert len(tc.cumulative_change(change).table()) == 1


def test_indexes_that_disagree_are_refused():
    values = pd.Series([3, 0, 1], index=[3, 2, 1])
    with pytest.raises(tc.DataError, match="different indexes"):
        tc.count_responders(values, 2, by=pd.Series(["A", "B", "A"], index=[1, 2, 3]))
    assert len(tc.count_responders(values, 2, by=pd.Series(["A", "B", "A"], index=[3, 2, 1])).table()) == 2


@pytest.mark.parametrize("started", [6.5, NAN, -1, "six", {"everyone": 2.5}])
def test_people_who_started_are_whole(started):
    with pytest.raises(tc.OutcomeError):
        tc.count_responders([3, 0, 1], 2, started=started)


def test_number_groups_match_however_they_are_typed():
    table = tc.count_responders([3, 0, 4], 2, by=[1, 2, NAN], started={1: 5, 2: 6, "not stated": 1}).table()
    assert table["group"].tolist() == ["1", "2", "not stated"]


@pytest.mark.parametrize("wrong", ["a", None, tc.Threshold(value=2, kind="mcid", direction="deterioration")])
def test_thresholds_that_are_none(wrong):
    with pytest.raises(tc.OutcomeError):
        tc.count_responders([1, 2], wrong)
    with pytest.raises(tc.DataError, match="one number a person"):
        tc.count_responders(["a"], 2)
