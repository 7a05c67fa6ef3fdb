"""An SEM is read in one place: the same error, limits and refusals in every room."""

import numpy as np
import pandas as pd
import pytest
from scipy import stats

import truechange as tc
from truechange.foundation.distributions import sd_factors
from truechange.foundation.estimate import read_sem

LOW, HIGH = (np.sqrt(29 / stats.chi2.ppf(p, 29)) for p in (0.975, 0.025))
BARE = tc.Estimate(value=1.0, low=LOW, high=HIGH, unit="stands")  # an interval, no degrees of freedom
CHANGE = np.random.default_rng(1).normal(2, 2.5, 60)
RATING = np.clip(np.round(CHANGE / 2), -2, 2)
USES = {
    "person_change": lambda sem: tc.person_change(9, 13, sem=sem, mcid=2.0),
    "mcid": lambda sem: tc.mcid(CHANGE, RATING, sem=sem, n_boot=100),
    "responders_from_error": lambda sem: tc.responders_from_error(2, sem=sem, n=50),
    "true_responder_share": lambda sem: tc.true_responder_share(CHANGE, sem=sem, mcid=2),
}


def test_limits_of_an_sd_agree_with_scipy():
    # Against scipy.stats.chi2, also with many degrees of freedom, where the series is left.
    for df in (1, 4.5, 29, 900, 2e5, 1e9):
        ours = sd_factors(df, 0.95)
        theirs = [np.sqrt(df / stats.chi2.ppf(p, df)) for p in (0.975, 0.025)]
        assert ours == pytest.approx(theirs, rel=1e-6)


def test_degrees_of_freedom_are_read_from_an_interval_and_that_is_said():
    read = read_sem(BARE)
    assert read.df == pytest.approx(29, abs=1e-6)
    assert "29 were read from the interval" in read.cautions[0]
    assert read_sem(BARE, 12).df == 12
    assert read_sem(1.0).df is None
    assert read_sem(1.0, float("inf")).df is None
    assert read_sem(tc.Estimate(value=1.0, df=29)).limits(0.9) == pytest.approx(
        [np.sqrt(29 / stats.chi2.ppf(p, 29)) for p in (0.95, 0.05)]
    )


@pytest.mark.parametrize("use", USES)
def test_an_interval_without_degrees_of_freedom_means_the_same_in_every_room(use):
    bare, told = USES[use](BARE), USES[use](tc.Estimate(value=1.0, df=read_sem(BARE).df, unit="stands"))
    numbers = bare.table().select_dtypes("number"), told.table().select_dtypes("number")
    pd.testing.assert_frame_equal(*numbers, rtol=1e-9)
    assert any("read from the interval" in text for text in bare.cautions)
    assert not any("read from the interval" in text for text in told.cautions)


@pytest.mark.parametrize("use", USES)
@pytest.mark.parametrize(("wrong", "words"), [
    (tc.Threshold(value=2.8, kind="mdc"), "Give the standard error"),
    (tc.Threshold(value=0.8, kind="mdc", level="group"), "Give the standard error"), (-1.0, "at least 0"),
    (float("nan"), "at least 0"), (float("inf"), "at least 0"), ("x", "not a number"),
    (tc.Estimate(value=1.0, low=0.0, high=2.0), "cannot be read from this interval")])  # fmt: skip
def test_what_is_no_sem_is_refused_in_every_room(use, wrong, words):
    with pytest.raises(tc.OutcomeError, match=words):
        USES[use](wrong)


def test_the_error_of_a_mean_of_two_trials_never_meets_scores_in_silence():
    rows = pd.MultiIndex.from_product([range(14), (1, 2), (1, 2)], names=["person", "visit", "trial"]).to_frame(
        index=False
    )
    p, s, t = rows.to_numpy().T
    data = rows.assign(value=10 + p % 5 + 0.3 * ((p * 7 + s * 3 + t * 5) % 4))
    sem = tc.measurement_error(data, session="visit", scores_per_visit=2).sem_agreement
    assert sem.origin.trials == 2
    assert "mean of 2 trials a visit" in sem.origin.sentence()
    for name, use in USES.items():
        assert any("mean of 2 trials a visit" in text for text in use(sem).cautions), name


def test_two_different_errors_join_their_degrees_of_freedom():
    # Satterthwaite's rule for the sum of two variances (from memory), here equal.
    pair = (tc.Estimate(value=1.0, df=10), tc.Estimate(value=1.0, df=20))
    joint = tc.person_change(9, 13, sem=pair, mcid=2.0).mdc.df
    assert joint == pytest.approx(4 / (1 / 10 + 1 / 20))
