"""Group change, effect sizes, comparison with others, response spread, regression to the mean."""

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from scipy import stats
from statsmodels.stats.multitest import multipletests

import truechange as tc
from truechange.foundation.errors import DataError
from truechange.programme.audit_result import holm
from truechange.programme.change import (
    gain_from_selection,
    noncentral_t_limits,
    paired_change,
    start_dependence,
    trimmed_mean,
)
from truechange.programme.comparison import (
    adjusted_difference,
    adjusted_share_difference,
    compare_programmes,
    individual_response,
    subgroup_differences,
)
from truechange.validation.cases import load_case

scores = arrays(float, st.integers(4, 30), elements=st.integers(0, 25).map(float))


def two_groups(n=80, effect=1.5, seed=1, slope=-0.3, spread=(2.0, 1.4)):
    rng = np.random.default_rng(seed)
    before = rng.normal(11, 3, 2 * n)
    group = np.repeat([1.0, 0.0], n)
    noise = rng.normal(0, 1, 2 * n) * np.where(group == 1, *spread)
    return before, 0.4 + effect * group + slope * (before - 11) + noise, group


@pytest.mark.parametrize(("t", "df"), [(0.0, 5), (2.1, 9), (-4.0, 12), (14.5, 162), (40.0, 500)])
def test_noncentral_limits_are_those_of_scipy(t, df):
    low, high = noncentral_t_limits(t, df, 0.95)
    assert (stats.nct.cdf(t, df, low), stats.nct.cdf(t, df, high)) == pytest.approx((0.975, 0.025), abs=1e-6)


@settings(derandomize=True, deadline=None, max_examples=40)
@given(scores)
def test_mean_and_trimmed_mean_agree_with_other_libraries(values):
    if np.std(values) == 0:
        return
    found = paired_change(np.zeros(values.size), values, values)
    theirs = stats.ttest_1samp(values, 0)
    assert found.p_value == pytest.approx(theirs.pvalue, abs=1e-12)
    interval = theirs.confidence_interval()
    assert (found.mean.low, found.mean.high) == pytest.approx((interval.low, interval.high), abs=1e-9)
    assert trimmed_mean(values, 0.95).value == pytest.approx(stats.trim_mean(values, 0.2), abs=1e-12)


def test_practice_is_subtracted_with_its_own_doubt():
    values = np.array([3.0, 1, 2, 4, 0, 2, 3, 1, 2, 2])
    plain = paired_change(np.zeros(10), values, values)
    practice = tc.Estimate(value=0.5, low=0.1, high=0.9, df=30)
    less = paired_change(np.zeros(10), values, values, practice=practice).beyond_practice
    known = paired_change(np.zeros(10), values, values, practice=0.5).beyond_practice
    assert less.value == known.value == pytest.approx(plain.mean.value - 0.5)
    assert less.high - less.low > known.high - known.low == pytest.approx(plain.mean.high - plain.mean.low)


def test_degenerate_changes():
    same = paired_change([1, 2, 3], [2, 3, 4], [1, 1, 1])
    assert np.isnan(same.response_mean.value)
    assert any("Every change is the same" in text for text in same.cautions)
    before = np.array([0.1, 0.2, 0.3, 0.4])
    noise = paired_change(before, before + 0.1, before + 0.1 - before)
    assert np.isnan(noise.response_mean.value)
    huge = paired_change(np.zeros(4), [100, 100.1, 100.2, 99.9], [100, 100.1, 100.2, 99.9]).response_mean
    assert huge.low < huge.value < huge.high
    gaps = paired_change([1, 2, 3, 4], [2, 4, 5, np.nan], [1, 2, 2, np.nan])
    assert (gaps.mean.n, gaps.due) == (3, 4)
    assert "of 4 due" in gaps.sentence()
    assert gaps.plot().get_ylabel()


