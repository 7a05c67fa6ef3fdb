"""The wording of reports: the methods paragraph of a thesis, and advice in words for who does not write code.

Every number of the paragraph is taken from a result, every sentence from what was really run.
"""

import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from functools import partial
from itertools import pairwise
from math import isnan, nan
from typing import Any

import pandas as pd

from truechange.foundation.drawing import cell_text
from truechange.foundation.errors import ChoiceError, OutcomeError, listed
from truechange.foundation.estimate import Estimate
from truechange.foundation.result import Part, Refused, Result, in_singular
from truechange.meaningful_change.estimators import METHODS, OWN
from truechange.meaningful_change.study import McidStudy
from truechange.numerics.intervals import FEW
from truechange.programme.audit_result import ProgrammeAudit
from truechange.records.pairing import Pairs
from truechange.reliability.agreement import LimitsOfAgreement
from truechange.reliability.error import MeasurementError
from truechange.reliability.icc import IccResult
from truechange.reporting.files import stamp
from truechange.reporting.page import Words
from truechange.reporting.references import ReferenceList, cite, wording
from truechange.reporting.tables import latex_text

CALL = re.compile(r"Give (a retest study, or )?thresholds=\{'(\w+)': \{'(\w+)': \.\.\.\}\}( with its source)?\.")
KIND, BRACKETS, PIECES = re.compile(r"error='([\w-]+)'"), re.compile(r" \(\w+=\)"), re.compile(r"(?<=[.;]) ")
CODE = re.compile(r"\b\w+=|\btc\.|\btruechange [a-z]|\bsem_df\b| --\w|`| \.[a-z]+\b")
ASKED = {"sem": "standard error of measurement", "mcid": "MCID"}


def in_words(text: Any) -> Any:
    """Say what to give instead of how a programmer would write it; what is no text stays as it is.

    Examples
    --------
    >>> in_words("Not known. Give a retest study, or thresholds={'pain_0_10': {'sem': ...}}.")
    'Not known. Give a retest study, or its standard error of measurement in a thresholds file.'
    >>> in_words("It needs the test's SEM (sem=). Give sem_df=12, or pass the estimate itself.")
    "It needs the test's SEM."
    """
    if not isinstance(text, str):
        return text

    def asked(call: re.Match[str]) -> str:
        what, source = ASKED.get(call[3], call[3]), ", with the source" * bool(call[4])
        return f"Give {call[1] or ''}its {what} in a thresholds file{source}."

    text = CALL.sub(asked, KIND.sub(r"the \1 error", text))
    plain = [piece for piece in PIECES.split(BRACKETS.sub("", text)) if not CODE.search(piece)]
    return f"{' '.join(plain).rstrip(' ;:.')}." if text.endswith(".") and plain else " ".join(plain) or text


def plain(texts: Iterable[str], kind: str = "paragraphs") -> Words:
    """Return the sentences of a result as a block of a report, advice in words."""
    return Words(list(map(in_words, texts)), kind)


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

    def table(self) -> pd.DataFrame:
        """Return where every number comes from: field, shown, value, source."""
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

        return "".join(f"<p>{escape(text)}</p>" for text in self.paragraphs) + self.references._repr_html_()


PARAGRAPHS = (Pairs, IccResult, McidStudy, Refused, ProgrammeAudit, dict)  # begin a paragraph


