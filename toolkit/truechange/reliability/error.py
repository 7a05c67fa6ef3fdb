"""Standard error of measurement and what follows from it: the smallest change beyond error."""

from collections.abc import Mapping
from dataclasses import dataclass, fields, replace
from math import nan, sqrt
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy.special import ndtri, stdtrit

from truechange.foundation.errors import DataError, check_choice, check_confidence
from truechange.foundation.estimate import Estimate, Threshold
from truechange.foundation.numbers import decimals_for
from truechange.foundation.result import Result
from truechange.numerics.mean_squares import MeanSquares, mean_squares
from truechange.numerics.resampling import Floats
from truechange.reliability.components import VarianceComponents
from truechange.reliability.layout import Sample, estimates_table
from truechange.reliability.learning import TrialLearning, learning_between
from truechange.reliability.logscale import LogError, log_error, logarithms
from truechange.reliability.sem import ERRORS, sems_from_squares
from truechange.reliability.spread import Spread, spread_of

if TYPE_CHECKING:
    from matplotlib.axes import Axes

OUTLYING = 4.0  # median absolute deviations (scaled to an SD) from the median difference


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
    error : {"agreement", "consistency", "one-way"}
        Which SEM the thresholds use.
    scores : ndarray, shape (n, k)
        What it was computed from; NaN where a score is missing.
    people, trials : tuple
        Labels of its rows and columns.
    sample : Sample
        People, unit, level of the intervals and origin.
    mean_squares : MeanSquares or None
        None where variance components were fitted by REML.
    components : VarianceComponents or None
        The other way round.
    """

    sem_agreement: Estimate
    sem_consistency: Estimate
    sem_one_way: Estimate
    mdc90: Threshold
    mdc95: Threshold
    mdc95_group: Threshold
    learning: Estimate
    error: str
    scores: Floats
    people: tuple[object, ...]
    trials: tuple[object, ...]
    sample: Sample
    mean_squares: MeanSquares | None = None
    components: VarianceComponents | None = None
    scores_per_visit: int = 1
    cautions: tuple[str, ...] = ()
    sources: tuple[str, ...] = ()

    @property
    def sem(self) -> Estimate:
        """The SEM the thresholds use."""
        return dict(zip(ERRORS, (self.sem_agreement, self.sem_consistency, self.sem_one_way), strict=True))[self.error]

    @property
    def complete(self) -> Floats:
        """Scores of the people who have every trial."""
        return self.scores[np.isfinite(self.scores).all(axis=1)]

    def mdc(
        self,
        confidence: float = 0.95,
        *,
        scores_before: int = 1,
        scores_after: int = 1,
        sem_after: float | None = None,
        quantile: str = "normal",
    ) -> Threshold:
        """Return the smallest change of one person beyond error at any confidence.

        Parameters
        ----------
        confidence : float, optional
            0.95 leaves 2.5% false alarms each way for a person who did not change.
        scores_before, scores_after : int, optional
            How many independent visit scores are averaged on either side.
        sem_after : float, optional
            SEM of the second score where it differs from that of the first; the result then has no interval.
        quantile : {"normal", "t"}, optional
            ``"t"`` allows for the SEM's own degrees of freedom.
        """
        check_confidence(confidence)
        check_choice("quantile", quantile, ("normal", "t"))
        p, sem = (1 + confidence) / 2, self.sem
        times = float(ndtri(p) if quantile == "normal" else stdtrit(sem.df or float("inf"), p))
        if sem_after is not None:
            value = times * sqrt(sem.value**2 / scores_before + sem_after**2 / scores_after)
            how = f"{times:.3f} × √(SEM₁²/{scores_before} + SEM₂²/{scores_after})"
            return threshold(self.sample.estimate(value), 1.0, how)
        how = f"{times:.3f} × √(1/{scores_before} + 1/{scores_after}) × SEM ({self.error})"
        return threshold(sem, times * sqrt(1 / scores_before + 1 / scores_after), how)

    def mdc_group(self, n: int, confidence: float = 0.95) -> Threshold:
        """Return the change that error alone could make in the mean of `n` people: never for one person."""
        return threshold(self.mdc(confidence), 1 / sqrt(n), f"MDC of one person / √{n}", "group")

    def mdc_at(self, level: float, confidence: float = 0.95, *, seed: int = 0) -> Threshold:
        """Return the MDC at one level of score where the error depends on the level (consistency)."""
        sem, times = self.spread.sem_at(level, seed=seed), float(ndtri((1 + confidence) / 2))
        return threshold(sem, sqrt(2) * times, f"{times:.3f} × √2 × {sem.method}")

    def false_alarm(self, tests: int = 1, confidence: float = 0.95) -> float:
        """Return the chance that at least one of `tests` tests of an unchanged person passes the MDC upwards."""
        return float(1 - ((1 + confidence) / 2) ** tests)

    @property
    def spread(self) -> Spread:
        """Whether the error depends on the level of the score (people with every trial)."""
        return spread_of(self.complete, self.sample)

    def learning_between_trials(self, margin: float | None = None) -> TrialLearning:
        """Return the gains between consecutive trials; `margin` is the gain too small to matter (such as MCID / 4)."""
        return learning_between(self.complete, self.trials, self.sample, margin)

    def on_log_scale(self) -> LogError:
        """Return the same error as a ratio, for errors that grow with the score.

        Raises
        ------
        RefusedError
            A score is 0 or less.
        """
        squares = mean_squares(logarithms(self.complete))
        return log_error(self.complete, sems_from_squares(squares, replace(self.sample, unit=""))[self.error])

    @property
    def outlying(self) -> tuple[object, ...]:
        """People whose trials differ by more than 4 robust SDs from the usual difference; they are kept in."""
        residual = self.scores - np.nanmean(self.scores, axis=0)
        apart = np.nanmax(residual, axis=1) - np.nanmin(residual, axis=1)
        signed = residual[:, -1] - residual[:, 0] if self.scores.shape[1] == 2 else apart
        middle = np.nanmedian(signed)
        scale = 1.4826 * np.nanmedian(np.abs(signed - middle))
        if not scale > 0:
            return ()
        far = np.abs(signed - middle) > OUTLYING * scale
        return tuple(who for who, out in zip(self.people, far, strict=True) if out)

    @property
    def sem_without_outlying(self) -> Estimate:
        """The SEM without the outlying people, to set beside the real one."""
        inside = np.array([who not in self.outlying for who in self.people]) & np.isfinite(self.scores).all(axis=1)
        if inside.sum() < 2:
            raise DataError("Fewer than 2 people are left without the outlying ones.")
        kept = replace(self.sample, n=int(inside.sum()))
        return sems_from_squares(mean_squares(self.scores[inside]), kept)[self.error]

    def table(self) -> pd.DataFrame:
        """Return one row a quantity, unrounded."""
        sems = {"SEM (agreement)": self.sem_agreement, "SEM (consistency)": self.sem_consistency}
        mdcs = {"SEM (one-way)": self.sem_one_way, "MDC90 (person)": self.mdc90, "MDC95 (person)": self.mdc95}
        group = {f"MDC95 (mean of {self.mdc95_group.n})": self.mdc95_group}
        return estimates_table(sems | mdcs | group | {"gain, first to second trial": self.learning})

    def sentences(self) -> tuple[str, ...]:
        """Say the number for the wall first."""
        visit = f", {self.scores_per_visit} averaged a visit" if self.scores_per_visit > 1 else ""
        return (
            f"One person must change by more than {shown(self.mdc95)} before error is an unlikely explanation.",
            f"That is the MDC95, from {self.sem.n} people with {self.scores.shape[1]} scores each{visit}.",
            f"Standard error of measurement ({self.error}): {shown(self.sem)}.",
            f"Mean gain from the first to the second: {self.learning}.",
            f"Error alone can move a mean of {self.mdc95_group.n} people by {shown(self.mdc95_group)}; no use for one.",
        )

    def facts(self) -> dict[str, str]:
        """Return what a reporting checklist for reliability studies asks and this analysis knows."""
        origin, levels = self.sem.origin, np.nanmean(self.scores, axis=1)
        held = {
            "population": origin.population,
            "interval": origin.interval,
            "statistics": f"{self.sem.method}; MDC: {self.mdc95.method}",
            "included": f"{len(self.people)} people, {self.scores.shape[1]} scores each at most",
            "sample": f"mean {levels.mean():.3g}, SD {levels.std(ddof=1):.3g} {self.sample.unit}",
            "estimates": f"SEM {shown(self.sem)}; MDC95 {shown(self.mdc95)}",
            "meaning": self.sentence(),
        }
        return {name: words for name, words in held.items() if words}

    @property
    def alt(self) -> str:
        """Alt text of the picture."""
        return f"Standard error of measurement with its interval, {shown(self.sem)}, beside other values."

    def plot(
        self, *, ax: "Axes | None" = None, beside: "pd.DataFrame | Mapping[str, Estimate] | None" = None
    ) -> "Axes":
        """Draw own SEM as a forest beside published ones (rows of ``published()`` or named estimates)."""
        from truechange.reliability.pictures import forest_of_errors

        return forest_of_errors(self, beside, ax)


def shown(e: Estimate) -> str:
    """Write an estimate of lopsided interval with the decimals that its shorter arm earns."""
    return e.text(max(e.decimals, decimals_for(e.low, e.value, e.value)))


def threshold(base: Estimate, factor: float, method: str, level: str = "person") -> Threshold:
    """Return an estimate times a factor as an MDC."""
    held = {part.name: getattr(base, part.name) for part in fields(Estimate)}
    ends = {name: held[name] * factor for name in ("value", "low", "high")}
    return Threshold(**held | ends | {"method": method}, kind="mdc", level=level, protocol=base.origin.protocol)


def mean_gain(first: Floats, second: Floats, sample: Sample) -> Estimate:
    """Return the mean of second minus first over people with both, with its t interval."""
    gains = (second - first)[np.isfinite(second - first)]
    of_these = replace(sample, n=gains.size)
    if gains.size < 2:
        return of_these.estimate(nan, method="fewer than 2 people have both")
    se = float(gains.std(ddof=1)) / sqrt(gains.size)
    return of_these.around(float(gains.mean()), se, gains.size - 1, "mean of second minus first")
