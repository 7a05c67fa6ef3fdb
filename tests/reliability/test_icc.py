"""ICC: against a general library, identities, what it refuses, what it says."""

import numpy as np
import pandas as pd
import pytest
from scipy.optimize import minimize

import truechange as tc
from truechange.numerics.variances import mean_squares
from truechange.validation.cases import long


# Oracle: scipy.stats.bootstrap, BCa, on the same statistic (its own random stream: limits agree within sampling noise).
def test_bca_limits_agree_with_scipy():
    from scipy.stats import bootstrap

    table = np.random.default_rng(7).normal(0, 3, (30, 1)) + np.random.default_rng(8).normal(0, 1, (30, 2))

    def consistency(first, second, axis):
        p = np.var(first + second, axis=axis, ddof=1) / 2
        e = np.var(first - second, axis=axis, ddof=1) / 2
        return (p - e) / (p + e)

    theirs = bootstrap(table.T, consistency, paired=True, n_resamples=9999, method="BCa", rng=np.random.default_rng(1))
    ours = tc.icc(long(table), form="ICC(C,1)", limits="bca", n_boot=9999).estimate
    assert [ours.low, ours.high] == pytest.approx(list(theirs.confidence_interval), abs=0.01)


def gaps():
    table = np.random.default_rng(5).normal(0, 3, (20, 1)) + np.random.default_rng(6).normal(0, 1, (20, 3))
    return long(table).drop(index=[4, 30, 31])


def test_gaps_are_refused_by_name_left_out_or_used():
    data = gaps()
    with pytest.raises(tc.DataError, match=r"for 2 of 20 people: 1, 10\."):
        tc.icc(data, form="ICC(A,1)")
    out = tc.icc(data, form="ICC(A,1)", missing="leave out")
    assert out.estimate.n == 18
    assert "2 people set aside, a missing trial: 1, 10." in out.cautions
    every = tc.icc(data, form="ICC(C,1)", missing="reml")
    assert every.estimate.n == 20
    assert abs(every.estimate.value - out.estimate.value) < 0.05
    assert every.estimate.low < every.estimate.value < every.estimate.high


def test_reml_equals_mean_squares_where_nothing_is_missing_but_one_score():
    table = (
        np.random.default_rng(5).normal(0, 3, (40, 1))
        + np.array([0, 1, 2])
        + np.random.default_rng(6).normal(0, 1, (40, 3))
    )
    whole = tc.icc(long(table), form="ICC(A,1)").estimate
    nearly = tc.icc(long(table).iloc[:-1], form="ICC(A,1)", missing="reml").estimate
    assert nearly.value == pytest.approx(whole.value, abs=0.01)


def test_average_forms_by_reml_say_how_many_scores_and_what_is_shared():
    found = tc.icc(gaps(), form="ICC(A,k)", missing="reml")
    assert any("harmonic mean" in caution for caution in found.cautions)
    assert any("ICC(Q,k)" in caution for caution in found.cautions) or any("0 (on" in c for c in found.cautions)


def test_half_without_the_second_trial():
    data = long(np.random.default_rng(5).normal(0, 3, (24, 1)) + np.random.default_rng(6).normal(0, 1, (24, 2)))
    data = data[~((data["trial"] == 1) & (data["person"] % 2 == 0))]
    assert tc.icc(data, form="ICC(C,1)", missing="reml").estimate.n == 24
    few = data[data["person"] < 12]
    with pytest.raises(tc.RefusedError, match="Only 6 people have two or more scores"):
        tc.icc(few, form="ICC(C,1)", missing="reml")


def test_a_constant_shift_still_counts_for_agreement():
    found = tc.icc(long([[9, 11], [12, 14], [7, 9]]), form="ICC(A,1)")
    assert found.estimate.value < 1
    assert np.isfinite([found.estimate.low, found.estimate.high]).all()


# Mean squares by hand, two trials. First table: people 0.125, trials 0.125, error 8.125, within 6.125. Second: people
# 7/3, trials 0, error 8/3, within 2; REML gives up the trials and finds (7/3 − 2)/2 = 1/6 for people, 2 for error.
NEGATIVE = [
    ([[10, 14], [13, 11], [11, 13], [14, 9]], {"ICC(1)": -0.96, "ICC(A,1)": -32 / 17, "ICC(C,1)": -32 / 33}, 0.0, "0"),
    ([[10.5, 8.5], [8, 10], [11, 9], [10.5, 12.5]], {"ICC(A,1)": -1 / 11, "ICC(C,1)": -1 / 15}, 1 / 13, "0.08"),
]


def restricted_share(table):
    """Share of people's variance that maximises the restricted likelihood, all variances at least 0."""
    n, k = np.shape(table)
    parts = [np.kron(np.eye(n), np.ones((k, k))), np.kron(np.ones((n, n)), np.eye(k)), np.eye(n * k)]
    scores, ones = np.ravel(table), np.ones(n * k)

    def twice_minus_log(variances):
        inverse = np.linalg.inv(sum(v * part for v, part in zip(variances, parts, strict=True)))
        weight = ones @ inverse @ ones
        off = scores - ones @ inverse @ scores / weight
        return np.log(weight) - np.linalg.slogdet(inverse)[1] + off @ inverse @ off

    found = minimize(twice_minus_log, [1.0, 1.0, 1.0], bounds=[(0, None), (0, None), (0.01, None)], tol=1e-14)
    return found.x[0] / found.x.sum()


