"""Several raters and several pairs a person, against statsmodels and printed figures."""

import matplotlib as mpl
import numpy as np
import pandas as pd
import pytest

import truechange as tc

mpl.use("Agg")
NO = np.nan
FOUR = [[1, 1, NO, 1], [2, 2, 3, 2], [3, 3, 3, 3], [3, 3, 3, 3], [2, 2, 2, 2], [1, 2, 3, 4], [4, 4, 4, 4], [1, 1, 2, 1],
        [2, 2, 2, 2], [NO, 5, 5, 5], [NO, NO, 1, 1], [NO, NO, 3, NO]]  # fmt: skip
SIX = [[0, 0, 0, 6, 0], [0, 3, 0, 0, 3], [0, 1, 4, 0, 1], [0, 0, 0, 0, 6], [0, 3, 0, 3, 0], [2, 0, 4, 0, 0],
       [0, 0, 4, 0, 2], [2, 0, 3, 1, 0], [2, 0, 0, 4, 0], [0, 0, 0, 0, 6], [1, 0, 0, 5, 0], [1, 1, 0, 4, 0],
       [0, 3, 3, 0, 0], [1, 0, 0, 5, 0], [0, 2, 0, 3, 1]]  # fmt: skip
# Cardiac output by two methods, 60 pairs of 12 people: Bland & Altman 1999, table 4.
PAIRS = """1 7.83 6.57,1 7.42 5.62,1 7.89 6.9,1 7.12 6.57,1 7.88 6.35,2 6.16 4.06,2 7.26 4.29,2 6.71 4.26,2 6.54 4.09,
3 4.75 4.71,3 5.24 5.5,3 4.86 5.08,3 4.78 5.02,3 6.05 6.01,3 5.42 5.67,4 4.21 4.14,4 3.61 4.2,4 3.72 4.61,4 3.87 4.68,
4 3.92 5.04,5 3.13 3.03,5 2.98 2.86,5 2.85 2.77,5 3.17 2.46,5 3.09 2.32,5 3.12 2.43,6 5.92 5.9,6 6.42 5.81,6 5.92 5.7,
6 6.27 5.76,7 7.13 5.09,7 6.62 4.63,7 6.58 4.61,7 6.93 5.09,8 4.54 4.72,8 4.81 4.61,8 5.11 4.36,8 5.29 4.2,8 5.39 4.36,
8 5.57 4.2,9 4.48 3.17,9 4.92 3.12,9 3.97 2.96,10 4.22 4.35,10 4.65 4.62,10 4.74 3.16,10 4.44 3.53,10 4.5 3.53,
11 6.78 7.2,11 6.07 6.09,11 6.52 7.0,11 6.42 7.1,11 6.41 7.4,11 5.76 6.8,12 5.06 4.5,12 4.72 4.2,12 4.9 3.8,12 4.8 3.8,
12 4.9 4.2,12 5.1 4.5"""
PERSON, FIRST, SECOND = np.array([row.split() for row in PAIRS.split(",")], dtype=float).T


# Source: Gwet, Handbook of Inter-Rater Reliability (4th ed.), the examples printed with his R package irrCAC.
def test_coefficients_are_those_printed_for_four_raters_with_missing_ratings():
    found = tc.rater_agreement(FOUR)
    assert found.observed.value == pytest.approx(0.8181818, abs=5e-8)
    assert (found.gwet.value, found.fleiss.value, found.conger.value) == pytest.approx(
        (0.77544, 0.76117, 0.76282), abs=5e-6
    )
    assert any("Not everybody was rated" in text for text in found.cautions)
    assert all(e.low < e.value < e.high <= 1 for e in (found.gwet, found.fleiss, found.conger, found.observed))


def test_a_rater_of_nobody_changes_no_coefficient():
    """Conger's chance is the mean over pairs of raters who rated somebody."""
    found, wider = tc.rater_agreement(SIX), tc.rater_agreement(np.column_stack([SIX, np.full(len(SIX), NO)]))
    assert [getattr(wider, name).row() for name in ("gwet", "fleiss", "conger", "observed")] == [
        getattr(found, name).row() for name in ("gwet", "fleiss", "conger", "observed")
    ]


# Source: the same, and statsmodels; Gwet's standard errors .0842 and .0812 are linearised, ours a jackknife.
def test_coefficients_are_those_printed_for_six_raters_of_fifteen_people():
    from statsmodels.stats.inter_rater import fleiss_kappa

    ratings = [[category for category, count in enumerate(row) for _ in range(count)] for row in SIX]
    found = tc.rater_agreement(ratings)
    assert found.gwet.value == pytest.approx(0.4448007, abs=5e-8)
    assert found.fleiss.value == pytest.approx(0.4139265, abs=5e-8)
    assert found.fleiss.value == pytest.approx(fleiss_kappa(np.array(SIX)))
    for e, low, high in ((found.gwet, 0.264, 0.625), (found.fleiss, 0.240, 0.588)):
        assert (e.low, e.high) == pytest.approx((low, high), abs=0.05)
        assert e.high - e.low == pytest.approx(high - low, rel=0.08)
    assert len(found.plot().get_yticks()) == 4


