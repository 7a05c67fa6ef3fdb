"""Draw an invented clinic and a retest study, and keep what is true of each person."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from training_logs import training_log

from truechange.foundation.errors import ChoiceError
from truechange.measures.catalogue import measure


@dataclass(frozen=True, kw_only=True)
class TestModel:
    """How one test behaves in the invented clinic; on the log scale where `ratio` is true.

    Parameters
    ----------
    key : str
        Key of the test in the catalogue.
    centre, spread : float
        Mean (median where `ratio`) and SD of the true baseline; the SD is a log SD where `ratio`.
    gain, gain_spread : float
        Mean and SD of the true improvement of programme people; proportional where `ratio`.
    error : float
        Error SD of one scored trial, both days and trials in it (a coefficient of variation where `ratio`), before
        rounding to the test's resolution.
    ratio : bool
        Whether change and error grow with the score.
    shared : float
        Correlation of the true baselines and of the true changes with what the tests have in common.
    """

    key: str
    centre: float
    spread: float
    gain: float
    gain_spread: float
    error: float
    ratio: bool = True
    shared: float = 0.7


TESTS = (
    # 0.958: with the variance of rounding to whole stands (1/12) the standard error of measurement is 1.0 stand
    TestModel(
        key="chair_stand_30s", centre=11.0, spread=2.8, gain=2.5, gain_spread=2.0, error=0.958, ratio=False, shared=1.0
    ),
    TestModel(key="sit_to_stand_5", centre=13.5, spread=0.24, gain=0.12, gain_spread=0.12, error=0.06),
    TestModel(key="timed_up_and_go", centre=10.4, spread=0.19, gain=0.10, gain_spread=0.10, error=0.055),
    TestModel(key="walk_40m_fast", centre=1.45, spread=0.17, gain=0.07, gain_spread=0.07, error=0.04),
    TestModel(key="stair_climb", centre=11.5, spread=0.26, gain=0.11, gain_spread=0.12, error=0.06),
    TestModel(key="pain_0_10", centre=5.3, spread=1.6, gain=1.4, gain_spread=1.4, error=0.7, ratio=False, shared=0.4),
)


@dataclass(frozen=True, kw_only=True)
class Scenario:
    """The clinic, its programme, its people and its habits.

    Parameters
    ----------
    tests : tuple of TestModel
        The tests; the first is the one the ratings are about.
    mcid : float
        Mean of the people's own smallest important improvement in the first test, in its unit.
    mcid_spread : float
        SD of that between people.
    anchor_reliability : float
        Squared correlation between the rating's underlying scale and the true change.
    rating_steps : tuple of float
        Distances from the MCID at which the rating moves on by one, upwards from 0 to 1.
    rating_falls : tuple of float
        True changes at which the rating moves down by one, from 0 to -1.
    baseline_pull : float
        Correlation of the true change with the true baseline.
    dose_share : float
        Correlation of the true change with adherence.
    waiting_gain, waiting_spread : float
        Mean and SD of the waiting list's true change, as shares of the programme's.
    learning : tuple of float
        Gain of the 1st, 2nd ... attempt at a test over the first, in error SDs. In the clinic the first attempt is a
        practice trial; in the retest study it is scored.
    day_share : float
        Share of the error variance that belongs to the day rather than to the trial.
    stop_rate : float
        Expected share of programme people who stop early.
    stop_slope : float
        Change of the log odds of stopping per SD of true change: less gain, more stopping.
    site_gap : float
        True change in the first test, North minus South, in its unit.
    therapist_spread : float
        SD between therapists of the true change in the first test, in its unit.
    weeks, planned_sessions : int
        Length of the programme; training days planned in it.
    seat_cm, raised_seat_cm : float
        Seat of the chair-stand tests, and the seat used by mistake at a few follow-ups.
    raised_seat_gain : float
        What the raised seat adds, in error SDs.
    """

    tests: tuple[TestModel, ...] = field(default=TESTS)
    mcid: float = 2.0
    mcid_spread: float = 0.6
    anchor_reliability: float = 0.6
    rating_steps: tuple[float, ...] = (0.0, 1.2, 2.6, 4.0, 5.4)
    rating_falls: tuple[float, ...] = (-0.8, -2.0, -3.2, -4.4, -5.6)
    baseline_pull: float = -0.2
    dose_share: float = 0.35
    waiting_gain: float = 0.12
    waiting_spread: float = 0.35
    learning: tuple[float, ...] = (0.0, 0.5, 0.65, 0.7)
    day_share: float = 0.5
    stop_rate: float = 0.11
    stop_slope: float = -0.5
    site_gap: float = 0.4
    therapist_spread: float = 0.25
    weeks: int = 12
    planned_sessions: int = 60
    seat_cm: float = 44.0
    raised_seat_cm: float = 48.0
    raised_seat_gain: float = 1.0


QUESTION = "Compared with the start: how is getting up from a chair now?"
STAIRS = {"North": (9, 17.0), "South": (11, 16.0)}
# place in Scenario.learning (the first attempt of all is the practice trial), share of the change made, turnout
_VISITS = {"baseline": (1, 0.0, 1.0), "midway": (2, 0.6, 0.9), "discharge": (3, 1.0, 0.985)}
_MIDWAY_TESTS = ("chair_stand_30s", "timed_up_and_go", "pain_0_10")
_SLIPS = {"raised seat": (0, 5), "other aid": (5, 8), "unable at first": (8, 11), "unable at last": (11, 13)}
_WHAT = ("person", "date", "occasion", "measure", "value", "unit", "trial", "result")
_HOW = ("seat_height_cm", "arms_used", "walking_aid", "steps", "step_height_cm", "course_m", "assessor", "note")


@dataclass(frozen=True, eq=False)
class Truth:
    """What is really so in the synthetic data, and no test can see.

    Parameters
    ----------
    scenario : Scenario
        The numbers everything was drawn from.
    people : DataFrame
        One row a person: person, programme, adherence, own_mcid, stop_chance.
    values : DataFrame
        One row a person and test: person, measure, true_before, true_after, true_improvement (positive = better).
    """

    scenario: Scenario
    people: pd.DataFrame
    values: pd.DataFrame

    def improvement(self, key: str) -> pd.Series:
        """Return the true improvement in one test, by person, in its unit."""
        return self.values[self.values["measure"] == key].set_index("person")["true_improvement"]

    def share(self, key: str, threshold: float, programme: str = "leg power") -> float:
        """Return the share of a programme's people whose true improvement is at least `threshold`."""
        inside = self.people.loc[self.people["programme"] == programme, "person"]
        return float((self.improvement(key).loc[inside] >= threshold).mean())


