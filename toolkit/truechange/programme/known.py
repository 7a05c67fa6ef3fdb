"""Error and important change as an audit was told of them, each with its source, and the responders by them."""

from collections.abc import Mapping
from dataclasses import replace
from functools import partial
from math import nan, sqrt
from typing import Any

import numpy as np
import pandas as pd
from scipy.special import ndtri

from truechange.foundation import drawing
from truechange.foundation.entry import Entry
from truechange.foundation.errors import ChoiceError, OutcomeError, listed
from truechange.foundation.estimate import Estimate, Origin, Threshold, person_threshold, read_sem
from truechange.foundation.numbers import fixed
from truechange.foundation.result import Part, Refused, Spoken, attempt, gathered, sources_of, worded, wordings
from truechange.measures.catalogue import measure as measure_of
from truechange.numerics.small_cells import FEW, few
from truechange.numerics.true_change import EDGE
from truechange.records.pairing import time_between
from truechange.reliability.error import measurement_error
from truechange.reliability.transport import transport_check
from truechange.responders.counting import ErrorOnly, Responders, count_responders, responders_from_error, size_of
from truechange.responders.true_share import cumulative_change, true_responder_share

FEWEST = 15  # people measured twice from whom a programme's spread is worth keeping; as for one person's comparison
DIGITS = 4


def own_numbers(audit: Any) -> dict[str, dict[str, Any]]:
    """Return the tables ``measures`` and ``programme`` of a clinic's settings.

    Parameters
    ----------
    audit : ProgrammeAudit
        Of the clinic's own programme, with its retest study where there is one.

    Returns
    -------
    dict
        ``{"measures": {test: {"sem", "sem_df", "practice", "mcid", "protocol"}}, "programme": {test: {"name", "weeks",
        "mean_before", "mean_after", "sd_before", "sd_after", "correlation", "n"}}}``; what was refused is left out.
    """
    measures, programme = {}, {}
    for key in audit.measures:
        known: Any = audit.known[key]
        about: dict[str, Any] = {}
        if isinstance(known.sem, Estimate):
            about = _short(sem=known.sem.value) | {"sem_people": known.sem.n} | _short(sem_df=known.sem.df or nan)
        about |= {} if known.practice is None else _short(practice=known.practice.value)
        if isinstance(mcid := known.mcid, Threshold):
            about["mcid"] = _short(value=mcid.value, low=mcid.low, high=mcid.high) | ({"n": mcid.n} if mcid.n else {})
            about["mcid"]["source"] = mcid.origin.sentence()
        rows = audit.protocols[key].table().to_dict("records")
        if facts := {row["fact"]: row["usual"] for row in rows if row.get("usual")}:
            about["protocol"] = facts
        if about:
            measures[key] = about
        both = audit.pairs[key].dropna(subset="improvement")
        if len(both) >= FEWEST:
            first, second = both["before"], both["after"]
            moments = _short(mean_before=first.mean(), mean_after=second.mean(), sd_before=first.std(),
                             sd_after=second.std(), correlation=first.corr(second))  # fmt: skip
            weeks = {"weeks": round(audit.rule.days / 7, 1)} if audit.rule.days else {}
            programme[key] = {"name": audit.programme, **weeks, **moments, "n": len(both)}
    return {"measures": measures, "programme": programme}


def _short(**numbers: float) -> dict[str, float]:
    """Return the numbers that are known, rounded to some significant digits."""
    return {name: float(f"{value:.{DIGITS}g}") for name, value in numbers.items() if value == value}


def missing_words(audit: Any) -> tuple[str, ...]:
    """Say of each test what could not be estimated, and why, and whether its first scores look cut."""
    found = []
    for key in audit.measures:
        numbers = [one for one in (audit.known[key].sem, audit.known[key].mcid) if isinstance(one, Refused)]
        texts = [f"no {one.part}. {one.reason}" for one in numbers]
        texts += [text for text in audit.regression[key].cautions if text.startswith(EDGE)]
        found += [f"{measure_of(key).name}: {text}" for text in texts]
    return tuple(found)


KEYS = ("sem", "sem_df", "mcid", "practice", "entry")
COLUMNS = ["quantity", "estimate", "low", "high", "df", "unit", "method", "origin"]
FEWEST_RATINGS = 10
WORDS = wordings(__file__)["known"]


