"""Sample size by precision: people needed to pin down a share, an ICC, an SEM, limits of agreement or an MCID."""

from dataclasses import dataclass, replace
from math import log, nan, sqrt
from typing import Any

import numpy as np
import pandas as pd
from scipy.special import chdtri, ndtr, ndtri

from truechange.foundation.errors import ChoiceError, OutcomeError, RefusedError, checked
from truechange.foundation.numbers import fixed, percent, with_unit
from truechange.foundation.result import told
from truechange.numerics.intervals import wilson_limits
from truechange.numerics.resampling import each
from truechange.planning.power import LOSSES, Losses, Plan, by_power, by_width, z_of


@checked(share="share", half_width="half", confidence="level", **LOSSES)
def plan_responders(
    share: float, half_width: float, *, confidence: float = 0.95, attrition: float = 0.0, cluster_size: float = 1.0,
    cluster_icc: float = 0.0,
) -> Plan:  # fmt: skip
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
    return by_width(
        lambda n: float(np.subtract(*wilson_limits(share * n, n, confidence)[::-1])) / 2,
        half_width, Losses(attrition, cluster_size, cluster_icc), most=0.4, goal="half-width of the interval",
        promise=f"pin a share of about {percent(share)} down to ± {100 * half_width:g} percentage points "
        f"({100 * confidence:g}% interval)",
        cautions=("The share of observed responders; error moves people over the line, see plan_true_share.",),
        sources=("wilson1927", "newcombe1998a"),
    )  # fmt: skip


@checked(icc="share", trials="several", width="share", icc_null="share", power="share", confidence="level",
         attrition="rest")  # fmt: skip
def plan_icc(
    icc: float, *, trials: int = 2, width: float | None = None, icc_null: float | None = None, power: float = 0.8,
    confidence: float = 0.95, attrition: float = 0.0,
) -> Plan:  # fmt: skip
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
    note = "A shift between trials counts as error in ICC(A,1) and costs precision that more people cannot buy back."
    if (width is None) == (icc_null is None):
        raise ChoiceError("Give either width (precision) or icc_null (a value to exceed).")
    if icc_null is not None:
        if not icc_null < icc:
            raise ChoiceError(f"icc_null={icc_null!r} must lie between 0 and {icc:g}.")
        odds_0, odds_1 = icc_null / (1 - icc_null), icc / (1 - icc)
        c = abs(log((1 + trials * odds_0) / (1 + trials * odds_1)))
        return by_power(
            lambda n: float(ndtr(c * sqrt((n - 1) * (trials - 1) / (2 * trials)) - float(ndtri(confidence)))),
            power, Losses(attrition), cautions=(note,), sources=("walter1998",),
            promise=f"and {trials} trials each give {percent(power)} power to show that an ICC of {icc:g} "
            f"exceeds {icc_null:g}",
        )  # fmt: skip
    added = 5 * icc if trials == 2 and icc >= 0.7 else 0.0
    spread = 8 * z_of(confidence) ** 2 * (1 - icc) ** 2 * (1 + (trials - 1) * icc) ** 2 / (trials * (trials - 1))
    return by_width(
        lambda n: sqrt(spread / (n - 1 - added)), float(width or 0), Losses(attrition), most=0.8, least=2 + int(added),
        cautions=(note,), goal="width of the interval",
        promise=f"and {trials} trials each pin an ICC of about {icc:g} down to a {100 * confidence:g}% interval "
        f"{width:g} wide",
        sources=("bonett2002",),
    )  # fmt: skip


