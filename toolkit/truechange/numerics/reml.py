"""REML for random intercepts on any pattern of missing cells: many sets of scores at once.

The first term (people) cuts the covariance into small blocks; terms within it
stay inside a block, crossed terms (trials, sessions, raters) have few levels.
With R the inverse of the blocks, W = [crossed, fixed] and U = RW, the projected
inverse is P = R - U K U', so nothing larger than a block or W'W is ever formed.
Fisher scoring settles in a few steps, on balanced data in one.
"""

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from truechange.numerics.resampling import Floats

NO_ERROR = 1e-7  # a residual variance below this share of the whole leaves no error to speak of
CHUNK = 200


class RemlFit(NamedTuple):
    """Variances of the random terms, the residual last.

    `information`: expected information of the variances; `boundary`: estimated as 0;
    `score`: slope of the log-likelihood per variance at the solution, 0 off the boundary, negative on it.
    """

    variances: Floats
    information: Floats
    boundary: NDArray[np.bool_]
    score: Floats
    deviance: float
    converged: bool


class Design:
    """Everything about a layout that does not depend on the scores.

    Parameters
    ----------
    terms : sequence of int arrays
        For each random term the level (0, 1, ...) of every score; the first one cuts the blocks.
    fixed : ndarray, shape (scores, p)
        Design of the fixed part, full column rank, a column of ones first.
    """

    def __init__(self, terms: Sequence[NDArray[np.integer]], fixed: Floats) -> None:
        block = np.asarray(terms[0])
        self.terms = [np.asarray(term) for term in terms]
        self.scores, self.p = fixed.shape
        place = np.zeros(self.scores, dtype=int)
        for person in range(int(block.max()) + 1):
            place[block == person] = np.arange(np.sum(block == person))
        self.where = (block, place)
        self.shape = (int(block.max()) + 1, int(place.max()) + 1)
        self.inside = [len(set(zip(term, block, strict=True))) == len(set(term)) for term in self.terms]
        crossed = [term for term, inside in zip(self.terms, self.inside, strict=True) if not inside]
        self.sizes = [int(term.max()) + 1 for term in crossed]
        columns = [np.eye(size)[term] for term, size in zip(crossed, self.sizes, strict=True)]
        self.w = self.blocks(np.hstack([*columns, fixed]))
        self.present = self.blocks(np.ones(self.scores))
        same = [self.alike(term) for term, inside in zip(self.terms, self.inside, strict=True) if inside]
        self.patterns = np.stack([*same, self.present[:, :, None] * np.eye(self.shape[1])])

    def blocks(self, values: Floats) -> Floats:
        """Lay values of scores (first axis) out as people x places, 0 where a person has fewer scores."""
        out = np.zeros((*self.shape, *values.shape[1:]))
        out[self.where] = values
        return out

    def alike(self, term: NDArray[np.integer]) -> Floats:
        """Return for each block which pairs of its scores share a level."""
        levels = self.blocks(term.astype(float) + 1)
        return ((levels[:, :, None] == levels[:, None, :]) & (levels > 0)[:, :, None]).astype(float)


def _state(design: Design, variances: Floats, y: Floats) -> tuple[Floats, Floats, Floats]:
    """Return deviance, score and expected information; a leading axis of studies throughout."""
    inside = np.append(design.inside, True)
    nested, crossed = variances[:, inside], variances[:, ~inside]
    w, a, c = design.w, design.patterns, sum(design.sizes)
    cover = np.einsum("bj,jnlm->bnlm", nested, a) + (1 - design.present)[:, :, None] * np.eye(design.shape[1])
    r = np.linalg.inv(cover)
    u = r @ w
    s = np.einsum("nlc,bnld->bcd", w, u)
    # K = L (E + L S L)^-1 L: root of the variance for crossed levels, no shrinkage for the fixed part
    root = np.concatenate([np.repeat(np.sqrt(crossed), design.sizes, axis=1), np.ones((len(y), design.p))], axis=1)
    middle = root[:, :, None] * s * root[:, None, :]
    middle[:, np.arange(c), np.arange(c)] += 1.0
    k = root[:, :, None] * np.linalg.inv(middle) * root[:, None, :]
    g = np.einsum("bnlm,bnm->bnl", r, y)
    g = g - np.einsum("bnlc,bc->bnl", u, np.einsum("bcd,bnmd,bnm->bc", k, u, y, optimize=True))
    deviance = np.linalg.slogdet(cover)[1].sum(axis=1) + np.linalg.slogdet(middle)[1] + np.sum(g * y, axis=(1, 2))
    deviance += (design.scores - design.p) * np.log(2 * np.pi)
    ra = np.einsum("bnlm,jnmo->bjnlo", r, a)
    au = np.einsum("jnlm,bnmc->bjnlc", a, u)
    q = np.einsum("bnlc,bjnld->bjcd", u, au)
    kq = np.einsum("bcd,bjde->bjce", k, q)
    across = np.einsum("bjnlc,bnlm,binmd,bdc->bji", au, r, au, k, optimize=True)
    info = np.einsum("bjnlm,binml->bji", ra, ra) - 2 * across + np.einsum("bjcd,bidc->bji", kq, kq)
    traces = np.einsum("bjnll->bj", ra) - np.einsum("bjcc->bj", kq)
    squares = np.einsum("bnl,jnlm,bnm->bj", g, a, g, optimize=True)
    # crossed terms: Z'PZ = S - SKS and PZ = U (I - KS)
    t = (np.eye(k.shape[1]) - k @ s)[:, :, :c]
    big = (s[:, :c] @ t) if c else np.zeros((len(y), 0, 0))
    starts = np.concatenate([[0], np.cumsum(design.sizes)[:-1]]).astype(int) if c else np.zeros(0, dtype=int)
    to_nested = np.einsum("bce,bjcd,bde->bje", t, q, t, optimize=True)
    zg = np.einsum("nlc,bnl->bc", w[:, :, :c], g) ** 2
    if c:
        within = np.add.reduceat(np.add.reduceat(big**2, starts, axis=1), starts, axis=2)
        beside = np.add.reduceat(to_nested, starts, axis=2)
        traces = np.concatenate([traces, np.add.reduceat(np.einsum("bcc->bc", big), starts, axis=1)], axis=1)
        squares = np.concatenate([squares, np.add.reduceat(zg, starts, axis=1)], axis=1)
        info = np.concatenate(
            [np.concatenate([info, beside], axis=2), np.concatenate([beside.swapaxes(1, 2), within], axis=2)], axis=1
        )
    order = np.argsort(np.concatenate([np.flatnonzero(inside), np.flatnonzero(~inside)]))
    return deviance, (squares - traces)[:, order] / 2, info[:, order][:, :, order] / 2


