"""Heteroscedasticity, error in percent and learning effects: does the error stay the same over scores and trials?"""

from dataclasses import replace
from functools import partial
from math import exp, inf, isfinite, nan, sqrt
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy.special import chdtri, fdtrc, gamma, ndtri, stdtr, stdtrit

from truechange.foundation.errors import RefusedError
from truechange.foundation.estimate import Estimate
from truechange.foundation.numbers import fixed, p_value
from truechange.foundation.result import Part
from truechange.numerics.mean_squares import mean_squares, rounding
from truechange.numerics.resampling import Floats, block_size, draw_people, in_blocks, percentile_limits
from truechange.reliability.scores import Sample, estimates_table

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


class Spread(Part):
    """Whether the size of the error depends on the level of the score (heteroscedasticity).

    Its facts: ``slope`` (Estimate: of each person's spread on the person's mean score) and ``intercept`` of that line,
    ``rank_correlation`` (Spearman's, spread with mean), ``thirds_ratio`` (spread in the top third of scores over the
    bottom third), ``flagged`` (one SEM for all levels misleads: slope interval without 0, or thirds apart by more than
    half), ``means`` (of a person), ``spreads`` (√2 times the SD of the person's residuals: for two trials |difference
    from the fit|), ``shrink`` (expected share of a true SD that an SD of so few trials shows: √(2/π) for two),
    ``sample``.
    """

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

    def plot(self, *, ax: "Axes | None" = None) -> "Axes":  # type: ignore[override]
        """Draw each person's own SEM, the fitted line and the bands against the level of the score."""
        from truechange.foundation.drawing import ACCENT, LINE, WARM, axes

        ax = axes(ax)
        ax.plot(self.means, self.spreads / sqrt(2), "o", ms=4, mfc="none", mec=LINE, mew=1.2, label="one person")
        level = np.linspace(self.means.min(), self.means.max(), 100)
        ax.plot(level, self.sem(level), color=ACCENT, lw=2, label="fitted SEM")
        for index, row in self.frame.iterrows():
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
    ranks = [pd.Series(side).rank().to_numpy(dtype=float) for side in (spreads, means)]
    varied = all(np.ptp(side) > 0 for side in ranks)
    rank = float(pd.Series(ranks[0]).corr(pd.Series(ranks[1]))) if varied else nan
    shrink = sqrt(2 / (k - 1)) * float(gamma(k / 2) / gamma((k - 1) / 2))
    apart = isfinite(ratio) and not 1 / FLAG_RATIO <= ratio <= FLAG_RATIO
    flagged = bool(slope.low > 0 or slope.high < 0 or apart)
    facts = {
        "slope": slope, "intercept": intercept, "rank_correlation": rank, "thirds_ratio": ratio, "flagged": flagged,
        "means": means, "spreads": spreads, "shrink": shrink, "sample": sample,
    }  # fmt: skip
    verdict = (
        "The error depends on the level of the score, so one SEM for everybody misleads"
        if flagged
        else "The error shows no clear dependence on the level of the score"
    )
    wider = f"{fixed(ratio, 2)} times as wide in the top third of scores as in the bottom third"
    says = (f"{verdict} (spread {wider}; slope {slope}).",)
    seen = "Standard error of measurement against the level of the score."
    spread = Spread(facts, pd.DataFrame(), says, (), ("bland1999",), seen)
    return replace(spread, frame=_bands(spread))