def methods_paragraph(
    *results: Result, style: str = "numbered", options: Mapping[str, object] | None = None, cited: tuple[str, ...] = ()
) -> Prose:
    """Write the methods paragraph from the results themselves.

    Parameters
    ----------
    *results : Result
        In the order they are told: Pairs, IccResult, MeasurementError, LimitsOfAgreement, McidStudy, ProgrammeAudit.
    style : {"numbered", "author-year", "bibtex"}, optional
        Style of the citations; "bibtex" gives LaTeX with its own marks.
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
    OutcomeError
        A wording holds a digit: numbers come from results, never from the words.

    Examples
    --------
    >>> import pandas as pd, truechange as tc
    >>> twice = pd.DataFrame({"person": list("aabbccdd"), "trial": [1, 2] * 4, "value": [9, 10, 12, 11, 7, 8, 13, 14]})
    >>> told = methods_paragraph(tc.icc(twice, form="ICC(A,1)"))
    >>> print(told.sentences()[0])
    Test-retest reliability was expressed as the intraclass correlation ICC(A,1) (two-way, absolute agreement, one
    score; F interval) of 4 people with 2 trials each [1,2].
    """
    lines: list[tuple[str, tuple[str, ...]]] = []  # sentences, and the sources each cites
    facts: list[dict[str, object]] = []
    breaks: list[int] = []

    def tell(kind: str, key: str, /, *keys: str, source: str = "", **fields: Any) -> None:
        """Add the sentence `key` that ``wording.toml`` has for a `kind` of result, `keys` cited before its own."""
        template, *cited = wording("methods")[kind][key]
        if any(sign.isdigit() for sign in template):
            raise OutcomeError(f"A number stands in the wording of: {template!r}")
        shown = {name: one.text() if isinstance(one, Estimate) else cell_text(one) for name, one in fields.items()}
        for name, one in fields.items():
            told = {"field": name, "shown": shown[name], "value": getattr(one, "value", one)}
            facts.append(told | {"source": source or kind})
        lines.append((in_singular(template.format(**shown)), (*keys, *cited)))

    for result in results:
        if type(result) not in WORDINGS:
            names = listed((kind.__name__ for kind in WORDINGS), most=9)
            raise ChoiceError(f"There is no methods wording for {type(result).__name__}; there is for {names}.")
        if isinstance(result, PARAGRAPHS):
            breaks.append(len(lines))
        kind, wording_of = WORDINGS[type(result)]
        wording_of(partial(tell, kind), result)
        used = {key for _, keys in lines for key in keys}
        text, keys = lines[-1]
        lines[-1] = (text, (*keys, *(key for key in told_sources(result) if key not in used)))
    breaks.append(len(lines))
    for setting, value in (options or {}).items():
        tell("run", "option", source="options", setting=setting.replace("_", " ").capitalize(), value=value)
    tell("run", "software", source="stamp", software=stamp().software)
    # the marks are numbered in order of first use
    references = cite(*(key for _, keys in lines for key in keys), *cited, style=style)
    marked = []
    for text, keys in lines:
        mark = f" {references.marks(*dict.fromkeys(keys))}" if keys else ""
        marked.append(f"{(latex_text(text) if style == 'bibtex' else text).removesuffix('.')}{mark}.")
    return Prose(tuple(marked), references, tuple(facts), tuple(breaks), references.cautions)


def told_sources(result: Any) -> tuple[str, ...]:
    """Return the sources of what the paragraph tells: of an audit the primary test's parts, not sites or training."""
    if not isinstance(result, ProgrammeAudit):
        return tuple(getattr(result, "sources", ("newcombe1998a",)))
    parts = (result.flow, result.change, result.responders, result.missing, result.comparison)
    return tuple(dict.fromkeys(key for part in parts for key in part[result.primary].sources))


Tell = Callable[..., None]  # tells one sentence of the result: its key, further sources, what is filled in


def _pairs(tell: Tell, pairs: Any) -> None:
    test = pairs.measure
    visits = {"before": pairs.before_occasion, "after": pairs.after_occasion}
    tell("scored", test=test.name, unit=test.unit, better=test.better, **visits)
    if pairs.trials != "refuse":
        tell("trials", rule=pairs.trials)
    tell("usable", people=len(pairs.frame), usable=int(pairs.frame["comparable"].sum()))


def _icc(tell: Tell, icc: Any) -> None:
    one, most = icc.estimate, "up to " * ("REML" in icc.estimate.method)  # it takes people who lack a score
    tell("icc", *icc.sources, form=icc.form, method=one.method, people=one.n, trials=icc.trials, most=most)


def _error(tell: Tell, error: Any) -> None:
    sem, most = error.sem, "up to " * ("REML" in error.sem.method)
    tell("sem", *error.sources, kind=error.error, method=sem.method, people=sem.n, trials=len(error.trials), most=most)
    tell("mdc", how=error.mdc95.method)


def _agreement(tell: Tell, agreement: Any) -> None:
    slope = ", and the slope of the difference on the mean was examined" * agreement.proportional_bias.has_interval
    scale = " on logarithms" * (agreement.scale == "log")
    tell("limits", *agreement.sources, people=agreement.n, kind=agreement.method, scale=scale, slope=slope)


