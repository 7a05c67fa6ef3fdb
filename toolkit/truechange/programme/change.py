"""How much the group changed: mean with interval, a robust companion, effect sizes, and the part practice gives."""

from dataclasses import dataclass, replace
from math import sqrt
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import stdtr, stdtrit

from truechange.foundation.errors import DataError, check_confidence
from truechange.foundation.estimate import Estimate
from truechange.foundation.numbers import fixed, p_value, percent
from truechange.foundation.result import Result
from truechange.numerics.small_cells import FEW, few
from truechange.programme.effect_size import NOISE, average_sd_effect, standardised_response_mean
from truechange.programme.parts import Refused

if TYPE_CHECKING:
    from matplotlib.axes import Axes

Floats = NDArray[np.float64]
FEW_PAIRS = 10
TRIM = 0.2


@dataclass(frozen=True)
class PairedChange(Result):
    """Mean improvement of the people measured twice.

    Parameters
    ----------
    due : int
        People whose follow-up was due.
    mean : Estimate
        Mean improvement (positive = better) with its t interval.
    trimmed : Estimate
        Mean without the lowest and highest fifth, for comparison with `mean`.
    before, after : Estimate
        Mean scores at both times, in the test's own direction.
    sd_before, sd_change, correlation : float
        Spread of the scores before, of the improvement, and correlation of before with after.
    response_mean, effect : Estimate
        Mean change over SD of change, and over the average SD of both scores.
    p_value : float
        Of the paired t test.
    beyond_practice : Estimate or None
        Mean improvement less the gain that repeating the test gives, if that is known.
    cautions : tuple of str
        What a reader must know.
    with_unable : Estimate or None
        The mean with those `unable` at follow-up counted, their second score taken as `worst`.
    """

    due: int
    mean: Estimate
    trimmed: Estimate
    before: Estimate
    after: Estimate
    sd_before: float
    sd_change: float
    correlation: float
    response_mean: Estimate
    effect: Estimate
    p_value: float
    beyond_practice: Estimate | None
    improvements: Floats
    cautions: tuple[str, ...]
    with_unable: Estimate | None = None
    unable: int = 0
    worst: float = float("nan")
    sources = ("lakens2013", "algina2003", "tukey1963")

    def table(self) -> pd.DataFrame:
        """Return one row a quantity: quantity, estimate, low, high, n, unit, method."""
        named = {
            "score before": self.before,
            "score after": self.after,
            "mean improvement": self.mean,
            "trimmed mean improvement": self.trimmed,
            "standardised response mean": self.response_mean,
            "effect size (average SD)": self.effect,
        }
        if self.beyond_practice is not None:
            named["mean improvement beyond practice"] = self.beyond_practice
        if self.with_unable is not None:
            named[f"mean improvement, unable counted as {self.worst:g}"] = self.with_unable
        rows = [{"quantity": name, **kept.row()} for name, kept in named.items()]
        spread = {"SD before": self.sd_before, "SD of change": self.sd_change, "correlation": self.correlation}
        rows += [{"quantity": name, "estimate": value, "n": self.mean.n} for name, value in spread.items()]
        rows.append({"quantity": "p (paired t)", "estimate": self.p_value, "n": self.mean.n})
        return pd.DataFrame(rows)[["quantity", "estimate", "low", "high", "n", "unit", "method"]]

    def sentences(self) -> tuple[str, ...]:
        """State the mean improvement, its robust companion, and its size."""
        n = self.mean.n
        said = [
            (f"On average the {n} people measured twice (of {self.due} due) improved by {self.mean}; "
            f"{p_value(self.p_value)}."),
            (f"Without the lowest and highest fifth the mean is {self.trimmed}; "
            f"in standard deviations of change it is {self.response_mean}."),
        ]  # fmt: skip
        if self.beyond_practice is not None:
            said.append(f"Less what repeating the test gives by itself: {self.beyond_practice}.")
        if self.with_unable is not None:
            score = f"{self.worst:g} {self.mean.unit}".strip()
            said.append(
                f"That mean is of those able to do the test again; with {self.unable} who could not, their score taken "
                f"as {score}, it is {self.with_unable}."
            )
        return tuple(said)

    def public(self) -> Result:
        """Return the change, unless it is a mean of few people."""
        if few(self.mean.n or 0):
            return Refused("Change", f"{FEW.capitalize()} people have two scores: their mean is not shown.")
        return self

    def without_unable(self) -> "PairedChange":
        """Return the change without the second mean, whose size would tell how many were unable."""
        left_out = "The mean is of those able to do the test again; some could not."
        return replace(self, with_unable=None, unable=0, cautions=(*self.cautions, left_out))

    @property
    def alt(self) -> str:
        """The picture in words."""
        low, high = float(self.improvements.min()), float(self.improvements.max())
        return (
            f"Each person's improvement as a dot, from {fixed(low, 1)} to {fixed(high, 1)} {self.mean.unit}, "
            f"with the mean and its interval. {self.sentence()}"
        )

    def plot(self, *, ax: "Axes | None" = None) -> "Axes":
        """Draw every person's improvement, sorted, with the mean and its interval across."""
        from truechange.foundation import drawing

        ax = drawing.axes(ax)
        ordered = np.sort(self.improvements)
        ax.axhspan(self.mean.low, self.mean.high, color=drawing.WASH, lw=0)
        ax.axhline(0, color=drawing.QUIET, lw=1)
        ax.plot(np.arange(1, ordered.size + 1), ordered, "o", ms=3.5, color=drawing.INK, alpha=0.8)
        drawing.mark_line(ax, self.mean.value, "mean", colour=drawing.ACCENT, dash="-")
        ax.set_xlabel("people, least to most improved")
        ax.set_ylabel(f"improvement ({self.mean.unit})" if self.mean.unit else "improvement")
        return ax


