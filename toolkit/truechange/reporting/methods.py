"""The methods paragraph of a thesis: every number taken from a result, every sentence from what was really run."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import TYPE_CHECKING, Any

from truechange.foundation.drawing import cell_text
from truechange.foundation.errors import ChoiceError, OutcomeError, listed
from truechange.foundation.estimate import Estimate
from truechange.foundation.numbers import percent
from truechange.foundation.result import Part, Result
from truechange.meaningful_change.estimators import METHODS, OWN
from truechange.meaningful_change.study import McidStudy
from truechange.numerics.intervals import FEW
from truechange.programme.audit_result import ProgrammeAudit
from truechange.programme.parts import Refused
from truechange.records.pairing import Pairs
from truechange.reliability.agreement import LimitsOfAgreement
from truechange.reliability.error import MeasurementError
from truechange.reliability.icc import IccResult
from truechange.reporting.files import stamp
from truechange.reporting.references import ReferenceList, cite
from truechange.reporting.tables import latex_text

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True, slots=True)
class Share:
    """A share (0 to 1) that is to be written as a percentage."""

    value: float


@dataclass
class Telling:
    """Collects sentences, the numbers they were given and the sources they cite."""

    lines: list[tuple[str, tuple[str, ...]]] = field(default_factory=list)
    facts: list[dict[str, object]] = field(default_factory=list)
    breaks: list[int] = field(default_factory=list)

    def new_paragraph(self) -> None:
        """Let the next sentence begin a paragraph."""
        self.breaks.append(len(self.lines))

    def say(self, template: str, *keys: str, source: str = "", **fields: Any) -> None:
        """Add one sentence.

        Parameters
        ----------
        template : str
            The words, fields in braces; no digit. Citation marks go before the full stop.
        *keys : str
            Bibliography keys cited here.
        source : str, optional
            Which result the fields come from, for the record.
        **fields : Estimate, Share, int, float or str
            What is filled in, straight from a result.

        Raises
        ------
        OutcomeError
            The template holds a digit: numbers come from results, never from the wording.
        """
        if any(sign.isdigit() for sign in template):
            raise OutcomeError(f"A number stands in the wording of: {template!r}")
        told = {name: _written(value) for name, value in fields.items()}
        for name, value in fields.items():
            number = value.value if isinstance(value, Share | Estimate) else value
            self.facts.append({"field": name, "shown": told[name], "value": number, "source": source})
        self.lines.append((template.format(**told), keys))


def _written(value: Any) -> str:
    if isinstance(value, Share):
        return percent(value.value)
    if isinstance(value, Estimate):
        return value.text()
    return cell_text(value)


@dataclass(frozen=True)
class Prose(Result):
    """Generated running text whose every number traces to a result.

    Parameters
    ----------
    lines : tuple of str
        Sentences with their citation marks.
    references : ReferenceList
        What the marks point at.
    facts : tuple of dict
        Every filled-in field: field, shown, value, source.
    breaks : tuple of int
        Sentences before which a paragraph begins.
    """

    lines: tuple[str, ...]
    references: ReferenceList
    facts: tuple[dict[str, object], ...]
    breaks: tuple[int, ...] = ()
    cautions: tuple[str, ...] = ()

    @property
    def sources(self) -> tuple[str, ...]:  # type: ignore[override]
        """Keys of the bibliography, in order of first use."""
        return tuple(entry.key for entry in self.references.entries)

    def sentences(self) -> tuple[str, ...]:
        """Return the sentences."""
        return self.lines

    def table(self) -> "pd.DataFrame":
        """Return where every number comes from: field, shown, value, source."""
        import pandas as pd

        return pd.DataFrame(list(self.facts), columns=["field", "shown", "value", "source"])

    @property
    def paragraphs(self) -> tuple[str, ...]:
        """The text, a paragraph an item."""
        edges = [*dict.fromkeys((0, *self.breaks)), len(self.lines)]
        return tuple(" ".join(self.lines[start:end]) for start, end in pairwise(edges) if end > start)

    def __str__(self) -> str:
        return "\n\n".join(self.paragraphs)

    def _repr_html_(self) -> str:
        from html import escape

        text = "".join(f"<p>{escape(paragraph)}</p>" for paragraph in self.paragraphs)
        return f"{text}{self.references._repr_html_()}"


def written(telling: Telling, style: str = "numbered", after: Sequence[str] = ()) -> Prose:
    """Put the citation marks in, numbered in order of first use.

    Parameters
    ----------
    telling : Telling
        What was said.
    style : {"numbered", "author-year", "bibtex"}
        Style of the marks; "bibtex" gives LaTeX with its own marks.
    after : sequence of str, optional
        Further keys for the list, cited elsewhere in the same document.
    """
    listed = cite(*(key for _, keys in telling.lines for key in keys), *after, style=style)
    lines = []
    for said, keys in telling.lines:
        text = latex_text(said) if style == "bibtex" else said
        mark = f" {listed.marks(*dict.fromkeys(keys))}" if keys else ""
        lines.append(f"{text.removesuffix('.')}{mark}.")
    return Prose(tuple(lines), listed, tuple(telling.facts), tuple(telling.breaks), listed.cautions)


PARAGRAPHS = (Pairs, IccResult, McidStudy, Refused, ProgrammeAudit, dict)  # begin a paragraph


def methods_paragraph(
    *results: Result, style: str = "numbered", options: Mapping[str, object] | None = None, cited: tuple[str, ...] = ()
) -> Prose:
    """Write the methods paragraph from the results themselves.

    Parameters
    ----------
    *results : Result
        In the order they are told: Pairs, IccResult, MeasurementError, LimitsOfAgreement, McidStudy, ProgrammeAudit.
    style : {"numbered", "author-year"}, optional
        Style of the citations.
    options : mapping, optional
        Settings of the run that the results do not carry, told in the last sentence but one.
    cited : tuple of str, optional
        Keys cited elsewhere in the same document, so that the numbers go on.

    Returns
    -------
    Prose
        ``str()`` of it is the paragraph; ``.references`` the list; ``.table()`` shows where each number comes from.

    Raises
    ------
    ChoiceError
        There is no wording for a result of this type.

    Examples
    --------
    >>> import pandas as pd, truechange as tc
    >>> twice = pd.DataFrame({"person": list("aabbccdd"), "trial": [1, 2] * 4, "value": [9, 10, 12, 11, 7, 8, 13, 14]})
    >>> told = methods_paragraph(tc.icc(twice, form="ICC(A,1)"))
    >>> print(told.sentences()[0])
    Test-retest reliability was expressed as the intraclass correlation ICC(A,1) (two-way, absolute agreement, one
    score; F interval) of 4 people with 2 trials each [1,2].
    """
    telling = Telling()
    for result in results:
        tell = WORDINGS.get(type(result))
        if tell is None:
            names = listed((kind.__name__ for kind in WORDINGS), most=9)
            raise ChoiceError(f"There is no methods wording for {type(result).__name__}; there is for {names}.")
        if isinstance(result, PARAGRAPHS):
            telling.new_paragraph()
        tell(telling, result)
        used = {key for _, keys in telling.lines for key in keys}
        text, keys = telling.lines[-1]
        telling.lines[-1] = (text, (*keys, *(key for key in told_sources(result) if key not in used)))
    telling.new_paragraph()
    for setting, value in (options or {}).items():
        telling.say(
            "{setting}: {value}.", setting=setting.replace("_", " ").capitalize(), value=value, source="options"
        )
    telling.say("All computations were done with {software}.", software=stamp().software, source="stamp")
    return written(telling, style, cited)


def told_sources(result: Any) -> tuple[str, ...]:
    """Return the sources of what the paragraph tells: of an audit the primary test's parts, not sites or training."""
    if not isinstance(result, ProgrammeAudit):
        return tuple(getattr(result, "sources", ("newcombe1998a",)))
    parts = (result.flow, result.change, result.responders, result.missing, result.comparison)
    return tuple(dict.fromkeys(key for part in parts for key in part[result.primary].sources))


