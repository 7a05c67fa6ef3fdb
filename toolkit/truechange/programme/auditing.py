"""Put the audit of a programme together from a clinic's records."""

from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd

from truechange.foundation.distributions import error_share
from truechange.foundation.errors import (
    ChoiceError,
    DataError,
    OutcomeError,
    check_choice,
    check_confidence,
    check_finite,
    check_kind,
    listed,
)
from truechange.foundation.estimate import Estimate, Threshold
from truechange.foundation.result import Result
from truechange.measures import measure as measure_of
from truechange.programme.audit_result import ProgrammeAudit, look_caution
from truechange.programme.baseline import baseline_table
from truechange.programme.change import paired_change
from truechange.programme.comparison import compare_programmes
from truechange.programme.dose import dose
from truechange.programme.enough import changed_enough
from truechange.programme.flow import flow_of
from truechange.programme.known import Known, known_of
from truechange.programme.missing import missing_follow_up
from truechange.programme.parts import ByMeasure, Refused
from truechange.programme.predictors import predictors_of
from truechange.programme.regression import start_dependence
from truechange.programme.sites import funnel

WAITING = ("waiting list", "wait list", "waitlist", "usual care", "control", "no programme")
NO_THRESHOLD = "No threshold to hold a change against."


def audit(
    records: Any,
    before: str = "baseline",
    after: str = "discharge",
    measures: Sequence[str] | None = None,
    *,
    primary: str | None = None,
    programme: str | None = None,
    compare: str | None = None,
    thresholds: Mapping[str, Mapping[str, Any]] | None = None,
    retest: pd.DataFrame | None = None,
    anchor: str | None = "rating",
    entry: Mapping[str, Mapping[str, float]] | None = None,
    subgroups: Sequence[str] = (),
    trials: str = "refuse",
    n_boot: int = 2000,
    seed: int = 0,
    confidence: float = 0.95,
    on_step: Callable[[str], None] | None = None,
) -> ProgrammeAudit:
    """Audit a programme: who was tested, who changed, by how much, and what that can and cannot show.

    Parameters
    ----------
    records : Records
        From :func:`truechange.read`.
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
    retest : DataFrame, optional
        Assessments of a retest study of unchanged people; gives SEM, practice gain and the empirical error share.
    anchor : str or None, optional
        Column of the ratings from which an MCID is estimated where none was given; None for never.
    entry : mapping, optional
        Key of the test: ``{"cut": ..., "mean": ..., "sd": ...}`` when people were taken in for a score beyond `cut`
        (the worse side), with mean and SD of everyone who could have been; gives the gain expected from that alone.
    subgroups : sequence of str, optional
        Facts in the people table, named beforehand, by which the difference from the comparison group may differ.
    trials : {"refuse", "mean", "best", "first", "last"}, optional
        How several trials of one visit become one score, in the records and in the retest study.
    n_boot, seed : int, optional
        For every resampled interval.
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
        A test, occasion or programme is not in the records, or several programmes and none was chosen.
    DataError
        Nobody started, or nobody was tested at both occasions.
    """
    check_confidence(confidence)
    tell = on_step or (lambda _: None)
    thresholds = thresholds or {}
    if not hasattr(records, "assessments") or not hasattr(records, "pairs"):
        raise DataError(f"audit() needs the records that tc.read(...) returns, got {type(records).__name__}.")
    measures = [measures] if isinstance(measures, str) else measures
    check_kind("measures", measures, (Iterable, type(None)), "the keys of one or more tests")
    tell("people and pairs")
    keys, notes = _measures(records, before, after, measures, primary)
    if strange := sorted(set(thresholds) - set(keys)):
        raise ChoiceError(f"thresholds= names {listed(strange)}, which is not audited; there are {listed(keys)}.")
    _check_entry(entry or {}, keys)
    everyone = _everyone(records)
    if unknown := sorted(set(subgroups) - set(everyone.columns)):
        raise ChoiceError(
            f"subgroups= names {listed(unknown)}, which the people table does not have; there are "
            f"{listed(list(everyone.columns))}."
        )
    chosen, other, said = _programmes(everyone, programme, compare)
    notes += said
    people = everyone[everyone["programme"] == chosen].reset_index(drop=True)
    others = everyone[everyone["programme"] == other].reset_index(drop=True)
    pairs, other_pairs = {}, {}
    for key in keys:
        frame = records.pairs(key, before=before, after=after, trials=trials).frame
        pairs[key], other_pairs[key] = _of_everyone(people, frame), _of_everyone(others, frame)
    names = {key: measure_of(key).name for key in keys}

    def by_measure(work: Callable[[str], Result], part: str) -> ByMeasure:
        tell(part)
        return ByMeasure({key: attempt(lambda: work(key), part) for key in keys}, names)  # noqa: B023

    def known_for(key: str) -> Known:
        return known_of(
            key, pairs[key][pairs[key]["improvement"].notna()], thresholds=thresholds, retest=retest, anchor=anchor,
            trials=trials, n_boot=n_boot, seed=seed, confidence=confidence,
        )  # fmt: skip

    tell("errors and thresholds")
    known = {key: known_for(key) for key in keys}
    held = {key: _held_against(known[key]) for key in keys}

    def change_of(key: str) -> Result:
        frame = pairs[key]
        return paired_change(
            frame["before"], frame["after"], frame["improvement"], started=len(frame), unit=measure_of(key).unit,
            practice=known[key].practice, confidence=confidence,
        )  # fmt: skip

    def missing_of(key: str) -> Result:
        limit = held[key]
        if limit is None:
            return Refused("Missing follow-up", NO_THRESHOLD)
        frame, test, facts = pairs[key], measure_of(key), known[key]
        gain = facts.practice.value if facts.practice is not None else 0.0
        sem = facts.sem.value if isinstance(facts.sem, Estimate) else 0.0
        alone = error_share(limit, sem, gain, test.resolution)
        facts_of_all = predictors_of(frame, _visits(records, key, before, after), log)
        return missing_follow_up(
            frame["improvement"].to_numpy(float), limit, facts_of_all, resolution=test.resolution, no_change=gain,
            unable=frame["why_not"].str.startswith("unable").to_numpy(), error_share=alone,
            unit=test.unit, seed=seed, confidence=confidence,
        )  # fmt: skip

    def comparison_of(key: str) -> Result:
        if not other:
            return Refused("Comparison", "The records hold no comparison group; nothing here shows cause.")
        return compare_programmes(
            pairs[key], other_pairs[key], held[key], names=(chosen, other), unit=measure_of(key).unit,
            why_no_threshold=NO_THRESHOLD, subgroups=subgroups, resolution=measure_of(key).resolution, n_boot=n_boot,
            seed=seed, confidence=confidence,
        )  # fmt: skip

    def regression_of(key: str) -> Result:
        frame, test, facts = pairs[key], measure_of(key), known[key]
        if isinstance(facts.sem, Refused):
            return Refused("Dependence on the start", facts.sem.reason)
        turned = test.sign * frame[["before", "after"]].where(frame["improvement"].notna(), np.nan)
        return start_dependence(
            turned["before"], turned["after"], facts.sem, entry=(entry or {}).get(key), sign=test.sign, unit=test.unit,
            n_boot=n_boot, seed=seed, confidence=confidence,
        )  # fmt: skip

    first, log = keys[0], _sessions(records, people)
    flow = by_measure(lambda key: flow_of(pairs[key]), "flow")
    return ProgrammeAudit(
        programme=chosen,
        compare=other,
        before=before,
        after=after,
        primary=first,
        measures=tuple(keys),
        people=people,
        pairs=pairs,
        known=ByMeasure(known, names),
        flow=flow,
        baseline=baseline_table(
            pd.concat([people, others], ignore_index=True),
            {names[key]: pd.concat([pairs[key], other_pairs[key]]).set_index("person")["before"] for key in keys},
        ),
        change=by_measure(change_of, "change"),
        responders=by_measure(
            lambda key: changed_enough(pairs[key]["improvement"], known[key], measure_of(key).resolution, confidence),
            "responders",
        ),
        missing=by_measure(missing_of, "missing follow-up"),
        comparison=by_measure(comparison_of, "comparison"),
        regression=by_measure(regression_of, "regression to the mean"),
        dose=attempt(lambda: dose(pairs[first], log, unit=measure_of(first).unit, confidence=confidence), "dose"),
        sites=attempt(lambda: _units(people, pairs[first], held[first], "site"), "sites"),
        therapists=attempt(lambda: _units(people, pairs[first], held[first], "therapist"), "therapists"),
        seed=seed,
        confidence=confidence,
        notes=(*notes, *look_caution(tuple(keys), confidence)),
    )


