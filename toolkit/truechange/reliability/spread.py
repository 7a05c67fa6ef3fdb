"""Does the error grow with the score? A check, and an error that depends on the level where it does."""

from dataclasses import dataclass, replace
from math import inf, nan, sqrt
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy.special import gamma

from truechange.foundation.errors import RefusedError
from truechange.foundation.estimate import Estimate
from truechange.foundation.numbers import fixed
from truechange.foundation.result import Result
from truechange.numerics.mean_squares import rounding
from truechange.numerics.resampling import Floats, block_size, draw_people, in_blocks, percentile_limits
from truechange.reliability.layout import Sample

if TYPE_CHECKING:
    from matplotlib.axes import Axes

FLAG_RATIO = 1.5
SMALLEST_BAND = 10


def line(x: Floats, y: Floats, sample: Sample, method: str) -> tuple[Estimate, float]:
    """Return the least-squares slope of y on x with its t interval, and the intercept; NaN if x does not vary."""
    n, away = x.size, x - x.mean()
    sxx = float(np.sum(away**2))
    bare = replace(sample, unit="")
    if n < 3 or sxx == 0:
        return bare.estimate(nan, method=method), nan
    slope = float(np.sum(away * y)) / sxx
    intercept = float(y.mean()) - slope * float(x.mean())
    squares = float(np.sum((y - intercept - slope * x) ** 2))
    return bare.around(slope, sqrt(squares / (n - 2) / sxx), n - 2, method), intercept


