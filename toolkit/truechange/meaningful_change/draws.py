"""Bootstrap, known bias and cross-fitting: the estimators run on resamples, a population like them, and the others."""

from collections.abc import Collection
from dataclasses import dataclass
from math import nan
from typing import Any, NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri

from truechange.foundation.errors import DataError, check_choice, check_kind, check_resamples
from truechange.foundation.estimate import Estimate, Sem, read_sem
from truechange.foundation.numbers import fixed, percent
from truechange.foundation.result import Part, told
from truechange.meaningful_change import estimators
from truechange.meaningful_change.estimators import METHODS, NEEDS, Layout, Rows, estimate_rows
from truechange.meaningful_change.ratings import RatedPeople, numbers, rated_people, share_estimate
from truechange.numerics.resampling import (
    Floats,
    Kinds,
    at_once,
    block_size,
    draw_counts,
    draw_people,
    in_blocks,
    percentile_limits,
)
from truechange.numerics.true_change import screened_draws
from truechange.reliability.scores import check_columns

LEAST = 10  # people, below which nothing is resampled or computed
EXTRAS = ("anchor_reliability", "change_reliability", "present_state_bias", "adjusted_low", "adjusted_high")
DRAWN = (*METHODS, *EXTRAS)
STEPS = 401
MOST = 0.995
NEGLIGIBLE = 0.05  # of the SD of change
QUANTITIES = ("share", "sensitivity", "specificity")
MOST_FAILED = 0.01
LEVEL = 0.95
RIGHT = ("sem", "scores", "ratings")  # what the latent thresholds need: in the normal model they are the truth itself


def error_variance(error: Sem | None, size: int, rng: np.random.Generator | None = None) -> Floats | None:
    """Return the variance of the test's error for `size` samples, redrawn where it was estimated."""
    if error is None:
        return None
    whole = np.full(size, error.value**2)
    return whole if rng is None or error.df is None else whole * (error.df / rng.chisquare(error.df, size))


def draw_quantities(
    layout: Layout, rows: Rows, error: Sem | None, n_boot: int, seed: int, needs: Collection[str] = NEEDS
) -> Floats:
    """Return one row a resample: the methods, the extras, then the boundaries; one row of NaN if nothing exists.

    `needs` as in :func:`estimate_rows`: columns of other methods are NaN, the people drawn are the same.
    """
    boundaries = layout.levels[0].size - 1
    if rows["n"][0] < LEAST or not np.isfinite(rows["point_biserial"][0]):
        return np.full((1, len(DRAWN) + boundaries), np.nan)

    def work(rng: np.random.Generator, size: int) -> Floats:
        counts, spread = draw_counts(rng, size, layout.kinds), error_variance(error, size, rng)
        screened = None if layout.entry is None else screened_draws(layout.entry, rng, size)
        drawn = estimate_rows(layout, counts, spread, starts=rows, needs=needs, screened=screened)
        nothing = np.full(size, np.nan)
        scalars = np.column_stack([drawn.get(name, nothing) for name in DRAWN])
        return np.hstack([scalars, drawn.get("boundaries", np.full((size, boundaries), np.nan))])

    return in_blocks(work, n_boot, seed=seed, block=at_once(layout.kinds.counts.size))


def limits_of(draws: Floats, confidence: float) -> Floats:
    """Return percentile limits of each column, shape (2, columns); NaN where fewer than half the draws exist."""
    limits = np.full((2, draws.shape[1]), np.nan)
    sound = np.isfinite(draws).mean(axis=0) >= 0.5
    if sound.any():
        limits[:, sound] = percentile_limits(np.where(np.isfinite(draws), draws, np.nan)[:, sound], confidence)
    return limits


class Population(NamedTuple):
    """The normal model behind the bias map: share of variance that is true, in the change and in the rating."""

    change_reliability: float
    anchor_reliability: float


