"""What the people without a follow-up could do to the answer: bounds, imputation, and the point where it tips."""

from dataclasses import dataclass, replace
from math import ceil
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import expit, logit

from truechange.foundation.errors import DataError
from truechange.foundation.estimate import Estimate
from truechange.foundation.numbers import fixed, percent, reaches
from truechange.foundation.result import Result
from truechange.numerics.intervals import wilson_limits
from truechange.programme.imputation import impute, rubin
from truechange.responders.counting import how_many

if TYPE_CHECKING:
    from matplotlib.axes import Axes

Floats = NDArray[np.float64]
MEASURED, NONE, ALL = "only those measured", "none of the missing changed enough", "all of the missing changed enough"
IMPUTED = "the missing as people like them (imputed)"
MANY, TOO_MANY = 0.3, 0.5
FARTHEST, STEP = 5.0, 0.1  # tipping point: how many thresholds worse than people like them, and in what steps


@dataclass(frozen=True)
class MissingFollowUp(Result):
    """The answer under each way of treating the people without a usable follow-up.

    Parameters
    ----------
    rows : DataFrame
        Responder share by way: way, people, of, share, low, high.
    due, missing, unable : int
        People whose follow-up was due, those without a usable follow-up, and those of them who could not do the test.
    mean : Estimate or None
        Mean improvement of everyone due but the unable, imputed.
    missing_information : float
        Share of the variance of that mean which is due to the gaps.
    tipping : DataFrame
        delta (in thresholds by which the missing did worse than people like them), share, low, high, mean, mean_low,
        mean_high.
    tips_mean, tips_share : float
        Smallest delta at which the mean's interval reaches `no_change`, and the share's reaches `error_share`; NaN if
        none up to five thresholds does, None if it may not be told.
    no_change, error_share : float
        What mean and share are held against.
    limit : str
        What the threshold is: ``"MCID"``, ``"MDC95"``.
    cautions : tuple of str
        What a reader must know.
    """

    rows: pd.DataFrame
    due: int
    missing: int
    unable: int
    mean: Estimate | None
    missing_information: float
    tipping: pd.DataFrame
    tips_mean: float | None
    tips_share: float
    no_change: float
    error_share: float
    cautions: tuple[str, ...]
    limit: str = "threshold"
    sources = ("newcombe1998a", "rubin1987", "barnard1999", "floden2019")

    @property
    def many(self) -> bool:
        """Whether three in ten or more of those due are missing, but fewer than half."""
        return MANY * self.due <= self.missing < TOO_MANY * self.due

    @property
    def scale(self) -> str:
        """What `delta` counts, for an axis."""
        return f"times the {self.limit} the missing did worse"

    def table(self) -> pd.DataFrame:
        """Return one row a way: way, people, of, share, low, high."""
        return self.rows.copy()

    def sentences(self) -> tuple[str, ...]:
        """Say between which shares the truth must lie, what imputation gives, and when the answer tips."""
        if not self.missing:
            return ("Everyone due has a usable follow-up.",)
        kept = dict(zip(self.rows["way"], self.rows["share"], strict=True))
        how = ": read these bounds and the imputed share before the counted one" if self.many else ""
        said = [
            (f"{self.missing} of the {self.due} people due have no usable follow-up; the share lies between "
            f"{percent(float(kept[NONE]))} and {percent(float(kept[ALL]))}{how}.")
        ]  # fmt: skip
        if self.mean is None:
            return (*said, "Nothing was imputed.")
        row = self.rows[self.rows["way"] == IMPUTED].iloc[0]
        said.append(
            f"If the missing changed as people like them did, {percent(row['share'])} changed enough "
            f"({percent(row['low'])} to {percent(row['high'])}) and the mean improvement is {self.mean}."
        )
        for what, delta in (("mean improvement", self.tips_mean), ("share", self.tips_share)):
            if delta is None:
                continue
            against = "no change" if what != "share" else "what error alone gives"
            said.append(
                f"The {what} stays above {against} even if the missing did {FARTHEST:g} times the {self.limit} worse "
                "than people like them."
                if np.isnan(delta)
                else f"The {what} could no longer be told from {against} if the missing did {fixed(delta, 1)} "
                f"times the {self.limit} worse than people like them."
            )
        return tuple(said)

    def without_unable(self) -> "MissingFollowUp":
        """Return the result without the number of people unable, nor the fall of the mean that would tell it.

        That mean falls by ``threshold × (missing − unable) / (due − unable)`` for each threshold: only its first value
        is kept.
        """
        falls = self.tipping.copy()
        falls.loc[falls["delta"] > 0, ["mean", "mean_low", "mean_high"]] = np.nan
        counted = _cautions(self.due, self.missing, self.unable)
        rest = tuple(text for text in self.cautions if text not in counted)
        cautions = (*_cautions(self.due, self.missing, "Some"), *rest)
        return replace(self, unable=0, tipping=falls, tips_mean=None, cautions=cautions)

    @property
    def alt(self) -> str:
        """The picture in words."""
        return "Share of responders falling as the missing are assumed to have done worse. " + " ".join(
            self.sentences()
        )

    def plot(self, *, ax: "Axes | None" = None) -> "Axes":
        """Draw the share against how much worse the missing did, between the bounds, with what error alone gives."""
        from truechange.foundation import drawing

        ax = drawing.axes(ax)
        kept = self.rows.set_index("way")["share"]
        ax.axhspan(kept[NONE], kept[ALL], color=drawing.WASH, lw=0)
        ax.fill_between(
            self.tipping["delta"], self.tipping["low"], self.tipping["high"], color=drawing.ACCENT, alpha=0.2
        )
        ax.plot(self.tipping["delta"], self.tipping["share"], color=drawing.ACCENT, lw=2)
        drawing.mark_line(ax, float(kept[MEASURED]), "only measured", dash=":")
        drawing.mark_line(ax, self.error_share, "error alone", colour=drawing.WARM)
        if not np.isnan(self.tips_share):
            drawing.mark_line(ax, self.tips_share, "tips", along="x", colour=drawing.WARM)
        ax.set_ylim(0, 1)
        drawing.percent_axis(ax, "y")
        ax.set_xlabel(self.scale)
        ax.set_ylabel("changed enough, of all due")
        return ax


