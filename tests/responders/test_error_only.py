"""What measurement error alone would give."""

import numpy as np
import pytest
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
