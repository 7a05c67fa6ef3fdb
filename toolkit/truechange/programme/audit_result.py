"""The audit of a programme: every part, one function each, what was refused, and the answer in five sentences."""

from collections.abc import Callable
from dataclasses import dataclass, replace
from math import nan
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from truechange.foundation import WRITERS
from truechange.foundation.distributions import error_share
from truechange.foundation.entry import Entry
from truechange.foundation.errors import RefusedError
from truechange.foundation.estimate import Estimate, Threshold
from truechange.foundation.result import ByMeasure, Part, Refused, Result, gathered, sources_of
from truechange.measures.catalogue import measure as measure_of
from truechange.numerics.small_cells import SAID, SHOWN
from truechange.programme import change as change_of
from truechange.programme import missing as missing_of
from truechange.programme.comparison import compare_programmes, with_flow
from truechange.programme.flow import UNABLE, DueRule, flow_of, protocols_of
from truechange.programme.known import MEANINGS, changed_enough, got_worse
from truechange.programme.periods import counts_by_period, trend
from truechange.programme.sites import funnel, named
from truechange.programme.training import dose

_MCID, _ERROR, _TRUE = MEANINGS["counted"], MEANINGS["from_error"], MEANINGS["true_share"]
_COLUMNS = {
    "mcid": (_MCID, "threshold"), "changed_enough": (_MCID, "people"), "share": (_MCID, "share"),
    "share_low": (_MCID, "low"), "share_high": (_MCID, "high"), "expected_from_error": (_ERROR, "people"),
    "true_share": (_TRUE, "share"), "true_share_low": (_TRUE, "low"), "true_share_high": (_TRUE, "high"),
}  # fmt: skip
PARTS = ("flow", "quality", "protocols", "baseline", "known", "change", "responders", "missing", "comparison",
         "regression", "periods", "dose", "sites", "therapists", "standards")  # fmt: skip


