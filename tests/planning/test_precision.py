"""People needed to pin a number down: against printed examples, the intervals themselves, and simulated studies."""

import os

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from statsmodels.stats.proportion import proportion_confint

import truechange as tc
from truechange.planning import plan_agreement, plan_error

FULL = os.environ.get("TRUECHANGE_FULL") == "1"


@settings(derandomize=True, deadline=None, max_examples=25)
@given(share=st.floats(0.05, 0.95), half=st.floats(0.04, 0.3))
def test_the_interval_at_the_answer_is_as_narrow_as_asked(share, half):
    n = tc.plan_responders(share, half).need
    low, high = proportion_confint(share * n, n, method="wilson")
    assert (high - low) / 2 <= half + 1e-9
    if n > 2:
        low, high = proportion_confint(share * (n - 1), n - 1, method="wilson")
        assert (high - low) / 2 > half - 1e-9


@pytest.mark.parametrize(
    # Source: the formula, recomputed, before the correction of 5 ICC for two trials
    ("icc", "trials", "width", "exact"),
    [(0.8, 2, 0.2, 50.8), (0.9, 2, 0.1, 56.5), (0.9, 2, 0.15, 25.7), (0.85, 3, 0.15, 38.3)],
)
def test_people_for_an_icc_before_the_correction(icc, trials, width, exact):
    added = 5 * icc if trials == 2 else 0.0
    assert tc.plan_icc(icc, trials=trials, width=width).exact - added == pytest.approx(exact, abs=0.05)


def test_people_to_show_that_an_icc_exceeds_another():
    # Source: Walter, Eliasziw & Donner 1998 (from memory), recomputed: 38.606, so 39, for 0.8 against 0.6 and 2 trials
    plan = tc.plan_icc(0.8, icc_null=0.6, trials=2)
    assert plan.exact == pytest.approx(38.606, abs=0.0005)
    assert plan.need == 39


@pytest.mark.simulation
def test_the_planned_retest_study_gives_the_planned_width():
    plan = tc.plan_icc(0.8, trials=3, width=0.2)
    rng, repeats, widths = np.random.default_rng(4), 400 if FULL else 60, []
    for _ in range(repeats):
        person = rng.standard_normal((plan.need, 1)) * np.sqrt(0.8)
        scores = person + rng.standard_normal((plan.need, 3)) * np.sqrt(0.2)
        person_ids, trial_ids = np.indices(scores.shape)
        table = pd.DataFrame({"person": person_ids.ravel(), "trial": trial_ids.ravel(), "value": scores.ravel()})
        one = tc.icc(table, form="ICC(C,1)").estimate
        widths.append(one.high - one.low)
    assert np.mean(widths) == pytest.approx(0.2, abs=0.02)


def test_people_to_know_measurement_error_within_a_quarter():
    # Source: multipliers of the SEM recomputed (49 df: 0.835 and 1.246), so ± 25% needs about 49 df
    plan = plan_error(0.25)
    assert plan.need - 1 == pytest.approx(49, abs=1)
    assert plan_error(0.25, trials=3).need == pytest.approx(1 + plan.exact / 2, abs=1)


@pytest.mark.parametrize(("df", "high"), [(9, 1.826), (14, 1.577), (29, 1.344), (99, 1.162)])
def test_limits_of_the_sem_as_recomputed(df, high):
    # Source: multipliers recomputed to three decimals; a plan for that very distance gives df + 1 people
    assert plan_error(high - 1).exact == pytest.approx(df + 1, abs=0.0006 * df / (high - 1))


def test_people_for_limits_of_agreement():
    # Source: exact factors recomputed to three decimals: 50 people 1.551 to 2.535 SD, 100 people 1.659 to 2.342 SD
    for n, low, high in ((20, 1.356, 3.014), (50, 1.551, 2.535), (100, 1.659, 2.342)):
        width = (high - low) / 2
        assert plan_agreement(width, sd=1.0).exact == pytest.approx(n, abs=0.002 * n / width)
    assert plan_agreement(1.0, sd=2.0).exact == plan_agreement(0.5, sd=1.0).exact


@settings(derandomize=True, deadline=None, max_examples=20)
@given(icc=st.floats(0.3, 0.95), trials=st.integers(2, 5), width=st.floats(0.08, 0.4))
def test_a_wider_interval_never_needs_more_people(icc, trials, width):
    narrow = tc.plan_icc(icc, trials=trials, width=width).exact
    assert tc.plan_icc(icc, trials=trials, width=1.2 * width).exact <= narrow
