"""The three standard errors of measurement, from mean squares or from variance components."""

from collections.abc import Callable, Mapping
from dataclasses import replace
from math import sqrt

import numpy as np
import pandas as pd

from truechange.foundation.errors import DataError, check_resamples
from truechange.foundation.estimate import Estimate
from truechange.numerics.mean_squares import (
    MeanSquares,
    graybill_wang,
    jackknifed_mean_squares,
    mean_squares,
    resampled_mean_squares,
)
from truechange.numerics.resampling import Floats, bca_limits, percentile_limits
from truechange.reliability.components import VarianceComponents, fit_components
from truechange.reliability.layout import Sample

ERRORS = ("agreement", "consistency", "one-way")
LIMITS = ("exact", "percentile", "bca")


def resampled_limits(
    scores: Floats, quantity: Callable[[MeanSquares], Floats], limits: str, n_boot: int, seed: int, confidence: float
) -> tuple[float, float, str]:
    """Return bootstrap limits over people of any function of the mean squares, and how they were found."""
    check_resamples(n_boot, seed)
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


def sems_from_squares(ms: MeanSquares, sample: Sample) -> dict[str, Estimate]:
    """Return the three SEMs of a complete table with chi-square and Graybill-Wang limits."""
    squares, weights = [float(ms.trials), float(ms.error)], [1 / ms.n, 1 - 1 / ms.n]
    within, df = float(ms.within), ms.df
    # no switch to a pooled interval where trials < error: it would cover as little as 91% (value and one-way SEM agree)
    dfs = [df["trials"], df["error"]]
    low, high = graybill_wang(squares, weights, dfs, sample.confidence)
    spread = sum((w * m) ** 2 / d for w, m, d in zip(weights, squares, dfs, strict=True))
    satterthwaite = within**2 / spread if spread else df["within"]
    how = "√(trial + residual variance); Graybill-Wang interval"
    agreement = sample.estimate(sqrt(within), sqrt(low), sqrt(high), how, satterthwaite)
    consistency = sample.sd(squares[1], df["error"], "√(residual mean square)")
    one_way = sample.sd(within, df["within"], "√(within-person mean square)")
    return dict(zip(ERRORS, (agreement, consistency, one_way), strict=True))


def sems_resampled(
    scores: Floats, sems: Mapping[str, Estimate], limits: str, n_boot: int, seed: int
) -> dict[str, Estimate]:
    """Return the same SEMs with bootstrap limits instead."""
    found = {}
    for error, sem in sems.items():

        def root(ms: MeanSquares, error: str = error) -> Floats:
            # agreement and one-way are the same number
            return np.sqrt(ms.error if error == "consistency" else ms.within)

        low, high, how = resampled_limits(scores, root, limits, n_boot, seed, sem.confidence)
        found[error] = replace(sem, low=low, high=high, method=f"{sem.method.split(';')[0]}; {how}")
    return found


def sems_from_components(
    scores: pd.DataFrame, crossed: str, noise: Mapping[str, float], fixed: tuple[str, ...], sample: Sample
) -> tuple[dict[str, Estimate], VarianceComponents]:
    """Return the three SEMs by REML; `crossed` is the term whose shifts only agreement counts."""
    nested = [name for name in noise if name != "residual"]
    fit = fit_components(scores, ("person", crossed, *nested), fixed, sample)
    alone = fit_components(scores, ("person", *nested), fixed, sample)
    return dict(zip(ERRORS, (fit.sem({crossed: 1.0, **noise}), fit.sem(noise), alone.sem(noise)), strict=True)), fit
