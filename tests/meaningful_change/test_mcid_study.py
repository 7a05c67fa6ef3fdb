"""What an MCID study hands on: the fixed rule, the typed thresholds, the bias map, words and pictures."""

import matplotlib.pyplot as plt
import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.stats import ttest_ind
from simulation.mcid_bias import simulated_people

import truechange as tc
from truechange.meaningful_change.beside import credibility_sheet
from truechange.meaningful_change.draws import Population, known_bias
from truechange.meaningful_change.estimators import METHODS, Layout, estimate_rows, normal_threshold

COLUMNS = ["estimate", "low", "high", "n", "bias_direction", "use"]
LATENT = ("latent_threshold", "latent_threshold_two_state", "latent_threshold_ordinal")


def sample(n=240, share=0.35, rel=0.6, seed=5, sem=0.9):
    return simulated_people(np.random.default_rng(seed), n, share=share, anchor_reliability=rel, sem=sem)


def study_of(people, **changes):
    given = {"sem": 0.9, "sem_df": 49, "before": people.before, "after": people.after, "n_boot": 200, "unit": "stands"}
    return tc.mcid(people.change, people.rating, **(given | changes))


@pytest.fixture(scope="module")
def people():
    return sample()


@pytest.fixture(scope="module")
def study(people):
    return study_of(people)


def test_the_table_has_every_method_and_the_fixed_columns(study):
    table = study.table()
    assert tuple(table.index) == tuple(METHODS)
    assert table.index.name == "method"
    assert list(table.columns) == COLUMNS
    assert table["estimate"].notna().all()
    assert (table["low"] <= table["estimate"] + 1e-9).all()
    assert (table["high"] >= table["estimate"] - 1e-9).all()


def test_one_value_is_recommended_and_it_is_for_a_person(study):
    assert study.recommended.kind == "mcid"
    assert study.recommended.level == "person"
    assert study.recommended.unit == "stands"
    assert study.recommended_method == "latent_threshold"
    assert (study.table()["use"] == "recommended").sum() == 1
    assert study.recommended.value == study.table().loc["latent_threshold", "estimate"]
    assert study.refused == ""


def test_levels_are_typed(study):
    assert study.threshold("mean_change").level == "group"
    assert study.threshold("mean_difference").level == "between-group"
    assert study.threshold("predictive").level == "person"


def test_mean_difference_has_welchs_interval(people, study):
    little, same = (people.change[people.rating == rating] for rating in (1, 0))
    theirs = ttest_ind(little, same, equal_var=False).confidence_interval(0.95)
    row = study.table().loc["mean_difference"]
    assert (row["low"], row["high"]) == pytest.approx((theirs.low, theirs.high), abs=1e-9)


def test_an_estimate_brings_its_own_degrees_of_freedom(people):
    sem = tc.Estimate(value=0.9, low=0.75, high=1.12, df=49, unit="stands")
    ours, bare = study_of(people, sem=sem, sem_df=None, unit=""), study_of(people)
    assert ours.recommended.unit == "stands"
    assert_allclose(ours.table()[["low", "high"]], bare.table()[["low", "high"]])
    assert not any("exactly known" in caution for caution in ours.cautions)


def test_redrawing_the_sem_widens_the_interval():
    people = sample(share=0.25, n=400)
    known, few = study_of(people, sem_df=None, n_boot=600), study_of(people, sem_df=10, n_boot=600)
    width = [s.recommended.high - s.recommended.low for s in (known, few)]
    assert width[1] > 1.1 * width[0]
    assert any("exactly known" in caution for caution in known.cautions)


def test_without_an_sem_the_adjustment_stands_over_a_range():
    study = study_of(sample(), sem=None, sem_df=None)
    table = study.table()
    assert study.recommended_method == "predictive_adjusted_2022"
    assert table.loc[list(LATENT), "estimate"].isna().all()
    assert all("needs the test's SEM" in use for use in table.loc[list(LATENT), "use"])
    row = table.loc["predictive_adjusted_2022"]
    assert row["estimate"] == pytest.approx(study.adjusted(0.4))
    assert row["low"] < min(study.adjusted(0.3), study.adjusted(0.8))
    assert row["high"] > max(study.adjusted(0.3), study.adjusted(0.8))
    assert any("No SEM" in caution for caution in study.cautions)


