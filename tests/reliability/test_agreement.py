"""Limits of agreement: scipy as oracle, identities, degenerate pairs, the picture."""

import numpy as np
import pytest
from scipy import stats

import truechange as tc
from truechange.reliability.agreement import spread_ties


def sample(n=40, seed=1, growth=0.0):
    rng = np.random.default_rng(seed)
    true = rng.uniform(5, 40, n)
    size = 1 + growth * true
    return true + size * rng.normal(0, 1, n), true + 0.5 + size * rng.normal(0, 1, n)


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
