"""Thirty invented people: every estimator against values recomputed by an independent script (no printed table)."""

import numpy as np
import pandas as pd
import pytest

import truechange as tc
from truechange.meaningful_change.estimators import normal_threshold
from truechange.validation.cases import FOLDER

PEOPLE = pd.read_csv(FOLDER / "mcid_30_people.csv")


@pytest.fixture(scope="module")
def study():
    return tc.mcid(
        PEOPLE.improvement, PEOPLE.anchor, sem=0.9, before=PEOPLE.before, after=PEOPLE.after, n_boot=200, seed=1
    )


def test_the_2022_adjustment_takes_an_anchor_reliability_from_elsewhere(study):
    assert study.adjusted(0.6) == pytest.approx(1.6303, abs=5e-5)


def test_an_impossible_anchor_reliability_raises_the_alarm(study):
    assert study.anchor_reliability.value == pytest.approx(1.36, abs=0.005)
    assert any("more reliable than is possible" in caution for caution in study.cautions)


def test_closed_form_is_the_latent_threshold_when_the_share_matches_the_curve():
    # an identity of the model, met when the fitted curve reproduces the share improved exactly
    rows = {"mean": np.array([2.0]), "sd": np.array([2.4]), "improved": np.array([0.3])}
    assert normal_threshold(rows, 0.7, 0.6) == pytest.approx(2 + 0.524400512708 * 2.4 * np.sqrt(0.7 / 0.6), abs=1e-9)