def population_of(rows: Rows) -> Population | None:
    """Return the population implied by the sample's estimates; None where the rating is unrelated to the change.

    Without the test's error the anchor's reliability is assumed, and the change takes what is left of the
    correlation.
    """
    shared = float(rows["biserial"][0]) ** 2
    if not shared > 0:  # NaN where the change does not vary, or all or none improved
        return None
    if "anchor_reliability" in rows:
        change, anchor = float(rows["change_reliability"][0]), float(rows["anchor_reliability"][0])
        return Population(change, min(1.0, anchor)) if change > 0 and anchor == anchor else None
    least = estimators.ASSUMED_RELIABILITY
    return Population(min(1.0, shared / least), max(least, min(1.0, shared)))


def known_bias(people: RatedPeople, rows: Rows, population: Population) -> dict[str, float]:
    """Return large-sample estimate minus true threshold of each method, in the unit of the test.

    The population has the sample's mean and SD of change and its shares of ratings, normal true change, error and
    rating; the truth follows in closed form, the estimates by running the estimators on 401 steps of change as if
    each were a group of people.
    """
    mean, sd = float(rows["mean"][0]), float(rows["sd"][0])
    levels, counts = np.unique(people.rating, return_counts=True)
    limits = ndtri(np.cumsum(counts)[:-1] / people.n)
    z = np.linspace(-4.5, 4.5, STEPS)
    joint = min(MOST, np.sqrt(population.change_reliability * population.anchor_reliability))
    below = ndtr((limits[None, :] - joint * z[:, None]) / np.sqrt(1 - joint**2))
    shares = np.diff(below, axis=1, prepend=0.0, append=1.0)
    weight = np.exp(-0.5 * z**2)
    crowd = (1e7 * shares * (weight / weight.sum())[:, None]).ravel()
    grid = np.column_stack([np.repeat(mean + sd * z, levels.size), np.tile(levels.astype(float), STEPS)])
    layout = Layout(Kinds(grid, crowd, np.arange(crowd.size)), people.cut)
    error = np.array([sd**2 * (1 - population.change_reliability) / 2])
    found = estimate_rows(layout, crowd[None], error, needs=NEEDS.difference(RIGHT))
    truth = estimators.normal_threshold(rows, population.change_reliability, joint**2 / population.change_reliability)
    return {name: 0.0 if one.needs in RIGHT else float(found[name][0]) - truth for name, one in METHODS.items()}


def direction(bias: float, sd: float, right: bool = False) -> str:
    """Say which way a method errs; below 0.05 SD of change it counts as none, as a latent threshold always does."""
    if bias != bias:
        return "not known"
    if abs(bias) < NEGLIGIBLE * sd:
        return "none if its assumptions hold" if right else "none"
    return "too high" if bias > 0 else "too low"


def bias_table(people: RatedPeople, rows: Rows) -> pd.DataFrame:
    """Return each method's known bias in a population like these people, and which way it points."""
    known = people.n >= LEAST and people.entry is None  # with a rule, no bias is known in closed form
    population = population_of(rows) if known else None
    bias = dict.fromkeys(METHODS, nan) if population is None else known_bias(people, rows, population)
    ways = {name: direction(value, float(rows["sd"][0]), METHODS[name].needs in RIGHT) for name, value in bias.items()}
    return pd.DataFrame({"known_bias": bias, "direction": ways}).loc[list(METHODS)]


