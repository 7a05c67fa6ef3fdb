"""Training log: adherence (planned and done), fidelity to the progression rule, tolerance (pain, adverse events)."""

from collections.abc import Mapping
from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from scipy.special import chdtri

from truechange.foundation.errors import DataError
from truechange.foundation.estimate import Estimate
from truechange.foundation.numbers import fixed, p_value, percent
from truechange.foundation.result import Part, Refused, Result, attempt, gathered, sources_of, told
from truechange.individual.seats import ProgressionRule
from truechange.numerics.small_cells import FEW, HIDDEN, LEAST, few, given_away, masked, protect
from truechange.programme.change import coefficient, hc3
from truechange.programme.flow import kind_of

if TYPE_CHECKING:
    from matplotlib.axes import Axes

PER_DAYS = 10
FEWEST = 30
NOTABLE = 2  # points of pain or soreness on 0-10; our choice
LOGGED, EVENT_RATE = "people with a training log", "adverse events per 1,000 training days"
RANGED, KEPT = "training days with repetitions in range", "people whose every advance kept the rule"
MOVED, ADVANCES = "people who went lower or heavier", "advances that kept the rule"
FELT = ["pain_before", "pain_after", "soreness_next_day"]
LOG = ("person", "date", "exercise", "reps", "load_kg", "seat_height_cm", "pain_before", "pain_after")
NO_LOG = "There is no training log."
EVENTS = {  # kinds of adverse events by how words begin
    "fall or near fall": ("fall", "near.?fall", "fell", "trip", "stumbl"),
    "dizziness, fainting or chest symptoms": ("dizz", "faint", "chest", "breath", "palpit"),
    "pain, flare or swelling": ("pain(s|ful)?\\b", "flare", "sore", "swell", "swollen", "\\w*aches?\\b"),
    "muscle or joint injury": ("strain", "sprain", "tear", "torn", "injur", "twist"),
}


def dose(people: pd.DataFrame, sessions: pd.DataFrame, *, unit: str = "", confidence: float = 0.95) -> Part:
    """Set the training done beside the training planned (adherence), and the improvement beside both.

    Parameters
    ----------
    people : DataFrame
        One row a person who started: person, before, improvement, planned_sessions (optional).
    sessions : DataFrame
        Training log: person, date, exercise and what else is known.
    unit : str, optional
        Unit of the improvement.
    confidence : float, optional
        Level of the intervals.

    Returns
    -------
    Part
        ``people`` (DataFrame: person, planned, attended training days, share, logged, improvement); ``response``,
        ``fidelity``, ``tolerance`` (Parts, or refused); ``refused``, ``unit``. Table: quantity, value, low, high.

    Raises
    ------
    DataError
        There is no training log.
    """
    if sessions.empty:
        raise DataError(NO_LOG)
    attended = people["person"].map(sessions.groupby("person")["date"].nunique())
    planned = pd.to_numeric(people.get("planned_sessions", pd.Series(np.nan, index=people.index)), errors="coerce")
    table = people[["person", "improvement"]].assign(
        planned=planned.astype(float), attended=attended, share=attended / planned, logged=attended.notna()
    )
    away = int((~table["logged"]).sum())
    return _dose_told({
        "people": table.reset_index(drop=True),
        "response": attempt(
            lambda: dose_response(people.assign(attended=attended), unit, confidence), "Dose and response"),
        "fidelity": attempt(lambda: fidelity(sessions), "Progression"),
        "tolerance": attempt(lambda: tolerance(sessions, confidence), "Tolerance"), "unit": unit,
    }, told({f"{away} people kept no log; nothing is assumed of their training.": away}))  # fmt: skip


