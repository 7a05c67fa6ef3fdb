"""Standard error of measurement and what follows from it: the smallest change beyond error."""

from dataclasses import dataclass
from math import sqrt
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy.special import chdtri, ndtri, stdtrit

from truechange.foundation.errors import check_choice, check_confidence
from truechange.foundation.estimate import Estimate, Threshold
from truechange.foundation.origin import Origin
from truechange.foundation.result import Result
from truechange.numerics.mean_squares import MeanSquares, graybill_wang, mean_squares
from truechange.reliability.layout import count_cautions, trial_table

if TYPE_CHECKING:
    pass

ERRORS = ("agreement", "consistency", "one-way")


@dataclass(frozen=True)
class MeasurementError(Result):
    """How far two scores of an unchanged person lie apart.

    Parameters
    ----------
    sem_agreement, sem_consistency, sem_one_way : Estimate
        Standard errors of measurement in the unit of the test, with `.df`.
    mdc90, mdc95 : Threshold
        Smallest change of one person beyond error (level ``"person"``).
    mdc95_group : Threshold
        Change that error alone could make in the mean of this many people (level ``"group"``).
    learning : Estimate
        Mean gain from the first to the second trial, raw (not turned into an improvement).
    error : str
        Which SEM the thresholds use.
    """

    sem_agreement: Estimate
    sem_consistency: Estimate
    sem_one_way: Estimate
    mdc90: Threshold
    mdc95: Threshold
    mdc95_group: Threshold
    learning: Estimate
    error: str
    mean_squares: MeanSquares
    scores: np.ndarray
    trials: tuple[object, ...]
    cautions: tuple[str, ...] = ()
    sources: tuple[str, ...] = ("stratford1997", "devet2006", "graybill1980")

    @property
    def sem(self) -> Estimate:
        """The SEM the thresholds use."""
        return dict(zip(ERRORS, (self.sem_agreement, self.sem_consistency, self.sem_one_way), strict=True))[self.error]

    def mdc(
        self, confidence: float = 0.95, *, scores_before: int = 1, scores_after: int = 1, quantile: str = "normal"
    ) -> Threshold:
        """Return the smallest change of one person beyond error at any confidence.

        Parameters
        ----------
        confidence : float, optional
            0.95 leaves 2.5% false alarms each way for a person who did not change.
        scores_before, scores_after : int, optional
            How many independent visit scores are averaged on either side.
        quantile : {"normal", "t"}, optional
            ``"t"`` allows for the SEM's own degrees of freedom.
        """
        check_confidence(confidence)
        check_choice("quantile", quantile, ("normal", "t"))
        sem, p = self.sem, (1 + confidence) / 2
        times = float(ndtri(p) if quantile == "normal" else stdtrit(sem.df, p))
        factor = times * sqrt(1 / scores_before + 1 / scores_after)
        shown = f"{times:.3f} × √(1/{scores_before} + 1/{scores_after}) × SEM ({self.error})"
        return _threshold(sem, factor, shown, "person")

    def mdc_group(self, n: int, confidence: float = 0.95) -> Threshold:
        """Return the change that error alone could make in the mean of `n` people: never for one person."""
        person = self.mdc(confidence)
        return _threshold(person, 1 / sqrt(n), f"MDC of one person / √{n}", "group")

    def table(self) -> pd.DataFrame:
        """Return one row a quantity, unrounded."""
        named = {
            "SEM (agreement)": self.sem_agreement,
            "SEM (consistency)": self.sem_consistency,
            "SEM (one-way)": self.sem_one_way,
            "MDC90 (person)": self.mdc90,
            "MDC95 (person)": self.mdc95,
            f"MDC95 (mean of {self.mdc95_group.n})": self.mdc95_group,
            "gain, first to second trial": self.learning,
        }
        return pd.DataFrame({name: e.row() for name, e in named.items()}).T.infer_objects().rename_axis("quantity")

    def sentences(self) -> tuple[str, ...]:
        """Say the number for the wall first."""
        sem = self.sem
        return (
            f"One person must change by more than {self.mdc95} before measurement error is an unlikely explanation.",
            f"That is the MDC95, from {sem.n} people with {len(self.trials)} trials each.",
            f"Standard error of measurement ({self.error}): {sem}.",
            f"Mean gain from the first to the second trial: {self.learning}.",
            f"Error alone can move the mean of {self.mdc95_group.n} people by {self.mdc95_group}; never one person's.",
        )


