"""Batched logistic and probit fits against statsmodels, the exact rule of separability, and Firth's penalty."""

import numpy as np
import pytest
import statsmodels.api as sm
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy.stats import norm
from statsmodels.miscmodels.ordinal_model import OrderedModel

from truechange.numerics.curves import fit_ordered, fit_outcomes, fit_penalised, ordered_lean, parted_middle, separable
from truechange.numerics.resampling import distinct, draw_counts, gathered

MODELS = {"logit": sm.Logit, "probit": sm.Probit}


def sample(n=120, seed=4):
    rng = np.random.default_rng(seed)
    change = np.sort(np.round(rng.normal(2, 2.4, n), 1))
    improved = change + rng.normal(0, 2, n) > 2
    return change, improved


def grouped(change, improved, counts):
    x, at = np.unique(change, return_inverse=True)
    return x, gathered(counts * improved, at, x.size), gathered(counts * ~improved, at, x.size)


@pytest.mark.parametrize("link", MODELS)
def test_resamples_agree_with_statsmodels(link):
    change, improved = sample()
    counts = np.random.default_rng(1).multinomial(change.size, np.full(change.size, 1 / change.size), 25).astype(float)
    x, hits, misses = grouped(change, improved, counts)
    full = fit_outcomes(x, *(part.sum(axis=0, keepdims=True) for part in (hits, misses)), link=link)
    start = np.array([full.intercept[0], full.slope[0]])
    for fits in (fit_outcomes(x, hits, misses, link=link), fit_outcomes(x, hits, misses, link=link, start=start)):
        for row in range(len(counts)):
            people = np.repeat(np.arange(change.size), counts[row].astype(int))
            theirs = MODELS[link](improved[people].astype(float), sm.add_constant(change[people])).fit(
                disp=0, tol=1e-12
            )
            assert_allclose([fits.intercept[row], fits.slope[row]], theirs.params, rtol=1e-6)


def test_two_predictors_agree_with_statsmodels():
    rng = np.random.default_rng(2)
    x = rng.normal(0, 1, (150, 2)) * [3, 1] + [10, 12]
    improved = (x @ [-0.3, 0.5] + rng.normal(0, 1, 150) > 2.9).astype(float)
    fits = fit_outcomes(x, improved[None], 1 - improved[None], link="probit")
    theirs = sm.Probit(improved, sm.add_constant(x)).fit(disp=0, tol=1e-12)
    assert_allclose([fits.intercept[0], *fits.slope[0]], theirs.params, rtol=1e-6)


def test_fractional_counts_scale_out():
    change, improved = sample()
    x, hits, misses = grouped(change, improved, np.ones((1, change.size)))
    assert_allclose(
        fit_outcomes(x, hits / 7, misses / 7, link="probit").slope,
        fit_outcomes(x, hits, misses, link="probit").slope,
        rtol=1e-8,
    )


@settings(derandomize=True, deadline=None, max_examples=60)
@given(st.lists(st.tuples(st.integers(-5, 8), st.booleans()), min_size=8, max_size=40), st.integers(-20, 20))
def test_moving_and_stretching_the_scale_moves_the_curve_with_it(people, shift):
    change, improved = np.array([p[0] for p in people], float), np.array([p[1] for p in people])
    x, hits, misses = grouped(change, improved, np.ones((1, change.size)))
    if separable(hits, misses)[0] or x.size < 2:
        return
    plain = fit_outcomes(x, hits, misses, link="logit")
    moved = fit_outcomes(3 * x + shift, hits, misses, link="logit")
    assert_allclose(moved.slope * 3, plain.slope, rtol=1e-6, atol=1e-9)
    assert_allclose(moved.intercept + moved.slope * shift, plain.intercept, rtol=1e-6, atol=1e-8)


