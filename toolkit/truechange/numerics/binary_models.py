"""Logistic and probit regression of many resamples at once, by Newton's method over grouped counts."""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import erfcx, log_expit, log_ndtr, ndtri

from truechange.numerics.resampling import Floats

LINKS = ("logit", "probit")
STEP_DONE = 1e-5  # Newton squares the error: the step after this one would be about 1e-10
ROUNDS = 40
RUNAWAY = 15.0  # a standardised slope beyond this is separation, not an effect
_ROOT_HALF = np.sqrt(0.5)
_MILLS = np.sqrt(2 / np.pi)


class BinaryFits(NamedTuple):
    """Coefficients of R fits: `intercept` (R,), `slope` (R,) or (R, q); NaN where no maximum exists (`failed`)."""

    intercept: Floats
    slope: Floats
    failed: NDArray[np.bool_]


def fit_binary(x: Floats, hits: Floats, total: Floats, *, link: str, start: Floats | None = None) -> BinaryFits:
    """Fit P(hit | x) = F(intercept + slope x) to each row of counts.

    Parameters
    ----------
    x : ndarray, shape (K,) or (K, q)
        Distinct values of the predictor(s); ascending if one-dimensional.
    hits, total : ndarray, shape (R, K)
        People with the event and people in all at each value; fractions are allowed.
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
    centre = total.sum(axis=0) @ columns / total.sum()
    spread = np.sqrt(np.maximum(total.sum(axis=0) @ (columns - centre) ** 2 / total.sum(), 0.0))
    rows, q = hits.shape[0], columns.shape[1]
    if np.any(spread == 0):
        return _unscaled(np.full((rows, q + 1), np.nan), np.ones(rows, dtype=bool), centre, np.ones(q), x.ndim)
    design = np.column_stack([np.ones(len(columns)), (columns - centre) / spread])
    misses = total - hits
    failed = separable(hits, misses) if x.ndim == 1 else (hits.sum(axis=1) == 0) | (misses.sum(axis=1) == 0)
    theta = _newton(design, hits, misses, failed, link, _start(start, hits, total, centre, spread, link))
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
    start: Floats | None, hits: Floats, total: Floats, centre: Floats, spread: Floats, link: str
) -> tuple[Floats, bool]:
    """Return standardised starting values (R, p), and whether all rows share them."""
    if start is not None and np.isfinite(start).all():
        shared = np.concatenate([[start[0] + start[1:] @ centre], start[1:] * spread])
        return np.tile(shared, (len(hits), 1)), True
    theta = np.zeros((len(hits), 1 + centre.size))
    share = np.clip(hits.sum(axis=1) / np.maximum(total.sum(axis=1), 1e-300), 1e-3, 1 - 1e-3)
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
    theta, shared = start
    pairs = [(i, j) for i in range(design.shape[1]) for j in range(i, design.shape[1])]
    squares = np.column_stack([design[:, i] * design[:, j] for i, j in pairs])
    if shared:
        pull, push, v_hit, v_miss = _pieces(theta[:1] @ design.T, link)
        score = hits @ (design * pull.T) - misses @ (design * push.T)
        theta = theta + _step(score, hits @ (squares * v_hit.T) + misses @ (squares * v_miss.T), pairs)
    active = np.flatnonzero(~skip)
    h, m = (hits, misses) if active.size == len(hits) else (hits[active], misses[active])
    for _ in range(ROUNDS):
        if active.size == 0:
            break
        pull, push, v_hit, v_miss = _pieces(theta[active] @ design.T, link)
        if link == "logit":
            score = (h * pull - m * push) @ design
            info = ((h + m) * v_hit) @ squares
        else:
            score = (h * pull - m * push) @ design
            info = (h * v_hit + m * v_miss) @ squares
        step = _step(score, info, pairs)
        theta[active] += step
        going = (np.abs(step).max(axis=1) > STEP_DONE) & (np.abs(theta[active]).max(axis=1) < 2 * RUNAWAY)
        if going.sum() < active.size:
            active, h, m = active[going], h[going], m[going]
    theta[active] = np.nan
    return theta


def _pieces(eta: Floats, link: str) -> tuple[Floats, Floats, Floats, Floats]:
    """Return the derivative of the log-likelihood for a hit and a miss, and minus their second derivatives."""
    if link == "logit":
        miss = 1 / (1 + np.exp(np.clip(eta, -300, 300)))
        hit = 1 - miss
        curve = hit * miss
        return miss, hit, curve, curve
    pull = _MILLS / erfcx(-_ROOT_HALF * eta)
    push = _MILLS / erfcx(_ROOT_HALF * eta)
    return pull, push, pull * (pull + eta), push * (push - eta)


def _step(score: Floats, info: Floats, pairs: list[tuple[int, int]]) -> Floats:
    """Solve the p x p systems of all rows; a step is never longer than 4 standardised units."""
    p = score.shape[1]
    if p == 2:
        a, b, c = info.T
        det = a * c - b * b
        det = np.where(det > 1e-12 * a * c, det, np.inf)
        step = np.column_stack([c * score[:, 0] - b * score[:, 1], a * score[:, 1] - b * score[:, 0]]) / det[:, None]
    else:
        full = np.empty((len(score), p, p))
        for column, (i, j) in enumerate(pairs):
            full[:, i, j] = full[:, j, i] = info[:, column]
        full += 1e-12 * np.trace(full, axis1=1, axis2=2)[:, None, None] * np.eye(p) + 1e-300 * np.eye(p)
        step = np.linalg.solve(full, score[:, :, None])[:, :, 0]
    length = np.abs(step).max(axis=1, keepdims=True)
    return step * np.minimum(1.0, 4.0 / np.maximum(length, 1e-300))


def fit_penalised(x: Floats, hits: Floats, total: Floats, *, link: str) -> tuple[float, float]:
    """Fit one separable sample with Jeffreys' penalty, half the log determinant of the information added.

    Firth 1993, Biometrika 80:27-38 (from memory). Finite coefficients always exist; their Wald interval is
    meaningless. `x`, `hits`, `total` have shape (K,).
    """
    from scipy.optimize import minimize

    centre = total @ x / total.sum()
    spread = np.sqrt(total @ (x - centre) ** 2 / total.sum())
    design = np.column_stack([np.ones_like(x), (x - centre) / spread])
    log_f = log_expit if link == "logit" else log_ndtr

    def loss(theta: Floats) -> float:
        eta = design @ theta
        fit = hits @ log_f(eta) + (total - hits) @ log_f(-eta)
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


def deviance(x: Floats, hits: Floats, total: Floats, intercept: float, slope: Floats | float, *, link: str) -> float:
    """Return minus twice the log-likelihood of one fit over grouped counts of shape (K,)."""
    eta = intercept + (x * slope if x.ndim == 1 else x @ np.asarray(slope))
    log_f = log_expit if link == "logit" else log_ndtr
    return -2 * float(hits @ log_f(eta) + (total - hits) @ log_f(-eta))
