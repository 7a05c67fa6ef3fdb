"""Control charts (statistical process control): p′ and XmR limits, and the run rules, on arrays of periods in order."""

from math import pi, sqrt

import numpy as np
from numpy.typing import ArrayLike, NDArray

from truechange.numerics.resampling import Floats

MEAN_RANGE = 2 / sqrt(pi)  # mean distance of two draws from one normal distribution, in its SD: 1.128
SIGMAS = 3.0  # Shewhart 1931
FEWEST = 12  # periods; with fewer, limits from so few ranges move too much: a run chart
RUN, TREND = 8, 6  # in a row on one side (Western Electric 1956), rising or falling (Nelson 1984)
SHIFT, RISE = 6, 5  # the same on a run chart, around the median (Perla and others 2011)


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
