"""Mean squares: certified tables, sums that add up, closed forms against doing it the long way."""

from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from scipy import stats
from simulation.retests import simulated_mean_squares

from truechange.numerics.mean_squares import (
    graybill_wang,
    icc_limits,
    jackknifed_mean_squares,
    mean_squares,
    resampled_mean_squares,
)
from truechange.validation.cases import load_case

ONCE = settings(derandomize=True, deadline=None, max_examples=60)
tables = st.integers(2, 4).flatmap(
    lambda k: st.integers(3, 8).flatmap(lambda n: arrays(float, (n, k), elements=st.integers(-40, 40).map(float)))
)


def groups_of(case):
    held = [list(group) for group in case.data["groups"]]
    if "pattern" in case.data:
        held = [group[:1] + group[1:] * ((case.data["replicates"] - 1) // 2) for group in held]
    return held


def exact_ratio(groups):
    """Between over within mean square in exact rational arithmetic of the decimals as written."""
    written = [[Fraction(repr(x)) for x in group] for group in groups]
    k = len(written[0])
    means = [sum(group) / k for group in written]
    grand = sum(means) / len(means)
    between = k * sum((m - grand) ** 2 for m in means) / (len(means) - 1)
    within = sum((x - m) ** 2 for group, m in zip(written, means, strict=True) for x in group)
    return between / (within / (len(means) * (k - 1)))


# Source: NIST Statistical Reference Datasets, Analysis of Variance (certified values, 15 digits).
# Digits kept: a double holds about 16 digits, and the data spend 3, 7 or 13 of them on a constant, so at most
# 13, 9 or 3 can be left of the spread. SmLs07-09 (13 constant digits) cannot reach 9 digits in doubles by any
# algorithm, because the decimals themselves are rounded on reading; exact fractions do.
DIGITS = {"sirstv": 12, "atmwtag": 9, "smls01": 12, "smls02": 12, "smls03": 12}
DIGITS |= {"smls04": 9, "smls05": 9, "smls06": 9, "smls07": 2.4, "smls08": 2.4, "smls09": 2.4}


@pytest.mark.parametrize(("name", "digits"), DIGITS.items())
def test_certified_one_way_tables(name, digits):
    case = load_case(f"nist_{name}")
    ms = mean_squares(np.array(groups_of(case)))
    certified = case.expected["F"].value
    lost = abs(ms.persons / ms.within - certified) / certified
    assert -np.log10(max(lost, 1e-16)) >= digits


@pytest.mark.parametrize("name", ["smls07", "smls08", "smls09"])
def test_the_hardest_certified_tables_are_right_in_exact_arithmetic(name):
    case = load_case(f"nist_{name}")
    assert float(exact_ratio(groups_of(case))) == pytest.approx(case.expected["F"].value, rel=1e-14)


@ONCE
@given(tables)
def test_sums_of_squares_add_up(table):
    ms = mean_squares(table)
    df = ms.df
    whole = ms.persons * df["persons"] + ms.trials * df["trials"] + ms.error * df["error"]
    assert whole == pytest.approx(np.sum((table - table.mean()) ** 2), abs=1e-8)
    assert ms.within * df["within"] == pytest.approx(ms.trials * df["trials"] + ms.error * df["error"], abs=1e-8)


@ONCE
@given(tables)
def test_agreement_and_one_way_error_are_the_same_number(table):
    # MSC/n + (1 - 1/n) MSE = MSW: both are the within-person variance, only their intervals differ
    ms = mean_squares(table)
    assert ms.trials / ms.n + (1 - 1 / ms.n) * ms.error == pytest.approx(ms.within, abs=1e-9)


def test_jackknife_and_resamples_equal_doing_it_the_long_way():
    table = np.random.default_rng(3).normal(size=(12, 3)) + 100
    left_out = jackknifed_mean_squares(table)
    for i in range(12):
        slow = mean_squares(np.delete(table, i, axis=0))
        for fast, one in zip(left_out[:4], slow[:4], strict=True):
            assert fast[i] == pytest.approx(one, rel=1e-10)
    drawn = resampled_mean_squares(table, n_boot=4000, seed=5)
    slow = mean_squares(table[np.random.default_rng(6).integers(0, 12, (4000, 12))])
    for fast, one in zip(drawn[:4], slow[:4], strict=True):
        assert stats.ks_2samp(fast, one).pvalue > 0.001


def test_resamples_do_not_depend_on_the_number_of_workers():
    table = np.random.default_rng(3).normal(size=(40, 2))
    alone = resampled_mean_squares(table, n_boot=3000, seed=5)
    together = resampled_mean_squares(table, n_boot=3000, seed=5, jobs=2)
    for one, two in zip(alone[:4], together[:4], strict=True):
        assert np.array_equal(one, two)


def test_simulated_mean_squares_have_the_laws_of_simulated_scores():
    rng = np.random.default_rng(1)
    n, k, size, shift = 12, 3, 4000, np.array([0.0, 0.6, 0.9])
    scores = rng.normal(0, 2, (size, n, 1)) + shift + rng.normal(0, 1.3, (size, n, k))
    slow = mean_squares(scores)
    fast = simulated_mean_squares(rng, size, n=n, k=k, person_sd=2, error_sd=1.3, shifts=shift)
    scores = rng.normal(0, 2, (size, n, 1)) + rng.normal(0, 0.5, (size, 1, k)) + rng.normal(0, 1.3, (size, n, k))
    slow_random = mean_squares(scores)
    fast_random = simulated_mean_squares(rng, size, n=n, k=k, person_sd=2, error_sd=1.3, trial_sd=0.5)
    for one, two in ((slow, fast), (slow_random, fast_random)):
        for a, b in zip(one[:4], two[:4], strict=True):
            assert stats.ks_2samp(a, b).pvalue > 0.001
        assert abs(np.corrcoef(two.persons, two.error)[0, 1]) < 0.06


# Known truth: expected mean squares of 20 people x 3 trials, k·2² + 1, n·0.5² + 1, 1, and their pooled within.
def test_simulated_mean_squares_have_the_expected_means():
    ms = simulated_mean_squares(np.random.default_rng(3), 200_000, n=20, k=3, person_sd=2.0, error_sd=1.0, trial_sd=0.5)
    expected = (13.0, 0.05), (6.0, 0.07), (1.0, 0.003), ((6.0 * 2 + 1.0 * 38) / 40, 0.02)
    for square, (mean, slack) in zip(ms[:4], expected, strict=True):
        assert square.mean() == pytest.approx(mean, abs=slack)


@pytest.mark.parametrize("form", ["ICC(1)", "ICC(C,1)"])
def test_a_limit_used_as_null_gives_the_level_back(form):
    # identity: with the lower limit as true value, the F ratio sits exactly at its upper 2.5% point
    ms = mean_squares(np.random.default_rng(2).normal(size=(15, 1)) * 2 + np.random.default_rng(3).normal(size=(15, 3)))
    low, _ = icc_limits(ms, form, 0.95)
    noise, df = (ms.within, ms.df["within"]) if form == "ICC(1)" else (ms.error, ms.df["error"])
    scaled = ms.persons / noise / (1 + 3 * low / (1 - low))
    assert stats.f.sf(scaled, 14, df) == pytest.approx(0.025, abs=1e-9)


def test_a_single_mean_square_has_chi_square_limits():
    low, high = graybill_wang([2.5], [1.0], [9.0], 0.95)
    assert low == pytest.approx(2.5 * 9 / stats.chi2.ppf(0.975, 9))
    assert high == pytest.approx(2.5 * 9 / stats.chi2.ppf(0.025, 9))