@dataclass(frozen=True, kw_only=True)
class ProgrammeAudit(Result):
    """Does the programme work, as far as these data can say.

    Parameters
    ----------
    programme, compare : str
        The programme, and the one it is compared with ("" if none).
    before, after : str
        Occasions compared.
    primary : str
        Key of the test stated as primary.
    measures : tuple of str
        Keys of all tests looked at, the primary one first.
    people : DataFrame
        One row a person who started the programme.
    pairs : dict of DataFrame
        Key of the test: one row a person who started, with before, after, improvement (NaN if not
        comparable), state, why, due.
    known : ByMeasure
        SEM, MDC, MCID and practice gain of each test, or why there is none.
    rule : DueRule
        When a follow-up was due.
    flow, protocols, change, responders, missing, comparison, regression, periods : ByMeasure
        Of each test; ``periods`` is the trend of the whole programme, whatever time was audited.
    quality : Part
        The ledger of rows and what was noticed when they were read.
    baseline : Part
        Who they were.
    dose, sites, therapists : Result
        A :class:`Refused` where the records do not tell.
    seed : int
        Of every random step.
    confidence : float
        Level of every interval.
    standards : Part
        What was aimed at, and whether it was reached, for the primary test.
    period : str
        Which people: "" for everyone, else when they started, in words.
    notes : tuple of str
        What a reader must know of the audit as a whole.
    published : bool
        Whether it is as :meth:`public` returned it.
    """

    programme: str
    compare: str
    before: str
    after: str
    primary: str
    measures: tuple[str, ...]
    people: pd.DataFrame
    pairs: dict[str, pd.DataFrame]
    known: ByMeasure
    rule: DueRule
    flow: ByMeasure
    protocols: ByMeasure
    quality: Result
    baseline: Part
    change: ByMeasure
    responders: ByMeasure
    missing: ByMeasure
    comparison: ByMeasure
    regression: ByMeasure
    periods: ByMeasure
    dose: Result
    sites: Result
    therapists: Result
    standards: Part
    seed: int
    confidence: float
    notes: tuple[str, ...]
    period: str = ""
    published: bool = False

    @property
    def cautions(self) -> tuple[str, ...]:  # type: ignore[override]
        """The audit's own notes, then every part's cautions, each once, with the test it concerns."""
        return gathered(self.notes, *self._parts())

    def _parts(self) -> tuple[Result, ...]:
        return tuple(getattr(self, name) for name in PARTS)

    def public(self, *, small_cells: bool = False, names: bool = False) -> "ProgrammeAudit":
        """Return the audit as it may leave the house; every report is made from this alone.

        Hidden, before any word, table, picture or file is made: counts of one to four people in every breakdown, the
        cells that would give them away, and shares and means from which one could be worked out. Shown are totals of
        the whole programme: who started, was due, was compared, changed enough. Nothing of a single person is kept
        but the improvements, without whose they are.

        Parameters
        ----------
        small_cells : bool, optional
            Keep small counts, for use inside the house; the audit then says so.
        names : bool, optional
            Name therapists as the records do, instead of numbering them.
        """
        if self.published:
            return self
        therapists = named(self.therapists) if names and isinstance(self.therapists, Part) else self.therapists
        bare = replace(
            self, people=self.people.iloc[:0], therapists=therapists, published=True,
            pairs={key: frame[["improvement"]] for key, frame in self.pairs.items()},
            notes=(*self.notes, SHOWN if small_cells else SAID),
        )  # fmt: skip
        if small_cells:
            return bare
        flow: Any = self.flow.public()
        told: dict[str, Any] = {}
        for name, without in (("change", change_of.without_unable), ("missing", missing_of.without_unable)):
            parts = dict(getattr(self, name).parts)
            for key, part in parts.items():
                if getattr(part, "unable", 0) and UNABLE not in flow[key].reasons:
                    parts[key] = without(part)
            told[name] = ByMeasure(parts, flow.names)
        return replace(bare, **{name: told.get(name, getattr(bare, name)).public() for name in PARTS})

    @property
    def sources(self) -> tuple[str, ...]:  # type: ignore[override]
        """Keys of the bibliography for everything computed."""
        return sources_of(*self._parts())

    @property
    def refused(self) -> tuple[Refused, ...]:
        """Every part that was not computed, with its reason."""
        found: list[Refused] = []
        for part in self._parts():
            for piece in part.parts.values() if isinstance(part, ByMeasure) else (part,):
                found += [piece] if isinstance(piece, Refused) else list(getattr(piece, "refused", ()))
        return tuple(dict.fromkeys(found))

    def table(self) -> pd.DataFrame:
        """Return one row a test: measure, started, due, comparable, mean improvement and the responder numbers."""
        rows = []
        for measure in self.measures:
            flow, change, enough = (part[measure] for part in (self.flow, self.change, self.responders))
            row: dict[str, Any] = {"measure": measure, "primary": measure == self.primary}
            if isinstance(flow, Part):
                row |= {"started": flow.started, "due": flow.due, "comparable": flow.compared}
            if isinstance(change, Part):
                mean = change.mean
                row |= {"unit": mean.unit, "mean_improvement": mean.value, "low": mean.low, "high": mean.high}
                row |= {"response_mean": change.response_mean.value, "p": change.p_value}
            if isinstance(enough, Part):
                kept = enough.table().set_index("quantity")
                row |= {column: kept.loc[quantity, field] for column, (quantity, field) in _COLUMNS.items()}
            rows.append(row)
        table = pd.DataFrame(rows)
        return table.assign(p_holm=holm(table["p"])) if "p" in table else table

    def sentences(self) -> tuple[str, ...]:
        """Answer in five sentences, from the primary test; more where many got worse or follow-ups are missing."""
        flow, change, enough, gaps = (
            part[self.primary] for part in (self.flow, self.change, self.responders, self.missing))  # fmt: skip
        name, versus = self.flow.names[self.primary], self.comparison.parts.get(self.primary)
        said = [f"{self.programme}, {name}, {self.before} to {self.after}: {flow.sentence()}", change.sentence()]
        if isinstance(change, Part) and change.with_unable and change.with_unable.value < change.mean.low:
            said += change.sentences()[-1:]
        said += (*enough.sentences()[:2], *got_worse(getattr(enough, "facts", {}))[:-1])
        if not isinstance(versus, Part):
            return (*said, gaps.sentence())
        return (*said, *[gaps.sentence()] * getattr(gaps, "many", False), versus.sentence())

    def to_html(self, path: str | Path, **options: Any) -> Path:
        """Write the report as one self-contained page and return its path."""
        return WRITERS["html"](self, Path(path), **options)

    def to_pdf(self, path: str | Path, **options: Any) -> Path:
        """Write the report as a PDF and return its path."""
        return WRITERS["pdf"](self, Path(path), **options)

    def to_excel(self, path: str | Path, **options: Any) -> Path:
        """Write every table into a workbook, cells inert, and return its path."""
        return WRITERS["excel"](self, Path(path), **options)


