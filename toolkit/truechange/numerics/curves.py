"""Logistic, probit and ordered probit regression of many resamples at once, by Newton's method on grouped counts."""

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit, log_expit, log_ndtr, ndtr, ndtri

from truechange.numerics.resampling import Floats, gathered, scratch

STEP_NEAR = 1e-3
STEP_DONE = 1e-4  # Newton squares the error: the step after this one would be about 1e-8
ROUNDS = 40
TINY = 1e-30
ROOT = float(1 / np.sqrt(2 * np.pi))
RUNAWAY = 15.0  # a standardised slope beyond this is separation, not an effect


class BinaryFits(NamedTuple):
    """Coefficients of R fits: `intercept` (R,), `slope` (R,) or (R, q); NaN where no maximum exists (`failed`)."""

    intercept: Floats
    slope: Floats
    failed: NDArray[np.bool_]


def fit_outcomes(x: Floats, hits: Floats, misses: Floats, *, link: str, start: Floats | None = None) -> BinaryFits:
    """Fit P(hit | x) = F(intercept + slope x) to each row of counts.

    Parameters
    ----------
    x : ndarray, shape (K,) or (K, q)
        Distinct values of the predictor(s); ascending if one-dimensional.
    hits, misses : ndarray of float, shape (R, K)
        People with and without the event at each value; fractions are allowed.
    link : {"logit", "probit"}
        F is the logistic or the standard normal distribution.
    start : ndarray, shape (1 + q,), optional
        Coefficients to start from, the full sample's for its resamples: the first step is then one matrix product.

    Returns
    -------
    BinaryFits
        Maximum-likelihood fits; separable rows (hits and misses do not overlap) fail by an exact rule if x is one
        column, else by divergence.
    """
    columns = x[:, None] if x.ndim == 1 else x
    weight = hits.sum(axis=0) + misses.sum(axis=0)
    centre = weight @ columns / weight.sum()
    spread = np.sqrt(np.maximum(weight @ (columns - centre) ** 2 / weight.sum(), 0.0))
    rows, q = hits.shape[0], columns.shape[1]
    if np.any(spread == 0):
        return _unscaled(np.full((rows, q + 1), np.nan), np.ones(rows, dtype=bool), centre, np.ones(q), x.ndim)
    design = np.column_stack([np.ones(len(columns)), (columns - centre) / spread])
    failed = separable(hits, misses) if x.ndim == 1 else (hits.sum(axis=1) == 0) | (misses.sum(axis=1) == 0)
    theta = _newton(design, hits, misses, failed, link, _start(start, hits, misses, centre, spread, link))
    failed = failed | ~np.isfinite(theta).all(axis=1) | (np.abs(theta[:, 1:]) > RUNAWAY).any(axis=1)
    return _unscaled(theta, failed, centre, spread, x.ndim)


def separable(hits: Floats, misses: Floats) -> NDArray[np.bool_]:
    """Whether the values of hits and misses do not overlap (or one class is empty), columns in ascending order."""
    k = hits.shape[1]
    hit, miss = hits > 0, misses > 0
    first_hit, first_miss = hit.argmax(axis=1), miss.argmax(axis=1)
    last_hit, last_miss = k - 1 - hit[:, ::-1].argmax(axis=1), k - 1 - miss[:, ::-1].argmax(axis=1)
    one_class = ~hit.any(axis=1) | ~miss.any(axis=1)
    return one_class | (first_hit >= last_miss) | (first_miss >= last_hit)


def parted_middle(x: Floats, hits: Floats, misses: Floats) -> Floats:
    """Return the middle of the gap above the last miss and below the first hit; NaN where they overlap."""
    first_hit, last_miss = (hits > 0).argmax(axis=1), x.size - 1 - (misses > 0)[:, ::-1].argmax(axis=1)
    parted = (hits > 0).any(axis=1) & (misses > 0).any(axis=1) & (first_hit >= last_miss)
    return np.where(parted, (x[first_hit] + x[last_miss]) / 2, np.nan)


