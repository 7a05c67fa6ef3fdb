"""Weighted kappa: scikit-learn and statsmodels as oracles, specific agreement, the undefined case."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import truechange as tc

ONCE = settings(derandomize=True, deadline=None, max_examples=40)
ratings = st.lists(st.tuples(st.integers(0, 3), st.integers(0, 3)), min_size=5, max_size=40)


# Oracle: scikit-learn.
@ONCE
@given(ratings, st.sampled_from(["quadratic", "linear", "none"]))
def test_agrees_with_scikit_learn(held, weights):
    from sklearn.metrics import cohen_kappa_score

    first, second = np.array(held).T
    ours = tc.weighted_kappa(first, second, weights=weights, categories=range(4), n_boot=10).value
    if len({*first.tolist(), *second.tolist()}) == 1:
        assert np.isnan(ours)
    else:
        theirs = cohen_kappa_score(first, second, weights=None if weights == "none" else weights, labels=list(range(4)))
        assert ours == pytest.approx(theirs)


# Oracle: statsmodels, standard errors of Fleiss, Cohen and Everitt.
@pytest.mark.parametrize(("weights", "wt"), [("none", None), ("linear", "linear"), ("quadratic", "quadratic")])
def test_large_sample_interval_agrees_with_statsmodels(weights, wt):
    from statsmodels.stats.inter_rater import cohens_kappa

    rng = np.random.default_rng(1)
    first = rng.integers(0, 4, 120)
    second = np.clip(first + rng.integers(-1, 2, 120), 0, 3)
    ours = tc.weighted_kappa(first, second, weights=weights)
    theirs = cohens_kappa(ours.counts.to_numpy(), wt=wt)
    assert ours.value == pytest.approx(theirs.kappa)
    assert ours.low == pytest.approx(theirs.kappa_low)
    assert ours.z == pytest.approx(theirs.z_value)
    assert ours.greatest == pytest.approx(theirs.kappa_max) if weights == "none" else ours.greatest >= ours.value


@pytest.mark.parametrize("weights", ["quadratic", "linear"])
def test_words_have_no_order_of_their_own(weights):
    words = ["high", "low", "mid", "low", "high", "mid"], ["high", "mid", "mid", "low", "mid", "mid"]
    told = tc.weighted_kappa(*words, weights=weights, categories=["low", "mid", "high"], n_boot=100)
    codes = {"low": 0, "mid": 1, "high": 2}
    assert told.value == tc.weighted_kappa(*([codes[w] for w in side] for side in words), weights=weights).value
    assert tc.weighted_kappa(*words, weights="none", n_boot=100).value == pytest.approx(1 - (1 / 3) / (2 / 3))


def test_whole_numbers_are_categories_however_they_are_typed():
    found = tc.weighted_kappa([1.0, 2.0, 2.0], [1, 2, 1], n_boot=100)
    assert found.counts.index.tolist() == [1, 2]
    assert "specific agreement" in found._repr_html_()


@pytest.mark.parametrize("compare", [tc.weighted_kappa, tc.limits_of_agreement])
def test_two_columns_of_the_same_people_are_lined_up_by_their_index(compare):
    first, second = pd.Series([1, 2, 3, 4, 4], index=list("ABCDE")), pd.Series([1, 3, 3, 4, 2], index=list("ABCED"))
    assert compare(first, second[first.index]).n == compare(first.to_numpy(), second.to_numpy()).n == 5


def test_empty_categories_keep_their_distance():
    near, far = ([1, 3, 1, 3, 3], [1, 3, 3, 3, 1]), range(1, 4)
    assert tc.weighted_kappa(*near).counts.shape == (2, 2)
    assert tc.weighted_kappa(*near, categories=far).counts.shape == (3, 3)
    ordered = pd.Series(pd.Categorical(["low", "high", "low"], categories=["low", "middle", "high"], ordered=True))
    for second in (ordered, ordered.astype(object)):
        assert tc.weighted_kappa(ordered, second).counts.index.tolist() == ["low", "middle", "high"]
        assert tc.weighted_kappa(second, ordered).counts.index.tolist() == ["low", "middle", "high"]


def test_bootstrap_is_seeded():
    held = [1, 2, 2, 3, 1, 2, 3, 3, 1, 1], [1, 2, 3, 3, 1, 1, 3, 2, 1, 2]
    one, two, other = (tc.weighted_kappa(*held, seed=seed) for seed in (1, 1, 2))
    assert (one.low, one.high) == (two.low, two.high)
    assert one.low <= one.value <= one.high
    assert abs(one.low - other.low) < 0.1
