"""May a published number be used on these people? Compare where it comes from with where it is to be used."""

from __future__ import annotations

import re
from collections.abc import Mapping
from math import isfinite, nan, sqrt
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy.special import fdtri

from truechange.foundation.errors import DataError, check_confidence, check_finite, check_kind, listed, stated
from truechange.foundation.estimate import Estimate, Origin, Threshold, read_sem
from truechange.foundation.numbers import fixed
from truechange.foundation.result import Part, told
from truechange.measures.literature import FAR_SHORTER, MEMORY, NONE, days_between
from truechange.reliability.error import measurement_error
from truechange.reliability.scores import Sample, float_array

MATCHES, DOUBTFUL, REFUSED = "matches", "doubtful", "do not use"
WORDS = {MATCHES: "fits these people", DOUBTFUL: "is doubtful for these people", REFUSED: "must not be used here"}
SEVERITY = list(WORDS)
INSIDE = 0.8  # own rule: share of the scores here that must lie in the source's range
Finding = tuple[str, object, object, str, str]  # what, source, here, verdict, reason
KINDS = {"mic": "mcid", "mdc90": "mdc", "mdc95": "mdc"}


def transport_check(
    published: Estimate | Mapping[str, Any] | pd.Series | float, baseline: ArrayLike | None = None, *,
    source_mean: float | None = None, source_sd: float | None = None, source_low: float | None = None,
    source_high: float | None = None, source_n: int | None = None,
    source_protocol: Mapping[str, object] | None = None, protocol: Mapping[str, object] | None = None,
    tolerances: Mapping[str, float] | None = None, interval: str = "", same_condition: bool | None = None,
    repeats: tuple[ArrayLike, ArrayLike] | None = None, within_visit: bool = False, unit: str = "",
    for_person: bool = True, confidence: float = 0.95,
) -> Part:  # fmt: skip
    """Check whether a published SEM, MDC or MCID may be used on one's own patients.

    Parameters
    ----------
    published : Threshold, Estimate, row of ``published()``, or float
        The number with its origin. A bare number has no origin and is doubtful at best.
    baseline : array, optional
        Own patients' baseline scores, in the unit of the test.
    source_mean, source_sd, source_low, source_high, source_n : float, optional
        What the source says of its people's scores; `source_n` defaults to the origin's n.
    source_protocol, protocol : mapping of str to object, optional
        How the test was done there and here, such as ``{"seat_height_cm": 43, "arms_used": "no"}``.
    tolerances : mapping of str to float, optional
        How far apart a numeric protocol fact may be.
    interval : str, optional
        Time between the two tests in own use, such as ``"12 weeks"``; the source's is in its origin.
    same_condition : bool, optional
        Whether the source's people had the same condition. Not guessed, except that healthy people are recognised.
    repeats : pair of arrays, optional
        Own people tested twice in an unchanged spell (two baselines), same order.
    within_visit : bool, optional
        The repeats were trials of one visit: their error is only a lower bound.
    unit : str, optional
        Unit of the own scores.
    for_person : bool, optional
        The number is meant for one person's change.
    confidence : float, optional
        Level of the intervals.

    Returns
    -------
    Part
        ``verdict`` ("matches", "doubtful" or "do not use": the worst of the findings; "matches" needs every comparison
        made and none against), ``reasons`` (why not a plain match, worst first), ``findings`` and table (one row a
        comparison: what, source, here, finding, reason), ``value`` (the number that was checked), ``variance_ratio``
        (own baseline variance over the source's; NaN where the source gives none), ``own_sem`` (from `repeats`).

    Raises
    ------
    DataError
        Fewer than 2 baseline scores, or repeats that cannot be used.

    Notes
    -----
    Refused: another unit, another protocol fact, a group's threshold for a
    person, a value marked implausible, score ranges that do not overlap, or own
    within-visit error above the published one. Doubtful: anything not known,
    from memory, another condition, a much shorter interval, another variance
    (F ratio whose interval excludes 1), or own repeats that disagree. The rules
    are ours; the SEM travels better than the ICC because no variance between
    people is in it.

    Examples
    --------
    >>> import truechange as tc
    >>> mdc = tc.published_threshold("chair_stand_30s", "mdc95", citation="Gill & McBurney")
    >>> check = transport_check(mdc, [9, 11, 12, 8, 10, 13], interval="12 weeks", same_condition=True)
    >>> check.verdict
    'doubtful'
    """
    check_confidence(confidence)
    source = {"source_mean": source_mean, "source_sd": source_sd, "source_low": source_low, "source_high": source_high}
    check_finite(**stated(**source, source_n=source_n))
    value, row = _as_estimate(published)
    origin = value.origin
    findings = [
        *_number(value, row, unit, for_person), *_protocols(source_protocol or {}, protocol or {}, tolerances or {}),
        _people(origin.population, same_condition), _intervals(origin.interval, interval),
    ]  # fmt: skip
    ratio = Estimate(value=nan, method="the source's SD or n is not known")
    if baseline is not None:
        scores = float_array(baseline, "baseline")
        if scores.ndim != 1:
            raise DataError(f"baseline must be one column of scores, got shape {scores.shape}. Pick one column.")
        scores = scores[np.isfinite(scores)]
        if scores.size < 2:
            raise DataError(f"Only {scores.size} baseline score; at least 2 are needed to compare the spread.")
        findings.append(_ranges(scores, source_mean, source_sd, source_low, source_high))
        n = source_n or origin.n
        if source_sd and n and n > 1:
            ratio = _ratio(scores, source_sd, n, confidence)
            findings.append(_spreads(ratio, source_sd, n))
    elif not origin.is_own:
        findings.append(("scores", "", "", DOUBTFUL, "No baseline scores were given, so the people were not compared."))
    own = None
    if repeats is not None:
        own = _own_sem(repeats, confidence, value.unit or unit)
        findings.append(_errors(value, str(row.get("quantity", "")), own, within_visit))
    frame = pd.DataFrame(findings, columns=["what", "source", "here", "finding", "reason"])
    frame[["source", "here"]] = frame[["source", "here"]].fillna("").map(str)
    verdict = max(frame["finding"], key=SEVERITY.index)
    reasons = tuple(pd.concat([frame.loc[frame["finding"] == worst, "reason"] for worst in (REFUSED, DOUBTFUL)]))
    says = (f"The number {value} {WORDS[verdict]}.", *reasons)
    facts: dict[str, Any] = {"verdict": verdict, "reasons": reasons, "findings": frame, "value": value,
                             "variance_ratio": ratio, "own_sem": own}  # fmt: skip
    cautions = told({"Better than any published number: the clinic's own retest of stable people.": verdict != MATCHES})
    return Part(facts, frame, says, cautions, ("kottner2011", "mokkink2020"))


