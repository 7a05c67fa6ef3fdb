"""Mean squares: certified tables, sums that add up, closed forms against doing it the long way."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from scipy import stats
from simulation.retests import simulated_mean_squares

from truechange.numerics.variances import (
    graybill_wang,
    mean_squares,
)

ONCE = settings(derandomize=True, deadline=None, max_examples=60)
tables = st.integers(2, 4).flatmap(
    lambda k: st.integers(3, 8).flatmap(lambda n: arrays(float, (n, k), elements=st.integers(-40, 40).map(float)))
)


@ONCE
@given(tables)
def test_sums_of_squares_add_up(table):
    ms = mean_squares(table)
    df = ms.df
    whole = ms.persons * df["persons"] + ms.trials * df["trials"] + ms.error * df["error"]
    assert whole == pytest.approx(np.sum((table - table.mean()) ** 2), abs=1e-8)
    assert ms.within * df["within"] == pytest.approx(ms.trials * df["trials"] + ms.error * df["error"], abs=1e-8)


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


def test_a_single_mean_square_has_chi_square_limits():
    low, high = graybill_wang([2.5], [1.0], [9.0], 0.95)
    assert low == pytest.approx(2.5 * 9 / stats.chi2.ppf(0.975, 9))
    assert high == pytest.approx(2.5 * 9 / stats.chi2.ppf(0.025, 9))
