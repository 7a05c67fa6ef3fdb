"""Standardised mean change, with intervals from the noncentral t distribution."""

from math import exp, sqrt

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammaln, nctdtr, ndtr

from truechange.foundation.estimate import Estimate

Floats = NDArray[np.float64]
NOISE = 1e-9  # an SD this small beside the mean is floating-point noise


def small_sample_factor(df: float) -> float:
    """Return Hedges' exact correction ``Γ(df/2) / (√(df/2) Γ((df−1)/2))``.

    Examples
    --------
    >>> round(small_sample_factor(10), 6)
    0.922746
    """
    return exp(float(gammaln(df / 2) - gammaln((df - 1) / 2))) / sqrt(df / 2)


def noncentral_t_limits(t: float, df: float, confidence: float) -> tuple[float, float]:
    """Return the noncentrality parameters for which `t` lies at either tail of the noncentral t distribution."""
    from scipy.optimize import brentq

    tail = (1 - confidence) / 2
    reach = 8 * sqrt(1 + t * t / (2 * df))

    def below(shift: float) -> float:
        if abs(shift - t) > 0.9 * reach:  # far out the function is not computed reliably, and its value is known
            return float(shift < t)
        found = float(nctdtr(df, shift, t) if t >= 0 else 1 - nctdtr(df, -shift, -t))
        if found == found:
            return found
        return float(ndtr((t * (1 - 1 / (4 * df)) - shift) / sqrt(1 + t * t / (2 * df))))  # normal form, for huge t

    def solve(level: float) -> float:
        return float(brentq(lambda shift: below(shift) - level, t - reach, t + reach, xtol=1e-10))

    if not abs(t) < 1e6:  # the changes are all the same but for floating-point noise
        return float("nan"), float("nan")
    return solve(1 - tail), solve(tail)


def standardised_response_mean(change: Floats, confidence: float = 0.95) -> Estimate:
    """Return mean change / SD of change (d_z), with its noncentral t interval."""
    n = change.size
    mean, sd = float(change.mean()), float(change.std(ddof=1))
    if sd <= NOISE * max(1.0, abs(mean)):
        return Estimate(value=float("nan"), confidence=confidence, n=n, method="all changes equal: not defined")
    low, high = (edge / sqrt(n) for edge in noncentral_t_limits(mean / sd * sqrt(n), n - 1, confidence))
    return Estimate(
        value=mean / sd, low=low, high=high, confidence=confidence, n=n, df=n - 1,
        method="mean change / SD of change; noncentral t",
    )  # fmt: skip


def average_sd_effect(
    before: Floats, after: Floats, change: Floats, confidence: float = 0.95, *, hedges: bool = False
) -> Estimate:
    """Return mean change / √((s₁² + s₂²)/2) (d_av), with Algina and Keselman's interval.

    Limits: noncentrality limits of the paired t times ``√(2 s_d² / (n (s₁² + s₂²)))``. With `hedges` the value (not
    the interval) is multiplied by the small-sample factor at 2(n − 1) degrees of freedom, as Lakens 2013 does.
    """
    n = change.size
    mean, spread = float(change.mean()), float(change.var(ddof=1))
    both = float(before.var(ddof=1) + after.var(ddof=1))
    if both == 0 or sqrt(spread) <= NOISE * max(1.0, abs(mean)):
        return Estimate(value=float("nan"), confidence=confidence, n=n, method="no spread: not defined")
    factor = sqrt(2 * spread / (n * both))
    low, high = (edge * factor for edge in noncentral_t_limits(mean / sqrt(spread / n), n - 1, confidence))
    value = mean / sqrt(both / 2) * (small_sample_factor(2 * (n - 1)) if hedges else 1.0)
    how = "mean change / average SD" + (", small-sample corrected" if hedges else "")
    return Estimate(
        value=value, low=low, high=high, confidence=confidence, n=n, df=n - 1,
        method=f"{how}; noncentral t (Algina and Keselman)",
    )  # fmt: skip
