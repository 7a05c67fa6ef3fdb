"""Limits of agreement: scipy as oracle, identities, degenerate pairs, the picture."""

import numpy as np
import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from scipy import stats

import truechange as tc
from truechange.reliability.agreement import limit_factors, spread_ties

ONCE = settings(derandomize=True, deadline=None, max_examples=40)
pairs = arrays(float, (12, 2), elements=st.integers(-40, 40).map(float))


def sample(n=40, seed=1, growth=0.0):
    rng = np.random.default_rng(seed)
    true = rng.uniform(5, 40, n)
    size = 1 + growth * true
    return true + size * rng.normal(0, 1, n), true + 0.5 + size * rng.normal(0, 1, n)


# Oracle: scipy's non-central t (its boost routine, ours goes through scipy.special).
@pytest.mark.parametrize("n", [5, 10, 30, 85, 400])
def test_exact_factors_are_non_central_t_quantiles(n):
    theirs = stats.nct.ppf([0.025, 0.975], n - 1, 1.959964 * np.sqrt(n)) / np.sqrt(n)
    assert limit_factors(n, 0.95, "exact") == pytest.approx(tuple(theirs), rel=1e-6)


def test_an_interval_for_the_pair_is_wider_outwards_than_for_one_limit_alone_inwards():
    for n in (10, 30, 100):
        one, pair, rough = (limit_factors(n, 0.95, method) for method in ("exact", "pair", "approximate"))
        assert one[0] < pair[0]
        assert one[1] > pair[1]
        assert rough[0] + rough[1] == pytest.approx(2 * 1.959964)


# Oracle: scipy's regression (slope) and Pitman-Morgan through the correlation of sum and difference.
def test_proportional_bias_is_the_regression_of_difference_on_mean():
    first, second = sample(growth=0.1)
    found = tc.limits_of_agreement(first, second)
    theirs = stats.linregress((first + second) / 2, first - second)
    half = stats.t.ppf(0.975, 38) * theirs.stderr
    assert found.proportional_bias.value == pytest.approx(theirs.slope)
    assert [found.proportional_bias.low, found.proportional_bias.high] == pytest.approx(
        [theirs.slope - half, theirs.slope + half]
    )


def test_prediction_interval_is_that_of_one_future_difference():
    first, second = sample()
    d = first - second
    half = stats.t.ppf(0.975, 39) * d.std(ddof=1) * np.sqrt(1 + 1 / 40)
    found = tc.limits_of_agreement(first, second)
    assert [found.prediction.low, found.prediction.high] == pytest.approx([d.mean() - half, d.mean() + half])


def test_growing_error_is_flagged_modelled_and_flattened_by_logs():
    first, second = sample(120, growth=0.12)
    found = tc.limits_of_agreement(first, second)
    assert found.spread.flagged
    assert found.heteroscedasticity.low > 0
    _, low, high = found.at(np.array([10.0, 35.0]))
    assert (high - low)[1] > 1.5 * (high - low)[0]
    centre, flat_low, flat_high = found.at(np.array([10.0, 35.0]), spread=False)
    assert np.ptp(flat_high - flat_low) < 1e-9
    assert np.ptp(centre) > 0
    ratio = tc.limits_of_agreement(np.abs(first) + 1, np.abs(second) + 1, scale="log")
    assert 0 < ratio.lower.low < ratio.lower.value < 1 < ratio.upper.value < ratio.upper.high


def test_log_scale_is_the_ratio():
    first, second = sample(60)
    found = tc.limits_of_agreement(first, second, scale="log")
    d = np.log(first) - np.log(second)
    assert found.bias.value == pytest.approx(np.exp(d.mean()))
    assert found.upper.value == pytest.approx(np.exp(d.mean() + 1.959964 * d.std(ddof=1)))


def test_replicates_count_the_spread_of_single_scores():
    rng = np.random.default_rng(4)
    true = rng.normal(0, 5, (400, 1))
    first, second = true + rng.normal(0, 1, (400, 3)), true + rng.normal(0, 2, (400, 3))
    found = tc.limits_of_agreement(first, second)
    assert found.sd == pytest.approx(np.sqrt(5), rel=0.08)
    single = tc.limits_of_agreement(first[:, 0], second[:, 0])
    assert found.upper.value == pytest.approx(single.upper.value, rel=0.15)
    assert found.upper.low < found.upper.value < found.upper.high


def test_equal_differences_have_no_width():
    found = tc.limits_of_agreement([3, 5, 9, 7], [2, 4, 8, 6])
    assert found.lower.value == found.upper.value == 1


def test_two_pairs_run_and_say_so():
    found = tc.limits_of_agreement([3, 5], [2, 7])
    assert found.upper.high > 20 * found.upper.value


def test_ties_are_drawn_apart_in_the_same_way_each_time():
    x, y = np.array([1.0, 1, 1, 2]), np.array([0.0, 0, 0, 1])
    once, again = spread_ties(x, y, 0.1, 0.2), spread_ties(x, y, 0.1, 0.2)
    assert once[2] == 3
    assert np.array_equal(once[0], again[0])
    assert len(set(zip(once[0], once[1], strict=True))) == 4
    assert (once[0][3], once[1][3]) == (2, 1)
    assert np.abs(once[0] - x).max() <= 0.1


def test_the_picture_shows_limits_bands_and_the_number_of_pairs():
    first, second = np.array([9, 10, 12, 12, 7, 9, 10, 14, 9, 11]), np.array([9, 11, 12, 13, 7, 9, 11, 13, 10, 11])
    found = tc.limits_of_agreement(first, second, unit="stands")
    ax = found.plot()
    assert "10 pairs" in ax.get_title()
    assert "share a place" in ax.get_title()
    heights = [line.get_ydata()[0] for line in ax.lines]
    for e in (found.bias, found.lower, found.upper):
        assert any(abs(h - e.value) < 1e-9 for h in heights)
    assert len(ax.patches) == 3
    assert "stands" in ax.get_xlabel()
    assert "limits of agreement" in found.alt
    ratio = tc.limits_of_agreement(first, second, scale="log").plot()
    assert ratio.get_ylabel() == "First / second"
