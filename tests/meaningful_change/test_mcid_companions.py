"""Several anchors, the starting level, the scale, and the simulation: each against a truth that was put in."""

import os

import numpy as np
import pytest
from numpy.testing import assert_allclose
from statsmodels.stats.meta_analysis import combine_effects

import truechange as tc
from truechange.meaningful_change import as_relative, baseline_dependence, compare_scales, pool_thresholds, triangulate
from truechange.meaningful_change.simulation import bias_and_coverage, simulated_people

FULL = os.environ.get("TRUECHANGE_FULL") == "1"


def three_anchors(n=300, seed=3):
    rng = np.random.default_rng(seed)
    true = rng.normal(2, 2, n)
    rate = [np.digitize(true + rng.normal(0, s, n), [-2, 2, 4]) - 1 for s in (1.2, 2.2)]
    return true + rng.normal(0, 1.2, n), {"stairs": rate[0], "chair": rate[1], "mood": rng.integers(-1, 3, n)}


@pytest.fixture(scope="module")
def together():
    change, anchors = three_anchors()
    return triangulate(change, anchors, sem=0.85, sem_df=49, n_boot=200, unit="stands")


def test_failing_anchors_are_dropped_and_the_rest_weighted_by_fishers_z(together):
    table = together.table()
    assert table.loc["mood", "weight"] == 0
    assert "not an anchor" in table.loc["mood", "why_dropped"]
    strength = np.arctanh(table.loc[["stairs", "chair"], "correlation"].to_numpy(dtype=float))
    assert_allclose(table.loc[["stairs", "chair"], "weight"], strength / strength.sum())
    kept = table.loc[["stairs", "chair"]]
    assert together.recommended.value == pytest.approx(float((kept["estimate"] * kept["weight"]).sum()))
    assert together.recommended.low < together.recommended.value < together.recommended.high


def test_leaving_one_out_leaves_the_other(together):
    table = together.table()
    assert together.leave_one_out.loc["stairs", "estimate"] == pytest.approx(table.loc["chair", "estimate"])
    assert "Leaving out one anchor" in together.sentences()[1]


def test_one_anchor_alone_is_its_own_study():
    change, anchors = three_anchors()
    alone = triangulate(change, {"stairs": anchors["stairs"]}, sem=0.85, n_boot=100)
    study = tc.mcid(change, anchors["stairs"], sem=0.85, n_boot=100)
    assert alone.recommended.value == pytest.approx(study.recommended.value)
    assert alone.leave_one_out["estimate"].isna().all()


def test_an_anchor_with_gaps_uses_whom_it_has():
    change, anchors = three_anchors()
    gaps = anchors["chair"].astype(float)
    gaps[:40] = np.nan
    both = triangulate(change, {"stairs": anchors["stairs"], "chair": gaps}, sem=0.85, n_boot=100)
    assert both.studies["chair"].n == 260
    assert both.recommended is not None


def test_without_a_valid_anchor_there_is_no_value():
    change, anchors = three_anchors()
    none = triangulate(change, {"mood": anchors["mood"]}, sem=0.85, n_boot=100)
    assert none.recommended is None
    assert "None of the anchors" in none.sentence()
    with pytest.raises(tc.DataError, match="at least one anchor"):
        triangulate(change, {})


def test_pooling_agrees_with_statsmodels():
    kind = {"kind": "mcid", "unit": "stands", "protocol": "43 cm chair"}
    values, error = np.array([1.6, 2.3, 2.9, 2.0]), np.array([0.3, 0.25, 0.4, 0.2])
    given = [tc.Threshold(value=v, low=v - 1.959964 * e, high=v + 1.959964 * e, **kind)
             for v, e in zip(values, error, strict=True)]  # fmt: skip
    mean, following = pool_thresholds(given)
    theirs = combine_effects(values, error**2, method_re="dl")
    assert mean.value == pytest.approx(theirs.mean_effect_re, abs=1e-6)
    assert (mean.high - mean.low) / (2 * 1.959964) == pytest.approx(theirs.sd_eff_w_re, abs=1e-6)
    assert following.low < mean.low
    assert following.high > mean.high


def test_pooling_refuses_what_does_not_belong_together():
    one = tc.Threshold(kind="mcid", value=2, low=1, high=3, protocol="43 cm chair")
    other = tc.Threshold(kind="mcid", value=2, low=1, high=3, protocol="46 cm chair")
    unknown = tc.Threshold(kind="mcid", value=2, low=1, high=3)
    for given in ([one, one, other], [unknown] * 3, [one, one]):
        with pytest.raises(tc.RefusedError):
            pool_thresholds(given)


@pytest.mark.parametrize("dependence", [0.0, 0.25])
def test_dependence_on_the_baseline_is_found_only_where_it_is(dependence):
    rng = np.random.default_rng(1)
    n = 6_000
    start = rng.normal(10, 3, n)
    true = rng.normal(2, 2, n) - 0.2 * (start - 10)
    rating = np.digitize(true - dependence * (start - 10) + rng.normal(0, 1.5, n), [-2, 2, 5]) - 1
    seen = start + rng.normal(0, 1, n), start + true + rng.normal(0, 1, n)
    second = start + rng.normal(0, 1, n)
    found = baseline_dependence(seen[1] - seen[0], rating, second, sem=1.0, before=seen[0], n_boot=100)
    truth = dependence * 9 / (9 + 1)  # attenuated by the second baseline's own error
    assert found.slope.low - 0.01 <= truth <= found.slope.high + 0.01
    assert ("is not shown" in found.sentence()) == (dependence == 0)
    assert found.at.loc["mean", "estimate"] == pytest.approx(2.0, abs=0.12)


