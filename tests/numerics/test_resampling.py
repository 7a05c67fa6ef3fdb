"""Resampled sums are the sums of a fair resample of people; quantiles are numpy's."""

from itertools import product

import numpy as np
import pytest
from scipy import stats

from truechange.numerics.resampling import bca_limits, quantiles, resampled_sums

# 3: whole resamples in one table; 100: pairs; 25: triples and one left over; 200: no table; 1,500: many people
PEOPLE = (3, 25, 100, 200, 1_500)


def test_every_resample_of_three_people_is_equally_likely():
    people = np.eye(3)
    sums = resampled_sums(people, n_boot=27_000, seed=4)
    counted = {tuple(np.bincount(drawn, minlength=3)): 0 for drawn in product(range(3), repeat=3)}
    expected = dict(counted)
    for drawn in product(range(3), repeat=3):
        expected[tuple(np.bincount(drawn, minlength=3))] += 1_000
    for row in sums.astype(int):
        counted[tuple(row)] += 1
    assert stats.chisquare(list(counted.values()), list(expected.values())).pvalue > 0.001


@pytest.mark.parametrize("n", PEOPLE)
def test_every_person_is_drawn_as_often_and_as_unevenly_as_the_multinomial_says(n):
    chosen = np.arange(0, n, max(1, n // 25))
    times = resampled_sums(np.eye(n)[:, chosen], n_boot=6_000, seed=8)
    assert np.array_equal(times, times.astype(int))
    totals = times.sum(axis=0)
    assert np.abs(totals - 6_000).max() < 5 * np.sqrt(6_000 * (1 - 1 / n))
    assert times.var() == pytest.approx(1 - 1 / n, rel=0.04)
    together = np.cov(times.T)[~np.eye(chosen.size, dtype=bool)]
    assert together.mean() == pytest.approx(-1 / n, abs=0.006)


@pytest.mark.parametrize("n", PEOPLE)
def test_a_resample_draws_as_many_people_as_there_are(n):
    assert np.all(resampled_sums(np.ones((n, 2)), n_boot=100, seed=2) == n)


def test_more_resamples_than_one_stream_are_all_different():
    assert np.unique(resampled_sums(np.random.default_rng(1).normal(size=(40, 1)), n_boot=6_000, seed=2)).size == 6_000


def test_quantiles_agree_with_numpy():
    for size in (1, 2, 7, 500):
        draws = np.random.default_rng(size).normal(size=size)
        levels = [0, 0.024, 0.5, 0.9731, 1]
        assert quantiles(draws, levels) == pytest.approx(np.quantile(draws, levels), rel=1e-12)


def test_limits_are_refused_when_every_draw_lies_on_one_side():
    assert np.isnan(bca_limits(np.arange(1.0, 50), 0.0, np.arange(5.0), 0.95)).all()
