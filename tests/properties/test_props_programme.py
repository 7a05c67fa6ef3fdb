"""A group's change, comparisons, sites, plans and the account of rows."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

import truechange as tc
from truechange.planning.power import plan_paired_shares, plan_two_programmes, plan_two_shares
from truechange.planning.precision import plan_error
from truechange.programme.change import paired_change, trimmed_mean
from truechange.programme.comparison import adjusted_difference, individual_response, welch_difference
from truechange.programme.sites import chance_limits, funnel, shrunken_shares

QUICK = settings(derandomize=True, deadline=None, max_examples=18)
SEEDS = st.integers(0, 5000)


def two_groups(seed, n=24):
    rng = np.random.default_rng(seed)
    before = rng.normal(11, 3, 2 * n)
    gained = rng.normal(2, 2, 2 * n) - 0.3 * (before - 11) + np.repeat([1.0, 0.0], n)
    return before, gained, np.repeat([1.0, 0.0], n)


@QUICK
@given(SEEDS, st.sampled_from([0.1, 12.0]), st.integers(-20, 20))
def test_a_group_s_change_knows_no_zero_and_scales_with_the_unit(seed, factor, shift):
    before, gained, _ = two_groups(seed)
    one = paired_change(before, before + gained, gained)
    x = before * factor + shift
    other = paired_change(x, x + gained * factor, gained * factor)
    for name in ("mean", "trimmed"):
        assert getattr(other, name).value == pytest.approx(getattr(one, name).value * factor)
        assert getattr(other, name).high == pytest.approx(getattr(one, name).high * factor)
    assert other.response_mean.value == pytest.approx(one.response_mean.value)
    assert other.response_mean.low == pytest.approx(one.response_mean.low, abs=1e-6)
    assert other.p_value == pytest.approx(one.p_value)


@QUICK
@given(SEEDS, st.floats(5, 500))
def test_one_wild_change_hardly_moves_the_trimmed_mean(seed, wild):
    _, gained, _ = two_groups(seed, 10)
    worse = gained.copy()
    worse[np.argmax(worse)] += wild
    assert trimmed_mean(worse, 0.95).value == pytest.approx(trimmed_mean(gained, 0.95).value)


@QUICK
@given(SEEDS, st.integers(-30, 30))
def test_swapping_programmes_flips_every_difference(seed, shift):
    before, gained, group = two_groups(seed)
    first, second = gained[group == 1], gained[group == 0]
    one, other = welch_difference(first, second, 0.95), welch_difference(second, first, 0.95)
    assert (other.value, other.low, other.high) == pytest.approx((-one.value, -one.high, -one.low))
    gap, p, slope, _ = adjusted_difference(before, gained, group, 0.95)
    back, p_back, slope_back, _ = adjusted_difference(before + shift, gained, 1 - group, 0.95)
    assert (back.value, back.low, back.high) == pytest.approx((-gap.value, -gap.high, -gap.low))
    assert (p_back, slope_back) == pytest.approx((p, slope))
    response, reverse = individual_response(first, second), individual_response(second, first)
    assert reverse.value.value == pytest.approx(-response.value.value)
    assert (reverse.variance.low, reverse.variance.high) == pytest.approx(
        (-response.variance.high, -response.variance.low)
    )


@QUICK
@given(st.integers(5, 200), st.floats(0.02, 0.98), st.sampled_from([0.95, 0.998]))
def test_chance_limits_hold_the_share_and_mirror(n, share, level):
    low, high = chance_limits(n, share, level)
    assert 0 <= low <= share + 1 / n
    assert share - 1 / n <= high <= 1
    inner = chance_limits(n, share, 0.8)
    assert low <= inner[0] + 1e-12
    assert inner[1] <= high + 1e-12


@QUICK
@given(SEEDS)
def test_the_order_of_people_is_nothing_to_the_sites(seed):
    rng = np.random.default_rng(seed)
    site = rng.choice(list("ABCDEF"), 120)
    gained = rng.normal(2, 2, 120)
    gained[rng.random(120) < 0.1] = np.nan
    order = rng.permutation(120)
    one, other = funnel(site, gained, 2.0).table(), funnel(site[order], gained[order], 2.0).table()
    pd.testing.assert_frame_equal(one, other)
    assert one["due"].sum() == 120
    shares, between = shrunken_shares(one["changed_enough"], one["due"])
    assert between >= 0
    assert shares.min() >= one["share"].min() - 1e-12
    assert shares.max() <= one["share"].max() + 1e-12


@QUICK
@given(st.floats(0.2, 1.5), st.sampled_from([0.7, 0.8, 0.9]), st.floats(0, 0.5), st.sampled_from([0.1, 30.0]))
def test_more_power_or_loss_needs_more_people_and_the_unit_is_nothing(effect, power, attrition, factor):
    plan = tc.plan_change(effect, 1.0, power=power)
    assert tc.plan_change(effect * factor, factor, power=power).need == plan.need
    assert tc.plan_change(effect, 1.0, power=power + 0.05).need >= plan.need
    assert tc.plan_change(effect * 1.2, 1.0, power=power).need <= plan.need
    lossy = tc.plan_change(effect, 1.0, power=power, attrition=attrition)
    assert lossy.start * (1 - attrition) >= plan.need - 1e-9
    assert plan.exact <= plan.need < plan.exact + 1 + 1e-9 or plan.need == 2


@QUICK
@given(st.floats(0.1, 0.9), st.floats(0.1, 0.9))
def test_two_shares_can_be_named_in_either_order(a, b):
    assume(abs(a - b) > 0.05)
    assert plan_two_shares(a, b).need == plan_two_shares(b, a).need
    assert plan_two_shares(1 - a, 1 - b).need == plan_two_shares(a, b).need
    if a + b <= 1:
        assert plan_paired_shares(a, b).need == plan_paired_shares(b, a).need


@QUICK
@given(st.floats(0.3, 0.95), st.integers(2, 4), st.floats(0.1, 0.4))
def test_a_narrower_interval_needs_more_people(icc, trials, width):
    assert tc.plan_icc(icc, trials=trials, width=width * 0.8).need >= tc.plan_icc(icc, trials=trials, width=width).need
    assert plan_error(width * 0.8, trials=trials).need >= plan_error(width, trials=trials).need
    assert tc.plan_responders(icc, width / 2).need == tc.plan_responders(1 - icc, width / 2).need


@QUICK
@given(st.floats(0.2, 1.2), st.floats(0, 0.9))
def test_a_baseline_that_predicts_saves_people(effect, correlation):
    alone = plan_two_programmes(effect, 1.0).exact
    adjusted = plan_two_programmes(effect, 1.0, correlation=correlation).exact
    assert adjusted <= alone * (1 - correlation**2) + 2


ROWS = st.lists(
    st.tuples(
        st.integers(1, 9),
        st.sampled_from(["baseline", "discharge", "midway"]),
        st.sampled_from(["8", "12", "31", "", "x", "-3", "500"]),
        st.sampled_from(["", "unable", "refused", "measured"]),
        st.sampled_from(["43", "46", ""]),
    ),
    min_size=1,
    max_size=25,
    unique_by=lambda row: row[:2],
)


@settings(derandomize=True, deadline=None, max_examples=15)
@given(rows=ROWS)
def test_every_row_of_any_sheet_is_accounted_for(tmp_path_factory, rows):
    lines = ["person,date,occasion,measure,value,result,seat_height_cm"]
    dates = {"baseline": "2025-01-06", "midway": "2025-02-17", "discharge": "2025-04-07"}
    for person, occasion, value, result, seat in rows:
        lines.append(f"P{person:03d},{dates[occasion]},{occasion},chair_stand_30s,{value},{result},{seat}")
    file = tmp_path_factory.mktemp("sheet") / "assessments.csv"
    file.write_text("\n".join(lines) + "\n", encoding="utf-8")
    records = tc.read(file)
    assert records.ledger.rows_read == len(rows)
    assert records.ledger.rows_read == records.ledger.rows_used + records.ledger.set_aside["count"].sum()
    assert records.ledger.rows_used == len(records.assessments)
    try:
        pairs = records.pairs("chair_stand_30s", before="baseline", after="discharge")
    except tc.OutcomeError:
        return
    assert pairs.ledger.rows_read == pairs.ledger.rows_used + pairs.ledger.set_aside["count"].sum()
    assert pairs.ledger.rows_used == 2 * len(pairs.usable)
    assert (pairs.frame["comparable"] == (pairs.frame["why_not"] == "")).all()
    assert (pairs.usable["improvement"] == pairs.usable["after"] - pairs.usable["before"]).all()
