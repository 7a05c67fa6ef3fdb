"""REML for random intercepts on any pattern of missing cells: variances, information, refits on simulated scores.

Written in the space of the random levels (q x q), so the number of scores does
not matter. With relative variances λ, M = I + Λ½ Z'Z Λ½ gives H⁻¹ = (I + ZΛZ')⁻¹;
G = Z'PZ and g = Z'Py (P: H⁻¹ after the fixed part) carry deviance, gradient and
expected information.
"""

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cho_factor, cho_solve

from truechange.numerics.resampling import Floats

AT_ZERO = 1e-7  # a variance smaller than this times the residual is on the boundary


class RemlFit(NamedTuple):
    """Variances of the random terms, the residual last.

    `information`: expected information of the variances; `boundary`: estimated as 0;
    `gradient`: of the deviance per relative variance at the solution, near 0 where not on the boundary.
    """

    variances: Floats
    information: Floats
    boundary: NDArray[np.bool_]
    gradient: Floats
    deviance: float
    converged: bool


class Design:
    """Everything about a layout that does not depend on the scores.

    Parameters
    ----------
    terms : sequence of int arrays
        For each random term the level (0, 1, ...) of every score.
    fixed : ndarray, shape (scores, p)
        Design of the fixed part, full column rank, a column of ones first.
    """

    def __init__(self, terms: Sequence[NDArray[np.integer]], fixed: Floats) -> None:
        self.sizes = [int(term.max()) + 1 for term in terms]
        self.edges = np.concatenate([[0], np.cumsum(self.sizes)])
        self.scores, self.p = fixed.shape
        z = np.zeros((self.scores, self.edges[-1]))
        for start, term in zip(self.edges, terms, strict=False):
            z[np.arange(self.scores), start + term] = 1.0
        self.z, self.x = z, fixed
        self.zz, self.zx, self.xx = z.T @ z, z.T @ fixed, fixed.T @ fixed

    def spread(self, per_term: Floats) -> Floats:
        """Repeat one number a term over its levels."""
        return np.repeat(per_term, self.sizes)

    def block_sums(self, square: Floats) -> Floats:
        """Sum a q x q array over the blocks of terms."""
        starts = self.edges[:-1]
        return np.add.reduceat(np.add.reduceat(square, starts, axis=0), starts, axis=1)


class _State(NamedTuple):
    deviance: float
    gradient: Floats
    big_g: Floats
    rss: float


def _state(design: Design, relative: Floats, zy: Floats, xy: Floats, yy: float) -> _State:
    root = design.spread(np.sqrt(relative))
    m = root[:, None] * design.zz * root
    m[np.diag_indices_from(m)] += 1.0
    factor = cho_factor(m, lower=True, check_finite=False)
    half = root[:, None] * np.column_stack([design.zz, design.zx, zy])
    inner = cho_solve(factor, half, check_finite=False)
    q, p = design.zz.shape[0], design.p
    left_z, left_x, left_y = half[:, :q], half[:, q : q + p], half[:, -1]
    # Z'H⁻¹Z and so on, by the matrix inversion lemma
    z_z = design.zz - left_z.T @ inner[:, :q]
    z_x = design.zx - left_z.T @ inner[:, q : q + p]
    x_x = design.xx - left_x.T @ inner[:, q : q + p]
    z_y = zy - left_z.T @ inner[:, -1]
    x_y = xy - left_x.T @ inner[:, -1]
    y_y = yy - left_y @ inner[:, -1]
    fixed = np.linalg.solve(x_x, x_y)
    rss = float(y_y - x_y @ fixed)
    big_g = z_z - z_x @ np.linalg.solve(x_x, z_x.T)
    small_g = z_y - z_x @ fixed
    free = design.scores - p
    starts = design.edges[:-1]
    traces = np.add.reduceat(np.diag(big_g), starts)
    squares = np.add.reduceat(small_g**2, starts)
    log_det = 2 * np.sum(np.log(np.diag(factor[0]))) + np.linalg.slogdet(x_x)[1]
    deviance = float(log_det + free * (1 + np.log(2 * np.pi * rss / free)))
    return _State(deviance, traces - free * squares / rss, big_g, rss)


