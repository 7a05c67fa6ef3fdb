"""Ordered probit regression of many resamples at once: one slope, one threshold between neighbouring categories."""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri

from truechange.numerics.binary_models import RUNAWAY, STEP_DONE
from truechange.numerics.kinds import gathered
from truechange.numerics.resampling import Floats

ROUNDS = 60
FAR = 40.0  # stands for an infinite limit: the normal density there is exactly zero


class OrderedFits(NamedTuple):
    """`slope` (R,) and `thresholds` (R, categories - 1), ascending; NaN where there is no maximum."""

    slope: Floats
    thresholds: Floats


def fit_ordered(
    x: Floats, category: NDArray[np.intp], counts: Floats, *, start: OrderedFits | None = None
) -> OrderedFits:
    """Fit P(category >= j | x) = Phi(slope x - threshold_j) to each row of counts.

    Parameters
    ----------
    x : ndarray, shape (K,)
        Predictor of each kind.
    category : ndarray of int, shape (K,)
        Category of each kind, 0 to J - 1.
    counts : ndarray, shape (R, K)
        People of each kind.
    start : OrderedFits, optional
        The full sample's fit, to start its resamples from.

    Returns
    -------
    OrderedFits
        A category empty in a row leaves its two thresholds equal; empty outer categories have none (NaN).
    """
    size = int(category.max()) + 1
    slope, thresholds = np.full(len(counts), np.nan), np.full((len(counts), size - 1), np.nan)
    total = counts.sum(axis=0)
    centre = total @ x / total.sum()
    spread = np.sqrt(total @ (x - centre) ** 2 / total.sum())
    if spread == 0:
        return OrderedFits(slope, thresholds)
    z = (x - centre) / spread
    patterns, which = np.unique(gathered(counts, category, size) > 0, axis=0, return_inverse=True)
    for number, pattern in enumerate(patterns):
        levels = np.flatnonzero(pattern)
        if levels.size < 2:
            continue
        rows, cells = np.flatnonzero(which.reshape(-1) == number), pattern[category]
        guess = None
        if start is not None and np.isfinite(start.slope).all():
            kept = start.thresholds[0, levels[1:] - 1] - start.slope[0] * centre
            guess = np.concatenate([[start.slope[0] * spread], kept])
            guess = guess if np.isfinite(guess).all() else None
        relabelled = np.searchsorted(levels, category[cells])
        theta = _newton(z[cells], relabelled, counts[np.ix_(rows, cells)], levels.size, guess)
        slope[rows] = theta[:, 0] / spread
        owner = np.searchsorted(levels, np.arange(1, size))  # the threshold that "at least j" falls on
        inside = (owner >= 1) & (owner < levels.size)
        shifted = theta[:, 1:] + (slope[rows] * centre)[:, None]
        thresholds[np.ix_(rows, inside)] = shifted[:, owner[inside] - 1]
    return OrderedFits(slope, thresholds)


def _newton(z: Floats, category: NDArray[np.intp], counts: Floats, size: int, guess: Floats | None) -> Floats:
    p = size
    limits = np.vstack([np.eye(size - 1), np.zeros(size - 1)])
    is_top, is_bottom = category == size - 1, category == 0
    upper = np.column_stack([np.where(is_top, 0.0, -z), limits[np.where(is_top, size - 1, category)]])
    lower = np.column_stack([np.where(is_bottom, 0.0, -z), limits[category - 1]])
    pairs = np.array([(i, j) for i in range(p) for j in range(i, p)])
    first, second = pairs.T
    outer_u, outer_l = upper[:, first] * upper[:, second], lower[:, first] * lower[:, second]
    crossed = upper[:, first] * lower[:, second] + lower[:, first] * upper[:, second]
    theta = np.empty((len(counts), p))
    if guess is None:
        share = np.cumsum(gathered(counts, category, size), axis=1)
        theta[:, 0], theta[:, 1:] = 0.0, ndtri(share[:, :-1] / share[:, -1:])
    else:
        theta[:] = guess
    active, weight = np.arange(len(counts)), counts
    for _ in range(ROUNDS):
        if active.size == 0:
            break
        up, low = theta[active] @ upper.T + FAR * is_top, theta[active] @ lower.T - FAR * is_bottom
        flip = np.where(up + low > 0, -1.0, 1.0)
        mass = np.maximum(flip * (ndtr(flip * up) - ndtr(flip * low)), 1e-300)
        a, b = (np.exp(-0.5 * v * v) / np.sqrt(2 * np.pi) / mass for v in (up, low))
        score = (weight * a) @ upper - (weight * b) @ lower
        info = (weight * a * (a + up)) @ outer_u + (weight * b * (b - low)) @ outer_l - (weight * a * b) @ crossed
        full = np.empty((active.size, p, p))
        full[:, first, second] = full[:, second, first] = info
        full += (1e-12 * np.trace(full, axis1=1, axis2=2)[:, None, None] + 1e-300) * np.eye(p)
        step = np.linalg.solve(full, score[:, :, None])[:, :, 0]
        step *= _room(theta[active], step)[:, None]
        theta[active] += step
        going = (np.abs(step).max(axis=1) > STEP_DONE) & (np.abs(theta[active, 0]) < RUNAWAY)
        if going.sum() < active.size:
            active, weight = active[going], weight[going]
    theta[active] = np.nan
    theta[~(np.abs(theta[:, 0]) < RUNAWAY)] = np.nan
    return theta


def _room(theta: Floats, step: Floats) -> Floats:
    """Return how much of each step keeps the thresholds in order and moves nothing by more than 4."""
    gap, change = np.diff(theta[:, 1:], axis=1), np.diff(step[:, 1:], axis=1)
    fits = np.where(change < 0, 0.9 * gap / np.maximum(-change, 1e-300), 1.0).min(axis=1, initial=1.0)
    return np.minimum(fits, 4.0 / np.maximum(np.abs(step).max(axis=1), 4.0))