def mean_estimate(values: Floats, confidence: float, unit: str = "") -> Estimate:
    """Return the mean with its t interval."""
    n = values.size
    mean, se = float(values.mean()), float(values.std(ddof=1)) / sqrt(n)
    half = float(stdtrit(n - 1, (1 + confidence) / 2)) * se
    return Estimate(
        value=mean, low=mean - half, high=mean + half, confidence=confidence, unit=unit, n=n, df=n - 1,
        method="mean, t interval",
    )  # fmt: skip


def trimmed_mean(values: Floats, confidence: float, unit: str = "", trim: float = TRIM) -> Estimate:
    """Return the trimmed mean with the Tukey-McLaughlin interval (winsorised SD, h − 1 degrees of freedom)."""
    n, ordered = values.size, np.sort(values)
    cut = int(trim * n)
    kept = ordered[cut : n - cut]
    winsorised = np.clip(ordered, kept[0], kept[-1])
    mean, df = float(kept.mean()), kept.size - 1
    se = float(winsorised.std(ddof=1)) / ((kept.size / n) * sqrt(n))
    half = float(stdtrit(df, (1 + confidence) / 2)) * se
    return Estimate(
        value=mean, low=mean - half, high=mean + half, confidence=confidence, unit=unit, n=n, df=df,
        method=f"{100 * trim:g}% trimmed mean, winsorised t interval",
    )  # fmt: skip