@pytest.mark.parametrize(("table", "by_hand", "reml", "said"), NEGATIVE, ids=["as nothing", "a little"])
def test_a_negative_estimate_is_printed_with_what_reml_would_say(table, by_hand, reml, said):
    for form, value in by_hand.items():
        found = tc.icc(long(table), form=form)
        assert found.estimate.value == pytest.approx(value)
        assert f"{form} = −" in found.sentence()
        assert "not distinguishable from error" in found.sentences()[-1]
        assert (
            "The estimate is negative: people differ less than error alone would make them differ; "
            f"by REML the value would be {said}."
        ) in found.cautions
    assert restricted_share(table) == pytest.approx(reml, abs=1e-4)


def test_result_says_itself():
    found = tc.icc(long([[9, 10], [12, 12], [7, 8], [14, 13]]), form="ICC(A,1)")
    assert found.shrout_fleiss == "ICC(2,1)"
    assert found.table().loc[0, "estimate"] == found.estimate.value
    assert "ICC(A,1)" in found._repr_html_()
    assert found.plot().get_xlim()[1] == 1


@pytest.mark.parametrize(("answers", "form"), [
    ({}, "ICC(A,1)"), ({"shifts_matter": False}, "ICC(C,1)"), ({"scores_averaged": True}, "ICC(A,k)"),
    ({"trials_linked": False}, "ICC(1)"), ({"trials_linked": False, "scores_averaged": True}, "ICC(k)")])  # fmt: skip
def test_four_questions_choose_the_form(answers, form):
    choice = tc.choose_icc(**answers)
    assert choice.form == form
    assert len(choice.reasons) == 4
    assert tc.choose_icc(complete=False, **answers).missing == "reml"


def test_rounding_noise_is_not_taken_for_error():
    shifted = long(np.arange(12.0)[:, None] + np.array([0, 1, 3.0]))
    found = tc.icc(shifted, form="ICC(C,1)")
    assert found.estimate.value == 1
    assert not found.estimate.has_interval
    error = tc.measurement_error(shifted, error="consistency", resolution=1)
    assert error.sem_consistency.value == 0
    assert error.mdc95.value == pytest.approx(1)
    assert any("agree completely" in caution for caution in error.cautions)
    pairs = tc.limits_of_agreement(np.arange(20) * 1.1, np.arange(20) * 1.1 + 0.1)
    assert [caution for caution in pairs.cautions if "depends" in caution or "change with" in caution] == []
    assert any("All differences are equal" in caution for caution in pairs.cautions)
    same = tc.measurement_error(long(np.full((12, 3), 0.1)))
    assert not any("depends on the level" in caution for caution in same.cautions)


# Identity: an ICC has no unit, so a scale in thousandths or in millions gives the same one, rounding apart.
@pytest.mark.parametrize("scale", [1e-9, 1e9])
def test_rounding_is_judged_by_the_size_of_the_scores(scale):
    apart = 10 + np.arange(12.0)[:, None] * 0.1 + np.array([0, 0.1, 0.3])
    assert mean_squares(apart * scale).error == 0
    scores = apart + np.random.default_rng(1).normal(0, 0.1, (12, 3))
    one, other = (tc.icc(long(table), form="ICC(C,1)").estimate for table in (scores, scores * scale))
    assert (other.value, other.low, other.high) == pytest.approx((one.value, one.low, one.high), rel=1e-6)


@pytest.mark.parametrize(("limits", "word"), [("auto", "Monte-Carlo"), ("bootstrap", "parametric bootstrap (B = 50)")])
def test_intervals_of_variances_name_their_method(limits, word):
    scores = long(np.random.default_rng(1).normal(12, 3, (20, 1)) + np.random.default_rng(2).normal(0, 1, (20, 3)))
    found = tc.variance_components(scores, random=["person"], limits=limits, n_boot=50)
    assert all(word in e.method for e in found.variances.values())


@pytest.mark.parametrize("limits", ["bca", "percentile"])
def test_an_icc_draws_ten_thousand_resamples_unless_told(limits):
    scores = long(np.random.default_rng(1).normal(12, 3, (20, 1)) + np.random.default_rng(2).normal(0, 1, (20, 3)))
    assert "(B = 10000" in tc.icc(scores, form="ICC(C,1)", limits=limits).estimate.method


def test_undefined_forms_have_no_limits():
    assert not tc.icc(long([[1, 9], [9, 1], [4, 6]]), form="ICC(A,k)").estimate.has_interval


def test_reml_on_complete_scores_says_that_mean_squares_were_used():
    scores = pd.DataFrame(
        {
            "person": list("ABCDEFGHIJKL") * 2,
            "trial": [1] * 12 + [2] * 12,
            "value": [9, 12, 7, 14, 11, 10, 8, 13, 15, 6, 9, 12, 10, 12, 8, 13, 11, 11, 8, 15, 14, 7, 9, 11],
        }
    )
    asked, plain = (tc.icc(scores, form="ICC(A,1)", missing=missing) for missing in ("reml", "refuse"))
    assert asked.estimate == plain.estimate
    said = "No score is missing, so the mean squares were used instead of REML"
    assert any(text.startswith(said) for text in asked.cautions)
    assert not any(text.startswith(said) for text in plain.cautions)
    short = tc.icc(scores.iloc[:-1], form="ICC(A,1)", missing="reml")
    assert not any(text.startswith(said) for text in short.cautions)