def _settle(
    design: Design, y: Floats, now: Floats, settled: float
) -> tuple[Floats, Floats, Floats, Floats, NDArray[np.bool_]]:
    """Fisher scoring: variances held at 0 where the likelihood falls from there, steps halved when they overshoot."""
    total = np.sum(y**2, axis=(1, 2)) / design.scores
    deviance, score, information = _state(design, now, y)
    going = np.ones(len(y), dtype=bool)
    for _ in range(200):
        at_zero = (now <= 0) & (score <= 0)
        keep = ~at_zero[:, :, None] & ~at_zero[:, None, :]
        matrix = np.where(keep, information, np.eye(now.shape[1]))
        step = np.linalg.solve(matrix, np.where(at_zero, 0.0, score)[:, :, None])[:, :, 0]
        step[~going] = 0.0
        for _ in range(30):
            new = np.maximum(now + step, 0.0)
            new[:, -1] = np.maximum(new[:, -1], 0.1 * NO_ERROR * total)
            found = _state(design, new, y)
            worse = found[0] > deviance + 1e-9 * np.abs(deviance)
            if not worse.any():
                break
            step[worse] /= 2
        going = np.abs(new - now).max(axis=1) > settled * total
        now, (deviance, score, information) = new, found
        if not going.any():
            break
    return now, deviance, score, information, ~going


def fit_reml(design: Design, scores: Floats) -> RemlFit:
    """Maximise the restricted likelihood over variances of at least 0.

    Raises
    ------
    ValueError
        The residual variance is 0: the random terms explain the scores completely.
    """
    y = design.blocks(scores - scores.mean())[None]
    total = float(np.sum(y**2)) / design.scores
    terms = len(design.terms) + 1
    now, deviance, score, information, settled = _settle(design, y, np.full((1, terms), total / terms), 1e-9)
    if now[0, -1] < NO_ERROR * total:
        raise ValueError("the random terms explain the scores completely; no residual variance is left")
    return RemlFit(now[0], information[0], now[0] == 0, score[0], float(deviance[0]), bool(settled[0]))


def log_normal_draws(fit: RemlFit, size: int, seed: int) -> Floats:
    """Draw variances whose logarithms are normal about the estimate (expected information); none on the boundary."""
    scale = fit.variances
    covariance = np.linalg.inv(fit.information * scale[:, None] * scale)
    rng = np.random.default_rng(seed)
    return np.exp(rng.multivariate_normal(np.log(scale), covariance, size=size, method="cholesky"))


def bootstrap_draws(design: Design, fit: RemlFit, size: int, seed: int) -> Floats:
    """Refit `size` sets of scores simulated from the fit (parametric bootstrap); NaN rows where one does not settle."""
    rng = np.random.default_rng(seed)
    sds = np.sqrt(fit.variances)
    parts = []
    for start in range(0, size, CHUNK):
        count = min(CHUNK, size - start)
        simulated = sds[-1] * rng.standard_normal((count, design.scores))
        for sd, term in zip(sds, design.terms, strict=False):
            simulated += sd * rng.standard_normal((count, int(term.max()) + 1))[:, term]
        y = np.moveaxis(design.blocks(simulated.T - simulated.mean(axis=1)), -1, 0)
        begin = np.tile(fit.variances + 0.01 * fit.variances.sum(), (count, 1))
        now, *_, settled = _settle(design, y, begin, 1e-5)
        now[~settled] = np.nan
        parts.append(now)
    return np.concatenate(parts)