def missing_follow_up(
    improvement: Floats,
    threshold: float,
    predictors: Floats,
    *,
    unable: NDArray[np.bool_] | None = None,
    resolution: float = 0.0,
    no_change: float = 0.0,
    error_share: float = 0.0,
    limit: str = "threshold",
    m: int | None = None,
    unit: str = "",
    seed: int = 0,
    confidence: float = 0.95,
) -> MissingFollowUp:
    """Compute the share of those due under each way of treating the missing.

    Parameters
    ----------
    improvement : ndarray, shape (n,)
        One entry a person due, NaN without a usable follow-up.
    threshold : float
        Smallest change that counts; also the unit of the tipping point.
    predictors : ndarray, shape (n, p)
        What is known of everyone (score before, other visits, training days, age, site ...); may have gaps.
    unable : ndarray of bool, shape (n,), optional
        People who could not do the test at follow-up: they count as not changed enough and are never imputed.
    resolution : float, optional
        Step of the test; an imputed improvement is rounded to it before it is held against the threshold.
    no_change, error_share : float, optional
        What the mean and the share are held against for the tipping point (practice gain, share from error alone).
    limit : str, optional
        What the threshold is, in words.
    m : int, optional
        Filled data sets; at least 20, and at least the percentage missing, by default.
    unit, seed, confidence
        Of the result.

    Returns
    -------
    MissingFollowUp

    Notes
    -----
    The improvement is imputed and cut afterwards. Shares are pooled on the log-odds scale. With half or more missing
    nothing is imputed.
    """
    lost = np.isnan(improvement)
    worst = np.zeros(lost.size, dtype=bool) if unable is None else unable & lost
    due, missing = improvement.size, int(lost.sum())
    k = how_many(improvement, threshold)
    ways = {MEASURED: (k, due - missing), NONE: (k, due), ALL: (k + missing, due)}
    rows = []
    for way, (count, of) in ways.items():
        low, high = wilson_limits(count, of, confidence)
        rows.append({"way": way, "people": float(count), "of": of, "share": count / of if of else np.nan,
                     "low": float(low), "high": float(high)})  # fmt: skip
    notes = _cautions(due, missing, int(worst.sum()))
    mean, information, tips = None, np.nan, (np.nan, np.nan)
    tipping = pd.DataFrame(columns=["delta", "share", "low", "high", "mean", "mean_low", "mean_high"], dtype=float)
    if 0 < missing < TOO_MANY * due:
        sets = m or max(20, ceil(100 * missing / due))
        try:
            filled = impute(np.column_stack([improvement, predictors])[~worst], sets, seed)[:, :, 0]
        except DataError as problem:
            notes += (f"Nothing was imputed: {problem}",)
        else:
            gap = lost[~worst]
            lines = [
                _pool(filled - gap * delta * threshold, threshold, due, resolution, confidence, unit, gap)
                for delta in np.arange(0, FARTHEST + STEP / 2, STEP)
            ]
            tipping = pd.DataFrame([line[0] for line in lines])
            tipping.insert(0, "delta", np.arange(len(tipping)) * STEP)
            mean, information = lines[0][1], lines[0][2]
            first = tipping.iloc[0]
            rows.append({"way": IMPUTED, "people": first["share"] * due, "of": due, "share": first["share"],
                         "low": first["low"], "high": first["high"]})  # fmt: skip
            tips = _tips(tipping["mean_low"] <= no_change), _tips(tipping["low"] <= error_share)
    return MissingFollowUp(
        pd.DataFrame(rows), due, missing, int(worst.sum()), mean, information, tipping, *tips, no_change,
        error_share, notes, limit,
    )  # fmt: skip