def attempt(work: Callable[[], Result], part: str) -> Result:
    """Return the part, or a :class:`Refused` with the reason it could not be computed."""
    try:
        return work()
    except OutcomeError as problem:
        return Refused(part, str(problem))


def _check_entry(entry: Mapping[str, Mapping[str, float]], keys: Sequence[str]) -> None:
    if strange := sorted(set(entry) - set(keys)):
        raise ChoiceError(f"entry= names {listed(strange)}, which is not audited; there are {listed(keys)}.")
    for key, rule in entry.items():
        if lacking := [name for name in ("cut", "mean", "sd") if name not in rule]:
            raise DataError(f"entry= has no {listed(lacking)} for {key}: give cut, mean and sd.")
        check_finite(**{f"entry {name} of {key}": rule[name] for name in ("cut", "mean", "sd")})
        if not rule["sd"] > 0:
            raise DataError(f"entry= has sd {rule['sd']} for {key}; it must be above 0, in the unit of the test.")


def _measures(
    records: Any, before: str, after: str, measures: Sequence[str] | None, primary: str | None
) -> tuple[list[str], list[str]]:
    held = records.assessments
    for occasion in (before, after):
        check_choice("occasion", occasion, tuple(sorted(held["occasion"].dropna().unique())))
    found = [set(held.loc[held["occasion"] == occasion, "measure"]) for occasion in (before, after)]
    both = sorted(found[0] & found[1])
    if not both:
        raise DataError(f"No test was done both at {before} and at {after}.")
    keys = list(measures) if measures is not None else both
    for key in keys:
        check_choice("measures", key, tuple(both))
    notes = []
    if primary is None:
        counts = held[held["occasion"] == after].groupby("measure")["person"].nunique()
        primary = keys[0] if measures is not None else max(keys, key=lambda key: (counts[key], -keys.index(key)))
        if len(keys) > 1:
            notes.append(
                f"No primary test was stated beforehand; {measure_of(primary).name} is shown first. Choose it before "
                "looking at the results."
            )
    check_choice("primary", primary, tuple(keys))
    return [primary, *(key for key in keys if key != primary)], notes


