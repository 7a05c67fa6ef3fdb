"""Mistakes in the call are named, and a study that cannot answer says the true reason."""

import numpy as np
import pandas as pd
import pytest

import truechange as tc
from truechange.meaningful_change import compare_scales

RNG = np.random.default_rng(8)
TRUE = RNG.normal(2.3, 2, 150)
BEFORE = np.round(RNG.normal(11, 3, 150)) + 20
AFTER = np.round(BEFORE + TRUE + RNG.normal(0, 1, 150))
RATING = np.digitize(TRUE + RNG.normal(0, 1.5, 150), [-2, 2, 5]) - 1


@pytest.mark.parametrize("function", [tc.anchor_check, compare_scales])
def test_people_on_different_indexes_are_not_matched_by_place(function):
    with pytest.raises(tc.DataError, match="different indexes"):
        function(pd.Series(BEFORE), pd.Series(AFTER, index=range(1, 151)), RATING, better="higher")


def test_a_word_for_the_error_is_named():
    with pytest.raises(tc.ChoiceError, match="sem='x' is not a number"):
        tc.mcid(AFTER - BEFORE, RATING, sem="x", n_boot=100)


@pytest.mark.parametrize(("rating", "reason"), [(2, "everybody"), (0, "nobody")])
def test_when_all_or_none_improved_that_is_the_reason(rating, reason):
    study = tc.mcid(AFTER - BEFORE, np.full(150, rating), sem=1.0, n_boot=100)
    assert study.recommended is None
    assert f"{reason} rated themselves improved" in study.sentence()


def test_when_nothing_changed_that_is_the_reason():
    study = tc.mcid(np.full(150, 2.0), RATING, n_boot=100)
    assert study.recommended is None
    assert "the change does not vary" in study.sentence()


def test_too_few_resamples_are_refused_everywhere():
    with pytest.raises(tc.ChoiceError, match="at least 100"):
        tc.mcid(AFTER - BEFORE, RATING, n_boot=5)
    retest = pd.DataFrame({"person": [1, 1, 2, 2, 3, 3], "trial": [1, 2] * 3, "value": [1, 2, 3, 3, 5, 6.0]})
    with pytest.raises(tc.ChoiceError, match="at least 100"):
        tc.measurement_error(retest, limits="percentile", n_boot=1)
