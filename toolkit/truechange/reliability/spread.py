"""Does the error grow with the score? A check, and an error that depends on the level where it does."""

from dataclasses import dataclass
from math import pi, sqrt

import numpy as np
import pandas as pd
from scipy.special import stdtrit

from truechange.foundation.estimate import Estimate
from truechange.foundation.numbers import fixed
from truechange.foundation.result import Result
from truechange.numerics.resampling import Floats

FLAG_RATIO = 1.5
SMALLEST_BAND = 10


def line_slope(x: Floats, y: Floats, confidence: float, method: str) -> tuple[Estimate, float]:
    """Return the least-squares slope of y on x with its t interval, and the intercept; NaN if x does not vary."""
    n = x.size
    away = x - x.mean()
    sxx = float(np.sum(away**2))
    if n < 3 or sxx == 0:
        return Estimate(value=float("nan"), confidence=confidence, n=n, method=method), float("nan")
    slope = float(np.sum(away * y)) / sxx
    intercept = float(y.mean()) - slope * float(x.mean())
    residual = y - intercept - slope * x
    half = float(stdtrit(n - 2, (1 + confidence) / 2)) * sqrt(float(np.sum(residual**2)) / (n - 2) / sxx)
    return (
        Estimate(value=slope, low=slope - half, high=slope + half, confidence=confidence, n=n, df=n - 2, method=method),
        intercept,
    )


@dataclass(frozen=True)
class Spread(Result):
    """Whether the size of the error depends on the level of the score.

    Parameters
    ----------
    slope : Estimate
        Of the absolute residual of the difference on the mean of the two scores.
    intercept : float
        Of the same line.
    rank_correlation : float
        Spearman's, absolute residual with mean.
    thirds_ratio : float
        SD of the differences in the top third of scores over the bottom third.
    means, residuals : ndarray
        What it was computed from.
    """

    slope: Estimate
    intercept: float
    rank_correlation: float
    thirds_ratio: float
    means: Floats
    residuals: Floats
    cautions: tuple[str, ...] = ()
    sources: tuple[str, ...] = ("bland1999",)

    @property
    def flagged(self) -> bool:
        """Whether one SEM for all levels misleads: slope interval without 0, or thirds' SDs apart by more than half."""
        ratio = self.thirds_ratio
        apart = np.isfinite(ratio) and not 1 / FLAG_RATIO <= ratio <= FLAG_RATIO
        return bool(self.slope.low > 0 or self.slope.high < 0 or apart)

    def sd(self, level: float | Floats) -> Floats:
        """Return the SD of a difference at a level of score: √(π/2)(c0 + c1 level), never below its floor."""
        fitted = sqrt(pi / 2) * (self.intercept + self.slope.value * np.asarray(level, dtype=float))
        seen = sqrt(pi / 2) * (self.intercept + self.slope.value * self.means)
        positive = seen[seen > 0]
        return np.maximum(fitted, positive.min() if positive.size else 0.0)

    def sem(self, level: float | Floats) -> Floats:
        """Return the SEM of one score at a level: SD of the difference / √2."""
        return self.sd(level) / sqrt(2)

    def bands(self, count: int = 3) -> pd.DataFrame:
        """Return the SEM in bands of equally many pairs, at least 10 a band, beside the fitted SEM."""
        count = max(1, min(count, self.means.size // SMALLEST_BAND))
        order = np.argsort(self.means, kind="stable")
        rows = []
        for part in np.array_split(order, count):
            level = float(self.means[part].mean())
            rows.append(
                {
                    "from": self.means[part].min(),
                    "to": self.means[part].max(),
                    "pairs": part.size,
                    "sem": float(np.sqrt(np.mean(self.residuals[part] ** 2) / 2)),
                    "sem_fitted": float(self.sem(level)),
                }
            )
        return pd.DataFrame(rows)

    def table(self) -> pd.DataFrame:
        """Return the bands."""
        return self.bands()

    def sentences(self) -> tuple[str, ...]:
        """Say whether the error grows with the score."""
        verdict = (
            "The error depends on the level of the score: one SEM for everybody misleads"
            if self.flagged
            else "The error shows no clear dependence on the level of the score"
        )
        ratio = f"{fixed(self.thirds_ratio, 2)} times as wide in the top third of scores as in the bottom third"
        return (f"{verdict} (differences spread {ratio}; slope {self.slope.text()}).",)


def spread_of(first: Floats, second: Floats, confidence: float = 0.95, *, about_line: bool = True) -> Spread:
    """Check the differences of pairs for a spread that depends on their mean."""
    differences, means = first - second, (first + second) / 2
    residuals = differences - differences.mean()
    if about_line:
        slope, intercept = line_slope(means, differences, confidence, "")
        if slope.has_interval:
            residuals = differences - intercept - slope.value * means
    absolute = np.abs(residuals)
    slope, intercept = line_slope(means, absolute, confidence, "slope of absolute residual on mean, t interval")
    third = means.size // 3
    order = np.argsort(means, kind="stable")
    ratio = float("nan")
    if third >= 2:
        bottom = float(np.std(residuals[order[:third]], ddof=1))
        ratio = float(np.std(residuals[order[-third:]], ddof=1)) / bottom if bottom > 0 else float("inf")
    ranks = [pd.Series(held).rank().to_numpy() for held in (absolute, means)]
    varied = all(np.ptp(held) > 0 for held in ranks)
    rank = float(np.corrcoef(*ranks)[0, 1]) if varied else float("nan")
    return Spread(slope, intercept, rank, ratio, means, residuals)
