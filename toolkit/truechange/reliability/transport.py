"""May a published number be used on these people? Compare where it comes from with where it is to be used."""

import re
from collections.abc import Mapping
from dataclasses import dataclass
from math import isfinite, nan, sqrt
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy.special import fdtri

from truechange.foundation.errors import DataError, check_confidence
from truechange.foundation.estimate import Estimate, Threshold
from truechange.foundation.numbers import fixed
from truechange.foundation.result import Result
from truechange.reliability.retest import measurement_error

VERDICTS = ("matches", "doubtful", "do not use")
DAYS = {"min": 0.0, "h": 0.0, "d": 1.0, "w": 7.0, "m": 30.4, "y": 365.0}
FAR_SHORTER = 4.0  # own rule: a study interval of less than a quarter of the interval in use understates the error


@dataclass(frozen=True)
class TransportCheck(Result):
    """Whether a number from elsewhere fits, with every reason.

    Parameters
    ----------
    verdict : {"matches", "doubtful", "do not use"}
        The worst of the findings. ``"matches"`` needs every comparison made and none against.
    findings : DataFrame
        One row a comparison: what, source, here, finding, reason.
    value : Estimate
        The number that was checked.
    variance_ratio : Estimate
        Own baseline variance over the source's; NaN where the source gives none.
    own_sem : Estimate or None
        SEM from own repeated tests, where given.
    """

    verdict: str
    findings: pd.DataFrame
    value: Estimate
    variance_ratio: Estimate
    own_sem: Estimate | None
    cautions: tuple[str, ...] = ()
    sources: tuple[str, ...] = ("kottner2011", "mokkink2020")

    @property
    def reasons(self) -> tuple[str, ...]:
        """Why not a plain match, worst first."""
        worst_first = self.findings.sort_values("finding", key=lambda held: -held.map(VERDICTS.index), kind="stable")
        return tuple(worst_first.loc[worst_first["finding"] != "matches", "reason"])

    def table(self) -> pd.DataFrame:
        """Return one row a comparison."""
        return self.findings

    def sentences(self) -> tuple[str, ...]:
        """Say the verdict, then the reasons."""
        said = {
            "matches": "fits these people",
            "doubtful": "is doubtful for these people",
            "do not use": "must not be used here",
        }
        return (f"The number {self.value} {said[self.verdict]}.", *self.reasons)


def days_between(words: str) -> float:
    """Read an interval such as ``"same session"``, ``"2-5 days"`` or ``"12 weeks"`` as days; NaN if unclear.

    Of a range the longer end.

    Examples
    --------
    >>> days_between("same session, 1-2 min apart"), days_between("2-5 days"), days_between("12 weeks")
    (0.0, 5.0, 84.0)
    """
    if re.search(r"same (session|day)|one session|within.{0,4}(session|day)", words):
        return 0.0
    found = re.findall(r"(\d+(?:\.\d+)?)\s*(min|h|d|w|m|y)[a-z]*\b", words)
    return max((float(count) * DAYS[unit] for count, unit in found), default=nan)