# R's anorexia example (MASS): the two-arm adjusted difference against statsmodels' formula interface in the same run.
def test_ancova_agrees_with_the_formula_interface():
    rows = pd.DataFrame(load_case("ancova_anorexia").rows)
    rows = rows[rows["Treat"].isin(["Cont", "FT"])].assign(pre=lambda d: d["Prewt"].astype(float))
    rows = rows.assign(gain=rows["Postwt"].astype(float) - rows["pre"], ft=(rows["Treat"] == "FT").astype(float))
    gap, p, slope, parallel = adjusted_difference(
        rows["pre"].to_numpy(), rows["gain"].to_numpy(), rows["ft"].to_numpy(), 0.95
    )
    fit = smf.ols("gain ~ pre + ft", rows).fit(cov_type="HC3", use_t=True)
    assert (gap.value, gap.low, gap.high) == pytest.approx((fit.params["ft"], *fit.conf_int().loc["ft"]))
    assert (p, slope) == pytest.approx((fit.pvalues["ft"], fit.params["pre"]))
    crossed = smf.ols("gain ~ pre * ft", rows).fit(cov_type="HC3", use_t=True)
    assert parallel == pytest.approx(crossed.pvalues["pre:ft"], rel=1e-6)


@pytest.mark.simulation
def test_adjusted_share_difference_finds_the_truth_and_is_surer_than_counting():
    """Truth from a clinic of 400,000; 60 small clinics."""
    before, gain, group = two_groups(200_000, seed=3)
    truth = (gain[group == 1] >= 2).mean() - (gain[group == 0] >= 2).mean()
    found, counted, inside = [], [], 0
    for seed in range(60):
        before, gain, group = two_groups(60, seed=100 + seed)
        share = adjusted_share_difference(before, gain, group, 2, n_boot=200, seed=seed)
        found.append(share.value)
        inside += share.low <= truth <= share.high
        counted.append((gain[group == 1] >= 2).mean() - (gain[group == 0] >= 2).mean())
    assert np.mean(found) == pytest.approx(truth, abs=0.03)
    assert np.std(found) < np.std(counted)
    assert inside >= 52


def test_adjusted_shares_agree_with_a_logistic_standardisation():
    before, gain, group = two_groups(3000, seed=4)
    frame = pd.DataFrame({"before": before, "group": group, "y": (gain >= 2).astype(float)})
    fit = smf.logit("y ~ group * before", frame).fit(disp=0)
    standard = fit.predict(frame.assign(group=1)).mean() - fit.predict(frame.assign(group=0)).mean()
    ours = adjusted_share_difference(before, gain, group, 2, n_boot=50).value
    assert ours == pytest.approx(standard, abs=0.02)


def test_whole_number_scores_are_cut_half_a_step_lower():
    before, gain, group = two_groups(4000, seed=5)
    rounded = np.round(gain)
    counted = (rounded[group == 1] >= 2).mean() - (rounded[group == 0] >= 2).mean()
    with_step = adjusted_share_difference(before, rounded, group, 2, resolution=1, n_boot=20).value
    assert abs(with_step - counted) < 0.03


def test_subgroups_are_interactions_with_enough_people():
    before, gain, group = two_groups(100, seed=6)
    rng = np.random.default_rng(7)
    people = pd.DataFrame({"before": before, "improvement": gain, "group": group, "age": rng.normal(66, 7, 200)})
    people["sex"] = rng.choice(["female", "male"], 200)
    people["joint"] = np.where(rng.random(200) < 0.05, "hip", "knee")
    table = subgroup_differences(people, ["sex", "age", "joint"])
    fit = smf.ols("improvement ~ before + group * C(sex)", people).fit(cov_type="HC3", use_t=True)
    assert table.loc[0, "estimate"] == pytest.approx(fit.params["group:C(sex)[T.male]"], rel=1e-6)
    assert table.loc[0, "p"] == pytest.approx(fit.pvalues["group:C(sex)[T.male]"], rel=1e-6)
    assert not table["fact"].str.contains("joint").any()  # a cell with fewer than ten people is no comparison