def holm(p: "pd.Series[float]") -> "pd.Series[float]":
    """Return Holm's adjusted p-values: each times the number of tests not yet passed, never falling.

    Examples
    --------
    >>> holm(pd.Series([0.01, 0.04, 0.03])).tolist()
    [0.03, 0.06, 0.06]
    """
    ordered = p.dropna().sort_values()
    return (ordered * np.arange(len(ordered), 0, -1)).cummax().clip(upper=1.0).reindex(p.index)


NO_THRESHOLD = "No threshold to hold a change against."


@dataclass(frozen=True)
class Settled:
    """What is settled before any part of an audit is computed."""

    asked: Any  # the arguments of the audit, by their names
    occasions: tuple[str, str]
    names: dict[str, str]  # of the tests, by key, the primary one first
    programme: str
    compare: str
    alone: str  # why nothing is compared
    people: pd.DataFrame
    pairs: dict[str, pd.DataFrame]  # of those who started in the time that was asked for
    every_pair: dict[str, pd.DataFrame]  # of everyone who ever started the programme
    others: dict[str, pd.DataFrame]
    rule: DueRule
    known: dict[str, Part]
    log: pd.DataFrame
    entry: dict[str, Entry]

    def due(self, key: str, *, others: bool = False) -> pd.DataFrame:
        """Return the people whose follow-up of a test is due, or those of the comparison group."""
        frame = (self.others if others else self.pairs)[key]
        return frame[frame["due"]].reset_index(drop=True)

    def limit(self, key: str) -> float | None:
        """Return the MCID of a test, or the MDC where no MCID is known."""
        known = self.known[key]
        if isinstance(known.mcid, Threshold):
            return known.mcid.value
        return known.mdc.value if known.mdc is not None and known.mdc.value > 0 else None

    def measured(self, key: str, *, others: bool = False) -> pd.DataFrame:
        """Return the people due, or refuse a headline where half or more of them cannot be compared."""
        due, whose = self.due(key, others=others), f" in {self.compare}" if others else ""
        lost = int(due["improvement"].isna().sum())
        if lost * 2 >= len(due):
            told = not others and self.limit(key) is not None
            bounds = "; see the bounds under people without a follow-up" if told else ""
            raise RefusedError(
                f"{lost} of the {len(due)} people due{whose} have no usable follow-up, half or more: nothing is said "
                f"from those measured{bounds}."
            )
        return due


def _flow(study: Settled, key: str) -> Result:
    return flow_of(study.pairs[key], study.rule)


def _change(study: Settled, key: str) -> Result:
    frame, test = study.measured(key), measure_of(key)
    unable = frame[(frame["state"] == UNABLE) & frame["before"].notna()]
    # "unable" stands for 0 where there is a 0, else for the worst score seen at either visit: never for a gain
    seen = test.sign * frame[["before", "after"]].to_numpy(float)
    worst = 0.0 if test.sign > 0 and test.hard_low == 0 else test.sign * float(np.nanmin(seen))
    return change_of.paired_change(
        frame["before"], frame["after"], frame["improvement"], due=len(frame), unit=test.unit,
        practice=study.known[key].practice, unable=(test.improvement(unable["before"], worst), worst),
        confidence=study.asked.confidence,
    )  # fmt: skip


def _responders(study: Settled, key: str) -> Result:
    frame, rule = study.measured(key), study.entry.get(key)
    return changed_enough(
        frame["improvement"], study.known[key], measure_of(key).resolution, study.asked.confidence,
        before=None if rule is None else frame["before"], entry=rule, seed=study.asked.seed,
    )  # fmt: skip


