"""Ask about one person: two scores in, a verdict with its chances, words and cautions out."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from math import inf, isfinite, isnan, nan, sqrt

from truechange.foundation import errors
from truechange.foundation.distributions import two_sided
from truechange.foundation.errors import ChoiceError, DataError, in_short
from truechange.foundation.estimate import Threshold, person_threshold, plain_number
from truechange.foundation.result import told
from truechange.individual import posterior as priors
from truechange.individual import verdict as v
from truechange.individual.change import PersonChange
from truechange.individual.posterior import Belief, Seen
from truechange.individual.score_error import FEWEST, Programme, ScoreError, SemLike, check_group, score_error
from truechange.individual.typed import Bridge, compare_protocols, refuse_changed, way_of
from truechange.measures.catalogue import HIGHER, Measure, Unsaid, direction
from truechange.measures.catalogue import measure as look_up

Score = float | str | Sequence[float]
NO_DIRECTION = "Which direction is better was not said: more counts as better."
TWO_WAYS = "that is known, but not how much of the two scores is test error."
Believe = Callable[[ScoreError], tuple[Belief, ...]]
LARGER_SEM = "Were the SEM 30% larger"
LARGER = 1.3  # how much too small an SEM from elsewhere, or from a few people, easily is
UNSTATED = "How the tests were done was not stated: the scores count only if both were done the same way."


def person_change(
    before: Score, after: Score, *, sem: SemLike | None, mcid: Threshold | float, better: str = HIGHER,
    sem_df: float | None = None, mcid_deterioration: Threshold | float | None = None,
    programme: Programme | None = None, practice: float = 0.0, before_protocol: Mapping[str, object] | None = None,
    after_protocol: Mapping[str, object] | None = None, confidence: float = 0.95, practice_se: float = 0.0,
    bridge: Bridge | None = None, measure: Measure | str | None = None, name: str = "", unit: str = "",
    resolution: float = 1.0, scale_low: float = -inf, scale_high: float = inf, dates: tuple[str, str] = ("", ""),
) -> PersonChange:  # fmt: skip
    r"""Tell whether one person changed beyond measurement error, and by enough to matter.

    Parameters
    ----------
    before, after : float, sequence of float, or ``"unable"``
        Scores in the test's unit. A sequence holds scores of several separate visits (not trials within one visit);
        their mean is used, with its smaller error.
    sem : float, Estimate, pair of float, callable, or None
        Standard error of measurement of one score, in the test's unit: a number, an estimate that carries its
        degrees of freedom, one SEM before and one after, or a function of the score. None (or 0) leaves "is it
        real" unanswered.
    mcid : Threshold or float
        Smallest within-person change that matters, positive, in the test's unit.
    better : {"higher", "lower"}, optional
        Which direction is an improvement. A test of the catalogue knows its own; for another it is ``"higher"``, said
        as a caution, and must be given where the unit is one of time.
    sem_df : float, optional
        Degrees of freedom of the SEM (people × (tests a person − 1), about).
    mcid_deterioration : Threshold or float, optional
        Smallest change for the worse that matters, positive. By default the same as `mcid`, with a caution.
    programme : Programme, optional
        Group the person belongs to. With fewer than 150 people its own uncertainty is carried; with fewer than 15
        it is not used.
    practice : float, optional
        Mean improvement from merely repeating the test, from untreated retests, in the test's unit.
    before_protocol, after_protocol : mapping, optional
        How the tests were done, such as ``{"seat_height_cm": 43, "arms_used": "no"}``.
    confidence : float, optional
        Level of the MDC and of every interval, as a fraction.
    practice_se : float, optional
        Standard error of `practice`.
    bridge : Bridge, optional
        Line that carries the first score over to the second test's protocol (:func:`bridge_from_pairs`).
    measure : Measure or str, optional
        A test of the catalogue: gives name, unit, direction, resolution, limits, and the protocol facts that must
        match; then the next four arguments are not needed.
    name, unit : str, optional
        Name and unit of the test, for words.
    resolution : float, optional
        Smallest step the test is read to.
    scale_low, scale_high : float, optional
        Lowest and highest score the test can give.
    dates : (str, str), optional
        Dates shown in the picture.

    Returns
    -------
    PersonChange
        Frozen; ``.verdict``, ``.p_meaningful``, ``.sentences()``, ``.plot()`` and more.

    Raises
    ------
    RefusedError
        The tests were done in two ways and it is not known that the second was the harder one and no worse, or a
        threshold is not one for a single person.
    DataError
        A score is missing or outside the scale.
    ChoiceError
        An argument is not understood, contradicts the test, or cannot be: an SEM or MCID larger than the test's
        range, an MCID of 0.

    Notes
    -----
    Improvement :math:`d = \pm(after - before)`; :math:`MDC = z\sqrt{SEM_1^2 + SEM_2^2}`; the reliable change index
    is :math:`(d - practice)/\sqrt{SEM_1^2 + SEM_2^2}` [1]_. The posterior of the true change draws the scores
    towards the group by their reliability (from memory: Kelley 1927). Practice is taken out of the question "beyond
    error" and of the chances in words (``..._beyond_practice``); ``p_better``, ``p_meaningful`` and ``p_worse`` include
    it. A true change is not a treatment effect.

    References
    ----------
    .. [1] Jacobson NS, Truax P (1991). J Consult Clin Psychol 59(1):12-19.

    Examples
    --------
    >>> import truechange as tc
    >>> group = tc.Programme(11, 13, 3.2, 3.4, 0.8, n=160)
    >>> result = tc.person_change(9, 13, sem=1.0, mcid=2.0, programme=group, unit="stands")
    >>> result.verdict, round(result.p_meaningful, 3), round(result.p_meaningful_flat, 3)
    ('real_and_important', 0.844, 0.921)
    """
    errors.check_confidence(confidence)
    for label, number in (("practice", practice), ("practice_se", practice_se)):
        if not isfinite(plain_number(number, label)):
            raise ChoiceError(f"{label}={number!r} must be a number, in the test's unit.")
    check_group("programme", programme)
    errors.check_kind("measure", measure, (Measure, str, type(None)), "the key of a test, such as 'chair_stand_30s'")
    errors.check_numbers(scale_low=scale_low, scale_high=scale_high)
    if not scale_low < scale_high:
        raise ChoiceError(
            f"scale_low={scale_low:g} must lie below scale_high={scale_high:g}; leave out an end it does not have."
        )
    said_better = better is not None and not isinstance(better, Unsaid)
    given_unit = unit or getattr(mcid, "unit", "") or getattr(sem, "unit", "")
    if measure:
        test = look_up(measure)
        direction(better, test)
    else:
        test = own_test(name, unit, direction(better, name=name, unit=given_unit), resolution, scale_low, scale_high)
    ends = (test.hard_low, test.hard_high) if test.whole or not measure else (scale_low, scale_high)
    good, bad = thresholds(mcid, mcid_deterioration, test.unit)
    (first, visits1), (second, visits2) = (visit_mean(*given, test) for given in ((before, "before"), (after, "after")))
    changed, said = compare_protocols(before_protocol, after_protocol, test.protocol, test.tolerances)
    sides = (_side(first, ends), _side(second, ends))
    carried = first if bridge is None else bridge.carry(first)
    seen = Seen(carried, second, test.sign, *sides)
    two = ""
    if changed and bridge is None:
        two = _without_size(seen, way_of(before_protocol, after_protocol, test.harder, test.tolerances))
        if not two:
            shown = [f"{score:g}".replace("nan", "unable") for score in (first, second)]
            refuse_changed(changed, shown[0], shown[1], test.unit)
    error = None
    if not isnan(carried + second) and not two:
        error = score_error(sem, sem_df, (carried, second), (visits1, visits2), programme, test.unit)
    check_plausible(test, error, good, bad, practice)
    if error is not None and bridge is not None:  # what the two SEMs leave of the line's doubt is put before
        se = bridge.difference_se(first, error.before, error.after)
        error = error._replace(before=sqrt(max(se**2 - error.after**2, 0.0)))
    mdc = None if error is None else error.mdc(confidence, test.unit, practice_se)
    verdict, why_not = (two, "; ".join(changed)) if two else _verdict(seen, practice, mdc, good, bad)
    result = PersonChange(
        test, carried, second, verdict, why_not, mdc, good, bad,
        beliefs=_beliefs(seen, error, programme, good) if verdict.removeprefix("worse_") in v.CELLS else (),
        error=error, programme=programme, practice=practice, practice_se=practice_se, confidence=confidence,
        dates=dates,
    )  # fmt: skip
    carried_over = f"The first score, {first:g}, was carried over from another protocol by a line from "
    cautions = [
        *told({v.DECLINE: result.worse}), *result.bar.cautions,
        *told({NO_DIRECTION: not (measure or said_better),
               f"Done in two ways ({'; '.join(changed)}): {TWO_WAYS}": two}),
        *(() if two else v.at_ends(seen, ends, good.value)),
        *v.entered(test, (before, after), (visits1, visits2)),
        *(said if before_protocol or after_protocol else [UNSTATED]),
        *(error.cautions if error else ()),
        *([] if bridge is None else [f"{carried_over}{bridge.n} people."]),
        *v.gather(result, mcid_deterioration is None),
        *were_error_larger(result, error, lambda larger: _beliefs(seen, larger, programme, good)),
    ]  # fmt: skip
    return replace(result, cautions=tuple(dict.fromkeys(cautions)), sources=_sources(result, bridge))


def check_plausible(
    test: Measure, error: ScoreError | None, good: Threshold, bad: Threshold, practice: float = 0.0
) -> None:
    """Raise a ChoiceError for an SEM, MCID or practice gain that the usual range of the test's scores cannot hold."""
    low, high = (test.soft_low, test.soft_high) if isfinite(test.soft_high) else (test.hard_low, test.hard_high)
    span = f"the usual scores of {test.name or 'this test'} span ({low:g} to {f'{high:g} {test.unit}'.strip()})"
    for name, threshold in (("mcid", good), ("mcid_deterioration", bad)):
        if not 0 < threshold.value < (high - low) / 2:
            large = f"it is at least half of what {span}; not as a percentage"
            why = large if threshold.value else "no change at all does not matter"
            raise ChoiceError(f"{name}={threshold.value:g} cannot be: {why}. Give the smallest change that matters.")
    if abs(practice) >= high - low:
        why = f"it is as much as {span}. Give the mean gain of repeating it."
        raise ChoiceError(f"practice={practice:g} cannot be: {why}")
    sem = max(error.before, error.after) if error else 0.0
    if two_sided(0.95) * sqrt(2) * sem >= high - low:
        raise ChoiceError(
            f"sem={sem:g} cannot be: no change could be beyond such an error, as {span}. Give the error of one score "
            f"in {test.unit or 'the unit of the test'}: not a percentage, not an MDC, not a spread between people."
        )


