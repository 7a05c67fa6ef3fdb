"""The main job on data that nobody here invented: scores of function, a rating of change, and groups by lot.

Data: data_open/help_trial.csv (its README: source, licence, changes). Each check holds a result against the trial's own
paper (Samet et al. 2003, summary), or against scipy, statsmodels, pingouin or scikit-learn on the same rows.
"""

from pathlib import Path

import numpy as np
import pandas as pd
import pingouin
import pytest
import statsmodels.formula.api as smf
from scipy import stats
from sklearn.metrics import roc_auc_score
from statsmodels.stats.proportion import confint_proportions_2indep, proportion_confint

import truechange as tc
from truechange.programme.change import paired_change
from truechange.programme.comparison import compare_programmes
from truechange.programme.missing import missing_follow_up

FILE = Path(__file__).parents[2] / "data_open" / "help_trial.csv"
RATING = "health_now_against_a_year_ago"
GROUPS = ("help clinic", "usual care")
SCORES = ["pf", "pcs"]


@pytest.fixture(scope="module")
def trial():
    return pd.read_csv(FILE)


def scores(trial, score, first, last):
    """One row a person: before, after, improvement, rating at the last interview (positive = better), group."""
    wide = trial.pivot(index="person", columns="month", values=[score, RATING])  # noqa: PD010
    pairs = pd.DataFrame({"before": wide[score][first], "after": wide[score][last], "rating": 3 - wide[RATING][last]})
    pairs["group"] = trial.drop_duplicates("person").set_index("person")["group"]
    return pairs.assign(improvement=pairs["after"] - pairs["before"])


def rated(trial, score):
    return scores(trial, score, 0, 12).dropna()


def unchanged(trial, score):
    """Scores a year apart of the people whose health was about the same as a year ago."""
    pairs = scores(trial, score, 12, 24).query("rating == 0").dropna()
    long = pairs.reset_index().melt("person", ["before", "after"], "trial", "value")
    return pairs, long


@pytest.fixture(scope="module")
def errors(trial):
    about = {"error": "consistency", "unit": "points", "interval": "12 months"}
    return {score: tc.measurement_error(unchanged(trial, score)[1], **about) for score in SCORES}


def test_the_table_is_the_trials(trial):
    assert len(trial) == 1472
    people = trial.drop_duplicates("person")
    assert len(people) == 470  # Samet 2003, summary: 470 enrolled, 235 of them by lot in the clinic's group
    assert people["group"].value_counts().to_dict() == {"help clinic": 235, "usual care": 235}
    assert sorted(trial["month"].unique()) == [0, 6, 12, 18, 24]
    assert trial["pf"].dropna().between(0, 100).all()
    assert set(trial[RATING]) == {1, 2, 3, 4, 5}


@pytest.mark.parametrize("score", SCORES)
def test_the_error_of_people_who_call_themselves_unchanged_is_that_of_an_analysis_of_variance(trial, errors, score):
    pairs, long = unchanged(trial, score)
    found = errors[score]
    other = pingouin.rm_anova(long, dv="value", within="trial", subject="person", detailed=True).set_index("Source")
    assert found.sem.value == pytest.approx(np.sqrt(other.loc["Error", "MS"]), rel=1e-9)
    assert found.sem.value == pytest.approx(pairs["improvement"].std() / np.sqrt(2), rel=1e-9)
    low, high = np.sqrt(found.sem.df * found.sem.value**2 / stats.chi2.ppf([0.975, 0.025], found.sem.df))
    assert (found.sem.low, found.sem.high) == pytest.approx((low, high))
    icc = pingouin.intraclass_corr(long, "person", "trial", "value").set_index("Type")["ICC"].filter(like="C,1").item()
    assert tc.icc(long, form="ICC(C,1)").estimate.value == pytest.approx(icc, abs=5e-4)


@pytest.mark.parametrize("score", SCORES)
def test_a_rating_that_does_not_follow_the_change_gives_no_important_change(trial, errors, score):
    people = rated(trial, score)
    check = tc.anchor_check(people["before"], people["after"], people["rating"])
    by_ranks = stats.spearmanr(people["improvement"], people["rating"]).statistic
    assert check.correlation.value == pytest.approx(by_ranks)
    assert check.correlation.high < 0.3
    study = tc.mcid(
        people["improvement"], people["rating"], 1, sem=errors[score].sem, n_boot=100,
        before=people["before"], after=people["after"], unit="points",
    )  # fmt: skip
    assert study.recommended is None
    assert any("not an anchor" in caution for caution in study.cautions)
    assert any("how they are now" in caution for caution in study.cautions)


@pytest.mark.parametrize("score", SCORES)
def test_how_well_the_change_tells_rated_improved_from_the_rest(trial, score):
    people = rated(trial, score)
    study = tc.mcid(people["improvement"], people["rating"], 1, n_boot=100, unit="points")
    assert study.area.value == pytest.approx(roc_auc_score(people["rating"] >= 1, people["improvement"]))
    assert study.area.value < 0.65  # far from telling them apart


