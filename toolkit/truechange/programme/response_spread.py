"""Whether people differ in how they respond: spread of change beside that of people who did not take part."""

from dataclasses import dataclass
from math import copysign, sqrt
from typing import Any

import numpy as np
import pandas as pd
from scipy.special import ndtri

from truechange.foundation.estimate import Estimate
from truechange.foundation.result import Result


@dataclass(frozen=True)
class IndividualResponse(Result):
    """Whether people differ in how they respond, beyond how people change anyway.

    Parameters
    ----------
    value : Estimate
        ``signed √(SD_T² − SD_C²)``: SD of the response itself, in the test's unit.
    variance : Estimate
        Its square, with the interval the square root is taken from.
    sd_programme, sd_comparison : float
        SD of change in both groups.
    """

    value: Estimate
    variance: Estimate
    sd_programme: float
    sd_comparison: float
    cautions: tuple[str, ...] = ()
    sources = ("hopkins2015", "atkinson2015")

    @property
    def shown(self) -> bool:
        """Whether the interval leaves out 0: people differ in their response."""
        return self.value.low > 0

    def table(self) -> pd.DataFrame:
        """Return one row a quantity: quantity, estimate, low, high."""
        named = {"SD of individual response": self.value, "its variance": self.variance}
        rows = [{"quantity": name, **kept.row()} for name, kept in named.items()]
        rows += [
            {"quantity": "SD of change, programme", "estimate": self.sd_programme},
            {"quantity": "SD of change, comparison", "estimate": self.sd_comparison},
        ]
        return pd.DataFrame(rows)[["quantity", "estimate", "low", "high", "method"]]

    def sentences(self) -> tuple[str, ...]:
        """Say whether the data show that people respond differently."""
        if self.shown:
            return (f"People differ in their response: its SD is {self.value}.",)
        return (
            (
                f"No evidence that people differ in their response (SD of individual response {self.value}): "
                "everyone improving by about the same amount fits the data, so searching for responder types is off."
            ),
        )


def signed_root(value: float) -> float:
    """Return the square root with the sign kept."""
    return copysign(sqrt(abs(value)), value)


def individual_response(
    programme: np.ndarray, comparison: np.ndarray, confidence: float = 0.95, unit: str = ""
) -> IndividualResponse:
    """Compare the spread of change with that of people who did not take part.

    Parameters
    ----------
    programme, comparison : ndarray
        Improvements, no missing values.
    confidence : float, optional
        Level of the interval.
    unit : str, optional
        Unit of the test.

    Notes
    -----
    ``SD_IR² = SD_T² − SD_C²`` with standard error ``√(2 SD_T⁴/df_T + 2 SD_C⁴/df_C)`` (Hopkins 2015; from memory).
    """
    v1, v2 = float(np.var(programme, ddof=1)), float(np.var(comparison, ddof=1))
    se = sqrt(2 * v1**2 / (programme.size - 1) + 2 * v2**2 / (comparison.size - 1))
    half = float(ndtri((1 + confidence) / 2)) * se
    gap = v1 - v2
    shared: dict[str, Any] = {"confidence": confidence, "n": programme.size + comparison.size}
    variance = Estimate(value=gap, low=gap - half, high=gap + half, method="difference of variances, normal", **shared)
    value = Estimate(
        value=signed_root(gap), low=signed_root(gap - half), high=signed_root(gap + half), unit=unit,
        method="signed root of the difference of variances", **shared,
    )  # fmt: skip
    return IndividualResponse(value, variance, sqrt(v1), sqrt(v2))
