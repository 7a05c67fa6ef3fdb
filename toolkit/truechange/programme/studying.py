"""A study (capstone): a retest study and a before-after study in; every part computed in order; one result out."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, fields, replace
from difflib import get_close_matches
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from truechange.foundation import WRITERS
from truechange.foundation.errors import ChoiceError, RefusedError, check_whole, stated
from truechange.foundation.result import Refused, Result, attempt, gathered
from truechange.meaningful_change.study import McidStudy, mcid
from truechange.measures.catalogue import Measure, catalogue, declare
from truechange.measures.catalogue import measure as find_measure
from truechange.programme.assumptions import assumptions, attacks
from truechange.programme.audit_result import ProgrammeAudit
from truechange.programme.auditing import audit, of_programme
from truechange.programme.known import undoubted
from truechange.records.pairing import Pairs, time_between
from truechange.records.reading import Records, records_of
from truechange.reliability.agreement import LimitsOfAgreement, limits_of_agreement
from truechange.reliability.error import MeasurementError, measurement_error
from truechange.reliability.icc import IccResult, icc

if TYPE_CHECKING:
    from truechange.foundation.estimate import Estimate

SHOWN = ["part", "quantity", "estimate", "low", "high", "confidence", "n", "unit", "method"]


@dataclass(frozen=True)
class Choices:
    """What is decided of a study before anybody looks at its results; each has a usual answer.

    Parameters
    ----------
    before, after : str
        Occasions of the programme compared.
    retest_occasions : tuple of str
        Occasions of the retest study.
    trials : {"refuse", "mean", "best", "first", "last"}
        How several trials of one visit become one score.
    form : {"ICC(A,1)", "ICC(C,1)", "ICC(1)"}
        Intraclass correlation that counts; others stand beside it.
    error : {"agreement", "consistency", "one-way"}
        Which SEM the MDC uses.
    interval, population : str
        Time between the retests, and who was retested, in words.
    cut : int
        Lowest rating of change that counts as improved.
    resamples, seed : int
        Of every resampled interval.
    """

    before: str = "baseline"
    after: str = "discharge"
    retest_occasions: tuple[str, str] = ("retest1", "retest2")
    trials: str = "refuse"
    form: str = "ICC(A,1)"
    error: str = "consistency"
    interval: str = ""
    population: str = ""
    cut: int = 1
    resamples: int = 2000
    seed: int = 0

    @classmethod
    def of(cls, given: Mapping[str, Any]) -> "Choices":
        """Return the choices that were stated, the usual answer for the others; None states nothing."""
        known = [field.name for field in fields(cls)]
        for name in (name for name in given if name not in known):
            meant = "".join(f"; did you mean {near}=" for near in get_close_matches(name, known, n=1))
            raise ChoiceError(f"study() knows no {name}={meant}. Besides the data: {', '.join(known)}.")
        choices = cls(**stated(**given))  # type: ignore[arg-type]
        check_whole(cut=choices.cut, resamples=choices.resamples, seed=choices.seed)
        return choices

    @property
    def drawing(self) -> dict[str, Any]:
        """The choices of every resampled interval, as the estimators take them."""
        return {"n_boot": self.resamples, "seed": self.seed}


@dataclass(frozen=True)
class Study(Result):
    """Everything a capstone computed, in the order it is told.

    Parameters
    ----------
    measure : Measure
        The test.
    retest, change : Pairs
        Pairs of the retest study and of the programme's people.
    icc : tuple of IccResult
        The form that counts first, others for comparison after it.
    error : MeasurementError
        SEM and MDC.
    agreement : LimitsOfAgreement
        Of the retest pairs.
    mcid : McidStudy or Refused
        The change that matters, or why it was not estimated.
    audit : ProgrammeAudit
        The programme.
    choices : Choices
        What was decided beforehand.
    checks : mapping of str to Part
        Assumptions as they were looked at, and ``attacks``: how far each doubt moves the number it is about.
    """

    measure: Measure
    retest: Pairs
    change: Pairs
    icc: tuple[IccResult, ...]
    error: MeasurementError
    agreement: LimitsOfAgreement
    mcid: McidStudy | Refused
    audit: ProgrammeAudit
    choices: Choices = Choices()
    checks: dict[str, Any] = field(default_factory=dict)

    @property
    def options(self) -> dict[str, object]:
        """Settings the results do not carry."""
        return {"resamples": self.choices.resamples, "seed": self.choices.seed}

    def public(self) -> "Study":
        """Return the study as it may leave the house: small counts of people hidden in every part."""
        return replace(self, **{name: getattr(self, name).public() for name in ("retest", "change", "mcid", "audit")})

    @property
    def cautions(self) -> tuple[str, ...]:  # type: ignore[override]
        """Every caution of everything computed, each once."""
        parts = (self.retest, self.change, *self.icc, self.error, self.agreement, self.mcid, self.audit, self.measure,
                 *self.checks.values())  # fmt: skip
        return gathered((), *parts)

    @property
    def results(self) -> tuple[Any, ...]:
        """What the methods paragraph is worded from."""
        parts = (self.change, self.icc[0], self.error, self.agreement, self.mcid, self.audit)
        return (*parts, self.checks) if self.checks else parts

    @property
    def methods(self) -> Any:
        """The methods paragraph with its references, worded from what was computed."""
        return WRITERS["methods"](self)

    def sentences(self) -> tuple[str, ...]:
        """Say the test's error, the change that matters, and the programme's answer."""
        return (self.error.sentence(), self.mcid.sentence(), *self.audit.sentences()[2:-1])

    def table(self) -> pd.DataFrame:
        """Return one row a quantity, of every part that has numbers."""
        parts = {"measurement error": self.error, "agreement": self.agreement, "change that matters": self.mcid,
                 "change": self.audit.change[self.audit.primary],
                 "who changed enough": self.audit.responders[self.audit.primary]}  # fmt: skip
        rows = [one.table().assign(quantity=one.form, part=f"reliability, {one.form}") for one in self.icc]
        rows += [_named(one.table()).assign(part=part) for part, one in parts.items()]
        return pd.concat(rows, ignore_index=True).reindex(columns=SHOWN)

    def write(self, directory: str | Path, *, overwrite: bool = False, **how: Any) -> tuple[Any, ...]:
        """Write page, PDF, Word document, figures, tables and references into `directory`, all or none.

        Parameters
        ----------
        directory : str or Path
            The folder.
        overwrite : bool, optional
            Replace a ``study.docx`` that was edited since it was written; by default it is left as it is, and said.
        **how
            ``stamp`` and ``step`` of :func:`truechange.reporting.study_report.write_study`.

        Returns
        -------
        tuple of Path, tuple of str
            The documents written, and what was left out and why.
        """
        return WRITERS["study"](self, Path(directory), overwrite=overwrite, **how)


def _named(frame: pd.DataFrame) -> pd.DataFrame:
    """Return a result's table with its quantity and its estimate in columns of that name."""
    rows = frame if "quantity" in frame else frame.reset_index()
    return rows.rename(columns={"quantity" if "quantity" in rows else rows.columns[0]: "quantity", "share": "estimate"})