@settings(derandomize=True, deadline=None, max_examples=80)
@given(st.lists(st.tuples(st.integers(0, 5), st.booleans()), min_size=2, max_size=12))
def test_separability_is_the_exact_rule(people):
    change, improved = np.array([p[0] for p in people], float), np.array([p[1] for p in people])
    _, hits, misses = grouped(change, improved, np.ones((1, change.size)))
    one_class = improved.all() or not improved.any()
    parted = one_class or (
        change[improved].min() >= change[~improved].max() or change[~improved].min() >= change[improved].max()
    )
    assert separable(hits, misses)[0] == parted


def test_separable_rows_fail_and_say_where_they_part():
    x = np.array([0.0, 1, 2, 3, 4])
    hits = np.array([[0, 0, 0, 2, 1], [0, 1, 0, 1, 1], [1, 1, 0, 0, 0], [1, 1, 1, 1, 1]], float)
    misses = np.array([[1, 2, 0, 0, 0], [1, 0, 1, 1, 0], [0, 0, 0, 2, 1], [0, 0, 0, 0, 0]], float)
    fits = fit_outcomes(x, hits, misses, link="logit")
    assert fits.failed.tolist() == [True, False, True, True]
    assert np.isnan(fits.slope[[0, 2, 3]]).all()
    assert_allclose(parted_middle(x, hits, misses), [2.0, np.nan, np.nan, np.nan])


def test_firths_penalty_is_the_half_count_in_a_two_by_two_table():
    # identity: with one binary predictor the penalised logistic slope is the log odds ratio with 1/2 added to each cell
    x, hits, misses = np.array([0.0, 1.0]), np.array([0.0, 7.0]), np.array([9.0, 0.0])
    intercept, slope = fit_penalised(x, hits, misses, link="logit")
    assert intercept == pytest.approx(np.log(0.5 / 9.5), abs=1e-4)
    assert slope == pytest.approx(np.log(0.5 / 9.5) * -1 + np.log(7.5 / 0.5), abs=1e-4)


@pytest.mark.parametrize("link", MODELS)
def test_firths_fit_stays_finite_when_groups_part(link):
    x = np.arange(10.0)
    hits = (x > 5).astype(float)
    intercept, slope = fit_penalised(x, hits, 1 - hits, link=link)
    assert slope > 0
    assert 5 < -intercept / slope < 6


def test_a_constant_predictor_fails_quietly():
    fits = fit_outcomes(np.array([3.0]), np.array([[4.0]]), np.array([[3.0]]), link="logit")
    assert fits.failed.all()


def test_few_and_many_kinds_draw_the_same_distribution():
    # mean and variance of a multinomial count, both routes
    rng = np.random.default_rng(5)
    for table in (np.repeat([0.0, 1.0], [150, 50])[:, None], np.arange(200.0)[:, None]):
        kinds = distinct(table)
        drawn = draw_counts(rng, 4_000, kinds)
        assert (drawn.sum(axis=1) == 200).all()
        expected = kinds.counts
        assert_allclose(drawn.mean(axis=0)[:2], expected[:2], atol=0.4)
        assert_allclose(drawn.var(axis=0)[:2], (expected * (1 - expected / 200))[:2], rtol=0.12)


def rated_kinds(n=160, seed=6, limits=(-2, 0, 2)):
    rng = np.random.default_rng(seed)
    change = np.round(rng.normal(1, 2.4, n), 1)
    rating = np.digitize(change + rng.normal(0, 2, n), limits)
    return distinct(np.column_stack([change, rating]).astype(float))


def test_ordered_resamples_agree_with_statsmodels():
    found = rated_kinds()
    x, category = found.rows[:, 0], found.rows[:, 1].astype(int)
    full = fit_ordered(x, category, found.counts[None])
    counts = draw_counts(np.random.default_rng(2), 4, found)
    ours = fit_ordered(x, category, counts.astype(float), start=full)
    for row in range(4):
        times = counts[row]
        model = OrderedModel(np.repeat(category, times), np.repeat(x, times)[:, None], distr="probit")
        theirs = model.fit(method="bfgs", disp=0, gtol=1e-5)
        assert ours.slope[row] == pytest.approx(theirs.params[0], rel=1e-4)
        assert_allclose(
            ours.thresholds[row], model.transform_threshold_params(theirs.params)[1:-1], rtol=1e-3, atol=1e-3
        )