@dataclass(frozen=True)
class _People:
    """Everyone who is to be counted: `rated` are the places of those who give the value, in the order of `layout`."""

    layout: Layout
    change: Floats
    rated: NDArray[np.intp]
    improved: NDArray[np.bool_]
    method: str

    def values(self, counts: Floats, spread: Floats | None, starts: Rows | None = None) -> Floats:
        """Return the MCID of each sample of the rated."""
        found = estimate_rows(self.layout, counts, spread, starts=starts, needs=(METHODS[self.method].needs,))
        return found.get(self.method, np.full(len(counts), np.nan))

    def shares(self, counts: Floats, limits: Floats) -> Floats:
        """Return the three shares of each sample, `limits` holding the threshold each person is held against."""
        reached = counts * np.asarray(self.change >= limits - 1e-9)
        found = [reached.sum(axis=1) / counts.sum(axis=1)]
        for who in (self.rated[self.improved], self.rated[~self.improved]):
            found.append(reached[:, who].sum(axis=1) / counts[:, who].sum(axis=1))
        found[2] = 1 - found[2]
        return np.where(np.isnan(limits.sum(axis=1, keepdims=True)), np.nan, np.column_stack(found))

    def held_out(
        self, rng: np.random.Generator, counts: Floats, folds: int, spread: Floats | None, starts: Rows
    ) -> Floats:
        """Return the shares of each sample, everyone held against the value of the other groups."""
        n = self.change.size
        group = rng.permuted(np.tile(np.arange(n) % folds, (len(counts), 1)), axis=1)
        limits = np.empty(counts.shape)
        for fold in range(folds):
            train = counts[:, self.rated] * (group[:, self.rated] != fold)
            limits = np.where(group == fold, self.values(train, spread, starts)[:, None], limits)
        return self.shares(counts, limits)


def cross_fit_mcid(
    people: pd.DataFrame, method: str, *, cut: int = 1, sem: "float | Estimate | None" = None, folds: int = 10,
    repeats: int = 20, n_boot: int = 400, seed: int = 0,
) -> Part:  # fmt: skip
    """Count people with an MCID they had no part in (k-fold cross-fitting), beside the count on the same people.

    Parameters
    ----------
    people : DataFrame
        Everyone who is to be counted, one row each: improvement (positive = better), rating and, for methods that need
        them, before and after. Without a rating a person is counted and gives no value; without an improvement a
        person counts as not shown.
    method : str
        Row of the MCID table that is checked, such as ``"latent_threshold"``.
    cut, sem
        As in :func:`mcid`.
    folds, repeats : int, optional
        Everyone is left out once in `folds` random groups; the whole is repeated with other groups and averaged.
    n_boot, seed : int, optional
        Resamples of people for the intervals, each with groups of its own; a person drawn twice stays in one group.

    Returns
    -------
    Part
        ``share`` (of everyone given), ``sensitivity``, ``specificity`` (of those rated) on people held out, as
        Estimates, and ``naive``, the same on the people the value came from; ``optimism``, by how much sensitivity and
        specificity together are flattered. Table: quantity, same_people, low, high, held_out, held_out_low,
        held_out_high.

    Raises
    ------
    DataError
        Fewer than 10 rated people a group would be left, or the method gives no value.
    ChoiceError
        `method` or `n_boot` is not understood.

    Notes
    -----
    The interval on held-out people holds the sampling of people and of the value together; the one on the same people
    (Wilson) takes the value as known. The SEM is redrawn as in :func:`mcid`.

    Examples
    --------
    >>> import numpy as np, pandas as pd
    >>> rng = np.random.default_rng(1)
    >>> true_change = rng.normal(2.3, 2, 120)
    >>> improvement = np.round(true_change + rng.normal(0, 1.2, 120))
    >>> rating = np.digitize(true_change + rng.normal(0, 1.5, 120), [-2, 2, 5]) - 1
    >>> people = pd.DataFrame({"improvement": improvement, "rating": rating})
    >>> found = cross_fit_mcid(people, "latent_threshold", sem=0.85, n_boot=100)
    >>> print(found.naive["share"], found.share, sep="; ")
    0.62 (95% CI 0.53 to 0.70); 0.62 (95% CI 0.43 to 0.69)
    """
    check_choice("method", method, tuple(METHODS))
    check_resamples(n_boot, seed)
    check_kind("people", people, pd.DataFrame, "a DataFrame with one row a person", DataError)
    check_columns(people, ("improvement", "rating"))
    rated = numbers("improvement", people["improvement"] * people["rating"])
    scores: dict[str, Any] = {name: people.get(name) for name in ("before", "after")}
    given = rated_people(people["improvement"], people["rating"], cut=cut, **scores)
    everyone = _People(
        Layout.of(given, collapse=False), numbers("improvement", people["improvement"]),
        np.flatnonzero(np.isfinite(rated)), given.improved, method,
    )  # fmt: skip
    n, error = len(people), None if sem is None else read_sem(sem)
    if not 2 <= folds <= given.n // LEAST:
        raise DataError(f"folds={folds} of {given.n} rated people: take 2 to {given.n // LEAST}, {LEAST} people each.")
    whole = estimate_rows(everyone.layout, everyone.layout.kinds.counts[None], error_variance(error, 1))
    value = whole.get(method, np.full(1, np.nan))[0]
    if not np.isfinite(value):
        raise DataError(f"{METHODS[method].words} gives no value on these people, so there is nothing to check.")

    def work(rng: np.random.Generator, size: int) -> Floats:
        drawn = np.stack([np.bincount(row, minlength=n) for row in draw_people(rng, size, n)]).astype(float)
        return everyone.held_out(rng, drawn, folds, error_variance(error, size, rng), whole)

    once, first = np.ones((1, n)), np.random.default_rng(seed)
    same = everyone.shares(once, np.full((1, n), value))[0]
    out = everyone.held_out(first, np.repeat(once, repeats, axis=0), folds, error_variance(error, repeats), whole)
    draws = in_blocks(work, n_boot, seed=seed, block=block_size(n, n_boot))
    sizes, low, high = (n, int(given.improved.sum()), int((~given.improved).sum())), *percentile_limits(draws, LEVEL)
    how = f"{folds} groups left out in turn, {repeats} times; bootstrap over people"
    kept = {
        name: Estimate(value=float(v), low=float(a), high=float(b), n=size, method=how)
        for name, v, a, b, size in zip(QUANTITIES, np.nanmean(out, axis=0).round(12), low, high, sizes, strict=True)
    }
    naive = {
        name: share_estimate(round(v * size), size, LEVEL)
        for name, v, size in zip(QUANTITIES, same, sizes, strict=True)
    }
    return _told(kept, naive, float(np.isnan(draws[:, 0]).mean()), folds, repeats)


