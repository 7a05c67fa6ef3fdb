"""Confidence intervals of a mean (t), a difference of means (Welch) and a share (Wilson), each written once."""

from math import nan, sqrt
from statistics import NormalDist

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import stdtrit

from truechange.numerics.resampling import Floats


def mean_limits(values: Floats, confidence: float) -> tuple[float, float, float]:
    """Return mean and t limits ``m ± t s/√n``; NaN limits for one value or no spread, all NaN for none."""
    if values.size == 0:
        return nan, nan, nan
    mean = float(values.mean())
    if values.size < 2 or np.ptp(values) == 0:
        return mean, nan, nan
    return mean, *mean_limits_of(mean, float(values.std(ddof=1)), values.size, confidence)


def mean_limits_of(mean: float, sd: float, n: int, confidence: float) -> tuple[float, float]:
    """Return the t limits of a mean from SD and number; NaN for one value."""
    reach = float(stdtrit(n - 1, (1 + confidence) / 2)) * sd / sqrt(n) if n > 1 else nan
    return mean - reach, mean + reach


def welch_limits(first: Floats, second: Floats, confidence: float) -> tuple[float, float]:
    """Return Welch's limits of the difference of two means; NaN for groups of one or without spread."""
    if min(first.size, second.size) < 2:
        return nan, nan
    one, other = ((float(values.mean()), float(values.var(ddof=1)), values.size) for values in (first, second))
    return welch_of_moments(one, other, confidence)


def welch_of_moments(
    first: tuple[float, float, int], second: tuple[float, float, int], confidence: float
) -> tuple[float, float]:
    """Return Welch's limits from mean, variance and number of two groups; NaN where they cannot be had."""
    groups = (first, second)
    if min(n for *_, n in groups) < 2:
        return nan, nan
    parts = [variance / n for _, variance, n in groups]
    if not sum(parts) > 0:
        return nan, nan
    df = sum(parts) ** 2 / sum(part**2 / (n - 1) for part, (*_, n) in zip(parts, groups, strict=True))
    reach = float(stdtrit(df, (1 + confidence) / 2)) * sqrt(sum(parts))
    apart = first[0] - second[0]
    return apart - reach, apart + reach


FEW = 10  # below this many people a percentage says more than is known


def wilson_limits(k: ArrayLike, n: ArrayLike, confidence: float = 0.95) -> tuple[Floats, Floats]:
    """Return Wilson's score limits for `k` of `n`, elementwise; NaN where `n` is 0.

    ``(p + z²/2n ± z √(p(1−p)/n + z²/4n²)) / (1 + z²/n)`` (Wilson 1927, method 3 of Newcombe 1998).
    """
    k, n = np.asarray(k, dtype=float), np.asarray(n, dtype=float)
    z2 = NormalDist().inv_cdf((1 + confidence) / 2) ** 2
    with np.errstate(divide="ignore", invalid="ignore"):
        p = k / n
        centre = (p + z2 / (2 * n)) / (1 + z2 / n)
        half = np.sqrt(z2) * np.sqrt(p * (1 - p) / n + z2 / (4 * n * n)) / (1 + z2 / n)
    low = np.where(k == 0, np.where(n > 0, 0.0, np.nan), centre - half)
    high = np.where(k == n, np.where(n > 0, 1.0, np.nan), centre + half)
    return low, high