def _pool(
    filled: Floats, threshold: float, due: int, step: float, confidence: float, unit: str, gap: NDArray[np.bool_]
) -> tuple[dict[str, float], Estimate, float]:
    n = filled.shape[1]
    cut = np.where(gap, np.round(filled / step) * step, filled) if step else filled
    share = np.clip(np.count_nonzero(reaches(cut, threshold), axis=1), 0.5, due - 0.5) / due
    on_log_odds = rubin(logit(share), 1 / (due * share * (1 - share)), df_complete=due - 1, confidence=confidence)
    mean = rubin(
        filled.mean(axis=1), filled.var(axis=1, ddof=1) / n, df_complete=n - 1, confidence=confidence, unit=unit
    )
    odds, middle = on_log_odds.estimate, mean.estimate
    line = {"share": float(share.mean()), "low": float(expit(odds.low)), "high": float(expit(odds.high))}
    line |= {"mean": middle.value, "mean_low": middle.low, "mean_high": middle.high}
    return line, middle, mean.missing_information


def _tips(reached: "pd.Series[bool]") -> float:
    return float(np.argmax(reached.to_numpy()) * STEP) if reached.any() else float("nan")


def _cautions(due: int, missing: int, unable: int | str) -> tuple[str, ...]:
    if not missing:
        return ()
    notes = ["“Only those measured” answers another question than “of those due”."]
    if unable:
        notes.append(
            f"{unable} people could not do the test at follow-up: they count as not changed, never as imputed."
        )
    if missing >= TOO_MANY * due:
        notes.append("Half or more have no usable follow-up: no headline share is given, only the bounds.")
    elif missing >= MANY * due:
        notes.append(f"{percent(missing / due)} have no usable follow-up: read the imputed share, not the counted one.")
    return tuple(notes)
