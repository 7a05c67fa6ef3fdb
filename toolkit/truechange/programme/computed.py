"""The parts of an audit, one function each, from what was settled before: people due, pairs, errors, thresholds."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from math import nan
from typing import Any

import numpy as np
import pandas as pd

from truechange.foundation.distributions import error_share
from truechange.foundation.entry import Entry
from truechange.foundation.errors import RefusedError
from truechange.foundation.estimate import Estimate, Threshold
from truechange.foundation.result import Part, Result
from truechange.measures import measure as measure_of
from truechange.programme.change import paired_change, start_dependence
from truechange.programme.comparison import compare_programmes, with_flow
from truechange.programme.enough import changed_enough
from truechange.programme.flow import UNABLE, DueRule, flow_of, protocols_of
from truechange.programme.missing import missing_follow_up
from truechange.programme.parts import Refused, predictors_of
from truechange.programme.periods import counts_by_period, trend
from truechange.programme.sites import funnel
from truechange.programme.training import dose

NO_THRESHOLD = "No threshold to hold a change against."


@dataclass(frozen=True)
class Settled:
    """What is settled before any part of an audit is computed."""

    records: Any
    before: str
    after: str
    keys: list[str]
    names: dict[str, str]
    people: pd.DataFrame
    programme: str
    compare: str
    alone: str
    pairs: dict[str, pd.DataFrame]  # of those who started in the time that was asked for
    every_pair: dict[str, pd.DataFrame]  # of everyone who ever started the programme
    others: dict[str, pd.DataFrame]
    rule: DueRule
    known: dict[str, Part]
    log: pd.DataFrame
    entry: Mapping[str, Entry]
    subgroups: Sequence[str]
    drawn: dict[str, Any]  # n_boot, seed
    every: str
    saved: pd.DataFrame | None
    confidence: float
    label_seed: int | None

    def due(self, key: str, *, others: bool = False) -> pd.DataFrame:
        """Return the people whose follow-up of a test is due, or those of the comparison group."""
        frame = (self.others if others else self.pairs)[key]
        return frame[frame["due"]].reset_index(drop=True)

    def gain(self, key: str) -> float:
        """Return the practice gain of a test, 0 where none is known."""
        practice = self.known[key].practice
        return 0.0 if practice is None else practice.value

    def measured(self, key: str, *, others: bool = False) -> pd.DataFrame:
        """Return the people due, or refuse a headline where half or more of them cannot be compared."""
        due, whose = self.due(key, others=others), f" in {self.compare}" if others else ""
        lost = int(due["improvement"].isna().sum())
        if lost * 2 >= len(due):
            told = not others and _held_against(self.known[key]) is not None
            bounds = "; see the bounds under people without a follow-up" if told else ""
            raise RefusedError(
                f"{lost} of the {len(due)} people due{whose} have no usable follow-up, half or more: nothing is said "
                f"from those measured{bounds}."
            )
        return due


def _held_against(known: Part) -> float | None:
    """Return the MCID, or the MDC where no MCID is known."""
    if isinstance(known.mcid, Threshold):
        return known.mcid.value
    if isinstance(known.sem, Estimate) and known.mdc is not None and known.mdc.value > 0:
        return known.mdc.value
    return None


def _visits(records: Any, key: str, before: str, after: str) -> pd.DataFrame:
    rows = records.assessments
    return rows[(rows["measure"] == key) & ~rows["occasion"].isin([before, after]) & rows["value"].notna()]


def _flow(study: Settled, key: str) -> Result:
    return flow_of(study.pairs[key], study.rule)


def _change(study: Settled, key: str) -> Result:
    frame, test = study.measured(key), measure_of(key)
    unable = frame[(frame["state"] == UNABLE) & frame["before"].notna()]
    # "unable" stands for 0 where there is a 0, else for the worst score seen at either visit: never for a gain
    seen = test.sign * frame[["before", "after"]].to_numpy(float)
    worst = 0.0 if test.sign > 0 and test.hard_low == 0 else test.sign * float(np.nanmin(seen))
    return paired_change(
        frame["before"], frame["after"], frame["improvement"], due=len(frame), unit=test.unit,
        practice=study.known[key].practice, unable=test.improvement(unable["before"], worst), worst=worst,
        confidence=study.confidence,
    )  # fmt: skip


def _responders(study: Settled, key: str) -> Result:
    frame, rule = study.measured(key), study.entry.get(key)
    return changed_enough(
        frame["improvement"], study.known[key], measure_of(key).resolution, study.confidence,
        before=None if rule is None else frame["before"], entry=rule, seed=study.drawn["seed"],
    )  # fmt: skip


def _missing(study: Settled, key: str) -> Result:
    limit, frame, test, facts = _held_against(study.known[key]), study.due(key), measure_of(key), study.known[key]
    if limit is None:
        return Refused("Missing follow-up", NO_THRESHOLD)
    sem, gain = facts.sem.value if isinstance(facts.sem, Estimate) else 0.0, study.gain(key)
    visits = _visits(study.records, key, study.before, study.after)
    return missing_follow_up(
        frame["improvement"].to_numpy(float), limit, predictors_of(frame, visits, study.log),
        resolution=test.resolution, no_change=gain, unable=(frame["state"] == UNABLE).to_numpy(),
        error_share=error_share(limit, sem, gain, test.resolution),
        limit="MCID" if isinstance(facts.mcid, Threshold) else "MDC95", unit=test.unit, seed=study.drawn["seed"],
        confidence=study.confidence,
    )  # fmt: skip


def _comparison(study: Settled, key: str) -> Result:
    if not study.compare:
        return Refused("Comparison", study.alone)
    test, theirs = measure_of(key), flow_of(study.others[key], study.rule)
    found = compare_programmes(
        study.measured(key), study.measured(key, others=True), _held_against(study.known[key]),
        names=(study.programme, study.compare), unit=test.unit, why_no_threshold=NO_THRESHOLD,
        subgroups=study.subgroups, resolution=test.resolution, **study.drawn, confidence=study.confidence,
    )  # fmt: skip
    return with_flow(found, theirs)


def _regression(study: Settled, key: str) -> Result:
    frame, test, facts = study.measured(key), measure_of(key), study.known[key]
    if isinstance(facts.sem, Refused):
        return Refused("Dependence on the start", facts.sem.reason)
    turned = test.sign * frame[["before", "after"]].where(frame["improvement"].notna(), np.nan)
    return start_dependence(
        turned["before"], turned["after"], facts.sem, entry=study.entry.get(key), unit=test.unit, **study.drawn,
        confidence=study.confidence,
    )  # fmt: skip


def training(study: Settled) -> Result:
    """Compute adherence, progression and tolerance of the training, beside the primary test."""
    first = study.keys[0]
    return dose(study.due(first), study.log, unit=measure_of(first).unit, confidence=study.confidence)


def _protocols(study: Settled, key: str) -> Result:
    rows = study.records.assessments
    here = (rows["measure"] == key) & rows["occasion"].isin([study.before, study.after])
    used = set(study.pairs[key].loc[study.pairs[key]["comparable"], "person"])
    return protocols_of(rows[here & rows["person"].isin(used)], measure_of(key))


def _periods(study: Settled, key: str) -> Result:
    test, limit = measure_of(key), _held_against(study.known[key])
    counts, undated = counts_by_period(study.every_pair[key], nan if limit is None else limit, study.every)
    about = {"programme": study.programme, "test": key, "before": study.before, "after": study.after,
             "every": study.every}  # fmt: skip
    saved = study.saved
    if saved is not None:
        saved = saved[(saved[[*about]].astype(str) == list(about.values())).all(axis="columns")]
    return trend(
        counts, every=study.every, unit=test.unit, resolution=test.resolution, undated=undated, saved=saved,
        confidence=study.confidence,
    )  # fmt: skip


BY_TEST: dict[str, tuple[str, Callable[[Settled, str], Result]]] = {
    "flow": ("flow", _flow),
    "protocols": ("protocols", _protocols),
    "change": ("change", _change),
    "responders": ("responders", _responders),
    "missing": ("missing follow-up", _missing),
    "comparison": ("comparison", _comparison),
    "regression": ("regression to the mean", _regression),
    "periods": ("trend", _periods),
}


def units(study: Settled, unit: str) -> Result:
    """Compare sites or therapists by the primary test."""
    first = study.keys[0]
    threshold = _held_against(study.known[first])
    if threshold is None:
        return Refused(f"{unit}s", NO_THRESHOLD)
    if unit not in study.people:
        return Refused(f"{unit}s", f"The people table has no {unit}.")
    frame = study.measured(first)
    return funnel(
        frame[unit], np.asarray(frame["improvement"], dtype=float), threshold, name=unit, before=frame["before"],
        numbered=unit != "site", seed=study.label_seed,
    )  # fmt: skip
