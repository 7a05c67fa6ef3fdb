"""What an audit was told of error and important change: own, published or foreign numbers, each with its source."""

from collections.abc import Mapping
from dataclasses import replace
from math import sqrt
from typing import Any

import pandas as pd
from scipy.special import ndtri

from truechange.foundation.errors import ChoiceError, OutcomeError, listed
from truechange.foundation.estimate import Estimate, Origin, Threshold, person_threshold, read_sem
from truechange.foundation.result import Part
from truechange.measures import measure as measure_of
from truechange.numerics.true_change import EDGE
from truechange.programme.audit_result import ProgrammeAudit
from truechange.programme.parts import Refused
from truechange.records.pairing import time_between
from truechange.reliability import measurement_error, transport_check

FEWEST = 15  # people measured twice from whom a programme's spread is worth keeping; as for one person's comparison
DIGITS = 4


def own_numbers(audit: ProgrammeAudit) -> dict[str, dict[str, Any]]:
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
            about |= {"sem": _short(known.sem.value), "sem_people": known.sem.n}
            about |= {"sem_df": _short(known.sem.df)} if known.sem.df else {}
        if known.practice is not None:
            about |= {"practice": _short(known.practice.value)}
        if isinstance(known.mcid, Threshold):
            about["mcid"] = _kept({"value": known.mcid.value, "low": known.mcid.low, "high": known.mcid.high})
            about["mcid"] |= {"n": known.mcid.n} if known.mcid.n else {}
            about["mcid"] |= {"source": known.mcid.origin.sentence()}
        rows = audit.protocols[key].table().to_dict("records")
        facts = {row["fact"]: row["usual"] for row in rows if row.get("usual")}
        about |= {"protocol": facts} if facts else {}
        if about:
            measures[key] = about
        frame = audit.pairs[key]
        both = frame[frame["improvement"].notna()]
        if len(both) >= FEWEST:
            first, second = both["before"], both["after"]
            moments = {"mean_before": first.mean(), "mean_after": second.mean(), "sd_before": first.std(),
                       "sd_after": second.std(), "correlation": first.corr(second)}  # fmt: skip
            weeks = {"weeks": round(audit.rule.days / 7, 1)} if audit.rule.days else {}
            programme[key] = {"name": audit.programme, **weeks, **_kept(moments), "n": len(both)}
    return {"measures": measures, "programme": programme}


def missing_words(audit: ProgrammeAudit) -> tuple[str, ...]:
    """Say of each test what could not be estimated, and why, and whether its first scores look cut."""
    found = []
    for key in audit.measures:
        known: Any = audit.known[key]
        found += [f"{measure_of(key).name}: no {one.part}. {one.reason}" for one in (known.sem, known.mcid)
                  if not isinstance(one, Estimate)]  # fmt: skip
        start = audit.regression[key]
        found += [f"{measure_of(key).name}: {text}" for text in start.cautions if text.startswith(EDGE)]
    return tuple(found)


def _kept(numbers: dict[str, float]) -> dict[str, float]:
    return {name: _short(value) for name, value in numbers.items() if value == value}


def _short(value: float) -> float:
    return float(f"{value:.{DIGITS}g}")


KEYS = ("sem", "sem_df", "mcid", "practice", "entry")
COLUMNS = ["quantity", "estimate", "low", "high", "df", "unit", "method", "origin"]
FEWEST_RATINGS = 10
ON_THEM = "The MCID was estimated from the ratings of the same people it is used on."
OF_OTHERS = "Each score is the {} of a visit's trials; the SEM given is not known to be of such scores."
LAST = "The retest study has {} trials a visit, these people one score: the last trial of each retest visit was used."


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
    own: Any = None if retest is None else _from_retest(measure, retest, trials, drawn["confidence"])
    sem: Any
    if "sem" in stated:
        sem = _stated_sem(stated["sem"], stated.get("sem_df"), test.unit, trials, notes)
    elif own is None or isinstance(own, Refused):
        why = own.reason if own else "No standard error of measurement was given for this test."
        sem = Refused("SEM", f"{why} Give a retest study, or thresholds={{{measure!r}: {{'sem': ...}}}}.")
    else:
        sem = own["sem"]
        notes += [LAST.format(sem.origin.trials)] * (trials == "refuse" and sem.origin.trials > 1)
    sem = held_against_own_people("SEM", sem, pairs, test.unit, notes)
    from_retest = {} if own is None or isinstance(own, Refused) else own
    practice = from_retest.get("practice")
    if stated.get("practice") is not None:
        gain = stated["practice"]
        known = isinstance(gain, Estimate)
        practice = gain if known else Estimate(value=float(gain), unit=test.unit, origin=Origin.stated())
    mcid: Any
    if "mcid" in stated:
        mcid = person_threshold(stated["mcid"], "mcid", name=f"thresholds[{measure!r}]['mcid']", unit=test.unit)
    else:
        mcid = _from_ratings(pairs, sem, anchor, measure, drawn)
        notes += [ON_THEM] * isinstance(mcid, Threshold)
    mcid = held_against_own_people("MCID", mcid, pairs, test.unit, notes)
    return _told(sem, mcid, practice, from_retest.get("gains"), tuple(notes))


