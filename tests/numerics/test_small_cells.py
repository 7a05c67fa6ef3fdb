"""Small counts: hidden with what would give them away; checked by listing every table that fits what is shown."""

from itertools import product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from truechange.numerics.small_cells import LEAST, POOLED, few, pooled, protect

cells = st.lists(st.integers(0, 9), min_size=2, max_size=4)


def fitting(counts, hide):
    """Every set of hidden counts a reader could think of: at least 1 each (0 is never hidden), with the known sum."""
    total = sum(count for count, hidden in zip(counts, hide, strict=True) if hidden)
    return [way for way in product(range(1, total + 1), repeat=int(hide.sum())) if sum(way) == total]


@settings(derandomize=True, deadline=None, max_examples=150)
@given(cells)
def test_no_hidden_part_of_a_known_total_can_be_solved(counts):
    hide = protect(counts)
    assert not few(np.array(counts)[~hide]).any()
    left = [count for count, hidden in zip(counts, hide, strict=True) if count and not hidden]
    if not hide.any() or (not left and (hide.sum() == 1 or sum(counts) == hide.sum())):
        return  # nothing else could be hidden: the total itself is the small count
    ways = np.array(fitting(counts, hide))
    assert all(len(set(column)) > 1 for column in ways.T)


def test_zero_and_large_counts_stay_and_nothing_is_hidden_alone():
    assert protect([0, 12]).tolist() == [False, False]
    assert protect([12, 3, 20]).tolist() == [True, True, False]
    assert protect([1, 1, 9]).tolist() == [True, True, True]  # two that sum to 2 are both 1
    assert protect([4, 9, 9, 12]).tolist() == [True, True, True, False]  # 13 hidden and 9 at most leaves 4


@settings(derandomize=True, deadline=None)
@given(st.dictionaries(st.sampled_from("abcdef"), st.integers(1, 12), max_size=6))
def test_pooled_reasons_add_up_and_none_is_small(reasons):
    told = pooled(reasons)
    assert all(count >= LEAST for count in told.values())
    assert not told or sum(told.values()) == sum(reasons.values())
    assert set(told) - {POOLED} <= set(reasons)


@pytest.mark.parametrize(("reasons", "told"), [({"a": 3}, {}), ({"a": 3, "b": 4}, {POOLED: 7}), ({"a": 5}, {"a": 5})])
def test_a_total_of_few_people_is_told_without_reasons(reasons, told):
    assert pooled(reasons) == told