def _everyone(records: Any) -> pd.DataFrame:
    """Return one row a person who started; without a people table, whoever was tested."""
    people = records.people
    if people is None or people.empty:
        people = pd.DataFrame({"person": sorted(records.assessments["person"].unique())})
    if "programme" not in people:
        people = people.assign(programme="programme")
    return people.assign(programme=people["programme"].fillna("programme").replace("", "programme"))


def _programmes(people: pd.DataFrame, programme: str | None, compare: str | None) -> tuple[str, str, list[str]]:
    there = sorted(people["programme"].unique())
    notes = []
    for name, given in (("programme", programme), ("compare", compare)):
        if given is not None:
            check_choice(name, given, tuple(there))
    if compare is None:
        waiting = [name for name in there if name.strip().lower() in WAITING and name != programme]
        if len(waiting) == 1 and len(there) > 1:
            compare = waiting[0]
            notes.append(f"“{compare}” was taken as the comparison group by its name.")
    left = [name for name in there if name != compare]
    if programme is None:
        if len(left) != 1:
            raise ChoiceError(f"The records hold several programmes ({listed(there)}): choose one with programme=.")
        programme = left[0]
    if compare is None:
        notes.append("Nobody left alone was measured: change over time is not the same as the programme's effect.")
    return programme, compare or "", notes


def _of_everyone(people: pd.DataFrame, frame: pd.DataFrame) -> pd.DataFrame:
    """Return one row a person who started, improvement only where the scores may be compared."""
    facts = [name for name in frame.columns if name == "person" or name not in people.columns]
    whole = people.merge(frame[facts], on="person", how="left", validate="one_to_one")
    usable = whole["comparable"].fillna(False).astype(bool)
    why = whole["why_not"].where(whole["before"].notna(), "no score before").fillna("")
    return whole.assign(comparable=usable, why_not=why, improvement=whole["improvement"].where(usable))


def _held_against(known: Known) -> float | None:
    """Return the MCID, or the MDC where no MCID is known."""
    if isinstance(known.mcid, Threshold):
        return known.mcid.value
    if isinstance(known.sem, Estimate) and known.mdc is not None and known.mdc.value > 0:
        return known.mdc.value
    return None


def _visits(records: Any, key: str, before: str, after: str) -> pd.DataFrame:
    rows = records.assessments
    return rows[(rows["measure"] == key) & ~rows["occasion"].isin([before, after]) & rows["value"].notna()]


def _sessions(records: Any, people: pd.DataFrame) -> pd.DataFrame:
    held = records.sessions
    if held is None or held.empty:
        return pd.DataFrame(columns=["person", "date"])
    return held[held["person"].isin(set(people["person"]))]


def _units(people: pd.DataFrame, pairs: pd.DataFrame, threshold: float | None, unit: str) -> Result:
    if threshold is None:
        return Refused(f"{unit}s", NO_THRESHOLD)
    if unit not in people:
        return Refused(f"{unit}s", f"The people table has no {unit}.")
    return funnel(
        people[unit],
        np.asarray(pairs["improvement"], dtype=float),
        threshold,
        name=unit,
        labels=unit == "site",
        before=pairs["before"],
    )
