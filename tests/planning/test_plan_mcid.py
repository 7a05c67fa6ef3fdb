"""People needed for an MCID and for a true share: against simulated studies analysed as planned."""

import os
from math import sqrt
from types import SimpleNamespace

import numpy as np
import pytest
from scipy import stats

import truechange as tc
import truechange.meaningful_change.study
import truechange.responders.true_share
from truechange.planning.precision import Model, mcid_factor, plan_true_share, simulate_mcid

FULL = os.environ.get("TRUECHANGE_FULL") == "1"

# Source: own simulation, robust SD of the estimate over 500 drawn studies of 200 people (so within about 4% of the
# truth each): reliability of change, anchor reliability, share improved, c in SE = c SD/√n
SIMULATED = [
    (0.6, 0.3, 0.2, 3.90), (0.6, 0.3, 0.5, 1.84), (0.6, 0.5, 0.35, 1.55), (0.6, 0.7, 0.7, 1.44), (0.6, 0.9, 0.5, 0.92),
    (0.8, 0.3, 0.35, 2.47), (0.8, 0.5, 0.2, 2.47), (0.8, 0.5, 0.7, 1.77), (0.8, 0.7, 0.5, 1.05), (0.8, 0.9, 0.7, 0.95),
]  # fmt: skip


@pytest.mark.parametrize(("reliability", "anchor", "improved", "c"), SIMULATED)
def test_the_factor_agrees_with_simulated_studies(reliability, anchor, improved, c):
    assert mcid_factor(Model(0.0, 1.0, reliability, improved, anchor)) == pytest.approx(c, rel=0.10)


def test_the_factors_agree_on_average():
    ratio = [mcid_factor(Model(0, 1, rel, p, anchor)) / c for rel, anchor, p, c in SIMULATED]
    assert np.mean(ratio) == pytest.approx(1.0, abs=0.03)


def test_error_and_reliability_of_change_are_one_statement():
    common = {"sd": 2.4, "improved": 0.4, "anchor_reliability": 0.5}
    sem = 2.4 * (0.2 / 2) ** 0.5
    assert tc.plan_mcid(1, sem=sem, **common).exact == pytest.approx(tc.plan_mcid(1, reliability=0.8, **common).exact)


def test_an_uncertain_sem_costs_people_unless_half_are_improved():
    common = {"sd": 2.4, "sem": 1.0, "anchor_reliability": 0.5}
    known, guessed = (tc.plan_mcid(0.8, improved=0.3, sem_df=df, **common).need for df in (None, 30))
    assert guessed > known
    at_half = [tc.plan_mcid(0.8, improved=0.5, sem_df=df, **common).exact for df in (None, 30)]
    assert at_half[0] == pytest.approx(at_half[1], rel=1e-6)


@pytest.mark.simulation
def test_the_planned_mcid_study_is_analysed_and_keeps_its_promise():
    study = {"sd": 2.45, "improved": 0.6, "anchor_reliability": 0.5, "sem": 1.0, "sem_df": 49, "mean": 2.5}
    plan = tc.plan_mcid(0.6, **study, simulate=200 if FULL else 40, seed=3)
    said = plan.cautions[-1]
    half = float(said.split("half the interval was ")[1].split(" ")[0])
    held = float(said.split(" and ")[1].split("%")[0])
    assert half == pytest.approx(0.6, rel=0.12)
    assert held >= 80


def test_the_same_seed_says_the_same():
    common = {"sd": 2.4, "improved": 0.5, "anchor_reliability": 0.6, "reliability": 0.8, "simulate": 3}
    first, again = (tc.plan_mcid(1.0, seed=1, **common).cautions[-1] for _ in range(2))
    assert first == again


@pytest.mark.simulation
def test_the_true_share_needs_more_people_than_the_observed_share():
    plan = plan_true_share(0.10, mean=2.5, sd=2.4, sem=1.0, mcid=2.0, seed=2)
    # error and a shape that must be learned cost people: counting observed responders needs 93 (Wilson)
    assert 150 < plan.need < 350
    rng, halves = np.random.default_rng(8), []
    for _ in range(60):
        one = tc.true_responder_share(rng.normal(2.5, 2.4, plan.need), sem=1.0, mcid=2.0)
        halves.append((one.high - one.low) / 2)
    assert np.median(halves) == pytest.approx(0.10, abs=0.006)
    assert plan.simulated["people"].is_monotonic_increasing


def estimated_anew(sems, sem, df):
    """Whether SEMs look like estimates of `sem` from normal errors with `df` degrees of freedom: df SEM²/sem² is χ²."""
    return stats.kstest(np.square(sems) * df / sem**2, stats.chi2(df).cdf).pvalue > 0.01


def test_every_simulated_share_has_an_error_estimated_anew(monkeypatch):
    seen = []

    def width_of_one_over_root_n(changes, sem, mcid, sem_df, confidence):
        seen.append(sem)
        return SimpleNamespace(low=0.5 - 1 / sqrt(changes.size), high=0.5 + 1 / sqrt(changes.size))

    monkeypatch.setattr(truechange.responders.true_share, "true_responder_share", width_of_one_over_root_n)
    given = {"mean": 2.5, "sd": 2.4, "sem": 1.2, "mcid": 2.0, "studies": 100}
    plan = plan_true_share(0.10, **given, sem_df=5)
    assert len(seen) == 400
    assert estimated_anew(seen, 1.2, 5)
    assert plan.exact == pytest.approx(100)  # half the width is 1/√n
    seen.clear()
    plan_true_share(0.10, **given)
    assert set(seen) == {1.2}


def test_every_simulated_mcid_study_has_an_error_estimated_anew(monkeypatch):
    seen = []

    def nothing_found(change, rating, *, sem, **settings):
        seen.append(sem)
        raise tc.DataError("no value")

    monkeypatch.setattr(truechange.meaningful_change.study, "mcid", nothing_found)
    model = Model(0.0, 2.4, 0.8, 0.5, 0.5)
    with pytest.raises(tc.RefusedError, match="None of 400"):
        simulate_mcid(model, 20, 5, studies=400, seed=1)
    assert estimated_anew(seen, 2.4 * sqrt(0.2 / 2), 5)


def test_what_the_sem_alone_leaves_open_refuses_an_alternative_not_the_plan():
    # half of the width asked for lies below what ten retested people leave open, however many are rated
    about = {"sd": 2.4, "improved": 0.3, "anchor_reliability": 0.5, "sem": 1.0, "sem_df": 9}
    floor = tc.plan_mcid(2.0, **about)
    assert floor.need < 100
    plan = tc.plan_mcid(0.9, **about)
    assert 200 < plan.need < 277
    assert any(text.startswith("No number of people reaches 0.45") for text in plan.cautions)
    assert plan.options["target"].min() == 0.9
    with pytest.raises(tc.RefusedError, match="Not even a million"):
        tc.plan_mcid(0.3, **about)
