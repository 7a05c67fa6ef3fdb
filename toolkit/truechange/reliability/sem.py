"""The three standard errors of measurement, from mean squares or from variance components."""

from collections.abc import Callable, Mapping
from dataclasses import replace
from math import sqrt

import numpy as np
from scipy.special import chdtri

from truechange.foundation.errors import DataError, check_choice
from truechange.foundation.estimate import Estimate
from truechange.foundation.origin import Origin
from truechange.numerics.mean_squares import (
    MeanSquares,
    graybill_wang,
    jackknifed_mean_squares,
    mean_squares,
    resampled_mean_squares,
)
from truechange.numerics.resampling import Floats, bca_limits, percentile_limits

ERRORS = ("agreement", "consistency", "one-way")
LIMITS = ("exact", "percentile", "bca")


def resampled_limits(
    scores: Floats, quantity: Callable[[MeanSquares], Floats], *, limits: str, n_boot: int, seed: int, confidence: float
) -> tuple[float, float, str]:
    """Return bootstrap limits over people of any function of the mean squares, and how they were found.

    Raises
    ------
    ChoiceError, DataError
        `limits` is unknown; the table has gaps.
    """
    check_choice("limits", limits, LIMITS)
    if not np.isfinite(scores).all():
        raise DataError("Bootstrap limits need complete scores; leave out people with a missing trial.")
    draws = np.asarray(quantity(resampled_mean_squares(scores, n_boot=n_boot, seed=seed)))
    failed = float(np.isnan(draws).mean())
    words = f"{'BCa' if limits == 'bca' else limits} bootstrap over people (B = {n_boot}, {100 * failed:.1f}% failed)"
    draws = draws[~np.isnan(draws)]
    if limits == "percentile":
        low, high = percentile_limits(draws, confidence)
        return float(low), float(high), words
    left_out = np.asarray(quantity(jackknifed_mean_squares(scores)))
    return *bca_limits(draws, float(quantity(mean_squares(scores))), left_out, confidence), words


def variance_of(ms: MeanSquares, error: str) -> Floats:
    """Return the error variance of one score."""
    return ms.error if error == "consistency" else ms.within  # agreement and one-way are the same number


def sems_from_squares(ms: MeanSquares, confidence: float, unit: str, origin: Origin) -> dict[str, Estimate]:
    """Return the three SEMs of a complete table with chi-square and Graybill-Wang limits."""
    tails = (1 - confidence) / 2, (1 + confidence) / 2
    trials, residual, within, n, df = float(ms.trials), float(ms.error), float(ms.within), ms.n, ms.df

    def sem(variance: float, low: float, high: float, df: float, method: str) -> Estimate:
        ends = {"low": sqrt(low), "high": sqrt(high), "confidence": confidence}
        return Estimate(value=sqrt(variance), **ends, unit=unit, n=n, df=df, method=method, origin=origin)

    def from_one(square: float, df: int, method: str) -> Estimate:
        low, high = (square * df / float(chdtri(df, tail)) for tail in tails)
        return sem(square, low, high, df, f"{method}; chi-square interval, {df} df")

    if trials < residual:
        how = "√(trial + residual variance), trial variance taken as 0 and both pooled"
        agreement = from_one(within, df["within"], how)
    else:
        squares, weights = [trials, residual], [1 / n, 1 - 1 / n]
        dfs = [float(df["trials"]), float(df["error"])]
        low, high = graybill_wang(squares, weights, dfs, confidence)
        spread = sum((w * m) ** 2 / d for w, m, d in zip(weights, squares, dfs, strict=True))
        satterthwaite = within**2 / spread if spread else float(df["within"])
        how = "√(trial + residual variance); Graybill-Wang interval"
        agreement = sem(within, float(low), float(high), satterthwaite, how)
    return {
        "agreement": agreement,
        "consistency": from_one(residual, df["error"], "√(residual mean square)"),
        "one-way": from_one(within, df["within"], "√(within-person mean square)"),
    }


def sems_resampled(
    scores: Floats, sems: Mapping[str, Estimate], *, limits: str, n_boot: int, seed: int
) -> dict[str, Estimate]:
    """Return the same SEMs with bootstrap limits instead."""
    found = {}
    for error, sem in sems.items():
        low, high, how = resampled_limits(
            scores,
            lambda ms, error=error: np.sqrt(variance_of(ms, error)),  # type: ignore[misc]
            limits=limits,
            n_boot=n_boot,
            seed=seed,
            confidence=sem.confidence,
        )
        found[error] = replace(sem, low=low, high=high, method=f"{sem.method.split(';')[0]}; {how}")
    return found
