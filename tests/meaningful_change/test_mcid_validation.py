"""How an MCID was chosen, how well it tells the improved apart, and what is left of it on people held out."""

import numpy as np
import pandas as pd
import pytest

import truechange as tc
from truechange.meaningful_change.companions import _verdict
from truechange.meaningful_change.draws import _People


def people(seed, n):
    """True change seen with an SEM of 0.85, in steps of a quarter, and rated with thresholds of the people's own."""
    rng = np.random.default_rng(seed)
    true = rng.normal(2.3, 2, n)
    seen = np.round(4 * (true + rng.normal(0, 1.2, n))) / 4
    return pd.DataFrame({"improvement": seen, "rating": np.digitize(true + rng.normal(0, 1.5, n), [-2, 2, 5]) - 1})


@pytest.fixture(scope="module")
def crowd():
    return people(3, 160)


def study_of(crowd, **options):
    return tc.mcid(crowd["improvement"], crowd["rating"], n_boot=100, **{"sem": 0.85} | options)


def test_the_rule_is_told_question_by_question_to_the_method_it_chose(crowd):
    found = study_of(crowd)
    assert list(found.rule.columns) == ["question", "seen", "so"]
    assert found.rule["so"].iloc[-1] == "latent threshold"
    assert set(found.rule["so"].iloc[:-1]) == {"go on"}
    assert found.rule["seen"].iloc[0] == "160 people"
    assert found.anchor.correlation.text(2) in list(found.rule["seen"])
    assert list(study_of(crowd, sem=None).rule["seen"])[-2:] == ["cannot be told", "yes"]


def test_the_rule_stops_at_the_question_that_gave_no_value(crowd):
    shuffled = crowd.assign(rating=np.random.default_rng(0).permutation(crowd["rating"]))
    found = study_of(shuffled)
    assert found.recommended is None
    assert found.rule["so"].iloc[-1] == f"no value: {found.refused}"
    assert len(found.rule) == 2


def test_sensitivity_and_specificity_are_counts_at_the_recommended_value(crowd):
    found = study_of(crowd)
    reached, improved = crowd["improvement"] >= found.recommended.value, crowd["rating"] >= 1
    table = pd.crosstab(improved, reached)
    told = found.at_cut["estimate"].to_list()
    assert told == pytest.approx([
        table.loc[True, True] / improved.sum(), table.loc[False, False] / (~improved).sum(),
        table.loc[True, True] / reached.sum(), table.loc[False, False] / (~reached).sum(),
    ])  # fmt: skip
    # Wilson limits of 95% by the formula of Newcombe 1998, method 3, worked by hand
    n, p, z = improved.sum(), told[0], 1.959963984540054
    half = z * np.sqrt(p * (1 - p) / n + z**2 / (4 * n**2))
    limits = (p + z**2 / (2 * n) + np.array([-half, half])) / (1 + z**2 / n)
    assert found.at_cut[["low", "high"]].iloc[0].to_list() == pytest.approx(limits.tolist())
    assert f"area under the ROC curve {found.area}" in " ".join(found.sentences())
    assert study_of(crowd.assign(rating=0)).at_cut.empty


def test_everyone_is_held_against_the_value_of_the_other_groups(crowd):
    """The groups are drawn again here, and the MCID of the people outside each comes from the public function."""
    whom = pd.concat([crowd, pd.DataFrame({"improvement": [4.0, np.nan, 1.0], "rating": [np.nan, np.nan, np.nan]})])
    whom = whom.reset_index(drop=True)
    found = tc.cross_fit_mcid(whom, "predictive", folds=4, repeats=1, n_boot=100, seed=5)
    group = np.random.default_rng(5).permuted(np.tile(np.arange(len(whom)) % 4, (1, 1)), axis=1)[0]
    reached = np.zeros(len(whom), dtype=bool)
    for fold in range(4):
        rest = whom[group != fold]
        value = tc.mcid(rest["improvement"], rest["rating"], n_boot=100).estimates.loc["predictive", "estimate"]
        reached |= (group == fold) & (whom["improvement"] >= value).to_numpy()
    assert found.share.value == pytest.approx(reached.mean(), abs=1e-9)
    improved = (whom["rating"] >= 1).to_numpy()
    assert found.sensitivity.value == pytest.approx(reached[improved].mean(), abs=1e-9)
    value = tc.mcid(whom["improvement"], whom["rating"], n_boot=100).estimates.loc["predictive", "estimate"]
    assert found.naive["share"].value == pytest.approx((whom["improvement"] >= value).mean())
    assert found.share.n == 163


@pytest.fixture(scope="module")
def studies():
    """Forty studies of 60 people, each with its cut on the same people and on people held out."""
    drawn = [(people(seed, 60), seed) for seed in range(1, 41)]
    return [(whom, tc.cross_fit_mcid(whom, "roc_youden", folds=6, repeats=5, n_boot=100, seed=seed))
            for whom, seed in drawn]  # fmt: skip


def test_a_cut_read_from_the_same_people_flatters_itself_and_people_held_out_do_not(studies):
    """Simulation, 60 people a study: the truth is what the same cut does among 100 000 people never seen."""
    fresh = people(0, 100_000)
    improved, change = (fresh["rating"] >= 1).to_numpy(), fresh["improvement"].to_numpy()
    told = []
    for whom, found in studies:
        cut = tc.mcid(whom["improvement"], whom["rating"], n_boot=100).estimates.loc["roc_youden", "estimate"]
        naive, kept = (part["sensitivity"].value + part["specificity"].value for part in (found.naive, found.facts))
        told.append((naive, kept, (change[improved] >= cut).mean() + (change[~improved] < cut).mean()))
    naive, kept, true = np.mean(told, axis=0)
    wrong = np.std(np.subtract(*np.transpose(told)[1:]), ddof=1) / np.sqrt(len(told))
    assert naive - true > 0.05
    assert abs(kept - true) < min(3 * wrong, 0.04)


def test_the_interval_on_people_held_out_holds_the_uncertainty_of_the_value(studies):
    """Simulation: the truth is the share of a large population at its own value; a cut taken as known misses it."""
    large = people(0, 100_000)
    value = tc.mcid(large["improvement"], large["rating"], n_boot=100).estimates.loc["roc_youden", "estimate"]
    truth = (large["improvement"] >= value).mean()
    held = [[one.low <= truth <= one.high for one in (found.naive["share"], found.share)] for _, found in studies]
    naive, kept = np.mean(held, axis=0)
    assert naive < 0.85
    assert kept >= 0.9


def test_a_change_exactly_at_the_value_is_counted_and_losses_apart_by_one_number_settle_nothing():
    improved = np.array([True, False, True, False])
    people = _People(None, np.array([2.0, 1.9, 3.0, 2.0]), np.arange(4), improved, "predictive")
    assert people.shares(np.ones((1, 4)), np.full((1, 4), 2.0)).tolist() == [[0.75, 1.0, 0.5]]
    assert _verdict({"absolute": np.ones(5), "relative": np.zeros(5)}) == "undecided"
