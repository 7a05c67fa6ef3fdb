"""Sizes to compare an MCID with: spread and error of the test. They contain nothing about importance."""

from math import inf, nan, sqrt
from typing import NamedTuple

import numpy as np
import pandas as pd
from scipy.special import chdtri, ndtri

from truechange.foundation.errors import ChoiceError, check_numbers, stated
from truechange.foundation.estimate import Estimate, Threshold, plain_number
from truechange.meaningful_change.people import RatedPeople


class ScoreError(NamedTuple):
    """Standard error of measurement of the test, the degrees of freedom it was estimated with, and its limits."""

    sem: float
    df: float | None
    low: float
    high: float
    unit: str
    source: str


def score_error(sem: "float | Estimate | None", df: float | None, confidence: float) -> ScoreError | None:
    """Read the SEM a caller gave: a number, or an Estimate that brings its degrees of freedom and limits.

    Raises
    ------
    ChoiceError
        It is negative, missing, a threshold, or a whole result whose kind of SEM was not chosen.
    """
    if sem is None:
        return None
    if isinstance(sem, Threshold):
        raise ChoiceError("sem must be a standard error of measurement, got a threshold; pass .sem_agreement instead.")
    if hasattr(sem, "sem_agreement"):
        raise ChoiceError("Say which error is meant: pass sem=result.sem_agreement or sem=result.sem_consistency.")
    value = plain_number(sem, "sem")
    if not (value >= 0 and value < float("inf")):
        raise ChoiceError(f"sem={value!r} must be a number of at least 0, in the unit of the test.")
    check_numbers(**stated(sem_df=df))
    if df is not None and not df > 0:
        raise ChoiceError(f"sem_df={df!r} must be positive.")
    if isinstance(sem, Estimate):
        degrees = _finite(sem.df if df is None else df)
        told = "" if sem.origin.is_own else sem.origin.sentence()
        return ScoreError(value, degrees, sem.low, sem.high, sem.unit, told)
    df = _finite(df)
    low, high = (value * factor for factor in sd_factors(df, confidence)) if df else (nan, nan)
    return ScoreError(value, df, low, high, "", "typed by the user, source not stated")


def _finite(df: float | None) -> float | None:
    """Infinitely many degrees of freedom say that the SEM is known, which is what None says."""
    return None if df == inf else df


def sd_factors(df: float, confidence: float) -> tuple[float, float]:
    """Return the factors that turn an SD with `df` degrees of freedom into its chi-square limits."""
    tail = (1 - confidence) / 2
    return sqrt(df / float(chdtri(df, tail))), sqrt(df / float(chdtri(df, 1 - tail)))


def size_references(people: RatedPeople, error: ScoreError | None, confidence: float) -> pd.DataFrame:
    """Return 0.5 SD and 0.2 SD of the first score, 1 SEM, the MDC and 0.5 SD of change, with limits; NaN if unknown."""
    z = float(ndtri((1 + confidence) / 2)) * sqrt(2)
    few = people.n < 2
    baseline = nan if few or people.before is None else float(np.std(people.before, ddof=1))
    spread = nan if few else float(np.std(people.change, ddof=1))
    down, up = (nan, nan) if few else sd_factors(people.n - 1, confidence)
    sem = (nan, nan, nan) if error is None else (error.sem, error.low, error.high)
    rows = {
        "0.5 SD": (0.5 * baseline, 0.5 * baseline * down, 0.5 * baseline * up, "half the SD of the first score"),
        "0.2 SD": (
            0.2 * baseline,
            0.2 * baseline * down,
            0.2 * baseline * up,
            "a small effect, in SDs of the first score",
        ),
        "1 SEM": (*sem, "one standard error of measurement"),
        "MDC": (*(z * value for value in sem), "smallest change of one person beyond error"),
        "0.5 SD of change": (0.5 * spread, 0.5 * spread * down, 0.5 * spread * up, "half the SD of the change"),
    }
    frame = pd.DataFrame.from_dict(rows, orient="index", columns=["estimate", "low", "high", "meaning"])
    return frame.rename_axis("reference")