def known_of(
    measure: str, pairs: pd.DataFrame, *, thresholds: Mapping[str, Mapping[str, Any]], retest: pd.DataFrame | None,
    anchor: str | None, trials: str, **drawn: Any,
) -> Part:  # fmt: skip
    """Collect SEM, MCID and practice gain of a test: what was stated first, then what own data give.

    Parameters
    ----------
    measure : str
        Key of the test.
    pairs : DataFrame
        Usable pairs: before, after, improvement, and `anchor`'s column if there are ratings.
    thresholds : mapping
        Key of the test: ``sem``, ``sem_df``, ``mcid``, ``practice``, ``entry``.
    retest : DataFrame or None
        Assessments of a retest study of unchanged people.
    anchor : str or None
        Column of the ratings in `pairs`.
    trials : str
        How several trials of one occasion become one score; the last by default.
    **drawn
        ``n_boot``, ``seed``, ``confidence`` for the MCID's interval; ``entry``, the rule they were taken in by.

    Returns
    -------
    Part
        ``sem`` (Estimate of one score, or refused), ``mdc`` (``1.96 √2 SEM``, or None), ``mcid`` (Threshold, or
        refused), ``practice`` (gain of unchanged people from repeating the test, positive = better, or None),
        ``retest_gains`` (improvements of unchanged people tested twice, or None).

    Raises
    ------
    ChoiceError
        A threshold has an unknown name.
    """
    stated, test = dict(thresholds.get(measure, {})), measure_of(measure)
    if strange := sorted(set(stated) - set(KEYS)):
        raise ChoiceError(f"thresholds[{measure!r}] has {listed(strange)}; choose from {', '.join(KEYS)}.")
    notes: list[str] = []
    sem, practice, gains = _from_retest(measure, retest, trials, drawn["confidence"])
    if "sem" in stated:
        sem = _stated_sem(stated["sem"], stated.get("sem_df"), test.unit, trials, notes)
    elif isinstance(sem, Refused):
        sem = Refused("SEM", f"{sem.reason} Give a retest study, or thresholds={{{measure!r}: {{'sem': ...}}}}.")
    else:
        notes += [WORDS["last"].format(trials=sem.origin.trials)] * (trials == "refuse" and sem.origin.trials > 1)
    sem = held_against_own_people("SEM", sem, pairs, test.unit, notes)
    if (gain := stated.get("practice")) is not None:
        stranger = Estimate(value=float(gain), unit=test.unit, origin=Origin.stated())
        practice = gain if isinstance(gain, Estimate) else stranger
    mcid: Any
    if isinstance(stated.get("mcid"), Refused):
        mcid = stated["mcid"]
    elif "mcid" in stated:
        mcid = person_threshold(stated["mcid"], "mcid", name=f"thresholds[{measure!r}]['mcid']", unit=test.unit)
    else:
        mcid = _from_ratings(pairs, sem, anchor, measure, drawn)
        notes += [WORDS["on_them"]] * isinstance(mcid, Threshold)
    mcid, mdc = held_against_own_people("MCID", mcid, pairs, test.unit, notes), None
    if not isinstance(sem, Refused):
        wide = sem.scaled(float(ndtri(0.975)) * sqrt(2))
        names = ("value", "low", "high", "confidence", "unit", "n", "df", "origin")
        same: dict[str, Any] = {name: getattr(wide, name) for name in names}
        mdc = Threshold(**same, kind="mdc", method="1.96 √2 SEM")
    rows, says = [], []
    numbers: dict[str, Any] = {"SEM": sem, "MDC95": mdc, "MCID": mcid, "practice gain": practice}
    for name, one in numbers.items():
        refused = isinstance(one, Refused)
        if one is not None:
            rows.append({"quantity": name} | ({"origin": f"not known: {one.reason}"} if refused else one.row()))
        if name in ("SEM", "MCID"):
            says.append(f"{name}: not known. {one.reason}" if refused else f"{name} {one}, {one.origin.sentence()}.")
    facts = {"sem": sem, "mdc": mdc, "mcid": mcid, "practice": practice, "retest_gains": gains}
    return Part(facts, pd.DataFrame(rows).reindex(columns=COLUMNS), tuple(says), tuple(notes))


