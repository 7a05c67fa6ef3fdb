"""The methods paragraph of a thesis, worded from what was really run."""

from collections.abc import Callable, Mapping
from typing import Any

from truechange.foundation.errors import ChoiceError, listed
from truechange.foundation.estimate import Estimate, Threshold
from truechange.foundation.result import Result
from truechange.meaningful_change.estimators import METHODS
from truechange.numerics.shares import FEW
from truechange.programme.parts import Refused
from truechange.reporting.prose import Prose, Share, Telling, written
from truechange.reporting.stamp import stamp

PARAGRAPHS = ("Pairs", "IccResult", "McidStudy", "ProgrammeAudit")  # begin a paragraph
MODELS = {
    "predictive modelling": ("terluin2015",),
    "its adjustments for the share improved and the reliability of the rating": ("terluin2017", "terluin2022"),
    "cut-points of the receiver operating characteristic": ("froud2014", "delong1988"),
}


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
        name = type(result).__name__
        if name not in WORDINGS:
            raise ChoiceError(f"There is no methods wording for {name}; there is for {listed(WORDINGS, most=9)}.")
        if name in PARAGRAPHS:
            telling.new_paragraph()
        WORDINGS[name](telling, result)
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
    if type(result).__name__ != "ProgrammeAudit":
        return tuple(result.sources)
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
    why = frame.loc[~frame["comparable"], "why_not"].value_counts()
    usable = int(frame["comparable"].sum())
    text = "Of {people} people with a first score {usable} had a comparable second one"
    reasons = "; ".join(f"{reason}: {count}" for reason, count in why.items())
    telling.say(
        f"{text} ({{reasons}})." if reasons else f"{text}.",
        people=len(frame), usable=usable, source="Pairs", **({"reasons": reasons} if reasons else {}),
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
        "rating of at least {cut} counted as improved ({share} of them).",
        people=study.n, cut=study.cut, share=Share(study.anchor.improved.value), source="McidStudy",
    )  # fmt: skip
    telling.say(
        "The rating was first examined as an anchor: its correlation with the change was {r}.",
        *study.anchor.sources, r=study.anchor.correlation, source="McidStudy",
    )  # fmt: skip
    used = [(words, [key for key in keys if key in study.sources]) for words, keys in MODELS.items()]
    telling.say(
        f"On the same people these were computed side by side: {', '.join(words for words, keys in used if keys)}, "
        "and latent-threshold models that take the error of the test into account.",
        *(key for _, keys in used for key in keys),
    )  # fmt: skip
    if study.recommended is None:
        telling.say("No single value was adopted: {why}.", why=study.refused, source="McidStudy")
        return
    telling.say(
        "By a rule fixed before the data were seen the value of the {method} was adopted: {value}; its interval is by "
        "resampling people, the whole procedure repeated each time.",
        method=METHODS[study.recommended_method].words, value=study.recommended, source="McidStudy",
    )  # fmt: skip


def _audit(telling: Telling, audit: Any) -> None:
    flow, known, enough = (part[audit.primary] for part in (audit.flow, audit.known, audit.responders))
    versus = " and compared with {compare}" if audit.compare else ""
    telling.say(
        "{started} people started the programme ({programme}) and were followed from {before} to {after}"
        f"{versus}; the follow-up of {{due}} was due, and {{comparable}} had two comparable scores.",
        started=flow.started, due=flow.due, programme=audit.programme, before=audit.before, after=audit.after,
        comparable=flow.compared, source="ProgrammeAudit", **({"compare": audit.compare} if audit.compare else {}),
    )  # fmt: skip
    telling.say(
        "The change of the group was summarised by {method}, with a trimmed mean beside it.",
        *audit.change[audit.primary].sources, method=audit.change[audit.primary].mean.method, source="ProgrammeAudit",
    )  # fmt: skip
    if isinstance(known.mcid, Threshold):
        telling.say(
            "A person was counted as changed enough when the improvement was at least {mcid} ({origin}), compared "
            "unrounded; everyone due was in the denominator, and people without a usable follow-up counted as "
            "not shown.",
            *enough.sources, mcid=known.mcid, origin=known.mcid.origin.sentence(), source="ProgrammeAudit",
        )  # fmt: skip
    if isinstance(known.sem, Estimate):
        telling.say(
            "The number that measurement error alone would carry over the threshold, and the share whose true change "
            "is above it, were computed from a standard error of measurement of {sem} ({origin}).",
            sem=known.sem, origin=known.sem.origin.sentence(), source="ProgrammeAudit",
        )  # fmt: skip
    versus = audit.comparison[audit.primary]
    if not isinstance(versus, Refused):
        telling.say(
            "The two groups were compared by analysis of covariance on the first score with errors robust against "
            "unequal variances, and their shares by the hybrid score interval.",
            *versus.sources,
        )  # fmt: skip
    telling.say(
        "With fewer than {few} people counts were given without a percentage; missing follow-up was bounded by the "
        "best and the worst case.",
        few=FEW, source="rule of the library",
    )  # fmt: skip


WORDINGS: dict[str, Callable[[Telling, Any], None]] = {
    "Pairs": _pairs, "IccResult": _icc, "MeasurementError": _error, "LimitsOfAgreement": _agreement,
    "McidStudy": _mcid, "ProgrammeAudit": _audit,
}  # fmt: skip