def test_two_states_are_chosen_when_people_rate_how_they_are():
    rng = np.random.default_rng(4)
    n = 4_000
    first = rng.normal(10, 3, n)
    change = 2 + 2 * (-0.4 * (first - 10) / 3 + np.sqrt(1 - 0.16) * rng.normal(0, 1, n)) - 0.6
    felt = change + 0.3 / 0.7 * (first - 10) * 0.7 + rng.normal(0, 1.4, n) - 2
    seen = first + rng.normal(0, 0.9, n), first + change + rng.normal(0, 0.9, n)
    study = tc.mcid(
        seen[1] - seen[0], np.digitize(felt, [-4, 0, 2]) - 1, sem=0.9, before=seen[0], after=seen[1], n_boot=100
    )
    assert study.recommended_method == "latent_threshold_two_state"
    assert study.present_state_bias.value == pytest.approx(0.3, abs=0.05)
    assert study.recommended.value == pytest.approx(2.0, abs=0.12)


def test_the_ordered_fit_finds_every_boundary():
    people = sample(n=6_000, share=0.4)
    boundaries = study_of(people, n_boot=100).boundaries
    assert_allclose(boundaries["change"], [-2.0, 2.0, 4.0], atol=0.2)
    assert (boundaries["use"] == "estimable").all()


def test_deterioration_is_its_own_threshold():
    found = study_of(sample(n=6_000, share=0.4), n_boot=100)
    assert found.deterioration.direction == "deterioration"
    assert found.deterioration.value == pytest.approx(2.0, abs=0.2)
    assert found.deterioration.low < found.deterioration.value < found.deterioration.high
    assert study_of(sample(n=80, share=0.6)).deterioration is None


# Truth by brute force: a hundred thousand simulated people, the same estimators, the threshold known.
@pytest.mark.parametrize("share", [0.3, 0.7])
def test_the_bias_map_is_what_a_very_large_sample_shows(share):
    people = sample(n=100_000, share=share, rel=0.6, sem=0.9)
    rows = {
        "mean": np.array([people.change.mean()]),
        "sd": np.array([people.change.std()]),
        "improved": np.array([people.improved.mean()]),
    }
    kept = 1 - 2 * 0.81 / people.change.var()
    said = known_bias(people, rows, Population(kept, 0.6))
    layout = Layout.of(people)
    found = estimate_rows(layout, layout.kinds.counts[None], np.array([0.81]))
    smooth = ("mean_change", "mean_difference", "predictive", "predictive_adjusted_2017", "predictive_adjusted_2022")
    for name in (*smooth, "latent_threshold", "detectability_limit"):
        assert found[name][0] - 2 == pytest.approx(said[name], abs=0.08), name
    for name in ("roc_youden", "roc_corner"):  # a flat maximum and steps of a quarter unit
        assert found[name][0] - 2 == pytest.approx(said[name], abs=0.3), name


def test_directions_turn_round_with_the_share_improved():
    few, many = (study_of(sample(n=600, share=share)).table()["bias_direction"] for share in (0.25, 0.75))
    assert few["predictive"] == few["roc_youden"] == "too low"
    assert many["predictive"] == many["roc_youden"] == "too high"
    assert few["latent_threshold"] == many["latent_threshold"] == "none if its assumptions hold"


def test_a_test_where_lower_is_better_gives_the_same_study(people, study):
    mirrored = study_of(people, before=-people.before, after=-people.after)
    assert_allclose(mirrored.table()["estimate"], study.table()["estimate"], rtol=1e-7)
    check = [tc.anchor_check(sign * people.before, sign * people.after, people.rating, better)
             for sign, better in ((1, "higher"), (-1, "lower"))]  # fmt: skip
    assert check[0].correlation == check[1].correlation
    assert check[0].with_before.value == pytest.approx(check[1].with_before.value)


def test_the_same_seed_gives_the_same_interval(people, study):
    assert_allclose(study_of(people).table()[["low", "high"]], study.table()[["low", "high"]])
    assert not np.allclose(study_of(people, seed=5).table()["low"], study.table()["low"])


def test_nothing_given_is_changed(people):
    before = people.change.copy(), people.rating.copy()
    study_of(people, n_boot=100)
    assert (people.change == before[0]).all()
    assert (people.rating == before[1]).all()


def test_words_carry_value_people_and_share(study):
    said = " ".join(study.sentences())
    assert "240 people call an improvement" in said
    assert "rated themselves improved" in said
    assert "20% smaller or larger" in said
    assert "<table>" in study._repr_html_()


def test_a_threshold_below_the_mdc_says_what_it_means():
    # 15.9% of unchanged people reach an MCID of 2 when SEM is 1.41: the normal tail beyond one SD, by its definition
    from truechange.foundation.estimate import Estimate, read_sem
    from truechange.meaningful_change.beside import below_error, repeats_needed

    error = read_sem(np.sqrt(2))
    mdc = Estimate(value=1.96 * 2)
    told = below_error(Estimate(value=2.0), error, mdc)
    assert "16% of people who did not change" in told[0]
    assert repeats_needed(2.0, 1.96 * 2) == 4
    assert repeats_needed(2.0, 4.0) == 4
    assert below_error(Estimate(value=5.0), error, mdc) == ()