def _bands(spread: Spread) -> pd.DataFrame:
    """Return the SEM in up to three bands of equally many people, at least 10 a band, beside the fitted SEM."""
    means, rows = spread.means, []
    count = max(1, min(3, means.size // SMALLEST_BAND))
    for members in np.array_split(np.argsort(means, kind="stable"), count):
        level = means[members]
        seen = sqrt(float(np.mean(spread.spreads[members] ** 2)) / 2)
        ends = {"from": level.min(), "to": level.max(), "people": members.size}
        rows.append(ends | {"sem": seen, "sem_fitted": float(spread.sem(float(level.mean())))})
    return pd.DataFrame(rows)


def log_error(scores: Floats, sem_of_logs: Estimate) -> Part:
    """Turn the SEM of the logarithms of `scores` (people x trials) into ratios: percent error, lopsided limits.

    Returns
    -------
    Part
        Estimates ``sem`` (of natural logarithms, no unit), ``cv`` (coefficient of variation, exp(SEM) − 1, as a
        fraction), ``mdc95_up``, ``mdc95_down`` (factors by which one person's score must rise or fall beyond error);
        ``flatter``: on which scale, "raw" or "log", the spread depends less on the level.

    Raises
    ------
    RefusedError
        A score is 0 or less: it has no logarithm.
    """
    raw, logs = (spread_of(table, Sample(len(table))) for table in (scores, np.log(scores)))
    factor = float(ndtri(0.975)) * sqrt(2)

    def mapped(times: float, less: float, method: str) -> Estimate:
        value, *ends = (exp(times * s) - less for s in (sem_of_logs.value, sem_of_logs.low, sem_of_logs.high))
        return replace(sem_of_logs, value=value, low=min(ends), high=max(ends), method=method)

    flatter = "log" if abs(logs.rank_correlation) < abs(raw.rank_correlation) else "raw"
    cv, up = mapped(1.0, 1.0, "exp(SEM of logs) − 1"), mapped(factor, 0.0, "exp(1.960 √2 SEM of logs)")
    down = mapped(-factor, 0.0, "exp(−1.960 √2 SEM of logs)")
    rise, fall = 100 * (up.value - 1), 100 * (1 - down.value)
    says = (
        f"Typical error {100 * cv.value:.1f}%; beyond it: a rise by {rise:.0f}% or a fall by {fall:.0f}%.",
        f"The spread depends less on the level on the {flatter} scale; choose before outcomes are seen.",
    )
    frame = estimates_table({"SEM of logs": sem_of_logs, "CV": cv, "MDC95 up": up, "MDC95 down": down})
    facts = {"sem": sem_of_logs, "cv": cv, "mdc95_up": up, "mdc95_down": down, "flatter": flatter}
    return Part(facts, frame, says, sources=("bland1999", "hopkins2000"))


def logarithms(scores: Floats) -> Floats:
    """Return natural logarithms, or refuse scores that have none.

    Raises
    ------
    RefusedError
        Says how many scores are 0 or less.
    """
    if (scores <= 0).any():
        raise RefusedError(
            f"{int((scores <= 0).sum())} scores are 0 or less and have no logarithm. Stay on the raw scale with an SEM "
            "that depends on the level (.spread), and report the people at the floor apart."
        )
    return np.log(scores)


def learning_between(scores: Floats, trials: tuple[object, ...], sample: Sample, margin: float | None = None) -> Part:
    """Compare consecutive trials of a complete table (people x trials, in the order done): learning effects.

    A gain counts as small when its 90% interval lies inside ± `margin` (two one-sided tests at 5%).

    Returns
    -------
    Part
        Table and ``steps``, one row a step: from, to, gain, low, high, p_value, sem (of that pair), sem_low, sem_high,
        gain_low_90, gain_high_90, within_margin. ``f, df1, df2, p_value`` (F test that all trial means are equal),
        ``epsilon, p_corrected`` (Greenhouse-Geisser's correction; 1 and the plain p for two trials), ``margin``,
        ``scores``, ``trials``.
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
    facts = {"steps": steps, "f": f, "df1": df1, "df2": df2, "p_value": plain, "epsilon": epsilon,
             "p_corrected": corrected, "margin": margin, "scores": scores, "trials": trials}  # fmt: skip
    says = [*_gains(steps, sample, margin), f"All {k} trial means alike: {p_value(corrected)}."]
    return Part(
        facts, steps, tuple(says), (caution,), ("hopkins2000", "greenhouse1959"),
        draw=partial(_draw_trials, scores, trials, sample.unit),
        seen=f"Scores of {n} people over {k} trials, with means.",
    )  # fmt: skip


def _gains(steps: pd.DataFrame, sample: Sample, margin: float | None) -> list[str]:
    """Say the gain of each step, and whether it was shown to lie within the margin."""
    sentences = []
    for row in steps.to_dict("records"):
        gain = sample.estimate(row["gain"], row["low"], row["high"])
        small = "yes" if row["within_margin"] else "not shown"
        within = "" if margin is None else f"; within ±{margin:g}: {small}"
        sentences.append(f"From trial {row['from']} to {row['to']}: {gain}{within}.")
    return sentences


def _draw_trials(scores: Floats, trials: tuple[object, ...], unit: str, ax: "Axes") -> "Axes":
    """Draw each person faintly and the trial means with intervals for their own spread."""
    from truechange.foundation.drawing import ACCENT, LINE

    n, k = scores.shape
    at, means = np.arange(k), scores.mean(axis=0)
    ax.plot(at, scores.T, color=LINE, lw=0.8, zorder=1)
    # people differ by more than trials do: take their level out before drawing the interval
    inner = scores - scores.mean(axis=1, keepdims=True)
    half = stdtrit(n - 1, 0.975) * inner.std(axis=0, ddof=1) * sqrt(k / (k - 1) / n)
    ax.errorbar(at, means, yerr=half, color=ACCENT, marker="D", ms=7, lw=2.4, capsize=5, zorder=3)
    ax.set_xticks(at, [f"trial {trial}" for trial in trials])
    ax.set_xlim(-0.3, k - 0.7)
    ax.set_ylabel(f"Score ({unit})" if unit else "Score")
    title = f"{n} people: each thin line is one; diamonds are means (95% interval, level of people taken out)"
    ax.set_title(title, fontsize=9)
    return ax


def mean_gain(first: Floats, second: Floats, sample: Sample) -> Estimate:
    """Return the mean of second minus first over people with both, with its t interval."""
    gains = (second - first)[np.isfinite(second - first)]
    of_these = replace(sample, n=gains.size)
    if gains.size < 2:
        return of_these.estimate(nan, method="fewer than 2 people have both")
    se = float(gains.std(ddof=1)) / sqrt(gains.size)
    return of_these.around(float(gains.mean()), se, gains.size - 1, "mean of second minus first")
