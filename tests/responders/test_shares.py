"""One share and its interval."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from statsmodels.stats.proportion import proportion_confint

import truechange as tc
from truechange.numerics.shares import wilson_limits
from truechange.responders.shares import exact_limits
from truechange.validation.cases import load_case

counts = st.integers(1, 400).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n)))


# Newcombe RG (1998), Stat Med 17:857-872, Table I, method 3: printed to four decimals.
def test_wilson_limits_are_the_printed_ones():
    case = load_case("prop_newcombe_1998a")
    for k, n in case.data["cases"]:
        found = tc.proportion(k, n)
        assert case.expected[f"{k}/{n}_lo"].agrees(found.low)
        assert case.expected[f"{k}/{n}_hi"].agrees(found.high)


@pytest.mark.parametrize(("method", "theirs"), [("wilson", "wilson"), ("exact", "beta")])
@settings(derandomize=True, deadline=None, max_examples=60)
@given(counts, st.sampled_from([0.8, 0.9, 0.95, 0.99]))
def test_limits_agree_with_statsmodels(method, theirs, pair, confidence):
    k, n = pair
    found = tc.proportion(k, n, confidence, method)
    assert (found.low, found.high) == pytest.approx(proportion_confint(k, n, 1 - confidence, theirs), abs=1e-10)


@settings(derandomize=True, deadline=None)
@given(counts)
def test_the_other_share_mirrors_it(pair):
    k, n = pair
    one, other = tc.proportion(k, n), tc.proportion(n - k, n)
    assert (1 - other.high, 1 - other.low) == pytest.approx((one.low, one.high), abs=1e-12)
    assert 0 <= one.low <= one.value <= one.high <= 1


def test_many_groups_at_once_and_empty_ones():
    low, high = wilson_limits([0, 3, 0], [5, 3, 0])
    assert low[0] == 0
    assert high[1] == 1
    assert np.isnan([low[2], high[2], *exact_limits(0, 0)]).all()


def test_exact_covers_at_least_as_stated():
    from scipy.stats import binom

    k = np.arange(21)
    low, high = exact_limits(k, 20)
    for p in (0.05, 0.3, 0.5, 0.9):
        assert binom.pmf(k, 20, p)[(low <= p) & (p <= high)].sum() >= 0.95


@pytest.mark.parametrize(
    ("k", "n", "words"),
    [
        (1, 0, "nobody started"),
        (5, 4, "more than"),
        (-1, 4, "at least 0"),
        (1.5, 4, "whole number"),
        (float("nan"), 4, "whole number"),
    ],
)
def test_impossible_counts_are_refused(k, n, words):
    with pytest.raises(tc.DataError, match=words):
        tc.proportion(k, n)


def test_unknown_methods_and_levels_are_refused():
    with pytest.raises(tc.ChoiceError, match="wilson"):
        tc.proportion(1, 2, method="wald")
    with pytest.raises(tc.ChoiceError, match="fraction"):
        tc.proportion(1, 2, 95)
