"""The programme beside people who did not take part: adjusted difference, shares, and spread of response."""

from dataclasses import dataclass
from math import copysign, sqrt
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from scipy.special import ndtri, stdtr, stdtrit

from truechange.foundation.errors import DataError
from truechange.foundation.estimate import Estimate
from truechange.foundation.numbers import p_value
from truechange.foundation.result import Result
from truechange.programme.parts import Refused
from truechange.responders import compare_responders
from truechange.responders.comparing import ResponderComparison

if TYPE_CHECKING:
    from matplotlib.axes import Axes


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


@dataclass(frozen=True)
class ProgrammeComparison(Result):
    """The programme and a comparison group, one test.

    Parameters
    ----------
    programme, compare : str
        Names of the groups.
    unadjusted : Estimate
        Difference of mean improvements (Welch).
    adjusted : Estimate
        The same at equal score before (analysis of covariance, HC3 standard errors).
    p_value : float
        Of `adjusted`.
    slope : float
        Change of the improvement per unit of score before.
    parallel_p : float
        Whether that slope differs between the groups.
    responders : ResponderComparison or Refused
        Shares that changed enough, of those who started.
    response : IndividualResponse
        Spread of response.
    """

    programme: str
    compare: str
    unadjusted: Estimate
    adjusted: Estimate
    p_value: float
    slope: float
    parallel_p: float
    responders: "ResponderComparison | Refused"
    response: IndividualResponse
    cautions: tuple[str, ...]

    @property
    def sources(self) -> tuple[str, ...]:  # type: ignore[override]
        """Keys of the bibliography."""
        return tuple(dict.fromkeys(("vickers2001", "long2000", *self.responders.sources, *self.response.sources)))

    @property
    def refused(self) -> tuple[Refused, ...]:
        """The parts that could not be computed."""
        return (self.responders,) if isinstance(self.responders, Refused) else ()

    def table(self) -> pd.DataFrame:
        """Return one row a quantity: quantity, estimate, low, high, method."""
        named = {
            "difference of mean improvements": self.unadjusted,
            "the same, adjusted for score before": self.adjusted,
        }
        rows = [pd.DataFrame([{"quantity": name, **kept.row()} for name, kept in named.items()])]
        rows.append(pd.DataFrame([{"quantity": "p (adjusted)", "estimate": self.p_value},
                                  {"quantity": "p (slopes differ)", "estimate": self.parallel_p}]))  # fmt: skip
        if not isinstance(self.responders, Refused):
            rows.append(self.responders.table())
        rows.append(self.response.table())
        return pd.concat(rows, ignore_index=True)[["quantity", "estimate", "low", "high", "method"]]

    def sentences(self) -> tuple[str, ...]:
        """State the adjusted difference, the shares and the spread of response."""
        first = (
            f"Compared with {self.compare}, people in {self.programme} improved by {self.adjusted} more at equal score "
            f"before ({p_value(self.p_value)})."
        )
        return (first, self.responders.sentence(), *self.response.sentences())

    @property
    def alt(self) -> str:
        """The picture in words."""
        return "Difference of mean improvement, plain and adjusted, with intervals. " + self.sentence()

    def plot(self, *, ax: "Axes | None" = None) -> "Axes":
        """Draw the difference with and without adjustment."""
        from truechange.foundation import drawing

        ax = drawing.interval_rows(
            ["as measured", "at equal score before"], [self.unadjusted, self.adjusted], ax=ax, strong=(1,),
            unit=f"improvement, {self.programme} less {self.compare} ({self.adjusted.unit})",
        )  # fmt: skip
        ax.axvline(0, color=drawing.QUIET, lw=1)
        return ax


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


def compare_programmes(
    programme: pd.DataFrame,
    comparison: pd.DataFrame,
    threshold: float | None,
    *,
    names: tuple[str, str],
    why_no_threshold: str = "",
    unit: str = "",
    confidence: float = 0.95,
) -> ProgrammeComparison:
    """Compare two groups of people who started, on one test.

    Parameters
    ----------
    programme, comparison : DataFrame
        One row a person who started: before, improvement (NaN without a usable follow-up).
    threshold : float or None
        Smallest change that counts; None leaves the shares out.
    names : tuple of str
        Names of the groups.
    why_no_threshold : str, optional
        Reason shown in place of the shares.
    unit : str, optional
        Unit of the test.
    confidence : float, optional
        Level of the intervals.

    Raises
    ------
    DataError
        Fewer than 10 people with a usable follow-up in a group.
    """
    kept = [frame.dropna(subset=["before", "improvement"]) for frame in (programme, comparison)]
    for frame, name in zip(kept, names, strict=True):
        if len(frame) < 10:
            raise DataError(f"{name} has {len(frame)} people with a usable follow-up; a comparison needs at least 10.")
    first, second = (frame["improvement"].to_numpy(float) for frame in kept)
    group = np.repeat([1.0, 0.0], [first.size, second.size])
    before = np.concatenate([frame["before"].to_numpy(float) for frame in kept])
    adjusted, p, slope, parallel = adjusted_difference(before, np.concatenate([first, second]), group, confidence, unit)
    shares: ResponderComparison | Refused = Refused("Responder comparison", why_no_threshold)
    if threshold is not None:
        counts = [(int((f["improvement"] >= threshold).sum()), len(f)) for f in (programme, comparison)]
        shares = compare_responders(*counts[0], *counts[1], confidence=confidence)
    notes = ["The groups were not necessarily formed by lot: adjusted for the score before only."]
    if parallel < 0.05:
        notes.append("The effect of the score before differs between the groups; one adjusted difference is a summary.")
    return ProgrammeComparison(
        programme=names[0],
        compare=names[1],
        unadjusted=welch_difference(first, second, confidence, unit),
        adjusted=adjusted,
        p_value=p,
        slope=slope,
        parallel_p=parallel,
        responders=shares,
        response=individual_response(first, second, confidence, unit),
        cautions=tuple(notes),
    )
