"""People needed to show a change, or a difference between two programmes."""

from math import sqrt

from scipy.special import nctdtr, ndtr, ndtri, stdtrit

from truechange.foundation.errors import (
    ChoiceError,
    RefusedError,
    check_confidence,
    check_finite,
    check_numbers,
    stated,
)
from truechange.foundation.numbers import fixed, percent
from truechange.planning.plan import Losses, Plan, by_power


def t_power(effect: float, df: float, confidence: float) -> float:
    """Return the power of a two-sided t test at noncentrality `effect`, both tails counted."""
    cut = float(stdtrit(df, (1 + confidence) / 2))
    near, far = float(nctdtr(df, effect, cut)), float(nctdtr(df, effect, -cut))
    return 1 - near + (far if far == far else 0.0)  # the far tail underflows to NaN when it is nothing


def _check(power: float, confidence: float, **positive: float) -> None:
    check_confidence(confidence)
    check_numbers(power=power, **positive)
    if not 0 < power < 1:
        raise ChoiceError(f"power={power!r} must be a fraction between 0 and 1, such as 0.9 for 90%.")
    for name, value in positive.items():
        if not (0 < value < float("inf")):
            raise ChoiceError(f"{name}={value!r} must be a positive number.")


def _sd_of_change(
    sd: float | None, sd_score: float | None, correlation: float | None, sem: float | None
) -> tuple[float, str]:
    note = ""
    check_finite(**stated(sd=sd, sd_score=sd_score, correlation=correlation, sem=sem))
    if sd is None and sd_score is not None and correlation is not None:
        if not -1 < correlation < 1:
            raise ChoiceError(f"correlation={correlation!r} must lie between -1 and 1.")
        sd = sd_score * sqrt(2 * (1 - correlation))
    elif sd is None and sem is not None:
        sd = sqrt(2) * sem
        note = "The SD of change was set to √2 SEM, as if everybody changed alike: the real number is larger."
    elif sd is None:
        raise ChoiceError("Give sd (SD of the change), or sd_score with correlation, or sem for the least possible.")
    if sem is not None and sd < sqrt(2) * sem * (1 - 1e-9):
        raise RefusedError(
            f"An SD of change of {sd:.3g} is less than measurement error alone makes (√2 SEM = {sqrt(2) * sem:.3g}). "
            "Check both; they may come from different tests or people."
        )
    return sd, note


def plan_change(
    change: float,
    sd: float | None = None,
    *,
    sd_score: float | None = None,
    correlation: float | None = None,
    sem: float | None = None,
    power: float = 0.9,
    confidence: float = 0.95,
    unit: str = "",
    attrition: float = 0.0,
    cluster_size: float = 1.0,
    cluster_icc: float = 0.0,
) -> Plan:
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
    _check(power, confidence, change=change, sd=spread)
    effect = change / spread
    shown = f"{change:g}{' ' + unit if unit else ''}"
    return by_power(
        lambda n: t_power(effect * sqrt(n), n - 1, confidence),
        power,
        promise=f"give {percent(power)} power to show a mean change of {shown} (SD of change {spread:.3g})",
        losses=Losses(attrition, cluster_size, cluster_icc),
        cautions=(
            *([note] if note else []),
            "Without a comparison group, practice and natural course count as change.",
        ),
        sources=("cohen1988",),
    )