@pytest.mark.parametrize("score", SCORES)
@pytest.mark.parametrize("month", [6, 12, 24])
def test_the_groups_do_not_differ_as_the_paper_says(trial, score, month):
    """Samet 2003, summary: no significant difference in the secondary outcomes, quality of life among them."""
    people = scores(trial, score, 0, month)
    first, second = (people[people["group"] == name] for name in GROUPS)
    found = compare_programmes(first, second, "no MCID", names=GROUPS, unit="points")
    assert found.adjusted.low < 0 < found.adjusted.high
    fit = smf.ols("improvement ~ before + C(group, Treatment('usual care'))", people.dropna()).fit(
        cov_type="HC3", use_t=True
    )
    assert found.adjusted.value == pytest.approx(fit.params.iloc[1])
    assert (found.adjusted.low, found.adjusted.high) == pytest.approx(tuple(fit.conf_int().iloc[1]))
    assert found.p_value == pytest.approx(fit.pvalues.iloc[1])


def test_one_of_eight_looks_reaches_significance_and_is_not_the_answer(trial):
    """What an examiner would ask: two scores at four interviews, chosen after looking."""
    p = {}
    for score in SCORES:
        for month in (6, 12, 18, 24):
            people = scores(trial, score, 0, month)
            first, second = (people[people["group"] == name] for name in GROUPS)
            p[score, month] = compare_programmes(first, second, "no MCID", names=GROUPS).p_value
    assert [look for look, value in p.items() if value < 0.05] == [("pcs", 18)]
    assert min(p.values()) > 0.05 / len(p)


@pytest.mark.parametrize("score", SCORES)
def test_the_mean_change_is_that_of_a_paired_t_test(trial, score):
    people = scores(trial, score, 0, 12)
    found = paired_change(people["before"], people["after"], people["improvement"], due=470, unit="points")
    held = people.dropna()
    other = stats.ttest_rel(held["after"], held["before"])
    assert found.mean.value == pytest.approx(held["improvement"].mean())
    assert (found.mean.low, found.mean.high) == pytest.approx(tuple(other.confidence_interval()))
    assert found.p_value == pytest.approx(other.pvalue)
    assert any("46% of those due" in caution for caution in found.cautions)


@pytest.mark.parametrize("score", SCORES)
def test_beyond_error_is_counted_beside_what_error_alone_gives(trial, errors, score):
    error = errors[score]
    people = scores(trial, score, 0, 12).dropna()
    counted = tc.count_responders(people["improvement"], error.mdc95.value)
    k, n = int((people["improvement"] >= error.mdc95.value).sum()), len(people)
    assert (counted.share().low, counted.share().high) == pytest.approx(proportion_confint(k, n, method="wilson"))
    alone = tc.responders_from_error(error.mdc95.value, sem=error.sem, n=n)
    assert alone.share.value == pytest.approx(stats.norm.sf(1.959964), abs=1e-6)  # one side of the MDC95
    by_group = [people[people["group"] == name]["improvement"] for name in GROUPS]
    counts = [(int((one >= error.mdc95.value).sum()), len(one)) for one in by_group]
    compared = tc.compare_responders(*counts[0], *counts[1], whom="measured")
    limits = confint_proportions_2indep(*counts[0], *counts[1], method="newcomb")
    assert (compared.difference.low, compared.difference.high) == pytest.approx(limits)
    assert compared.difference.low < 0 < compared.difference.high


@pytest.mark.parametrize("score", SCORES)
def test_the_people_not_seen_again_are_imputed_as_a_mixed_model_would_have_it(trial, errors, score):
    """Both take the gaps as explained by what was measured; the model sees no group."""
    people = scores(trial, score, 0, 24).dropna(subset=["before"])
    wide = trial.pivot(index="person", columns="month", values=score).loc[people.index]  # noqa: PD010
    known = np.column_stack([wide[[0, 6, 12, 18]], people["group"] == GROUPS[0]]).astype(float)
    found = missing_follow_up(people["improvement"].to_numpy(), errors[score].mdc95.value, known, limit="MDC95")
    assert found.missing == people["improvement"].isna().sum() > 0.4 * len(people)
    long = trial[trial["person"].isin(people.index)].dropna(subset=[score])
    model = smf.mixedlm(f"{score} ~ C(month)", long, groups="person").fit()
    change, se = model.params["C(month)[T.24]"], model.bse["C(month)[T.24]"]
    assert found.mean.value == pytest.approx(change, abs=0.5 * se)
    assert found.mean.high - found.mean.low == pytest.approx(2 * 1.96 * se, rel=0.25)
    assert any("42% have no usable follow-up" in caution for caution in found.cautions)


def test_with_more_than_half_lost_nothing_is_imputed(trial):
    people = scores(trial, "pcs", 0, 12).dropna(subset=["before"])
    found = missing_follow_up(people["improvement"].to_numpy(), 17.0, people[["before"]].to_numpy(), limit="MDC95")
    assert found.mean is None
    assert len(found.rows) == 3  # measured, none, all


def test_a_scale_that_ends_at_its_best_score_is_told(trial):
    """Over a quarter have the best score of `pf` at the start: nobody of them can be seen to improve."""
    people = rated(trial, "pf")
    assert (people["before"] == 100).mean() > 0.25
    study = tc.mcid(
        people["improvement"], people["rating"], 1, before=people["before"], after=people["after"], n_boot=100
    )
    assert any("end sharply at 100" in caution for caution in study.cautions)
