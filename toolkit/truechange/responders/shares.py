"""A share of people and its interval; the denominator is whoever started."""

from collections.abc import Callable
from math import inf
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import betaincinv

from truechange.foundation.errors import DataError, check_choice, check_confidence, in_short
from truechange.foundation.estimate import Estimate
from truechange.foundation.numbers import reaches
from truechange.numerics.shares import wilson_limits

Floats = NDArray[np.float64]


def exact_limits(k: ArrayLike, n: ArrayLike, confidence: float = 0.95) -> tuple[Floats, Floats]:
    """Return Clopper and Pearson's exact limits for `k` of `n`, elementwise; NaN where `n` is 0."""
    k, n = np.asarray(k, dtype=float), np.asarray(n, dtype=float)
    tail = (1 - confidence) / 2
    with np.errstate(invalid="ignore"):
        low = np.where(k == 0, 0.0, betaincinv(np.maximum(k, 1), n - k + 1, tail))
        high = np.where(k == n, 1.0, betaincinv(k + 1, np.maximum(n - k, 1), 1 - tail))
    return np.where(n > 0, low, np.nan), np.where(n > 0, high, np.nan)


LIMITS: dict[str, tuple[Callable[..., tuple[Floats, Floats]], str]] = {
    "wilson": (wilson_limits, "Wilson score"),
    "exact": (exact_limits, "Clopper-Pearson exact"),
}


def check_count(k: Any, n: Any, *, k_name: str = "k", n_name: str = "n") -> tuple[int, int]:
    """Return `k` and `n` as whole numbers with 0 ≤ k ≤ n and n ≥ 1.

    Raises
    ------
    DataError
        Not whole, negative, more than `n`, or nobody at all.
    """
    for name, given in ((k_name, k), (n_name, n)):
        if not _whole(given):
            raise DataError(f"{name}={in_short(given)} must be a whole number of people, at least 0.")
    if n == 0:
        raise DataError(f"{n_name}=0: nobody started, so there is no share to compute.")
    if k > n:
        raise DataError(f"{k_name}={k} is more than {n_name}={n}: count the people who started in {n_name}.")
    return int(k), int(n)


def how_many(changes: Any, threshold: float) -> int:
    """Return how many changes are at least the threshold, floating-point noise aside; missing ones are not."""
    return int(np.count_nonzero(reaches(changes, threshold)))


def _whole(given: Any) -> bool:
    try:
        return 0 <= given < inf and int(given) == given
    except (TypeError, ValueError):
        return False


def proportion(k: int, n: int, confidence: float = 0.95, method: str = "wilson") -> Estimate:
    """Estimate a share of people with its interval.

    Parameters
    ----------
    k : int
        People who changed enough.
    n : int
        People who started; those who never came back count here.
    confidence : float, optional
        Level of the interval.
    method : {"wilson", "exact"}, optional
        Wilson's score interval, or Clopper and Pearson's (never covers less than stated, wider).

    Returns
    -------
    Estimate

    Raises
    ------
    DataError
        `k` and `n` are not whole numbers with 0 ≤ k ≤ n, or nobody started.
    ChoiceError
        `method` or `confidence` is not available.

    References
    ----------
    Newcombe RG (1998). Stat Med 17:857-872.

    Examples
    --------
    >>> print(proportion(18, 30))
    0.60 (95% CI 0.42 to 0.75)
    >>> print(proportion(0, 12))
    0.00 (95% CI 0.00 to 0.24)
    """
    check_choice("method", method, tuple(LIMITS))
    check_confidence(confidence)
    k, n = check_count(k, n)
    limits, words = LIMITS[method]
    low, high = limits(k, n, confidence)
    return Estimate(value=k / n, low=float(low), high=float(high), confidence=confidence, n=n, method=words)
