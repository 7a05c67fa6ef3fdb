"""Resampling people through every estimator at once, the SEM redrawn with them."""

import numpy as np

from truechange.foundation.sem import Sem
from truechange.meaningful_change.estimators import Layout, Rows, estimate_rows, starts_of
from truechange.meaningful_change.result import METHODS
from truechange.meaningful_change.rules import LEAST
from truechange.numerics.kinds import draw_counts, rows_at_once
from truechange.numerics.resampling import Floats, in_blocks, percentile_limits

EXTRAS = ("anchor_reliability", "change_reliability", "present_state_bias", "adjusted_low", "adjusted_high")
DRAWN = (*METHODS, *EXTRAS)


def draw_quantities(layout: Layout, rows: Rows, error: Sem | None, n_boot: int, seed: int) -> Floats:
    """Return one row a resample: the methods, the extras, then the boundaries; one row of NaN if nothing exists."""
    starts = starts_of(layout, rows)
    boundaries = layout.levels[0].size - 1
    if rows["n"][0] < LEAST or not np.isfinite(rows["point_biserial"][0]):
        return np.full((1, len(DRAWN) + boundaries), np.nan)

    def work(rng: np.random.Generator, size: int) -> Floats:
        counts = draw_counts(rng, size, layout.kinds)
        spread = None
        if error is not None:
            spread = np.full(size, error.value**2)
            spread *= 1.0 if error.df is None else error.df / rng.chisquare(error.df, size)
        drawn = estimate_rows(layout, counts, spread, starts=starts)
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
