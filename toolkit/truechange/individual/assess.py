"""Ask about one person: two scores in, a verdict with its chances, words and cautions out."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from math import hypot, isfinite, isnan, nan
from typing import TYPE_CHECKING

from truechange.foundation.errors import ChoiceError, check_choice, check_confidence
from truechange.foundation.estimate import Estimate, Threshold, person_threshold
from truechange.individual import priors
from truechange.individual import verdict as v
from truechange.individual.belief import Belief
from truechange.individual.cautions import gather
from truechange.individual.change import PersonChange, PriorView
from truechange.individual.group import Programme
from truechange.individual.protocol import Bridge, compare_protocols, refuse_changed
from truechange.individual.scale_ends import Ends, mean_of_visits
from truechange.individual.score_error import ScoreError, SemLike, score_error

if TYPE_CHECKING:
    from truechange.measures import Measure

Score = float | str | Sequence[float]


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
    measure: "Measure | str | None" = None,
    name: str = "",
    unit: str = "",
    resolution: float | None = None,
    scale_low: float = nan,
    scale_high: float = nan,
    before_date: str = "",
    after_date: str = "",
) -> PersonChange:
    r"""Tell whether one person changed beyond measurement error, and by enough to matter.

    Parameters
    ----------
    before, after : float, sequence of float, or ``"unable"``
        Scores in the test's unit. A sequence holds scores of several separate visits (not trials within one visit);
        their mean is used with a smaller error.
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
        A test of the catalogue: gives direction, unit, resolution, limits and the protocol facts that must match.
    name, unit : str, optional
        Name and unit of the test, for words.
    resolution : float, optional
        Smallest step the test is read to.
    scale_low, scale_high : float, optional
        Lowest and highest score the test can give; NaN for none.
    before_date, after_date : str, optional
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
    test = _test(measure, better, name, unit, resolution, Ends(scale_low, scale_high))
    check_confidence(confidence)
    for label, number in (("practice", practice), ("practice_se", practice_se)):
        if not isfinite(number):
            raise ChoiceError(f"{label}={number!r} must be a number, in the test's unit.")
    good, bad = _importance(mcid, mcid_deterioration, test.unit)
    (first, visits1), (second, visits2) = mean_of_visits(before, "before"), mean_of_visits(after, "after")
    test.ends.check(first, second)
    changed, protocol_cautions = compare_protocols(before_protocol, after_protocol, test.protocol, test.tolerances)
    carried = first
    if bridge is None:
        refuse_changed(changed, first, second, test.unit)
    else:
        carried = bridge.carry(first)
    error = _error(sem, sem_df, (carried, second), (visits1, visits2), programme, bridge, first)
    asked = _Asked(test, carried, second, good, bad, error, programme, practice, practice_se, confidence)
    result = asked.answer()
    said = gather(
        result,
        ends=test.ends,
        protocol=protocol_cautions,
        stated=before_protocol is not None or after_protocol is not None,
        mirrored=mcid_deterioration is None,
        bridge=bridge,
        soft=(test.soft_low, test.soft_high),
    )
    return replace(result, cautions=said, dates=(before_date, after_date), sources=asked.sources(bridge))


@dataclass(frozen=True, slots=True)
class _Test:
    """What must be known of a test to judge two of its scores."""

    sign: int
    better: str
    name: str
    unit: str
    resolution: float
    ends: Ends
    protocol: tuple[str, ...] = ()
    tolerances: Mapping[str, float] | None = None
    soft_low: float = nan
    soft_high: float = nan


def _test(
    measure: "Measure | str | None", better: str, name: str, unit: str, resolution: float | None, ends: Ends
) -> _Test:
    if measure is None:
        check_choice("better", better, ("higher", "lower"))
        return _Test(1 if better == "higher" else -1, better, name, unit, resolution or 1.0, ends)
    if isinstance(measure, str):
        from truechange.measures import measure as look_up

        measure = look_up(measure)
    if measure.whole and isnan(ends.low) and isnan(ends.high):
        ends = Ends(measure.hard_low, measure.hard_high)
    return _Test(
        measure.sign,
        measure.better,
        name or measure.name,
        unit or measure.unit,
        resolution or measure.resolution,
        ends,
        tuple(measure.protocol),
        measure.tolerances,
        measure.soft_low,
        measure.soft_high,
    )


def _importance(
    mcid: Threshold | float, deterioration: Threshold | float | None, unit: str
) -> tuple[Threshold, Threshold]:
    good = person_threshold(mcid, "mcid", name="mcid", unit=unit)
    if deterioration is None:
        return good, replace(good, direction="deterioration")
    bad = person_threshold(deterioration, "mcid", name="mcid_deterioration", unit=unit)
    return good, replace(bad, direction="deterioration")


def _error(
    sem: SemLike | None,
    df: float | None,
    scores: tuple[float, float],
    visits: tuple[int, int],
    programme: Programme | None,
    bridge: Bridge | None,
    old: float,
) -> ScoreError | None:
    known = [score for score in scores if not isnan(score)]
    if not known:
        return None
    filled = tuple(known[0] if isnan(score) else score for score in scores)
    error = score_error(sem, df, filled[0], filled[1], (max(1, visits[0]), max(1, visits[1])), programme)
    if error is not None and bridge is not None:
        return error.with_bridge(bridge.difference_se(old, error.before, error.after))
    return error


