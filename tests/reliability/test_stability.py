"""Error that depends on the level, error in percent, and learning between trials."""

import numpy as np
import pytest
from scipy import stats

import truechange as tc
from truechange.reliability.agreement import spread_of
from truechange.reliability.scores import Sample, learning_between
from truechange.validation.cases import long


def spread(scores):
    return spread_of(scores, Sample(len(scores)))


def learning(scores, trials, margin=None):
    return learning_between(scores, trials, Sample(len(scores)), margin)


def table(n=60, k=2, growth=0.0, shift=None, seed=1):
    rng = np.random.default_rng(seed)
    level = rng.uniform(5, 30, (n, 1))
    return level + (0 if shift is None else np.array(shift)) + (0.5 + growth * level) * rng.normal(0, 1, (n, k))


# Known truth: the SD of a difference is √2 (0.5 + 0.1 level); simulated with a fixed seed.
@pytest.mark.parametrize("k", [2, 4])
def test_the_linear_model_finds_the_error_at_each_level(k):
    found = spread(table(4000, k, growth=0.1))
    for level in (8.0, 20.0, 28.0):
        assert float(found.sem(level)) == pytest.approx(0.5 + 0.1 * level, rel=0.08)
    assert found.flagged


def test_even_error_is_not_flagged_and_has_one_sem():
    found = spread(table(400))
    assert not found.flagged
    assert float(found.sem(15)) == pytest.approx(0.5, rel=0.15)
    assert 0.8 < found.thirds_ratio < 1.25


# Oracle: scipy's rank correlation and regression.
def test_the_check_is_the_regression_of_absolute_residuals():
    scores = table(50, growth=0.05)
    found = spread(scores)
    means, d = scores.mean(axis=1), scores[:, 0] - scores[:, 1]
    fit = stats.linregress(means, d)
    absolute = np.abs(d - fit.intercept - fit.slope * means)
    theirs = stats.linregress(means, absolute)
    assert found.slope.value == pytest.approx(theirs.slope)
    assert found.rank_correlation == pytest.approx(stats.spearmanr(absolute, means).statistic)
    # Bland & Altman 1999 (from memory): limits are the fit ± 2.46 times the line of absolute residuals
    assert float(found.sd(20)) * 1.96 == pytest.approx(2.46 * (theirs.intercept + 20 * theirs.slope), rel=2e-3)


def test_a_negative_fitted_sd_is_held_at_its_floor():
    found = spread(table(200, growth=0.2))
    assert float(found.sd(-50)) == pytest.approx(min(found.sd(level) for level in found.means))
    assert float(found.sd(-50)) > 0


def test_bands_hold_at_least_ten_people():
    assert spread(table(25)).table()["people"].tolist() == [13, 12]
    bands = spread(table(60, growth=0.1)).table()
    assert bands["people"].tolist() == [20, 20, 20]
    assert bands["sem"].iloc[-1] > bands["sem"].iloc[0]


def test_sem_at_a_level_has_an_interval_and_an_mdc():
    found = tc.measurement_error(long(table(80, growth=0.1)))
    low, high = found.mdc_at(8), found.mdc_at(28)
    assert low.level == "person"
    assert low.value < high.value
    assert low.low < low.value < low.high
    assert any("depends on the level" in caution for caution in found.cautions)
    assert found.mdc_at(8).low == low.low


def test_log_scale_gives_lopsided_percentages():
    rng = np.random.default_rng(2)
    true = np.exp(rng.normal(2.5, 0.4, (300, 1)))
    found = tc.measurement_error(long(true * np.exp(rng.normal(0, 0.1, (300, 2)))), error="consistency").on_log_scale()
    assert found.sem.value == pytest.approx(0.1, rel=0.1)
    assert found.cv.value == pytest.approx(np.exp(found.sem.value) - 1)
    assert found.mdc95_up.value * found.mdc95_down.value == pytest.approx(1)
    assert found.mdc95_up.value - 1 > 1 - found.mdc95_down.value
    assert found.flatter == "log"
    assert found.mdc95_down.low < found.mdc95_down.value < found.mdc95_down.high


# Oracle: pingouin's repeated-measures analysis of variance with Greenhouse-Geisser correction.
def test_trial_means_and_epsilon_agree_with_pingouin():
    import pingouin as pg

    scores = table(25, 4, shift=[0, 0.4, 0.6, 0.6])
    found = learning(scores, (1, 2, 3, 4))
    theirs = pg.rm_anova(long(scores), dv="value", within="trial", subject="person", correction=True).iloc[0]
    assert found.f == pytest.approx(theirs["F"])
    assert found.p_value == pytest.approx(theirs["p_unc"])
    assert found.epsilon == pytest.approx(theirs["eps"], rel=1e-6)
    assert found.p_corrected == pytest.approx(theirs["p_GG_corr"], rel=1e-6)


def test_familiarisation_shows_in_the_first_step_only():
    rng = np.random.default_rng(3)
    scores = rng.normal(10, 3, (200, 1)) + [0, 1, 1.05] + rng.normal(0, 1, (200, 3)) * [1.6, 0.7, 0.7]
    steps = learning(scores, ("a", "b", "c"), margin=0.5).steps
    assert steps.loc[0, "p_value"] < 0.001
    assert not steps.loc[0, "within_margin"]
    assert steps.loc[1, "within_margin"]
    assert steps.loc[0, "sem"] > steps.loc[1, "sem"]


# Oracle: two one-sided t tests by scipy.
def test_equivalence_is_two_one_sided_tests():
    scores = table(40, shift=[0, 0.1])
    gains = scores[:, 1] - scores[:, 0]
    step = learning(scores, (1, 2), margin=0.4).steps.iloc[0]
    both = max(
        stats.ttest_1samp(gains, -0.4, alternative="greater").pvalue,
        stats.ttest_1samp(gains, 0.4, alternative="less").pvalue,
    )
    assert step["within_margin"] == (both < 0.05)


def test_two_trials_cannot_tell_learning():
    found = tc.measurement_error(long(table(30, shift=[0, 2]))).learning_between_trials(margin=0.5)
    assert found.epsilon == pytest.approx(1)


def test_pictures():
    found = tc.measurement_error(long(table(30, 3, growth=0.1, shift=[0, 1, 1])), unit="s")
    ax = found.learning_between_trials().plot()
    assert [tick.get_text() for tick in ax.get_xticklabels()] == ["trial 0", "trial 1", "trial 2"]
    assert "30 people" in ax.get_title()
    spread = found.spread.plot()
    assert spread.get_ylabel() == "SEM (s)"
    assert "Standard error" in found.spread.alt
    beside = tc.published("timed_up_and_go", "sem")
    forest = found.plot(beside=beside)
    assert len(forest.get_yticklabels()) == 1 + len(beside)
    assert len(found.plot().get_yticklabels()) == 3
