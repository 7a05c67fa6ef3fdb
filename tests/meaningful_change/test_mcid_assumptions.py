"""What an MCID leans on: said where these people contradict it, with the value it would then have."""

from dataclasses import replace

import numpy as np
import pytest
from simulation import dropouts
from simulation.mcid_edges import SEM, people

import truechange as tc
from truechange.foundation.estimate import read_sem
from truechange.meaningful_change.beside import (
    ALIKE,
    EVEN,
    LEANING,
    NOT_SKEWED,
    RATED_FIRST,
    SAME_GAP,
    SKEWED,
    WEEKS,
    Circumstances,
    assumptions,
)
from truechange.meaningful_change.estimators import Layout, estimate_rows
from truechange.meaningful_change.ratings import rated_people
from truechange.records.pairing import time_between
from truechange.validation import simulated

MUCH, LITTLE = "thresholds skewed, a few ask for much", "thresholds skewed, a few ask for little"
NEAR, FAR = {"interval": "same day"}, {"interval": "6 weeks"}


def crowd(broken, improved=0.3, n=60_000, factor=1.0, asked=None):
    """Return table, cautions and the latent threshold of very many people; their true MCID is 2."""
    first, second, rating = people(np.random.default_rng(4), n, improved, broken)
    sem = tc.Estimate(value=factor * SEM, df=49, origin=replace(tc.Origin.own(n=50), **NEAR))
    rated = rated_people(second - first, rating, before=first, after=second)
    layout = Layout.of(rated)
    rows = estimate_rows(layout, layout.kinds.counts[None], np.array([sem.value**2]))
    table, cautions = assumptions(rated, layout, rows, read_sem(sem), asked or Circumstances())
    return table, " ".join(cautions), float(rows["latent_threshold"][0])


@pytest.mark.parametrize("improved", [0.3, 0.7])
def test_with_results_heard_first_the_other_value_is_the_true_one(improved):
    table, said, value = crowd("people told their result first", improved, asked=Circumstances(told=True))
    assert abs(value - 2) > 0.25
    low, high = table.loc[RATED_FIRST, ["otherwise_low", "otherwise_high"]]
    assert max(low, high, key=lambda end: abs(end - value)) == pytest.approx(2, abs=0.05)
    assert table.loc[RATED_FIRST, "holds"] == "no"
    assert "had heard their result" in said


@pytest.mark.parametrize("improved", [0.3, 0.7])
def test_with_an_error_of_one_day_the_other_value_is_the_true_one(improved):
    table, said, value = crowd("none", improved, factor=1 / WEEKS, asked=Circumstances("6 weeks", False))
    assert abs(value - 2) > 0.25
    low, high = table.loc[SAME_GAP, ["otherwise_low", "otherwise_high"]]
    assert max(low, high, key=lambda end: abs(end - value)) == pytest.approx(2, abs=0.05)
    assert table["holds"].to_dict() == {
        RATED_FIRST: "yes", SAME_GAP: "no", EVEN: "not contradicted", NOT_SKEWED: "not contradicted",
        ALIKE: "yes",
    }  # fmt: skip
    assert "'same day' between them, these scores lie 6 weeks apart" in said


@pytest.mark.parametrize(("broken", "words", "way"), [(MUCH, "far more", 1), (LITTLE, "far less", -1)])
def test_skewed_thresholds_are_seen_and_their_direction_is_right(broken, words, way):
    table, said, value = crowd(broken)
    assert words in said
    assert table.loc[EVEN, "holds"] == "no"
    assert way * (2 - value) > 0.1
    span = table.loc[EVEN, ["otherwise_low", "otherwise_high"]]
    assert span["otherwise_low"] <= 2 <= span["otherwise_high"] + 0.05


