"""One person: direction, unit and origin of the scale are nothing; more change is never less likely to be change."""

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

import truechange as tc
from truechange.individual.score_error import recovery_cutoffs

QUICK = settings(derandomize=True, deadline=None, max_examples=20)
SCORE = st.integers(0, 40).map(lambda x: x / 2)
SEM = st.floats(0.3, 3)
MCID = st.floats(0.5, 6)
LARGE = 10_000


def group(factor=1.0, shift=0.0, sign=1, n=LARGE):
    return tc.Programme(sign * 11 * factor + shift, sign * 13 * factor + shift, 3.2 * factor, 3.4 * factor, 0.8, n)


def told(one):
    view = (one.p_better, one.p_meaningful, one.p_worse, one.p_meaningful_flat, one.reliable_change_index)
    return (*view, one.mdc.value, one.true_change.value, one.true_change.low, one.true_change.high)


@QUICK
@given(SCORE, SCORE, st.floats(0.3, 2), MCID, st.sampled_from([40, LARGE]))
def test_lower_is_better_mirrors_higher_is_better(before, after, sem, mcid, n):
    up = tc.person_change(before, after, sem=sem, mcid=mcid, programme=group(n=n))
    down = tc.person_change(-before, -after, sem=sem, mcid=mcid, programme=group(sign=-1, n=n), better="lower")
    assert down.verdict == up.verdict
    assert told(down) == pytest.approx(told(up), abs=1e-9)


@QUICK
@given(SCORE, SCORE, SEM, MCID)
def test_changing_the_wrong_way_is_the_mirror_of_the_right_way(before, after, sem, mcid):
    assume(before != after)
    one, other = (tc.person_change(a, b, sem=sem, mcid=mcid) for a, b in ((before, after), (after, before)))
    assert other.verdict.removeprefix("worse_") == one.verdict.removeprefix("worse_")
    assert one.worse != other.worse
    assert other.p_better == pytest.approx(1 - one.p_better)
    assert other.p_worse == pytest.approx(one.p_meaningful)


@QUICK
@given(
    SCORE,
    SCORE,
    st.floats(0.3, 2),
    MCID,
    st.sampled_from([0.1, 25.0]),
    st.integers(-30, 30),
    st.sampled_from([40, LARGE]),
)
def test_unit_and_zero_of_the_scale_are_nothing(before, after, sem, mcid, factor, shift, n):
    one = tc.person_change(before, after, sem=sem, mcid=mcid, programme=group(n=n))
    assume(abs(abs(one.improvement) - mcid) > 1e-6)
    assume(abs(abs(one.improvement) - one.mdc.value) > 1e-6)
    x, y = before * factor + shift, after * factor + shift
    other = tc.person_change(x, y, sem=sem * factor, mcid=mcid * factor, programme=group(factor, shift, n=n))
    assert other.verdict == one.verdict
    assert told(other)[:5] == pytest.approx(told(one)[:5], abs=1e-6)
    assert told(other)[5:] == pytest.approx([part * factor for part in told(one)[5:]], rel=1e-5, abs=1e-6)


@QUICK
@given(SCORE, SCORE, SEM, MCID, st.sampled_from([None, 12]))
def test_more_change_is_never_less_likely(before, after, sem, mcid, df):
    one, more = (tc.person_change(before, y, sem=sem, sem_df=df, mcid=mcid) for y in (after, after + 0.5))
    assert more.p_better >= one.p_better - 1e-12
    assert more.p_meaningful >= one.p_meaningful - 1e-12
    assert one.p_meaningful <= one.p_better + 1e-12
    assert one.p_worse + one.p_better <= 1 + 1e-9
    assert one.true_change.low <= one.true_change.value <= one.true_change.high


@QUICK
@given(SCORE, SCORE, SEM, MCID, st.sampled_from([0.8, 0.9, 0.95]))
def test_a_limit_of_the_flat_posterior_has_its_tail_beyond_it(before, after, sem, mcid, level):
    one = tc.person_change(before, after, sem=sem, mcid=mcid, confidence=level)
    low, flat = one.true_change.low, one.beliefs[0]
    assert flat.above(low) == pytest.approx((1 + level) / 2, abs=1e-6)
    # the interval leaves out 0 exactly when the change is beyond the MDC at the same level
    assert (low > 0 or one.true_change.high < 0) == (abs(one.improvement) > one.mdc.value + 1e-12) or abs(
        abs(one.improvement) - one.mdc.value
    ) < 1e-6


@QUICK
@given(SCORE, SCORE, SEM, MCID)
def test_the_verdict_is_what_the_two_thresholds_say(before, after, sem, mcid):
    one = tc.person_change(before, after, sem=sem, mcid=mcid)
    size = abs(one.improvement)
    assume(abs(size - mcid) > 1e-6 and abs(size - one.mdc.value) > 1e-6)
    real, important = size > one.mdc.value, size > mcid
    cell = {(True, True): "real_and_important", (True, False): "real_below_important",
            (False, True): "important_sized_within_error", (False, False): "no_demonstrable_change"}  # fmt: skip
    assert one.verdict == ("worse_" if one.improvement < 0 else "") + cell[real, important]


@QUICK
@given(SCORE, SCORE, SEM, st.integers(2, 4))
def test_averaging_visits_shrinks_the_mdc_by_the_root(before, after, sem, visits):
    one = tc.person_change(before, after, sem=sem, mcid=2.0)
    several = tc.person_change([before] * visits, [after] * visits, sem=sem, mcid=2.0)
    assert several.mdc.value == pytest.approx(one.mdc.value / visits**0.5)


@QUICK
@given(SCORE, SCORE, SEM, st.floats(-1, 1))
def test_the_family_keeps_its_identities(before, after, sem, practice):
    retest = tc.Programme(11, 11 + practice, 3.2, 3.2, 0.9, 60)
    family = tc.reliable_change(before, after, sem=sem, practice=practice, retest=retest)["statistic"]
    d = after - before
    assert family["jacobson_truax"] == pytest.approx(d / (2**0.5 * sem))
    assert family["unequal_error"] == pytest.approx(family["jacobson_truax"])
    assert family["practice_adjusted"] == pytest.approx((d - practice) / (2**0.5 * sem))
    mirrored = tc.reliable_change(
        -before,
        -after,
        sem=sem,
        practice=practice,
        better="lower",
        retest=tc.Programme(-11, -11 - practice, 3.2, 3.2, 0.9, 60),
    )["statistic"]
    assert mirrored.dropna().to_list() == pytest.approx(family.dropna().to_list(), abs=1e-9)


@QUICK
@given(st.floats(0, 50), st.floats(1, 9), st.floats(0, 50), st.floats(1, 9))
def test_the_middle_cut_off_lies_as_many_sds_from_both_means(mean, sd, well, sd_well):
    c = recovery_cutoffs(mean, sd, well, sd_well)["c"]
    assert (c - mean) / sd == pytest.approx((well - c) / sd_well, abs=1e-9)