def _as_estimate(published: Any) -> tuple[Estimate, dict[str, Any]]:
    if isinstance(published, Threshold):
        return published, {}
    if not isinstance(published, Mapping | pd.Series):
        return read_sem(published, name="published").estimate, {}
    row = {key: cell for key, cell in dict(published).items() if cell is not None and cell == cell}
    if "value" not in row:
        raise DataError(f"published has no 'value', only {listed(row) or 'nothing'}; give one row of published().")
    n = int(row["n"]) if row.get("n") else None
    told_of = ("citation", "doi", "population", "interval", "note")
    words: dict[str, Any] = {name: str(row.get(name, "")) for name in told_of}
    origin = Origin("published", **words, n=n, status=str(row.get("status", "from memory")))
    known: dict[str, Any] = {"value": float(row["value"]), "unit": str(row.get("unit", "")), "origin": origin, "n": n}
    if row.get("quantity") in KINDS and row.get("level"):
        return Threshold(**known, kind=KINDS[row["quantity"]], level=row["level"]), row
    return Estimate(**known), row


def _doubted(what: str, there: object, here: object, doubts: Mapping[str, object]) -> Finding:
    """Return a comparison that is doubtful for the first reason that holds, and a match where none does."""
    reason = next((text for text, holds in doubts.items() if holds), "")
    return what, there, here, DOUBTFUL if reason else MATCHES, reason


def _number(value: Estimate, row: Mapping[str, Any], unit: str, for_person: bool) -> list[Finding]:
    origin = value.origin
    findings = [_doubted("origin", origin.sentence(), "", {
        "The published value is from memory; check it against its source.": origin.status == "from memory",
        "Nothing is known of where the number comes from.": origin.kind == "stated",
    })]  # fmt: skip
    if row.get("use") == NONE and row.get("why_not") != MEMORY:
        findings.append(("use", value, "", REFUSED, f"The published value may not be used: {row['why_not']}."))
    if for_person and isinstance(value, Threshold) and value.level != "person":
        reason = f"It is a {value.level}-level threshold and says nothing about one person."
        findings.append(("level", value.level, "person", REFUSED, reason))
    if unit and value.unit and unit != value.unit:
        findings.append(("unit", value.unit, unit, REFUSED, f"It is in {value.unit}, the scores here are in {unit}."))
    return findings


def _protocols(
    there: Mapping[str, object], here: Mapping[str, object], tolerances: Mapping[str, float]
) -> list[Finding]:
    if not there and not here:
        return [("protocol", "", "", DOUBTFUL, "How the test was done was not compared.")]
    findings: list[Finding] = []
    for fact in dict.fromkeys((*there, *here)):
        name, one, two = fact.replace("_", " "), there.get(fact), here.get(fact)
        if any(side in (None, "") or side != side for side in (one, two)):
            findings.append((name, one, two, DOUBTFUL, f"Not known on both sides: {name}."))
            continue
        try:
            same = abs(float(one) - float(two)) <= tolerances.get(fact, 0.0) + 1e-9  # type: ignore[arg-type]
        except (TypeError, ValueError):
            same = str(one).strip().casefold() == str(two).strip().casefold()
        reason = "" if same else f"Another way of testing: {name} {one} there, {two} here."
        findings.append((name, one, two, MATCHES if same else REFUSED, reason))
    return findings


