"""Tango's interval of paired shares against a printed value, and against a likelihood maximised by scipy."""

import numpy as np
import pytest
from scipy.optimize import minimize_scalar
from scipy.stats import norm

import truechange as tc
from truechange.numerics.intervals import tango_limits


def score(gained, lost, n, gap):
    """Return the score statistic at a difference `gap`; the nuisance share lost is found by a numeric search."""
    rest = n - gained - lost

    def minus(share):
        parts = np.array([share + gap, share, 1 - 2 * share - gap])
        return -float(np.array([gained, lost, rest]) @ np.log(np.maximum(parts, 1e-300)))

    low, high = max(0.0, -gap), (1 - gap) / 2
    best = minimize_scalar(minus, bounds=(low, high), method="bounded", options={"xatol": 1e-12}).x
    return (gained - lost - n * gap) / np.sqrt(n * (2 * best + gap - gap**2))


@pytest.mark.parametrize(("gained", "lost", "n"), [(1, 7, 21), (40, 20, 160), (6, 16, 161), (12, 5, 40)])
@pytest.mark.parametrize("confidence", [0.9, 0.95])
def test_the_score_at_the_limits_is_the_normal_quantile(gained, lost, n, confidence):
    low, high = tango_limits(gained, lost, n, confidence)
    z = norm.ppf((1 + confidence) / 2)
    assert low < (gained - lost) / n < high
    assert score(gained, lost, n, low) == pytest.approx(z, abs=1e-4)
    assert score(gained, lost, n, high) == pytest.approx(-z, abs=1e-4)


def test_a_printed_interval_and_the_ends_of_the_scale():
    # Source: Fagerland, Lydersen & Laake 2017, Statistical Analysis of Contingency Tables, airway hyper-responsiveness
    # before and after stem cell transplantation (Bentur et al 2009), from memory: -0.517 to -0.026
    assert tango_limits(1, 7, 21) == pytest.approx((-0.517, -0.026), abs=5e-4)
    assert tango_limits(5, 0, 5)[1] == 1
    assert tango_limits(0, 5, 5)[0] == -1
    low, high = tango_limits(0, 0, 30)
    assert -low == pytest.approx(high)
    assert 0 < high < 0.2


def test_improved_minus_worsened_of_those_who_started():
    found = tc.count_responders([3, 2, 4, -3, 0, 1, 2, np.nan], 2, by=None).net()
    assert found.value == pytest.approx((4 - 1) / 8)
    assert (found.low, found.high) == tango_limits(4, 1, 8)
    assert found.n == 8
