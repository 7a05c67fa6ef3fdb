"""Sites and therapists; training done, its rule, how it was borne."""

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf
from clinics import easy_days as easy
from clinics import training_log as log
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from truechange.programme.sites import (
    chance_limits,
    exact_limit,
    funnel,
    shrunken_shares,
    unit_means,
    winsorised_dispersion,
)
from truechange.programme.training import dose, dose_response, fidelity, tolerance


@settings(derandomize=True, deadline=None, max_examples=60)
@given(st.integers(1, 200), st.floats(0.02, 0.98), st.sampled_from([0.001, 0.025, 0.5, 0.975, 0.999]))
def test_exact_limit_is_the_interpolated_binomial_quantile(n, share, level):
    r = int(stats.binom.ppf(level, n, share))
    below = stats.binom.cdf([r - 1, r], n, share)
    expected = (r - (below[1] - level) / (below[1] - below[0])) / n
    assert exact_limit(n, share, level) == pytest.approx(np.clip(expected, 0, 1), abs=1e-9)


def test_units_of_no_spread_are_all_the_overall_share():
    assert shrunken_shares([5, 6], [10, 12])[0] == pytest.approx([0.5, 0.5])
    assert shrunken_shares([10, 12], [10, 12])[0] == pytest.approx([1, 1])
    assert shrunken_shares([3], [10])[0] == pytest.approx([0.3])


def units(sizes, shares, seed=1):
    rng = np.random.default_rng(seed)
    unit = np.repeat([f"S{at:02d}" for at in range(len(sizes))], sizes)
    return unit, np.where(rng.random(unit.size) < np.repeat(shares, sizes), 3.0, 0.0)


def test_funnel_counts_everyone_and_never_ranks():
    unit, gain = units([12, 15, 8, 20, 30, 14], [0.5] * 6)
    gain[:3] = np.nan
    found = funnel(unit, gain, 2, before=np.arange(unit.size) % 7)
    table = found.table()
    assert table["due"].tolist() == [12, 15, 8, 20, 30, 14]
    assert table["unit"].is_monotonic_increasing
    assert not {"rank", "order"} & set(table)
    assert {"mean", "mean_shrunken"} <= set(table)
    ax = found.plot()
    labelled = {text.get_text() for text in ax.texts}
    assert "S02" not in labelled  # eight people: drawn, not named
    assert "S00" in labelled
    assert any("fewer than 10 people" in text for text in found.cautions)
    assert found.alt


def test_fewer_than_five_units_get_no_limits():
    unit, gain = units([20, 25, 30, 28], [0.4, 0.6, 0.5, 0.5])  # four: one fewer than are needed
    found = funnel(unit, gain, 2)
    assert found.table()["limit95_low"].isna().all()
    assert "too few" in found.sentence()


def test_over_dispersion_widens_the_limits_of_ten_units():
    unit, gain = units([40] * 12, np.linspace(0.1, 0.9, 12))
    found = funnel(unit, gain, 2)
    assert found.dispersion > 1
    assert found.widened
    plain = chance_limits(40, found.overall, 0.95)
    assert found.table()["limit95_low"].iloc[0] < plain[0]
    assert winsorised_dispersion(np.array([-1.0, 1, -1, 1])) == pytest.approx(1)


def test_units_can_be_numbered_and_unknown_ones_are_counted():
    unit, gain = units([12, 14, 15, 11, 10], [0.5] * 5)
    found = funnel([*unit, None], [*gain, 3.0], 2, name="therapist", numbered=True)
    assert found.table()["unit"].tolist()[0] == "therapist 1"
    assert any("1 person has no therapist" in text for text in found.cautions)