def _told(kept: dict[str, Estimate], naive: dict[str, Estimate], failed: float, folds: int, repeats: int) -> Part:
    """Return both counts beside each other, and how far the one on the same people flatters."""
    frame = pd.DataFrame([
        {"quantity": f"{name}, of {one.n}", "same_people": naive[name].value, "low": naive[name].low,
         "high": naive[name].high, "held_out": one.value, "held_out_low": one.low, "held_out_high": one.high}
        for name, one in kept.items()
    ])  # fmt: skip
    optimism = sum(naive[name].value - kept[name].value for name in QUANTITIES[1:])
    shares = [f"{percent(one.value)} (95% CI {percent(one.low)} to {percent(one.high)})"
              for one in (kept["share"], naive["share"])]  # fmt: skip
    sentence = (
        f"Held against an MCID that they had no part in ({folds} groups left out in turn, {repeats} times over), "
        f"{shares[0]} of the {kept['share'].n} people changed enough, the uncertainty of the MCID included; held "
        f"against the MCID that they gave themselves, {shares[1]}."
    )
    flattered = (
        f"Sensitivity and specificity together are flattered by {fixed(100 * optimism, 1)} percentage points where the "
        "same people give the MCID and are held against it."
    )
    lost = f"{percent(failed, 1)} of the resamples gave no value in some group."
    facts = {**kept, "naive": naive, "optimism": optimism, "folds": folds, "repeats": repeats}
    return Part(facts, frame, (sentence, flattered), told({lost: failed > MOST_FAILED}))
