"""What measurement error alone would give."""

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.stats import binom, norm

import truechange as tc


# MCID 2 with SEM 1.41: 15.9 % (arithmetic; 1 - Phi(1)).
def test_known_share():
    found = tc.responders_from_error(2, sem=np.sqrt(2), n=100)
    assert found.proportion == pytest.approx(norm.sf(1), abs=1e-12)
    assert found.expected == pytest.approx(15.8655, abs=1e-4)


def test_tail_is_the_binomial_one():
    found = tc.responders_from_error(2, sem=1.2, n=40, practice=0.3)
    for k in (0, 1, 7, 40):
        assert found.tail(k) == pytest.approx(binom.sf(k - 1, 40, found.proportion), abs=1e-12)


def test_practice_adds_and_no_error_gives_none():
    assert (
        tc.responders_from_error(2, sem=1, n=10, practice=0.5).proportion
        > tc.responders_from_error(2, sem=1, n=10).proportion
    )
    assert tc.responders_from_error(2, sem=0, n=10).expected == 0
    assert tc.responders_from_error(2, sem=0, n=10, practice=2).expected == 10


def test_uncertain_sem_gives_an_interval():
    sem = tc.Estimate(value=1.0, df=29, unit="stands")
    found = tc.responders_from_error(2, sem=sem, n=50)
    assert found.share.low < found.proportion < found.share.high
    # chi-square limits of the SEM, 29 degrees of freedom: multipliers .796 and 1.344 (recomputed)
    assert found.share.low == pytest.approx(norm.sf(2 / (np.sqrt(2) * 0.7964)), abs=2e-4)
    assert not tc.responders_from_error(2, sem=1.0, n=50).share.has_interval


def test_simulated_retest_agrees_with_the_formula_and_with_counting():
    rng = np.random.default_rng(2)
    gains = rng.normal(0.2, np.sqrt(2) * 1.1, 40_000)
    found = tc.responders_from_error(2, sem=1.1, n=40_000, practice=0.2, retest=gains)
    assert found.retest.value == pytest.approx(found.proportion, abs=0.006)
    assert len(found.sentences()) == 2


@pytest.mark.parametrize(("sem", "n", "df"), [(-1, 10, None), (float("nan"), 10, None), (1, 0, None), (1, 10, -2)])
def test_impossible_input_is_refused(sem, n, df):
    with pytest.raises(tc.OutcomeError, match=r"sem|n="):
        tc.responders_from_error(2, sem=sem, n=n, sem_df=df)


def test_table_and_cautions():
    found = tc.responders_from_error(2, sem=1, n=10)
    assert found.table()["expected"].iloc[0] == pytest.approx(found.expected)
    assert any("known exactly" in text for text in found.cautions)
    with pytest.raises(tc.DataError, match="more than"):
        found.tail(11)


def test_an_mdc_is_no_sem():
    mdc = tc.Threshold(value=2.7, kind="mdc")
    with pytest.raises(tc.RefusedError, match="Give the standard error"):
        tc.responders_from_error(2, sem=mdc, n=10)
    with pytest.raises(tc.RefusedError, match="Give the standard error"):
        tc.true_responder_share([1, 2, 3], sem=mdc, mcid=2)


@pytest.mark.parametrize("arguments", [{"practice": float("nan")}, {"retest": []}, {"sem": None}, {"sem": "x"}])
def test_what_is_no_number_is_refused(arguments):
    with pytest.raises(tc.OutcomeError):
        tc.responders_from_error(**({"threshold": 2, "sem": 1, "n": 10} | arguments))


