"""The invented clinic: what is drawn agrees with the truth it says it was drawn from."""

import numpy as np
import pandas as pd
import pytest
from invented_clinic import Scenario, make_clinic, make_retest
from scipy import stats

import truechange as tc
from truechange.measures.catalogue import measure

FIRST = "chair_stand_30s"


@pytest.fixture(scope="module")
def large():
    return make_clinic(people=12000, waiting=4000, seed=7, logs=False)


@pytest.fixture(scope="module")
def small():
    return make_clinic(seed=3)


def _scores(tables, key):
    rows = tables["assessments"].query("measure == @key and result == 'measured'")
    return rows.pivot_table(index="person", columns="occasion", values="value")


def _trained(tables):
    return tables["people"].query("programme == 'leg power'")["person"]


def test_the_same_seed_gives_the_same_clinic_and_another_seed_another():
    once, _ = make_clinic(people=12, waiting=3, seed=5)
    again, _ = make_clinic(people=12, waiting=3, seed=5)
    other, _ = make_clinic(people=12, waiting=3, seed=6)
    for name, table in once.items():
        pd.testing.assert_frame_equal(table, again[name])
    assert not once["assessments"]["value"].equals(other["assessments"]["value"])


def test_impossible_sizes_are_refused():
    with pytest.raises(tc.ChoiceError, match="at least 10"):
        make_clinic(people=5)
    with pytest.raises(tc.ChoiceError, match="waiting=-1"):
        make_clinic(people=20, waiting=-1)


def test_scores_are_ones_a_tester_could_write_down(small):
    tables, _ = small
    rows = tables["assessments"]
    for key, group in rows.groupby("measure"):
        facts, values = measure(key), group["value"].dropna()
        assert values.between(facts.hard_low, facts.hard_high).all()
        np.testing.assert_allclose(values, np.round(values / facts.resolution) * facts.resolution, atol=1e-9)
        assert group["unit"].eq(facts.unit).all()
    assert rows.loc[rows["result"] != "measured", "value"].isna().all()
    assert not rows.duplicated(["person", "occasion", "measure", "trial"]).any()


def test_error_variance_is_the_stated_one(large):
    tables, truth = large
    scores, real = _scores(tables, FIRST), truth.values.query("measure == @FIRST").set_index("person")
    same_seat = tables["assessments"].query("measure == @FIRST and seat_height_cm == 44.0")["person"]
    error = scores["baseline"] - real["true_before"]
    # SEM of one scored trial: the error SD and the variance of rounding to whole stands, 1/12
    assert error.std() == pytest.approx((0.958**2 + 1 / 12) ** 0.5, rel=0.02)
    assert error.std() == pytest.approx(1.0, rel=0.02)
    late = (scores["discharge"] - real["true_after"]).loc[scores.index.isin(same_seat)]
    assert (late - error).mean() == pytest.approx(0.958 * (0.7 - 0.5), abs=0.03)


def test_errors_of_timed_tests_grow_with_the_score(large):
    tables, truth = large
    scores = _scores(tables, "timed_up_and_go")["baseline"]
    real = truth.values.query("measure == 'timed_up_and_go'").set_index("person")["true_before"]
    assert np.log(scores / real).std() == pytest.approx(0.055, rel=0.03)


def test_true_change_of_programme_and_waiting_list(large):
    tables, truth = large
    gain, scenario = truth.improvement(FIRST), truth.scenario
    inside = gain.index.isin(_trained(tables))
    assert gain[inside].mean() == pytest.approx(2.5, abs=0.12)
    assert gain[inside].std() == pytest.approx(2.0, rel=0.04)
    assert gain[~inside].mean() == pytest.approx(2.5 * scenario.waiting_gain, abs=0.08)
    assert truth.share(FIRST, 2.0) == pytest.approx(stats.norm.sf((2.0 - 2.5) / 2.0), abs=0.03)


def test_the_rating_is_as_reliable_as_stated(large):
    tables, truth = large
    ratings = tables["ratings"].set_index("person")["rating"]
    gain = truth.improvement(FIRST).loc[ratings.index].to_numpy()
    # slope of the probit of "improved" on the true change: reliability = s2 b2 / (1 + s2 b2)
    import statsmodels.api as sm

    fit = sm.Probit((ratings >= 1).astype(float).to_numpy(), sm.add_constant(gain)).fit(disp=0)
    signal = (fit.params[1] * gain.std()) ** 2
    assert signal / (1 + signal) == pytest.approx(0.6, abs=0.03)
    assert -fit.params[0] / fit.params[1] == pytest.approx(2.0, abs=0.1)


