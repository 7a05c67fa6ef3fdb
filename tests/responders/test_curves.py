"""The cumulative curve and its bands; four meanings of responder."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import norm

import truechange as tc
from truechange.responders.true_share import responder_definitions

values = st.lists(st.integers(-5, 8).map(float), min_size=3, max_size=50)


@settings(derandomize=True, deadline=None, max_examples=50)
@given(values, st.integers(-6, 9))
def test_every_point_is_the_counted_share(changes, place):
    curve = tc.cumulative_change(changes)
    assert curve.at(place + 0.5)["share"].iloc[0] == pytest.approx(np.mean(np.array(changes) >= place + 0.5))
    table = curve.table()
    assert (np.diff(table["share"]) < 0).all()
    assert (table["band_low"] <= table["low"] + 1e-12).all() or len(changes) < 8


@settings(derandomize=True, deadline=None, max_examples=20)  # an identity: it holds for any two lists or for none
@given(values, values)
def test_area_between_two_curves_is_the_difference_of_the_means(first, second):
    curve = tc.cumulative_change([*first, *second], by=["A"] * len(first) + ["B"] * len(second))
    at = [curve.at(float(x)).set_index("group")["share"] for x in range(-6, 10)]
    area = sum(share["A"] - share["B"] for share in at)  # whole-number changes: steps of width one
    assert area == pytest.approx(np.mean(first) - np.mean(second), abs=1e-9)


def test_bands():
    n = 80
    curve = tc.cumulative_change(np.arange(n) * 0.1, confidence=0.9).table()
    half = np.sqrt(np.log(2 / 0.1) / (2 * n))
    middle = curve.iloc[n // 2]
    assert middle["band_high"] - middle["share"] == pytest.approx(half)
    wilson = tc.proportion(int(middle["at_least"]), n, 0.9)
    assert (middle["low"], middle["high"]) == pytest.approx((wilson.low, wilson.high))


def test_missing_people_count_as_not_shown_and_may_change_it():
    table = tc.cumulative_change([3, 1, 0, np.nan]).table().set_index("change")
    assert table.loc[3, "share"] == 0.25
    assert table.loc[3, "highest_possible"] == 0.5


def test_the_rows_of_all_groups_are_numbered_through():
    curve = tc.cumulative_change([0, 1, 3, 2, 2, 5], by=list("AAABBB"))
    assert curve.rows.index.tolist() == curve.table().index.tolist() == [0, 1, 2, 3, 4]


def test_threshold_sensitivity_uses_the_limits_of_the_threshold():
    mcid = tc.Threshold(value=2, low=1, high=3, kind="mcid")
    curve = tc.cumulative_change([0, 1, 2, 3, 4], thresholds=(mcid,))
    assert curve.at(mcid)["share"].tolist() == [0.8, 0.6, 0.4]
    assert any("MCID" in text for text in curve.sentences())


def test_true_curve_is_flatter_than_nothing_and_has_the_same_middle():
    rng = np.random.default_rng(5)
    observed = rng.normal(1, 2, 4000) + rng.normal(0, 2, 4000)
    table = tc.cumulative_change(observed, sem=np.sqrt(2)).table()
    near = table.iloc[(table["change"] - 2).abs().argmin()]
    assert near["true_share"] == pytest.approx(norm.sf(0.5), abs=0.02)
    assert near["true_share"] < near["share"]
    assert np.isnan(tc.cumulative_change([0, 0, 1, 1], sem=5).table()["true_share"]).all()


def test_picture():
    mcid, mdc = tc.Threshold(value=2, low=1, high=3, kind="mcid"), tc.Threshold(value=2.5, kind="mdc")
    curve = tc.cumulative_change([3, 1, 0, 2, 5, np.nan], thresholds=(mcid, mdc), sem=0.3)
    ax = curve.plot()
    assert {"everyone", "everyone, true change", "everyone, if all the missing did"} <= {
        text.get_text() for text in ax.get_legend().get_texts()
    }
    assert curve.alt


def clinic(n):
    rng = np.random.default_rng(1)
    true = rng.normal(1, 2, n)
    return true, true + rng.normal(0, 2, n)


def test_shares_in_a_large_clinic_are_the_known_ones():
    """Mean 1, SD of true change 2, half of the variance error: true .309, A .362, B .151 (recomputed by simulation)."""
    true, observed = clinic(60_000)
    table = responder_definitions(observed, mcid=2, sem=np.sqrt(2), primary="A").table().set_index("definition")
    assert table.loc["A", "share"] == pytest.approx(norm.sf(1 / np.sqrt(8)), abs=0.006)
    assert table.loc["B", "share"] == pytest.approx(0.151, abs=0.006)
    assert table.loc["D", "share"] == pytest.approx((true >= 2).mean(), abs=0.01)
    sure = responder_definitions(observed, mcid=2, sem=np.sqrt(2), primary="A").chances > 0.8
    assert (true[sure] >= 2).mean() > 0.85


@pytest.mark.parametrize(
    ("changes", "told"),
    [([2, 3, 4], "improved by 3.0"), ([-2, -3, -4], "got worse by 3.0"), ([0.02, 0.04, 0.06], "improved by 0.040")],
)
def test_half_of_those_who_got_worse_are_not_said_to_improve_by_less_than_nothing(changes, told):
    assert tc.cumulative_change(changes).sentences()[0] == f"Half of the 3 people measured {told} or more."


def test_one_person_without_a_follow_up_is_told_in_the_singular():
    said = tc.true_responder_share([0, 1, 2, 3, 5, np.nan], sem=0.5, mcid=2.0).cautions
    assert "1 person without a usable follow-up is not in this share." in said
    with pytest.raises(tc.DataError, match=r"^1 person with a usable change"):
        tc.cumulative_change([2.0])
