"""REML in the space of random levels: against other programs, the analysis of variance, and brute force."""

import numpy as np
import pytest
from scipy.optimize import approx_fprime

from truechange.numerics.variances import Design, _state, bootstrap_draws, fit_reml, log_normal_draws, mean_squares


def two_way(table):
    rows, columns = np.nonzero(np.isfinite(table))
    scores = table[rows, columns]
    design = Design([rows, columns], np.ones((scores.size, 1)))
    return design, scores, fit_reml(design, scores)


def parts_of(design):
    """For each term which scores share a level, then the residual: the n x n matrices of the textbooks."""
    same = [(term[:, None] == term[None, :]).astype(float) for term in design.terms]
    return [*same, np.eye(design.scores)]


def dense_deviance(variances, design, x, y):
    """The restricted likelihood as written in the textbooks."""
    inverse = np.linalg.inv(sum(s * part for s, part in zip(variances, parts_of(design), strict=True)))
    x_v_x = x.T @ inverse @ x
    residual = y - x @ np.linalg.solve(x_v_x, x.T @ inverse @ y)
    constant = (design.scores - design.p) * np.log(2 * np.pi)
    covered = np.linalg.slogdet(x_v_x)[1] - np.linalg.slogdet(inverse)[1]
    return covered + residual @ inverse @ residual + constant


@pytest.mark.parametrize("seed", range(6))
def test_balanced_data_give_the_analysis_of_variance(seed):
    rng = np.random.default_rng(seed)
    table = rng.normal(0, 2, (15, 1)) + np.array([0, 0.8, 1.5]) + rng.normal(0, 1, (15, 3))
    ms, (_, _, fit) = mean_squares(table), two_way(table)
    expected = [(ms.persons - ms.error) / 3, (ms.trials - ms.error) / 15, ms.error]
    assert min(expected) > 0
    assert fit.variances == pytest.approx(expected, rel=1e-8)
    assert not fit.boundary.any()


def test_a_negative_component_becomes_zero_and_is_flagged():
    table = np.random.default_rng(4).normal(0, 1, (20, 1)) * 2 + np.random.default_rng(5).normal(0, 1, (20, 2))
    table -= table.mean(axis=0)  # trials agree better than by chance
    ms, (_, _, fit) = mean_squares(table), two_way(table)
    assert ms.trials < ms.error
    assert fit.variances[1] == 0
    assert fit.boundary.tolist() == [False, True, False]
    assert fit.score[1] < 0  # the likelihood falls from 0 on
    assert fit.variances[2] == pytest.approx(ms.within, rel=1e-5)


@pytest.mark.parametrize("nested", [False, True])
def test_deviance_score_and_information_against_brute_force(nested):
    rng = np.random.default_rng(8)
    table = rng.normal(0, 2, (12, 1)) + rng.normal(0, 1, (1, 4)) + rng.normal(0, 1, (12, 4))
    table[rng.random(table.shape) < 0.15] = np.nan
    rows, columns = np.nonzero(np.isfinite(table))
    y, x = table[rows, columns], np.column_stack([np.ones(rows.size), columns % 2])
    terms = [rows, columns // 2, rows * 2 + columns // 2] if nested else [rows, columns]
    design = Design(terms, x)
    at = np.array([4.0, 0.6, 0.5, 1.2] if nested else [4.0, 0.6, 1.2])
    deviance, score, information = (held[0] for held in _state(design, at[None], design.blocks(y)[None]))
    assert deviance == pytest.approx(dense_deviance(at, design, x, y), rel=1e-9)
    assert -2 * score == pytest.approx(approx_fprime(at, dense_deviance, 1e-6, design, x, y), abs=2e-4)
    parts = parts_of(design)
    inverse = np.linalg.inv(sum(s * part for s, part in zip(at, parts, strict=True)))
    left = inverse @ x
    p = inverse - left @ np.linalg.solve(x.T @ left, left.T)
    brute = [[0.5 * np.trace(p @ a @ p @ b) for b in parts] for a in parts]
    assert information == pytest.approx(np.array(brute), rel=1e-8)


def test_a_large_constant_costs_nothing():
    table = np.random.default_rng(2).normal(0, 2, (15, 1)) + np.random.default_rng(3).normal(0, 1, (15, 3))
    assert two_way(table + 1e6)[2].variances == pytest.approx(two_way(table)[2].variances, rel=1e-5)


def test_no_residual_is_refused():
    with pytest.raises(ValueError, match="no residual variance"):
        two_way(np.repeat(np.arange(12.0)[:, None], 2, axis=1))


def test_draws_agree_where_both_ways_hold():
    rng = np.random.default_rng(5)
    table = rng.normal(0, 2, (60, 1)) + rng.normal(0, 1, (1, 8)) + rng.normal(0, 1, (60, 8))
    design, _, fit = two_way(table)
    quick = np.log(log_normal_draws(fit, 4000, seed=1))
    slow = np.log(bootstrap_draws(design, fit, 120, seed=1))
    for j in (0, 2):  # the trial variance has 7 degrees of freedom: its two laws differ in the tails
        assert quick[:, j].std() == pytest.approx(slow[:, j].std(), rel=0.25)
        assert quick[:, j].mean() == pytest.approx(slow[:, j].mean(), abs=0.1)
