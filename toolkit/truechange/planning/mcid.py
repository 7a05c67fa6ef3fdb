"""People needed to pin down an MCID, and the share of true responders, which have no textbook formula."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import sqrt
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy.special import ndtr, ndtri

from truechange.foundation.errors import (
    ChoiceError,
    OutcomeError,
    RefusedError,
    check_confidence,
    check_finite,
    check_whole,
    stated,
)
from truechange.foundation.numbers import fixed, percent
from truechange.planning.plan import Losses, Plan, by_width
from truechange.planning.precision import plan_responders

if TYPE_CHECKING:
    from numpy.typing import NDArray


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
    def mcid(self) -> float:
        """True change at which half rate themselves improved: m − Φ⁻¹(p) s √(rel_D / rel_T)."""
        return self.mean - float(ndtri(self.improved)) * self.sd * sqrt(self.reliability / self.anchor_reliability)

    @property
    def sem(self) -> float:
        """Standard error of measurement that goes with the reliability of change."""
        return self.sd * sqrt((1 - self.reliability) / 2)

    @property
    def half(self) -> float:
        """Observed change at which half rate themselves improved, in SDs from the mean."""
        a, b = self.slope()
        return -a / b

    def slope(self) -> tuple[float, float]:
        """Return intercept and slope of the probit of improved on the observed change in SDs."""
        biserial = sqrt(self.reliability * self.anchor_reliability)
        rest = sqrt(1 - biserial**2)
        return float(ndtri(self.improved)) / rest, biserial / rest

    def people(self, rng: np.random.Generator, n: int) -> "tuple[NDArray[np.float64], NDArray[np.int64]]":
        """Draw observed changes and ratings (1 improved, 0 not) of `n` people."""
        z = rng.standard_normal(n)
        a, b = self.slope()
        return self.mean + self.sd * z, (rng.random(n) < ndtr(a + b * z)).astype(int)


def mcid_factor(model: Model) -> float:
    r"""Return c in SE(MCID) = c × SD(change)/√n for the latent-threshold estimate, SEM known.

    Delta method on ``m + rel_D (X50 − m)``: the probit's information at the planned spread (64-point Gauss-Hermite
    sums), and the sampling of mean and variance of change, which the probit's coefficients are independent of.
    """
    a, b = model.slope()
    z, weight = np.polynomial.hermite_e.hermegauss(64)
    weight = weight / weight.sum()
    eta = a + b * z
    density = np.exp(-(eta**2) / 2) / sqrt(2 * np.pi)
    spread = np.maximum(ndtr(eta) * ndtr(-eta), 1e-300)
    w = weight * density**2 / spread
    information = np.array([[w.sum(), w @ z], [w @ z, w @ z**2]])
    gradient = np.array([-1 / b, a / b**2])
    about_half = float(gradient @ np.linalg.solve(information, gradient))
    error = 1 - model.reliability
    return sqrt(model.reliability**2 * about_half + error**2 + 2 * (model.half * error) ** 2)


def plan_mcid(
    half_width: float,
    *,
    sd: float,
    improved: float,
    anchor_reliability: float,
    sem: float | None = None,
    sem_df: float | None = None,
    reliability: float | None = None,
    mean: float = 0.0,
    confidence: float = 0.95,
    unit: str = "",
    simulate: int = 0,
    seed: int = 0,
    attrition: float = 0.0,
) -> Plan:
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
    check_confidence(confidence)
    check_finite(half_width=half_width, sd=sd, improved=improved, anchor_reliability=anchor_reliability, mean=mean)
    check_finite(**stated(sem=sem, reliability=reliability, sem_df=sem_df))
    check_whole(simulate=simulate, seed=seed)
    if (sem is None) == (reliability is None):
        raise ChoiceError("Give either sem or reliability (of the change), not both.")
    for name, value in (("improved", improved), ("anchor_reliability", anchor_reliability)):
        if not 0 < value < 1:
            raise ChoiceError(f"{name}={value!r} must lie between 0 and 1.")
    if not (sd > 0 and half_width > 0):
        raise ChoiceError(f"sd={sd!r} and half_width={half_width!r} must be positive.")
    share = 1 - 2 * sem**2 / sd**2 if sem is not None else float(reliability or 0)
    if not 0 < share <= 1:
        raise RefusedError(
            f"With an SD of change of {sd:g} only {percent(max(share, 0.0))} of its variance is true change: "
            "all that is seen may be error. Use a more reliable test or the mean of several."
        )
    model = Model(mean, sd, share, improved, anchor_reliability)
    factor, z = mcid_factor(model), float(ndtri((1 + confidence) / 2))
    notes = [
        f"Each way the interval reaches about {fixed(z * factor, 1)} × SD of change / √n.",
        "A cut read off the ROC curve varies two to four times as much and needs several times as many people.",
    ]
    floor = 0.0 if sem_df is None else 2 * ((1 - share) * model.half) ** 2 / sem_df
    if sem_df is None:
        notes.append("The SEM counts as known (give sem_df); in truth it adds uncertainty unless half are improved.")
    if not 0.3 <= improved <= 0.7:
        notes.append("Fewer than 30% or more than 70% rated improved: every method leans on the model there.")
    plan = by_width(
        lambda n: z * sd * sqrt(factor**2 / n + floor),
        half_width,
        least=20,
        promise=f"and a rating of change pin the MCID down to ± {half_width:g}{' ' + unit if unit else ''} "
        f"({100 * confidence:g}% interval)",
        goal=f"half-width of the interval{', ' + unit if unit else ''}",
        losses=Losses(attrition),
        cautions=notes,
        sources=("terluin2015",),
    )
    if not simulate:
        return plan
    found = simulate_mcid(model, plan.need, sem_df, studies=simulate, seed=seed, confidence=confidence)
    return replace(plan, cautions=(*plan.cautions, found))


def simulate_mcid(
    model: Model, n: int, sem_df: float | None = None, *, studies: int, seed: int, confidence: float = 0.95
) -> str:
    """Draw studies of `n` people, analyse each as planned, and say what they found."""
    from truechange.meaningful_change import mcid

    rng, halves, inside, missed = np.random.default_rng(seed), [], 0, 0
    for study in range(studies):
        change, rating = model.people(rng, n)
        sem = model.sem if sem_df is None else model.sem * sqrt(rng.chisquare(sem_df) / sem_df)
        try:
            table = mcid(change, rating, sem=sem, sem_df=sem_df, n_boot=200, seed=study, confidence=confidence).table()
        except OutcomeError:
            missed += 1
            continue
        row = table.loc["latent_threshold"]
        if not np.isfinite(row[["estimate", "low", "high"]].to_numpy(dtype=float)).all():
            missed += 1
            continue
        halves.append((row["high"] - row["low"]) / 2)
        inside += bool(row["low"] <= model.mcid <= row["high"])
    if not halves:
        raise RefusedError(f"None of {studies} simulated studies of {n} people gave an MCID.")
    return (
        f"Of {studies} simulated studies of {n} people {missed} gave no value; in the others half the interval was "
        f"{fixed(float(np.median(halves)), 2)} (median) and {percent(inside / len(halves))} of the intervals held the "
        "true MCID."
    )


def plan_true_share(
    half_width: float,
    *,
    mean: float,
    sd: float,
    sem: float,
    mcid: float,
    sem_df: float | None = None,
    confidence: float = 0.95,
    studies: int = 20,
    seed: int = 0,
    attrition: float = 0.0,
) -> Plan:
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
    >>> from truechange.planning import plan_true_share
    >>> plan = plan_true_share(0.10, mean=2.5, sd=2.4, sem=1.0, mcid=2.0, sem_df=49)
    >>> plan.need > 80
    True
    """
    check_confidence(confidence)
    check_finite(half_width=half_width, mean=mean, sd=sd, sem=sem, mcid=mcid, **stated(sem_df=sem_df))
    check_whole(studies=studies, seed=seed)
    share = 1 - 2 * sem**2 / sd**2 if sd > 0 else 0.0
    if not (0 < half_width < 0.5 and sem > 0 and studies >= 10):
        raise ChoiceError(f"half_width={half_width!r} must lie between 0 and 0.5, sem above 0, studies be at least 10.")
    if share <= 0:
        raise RefusedError("The SD of change is no larger than measurement error makes it: no share can be told.")
    true = float(ndtr((mean - mcid) / (sd * sqrt(share))))
    guess = plan_responders(min(max(true, 0.05), 0.95), half_width, confidence=confidence).need / share**2
    sizes = sorted({max(8, round(guess * factor)) for factor in (0.3, 0.65, 1.4, 3.0)})
    widths = _simulated_widths(sizes, mean, sd, sem, mcid, sem_df, confidence, studies, seed)
    squares = np.square(widths)
    falling, floor = np.polyfit(1 / np.array(sizes), squares, 1, w=1 / squares)
    if floor < 0:
        falling, floor = np.average(squares * sizes), 0.0
    if half_width**2 <= floor:
        raise RefusedError(
            f"However many people, half the interval stays above {sqrt(floor):.2f}: the SEM is known too poorly "
            f"({sem_df:g} degrees of freedom). Repeat the retest study with more people, or ask for less."
        )
    plan = by_width(
        lambda n: sqrt(falling / n + floor),
        half_width,
        factors=[factor for factor in (0.75, 1.0, 1.5) if (half_width * factor) ** 2 > floor],
        least=8,
        promise=f"pin the share with true change above {mcid:g} (about {percent(true)}) down to ± "
        f"{100 * half_width:g} percentage points ({100 * confidence:g}% interval, {studies} simulated studies a size)",
        goal="half-width of the interval (simulated)",
        losses=Losses(attrition),
        sources=("newcombe1998a",),
    )
    return replace(plan, simulated=pd.DataFrame({"people": sizes, "reached": widths}))


def _simulated_widths(
    sizes: Sequence[int],
    mean: float,
    sd: float,
    sem: float,
    mcid: float,
    sem_df: float | None,
    confidence: float,
    studies: int,
    seed: int,
) -> "list[float]":
    from truechange.responders import true_responder_share

    rng, widths = np.random.default_rng(seed), []
    for n in sizes:
        found = []
        for _ in range(studies):
            shown = sem if sem_df is None else sem * sqrt(rng.chisquare(sem_df) / sem_df)
            one = true_responder_share(
                rng.normal(mean, sd, n), sem=shown, mcid=mcid, sem_df=sem_df, confidence=confidence
            )
            found.append((one.high - one.low) / 2)
        widths.append(float(np.median(found)))
    return widths
