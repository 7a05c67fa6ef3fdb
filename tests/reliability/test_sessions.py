"""Trials within sessions: variances against statsmodels and the analysis of variance, coverage, the rule of a visit."""

import warnings

import matplotlib as mpl
import numpy as np
import pandas as pd
import pytest

import truechange as tc
from truechange.numerics.variances import session_draws

mpl.use("Agg")


def scores_of(n=40, m=2, k=2, sds=(3.0, 0.3, 0.9, 1.0), seed=1):
    """Return scores of people x sessions x trials with these SDs of person, session, person x session and trial."""
    rng = np.random.default_rng(seed)
    p, s, ps, e = sds
    return (12 + rng.normal(0, p, (n, 1, 1)) + rng.normal(0, s, (1, m, 1)) + rng.normal(0, ps, (n, m, 1))
            + rng.normal(0, e, (n, m, k)) + 0.3 * np.arange(k))  # fmt: skip


def study(scores):
    person, session, trial = (at.ravel() for at in np.indices(scores.shape))
    return pd.DataFrame({"person": person, "session": session, "trial": trial + 1, "value": scores.ravel()})


# Oracle: statsmodels MixedLM by REML, random intercepts of person and of session within person, trial fixed.
@pytest.mark.parametrize("gaps", [0, 7])
def test_variances_agree_with_a_mixed_model_of_statsmodels(gaps):
    import statsmodels.formula.api as smf

    data = study(scores_of()).drop(index=range(3, 3 + 5 * gaps, 5))
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        theirs = smf.mixedlm(
            "value ~ C(trial)", data, groups="person", re_formula="1", vc_formula={"session": "0 + C(session)"}
        ).fit(reml=True)
    ours = tc.session_reliability(data, error="one-way", missing="reml").components.variances
    expected = [float(theirs.cov_re.iloc[0, 0]), float(theirs.vcomp[0]), float(theirs.scale)]
    assert [e.value for e in ours.values()] == pytest.approx(expected, rel=1e-3)


# Identity: in a balanced study with every trial averaged, the visits' means are a two-way table of one score a visit.
def test_the_mean_of_all_trials_is_the_two_way_table_of_visit_means():
    scores = scores_of() + np.array([0, 0.8])[:, None]
    found = tc.session_reliability(study(scores), error="agreement").at(trials=2)
    means = study(scores.mean(axis=2, keepdims=True))
    assert found.icc.value == pytest.approx(tc.icc(means, form="ICC(A,1)", trial="session").estimate.value, rel=1e-6)
    assert found.sem.value == pytest.approx(tc.measurement_error(means, trial="session").sem.value, rel=1e-6)
    consistent = tc.session_reliability(study(scores), error="consistency").at(2)
    exact = tc.icc(means, form="ICC(C,1)", trial="session").estimate
    assert consistent.icc.value == pytest.approx(exact.value, rel=1e-6)
    assert (consistent.icc.low, consistent.icc.high) == pytest.approx((exact.low, exact.high), abs=0.006)
    chi_square = tc.measurement_error(means, trial="session", error="consistency").sem
    assert (consistent.sem.low, consistent.sem.high) == pytest.approx((chi_square.low, chi_square.high), rel=0.02)


def test_more_trials_and_sessions_shrink_the_error_by_the_parts_they_average():
    found = tc.session_reliability(study(scores_of()), error="consistency", unit="stands")
    v = {name: e.value for name, e in found.components.variances.items()}
    for k, m in ((1, 1), (3, 1), (2, 4)):
        noise = v["person:session"] / m + v["residual"] / (k * m)
        assert found.at(k, m).sem.value == pytest.approx(np.sqrt(noise))
        assert found.at(k, m).icc.value == pytest.approx(v["person"] / (v["person"] + noise))
        assert found.at(k, m).mdc95.value == pytest.approx(1.959964 * np.sqrt(2 * noise), rel=1e-6)
    assert found.sentence().startswith("A score that is the single trial in one session: ICC 0.")
    assert found.table().groupby(["trials", "sessions"]).size().tolist() == [3] * 4
    assert found.at(2, 2).sem.origin.score == "mean over 2 visits of the mean of 2 trials a visit"
    assert found.plot().get_xlim()[0] == 0


@pytest.mark.parametrize("crossed", [True, False])
def test_intervals_cover_the_true_error_and_icc(crossed):
    p, s, ps, e = 3.0, 0.4 * crossed, 0.4, 1.0
    inside = []
    for seed in range(300):
        draws = session_draws(scores_of(30, 2, 2, (p, s, ps, e), seed), crossed, 1000, seed)
        noise = draws[:, 1:-1].sum(axis=1) + draws[:, -1]
        for drawn, true in ((noise, s**2 + ps**2 + e**2), (draws[:, 0] / (draws[:, 0] + noise), None)):
            low, high = np.quantile(drawn, [0.025, 0.975])
            true = p**2 / (p**2 + s**2 + ps**2 + e**2) if true is None else true
            inside.append(low <= true <= high)
    assert 0.92 < np.mean(inside) <= 1


def test_an_error_without_the_effect_of_sessions_is_said_to_be_too_narrow():
    found = tc.session_reliability(study(scores_of()), error="one-way")
    assert any("too narrow" in text for text in found.cautions)


@pytest.mark.parametrize(("rule", "of"), [("mean", np.mean), ("highest", np.max), ("lowest", np.min)])
def test_the_rule_of_a_visit_makes_its_score(rule, of):
    scores = scores_of(60)
    found = tc.measurement_error(study(scores), session="session", rule=rule)
    by_hand = tc.measurement_error(study(of(scores, axis=2, keepdims=True)), trial="session")
    assert (found.sem.value, found.sem.high) == pytest.approx((by_hand.sem.value, by_hand.sem.high))
    word = "mean" if rule == "mean" else "best"
    assert f"each the {word} of 2 trials a visit" in found.sentences()[1]
    said = tc.person_change(9, 13, sem=found.sem, mcid=2.0).cautions
    assert any(f"SEM is that of the {word} of 2 trials a visit" in text for text in said)


# A trial number that only some sessions have is no sign of numbers running on: one in two sessions shows that.
def test_trial_numbers_run_on_only_where_none_occurs_in_two_sessions():
    once_more = study(scores_of(k=3)).query("session == 0 or trial < 3")
    assert tc.session_reliability(once_more, error="one-way", missing="reml").components.sample.n == 40
    running = study(scores_of()).assign(trial=lambda rows: rows["trial"] + 2 * rows["session"])
    with pytest.raises(tc.DataError, match="no trial number occurs in two sessions"):
        tc.session_reliability(running, error="one-way", missing="reml")


def test_the_first_and_the_last_trial_are_those_of_the_order_done():
    scores = scores_of(60)
    for rule, at in (("first", 0), ("last", 1)):
        found = tc.measurement_error(study(scores).sample(frac=1, random_state=1), session="session", rule=rule)
        assert found.scores == pytest.approx(scores[:, :, at])