# Truth by brute force: two hundred thousand unchanged people, true scores anywhere between two steps, rounded twice.
@pytest.mark.parametrize("resolution", [1.0, 0.5, 0.1, 0.01])
@pytest.mark.parametrize("steps", [0.3, 0.7, 1.0, 3.0])
def test_on_a_test_of_whole_steps_the_share_is_that_of_rounded_scores(resolution, steps):
    rng = np.random.default_rng(round(1000 * resolution + 10 * steps))
    people, practice = 200_000, 0.4 * resolution
    true = rng.uniform(0, resolution, people)
    first, second = (
        np.floor((true + shift + rng.normal(0, steps * resolution, people)) / resolution) for shift in (0, practice)
    )
    gains = (second - first) * resolution
    sem = gains.std(ddof=1) / np.sqrt(2)  # as a retest study would estimate it: with the rounding
    for threshold in (1, 2, 3):
        found = tc.responders_from_error(
            threshold * resolution, sem=sem, n=people, practice=practice, resolution=resolution
        )
        assert found.proportion == pytest.approx(np.mean(second - first >= threshold), abs=0.003)


# The same share by numerical integration of the normal tail over one step (scipy.integrate.quad).
def test_the_share_of_rounded_scores_is_the_tail_averaged_over_a_step():
    sem, practice = 1.1, 0.3
    spread = np.sqrt(2 * (sem**2 - 1 / 12))
    area, _ = quad(lambda x: norm.sf((x - practice) / spread), 1, 2)
    found = tc.responders_from_error(1.8, sem=sem, n=10, practice=practice, resolution=1)
    assert found.proportion == pytest.approx(area, abs=1e-10)
    fine = tc.responders_from_error(1.8, sem=sem, n=10, practice=practice, resolution=1e-6)
    assert fine.proportion == pytest.approx(norm.sf((1.8 - practice) / (np.sqrt(2) * sem)), abs=1e-6)


def test_the_retest_study_speaks_beside_the_formula_with_its_interval():
    gains = np.repeat([0.0, 2.0], [40, 10])
    found = tc.responders_from_error(2, sem=tc.Estimate(value=1.0, df=49), n=163, resolution=1, retest=gains)
    first, second = found.sentences()
    assert "of 163 people measured twice" in first
    assert "unchanged people of the retest study 20% reached it (95% CI 11% to 33%)" in second


# Rounding and the true share: the retest's SEM holds the rounding, so no correction is needed (seed 11, 40 studies).
@pytest.mark.simulation
def test_whole_stands_do_not_bias_the_true_share():
    rng, off = np.random.default_rng(11), []
    for _ in range(40):
        still, person, gain = rng.normal(11, 3, 50), rng.normal(11, 3, 100), rng.normal(2, 2, 100)
        retest = np.diff([np.floor(still + rng.normal(0, 1, 50)) for _ in range(2)], axis=0)[0]
        before, after = np.floor(person + rng.normal(0, 1, 100)), np.floor(person + gain + rng.normal(0, 1, 100))
        sem = tc.Estimate(value=retest.std(ddof=1) / np.sqrt(2), df=49)
        off.append(tc.true_responder_share(after - before, sem=sem, mcid=2).value - 0.5)
    assert np.mean(off) == pytest.approx(0, abs=0.03)


def test_a_doubtful_threshold_says_so_in_every_share():
    doubtful = tc.Threshold(value=2, low=-0.3, high=4, kind="mcid", doubts=("its interval reaches zero.",))
    change = np.random.default_rng(1).normal(2, 2, 60)
    for found in (
        tc.count_responders(change, doubtful),
        tc.responders_from_error(doubtful, sem=1, n=60),
        tc.true_responder_share(change, sem=1, mcid=doubtful),
    ):
        assert any("Do not lean on this MCID" in caution for caution in found.cautions)


def test_the_share_says_what_it_would_be_at_the_limits_of_the_threshold():
    limit = tc.Threshold(value=2, low=1.2, high=3.4, kind="mcid", unit="stands")
    found = tc.count_responders(np.repeat([0.0, 1.5, 2.0, 4.0], 5), limit)
    assert "(95% CI 1.2 to 3.4), between 25% and 75%" in found.sentence()
