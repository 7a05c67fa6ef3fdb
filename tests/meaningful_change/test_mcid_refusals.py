"""Inputs that have no honest answer: each gives its documented refusal or caution, and no warning leaks."""

import warnings

import matplotlib.pyplot as plt
import numpy as np
import pytest
from simulation.mcid_bias import simulated_people

import truechange as tc
from truechange.meaningful_change.draws import DRAWN, draw_quantities
from truechange.meaningful_change.estimators import Layout, estimate_rows
from truechange.meaningful_change.ratings import rated_people


@pytest.fixture(autouse=True)
def _no_warning_leaks():
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        yield


@pytest.fixture(scope="module")
def people():
    return simulated_people(np.random.default_rng(3), 120, share=0.4, anchor_reliability=0.6, sem=0.9)


def small(improvement, anchor, **given):
    return tc.mcid(improvement, anchor, n_boot=100, **given)


def refused(study, words):
    assert study.recommended is None
    assert words in study.refused
    assert any(words in caution for caution in study.cautions)
    assert "no single MCID" in study.sentences()[0]
    study._repr_html_()
    plt.close(study.plot().figure)
    plt.close(study.plot_anchor()[0].figure)
    return study.table()


@pytest.mark.parametrize(("rating", "who"), [(1, "everybody"), (0, "nobody")])
def test_all_or_none_improved(people, rating, who):
    study = small(people.change, np.full(people.n, rating), sem=0.9)
    table = refused(study, f"{who} rated themselves improved")
    assert table.loc["predictive", "use"] == f"not computed: {who} rated themselves improved"
    assert table.drop(["mean_change", "mean_difference", "detectability_limit"])["estimate"].isna().all()


def test_constant_change(people):
    study = small(np.full(people.n, 2.0), people.rating, sem=0.9)
    table = refused(study, "the change does not vary")
    assert table.loc["latent_threshold", "use"] == "not computed: the change does not vary"
    assert table.loc["mean_change", "estimate"] == 2.0
    assert np.isnan(table.loc["mean_change", "low"])


def test_five_people():
    study = small([1, 2, 3, 4, 0], [0, 1, 1, 2, 0], sem=0.9)
    table = refused(study, "fewer than 10 people")
    assert table["estimate"].isna().all()


@pytest.mark.parametrize(("number", "rows"), [(9, 1), (10, 150)])
def test_a_study_too_small_to_resample_is_one_empty_row(people, number, rows):
    few = rated_people(people.change[:number], np.arange(number) % 3 - 1)
    layout = Layout.of(few)
    drawn = draw_quantities(layout, estimate_rows(layout, layout.kinds.counts[None], None), None, 150, 0)
    assert drawn.shape == (rows, len(DRAWN) + 2)  # three ratings have two boundaries
    assert np.isnan(drawn).all() == (rows == 1)


def test_a_reversed_anchor_gives_no_number(people):
    study = small(people.change, -people.rating, sem=0.9)
    table = refused(study, "not an anchor")
    assert table.loc[["roc_youden", "predictive", "latent_threshold"], "estimate"].isna().all()
    assert any("coded the other way round" in caution for caution in study.cautions)


def test_an_unrelated_anchor_is_refused(people):
    study = small(people.change, np.random.default_rng(0).permutation(people.rating), sem=0.9)
    refused(study, "not an anchor")
    assert not (study.table()["use"] == "recommended").any()


def test_missing_ratings_are_set_aside_and_counted(people):
    rating = people.rating.astype(float)
    rating[:7] = np.nan
    change = people.change.copy()
    change[5:10] = np.nan
    study = small(change, rating, sem=0.9)
    assert study.n == people.n - 10
    assert "Set aside: 5 without a change score." in study.cautions
    assert "Set aside: 5 without a rating." in study.cautions
    whole = small(people.change[10:], people.rating[10:], sem=0.9)
    assert study.recommended.value == pytest.approx(whole.recommended.value)


def test_an_sem_larger_than_the_spread_of_change(people):
    study = small(people.change, people.rating, sem=3.0, before=people.before, after=people.after)
    table = refused(study, "measurement error")
    assert table.loc["latent_threshold", "use"].startswith("not computed: all observed spread")
    assert np.isnan(table.loc["latent_threshold_two_state", "estimate"])
    assert np.isfinite(table.loc["predictive", "estimate"])


def test_an_anchor_more_reliable_than_possible_is_an_alarm_with_a_range(people):
    study = small(people.change, people.rating, sem=1.45)
    assert study.anchor_reliability.value > 1
    assert any("more reliable than is possible" in caution and "between" in caution for caution in study.cautions)


def test_a_test_that_is_mostly_error_is_said_to_be(people):
    sem = people.change.std(ddof=1) * np.sqrt(0.8 / 2)
    study = small(people.change, people.rating, sem=sem)
    assert any("of the variance of the change is true" in caution for caution in study.cautions)