def _pairs(telling: Telling, pairs: Any) -> None:
    frame, test = pairs.frame, pairs.measure
    telling.say(
        "The {test} ({unit}; {better} is better) was scored at {before} and at {after}.",
        test=test.name, unit=test.unit, better=test.better, before=pairs.before_occasion, after=pairs.after_occasion,
        source="Pairs",
    )  # fmt: skip
    if pairs.trials != "refuse":
        telling.say("Of several trials in one visit the {rule} was used.", rule=pairs.trials, source="Pairs")
    telling.say(
        "Of {people} people with a first score {usable} had a second one that may be compared.",
        people=len(frame), usable=int(frame["comparable"].sum()), source="Pairs",
    )  # fmt: skip


def _icc(telling: Telling, icc: Any) -> None:
    telling.say(
        "Test-retest reliability was expressed as the intraclass correlation {form} ({method}) of {people} people with "
        "{trials} trials each.",
        *icc.sources,
        form=icc.form, method=icc.estimate.method, people=icc.estimate.n, trials=icc.trials, source="IccResult",
    )  # fmt: skip


def _error(telling: Telling, error: Any) -> None:
    sem = error.sem
    telling.say(
        "The standard error of measurement ({kind}) was taken as {method}, from {people} people with {trials} trials "
        "each.",
        *error.sources,
        kind=error.error, method=sem.method, people=sem.n, trials=len(error.trials), source="MeasurementError",
    )  # fmt: skip
    telling.say(
        "The minimal detectable change of one person was {how}; that of the mean of a group was not used for persons.",
        how=error.mdc95.method, source="MeasurementError",
    )  # fmt: skip


