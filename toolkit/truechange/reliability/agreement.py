"""Limits of agreement (Bland-Altman) and heteroscedasticity: how far two scores differ, and whether by their level."""

from __future__ import annotations

from dataclasses import replace
from math import exp, inf, isfinite, nan, sqrt

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy.special import chdtrc, chndtrix, gamma, nctdtrit, ndtri, stdtrit

from truechange.foundation.drawing import ACCENT, INK, LINE, WARM, Axes, axes
from truechange.foundation.errors import DataError, RefusedError, check_choice, check_confidence, check_same_index
from truechange.foundation.estimate import Estimate
from truechange.foundation.numbers import fixed, people
from truechange.foundation.result import Part, Spoken, told
from truechange.numerics.resampling import Floats, block_size, draw_people, in_blocks, percentile_limits
from truechange.numerics.variances import graybill_wang, rounding
from truechange.reliability.scores import Sample, count_cautions, estimates_table, float_array

FLAG_RATIO = 1.5
SMALLEST_BAND = 10
SOURCES = {"exact": ("carkeet2015", "shieh2018"), "pair": ("carkeet2015",), "approximate": ()}  # interval of a limit
ROWS = {
    "bias": "bias", "lower": "lower limit", "upper": "upper limit", "repeatability": "repeatability coefficient",
    "prediction": "prediction interval", "proportional_bias": "slope of difference on mean",
    "heteroscedasticity": "slope of absolute residual on mean",
}  # fmt: skip
Z95 = float(ndtri(0.975))


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
            x, y = np.stack([self.means, self.spreads])[:, draw_people(rng, size, self.means.size)]
            away = x - x.mean(axis=1, keepdims=True)
            with np.errstate(all="ignore"):
                slope = np.sum(away * y, axis=1) / np.sum(away**2, axis=1)
            fitted = y.mean(axis=1) + slope * (level - x.mean(axis=1))
            return np.maximum(fitted, 0.0) / self.shrink / sqrt(2)

        draws = in_blocks(refit, n_boot, seed=seed, block=block_size(self.means.size, n_boot))
        low, high = percentile_limits(draws, self.sample.confidence)
        how = f"SEM at {level:g}, linear in the level; percentile bootstrap"
        return self.sample.estimate(float(self.sem(level)), float(low), float(high), how)

    def plot(self, *, ax: Axes | None = None) -> Axes:  # type: ignore[override]
        """Draw each person's own SEM, the fitted line and the bands against the level of the score."""
        ax = axes(ax)
        ax.plot(self.means, self.spreads / sqrt(2), "o", ms=4, mfc="none", mec=LINE, mew=1.2, label="one person")
        level = np.linspace(self.means.min(), self.means.max(), 100)
        ax.plot(level, self.sem(level), color=ACCENT, lw=2, label="fitted SEM")
        for index, row in self.frame.iterrows():
            label = "SEM of a band" if index == 0 else None
            ax.plot([row["from"], row["to"]], [row["sem"]] * 2, color=WARM, lw=3, ls="--", label=label)
        unit = f" ({self.sample.unit})" if self.sample.unit else ""
        ax.set(xlabel=f"Mean score of a person{unit}", ylabel=f"SEM{unit}", ylim=(0, None))
        ax.set_title(people(self.means.size))
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
        slope, intercept = sample.line(means, differences, "")
        if slope.has_interval:
            spreads = np.abs(differences - intercept - slope.value * means)
    spreads = np.where(spreads > rounding(scores), spreads, 0.0)
    slope, intercept = sample.line(means, spreads, ROWS["heteroscedasticity"])
    third, order = means.size // 3, np.argsort(means, kind="stable")
    ratio = nan
    if third >= 2:
        bottom, top = (float(np.sqrt(np.mean(spreads[part] ** 2))) for part in (order[:third], order[-third:]))
        ratio = top / bottom if bottom > 0 else inf if top > 0 else nan
    ranks = pd.DataFrame({"spread": spreads, "mean": means}).rank()
    rank = float(ranks["spread"].corr(ranks["mean"])) if (np.ptp(ranks, axis=0) > 0).all() else nan
    shrink = sqrt(2 / (k - 1)) * float(gamma(k / 2) / gamma((k - 1) / 2))
    apart = isfinite(ratio) and not 1 / FLAG_RATIO <= ratio <= FLAG_RATIO
    flagged = bool(slope.low > 0 or slope.high < 0 or apart)
    facts = {
        "slope": slope, "intercept": intercept, "rank_correlation": rank, "thirds_ratio": ratio, "flagged": flagged,
        "means": means, "spreads": spreads, "shrink": shrink, "sample": sample,
    }  # fmt: skip
    verdict = "depends on the level of the score, so one SEM for everybody misleads"
    verdict = verdict if flagged else "shows no clear dependence on the level of the score"
    wider = f"{fixed(ratio, 2)} times as wide in the top third of scores as in the bottom third"
    says = (f"The error {verdict} (spread {wider}; slope {slope}).",)
    seen = "Standard error of measurement against the level of the score."
    spread = Spread(facts, pd.DataFrame(), says, (), ("bland1999",), seen)
    return replace(spread, frame=_bands(spread))


