"""Do people do better for having done it before? Gains between trials, and whether they are small enough."""

from dataclasses import dataclass
from math import isfinite, nan, sqrt
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy.special import chdtri, fdtrc, stdtr, stdtrit

from truechange.foundation.numbers import p_value
from truechange.foundation.result import Result
from truechange.numerics.mean_squares import mean_squares
from truechange.numerics.resampling import Floats
from truechange.reliability.layout import Sample

if TYPE_CHECKING:
    from matplotlib.axes import Axes


@dataclass(frozen=True)
class TrialLearning(Result):
    """Gains between consecutive trials.

    Parameters
    ----------
    steps : DataFrame
        One row a step: from, to, gain, low, high, p_value, sem (of that pair), sem_low, sem_high,
        gain_low_90, gain_high_90, within_margin.
    f, df1, df2, p_value : float
        F test that all trial means are equal.
    epsilon, p_corrected : float
        Greenhouse-Geisser's correction; 1 and the plain p for two trials.
    margin : float
        Gain taken as too small to matter, in the unit of the test.
    scores : ndarray
        People x trials.
    """

    steps: pd.DataFrame
    f: float
    df1: int
    df2: int
    p_value: float
    epsilon: float
    p_corrected: float
    margin: float | None
    scores: Floats
    trials: tuple[object, ...]
    sample: Sample
    cautions: tuple[str, ...] = ()
    sources: tuple[str, ...] = ("hopkins2000", "greenhouse1959")

    def table(self) -> pd.DataFrame:
        """Return the steps."""
        return self.steps

    def sentences(self) -> tuple[str, ...]:
        """Say each gain, then whether all trial means agree."""
        said = []
        for row in self.steps.to_dict("records"):
            gain = self.sample.estimate(row["gain"], row["low"], row["high"])
            small = "yes" if row["within_margin"] else "not shown"
            within = "" if self.margin is None else f"; within ±{self.margin:g}: {small}"
            said.append(f"From trial {row['from']} to {row['to']}: {gain}{within}.")
        return (*said, f"All {len(self.trials)} trial means alike: {p_value(self.p_corrected)}.")

    @property
    def alt(self) -> str:
        """Alt text of the picture."""
        return f"Scores of {len(self.scores)} people over {len(self.trials)} trials, with means. {self.sentence()}"

    def plot(self, *, ax: "Axes | None" = None) -> "Axes":
        """Draw each person faintly and the trial means with intervals for their own spread."""
        from truechange.foundation.drawing import ACCENT, LINE, axes

        ax = axes(ax)
        n, k = self.scores.shape
        at = np.arange(k)
        ax.plot(at, self.scores.T, color=LINE, lw=0.8, zorder=1)
        # people differ by more than trials do: take their level out before drawing the interval
        inner = self.scores - self.scores.mean(axis=1, keepdims=True)
        half = stdtrit(n - 1, 0.975) * inner.std(axis=0, ddof=1) * sqrt(k / (k - 1) / n)
        ax.errorbar(
            at, self.scores.mean(axis=0), yerr=half, color=ACCENT, marker="D", ms=7, lw=2.4, capsize=5, zorder=3
        )
        ax.set_xticks(at, [f"trial {trial}" for trial in self.trials])
        ax.set_xlim(-0.3, k - 0.7)
        ax.set_ylabel(f"Score ({self.sample.unit})" if self.sample.unit else "Score")
        ax.set_title(
            f"{n} people: each thin line is one; diamonds are means (95% interval, level of people taken out)",
            fontsize=9,
        )
        return ax


def learning_between(
    scores: Floats, trials: tuple[object, ...], sample: Sample, margin: float | None = None
) -> TrialLearning:
    """Compare consecutive trials of a complete table (people x trials, in the order done).

    A gain counts as small when its 90% interval lies inside ± `margin` (two one-sided tests at 5%).
    """
    n, k = scores.shape
    gains = np.diff(scores, axis=1)
    gain, se = gains.mean(axis=0), gains.std(axis=0, ddof=1) / sqrt(n)
    t, t90 = stdtrit(n - 1, sample.tails[1]), stdtrit(n - 1, 0.95)
    sem = se * sqrt(n / 2)
    wide, narrow = (sqrt((n - 1) / float(chdtri(n - 1, tail))) for tail in sample.tails[::-1])
    with np.errstate(all="ignore"):
        p = 2 * stdtr(n - 1, -np.abs(gain) / se)
    steps = pd.DataFrame(
        {"from": trials[:-1], "to": trials[1:], "gain": gain, "low": gain - t * se, "high": gain + t * se}
    )
    steps = steps.assign(p_value=p, sem=sem, sem_low=sem * narrow, sem_high=sem * wide)
    steps = steps.assign(gain_low_90=gain - t90 * se, gain_high_90=gain + t90 * se, within_margin=None)
    if margin is not None:
        steps["within_margin"] = (steps["gain_low_90"] > -margin) & (steps["gain_high_90"] < margin)
    ms = mean_squares(scores)
    df1, df2 = ms.df["trials"], ms.df["error"]
    f = float(ms.trials / ms.error) if ms.error > 0 else nan
    covariance = np.cov(scores, rowvar=False)
    centred = covariance - covariance.mean(axis=0) - covariance.mean(axis=1)[:, None] + covariance.mean()
    squares = float(np.sum(centred**2))
    epsilon = min(1.0, float(np.trace(centred)) ** 2 / ((k - 1) * squares)) if squares > 0 else 1.0
    plain, corrected = (float(fdtrc(e * df1, e * df2, f)) if isfinite(f) else nan for e in (1.0, epsilon))
    caution = (
        "Two trials cannot tell learning from a one-off shift; a third trial could."
        if k == 2
        else "Trials must have been done in this order; with a random order a gain is not learning."
    )
    return TrialLearning(steps, f, df1, df2, plain, epsilon, corrected, margin, scores, trials, sample, (caution,))