def measurement_error(
    data: pd.DataFrame,
    *,
    person: str = "person",
    trial: str = "trial",
    value: str = "value",
    confidence: float = 0.95,
    error: str = "agreement",
    missing: str = "refuse",
    stable: str | None = None,
    result: str | None = None,
    unit: str = "",
    population: str = "",
    protocol: str = "",
    interval: str = "",
    resolution: float | None = None,
) -> MeasurementError:
    """Estimate the standard error of measurement and the smallest change beyond it.

    Parameters
    ----------
    data : DataFrame
        Long table of a retest study, one row a person and trial; not changed.
    person, trial, value : str, optional
        Its columns.
    confidence : float, optional
        Level of the intervals (not of the MDCs, which are 90% and 95%).
    error : {"agreement", "consistency", "one-way"}, optional
        Which SEM the MDCs use. ``"agreement"`` (default) counts a shift
        between trials as error: right when testers or occasions differ
        haphazardly between two visits. ``"consistency"`` leaves the shift
        out: right when it is learning that is corrected apart.
    missing : {"refuse", "leave out"}, optional
        As in :func:`icc`.
    stable, result : str, optional
        Columns that say who was stable and which trials gave a score; others are set aside and counted.
    unit, population, protocol, interval : str, optional
        Travel with the numbers as their origin.
    resolution : float, optional
        Smallest step of the scale: the MDC where the trials agree completely.

    Returns
    -------
    MeasurementError

    Raises
    ------
    DataError
        As :func:`icc`; all scores equal is no error here, but a caution.
    ChoiceError
        `error`, `missing` or `confidence` is not available.

    Notes
    -----
    SEM: consistency √E, one-way √W, agreement √(T/n + (1-1/n)E), whose value
    always equals the one-way SEM; only the interval differs. Where T < E the
    trial variance is taken as 0 and both are pooled. Intervals: chi-square, and
    [1]_ for agreement, whose `.df` is Satterthwaite's. MDC = z √2 SEM [2]_ [3]_.

    References
    ----------
    .. [1] Graybill FA, Wang CM (1980). J Am Stat Assoc 75(372):869-873 (from memory).
    .. [2] Stratford PW, Goldsmith CH (1997). Physical Therapy 77(7):745-750.
    .. [3] de Vet HCW, Terwee CB, Knol DL, Bouter LM (2006). J Clin Epidemiol 59(10):1033-1039.

    Examples
    --------
    >>> stands = pd.DataFrame({
    ...     "person": list("AABBCCDD"), "trial": [1, 2] * 4, "value": [9, 10, 12, 12, 7, 8, 14, 13],
    ... })
    >>> found = measurement_error(stands, unit="stands")
    >>> round(found.sem_consistency.value, 3), round(found.mdc95.value, 3), found.mdc95_group.level
    (0.677, 1.697, 'group')
    """
    check_choice("error", error, ERRORS)
    check_confidence(confidence)
    held = trial_table(data, person=person, trial=trial, value=value, missing=missing, stable=stable, result=result)
    ms = mean_squares(held.scores)
    origin = Origin.own(population, protocol, interval, n=ms.n)
    sems = _sems(ms, confidence, unit, origin)
    sem = sems[error]
    said = [*held.cautions, *count_cautions(ms.n), *_cautions(ms, sem)]
    if sem.value == 0 and resolution:
        sem = Estimate(value=resolution / (sqrt(2) * float(ndtri(0.975))), unit=unit, n=ms.n, df=sem.df, origin=origin)
        said.append(f"The MDC is the smallest step of the scale ({resolution:g}), since no error was seen.")
    mdc95 = _threshold(sem, sqrt(2) * float(ndtri(0.975)), f"1.960 × √2 × SEM ({error})", "person")
    return MeasurementError(
        sem_agreement=sems["agreement"],
        sem_consistency=sems["consistency"],
        sem_one_way=sems["one-way"],
        mdc90=_threshold(sem, sqrt(2) * float(ndtri(0.95)), f"1.645 × √2 × SEM ({error})", "person"),
        mdc95=mdc95,
        mdc95_group=_threshold(mdc95, 1 / sqrt(ms.n), f"MDC95 of one person / √{ms.n}", "group"),
        learning=mean_gain(held.scores[:, 0], held.scores[:, 1], confidence, unit, origin),
        error=error,
        mean_squares=ms,
        scores=held.scores,
        trials=held.trials,
        cautions=tuple(said),
    )


