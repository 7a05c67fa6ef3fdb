"""Ask about one person: two scores in, a verdict with its chances, words and cautions out."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from math import inf, isfinite, isnan, nan

from truechange.foundation.errors import (
    ChoiceError,
    DataError,
    check_choice,
    check_confidence,
    check_kind,
    check_numbers,
    in_short,
)
from truechange.foundation.estimate import Threshold, person_threshold, plain_number
from truechange.individual import cautions, priors
from truechange.individual import verdict as v
from truechange.individual.belief import Belief
from truechange.individual.change import PersonChange
from truechange.individual.group import Programme, check_group
from truechange.individual.protocol import Bridge, compare_protocols, refuse_changed
from truechange.individual.score_error import ScoreError, SemLike, score_error
from truechange.measures.catalogue import measure as look_up
from truechange.measures.measure import Measure

Score = float | str | Sequence[float]
UNSTATED = "How the tests were done was not stated: the scores count only if both were done the same way."


def person_change(
    before: Score,
    after: Score,
    *,
    sem: SemLike | None,
    mcid: Threshold | float,
    better: str = "higher",
    sem_df: float | None = None,
    mcid_deterioration: Threshold | float | None = None,
    programme: Programme | None = None,
    practice: float = 0.0,
    before_protocol: Mapping[str, object] | None = None,
    after_protocol: Mapping[str, object] | None = None,
    confidence: float = 0.95,
    practice_se: float = 0.0,
    bridge: Bridge | None = None,
    measure: Measure | str | None = None,
    name: str = "",
    unit: str = "",
    resolution: float = 1.0,
    scale_low: float = -inf,
    scale_high: float = inf,
    dates: tuple[str, str] = ("", ""),
) -> PersonChange:
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
        Which direction is an improvement. `measure` overrides it.
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
        The tests were done in two ways, or a threshold is not one for a single person.
    DataError
        A score is missing or outside the scale.
    ChoiceError
        An argument is not understood.

    Notes
    -----
    Improvement :math:`d = \pm(after - before)`; :math:`MDC = z\sqrt{SEM_1^2 + SEM_2^2}`; the reliable change index
    is :math:`(d - practice)/\sqrt{SEM_1^2 + SEM_2^2}` [1]_. The posterior of the true change draws the scores
    towards the group by their reliability (from memory: Kelley 1927). Practice is taken out of the question "beyond
    error" only; the chances include it unless they say otherwise. A true change is not a treatment effect.

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
    check_confidence(confidence)
    for label, number in (("practice", practice), ("practice_se", practice_se)):
        if not isfinite(plain_number(number, label)):
            raise ChoiceError(f"{label}={number!r} must be a number, in the test's unit.")
    check_group("programme", programme)
    check_kind("measure", measure, (Measure, str, type(None)), "the key of a test, such as 'chair_stand_30s'")
    check_numbers(scale_low=scale_low, scale_high=scale_high)
    if not scale_low < scale_high:
        raise ChoiceError(
            f"scale_low={scale_low:g} must lie below scale_high={scale_high:g}; leave out an end it does not have."
        )
    test = look_up(measure) if measure else own_test(name, unit, better, resolution, scale_low, scale_high)
    ends = (test.hard_low, test.hard_high) if test.whole or not measure else (scale_low, scale_high)
    good, bad = thresholds(mcid, mcid_deterioration, test.unit)
    (first, visits1), (second, visits2) = (visit_mean(*given, test) for given in ((before, "before"), (after, "after")))
    changed, said = compare_protocols(before_protocol, after_protocol, test.protocol, test.tolerances)
    carried = first if bridge is None else bridge.carry(first)
    if bridge is None:
        refuse_changed(changed, f"{first:g}", f"{second:g}", test.unit)
    either = (second if isnan(carried) else carried, carried if isnan(second) else second)
    error = None
    if not isnan(sum(either)):
        error = score_error(sem, sem_df, either, (visits1 or 1, visits2 or 1), programme, test.unit)
    if error is not None and bridge is not None:
        error = error.with_bridge(bridge.difference_se(first, error.before, error.after))
    sides = (_side(first, ends), _side(second, ends))
    seen = priors.Seen(carried, second, test.sign, *sides)
    mdc = None if error is None else error.mdc(confidence, test.unit, practice_se)
    verdict, why_not = _verdict(seen, practice, mdc, good, bad)
    result = PersonChange(
        test, carried, second, verdict, why_not, mdc, good, bad,
        beliefs=_beliefs(seen, error, programme, good) if verdict.removeprefix("worse_") in v.CELLS else (),
        error=error, programme=programme, practice=practice, practice_se=practice_se, confidence=confidence,
        dates=dates,
    )  # fmt: skip
    held = [*cautions.at_ends(seen, ends, good.value)]
    held += said if before_protocol or after_protocol else [UNSTATED]
    held += error.cautions if error else ()
    if bridge is not None:
        held.append(
            f"The first score, {first:g}, was carried over from another protocol by a line from {bridge.n} people."
        )
    held += cautions.gather(result, mcid_deterioration is None)
    return replace(result, cautions=tuple(dict.fromkeys(held)), sources=_sources(result, bridge))


def own_test(name: str, unit: str, better: str, resolution: float, low: float = -inf, high: float = inf) -> Measure:
    """Return a test that is not in the catalogue; whatever is not known of it limits nothing."""
    check_choice("better", better, ("higher", "lower"))
    words = {"key": "", "name": name, "unit": unit, "better": better}
    return Measure(**words, hard_low=low, hard_high=high, soft_low=-inf, soft_high=inf, resolution=resolution)  # type: ignore[arg-type]


def thresholds(mcid: Threshold | float, worse: Threshold | float | None, unit: str) -> tuple[Threshold, Threshold]:
    """Return the MCID for better and for worse, each for one person; the first stands in for a missing second."""
    good = person_threshold(mcid, "mcid", name="mcid", unit=unit)
    bad = good
    if worse is not None:
        bad = person_threshold(worse, "mcid", name="mcid_deterioration", unit=unit, direction="deterioration")
    return good, replace(bad, direction="deterioration")


def visit_mean(scores: Score, which: str, test: Measure | None = None) -> tuple[float, int]:
    """Return the mean of one score or of several visits' scores, and how many; NaN and 0 for ``"unable"``.

    Raises
    ------
    DataError
        A score is missing, not a number, or outside the limits of the test.
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
    for number in numbers:
        if test is not None and not test.hard_low <= number <= test.hard_high:
            limits = f"{test.hard_low:g} to {f'{test.hard_high:g} {test.unit}'.strip()}"
            raise DataError(
                f"{which}={number:g} lies outside {limits}, the range of {test.name or 'this test'}. Correct it."
            )
    return sum(numbers) / len(numbers), len(numbers)


