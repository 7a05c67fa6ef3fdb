"""Control charts: limits against worked identities, run rules against closed forms and simulation."""

from itertools import permutations

import numpy as np
import pytest

from truechange.numerics import intervals as charts

# Thirty samples of 50 orange-juice cans (Montgomery, Introduction to Statistical Quality Control; data and the trial
# limits .2313, .0524, .4102 from memory).
CANS = [12, 15, 8, 10, 4, 7, 16, 9, 14, 10, 5, 6, 17, 12, 22, 8, 10, 5, 13, 11, 20, 18, 24, 15, 9, 12, 7, 13, 9, 6]
# Viscosity of 15 batches (same book; centre 33.523, limits 32.245 and 34.802 from memory).
BATCHES = [
    33.75, 33.05, 34.0, 33.81, 33.46, 34.02, 33.68, 33.27, 33.49, 33.2, 33.62, 33.0, 33.54, 33.12, 33.84,
]  # fmt: skip


def test_limits_of_single_values_are_those_of_a_textbook():
    assert charts.xmr_limits(BATCHES) == pytest.approx((33.5233, 32.2448, 34.8018), abs=2e-3)


def test_share_limits_without_extra_spread_are_those_of_a_textbook():
    overall, _, high, spread = charts.share_limits(CANS, [50] * 30)
    assert overall == pytest.approx(0.2313, abs=5e-5)
    half = (high[0] - overall) / spread
    assert (overall - half, overall + half) == pytest.approx((0.0524, 0.4102), abs=5e-4)


def test_spread_factor_is_one_for_binomial_shares_and_grows_with_extra_spread():
    rng, n = np.random.default_rng(1), np.full(4000, 60)
    calm = charts.share_limits(rng.binomial(n, 0.5), n)[3]
    wild = charts.share_limits(rng.binomial(n, np.clip(0.5 + 0.13 * rng.standard_normal(4000), 0, 1)), n)[3]
    assert calm == pytest.approx(1, abs=0.05)
    assert wild == pytest.approx(np.sqrt(1 + 0.13**2 * 60 / 0.25), rel=0.06)  # variance of both together, over binomial


def test_everyone_or_nobody_leaves_no_limits():
    assert charts.share_limits([5, 5], [5, 5])[0] == 1
    assert charts.share_limits([0, 0], [5, 5])[3] == 0


@pytest.mark.parametrize(("values", "least", "marked"), [
    ([1, 1, 1, -1], 3, [0, 1, 2]), ([1, 0, 1, 1], 3, [0, 2, 3]), ([1, -1, 1, -1], 2, []), ([], 2, [])])  # fmt: skip
def test_runs_on_one_side_skip_points_on_the_line(values, least, marked):
    assert np.flatnonzero(charts.one_side(values, 0, least)).tolist() == marked


@pytest.mark.parametrize(
    ("values", "least", "marked"),
    [([1, 2, 3, 2], 3, [0, 1, 2]), ([3, 2, 1], 3, [0, 1, 2]), ([1, 2, 2, 3], 3, []), ([1], 2, []), ([2, 1, 2], 3, [])],
)
def test_rows_that_rise_or_fall_end_at_a_level_step(values, least, marked):
    assert np.flatnonzero(charts.in_a_row(values, least)).tolist() == marked


def test_a_row_of_six_among_six_is_as_rare_as_its_permutations():
    """Six distinct values rise or fall throughout in 2 of their 720 orders."""
    assert sum(charts.in_a_row(order, 6).all() for order in permutations(range(6))) == 2


def test_limits_and_a_run_of_eight_give_the_published_false_alarm_rate():
    """One false alarm in 152.7 points (Champ & Woodall 1987, from memory) with both rules and known limits."""
    rng, runs = np.random.default_rng(5), []
    for _ in range(700):
        x = rng.standard_normal(1600)
        hit = np.abs(x) > charts.SIGMAS
        marked = charts.one_side(x, 0, charts.RUN)
        starts = np.flatnonzero(marked)
        run_ends = starts[0] + charts.RUN - 1 if starts.size else x.size
        runs.append(1 + min(int(np.argmax(hit)) if hit.any() else x.size, run_ends))
    assert np.mean(runs) == pytest.approx(152.7, rel=0.1)
