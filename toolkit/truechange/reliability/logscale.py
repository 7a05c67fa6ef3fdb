"""Error in percent: the same study on the logarithmic scale."""

from dataclasses import dataclass, replace
from math import exp, sqrt

import numpy as np
import pandas as pd
from scipy.special import ndtri

from truechange.foundation.errors import RefusedError
from truechange.foundation.estimate import Estimate
from truechange.foundation.result import Result
from truechange.numerics.resampling import Floats
from truechange.reliability.layout import Sample, estimates_table
from truechange.reliability.spread import spread_of


@dataclass(frozen=True)
class LogError(Result):
    """Measurement error as a ratio; limits in percent are lopsided, up is not down.

    Parameters
    ----------
    sem : Estimate
        SEM of the natural logarithms (no unit).
    cv : Estimate
        Typical error as a coefficient of variation, exp(SEM) - 1, as a fraction.
    mdc95_up, mdc95_down : Estimate
        Factors by which one person's score must rise or fall beyond error.
    flatter : {"raw", "log"}
        On which scale the spread depends less on the level.
    rank_raw, rank_log : float
        Spearman's correlation of spread with level on either scale.
    """

    sem: Estimate
    cv: Estimate
    mdc95_up: Estimate
    mdc95_down: Estimate
    flatter: str
    rank_raw: float
    rank_log: float
    cautions: tuple[str, ...] = ()
    sources: tuple[str, ...] = ("bland1999", "hopkins2000")

    def table(self) -> pd.DataFrame:
        """Return one row a quantity, unrounded."""
        factors = {"CV": self.cv, "MDC95 up": self.mdc95_up, "MDC95 down": self.mdc95_down}
        return estimates_table({"SEM of logs": self.sem} | factors)

    def sentences(self) -> tuple[str, ...]:
        """Say the percentages up and down."""
        up, down = 100 * (self.mdc95_up.value - 1), 100 * (1 - self.mdc95_down.value)
        return (
            f"Typical error {100 * self.cv.value:.1f}%; beyond it: a rise by {up:.0f}% or a fall by {down:.0f}%.",
            f"The spread depends less on the level on the {self.flatter} scale; choose before outcomes are seen.",
        )


def log_error(scores: Floats, sem_of_logs: Estimate) -> LogError:
    """Turn the SEM of the logarithms of `scores` (people x trials) into ratios.

    Raises
    ------
    RefusedError
        A score is 0 or less: it has no logarithm.
    """
    raw, logs = (spread_of(held, Sample(len(held))) for held in (scores, np.log(scores)))
    factor = float(ndtri(0.975)) * sqrt(2)

    def mapped(times: float, less: float, method: str) -> Estimate:
        value, *ends = (exp(times * s) - less for s in (sem_of_logs.value, sem_of_logs.low, sem_of_logs.high))
        return replace(sem_of_logs, value=value, low=min(ends), high=max(ends), method=method)

    flatter = "log" if abs(logs.rank_correlation) < abs(raw.rank_correlation) else "raw"
    return LogError(
        sem_of_logs,
        mapped(1.0, 1.0, "exp(SEM of logs) − 1"),
        mapped(factor, 0.0, "exp(1.960 √2 SEM of logs)"),
        mapped(-factor, 0.0, "exp(−1.960 √2 SEM of logs)"),
        flatter,
        raw.rank_correlation,
        logs.rank_correlation,
    )


def logarithms(scores: Floats) -> Floats:
    """Return natural logarithms, or refuse scores that have none.

    Raises
    ------
    RefusedError
        Says how many scores are 0 or less.
    """
    if (scores <= 0).any():
        raise RefusedError(
            f"{int((scores <= 0).sum())} scores are 0 or less and have no logarithm. Stay on the raw scale with an SEM "
            "that depends on the level (.spread), and report the people at the floor apart."
        )
    return np.log(scores)
