"""People needed to show something: against tables from memory, R, statsmodels, and simulated trials."""

from math import sqrt

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from statsmodels.stats.power import TTestIndPower, TTestPower

import truechange as tc
from truechange.planning.power import Losses, ancova_power, by_power, plan_two_programmes, plan_two_shares, t_power


# Sources: Cohen 1988, Table 2.4.1, power .80 (from memory; he prints 393 for 393.4, rounded up 394); R 4.2.2,
# power.prop.test at .90: 76.7. Their exact numbers are run from the case files n_cohen_t and r_power.
@pytest.mark.parametrize(("plan", "need"), [
    (plan_two_programmes(0.2, 1.0, power=0.8), 394), (plan_two_programmes(0.5, 1.0, power=0.8), 64),
    (plan_two_programmes(0.8, 1.0, power=0.8), 26), (plan_two_shares(0.5, 0.75, power=0.9), 77)])  # fmt: skip
def test_people_are_rounded_up(plan, need):
    assert plan.need == need


@settings(derandomize=True, deadline=None, max_examples=25)
@given(effect=st.floats(0.15, 1.5), power=st.floats(0.6, 0.97))
def test_statsmodels_finds_the_same_numbers(effect, power):
    paired = TTestPower().solve_power(effect, power=power, alpha=0.05)
    two = TTestIndPower().solve_power(effect, power=power, alpha=0.05)
    if paired > 3:
        assert tc.plan_change(effect, 1.0, power=power).exact == pytest.approx(float(paired), rel=1e-5)
    if two > 3:
        assert plan_two_programmes(effect, 1.0, power=power).exact == pytest.approx(float(two), rel=1e-5)


def test_means_need_fewer_than_shares():
    # Source: a median split keeps 2/pi of the information, so shares need 1.57 times as many (from memory)
    shares = plan_two_shares(0.5, 0.55, power=0.9).exact
    means = plan_two_programmes(float(stats.norm.ppf(0.55)), 1.0, power=0.9).exact
    assert shares / means == pytest.approx(np.pi / 2, rel=0.02)
    fewer = plan_two_programmes(float(stats.norm.ppf(0.75)), 1.0).need
    assert f"about {fewer} " in plan_two_shares(0.5, 0.75).cautions[0]


def test_the_sd_of_change_can_come_from_scores_or_from_error():
    assert tc.plan_change(1, sd_score=3.0, correlation=0.8).exact == tc.plan_change(1, 3.0 * sqrt(0.4)).exact
    least = tc.plan_change(1, sem=1.0)
    assert least.exact == tc.plan_change(1, sqrt(2.0)).exact


# Needs as checked elsewhere in this room; either fact alone says nothing of how alike a therapist's people are.
@pytest.mark.parametrize("alone", [{"cluster_size": 11}, {"cluster_icc": 0.3}])
@pytest.mark.parametrize(
    ("plan", "need"),
    [
        (lambda **more: tc.plan_change(0.5, 1.0, **more), 44),
        (lambda **more: plan_two_programmes(0.5, 1.0, power=0.8, **more), 64),
        (lambda **more: plan_two_shares(0.5, 0.75, **more), 77),
        (lambda **more: tc.plan_responders(0.5, 0.10, **more), 93),
    ],
    ids=["change", "two programmes", "two shares", "responders"],
)
def test_clustering_costs_nobody_until_both_its_facts_are_given(plan, need, alone):
    assert plan(**alone).start == need
    assert plan(cluster_size=11, cluster_icc=0.3).start == need * 4


@settings(derandomize=True, deadline=None, max_examples=30)
@given(change=st.floats(0.2, 3), sd=st.floats(0.5, 4), power=st.floats(0.5, 0.98))
def test_one_person_fewer_would_not_do(change, sd, power):
    from truechange.planning.power import t_power

    need = tc.plan_change(change, sd, power=power).need
    assert t_power(change / sd * sqrt(need), need - 1, 0.95) >= power - 1e-9
    if need > 2:
        assert t_power(change / sd * sqrt(need - 1), need - 2, 0.95) < power


def test_a_picture_shows_the_answer_on_the_curve():
    plan = tc.plan_change(0.5, 1.0)
    ax = plan.plot()
    curve, _, point = ax.get_lines()
    assert point.get_xdata()[0] == 44
    assert point.get_ydata()[0] == pytest.approx(0.9, abs=0.005)
    assert np.interp(44, *curve.get_data()) == pytest.approx(point.get_ydata()[0])
    assert ax.get_ylabel() == "power"
    assert ax.get_ylim() == (0, 1)
    assert "44 people" in plan.alt


def test_the_table_holds_the_alternatives_and_the_answer():
    table = tc.plan_change(0.5, 1.0, power=0.85, attrition=0.1).table()
    assert table["target"].tolist() == [0.8, 0.85, 0.9, 0.95]
    assert (table["start"] >= table["need"] / 0.9).all()
    assert table["need"].is_monotonic_increasing


@pytest.mark.parametrize("n", [5, 7, 20])
def test_the_adjusted_comparison_has_the_power_it_promises(n):
    # Source: studies drawn here, each fitted by least squares on group and baseline
    rng, apart, r, studies = np.random.default_rng(n), 1.2, 0.5, 20_000
    group = np.repeat([0.0, 1.0], n) - 0.5
    x = rng.normal(size=(studies, 2 * n))
    y = r * x + np.sqrt(1 - r * r) * rng.normal(size=x.shape) + apart * group
    x, y = (part - part.mean(axis=1, keepdims=True) for part in (x, y))
    own = group - (x @ group / (x**2).sum(1))[:, None] * x  # the group, the baseline taken out
    effect = (own * y).sum(1) / (own**2).sum(1)
    slope = ((x * y).sum(1) - effect * (x @ group)) / (x**2).sum(1)
    left = y - effect[:, None] * group - slope[:, None] * x
    t = effect / np.sqrt((left**2).sum(1) / (2 * n - 3) / (own**2).sum(1))
    found = np.mean(np.abs(t) > stats.t.ppf(0.975, 2 * n - 3))
    assert ancova_power(apart / np.sqrt(1 - r * r), n, 0.95) == pytest.approx(found, abs=0.012)
    naive = t_power(apart / np.sqrt(1 - r * r) * np.sqrt(n / 2), 2 * n - 3, 0.95)
    assert naive - found > (0.01 if n < 10 else -0.01)  # baselines are not equal by luck


def test_the_most_people_asked_of_anybody_is_a_million():
    plan = by_power(lambda n: min(n / 1e6, 1.0), 0.9, Losses(), promise="")
    assert plan.need == 900_000
    assert "No number of people reaches" not in " ".join(plan.cautions)