def test_where_nothing_is_broken_nothing_is_said_but_what_nobody_was_asked():
    first, second, rating = people(np.random.default_rng(5), 300, 0.5, "none")
    sem = tc.Estimate(value=SEM, df=49, origin=replace(tc.Origin.own(n=50), **FAR))
    about = {"sem": sem, "before": first, "after": second, "n_boot": 200}
    asked = tc.mcid(second - first, rating, **about, interval="6 weeks", told=False)
    words = ("heard their result", "errors over weeks", "personal thresholds", "looks skewed", "Taken for granted")
    told = " ".join((*asked.cautions, *asked.sentences()))
    assert not any(word in told for word in words)
    assert asked.credibility.loc["rated before hearing the test result", "judged"] == "yes"
    unasked = tc.mcid(second - first, rating, **about)
    assert f"Taken for granted, for nobody said: {RATED_FIRST}; {SAME_GAP}." in " ".join(unasked.sentences())
    assert unasked.assumptions.loc[RATED_FIRST, "holds"] == unasked.assumptions.loc[SAME_GAP, "holds"] == "not asked"
    assert unasked.bias_map.loc["latent_threshold", "direction"] == "none if its assumptions hold"
    heard = tc.mcid(second - first, rating, **about, told=True)
    assert any("had heard their result" in text for text in heard.cautions)
    assert heard.credibility.loc["rated before hearing the test result", "judged"] == "no"


def test_the_sizes_are_those_of_the_stored_simulation_and_of_the_published_errors():
    stored = simulated("mcid_edges").set_index("broken")["bias_in_sd"].abs()
    for broken in (MUCH, LITTLE):
        assert stored[broken].max() == pytest.approx(LEANING, abs=0.04)
    assert stored["true change skewed"].max() / 2 == pytest.approx(SKEWED, abs=0.02)  # its skewness is 2
    # Source: Goldberg 2012, Donoghue 2019 (sit to stand 2.5, 4.52 s; up and go 2.08 s), Alghadir 2015 (1.10 s)
    assert np.mean([4.52 / 2.5, 2.08 / 1.10]) == pytest.approx(WEEKS, abs=0.06)
    printed = tc.published(quantity="mdc95")["value"].to_list()
    assert {2.5, 4.52, 2.08, 1.10} <= set(printed)


def test_the_stored_simulation_says_more_than_before():
    table = simulated("mcid_edges").set_index("broken")
    assert table.loc["none", "bias"].abs().max() < 0.1
    assert table.loc["SEM of the same day", "said"].min() == 1
    assert table.loc["people told their result first", "said"].min() == 1
    for broken in (MUCH, LITTLE):
        assert table.loc[broken, "said"].mean() > 0.5 > 0.3 > table.loc[broken, "said_before"].mean()


def test_the_time_between_two_dates_is_said_in_words():
    import pandas as pd

    dates = pd.DataFrame({"before_date": ["2026-01-01"] * 3, "after_date": ["2026-03-26", "2026-03-26", "2026-04-30"]})
    assert time_between(dates) == "12 weeks"
    assert time_between(dates.assign(after_date="2026-01-08")) == "7 days"
    assert time_between(dates[["before_date"]]) == ""


@pytest.mark.parametrize("loss", ["little change", "felt no benefit"])
def test_where_those_without_benefit_stay_away_the_truth_lies_within_what_is_said(loss):
    before, after, felt = dropouts.people(np.random.default_rng(2), 20_000)
    lost = dropouts.lost_of(np.random.default_rng(3), after - before if loss == "little change" else felt)
    rating = np.where(lost, np.nan, np.digitize(felt, dropouts.EDGES) - 1.0)
    found = tc.mcid(after - before, rating, sem=dropouts.SEM, sem_df=49, n_boot=100)
    row = found.assumptions.loc[ALIKE]
    value = float(found.table().loc["latent_threshold", "estimate"])
    assert abs(value - dropouts.MCID) > 0.15
    assert row["otherwise_low"] - 0.05 <= dropouts.MCID <= row["otherwise_high"] + 0.05
    said = f"{lost.sum()} of 20000 people ({100 * lost.mean():.0f}%) are not in this study"
    assert any(said in caution for caution in found.cautions)
    nearly_all = tc.mcid((after - before)[~lost], rating[~lost], sem=dropouts.SEM, sem_df=49, n_boot=100)
    assert not any("are not in this study" in caution for caution in nearly_all.cautions)