def make_clinic(
    people: int = 200,
    *,
    waiting: int = 60,
    seed: int = 20250109,
    scenario: Scenario | None = None,
    logs: bool = True,
) -> tuple[dict[str, pd.DataFrame], Truth]:
    """Draw an invented clinic with a leg-power programme and a waiting list.

    Parameters
    ----------
    people, waiting : int
        People who start the programme, and people on the waiting list.
    seed : int
        Same seed, same clinic.
    scenario : Scenario, optional
        The numbers to draw from; the invented clinic's own by default.
    logs : bool
        Whether to write training logs (the slow part).

    Returns
    -------
    tables : dict of DataFrame
        ``people``, ``assessments``, ``ratings``, ``sessions`` in the layout the library reads.
    truth : Truth
        True values behind them.

    Raises
    ------
    ChoiceError
        Fewer than 10 people in the programme, or a negative waiting list.

    Examples
    --------
    >>> from invented_clinic import make_clinic
    >>> tables, truth = make_clinic(people=20, waiting=5, seed=1, logs=False)
    >>> sorted(tables), len(tables["people"])
    (['assessments', 'people', 'ratings', 'sessions'], 25)
    >>> round(truth.share("chair_stand_30s", threshold=2), 2)
    0.55
    """
    if people < 10 or waiting < 0:
        raise ChoiceError(f"people={people} and waiting={waiting}: at least 10 and at least 0 are needed.")
    scenario = scenario or Scenario()
    rng = np.random.default_rng(seed)
    folk = _folk(people, waiting, scenario, rng)
    values = _true_values(folk, scenario, rng)
    _who_stops(folk, scenario, rng)
    tables = {
        "people": _people_table(folk, scenario, rng),
        "assessments": _assessments(folk, values, scenario, rng),
        "ratings": _ratings(folk, scenario, rng),
        "sessions": training_log(folk[folk["programme"] == "leg power"], scenario.planned_sessions, rng)
        if logs
        else pd.DataFrame(columns=["person", "date", "exercise"]),
    }
    kept = folk[["person", "programme", "adherence", "own_mcid", "stop_chance"]].copy()
    long = pd.concat(
        [pd.DataFrame({"person": folk["person"], "measure": key, **parts}) for key, parts in values.items()],
        ignore_index=True,
    )
    return tables, Truth(scenario, kept, long)


