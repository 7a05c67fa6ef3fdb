"""Variances of people, trials and error: mean squares of complete tables and the ICCs from them; REML with gaps.

REML fits random intercepts on any pattern of missing cells, many sets of scores at once. The first term (people) cuts
the covariance into small blocks; terms within it stay inside a block, crossed terms (trials, sessions, raters) have few
levels. With R the inverse of the blocks, W = [crossed, fixed] and U = RW, the projected inverse is P = R - U K U', so
nothing larger than a block or W'W is ever formed. Fisher scoring settles in a few steps, on balanced data in one.
"""

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtri, fdtri

from truechange.numerics.resampling import Floats, resampled_sums

FORMS = ("ICC(1)", "ICC(A,1)", "ICC(C,1)", "ICC(k)", "ICC(A,k)", "ICC(C,k)")


class MeanSquares(NamedTuple):
    """Mean squares of an n x k table; each may be a number or an array of studies.

    `persons`, `trials`, `error`: the two-way table; `within`: persons left out of account (one-way).
    """

    persons: Floats
    trials: Floats
    error: Floats
    within: Floats
    n: int
    k: int

    @property
    def df(self) -> dict[str, int]:
        """Degrees of freedom of each mean square."""
        n, k = self.n, self.k
        return {"persons": n - 1, "trials": k - 1, "error": (n - 1) * (k - 1), "within": n * (k - 1)}


def mean_squares(table: Floats) -> MeanSquares:
    """Return the mean squares of a complete table, people in rows and trials in columns.

    Sums of squared residuals about the fitted means, not differences of raw
    sums, so that large constant digits cost as little precision as possible.
    Leading axes are studies: shape (..., n, k).
    """
    n, k = table.shape[-2:]
    least = np.square(rounding(table))
    centred = table - table.mean(axis=(-2, -1), keepdims=True)
    rows = centred.mean(axis=-1, keepdims=True)
    columns = centred.mean(axis=-2, keepdims=True)
    residual = centred - rows - columns + centred.mean(axis=(-2, -1), keepdims=True)
    persons = k * np.sum((rows - rows.mean(axis=-2, keepdims=True)) ** 2, axis=(-2, -1)) / (n - 1)
    trials = n * np.sum((columns - columns.mean(axis=-1, keepdims=True)) ** 2, axis=(-2, -1)) / (k - 1)
    error = np.sum(residual**2, axis=(-2, -1)) / ((n - 1) * (k - 1))
    within = np.sum((centred - rows) ** 2, axis=(-2, -1)) / (n * (k - 1))
    p, t, e, w = (np.where(square > least, square, 0.0)[()] for square in (persons, trials, error, within))
    return MeanSquares(p, t, e, w, n, k)


def rounding(table: Floats) -> Floats:
    """Return the size below which a difference between scores of a table is rounding, not measurement."""
    return 8 * np.finfo(float).eps * np.max(np.abs(table), axis=(-2, -1))


def icc_values(ms: MeanSquares, form: str) -> Floats:
    """Return the ICC of one form (McGraw & Wong 1996, table 4); NaN where its denominator is not positive."""
    p, t, e, w, n, k = ms
    match form:
        case "ICC(1)":
            between, total = p - w, p + (k - 1) * w
        case "ICC(k)":
            between, total = p - w, p
        case "ICC(A,1)":
            between, total = p - e, p + (k - 1) * e + k * (t - e) / n
        case "ICC(A,k)":
            between, total = p - e, p + (t - e) / n
        case "ICC(C,1)":
            between, total = p - e, p + (k - 1) * e
        case _:
            between, total = p - e, p
    with np.errstate(all="ignore"):
        return np.where(total > 0, between / total, np.nan)


def icc_limits(ms: MeanSquares, form: str, confidence: float) -> tuple[Floats, Floats]:
    """Return F-based limits of one form (McGraw & Wong 1996, table 7, with the published corrections)."""
    p, _, e, w, n, k = ms
    upper = (1 + confidence) / 2
    single = form.endswith("1)")
    with np.errstate(all="ignore"):
        if form.startswith("ICC(A"):
            limits = _agreement_limits(ms, upper)
            return limits if single else (_stepped_up(limits[0], k), _stepped_up(limits[1], k))
        noise, df = (e, (n - 1) * (k - 1)) if form.startswith("ICC(C") else (w, n * (k - 1))
        ratio: Floats = np.where(noise > 0, p / noise, np.nan)
        low: Floats = ratio / fdtri(n - 1, df, upper)
        high: Floats = ratio * fdtri(df, n - 1, upper)
        if single:
            return (low - 1) / (low + k - 1), (high - 1) / (high + k - 1)
        return 1 - 1 / low, 1 - 1 / high


def _agreement_limits(ms: MeanSquares, upper: float) -> tuple[Floats, Floats]:
    p, t, e, _, n, k = ms
    # the weights a and b of the source times n(1-rho), which stays finite when rho is 1
    rho = icc_values(ms, "ICC(A,1)")
    a = k * rho
    b = n * (1 - rho) + k * rho * (n - 1)
    df = (a * t + b * e) ** 2 / ((a * t) ** 2 / (k - 1) + (b * e) ** 2 / ((n - 1) * (k - 1)))
    far, near = fdtri(n - 1, df, upper), fdtri(df, n - 1, upper)
    noise = k * t + (k * n - k - n) * e
    return n * (p - far * e) / (far * noise + n * p), n * (near * p - e) / (noise + n * near * p)


