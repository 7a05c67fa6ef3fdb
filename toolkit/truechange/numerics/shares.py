"""Interval of a share, elementwise; every room that shows one calls this."""

from statistics import NormalDist

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]
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
