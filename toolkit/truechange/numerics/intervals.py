"""Intervals of means (t, Welch), shares (Wilson) and paired shares (Tango); control charts (p′, XmR) and run rules."""

from math import inf, nan, pi, sqrt
from statistics import NormalDist

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import stdtrit

from truechange.foundation.distributions import bisect
from truechange.numerics.resampling import Floats


def mean_limits(values: Floats, confidence: float) -> tuple[float, float, float]:
    """Return mean and t limits ``m ± t s/√n``; NaN limits for one value or no spread, all NaN for none."""
    mean = float(values.mean()) if values.size else nan
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
    parts = [(variance / n, n - 1) for _, variance, n in (first, second)]
    total = sum(part for part, _ in parts)
    if min(df for _, df in parts) < 1 or not total > 0:
        return nan, nan
    df = total**2 / sum(part**2 / df for part, df in parts)
    reach = float(stdtrit(df, (1 + confidence) / 2)) * sqrt(total)
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


MEAN_RANGE = 2 / sqrt(pi)  # mean distance of two draws from one normal distribution, in its SD: 1.128
SIGMAS = 3.0  # Shewhart 1931
FEWEST = 12  # periods; with fewer, limits from so few ranges move too much: a run chart
RUN, TREND = 8, 6  # in a row on one side (Western Electric 1956), rising or falling (Nelson 1984)
RISE = 5  # rising or falling on a run chart (Perla and others 2011)


def xmr_limits(values: ArrayLike) -> tuple[float, float, float]:
    """Return centre and limits of single values (XmR chart): mean ± 3 mean moving range / 1.128, that is ± 2.66 of it.

    Examples
    --------
    >>> [round(limit, 2) for limit in xmr_limits([10.0, 12.0, 11.0, 13.0])]
    [11.5, 7.07, 15.93]
    """
    x = np.asarray(values, dtype=float)
    centre, reach = float(x.mean()), SIGMAS * float(np.abs(np.diff(x)).mean()) / MEAN_RANGE
    return centre, centre - reach, centre + reach


def share_limits(k: ArrayLike, n: ArrayLike) -> tuple[float, Floats, Floats, float]:
    """Return overall share, limits of each period and the spread factor of Laney's p′ chart (2002).

    ``p̄ ± 3 σz √(p̄(1 − p̄)/n)``, σz the mean moving range of the z-values over 1.128: 1 means binomial spread alone,
    more means that periods differ by more than the luck of who came. Limits stay within 0 and 1.
    """
    k, n = np.asarray(k, dtype=float), np.asarray(n, dtype=float)
    overall = float(k.sum() / n.sum())
    binomial = np.sqrt(overall * (1 - overall) / n)
    if not overall * (1 - overall) > 0:
        return overall, np.full(k.size, overall), np.full(k.size, overall), 0.0
    spread = float(np.abs(np.diff((k / n - overall) / binomial)).mean()) / MEAN_RANGE
    reach = SIGMAS * spread * binomial
    return overall, np.maximum(overall - reach, 0.0), np.minimum(overall + reach, 1.0), spread


def one_side(values: ArrayLike, centre: float, least: int) -> NDArray[np.bool_]:
    """Return which points stand in a run of `least` or more on one side; a point on the line neither ends nor counts.

    Examples
    --------
    >>> one_side([1, 1, 0, 1, -1], 0, 3).tolist()
    [True, True, False, True, False]
    """
    side = np.sign(np.round(np.asarray(values, dtype=float) - centre, 12))
    there, marked = np.flatnonzero(side), np.zeros(side.size, dtype=bool)
    for start, end in _runs(side[there]):
        marked[there[start:end]] = end - start >= least
    return marked


def in_a_row(values: ArrayLike, least: int) -> NDArray[np.bool_]:
    """Return which points stand in a row of `least` or more that rises, or falls, at every step.

    Examples
    --------
    >>> in_a_row([3, 1, 2, 3, 3], 3).tolist()
    [False, True, True, True, False]
    """
    steps = np.sign(np.round(np.diff(np.asarray(values, dtype=float)), 12))
    marked = np.zeros(steps.size + 1, dtype=bool)
    for start, end in _runs(steps):
        if steps[start] and end - start >= least - 1:  # a level step ends a row
            marked[start : end + 1] = True
    return marked


def _runs(signs: Floats) -> list[tuple[int, int]]:
    """Return start and end of every stretch of equal signs."""
    starts = np.flatnonzero(np.diff(signs, prepend=np.nan) != 0).tolist()
    return list(zip(starts, [*starts[1:], signs.size], strict=False))  # no start, no stretch