def _side(score: float, ends: tuple[float, float]) -> int:
    return -1 if score <= ends[0] else 1 if score >= ends[1] else 0


def _verdict(
    seen: priors.Seen, practice: float, mdc: Threshold | None, good: Threshold, bad: Threshold
) -> tuple[str, str]:
    if isnan(seen.before) or isnan(seen.after):
        if isnan(seen.before) and isnan(seen.after):
            return v.NOT_ASSESSABLE, "unable to do the test both times"
        return (v.BECAME_ABLE if isnan(seen.before) else v.LOST_ABILITY), ""
    if seen.before_side and seen.before_side == seen.after_side:
        return v.NOT_ASSESSABLE, "both scores are at the same end of the scale"
    if mdc is None:
        return v.NOT_ASSESSABLE, "the standard error of measurement is not known"
    d = seen.improvement
    return v.verdict(d, d - practice, mdc.value, good.value, bad.value), ""


def _beliefs(
    seen: priors.Seen, error: ScoreError | None, programme: Programme | None, mcid: Threshold
) -> tuple[Belief, ...]:
    if error is None:
        return ()
    group = programme if programme is not None and programme.n >= priors.FEWEST else None
    alone = (priors.flat(seen, error), priors.sceptical(seen, error, mcid.value, group))
    if group is None:
        return alone
    return (priors.from_programme(seen, error, group), priors.from_changes(seen, error, group), *alone)


def _sources(result: PersonChange, bridge: Bridge | None) -> tuple[str, ...]:
    keys = ["jacobson1991", "weir2005"] if result.mdc is not None else []
    keys += ["spiegelhalter1994"] if result.beliefs else []
    keys += ["kelley1927"] if result.beliefs and result.beliefs[0].prior == "programme" else []
    keys += ["chelune1993"] if result.practice else []
    return (*keys, "crawford2006") if bridge is not None else tuple(keys)
