"""Intervals of a mean and of a difference of means, written once: t and Welch."""

from math import nan, sqrt

import numpy as np
from scipy.special import stdtrit

from truechange.numerics.resampling import Floats


def mean_limits(values: Floats, confidence: float) -> tuple[float, float, float]:
    """Return mean and t limits ``m ± t s/√n``; NaN limits for one value or no spread, all NaN for none."""
    if values.size == 0:
        return nan, nan, nan
    mean = float(values.mean())
    if values.size < 2 or np.ptp(values) == 0:
        return mean, nan, nan
    reach = float(stdtrit(values.size - 1, (1 + confidence) / 2)) * float(values.std(ddof=1)) / sqrt(values.size)
    return mean, mean - reach, mean + reach


def welch_limits(first: Floats, second: Floats, confidence: float) -> tuple[float, float]:
    """Return Welch's limits of the difference of two means; NaN for groups of one or without spread."""
    if min(first.size, second.size) < 2:
        return nan, nan
    parts = [values.var(ddof=1) / values.size for values in (first, second)]
    if not sum(parts) > 0:
        return nan, nan
    df = sum(parts) ** 2 / sum(p**2 / (v.size - 1) for p, v in zip(parts, (first, second), strict=True))
    reach = float(stdtrit(df, (1 + confidence) / 2)) * sqrt(sum(parts))
    apart = float(first.mean() - second.mean())
    return apart - reach, apart + reach