def mean_gain(first: np.ndarray, second: np.ndarray, confidence: float, unit: str, origin: Origin) -> Estimate:
    """Return the mean of second minus first with its t interval."""
    gains = second - first
    n = gains.size
    value, se = float(gains.mean()), float(gains.std(ddof=1)) / sqrt(n)
    half = float(stdtrit(n - 1, (1 + confidence) / 2)) * se
    return Estimate(
        value=value,
        low=value - half,
        high=value + half,
        confidence=confidence,
        unit=unit,
        n=n,
        df=n - 1,
        method="mean of second minus first, t interval",
        origin=origin,
    )


def _sems(ms: MeanSquares, confidence: float, unit: str, origin: Origin) -> dict[str, Estimate]:
    tails = (1 - confidence) / 2, (1 + confidence) / 2

    def sem(variance: float, low: float, high: float, df: float, method: str) -> Estimate:
        return Estimate(
            value=sqrt(variance),
            low=sqrt(low),
            high=sqrt(high),
            confidence=confidence,
            unit=unit,
            n=ms.n,
            df=df,
            method=method,
            origin=origin,
        )

    def from_one(square: float, df: int, method: str) -> Estimate:
        low, high = (square * df / float(chdtri(df, tail)) for tail in tails)
        return sem(square, low, high, df, f"{method}; chi-square interval, {df} df")

    trials, residual, within = float(ms.trials), float(ms.error), float(ms.within)
    n, df = ms.n, ms.df
    if trials < residual:
        agreement = from_one(within, df["within"], "√(trial + residual variance), trial variance taken as 0 and pooled")
    else:
        squares, weights = [trials, residual], [1 / n, 1 - 1 / n]
        dfs = [df["trials"], df["error"]]
        low, high = graybill_wang(squares, weights, dfs, confidence)
        spread = sum((w * m) ** 2 / d for w, m, d in zip(weights, squares, dfs, strict=True))
        satterthwaite = within**2 / spread if spread else df["within"]
        agreement = sem(
            within, float(low), float(high), satterthwaite, "√(trial + residual variance); Graybill-Wang interval"
        )
    return {
        "agreement": agreement,
        "consistency": from_one(residual, df["error"], "√(residual mean square)"),
        "one-way": from_one(within, df["within"], "√(within-person mean square)"),
    }


def _threshold(base: Estimate, factor: float, method: str, level: str) -> Threshold:
    return Threshold(
        value=base.value * factor,
        low=base.low * factor,
        high=base.high * factor,
        confidence=base.confidence,
        unit=base.unit,
        n=base.n,
        df=base.df,
        method=method,
        origin=base.origin,
        kind="mdc",
        level=level,
        protocol=base.origin.protocol,
    )


def _cautions(ms: MeanSquares, sem: Estimate) -> tuple[str, ...]:
    said = []
    if sem.value == 0:
        said.append("The trials agree completely: were the scores rounded or copied? The MDC cannot be 0 in truth.")
    elif sem.df is not None and sem.df < 20 and sem.low > 0:
        said.append(
            f"The SEM rests on {sem.df:.3g} degrees of freedom: it and the MDC are known only within a factor of "
            f"{sem.high / sem.low:.2g}."
        )
    if ms.trials < ms.error:
        said.append("Trials differ less than error alone would make them: their variance is taken as 0.")
    elif ms.k == 2:
        said.append("Two trials cannot tell learning from a one-off shift; a third trial could.")
    return tuple(said)
