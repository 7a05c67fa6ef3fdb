"""Audit of a programme: what was asked for is checked, every part computed; and its worklist, which stays inside."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from functools import partial
from types import SimpleNamespace
from typing import Any

import pandas as pd

from truechange.foundation.entry import Entry
from truechange.foundation.errors import (
    ChoiceError,
    DataError,
    RefusedError,
    check_choice,
    check_confidence,
    check_kind,
    listed,
)
from truechange.foundation.estimate import Threshold
from truechange.foundation.numbers import decimals_of, fixed, percent
from truechange.foundation.result import ByMeasure, Part, attempt, told, worded, wordings
from truechange.measures.catalogue import OWN
from truechange.measures.catalogue import measure as measure_of
from truechange.programme.audit_result import BY_TEST, ProgrammeAudit, Settled, training, units
from truechange.programme.flow import (
    DOOR,
    NO_FIRST,
    NOT_YET,
    UNABLE,
    UNLIKE,
    UNTESTED,
    a_day,
    baseline_table,
    due_rule,
    quality_of,
    start_of,
    with_states,
)
from truechange.programme.known import known_of
from truechange.programme.periods import EVERY, standards
from truechange.records.reading import records_of
from truechange.records.rules import known_word
from truechange.responders.counting import Responders

NO_SUBGROUP = ("person", "programme", "therapist", "stop_reason", "source_row")  # they say who, or are free text
EVER = ("1900-01-01", "2200-01-01")  # days before and after any programme
WORDS = wordings(__file__)["audit"]
WAITING = ("waiting list", "wait list", "waitlist", "usual care", "control", "no programme")


def audit(
    records: Any, before: str = "baseline", after: str = "discharge", measures: Sequence[str] | None = None, *,
    primary: str | None = None, programme: str | None = None, compare: str | None = None,
    thresholds: Mapping[str, Mapping[str, Any]] | None = None, retest: Any = None, anchor: str | None = "rating",
    entry: Mapping[str, Mapping[str, float] | Entry] | None = None, subgroups: Sequence[str] = (),
    trials: str = "refuse", as_of: str | None = None, weeks: float | None = None,
    started: tuple[str | None, str | None] = (None, None), every: str = "quarter", saved: pd.DataFrame | None = None,
    targets: Mapping[str, float] | None = None, n_boot: int = 2000, seed: int = 0, label_seed: int | None = None,
    confidence: float = 0.95, on_step: Callable[[str], None] | None = None,
) -> ProgrammeAudit:  # fmt: skip
    """Audit a programme: who was tested, who changed, by how much, and what that can and cannot show.

    Parameters
    ----------
    records : Records, DataFrame, mapping of DataFrame, str or Path
        From :func:`truechange.read`, or what it reads.
    before, after : str, optional
        Occasions compared.
    measures : sequence of str, optional
        Keys of the tests; all tests with both occasions by default.
    primary : str, optional
        Key of the test stated beforehand as the one that counts. Without it the first of `measures` is taken, and
        the result says so.
    programme : str, optional
        Which programme to audit; needed when the records hold several.
    compare : str, optional
        Programme of the comparison group; a waiting list or usual care is recognised by its name.
    thresholds : mapping, optional
        Key of the test: ``{"sem": Estimate or float, "sem_df": float, "mcid": Threshold or float, "practice": ...}``.
    retest : DataFrame, Records, mapping of DataFrame, str or Path, optional
        Assessments of a retest study of unchanged people (person, occasion, measure, value, trial); gives SEM,
        practice gain and the empirical error share. A frame is taken as it is, anything else is read first.
    anchor : str or None, optional
        Column of the ratings from which an MCID is estimated where none was given; None for never.
    entry : mapping, optional
        Key of the test: an :class:`Entry`, or ``{"cut": ..., "mean": ..., "sd": ..., "n": ...}``, when people were
        taken in for a score at `cut` or worse; mean, SD and number of everyone screened where they are known. Mean
        improvement, true share and an MCID from ratings are then free of what that does by itself.
    subgroups : sequence of str, optional
        Facts in the people table, named beforehand, by which the difference from the comparison group may differ.
    trials : {"refuse", "mean", "best", "first", "last"}, optional
        How several trials of one visit become one score, in the records and in the retest study.
    as_of : str, optional
        Day of the count as ``YYYY-MM-DD``; the latest date in the records by default. People whose follow-up lies
        ahead of it are not yet due: shown, and in no denominator.
    weeks : float, optional
        Weeks from start to follow-up; by default the time by which nine in ten of those tested had been tested.
    started : tuple of str, optional
        First and last day (``YYYY-MM-DD``, or None for open) on which the people audited started; by default everyone.
        The trend is always of everyone.
    every : {"quarter", "month", "year"}, optional
        Periods of the trend.
    saved : DataFrame, optional
        Counts that earlier audits kept, for periods these records no longer hold
        (:func:`truechange.programme.periods.saved_rows`).
    targets : mapping of str to float, optional
        Shares aimed at, of ``tested``, ``same_way``, ``changed_enough`` (:mod:`truechange.programme.periods`).
    n_boot, seed : int, optional
        For every resampled interval.
    label_seed : int, optional
        Of the numbers that stand for therapists; by default they are others each time, so that two reports cannot be
        linked.
    confidence : float, optional
        Level of every interval.
    on_step : callable, optional
        Called with the name of each part before it is computed.

    Returns
    -------
    ProgrammeAudit
        Parts that cannot be computed honestly are there, as :class:`Refused`, with the reason.

    Raises
    ------
    ChoiceError
        A test, occasion or programme is not in the records, several programmes and none was chosen, or a programme
        compared with itself.
    DataError
        Nobody started, or nobody was tested at both occasions.
    """
    asked = SimpleNamespace(**locals())  # the arguments, by their names
    check_confidence(confidence)
    check_choice("every", every, tuple(EVERY))
    tell = on_step or (lambda _: None)
    tell("people and pairs")
    asked.records, asked.drawn = records_of(records), {"n_boot": n_boot, "seed": seed, "confidence": confidence}
    asked.thresholds, asked.entry, (asked.retest, lost) = thresholds or {}, entry or {}, _retest(retest)
    study, notes = _settle(asked, tell)
    keys, names = tuple(study.names), study.names
    parts: dict[str, Any] = {}
    for field, (name, work) in BY_TEST.items():
        tell(name)
        parts[field] = ByMeasure({key: attempt(partial(work, study, key), name) for key in keys}, names)
    first, whole = keys[0], {key: pd.concat([study.pairs[key], study.others[key]]) for key in keys}
    starts = {names[key]: frame.set_index("person")["before"] for key, frame in whole.items()}
    counted = getattr(parts["responders"].parts[first], "counted", None)
    enough = int(counted.rows["changed_enough"].iloc[0]) if isinstance(counted, Responders) else None
    return ProgrammeAudit(
        programme=study.programme, compare=study.compare, before=study.occasions[0], after=study.occasions[1],
        primary=first, measures=keys, people=study.people, pairs=study.pairs, rule=study.rule, **parts,
        known=ByMeasure(study.known, names), quality=quality_of(asked.records),
        baseline=baseline_table(whole[first][study.people.columns].reset_index(drop=True), starts),
        dose=attempt(partial(training, study, first), "dose"),
        sites=attempt(partial(units, study, first, "site"), "sites"),
        therapists=attempt(partial(units, study, first, "therapist"), "therapists"),
        standards=standards(study.due(first), enough, targets or {}, confidence),
        seed=seed, confidence=confidence, period=period_words(started),
        notes=(*lost, *notes, *look_caution(keys, confidence)),
    )  # fmt: skip


def look_caution(measures: Sequence[str], confidence: float) -> tuple[str, ...]:
    """Say how many tests were looked at, and what that does to a chance finding; nothing for one test."""
    filled = {"tests": len(measures), "chance": percent(1 - confidence ** len(measures))}
    return worded(WORDS, filled, looked=len(measures) > 1)


def _retest(given: Any) -> tuple[pd.DataFrame | None, tuple[str, ...]]:
    """Return the scores of the retest study, and what to say of rows that the door kept out."""
    if "source_row" in getattr(given, "columns", ()):  # they came through the door already
        return given, ()
    read = None if given is None else records_of(given)
    gone = 0 if read is None else read.ledger.rows_read - read.ledger.rows_used
    return getattr(read, "assessments", None), told({f"Rows of the retest study that were set aside: {gone}.": gone})


def _settle(asked: Any, tell: Callable[[str], None]) -> tuple[Settled, list[str]]:
    """Check what was asked for, choose the people, pair the scores, collect errors and thresholds."""
    records, started = asked.records, asked.started
    before, after = occasions = records.visit(asked.before), records.visit(asked.after)
    records.refuse_unmapped(before, after)
    keys, notes = _measures(records, occasions, asked.measures, asked.primary)
    for name, given in (("thresholds", asked.thresholds), ("entry", asked.entry)):
        if strange := sorted(set(given) - set(keys)):
            raise ChoiceError(f"{name}= names {listed(strange)}, which is not audited; there are {listed(keys)}.")
    rules, everyone = _entries(asked.entry, asked.thresholds), _everyone(records)
    facts = [name for name in everyone.columns if name not in NO_SUBGROUP]
    if unknown := sorted(set(asked.subgroups) - set(facts)):
        raise ChoiceError(
            f"subgroups= names {listed(unknown)}, which is no fact of the people table that may be shown; there are "
            f"{listed(facts)}."
        )
    chosen, other, said, alone = _programmes(everyone, asked.programme, asked.compare)
    groups = [everyone[everyone["programme"] == name].reset_index(drop=True) for name in (chosen, other)]
    frames = {key: records.pairs(key, before=before, after=after, trials=asked.trials).frame for key in keys}
    scores = [{key: _of_everyone(group, frame) for key, frame in frames.items()} for group in groups]
    rule, seen = due_rule(records, scores[0].values(), asked.as_of, asked.weeks), _seen(records, after)
    ours, theirs = (
        {key: with_states(frame, _door(records, key, occasions, frame, seen), rule, seen) for key, frame in one.items()}
        for one in scores
    )
    window, about = _window(records, everyone, before, started)
    pairs, others = ({key: _those(frame, window) for key, frame in one.items()} for one in (ours, theirs))
    people = _those(groups[0], window)
    if people.empty:
        raise DataError(f"Nobody of {chosen} {period_words(started)}.")
    log = records.sessions
    if log is None or log.empty:
        log = pd.DataFrame(columns=["person", "date"])
    log = log[log["person"].isin(set(people["person"]))]
    tell("errors and thresholds")
    known = {
        key: known_of(
            key, pairs[key][pairs[key]["improvement"].notna()], thresholds=asked.thresholds, retest=asked.retest,
            anchor=asked.anchor, trials=asked.trials, entry=rules.get(key), **asked.drawn,
        )
        for key in keys
    }  # fmt: skip
    names = {key: measure_of(key).name for key in keys}
    study = Settled(asked, occasions, names, chosen, other, alone, people, pairs, ours, others, rule, known, log, rules)
    late = any((frame["after_date"] > rule.as_of).any() for frame in pairs.values()) if rule.as_of else False
    return study, [*notes, *about, *said, *worded(WORDS, {"day": str(rule.as_of)[:10]}, late=late)]


def _those(frame: pd.DataFrame, people: set[str]) -> pd.DataFrame:
    return frame[frame["person"].isin(people)].reset_index(drop=True)


def period_words(started: tuple[str | None, str | None]) -> str:
    """Say when the people audited started; nothing for everyone."""
    edges = " ".join(f"{word} {day}" for word, day in zip(("from", "to"), started, strict=True) if day)
    return f"started {edges}" if edges else ""


def _window(
    records: Any, people: pd.DataFrame, before: str, started: tuple[str | None, str | None]
) -> tuple[set[str], list[str]]:
    """Return the people who started in the time asked for, and what to say of the others, each of them counted."""
    if not any(started):
        return set(people["person"]), []
    first, last = (a_day("started", given or end) for given, end in zip(started, EVER, strict=True))
    if first > last:
        raise ChoiceError(f"started={started!r}: the first day lies after the last.")
    tests = records.assessments
    first_test = tests[tests["occasion"] == before].groupby("person")["date"].min()
    begun = people.get("start_date", pd.Series(pd.NaT, index=people.index)).fillna(people["person"].map(first_test))
    inside, undated = begun.between(first, last), int(begun.isna().sum())
    out = len(people) - int(inside.sum()) - undated
    notes = [WORDS["outside"].format(period=period_words(started), out=out)]
    notes += worded(WORDS, {"undated": undated}, undated=undated)
    return set(people.loc[inside, "person"]), notes


def _seen(records: Any, occasion: str) -> set[str]:
    """Return the people who came to a visit, whichever test they did there and whether or not it could be read."""
    tests, aside = records.assessments, records.aside
    came = tests.loc[(tests["occasion"] == occasion) & (tests["result"] != "not_done"), "person"]
    return {*came, *aside.loc[aside["tested"] & (aside["occasion"] == occasion), "person"]}


def _door(records: Any, key: str, occasions: tuple[str, str], people: pd.DataFrame, seen: set[str]) -> dict[str, str]:
    """Return the people whose score is lacking because a row was set aside when the file was read, with the reason.

    A first score that was set aside is told of those who came again; of the others, that they did not.
    """
    aside = records.aside
    if aside.empty:
        return {}
    aside = aside[aside["tested"] & (aside["measure"].isna() | (aside["measure"] == key))]
    first, last = (aside["person"].isin(people.loc[people[name].isna(), "person"]) for name in ("before", "after"))
    was = [(aside["occasion"] == name) | aside["occasion"].isna() for name in occasions]
    here = last & was[1] | first & was[0] & aside["person"].isin(seen)
    return dict(zip(aside.loc[here, "person"], aside.loc[here, "reason"], strict=True))


def _entries(entry: Mapping[str, Any], thresholds: Mapping[str, Mapping[str, Any]]) -> dict[str, Entry]:
    """Return the entry rule of each test that has one: what was given here, else with the thresholds."""
    given, rules = {key: about["entry"] for key, about in thresholds.items() if about.get("entry")} | dict(entry), {}
    for key, rule in given.items():
        test = measure_of(key)
        rules[key] = Entry.read(rule, sign=test.sign, step=test.resolution, name=key)
        if rules[key].second is not None:
            raise ChoiceError(f"entry of {key}: second is for one table of scores; first tc.settle_entry(...).")
        if rules[key].sign != test.sign:
            raise ChoiceError(f"entry of {key}: taken={rules[key].taken!r}, but there the better scores lie.")
    return rules


def _measures(
    records: Any, occasions: tuple[str, str], measures: Any, primary: str | None
) -> tuple[list[str], list[str]]:
    """Return the keys of the tests, the primary one first, and what to say of the choice."""
    measures = [measures] if isinstance(measures, str) else measures
    check_kind("measures", measures, (Iterable, type(None)), "the keys of one or more tests")
    tests = records.assessments
    for occasion in occasions:
        check_choice("occasion", occasion, tuple(sorted(tests["occasion"].dropna().unique())))
    done = [tests[tests["occasion"] == occasion] for occasion in occasions]
    both = sorted(set(done[0]["measure"]) & set(done[1]["measure"]))
    if not both:
        raise DataError(f"No test was done both at {occasions[0]} and at {occasions[1]}.")
    keys = both if measures is None else [getattr(key, "key", key) for key in measures]
    for key in keys:
        check_choice("measures", key, tuple(both))
    notes = [text for key in keys if key in OWN for text in measure_of(key).reading]
    if primary is None:
        counts = done[1].groupby("measure")["person"].nunique()
        primary = keys[0] if measures is not None else max(keys, key=lambda key: (counts[key], -keys.index(key)))
        notes += [WORDS["first"].format(name=measure_of(primary).name)] * (len(keys) > 1)
    check_choice("primary", primary, tuple(keys))
    return [primary, *(key for key in keys if key != primary)], notes


def _everyone(records: Any) -> pd.DataFrame:
    """Return one row a person who started; without a people table, whoever was tested."""
    people = records.people
    if people is None or people.empty:
        people = pd.DataFrame({"person": sorted(records.assessments["person"].unique())})
    if "programme" not in people:
        people = people.assign(programme="programme")
    if "joint" in people:
        people = people.assign(joint=people["joint"].map(lambda word: known_word("joint", word), na_action="ignore"))
    return people.assign(programme=people["programme"].fillna("programme").replace("", "programme"))


def _programmes(people: pd.DataFrame, programme: str | None, compare: str | None) -> tuple[str, str, list[str], str]:
    """Return programme, comparison group ("" if none), what to say of the choice, and why nothing is compared."""
    there, notes, alone = sorted(people["programme"].unique()), [], ""
    for name, given in (("programme", programme), ("compare", compare)):
        if given is not None:
            check_choice(name, given, tuple(there))
    if compare is not None and compare == programme:
        raise ChoiceError(f"compare={compare!r} is the programme itself; name another group, or leave compare= out.")
    waiting = [name for name in there if name.strip().lower() in WAITING and name != programme]
    if compare is None and len(waiting) == 1 and len(there) > 1:
        compare = waiting[0]
        notes.append(WORDS["by_name"].format(compare=compare))
    left = [name for name in there if name != compare]
    if programme is None and len(left) != 1:
        raise ChoiceError(f"The records hold several programmes ({listed(there)}): choose one with programme=.")
    programme = programme or left[0]
    if compare is None:
        rest = [name for name in left if name != programme]
        alone = WORDS["others"].format(others=listed(rest)) if rest else WORDS["alone"]
        notes.append(WORDS["no_cause"].format(alone=alone))
    return programme, compare or "", notes, alone


def of_programme(records: Any, programme: str | None, compare: str | None) -> pd.DataFrame:
    """Return the assessments of the people of the programme that :func:`audit` would audit."""
    people, tests = _everyone(records), records.assessments
    chosen = _programmes(people, programme, compare)[0]
    return tests[tests["person"].isin(people.loc[people["programme"] == chosen, "person"])]


def _of_everyone(people: pd.DataFrame, frame: pd.DataFrame) -> pd.DataFrame:
    """Return one row a person who started, improvement only where the scores may be compared."""
    facts = [name for name in frame.columns if name == "person" or name not in people.columns]
    whole = people.merge(frame[facts], on="person", how="left", validate="one_to_one")
    usable = whole["comparable"].fillna(False).astype(bool)
    why = whole["why_not"].where(whole["before"].notna(), "no score before").fillna("")
    return whole.assign(comparable=usable, why_not=why, improvement=whole["improvement"].where(usable))


WORSE = "worse by more than error allows"
ORDER = ("overdue", UNABLE, WORSE, UNLIKE, DOOR, NO_FIRST, NOT_YET)
ORDERED = ["person", "test", "what", "since", "detail"]
ON_THE_SHEET = {
    "unit": "your label in the report", "due": "people due", "changed_enough": "of them changed enough",
    "share": "share of those due", "low": "its interval from", "high": "to", "outside": "outside the limits for chance",
    "mean": "mean improvement at equal score before", "mean_low": "interval from", "mean_high": "interval to",
    "share_of_everyone": "share of everyone due",
}  # fmt: skip


def worklist(audit: ProgrammeAudit) -> pd.DataFrame:
    """List the people somebody should look at, by their codes.

    Parameters
    ----------
    audit : ProgrammeAudit
        As computed, not as :meth:`~truechange.programme.audit_result.ProgrammeAudit.public` returns it.

    Returns
    -------
    DataFrame
        One row a person, test and matter, the most urgent first: person, test, what ("overdue", "unable at follow-up",
        "worse by more than error allows", "not comparable", ...), since (day the follow-up was or will be due, or was
        done), detail, and therapist where the records name one. It never belongs into a report.

    Raises
    ------
    RefusedError
        The audit is the public one, which holds nobody.
    """
    if audit.published:
        raise RefusedError("A worklist names people by their codes: take it from the audit before it is made public.")
    rows, more = [], ["therapist"] if "therapist" in audit.people else []
    for key in audit.measures:
        test, frame, known = measure_of(key), audit.pairs[key], audit.known.parts[key]
        places, limit = decimals_of(test.resolution), getattr(known, "mdc", None)
        frame = frame.assign(due_on=start_of(frame) + pd.Timedelta(days=audit.rule.days or 0))
        for row in frame.to_dict("records"):
            what, detail = row["state"], row["why"] or row["why_not"]
            ahead = row["due_on"] if audit.rule.days else pd.NaT
            since = row["after_date"] if row["after_date"] == row["after_date"] else ahead
            if isinstance(limit, Threshold) and row["improvement"] <= -limit.value:
                scores = " to ".join(fixed(row[name], places) for name in ("before", "after"))
                what, detail = WORSE, f"{scores} {test.unit}; error allows {fixed(limit.value, places + 1)}"
            what = "overdue" if what == UNTESTED else what
            if what in ORDER:
                about = (row["person"], test.name, what, since, detail)
                rows.append(dict(zip(ORDERED, about, strict=True)) | {name: row.get(name) for name in more})
    people = pd.DataFrame(rows, columns=[*ORDERED, *more])
    return people.sort_values(
        ["what", "since", "person"], key=lambda column: column.map(ORDER.index) if column.name == "what" else column,
        kind="stable", ignore_index=True,
    )  # fmt: skip


def private_sheets(audit: ProgrammeAudit) -> dict[str, dict[str, pd.DataFrame]]:
    """Return a sheet for each therapist: own line beside everyone's, and own people to look at; by the report's label.

    Whose label is whose stands only in ``labels``, which stays with the lead.
    """
    units, everyones = audit.therapists, worklist(audit)
    if not isinstance(units, Part):
        return {}
    labels = dict(zip(units.rows["unit"], units.labels or units.rows["unit"], strict=True))
    sheets = {"labels": {"labels": pd.DataFrame(labels.items(), columns=["label", "therapist"])}}
    hidden = [name for name in units.rows if name.startswith("limit") or name in ("shrunken", "mean_shrunken")]
    for label, name in labels.items():
        own = units.rows[units.rows["unit"] == label].drop(columns=hidden).assign(share_of_everyone=units.overall)
        numbers = own.rename(columns=ON_THE_SHEET).T.reset_index().set_axis(["what", "number"], axis="columns")
        mine = everyones[everyones["therapist"].astype(str) == str(name)].drop(columns="therapist")
        sheets[label] = {"numbers": numbers, "people": mine}
    return sheets
