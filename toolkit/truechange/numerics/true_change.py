"""True change behind scores with error: its density (empirical Bayes deconvolution); selection on the first score."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from math import sqrt
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import chdtri, expit, logit, ndtr

from truechange.foundation.entry import Entry, cut_normal
from truechange.foundation.errors import DataError, RefusedError
from truechange.foundation.estimate import Estimate, Sem, read_sem
from truechange.numerics.intervals import wilson_limits
from truechange.numerics.resampling import Floats, block_size, draw_people, in_blocks

ENOUGH = 50  # people from whom a shape can be learned
CELLS, REACH, WAVES = 61, 3.5, 10  # cells of the grid; half its length in SDs of what was seen; waves that bend it
ROUGHNESS = 0.1  # penalty on the squared third derivative of the log-density, per SD of what was seen
SPIKE = (1e6, 0.05)  # penalty on a spike of unchanged people: with none, and with one of any likely height
RIDGE = 0.02  # weak penalty on everything else: no height runs away
AT_ONCE = 16_384  # numbers worked on at once: 128 KB
FINE = 15  # cells per SD to which what was seen is rounded


@dataclass(frozen=True)
class Density:
    """Densities of the true value on one grid, each with its weight: together what the values seen leave open.

    Parameters
    ----------
    grid : ndarray, shape (j,)
        Middles of its cells, in the unit of the values.
    chance : ndarray, shape (s, j)
        Probability of each cell in each state; rows add up to 1.
    noise, weight : ndarray, shape (s,)
        SD of the error and posterior weight of each state; weights add up to 1.
    basis : ndarray, shape (j, k)
        Curves whose sum is the log-density.
    covariance : ndarray, shape (s, k, k)
        Posterior covariance of their heights.
    """

    grid: Floats
    chance: Floats
    noise: Floats
    weight: Floats
    basis: Floats
    covariance: Floats

    @property
    def step(self) -> float:
        """Width of a cell."""
        return float(self.grid[1] - self.grid[0])

    @property
    def mean(self) -> Floats:
        """Probability of each cell over all states."""
        return self.weight @ self.chance

    def beyond(self, limit: Floats) -> Floats:
        """Return how much of each cell lies above each limit, shape (j, number of limits)."""
        return np.clip((self.grid[:, None] - np.atleast_1d(limit)) / self.step + 0.5, 0, 1)

    def at_least(self, limits: Floats) -> Floats:
        """Return the share with a true value of at least each limit, averaged over the states."""
        return self.mean @ self.beyond(limits)

    def share(self, limit: float, se: float = 0.0) -> tuple[Floats, Floats]:
        """Return of each state the share above `limit` and its posterior SD (delta method), the limit's SE in it."""
        above = self.beyond(np.array([limit, limit - se, limit + se]))
        shares = self.chance @ above
        slope = (self.chance * above[:, 0]) @ self.basis - shares[:, :1] * (self.chance @ self.basis)
        variance = np.einsum("sk,skq,sq->s", slope, self.covariance, slope)
        return shares[:, 0], np.sqrt(np.maximum(variance, 0) + ((shares[:, 1] - shares[:, 2]) / 2) ** 2)

    def chances(self, seen: Floats, limit: float, se: float = 0.0) -> Floats:
        """Return of each value seen the chance that its true value is above `limit`, itself normal with SE `se`."""
        # three points carry the mean and variance of the limit (Gauss and Hermite)
        above = self.beyond(np.array([limit, limit - 3**0.5 * se, limit + 3**0.5 * se])) @ np.array([4, 1, 1]) / 6
        chances = np.zeros(seen.size)
        for noise in np.unique(self.noise):
            at, likely = self.noise == noise, _likely(seen, self.grid, noise).T
            chances += self.weight[at] @ ((self.chance[at] * above) @ likely / (self.chance[at] @ likely))
        return chances