def _start(
    start: Floats | None, hits: Floats, misses: Floats, centre: Floats, spread: Floats, link: str
) -> tuple[Floats, bool]:
    """Return standardised starting values (R, p), and whether all rows share them."""
    if start is not None and np.isfinite(start).all():
        shared = np.concatenate([[start[0] + start[1:] @ centre], start[1:] * spread])
        return np.tile(shared, (len(hits), 1)), True
    theta = np.zeros((len(hits), 1 + centre.size))
    n_hit, n_miss = hits.sum(axis=1), misses.sum(axis=1)
    share = np.clip(n_hit / np.maximum(n_hit + n_miss, 1e-300), 1e-3, 1 - 1e-3)
    theta[:, 0] = np.log(share / (1 - share)) if link == "logit" else ndtri(share)
    return theta, False


def _unscaled(theta: Floats, failed: NDArray[np.bool_], centre: Floats, spread: Floats, ndim: int) -> BinaryFits:
    theta = np.where(failed[:, None], np.nan, theta)
    slope = theta[:, 1:] / spread
    intercept = theta[:, 0] - slope @ centre
    return BinaryFits(intercept, slope[:, 0] if ndim == 1 else slope, failed)


def _newton(
    design: Floats, hits: Floats, misses: Floats, skip: NDArray[np.bool_], link: str, start: tuple[Floats, bool]
) -> Floats:
    """Return the maximum of each row.

    A start shared by all rows makes the first step one matrix product; many rows come near in single precision
    before the last steps in double precision.
    """
    theta, shared = start
    p = design.shape[1]
    pairs = [(i, j) for i in range(p) for j in range(i, p)]
    squares = np.column_stack([design[:, i] * design[:, j] for i, j in pairs])
    active = np.flatnonzero(~skip)
    if shared:
        pull, push, v_hit, v_miss = (piece.T for piece in _pieces(theta[:1] @ design.T, link))
        score = hits @ (design * pull) - misses @ (design * push)
        theta = theta + _step(score, hits @ (squares * v_hit) + misses @ (squares * v_miss), pairs)
        single = scratch("single", (2, *hits.shape), np.float32)
        single[0], single[1] = hits, misses
        _climb(theta, active, design.astype(np.float32), squares.astype(np.float32), single, pairs, link, STEP_NEAR)
    going = _climb(theta, active, design, squares, (hits, misses), pairs, link, STEP_DONE)
    theta[going] = np.nan
    return theta


def _climb(
    theta: Floats, active: NDArray[np.intp], design: NDArray[Any], squares: NDArray[Any], sides: Any,
    pairs: list[tuple[int, int]], link: str, near: float,
) -> NDArray[np.intp]:  # fmt: skip
    """Move the `active` rows of `theta` (in place) until their step is below `near`; return those that never were.

    `sides`: hits and misses.
    """
    h, m = sides if active.size == len(theta) else (side[active] for side in sides)
    across = np.ascontiguousarray(design.T)
    work = scratch("climb", (3, *h.shape), h.dtype)
    for _ in range(ROUNDS):
        if active.size == 0:
            break
        eta, spare, other = (part[: active.size] for part in work)
        np.matmul(theta[active].astype(h.dtype), across, out=eta)
        moments = _logit_moments if link == "logit" else _probit_moments
        score, info = moments(eta, spare, other, h, m, design, squares)
        step = _step(score.astype(float), info.astype(float), pairs)
        theta[active] += step
        going = (np.abs(step).max(axis=1) > near) & (np.abs(theta[active]).max(axis=1) < 2 * RUNAWAY)
        if not going.any():
            active = active[:0]
        elif going.mean() < 0.7:
            active, h, m = active[going], h[going], m[going]
    return active


def _logit_moments(
    eta: NDArray[Any], spare: NDArray[Any], _: NDArray[Any], h: NDArray[Any], m: NDArray[Any], design: Any, squares: Any
) -> tuple[NDArray[Any], NDArray[Any]]:
    """Return score and information of each row; the work arrays are overwritten."""
    with np.errstate(over="ignore"):
        np.exp(eta, out=eta)
    eta += 1
    np.reciprocal(eta, out=eta)  # the chance of a miss
    np.add(h, m, out=spare)
    spare *= eta
    score, info = spare @ design - m @ design, spare @ squares
    spare *= eta
    return score, info - spare @ squares


