"""ROC cuts and areas: a published data set, scikit-learn and brute force in the same run, and ties."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from sklearn.metrics import roc_auc_score, roc_curve

from truechange.numerics.resampling import gathered, roc_rows


def grouped(score, improved, counts=None):
    counts = np.ones((1, score.size), int) if counts is None else counts
    x, at = np.unique(score, return_inverse=True)
    return x, gathered(counts * improved, at, x.size), gathered(counts * ~improved, at, x.size)


def test_cuts_and_area_agree_with_scikit_learn():
    rng = np.random.default_rng(3)
    score = np.round(rng.normal(2, 2, 90), 1)
    improved = score + rng.normal(0, 2, 90) > 2
    counts = rng.multinomial(90, np.full(90, 1 / 90), 40)
    x, hits, misses = grouped(score, improved, counts)
    found = roc_rows(x, hits, misses)
    for row in range(40):
        people = np.repeat(np.arange(90), counts[row])
        assert found.area[row] == pytest.approx(roc_auc_score(improved[people], score[people]), abs=1e-12)
        false, true, at = roc_curve(improved[people], score[people], drop_intermediate=False)
        best = at[np.isclose(true - false, (true - false).max())]  # lowest score on the improved side
        seen = np.unique(score[people])
        cuts = [(seen[np.searchsorted(seen, b) - 1] + b) / 2 for b in best]
        assert found.cuts["youden"].value[row] == pytest.approx(np.mean(cuts))
        assert found.cuts["youden"].low[row] == pytest.approx(min(cuts))
        assert found.cuts["youden"].high[row] == pytest.approx(max(cuts))


@settings(derandomize=True, deadline=None, max_examples=150)
@given(st.lists(st.tuples(st.integers(0, 6), st.booleans()), min_size=4, max_size=25))
def test_every_rule_against_brute_force(people):
    score, improved = np.array([p[0] for p in people], float), np.array([p[1] for p in people])
    if improved.all() or not improved.any() or np.unique(score).size < 2:
        return
    x, hits, misses = grouped(score, improved)
    found = roc_rows(x, hits, misses).cuts
    cuts = (x[1:] + x[:-1]) / 2
    se = np.array([np.mean(score[improved] > c) for c in cuts])
    sp = np.array([np.mean(score[~improved] < c) for c in cuts])
    useful = se + sp - 1 > 1e-12
    if not useful.any():
        assert np.isnan(found["youden"].value[0])
        return
    merit = {"youden": se + sp, "corner": np.where(useful, -((1 - se) ** 2) - (1 - sp) ** 2, -9)}
    for rule, worth in merit.items():
        tied = cuts[np.isclose(worth, worth.max(), atol=1e-9)]
        assert found[rule].value[0] == pytest.approx(tied.mean())
        assert (found[rule].low[0], found[rule].high[0]) == (tied.min(), tied.max())
    specific = cuts[(sp >= 0.8 - 1e-9) & useful]
    assert_allclose(found["spec80"].value[0], specific.min() if specific.size else np.nan)


def test_whole_and_fractional_counts_agree():
    rng = np.random.default_rng(8)
    score = np.round(rng.normal(2, 2, 60))
    x, hits, misses = grouped(score, score + rng.normal(0, 2, 60) > 2)
    whole, part = roc_rows(x, hits, misses), roc_rows(x, hits.astype(float), misses.astype(float))
    for rule in whole.cuts:
        assert_allclose(whole.cuts[rule].value, part.cuts[rule].value)
    assert_allclose(whole.area, part.area)


def test_separated_groups_are_cut_in_the_middle_of_the_gap():
    x, hits, misses = grouped(np.array([0.0, 1, 5, 7]), np.array([False, False, True, True]))
    assert roc_rows(x, hits, misses).cuts["youden"].value[0] == 3.0


def test_a_reversed_score_has_no_cut():
    x, hits, misses = grouped(np.array([0.0, 1, 5, 7]), np.array([True, True, False, False]))
    found = roc_rows(x, hits, misses)
    assert found.area[0] == 0
    assert all(np.isnan(cuts.value[0]) for cuts in found.cuts.values())
