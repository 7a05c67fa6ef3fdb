"""How many would reach the threshold if nobody had truly changed."""

from dataclasses import dataclass
from math import isfinite
from typing import Any

import numpy as np
import pandas as pd
from scipy.special import bdtrc, chdtri

from truechange.foundation.distributions import error_share
from truechange.foundation.errors import DataError, check_confidence
from truechange.foundation.estimate import Estimate, Threshold, plain_number
from truechange.foundation.numbers import fixed, percent
from truechange.foundation.result import Result
from truechange.foundation.sem import read_sem
from truechange.responders.counting import any_threshold, numbers
from truechange.responders.shares import check_count, how_many, proportion


@dataclass(frozen=True)
class ErrorOnly(Result):
    """What measurement error alone would produce.

    Parameters
    ----------
    share : Estimate
        Chance that one unchanged person reaches the threshold; its interval carries the uncertainty of the SEM.
    n : int
        People measured twice: error moves nobody else over a threshold.
    threshold : Threshold
        The threshold.
    sem : float
        Standard error of measurement, in the unit of the test.
    practice : float
        Gain expected from repeating the test, in the unit of the test.
    resolution : float
        Step in which the test is scored; 0 for a scale without steps.
    retest : Estimate or None
        Share of real retest pairs of unchanged people that reached the threshold, if they were given.
    cautions : tuple of str
        What a reader must know.
    """

    share: Estimate
    n: int
    threshold: Threshold
    sem: float
    practice: float
    resolution: float
    retest: Estimate | None
    cautions: tuple[str, ...]

    @property
    def proportion(self) -> float:
        """Chance that one unchanged person reaches the threshold."""
        return self.share.value

    @property
    def expected(self) -> float:
        """People of `n` expected to reach the threshold from error alone."""
        return self.n * self.share.value

    def tail(self, k: int) -> float:
        """Chance of at least `k` such people among `n`, if nobody truly changed (exact binomial)."""
        k, _ = check_count(k, self.n)
        return 1.0 if k == 0 else float(bdtrc(k - 1, self.n, self.share.value))

    def table(self) -> pd.DataFrame:
        """Return one row: threshold, sem, practice, resolution, n, proportion, low, high, expected, retest_share."""
        row = {"threshold": self.threshold.value, "sem": self.sem, "practice": self.practice}
        row |= {"resolution": self.resolution, "n": self.n, "proportion": self.proportion}
        row |= {"low": self.share.low, "high": self.share.high, "expected": self.expected}
        return pd.DataFrame([row | {"retest_share": self.retest.value if self.retest else np.nan}])

    def sentences(self) -> tuple[str, ...]:
        """Say how many people measurement error alone would carry over the threshold."""
        between = ""
        if self.share.has_interval:
            between = f"; {percent(self.share.low)} to {percent(self.share.high)} as far as the error is known"
        first = (
            f"If nobody had truly changed, measurement error alone would carry about {fixed(self.expected, 1)} of "
            f"{self.n} people measured twice ({percent(self.proportion)}{between}) over the threshold."
        )
        said = [first]
        if self.retest is not None:
            low, high = percent(self.retest.low), percent(self.retest.high)
            said.append(
                f"Of the {self.retest.n} unchanged people of the retest study {percent(self.retest.value)} reached it "
                f"({100 * self.retest.confidence:g}% CI {low} to {high})."
            )
        return tuple(said)


def responders_from_error(
    threshold: "Threshold | float",
    *,
    sem: "Estimate | float",
    n: int,
    practice: float = 0.0,
    resolution: float = 0.0,
    sem_df: float | None = None,
    retest: Any = None,
    confidence: float = 0.95,
) -> ErrorOnly:
    """Compute how many of `n` unchanged people would reach `threshold` by measurement error alone.

    Parameters
    ----------
    threshold : Threshold or float
        Person-level threshold, in the unit of the test.
    sem : Estimate or float
        Standard error of measurement of one score, as tested: with the rounding that the scores have.
    n : int
        People measured twice.
    practice : float, optional
        Mean gain of unchanged people from repeating the test (positive = better).
    resolution : float, optional
        Step in which the test is scored (``tc.measure(key).resolution``). On a test of whole numbers error alone
        carries more people over a threshold than the smooth normal tail says; 0 for a scale without steps.
    sem_df : float, optional
        Degrees of freedom of the SEM; taken from an Estimate. Gives the share its interval.
    retest : array-like, optional
        Improvements of unchanged people tested twice, for the same share counted instead of computed.
    confidence : float, optional
        Level of the interval.

    Returns
    -------
    ErrorOnly

    Raises
    ------
    DataError
        The SEM is negative or `n` not a whole number of people.

    Notes
    -----
    Normal errors of equal size at both visits, before rounding to steps of the resolution:
    :func:`truechange.foundation.distributions.error_share`. For a scale without steps it is
    ``1 − Φ((T − practice) / (√2 SEM))`` (textbook form).

    Examples
    --------
    >>> found = responders_from_error(2, sem=1.414, n=100)
    >>> round(found.proportion, 3), round(found.expected, 1), round(found.tail(25), 3)
    (0.159, 15.9, 0.012)
    """
    check_confidence(confidence)
    limit = any_threshold(threshold)
    known = read_sem(sem, sem_df)
    value, df = known.value, known.df
    _, n = check_count(0, n)
    practice, resolution = plain_number(practice, "practice"), plain_number(resolution, "resolution")
    if not 0 <= resolution < float("inf"):
        raise DataError(f"resolution={resolution!r} must be the step of the test, or 0 for a scale without steps.")
    if not isfinite(practice):
        raise DataError(f"practice={practice!r} is no usable number; give 0 if nothing is known of it, and say so.")
    low = high = float("nan")
    notes = [
        *limit.cautions,
        "The two errors are taken as independent, normal and of the same size for everyone.",
        *known.cautions,
    ]
    if df is not None:
        tails = np.array([(1 + confidence) / 2, (1 - confidence) / 2])
        edges = value * np.sqrt(df / chdtri(df, 1 - tails))
        low, high = (error_share(limit.value, float(edge), practice, resolution) for edge in edges)
        low, high = min(low, high), max(low, high)
    else:
        notes.append("The SEM is taken as known exactly, so the expected number has no interval.")
    counted = None
    if retest is not None:
        gains = numbers(retest, "retest")
        gains = gains[np.isfinite(gains)]
        if not gains.size:
            raise DataError("retest holds no improvement: leave it out.")
        counted = proportion(how_many(gains, limit.value), gains.size, confidence)
    steps = f", scores in steps of {resolution:g}" if resolution else ""
    share = Estimate(
        value=error_share(limit.value, value, practice, resolution),
        low=low,
        high=high,
        confidence=confidence,
        n=n,
        df=df,
        method=f"normal errors{steps}; interval from the chi-square interval of the SEM",
    )
    return ErrorOnly(share, n, limit, value, practice, resolution, counted, tuple(notes))
