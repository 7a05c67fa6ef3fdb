"""Thirty invented people: every estimator against values recomputed by an independent script (no printed table)."""

from pathlib import Path

import pandas as pd
import pytest

import truechange as tc

PEOPLE = pd.read_csv(Path(__file__).parent / "data" / "mcid_30_people.csv")

# recomputed with another program; half of the last printed digit
VECTORS = {
    "mean_change": (2.70, 0.005),
    "mean_difference": (1.5889, 5e-5),
    "detectability_limit": (3.0303, 5e-4),
    "roc_youden": (1.5, 1e-9),
    "roc_corner": (1.5, 1e-9),
    "roc_spec80": (2.5, 1e-9),
    "predictive": (1.9541, 5e-5),
    "predictive_adjusted_2017": (1.8661, 5e-5),
    "latent_threshold": (1.9636, 5e-5),
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
