"""The currency says itself right, and a threshold for a group is refused where one person is meant."""

from math import inf

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import truechange as tc
from truechange.foundation.errors import listed
from truechange.foundation.estimate import person_threshold
from truechange.foundation.numbers import reaches


def test_an_estimate_prints_as_designed():
    # Source: the design's own example of how an estimate reads.
    assert str(tc.Estimate(value=2.83, low=2.21, high=3.68, unit="stands")) == "2.8 stands (95% CI 2.2 to 3.7)"


def test_an_estimate_without_interval_says_only_the_value():
    assert str(tc.Estimate(value=1.234, unit="s")) == "1.23 s"
    assert tc.Estimate(value=1.0).interval_text() == "no interval"


def test_an_infinite_limit_is_shown_not_hidden():
    assert tc.Estimate(value=9, low=2.05, high=inf).text(1) == "9.0 (95% CI 2.0 to ∞)"


def test_scaling_carries_the_interval():
    doubled = tc.Estimate(value=1.0, low=0.5, high=2.0, unit="s").scaled(2)
    assert (doubled.value, doubled.low, doubled.high, doubled.unit) == (2.0, 1.0, 4.0, "s")


def test_a_difference_is_worded_by_its_sign():
    less = tc.Estimate(value=-0.94, low=-3.31, high=1.42, unit="points")
    more = tc.Estimate(value=0.94, low=-1.42, high=3.31, unit="points")
    assert less.worded("{} more", "{} less") == "0.9 points (95% CI −1.4 to 3.3) less"
    assert more.worded("{} more", "{} less") == "0.9 points (95% CI −1.4 to 3.3) more"


def test_a_bare_number_is_marked_as_stated():
    held = person_threshold(2, "mcid", name="mcid", unit="stands")
    assert (held.value, held.level, held.origin.kind, held.unit) == (2.0, "person", "stated", "stands")
    assert not held.origin.is_own


def test_what_the_scale_can_show_is_rounded_up():
    assert tc.Threshold(value=2.77, kind="mdc", unit="stands").shown(1) == "at least 3 stands"
    assert tc.Threshold(value=2.0, kind="mcid", unit="s").shown(0.1) == "at least 2 s"


def test_an_origin_speaks():
    assert tc.Origin.own("hip OA", interval="1 week", n=50).sentence() == "own data (hip OA), 50 people, 1 week apart"
    published = tc.Origin("published", citation="Author 2020", population="knee OA", n=60, status="from memory")
    assert published.sentence() == "Author 2020; knee OA, n = 60 [from memory]"


def test_long_lists_are_cut_and_counted():
    assert listed(range(8)) == "0, 1, 2, 3, 4 and 3 more"
    assert listed(["A", "B"]) == "A, B"


@settings(derandomize=True, deadline=None)
@given(
    st.floats(-1e6, 1e6),
    st.floats(0.001, 1e6),
    st.floats(0.1, 100),
)
def test_scaling_there_and_back_changes_nothing(value, width, factor):
    there = tc.Estimate(value=value, low=value - width, high=value + width)
    back = there.scaled(factor).scaled(1 / factor)
    assert back.value == pytest.approx(there.value, rel=1e-9, abs=1e-9)
    assert back.high == pytest.approx(there.high, rel=1e-9, abs=1e-9)


def test_a_threshold_for_getting_worse_is_not_one_for_getting_better():
    worse = tc.Threshold(value=2, kind="mcid", direction="deterioration")
    assert person_threshold(worse, "mcid", name="mcid_deterioration", direction="deterioration") is worse


def test_a_person_exactly_at_the_threshold_is_there():
    assert reaches(10.5 - 9.8, 0.7)
    assert not reaches(0.6999, 0.7)
