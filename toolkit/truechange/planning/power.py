"""Sample size by power: people needed to show a change, or a difference between two programmes."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import ceil, inf, sqrt
from typing import Any

import numpy as np
import pandas as pd
from scipy.optimize import brentq
from scipy.special import nctdtr, ndtr, ndtri, stdtrit

from truechange.foundation.errors import ChoiceError, RefusedError, checked
from truechange.foundation.numbers import fixed, percent, with_unit
from truechange.foundation.result import Part, told

MOST, POWERS, WIDER = 1_000_000, (0.8, 0.9, 0.95), (0.5, 0.75, 1.0, 1.5, 2.0)
LOSSES = {"attrition": "rest", "cluster_size": "one up", "cluster_icc": "part"}
POWER = {"power": "share", "confidence": "share", **LOSSES}


@dataclass(frozen=True, slots=True)
class Losses:
    """What makes more people necessary than the formula says.

    Parameters
    ----------
    attrition : float
        Expected share lost before the last test, 0 to below 1; ``n/(1 − attrition)`` start.
    cluster_size : float
        People per therapist (or site), where therapists differ; the number rises by ``1 + (size − 1) ICC``.
    cluster_icc : float
        Share of the variance that lies between therapists, 0 to 1.

    Raises
    ------
    ChoiceError
        A value is outside its range.
    """

    attrition: float = 0.0
    cluster_size: float = 1.0
    cluster_icc: float = 0.0

    @property
    def design_effect(self) -> float:
        """By how much clustering multiplies the number."""
        return 1 + (self.cluster_size - 1) * self.cluster_icc

    def measured(self, need: float) -> int:
        """Return how many must be measured at the end."""
        return ceil(round(need * self.design_effect, 9))

    def start(self, need: float) -> int:
        """People (in each group) who must start."""
        return ceil(round(self.measured(need) / (1 - self.attrition), 9))


class Plan(Part):
    """How many people a study needs.

    Its facts: ``promise`` (what that many people give, in words), ``goal`` (what the curve shows), ``target`` (value of
    the goal that was asked for), ``need`` (people with usable data, in each group, that reach the target), ``exact``
    (the number before rounding up), ``start`` (people, in each group, who must start), ``losses`` (attrition and
    clustering), ``options`` (one row a target: target, need, measured, start), ``curve`` (people, a group, and what
    they reach), ``groups`` (1, or 2 for a comparison), ``simulated`` (people and what the drawn studies of that size
    reached, None where nothing was simulated).
    """

    def plot(self, *, ax: Any = None) -> Any:  # type: ignore[override]
        """Draw what each number of people gives, the target and the answer."""
        from truechange.foundation import drawing

        ax, power = drawing.axes(ax), self.goal == "power"
        ax.plot(self.curve["people"], self.curve["reached"], color=drawing.ACCENT, lw=2)
        if self.simulated is not None:
            ax.plot(self.simulated["people"], self.simulated["reached"], "o", color=drawing.QUIET, ms=5)
        drawing.mark_line(ax, self.target, f"{self.target:g}")
        at = self.need, float(np.interp(self.need, self.curve["people"], self.curve["reached"]))
        ax.plot(*at, "D", color=drawing.WARM, ms=7, zorder=3)
        ax.annotate(f"{self.need}", at, (8, -14) if power else (6, 6), textcoords="offset points", color=drawing.WARM)
        ax.set(xlabel="people in each group" if self.groups == 2 else "people with usable data", ylabel=self.goal)
        ax.set(xlim=(0, float(self.curve["people"].max()) * 1.02), ylim=(0, 1.0 if power else 2.5 * self.target))
        return ax


def smallest(reached: Callable[[float], float], target: float, *, least: int, rising: bool) -> tuple[int, float]:
    """Return the smallest whole number of people that reaches the target, and the exact number.

    Parameters
    ----------
    reached : callable
        What a number of people gives; monotone.
    target : float
        What is wanted.
    least : int
        Fewest people for which `reached` exists.
    rising : bool
        Whether more is wanted (power) rather than less (width).

    Raises
    ------
    RefusedError
        Not even a million people would do.
    """

    def short(n: float) -> float:
        return target - reached(n) if rising else reached(n) - target

    low, high = least, 2 * least
    if short(least) <= 0:
        return least, float(least)
    while short(high) > 0:
        low, high = high, min(2 * high, MOST)
        if low == MOST:
            raise RefusedError(
                "Not even a million people would reach this. Ask for less, or measure each person more reliably."
            )
    exact = float(brentq(short, low, high, xtol=1e-9))
    return ceil(round(exact, 6)), exact


def _plan(
    reached: Callable[[float], float], target: float, targets: Sequence[float], losses: Losses, *, rising: bool,
    least: int = 2, cautions: Sequence[str] = (), sources: tuple[str, ...] = (), **facts: Any,
) -> Plan:  # fmt: skip
    found = {target: smallest(reached, target, least=least, rising=rising)}
    need, exact = found[target]
    beyond = []  # of the alternatives: what limits them is not the number of people
    for one in sorted({*targets} - {target}):
        try:
            found[one] = smallest(reached, one, least=least, rising=rising)
        except RefusedError:
            beyond.append(f"{one:g}")
    start, each = losses.start(need), " in each group" if facts.get("groups") == 2 else ""
    options = pd.DataFrame([{"target": one, "need": n, "measured": losses.measured(n), "start": losses.start(n)}
                            for one, (n, _) in sorted(found.items())])  # fmt: skip
    people = np.unique(np.linspace(least, max(2.2 * need, least + 20), 80).astype(int))
    curve = pd.DataFrame({"people": people, "reached": [reached(float(n)) for n in people]})
    why = " and ".join(told({
        f"people of one therapist resemble each other (× {fixed(losses.design_effect, 2)})": losses.design_effect > 1,
        f"{percent(losses.attrition)} are expected to be lost": losses.attrition > 0,
    }))  # fmt: skip
    first = f"{need} people{each} with usable data {facts['promise']}."
    more = told({
        "Fewer than a dozen people: the formula leans on a normal distribution nobody can check there.": need < 12,
        "Inflating for losses keeps the precision; it does not mend the bias if those who stop differ.":
            losses.attrition,
        f"No number of people reaches {' or '.join(beyond)}: what limits it is not how many are rated.": beyond,
    })  # fmt: skip
    known = {"target": target, "need": need, "exact": exact, "start": start, "losses": losses, "options": options}
    return Plan(
        {"groups": 1, "simulated": None, "curve": curve, **known, **facts}, options,
        (first, f"Start with {start}{each}: {why}.") if why else (first,), (*cautions, *more), sources,
        f"{facts['goal']} against the number of people;",
    )  # fmt: skip


def by_power(reached: Callable[[float], float], power: float, losses: Losses, **facts: Any) -> Plan:
    """Plan for a power: `reached` gives the power of a number of people; `facts` go to :class:`Plan`."""
    return _plan(reached, power, POWERS, losses, rising=True, goal="power", **facts)


def by_width(
    reached: Callable[[float], float], width: float, losses: Losses, factors: Sequence[float] = WIDER,
    most: float = inf, **facts: Any,
) -> Plan:  # fmt: skip
    """Plan for a precision: `reached` gives the width; alternatives are `factors` times the target, below `most`."""
    wider = [width * factor for factor in factors if width * factor < most]
    return _plan(reached, width, wider, losses, rising=False, **facts)


def t_power(effect: float, df: float, confidence: float) -> float:
    """Return the power of a two-sided t test at noncentrality `effect`, both tails counted."""
    cut = float(stdtrit(df, (1 + confidence) / 2))
    near, far = float(nctdtr(df, effect, cut)), float(nctdtr(df, effect, -cut))
    return 1 - near + (far if far == far else 0.0)  # the far tail underflows to NaN when it is nothing


def ancova_power(effect: float, n: float, confidence: float) -> float:
    r"""Return the power of the adjusted comparison of two groups of `n`, whose baselines differ by chance.

    Given the baselines the variance of the adjusted difference is :math:`1 + t^2/(2n - 2)` times that of equal means,
    t their own t statistic with 2n − 2 degrees of freedom; the power is averaged over it (own derivation;
    Gauss-Legendre over its probability). `effect`: the difference in residual SDs.
    """
    node, weight = np.polynomial.legendre.leggauss(32)
    t = stdtrit(2 * n - 2, 0.75 + node / 4)
    apart = effect * np.sqrt(n / 2 / (1 + t**2 / (2 * n - 2)))
    return float(weight @ [t_power(one, 2 * n - 3, confidence) for one in apart]) / 2


def z_of(confidence: float) -> float:
    """Return the two-sided normal quantile."""
    return float(ndtri((1 + confidence) / 2))


def _sd_of_change(
    sd: float | None, sd_score: float | None, correlation: float | None, sem: float | None
) -> tuple[float, str]:
    if sd is None and sd_score is not None and correlation is not None:
        sd = sd_score * sqrt(2 * (1 - correlation))
    elif sd is None and sem is not None:
        note = "The SD of change was set to √2 SEM, as if everybody changed alike: the real number is larger."
        return sqrt(2) * sem, note
    elif sd is None:
        raise ChoiceError("Give sd (SD of the change), or sd_score with correlation, or sem for the least possible.")
    if sem is not None and sd < sqrt(2) * sem * (1 - 1e-9):
        raise RefusedError(
            f"An SD of change of {sd:.3g} is less than measurement error alone makes (√2 SEM = {sqrt(2) * sem:.3g}). "
            "Check both; they may come from different tests or people."
        )
    return sd, ""


@checked(change="positive", sd="positive", sd_score="positive", correlation="correlation", sem="positive", **POWER)
def plan_change(
    change: float, sd: float | None = None, *, sd_score: float | None = None, correlation: float | None = None,
    sem: float | None = None, power: float = 0.9, confidence: float = 0.95, unit: str = "", attrition: float = 0.0,
    cluster_size: float = 1.0, cluster_icc: float = 0.0,
) -> Plan:  # fmt: skip
    r"""Plan one group, before and after: how many people show a mean change.

    Parameters
    ----------
    change : float
        Mean change worth showing, in the test's unit.
    sd : float, optional
        SD of the change between people.
    sd_score : float, optional
        SD of the scores; with `correlation` it gives ``sd = sd_score √(2(1 − correlation))``.
    correlation : float, optional
        Correlation of the scores before with those after.
    sem : float, optional
        Standard error of measurement: checks `sd`, or alone gives its least possible value, √2 SEM.
    power : float
        Chance to show the change if it is there.
    confidence : float
        1 minus the two-sided error rate.
    unit : str
        Unit for the sentence.
    attrition : float
        Share expected to be lost before the last test.
    cluster_size : float
        People per therapist (or site), where therapists differ.
    cluster_icc : float
        Share of the variance that lies between therapists, 0 to 1.

    Returns
    -------
    Plan

    Raises
    ------
    ChoiceError
        A value is out of range, or nothing fixes the SD of the change.
    RefusedError
        The SD of the change is less than measurement error alone makes.

    Notes
    -----
    Smallest n with :math:`1 - F_{nct}(t_{.975,n-1};\,n-1,\,\delta\sqrt n) \ge` power, :math:`\delta` = change/sd, plus
    the far tail. Source: Cohen 1988, section 2.3 (from memory).

    Examples
    --------
    >>> from truechange import plan_change
    >>> print(plan_change(1.2, sd=2.4, unit="stands").sentence())
    44 people with usable data give 90% power to show a mean change of 1.2 stands (SD of change 2.4).
    """
    spread, note = _sd_of_change(sd, sd_score, correlation, sem)
    alone = "Without a comparison group, practice and natural course count as change."
    return by_power(
        lambda n: t_power(change / spread * sqrt(n), n - 1, confidence),
        power, Losses(attrition, cluster_size, cluster_icc), sources=("cohen1988",),
        promise=f"give {percent(power)} power to show a mean change of {with_unit(change, unit)} "
        f"(SD of change {spread:.3g})",
        cautions=(note, alone) if note else (alone,),
    )  # fmt: skip


@checked(difference="positive", sd="positive", correlation="correlation", **POWER)
def plan_two_programmes(
    difference: float, sd: float, *, correlation: float | None = None, power: float = 0.9, confidence: float = 0.95,
    unit: str = "", attrition: float = 0.0, cluster_size: float = 1.0, cluster_icc: float = 0.0,
) -> Plan:  # fmt: skip
    r"""Plan two groups of equal size: how many in each show a difference in mean follow-up.

    Parameters
    ----------
    difference : float
        Difference between the programmes worth showing, in the test's unit.
    sd : float
        SD of the follow-up scores within a group.
    correlation : float, optional
        Correlation of baseline with follow-up; with it the plan is for ANCOVA, the baseline being adjusted for.
    power, confidence, unit, attrition, cluster_size, cluster_icc
        As in :func:`plan_change`.

    Returns
    -------
    Plan
        ``.cautions`` says what analysing change or follow-up alone would cost.

    Raises
    ------
    ChoiceError
        A value is out of range.

    Notes
    -----
    Power of the t test with noncentrality :math:`\Delta/(s\sqrt{1-r^2})\cdot\sqrt{n/2}` and 2n − 3 degrees of freedom
    (2n − 2 without baseline), averaged over the chance difference of the baselines (:func:`ancova_power`); close to
    :math:`n = 2(z+z)^2 s^2 (1-r^2)/\Delta^2 + 1` a group. Source: Borm et al 2007 (from memory); Vickers & Altman 2001.

    Examples
    --------
    >>> from truechange import plan_two_programmes
    >>> plan_two_programmes(0.5, 1.0, power=0.8).need, plan_two_programmes(0.5, 1.0, correlation=0.7, power=0.8).need
    (64, 34)
    """
    rest = 1 - (correlation or 0.0) ** 2
    note = "Adjusting for the baseline (correlation=) needs fewer people: multiply by 1 − r²."
    if correlation is not None:
        changes, alone = fixed(2 * (1 - correlation) / rest, 2), fixed(1 / rest, 2)
        note = (
            f"Analysing change scores instead would need {changes} times as many people, follow-up scores alone "
            f"{alone} times."
        )
    apart = difference / (sd * sqrt(rest))
    return by_power(
        lambda n: t_power(apart * sqrt(n / 2), 2 * n - 2, confidence)
        if correlation is None else ancova_power(apart, n, confidence),
        power, Losses(attrition, cluster_size, cluster_icc), groups=2, cautions=(note,),
        promise=f"give {percent(power)} power to show a difference of {with_unit(difference, unit)} between two "
        f"programmes{'' if correlation is None else ', adjusted for baseline'}",
        sources=("cohen1988",) if correlation is None else ("borm2007", "vickers2001"),
    )  # fmt: skip


@checked(share_1="share", share_2="share", **POWER)
def plan_two_shares(
    share_1: float, share_2: float, *, power: float = 0.9, confidence: float = 0.95, attrition: float = 0.0,
    cluster_size: float = 1.0, cluster_icc: float = 0.0,
) -> Plan:  # fmt: skip
    r"""Plan two groups of equal size: how many in each show a difference between two shares of responders.

    Parameters
    ----------
    share_1, share_2 : float
        Expected shares, 0 to 1.
    power, confidence, attrition, cluster_size, cluster_icc
        As in :func:`plan_change`.

    Returns
    -------
    Plan
        A caution says how many the same difference would need when means are compared.

    Raises
    ------
    ChoiceError
        A value is out of range, or the shares are equal.

    Notes
    -----
    :math:`n = (z_{\alpha/2}\sqrt{2\bar p\bar q} + z_\beta\sqrt{p_1 q_1 + p_2 q_2})^2/(p_1-p_2)^2` a group (textbook
    form; Fleiss, Levin & Paik 2003, from memory). The means need what two normal distributions that far apart, cut at
    one threshold, need.

    Examples
    --------
    >>> from truechange import plan_two_shares
    >>> plan = plan_two_shares(0.5, 0.75, power=0.9)
    >>> plan.need, round(plan.exact, 1)
    (77, 76.7)
    """
    if share_1 == share_2:
        raise ChoiceError(f"share_1={share_1!r} and share_2={share_2!r} must be two different shares between 0 and 1.")
    gap, mean = abs(share_1 - share_2), (share_1 + share_2) / 2
    equal, apart = sqrt(2 * mean * (1 - mean)), sqrt(share_1 * (1 - share_1) + share_2 * (1 - share_2))
    between = abs(float(ndtri(share_1) - ndtri(share_2)))
    as_means = plan_two_programmes(between, 1.0, power=power, confidence=confidence).need
    means = (
        f"Comparing mean changes that lie this far apart would need about {as_means} in each group; counting "
        "responders throws information away."
    )
    return by_power(
        lambda n: float(ndtr((gap * sqrt(n) - z_of(confidence) * equal) / apart)),
        power, Losses(attrition, cluster_size, cluster_icc), groups=2, sources=("fleiss2003",),
        promise=f"give {percent(power)} power to tell {percent(share_1)} from {percent(share_2)} of responders",
        cautions=(means,),
    )  # fmt: skip


@checked(gained="part", lost="part", power="share", confidence="level", attrition="rest")
def plan_paired_shares(
    gained: float, lost: float, *, power: float = 0.9, confidence: float = 0.95, attrition: float = 0.0
) -> Plan:
    r"""Plan one group judged twice: how many people show that more gain than lose (McNemar's test).

    Parameters
    ----------
    gained, lost : float
        Expected shares that change in one and in the other direction.
    power, confidence, attrition
        As in :func:`plan_change`.

    Returns
    -------
    Plan

    Raises
    ------
    ChoiceError
        The shares are equal, negative or above 1 together.

    Notes
    -----
    :math:`n = (z_{\alpha/2}\sqrt{s} + z_\beta\sqrt{s - d^2})^2/d^2` with *s* the sum and *d* the difference of the
    shares. Source: Connor 1987, Biometrics 43:207-211 (from memory).

    Examples
    --------
    >>> from truechange import plan_paired_shares
    >>> round(plan_paired_shares(0.25, 0.10, power=0.8).exact, 2)
    119.71
    """
    both, gap = gained + lost, abs(gained - lost)
    if not (gap > 0 and both <= 1):
        raise ChoiceError(f"gained={gained!r} and lost={lost!r} must be two different shares that add up to at most 1.")
    rest = sqrt(max(both - gap**2, 1e-12))
    return by_power(
        lambda n: float(ndtr((gap * sqrt(n) - z_of(confidence) * sqrt(both)) / rest)),
        power, Losses(attrition), sources=("connor1987",),
        promise=f"give {percent(power)} power to show that {percent(gained)} gain what {percent(lost)} lose",
    )  # fmt: skip