@dataclass(frozen=True)
class Spread(Result):
    """Whether the size of the error depends on the level of the score.

    Parameters
    ----------
    slope : Estimate
        Of each person's spread on the person's mean score.
    intercept : float
        Of the same line.
    rank_correlation : float
        Spearman's, spread with mean.
    thirds_ratio : float
        Spread in the top third of scores over the bottom third.
    means, spreads : ndarray
        A person's mean, and √2 times the SD of the person's residuals: for two trials |difference from the fit|.
    shrink : float
        Expected share of a true SD that an SD of so few trials shows: √(2/π) for two.
    """

    slope: Estimate
    intercept: float
    rank_correlation: float
    thirds_ratio: float
    means: Floats
    spreads: Floats
    shrink: float
    sample: Sample
    cautions: tuple[str, ...] = ()
    sources: tuple[str, ...] = ("bland1999",)

    @property
    def flagged(self) -> bool:
        """Whether one SEM for all levels misleads: slope interval without 0, or thirds apart by more than half."""
        ratio = self.thirds_ratio
        apart = np.isfinite(ratio) and not 1 / FLAG_RATIO <= ratio <= FLAG_RATIO
        return bool(self.slope.low > 0 or self.slope.high < 0 or apart)

    def sd(self, level: float | Floats) -> Floats:
        """Return the SD of a difference at a level of score, never below the smallest positive fitted one."""
        fitted = (self.intercept + self.slope.value * np.asarray(level, dtype=float)) / self.shrink
        seen = (self.intercept + self.slope.value * self.means) / self.shrink
        positive = seen[seen > 0]
        return np.maximum(fitted, positive.min() if positive.size else 0.0)

    def sem(self, level: float | Floats) -> Floats:
        """Return the SEM of one score at a level (consistency): SD of a difference / √2."""
        return self.sd(level) / sqrt(2)

    def sem_at(self, level: float, *, n_boot: int = 2000, seed: int = 0) -> Estimate:
        """Return the SEM at one level with a percentile bootstrap interval over people.

        Raises
        ------
        RefusedError
            There are fewer than 3 people or the scores do not vary: no line can be fitted.
        """
        if not self.slope.has_interval:
            raise RefusedError("No error by level: it needs at least 3 people whose scores differ. Use the plain SEM.")

        def refit(rng: np.random.Generator, size: int) -> Floats:
            drawn = draw_people(rng, size, self.means.size)
            x, y = self.means[drawn], self.spreads[drawn]
            away = x - x.mean(axis=1, keepdims=True)
            with np.errstate(all="ignore"):
                slope = np.sum(away * y, axis=1) / np.sum(away**2, axis=1)
            fitted = y.mean(axis=1) + slope * (level - x.mean(axis=1))
            return np.maximum(fitted, 0.0) / self.shrink / sqrt(2)

        draws = in_blocks(refit, n_boot, seed=seed, block=block_size(self.means.size, n_boot))
        low, high = percentile_limits(draws, self.sample.confidence)
        how = f"SEM at {level:g}, linear in the level; percentile bootstrap"
        return self.sample.estimate(float(self.sem(level)), float(low), float(high), how)

    def bands(self, count: int = 3) -> pd.DataFrame:
        """Return the SEM in bands of equally many people, at least 10 a band, beside the fitted SEM."""
        count = max(1, min(count, self.means.size // SMALLEST_BAND))
        rows = []
        for part in np.array_split(np.argsort(self.means, kind="stable"), count):
            level = self.means[part]
            seen = sqrt(float(np.mean(self.spreads[part] ** 2)) / 2)
            ends = {"from": level.min(), "to": level.max(), "people": part.size}
            rows.append(ends | {"sem": seen, "sem_fitted": float(self.sem(float(level.mean())))})
        return pd.DataFrame(rows)

    def table(self) -> pd.DataFrame:
        """Return the bands."""
        return self.bands()

    def sentences(self) -> tuple[str, ...]:
        """Say whether the error grows with the score."""
        verdict = (
            "The error depends on the level of the score, so one SEM for everybody misleads"
            if self.flagged
            else "The error shows no clear dependence on the level of the score"
        )
        ratio = f"{fixed(self.thirds_ratio, 2)} times as wide in the top third of scores as in the bottom third"
        return (f"{verdict} (spread {ratio}; slope {self.slope}).",)

    @property
    def alt(self) -> str:
        """Alt text of the picture."""
        return f"Standard error of measurement against the level of the score. {self.sentence()}"

    def plot(self, *, ax: "Axes | None" = None) -> "Axes":
        """Draw each person's own SEM, the fitted line and the bands against the level of the score."""
        from truechange.foundation.drawing import ACCENT, LINE, WARM, axes

        ax = axes(ax)
        ax.plot(self.means, self.spreads / sqrt(2), "o", ms=4, mfc="none", mec=LINE, mew=1.2, label="one person")
        level = np.linspace(self.means.min(), self.means.max(), 100)
        ax.plot(level, self.sem(level), color=ACCENT, lw=2, label="fitted SEM")
        for index, row in self.bands().iterrows():
            label = "SEM of a band" if index == 0 else None
            ax.plot([row["from"], row["to"]], [row["sem"]] * 2, color=WARM, lw=3, ls="--", label=label)
        unit = f" ({self.sample.unit})" if self.sample.unit else ""
        ax.set(xlabel=f"Mean score of a person{unit}", ylabel=f"SEM{unit}", title=f"{self.means.size} people")
        ax.set_ylim(bottom=0)
        ax.legend(frameon=False, fontsize=8)
        return ax


def spread_of(scores: Floats, sample: Sample) -> Spread:
    """Check a complete table (people x trials) for a spread that depends on a person's mean.

    The residuals are those about person and trial means; for two trials those
    of the differences about their line on the mean.
    """
    means = scores.mean(axis=1)
    k = scores.shape[1]
    residual = scores - means[:, None] - scores.mean(axis=0) + scores.mean()
    spreads = np.sqrt(2 * np.sum(residual**2, axis=1) / (k - 1))
    if k == 2:
        differences = scores[:, 0] - scores[:, 1]
        slope, intercept = line(means, differences, sample, "")
        if slope.has_interval:
            spreads = np.abs(differences - intercept - slope.value * means)
    spreads = np.where(spreads > rounding(scores), spreads, 0.0)
    slope, intercept = line(means, spreads, sample, "slope of absolute residual on mean")
    third, order = means.size // 3, np.argsort(means, kind="stable")
    ratio = nan
    if third >= 2:
        bottom, top = (float(np.sqrt(np.mean(spreads[part] ** 2))) for part in (order[:third], order[-third:]))
        ratio = top / bottom if bottom > 0 else inf if top > 0 else nan
    ranks = [pd.Series(held).rank().to_numpy(dtype=float) for held in (spreads, means)]
    varied = all(np.ptp(held) > 0 for held in ranks)
    rank = float(pd.Series(ranks[0]).corr(pd.Series(ranks[1]))) if varied else nan
    shrink = sqrt(2 / (k - 1)) * float(gamma(k / 2) / gamma((k - 1) / 2))
    return Spread(slope, intercept, rank, ratio, means, spreads, shrink, sample)