def _bands(spread: Spread) -> pd.DataFrame:
    """Return the SEM in up to three bands of equally many people, at least 10 a band, beside the fitted SEM."""
    count = max(1, min(3, spread.means.size // SMALLEST_BAND))
    bands = np.array_split(np.argsort(spread.means, kind="stable"), count)
    levels = [spread.means[band] for band in bands]
    return pd.DataFrame({
        "from": [level.min() for level in levels], "to": [level.max() for level in levels],
        "people": [band.size for band in bands],
        "sem": [sqrt(float(np.mean(spread.spreads[band] ** 2)) / 2) for band in bands],
        "sem_fitted": [float(spread.sem(float(level.mean()))) for level in levels],
    })  # fmt: skip


def log_error(scores: Floats, sem_of_logs: Estimate) -> Part:
    """Turn the SEM of the logarithms of `scores` (people x trials) into ratios: percent error, lopsided limits.

    Bland and Altman 1999; Hopkins 2000.

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
        low = people(int((scores <= 0).sum()), "scores are 0 or less and have", "score is 0 or less and has")
        raise RefusedError(
            f"{low} no logarithm. Stay on the raw scale with an SEM that depends on the level (.spread), and report "
            "the people at the floor apart."
        )
    return np.log(scores)


class LimitsOfAgreement(Spoken):
    """Bias between two measurements and the limits of most differences, first minus second.

    Its facts, Estimates first: ``bias`` (mean difference), ``lower`` and ``upper`` (limits of agreement, each with its
    interval), ``repeatability`` (repeatability coefficient, 1.96 √2 within-person SD: a shift between the two counts
    as error), ``prediction`` (interval in which one future difference is expected), ``proportional_bias`` (slope of
    difference on mean), ``heteroscedasticity`` (slope of absolute residual on mean); ``spread`` (the whole check
    behind it); ``first``, ``second`` and their ``differences`` (the ``n`` pairs: means of replicates; logarithms under
    ``scale="log"``), ``sd`` (of a single difference), ``method``, ``scale``, ``unit``. Under ``scale="log"`` bias,
    limits, repeatability and prediction are ratios, first over second.
    """

    def at(self, level: float | Floats, *, spread: bool = True) -> tuple[Floats, Floats, Floats]:
        """Return centre, lower and upper limit about the line of difference on mean.

        Parameters
        ----------
        level : float or ndarray
            Mean of the two measurements.
        spread : bool, optional
            Let the width depend on the level too: 2.46 times the fitted absolute residual
            (Bland & Altman 1999, section 3.2; from memory). Otherwise the residual SD serves everywhere.

        Raises
        ------
        RefusedError
            Fewer than 3 pairs, or means that do not differ.
        """
        means, d = (self.first + self.second) / 2, self.differences
        if self.n < 3 or not self.proportional_bias.has_interval:
            raise RefusedError("No line of difference on mean: it needs at least 3 pairs whose means differ.")
        slope, intercept = self.spread.sample.line(means, d, "")
        centre = intercept + slope.value * np.asarray(level, dtype=float)
        residual_sd = sqrt(float(np.sum((d - intercept - slope.value * means) ** 2)) / (self.n - 2))
        half = Z95 * (self.spread.sd(level) if spread else residual_sd)
        return centre, centre - half, centre + half

    def plot(self, *, ax: Axes | None = None) -> Axes:  # type: ignore[override]
        """Draw differences against means with bias, limits and the interval of each limit as a band."""
        ax = axes(ax, width=6.8, height=4.2)
        on_logs = self.scale == "log"
        back = np.exp if on_logs else np.asarray
        means, differences = back((self.first + self.second) / 2), back(self.differences)
        width, height = float(np.ptp(means)) or 1.0, float(self.upper.value - self.lower.value) or 1.0
        x, y, tied = spread_ties(means, differences, width / 60, height / 40)
        for e, colour, dash in ((self.bias, ACCENT, "-"), (self.lower, WARM, "--"), (self.upper, WARM, "--")):
            if e.has_interval:
                ax.axhspan(e.low, e.high, color=colour, alpha=0.14, lw=0)
            ax.axhline(e.value, color=colour, lw=1.6, ls=dash)
            ax.annotate(
                fixed(e.value, self.bias.decimals), (1.0, e.value), xycoords=("axes fraction", "data"), xytext=(4, 0),
                textcoords="offset points", va="center", fontsize=9, color=colour, annotation_clip=False,
            )  # fmt: skip
        ax.axhline(1.0 if on_logs else 0.0, color=LINE, lw=1)
        ax.plot(x, y, "o", ms=5, mfc="white", mec=INK, mew=1.1, zorder=3)
        if self.proportional_bias.low > 0 or self.proportional_bias.high < 0:
            level = np.linspace(means.min(), means.max(), 60)
            for curve, dash in zip(self.at(np.log(level) if on_logs else level), ("-", ":", ":"), strict=True):
                ax.plot(level, back(curve), color=INK, lw=1, ls=dash)
        unit = f" ({self.unit})" if self.unit else ""
        ties = f", {tied} share a place and are drawn apart" if tied else ""
        ax.set_title(f"{self.n} pairs{ties}; bands: {100 * self.bias.confidence:g}% intervals", fontsize=9)
        ax.set_xlabel(f"{'Geometric mean' if on_logs else 'Mean'} of the two{unit}")
        ax.set_ylabel("First / second" if on_logs else f"First − second{unit}")
        return ax


def limits_of_agreement(
    first: ArrayLike, second: ArrayLike, confidence: float = 0.95, method: str = "exact", *, scale: str = "raw",
    unit: str = "", person: ArrayLike | None = None,
) -> LimitsOfAgreement:  # fmt: skip
    """Estimate bias and 95% limits of agreement between two measurements of the same people.

    Parameters
    ----------
    first, second : array, shape (n,) or (n, m)
        The two measurements in the unit of the test, same people in the same
        order (Series must have the same index, arrays pair by position); with
        m columns, m replicates a person of each (NaN where a person has
        fewer). Differences are first minus second.
    confidence : float, optional
        Level of the intervals about bias and limits.
    method : {"exact", "pair", "approximate"}, optional
        Interval of a limit: ``"exact"`` for each limit by itself (non-central
        t), ``"pair"`` for both limits at once (tolerance factors),
        ``"approximate"`` the large-sample one. Replicates and several pairs
        a person use the approximate route of recovering both parts' intervals.
    scale : {"raw", "log"}, optional
        ``"log"`` for differences that grow with the score: results are ratios.
    unit : str, optional
        Unit of the measurements.
    person : array, shape (n,), optional
        Whose pair each is, where people have several pairs and what is
        measured changes between them.

    Returns
    -------
    LimitsOfAgreement

    Raises
    ------
    DataError
        Lengths or indexes differ, a value is missing, or fewer than 2 pairs.
    RefusedError
        ``scale="log"`` with a value of 0 or less.
    ChoiceError
        `method`, `scale` or `confidence` is not available.

    Notes
    -----
    Limits: bias ± 1.96 SD [1]_. Exact interval of the upper one: bias + k SD
    with k = t'(n-1, 1.96 √n)/√n [2]_ [3]_. With m replicates the variance of a
    single difference is var(differences of means) + (1 - 1/m)(s1² + s2²) [1]_,
    sections 5.1 and 5.2 (m the harmonic mean of unequal numbers), and the
    limits' intervals recover the variance from those of bias and SD [4]_. With
    `person`: variance between and within people of the differences of pairs,
    by analysis of variance [5]_; the bias is the mean of all pairs.

    References
    ----------
    .. [1] Bland JM, Altman DG (1999). Stat Methods Med Res 8(2):135-160.
    .. [2] Carkeet A (2015). Optom Vis Sci 92(3):e71-e80.
    .. [3] Shieh G (2018). BMC Med Res Methodol 18:45.
    .. [4] Zou GY (2013). Stat Methods Med Res 22(6):630-642 (from memory).
    .. [5] Bland JM, Altman DG (2007). J Biopharm Stat 17(4):571-582.

    Examples
    --------
    >>> found = limits_of_agreement([12, 9, 14, 11, 8, 13], [11, 10, 12, 11, 9, 12], unit="stands")
    >>> round(found.bias.value, 3), round(found.lower.value, 3), round(found.upper.value, 3)
    (0.333, -2.04, 2.707)
    """
    check_choice("method", method, tuple(SOURCES))
    check_choice("scale", scale, ("raw", "log"))
    check_confidence(confidence)
    check_same_index(first=first, second=second)
    a, b = float_array(first, "first"), float_array(second, "second")
    if a.shape[:1] != b.shape[:1] or a.ndim not in (1, 2) or a.ndim != b.ndim:
        raise DataError(f"first and second must hold the same people, got shapes {a.shape} and {b.shape}.")
    gaps = [~np.isfinite(side).any(axis=1) if side.ndim == 2 else ~np.isfinite(side) for side in (a, b)]
    if (gaps[0] | gaps[1]).any() or np.isinf(a).any() or np.isinf(b).any():
        where = np.flatnonzero(gaps[0] | gaps[1])
        raise DataError(f"Values are missing, the first at position {[*where, '?'][0]}. Leave those pairs out.")
    if scale == "log":
        a, b = logarithms(a), logarithms(b)
    x, y, mean, se, parts = _of_pairs(a, b, person) if person is not None else _of_replicates(a, b)
    d = x - y
    if len(d) < 2:
        raise DataError("Limits of agreement need at least 2 pairs.")
    if np.ptp(d) <= rounding(np.stack([x, y])):
        d, parts[0] = np.full(d.size, d.mean()), (0.0, *parts[0][1:])
    sample = Sample(d.size, confidence, unit)
    limits = _limits(sample, mean, se, method, parts)
    slope, _ = sample.line((x + y) / 2, d, ROWS["proportional_bias"])
    spread = spread_of(np.column_stack([x, y]), sample)
    single = (limits["upper"].value - mean) / Z95
    apart = sqrt(single**2 + mean**2) if len(parts) > 1 else sqrt(float(np.mean(d**2)))
    how = "1.96 √2 √(within-person mean square), chi-square interval"
    limits["repeatability"] = sample.sd(apart**2, d.size, "").scaled(Z95, method=how)
    if scale == "log":
        limits = {name: _ratio(limit) for name, limit in limits.items()}
    labels = [side.index for side in (first, second) if isinstance(side, pd.Series)]
    several = person is None and not all(index.is_unique for index in labels)
    facts = limits | {
        "proportional_bias": slope, "heteroscedasticity": spread.slope, "spread": spread, "first": x, "second": y,
        "differences": x - y, "n": d.size, "sd": single, "method": method, "scale": scale, "unit": unit,
    }  # fmt: skip
    counted = "pairs" if len(parts) == 1 else "people with several scores each"
    what = "ratio, first over second" if scale == "log" else "first minus second"
    says = (f"Bias ({what}): {limits['bias']}.",
            f"Limits of agreement: {limits['lower']} and {limits['upper']}, {d.size} {counted}.")  # fmt: skip
    frame = estimates_table({words: facts[name] for name, words in ROWS.items()})
    sources = ("bland1986", "bland1999", *(("zou2013",) if len(parts) > 1 else SOURCES[method]))
    seen = f"Difference against mean of {d.size} pairs with limits of agreement."
    return LimitsOfAgreement(facts, frame, says, _cautions(d, slope, spread, several), sources, seen)


Parts = list[tuple[float, float, float]]  # mean square, weight and degrees of freedom of each part of a variance


def _of_replicates(a: Floats, b: Floats) -> tuple[Floats, Floats, float, float, Parts]:
    """Return each person's two means, bias with standard error, and the parts of a single difference's variance."""
    means, parts = [], []
    for side in (a, b):
        scores = side if side.ndim == 2 else side[:, None]
        counts = np.isfinite(scores).sum(axis=1)
        means.append(np.nanmean(scores, axis=1))
        if df := int((counts - 1).sum()):
            within = float(np.nansum((scores - means[-1][:, None]) ** 2)) / df
            parts.append((within, 1 - float(np.mean(1 / counts)), df))
    d = means[0] - means[1]
    square, n = (float(d.var(ddof=1)), d.size) if d.size > 1 else (0.0, 1)
    return *means, float(d.mean()), sqrt(square / n), [(square, 1.0, n - 1), *(part for part in parts if part[0] > 0)]


def _of_pairs(a: Floats, b: Floats, person: ArrayLike) -> tuple[Floats, Floats, float, float, Parts]:
    """Return the same where people have several pairs of one score each, by analysis of variance of the differences."""
    if a.ndim != 1 or np.shape(person) != a.shape:
        raise DataError(f"person must name whose each of the {len(a)} pairs is, got shape {np.shape(person)}.")
    frame = pd.DataFrame({"x": a, "y": b, "d": a - b})
    groups = frame.groupby(np.asarray(person, dtype=object))
    m, means, mean = groups.size().to_numpy(float), groups.mean(), float(frame["d"].mean())
    n, pairs = m.size, float(m.sum())
    if n < 2:
        raise DataError("Limits of agreement need at least 2 people.")
    between = float(m @ (means["d"].to_numpy() - mean) ** 2) / (n - 1)
    inside = float(((frame["d"] - groups["d"].transform("mean")) ** 2).sum()) / (pairs - n) if pairs > n else 0.0
    usual = (pairs - float(m @ m) / pairs) / (n - 1)
    se = sqrt(max(between - inside, 0.0) / usual * float(m @ m) / pairs**2 + inside / pairs)
    parts = [(between, 1 / usual, n - 1), *([(inside, 1 - 1 / usual, pairs - n)] if inside else [])]
    return means["x"].to_numpy(), means["y"].to_numpy(), mean, se, parts


def _ratio(e: Estimate) -> Estimate:
    how = f"{e.method}; exponential of logarithms"
    return replace(e, value=exp(e.value), low=exp(e.low), high=exp(e.high), unit="", method=how)


def _cautions(d: Floats, slope: Estimate, spread: Spread, several: bool) -> tuple[str, ...]:
    equal = np.ptp(d) == 0
    return count_cautions(d.size) + told({
        "Labels occur more than once, and pairs of one person are not independent: give person= (whose pair each is).":
            several,
        "All differences are equal: the limits have no width; were the values rounded or copied?": equal,
        "Differences change with the mean: the two spread unequally (no proof of a drifting calibration); see .at() "
        "for limits about the line.": not equal and (slope.low > 0 or slope.high < 0),
        "The width depends on the level: limits for everybody mislead; see .spread, or scale='log'.":
            not equal and spread.flagged,
    })  # fmt: skip


def _limits(sample: Sample, mean: float, se: float, method: str, parts: Parts) -> dict[str, Estimate]:
    """Return bias, limits and prediction interval from the mean difference and the parts of its variance."""
    n, t = sample.n, float(stdtrit(sample.n - 1, sample.tails[1]))
    single = sqrt(sum(square * weight for square, weight, _ in parts))
    if len(parts) > 1:
        squares, weights, dfs = zip(*parts, strict=True)
        ends = graybill_wang(squares, weights, dfs, sample.confidence)
        near, far = (sqrt((t * se) ** 2 + (Z95 * (single - sqrt(end))) ** 2) for end in ends)
        method = "variance-recovery"
    else:
        inner, outer = limit_factors(n, sample.confidence, method)
        near, far = (Z95 - inner) * single, (outer - Z95) * single
    how = f"bias ± {Z95:.3f} SD, {method} interval"
    low, high = mean - Z95 * single, mean + Z95 * single
    ahead = float(stdtrit(n - 1, 0.975)) * sqrt(single**2 + se**2)
    future = "prediction interval of one future difference"
    return {
        "bias": sample.around(mean, se, n - 1, "mean difference"),
        "lower": sample.estimate(low, low - far, low + near, how, n - 1),
        "upper": sample.estimate(high, high - near, high + far, how, n - 1),
        "prediction": sample.estimate(mean, mean - ahead, mean + ahead, future, n - 1),
    }


def limit_factors(n: int, confidence: float, method: str) -> tuple[float, float]:
    """Return the two factors k so that bias + k SD bounds the upper limit of agreement.

    Exact: quantiles of the non-central t with n-1 df and non-centrality z√n,
    over √n. As a pair: two-sided normal tolerance factors. Approximate:
    z ± t √(1/n + z²/(2(n-1))). Bland and Altman 1999; Carkeet 2015.
    """
    from scipy.optimize import brentq

    tails = ((1 - confidence) / 2, (1 + confidence) / 2)
    if method == "exact":
        inner, outer = (float(nctdtrit(n - 1, Z95 * sqrt(n), tail)) / sqrt(n) for tail in tails)
        return inner, outer
    if method == "approximate":
        half = float(stdtrit(n - 1, tails[1])) * sqrt(1 / n + Z95**2 / (2 * (n - 1)))
        return Z95 - half, Z95 + half
    # the chance, over the sample mean, that mean ± k SD holds at least 95% of the differences
    nodes, weights = np.polynomial.hermite_e.hermegauss(64)
    reach = chndtrix(0.95, 1, nodes**2 / n)
    share = weights / weights.sum()

    def chance(k: float, tail: float) -> float:
        return float(share @ chdtrc(n - 1, (n - 1) * reach / k**2)) - tail

    inner, outer = (float(brentq(chance, 1e-3, 1e4, args=(tail,))) for tail in tails)
    return inner, outer


GOLDEN = 2.399963  # radians: points on a sunflower never overlap in rows


def spread_ties(x: Floats, y: Floats, reach_x: float, reach_y: float) -> tuple[Floats, Floats, int]:
    """Move points that coincide apart on a small fixed spiral; also return how many points share their place."""
    places = pd.DataFrame({"x": x, "y": y}).groupby(["x", "y"])
    turn, count = places.cumcount().to_numpy(), places["x"].transform("size").to_numpy()
    radius = np.sqrt(turn / count.max())
    moved_x, moved_y = x + reach_x * radius * np.cos(GOLDEN * turn), y + reach_y * radius * np.sin(GOLDEN * turn)
    return moved_x, moved_y, int(count[count > 1].size)