def test_comparison_words_and_counts():
    before, gain, group = two_groups(40, seed=8)
    first, second = (pd.DataFrame({"before": before[group == at], "improvement": gain[group == at]}) for at in (1, 0))
    first.loc[:4, "improvement"] = np.nan
    found = compare_programmes(first, second, 2.0, names=("leg power", "waiting list"), unit="stands", n_boot=50)
    assert found.responders.counts[1] == 40  # people who started, not those who came back
    assert "waiting list" in found.sentence()
    assert "difference of shares, adjusted" in set(found.table()["quantity"])
    assert found.plot().get_xlabel()
    without = compare_programmes(first, second, "no MCID", names=("a", "b"))
    assert without.adjusted_shares is None
    assert without.refused[0].reason == "no MCID"


def test_spread_of_response():
    rng = np.random.default_rng(9)
    wide, narrow = rng.normal(2, np.sqrt(5), 400), rng.normal(0, 1, 400)
    found = individual_response(wide, narrow)
    assert found.value.low < 2 < found.value.high
    assert found.shown
    same = individual_response(rng.normal(2, 1, 60), rng.normal(0, 1, 60))
    assert same.value.low < 0 < same.value.high
    assert "No evidence" in same.sentence()
    mirrored = individual_response(narrow, wide)
    assert mirrored.value.value == pytest.approx(-found.value.value)


@pytest.mark.parametrize("known", [{}, {"mean": 11.0, "sd": 2.77}, {"mean": 11.0, "sd": 2.77, "n": 900}])
def test_the_entry_rule_gives_back_slope_and_mean_gain_of_people_taken_in(known):
    # true: N(11, 2.5²), error 1.2, everyone gains 2 - 0.2 (start - 11); those at 10 or less are taken in
    rng = np.random.default_rng(13)
    true = rng.normal(11, 2.5, 40_000)
    gain = 2 - 0.2 * (true - 11) + rng.normal(0, 1, true.size)
    before, after = true + rng.normal(0, 1.2, true.size), true + gain + rng.normal(0, 1.2, true.size)
    taken = before <= 10
    blind = start_dependence(before[taken], after[taken], 1.2, n_boot=100)
    assert blind.slope.value > 0.1  # of the wrong sign: the cut narrows the first scores, not their error
    assert any("end sharply at 10" in text and "too high" in text for text in blind.cautions)
    found = start_dependence(before[taken], after[taken], 1.2, entry=tc.Entry(10, **known), unit="stands", n_boot=100)
    assert found.slope.value == pytest.approx(-0.2, abs=0.03)
    assert found.beyond_selection.value == pytest.approx(gain[taken].mean(), abs=0.04)
    by_rule = gain_from_selection(10, 11, 2.77, 1 - 1.2**2 / 2.77**2)
    assert found.from_selection.value == pytest.approx(by_rule, abs=0.04)
    assert f"without that the mean improvement is {found.beyond_selection}" in found.sentence()
    assert ("everyone screened" in found.says[1]) == bool(known)
    assert len(found.table()) == 4
    assert any("known exactly" in text for text in found.cautions) == ("sd" in known and "n" not in known)
    assert not any("end sharply" in text for text in found.cautions)


def test_holm_agrees_with_statsmodels():
    p = pd.Series([0.2, 0.001, 0.04, np.nan, 0.03])
    ours = holm(p)
    assert np.isnan(ours[3])
    assert ours.dropna().to_numpy() == pytest.approx(multipletests(p.dropna(), method="holm")[1])


def test_changes_all_alike_tell_no_dependence_on_the_start():
    before = np.arange(30.0)
    with pytest.raises(DataError, match="Every change is the same"):
        start_dependence(before, before + 3, 1.0, n_boot=50)