def study(
    retest: Any, change: Any, *, measure: str | Measure, programme: str | None = None, compare: str | None = None,
    on_step: Callable[[str], None] | None = None, **choices: Any,
) -> Study:  # fmt: skip
    """Run a capstone's analysis: reliability, measurement error, MCID from ratings, and the programme's change.

    Parameters
    ----------
    retest : str, Path, DataFrame, mapping of DataFrame or Records
        Scores of unchanged people tested twice: anything :func:`truechange.read` reads, or what it returned.
    change : str, Path, DataFrame, mapping of DataFrame or Records
        Scores of the programme's people before and after, their ratings of change among them (a sheet, a column of a
        wide table, or the frame ``"ratings"`` of a mapping).
    measure : str or Measure
        The test.
    programme, compare : str, optional
        As in :func:`truechange.audit`.
    on_step : callable, optional
        Called with the name of each part before it is computed.
    **choices
        Any field of :class:`Choices`: ``before``, ``after``, ``retest_occasions``, ``trials``, ``form``, ``error``,
        ``interval``, ``population``, ``cut``, ``resamples``, ``seed``.

    Returns
    -------
    Study
        ``.sentences()``, ``.table()``, ``.cautions``, ``.methods`` and every part; ``.write(directory)`` writes the
        documents that ``truechange study`` writes.

    Raises
    ------
    ChoiceError
        A test, programme, occasion or choice that is not known.
    DataError
        Data that cannot be read, or nobody with both retests.
    """
    tell, chosen = on_step or (lambda _: None), Choices.of(choices)
    tell("reading")
    if isinstance(measure, Measure) and measure.key not in catalogue():
        declare(measure)
    records, test = records_of(change), find_measure(measure)
    first, second = chosen.retest_occasions
    twice = records_of(retest).pairs(test, before=first, after=second, trials=chosen.trials)
    tell("reliability")
    error = error_of_pairs(twice, chosen.error, population=chosen.population, interval=chosen.interval)
    forms = tuple(icc(_long(twice), form=form) for form in dict.fromkeys((chosen.form, "ICC(A,1)", "ICC(C,1)")))
    agreement = limits_of_agreement(twice.usable["before"], twice.usable["after"], unit=test.unit)
    tell("the change that matters")
    before, after, cut, drawing = chosen.before, chosen.after, chosen.cut, chosen.drawing
    records.refuse_unmapped(before, after)
    theirs = records_of_programme(records, programme, compare)
    both = theirs.pairs(test, before=before, after=after, trials=chosen.trials)
    matters = attempt(lambda: mcid_of_pairs(both, error.sem, after, cut, **drawing), "The change that matters")
    own = matters if isinstance(matters, Refused) else undoubted(matters.recommended, matters.refused)
    known: dict[str, object] = {"sem": error.sem, "practice": error.learning, "mcid": own}
    tell("the programme")
    whom: dict[str, Any] = {"programme": programme, "compare": compare}
    audited = audit(records, before, after, [test.key], thresholds={test.key: known}, **whom, **drawing)
    tell("the assumptions")
    checks = assumptions(error, both, matters, audited, cut, drawing)
    checks["attacks"] = attacks(error, matters, audited, checks)
    return Study(test, twice, both, forms, error, agreement, matters, audited, chosen, checks)