def test_mean_improvement_of_units_at_equal_score_before():
    rng = np.random.default_rng(4)
    unit = np.repeat(list("ABCDE"), 30)
    before = rng.normal(11, 3, 150) + np.repeat([0, 3, 0, 0, 0], 30)
    gain = 2 - 0.4 * (before - 11) + rng.normal(0, 1, 150)
    table = unit_means(unit, before, gain)
    assert np.ptp(table["mean"]) < np.ptp(pd.Series(gain).groupby(unit).mean())
    assert ((table["mean_low"] < table["mean_shrunken"]) & (table["mean_shrunken"] < table["mean_high"])).all()
    # a random-intercept model pulls in the same direction
    spread = unit_means(unit, np.zeros(150), gain + np.repeat([-1, 1, 0, 0.5, -0.5], 30))
    frame = pd.DataFrame({"y": gain + np.repeat([-1, 1, 0, 0.5, -0.5], 30), "u": unit})
    fit = smf.mixedlm("y ~ 1", frame, groups="u").fit()
    blup = np.array([fit.fe_params.iloc[0] + fit.random_effects[name].iloc[0] for name in "ABCDE"])
    assert spread["mean_shrunken"].to_numpy() == pytest.approx(blup, abs=0.12)


# Oracle: statsmodels' count of residual degrees of freedom: a slope and a mean for each unit must leave one for error.
@pytest.mark.parametrize("measured", [4, 5, 6])
def test_adjusted_means_are_shown_as_soon_as_an_error_can_be_estimated(measured):
    unit, before = list("ABCABC"), np.array([9.0, 12, 10, 8, 14, 11])
    gain = np.where(np.arange(6) < measured, [2.0, 1, 3, 4, 0, 2], np.nan)
    fit = smf.ols("gain ~ before + C(unit)", pd.DataFrame({"gain": gain, "before": before, "unit": unit})).fit()
    assert ("mean" in funnel(unit, gain, 2, before=before).table()) == (fit.df_resid >= 1)


# Ten confident repetitions on several days, no more pain, before going lower or heavier: common practice, no source.
@pytest.mark.parametrize(("rows", "kept"), [
    (easy("P1", range(3), 56) + easy("P1", [3], 52), 1), (easy("P1", range(2), 56) + easy("P1", [3], 52), 0),
    (easy("P1", range(4), 56, pain_after=4) + easy("P1", [5], 52), 0),
    (easy("P1", range(4), 56, sore=3) + easy("P1", [5], 52), 0),
    (easy("P1", range(4), 56, reps=8) + easy("P1", [5], 52), 0),
    (easy("P1", range(3), 40) + easy("P1", range(3, 6), 40, load=2, reps=6), 1),
    (easy("P1", range(3), 40, load=2, reps=6) + easy("P1", [4], 40, load=2.5, reps=5), 1)], ids=["three easy days",
    "two only", "more pain", "sore", "eight repetitions", "load added", "load raised"])  # fmt: skip
def test_progression_rule(rows, kept):
    table = fidelity(log(rows)).people
    assert table[["advances", "advances_kept"]].to_numpy().tolist() == [[1, kept]]


def test_going_back_is_no_advance_and_people_are_kept_apart():
    rows = easy("P1", range(3), 52) + easy("P1", [3], 56) + easy("P2", range(2), 48) + easy("P3", [0], 44)
    found = fidelity(log(rows))
    assert found.people["advances"].tolist() == [0, 0, 0]
    assert found.table().set_index("quantity").loc["advances that kept the rule", "people"] == 0


def test_ranges_of_repetitions():
    rows = log(easy("P1", [0], 56, reps=9) + easy("P1", [1], 56, reps=12) + easy("P1", [2], 56, load=2, reps=9))
    drill = rows.head(1).assign(exercise="step drill", reps=12, seat_height_cm=np.nan)
    people = fidelity(pd.concat([rows, drill])).people
    assert people[["days", "days_in_range"]].to_numpy().tolist() == [[4, 2]]