def test_those_who_stop_have_gained_less(large):
    tables, truth = large
    people = tables["people"].query("programme == 'leg power'").set_index("person")
    gain = truth.improvement(FIRST).loc[people.index]
    stopped = people["outcome"] == "stopped"
    assert gain[stopped].mean() < gain[~stopped].mean() - 0.5
    assert stopped.mean() == pytest.approx(0.12, abs=0.03)
    assert people.loc[stopped, "stop_reason"].ne("").all()


def test_change_follows_adherence_and_site_as_stated(large):
    tables, truth = large
    people = truth.people.query("programme == 'leg power'").set_index("person")
    gain = truth.improvement(FIRST).loc[people.index]
    assert np.corrcoef(gain, people["adherence"])[0, 1] == pytest.approx(0.35, abs=0.03)
    site = tables["people"].set_index("person")["site"].loc[people.index]
    gap = gain[site == "North"].mean() - gain[site == "South"].mean()
    assert gap == pytest.approx(0.4, abs=4 * 0.25 * (2 / 4) ** 0.5)  # four therapists a site, SD 0.25


def test_a_few_follow_ups_cannot_be_compared(small):
    tables, _ = small
    stands = tables["assessments"].query("measure == @FIRST")
    assert (stands["seat_height_cm"] == 48).sum() == 5
    aids = stands.pivot_table(index="person", columns="occasion", values="walking_aid", aggfunc="first").dropna()
    assert (aids["baseline"] != aids["discharge"]).sum() == 3
    assert (stands["result"] == "unable").sum() == 5


def test_the_log_keeps_to_the_habits_of_the_trade(small):
    # common practice, no source: 8-10 unloaded and 5-8 loaded stands a day, 8-12 steps a side once then twice a day,
    # first load 1.5-2.5 kg, arms at first only
    log = small[0]["sessions"]
    stand, drill = log.query("exercise == 'sit to stand'"), log.query("exercise == 'step drill'")
    assert stand.query("load_kg == 0")["reps"].between(8, 10).all()
    assert stand.query("load_kg > 0")["reps"].between(5, 8).all()
    assert drill["reps"].between(8, 12).all()
    assert set(drill["sets"]) == {1, 2}
    first_load = stand.query("load_kg > 0").groupby("person")["load_kg"].first()
    assert first_load.between(1.5, 2.5).all()
    assert stand.groupby("person")["seat_height_cm"].apply(lambda seat: seat.is_monotonic_decreasing).all()
    assert stand.groupby("person")["load_kg"].apply(lambda load: load.is_monotonic_increasing).all()
    top = stand.groupby("person")["seat_height_cm"].transform("max")
    assert (stand.query("arms_used == 'yes'")["seat_height_cm"] == top[stand["arms_used"] == "yes"]).all()
    assert not stand.duplicated(["person", "date"]).any()


def test_nobody_goes_lower_or_heavier_before_several_good_days(small):
    # common practice, no source: ten confident repetitions on several days come first
    stand = small[0]["sessions"].query("exercise == 'sit to stand'")
    runs = stand.groupby(["person", "seat_height_cm", "load_kg"], sort=False).size()
    last = ~runs.reset_index().duplicated("person", keep="last").to_numpy()
    assert runs[~last].min() >= 4


def test_the_retest_study_learns_and_then_settles():
    study = make_retest(people=6000, measures=(FIRST,), seed=2)
    wide = study.pivot_table(index="person", columns=["occasion", "trial"], values="value")
    means = wide.mean()
    gains = (means - means.iloc[0]).to_numpy()
    np.testing.assert_allclose(gains, 0.958 * np.array(Scenario().learning), atol=0.05)
    within = (wide[("retest1", 2)] - wide[("retest1", 1)]).var() / 2
    between = (wide[("retest2", 1)] - wide[("retest1", 1)]).var() / 2
    # half of the error belongs to the day, so two trials of one day share it
    assert between == pytest.approx(0.958**2 + 1 / 12, rel=0.05)
    assert within == pytest.approx(0.958**2 / 2 + 1 / 12, rel=0.05)


def test_another_scenario_can_be_drawn():
    still = Scenario(waiting_gain=0.0, waiting_spread=0.0)
    tables, truth = make_clinic(people=10, waiting=40, seed=1, scenario=still, logs=False)
    gain = truth.improvement(FIRST)
    waits = tables["people"].query("programme == 'waiting list'")["person"]
    assert gain.loc[waits].abs().max() == 0
    assert len(tables["sessions"]) == 0