def plan_two_programmes(
    difference: float,
    sd: float,
    *,
    correlation: float | None = None,
    power: float = 0.9,
    confidence: float = 0.95,
    unit: str = "",
    attrition: float = 0.0,
    cluster_size: float = 1.0,
    cluster_icc: float = 0.0,
) -> Plan:
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
    (2n − 2 without baseline); close to :math:`n = 2(z+z)^2 s^2 (1-r^2)/\Delta^2 + 1` a group. Source: Borm et al 2007
    (from memory); Vickers & Altman 2001.

    Examples
    --------
    >>> from truechange.planning import plan_two_programmes
    >>> plan_two_programmes(0.5, 1.0, power=0.8).need, plan_two_programmes(0.5, 1.0, correlation=0.7, power=0.8).need
    (64, 34)
    """
    _check(power, confidence, difference=difference, sd=sd)
    check_numbers(**stated(correlation=correlation))
    if correlation is not None and not -1 < correlation < 1:
        raise ChoiceError(f"correlation={correlation!r} must lie between -1 and 1.")
    losses = Losses(attrition, cluster_size, cluster_icc)
    rest, spent = (1.0, 2) if correlation is None else (1 - correlation**2, 3)

    def reached(n: float, share: float = rest, used: int = spent) -> float:
        return t_power(difference / (sd * sqrt(share)) * sqrt(n / 2), 2 * n - used, confidence)

    notes = []
    if correlation is None:
        notes.append("Adjusting for the baseline (correlation=) needs fewer people: multiply by 1 − r².")
    else:
        ratio = 2 * (1 - correlation) / rest
        notes.append(
            f"Analysing change scores instead would need {fixed(ratio, 2)} times as many people, "
            f"follow-up scores alone {fixed(1 / rest, 2)} times."
        )
    shown = f"{difference:g}{' ' + unit if unit else ''}"
    how = "" if correlation is None else ", adjusted for baseline"
    return by_power(
        reached,
        power,
        promise=f"give {percent(power)} power to show a difference of {shown} between two programmes{how}",
        losses=losses,
        groups=2,
        cautions=notes,
        sources=("cohen1988",) if correlation is None else ("borm2007", "vickers2001"),
    )


def plan_two_shares(
    share_1: float,
    share_2: float,
    *,
    power: float = 0.9,
    confidence: float = 0.95,
    attrition: float = 0.0,
    cluster_size: float = 1.0,
    cluster_icc: float = 0.0,
) -> Plan:
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
    >>> from truechange.planning import plan_two_shares
    >>> plan = plan_two_shares(0.5, 0.75, power=0.9)
    >>> plan.need, round(plan.exact, 1)
    (77, 76.7)
    """
    _check(power, confidence)
    check_numbers(share_1=share_1, share_2=share_2)
    if not (0 < share_1 < 1 and 0 < share_2 < 1) or share_1 == share_2:
        raise ChoiceError(f"share_1={share_1!r} and share_2={share_2!r} must be two different shares between 0 and 1.")
    gap, mean = abs(share_1 - share_2), (share_1 + share_2) / 2
    equal = sqrt(2 * mean * (1 - mean))
    apart = sqrt(share_1 * (1 - share_1) + share_2 * (1 - share_2))
    z = float(ndtri((1 + confidence) / 2))
    between = abs(float(ndtri(share_1) - ndtri(share_2)))
    as_means = plan_two_programmes(between, 1.0, power=power, confidence=confidence).need
    means = f"Comparing mean changes that lie this far apart would need about {as_means} in each group; counting "
    means += "responders throws information away."
    return by_power(
        lambda n: float(ndtr((gap * sqrt(n) - z * equal) / apart)),
        power,
        promise=f"give {percent(power)} power to tell {percent(share_1)} from {percent(share_2)} of responders",
        losses=Losses(attrition, cluster_size, cluster_icc),
        groups=2,
        cautions=(means,),
        sources=("fleiss2003",),
    )


def plan_paired_shares(
    gained: float,
    lost: float,
    *,
    power: float = 0.9,
    confidence: float = 0.95,
    attrition: float = 0.0,
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
    >>> from truechange.planning import plan_paired_shares
    >>> round(plan_paired_shares(0.25, 0.10, power=0.8).exact, 2)
    119.71
    """
    _check(power, confidence)
    check_numbers(gained=gained, lost=lost)
    both, gap = gained + lost, abs(gained - lost)
    if not (gained >= 0 and lost >= 0 and gap > 0 and both <= 1):
        raise ChoiceError(f"gained={gained!r} and lost={lost!r} must be two different shares that add up to at most 1.")
    z, rest = float(ndtri((1 + confidence) / 2)), sqrt(max(both - gap**2, 1e-12))
    return by_power(
        lambda n: float(ndtr((gap * sqrt(n) - z * sqrt(both)) / rest)),
        power,
        promise=f"give {percent(power)} power to show that {percent(gained)} gain what {percent(lost)} lose",
        losses=Losses(attrition),
        sources=("connor1987",),
    )
