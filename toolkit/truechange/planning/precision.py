"""People needed to pin a number down: a share, an ICC, measurement error, limits of agreement."""

from math import inf, log, sqrt

from scipy.special import chdtri, ndtr, ndtri

from truechange.foundation.errors import ChoiceError, check_confidence, check_finite, check_numbers, stated
from truechange.foundation.numbers import percent
from truechange.numerics.shares import wilson_limits
from truechange.planning.plan import Losses, Plan, by_power, by_width


def _between(low: float, high: float, **given: float) -> None:
    check_numbers(**given)
    for name, value in given.items():
        if not low < value < high:
            raise ChoiceError(f"{name}={value!r} must lie between {low:g} and {high:g}.")


def _several(trials: int) -> None:
    check_finite(trials=trials)
    if trials < 2 or int(trials) != trials:
        raise ChoiceError(f"trials={trials!r} must be a whole number of at least 2.")


def plan_responders(
    share: float,
    half_width: float,
    *,
    confidence: float = 0.95,
    attrition: float = 0.0,
    cluster_size: float = 1.0,
    cluster_icc: float = 0.0,
) -> Plan:
    """Plan one group: how many people pin down the share of responders.

    Parameters
    ----------
    share : float
        Expected share, 0 to 1; 0.5 needs most.
    half_width : float
        Half the width of the interval that is wanted, as a share (0.10 for ± 10 points).
    confidence : float
        Level of Wilson's interval.
    attrition, cluster_size, cluster_icc
        As in :func:`plan_change`.

    Returns
    -------
    Plan

    Raises
    ------
    ChoiceError
        A value is out of range.

    Notes
    -----
    Smallest n with half the width of Wilson's interval, at k = share × n, no more than `half_width`.

    Examples
    --------
    >>> from truechange import plan_responders
    >>> print(plan_responders(0.5, 0.10).sentence())
    93 people with usable data pin a share of about 50% down to ± 10 percentage points (95% interval).
    """
    check_confidence(confidence)
    _between(0, 1, share=share)
    _between(0, 0.5, half_width=half_width)

    def reached(n: float) -> float:
        low, high = wilson_limits(share * n, n, confidence)
        return float(high - low) / 2

    return by_width(
        reached,
        half_width,
        most=0.4,
        promise=f"pin a share of about {percent(share)} down to ± {100 * half_width:g} percentage points "
        f"({100 * confidence:g}% interval)",
        goal="half-width of the interval",
        losses=Losses(attrition, cluster_size, cluster_icc),
        cautions=("The share of observed responders; error moves people over the line, see plan_true_share.",),
        sources=("wilson1927", "newcombe1998a"),
    )


def plan_icc(
    icc: float,
    *,
    trials: int = 2,
    width: float | None = None,
    icc_null: float | None = None,
    power: float = 0.8,
    confidence: float = 0.95,
    attrition: float = 0.0,
) -> Plan:
    r"""Plan a retest study: how many people pin an ICC down, or show that it exceeds a value.

    Parameters
    ----------
    icc : float
        Expected ICC of one trial, between 0 and 1.
    trials : int
        Trials (or testers) a person, at least 2.
    width : float, optional
        Full width of the interval that is wanted. Give this or `icc_null`.
    icc_null : float, optional
        The ICC that is to be exceeded; tested one-sided at 1 − confidence.
    power : float
        Chance to show it, with `icc_null`.
    confidence : float
        Level of the interval, or 1 minus the one-sided error rate.
    attrition : float
        Share expected not to come back.

    Returns
    -------
    Plan

    Raises
    ------
    ChoiceError
        A value is out of range, or neither or both of `width` and `icc_null` are given.

    Notes
    -----
    Width: :math:`n = 8z^2(1-\rho)^2[1+(k-1)\rho]^2/[k(k-1)w^2] + 1`, plus :math:`5\rho` for k = 2 and
    :math:`\rho \ge .7` (Bonett 2002). Test: :math:`n = 1 + 2(z_\alpha+z_\beta)^2 k/[(\ln C_0)^2(k-1)]` with
    :math:`C_0 = (1 + k\theta_0)/(1 + k\theta_1)`, :math:`\theta = \rho/(1-\rho)` (Walter, Eliasziw & Donner 1998,
    from memory).

    Examples
    --------
    >>> from truechange import plan_icc
    >>> plan_icc(0.8, trials=2, width=0.2).need, plan_icc(0.85, trials=4, width=0.2).need
    (55, 20)
    >>> plan_icc(0.8, icc_null=0.6, trials=2).need
    39
    """
    check_confidence(confidence)
    _between(0, 1, icc=icc, power=power)
    _several(trials)
    check_numbers(**stated(width=width, icc_null=icc_null))
    if (width is None) == (icc_null is None):
        raise ChoiceError("Give either width (precision) or icc_null (a value to exceed).")
    losses = Losses(attrition)
    notes = ["A shift between trials counts as error in ICC(A,1) and costs precision that more people cannot buy back."]
    if icc_null is not None:
        _between(0, icc, icc_null=icc_null)
        odds_0, odds_1 = icc_null / (1 - icc_null), icc / (1 - icc)
        c = abs(log((1 + trials * odds_0) / (1 + trials * odds_1)))
        z = float(ndtri(confidence))
        return by_power(
            lambda n: float(ndtr(c * sqrt((n - 1) * (trials - 1) / (2 * trials)) - z)),
            power,
            promise=f"and {trials} trials each give {percent(power)} power to show that an ICC of {icc:g} "
            f"exceeds {icc_null:g}",
            losses=losses,
            cautions=notes,
            sources=("walter1998",),
        )
    _between(0, 1, width=float(width or 0))
    added = 5 * icc if trials == 2 and icc >= 0.7 else 0.0
    spread = 8 * float(ndtri((1 + confidence) / 2)) ** 2 * (1 - icc) ** 2 * (1 + (trials - 1) * icc) ** 2
    spread /= trials * (trials - 1)
    return by_width(
        lambda n: sqrt(spread / (n - 1 - added)) if n > 1 + added else inf,
        float(width or 0),
        most=0.8,
        least=2 + int(added),
        promise=f"and {trials} trials each pin an ICC of about {icc:g} down to a {100 * confidence:g}% interval "
        f"{width:g} wide",
        goal="width of the interval",
        losses=losses,
        cautions=notes,
        sources=("bonett2002",),
    )