def _information(design: Design, state: _State, relative: Floats, residual: float) -> Floats:
    blocks = design.block_sums(state.big_g**2)
    traces = np.add.reduceat(np.diag(state.big_g), design.edges[:-1])
    with_error = traces - blocks @ relative
    free = design.scores - design.p
    error = free - relative @ traces - relative @ with_error
    full = np.block([[blocks, with_error[:, None]], [with_error[None, :], np.array([[error]])]])
    return full / (2 * residual**2)


def fit_reml(design: Design, scores: Floats, start: Floats | None = None) -> RemlFit:
    """Maximise the restricted likelihood over the relative variances, each at least 0.

    Raises
    ------
    ValueError
        The residual variance is 0: the random terms explain the scores completely.
    """
    from scipy.optimize import minimize

    centre = scores.mean()
    y = scores - centre
    zy, xy, yy = design.z.T @ y, design.x.T @ y, float(y @ y)
    terms = len(design.sizes)

    def deviance(theta: Floats) -> tuple[float, Floats]:
        state = _state(design, theta**2, zy, xy, yy)
        return state.deviance, 2 * theta * state.gradient

    theta = np.full(terms, 1.0) if start is None else np.sqrt(np.maximum(start, 0.05))
    for _ in range(3):
        found = minimize(
            deviance,
            theta,
            jac=True,
            method="L-BFGS-B",
            bounds=[(0.0, 1e4)] * terms,
            options={"ftol": 1e-14, "gtol": 1e-8},
        )
        relative = found.x**2
        relative[relative < AT_ZERO] = 0.0
        state = _state(design, relative, zy, xy, yy)
        # at 0 the derivative by the standard deviation vanishes; the one by the variance must not point inwards
        stuck = (relative == 0) & (state.gradient < -1e-6 * design.scores)
        if not stuck.any():
            break
        theta = np.where(stuck, 0.3, found.x)
    residual = state.rss / (design.scores - design.p)
    if residual <= 1e-14 * yy / design.scores:
        raise ValueError("the random terms explain the scores completely; no residual variance is left")
    boundary = np.append(relative == 0, False)
    flat = np.abs(np.where(relative > 0, state.gradient * relative, 0.0)).max() if terms else 0.0
    return RemlFit(
        np.append(relative, 1.0) * residual,
        _information(design, state, relative, residual),
        boundary,
        state.gradient,
        state.deviance,
        bool(flat < 1e-3 * design.scores and not stuck.any()),
    )


def log_normal_draws(fit: RemlFit, size: int, seed: int) -> Floats:
    """Draw variances whose logarithms are normal about the estimate (expected information); none on the boundary."""
    scale = fit.variances
    covariance = np.linalg.inv(fit.information * scale[:, None] * scale)
    rng = np.random.default_rng(seed)
    return np.exp(rng.multivariate_normal(np.log(scale), covariance, size=size, method="cholesky"))


def bootstrap_draws(design: Design, fit: RemlFit, size: int, seed: int) -> Floats:
    """Refit `size` sets of scores simulated from the fit (parametric bootstrap); failed refits are NaN rows."""
    rng = np.random.default_rng(seed)
    sds = np.sqrt(fit.variances)
    draws = np.full((size, sds.size), np.nan)
    start = fit.variances[:-1] / fit.variances[-1]
    for row in range(size):
        levels = rng.standard_normal(design.edges[-1]) * design.spread(sds[:-1])
        simulated = design.z @ levels + sds[-1] * rng.standard_normal(design.scores)
        try:
            draws[row] = fit_reml(design, simulated, start).variances
        except (ValueError, np.linalg.LinAlgError):
            continue
    return draws