def test_tolerance():
    rows = log(easy("P1", range(10), 56, pain_before=4, pain_after=6) + easy("P2", range(10), 56, sore=2))
    rows.loc[0, "adverse_event"] = "near fall"
    found = tolerance(rows)
    assert found.weeks["people"].tolist() == [2, 2]
    assert found.weeks["pain_before"].tolist() == [3, 3]
    assert (found.pain_rise, found.sore) == (0.5, 0.5)
    low, high = stats.chi2.ppf(0.025, 2) / 2 / 20 * 1000, stats.chi2.ppf(0.975, 4) / 2 / 20 * 1000
    assert (found.rate.value, found.rate.low, found.rate.high) == pytest.approx((50, low, high))
    safe = found.public()  # one event could point at a person, and so could the rate, being of this event alone
    assert "fall or near fall: number hidden." in " ".join(safe.sentences())
    assert safe.rate is None
    assert "near fall" in " ".join(found.sentences())
    assert found.plot().get_ylim() == (0, 10)
    quiet = tolerance(rows[["person", "date"]])
    assert quiet.rate is None, "an empty column is no rate of 0"
    assert quiet.sentences() == (
        "Pain was not recorded.",
        "Whether pain rose with training was not recorded, and soreness the next day was not recorded.",
        "Adverse events were not recorded: nothing stands under them in the log, so no rate is given.",
    )
    none = tolerance(rows.assign(adverse_event="none"))
    assert none.rate.value == 0
    assert none.sentences()[2].startswith("No adverse event was written down")


def people_and_log(n=60, seed=5):
    rng = np.random.default_rng(seed)
    days = rng.integers(10, 60, n)
    before = rng.normal(11, 3, n)
    people = pd.DataFrame({"person": np.arange(n), "before": before, "planned_sessions": 60})
    people["improvement"] = 1 + 0.05 * days - 0.2 * (before - 11) + rng.normal(0, 1, n)
    rows = [(person, day, 10, 0.0, 56, 2, 2, 0) for person, last in enumerate(days[:-5]) for day in range(last)]
    return people, log(rows), days


def test_dose_is_planned_and_done_by_everyone_who_started():
    people, sessions, days = people_and_log()
    found = dose(people, sessions, unit="stands")
    assert len(found.people) == 60
    assert found.people["attended"].iloc[:55].tolist() == days[:55].tolist()
    assert found.people["logged"].sum() == 55
    assert any("5 people kept no log" in text for text in found.cautions)
    assert not any("80%" in str(value) for value in found.table()["quantity"])
    assert found.plot().get_ylabel() == "improvement (stands)"


def test_dose_response_is_the_formula_interface_and_worded_as_going_along():
    people, sessions, days = people_and_log()
    table = people.assign(attended=days.astype(float))
    found = dose_response(table)
    fit = smf.ols("improvement ~ before + attended", table).fit(cov_type="HC3", use_t=True)
    assert found.slope.value == pytest.approx(10 * fit.params["attended"], rel=1e-6)
    assert found.p_value == pytest.approx(fit.pvalues["attended"], rel=1e-5)
    assert "not what more training would do" in found.sentence()
    bent = dose_response(table.assign(improvement=-(((days - 35) / 10.0) ** 2) + 0.1 * table["before"] ** 0.5))
    assert any("curved" in text for text in bent.cautions)
    without = dose(people.drop(columns="planned_sessions").assign(improvement=np.nan), sessions)
    assert without.refused
    assert without.table()["value"].notna().any()


@pytest.mark.filterwarnings("error")
def test_units_whose_people_all_changed_alike_are_told_without_a_warning():
    found = funnel(["A"] * 6 + ["B"] * 6, [3.0] * 12, 2, before=np.arange(12.0))
    assert found.table()["mean_shrunken"].tolist() == pytest.approx([3, 3])


def test_no_step_to_a_lower_seat_is_no_share_of_steps():
    found = fidelity(log(easy("P1", range(3), 52)))
    assert found.sentence().startswith("Nobody went to a lower seat or more load; ")
    assert np.isnan(found.table().set_index("quantity").loc["advances that kept the rule", "share"])
