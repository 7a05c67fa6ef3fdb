"""Counting: the denominator is whoever started; one share and its interval; what measurement error alone would give."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.stats import norm

import truechange as tc
from truechange.numerics.intervals import wilson_limits
from truechange.responders.counting import exact_limits

NAN = float("nan")
counts = st.integers(1, 400).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n)))


def test_people_without_follow_up_stay_in_the_denominator():
    row = tc.count_responders([3, 2, 1, NAN, NAN], 2).table().iloc[0]
    assert (row["started"], row["measured"], row["changed_enough"]) == (5, 3, 2)
    assert (row["proportion"], row["share_of_measured"]) == pytest.approx((0.4, 2 / 3))
    assert (row["lowest_possible"], row["highest_possible"]) == pytest.approx((0.4, 0.8))
    assert (row["low"], row["high"]) == pytest.approx((tc.proportion(2, 5).low, tc.proportion(2, 5).high))


def test_started_is_one_number_or_a_number_for_each_group():
    assert tc.count_responders([3, 0], 2, started=10).table()["proportion"].iloc[0] == 0.1
    table = tc.count_responders([3, 0, 2, 5], 2, by=["A", "A", "B", "B"], started={"A": 4, "B": 3}).table()
    counts = table[["group", "started", "measured", "changed_enough"]].to_numpy().tolist()
    assert counts == [["A", 4, 2, 1], ["B", 3, 2, 2]]


def test_a_group_where_nobody_came_back_is_still_there():
    table = tc.count_responders([3.0], 2, by=["A"], started={"A": 1, "B": 5}).table().set_index("group")
    assert table.loc["B", ["started", "measured", "changed_enough"]].tolist() == [5, 0, 0]


def test_by_person():
    values = pd.Series([3, 0], index=["P1", "P2"])
    table = tc.count_responders(values, 2, by={"P1": "A", "P2": "B"}).table()
    assert table["changed_enough"].tolist() == [1, 0]


def test_a_person_without_a_group_is_named_not_lost():
    table = tc.count_responders([3, 0], 2, by=["A", None]).table()
    assert table["group"].tolist() == ["A", "not stated"]


def test_a_share_is_drawn_from_0_to_1():
    found = tc.count_responders([3] * 12, 2)
    assert found.share().n == 12
    assert found.plot().get_xlim() == (0, 1)
    assert found.alt


# 1.2 - 0.9 is 0.29999999999999993 in binary: five people who changed by exactly 0.3.
def test_people_exactly_at_a_decimal_threshold_are_counted():
    change = np.array([1.2, 2.1, 12.3, 11.9, 3.3]) - np.array([0.9, 1.8, 12.0, 11.6, 3.0])
    assert tc.count_responders(change, 0.3).table()["changed_enough"].iloc[0] == 5
    assert tc.count_responders(-change, 0.3).table()["worse_enough"].iloc[0] == 5
    assert tc.cumulative_change(change).at(0.3)["share"].iloc[0] == 1
    assert len(tc.cumulative_change(change).table()) == 1


def test_indexes_that_agree_are_matched():
    values = pd.Series([3, 0, 1], index=[3, 2, 1])
    assert len(tc.count_responders(values, 2, by=pd.Series(["A", "B", "A"], index=[3, 2, 1])).table()) == 2


def test_many_groups_at_once_and_empty_ones():
    low, high = wilson_limits([0, 3, 0], [5, 3, 0])
    assert low[0] == 0
    assert high[1] == 1
    assert np.isnan([low[2], high[2], *exact_limits(0, 0)]).all()


def test_practice_adds_and_no_error_gives_none():
    more, plain = (tc.responders_from_error(2, sem=1, n=10, practice=gain).proportion for gain in (0.5, 0.0))
    assert more > plain
    assert tc.responders_from_error(2, sem=0, n=10).expected == 0
    assert tc.responders_from_error(2, sem=0, n=10, practice=2).expected == 10


def test_uncertain_sem_gives_an_interval():
    sem = tc.Estimate(value=1.0, df=29, unit="stands")
    found = tc.responders_from_error(2, sem=sem, n=50)
    assert found.share.low < found.proportion < found.share.high
    # chi-square limits of the SEM, 29 degrees of freedom: multipliers .796 and 1.344 (recomputed)
    assert found.share.low == pytest.approx(norm.sf(2 / (np.sqrt(2) * 0.7964)), abs=2e-4)
    assert not tc.responders_from_error(2, sem=1.0, n=50).share.has_interval


# Truth by brute force: two hundred thousand unchanged people, true scores anywhere between two steps, rounded twice.
@pytest.mark.parametrize("resolution", [1.0, 0.5, 0.1, 0.01])
@pytest.mark.parametrize("steps", [0.3, 0.7, 1.0, 3.0])
def test_on_a_test_of_whole_steps_the_share_is_that_of_rounded_scores(resolution, steps):
    rng = np.random.default_rng(round(1000 * resolution + 10 * steps))
    people, practice = 200_000, 0.4 * resolution
    true = rng.uniform(0, resolution, people)
    first, second = (
        np.floor((true + shift + rng.normal(0, steps * resolution, people)) / resolution) for shift in (0, practice)
    )
    gains = (second - first) * resolution
    sem = gains.std(ddof=1) / np.sqrt(2)  # as a retest study would estimate it: with the rounding
    for threshold in (1, 2, 3):
        found = tc.responders_from_error(
            threshold * resolution, sem=sem, n=people, practice=practice, resolution=resolution
        )
        assert found.proportion == pytest.approx(np.mean(second - first >= threshold), abs=0.003)


# The same share by numerical integration of the normal tail over one step (scipy.integrate.quad).
def test_the_share_of_rounded_scores_is_the_tail_averaged_over_a_step():
    sem, practice = 1.1, 0.3
    spread = np.sqrt(2 * (sem**2 - 1 / 12))
    area, _ = quad(lambda x: norm.sf((x - practice) / spread), 1, 2)
    found = tc.responders_from_error(1.8, sem=sem, n=10, practice=practice, resolution=1)
    assert found.proportion == pytest.approx(area, abs=1e-10)
    fine = tc.responders_from_error(1.8, sem=sem, n=10, practice=practice, resolution=1e-6)
    assert fine.proportion == pytest.approx(norm.sf((1.8 - practice) / (np.sqrt(2) * sem)), abs=1e-6)


# Rounding and the true share: the retest's SEM holds the rounding, so no correction is needed (seed 11, 40 studies).
@pytest.mark.simulation
def test_whole_stands_do_not_bias_the_true_share():
    rng, off = np.random.default_rng(11), []
    for _ in range(40):
        still, person, gain = rng.normal(11, 3, 50), rng.normal(11, 3, 100), rng.normal(2, 2, 100)
        retest = np.diff([np.floor(still + rng.normal(0, 1, 50)) for _ in range(2)], axis=0)[0]
        before, after = np.floor(person + rng.normal(0, 1, 100)), np.floor(person + gain + rng.normal(0, 1, 100))
        sem = tc.Estimate(value=retest.std(ddof=1) / np.sqrt(2), df=49)
        off.append(tc.true_responder_share(after - before, sem=sem, mcid=2).value - 0.5)
    assert np.mean(off) == pytest.approx(0, abs=0.03)


# Counted by hand: three of five lost 2 or more, one gained 2.5. Whoever got worse has changed, and is not counted.
def test_who_got_worse_is_not_said_to_have_changed_enough():
    said = "1 of the 5 people who started improved by at least 2; 1 had no usable follow-up and counts as not shown."
    assert tc.count_responders([-3, -3, -4, 2.5, NAN], 2).sentence() == said