def test_the_credibility_sheet_takes_declarations(study):
    assert (study.credibility["judged"] == "open").sum() == 5
    told = credibility_sheet(
        study.anchor, study.recommended, patient_rated=True, understandable=True, small_but_important=True,
        recall_weeks=12, blinded=False,
    )  # fmt: skip
    assert told.loc["the anchor is rated by the person", "judged"] == "yes"
    assert told.loc["the time to look back is short", "judged"] == "partly"
    assert told.loc["rated before hearing the test result", "judged"] == "no"
    assert not (told["judged"] == "open").any()


def test_the_bias_map_draws_one_row_a_method_and_arrows_for_the_biased(study):
    ax = study.plot()
    assert next(label.get_text() for label in ax.get_yticklabels()) == "latent threshold"
    assert len(ax.get_yticks()) == len(METHODS)
    arrows = [text for text in ax.texts if text.arrow_patch is not None]
    assert len(arrows) == (study.bias_map["known_bias"].abs() > 0.05).sum()
    assert study.alt.startswith("Recommended:")
    plt.close(ax.figure)


def test_the_anchor_picture_shows_ratings_and_the_curve(study):
    left, right = study.plot_anchor()
    assert left.figure is right.figure
    assert "mean change (stands)" in left.get_ylabel()
    assert {line.get_label() for line in right.get_lines()} >= {"fitted curve", "observed, fifths of the change"}
    plt.close(left.figure)


def test_a_picture_lands_on_the_axes_it_is_given(study):
    figure, ax = plt.subplots()
    assert study.plot(ax=ax) is ax
    assert study.anchor.plot(ax=ax) is ax
    plt.close(figure)


def test_closed_form_is_the_latent_threshold_when_the_share_matches_the_curve():
    # an identity of the model, met when the fitted curve reproduces the share improved exactly
    rows = {"mean": np.array([2.0]), "sd": np.array([2.4]), "improved": np.array([0.3])}
    assert normal_threshold(rows, 0.7, 0.6) == pytest.approx(2 + 0.524400512708 * 2.4 * np.sqrt(0.7 / 0.6), abs=1e-9)


@pytest.mark.parametrize(("cut", "told"), [(1, False), (2, True)])
def test_an_mcid_of_another_cut_says_from_which_rating_it_counts(cut, told):
    gains, ratings = [0, 1, 2, 3, 4, 5] * 10, [0, 0, 1, 2, 1, 3] * 10
    found = tc.mcid(gains, ratings, cut, sem=0.5, n_boot=100)
    said = " ".join(found.sentences()[:2])
    assert (said.count(f", counted from a rating of {cut}") == 2) == told
    few = " ".join(tc.mcid(gains[:12], [*ratings[:6], 0, 0, 0, 0, 0, 3], cut, n_boot=100).cautions)
    assert ("Only 1 person rated 2 and 2 rated one less;" in few) == told
    assert ("no change" in few) != told


def test_ratings_that_lean_where_all_of_the_change_is_error_move_no_latent_threshold_by_nothing():
    steps, each = np.arange(-2.0, 9), 200  # a share improved that is skewed in the change: 1 - exp(-exp(0.8 (d - 3)))
    improved = np.round(each * (1 - np.exp(-np.exp(0.8 * (steps - 3)))))
    rating = (np.arange(each) < improved[:, None]).astype(int).ravel()
    said = [tc.mcid(np.repeat(steps, each), rating, sem=sem, n_boot=100).cautions for sem in (0.5, 5.0)]
    some, none = ([text for text in texts if "lean to one side" in text] for texts in said)
    assert [text.split(":")[0] for text in some] == ["The ratings lean to one side (p < 0.001)"]
    assert none == []


@pytest.mark.parametrize(
    ("times", "told"), [(1, "2.5 (SD 1.7)"), (0.01, "0.025 (SD 0.017)"), (0.001, "0.0025 (SD 0.0017)")]
)
def test_the_mean_change_of_a_test_of_small_numbers_is_not_told_as_nothing(times, told):
    gains = np.array([0, 1, 2, 3, 4, 5] * 10) * times
    for ratings in ([0, 0, 1, 0, 1, 2] * 10, [1] * 60):
        said = tc.mcid(gains, ratings, n_boot=100).sentences()
        assert f"their mean change was {told}." in said[1]