def own_test(name: str, unit: str, better: str, resolution: float, low: float = -inf, high: float = inf) -> Measure:
    """Return a test that is not in the catalogue; whatever is not known of it limits nothing."""
    return Measure(
        key="", name=name, unit=unit, better=better, hard_low=low, hard_high=high, soft_low=-inf, soft_high=inf,
        resolution=resolution,
    )  # fmt: skip


def thresholds(mcid: Threshold | float, worse: Threshold | float | None, unit: str) -> tuple[Threshold, Threshold]:
    """Return the MCID for better and for worse, each for one person; the first stands in for a missing second."""
    good = person_threshold(mcid, "mcid", name="mcid", unit=unit)
    bad = good
    if worse is not None:
        bad = person_threshold(worse, "mcid", name="mcid_deterioration", unit=unit, direction="deterioration")
    return good, replace(bad, direction="deterioration")


def visit_mean(scores: Score, which: str, test: Measure) -> tuple[float, int]:
    """Return the mean of one score or of several visits' scores, and how many; NaN and 0 for ``"unable"``.

    A score of 0 counts as unable where the test says so.

    Raises
    ------
    DataError
        A score is missing, not a number, or outside the limits of the test, or one of several visits was unable.
    """
    if isinstance(scores, str) and scores.strip().casefold() == "unable":
        return nan, 0
    values = list(scores) if hasattr(scores, "__iter__") and not isinstance(scores, str) else [scores]
    try:
        numbers = [float(value) for value in values]
    except (TypeError, ValueError):
        numbers = []
    if not numbers or not all(isfinite(number) for number in numbers):
        raise DataError(f"{which}={in_short(scores)} is not a score: give a number, a list of numbers, or 'unable'.")
    if test.zero_unable and 0 in numbers:
        if any(numbers):
            why = "unable at one of several visits; give each visit its own day."
            raise DataError(f"{which}={in_short(scores)}: {why}")
        return nan, 0
    for number in numbers:
        if not test.hard_low <= number <= test.hard_high:
            from truechange.records.values import likely_slip

            slip = likely_slip(number, test.unit, test.soft_low, test.soft_high)
            limits = f"{test.hard_low:g} to {f'{test.hard_high:g} {test.unit}'.strip()}"
            where = f"{limits}, the range of {test.name or 'this test'}{slip or '.'}"
            raise DataError(f"{which}={number:g} lies outside {where} Correct it.")
    return sum(numbers) / len(numbers), len(numbers)


