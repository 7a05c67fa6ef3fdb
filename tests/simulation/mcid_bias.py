"""Every MCID estimator against a known truth: bias and coverage over the share improved, the anchor and the sample."""

import sys
from collections.abc import Sequence
from functools import partial
from math import sqrt

import numpy as np
import pandas as pd
from joblib import parallel_config
from scipy.special import ndtri

from truechange.foundation.estimate import read_sem
from truechange.meaningful_change.draws import DRAWN, draw_quantities, limits_of
from truechange.meaningful_change.estimators import METHODS as ROWS
from truechange.meaningful_change.estimators import Layout, estimate_rows
from truechange.meaningful_change.ratings import RatedPeople, rated_people
from truechange.numerics.intervals import mean_limits, welch_limits
from truechange.numerics.resampling import Floats, each

METHODS = tuple(ROWS)
TRUE_MCID, TRUE_SD = 2.0, 2.0
BASELINE = (10.0, 3.0)
RATING_EDGES = (-4.0, 0.0, 2.0)  # from each person's own threshold: worse, unchanged, a little better, much better
RESOLUTION = 0.25
SHARES, RELIABILITIES, PEOPLE = (0.2, 0.3, 0.5, 0.7, 0.8), (0.4, 0.6, 0.8, 1.0), (80, 200, 800)


def simulated_people(
    rng: np.random.Generator, n: int, *, share: float, anchor_reliability: float, sem: float
) -> RatedPeople:
    """Return people whose mean personal threshold is exactly 2 units of true change.

    Parameters
    ----------
    rng : Generator
        Source of randomness.
    n : int
        People.
    share : float
        Expected share improved; it sets the mean true change.
    anchor_reliability : float
        Share of the rating's variance due to true change; the rest is personal thresholds and perception.
    sem : float
        Error SD of one score.
    """
    spread = TRUE_SD / sqrt(anchor_reliability)
    change = rng.normal(TRUE_MCID + ndtri(share) * spread, TRUE_SD, n)
    felt = change + rng.normal(0, sqrt(max(0.0, spread**2 - TRUE_SD**2)), n) - TRUE_MCID
    first = rng.normal(*BASELINE, n)
    seen = [np.round((v + rng.normal(0, sem, n)) / RESOLUTION) * RESOLUTION for v in (first, first + change)]
    return rated_people(seen[1] - seen[0], np.digitize(felt, RATING_EDGES) - 1, before=seen[0], after=seen[1])


def bias_and_coverage(
    shares: Sequence[float] = SHARES,
    anchor_reliabilities: Sequence[float] = RELIABILITIES,
    people: Sequence[int] = PEOPLE,
    *,
    change_reliability: float = 0.7,
    sem_df: int = 49,
    repeats: int = 500,
    n_boot: int = 400,
    seed: int = 0,
) -> pd.DataFrame:
    """Simulate MCID studies with a known truth and return bias and coverage of every estimator.

    Parameters
    ----------
    shares, anchor_reliabilities, people : sequences
        The grid: expected share improved, reliability of the anchor, people per study.
    change_reliability : float, optional
        Share of the variance of the observed change that is true.
    sem_df : int, optional
        Degrees of freedom of the SEM, which is estimated anew for every study.
    repeats : int, optional
        Studies per cell of the grid.
    n_boot : int, optional
        Resamples per study; 0 leaves coverage out.
    seed : int, optional
        Every cell has its own stream, so no joblib back end (``joblib.parallel_config``) moves the result.

    Returns
    -------
    DataFrame
        method, people, share, anchor_reliability, bias (test units), bias_in_sd (of the observed change), sd, rmse,
        coverage (of the 95% interval), miss_low and miss_high (interval wholly below, above the truth), given (share
        of studies with an estimate), repeats, n_boot, seed.

    Examples
    --------
    >>> few = bias_and_coverage((0.3,), (0.6,), (200,), repeats=40, n_boot=0)
    >>> few.set_index("method").loc[["predictive", "latent_threshold"], "bias"].round(0).tolist()
    [-1.0, -0.0]
    """
    cells = [(n, p, rel) for n in people for rel in anchor_reliabilities for p in shares]
    keys = [(seed, n, round(1000 * p), round(1000 * rel)) for n, p, rel in cells]
    common = {"change_reliability": change_reliability, "sem_df": sem_df, "repeats": repeats, "n_boot": n_boot}
    parts = each(partial(_cell, **common), *zip(*cells, strict=True), keys)
    return pd.concat(parts, ignore_index=True).assign(repeats=repeats, n_boot=n_boot, seed=seed)


