"""Confidence intervals of a mean (t), a difference of means (Welch), a share (Wilson) and of paired shares (Tango)."""

from math import inf, nan, sqrt
from statistics import NormalDist

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import stdtrit

from truechange.foundation.distributions import bisect
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


def tango_limits(gained: int, lost: int, n: int, confidence: float = 0.95) -> tuple[float, float]:
    """Return Tango's score limits of a difference of paired shares, (gained − lost)/n.

    The differences δ with ``|gained − lost − nδ| ≤ z √(n (2q + δ(1 − δ)))``, q the maximum-likelihood share lost given
    δ: ``q = (√(B² − 8n C) − B)/4n``, ``B = (2n − gained + lost) δ − gained − lost``, ``C = −lost δ (1 − δ)``
    (Tango 1998, Statistics in Medicine 17:891-908).
    """
    z = NormalDist().inv_cdf((1 + confidence) / 2)

    def below(at: float) -> float:
        b, c = (2 * n - gained + lost) * at - gained - lost, -lost * at * (1 - at)
        share = (sqrt(max(b * b - 8 * n * c, 0.0)) - b) / (4 * n)
        variance = n * (2 * share + at * (1 - at))
        away = n * at - gained + lost
        return away / sqrt(variance) if variance > 0 else away * inf

    middle = (gained - lost) / n
    low = -1.0 if middle == -1 else bisect(below, -z, -1.0, middle)
    return low, 1.0 if middle == 1 else bisect(below, z, middle, 1.0)