def _folk(people: int, waiting: int, scenario: Scenario, rng: np.random.Generator) -> pd.DataFrame:
    n = people + waiting
    order = rng.permutation(n)
    north = rng.random(n) < 0.55
    female = rng.random(n) < 0.62
    height = np.where(female, 163.0, 176.0) + 6.5 * rng.standard_normal(n)
    days = np.sort(rng.integers(0, 280, n))
    start = pd.Timestamp("2025-01-13") + pd.to_timedelta(days - days % 7, unit="D")
    visits = {"baseline": -1, "midway": scenario.weeks // 2, "discharge": scenario.weeks}
    adherence = np.clip(0.72 + 0.17 * rng.standard_normal(n), 0.15, 1.0)
    return pd.DataFrame(
        {
            "person": [f"P{number:03d}" for number in range(1, n + 1)],
            "sex": np.where(female, "female", "male"),
            "age": np.clip(np.round(66 + 7.5 * rng.standard_normal(n)), 46, 85).astype(int),
            "height_cm": np.round(height),
            "mass_kg": np.round((27.5 + 3.8 * rng.standard_normal(n)) * (height / 100) ** 2, 1),
            "joint": np.where(rng.random(n) < 0.65, "knee", "hip"),
            "side": np.where(rng.random(n) < 0.5, "left", "right"),
            "programme": np.where(order < people, "leg power", "waiting list"),
            "site": np.where(north, "North", "South"),
            "therapist": np.array([f"T{number}" for number in 1 + rng.integers(0, 4, n) + 4 * ~north]),
            "start_date": start,
            "adherence": adherence,
            **{f"{occasion}_date": start + _weekday(week, n, rng) for occasion, week in visits.items()},
            "own_mcid": scenario.mcid + scenario.mcid_spread * rng.standard_normal(n),
        }
    )


def _weekday(week: int, n: int, rng: np.random.Generator) -> pd.TimedeltaIndex:
    return pd.to_timedelta(7 * week + rng.integers(0, 5, n), unit="D")


def _true_values(
    folk: pd.DataFrame, scenario: Scenario, rng: np.random.Generator
) -> dict[str, dict[str, NDArray[np.float64]]]:
    n = len(folk)
    first = scenario.tests[0]
    level = rng.standard_normal(n)
    dose = (folk["adherence"].to_numpy() - 0.72) / 0.17
    # what the place and the therapist add, in SDs of the first test's true change
    therapist = dict(zip(sorted(folk["therapist"].unique()), rng.standard_normal(8), strict=False))
    place = scenario.site_gap * (np.where(folk["site"] == "North", 0.45, -0.55))
    place = place + scenario.therapist_spread * folk["therapist"].map(therapist).to_numpy(dtype=float)
    known = scenario.baseline_pull * level + scenario.dose_share * dose + place / first.gain_spread
    rest = 1 - scenario.baseline_pull**2 - scenario.dose_share**2 - float(np.var(place)) / first.gain_spread**2
    gain = known + np.sqrt(max(rest, 0.05)) * rng.standard_normal(n)
    trained = (folk["programme"] == "leg power").to_numpy()
    values = {}
    for test in scenario.tests:
        own = np.sqrt(1 - test.shared**2)
        start = test.shared * level + own * rng.standard_normal(n)
        moved = test.shared * gain + own * rng.standard_normal(n)
        mean = test.gain * np.where(trained, 1.0, scenario.waiting_gain)
        better = mean + test.gain_spread * np.where(trained, 1.0, scenario.waiting_spread) * moved
        values[test.key] = _apply(test, start, better)
    folk["true_gain"] = values[first.key]["true_improvement"]
    folk["state"] = values[first.key]["true_after"]
    return values


def _apply(test: TestModel, start: Any, better: Any) -> dict[str, NDArray[np.float64]]:
    sign = measure(test.key).sign
    if test.ratio:
        before = test.centre * np.exp(sign * test.spread * start)
        after = before * np.exp(sign * better)
    else:
        before = test.centre + sign * test.spread * start
        after = before + sign * better
    return {"true_before": before, "true_after": after, "true_improvement": sign * (after - before)}


def _who_stops(folk: pd.DataFrame, scenario: Scenario, rng: np.random.Generator) -> None:
    gain = (folk["true_gain"] - scenario.tests[0].gain) / scenario.tests[0].gain_spread
    odds = np.log(scenario.stop_rate / (1 - scenario.stop_rate)) + scenario.stop_slope * gain
    waits = folk["programme"] == "waiting list"
    chance = np.where(waits, 0.08, 1 / (1 + np.exp(-odds)))
    folk["stop_chance"] = chance
    folk["stopped"] = rng.random(len(folk)) < chance
    reason = np.array(["pain", "illness", "no time", "moved away"])[rng.integers(0, 4, len(folk))]
    folk["stop_reason"] = np.where(folk["stopped"], np.where(folk["true_gain"] < 0.5, "pain", reason), "")
    day, end = rng.integers(14, 7 * scenario.weeks - 7, len(folk)), 7 * scenario.weeks
    folk["stop_day"] = np.where(folk["stopped"], day, end)


def _people_table(folk: pd.DataFrame, scenario: Scenario, rng: np.random.Generator) -> pd.DataFrame:
    trained = folk["programme"] == "leg power"
    shown = ["person", "sex", "age", "height_cm", "mass_kg", "joint", "side", "programme", "site", "therapist"]
    table = folk[[*shown, "start_date"]].copy()
    table["planned_sessions"] = np.where(trained, float(scenario.planned_sessions), np.nan)
    table["outcome"] = np.where(folk["stopped"], "stopped", "completed")
    table["stop_reason"] = folk["stop_reason"]
    unknown = rng.random(len(table)) < 0.02
    table.loc[unknown, "mass_kg"] = np.nan
    return table


def _assessments(
    folk: pd.DataFrame, values: dict[str, dict[str, Any]], scenario: Scenario, rng: np.random.Generator
) -> pd.DataFrame:
    trained, stopped = (folk["programme"] == "leg power").to_numpy(), folk["stopped"].to_numpy()
    slips = rng.permutation(np.flatnonzero(trained & ~stopped))
    slip = {name: np.isin(np.arange(len(folk)), slips[slice(*at)]) for name, at in _SLIPS.items()}
    aid = np.where(rng.random(len(folk)) < 0.12, "stick", "none")
    parts = []
    for occasion, (attempt, progress, turnout) in _VISITS.items():
        last = occasion == "discharge"
        here = rng.random(len(folk)) < turnout
        here &= trained if occasion == "midway" else True
        here &= ~stopped if last else (folk["stop_day"] > 7 * 6).to_numpy() | (occasion == "baseline")
        facts = {
            "date": folk[f"{occasion}_date"],
            "occasion": occasion,
            "assessor": np.array(["A1", "A2", "A3"])[rng.integers(0, 3, len(folk))],
        }
        seat = np.where(slip["raised seat"] & last, scenario.raised_seat_cm, scenario.seat_cm)
        held = np.where(slip["other aid"] & last, np.where(aid == "none", "stick", "none"), aid)
        unable = slip["unable at first"] if occasion == "baseline" else slip["unable at last"] & last
        for test in scenario.tests:
            if occasion == "midway" and test.key not in _MIDWAY_TESTS:
                continue
            true, stands = values[test.key], test.key in ("chair_stand_30s", "sit_to_stand_5")
            state = true["true_before"] + progress * (true["true_after"] - true["true_before"])
            lift = scenario.learning[attempt] + scenario.raised_seat_gain * (slip["raised seat"] & last & stands)
            score = observed(test, state, lift, rng.standard_normal(len(folk)))
            result = np.where(unable & stands, "unable", "measured")
            refuses = (rng.random(len(folk)) < 0.03) & (test.key == "stair_climb")
            result = np.where(refuses, "refused", result)
            rows = {
                "person": folk["person"],
                **facts,
                "measure": test.key,
                "value": np.where(result == "measured", score, np.nan),
                "unit": measure(test.key).unit,
                "trial": 1,
                "result": result,
                **_protocol(test.key, folk, seat, held),
                "note": np.where(result == "unable", "needs arms to rise", ""),
            }
            parts.append(pd.DataFrame(rows)[[*_WHAT, *_HOW]][here])
    table = pd.concat(parts, ignore_index=True)
    return table.sort_values(["person", "date"], kind="stable", ignore_index=True)


def _protocol(key: str, folk: pd.DataFrame, seat: Any, aid: Any) -> dict[str, Any]:
    seated = key in ("chair_stand_30s", "sit_to_stand_5", "timed_up_and_go")
    stairs, flight = key == "stair_climb", folk["site"].map(STAIRS)
    return {
        "seat_height_cm": seat if seated else np.nan,
        "arms_used": "no" if seated or stairs else "",
        "walking_aid": "" if key == "pain_0_10" else aid,
        "steps": flight.str[0].astype(float) if stairs else np.nan,
        "step_height_cm": flight.str[1] if stairs else np.nan,
        "course_m": {"timed_up_and_go": 3.0, "walk_40m_fast": 40.0}.get(key, np.nan),
    }


def observed(test: TestModel, state: Any, attempt: Any, noise: Any) -> NDArray[np.float64]:
    """Return scores as a tester would write them down: truth, learning and raised seat, error, rounding, limits.

    Parameters
    ----------
    test : TestModel
        The test.
    state : array
        True score at this moment, in the test's unit.
    attempt : array or float
        What practice (and a raised seat) adds, in error SDs.
    noise : array
        Error of this trial, in error SDs.
    """
    facts = measure(test.key)
    shift = facts.sign * test.error * attempt + test.error * noise
    score = state * np.exp(shift) if test.ratio else state + shift
    score = np.round(np.round(score / facts.resolution) * facts.resolution, 6)
    return np.clip(score, facts.hard_low, facts.hard_high) + 0.0  # no minus zero


def _ratings(folk: pd.DataFrame, scenario: Scenario, rng: np.random.Generator) -> pd.DataFrame:
    asked = folk[(folk["programme"] == "leg power") & ~folk["stopped"]]
    asked = asked[rng.random(len(asked)) > 0.02]
    spread = scenario.tests[0].gain_spread * np.sqrt(1 / scenario.anchor_reliability - 1)
    slip = np.sqrt(max(spread**2 - scenario.mcid_spread**2, 0.0)) * rng.standard_normal(len(asked))
    felt = (asked["true_gain"] + slip - asked["own_mcid"] + scenario.mcid).to_numpy()
    rating = (felt[:, None] >= scenario.mcid + np.array(scenario.rating_steps)).sum(axis=1)
    rating = rating - (felt[:, None] <= np.array(scenario.rating_falls)).sum(axis=1)
    content = rng.random(len(asked)) < 1 / (1 + np.exp(-0.6 * (asked["state"] - 12)))
    return pd.DataFrame(
        {
            "person": asked["person"].to_numpy(),
            "occasion": "discharge",
            "rating": rating,
            "date": asked["discharge_date"].to_numpy(),
            "question": QUESTION,
            "scale_low": -5,
            "scale_high": 5,
            "blinded": "yes",
            "acceptable": np.where(content, "yes", "no"),
        }
    )


RETEST_TESTS = ("chair_stand_30s", "timed_up_and_go", "sit_to_stand_5", "walk_40m_fast")


def make_retest(
    people: int = 50,
    *,
    sessions: int = 2,
    trials: int = 2,
    measures: Sequence[str] = RETEST_TESTS,
    seed: int = 20250901,
    scenario: Scenario | None = None,
) -> pd.DataFrame:
    """Draw people who do not change, tested in `sessions` weekly sessions of `trials` trials.

    Parameters
    ----------
    people, sessions, trials : int
        Size of the study.
    measures : sequence of str
        Tests of the scenario to draw.
    seed : int
        Same seed, same study.
    scenario : Scenario, optional
        The numbers to draw from; the invented clinic's own by default.

    Returns
    -------
    DataFrame
        In the layout of the assessments table; `occasion` is ``"retest1"``, ``"retest2"`` ..., `trial` counts within a
        session. The first trial of all is unpractised, so scores rise a little (see ``Scenario.learning``).

    Examples
    --------
    >>> from invented_clinic import make_retest
    >>> study = make_retest(people=10, seed=1)
    >>> len(study), sorted(study["occasion"].unique())
    (160, ['retest1', 'retest2'])
    """
    scenario = scenario or Scenario()
    rng = np.random.default_rng(seed)
    models = {test.key: test for test in scenario.tests}
    level = rng.standard_normal(people)
    start = pd.Timestamp("2025-09-01") + pd.to_timedelta(rng.integers(0, 28, people), unit="D")
    parts = []
    for key in measures:
        test, facts = models[key], measure(key)
        place = test.shared * level + np.sqrt(1 - test.shared**2) * rng.standard_normal(people)
        spread = facts.sign * test.spread * place
        state = test.centre * np.exp(spread) if test.ratio else test.centre + spread
        attempt = 0
        for session in range(1, sessions + 1):
            day = np.sqrt(scenario.day_share) * rng.standard_normal(people)
            for trial in range(1, trials + 1):
                noise = day + np.sqrt(1 - scenario.day_share) * rng.standard_normal(people)
                learnt = scenario.learning[min(attempt, len(scenario.learning) - 1)]
                attempt += 1
                seated = key != "walk_40m_fast"
                rows = {
                    "person": [f"R{number:02d}" for number in range(1, people + 1)],
                    "date": start + pd.Timedelta(days=7 * (session - 1)),
                    "occasion": f"retest{session}",
                    "measure": key,
                    "value": observed(test, state, learnt, noise),
                    "unit": facts.unit,
                    "trial": trial,
                    "result": "measured",
                    "seat_height_cm": scenario.seat_cm if seated else np.nan,
                    "arms_used": "no" if seated else "",
                    "walking_aid": "none",
                    "course_m": {"timed_up_and_go": 3.0, "walk_40m_fast": 40.0}.get(key, np.nan),
                    "assessor": "A1",
                }
                parts.append(pd.DataFrame(rows))
    return pd.concat(parts, ignore_index=True)
