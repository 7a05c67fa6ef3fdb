"""Limits of agreement: where the difference between two measurements of the same person is expected to lie."""

from dataclasses import dataclass
from math import sqrt
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy.special import chdtri, ndtri, stdtrit

from truechange.foundation.errors import DataError, check_choice, check_confidence
from truechange.foundation.estimate import Estimate
from truechange.foundation.result import Result
from truechange.reliability.spread import Spread, line_slope, spread_of

if TYPE_CHECKING:
    pass

METHODS = ("exact", "pair", "approximate")


@dataclass(frozen=True)
class LimitsOfAgreement(Result):
    """Bias between two measurements and the limits of most differences (first minus second).

    Parameters
    ----------
    bias : Estimate
        Mean difference.
    lower, upper : Estimate
        Limits of agreement, each with its interval.
    repeatability : Estimate
        Repeatability coefficient: 1.96 √2 within-person SD, a shift between the two counted as error.
    prediction : Estimate
        Interval in which one future difference is expected.
    proportional_bias : Estimate
        Slope of difference on mean.
    heteroscedasticity : Estimate
        Slope of absolute residual on mean.
    spread : Spread
        The whole check behind it.
    first, second : ndarray
        The pairs (means of replicates; logarithms under ``scale="log"``).
    """

    bias: Estimate
    lower: Estimate
    upper: Estimate
    repeatability: Estimate
    prediction: Estimate
    proportional_bias: Estimate
    heteroscedasticity: Estimate
    spread: Spread
    first: np.ndarray
    second: np.ndarray
    method: str
    scale: str
    cautions: tuple[str, ...] = ()
    sources: tuple[str, ...] = ("bland1986", "bland1999", "carkeet2015", "shieh2018")

    @property
    def n(self) -> int:
        """Pairs."""
        return int(self.first.size)

    def table(self) -> pd.DataFrame:
        """Return one row a quantity, unrounded."""
        named = {
            "bias": self.bias,
            "lower limit": self.lower,
            "upper limit": self.upper,
            "repeatability coefficient": self.repeatability,
            "prediction interval": self.prediction,
            "slope of difference on mean": self.proportional_bias,
            "slope of absolute residual on mean": self.heteroscedasticity,
        }
        return pd.DataFrame({name: e.row() for name, e in named.items()}).T.infer_objects().rename_axis("quantity")

    def sentences(self) -> tuple[str, ...]:
        """Say bias and limits."""
        what = "ratio, first over second" if self.scale == "log" else "first minus second"
        return (
            f"Bias ({what}): {self.bias}.",
            f"Limits of agreement: {self.lower} and {self.upper}, {self.n} pairs.",
        )


def limits_of_agreement(
    first: ArrayLike, second: ArrayLike, confidence: float = 0.95, method: str = "exact"
) -> LimitsOfAgreement:
    """Estimate bias and limits of agreement between two measurements of the same people.

    Examples
    --------
    >>> found = limits_of_agreement([12, 9, 14, 11, 8, 13], [11, 10, 12, 11, 9, 12])
    >>> round(found.bias.value, 3), round(found.lower.value, 3), round(found.upper.value, 3)
    (0.333, -2.04, 2.707)
    """
    check_choice("method", method, METHODS)
    check_confidence(confidence)
    a, b = (np.asarray(held, dtype=float) for held in (first, second))
    if a.shape != b.shape or a.ndim != 1:
        raise DataError(f"first and second must be two columns of equal length, got shapes {a.shape} and {b.shape}.")
    d = a - b
    bias, lower, upper, prediction = limits_from_summary(
        n=d.size, bias=float(d.mean()), sd=float(d.std(ddof=1)), confidence=confidence, method=method
    )
    slope, _ = line_slope((a + b) / 2, d, confidence, "slope of difference on mean, t interval")
    spread = spread_of(a, b, confidence)
    n = d.size
    within = sqrt(float(np.sum(d**2)) / (2 * n))
    tails = (1 - confidence) / 2, (1 + confidence) / 2
    z = float(ndtri(0.975)) * sqrt(2)
    low, high = (z * within * sqrt(n / float(chdtri(n, tail))) for tail in tails)
    repeat = Estimate(
        value=z * within,
        low=low,
        high=high,
        confidence=confidence,
        n=n,
        df=n,
        method="1.96 √2 √(within-person mean square), chi-square interval",
    )
    return LimitsOfAgreement(bias, lower, upper, repeat, prediction, slope, spread.slope, spread, a, b, method, "raw")


def limits_from_summary(
    *, n: int, bias: float, sd: float, confidence: float = 0.95, method: str = "exact", coverage: float = 0.95
) -> tuple[Estimate, Estimate, Estimate, Estimate]:
    """Return bias, lower limit, upper limit and prediction interval from n, mean and SD of the differences."""
    z, t = float(ndtri((1 + coverage) / 2)), float(stdtrit(n - 1, (1 + confidence) / 2))
    inner, outer = limit_factors(n, confidence, method, coverage)

    def estimate(value: float, low: float, high: float, how: str) -> Estimate:
        return Estimate(value=value, low=low, high=high, confidence=confidence, n=n, df=n - 1, method=how)

    half = t * sd / sqrt(n)
    ahead = float(stdtrit(n - 1, (1 + coverage) / 2)) * sd * sqrt(1 + 1 / n)
    how = f"bias ± {z:.3f} SD, {method} interval"
    return (
        estimate(bias, bias - half, bias + half, "mean difference, t interval"),
        estimate(bias - z * sd, bias - outer * sd, bias - inner * sd, how),
        estimate(bias + z * sd, bias + inner * sd, bias + outer * sd, how),
        estimate(bias, bias - ahead, bias + ahead, "prediction interval of one future difference"),
    )


def limit_factors(n: int, confidence: float, method: str, coverage: float = 0.95) -> tuple[float, float]:
    """Return the two factors k so that bias + k SD bounds the upper limit of agreement.

    Exact: quantiles of the non-central t with n-1 df and non-centrality z√n,
    over √n. As a pair: two-sided normal tolerance factors. Approximate:
    z ± t √(1/n + z²/(2(n-1))).
    """
    from scipy.optimize import brentq
    from scipy.special import chdtrc, chndtrix, nctdtrit

    z, tails = float(ndtri((1 + coverage) / 2)), ((1 - confidence) / 2, (1 + confidence) / 2)
    if method == "exact":
        low, high = (float(nctdtrit(n - 1, z * sqrt(n), tail)) / sqrt(n) for tail in tails)
        return low, high
    if method == "approximate":
        half = float(stdtrit(n - 1, tails[1])) * sqrt(1 / n + z**2 / (2 * (n - 1)))
        return z - half, z + half
    # the chance, over the sample mean, that mean ± k SD holds at least `coverage` of the differences
    nodes, weights = np.polynomial.hermite_e.hermegauss(64)
    reach = chndtrix(coverage, 1, nodes**2 / n)
    share = weights / weights.sum()
    low, high = (
        float(brentq(lambda k, p=tail: share @ chdtrc(n - 1, (n - 1) * reach / k**2) - p, 1e-3, 1e4)) for tail in tails
    )
    return low, high