def _side(score: float, ends: tuple[float, float]) -> int:
    return (score >= ends[1]) - (score <= ends[0])


def _without_size(seen: Seen, way: int) -> str:
    """Return the verdict on two ways of testing, `way` 1 where the second was harder; empty where there is none."""
    able = (not isnan(seen.before), not isnan(seen.after))
    if not way or not any(able):
        return ""
    if all(able):
        sized = way * seen.improvement >= 0 and (way > 0 or seen.improvement < 0)
        return (v.HARDER_BETTER if way > 0 else v.EASIER_WORSE) if sized else ""
    return (v.BECAME_ABLE if way > 0 else "") if able[1] else (v.LOST_ABILITY if way < 0 else "")


def _verdict(seen: Seen, practice: float, mdc: Threshold | None, good: Threshold, bad: Threshold) -> tuple[str, str]:
    if isnan(seen.before) and isnan(seen.after):
        return v.NOT_ASSESSABLE, "unable to do the test both times"
    if isnan(seen.improvement):
        return (v.BECAME_ABLE if isnan(seen.before) else v.LOST_ABILITY), ""
    if seen.before_side and seen.before_side == seen.after_side:
        return v.NOT_ASSESSABLE, "both scores are at the same end of the scale"
    if mdc is None:
        return v.NOT_ASSESSABLE, "the standard error of measurement is not known"
    d = seen.improvement
    return v.verdict(d, d - practice, mdc.value, good.value, bad.value), ""