def transport_check(
    published: "Estimate | Mapping[str, Any] | pd.Series | float",
    baseline: ArrayLike | None = None,
    *,
    source_mean: float | None = None,
    source_sd: float | None = None,
    source_low: float | None = None,
    source_high: float | None = None,
    source_n: int | None = None,
    source_protocol: Mapping[str, object] | None = None,
    protocol: Mapping[str, object] | None = None,
    tolerances: Mapping[str, float] | None = None,
    interval: str = "",
    same_condition: bool | None = None,
    repeats: tuple[ArrayLike, ArrayLike] | None = None,
    within_visit: bool = False,
    unit: str = "",
    for_person: bool = True,
    confidence: float = 0.95,
) -> TransportCheck:
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
    TransportCheck

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
    value, facts = _as_estimate(published)
    rows: list[tuple[str, str, str, str, str]] = []

    def add(what: str, source: object, here: object, finding: str, reason: str = "") -> None:
        rows.append((what, _shown(source), _shown(here), finding, reason))

    origin = value.origin
    if origin.is_own:
        add("origin", "own data", "own data", "matches")
    elif origin.kind == "stated":
        add("origin", "not stated", "", "doubtful", "Nothing is known of where the number comes from.")
    elif origin.status == "from memory":
        add(
            "origin",
            origin.citation,
            "",
            "doubtful",
            "The published value is from memory; check it against its source.",
        )
    else:
        add("origin", origin.citation, "", "matches")
    if facts.get("usable", True) in (False, "no"):
        add("plausibility", value, "", "do not use", f"The published value is implausible: {facts.get('note', '')}.")
    if for_person and isinstance(value, Threshold) and value.level != "person":
        add(
            "level",
            value.level,
            "person",
            "do not use",
            f"It is a {value.level}-level threshold and says nothing about one person.",
        )
    if unit and value.unit and unit != value.unit:
        add("unit", value.unit, unit, "do not use", f"It is in {value.unit}, the scores here are in {unit}.")
    _compare_protocols(add, source_protocol or {}, protocol or {}, tolerances or {})
    _compare_people(add, origin.population, same_condition)
    _compare_intervals(add, origin.interval, interval)
    ratio = Estimate(value=nan, method="not computed")
    if baseline is not None:
        scores = np.asarray(baseline, dtype=float)
        scores = scores[np.isfinite(scores)]
        if scores.size < 2:
            raise DataError(f"Only {scores.size} baseline score; at least 2 are needed to compare the spread.")
        n = source_n or origin.n
        ratio = _compare_scores(add, scores, (source_mean, source_sd, source_low, source_high, n), confidence)
    elif not origin.is_own:
        add("scores", "", "", "doubtful", "No baseline scores were given, so the people were not compared.")
    own = None
    if repeats is not None:
        own = _own_sem(repeats, confidence, value.unit or unit)
        _compare_error(add, value, facts, own, within_visit)
    frame = pd.DataFrame(rows, columns=["what", "source", "here", "finding", "reason"])
    verdict = max(frame["finding"], key=VERDICTS.index)
    cautions = (
        () if verdict == "matches" else ("Better than any published number: the clinic's own retest of stable people.",)
    )
    return TransportCheck(verdict, frame, value, ratio, own, cautions)


def _as_estimate(published: Any) -> tuple[Estimate, dict[str, Any]]:
    from truechange.foundation.origin import Origin

    if isinstance(published, Estimate):
        return published, {}
    if isinstance(published, Mapping | pd.Series):
        row = {key: held for key, held in dict(published).items() if held is not None and held == held}
        origin = Origin(
            kind="published",
            citation=str(row.get("citation", "")),
            doi=str(row.get("doi", "")),
            population=str(row.get("population", "")),
            interval=str(row.get("interval", "")),
            n=int(row["n"]) if row.get("n") else None,
            status=str(row.get("status", "from memory")),
            note=str(row.get("note", "")),
        )
        held = {"value": float(row["value"]), "unit": str(row.get("unit", "")), "origin": origin, "n": origin.n}
        kind = {"mic": "mcid", "mdc90": "mdc", "mdc95": "mdc"}.get(str(row.get("quantity", "")))
        if kind and row.get("level"):
            return Threshold(**held, kind=kind, level=str(row["level"])), row  # type: ignore[arg-type]
        return Estimate(**held), row  # type: ignore[arg-type]
    return Estimate(value=float(published), origin=Origin.stated()), {}


def _shown(held: object) -> str:
    return "" if held is None else f"{held:g}" if isinstance(held, float) else str(held)


def _compare_protocols(
    add: Any, there: Mapping[str, object], here: Mapping[str, object], tolerances: Mapping[str, float]
) -> None:
    if not there and not here:
        add("protocol", "", "", "doubtful", "How the test was done was not compared.")
    for fact in dict.fromkeys((*there, *here)):
        one, two = there.get(fact), here.get(fact)
        name = fact.replace("_", " ")
        if one in (None, "") or two in (None, "") or one != one or two != two:
            add(name, one, two, "doubtful", f"Not known on both sides: {name}.")
            continue
        try:
            same = abs(float(one) - float(two)) <= tolerances.get(fact, 0.0) + 1e-9  # type: ignore[arg-type]
        except (TypeError, ValueError):
            same = str(one).strip().casefold() == str(two).strip().casefold()
        reason = "" if same else f"Another way of testing: {name} {_shown(one)} there, {_shown(two)} here."
        add(name, one, two, "matches" if same else "do not use", reason)


def _compare_people(add: Any, population: str, same: bool | None) -> None:
    healthy = bool(re.search(r"\bhealthy\b|\bcommunity\b|\byoung\b", population, re.IGNORECASE))
    if same:
        add("condition", population, "declared the same", "matches")
    elif same is False or healthy:
        what = (
            f"The source's people differ ({population})."
            if population
            else "The source's people had another condition."
        )
        add("condition", population, "", "doubtful", what)
    else:
        add(
            "condition",
            population,
            "",
            "doubtful",
            "Whether the source's people had the same condition was not stated.",
        )