def held_against_own_people(name: str, number: Any, pairs: pd.DataFrame, unit: str, notes: list[str]) -> Any:
    """Check whether a published SEM or MCID fits these people (transport); others pass without a word.

    Parameters
    ----------
    name : str
        What it is, such as ``"SEM"``.
    number : Estimate or Refused
        The number with its origin.
    pairs : DataFrame
        Usable pairs with ``before``, and where known ``before_date`` and ``after_date``.
    unit : str
        Unit of the scores.
    notes : list of str
        Takes the caution, where one is needed.

    Returns
    -------
    Estimate or Refused
        The number, or why it may not be used here.
    """
    if isinstance(number, Refused) or number.origin.kind != "published":
        return number
    baseline = pairs["before"].to_numpy(float) if len(pairs) > 1 else None
    found = transport_check(number, baseline, interval=time_between(pairs), unit=unit)
    where = f"{name} from {number.origin.sentence()}"
    reasons = found.findings.loc[found.findings["finding"] == found.verdict, "reason"]
    said = " ".join(dict.fromkeys(reason for reason in reasons if reason))
    if found.verdict == "do not use":
        return Refused(name, f"{where}: do not use it here. {said}")
    notes.append(f"{where}: {found.verdict} for these people. {said}".strip())
    return number


def _stated_sem(given: Any, df: float | None, unit: str, trials: str, notes: list[str]) -> "Estimate | Refused":
    """Read the SEM that was stated and hold the trials it averages against those that make a score here."""
    read = read_sem(given, df, unit=unit)
    made = read.estimate.origin
    if made.score and trials not in ("refuse", made.rule or "mean"):
        why = f"It is that of the {made.score}, but here the {trials} {'' if trials == 'mean' else 'one '}counts"
        return Refused("SEM", f"{why}. Give trials={made.rule or 'mean'!r}, or a retest study: this rule is then used.")
    notes += [WORDS["of_others"].format(trials=trials)] * (trials in ("mean", "best") and made.trials in (None, 1))
    notes += read.cautions
    return read.estimate


def _from_retest(measure: str, retest: pd.DataFrame | None, trials: str, confidence: float) -> tuple[Any, Any, Any]:
    """Return the SEM between occasions from one score a person and occasion, their shift (practice), and the gains."""
    if retest is None:
        return Refused("SEM", "No standard error of measurement was given for this test."), None, None
    test, rows = measure_of(measure), retest[retest["measure"] == measure]
    if "result" in rows:
        rows = rows[rows["result"].fillna("measured") == "measured"]
    if rows.empty:
        return Refused("SEM", "The retest study does not contain this test."), None, None
    order = ["person", "occasion", *(name for name in ("date", "trial") if name in rows)]
    rows = rows.assign(occasion=_in_time(rows)).sort_values(order)
    groups = rows.groupby(["person", "occasion"], as_index=False)
    rule = {"best": "max" if test.sign > 0 else "min", "refuse": "last"}.get(trials, trials)
    apart = ""
    if "date" in rows:
        dates = rows.groupby("person")["date"].agg(before_date="min", after_date="max")
        apart = time_between(dates[dates["before_date"] < dates["after_date"]])
    try:
        found = measurement_error(
            pd.DataFrame(groups["value"].agg(rule)), person="person", trial="occasion", value="value", interval=apart,
            error="consistency", missing="leave out", unit=test.unit, confidence=confidence,
        )  # fmt: skip
    except OutcomeError as problem:
        return Refused("SEM", f"The retest study cannot give it: {problem}"), None, None
    shift, made = found.learning, int(groups.size()["size"].min())
    origin = replace(found.sem.origin, trials=made, rule=trials.replace("refuse", "last"))
    low, high = sorted((test.sign * shift.low, test.sign * shift.high))
    practice = replace(shift, value=test.sign * shift.value, low=low, high=high)
    gains = test.sign * (found.scores[:, 1] - found.scores[:, 0])
    return replace(found.sem_consistency, origin=origin), practice, gains


def _in_time(rows: pd.DataFrame) -> "pd.Series[int]":
    """Return the occasions numbered in order of time (of their names, where no dates are known)."""
    dates = rows.groupby("occasion")["date"].min() if "date" in rows else pd.Series(dtype=object)
    names = list(dates.sort_values().index) if len(dates) and dates.notna().all() else sorted(rows["occasion"].unique())
    return rows["occasion"].map({name: at for at, name in enumerate(names, start=1)})