def _stepped_up(icc: Floats, k: float) -> Floats:
    """Spearman-Brown: the reliability of a mean of k scores; minus infinity below the least possible ICC."""
    total = 1 + (k - 1) * icc
    return np.where(total > 0, k * icc / total, -np.inf)


def resampled_mean_squares(table: Floats, *, n_boot: int, seed: int) -> MeanSquares:
    """Return the mean squares of `n_boot` resamples of people.

    A resample enters only through sums over people: of the scores of each
    trial, of the squared person totals, and of all squares.
    """
    n, k = table.shape
    return _from_sums(resampled_sums(_person_features(table), n_boot=n_boot, seed=seed), n, k)


def jackknifed_mean_squares(table: Floats) -> MeanSquares:
    """Return the mean squares with each person left out in turn, in closed form."""
    n, k = table.shape
    features = _person_features(table)
    return _from_sums(features.sum(axis=0) - features, n - 1, k)


def _person_features(table: Floats) -> Floats:
    centred = table - table.mean()
    return np.column_stack([centred, centred.sum(axis=1) ** 2, (centred**2).sum(axis=1)])


def _from_sums(sums: Floats, n: int, k: int) -> MeanSquares:
    columns, totals, squares = sums[:, :k], sums[:, k] / k, sums[:, k + 1]
    correction = (columns @ np.ones(k)) ** 2 / (n * k)
    trials = np.einsum("ij,ij->i", columns, columns) / n - correction
    within = squares - totals
    mean_sq = np.empty((4, len(sums)))
    mean_sq[0], mean_sq[1] = (totals - correction) / (n - 1), trials / (k - 1)
    mean_sq[2], mean_sq[3] = (within - trials) / ((n - 1) * (k - 1)), within / (n * (k - 1))
    p, t, e, w = np.maximum(mean_sq, 0.0, out=mean_sq)
    return MeanSquares(p, t, e, w, n, k)


def session_draws(table: Floats, crossed: bool, size: int, seed: int) -> Floats:
    """Draw the variances of complete people x sessions x trials: person, session (`crossed`), person:session, residual.

    Generalized pivots (Weerahandi 1993; from memory, coverage simulated): each mean square over a chi-square of its own
    degrees of freedom, put into the analysis-of-variance estimators; a single variance may come out below 0. The order
    of trials within a session is fixed. Not `crossed`: sessions within people, whose shifts are not told apart.
    """
    n, m, k = table.shape
    y = table - table.mean(axis=(0, 1))
    visits = y.mean(axis=2)
    persons, sessions = visits.mean(axis=1, keepdims=True), visits.mean(axis=0) * crossed
    squares = [m * k * persons**2, n * k * sessions**2, k * (visits - persons - sessions) ** 2,
               (y - visits[..., None]) ** 2]  # fmt: skip
    dfs = np.array([n - 1, m - 1, (n - 1) * (m - 1) if crossed else n * (m - 1), (n * m - 1) * (k - 1)])
    p, s, ps, e = (np.array([part.sum() for part in squares]) / np.random.default_rng(seed).chisquare(dfs, (size, 4))).T
    drawn = [(p - ps) / (m * k), *([(s - ps) / (n * k)] if crossed else []), (ps - e) / k, e]
    return np.stack(drawn, axis=1)


def graybill_wang(
    mean_sq: Sequence[float], weights: Sequence[float], dfs: Sequence[float], confidence: float
) -> tuple[float, float]:
    """Return limits of a weighted sum of mean squares (Graybill & Wang 1980; from memory, coverage simulated).

    Each mean square may also be an array of studies.
    """
    tail = (1 - confidence) / 2
    m, w, df = (np.stack([np.asarray(part, dtype=float) for part in parts]) for parts in (mean_sq, weights, dfs))
    w, df = (part.reshape(-1, *[1] * (m.ndim - 1)) for part in (w, df))
    total = np.sum(w * m, axis=0)
    down = np.sqrt(np.sum(((1 - df / chdtri(df, tail)) * w * m) ** 2, axis=0))
    up = np.sqrt(np.sum(((df / chdtri(df, 1 - tail) - 1) * w * m) ** 2, axis=0))
    return np.maximum(total - down, 0.0), total + up


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
    big = s[:, :c] @ t
    starts = np.cumsum([0, *design.sizes])[:-1]
    to_nested = np.einsum("bce,bjcd,bde->bje", t, q, t, optimize=True)
    zg = np.einsum("nlc,bnl->bc", w[:, :, :c], g) ** 2
    if c:
        within = np.add.reduceat(np.add.reduceat(big**2, starts, axis=1), starts, axis=2)
        beside = np.add.reduceat(to_nested, starts, axis=2)
        traces = np.concatenate([traces, np.add.reduceat(np.einsum("bcc->bc", big), starts, axis=1)], axis=1)
        squares = np.concatenate([squares, np.add.reduceat(zg, starts, axis=1)], axis=1)
        info = np.block([[info, beside], [beside.swapaxes(1, 2), within]])
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
