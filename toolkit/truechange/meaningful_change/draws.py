"""Bootstrap and known bias: the estimators run on resamples of the people, and on a population like them."""

from collections.abc import Collection
from typing import NamedTuple

import numpy as np
from scipy.special import ndtr, ndtri

from truechange.foundation.sem import Sem
from truechange.meaningful_change.estimators import (
    ASSUMED_RELIABILITY,
    METHODS,
    NEEDS,
    Layout,
    Rows,
    estimate_rows,
    normal_threshold,
    starts_of,
)
from truechange.meaningful_change.ratings import RatedPeople
from truechange.numerics.counts import Kinds, draw_counts, rows_at_once
from truechange.numerics.resampling import Floats, in_blocks, percentile_limits
from truechange.numerics.selection import screened_draws

LEAST = 10  # people, below which nothing is resampled or computed
EXTRAS = ("anchor_reliability", "change_reliability", "present_state_bias", "adjusted_low", "adjusted_high")
DRAWN = (*METHODS, *EXTRAS)
STEPS = 401
MOST = 0.995
NEGLIGIBLE = 0.05  # of the SD of change
RIGHT = ("sem", "scores", "ratings")  # what the latent thresholds need: in the normal model they are the truth itself


def draw_quantities(
    layout: Layout, rows: Rows, error: Sem | None, n_boot: int, seed: int, needs: Collection[str] = NEEDS
) -> Floats:
    """Return one row a resample: the methods, the extras, then the boundaries; one row of NaN if nothing exists.

    `needs` as in :func:`estimate_rows`: columns of other methods are NaN, the people drawn are the same.
    """
    starts = starts_of(layout, rows)
    boundaries = layout.levels[0].size - 1
    if rows["n"][0] < LEAST or not np.isfinite(rows["point_biserial"][0]):
        return np.full((1, len(DRAWN) + boundaries), np.nan)

    def work(rng: np.random.Generator, size: int) -> Floats:
        counts = draw_counts(rng, size, layout.kinds)
        spread = None
        if error is not None:
            spread = np.full(size, error.value**2) * (
                1.0 if error.df is None else error.df / rng.chisquare(error.df, size)
            )
        screened = None if layout.entry is None else screened_draws(layout.entry, rng, size)
        drawn = estimate_rows(layout, counts, spread, starts=starts, needs=needs, screened=screened)
        nothing = np.full(size, np.nan)
        scalars = np.column_stack([drawn.get(name, nothing) for name in DRAWN])
        return np.hstack([scalars, drawn.get("boundaries", np.full((size, boundaries), np.nan))])

    return in_blocks(work, n_boot, seed=seed, block=rows_at_once(layout.kinds.counts.size))


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
    assumed: bool


def population_of(rows: Rows) -> Population | None:
    """Return the population implied by the sample's estimates; None where the rating is unrelated to the change.

    Without the test's error the anchor's reliability is assumed, and the change takes what is left of the
    correlation.
    """
    shared = float(rows["biserial"][0]) ** 2
    if not (shared > 0 and rows["sd"][0] > 0 and 0 < rows["improved"][0] < 1):
        return None
    if "anchor_reliability" in rows:
        change, anchor = float(rows["change_reliability"][0]), float(rows["anchor_reliability"][0])
        return Population(change, min(1.0, anchor), False) if change > 0 and anchor == anchor else None
    return Population(min(1.0, shared / ASSUMED_RELIABILITY), max(ASSUMED_RELIABILITY, min(1.0, shared)), True)


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
    truth = normal_threshold(rows, population.change_reliability, joint**2 / population.change_reliability)
    return {name: 0.0 if one.needs in RIGHT else float(found[name][0]) - truth for name, one in METHODS.items()}


def direction(bias: float, sd: float, right: bool = False) -> str:
    """Say which way a method errs; below 0.05 SD of change it counts as none, as a latent threshold always does."""
    if bias != bias:
        return "not known"
    if abs(bias) < NEGLIGIBLE * sd:
        return "none if its assumptions hold" if right else "none"
    return "too high" if bias > 0 else "too low"