def _dose_told(facts: Mapping[str, Any], notes: tuple[str, ...], hidden: frozenset[str] = frozenset()) -> Part:
    """Return the training with its table, words and picture; `hidden` quantities of the table may not be told."""
    people, parts = facts["people"], [facts[name] for name in ("response", "fidelity", "tolerance")]
    logged, (response, progression, tolerated) = people[people["logged"]], parts
    share, days = float(logged["share"].median()), float(logged["attended"].median())
    values = {"people due": len(people), LOGGED: len(logged), "median training days": days,
              "median share of planned days": share}  # fmt: skip
    if not isinstance(progression, Refused):
        values |= dict(progression.frame[["quantity", "share"]].to_numpy())
    rows = [{"quantity": name, "value": float(value)} for name, value in values.items()]
    if not isinstance(response, Refused):
        rows += response.frame.to_dict("records")
    if not isinstance(tolerated, Refused):
        unknown = HIDDEN if tolerated.recorded else np.nan
        often = {name: getattr(tolerated.rate, name, unknown) for name in ("value", "low", "high")}
        rows += [{"quantity": EVENT_RATE, **often},
                 {"quantity": "training days with pain up by 2 or more", "value": tolerated.pain_rise},
                 {"quantity": "training days followed by soreness of 2 or more", "value": tolerated.sore}]  # fmt: skip
    frame = pd.DataFrame(rows, columns=["quantity", "value", "low", "high"])
    of_planned = f", {percent(share)} of those planned" if share == share else ""
    who = f"{len(logged)} of {len(people)}" if LOGGED not in hidden else f"All but {FEW} of the"
    trained = f"half of them trained on {fixed(days, 0)} days or more{of_planned}"
    refused = tuple(part for part in parts if isinstance(part, Refused))
    return Part(
        {**facts, "refused": refused, "hidden": hidden}, masked(frame, frame["quantity"].isin(hidden), ["value"]),
        (f"{who} people due kept a training log; {trained}.", *(text for part in parts for text in part.sentences())),
        gathered(notes, *parts), sources_of(*parts),
        "Improvement of each person against training days, with a straight line.",
        partial(_draw_dose, people, hidden, facts["unit"]), partial(_dose_hidden, facts, notes),
    )  # fmt: skip


def _dose_hidden(facts: Mapping[str, Any], notes: tuple[str, ...]) -> Result:
    """Return the training with numbers hidden that rest on few people or leave few over."""
    people, progression = facts["people"], facts["fidelity"]
    away = int((~people["logged"]).sum())
    if few(len(people) - away):
        return Refused("Training", f"{FEW.capitalize()} people due kept a training log.")
    hidden = {LOGGED} if few(away) else set()
    if not isinstance(progression, Refused):
        moved = progression.people.query("advances > 0")
        always = int((moved["advances"] == moved["advances_kept"]).sum())
        for words, some, whole in ((MOVED, len(moved), len(progression.people)), (KEPT, always, len(moved))):
            if hidden or few(some) or few(whole - some):  # shares over a number that is hidden would give it away
                hidden.add(words)
    safe = told({f"{FEW.capitalize()} people kept no log; nothing is assumed of their training.": few(away)})
    return _dose_told({**facts, "tolerance": facts["tolerance"].public()}, safe or notes, frozenset(hidden))


def _draw_dose(people: pd.DataFrame, hidden: frozenset[str], unit: str, ax: "Axes") -> "Axes":
    """Draw each person's improvement against training days; people without a log stand at the left edge."""
    from truechange.foundation import drawing

    logged, away = people[people["logged"]], people[~people["logged"] & (LOGGED not in hidden)]
    ax.plot(logged["attended"], logged["improvement"], "o", ms=4, color=drawing.ACCENT, alpha=0.7)
    ax.plot(np.full(len(away), -3.0), away["improvement"], "x", ms=4, color=drawing.QUIET)
    known = logged.dropna(subset=["improvement", "attended"])
    if len(known) > 2 and len(known["attended"].unique()) > 1:
        line = np.polynomial.Polynomial.fit(known["attended"], known["improvement"], 1)
        ends = np.array([known["attended"].min(), known["attended"].max()])
        ax.plot(ends, line(ends), color=drawing.INK, lw=1.5)
    ax.axhline(0, color=drawing.QUIET, lw=0.8)
    if len(planned := logged["planned"].dropna()):
        drawing.mark_line(ax, float(planned.median()), "planned", along="x")
    ax.set(xlabel="training days (× no log kept)", ylabel=f"improvement ({unit})" if unit else "improvement")
    return ax


