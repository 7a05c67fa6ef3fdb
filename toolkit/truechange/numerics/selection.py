"""Selection on the first score, for samples and resamples: everyone before a cut, and the edge that a cut leaves."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import ndtr

from truechange.foundation.entry import Entry, cut_normal
from truechange.foundation.errors import DataError, RefusedError
from truechange.foundation.estimate import Estimate
from truechange.foundation.sem import Sem, read_sem
from truechange.numerics.intervals import wilson_limits
from truechange.numerics.resampling import Floats, block_size, draw_people, in_blocks

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

    whole = taken_in(
        entry, first[None], second[None], np.array([squared]), again=None if again is None else again[None]
    )
    if not np.isfinite(whole.variance[0]) and entry is None:
        raise RefusedError("The scores before vary no more than measurement error: nothing can depend on them.")
    if entry is not None and not np.isfinite(whole.variance[0]):
        raise RefusedError(
            f"The first scores do not fit what is known of the entry rule ({entry.words}): everyone before the cut "
            "would vary no more than measurement error, or no such curve has this shape."
        )
    return whole, in_blocks(work, n_boot, seed=seed, block=block_size(2 * first.size, n_boot))
