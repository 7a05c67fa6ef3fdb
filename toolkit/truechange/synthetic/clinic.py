"""Draw a whole clinic: people, tests, ratings and logs, and keep what is true of each person."""

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from truechange.foundation.errors import ChoiceError
from truechange.measures.catalogue import measure
from truechange.synthetic.scenario import Scenario, TestModel
from truechange.synthetic.training import training_log

if TYPE_CHECKING:
    from numpy.typing import NDArray

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
    >>> from truechange.synthetic import make_clinic
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
) -> "dict[str, dict[str, NDArray[np.float64]]]":
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


def _apply(test: TestModel, start: Any, better: Any) -> "dict[str, NDArray[np.float64]]":
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
    folk: pd.DataFrame, values: "dict[str, dict[str, Any]]", scenario: Scenario, rng: np.random.Generator
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


def observed(test: TestModel, state: Any, attempt: Any, noise: Any) -> "NDArray[np.float64]":
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