def test_separated_groups_give_an_interval_and_say_so():
    change = np.concatenate([np.linspace(-2, 1, 25), np.linspace(3, 6, 25)])
    study = small(change, np.repeat([0, 1], 25), sem=0.5)
    row = study.table().loc["latent_threshold"]
    mean, kept = change.mean(), 1 - 2 * 0.25 / change.var(ddof=1)
    assert row["low"] <= mean + kept * (1 - mean)
    assert row["high"] >= mean + kept * (3 - mean)
    assert row["low"] < row["estimate"] < row["high"]
    assert any("do not overlap" in caution for caution in study.cautions)
    assert "firth1993" in study.sources


@pytest.mark.parametrize("seed", range(6))
def test_no_interval_leaves_out_its_own_value_where_the_rating_is_cut_from_the_change(seed):
    change = np.random.default_rng(seed).normal(5, 6, 90).round(1)
    study = tc.mcid(change, np.digitize(change, [0, 5.5, 12]) - 1, sem=2, n_boot=100)
    table = study.table().dropna(subset=["low", "high"])
    assert (table["low"] <= table["estimate"] + 1e-9).all()
    assert (table["estimate"] <= table["high"] + 1e-9).all()
    below, above = change[change < 5.5].max(), change[change >= 5.5].min()
    kept = 1 - 2 * 4 / change.var(ddof=1)
    low, high = (change.mean() + kept * (end - change.mean()) for end in (below, above))
    assert low <= study.recommended.value <= high
    assert any("follows the change without exception" in doubt for doubt in study.recommended.doubts)


def test_a_value_that_its_resamples_leave_out_has_no_interval_and_says_so():
    change = np.random.default_rng(5).normal(5, 6, 200).round(1)
    row = tc.mcid(change, np.digitize(change, [0, 5.5, 12]) - 1, sem=2, n_boot=100).table().loc["predictive"]
    assert np.isnan(row["low"])
    assert row["use"].endswith("no interval: the resamples leave the value out")


def test_separated_groups_of_few_people_are_refused():
    change = np.concatenate([np.linspace(-2, 1, 10), np.linspace(3, 6, 10)])
    refused(small(change, np.repeat([0, 1], 10), sem=0.5), "do not overlap")


def test_too_lopsided_for_one_value():
    people = simulated_people(np.random.default_rng(8), 300, share=0.95, anchor_reliability=0.8, sem=0.6)
    study = small(people.change, people.rating, sem=0.6)
    refused(study, "outside 10% to 90%")
    assert (study.table()["use"].str.startswith("do not use")).any()


def test_few_people_in_a_rating_take_the_mean_change_methods_out(people):
    rating = people.rating.copy()
    rating[np.flatnonzero(rating == 1)[6:]] = 2
    table = small(people.change, rating, sem=0.9).table()
    assert table.loc["mean_change", "use"].startswith("do not use: only 6")
    assert np.isfinite(table.loc["mean_change", "estimate"])


def test_a_negative_estimate_is_no_mcid():
    people = simulated_people(np.random.default_rng(2), 300, share=0.5, anchor_reliability=0.8, sem=0.6)
    refused(small(people.change - 5, people.rating, sem=0.6), "negative")


def test_two_states_need_many_people(people):
    table = small(people.change, people.rating, sem=0.9, before=people.before, after=people.after).table()
    assert table.loc["latent_threshold_two_state", "use"] == "do not use: fewer than 150 people"


def test_two_ratings_only(people):
    study = small(people.change, people.improved.astype(int), sem=0.9)
    assert study.table().loc["latent_threshold_ordinal", "estimate"] == pytest.approx(study.recommended.value, abs=1e-5)


def test_anchor_check_warns(people):
    constant = tc.anchor_check(people.before, people.after, np.ones(people.n, int))
    assert not constant.usable
    assert not constant.single_value
    assert "undefined" in " ".join(constant.cautions)


def test_anchor_check_in_words_and_picture(people):
    check = tc.anchor_check(people.before, people.after, people.rating)
    assert "can serve as an anchor" in check.sentence()
    assert list(check.table().columns) == ["found", "judged", "what_to_do"]
    assert "rating 1" in check.alt
    plt.close(check.plot().figure)


def test_a_value_that_condemns_itself_says_so_itself():
    rng = np.random.default_rng(4)
    true = rng.normal(0.8, 2, 60)
    rating = np.digitize(true + rng.normal(0, 1.5, 60), [-2, 0.6, 5]) - 1
    weak = tc.mcid(np.round(true + rng.normal(0, 1.4, 60)), rating, n_boot=200)
    assert weak.recommended is not None
    assert any("assumed" in doubt for doubt in weak.recommended.doubts)
    assert any("Do not lean on this MCID" in caution for caution in weak.cautions)
