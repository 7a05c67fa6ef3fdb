"""Retest studies with known truth, as their mean squares: no score is simulated."""

import numpy as np
from numpy.typing import ArrayLike

from truechange.numerics.variances import MeanSquares


def simulated_mean_squares(
    rng: np.random.Generator, size: int, *, n: int, k: int, person_sd: float, error_sd: float, trial_sd: float = 0.0,
    shifts: ArrayLike | None = None,
) -> MeanSquares:  # fmt: skip
    """Return the mean squares of `size` simulated balanced studies without simulating a single score.

    In the normal model the three mean squares are independent: scaled
    chi-squares, the one of trials non-central when fixed `shifts` (length k)
    are given instead of a random trial effect.
    """
    error_df = (n - 1) * (k - 1)
    persons = (k * person_sd**2 + error_sd**2) * rng.chisquare(n - 1, size) / (n - 1)
    error = error_sd**2 * rng.chisquare(error_df, size) / error_df
    if shifts is None:
        trials = (n * trial_sd**2 + error_sd**2) * rng.chisquare(k - 1, size) / (k - 1)
    else:
        moved = np.asarray(shifts, dtype=float)
        away = n * np.sum((moved - moved.mean()) ** 2) / error_sd**2
        trials = error_sd**2 * rng.noncentral_chisquare(k - 1, away, size) / (k - 1)
    within = (trials * (k - 1) + error * error_df) / (n * (k - 1))
    return MeanSquares(persons, trials, error, within, n, k)