def _mcid(tell: Tell, study: Any) -> None:
    tell("rated", people=study.n, cut=study.cut)
    seen = {", correlation with the change": "correlation", " and with each score": "with_before"}
    correlation = "".join(words for words, name in seen.items() if not isnan(getattr(study.anchor, name).value))
    tell("anchor", *study.anchor.sources, correlation=correlation)
    if not isnan(study.area.value):
        tell("area")
    known = study.estimates["estimate"].notna()
    got, lacking = ([METHODS[name] for name in study.estimates.index[rows]] for rows in (known, ~known))
    own = [method for method in got if method.source == OWN]
    sources = [method.source for method in got if method.source != OWN]
    for key, methods, cited in (("estimates", got, sources), ("own", own, ()), ("lacking", lacking, ())):
        if methods:
            tell(key, *cited, names="; ".join(method.words for method in methods))
    if study.recommended is None:
        tell("none", why=study.refused)
        return
    over = study.recommended_method == "predictive_adjusted_2022" and isnan(study.anchor_reliability.value)
    chosen = "chosen_in_gap" if "firth1993" in study.sources else "chosen" + "_over_reliability" * over
    tell(chosen, method=METHODS[study.recommended_method].words)
    if study.recommended.doubts:
        tell("doubted", why="; ".join(doubt.rstrip(".") for doubt in study.recommended.doubts))
    tell("accuracy")


def _not_computed(tell: Tell, part: Any) -> None:
    tell("refused", part=part.part, reason=part.reason)


def _audit(tell: Tell, audit: Any) -> None:
    parts = (audit.flow, audit.change, audit.responders, audit.comparison, audit.missing)
    flow, change, enough, versus, missing = (part[audit.primary] for part in parts)
    compared = not isinstance(versus, Refused)
    about = {name: getattr(audit, name) for name in ("programme", "before", "after", "compare")[: 3 + compared]}
    tell("compared" if compared else "followed", started=flow.started, due=flow.due, comparable=flow.compared, **about)
    if not isinstance(change, Refused):
        tell("change", *change.sources, method=change.mean.method)
    if isinstance(enough, Part):
        _enough(tell, enough, audit.known[audit.primary])
    if compared:
        _versus(tell, versus)
    if not isinstance(missing, Refused) and missing.missing:
        _missing(tell, missing)
    tell("few", source="rule of the library", few=FEW)


def _enough(tell: Tell, enough: Any, known: Any) -> None:
    """Tell how people were counted, and which of the shares beside the count were computed."""
    counted = [part for part in (enough.counted, enough.beyond_error) if not isinstance(part, Refused)]
    if counted:
        limit = counted[0].threshold
        tell("counted", *counted[0].sources, kind=limit.kind.upper(), limit=limit, origin=limit.origin.sentence())
    if not isinstance(enough.from_error, Refused):
        tell("from_error", *enough.from_error.sources, sem=known.sem, origin=known.sem.origin.sentence())
    if not isinstance(enough.curve, Refused):
        tell("curve", *enough.curve.sources)
    if not isinstance(enough.true_share, Refused):
        tell("true_share", *enough.true_share.sources, method=enough.true_share.method)


def _versus(tell: Tell, versus: Any) -> None:
    """Tell how the groups were compared."""
    tell("groups")
    tell("looked")
    if len(versus.subgroups):
        tell("subgroups", looked=len(versus.subgroups))
    if not isinstance(versus.responders, Refused):
        tell("shares", *versus.responders.sources)
    if versus.response.sources:
        tell("spread", *versus.response.sources)


def _missing(tell: Tell, missing: Any) -> None:
    """Tell what was done about missing follow-up: bounds always, imputation only where it was run."""
    tell("bounds")
    if missing.mean is None:
        tell("nothing")
        return
    unable = "; people unable to do the test at follow-up count as not changed" if missing.unable else ""
    tell("imputed", method=missing.mean.method, unable=unable)
    tell("searched")


def _checks(tell: Tell, checks: Any) -> None:
    """Tell which assumptions were looked at, and how."""
    done = {name: part for name, part in checks.items() if isinstance(part, Part)}
    if fit := done.get("cross-fitting"):
        tell("cross_fitting", folds=fit.folds, repeats=fit.repeats)
    for key in ("if_unchanged", "next_cut"):
        if not isnan(getattr(done.get("ratings"), key, nan)):
            tell(key)
    if alike := done.get("therapist"):
        tell("therapist", units=alike.units)
    if "errors" in done:
        tell("errors")
    tell("doubts")


WORDINGS: dict[type, tuple[str, Callable[[Tell, Any], None]]] = {
    Pairs: ("Pairs", _pairs), IccResult: ("IccResult", _icc), MeasurementError: ("MeasurementError", _error),
    LimitsOfAgreement: ("LimitsOfAgreement", _agreement), McidStudy: ("McidStudy", _mcid),
    Refused: ("Refused", _not_computed), ProgrammeAudit: ("ProgrammeAudit", _audit), dict: ("checks", _checks),
}  # fmt: skip