def _cell(
    n: int,
    share: float,
    anchor_reliability: float,
    key: tuple[int, ...],
    *,
    change_reliability: float,
    sem_df: int,
    repeats: int,
    n_boot: int,
) -> pd.DataFrame:
    rng = np.random.default_rng(key)
    true_sem = TRUE_SD * sqrt((1 / change_reliability - 1) / 2)
    values, lows, highs = (np.full((repeats, len(METHODS)), np.nan) for _ in range(3))
    for study in range(repeats):
        sample = simulated_people(rng, n, share=share, anchor_reliability=anchor_reliability, sem=true_sem)
        sem = true_sem * sqrt(rng.chisquare(sem_df) / sem_df)
        values[study], lows[study], highs[study] = _one_study(sample, sem, sem_df, n_boot, int(rng.integers(2**31)))
    off = values - TRUE_MCID
    with np.errstate(all="ignore"):
        given = np.isfinite(values)
        number = np.maximum(given.sum(axis=0), 1)
        bias = np.where(given, off, 0.0).sum(axis=0) / number
        sd = np.sqrt(np.where(given, (off - bias) ** 2, 0.0).sum(axis=0) / np.maximum(number - 1, 1))
        miss_low, miss_high = (highs < TRUE_MCID).mean(axis=0), (lows > TRUE_MCID).mean(axis=0)
    known = np.isfinite(lows) & np.isfinite(highs)
    covered = np.where(known.any(axis=0), ((lows <= TRUE_MCID) & (highs >= TRUE_MCID)).mean(axis=0), np.nan)
    return pd.DataFrame(
        {
            "method": METHODS,
            "people": n,
            "share": share,
            "anchor_reliability": anchor_reliability,
            "bias": bias,
            "bias_in_sd": bias / (TRUE_SD / sqrt(change_reliability)),
            "sd": sd,
            "rmse": np.sqrt(bias**2 + sd**2),
            "coverage": covered,
            "miss_low": miss_low,
            "miss_high": miss_high,
            "given": given.mean(axis=0),
        }
    )


def _one_study(sample: RatedPeople, sem: float, df: int, n_boot: int, seed: int) -> tuple[Floats, Floats, Floats]:
    layout = Layout.of(sample)
    rows = estimate_rows(layout, layout.kinds.counts[None], np.array([sem**2]))
    nothing = np.full(1, np.nan)
    values = np.array([rows.get(name, nothing)[0] for name in METHODS])
    if n_boot == 0:
        return values, np.full(len(METHODS), np.nan), np.full(len(METHODS), np.nan)
    drawn = draw_quantities(layout, rows, read_sem(sem, df), n_boot, seed)
    low, high = limits_of(drawn, 0.95)[:, : len(DRAWN)][:, : len(METHODS)]
    little, same = (sample.change[sample.rating == rating] for rating in (1, 0))
    for name, limits in (
        ("mean_change", mean_limits(little, 0.95)[1:]),
        ("mean_difference", welch_limits(little, same, 0.95)),
    ):
        low[METHODS.index(name)], high[METHODS.index(name)] = limits
    return values, low, high


def main(arguments: Sequence[str]) -> None:
    """Write the table to a CSV file: coverage at 200 people, bias and a rougher coverage at 80 and 800."""
    with parallel_config(n_jobs=int((*arguments, 1)[1])):
        main_part = bias_and_coverage(people=(200,), repeats=400, n_boot=300, seed=20)
        others = bias_and_coverage(people=(80, 800), repeats=150, n_boot=150, seed=20)
    table = pd.concat([main_part, others], ignore_index=True).sort_values(["people", "anchor_reliability", "share"])
    table.round(4).to_csv(arguments[0], index=False)


if __name__ == "__main__":
    main(sys.argv[1:])
