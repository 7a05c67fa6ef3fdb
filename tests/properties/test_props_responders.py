"""What must hold for any counts: mirrors, swaps, totals that add up, a limit used as null."""

from itertools import pairwise
from math import isfinite, sqrt

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

import truechange as tc

QUICK = settings(derandomize=True, deadline=None, max_examples=20)
COUNTS = st.integers(1, 60).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n)))
CHANGES = st.lists(st.integers(-6, 12).map(float) | st.just(float("nan")), min_size=4, max_size=40)


@settings(QUICK, max_examples=100)
@given(COUNTS, st.sampled_from(["wilson", "exact"]))
def test_the_share_of_the_others_is_the_mirror_image(counts, method):
    k, n = counts
    one, rest = tc.proportion(k, n, method=method), tc.proportion(n - k, n, method=method)
    assert (1 - rest.high, 1 - rest.low) == pytest.approx((one.low, one.high), abs=1e-12)
    assert 0 <= one.low <= one.value <= one.high <= 1


@QUICK
@given(COUNTS)
def test_one_more_responder_raises_both_limits_and_exact_is_wider(counts):
    k, n = counts
    assume(k < n)
    one, more, exact = tc.proportion(k, n), tc.proportion(k + 1, n), tc.proportion(k, n, method="exact")
    assert more.low > one.low or one.low == more.low == 0
    assert more.high > one.high or one.high == more.high == 1
    if 2 <= k <= n - 2:
        assert exact.high - exact.low >= one.high - one.low - 1e-9


@QUICK
@given(COUNTS, st.sampled_from([0.8, 0.9, 0.95, 0.99]))
def test_a_wilson_limit_used_as_null_gives_p_of_one_minus_the_level(counts, level):
    from scipy.special import ndtr

    k, n = counts
    one = tc.proportion(k, n, confidence=level)
    for null in (one.low, one.high):
        if 0 < null < 1:
            z = (k / n - null) / sqrt(null * (1 - null) / n)
            assert 2 * ndtr(-abs(z)) == pytest.approx(1 - level, abs=1e-9)


@settings(QUICK, max_examples=100)
@given(COUNTS, COUNTS)
def test_swapping_the_groups_flips_the_signs_and_inverts_the_ratios(first, second):
    one, other = tc.compare_responders(*first, *second), tc.compare_responders(*second, *first)
    assert other.difference.value == pytest.approx(-one.difference.value)
    assert (other.difference.low, other.difference.high) == pytest.approx((-one.difference.high, -one.difference.low))
    assert other.p_value == pytest.approx(one.p_value)
    for name in ("risk_ratio", "odds_ratio"):
        here, there = getattr(one, name), getattr(other, name)
        if isfinite(here.value) and here.value > 0:
            assert there.value == pytest.approx(1 / here.value)
        if isfinite(here.high) and isfinite(here.low) and here.low > 0:
            assert (there.low, there.high) == pytest.approx((1 / here.high, 1 / here.low), rel=1e-5)


@QUICK
@given(COUNTS, COUNTS)
def test_the_number_needed_is_the_inverse_of_the_difference(first, second):
    both = tc.compare_responders(*first, *second)
    need, gap = both.number_needed_to_treat, both.difference
    assert -1 <= gap.low <= gap.value <= gap.high <= 1
    assert need.through_infinity == (gap.low <= 0 <= gap.high)
    if gap.value:
        assert need.value == pytest.approx(1 / gap.value)


@QUICK
@given(CHANGES, st.sampled_from([0.5, 2.0, 3.0]), st.data())
def test_groups_add_up_to_everyone_and_the_missing_stay_in(changes, threshold, data):
    by = data.draw(st.lists(st.sampled_from(["North", "South"]), min_size=len(changes), max_size=len(changes)))
    everyone = tc.count_responders(changes, threshold).table().iloc[0]
    parts = tc.count_responders(changes, threshold, by=by).table()
    for column in ("started", "measured", "changed_enough", "worse_enough"):
        assert parts[column].sum() == everyone[column]
    assert everyone["started"] == len(changes)
    assert everyone["lowest_possible"] <= everyone["proportion"] <= everyone["highest_possible"]
    order = np.argsort(np.arange(len(changes)) * 7 % 11, kind="stable")
    shuffled = tc.count_responders(np.array(changes)[order], threshold).table().iloc[0]
    assert shuffled.equals(everyone)


@QUICK
@given(CHANGES, st.sampled_from([0.1, 4.0]))
def test_another_unit_changes_no_share(changes, factor):
    one = tc.count_responders(changes, 2).table().iloc[0]
    other = tc.count_responders(np.array(changes) * factor, 2 * factor * (1 - 1e-12)).table().iloc[0]
    assert other["proportion"] == one["proportion"]


@QUICK
@given(st.floats(0.5, 6), st.floats(0.2, 3), st.integers(1, 40), st.floats(-0.5, 0.5), st.sampled_from([0.1, 10.0]))
def test_error_alone_depends_on_the_ratio_only_and_its_tail_falls(threshold, sem, n, practice, factor):
    one = tc.responders_from_error(threshold, sem=sem, n=n, practice=practice)
    other = tc.responders_from_error(threshold * factor, sem=sem * factor, n=n, practice=practice * factor)
    assert other.proportion == pytest.approx(one.proportion, rel=1e-9)
    assert one.expected == pytest.approx(n * one.proportion)
    tails = [one.tail(k) for k in range(n + 1)]
    assert tails[0] == 1
    assert all(a >= b for a, b in pairwise(tails))
    assert sum(tails[1:]) == pytest.approx(one.expected, rel=1e-6, abs=1e-9)
    assert tc.responders_from_error(threshold + 0.5, sem=sem, n=n, practice=practice).proportion <= one.proportion
