"""The MCID: unit, order of people and a shift of the scale of change."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import truechange as tc

QUICK = settings(derandomize=True, deadline=None, max_examples=9)
POINTS = ("mean_change", "mean_difference", "roc_youden", "roc_corner", "roc_spec80", "predictive",
          "predictive_adjusted_2017", "latent_threshold", "detectability_limit")  # fmt: skip
MOVES_WITH_THE_CHANGE = tuple(name for name in POINTS if name != "mean_difference")


def people(seed, n=120):
    rng = np.random.default_rng(seed)
    change = np.round(rng.normal(2, 2.4, n), 1)
    rating = np.digitize(change + rng.normal(0, 2, n), [-2, 1.5, 4.5]) - 1
    return change, rating


def points(change, rating, sem=1.0, **options):
    return tc.mcid(change, rating, sem=sem, n_boot=100, **options).table()["estimate"]


@QUICK
@given(st.integers(0, 3000), st.sampled_from([0.1, 20.0]))
def test_every_estimate_scales_with_the_unit(seed, factor):
    change, rating = people(seed)
    one, other = points(change, rating), points(change * factor, rating, sem=factor)
    for name in POINTS:
        assert other[name] == pytest.approx(one[name] * factor, rel=1e-5, abs=1e-6), name


@QUICK
@given(st.integers(0, 3000))
def test_the_order_of_people_is_nothing(seed):
    change, rating = people(seed)
    order = np.random.default_rng(seed + 1).permutation(len(change))
    one, other = points(change, rating), points(change[order], rating[order])
    for name in POINTS:
        assert other[name] == pytest.approx(one[name], rel=1e-7, abs=1e-9), name


@QUICK
@given(st.integers(0, 3000), st.integers(1, 5))
def test_if_everybody_had_changed_by_more_the_threshold_would_lie_higher_by_as_much(seed, shift):
    change, rating = people(seed)
    one, other = points(change, rating), points(change + shift, rating)
    for name in MOVES_WITH_THE_CHANGE:
        assert other[name] == pytest.approx(one[name] + shift, rel=1e-6, abs=1e-6), name
    assert other["mean_difference"] == pytest.approx(one["mean_difference"])


@QUICK
@given(st.integers(0, 3000))
def test_everybody_twice_gives_the_same_cuts(seed):
    change, rating = people(seed)
    one, other = points(change, rating), points(np.tile(change, 2), np.tile(rating, 2))
    for name in ("mean_change", "mean_difference", "roc_youden", "roc_corner", "roc_spec80", "predictive"):
        assert other[name] == pytest.approx(one[name], rel=1e-6, abs=1e-6), name


@QUICK
@given(st.integers(0, 3000))
def test_without_measurement_error_the_latent_threshold_is_the_fifty_percent_point(seed):
    from oracles.numerics import counted

    from truechange.numerics.curves import fit_outcomes

    change, rating = people(seed)
    values, hits, misses = counted(change, rating >= 1)
    fit = fit_outcomes(values, hits[None], misses[None], link="probit")
    assert points(change, rating, sem=1e-9)["latent_threshold"] == pytest.approx(
        -float(fit.intercept[0]) / float(fit.slope[0]), abs=1e-5
    )