def _probit_moments(
    eta: NDArray[Any], spare: NDArray[Any], other: NDArray[Any], h: NDArray[Any], m: NDArray[Any], design: Any,
    squares: Any,
) -> tuple[NDArray[Any], NDArray[Any]]:  # fmt: skip
    """Return score and information of each row; the work arrays are overwritten."""
    np.abs(eta, out=spare)
    np.negative(spare, out=spare)
    ndtr(spare, out=spare)
    np.maximum(spare, TINY, out=spare)  # the smaller of both chances: never 1 minus a number close to 1
    upward = eta > 0
    np.multiply(eta, eta, out=other)
    other *= -0.5
    np.exp(other, out=other)
    other *= ROOT
    pull, push = scratch("probit", (2, *eta.shape), eta.dtype)
    np.divide(other, spare, out=push)
    np.subtract(1, spare, out=spare)
    other /= spare
    np.copyto(pull, push)
    np.copyto(pull, other, where=upward)
    np.copyto(push, other, where=~upward)
    np.multiply(h, pull, out=spare)
    pull += eta
    pull *= spare
    np.multiply(m, push, out=other)
    push -= eta
    push *= other
    pull += push
    spare -= other
    return spare @ design, pull @ squares


def _pieces(eta: Floats, link: str) -> tuple[Floats, Floats, Floats, Floats]:
    """Return the derivative of the log-likelihood for a hit and a miss, and minus their second derivatives."""
    if link == "logit":
        hit = expit(eta)
        return 1 - hit, hit, hit * (1 - hit), hit * (1 - hit)
    height = ROOT * np.exp(-0.5 * eta * eta)
    pull, push = height / np.maximum(ndtr(eta), TINY), height / np.maximum(ndtr(-eta), TINY)
    return pull, push, pull * (pull + eta), push * (push - eta)


def _step(score: Floats, info: Floats, pairs: list[tuple[int, int]]) -> Floats:
    """Solve the p x p systems of all rows; a step is never longer than 4 standardised units."""
    p = score.shape[1]
    if p == 2:
        a, b, c = info.T
        det = a * c - b * b
        det = np.where(det > 1e-12 * a * c, det, np.inf)
        step: Floats = np.empty_like(score)
        step[:, 0] = (c * score[:, 0] - b * score[:, 1]) / det
        step[:, 1] = (a * score[:, 1] - b * score[:, 0]) / det
    else:
        step = _solved(score, info, *np.transpose(pairs))
    length = np.abs(step).max(axis=1, keepdims=True)
    return step * np.minimum(1.0, 4.0 / np.maximum(length, 1e-300))


def _solved(score: Floats, info: Floats, first: NDArray[np.intp], second: NDArray[np.intp]) -> Floats:
    """Return the Newton step of every row; column c of `info` stands at (first[c], second[c]) of its matrix."""
    p = score.shape[1]
    full = np.empty((len(score), p, p))
    full[:, first, second] = full[:, second, first] = info
    # a ridge far below rounding: rows without information are solved too, and fail afterwards by their coefficients
    full += (1e-12 * np.trace(full, axis1=1, axis2=2)[:, None, None] + 1e-300) * np.eye(p)
    return np.asarray(np.linalg.solve(full, score[:, :, None])[:, :, 0], dtype=float)


def fit_penalised(x: Floats, hits: Floats, misses: Floats, *, link: str) -> tuple[float, float]:
    """Fit one separable sample with Jeffreys' penalty, half the log determinant of the information added.

    Firth 1993, Biometrika 80:27-38 (from memory). Finite coefficients always exist; their Wald interval is
    meaningless. `x`, `hits`, `misses` have shape (K,).
    """
    from scipy.optimize import minimize

    total = hits + misses
    centre = total @ x / total.sum()
    spread = np.sqrt(total @ (x - centre) ** 2 / total.sum())
    design = np.column_stack([np.ones_like(x), (x - centre) / spread])
    log_f = log_expit if link == "logit" else log_ndtr

    def loss(theta: Floats) -> float:
        eta = design @ theta
        fit = hits @ log_f(eta) + misses @ log_f(-eta)
        weight = total * np.exp(_log_information(eta, link))
        return -float(fit + 0.5 * np.linalg.slogdet(design.T @ (design * weight[:, None]))[1])

    best = minimize(loss, np.zeros(2), method="Nelder-Mead", options={"xatol": 1e-8, "fatol": 1e-10, "maxiter": 4000})
    slope = best.x[1] / spread
    return float(best.x[0] - slope * centre), float(slope)