def dose_response(people: pd.DataFrame, unit: str = "", confidence: float = 0.95) -> Part:
    """Fit improvement on training days and score before (dose-response), by least squares with HC3 standard errors.

    Parameters
    ----------
    people : DataFrame
        before, improvement, attended; rows with a gap are left out.
    unit, confidence
        Of the slope.

    Returns
    -------
    Part
        ``slope`` (Estimate: ten more training days, at equal score before), ``p_value``, ``bend_p`` (whether a curved
        line fits better).

    Raises
    ------
    DataError
        Fewer than 30 people, or everyone trained on the same number of days.
    """
    known = people[["before", "improvement", "attended"]].astype(float).dropna()
    if len(known) < FEWEST or len(known["attended"].unique()) < 3:
        raise DataError(f"A slope needs a log and both scores of at least {FEWEST} people who differ in training days.")
    days, before = (known["attended"] - known["attended"].mean()) / PER_DAYS, known["before"] - known["before"].mean()
    improvement = known["improvement"].to_numpy()
    fit, bend = hc3(improvement, before, days), float(hc3(improvement, before, days, days**2).pvalues[3])
    slope, p = coefficient(fit, 2, confidence, "least squares at equal score before, HC3", unit), float(fit.pvalues[2])
    rows = [(f"improvement for {PER_DAYS} more training days", slope.value, slope.low, slope.high),
            ("p (slope)", p, np.nan, np.nan), ("p (curved)", bend, np.nan, np.nan)]  # fmt: skip
    frame = pd.DataFrame(rows, columns=["quantity", "value", "low", "high"])
    more = f"{slope.worded('{} more', '{} less')} at equal score before ({p_value(p)})"
    gained = f"People who trained {PER_DAYS} days more improved by {more}"
    says = f"{gained}; this says who did better, not what more training would do."
    notes = told({
        "Attendance is decided after the start: people who improve keep coming, and people who hurt stay away.": True,
        "No cut such as “attended 80%” is made: it would choose the people who did well.": True,
        "A curved line fits better than the straight one: more days did not go with equally more throughout.":
        bend < 0.05,
    })  # fmt: skip
    return Part({"slope": slope, "p_value": p, "bend_p": bend}, frame, (says,), notes, ("long2000",))


