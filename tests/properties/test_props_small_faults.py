"""Numbers that a small fault would move and no other test held: each was found by planting that fault."""

from math import sqrt

import numpy as np
import pytest
from scipy import stats

import truechange as tc
from truechange.numerics.true_change import TrueSpread
from truechange.planning.power import plan_two_programmes
from truechange.planning.precision import plan_true_share
from truechange.programme.missing import impute, missing_follow_up
from truechange.reliability.icc import shared_trials, variance_components
from truechange.validation.cases import long


def people(n=60, seed=3):
    rng = np.random.default_rng(seed)
    before = np.round(rng.normal(10, 3, n))
    change = np.round(rng.normal(2, 2.4, n))
    return before, before + change, np.digitize(change + rng.normal(0, 2, n), [-2, 1.5, 4.5]) - 1


def test_the_share_improved_has_wilson_s_limits():
    # Source: the same interval by another function of the library, itself held against Newcombe 1998 (printed table)
    before, after, anchor = people()
    share = tc.anchor_check(before, after, anchor).improved
    one = tc.proportion(int((anchor >= 1).sum()), len(anchor))
    assert (share.value, share.low, share.high) == pytest.approx((one.value, one.low, one.high), abs=1e-12)


def test_half_an_sd_of_change_has_the_limits_of_an_sd():
    # Source: chi-squared limits of an SD (textbook form), scipy.stats
    before, after, anchor = people()
    sd, n = (after - before).std(ddof=1), len(before)
    row = tc.mcid(after - before, anchor, before=before, after=after, n_boot=100).size_references.loc[
        "0.5 SD of change"
    ]
    low, high = (0.5 * sd * sqrt((n - 1) / stats.chi2.ppf(q, n - 1)) for q in (0.975, 0.025))
    assert (row["estimate"], row["low"], row["high"]) == pytest.approx((0.5 * sd, low, high))


def test_an_adjusted_comparison_spends_a_degree_of_freedom_and_pays_for_chance_imbalance():
    # Source: noncentral t power with 2n - 3 degrees of freedom at the exact number of people (scipy.stats), averaged
    # over the imbalance of normal scores before: it widens the variance by 1 + F/(2n - 2), F on 1 and 2n - 2
    plan = plan_two_programmes(1.4, 1.0, correlation=0.5, power=0.8)
    n = plan.exact
    cut = stats.t.ppf(0.975, 2 * n - 3)

    def power(imbalance):
        shift = 1.4 / sqrt(0.75) * sqrt(n / 2) / np.sqrt(1 + imbalance / (2 * n - 2))
        return stats.nct.sf(cut, 2 * n - 3, shift) + stats.nct.cdf(-cut, 2 * n - 3, shift)

    assert stats.f(1, 2 * n - 2).expect(power) == pytest.approx(0.8, abs=1e-3)
    assert plan.start == plan.need


def test_the_mean_of_filled_data_keeps_the_degrees_of_freedom_of_the_people():
    # Source: Barnard and Rubin 1999: without variance between fillings, df = (c + 1)/(c + 3) c with c = n - 1
    rng = np.random.default_rng(4)
    before = rng.normal(10, 3, 40)
    change = 2 - 0.1 * before
    change[:6] = np.nan
    mean = missing_follow_up(change, 2.0, before[:, None]).mean
    assert mean.df == pytest.approx(40 / 42 * 39, rel=1e-6)


def test_gaps_in_two_columns_are_filled_in_several_rounds():
    rng = np.random.default_rng(5)
    first = rng.normal(0, 1, 80)
    table = np.column_stack([first, first + rng.normal(0, 0.3, 80), first + rng.normal(0, 0.3, 80)])
    table[:20, 1], table[10:30, 2] = np.nan, np.nan
    assert not np.allclose(impute(table, 2, seed=1, rounds=1), impute(table, 2, seed=1, rounds=5))
    one_gap = table.copy()
    one_gap[:, 2] = first
    np.testing.assert_allclose(impute(one_gap, 2, seed=1, rounds=1), impute(one_gap, 2, seed=1, rounds=5))