def _people(population: str, same: bool | None) -> Finding:
    healthy = re.search(r"\b(healthy|community|young)\b", population, re.IGNORECASE)
    return _doubted("condition", population, "declared the same" if same else "", {
        f"The source's people differ ({population or 'another condition'}).": same is False or (healthy and not same),
        "Whether the source's people had the same condition was not stated.": not same,
    })  # fmt: skip


def _intervals(there: str, here: str) -> Finding:
    source, own = days_between(there), days_between(here)
    return _doubted("time between tests", there, here, {
        "The source's time between tests is not known.": not isfinite(source),
        "The time between tests here was not stated.": not isfinite(own),
        f"Tests there lay '{there}' apart, here {here}: over the longer time the error is larger.":
            source * FAR_SHORTER < own,
    })  # fmt: skip


def _ranges(scores: np.ndarray, mean: float | None, sd: float | None, low: float | None, high: float | None) -> Finding:
    here = f"mean {scores.mean():.3g}, SD {scores.std(ddof=1):.3g}, {scores.min():g} to {scores.max():g}"
    if mean is not None and sd:
        low, high = (mean - 2 * sd if low is None else low), (mean + 2 * sd if high is None else high)
    if low is None or high is None:
        reason = "The source's scores are not known, so the people were not compared."
        return ("range of scores", "", here, DOUBTFUL, reason)
    inside = float(np.mean((scores >= low) & (scores <= high)))
    reason = f"{100 * inside:.0f}% of the scores here lie in the source's range, {low:g} to {high:g}."
    finding = MATCHES if inside >= INSIDE else DOUBTFUL if inside > 0 else REFUSED
    return ("range of scores", f"{low:g} to {high:g}", here, finding, reason)


def _ratio(scores: np.ndarray, sd: float, n: int, confidence: float) -> Estimate:
    sample = Sample(scores.size, confidence)
    f = float(scores.var(ddof=1)) / sd**2
    high, low = (f / float(fdtri(scores.size - 1, n - 1, tail)) for tail in sample.tails)
    return sample.estimate(f, low, high, "own over source variance, F interval")


def _spreads(ratio: Estimate, sd: float, n: int) -> Finding:
    differs = ratio.low > 1 or ratio.high < 1
    reason = (
        f"The scores here spread {fixed(sqrt(ratio.value), 2)} times as much (SD) as the source's: an ICC would not "
        "carry over, an SEM only if the error does not depend on the level."
    )
    here = f"SD {sd * sqrt(ratio.value):.3g}, n {ratio.n}"
    return ("spread of scores", f"SD {sd:g}, n {n}", here, DOUBTFUL if differs else MATCHES, reason)


def _own_sem(repeats: tuple[ArrayLike, ArrayLike], confidence: float, unit: str) -> Estimate:
    check_kind("repeats", repeats, (tuple, list), "two columns: (first, second)", DataError)
    first, second = (float_array(column, "repeats") for column in repeats)
    if first.shape != second.shape or first.ndim != 1:
        raise DataError(f"repeats must be two columns of the same people, got shapes {first.shape} and {second.shape}.")
    both = {"person": np.tile(np.arange(first.size), 2), "trial": np.repeat([1, 2], first.size)}
    long = pd.DataFrame(both | {"value": np.concatenate([first, second])})
    return measurement_error(long, confidence=confidence, unit=unit, missing="leave out").sem_consistency


def _errors(value: Estimate, quantity: str, own: Estimate, within_visit: bool) -> Finding:
    if isinstance(value, Threshold) and value.kind != "mdc":
        return ("own repeats", value, own, MATCHES, "An MCID is not an error; own repeats say nothing about it.")
    z = 1.645 if "90" in quantity or "MDC90" in value.method else 1.96
    there = value.value / (sqrt(2) * z) if isinstance(value, Threshold) else value.value
    finding = MATCHES if own.low <= there <= own.high else DOUBTFUL
    reason = f"Own retests give an SEM of {own}; the published one is {there:.3g}."
    if within_visit:
        finding, reason = DOUBTFUL, "Own trials of one visit are only a lower bound of the error between visits."
        if there < own.low:
            finding = REFUSED
            reason = f"Already two trials of one visit differ more (SEM {own}) than the published error ({there:.3g})."
    return ("own repeats", f"SEM {there:.3g}", f"SEM {own}", finding, reason)
