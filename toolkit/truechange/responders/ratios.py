"""Risk and odds ratio of two shares: logarithmic intervals, or score intervals where a cell is zero."""

from collections.abc import Callable
from math import copysign, exp, inf, log, nan, sqrt

from scipy.special import ndtri

from truechange.foundation.estimate import Estimate

Score = Callable[[float], float]


def _limits(score: Score, z: float, centre: float) -> tuple[float, float]:
    """Find where the signed score statistic, falling in log ratio, passes +z and −z."""
    from scipy.optimize import brentq

    wide = 20.0  # a limit beyond e^20 is no limit, and further out the restricted share loses its digits
    middle = 0.0 if centre in (0.0, inf) or centre != centre else log(centre)

    def reach(target: float) -> float:
        def gap(at: float) -> float:
            return score(exp(at)) - target

        if gap(middle - wide) < 0:
            return 0.0
        if gap(middle + wide) > 0:
            return inf
        return exp(float(brentq(gap, middle - wide, middle + wide, xtol=1e-12)))

    return reach(z), reach(-z)


def _risk_score(k1: int, n1: int, k2: int, n2: int) -> Score:
    """Score statistic for p1 = ratio · p2 at the restricted maximum likelihood (Koopman 1984; from memory)."""

    def at(ratio: float) -> float:
        a = (n1 + n2) * ratio
        b = -(ratio * (n1 + k2) + k1 + n2)
        p2 = 2 * (k1 + k2) / (-b + sqrt(max(0.0, b * b - 4 * a * (k1 + k2))))  # the smaller root, without cancellation
        p1 = ratio * p2
        spread = p1 * (1 - p1) / n1 + ratio * ratio * p2 * (1 - p2) / n2
        gap = k1 / n1 - ratio * k2 / n2
        return gap / sqrt(spread) if spread > 0 else copysign(inf, gap)

    return at


def _odds_score(k1: int, n1: int, k2: int, n2: int) -> Score:
    """Score statistic for odds1 = ratio · odds2 at the restricted maximum likelihood."""

    def at(ratio: float) -> float:
        k = k1 + k2
        a = n2 * (ratio - 1)
        b = n1 * ratio + n2 - k * (ratio - 1)
        root = sqrt(max(0.0, b * b + 4 * a * k))
        p2 = min(2 * k / (b + root) if b >= 0 else (root - b) / (2 * a), 1.0)
        p1 = p2 * ratio / (1 - p2 + p2 * ratio)
        inverse = sum(1 / (n * p * (1 - p)) for n, p in ((n1, p1), (n2, p2)) if 0 < p < 1)
        return (k1 - n1 * p1) * sqrt(inverse)

    return at


def risk_ratio(k1: int, n1: int, k2: int, n2: int, confidence: float) -> Estimate:
    """Return the ratio of two shares with its interval; NaN if both are zero."""
    z = float(ndtri((1 + confidence) / 2))
    value = k1 * n2 / (k2 * n1) if k2 else (inf if k1 else nan)
    if 0 < k1 < n1 and 0 < k2 < n2:
        half = z * sqrt(1 / k1 - 1 / n1 + 1 / k2 - 1 / n2)
        low, high, how = value * exp(-half), value * exp(half), "logarithmic"
    elif k1 or k2:
        low, high = _limits(_risk_score(k1, n1, k2, n2), z, value)
        how = "score, because a cell is zero"
    else:
        low = high = nan
        how = "not defined: nobody changed enough in either group"
    return Estimate(value=value, low=low, high=high, confidence=confidence, n=n1 + n2, method=how)


def odds_ratio(k1: int, n1: int, k2: int, n2: int, confidence: float) -> Estimate:
    """Return the ratio of two odds with its interval; NaN if all or none changed in both groups."""
    z = float(ndtri((1 + confidence) / 2))
    cells = (k1, n1 - k1, k2, n2 - k2)
    if all(cells):
        value = (k1 * (n2 - k2)) / ((n1 - k1) * k2)
        half = z * sqrt(sum(1 / cell for cell in cells))
        low, high, how = value * exp(-half), value * exp(half), "logarithmic"
    elif 0 < k1 + k2 < n1 + n2:
        top, bottom = k1 * (n2 - k2), (n1 - k1) * k2
        value = top / bottom if bottom else (inf if top else nan)
        low, high = _limits(_odds_score(k1, n1, k2, n2), z, value)
        how = "score, because a cell is zero"
    else:
        value = low = high = nan
        how = "not defined: all or none changed enough in both groups"
    return Estimate(value=value, low=low, high=high, confidence=confidence, n=n1 + n2, method=how)
