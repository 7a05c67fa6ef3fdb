"""Differences between two groups: as measured, at equal score before, of shares, and between subgroups."""

from collections.abc import Sequence
from math import sqrt

import numpy as np
import pandas as pd
from scipy.special import ndtr, stdtr, stdtrit

from truechange.foundation.estimate import Estimate
from truechange.numerics.resampling import block_size, draw_people, in_blocks, percentile_limits

FEWEST = 10


def welch_difference(first: np.ndarray, second: np.ndarray, confidence: float, unit: str = "") -> Estimate:
    """Return the difference of two means with Welch's interval."""
    v1, v2 = first.var(ddof=1) / first.size, second.var(ddof=1) / second.size
    gap, se = float(first.mean() - second.mean()), sqrt(v1 + v2)
    df = (v1 + v2) ** 2 / (v1**2 / (first.size - 1) + v2**2 / (second.size - 1)) if se else float(first.size - 1)
    half = float(stdtrit(df, (1 + confidence) / 2)) * se
    return Estimate(
        value=gap, low=gap - half, high=gap + half, confidence=confidence, unit=unit, n=first.size + second.size,
        df=float(df), method="difference of means, Welch",
    )  # fmt: skip


def adjusted_difference(
    before: np.ndarray, improvement: np.ndarray, group: np.ndarray, confidence: float, unit: str = ""
) -> tuple[Estimate, float, float, float]:
    """Return the difference adjusted for the score before, its p, the slope, and p for unequal slopes.

    ``improvement ~ before + group`` by least squares with HC3 standard errors; the group's coefficient is that of
    ``after ~ before + group``, turned so that positive = better.
    """
    from statsmodels.regression.linear_model import OLS

    centred = before - before.mean()
    design = np.column_stack([np.ones(before.size), centred, group.astype(float)])
    fit = OLS(improvement, design).fit(cov_type="HC3", use_t=True)
    low, high = fit.conf_int(alpha=1 - confidence)[2]
    wider = OLS(improvement, np.column_stack([design, centred * group])).fit(cov_type="HC3", use_t=True)
    t = float(wider.params[3] / wider.bse[3])
    estimate = Estimate(
        value=float(fit.params[2]), low=float(low), high=float(high), confidence=confidence, unit=unit, n=before.size,
        df=float(fit.df_resid), method="analysis of covariance, HC3",
    )  # fmt: skip
    return estimate, float(fit.pvalues[2]), float(fit.params[1]), 2 * float(stdtr(wider.df_resid, -abs(t)))


def adjusted_share_difference(
    before: np.ndarray,
    improvement: np.ndarray,
    group: np.ndarray,
    threshold: float,
    *,
    resolution: float = 0.0,
    n_boot: int = 1000,
    seed: int = 0,
    confidence: float = 0.95,
) -> Estimate:
    """Return the difference of shares at equal score before, from normal tail areas around the adjusted means.

    Each group has its own line ``improvement ~ before`` and its own residual spread; everyone's chance of reaching the
    threshold (less half a step of the test) is averaged over all scores before, in both groups. More efficient than
    cutting first (Peacock and others 2012, from memory). Bootstrap over people within groups.
    """  # fmt: skip
    cut = threshold - resolution / 2
    parts = [(before[group == at], improvement[group == at]) for at in (1, 0)]

    def share(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        mx, my = x.mean(axis=1, keepdims=True), y.mean(axis=1, keepdims=True)
        ssx = ((x - mx) ** 2).sum(axis=1, keepdims=True)
        slope = ((x - mx) * (y - my)).sum(axis=1, keepdims=True) / np.where(ssx > 0, ssx, 1)
        spread = np.sqrt(((y - my - slope * (x - mx)) ** 2).sum(axis=1, keepdims=True) / (x.shape[1] - 2))
        return ndtr((my + slope * (before[None, :] - mx) - cut) / np.maximum(spread, 1e-12)).mean(axis=1)

    def resample(rng: np.random.Generator, size: int) -> np.ndarray:
        drawn = [(x[pick], y[pick]) for x, y in parts for pick in (draw_people(rng, size, x.size),)]
        return (share(*drawn[0]) - share(*drawn[1]))[:, None]

    low, high = percentile_limits(
        in_blocks(resample, n_boot, seed=seed, block=block_size(before.size, n_boot))[:, 0], confidence
    )
    whole = [float(share(x[None, :], y[None, :])[0]) for x, y in parts]
    return Estimate(
        value=whole[0] - whole[1], low=float(low), high=float(high), confidence=confidence, n=before.size,
        method="normal tail areas at equal score before; bootstrap over people",
    )  # fmt: skip


def subgroup_differences(people: pd.DataFrame, facts: Sequence[str], confidence: float = 0.95) -> pd.DataFrame:
    """Return how much the difference between the groups differs by each fact, one row a level beside the first.

    Interaction in ``improvement ~ before + group × fact`` with HC3 standard errors, on the continuous improvement. A
    number is taken per unit, a kind level by level; a cell with fewer than 10 people gives no row. Columns: fact,
    estimate, low, high, p, people.

    Parameters
    ----------
    people : DataFrame
        before, improvement, group (1 programme, 0 comparison) and the facts.
    facts : sequence of str
        Named beforehand.
    confidence : float, optional
        Level of the intervals.
    """
    from statsmodels.regression.linear_model import OLS

    rows = []
    for fact in facts:
        held = people.dropna(subset=["before", "improvement", fact])
        number = pd.api.types.is_numeric_dtype(held[fact])
        levels = [None] if number else sorted(held[fact].astype(str).unique())[1:]
        for level in levels:
            first = None if number else sorted(held[fact].astype(str).unique())[0]
            part = held if number else held[held[fact].astype(str).isin([first, level])]
            x = part[fact].to_numpy(float) if number else (part[fact].astype(str) == level).to_numpy(float)
            group = part["group"].to_numpy(float)
            if not number and min(((x == a) & (group == b)).sum() for a in (0, 1) for b in (0, 1)) < FEWEST:
                continue
            x = x - x.mean()
            design = np.column_stack([np.ones(len(part)), part["before"].to_numpy(float), group, x, group * x])
            fit = OLS(part["improvement"].to_numpy(float), design).fit(cov_type="HC3", use_t=True)
            low, high = fit.conf_int(alpha=1 - confidence)[4]
            name = fact if number else f"{fact}: {level} less {first}"
            rows.append({"fact": name, "estimate": float(fit.params[4]), "low": float(low), "high": float(high),
                         "p": float(fit.pvalues[4]), "people": len(part)})  # fmt: skip
    return pd.DataFrame(rows, columns=["fact", "estimate", "low", "high", "p", "people"])
