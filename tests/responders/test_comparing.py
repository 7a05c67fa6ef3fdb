"""Two shares compared; the number needed to treat."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import minimize_scalar
from scipy.stats import fisher_exact

import truechange as tc
from truechange.responders.comparing import number_needed

shares = st.integers(1, 60).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n)))


# Altman DG (1998), BMJ 317:1309-1312: .10 (-.05 to .25) is 10, from 4 to benefit through infinity to 20 to harm.
def test_number_needed_runs_through_infinity_as_printed():
    need = number_needed(tc.Estimate(value=0.10, low=-0.05, high=0.25))
    assert (need.value, need.benefit_limit, need.harm_limit) == pytest.approx((10, 4, 20))
    assert need.through_infinity
    assert "∞" in str(need)


@settings(derandomize=True, deadline=None, max_examples=60)
@given(shares, shares)
def test_exact_p_agrees_with_scipy(first, second):
    (k1, n1), (k2, n2) = first, second
    theirs = fisher_exact([[k1, n1 - k1], [k2, n2 - k2]]).pvalue
    assert tc.compare_responders(k1, n1, k2, n2).p_value == pytest.approx(theirs, abs=1e-9)


def _score(kind, ratio, k1, n1, k2, n2):
    """Signed score statistic at a ratio, its nuisance share found by maximising the likelihood numerically."""

    def first(p2):
        return ratio * p2 if kind == "risk_ratio" else ratio * p2 / (1 + p2 * (ratio - 1))

    def loss(p2):
        p1 = first(p2)
        return -(k1 * np.log(p1) + (n1 - k1) * np.log1p(-p1) + k2 * np.log(p2) + (n2 - k2) * np.log1p(-p2))

    top = min(1, 1 / ratio) if kind == "risk_ratio" else 1
    p2 = minimize_scalar(loss, bounds=(1e-9, top - 1e-9), method="bounded", options={"xatol": 1e-13}).x
    p1 = first(p2)
    if kind == "risk_ratio":
        return (k1 / n1 - ratio * k2 / n2) / np.sqrt(p1 * (1 - p1) / n1 + ratio**2 * p2 * (1 - p2) / n2)
    return (k1 - n1 * p1) * np.sqrt(1 / (n1 * p1 * (1 - p1)) + 1 / (n2 * p2 * (1 - p2)))


# Independent route: at a score limit the statistic, with the likelihood maximised numerically, is the normal quantile.
@pytest.mark.parametrize("name", ["risk_ratio", "odds_ratio"])
@pytest.mark.parametrize("counts", [(5, 20, 0, 18), (0, 12, 4, 15), (1, 3, 0, 4), (12, 12, 7, 15), (10, 10, 5, 12)])
def test_zero_cells_get_score_limits(name, counts):
    found = getattr(tc.compare_responders(*counts), name)
    assert "score" in found.method
    limits = [edge for edge in (found.low, found.high) if 0 < edge < math.inf]
    assert limits
    for edge in limits:
        assert abs(_score(name, edge, *counts)) == pytest.approx(1.959964, abs=2e-3)


def test_nobody_and_everybody():
    none, every = tc.compare_responders(0, 10, 0, 12), tc.compare_responders(10, 10, 12, 12)
    assert math.isnan(none.risk_ratio.value)
    assert math.isnan(none.odds_ratio.value)
    assert every.risk_ratio.value == 1
    assert none.number_needed_to_treat.value == math.inf
    assert none.number_needed_to_treat.through_infinity
    assert none.p_value == pytest.approx(1)
    assert none.p_score == 1
    assert every.risk_ratio.low < 1 < every.risk_ratio.high


def test_harm_is_called_harm():
    worse = tc.compare_responders(5, 50, 30, 50).number_needed_to_treat
    assert "to harm" in str(worse)
    assert not worse.through_infinity
    assert worse.benefit_limit == math.inf


def test_table_and_picture():
    found = tc.compare_responders(3, 5, 1, 6)
    assert {"difference", "number needed to treat"} <= set(found.table()["quantity"])
    assert found.plot().get_xlabel()
    assert found.alt


@pytest.mark.simulation
def test_newcombe_covers_small_groups():
    rng = np.random.default_rng(5)
    inside = 0
    for _ in range(1500):
        k1, k2 = rng.binomial(25, 0.6), rng.binomial(20, 0.35)
        found = tc.compare_responders(int(k1), 25, int(k2), 20).difference
        inside += found.low <= 0.25 <= found.high
    assert 0.93 <= inside / 1500 <= 0.975
