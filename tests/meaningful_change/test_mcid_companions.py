"""The starting level, the scale, and the simulation: each against a truth that was put in."""

import os

import joblib
import numpy as np
import pytest
from numpy.testing import assert_allclose
from simulation.mcid_bias import bias_and_coverage, simulated_people

from truechange.meaningful_change.companions import baseline_dependence, compare_scales

FULL = os.environ.get("TRUECHANGE_FULL") == "1"


@pytest.mark.parametrize("dependence", [0.0, 0.25])
def test_dependence_on_the_baseline_is_found_only_where_it_is(dependence):
    rng = np.random.default_rng(1)
    n = 6_000
    start = rng.normal(10, 3, n)
    true = rng.normal(2, 2, n) - 0.2 * (start - 10)
    rating = np.digitize(true - dependence * (start - 10) + rng.normal(0, 1.5, n), [-2, 2, 5]) - 1
    seen = start + rng.normal(0, 1, n), start + true + rng.normal(0, 1, n)
    second = start + rng.normal(0, 1, n)
    found = baseline_dependence(seen[1] - seen[0], rating, second, sem=1.0, before=seen[0], n_boot=100)
    truth = dependence * 9 / (9 + 1)  # attenuated by the second baseline's own error
    assert found.slope.low - 0.01 <= truth <= found.slope.high + 0.01
    assert ("is not shown" in found.sentence()) == (dependence == 0)
    assert found.at.loc["mean", "estimate"] == pytest.approx(2.0, abs=0.12)


def test_dependence_is_easily_missed_with_few_people():
    rng = np.random.default_rng(3)
    true, first = rng.normal(2, 2, 150), rng.normal(10, 3, 150)
    change, rating = true + rng.normal(0, 1.2, 150), np.digitize(true + rng.normal(0, 1.2, 150), [-2, 2, 4]) - 1
    few = baseline_dependence(change, rating, first, sem=0.85, n_boot=100)
    assert any("easily missed" in caution for caution in few.cautions)


def people_on_a_scale(relative, n=1_500):
    rng = np.random.default_rng(6)
    first = rng.uniform(150, 650, n)
    gain = rng.normal(0.12, 0.15, n) if relative else rng.normal(40, 50, n) / first
    noise = rng.normal(0, 0.1, n) if relative else rng.normal(0, 35, n) / first
    rating = np.digitize((gain + noise) * (1 if relative else first), [0.1 if relative else 40])
    return first, first * (np.exp(gain) if relative else 1 + gain), rating


@pytest.mark.parametrize("relative", [True, False])
def test_the_scale_on_which_people_judge_is_found(relative):
    first, second, rating = people_on_a_scale(relative)
    keep = second > 0
    found = compare_scales(first[keep], second[keep], rating[keep], better="higher")
    assert found.better_scale == ("relative" if relative else "absolute")
    own = "relative" if relative else "absolute"
    assert found.scales.loc[own, "calibration"] == pytest.approx(1, abs=0.15)
    assert found.scales.loc[own, "spread_ratio"] == pytest.approx(1, abs=0.25)


def test_a_zero_score_has_no_relative_change():
    first, second, rating = people_on_a_scale(False, n=200)
    first = first.copy()
    first[0] = 0.0
    found = compare_scales(first, second, rating, better="higher")
    assert np.isnan(found.scales.loc["relative", "deviance"])
    assert "zero or below" in found.scales.loc["relative", "why_not"]
    assert np.isnan(found.geometric_ratio)


@pytest.mark.simulation
def test_intervals_cover_the_truth_as_often_as_they_say():
    repeats = 500 if FULL else 60
    table = bias_and_coverage((0.3,), (0.6,), (200,), repeats=repeats, n_boot=200, seed=6)
    covered = table.set_index("method")["coverage"]
    slack = 3 * np.sqrt(0.95 * 0.05 / repeats)
    for method in ("latent_threshold", "latent_threshold_two_state", "latent_threshold_ordinal"):
        assert 0.94 - slack <= covered[method] <= 1.0
    assert covered["predictive"] < 0.2


def test_the_simulation_repeats_itself_whatever_the_workers():
    given = {"shares": (0.4,), "anchor_reliabilities": (0.6, 1.0), "people": (80,), "repeats": 4, "n_boot": 0}
    with joblib.parallel_config(n_jobs=2):
        second = bias_and_coverage(**given)
    assert_allclose(bias_and_coverage(**given)["bias"], second["bias"])


def test_bias_in_sds_is_the_bias_over_the_spread_of_observed_change():
    # true change has an SD of 2 in these studies, so at reliability 0.5 observed change has √(4/0.5) = 2.83
    table = bias_and_coverage((0.3,), (0.6,), (200,), change_reliability=0.5, repeats=3, n_boot=0, seed=2)
    one = table.set_index("method").loc["predictive"]
    assert one["bias"] / one["bias_in_sd"] == pytest.approx(8**0.5)
    drawn = simulated_people(np.random.default_rng(5), 100_000, share=0.3, anchor_reliability=0.6, sem=2**0.5)
    assert drawn.change.std() == pytest.approx(8**0.5, rel=0.01)