def fidelity(sessions: pd.DataFrame, rule: ProgressionRule | None = None) -> Part:
    """Hold training logs against the progression rule (fidelity).

    Parameters
    ----------
    sessions : DataFrame
        Training log: person, date, exercise, reps, load_kg, seat_height_cm, pain_before, pain_after, and
        soreness_next_day where known.
    rule : ProgressionRule, optional
        The rule.

    Returns
    -------
    Part
        ``people`` (DataFrame: person, days, days_in_range, advances, advances_kept), ``rule``. Table: quantity,
        people, share.

    Raises
    ------
    DataError
        A column is missing, or no row has a seat height.
    """
    rule = rule or ProgressionRule()
    if lacking := [name for name in LOG if name not in sessions]:
        raise DataError(f"The training log has no {', '.join(lacking)}: the progression rule cannot be checked.")
    log = sessions.sort_values(["person", "date"], kind="stable", ignore_index=True)
    load = pd.to_numeric(log["load_kg"], errors="coerce").fillna(0.0)
    drill = log["exercise"].astype(str).str.contains("step", case=False)
    ranges = np.array([rule.unloaded, rule.loaded, rule.steps])[np.where(drill, 2, (load > 0).astype(int))]
    in_range = log["reps"].between(*ranges.T)
    seated = log["seat_height_cm"].notna()
    if not seated.any():
        raise DataError("No training day has a seat height: the progression rule cannot be checked.")
    stands = log.assign(load_kg=load)[seated]
    whose, seat, weight = stands["person"], stands["seat_height_cm"].diff(), stands["load_kg"].diff()
    new_person = whose.ne(whose.shift())
    advance = ((seat < 0) | (weight > 0)) & ~new_person
    stage = ((seat != 0) | (weight != 0) | new_person).cumsum()
    keeps = advance & (stage.map(rule.easy(stands).groupby(stage).sum().shift()) >= rule.days)
    counts = {"days": log.groupby("person").size(), "days_in_range": in_range.groupby(log["person"]).sum(),
              "advances": advance.groupby(whose).sum(), "advances_kept": keeps.groupby(whose).sum()}  # fmt: skip
    people = pd.DataFrame(counts).fillna(0).astype(int).rename_axis("person").reset_index()
    moved, total = people[people["advances"] > 0], int(people["advances"].sum())
    always = (moved["advances"] == moved["advances_kept"]).mean() if len(moved) else np.nan
    ranged, kept = people["days_in_range"].sum() / people["days"].sum(), moved["advances_kept"].sum() / max(1, total)
    rows = [(RANGED, len(people), ranged), (MOVED, len(moved), len(moved) / len(people)),
            (ADVANCES, len(moved), kept if total else np.nan), (KEPT, len(moved), always)]  # fmt: skip
    easy = f"{rule.days} easy days ({rule.confident_reps} repetitions, no more pain, no notable soreness)"
    steps = f"Of {total} steps to a lower seat or more load {percent(kept)} came after at least {easy}"
    steps = steps if total else "Nobody went to a lower seat or more load"
    says = f"{steps}; {percent(ranged)} of the exercise days had repetitions in range."
    notes = ("Logs are kept by the people themselves; what was not written down cannot be judged.",)
    frame = pd.DataFrame(rows, columns=["quantity", "people", "share"])
    return Part({"people": people, "rule": rule}, frame, (says,), notes)


def tolerance(sessions: pd.DataFrame, confidence: float = 0.95) -> Part:
    """Describe pain, soreness and adverse events in training logs (tolerance).

    Parameters
    ----------
    sessions : DataFrame
        Training log: person, date, and pain_before, pain_after, soreness_next_day, adverse_event where known.
    confidence : float, optional
        Level of the exact Poisson interval of the event rate.

    Returns
    -------
    Part
        Table and ``weeks``: week, people, pain_before, pain_after, soreness_next_day (means of the people's own weekly
        means); ``events`` (DataFrame: adverse_event, count, people); ``rate`` (Estimate, per 1,000 training days;
        None where it may not be told or nothing was ``recorded``); ``pain_rise, sore`` (shares of training days with
        pain up by two points or more, and with soreness of two or more the next day).

    Raises
    ------
    DataError
        The log is empty.
    """
    if sessions.empty:
        raise DataError(NO_LOG)
    log = sessions.reindex(columns=["person", "date", *FELT, "adverse_event"])
    happened = log["adverse_event"].map(lambda text: kind_of(text, EVENTS, nothing="", other="another event"))
    days = log.groupby(["person", "date"], as_index=False)[FELT].max()
    week = (days["date"] - days.groupby("person")["date"].transform("min")).dt.days // 7 + 1
    own = days.assign(week=week).groupby(["week", "person"], as_index=False)[FELT].mean()
    weeks = own.groupby("week", as_index=False).agg({"person": "size"} | dict.fromkeys(FELT, "mean"))
    written = log.assign(adverse_event=happened)[happened != ""]
    events = written.groupby("adverse_event", as_index=False).agg(
        count=("person", "size"), people=("person", "nunique")
    )
    k, tail = len(written), (1 - confidence) / 2
    low, high = float(chdtri(2 * k, 1 - tail)) / 2 if k else 0.0, float(chdtri(2 * (k + 1), tail)) / 2
    rate = Estimate(value=k, low=low, high=high, confidence=confidence, n=len(days), method="exact Poisson")
    rise, sore = (days["pain_after"] - days["pain_before"]).dropna(), days["soreness_next_day"].dropna()
    # an empty column does not say that nothing happened
    recorded = bool(log["adverse_event"].astype("string").str.strip().fillna("").ne("").any())
    return _tolerance_told({
        "weeks": weeks.rename(columns={"person": "people"}), "events": events, "recorded": recorded,
        "rate": rate.scaled(1000 / len(days)) if recorded else None,
        "pain_rise": float((rise >= NOTABLE).mean()), "sore": float((sore >= NOTABLE).mean()),
    })  # fmt: skip