def paired_change(
    before: Any,
    after: Any,
    improvement: Any,
    *,
    due: int | None = None,
    unit: str = "",
    practice: "Estimate | float | None" = None,
    unable: Any = (),
    worst: float = float("nan"),
    confidence: float = 0.95,
) -> PairedChange:
    """Estimate the mean improvement of people measured twice.

    Parameters
    ----------
    before, after : array-like of float, shape (n,)
        Scores in the test's unit; NaN where there is none.
    improvement : array-like of float, shape (n,)
        Their difference, turned so that positive = better.
    due : int, optional
        People whose follow-up was due; all rows given by default.
    unit : str, optional
        Unit of the test.
    practice : Estimate or float, optional
        Mean gain of unchanged people from repeating the test (positive = better).
    unable : array-like of float, optional
        Improvements of people who could not do the second test, their second score taken as `worst`: a second mean
        counts them, so that no mean leaves them out in silence.
    worst : float, optional
        That score, in the test's unit.
    confidence : float, optional
        Level of the intervals.

    Returns
    -------
    PairedChange

    Raises
    ------
    DataError
        Fewer than 3 people have both scores.

    Examples
    --------
    >>> found = paired_change([9, 10, 12, 8, 11], [12, 11, 13, 12, 12], [3, 1, 1, 4, 1], unit="stands")
    >>> print(found.mean)
    2.0 stands (95% CI 0.2 to 3.8)
    """
    check_confidence(confidence)
    first, second, gained = (np.asarray(values, dtype=float) for values in (before, after, improvement))
    kept = np.isfinite(first) & np.isfinite(second) & np.isfinite(gained)
    n = int(kept.sum())
    if n < 3:
        raise DataError(f"{n} people have both scores; a mean change with an interval needs at least 3.")
    first, second, gained = first[kept], second[kept], gained[kept]
    due = first.size + int((~kept).sum()) if due is None else due
    lost = np.asarray(unable, dtype=float)
    lost = lost[np.isfinite(lost)]
    with_unable = mean_estimate(np.concatenate([gained, lost]), confidence, unit) if lost.size else None
    mean = mean_estimate(gained, confidence, unit)
    sd = float(gained.std(ddof=1))
    sd = 0.0 if sd <= NOISE * max(1.0, abs(mean.value)) else sd
    varies = sd > 0 and first.std() > 0 and second.std() > 0
    beyond = None if practice is None else _beyond(mean, practice, sd)
    t = mean.value / (sd / sqrt(n)) if sd else float("nan")
    return PairedChange(
        due=due,
        with_unable=with_unable,
        unable=int(lost.size),
        worst=worst,
        mean=mean,
        trimmed=trimmed_mean(gained, confidence, unit),
        before=mean_estimate(first, confidence, unit),
        after=mean_estimate(second, confidence, unit),
        sd_before=float(first.std(ddof=1)),
        sd_change=sd,
        correlation=float(np.corrcoef(first, second)[0, 1]) if varies else float("nan"),
        response_mean=standardised_response_mean(gained, confidence),
        effect=average_sd_effect(first, second, gained, confidence),
        p_value=2 * float(stdtr(n - 1, -abs(t))),
        beyond_practice=beyond,
        improvements=gained,
        cautions=_cautions(n, due, sd),
    )


def _beyond(mean: Estimate, practice: "Estimate | float", sd: float) -> Estimate:
    """Subtract the practice gain, its standard error added to that of the mean."""
    gain, se, n = float(practice), 0.0, mean.n or 1
    if isinstance(practice, Estimate) and practice.has_interval:
        se = (practice.high - practice.low) / (2 * float(stdtrit(practice.df or 1e9, (1 + practice.confidence) / 2)))
    half = float(stdtrit(n - 1, (1 + mean.confidence) / 2)) * sqrt(sd**2 / n + se**2)
    value = mean.value - gain
    return Estimate(
        value=value, low=value - half, high=value + half, confidence=mean.confidence, unit=mean.unit, n=n, df=n - 1,
        method="mean less practice gain, both uncertainties",
    )  # fmt: skip


def _cautions(n: int, due: int, sd: float) -> tuple[str, ...]:
    notes = ["Change from before to after is not the effect of the programme: people also change by themselves."]
    if n < due:
        notes.append(f"The mean is of the {n} people measured twice, {percent(n / due)} of those due.")
    if n < FEW_PAIRS:
        notes.append(f"Only {n} people: the interval leans on the changes being normal.")
    if sd == 0:
        notes.append("Every change is the same; effect sizes and the test are not defined.")
    return tuple(notes)