def _from_ratings(
    pairs: pd.DataFrame, sem: Any, anchor: str | None, measure: str, drawn: Mapping[str, Any]
) -> "Threshold | Refused":
    """Estimate the MCID from the people's ratings, unless there are few or its own checks say not to lean on it."""
    from truechange.meaningful_change.study import mcid_value

    cure, test = f"Give thresholds={{{measure!r}: {{'mcid': ...}}}} with its source.", measure_of(measure)
    if anchor is None or anchor not in pairs or pairs[anchor].notna().sum() < FEWEST_RATINGS:
        return Refused("MCID", f"No MCID was given and there are no ratings to estimate one from. {cure}")
    rated, error = pairs[pairs[anchor].notna()], None if isinstance(sem, Refused) else sem
    try:
        scores = {name: rated[name].to_numpy(float) for name in ("improvement", "before", "after")}
        about: Any = {"unit": test.unit, "resolution": test.resolution, **drawn}
        recommended, refused = mcid_value({"anchor": rated[anchor].to_numpy(float), **scores}, sem=error, **about)
    except OutcomeError as problem:
        return Refused("MCID", f"The ratings do not give one: {problem} {cure}")
    return undoubted(recommended, refused, cure)


def undoubted(recommended: Threshold | None, refused: str, cure: str = "") -> Threshold | Refused:
    """Return the MCID that ratings gave, refused where it is doubted: nobody is counted with it."""
    if recommended is None:
        return Refused("MCID", f"The ratings do not give one: {refused}. {cure}".rstrip())
    doubts = "; ".join(doubt.rstrip(".") for doubt in recommended.doubts)
    return Refused("MCID", f"The ratings give {recommended}, but {doubts}. {cure}".rstrip()) if doubts else recommended


MEANINGS = {
    "counted": "improved by at least the MCID",
    "beyond_error": "improved beyond measurement error (MDC95)",
    "from_error": "expected from measurement error alone",
    "true_share": "true change above the MCID",
}
COUNTED = ["quantity", "threshold", "people", "of", "share", "low", "high", "note"]


def changed_enough(
    improvement: Any, known: Part, resolution: float, confidence: float, *, before: Any = None,
    entry: Entry | None = None, seed: int = 0,
) -> Part:  # fmt: skip
    """Count and estimate responders of one test, never without what error alone would give.

    Parameters
    ----------
    improvement : array-like, shape (n,)
        One entry a person due; NaN without a usable follow-up.
    known : Part
        SEM and MCID, or why there are none (:func:`known_of`).
    resolution : float
        Step in which the test is scored.
    confidence : float
        Level of the intervals.
    before, entry, seed : array-like, Entry, int, optional
        First scores of the same people and the rule by which they were taken in, for the true share.

    Returns
    -------
    Part
        Results, or refused: ``counted`` (improved by at least the MCID, of those due), ``beyond_error`` (by at least
        the MDC95), ``from_error`` (expected to reach the MCID, or without one the MDC95, by error alone),
        ``true_share`` (true change above the MCID), ``worse`` (expected to get worse by the MDC95),
        ``curve`` (share that improved by at least x, for every x);
        ``refused`` (those that could not be computed).
    """
    values, mcid, sem, mdc = np.asarray(improvement, dtype=float), known.mcid, known.sem, known.mdc
    has_mcid, has_sem = isinstance(mcid, Threshold), isinstance(sem, Estimate)
    found: dict[str, Any] = {
        "counted": _refusal("Responders", mcid), "beyond_error": _refusal("Change beyond error", sem),
        "from_error": _refusal("Expected from error alone", sem),
        "true_share": _refusal("True share", mcid if has_sem else sem),
    }  # fmt: skip
    limits = {"counted": mcid} if has_mcid else {}
    limits |= {"beyond_error": mdc} if has_sem and mdc.value > 0 else {}
    for name, limit in limits.items():
        found[name] = count_responders(values, limit, confidence=confidence, whom="due")
    if has_sem:
        gain = 0.0 if known.practice is None else known.practice.value
        alone: dict[str, Any] = {"sem": sem, "n": int(np.isfinite(values).sum()), "resolution": resolution,
                                 "confidence": confidence}  # fmt: skip
        found["from_error"] = responders_from_error(
            mcid if has_mcid else mdc, practice=gain, retest=known.retest_gains, **alone
        )
        if "beyond_error" in limits:
            found["worse"] = responders_from_error(mdc, practice=-gain, **alone)
    if has_sem and has_mcid:
        about: dict[str, Any] = {"confidence": confidence, "before": before, "entry": entry, "seed": seed}
        found["true_share"] = attempt(lambda: true_responder_share(values, sem=sem, mcid=mcid, **about), "True share")
    smooth: dict[str, Any] = {"sem": sem if has_sem and entry is None else None, "confidence": confidence}
    found["curve"] = attempt(
        lambda: cumulative_change(values, thresholds=tuple(limits.values()), whom="due", **smooth), "Cumulative curve"
    )
    parts, shown = tuple(found.values()), [(words, found[name]) for name, words in MEANINGS.items()]
    frame = pd.DataFrame([{"quantity": words, **_row(part)} for words, part in shown]).reindex(columns=COUNTED)
    refused = tuple(part for part in parts if isinstance(part, Refused))
    shares = {words: share_of(part) for words, part in shown if part not in refused}
    cautions = gathered((*worded(WORDS, {}, no_curve=entry), *got_worse(found)[1:]), *parts)
    return Spoken({**found, "refused": refused}, frame, _says(found), cautions, sources_of(*parts),
                  draw=partial(_draw, shares), height=0.9 + 0.34 * len(shares))  # fmt: skip


