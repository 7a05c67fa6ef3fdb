"""Thirty invented people: every estimator against values recomputed by an independent script (no printed table)."""

import numpy as np
import pandas as pd
import pytest

import truechange as tc
from truechange.meaningful_change.estimators import Layout, estimate_rows, normal_threshold
from truechange.meaningful_change.ratings import rated_people
from truechange.validation.cases import FOLDER

PEOPLE = pd.read_csv(FOLDER / "mcid_30_people.csv")

# recomputed with another program, SEM 0.9; tolerance: half of its last printed digit
VECTORS = {
    "mean_change": (2.70, 0.005),
    "mean_difference": (1.5889, 5e-5),
    "roc_youden": (1.5, 1e-9),
    "roc_corner": (1.5, 1e-9),
    "roc_spec80": (2.5, 1e-9),
    "predictive": (1.9541, 5e-5),
    "predictive_adjusted_2017": (1.8661, 5e-5),
    "latent_threshold": (1.9636, 5e-5),
    "latent_threshold_two_state": (1.9701, 5e-5),
    "latent_threshold_ordinal": (1.9821, 5e-5),
}


@pytest.fixture(scope="module")
def study():
    return tc.mcid(
        PEOPLE.improvement, PEOPLE.anchor, sem=0.9, before=PEOPLE.before, after=PEOPLE.after, n_boot=200, seed=1
    )


@pytest.mark.parametrize("method", VECTORS)
def test_estimates_agree_with_the_recomputed_values(study, method):
    value, half_a_digit = VECTORS[method]
    assert study.table().loc[method, "estimate"] == pytest.approx(value, abs=half_a_digit)


def test_limit_of_detection_follows_its_formula(study):
    # 3.0303 in the other program, which rounds 1.645 (half of its last digit: 5e-5)
    same = PEOPLE.improvement[PEOPLE.anchor == 0]
    assert same.mean() + 1.645 * same.std() == pytest.approx(3.0303, abs=5e-5)
    assert study.table().loc["detectability_limit", "estimate"] == pytest.approx(3.0303, abs=3e-4)


def test_the_fits_behind_them_agree():
    people = rated_people(PEOPLE.improvement, PEOPLE.anchor, before=PEOPLE.before, after=PEOPLE.after)
    layout = Layout.of(people)
    rows = estimate_rows(layout, layout.kinds.counts[None], np.array([0.81]))
    told = {
        "sd": (1.9841, 5e-5),
        "improved": (0.5667, 5e-5),
        "point_biserial": (0.7299, 5e-5),
        "logit_intercept": (-3.179, 5e-4),
        "logit_slope": (1.7641, 5e-5),
        "probit_intercept": (-1.8503, 5e-5),
        "probit_slope": (1.0158, 5e-5),
        "anchor_reliability": (1.3636, 5e-5),
        "present_state_bias": (-0.0251, 5e-5),
    }
    for name, (value, half_a_digit) in told.items():
        assert rows[name][0] == pytest.approx(value, abs=half_a_digit), name
    # the 50% point of the logistic curve, 1.8020
    assert -rows["logit_intercept"][0] / rows["logit_slope"][0] == pytest.approx(1.8020, abs=5e-5)
    assert rows["boundaries"][0] == pytest.approx([0.6526, 1.9821, 3.1213], abs=5e-5)


def test_the_2022_adjustment_takes_an_anchor_reliability_from_elsewhere(study):
    assert study.adjusted(0.6) == pytest.approx(1.6303, abs=5e-5)
    with pytest.raises(tc.ChoiceError, match="at most 1"):
        study.adjusted(1.36)


def test_an_impossible_anchor_reliability_raises_the_alarm(study):
    assert study.anchor_reliability.value == pytest.approx(1.36, abs=0.005)
    assert any("more reliable than is possible" in caution for caution in study.cautions)


def test_spearman_correlation_of_change_and_rating(study):
    assert study.anchor.correlation.value == pytest.approx(0.8472, abs=5e-5)


def test_closed_form_is_the_latent_threshold_when_the_share_matches_the_curve():
    # an identity of the model, met when the fitted curve reproduces the share improved exactly
    rows = {"mean": np.array([2.0]), "sd": np.array([2.4]), "improved": np.array([0.3])}
    assert normal_threshold(rows, 0.7, 0.6) == pytest.approx(2 + 0.524400512708 * 2.4 * np.sqrt(0.7 / 0.6), abs=1e-9)