def _agreement(telling: Telling, agreement: Any) -> None:
    telling.say(
        "Limits of agreement of {people} pairs were computed with {kind} confidence limits, and the slope of the "
        "difference on the mean was examined.",
        *agreement.sources, people=agreement.n, kind=agreement.method, source="LimitsOfAgreement",
    )  # fmt: skip


def _mcid(telling: Telling, study: Any) -> None:
    telling.say(
        "The smallest change that matters was estimated from {people} people against their own rating of change; a "
        "rating of at least {cut} counted as improved.",
        people=study.n, cut=study.cut, source="McidStudy",
    )  # fmt: skip
    telling.say(
        "The rating was first examined as an anchor (people in each rating, share improved, correlation with the "
        "change and with each score, order of the ratings); the area under the receiver operating characteristic was "
        "computed.",
        *study.anchor.sources, "delong1988",
    )  # fmt: skip
    known = study.estimates["estimate"].notna()
    got, lacking = ([METHODS[name] for name in study.estimates.index[rows]] for rows in (known, ~known))
    if got:
        telling.say(
            "On the same people these estimates were computed side by side: {names}.",
            *(method.source for method in got if method.source != OWN),
            names="; ".join(method.words for method in got), source="McidStudy",
        )  # fmt: skip
    if own := [method.words for method in got if method.source == OWN]:
        telling.say(
            "The software's own derivation, checked by simulation and published nowhere else: {names}. It takes the "
            "error of the test out of the change.",
            names="; ".join(own), source="McidStudy",
        )  # fmt: skip
    if lacking:
        telling.say("Not computed: {names}.", names="; ".join(method.words for method in lacking), source="McidStudy")
    if study.recommended is None:
        telling.say("No single value was adopted: {why}.", "devji2020", why=study.refused, source="McidStudy")
        return
    interval = "by resampling people, the whole procedure repeated each time"
    if "firth1993" in study.sources:
        interval = "the span of changes between those who rated an improvement and those who did not"
    elif study.recommended_method == "predictive_adjusted_2022" and study.anchor_reliability.value != (
        study.anchor_reliability.value
    ):
        interval += ", over the range that the reliability of a rating may have"
    telling.say(
        "Which value counts was left to the fixed rule that is built into the software, printed with what it saw "
        f"in the results; it chose the {{method}}. Its interval is {interval}.",
        *(("firth1993",) if "firth1993" in study.sources else ()), "devji2020",
        method=METHODS[study.recommended_method].words, source="McidStudy",
    )  # fmt: skip
    telling.say("Sensitivity and specificity were counted at that value, with score intervals.", "newcombe1998a")


def _not_computed(telling: Telling, part: Any) -> None:
    telling.say("{part}: not estimated. {reason}", part=part.part, reason=part.reason, source="Refused")


def _audit(telling: Telling, audit: Any) -> None:
    flow, known, enough = (part[audit.primary] for part in (audit.flow, audit.known, audit.responders))
    change, versus = audit.change[audit.primary], audit.comparison[audit.primary]
    compared = not isinstance(versus, Refused)
    telling.say(
        "{started} people started the programme ({programme}) and were followed from {before} to {after}"
        f"{' and compared with {compare}' if compared else ''}; the follow-up of {{due}} was due, and {{comparable}} "
        "had two comparable scores.",
        started=flow.started, due=flow.due, programme=audit.programme, before=audit.before, after=audit.after,
        comparable=flow.compared, source="ProgrammeAudit", **({"compare": audit.compare} if compared else {}),
    )  # fmt: skip
    if not isinstance(change, Refused):
        telling.say(
            "The change of the group was summarised by {method}, with a trimmed mean beside it.",
            *change.sources, method=change.mean.method, source="ProgrammeAudit",
        )  # fmt: skip
    if isinstance(enough, Part):
        _enough(telling, enough, known)
    if compared:
        _versus(telling, versus)
    _missing(telling, audit.missing[audit.primary])
    telling.say(
        "With fewer than {few} people counts were given without a percentage.", few=FEW, source="rule of the library"
    )