def _long(retest: Pairs) -> Any:
    return retest.usable.rename(columns={"before": 1, "after": 2}).melt("person", [1, 2], "trial", "value")


def error_of_pairs(retest: Pairs, kind: str, **about: Any) -> MeasurementError:
    """Estimate the measurement error of a test from people tested twice; `kind` says which SEM the MDC uses."""
    test = retest.measure
    about["interval"] = about.get("interval") or time_between(retest.usable)
    return measurement_error(_long(retest), error=kind, resolution=test.resolution, unit=test.unit, **about)


def records_of_programme(records: Records, programme: str | None, compare: str | None) -> Records:
    """Return the records with the assessments of the programme's people alone."""
    return replace(records, assessments=of_programme(records, programme, compare))


def mcid_of_pairs(change: Pairs, sem: "Estimate", after: str, cut: int = 1, **drawing: Any) -> McidStudy:
    """Estimate the change that matters from the people's ratings.

    Raises
    ------
    RefusedError
        Nobody with two comparable scores rated the change.
    """
    if "rating" not in change.usable or not change.usable["rating"].notna().any():
        raise RefusedError(
            f"Nobody with two comparable scores rated the change at {after}: give a sheet of ratings, one row a "
            "person. Changes are held against the measurement error alone."
        )
    rated, test = change.usable.dropna(subset=["rating"]), change.measure
    return mcid(
        rated["improvement"], rated["rating"], cut, sem=sem, before=rated["before"], after=rated["after"],
        unit=test.unit, resolution=test.resolution, interval=time_between(rated), **drawing,
    )  # fmt: skip