@pytest.mark.parametrize(("before", "after", "sem"), [(16.0, 20.0, 1.2), (20.0, 17.0, 1.0)])
def test_a_score_at_the_end_of_the_scale_is_known_only_to_lie_there_or_beyond(before, after, sem):
    # Source: mean of a normal tail (scipy.stats.truncnorm) put through the linear posterior
    group = tc.Programme(14, 17, 3.0, 3.2, 0.8, 100_000)
    s = np.array([[9.0, 0.8 * 9.6], [0.8 * 9.6, 10.24]])
    pull = np.array([-1.0, 1.0]) @ (s - sem**2 * np.eye(2)) @ np.linalg.inv(s)
    mu, seen, end = np.array([14.0, 17.0]), np.array([before, after]), 0 if before == 20 else 1
    other = 1 - end
    centre = mu[end] + s[0, 1] / s[other, other] * (seen[other] - mu[other])
    spread = sqrt(s[end, end] - s[0, 1] ** 2 / s[other, other])
    seen[end] = stats.truncnorm.mean((20 - centre) / spread, np.inf, loc=centre, scale=spread)
    expected = 3.0 + pull @ (seen - mu)
    one = tc.person_change(before, after, sem=sem, mcid=2.0, programme=group, scale_low=0, scale_high=20)
    assert one.true_change.value == pytest.approx(expected, abs=0.01)


def test_partly_shared_trials_are_counted_over_pairs_of_different_people():
    # by hand: two people share both trials, the third has only the second one
    harmonic, apart = shared_trials(np.array([[True, True], [True, True], [False, True]]))
    assert harmonic == pytest.approx(3 / (1 / 2 + 1 / 2 + 1))
    assert apart == pytest.approx(2 / 3 - (2 / 4 + 1 / 2 + 1 / 2) / 3)


@pytest.mark.parametrize(("trials", "few"), [(4, True), (5, False)])
def test_few_levels_are_called_few(trials, few):
    rng = np.random.default_rng(6)
    scores = rng.normal(0, 2, (12, 1)) + rng.normal(0, 1, trials) + rng.normal(0, 1, (12, trials))
    found = variance_components(long(scores), limits="monte-carlo", n_boot=10)
    assert any("Fewer than 5 levels of trial" in said for said in found.cautions) == few


def retest(n=12, k=3, seed=7):
    rng = np.random.default_rng(seed)
    scores = rng.normal(10, 3, (n, 1)) + rng.normal(0, 1, (n, k)) + np.arange(k)
    return scores, long(scores)


def test_the_error_of_each_test_enters_the_mdc_over_the_scores_averaged_there():
    # by hand: z √(SEM₁²/m₁ + SEM₂²/m₂)
    _, data = retest()
    error = tc.measurement_error(data)
    expected = 1.959963985 * sqrt(error.sem.value**2 / 3 + 0.7**2 / 2)
    found = error.mdc(scores_before=3, scores_after=2, sem_after=0.7)
    assert found.value == pytest.approx(expected, rel=1e-8)
    assert not found.has_interval


def test_each_step_between_trials_has_the_p_of_a_paired_t_test():
    # Source: scipy.stats.ttest_rel
    scores, data = retest()
    steps = tc.measurement_error(data).learning_between_trials().table()
    for at, row in enumerate(steps.to_dict("records")):
        assert row["p_value"] == pytest.approx(stats.ttest_rel(scores[:, at + 1], scores[:, at]).pvalue)


def test_a_test_without_error_is_a_possible_test():
    before, after, anchor = people()
    found = tc.mcid(after - before, anchor, sem=0.0, n_boot=100)
    assert found.change_reliability.value == pytest.approx(1.0)
    with pytest.raises(tc.ChoiceError):
        tc.mcid(after - before, anchor, sem=-0.1, n_boot=100)


def test_a_plan_for_the_true_share_needs_an_error_to_remove():
    with pytest.raises(tc.OutcomeError):
        plan_true_share(0.1, mean=1.0, sd=2.5, sem=0.0, mcid=2.0)


def test_the_score_p_of_two_shares_is_the_chi_square_without_correction():
    # Source: scipy.stats.chi2_contingency
    for k1, n1, k2, n2 in ((18, 30, 9, 28), (3, 17, 8, 21), (40, 41, 30, 39)):
        table = [[k1, n1 - k1], [k2, n2 - k2]]
        expected = stats.chi2_contingency(table, correction=False).pvalue
        assert tc.compare_responders(k1, n1, k2, n2).p_score == pytest.approx(expected, rel=1e-9)


def test_what_is_not_known_of_a_small_group_s_mean_widens_each_person_s_chance():
    # by hand: with V the variance of a change and n people, the mean adds (1 - rel)² V/n
    spread = TrueSpread(np.array([1.5]), np.array([1.2]), np.array([1.0]), 1.0, 8)
    total = 1.5**2 + 2 * 1.2**2
    kept = 1.5**2 / total
    variance = kept * 2 * 1.2**2 + (1 - kept) ** 2 * total / 8
    expected = stats.norm.sf(2.0, 1.0 + kept * (np.array([0.0, 4.0]) - 1.0), sqrt(variance))
    np.testing.assert_allclose(spread.chances(np.array([0.0, 4.0]), 2.0), expected, rtol=1e-9)
