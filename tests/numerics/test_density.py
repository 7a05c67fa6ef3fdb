"""Deconvolution held against closed forms (scipy) and a generic optimiser, none of which share code with it."""

import numpy as np
import pytest
from scipy.optimize import minimize
from scipy.stats import norm

from truechange.numerics import true_change as d

NOISE = 1.4


def seen(true, seed=1):
    return true + np.random.default_rng(seed).normal(0, NOISE, true.size)


def test_exponential_truth_has_a_closed_posterior():
    """X = E + noise, E exponential with mean b: E given x is N(x - noise²/b, noise²) cut off at 0."""
    b, rng = 2.0, np.random.default_rng(2)
    fit = d.deconvolved(seen(rng.exponential(b, 20_000)), np.array([NOISE]))
    for limit in (1.0, 2.0, 4.0):
        assert fit.weight @ fit.share(limit)[0] == pytest.approx(
            np.exp(-limit / b), abs=0.025
        )  # the cliff at 0 is smoothed
    x = np.array([1.0, 3.0, 5.0])
    middle = x - NOISE**2 / b
    exact = norm.sf((2 - middle) / NOISE) / norm.sf(-middle / NOISE)
    assert fit.chances(x, 2.0) == pytest.approx(exact, abs=0.035)


def test_normal_truth_has_the_textbook_posterior():
    rng = np.random.default_rng(3)
    fit = d.deconvolved(seen(rng.normal(1, 2, 20_000)), np.array([NOISE]))
    kept = 4 / (4 + NOISE**2)
    x = np.array([-1.0, 2.0, 4.0])
    exact = norm.sf((2 - 1 - kept * (x - 1)) / np.sqrt(kept) / NOISE)
    assert fit.chances(x, 2.0) == pytest.approx(exact, abs=0.025)
    doubt = norm.sf((2 - 1 - kept * (x - 1)) / np.hypot(np.sqrt(kept) * NOISE, 0.5))
    assert fit.chances(x, 2.0, 0.5) == pytest.approx(doubt, abs=0.025)
    assert fit.weight @ fit.share(2.0)[0] == pytest.approx(norm.sf(0.5), abs=0.01)


def test_unchanged_people_are_found():
    """40% at 0, the rest normal around 4: their share and the chance of a person in between, by Bayes' rule."""
    rng = np.random.default_rng(4)
    true = np.where(rng.random(20_000) < 0.4, 0.0, rng.normal(4, 1, 20_000))
    fit = d.deconvolved(seen(true), np.array([NOISE]))
    assert fit.weight @ fit.share(1.0)[0] == pytest.approx(0.6 * norm.sf(-3), abs=0.03)
    spike, rest = 0.4 * norm.pdf(1, 0, NOISE), 0.6 * norm.pdf(1, 4, np.hypot(1, NOISE))
    assert fit.chances(np.array([1.0]), 0.5)[0] == pytest.approx(rest / (spike + rest), abs=0.06)


def test_a_generic_optimiser_climbs_no_higher():
    """The same penalised likelihood written out plainly (points, no cells), left to scipy; the state with a spike."""
    rng = np.random.default_rng(5)
    x = seen(rng.gamma(2, 1.5, 150), seed=6)
    fit = d.deconvolved(x, np.array([NOISE]))
    z = (fit.grid - x.mean()) / x.std(ddof=1)
    third = np.diff(np.eye(z.size), 3, axis=0) / (z[1] - z[0]) ** 2.5
    at = int(np.argmin(np.abs(fit.grid)))

    def loss(heights):
        curve = fit.basis @ heights
        chance = np.exp(curve - curve.max())
        smooth = fit.basis[:, :-1] @ heights[:-1]
        likely = norm.pdf(x[:, None], fit.grid, NOISE) @ (chance / chance.sum())
        penalty = d.ROUGHNESS * ((third @ smooth) ** 2).sum() / z.size + d.RIDGE * (heights[:-1] ** 2).sum()
        return -np.log(likely).sum() + 0.5 * (penalty + d.SPIKE[1] * heights[-1] ** 2)

    found = minimize(loss, np.zeros(fit.basis.shape[1]), method="BFGS", options={"maxiter": 300})
    curve = fit.basis @ found.x
    chance = np.exp(curve - curve.max()) / np.exp(curve - curve.max()).sum()
    assert fit.basis[at, -1] == 1
    for limit in (1.0, 2.0, 4.0):
        assert fit.share(limit)[0][1] == pytest.approx(float(chance @ fit.beyond(limit)[:, 0]), abs=0.004)


def test_states_are_weighed_and_a_doubtful_limit_widens():
    rng = np.random.default_rng(7)
    fit = d.deconvolved(seen(rng.normal(1, 2, 100)), np.array([1.2, 1.4, 1.6]))
    assert fit.weight.sum() == pytest.approx(1)
    assert fit.chance.sum(1) == pytest.approx(np.ones(6))
    assert (fit.share(2.0, 0.5)[1] > fit.share(2.0)[1]).all()
    assert fit.mean @ fit.grid == pytest.approx(1, abs=0.5)