def test_two_categories_are_the_binary_probit():
    found = rated_kinds(limits=(0.5,))
    x, category = found.rows[:, 0], found.rows[:, 1].astype(int)
    ordered = fit_ordered(x, category, found.counts[None])
    steps, at = np.unique(x, return_inverse=True)
    hits = np.bincount(at, weights=found.counts * category, minlength=steps.size)[None]
    misses = np.bincount(at, weights=found.counts * (1 - category), minlength=steps.size)[None]
    binary = fit_outcomes(steps, hits, misses, link="probit")
    assert_allclose(ordered.slope, binary.slope, rtol=1e-7)
    assert_allclose(-ordered.thresholds[:, 0], binary.intercept, rtol=1e-7)


def test_an_empty_category_leaves_its_thresholds_equal_and_outer_ones_unknown():
    found = rated_kinds()
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
    found = rated_kinds()
    x, category = found.rows[:, 0], found.rows[:, 1].astype(int)
    counts = draw_counts(np.random.default_rng(9), 20, found).astype(float)
    cold = fit_ordered(x, category, counts)
    warm = fit_ordered(x, category, counts, start=fit_ordered(x, category, found.counts[None]))
    assert_allclose(warm.slope, cold.slope, rtol=1e-6)
    assert_allclose(warm.thresholds, cold.thresholds, rtol=1e-5, atol=1e-6)


def test_ordered_a_constant_predictor_or_parted_groups_have_no_fit():
    category = np.array([0, 1, 2])
    assert np.isnan(fit_ordered(np.ones(3), category, np.full((1, 3), 5.0)).slope).all()
    assert np.isnan(fit_ordered(np.array([0.0, 1.0, 2.0]), category, np.full((1, 3), 5.0)).slope).all()


def _chances(theta, gamma, x):
    """Return the probability of each category where the residual has the density φ(u)(1 + γ (u³ − 3u)/6)."""
    edges = np.concatenate([[-40.0], theta[1:], [40.0]]) - theta[0] * x[:, None]
    return np.diff(norm.cdf(edges) - gamma / 6 * (edges**2 - 1) * norm.pdf(edges), axis=1)


@pytest.mark.parametrize("lean", [-1, 0, 1])
def test_the_lean_of_residuals_is_the_efficient_score_of_their_third_hermite_term(lean):
    # other route: statsmodels' fit, derivatives of the chances by finite differences
    rng = np.random.default_rng(9)
    x = rng.normal(2, 2, 400)
    felt = 0.5 * x + (lean * (rng.gamma(1, 1, 400) - 1) if lean else rng.normal(0, 1, 400))
    rating = np.digitize(felt, [-0.5, 1.0, 2.0])
    theirs = OrderedModel(rating, x[:, None], distr="probit").fit(method="bfgs", disp=0, gtol=1e-5)
    theta = np.array([theirs.params[0], *np.cumsum([theirs.params[1], *np.exp(theirs.params[2:])])])
    steps = 1e-5 * np.eye(theta.size)
    ways = [(_chances(theta + h, 0, x) - _chances(theta - h, 0, x)) / 2e-5 for h in steps]
    ways.append((_chances(theta, 1e-5, x) - _chances(theta, -1e-5, x)) / 2e-5)
    chance = _chances(theta, 0, x)
    info = np.array([[(one * two / chance).sum() for one in ways] for two in ways])
    rest = info[-1, -1] - info[-1, :-1] @ np.linalg.solve(info[:-1, :-1], info[:-1, -1])
    score = (ways[-1] / chance)[np.arange(400), rating].sum() / np.sqrt(rest)
    assert ordered_lean(x, rating, np.ones(400)) == pytest.approx(score, abs=2e-3)
    assert np.sign(lean) * score >= 2 * abs(lean)
