"""What must not change, or change in step, when retest data are shifted, scaled or reordered."""

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

import truechange as tc
from truechange.numerics.variances import FORMS
from truechange.validation.cases import long

QUICK = settings(derandomize=True, deadline=None, max_examples=18)
SCORES = st.integers(2, 4).flatmap(
    lambda k: st.integers(4, 9).flatmap(lambda n: arrays(float, (n, k), elements=st.integers(0, 30).map(float)))
)
PAIRS = st.integers(5, 12).flatmap(lambda n: arrays(float, (n, 2), elements=st.integers(0, 30).map(float)))
FACTORS = st.sampled_from([0.1, 0.5, 3.0, 100.0])


def usable(scores):
    ms = scores - scores.mean(axis=1, keepdims=True) - scores.mean(axis=0) + scores.mean()
    assume((ms**2).sum() > 0.5)
    assume(scores.mean(axis=1).std() > 0.2)


def numbers(table):
    return table[["estimate", "low", "high", "f", "p_value"]].to_numpy(dtype=float)


@QUICK
@given(SCORES, st.floats(-1000, 1000))
def test_adding_a_constant_changes_no_icc_and_no_error(scores, constant):
    usable(scores)
    np.testing.assert_allclose(
        numbers(tc.icc_table(long(scores + constant))), numbers(tc.icc_table(long(scores))), atol=1e-6
    )
    before, after = tc.measurement_error(long(scores)), tc.measurement_error(long(scores + constant))
    assert after.sem_agreement.value == pytest.approx(before.sem_agreement.value, abs=1e-8)
    assert after.mdc95.high == pytest.approx(before.mdc95.high, rel=1e-6)


@QUICK
@given(SCORES, FACTORS)
def test_another_unit_changes_no_icc_and_scales_sem_and_mdc(scores, factor):
    usable(scores)
    np.testing.assert_allclose(
        numbers(tc.icc_table(long(scores * factor))), numbers(tc.icc_table(long(scores))), rtol=1e-8, atol=1e-9
    )
    before, after = tc.measurement_error(long(scores)), tc.measurement_error(long(scores * factor))
    for name in ("sem_agreement", "sem_consistency", "sem_one_way", "mdc90", "mdc95", "mdc95_group", "learning"):
        for part in ("value", "low", "high"):
            got, was = getattr(getattr(after, name), part), getattr(getattr(before, name), part)
            assert got == pytest.approx(was * factor, rel=1e-8, nan_ok=True), (name, part)


@QUICK
@given(SCORES, st.randoms(use_true_random=False))
def test_the_order_of_people_rows_and_trials_is_nothing(scores, random):
    usable(scores)
    order, trials = list(range(len(scores))), list(range(scores.shape[1]))
    random.shuffle(order)
    random.shuffle(trials)
    table = long(scores)
    rows = table.sample(frac=1, random_state=random.randrange(1000))
    expected = numbers(tc.icc_table(table))
    np.testing.assert_allclose(numbers(tc.icc_table(rows)), expected, rtol=1e-9, atol=1e-10)
    np.testing.assert_allclose(numbers(tc.icc_table(long(scores[order]))), expected, rtol=1e-9, atol=1e-10)
    np.testing.assert_allclose(numbers(tc.icc_table(long(scores[:, trials]))), expected, rtol=1e-9, atol=1e-10)


@QUICK
@given(SCORES, st.lists(st.integers(-20, 20), min_size=4, max_size=4))
def test_a_shift_between_trials_cannot_change_consistency(scores, shifts):
    usable(scores)
    moved = long(scores + np.array(shifts[: scores.shape[1]], dtype=float))
    for form in ("ICC(C,1)", "ICC(C,k)"):
        before, after = tc.icc(long(scores), form=form).estimate, tc.icc(moved, form=form).estimate
        assert after.value == pytest.approx(before.value, abs=1e-7)
    before, after = tc.measurement_error(long(scores)), tc.measurement_error(moved)
    assert after.sem_consistency.value == pytest.approx(before.sem_consistency.value, rel=1e-7)


@QUICK
@given(SCORES, st.sampled_from(FORMS))
def test_the_interval_holds_the_estimate_and_widens_with_confidence(scores, form):
    usable(scores)
    narrow, wide = (tc.icc(long(scores), form=form, confidence=level).estimate for level in (0.8, 0.95))
    assume(np.isfinite(narrow.value) and np.isfinite(wide.low) and np.isfinite(wide.high))
    assert wide.low <= narrow.low <= narrow.value + 1e-9
    assert narrow.value - 1e-9 <= narrow.high <= wide.high


@QUICK
@given(SCORES)
def test_a_limit_used_as_null_gives_p_of_one_minus_the_level(scores):
    usable(scores)
    found = tc.icc(long(scores), form="ICC(1)")
    assume(0.001 < found.p_value < 0.25)
    assert tc.icc(long(scores), form="ICC(1)", confidence=1 - 2 * found.p_value).estimate.low == pytest.approx(
        0, abs=1e-7
    )


@QUICK
@given(PAIRS)
def test_swapping_the_two_measurements_mirrors_the_limits(pairs):
    d = pairs[:, 0] - pairs[:, 1]
    assume(d.std() > 0.2)
    one, other = tc.limits_of_agreement(*pairs.T), tc.limits_of_agreement(*pairs.T[::-1])
    assert other.bias.value == pytest.approx(-one.bias.value)
    assert (other.lower.value, other.lower.low, other.lower.high) == pytest.approx(
        (-one.upper.value, -one.upper.high, -one.upper.low)
    )
    assert other.repeatability.value == pytest.approx(one.repeatability.value)


@QUICK
@given(PAIRS, FACTORS, st.integers(-50, 50))
def test_limits_move_with_a_shift_and_scale_with_the_unit(pairs, factor, shift):
    d = pairs[:, 0] - pairs[:, 1]
    assume(d.std() > 0.2)
    one = tc.limits_of_agreement(*pairs.T)
    moved = tc.limits_of_agreement(pairs[:, 0] * factor + shift, pairs[:, 1] * factor)
    for name in ("bias", "lower", "upper"):
        for part in ("value", "low", "high"):
            got, was = getattr(getattr(moved, name), part), getattr(getattr(one, name), part)
            assert got == pytest.approx(was * factor + shift, rel=1e-7, abs=1e-7)


@QUICK
@given(st.lists(st.tuples(st.integers(1, 4), st.integers(1, 4)), min_size=6, max_size=30))
def test_kappa_is_symmetric_and_never_above_what_the_totals_allow(ratings):
    first, second = np.array(ratings).T
    options = {"categories": [1, 2, 3, 4], "n_boot": 50}
    one = tc.weighted_kappa(first, second, **options)
    swapped = tc.weighted_kappa(second, first, **options)
    reversed_ = tc.weighted_kappa(5 - first, 5 - second, **options)
    assume(np.isfinite(one.value))
    assert swapped.value == pytest.approx(one.value)
    assert reversed_.value == pytest.approx(one.value)
    assert one.value <= one.greatest + 1e-9
    assert 0 <= one.observed <= 1