def plan_error(
    within: float,
    *,
    trials: int = 2,
    confidence: float = 0.95,
    attrition: float = 0.0,
) -> Plan:
    """Plan a retest study: how many people pin down the SEM, and with it the MDC.

    Parameters
    ----------
    within : float
        Largest relative distance of either limit from the SEM, such as 0.25 for ± 25%.
    trials : int
        Trials a person, at least 2.
    confidence : float
        Level of the chi-square interval.
    attrition : float
        Share expected not to come back.

    Returns
    -------
    Plan

    Raises
    ------
    ChoiceError
        A value is out of range.

    Notes
    -----
    The limits are ``SEM √(df/χ²)`` (textbook form) with df = (n − 1)(trials − 1); the MDC has the same relative limits.

    Examples
    --------
    >>> from truechange.planning import plan_error
    >>> plan_error(0.25).need
    49
    """
    check_confidence(confidence)
    _between(0, 5, within=within)
    _several(trials)

    def reached(n: float) -> float:
        df = (n - 1) * (trials - 1)
        low, high = (sqrt(df / float(chdtri(df, tail))) for tail in ((1 - confidence) / 2, (1 + confidence) / 2))
        return max(high - 1, 1 - low)

    return by_width(
        reached,
        within,
        promise=f"and {trials} trials each pin the SEM and the MDC down to within {percent(within)} "
        f"({100 * confidence:g}% interval)",
        goal="largest relative distance of a limit",
        losses=Losses(attrition),
        cautions=("Holds for the protocol, the people and the time between tests of the retest study only.",),
        sources=("stratford1997",),
    )


def plan_agreement(
    half_width: float,
    sd: float,
    *,
    confidence: float = 0.95,
    unit: str = "",
    attrition: float = 0.0,
) -> Plan:
    """Plan a comparison of two testers or two devices: how many people pin down one limit of agreement.

    Parameters
    ----------
    half_width : float
        Half the width of the exact interval of one limit, in the unit of the test.
    sd : float
        SD of the differences.
    confidence : float
        Level of the interval.
    unit : str
        Unit for the sentence.
    attrition : float
        Share expected not to come back.

    Returns
    -------
    Plan

    Raises
    ------
    ChoiceError
        A value is not positive.

    Notes
    -----
    The exact interval of a limit runs from k₁ to k₂ SDs from the bias, noncentral t quantiles over √n (Carkeet 2015;
    Shieh 2018); half its width is (k₂ − k₁)/2 SDs.

    Examples
    --------
    >>> from truechange.planning import plan_agreement
    >>> plan_agreement(0.5, sd=1.0).need
    49
    """
    from truechange.reliability.agreement import limit_factors

    check_confidence(confidence)
    _between(0, inf, half_width=half_width, sd=sd)

    def reached(n: float) -> float:
        low, high = limit_factors(n, confidence, "exact")  # type: ignore[arg-type]
        return sd * (high - low) / 2

    shown = f"{half_width:g}{' ' + unit if unit else ''}"
    return by_width(
        reached,
        half_width,
        least=3,
        promise=f"pin each limit of agreement down to ± {shown} ({100 * confidence:g}% exact interval)",
        goal=f"half-width of the interval{', ' + unit if unit else ''}",
        losses=Losses(attrition),
        cautions=("One pair a person; differences that grow with the score need the log scale.",),
        sources=("carkeet2015", "shieh2018"),
    )