@pytest.mark.parametrize("weights", ["none", "linear", "quadratic"])
def test_conger_of_two_raters_is_cohens_kappa(weights):
    rng = np.random.default_rng(1)
    first = rng.integers(0, 4, 60)
    second = np.clip(first + rng.integers(-1, 2, 60), 0, 3)
    cohen = tc.weighted_kappa(first, second, weights=weights)
    assert tc.rater_agreement(np.column_stack([first, second]), weights).conger.value == pytest.approx(cohen.value)


def test_what_misleads_is_said():
    rare = [[1, 1, 1]] * 28 + [[1, 1, 2], [2, 1, 1]]
    found = tc.rater_agreement(rare)
    assert found.fleiss.value < 0 < 0.9 < found.gwet.value
    assert any("kappa is low there even where raters agree" in text for text in found.cautions)
    same = tc.rater_agreement([[1, 1, 1]] * 30)
    assert np.isnan(same.fleiss.value)
    assert {text[:24] for text in same.cautions} == {"Only one category was us", "All raters agree on ever"}


# Identity: limits between two raters are the MDC95 of agreement over raters, those with the mean 1/√2 √(1 − 1/r) of it.
def test_limits_of_several_raters_rest_on_the_sem_of_agreement():
    rng = np.random.default_rng(3)
    scores = rng.normal(50, 8, (40, 1)) + np.array([0, 1.5, -1]) + rng.normal(0, 2, (40, 3))
    found = tc.rater_limits(pd.DataFrame(scores, columns=["A", "B", "C"]), unit="°")
    person, rater = (at.ravel() for at in np.indices(scores.shape))
    error = tc.measurement_error(pd.DataFrame({"person": person, "trial": rater, "value": scores.ravel()}))
    assert (found.between_two.value, found.between_two.high) == pytest.approx((error.mdc95.value, error.mdc95.high))
    assert found.with_mean.value == pytest.approx(error.mdc95.value * np.sqrt(2 / 3) / np.sqrt(2))
    apart = scores - scores.mean(axis=1, keepdims=True)
    assert found.biases["B"].value == pytest.approx(apart[:, 1].mean())
    inside = np.abs(apart) <= found.with_mean.value
    assert 0.9 < inside.mean() < 0.99
    assert "3 raters stand for all" in found.cautions[-1]
    assert found.plot().get_xlabel() == "Rater minus mean (°)"


# Source: Bland & Altman 2007, section 3 (figures as quoted in a published toolbox): mean, SD and limits of paired data.
def test_several_pairs_a_person_give_the_printed_limits():
    found = tc.limits_of_agreement(FIRST, SECOND, person=PERSON)
    assert found.bias.value == pytest.approx(0.6021667, abs=5e-8)
    assert found.sd == pytest.approx(0.99062408, abs=5e-8)
    assert (found.lower.value, found.upper.value) == pytest.approx((-1.3394565, 2.5437899), abs=5e-5)  # 1.96 there
    assert "12 people with several scores each" in found.sentences()[1]
    assert "zou2013" in found.sources


# Source: Bland & Altman 1999, section 5.2: unequal replicates of one true value; printed from rounded parts.
def test_unequal_replicates_give_the_printed_limits():
    held = pd.DataFrame({"person": PERSON, "at": pd.Series(PERSON).groupby(PERSON).cumcount(), "x": FIRST, "y": SECOND})
    wide = [held.pivot_table(index="person", columns="at", values=side).to_numpy() for side in "xy"]
    found = tc.limits_of_agreement(*wide)
    assert found.bias.value == pytest.approx(0.7092, abs=5e-5)
    assert (found.lower.value, found.upper.value) == pytest.approx((-1.3521, 2.7705), abs=5e-4)


def test_intervals_of_limits_cover_with_several_pairs_a_person():
    rng = np.random.default_rng(8)
    person = np.repeat(np.arange(20), rng.integers(2, 6, 20))
    truth, inside = 1 + 1.959964 * np.sqrt(1.5**2 + 1), []
    for _ in range(250):
        d = 1 + rng.normal(0, 1.5, 20)[person] + rng.normal(0, 1, person.size)
        upper = tc.limits_of_agreement(10 + d, np.full(d.size, 10.0), person=person).upper
        inside.append(upper.low <= truth <= upper.high)
    assert 0.92 < np.mean(inside) < 0.985