def _enough(telling: Telling, enough: Any, known: Any) -> None:
    """Tell how people were counted, and which of the shares beside the count were computed."""
    counted = [part for part in (enough.counted, enough.beyond_error) if not isinstance(part, Refused)]
    if counted:
        limit = counted[0].threshold
        telling.say(
            "A person was counted as changed enough when the improvement was at least the {kind}, {limit} ({origin}), "
            "unrounded; everyone due was in the denominator, and people without a usable follow-up counted as not "
            "shown.",
            *counted[0].sources, kind=limit.kind.upper(), limit=limit, origin=limit.origin.sentence(),
            source="ProgrammeAudit",
        )  # fmt: skip
    if not isinstance(enough.from_error, Refused):
        telling.say(
            "The number that measurement error alone would carry over it was computed from a standard error of "
            "measurement of {sem} ({origin}).",
            *enough.from_error.sources, sem=known.sem, origin=known.sem.origin.sentence(), source="ProgrammeAudit",
        )  # fmt: skip
    if not isinstance(enough.curve, Refused):
        telling.say("The share that changed by at least each amount was drawn with a band.", *enough.curve.sources)
    if not isinstance(enough.true_share, Refused):
        telling.say(
            "The share whose true change is above the MCID was estimated by the software's own derivation ({method}); "
            "it was checked by simulation and is published nowhere else.",
            *enough.true_share.sources, method=enough.true_share.method, source="ProgrammeAudit",
        )  # fmt: skip


def _versus(telling: Telling, versus: Any) -> None:
    """Tell how the groups were compared."""
    telling.say(
        "The mean improvements of the two groups were compared by analysis of covariance on the first score with "
        "errors robust against unequal variances.",
        "vickers2001", "long2000",
    )  # fmt: skip
    telling.say(
        "Whether the slopes of the two groups are equal, the line straight, the residuals normal and any one person "
        "decisive was looked at."
    )
    if len(versus.subgroups):
        telling.say("{looked} subgroup comparisons were made.", looked=len(versus.subgroups), source="ProgrammeAudit")
    if not isinstance(versus.responders, Refused):
        telling.say("Their shares were compared by the hybrid score interval.", *versus.responders.sources)
    if versus.response.sources:
        telling.say("The spread of the two groups' changes was compared.", *versus.response.sources)


def _missing(telling: Telling, missing: Any) -> None:
    """Tell what was done about missing follow-up: bounds always, imputation only where it was run."""
    if isinstance(missing, Refused) or not missing.missing:
        return
    telling.say("Missing follow-up was bounded by the best and the worst case.", "newcombe1998a")
    if missing.mean is None:
        telling.say("Nothing was imputed.")
        return
    telling.say(
        "Missing improvements were filled in by Bayesian linear regression on the first score and what else is known "
        "of the people, visits and training ({method}), shares on the scale of log odds{unable}.",
        "rubin1987", "barnard1999", method=missing.mean.method, source="ProgrammeAudit",
        unable="; people unable to do the test at follow-up count as not changed" if missing.unable else "",
    )  # fmt: skip
    telling.say(
        "How much worse than people like them the missing would have to be to change the answer was searched.",
        "floden2019",
    )  # fmt: skip


def _checks(telling: Telling, checks: Any) -> None:
    """Tell which assumptions were looked at, and how."""
    fit, alike = checks.get("cross-fitting"), checks.get("therapist")
    if isinstance(fit, Part):
        telling.say(
            "People were also held against an MCID that they had no part in (cross-fitting): it was estimated without "
            "each of {folds} random groups in turn, {repeats} times over, with intervals by resampling people.",
            folds=fit.folds, repeats=fit.repeats, source="checks",
        )  # fmt: skip
    if isinstance(checks.get("ratings"), Part):
        telling.say("The MCID was computed again with either rating for those who gave none, and with the next cut.")
    if isinstance(alike, Part):
        telling.say(
            "How alike the people of one therapist are was estimated by analysis of variance of {units} therapists.",
            units=alike.units, source="checks",
        )  # fmt: skip
    if isinstance(checks.get("errors"), Part):
        telling.say("The differences of the two tests were held against the normal distribution that the MDC assumes.")
    telling.say("Each doubt was expressed in halves of the interval of the number that it moves, and ordered by it.")


WORDINGS: dict[type, Callable[[Telling, Any], None]] = {
    Pairs: _pairs, IccResult: _icc, MeasurementError: _error, LimitsOfAgreement: _agreement,
    McidStudy: _mcid, Refused: _not_computed, ProgrammeAudit: _audit, dict: _checks,
}  # fmt: skip