@checked(within="positive", trials="several", confidence="level", attrition="rest")
def plan_error(within: float, *, trials: int = 2, confidence: float = 0.95, attrition: float = 0.0) -> Plan:
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
    >>> from truechange import plan_error
    >>> plan_error(0.25).need
    49
    """
    return by_width(  # of the two limits the upper one is always the farther
        lambda n: sqrt((df := (n - 1) * (trials - 1)) / float(chdtri(df, (1 + confidence) / 2))) - 1, within,
        Losses(attrition), goal="largest relative distance of a limit", sources=("stratford1997",),
        promise=f"and {trials} trials each pin the SEM and the MDC down to within {percent(within)} "
        f"({100 * confidence:g}% interval)",
        cautions=("Holds for the protocol, the people and the time between tests of the retest study only.",),
    )  # fmt: skip


@checked(half_width="positive", sd="positive", confidence="level", attrition="rest")
def plan_agreement(
    half_width: float, sd: float, *, confidence: float = 0.95, unit: str = "", attrition: float = 0.0
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
    >>> from truechange import plan_agreement
    >>> plan_agreement(0.5, sd=1.0).need
    49
    """
    from truechange.reliability.agreement import limit_factors

    return by_width(
        lambda n: sd * -float(np.subtract(*limit_factors(n, confidence, "exact"))) / 2,  # type: ignore[arg-type]
        half_width, Losses(attrition), least=3, goal=f"half-width of the interval{', ' + unit if unit else ''}",
        promise=f"pin each limit of agreement down to ± {with_unit(half_width, unit)} "
        f"({100 * confidence:g}% exact interval)",
        cautions=("One pair a person; differences that grow with the score need the log scale.",),
        sources=("carkeet2015", "shieh2018"),
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class Model:
    """People whose true change is normal, rated through a scale of known reliability.

    Parameters
    ----------
    mean, sd : float
        Mean and SD of the observed change.
    reliability : float
        Share of its variance that is true change.
    improved : float
        Share rated improved.
    anchor_reliability : float
        Squared correlation of the rating's underlying scale with true change.
    """

    mean: float
    sd: float
    reliability: float
    improved: float
    anchor_reliability: float

    @property
    def sem(self) -> float:
        """Standard error of measurement that goes with the reliability of change."""
        return self.sd * sqrt((1 - self.reliability) / 2)

    @property
    def mcid(self) -> float:
        """True change at which half rate themselves improved: m − Φ⁻¹(p) s √(rel_D / rel_T)."""
        return self.mean - float(ndtri(self.improved)) * self.sd * sqrt(self.reliability / self.anchor_reliability)

    def slope(self) -> tuple[float, float]:
        """Return intercept and slope of the probit of improved on the observed change in SDs."""
        biserial = sqrt(self.reliability * self.anchor_reliability)
        rest = sqrt(1 - biserial**2)
        return float(ndtri(self.improved)) / rest, biserial / rest

    def people(self, rng: np.random.Generator, n: int) -> tuple[Any, Any]:
        """Draw observed changes and ratings (1 improved, 0 not) of `n` people."""
        z, (a, b) = rng.standard_normal(n), self.slope()
        return self.mean + self.sd * z, (rng.random(n) < ndtr(a + b * z)).astype(int)


def mcid_factor(model: Model) -> float:
    r"""Return c in SE(MCID) = c × SD(change)/√n for the latent-threshold estimate, SEM known.

    Own derivation, delta method on ``m + rel_D (X50 − m)``: the probit's information at the planned spread (64-point
    Gauss-Hermite sums), and the sampling of mean and variance of change, which the probit's coefficients are
    independent of.
    """
    a, b = model.slope()
    z, weight = np.polynomial.hermite_e.hermegauss(64)
    eta = a + b * z
    spread = np.maximum(ndtr(eta) * ndtr(-eta), 1e-300)
    w = weight / weight.sum() * (np.exp(-(eta**2) / 2) / sqrt(2 * np.pi)) ** 2 / spread
    gradient = np.array([-1 / b, a / b**2])
    information = np.array([[w.sum(), w @ z], [w @ z, w @ z**2]])
    about_half, error = float(gradient @ np.linalg.solve(information, gradient)), 1 - model.reliability
    return sqrt(model.reliability**2 * about_half + error**2 + 2 * (-a / b * error) ** 2)


@checked(half_width="positive", sd="positive", improved="share", anchor_reliability="share", sem="positive",
         sem_df="positive", reliability="part", mean="finite", confidence="level", simulate="whole", seed="whole",
         attrition="rest")  # fmt: skip
def plan_mcid(
    half_width: float, *, sd: float, improved: float, anchor_reliability: float, sem: float | None = None,
    sem_df: float | None = None, reliability: float | None = None, mean: float = 0.0, confidence: float = 0.95,
    unit: str = "", simulate: int = 0, seed: int = 0, attrition: float = 0.0,
) -> Plan:  # fmt: skip
    r"""Plan an MCID study: how many rated people pin the MCID down (latent-threshold estimate).

    Parameters
    ----------
    half_width : float
        Half the width of the interval that is wanted, in the test's unit.
    sd : float
        SD of the observed change.
    improved : float
        Share expected to rate themselves improved, 0 to 1.
    anchor_reliability : float
        Squared correlation of the rating's underlying scale with true change, 0 to 1; about 0.3 to 0.6 is usual.
    sem, reliability : float, optional
        Standard error of measurement, or the share of the variance of change that is true change. Give one.
    sem_df : float, optional
        Degrees of freedom of the SEM; without them it counts as known.
    mean : float
        Mean observed change; matters for the simulation only.
    confidence : float
        Level of the interval.
    unit : str
        Unit for the sentence.
    simulate : int
        If positive, so many studies of the planned size are drawn and analysed with :func:`truechange.mcid`; what they
        found is added to the cautions.
    seed : int
        Seed of the simulation.
    attrition : float
        Share expected to be lost.

    Returns
    -------
    Plan

    Raises
    ------
    ChoiceError
        A value is out of range.
    RefusedError
        The SD of change is no larger than measurement error.

    Notes
    -----
    Half-width = z sd √(c²/n + 2 ((1 − rel_D) x)²/df), c from :func:`mcid_factor`, x the change at which half rate
    themselves improved, in SDs from the mean. The second term is the SEM's own uncertainty, which more rated people
    do not reduce. Own derivation, checked against simulation.

    Examples
    --------
    >>> from truechange import plan_mcid
    >>> plan = plan_mcid(1.0, sd=2.4, improved=0.35, anchor_reliability=0.5, reliability=0.8)
    >>> 50 < plan.need < 65
    True
    """
    if (sem is None) == (reliability is None):
        raise ChoiceError("Give either sem or reliability (of the change), not both.")
    share = 1 - 2 * sem**2 / sd**2 if sem is not None else float(reliability or 0)
    if not 0 < share <= 1:
        raise RefusedError(
            f"With an SD of change of {sd:g} only {percent(max(share, 0.0))} of its variance is true change: "
            "all that is seen may be error. Use a more reliable test or the mean of several."
        )
    model = Model(mean, sd, share, improved, anchor_reliability)
    factor, z, (a, b) = mcid_factor(model), z_of(confidence), model.slope()
    extreme = not 0.3 <= improved <= 0.7
    floor = 0.0 if sem_df is None else 2 * ((1 - share) * a / b) ** 2 / sem_df
    notes = {
        f"Each way the interval reaches about {fixed(z * factor, 1)} × SD of change / √n.": True,
        "A cut read off the ROC curve varies two to four times as much and needs several times as many people.": True,
        "The SEM counts as known (give sem_df); in truth it adds uncertainty unless half are improved.": sem_df is None,
        "Fewer than 30% or more than 70% rated improved: every method leans on the model there.": extreme,
    }
    plan = by_width(
        lambda n: z * sd * sqrt(factor**2 / n + floor), half_width, Losses(attrition), least=20, cautions=told(notes),
        goal=f"half-width of the interval{', ' + unit if unit else ''}", sources=("terluin2015",),
        promise=f"and a rating of change pin the MCID down to ± {with_unit(half_width, unit)} "
        f"({100 * confidence:g}% interval)",
    )  # fmt: skip
    if not simulate:
        return plan
    found = simulate_mcid(model, plan.need, sem_df, studies=simulate, seed=seed, confidence=confidence)
    return replace(plan, cautions=(*plan.cautions, found))


def _sem_seen(rng: np.random.Generator, sem: float, df: float | None) -> float:
    """Return the SEM that a retest study of `df` degrees of freedom happens to find."""
    return sem if df is None else sem * sqrt(rng.chisquare(df) / df)


def simulate_mcid(
    model: Model, n: int, sem_df: float | None = None, *, studies: int, seed: int, confidence: float = 0.95
) -> str:
    """Draw studies of `n` people, analyse each as planned, and say what they found."""
    from truechange.meaningful_change.study import mcid

    def analysed(people: tuple[Any, Any], sem: float, study: int) -> Any:
        try:
            found = mcid(*people, sem=sem, sem_df=sem_df, n_boot=200, seed=study, confidence=confidence).table()
        except OutcomeError:
            return np.full(3, nan)
        return found.loc["latent_threshold", ["estimate", "low", "high"]].to_numpy(dtype=float)

    rng = np.random.default_rng(seed)
    drawn = [(model.people(rng, n), _sem_seen(rng, model.sem, sem_df), study) for study in range(studies)]
    rows = [row for row in each(analysed, *zip(*drawn, strict=True)) if np.isfinite(row).all()]
    if not rows:
        raise RefusedError(f"None of {studies} simulated studies of {n} people gave an MCID.")
    _, low, high = np.transpose(rows)
    inside = np.mean((low <= model.mcid) & (model.mcid <= high))
    return (
        f"Of {studies} simulated studies of {n} people {studies - len(rows)} gave no value; in the others half the "
        f"interval was {fixed(float(np.median(high - low) / 2), 2)} (median) and {percent(inside)} of the intervals "
        "held the true MCID."
    )


@checked(half_width="half", mean="finite", sd="positive", sem="positive", mcid="finite", sem_df="positive",
         confidence="level", studies="whole", seed="whole", attrition="rest")  # fmt: skip
def plan_true_share(
    half_width: float, *, mean: float, sd: float, sem: float, mcid: float, sem_df: float | None = None,
    confidence: float = 0.95, studies: int = 20, seed: int = 0, attrition: float = 0.0,
) -> Plan:  # fmt: skip
    """Plan one group: how many people pin down the share whose true change is above the MCID, by simulation.

    Parameters
    ----------
    half_width : float
        Half the width of the interval that is wanted, as a share.
    mean, sd : float
        Expected mean and SD of the observed change, in the test's unit.
    sem, mcid : float
        Standard error of measurement and person-level MCID, in the test's unit.
    sem_df : float, optional
        Degrees of freedom of the SEM.
    confidence : float
        Level of the interval.
    studies : int
        Simulated studies per number of people.
    seed : int
        Seed of the simulation.
    attrition : float
        Share expected to be lost.

    Returns
    -------
    Plan
        ``.simulated`` holds the sizes that were drawn; the curve runs through them.

    Raises
    ------
    ChoiceError
        A value is out of range.
    RefusedError
        The SD of change is no larger than measurement error, or more people cannot reach the target (an SEM known too
        poorly).

    Notes
    -----
    :func:`truechange.true_responder_share` analyses studies drawn at a ladder of sizes around Wilson's n / rel_D². The
    median half-width h is smoothed as h² = a/n + b (b is what the SEM's own uncertainty leaves) and solved
    (own derivation, checked by simulation).

    Examples
    --------
    >>> from truechange import plan_true_share
    >>> plan = plan_true_share(0.10, mean=2.5, sd=2.4, sem=1.0, mcid=2.0, sem_df=49)
    >>> plan.need > 80
    True
    """
    from truechange.responders.true_share import true_responder_share

    def half(shown: float, change: Any) -> float:
        one = true_responder_share(change, sem=shown, mcid=mcid, sem_df=sem_df, confidence=confidence)
        return (one.high - one.low) / 2

    share = 1 - 2 * sem**2 / sd**2
    if studies < 10:
        raise ChoiceError(f"studies={studies!r} must be at least 10.")
    if share <= 0:
        raise RefusedError("The SD of change is no larger than measurement error makes it: no share can be told.")
    true = float(ndtr((mean - mcid) / (sd * sqrt(share))))
    guess = plan_responders(min(max(true, 0.05), 0.95), half_width, confidence=confidence).need / share**2
    sizes = sorted({max(8, round(guess * factor)) for factor in (0.3, 0.65, 1.4, 3.0)})
    rng = np.random.default_rng(seed)
    drawn = [(_sem_seen(rng, sem, sem_df), rng.normal(mean, sd, n)) for n in sizes for _ in range(studies)]
    widths = np.median(np.reshape(each(half, *zip(*drawn, strict=True)), (len(sizes), studies)), axis=1)
    squares = np.square(widths)
    falling, floor = np.polyfit(1 / np.array(sizes), squares, 1, w=1 / squares)
    if floor < 0:
        falling, floor = np.average(squares * sizes), 0.0
    if half_width**2 <= floor:
        raise RefusedError(
            f"However many people, half the interval stays above {sqrt(floor):.2f}: the SEM is known too poorly "
            f"({sem_df:g} degrees of freedom). Repeat the retest study with more people, or ask for less."
        )
    return by_width(
        lambda n: sqrt(falling / n + floor), half_width, Losses(attrition), least=8, sources=("newcombe1998a",),
        factors=[factor for factor in (0.75, 1.0, 1.5) if (half_width * factor) ** 2 > floor],
        goal="half-width of the interval (simulated)",
        promise=f"pin the share with true change above {mcid:g} (about {percent(true)}) down to ± "
        f"{100 * half_width:g} percentage points ({100 * confidence:g}% interval, {studies} simulated studies a size)",
        simulated=pd.DataFrame({"people": sizes, "reached": widths}),
    )  # fmt: skip