def _refusal(part: str, missing: Any) -> Refused:
    return Refused(part, missing.reason if isinstance(missing, Refused) else "Nothing to hold the change against.")


def share_of(part: Any) -> Estimate:
    """Return the share a part stands for, with its interval."""
    return part.share() if isinstance(part, Responders) else part.share if isinstance(part, ErrorOnly) else part


def _row(part: Any) -> dict[str, Any]:
    """Return one row of the table: how many, of how many of whom, as a share."""
    if isinstance(part, Refused):
        return {"note": part.reason}
    share, counted = share_of(part), isinstance(part, Responders)
    whom = "of those due" if counted else f"of those measured{' twice' * isinstance(part, ErrorOnly)}"
    row = {} if share is part else {"threshold": part.threshold.value}
    people = part.rows["changed_enough"].iloc[0] if counted else share.value * (share.n or 0)
    return row | {"people": people, "of": share.n, "share": share.value, "low": share.low, "high": share.high,
                  "note": whom}  # fmt: skip


def _says(found: dict[str, Any]) -> tuple[str, ...]:
    """Say the counted share, what error alone gives, and the true share; each reason for a refusal once."""
    counted, beyond, from_error, true = (found[name] for name in MEANINGS)
    says: dict[str, str] = {}
    for part in (counted, beyond, from_error, true) if isinstance(counted, Refused) else (counted, from_error, true):
        whole = " ".join(part.sentences()) if part is from_error else part.sentence()
        says.setdefault(part.reason if isinstance(part, Refused) else whole, whole)
    return (*says.values(), *got_worse(found)[:1])


def got_worse(found: Mapping[str, Any]) -> tuple[str, ...]:
    """Say how many got worse by the MDC and would by error alone (or by the MCID); then, if those are many, so."""
    unknown = isinstance(found.get("from_error"), Refused)
    alone, counted = found.get("worse"), found.get("counted" if unknown else "beyond_error")
    if not isinstance(counted, Responders):
        return ()
    k, n = (int(counted.rows[name].iloc[0]) for name in ("worse_enough", "measured"))
    limit = alone.threshold.shown(alone.resolution) if alone else f"at least {size_of(counted.threshold)}"
    filled = {"fell": FEW if few(k) else k, "n": n, "limit": limit, "expected": alone and fixed(alone.expected, 1)}
    many = alone.tail(k) < 0.025 if alone else counted.net().high < 0
    return worded(WORDS, filled, got_worse=alone, many_worse=alone and many, fell=not alone, more=not alone and many)


def _draw(shown: dict[str, Estimate], ax: Any) -> Any:
    """Draw counted, expected from error, and true share as rows on one axis."""
    ax = drawing.interval_rows(list(shown), list(shown.values()), ax=ax, strong=(0,))
    ax.set_xlim(0, 1)
    drawing.percent_axis(ax)
    ax.set_xlabel("share of people")
    return ax
