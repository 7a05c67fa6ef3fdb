"""The audit of a programme: every part, what was refused, and the answer in five sentences."""

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from truechange.foundation import WRITERS
from truechange.foundation.numbers import percent
from truechange.foundation.result import Part, Result, gathered
from truechange.numerics.small_cells import SAID, SHOWN
from truechange.programme import change as change_of
from truechange.programme import missing as missing_of
from truechange.programme.enough import MEANINGS
from truechange.programme.flow import UNABLE, DueRule
from truechange.programme.parts import ByMeasure, Refused
from truechange.programme.sites import named

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
        )  # fmt: skip
        if small_cells:
            return replace(bare, notes=(*self.notes, SHOWN))
        parts = (
            "flow",
            "quality",
            "protocols",
            "baseline",
            "comparison",
            "periods",
            "dose",
            "sites",
            "therapists",
            "standards",
        )
        safe = {name: getattr(bare, name).public() for name in parts}
        untold = [key for key in self.measures if UNABLE not in safe["flow"].parts[key].reasons]
        for name, without in (("change", change_of.without_unable), ("missing", missing_of.without_unable)):
            told = dict(getattr(self, name).parts)
            told |= {key: without(told[key]) for key in untold if getattr(told[key], "unable", 0)}
            safe[name] = replace(getattr(self, name), parts=told).public()
        return replace(bare, **safe, notes=(*self.notes, SAID))

    @property
    def sources(self) -> tuple[str, ...]:  # type: ignore[override]
        """Keys of the bibliography for everything computed."""
        return tuple(dict.fromkeys(key for part in self._parts() for key in part.sources))

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
                row |= {"unit": change.mean.unit, "mean_improvement": change.mean.value, "low": change.mean.low}
                row |= {"high": change.mean.high, "response_mean": change.response_mean.value, "p": change.p_value}
            if isinstance(enough, Part):
                kept = enough.table().set_index("quantity")
                for column, (quantity, field) in _COLUMNS.items():
                    row[column] = kept.loc[quantity, field]
            rows.append(row)
        table = pd.DataFrame(rows)
        if "p" in table:
            table["p_holm"] = holm(table["p"])
        return table

    def sentences(self) -> tuple[str, ...]:
        """Answer in five sentences, from the primary test; a sixth where many follow-ups are missing."""
        flow, change, enough = self.flow[self.primary], self.change[self.primary], self.responders[self.primary]
        name = self.flow.names[self.primary]
        said = [f"{self.programme}, {name}, {self.before} to {self.after}: {flow.sentence()}"]
        said.append(change.sentence())
        said += list(enough.sentences()[:2])
        versus: Any = self.comparison.parts.get(self.primary)
        gaps = self.missing[self.primary]
        compared = versus is not None and not isinstance(versus, Refused)
        if not compared or getattr(gaps, "many", False):
            said.append(gaps.sentence())
        if compared:
            said.append(versus.sentence())
        return tuple(said)

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
    steps = ordered * np.arange(len(ordered), 0, -1)
    return steps.cummax().clip(upper=1.0).reindex(p.index)


def look_caution(measures: tuple[str, ...], confidence: float) -> tuple[str, ...]:
    """Say how many tests were looked at, and what that does to a chance finding; nothing for one test."""
    if len(measures) < 2:
        return ()
    chance = percent(1 - confidence ** len(measures))
    return (
        (
            f"{len(measures)} tests were looked at: without any change, at least one interval leaves out 0 "
            f"with a chance of up to {chance}. The primary test counts; the others are support."
        ),
    )