def _log_information(eta: Floats, link: str) -> Floats:
    """Return the log of the expected information of one person at each linear predictor."""
    if link == "logit":
        return log_expit(eta) + log_expit(-eta)
    return -(eta**2) - np.log(2 * np.pi) - log_ndtr(eta) - log_ndtr(-eta)


ORDERED_ROUNDS = 60
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
        theta = _newton_ordered(z[cells], relabelled, counts[np.ix_(rows, cells)], levels.size, guess)
        slope[rows] = theta[:, 0] / spread
        owner = np.searchsorted(levels, np.arange(1, size))  # the threshold that "at least j" falls on
        inside = (owner >= 1) & (owner < levels.size)
        shifted = theta[:, 1:] + (slope[rows] * centre)[:, None]
        thresholds[np.ix_(rows, inside)] = shifted[:, owner[inside] - 1]
    return OrderedFits(slope, thresholds)


def ordered_lean(x: Floats, category: NDArray[np.intp], counts: Floats) -> float:
    """Return the score statistic for skewed residuals of an ordered probit: normal (0, 1) where they are symmetric.

    Positive: a long tail of residuals upwards. Score of the third Hermite term of the residual's density (Bera, Jarque
    & Lee 1984, from memory) over its standard error, expected information, slope and thresholds estimated.

    Parameters
    ----------
    x, category, counts : ndarray, shape (K,)
        Predictor, category (0 to J - 1, none empty) and people of each kind.
    """
    fit = fit_ordered(x, category, counts[None])
    limits = np.concatenate([[-FAR], fit.thresholds[0], [FAR]])
    edges = limits - fit.slope[0] * x[:, None]
    height = ROOT * np.exp(-0.5 * edges**2)
    chance = np.maximum(np.diff(ndtr(edges), axis=1), 1e-12)
    third = (2 + edges**2) * height
    lean = -np.diff(third, axis=1) / chance  # mean of the cubed residual in each category
    at = np.eye(limits.size)[:, 1:-1] * height[:, :, None]
    shifts = np.diff(at, axis=1) / chance[:, :, None]  # derivative by each threshold
    slope = np.diff(height, axis=1) / chance * -x[:, None]
    scores = np.concatenate([shifts, slope[:, :, None], lean[:, :, None]], axis=2)
    info = np.einsum("k,kj,kjp,kjq->pq", counts, chance, scores, scores)
    rest = info[-1, -1] - info[-1, :-1] @ np.linalg.solve(info[:-1, :-1], info[:-1, -1])
    return float(counts @ lean[np.arange(x.size), category] / np.sqrt(rest)) if rest > 0 else np.nan


def _newton_ordered(z: Floats, category: NDArray[np.intp], counts: Floats, size: int, guess: Floats | None) -> Floats:
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
    for turn in range(ORDERED_ROUNDS):
        if active.size == 0:
            break
        here = theta[active] if turn or guess is None else theta[:1]  # a start that all rows share is looked at once
        up, low = here @ upper.T + FAR * is_top, here @ lower.T - FAR * is_bottom
        high = up + low > 0  # the smaller tails: never 1 minus a number close to 1
        mass = ndtr(np.where(high, -low, up))
        mass -= ndtr(np.where(high, -up, low))
        np.maximum(mass, 1e-300, out=mass)
        a, b = (np.exp(-0.5 * v * v) / mass * ROOT for v in (up, low))
        pull, push = weight * a, weight * b
        score = pull @ upper - push @ lower
        info = (pull * (a + up)) @ outer_u + (push * (b - low)) @ outer_l - (pull * b) @ crossed
        step = _solved(score, info, first, second)
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