def _missing(study: Settled, key: str) -> Result:
    limit, frame, test, known = study.limit(key), study.due(key), measure_of(key), study.known[key]
    if limit is None:
        return Refused("Missing follow-up", NO_THRESHOLD)
    sem = known.sem.value if isinstance(known.sem, Estimate) else 0.0
    gain = 0.0 if known.practice is None else known.practice.value
    rows = study.asked.records.assessments
    visits = rows[(rows["measure"] == key) & ~rows["occasion"].isin(study.occasions) & rows["value"].notna()]
    return missing_of.missing_follow_up(
        frame["improvement"].mask(frame["state"] == UNABLE, -np.inf).to_numpy(float), limit,
        missing_of.predictors_of(frame, visits, study.log), resolution=test.resolution, unit=test.unit,
        against=(gain, error_share(limit, sem, gain, test.resolution)), seed=study.asked.seed,
        limit="MCID" if isinstance(known.mcid, Threshold) else "MDC95", confidence=study.asked.confidence,
    )  # fmt: skip


def _comparison(study: Settled, key: str) -> Result:
    if not study.compare:
        return Refused("Comparison", study.alone)
    test, theirs, limit = measure_of(key), flow_of(study.others[key], study.rule), study.limit(key)
    found = compare_programmes(
        study.measured(key), study.measured(key, others=True), NO_THRESHOLD if limit is None else limit,
        names=(study.programme, study.compare), unit=test.unit, subgroups=study.asked.subgroups,
        resolution=test.resolution, **study.asked.drawn,
    )  # fmt: skip
    return with_flow(found, theirs)


def _regression(study: Settled, key: str) -> Result:
    frame, test, sem = study.measured(key), measure_of(key), study.known[key].sem
    if isinstance(sem, Refused):
        return Refused("Dependence on the start", sem.reason)
    turned = test.sign * frame[["before", "after"]].where(frame["improvement"].notna(), np.nan)
    return change_of.start_dependence(
        turned["before"], turned["after"], sem, entry=study.entry.get(key), unit=test.unit, **study.asked.drawn
    )


def _protocols(study: Settled, key: str) -> Result:
    rows = study.asked.records.assessments
    here = (rows["measure"] == key) & rows["occasion"].isin(study.occasions)
    used = set(study.pairs[key].loc[study.pairs[key]["comparable"], "person"])
    return protocols_of(rows[here & rows["person"].isin(used)], measure_of(key))


def _periods(study: Settled, key: str) -> Result:
    test, limit, every, saved = measure_of(key), study.limit(key), study.asked.every, study.asked.saved
    counts, undated = counts_by_period(study.every_pair[key], nan if limit is None else limit, every)
    before, after = study.occasions
    about = {"programme": study.programme, "test": key, "before": before, "after": after, "every": every}
    if saved is not None:
        saved = saved[(saved[[*about]].astype(str) == list(about.values())).all(axis="columns")]
    return trend(
        counts, every=every, unit=test.unit, resolution=test.resolution, undated=undated, saved=saved,
        confidence=study.asked.confidence,
    )  # fmt: skip


BY_TEST: dict[str, tuple[str, Callable[[Settled, str], Result]]] = {
    "flow": ("flow", _flow), "protocols": ("protocols", _protocols), "change": ("change", _change),
    "responders": ("responders", _responders), "missing": ("missing follow-up", _missing),
    "comparison": ("comparison", _comparison), "regression": ("regression to the mean", _regression),
    "periods": ("trend", _periods),
}  # fmt: skip


def training(study: Settled, first: str) -> Result:
    """Compute adherence, progression and tolerance of the training, beside the primary test."""
    return dose(study.due(first), study.log, unit=measure_of(first).unit, confidence=study.asked.confidence)


def units(study: Settled, first: str, unit: str) -> Result:
    """Compare sites or therapists by the primary test."""
    threshold = study.limit(first)
    if threshold is None:
        return Refused(f"{unit}s", NO_THRESHOLD)
    if unit not in study.people:
        return Refused(f"{unit}s", f"The people table has no {unit}.")
    frame = study.measured(first)
    return funnel(
        frame[unit], np.asarray(frame["improvement"], dtype=float), threshold, name=unit, before=frame["before"],
        numbered=unit != "site", seed=study.asked.label_seed,
    )  # fmt: skip
