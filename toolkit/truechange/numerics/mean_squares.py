"""Mean squares of people x trials: one table, many resamples; and the six ICCs from them."""

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
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
    single = form in ("ICC(1)", "ICC(A,1)", "ICC(C,1)")
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


def resampled_mean_squares(table: Floats, *, n_boot: int, seed: int, jobs: int = 1) -> MeanSquares:
    """Return the mean squares of `n_boot` resamples of people.

    A resample enters only through sums over people: of the scores of each
    trial, of the squared person totals, and of all squares.
    """
    n, k = table.shape
    sums = resampled_sums(_person_features(table), n_boot=n_boot, seed=seed, jobs=jobs)
    return _from_sums(sums, n, k)


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
    mean_sq = np.empty((4, len(sums)))
    mean_sq[0] = (totals - correction) / (n - 1)
    trials = np.einsum("ij,ij->i", columns, columns) / n - correction
    mean_sq[1] = trials / (k - 1)
    within = squares - totals
    mean_sq[2] = (within - trials) / ((n - 1) * (k - 1))
    mean_sq[3] = within / (n * (k - 1))
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
    persons, sessions = visits.mean(axis=1, keepdims=True), visits.mean(axis=0, keepdims=True) * crossed
    squares = [
        m * k * persons**2,
        n * k * sessions**2,
        k * (visits - persons - sessions) ** 2,
        (y - visits[..., None]) ** 2,
    ]
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