def test_the_baseline_inside_the_change_is_refused():
    change, anchors = three_anchors()
    first = np.random.default_rng(2).normal(10, 3, change.size)
    with pytest.raises(tc.RefusedError, match="needs a second baseline"):
        baseline_dependence(change, anchors["stairs"], None, sem=0.85)
    with pytest.raises(tc.RefusedError, match="inside the improvement"):
        baseline_dependence(change, anchors["stairs"], first, sem=0.85, before=first)
    with pytest.raises(tc.DataError, match="line them up"):
        baseline_dependence(change, anchors["stairs"], first[1:], sem=0.85)
    with pytest.raises(tc.DataError, match="at least 50"):
        baseline_dependence(change[:30], anchors["stairs"][:30], first[:30], sem=0.85)
    few = baseline_dependence(change[:150], anchors["stairs"][:150], first[:150], sem=0.85, n_boot=100)
    assert any("easily missed" in caution for caution in few.cautions)


def people_on_a_scale(relative, n=1_500):
    rng = np.random.default_rng(6)
    first = rng.uniform(150, 650, n)
    gain = rng.normal(0.12, 0.15, n) if relative else rng.normal(40, 50, n) / first
    noise = rng.normal(0, 0.1, n) if relative else rng.normal(0, 35, n) / first
    rating = np.digitize((gain + noise) * (1 if relative else first), [0.1 if relative else 40])
    return first, first * (np.exp(gain) if relative else 1 + gain), rating


@pytest.mark.parametrize("relative", [True, False])
def test_the_scale_on_which_people_judge_is_found(relative):
    first, second, rating = people_on_a_scale(relative)
    keep = second > 0
    found = compare_scales(first[keep], second[keep], rating[keep], better="higher")
    assert found.better_scale == ("relative" if relative else "absolute")
    own = "relative" if relative else "absolute"
    assert found.scales.loc[own, "calibration"] == pytest.approx(1, abs=0.15)
    assert found.scales.loc[own, "spread_ratio"] == pytest.approx(1, abs=0.25)


def test_a_zero_score_has_no_relative_change():
    first, second, rating = people_on_a_scale(False, n=200)
    first = first.copy()
    first[0] = 0.0
    found = compare_scales(first, second, rating, better="higher")
    assert np.isnan(found.scales.loc["relative", "deviance"])
    assert "zero or below" in found.scales.loc["relative", "why_not"]
    assert np.isnan(found.geometric_ratio)


def test_few_people_cannot_choose_a_scale():
    with pytest.raises(tc.DataError, match="at least 50"):
        compare_scales([10] * 20, [12] * 20, [1] * 20, better="higher")
    with pytest.raises(tc.ChoiceError):
        compare_scales([10] * 20, [12] * 20, [1] * 20, better="more")


def test_a_log_threshold_becomes_a_share_of_the_first_score():
    found = tc.Threshold(kind="mcid", value=np.log(1.25), low=np.log(1.1), high=np.log(1.4))
    up, down = as_relative(found, better="higher"), as_relative(found, better="lower")
    assert (up.value, up.low, up.high) == pytest.approx((0.25, 0.1, 0.4))
    assert (down.value, down.low) == pytest.approx((1 - 1 / 1.25, 1 - 1 / 1.1))


@pytest.mark.simulation
def test_the_latent_thresholds_are_unbiased_and_the_others_are_not():
    table = bias_and_coverage((0.3, 0.7), (0.6,), (800,), repeats=300 if FULL else 40, n_boot=0, seed=4)
    told = table.set_index(["method", "share"])
    noise = 4 * told["sd"] / np.sqrt(told["repeats"])
    for method in ("latent_threshold", "latent_threshold_two_state", "latent_threshold_ordinal"):
        for share in (0.3, 0.7):
            assert abs(told.loc[(method, share), "bias"]) < noise[(method, share)]
    assert told.loc[("predictive", 0.3), "bias"] == pytest.approx(-0.82, abs=noise[("predictive", 0.3)])
    assert told.loc[("predictive", 0.7), "bias"] == pytest.approx(0.82, abs=noise[("predictive", 0.7)])


@pytest.mark.simulation
def test_intervals_cover_the_truth_as_often_as_they_say():
    repeats = 500 if FULL else 60
    table = bias_and_coverage((0.3,), (0.6,), (200,), repeats=repeats, n_boot=200, seed=6)
    covered = table.set_index("method")["coverage"]
    slack = 3 * np.sqrt(0.95 * 0.05 / repeats)
    for method in ("latent_threshold", "latent_threshold_two_state", "latent_threshold_ordinal"):
        assert 0.94 - slack <= covered[method] <= 1.0
    assert covered["predictive"] < 0.2


def test_the_simulation_repeats_itself_whatever_the_workers():
    given = {"shares": (0.4,), "anchor_reliabilities": (0.6, 1.0), "people": (80,), "repeats": 4, "n_boot": 0}
    first, second = bias_and_coverage(**given), bias_and_coverage(**given, jobs=2)
    assert_allclose(first["bias"], second["bias"])


def test_bias_in_sds_is_the_bias_over_the_spread_of_observed_change():
    # true change has an SD of 2 in these studies, so at reliability 0.5 observed change has √(4/0.5) = 2.83
    table = bias_and_coverage((0.3,), (0.6,), (200,), change_reliability=0.5, repeats=3, n_boot=0, seed=2)
    one = table.set_index("method").loc["predictive"]
    assert one["bias"] / one["bias_in_sd"] == pytest.approx(8**0.5)
    drawn = simulated_people(np.random.default_rng(5), 100_000, share=0.3, anchor_reliability=0.6, sem=2**0.5)
    assert drawn.change.std() == pytest.approx(8**0.5, rel=0.01)