def _beliefs(seen: Seen, error: ScoreError | None, group: Programme | None, mcid: Threshold) -> tuple[Belief, ...]:
    if error is None:
        return ()
    if group is None or group.n < FEWEST:
        return priors.flat(seen, error), priors.sceptical(seen, error, mcid.value, None)
    alone = (priors.flat(seen, error), priors.sceptical(seen, error, mcid.value, group.everyone))
    # the change alone, whatever the start, is not exchangeable after a cut on the start
    by_change = (priors.from_changes(seen, error, group),) if group.entry is None else ()
    return (priors.from_programme(seen, error, group), *by_change, *alone)


def were_error_larger(result: PersonChange, error: ScoreError | None, believe: Believe) -> list[str]:
    """Say what the chance that words follow would be with an SEM 30% larger, where that moves it by 5 points."""
    if error is None or not result.beliefs:
        return []
    sems = {name: LARGER * getattr(error, name) for name in ("before", "after", "group_before", "group_after")}
    now, then = result.leads(), replace(result, beliefs=believe(error._replace(**sems))).leads()
    return [] if abs(now - then) < 0.05 else [f"{LARGER_SEM}, the chance would be {v.sure_text(then)}."]


def _sources(result: PersonChange, bridge: Bridge | None) -> tuple[str, ...]:
    beliefs, group = result.beliefs, result.programme
    return told({
        "jacobson1991": result.mdc, "weir2005": result.mdc, "spiegelhalter1994": beliefs,
        "kelley1927": beliefs and beliefs[0].prior == "programme", "efron2016": beliefs and group and group.shape,
        "chelune1993": result.practice, "crawford2006": bridge,
    })  # fmt: skip