def _tolerance_told(facts: Mapping[str, Any], *, hide: bool = True) -> Part:
    """Return pain, soreness and adverse events with their words and picture, from the numbers that may be told."""
    weeks, events, rate = facts["weeks"], facts["events"], facts["rate"]
    pain = weeks["pain_before"].dropna()
    course = "Pain was not recorded." if len(weeks) else "Too few people trained to show the course of pain."
    if len(pain):
        first, last = fixed(float(pain.iloc[0]), 1), fixed(float(pain.iloc[-1]), 1)
        course = f"Pain before training went from {first} in the first week to {last} in the last (0-10)."
    what = "; ".join(
        f"{kind}: number hidden" if count == HIDDEN else f"{kind}: {count}, in {people} people"
        for kind, count, people in events[["adverse_event", "count", "people"]].itertuples(index=False, name=None)
    )
    often = "" if rate is None else f". That is {rate} per 1,000 training days"
    rise, sore = facts["pain_rise"], facts["sore"]
    rose, followed = "Whether pain rose with training was not recorded", "soreness the next day was not recorded"
    if rise == rise:
        rose = f"Pain rose by {NOTABLE} points or more on {percent(rise)} of the training days"
    if sore == sore:
        followed = f"soreness of {NOTABLE} or more followed {percent(sore)}"
    none = "Adverse events were not recorded: nothing stands under them in the log, so no rate is given."
    if facts["recorded"]:
        none = "No adverse event was written down; that is not the same as none happened."
    says = (course, f"{rose}, and {followed}.", f"Adverse events written down: {what}{often}." if what else none)
    cautions = (
        "People who hurt more may stop training or stop writing: later weeks hold those who went on.",
        "Adverse events are only those somebody wrote down; none reported is not none happened.",
    )
    seen = "Mean pain before and after training and soreness by week."
    hidden = partial(_tolerance_hidden, facts) if hide else None
    return Part(facts, weeks, says, cautions, seen=seen, draw=partial(_draw_tolerance, weeks), hide=hidden)


def _tolerance_hidden(facts: Mapping[str, Any]) -> Part:
    """Return weeks in which at least five people trained, without their number, and events of few people hidden.

    The rate is left out where it would give the number of a hidden kind away, being that of all kinds together.
    """
    weeks, events = facts["weeks"], facts["events"]
    counts = events["count"].to_numpy(float)
    hide = protect(counts, few(events["people"]))
    safe = {"weeks": weeks[weeks["people"] >= LEAST].assign(people=HIDDEN).round(2),
            "events": masked(events, hide, ["count", "people"]),
            "rate": None if given_away(counts, hide) else facts["rate"]}  # fmt: skip
    return _tolerance_told({**facts, **safe}, hide=False)


def _draw_tolerance(weeks: pd.DataFrame, ax: "Axes") -> "Axes":
    """Draw mean pain before and after and soreness by week."""
    from truechange.foundation import drawing

    for at, name in enumerate(FELT):
        ax.plot(weeks["week"], weeks[name], color=drawing.SERIES[at], ls=drawing.DASHES[at], marker=drawing.MARKERS[at],
                ms=4, label=name.replace("_", " "))  # fmt: skip
    ax.set(ylim=(0, 10), xlabel="week of training", ylabel="0-10, mean of people")
    ax.legend(frameon=False, fontsize=8)
    return ax
