"""Fill gaps several times by Bayesian linear regression, and pool by Rubin's rules."""

from dataclasses import dataclass
from math import inf, sqrt

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtrit

from truechange.foundation.errors import DataError
from truechange.foundation.estimate import Estimate

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Pooled:
    """Rubin's rules for one number.

    Parameters
    ----------
    estimate : Estimate
        Pooled value and interval.
    within, between, total : float
        Variance inside the filled data sets, between them, and together.
    relative_increase : float
        ``(1 + 1/m) between / within``.
    missing_information : float
        ``(1 + 1/m) between / total``: share of the total variance that is due to the gaps.
    """

    estimate: Estimate
    within: float
    between: float
    total: float
    relative_increase: float
    missing_information: float


def rubin(
    values: Floats, variances: Floats, *, df_complete: float = inf, confidence: float = 0.95, unit: str = ""
) -> Pooled:
    """Pool estimates from filled data sets (Rubin 1987; degrees of freedom of Barnard and Rubin 1999).

    Parameters
    ----------
    values, variances : ndarray, shape (m,)
        Estimate and its squared standard error in each filled data set.
    df_complete : float, optional
        Degrees of freedom if nothing were missing.
    confidence, unit
        Of the pooled estimate.

    Examples
    --------
    >>> import numpy as np
    >>> found = rubin(np.array([2.0, 2.2, 1.8]), np.array([0.04, 0.05, 0.045]))
    >>> round(found.estimate.value, 2), round(found.total, 4)
    (2.0, 0.0983)
    """
    m = values.size
    within, between = float(variances.mean()), float(values.var(ddof=1)) if m > 1 else 0.0
    total = within + (1 + 1 / m) * between
    share = (1 + 1 / m) * between / total if total else 0.0
    rubin_df = (m - 1) / share**2 if share else inf
    observed = inf if df_complete == inf else (df_complete + 1) / (df_complete + 3) * df_complete * (1 - share)
    df = 1 / (1 / rubin_df + 1 / observed) if min(rubin_df, observed) < inf else inf
    half = float(stdtrit(min(df, 1e9), (1 + confidence) / 2)) * sqrt(total)
    value = float(values.mean())
    estimate = Estimate(
        value=value, low=value - half, high=value + half, confidence=confidence, unit=unit, df=df,
        method=f"multiple imputation, m = {m}, Rubin's rules",
    )  # fmt: skip
    return Pooled(estimate, within, between, total, (1 + 1 / m) * between / within if within else inf, share)


def impute(table: Floats, m: int, seed: int, rounds: int = 5) -> Floats:
    """Fill the gaps of a table `m` times by chained Bayesian linear regressions.

    Each column with gaps is regressed on all others where it is known; residual variance and coefficients are drawn
    from their posterior, and the gaps from the regression with noise. `rounds` passes over the columns, fewest gaps
    first, make one filled table.

    Parameters
    ----------
    table : ndarray, shape (n, p)
        Numeric columns; NaN is a gap.
    m : int
        Filled tables.
    seed : int
        Same seed, same tables.
    rounds : int, optional
        Passes.

    Returns
    -------
    ndarray, shape (m, n, p)

    Raises
    ------
    DataError
        A column with gaps is known for fewer people than the regression has coefficients plus three.
    """
    gaps = np.isnan(table)
    order = [int(column) for column in np.argsort(gaps.sum(axis=0), kind="stable") if gaps[:, column].any()]
    for column in order:
        known = int((~gaps[:, column]).sum())
        if known < table.shape[1] + 3:
            raise DataError(
                f"{known} people with a known value are too few to fill the others from {table.shape[1]} facts."
            )
    start = np.where(gaps, np.nanmean(table, axis=0), table)
    centre, scale = start.mean(axis=0), start.std(axis=0)
    scale[scale == 0] = 1.0
    start = (start - centre) / scale
    filled = np.empty((m, *table.shape))
    streams = np.random.SeedSequence(seed).spawn(m)
    for at, stream in enumerate(streams):
        rng, held = np.random.default_rng(stream), start.copy()
        for _ in range(rounds if len(order) > 1 else 1):
            for column in order:
                held[gaps[:, column], column] = _draw(held, gaps[:, column], column, rng)
        filled[at] = held * scale + centre
    return filled


def _draw(held: Floats, gap: NDArray[np.bool_], column: int, rng: np.random.Generator) -> Floats:
    others = np.delete(held, column, axis=1)
    others = others[
        :, others[~gap].std(axis=0) > 1e-9
    ]  # a fact that never varies where the target is known says nothing
    design = np.column_stack([np.ones(len(held)), others])
    x, y = design[~gap], held[~gap, column]
    root = np.linalg.cholesky(np.linalg.inv(x.T @ x + 1e-6 * np.eye(x.shape[1])))
    best = root @ (root.T @ (x.T @ y))
    df = max(1, x.shape[0] - x.shape[1])
    sigma = sqrt(float(np.sum((y - x @ best) ** 2)) / rng.chisquare(df))
    drawn = best + sigma * (root @ rng.standard_normal(best.size))
    return design[gap] @ drawn + sigma * rng.standard_normal(int(gap.sum()))