def _compare_intervals(add: Any, there: str, here: str) -> None:
    source, own = days_between(there), days_between(here)
    if not isfinite(source):
        add("time between tests", there, here, "doubtful", "The source's time between tests is not known.")
    elif not isfinite(own):
        add("time between tests", there, here, "doubtful", "The time between tests here was not stated.")
    elif source * FAR_SHORTER < own:
        reason = f"Tests there lay '{there}' apart, here {here}: over the longer time the error is larger."
        add("time between tests", there, here, "doubtful", reason)
    else:
        add("time between tests", there, here, "matches")


def _compare_scores(
    add: Any,
    scores: np.ndarray,
    source: tuple[float | None, float | None, float | None, float | None, int | None],
    confidence: float,
) -> Estimate:
    mean, sd, low, high, n = source
    own_mean, own_sd, m = float(scores.mean()), float(scores.std(ddof=1)), scores.size
    here = f"mean {own_mean:.3g}, SD {own_sd:.3g}, {scores.min():g} to {scores.max():g}"
    ratio = Estimate(value=nan, method="the source's SD or n is not known")
    if mean is not None and sd:
        low = mean - 2 * sd if low is None else low
        high = mean + 2 * sd if high is None else high
    if low is None or high is None:
        add(
            "range of scores",
            "",
            here,
            "doubtful",
            "The source's scores are not known, so the people were not compared.",
        )
    else:
        inside = float(np.mean((scores >= low) & (scores <= high)))
        finding = "matches" if inside >= 0.8 else "doubtful" if inside > 0 else "do not use"
        reason = f"{100 * inside:.0f}% of the scores here lie in the source's range, {low:g} to {high:g}."
        add("range of scores", f"{low:g} to {high:g}", here, finding, "" if finding == "matches" else reason)
    if sd and n and n > 1 and own_sd > 0:
        f, tails = (own_sd / sd) ** 2, ((1 - confidence) / 2, (1 + confidence) / 2)
        down, up = (f / float(fdtri(m - 1, n - 1, tail)) for tail in reversed(tails))
        ratio = Estimate(
            value=f, low=down, high=up, confidence=confidence, n=m, method="own over source variance, F interval"
        )
        differs = down > 1 or up < 1
        reason = (
            f"The scores here spread {fixed(sqrt(f), 2)} times as much (SD) as the source's: an ICC would not carry "
            "over, an SEM only if the error does not depend on the level."
        )
        add(
            "spread of scores",
            f"SD {sd:g}, n {n}",
            f"SD {own_sd:.3g}, n {m}",
            "doubtful" if differs else "matches",
            reason if differs else "",
        )
    return ratio


def _own_sem(repeats: tuple[ArrayLike, ArrayLike], confidence: float, unit: str) -> Estimate:
    first, second = (np.asarray(held, dtype=float) for held in repeats)
    if first.shape != second.shape or first.ndim != 1:
        raise DataError(f"repeats must be two columns of the same people, got shapes {first.shape} and {second.shape}.")
    long = pd.DataFrame({"person": np.tile(np.arange(first.size), 2), "trial": np.repeat([1, 2], first.size)})
    found = measurement_error(
        long.assign(value=np.concatenate([first, second])), confidence=confidence, unit=unit, missing="leave out"
    )
    return found.sem_consistency


def _compare_error(add: Any, value: Estimate, facts: Mapping[str, Any], own: Estimate, within_visit: bool) -> None:
    factor = {"mdc90": 1.645 * sqrt(2), "sem": 1.0}.get(str(facts.get("quantity", "")), 1.96 * sqrt(2))
    if isinstance(value, Threshold):
        if value.kind != "mdc":
            add("own repeats", value, own, "matches")
            return
        factor = 1.645 * sqrt(2) if "MDC90" in value.method else factor
    elif not facts:
        factor = 1.0
    there = value.value / factor
    if within_visit:
        finding = "do not use" if there < own.low else "doubtful"
        reason = (
            f"Already two trials of one visit differ more (SEM {own}) than the published error ({there:.3g})."
            if there < own.low
            else "Own trials of one visit are only a lower bound of the error between visits."
        )
    else:
        agrees = own.low <= there <= own.high
        finding = "matches" if agrees else "doubtful"
        reason = "" if agrees else f"Own retests give an SEM of {own}; the published one is {there:.3g}."
    add("own repeats", f"SEM {there:.3g}", f"SEM {own}", finding, reason)
