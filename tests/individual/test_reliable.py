"""The reliable-change family against published and recomputed examples (sources in the case files)."""

import math

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import stats

import truechange as tc
from truechange.individual import norm_position, predict_retest, recovery_cutoffs
from truechange.validation.cases import Expected, load_case


def _close(got: float, expected: Expected) -> None:
    assert got == pytest.approx(expected.value, abs=expected.tolerance + 1e-9)


def test_jacobson_and_truax():
    one = load_case("rci_jacobson_truax_1991")
    data, expected = one.data, one.expected
    cuts = recovery_cutoffs(data["M_dysfunctional"], data["s1"], data["M_functional"], data["s0"])
    for name in "abc":
        _close(cuts[name], expected[name])
    sem = data["s1"] * math.sqrt(1 - data["rxx"])
    _close(sem, expected["SE"])
    row = tc.reliable_change(data["pre"], data["post"], sem=sem).loc["jacobson_truax"]
    _close(row["standard_error"], expected["S_diff"])
    _close(row["statistic"], expected["RC"])
    got = tc.person_change(data["pre"], data["post"], sem=sem, mcid=5)
    _close(got.reliable_change_index, expected["RC"])
    # the printed 9.29 was worked from the rounded 4.74; unrounded it is 9.297
    assert 1.96 * round(row["standard_error"], 2) == pytest.approx(expected["min_change_95"].value, abs=0.005)
    assert got.mdc.value == pytest.approx(9.297, abs=5e-4)


def test_one_score_against_a_small_norm_sample():
    one = load_case("single_case_crawford_howell_1998")
    t, share = norm_position(one.data["case"], one.data["mean"], one.data["sd"], one.data["n"])
    _close(t, one.expected["t"])
    _close(share, one.expected["p_one_tailed"])


def test_regression_based_change_on_genuine_data():
    one = load_case("regression_change_prediction_se")
    data, expected = one.data, one.expected
    first, second = np.array(data["trial1"], float), np.array(data["trial2"], float)
    group = tc.Programme(
        first.mean(), second.mean(), first.std(ddof=1), second.std(ddof=1), np.corrcoef(first, second)[0, 1], len(first)
    )
    predicted, se = predict_retest(data["x"], group)
    _close(predicted, expected["pred"])
    _close(se, expected["se_new"])
    row = tc.reliable_change(data["x"], data["y"], sem=5, retest=group).loc["regression_based"]
    _close(row["statistic"], expected["t"])
    _close(row["p_value"], expected["p_two_tailed"])
    assert "30 are advised" in row["note"]
    # another library in the same run: the prediction interval of a new observation
    fit = sm.OLS(second, sm.add_constant(first)).fit()
    frame = fit.get_prediction([[1.0, data["x"]]]).summary_frame(alpha=0.05)
    assert predicted == pytest.approx(frame["mean"].iloc[0])
    half = stats.t.ppf(0.975, 6) * se
    assert predicted + half == pytest.approx(frame["obs_ci_upper"].iloc[0])


# Own worked vector, recomputed independently: retest n 30, r .9, SD 3.2, means 11 and 11.3.
def test_the_worked_family():
    retest = tc.Programme(11, 11.3, 3.2, 3.2, 0.9, 30)
    family = tc.reliable_change(
        9, 13, sem=1.0, practice=0.3, retest=retest, programme=tc.Programme(11, 13, 3.2, 3.4, 0.8, 200)
    )
    assert family.loc["jacobson_truax", "statistic"] == pytest.approx(2.828, abs=5e-4)
    assert family.loc["practice_adjusted", "statistic"] == pytest.approx(2.616, abs=5e-4)
    assert family.loc["regression_based", "statistic"] == pytest.approx(2.410, abs=5e-4)
    assert family.loc["regression_based", "p_value"] == pytest.approx(0.0228, abs=5e-5)
    assert family["beyond_error"].all()


def test_the_drawn_index_is_the_posterior_mean_over_its_spread():
    group = tc.Programme(11, 13, 3.2, 3.4, 0.8, 200)
    for before, after, better in ((9, 13, "higher"), (14, 10.5, "lower")):
        given = {"sem": 1.0, "better": better, "programme": group}
        drawn = tc.reliable_change(before, after, **given)["statistic"]["hageman_arrindell"]
        belief = tc.person_change(before, after, mcid=2, **given).priors().loc["programme, change only"]
        assert drawn == pytest.approx(belief["mean"] / belief["sd"], abs=1e-12)


def test_what_cannot_be_computed_is_there_with_its_reason():
    family = tc.reliable_change(9, 13, sem=1.0)
    assert len(family) == 6
    assert family.loc["regression_based", "note"] == "needs an untreated retest sample of at least 3 people"
    assert math.isnan(family.loc["regression_based", "statistic"])
    assert tc.reliable_change(9, 13, sem=0.0).loc["jacobson_truax", "note"] == "the standard error is 0"
    noise = tc.reliable_change(9, 13, sem=3.0, programme=tc.Programme(11, 13, 3, 3, 0.9, 50)).loc["hageman_arrindell"]
    assert "no more than measurement error" in noise["note"]


def test_the_family_takes_the_same_error_as_the_verdict():
    given = tc.reliable_change(9, 13, sem=tc.Estimate(value=1.0, df=29))
    assert given.loc["jacobson_truax", "statistic"] == pytest.approx(4 / 2**0.5)


def test_the_sign_follows_the_direction_of_the_test():
    up, down = (
        tc.reliable_change(9, 13, sem=1, sem_after=2, practice=0.5),
        tc.reliable_change(13, 9, sem=1, sem_after=2, practice=0.5, better="lower"),
    )
    assert (up["statistic"].dropna() == down["statistic"].dropna()).all()
    assert up.loc["unequal_error", "standard_error"] == pytest.approx(math.sqrt(5))