@dataclass(frozen=True)
class TrueSpread:
    """Normal true change: a weighted grid over its SD and the SEM, given the observed changes.

    Parameters
    ----------
    tau, sem, weight : ndarray, shape (g,)
        SD of true change and SEM of each grid point, and its posterior weight (sums to 1).
    mean : float
        Mean observed change.
    n : int
        People measured.
    """

    tau: Floats
    sem: Floats
    weight: Floats
    mean: float
    n: int

    @property
    def variance(self) -> Floats:
        """Variance of an observed change at each grid point."""
        return self.tau**2 + 2 * self.sem**2

    def at_least(self, limits: Floats) -> Floats:
        """Return the share with a true value of at least each limit, averaged over the states."""
        return self.weight @ ndtr((self.mean - limits) / self.tau[:, None])

    def chances(self, seen: Floats, limit: float, se: float = 0.0) -> Floats:
        """Return of each change seen the chance that the true change is above `limit`, itself normal with SE `se`.

        ``E = m + rel (d − m)``, variance ``rel · 2 SEM²`` plus what is not known of the mean and the limit, averaged
        over the grid.
        """
        rel = self.tau**2 / self.variance
        variance = rel * 2 * self.sem**2 + (1 - rel) ** 2 * self.variance / self.n + se**2
        spread = np.sqrt(np.maximum(variance, 1e-300))
        slope, start = rel / spread, ((1 - rel) * self.mean - limit) / spread
        chances, block = np.empty(seen.size), max(1, AT_ONCE // rel.size)
        for at in range(0, seen.size, block):  # what stays in the cache is worked on in place
            z = np.multiply.outer(slope, seen[at : at + block])
            z += start[:, None]
            chances[at : at + block] = self.weight @ ndtr(z, out=z)
        return chances


def _likely(seen: Floats, grid: Floats, noise: float | Floats) -> Floats:
    """Return the density of each value seen were the true value anywhere in a cell: exact, however small the noise."""
    half, noise = (grid[1] - grid[0]) / 2, np.maximum(noise, 1e-6 * (grid[1] - grid[0]))
    away = np.abs(np.subtract.outer(seen, grid))  # both tails alike: the far one loses no digits
    return (ndtr((half - away) / noise) - ndtr((-half - away) / noise)) / (2 * half) + 1e-300


def _curves(anchor: float) -> tuple[Floats, Floats, Floats]:
    """Return grid, curves and penalties, in SDs from the mean; `anchor` is where a spike may stand.

    The curves are the eigenvectors of the squared third difference: line and parabola cost nothing, so that a heavy
    penalty leaves a normal density (Silverman 1982); then ever finer waves, ever dearer. The last is the spike.
    """
    grid, step = np.linspace(-REACH, REACH, CELLS, retstep=True)
    third = np.diff(np.eye(CELLS), 3, axis=0) / step**2.5
    penalty, waves = np.linalg.eigh(third.T @ third)
    waves[:, :3] = np.linalg.qr(np.vander(grid, 3, increasing=True))[0]
    penalty[:3] = 0
    at = int(np.clip(np.rint((anchor + REACH) / step), 0, CELLS - 1))
    spike = np.eye(CELLS)[at]
    moved = grid + (anchor - grid[at] if abs(anchor) < REACH else 0.0)
    curves = np.column_stack([waves[:, 1 : WAVES + 1] * CELLS**0.5, spike])
    return moved, curves, RIDGE + ROUGHNESS * penalty[1 : WAVES + 1]


def true_skew(values: Floats, reliability: float) -> tuple[float, bool]:
    """Return the skewness of the true values, ``skew(D) rel^(-3/2)``, and whether it is more than chance shows.

    More than chance (own rule): above 1, and above twice the standard error it has where true values are normal. NaN
    where nothing is true.
    """
    away, sd = values - values.mean(), float(np.std(values))
    if not (sd > 0 and reliability > 0):
        return float("nan"), False
    skew = float(np.mean(away**3)) / sd**3 * reliability**-1.5
    return skew, abs(skew) > max(1.0, 2 * float(np.sqrt(6 / values.size)) * reliability**-1.5)


def likely_noise(noise: float, df: float | None, points: int = 5) -> Floats:
    """Return equally likely true SDs given an estimated one: ``noise √(df/χ²)`` at the middles of equal shares."""
    if df is None:
        return np.array([noise])
    return noise * np.sqrt(df / chdtri(df, 1 - (np.arange(points) + 0.5) / points))


def deconvolved(values: Floats, noise: Floats, *, anchor: float = 0.0) -> Density:
    """Fit the density of true values by penalised likelihood, once for every noise, without a spike and with one.

    Parameters
    ----------
    values : ndarray, shape (n,)
        True values plus normal error.
    noise : ndarray, shape (e,)
        SDs of that error that are to be weighed, equally likely beforehand.
    anchor : float, optional
        True value of people who have not changed: a spike may stand there.

    Returns
    -------
    Density

    Notes
    -----
    ``Σ log Σ_j g_j φ((x − t_j)/noise) − ½ Σ penalty a²`` with ``log g = U a``, climbed by damped Newton steps with the
    exact curvature; each fit's weight is its Laplace evidence. Density of the empirical-Bayes kind of Efron (2016,
    Biometrika 103:1-20) with the penalty of Silverman (1982, Annals of Statistics 10:795-810).
    """
    centre, spread = float(values.mean()), float(values.std(ddof=1))
    grid, basis, penalty = _curves((anchor - centre) / spread)
    seen, count = np.unique(np.rint((values - centre) / spread * FINE), return_counts=True)
    seen = np.clip(seen / FINE, -REACH - 1.5, REACH + 1.5)
    noise = np.repeat(noise, len(SPIKE))
    likely = np.stack([_likely(seen, grid, one / spread) for one in noise])
    prior = np.array([[*penalty, spike] for spike in SPIKE] * (len(noise) // len(SPIKE)))
    start = np.zeros(prior.shape[1])
    reliability = max(1 - float(np.mean(noise**2)) / spread**2, 0.2)
    start[:-1] = basis[:, :-1].T @ (-(grid**2) / (2 * reliability)) / CELLS
    heights, curvature, height = _climb(likely, count.astype(float), basis, prior, start)
    bent, axes = np.linalg.eigh(curvature)
    bent = np.maximum(bent, RIDGE)  # what the weakest penalty alone would leave
    evidence = height + 0.5 * (np.log(prior) - np.log(bent)).sum(-1)
    weight = np.exp(evidence - evidence.max())
    covariance = (axes / bent[:, None]) @ axes.swapaxes(-1, -2)
    chance = _shares(heights, basis)
    return Density(centre + spread * grid, chance, noise, weight / weight.sum(), basis, covariance)


def _shares(heights: Floats, basis: Floats) -> Floats:
    log = heights @ basis.T
    chance = np.exp(log - log.max(-1, keepdims=True))
    return chance / chance.sum(-1, keepdims=True)


def _climb(likely: Floats, count: Floats, basis: Floats, prior: Floats, start: Floats) -> tuple[Floats, Floats, Floats]:
    """Return heights at the top, the curvature there and the penalised log-likelihood, of every fit at once."""

    def value(heights: Floats) -> tuple[Floats, Floats, Floats]:
        chance = _shares(heights, basis)
        density = (likely @ chance[..., None])[..., 0]
        return np.log(density) @ count - 0.5 * (prior * heights**2).sum(-1), chance, density

    def slopes(chance: Floats, density: Floats) -> tuple[Floats, Floats, Floats]:
        """Return gradient, minus the second derivative and a positive scale for it, the penalty left out."""
        middle = chance @ basis
        own = likely @ (chance[..., None] * basis) / density[..., None]  # each value's posterior mean of the curves
        given = chance * ((count / density)[:, None] @ likely)[:, 0]
        weighed = (own * count[:, None]).swapaxes(-1, -2)
        bent = (basis.T * (count.sum() * chance - given)[:, None]) @ basis + weighed @ own
        bent -= count.sum() * middle[..., None] * middle[:, None]
        return weighed.sum(-1) - count.sum() * middle, bent, count @ (own - middle[:, None]) ** 2

    heights = np.tile(start, (len(likely), 1))
    top, chance, density = value(heights)
    damping, eye = np.full(top.shape, 0.1), np.eye(len(start))
    for _ in range(60):
        gradient, bent, scatter = slopes(chance, density)
        brake = damping[:, None] * (scatter + prior)
        step = np.linalg.solve(bent + (prior + brake)[..., None] * eye, (gradient - prior * heights)[..., None])
        tried = heights + step[..., 0]
        found, tried_chance, tried_density = value(tried)
        better = found >= top - 1e-9
        moved = np.where(better, np.abs(found - top), 1.0)
        heights[better], top[better] = tried[better], found[better]
        chance[better], density[better] = tried_chance[better], tried_density[better]
        damping = np.where(better, damping * 0.2, np.maximum(damping, 1e-3) * 8)
        if moved.max() < 1e-4:
            break
    return heights, slopes(chance, density)[1] + prior[..., None] * eye, top


def true_changes(changes: Floats, sem: float, sem_df: float | None) -> TrueSpread | Density:
    """Fit the distribution of true change: of any shape from 50 people on, normal among fewer."""
    if changes.size < ENOUGH:
        return true_spread(changes, sem, sem_df)
    return deconvolved(changes, sqrt(2) * likely_noise(sem, sem_df))


def true_spread(changes: Floats, sem: float, sem_df: float | None, *, points: int = 160, sems: int = 31) -> TrueSpread:
    """Weigh the SDs of true change that fit the observed changes.

    Likelihood ``V^(−(n−1)/2) exp(−(n−1)s²/2V)`` with ``V = τ² + 2 SEM²``; prior on the variance τ² exponential with
    mean 2s², so nearly flat (a prior flat in τ itself keeps too much near 0 and pulls the share away from one half);
    ``SEM² = sem² df/χ²`` when its degrees of freedom are known. Both are weighed together, so a SEM that the spread of
    the changes contradicts loses weight.
    """
    n, s2, error = changes.size, float(np.var(changes, ddof=1)), likely_noise(sem, sem_df, sems)
    least, most = (n - 1) * s2 / chdtri(n - 1, np.array([1e-6, 1 - 1e-6]))
    bottom = sqrt(max(0.0, least - 2 * error.max() ** 2))
    top = min(sqrt(max(most - 2 * error.min() ** 2, 0.25 * most)), 5 * sqrt(s2))
    tau = bottom + (np.arange(points) + 0.5) * (top - bottom) / points
    tau, error = (grid.ravel() for grid in np.meshgrid(tau, error))
    variance = tau**2 + 2 * error**2
    log_weight = -0.5 * (n - 1) * (np.log(variance) + s2 / variance) - tau**2 / (2 * s2) + np.log(tau)
    weight = np.exp(log_weight - log_weight.max())
    seen = weight > 1e-9  # the rest of the grid costs time and moves nothing
    return TrueSpread(tau[seen], error[seen], weight[seen] / weight[seen].sum(), float(changes.mean()), n)


def share_beyond(
    fit: TrueSpread | Density, mcid: float, mcid_se: float, confidence: float
) -> tuple[float, float, float]:
    """Return posterior median and interval of the share with true change above `mcid`.

    In each state of a normal fit MCID minus mean true change is normal; in each state of a fit of any shape the logit
    of the share is, with its delta-method SD. So the share's distribution function is a weighted sum of normal tail
    areas: nothing is simulated.
    """
    if isinstance(fit, Density):
        share, sd = fit.share(mcid, mcid_se)
        share = np.clip(share, 1e-6, 1 - 1e-6)
        slope, middle, wide = np.ones(share.size), logit(share), np.maximum(sd, 1e-9) / (share * (1 - share))
    else:
        slope, middle, wide = fit.tau, np.array(fit.mean - mcid), np.sqrt(fit.variance / fit.n + mcid_se**2)
    to_share = expit if isinstance(fit, Density) else ndtr

    def quantile(level: float) -> float:
        low, high = -16.0, 16.0
        for _ in range(44):
            at = (low + high) / 2
            low, high = (at, high) if fit.weight @ ndtr((slope * at - middle) / wide) < level else (low, at)
        return float(to_share((low + high) / 2))

    return quantile(0.5), quantile((1 - confidence) / 2), quantile((1 + confidence) / 2)


LEAST_ERROR = 0.01  # part of the variance of everyone's first scores that is error, at least
Moments = tuple[Floats, Floats]  # mean and variance of first scores


def settle_entry(entry: Entry, before: ArrayLike, sem: Estimate | float) -> Entry:
    """Return an entry rule (selection on the first score) with mean and SD of everyone put in, for a group's numbers.

    Parameters
    ----------
    entry : Entry
        The rule; with a second test, or with nothing but the cut.
    before : array-like of float, shape (n,)
        First scores of those taken in, in the test's unit, in the order of ``entry.second``.
    sem : Estimate or float
        Standard error of measurement of one score.

    Returns
    -------
    Entry
        With ``mean`` and ``sd``; ``fitted`` keeps where they come from.

    Raises
    ------
    RefusedError
        The first scores do not fit what is known of the rule.

    Examples
    --------
    >>> import numpy as np
    >>> scores = np.random.default_rng(1).normal(10, 3, 2000)
    >>> whole = settle_entry(Entry(9), scores[scores <= 9], 1.0)
    >>> round(whole.mean, 1), round(whole.sd, 1), whole.source
    (9.8, 2.9, 'truncated')
    """
    first = entry.sign * np.asarray(before, dtype=float)
    found, _ = resampled_taken_in(entry, first, first, read_sem(sem), lambda one, _: one.mean, n_boot=1, seed=0)
    mean, sd = entry.sign * float(found.mean[0]), float(np.sqrt(found.variance[0]))
    return replace(entry, mean=mean, sd=sd, second=None, fitted=entry.source)


def screened_draws(entry: Entry, rng: np.random.Generator, size: int) -> Moments | None:
    """Draw mean and variance of everyone screened, as often as their number leaves them in doubt; None otherwise."""
    if entry.mean is None or entry.sd is None or entry.n is None:
        return None
    variance = entry.sd**2 * (entry.n - 1) / rng.chisquare(entry.n - 1, size)
    return entry.sign * entry.mean + rng.normal(size=size) * np.sqrt(variance / entry.n), variance


def checked_entry(entry: Entry, first: Floats) -> Entry:
    """Return the rule if the first scores (turned so that up is better) can be of people taken in by it.

    Raises
    ------
    DataError
        A normal curve cut at the score is to be fitted, and people score better than the cut.
    """
    beyond = beyond_cut(entry, first)
    if beyond and entry.source == "truncated":
        raise DataError(
            f"entry: {beyond} of {first.size} people score better than the cut of {entry.cut:g}, so no curve cut there "
            "can be fitted. Give the rule as it was kept, or mean and sd of everyone screened."
        )
    return entry


def beyond_cut(entry: Entry, first: Floats) -> int:
    """Count the first scores (turned so that up is better) that the rule would not have taken in."""
    return int(np.sum(first > entry.sign * entry.cut + entry.step / 2 + 1e-9))


def before_cut(
    entry: Entry, mean: Floats, variance: Floats, error_variance: Floats, *,
    second: Moments | None = None, screened: Moments | None = None,
) -> Moments:  # fmt: skip
    """Return mean and variance of everyone's first scores from those of the people taken in, one row a resample.

    Parameters
    ----------
    entry : Entry
        The rule.
    mean, variance : ndarray
        First scores of those taken in, turned so that up is better; the variance with n below.
    error_variance : ndarray
        SEM squared.
    second : (mean, covariance), optional
        Of the second test before the programme, turned alike; its covariance with the first score.
    screened : (mean, variance), optional
        Draws of the moments of everyone screened.

    Returns
    -------
    (mean, variance)
        NaN where nothing fits, or where everyone would vary no more than error.
    """
    with np.errstate(all="ignore"):
        if entry.mean is not None and entry.sd is not None:
            middle, spread = screened or (np.array(entry.sign * entry.mean), np.array(entry.sd**2))
        elif second is not None:
            # the slope of the second test on the first is 1 - SEM²/σ²; few people leave it beyond its bounds, and the
            # way from the first mean to the second, which carries most of the repair, is kept
            share = np.clip(1 - second[1] / variance, LEAST_ERROR, 1 - LEAST_ERROR)
            middle, spread = mean + (second[0] - mean) / share, error_variance / share
        else:
            middle, spread = cut_normal(entry, mean, variance, np.exp, ndtr)
        sound = (spread > error_variance) & np.isfinite(middle)
        return np.where(sound, middle, np.nan), np.where(sound, spread, np.nan)


EDGE = "The first scores end sharply"
FEWEST_AT_EDGE, BAND, MOST_AT_EDGE = 30, 0.5, 0.12  # own rule: people, SDs below the best score, share there


def sharp_edge(first: Floats) -> tuple[str, ...]:
    """Say, as a caution, that the first scores (turned so that up is better) end in a sharp edge, as a cut leaves one.

    Own rule: with 30 people or more, the lower Wilson limit of the share within half an SD of the best score is above
    12%. False alarms, by simulation: at most 2% of samples from a normal curve, rounded to steps of up to two thirds of
    an SD or not, or with a tail to the better side; more where a curve falls steeply to the better side by itself
    (one in six of 30 at a skewness of −1, one in fourteen of 120). A cut near the mean is seen in two of three samples
    of 30 and in more than nine of ten of 120.
    """
    first = first[np.isfinite(first)]
    if first.size < FEWEST_AT_EDGE or not np.ptp(first) > 0:
        return ()
    best = first.max()
    near = int(np.sum(first > best - BAND * first.std(ddof=1)))
    if wilson_limits(near, first.size)[0] <= MOST_AT_EDGE:
        return ()
    text = (
        f"{EDGE} at {abs(best):.3g}: {near} of {first.size} people lie within half an SD of it and "
        "nobody beyond, as where people are taken in for a poor score. If they were, then without the entry rule "
        "(entry=) the mean change, the MCID, the true share and the chances of one person are too high: part of each "
        "improvement is regression to the mean. If the scale ends there, that is another limit."
    )
    return (text,)


class TakenIn(NamedTuple):
    """Everyone before the cut and the true change of those taken in, one row a resample.

    `mean`, `variance`: everyone's first scores. `regression`: mean gain that error alone makes, λ(μ − x̄). `slope`: of
    the true change on the true first score. `expected` (R, n): true change expected of each person from the first
    score; `left` (R,): variance of the true change around it, at least 0.
    """

    mean: Floats
    variance: Floats
    regression: Floats
    slope: Floats
    expected: Floats
    left: Floats


def taken_in(
    entry: Entry | None, first: Floats, second: Floats, error_variance: Floats, *,
    again: Floats | None = None, screened: Moments | None = None,
) -> TakenIn:  # fmt: skip
    """Return the true change of people taken in by a cut on the first score, without what the cut itself makes.

    Parameters
    ----------
    entry : Entry or None
        The rule; without one everyone is whoever was measured.
    first, second : ndarray, shape (R, n)
        Scores before and after, turned so that up is better.
    error_variance : ndarray, shape (R,)
        SEM squared.
    again : ndarray, shape (R, n), optional
        The second test before the programme.
    screened : (mean, variance), optional
        Draws of the moments of everyone screened.

    Notes
    -----
    The line x₂ = a + βx₁ with variance v around it is everybody's, cut or not. With λ = SEM²/σ² and everyone's μ, σ²:
    ``E[Δ|x₁] = a + βx₁ − μ − (1 − λ)(x₁ − μ)``, variance ``v − SEM² + (σ² − SEM²)λ − 2βσ²λ`` (own derivation).
    """
    n = first.shape[1]
    m1, m2 = first.mean(axis=1), second.mean(axis=1)
    away = first - m1[:, None]
    v1 = (away**2).mean(axis=1)
    with np.errstate(divide="ignore", invalid="ignore"):  # a resample in which nobody differs gives NaN
        line = (away * second).mean(axis=1) / v1
        around = (((second - m2[:, None]) - line[:, None] * away) ** 2).sum(axis=1) / (n - 2)
        own = v1 * n / (n - 1)
        mean, variance = m1, np.where(own > error_variance, own, np.nan)
        if entry is not None:
            repeat = None if again is None else (again.mean(axis=1), (away * again).mean(axis=1))
            mean, variance = before_cut(entry, m1, v1, error_variance, second=repeat, screened=screened)
        share = error_variance / variance
        regression = share * (mean - m1)
        expected = (m2 - m1 - regression)[:, None] + (line - 1 + share)[:, None] * away
        left = around - error_variance + (variance - error_variance) * share - 2 * line * variance * share
        slope = line * variance / (variance - error_variance) - 1
    return TakenIn(mean, variance, regression, slope, expected, np.maximum(left, 0.0))


def resampled_taken_in(
    entry: Entry | None, first: Floats, second: Floats, error: Sem,
    of: Callable[[TakenIn, np.random.Generator], Floats], *, n_boot: int, seed: int,
) -> tuple[TakenIn, Floats]:  # fmt: skip
    """Return the people as they are, and `of` them over resamples of people, of the SEM and of who was screened.

    Raises
    ------
    DataError
        The second test lacks people, or people score better than a cut to which a curve is to be fitted.
    RefusedError
        The first scores vary no more than measurement error, or do not fit the rule.
    """
    again, squared = None, error.value**2
    if entry is not None:
        checked_entry(entry, first)
        again = None if entry.second is None else entry.sign * np.asarray(entry.second, dtype=float)
    if again is not None and not (again.size == first.size and np.isfinite(again).all()):
        raise DataError(f"entry: second needs one score for each of the {first.size} people with both scores.")

    def work(rng: np.random.Generator, size: int) -> Floats:
        drawn = draw_people(rng, size, first.size)
        spread = squared * (np.ones(size) if error.df is None else error.df / rng.chisquare(error.df, size))
        picked = None if again is None else again[drawn]
        screened = None if entry is None else screened_draws(entry, rng, size)
        return of(taken_in(entry, first[drawn], second[drawn], spread, again=picked, screened=screened), rng)

    alone = None if again is None else again[None]
    whole = taken_in(entry, first[None], second[None], np.array([squared]), again=alone)
    if not np.isfinite(whole.variance[0]):
        raise RefusedError(
            "The scores before vary no more than measurement error: nothing can depend on them." if entry is None else
            f"The first scores do not fit what is known of the entry rule ({entry.words}): everyone before the cut "
            "would vary no more than measurement error, or no such curve has this shape."
        )  # fmt: skip
    return whole, in_blocks(work, n_boot, seed=seed, block=block_size(2 * first.size, n_boot))