def _told(sem: Any, mcid: Any, practice: Estimate | None, gains: Any, cautions: tuple[str, ...]) -> Part:
    """Return what is known with its table, and each quantity with where it comes from in words."""
    mdc = None
    if not isinstance(sem, Refused):
        wide = sem.scaled(float(ndtri(0.975)) * sqrt(2))
        mdc = Threshold(
            value=wide.value, low=wide.low, high=wide.high, confidence=wide.confidence, unit=wide.unit, n=wide.n,
            df=wide.df, origin=wide.origin, kind="mdc", method="1.96 √2 SEM",
        )  # fmt: skip
    rows: list[dict[str, Any]] = [
        {"quantity": name, "origin": f"not known: {one.reason}"}
        if isinstance(one, Refused)
        else {"quantity": name, **one.row()}
        for name, one in (("SEM", sem), ("MDC95", mdc), ("MCID", mcid), ("practice gain", practice))
        if one is not None
    ]
    says = tuple(
        f"{name}: not known. {one.reason}" if isinstance(one, Refused) else f"{name} {one}, {one.origin.sentence()}."
        for name, one in (("SEM", sem), ("MCID", mcid))
    )
    facts = {"sem": sem, "mdc": mdc, "mcid": mcid, "practice": practice, "retest_gains": gains}
    return Part(facts, pd.DataFrame(rows).reindex(columns=COLUMNS), says, cautions)


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
    notes += [OF_OTHERS.format(trials)] * (trials in ("mean", "best") and made.trials in (None, 1))
    notes += read.cautions
    return read.estimate


def _from_retest(measure: str, retest: pd.DataFrame, trials: str, confidence: float) -> "dict[str, Any] | Refused":
    """Estimate the SEM between occasions from one score a person and occasion; the shift between them is practice."""
    test, rows = measure_of(measure), retest[retest["measure"] == measure]
    if "result" in rows:
        rows = rows[rows["result"].fillna("measured") == "measured"]
    if rows.empty:
        return Refused("SEM", "The retest study does not contain this test.")
    order = [name for name in ("date", "trial") if name in rows]
    rows = rows.assign(occasion=_in_time(rows))
    groups = rows.sort_values(["person", "occasion", *order]).groupby(["person", "occasion"], as_index=False)
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
        return Refused("SEM", f"The retest study cannot give it: {problem}")
    shift, made = found.learning, int(groups.size()["size"].min())
    sem = replace(
        found.sem_consistency, origin=replace(found.sem.origin, trials=made, rule=trials.replace("refuse", "last"))
    )
    low, high = sorted((test.sign * shift.low, test.sign * shift.high))
    return {"sem": sem, "practice": replace(shift, value=test.sign * shift.value, low=low, high=high),
            "gains": test.sign * (found.scores[:, 1] - found.scores[:, 0])}  # fmt: skip


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
    rated = pairs[pairs[anchor].notna()]
    try:
        scores = {name: rated[name].to_numpy(float) for name in ("improvement", "before", "after")}
        recommended, refused = mcid_value(
            {"anchor": rated[anchor].to_numpy(float), **scores}, sem=None if isinstance(sem, Refused) else sem,
            unit=test.unit, resolution=test.resolution, **drawn,
        )  # fmt: skip
    except OutcomeError as problem:
        return Refused("MCID", f"The ratings do not give one: {problem} {cure}")
    if recommended is None:
        return Refused("MCID", f"The ratings do not give one: {refused}. {cure}")
    if recommended.doubts:
        doubts = "; ".join(doubt.rstrip(".") for doubt in recommended.doubts)
        return Refused("MCID", f"The ratings give {recommended}, but {doubts}. {cure}")
    return replace(recommended, unit=recommended.unit or test.unit)
