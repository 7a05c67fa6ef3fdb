"""Ordered probit of many resamples against statsmodels, and what happens when a category is empty."""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from statsmodels.miscmodels.ordinal_model import OrderedModel

from truechange.numerics.counts import distinct, draw_counts
from truechange.numerics.curves import fit_ordered, fit_outcomes


def kinds(n=160, seed=6, limits=(-2, 0, 2)):
    rng = np.random.default_rng(seed)
    change = np.round(rng.normal(1, 2.4, n), 1)
    rating = np.digitize(change + rng.normal(0, 2, n), limits)
    return distinct(np.column_stack([change, rating]).astype(float))


def test_resamples_agree_with_statsmodels():
    found = kinds()
    x, category = found.rows[:, 0], found.rows[:, 1].astype(int)
    full = fit_ordered(x, category, found.counts[None])
    counts = draw_counts(np.random.default_rng(2), 4, found)
    ours = fit_ordered(x, category, counts.astype(float), start=full)
    for row in range(4):
        times = counts[row]
        model = OrderedModel(np.repeat(category, times), np.repeat(x, times)[:, None], distr="probit")
        theirs = model.fit(method="bfgs", disp=0, gtol=1e-9)
        assert ours.slope[row] == pytest.approx(theirs.params[0], rel=1e-4)
        assert_allclose(
            ours.thresholds[row], model.transform_threshold_params(theirs.params)[1:-1], rtol=1e-3, atol=1e-3
        )


def test_two_categories_are_the_binary_probit():
    found = kinds(limits=(0.5,))
    x, category = found.rows[:, 0], found.rows[:, 1].astype(int)
    ordered = fit_ordered(x, category, found.counts[None])
    steps, at = np.unique(x, return_inverse=True)
    hits = np.bincount(at, weights=found.counts * category, minlength=steps.size)[None]
    misses = np.bincount(at, weights=found.counts * (1 - category), minlength=steps.size)[None]
    binary = fit_outcomes(steps, hits, misses, link="probit")
    assert_allclose(ordered.slope, binary.slope, rtol=1e-7)
    assert_allclose(-ordered.thresholds[:, 0], binary.intercept, rtol=1e-7)


def test_an_empty_category_leaves_its_thresholds_equal_and_outer_ones_unknown():
    found = kinds()
    x, category = found.rows[:, 0], found.rows[:, 1].astype(int)
    counts = np.tile(found.counts, (3, 1))
    counts[0, category == 1] = 0
    counts[1, category == 3] = 0
    counts[2, category != 2] = 0
    fits = fit_ordered(x, category, counts)
    assert fits.thresholds[0, 0] == fits.thresholds[0, 1] < fits.thresholds[0, 2]
    assert np.isnan(fits.thresholds[1, 2])
    assert np.isfinite(fits.thresholds[1, :2]).all()
    assert np.isnan(fits.slope[2])


def test_a_warm_start_ends_where_a_cold_one_does():
    found = kinds()
    x, category = found.rows[:, 0], found.rows[:, 1].astype(int)
    counts = draw_counts(np.random.default_rng(9), 20, found).astype(float)
    cold = fit_ordered(x, category, counts)
    warm = fit_ordered(x, category, counts, start=fit_ordered(x, category, found.counts[None]))
    assert_allclose(warm.slope, cold.slope, rtol=1e-6)
    assert_allclose(warm.thresholds, cold.thresholds, rtol=1e-5, atol=1e-6)


def test_a_constant_predictor_or_parted_groups_have_no_fit():
    category = np.array([0, 1, 2])
    assert np.isnan(fit_ordered(np.ones(3), category, np.full((1, 3), 5.0)).slope).all()
    assert np.isnan(fit_ordered(np.array([0.0, 1.0, 2.0]), category, np.full((1, 3), 5.0)).slope).all()