@dataclass(frozen=True, slots=True)
class _Asked:
    """The question after every check, and its arithmetic."""

    test: _Test
    before: float
    after: float
    mcid: Threshold
    mcid_deterioration: Threshold
    error: ScoreError | None
    programme: Programme | None
    practice: float
    practice_se: float
    confidence: float

    def answer(self) -> PersonChange:
        test, error = self.test, self.error
        seen = priors.Seen(self.before, self.after, test.sign, test.ends.side(self.before), test.ends.side(self.after))
        d, net = seen.improvement, seen.improvement - self.practice
        mdc = (
            None
            if error is None
            else replace(error, before=hypot(error.before, self.practice_se)).mdc(self.confidence, test.unit)
        )
        cell, why_not = self._cell(seen, net, mdc)
        beliefs = () if error is None or isnan(d) or cell == v.NOT_ASSESSABLE else self._beliefs(seen, error)
        views = tuple(self._view(belief) for belief in beliefs)
        main = views[0] if views else None
        firm = nan
        if mdc is not None and cell.removeprefix("worse_") in v.VERDICTS:
            firm = v.stability(d, net, mdc, self.mcid_deterioration if cell.startswith("worse_") else self.mcid)
        return PersonChange(
            before=self.before,
            after=self.after,
            improvement=d,
            verdict=cell,
            mdc=mdc,
            mcid=self.mcid,
            mcid_deterioration=self.mcid_deterioration,
            reliable_change_index=nan if error is None else net / hypot(error.difference, self.practice_se),
            true_change=self._true_change(main, d),
            p_better=main.p_better if main else nan,
            p_meaningful=main.p_meaningful if main else nan,
            p_meaningful_flat=next((view.p_meaningful for view in views if view.prior == "flat"), nan),
            p_worse=main.p_worse if main else nan,
            stability=firm,
            views=views,
            beliefs=beliefs,
            error=error,
            programme=self.programme,
            practice=self.practice,
            name=test.name,
            unit=test.unit,
            better=test.better,
            resolution=test.resolution,
            why_not=why_not,
            dates=("", ""),
            cautions=(),
            sources=(),
        )

    def _cell(self, seen: priors.Seen, net: float, mdc: Threshold | None) -> tuple[str, str]:
        if isnan(self.before) and isnan(self.after):
            return v.NOT_ASSESSABLE, "unable to do the test both times"
        if isnan(self.before):
            return v.BECAME_ABLE, ""
        if isnan(self.after):
            return v.LOST_ABILITY, ""
        if seen.before_side and seen.before_side == seen.after_side:
            return v.NOT_ASSESSABLE, "both scores are at the same end of the scale"
        if mdc is None:
            return v.NOT_ASSESSABLE, "no standard error of measurement"
        return v.verdict(seen.improvement, net, mdc.value, self.mcid.value, self.mcid_deterioration.value), ""

    def _beliefs(self, seen: priors.Seen, error: ScoreError) -> tuple[Belief, ...]:
        group = self.programme if self.programme is not None and self.programme.n >= priors.FEWEST else None
        alone = (priors.flat(seen, error), priors.sceptical(seen, error, self.mcid.value, group))
        if group is None:
            return alone
        return (priors.from_programme(seen, error, group), priors.from_changes(seen, error, group), *alone)

    def _view(self, belief: Belief) -> PriorView:
        low, high = belief.interval(self.confidence)
        good, bad = v.spread(self.mcid), v.spread(self.mcid_deterioration)
        return PriorView(
            prior=belief.prior,
            mean=belief.mean,
            sd=belief.sd,
            low=low,
            high=high,
            p_better=belief.above(0.0),
            p_meaningful=belief.above(self.mcid.value, good),
            p_worse=1 - belief.above(-self.mcid_deterioration.value, bad),
            p_meaningful_beyond_practice=belief.above(self.mcid.value + self.practice, hypot(good, self.practice_se)),
            assumes=belief.assumes,
        )

    def _true_change(self, main: PriorView | None, d: float) -> Estimate:
        if main is None:
            return Estimate(
                value=d,
                unit=self.test.unit,
                confidence=self.confidence,
                method="the change as seen; its error is not known",
            )
        return Estimate(
            value=main.mean,
            low=main.low,
            high=main.high,
            confidence=self.confidence,
            unit=self.test.unit,
            n=self.programme.n if self.programme is not None and main.prior == "programme" else None,
            method=f"posterior mean and central interval, {main.prior} prior: {main.assumes}",
            origin=self.error.origin if self.error else self.mcid.origin,
        )

    def sources(self, bridge: Bridge | None) -> tuple[str, ...]:
        """Return the keys of what was really computed."""
        if self.error is None:
            return ()
        keys = ["jacobson1991", "weir2005", "spiegelhalter1994"]
        if self.programme is not None:
            keys.append("kelley1927")
        if self.practice:
            keys.append("chelune1993")
        if bridge is not None:
            keys.append("crawford2006")
        return tuple(keys)
