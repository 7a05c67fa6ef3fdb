"""True responder share: people whose true change exceeds the MCID, with measurement error taken out of the spread."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from math import nan, sqrt
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from scipy.special import chdtri, expit, logit, ndtr, ndtri

from truechange.foundation.entry import Entry, sentence_before_cut
from truechange.foundation.errors import ChoiceError, DataError, RefusedError, check_confidence
from truechange.foundation.estimate import Estimate, Threshold, person_threshold
from truechange.foundation.numbers import fixed, percent
from truechange.foundation.result import Result, told
from truechange.foundation.sem import SWAPPED, Sem, read_sem
from truechange.numerics.density import ENOUGH, Density, deconvolved, likely_noise, true_skew
from truechange.numerics.intervals import Floats
from truechange.numerics.resampling import percentile_limits
from truechange.numerics.selection import TakenIn, beyond_cut, resampled_taken_in
from truechange.responders.counting import how_many, numbers, proportion

if TYPE_CHECKING:
    from matplotlib.axes import Axes

CELLS = 16_384  # numbers worked on at once: 128 KB
SEEN = 0.4  # part of the variance of change that is true change, below which its shape is hidden by error


@dataclass(frozen=True)
class TrueSpread:
    """Weighted grid over the SD of true change and the SEM, given the observed changes.

    Parameters
    ----------
    tau, sem, weight : ndarray, shape (g,)
        SD of true change and SEM of each grid point, and its posterior weight (sums to 1).
    mean : float
        Mean observed change.
    n : int
        People measured.
    """

    tau: Floats
    sem: Floats
    weight: Floats
    mean: float
    n: int

    @property
    def variance(self) -> Floats:
        """Variance of an observed change at each grid point."""
        return self.tau**2 + 2 * self.sem**2


def true_changes(changes: Floats, sem: float, sem_df: float | None) -> TrueSpread | Density:
    """Fit the distribution of true change: of any shape from 50 people on, normal among fewer."""
    if changes.size < ENOUGH:
        return true_spread(changes, sem, sem_df)
    return deconvolved(changes, sqrt(2) * likely_noise(sem, sem_df))


def true_spread(changes: Floats, sem: float, sem_df: float | None, *, points: int = 160, sems: int = 31) -> TrueSpread:
    """Weigh the SDs of true change that fit the observed changes.

    Likelihood ``V^(−(n−1)/2) exp(−(n−1)s²/2V)`` with ``V = τ² + 2 SEM²``; prior on the variance τ² exponential with
    mean 2s², so nearly flat (a prior flat in τ itself keeps too much near 0 and pulls the share away from one half);
    ``SEM² = sem² df/χ²`` when its degrees of freedom are known. Both are weighed together, so a SEM that the spread of
    the changes contradicts loses weight.
    """
    n, s2, error = changes.size, float(np.var(changes, ddof=1)), likely_noise(sem, sem_df, sems)
    least, most = (n - 1) * s2 / chdtri(n - 1, np.array([1e-6, 1 - 1e-6]))
    bottom = sqrt(max(0.0, least - 2 * error.max() ** 2))
    top = min(sqrt(max(most - 2 * error.min() ** 2, 0.25 * most)), 5 * sqrt(s2))
    tau = bottom + (np.arange(points) + 0.5) * (top - bottom) / points
    tau, error = (grid.ravel() for grid in np.meshgrid(tau, error))
    variance = tau**2 + 2 * error**2
    log_weight = -0.5 * (n - 1) * (np.log(variance) + s2 / variance) - tau**2 / (2 * s2) + np.log(tau)
    weight = np.exp(log_weight - log_weight.max())
    seen = weight > 1e-9  # the rest of the grid costs time and moves nothing
    return TrueSpread(tau[seen], error[seen], weight[seen] / weight[seen].sum(), float(changes.mean()), n)


def spread_of(threshold: Threshold) -> float:
    """Return the standard error behind a threshold's interval, 0 if it has none."""
    if not threshold.has_interval:
        return 0.0
    return (threshold.high - threshold.low) / (2 * float(ndtri((1 + threshold.confidence) / 2)))


def share_beyond(
    fit: TrueSpread | Density, mcid: float, mcid_se: float, confidence: float
) -> tuple[float, float, float]:
    """Return posterior median and interval of the share with true change above `mcid`.

    In each state of a normal fit MCID minus mean true change is normal; in each state of a fit of any shape the logit
    of the share is, with its delta-method SD. So the share's distribution function is a weighted sum of normal tail
    areas: nothing is simulated.
    """
    free = isinstance(fit, Density)
    if isinstance(fit, Density):
        share, sd = fit.share(mcid, mcid_se)
        share = np.clip(share, 1e-6, 1 - 1e-6)
        slope, middle, wide = np.ones(share.size), logit(share), np.maximum(sd, 1e-9) / (share * (1 - share))
    else:
        slope, middle, wide = fit.tau, np.array(fit.mean - mcid), np.sqrt(fit.variance / fit.n + mcid_se**2)

    def quantile(level: float) -> float:
        low, high = -16.0, 16.0
        for _ in range(44):
            at = (low + high) / 2
            low, high = (at, high) if fit.weight @ ndtr((slope * at - middle) / wide) < level else (low, at)
        return float((expit if free else ndtr)((low + high) / 2))

    return quantile(0.5), quantile((1 - confidence) / 2), quantile((1 + confidence) / 2)


def share_at_least(fit: TrueSpread | Density, changes: Floats) -> Floats:
    """Return the share with a true change of at least each of `changes`, averaged over the states of the fit."""
    if isinstance(fit, Density):
        return fit.mean @ fit.beyond(changes)
    return fit.weight @ ndtr((fit.mean - changes) / fit.tau[:, None])


def chance_beyond(changes: Floats, fit: TrueSpread | Density, mcid: float, mcid_se: float = 0.0) -> Floats:
    """Return for each observed change the posterior chance that the true change is above `mcid`.

    Normal: ``E = m + rel (d − m)``, variance ``rel · 2 SEM²`` plus what is not known of the mean and the MCID, averaged
    over the grid. Any shape: the fitted density as prior.
    """
    if isinstance(fit, Density):
        return fit.chances(changes, mcid, mcid_se)
    rel = fit.tau**2 / fit.variance
    variance = rel * 2 * fit.sem**2 + (1 - rel) ** 2 * fit.variance / fit.n + mcid_se**2
    spread = np.sqrt(np.maximum(variance, 1e-300))
    slope, start = rel / spread, ((1 - rel) * fit.mean - mcid) / spread
    chances, block = np.empty(changes.size), max(1, CELLS // rel.size)
    for at in range(0, changes.size, block):  # what stays in the cache is worked on in place
        z = np.multiply.outer(slope, changes[at : at + block])
        z += start[:, None]
        chances[at : at + block] = fit.weight @ ndtr(z, out=z)
    return chances


@dataclass(frozen=True, kw_only=True)
class TrueShare(Result, Estimate):
    """Share of people whose true change is above the MCID: an Estimate, with the observed share beside it.

    Parameters
    ----------
    observed : Estimate
        Share of the same people whose observed change reached the MCID, with Wilson's interval.
    plug_in : float
        ``1 − Φ((MCID − mean) / τ)`` with ``τ² = s² − 2 SEM²``; NaN when the spread is no larger than error.
    reliability : float
        Part of the observed variance of change that is true change; 0 or less means none can be seen.
    skew : float
        Skewness of true change, ``skew(D) (s² / (s² − 2 SEM²))^1.5``; NaN when the spread is no larger than error.
    cautions : tuple of str
        What a reader must know.
    taken_in : str
        The entry rule, with mean and SD of everyone before the cut; empty without one.
    """

    observed: Estimate
    plug_in: float
    reliability: float
    skew: float = nan
    cautions: tuple[str, ...] = ()
    taken_in: str = ""
    sources: tuple[str, ...] = field(default=("newcombe1998a",), repr=False)

    def table(self) -> pd.DataFrame:
        """Return two rows, true and observed: share, low, high, n, method."""
        rows = {"true change": self, "observed change": self.observed}
        frame = pd.DataFrame([{"share_of": name, "share": one.value} | one.row() for name, one in rows.items()])
        return frame[["share_of", "share", "low", "high", "n", "method"]]

    def sentences(self) -> tuple[str, ...]:
        """State the share with true change above the MCID, and the observed share."""
        interval = f"{100 * self.confidence:g}% interval {percent(self.low)} to {percent(self.high)}"
        observed = (
            f"Counted from the observed scores it looks like {percent(self.observed.value)}; "
            "measurement error moves people over the line in both directions."
        )
        true = f"About {percent(self.value)} of the people measured truly changed by more than the MCID ({interval})."
        return (true, observed, *((self.taken_in,) if self.taken_in else ()))

    def __str__(self) -> str:
        return Result.__str__(self)

    @property
    def alt(self) -> str:
        """The picture in words."""
        return " ".join(("True and observed share with intervals.", *self.sentences()))

    def plot(self, *, ax: Axes | None = None) -> Axes:
        """Draw the true share above the observed one."""
        from truechange.foundation import drawing

        ax = drawing.interval_rows(["true change", "observed change"], [self, self.observed], ax=ax, strong=(0,))
        ax.set_xlim(0, 1)
        drawing.percent_axis(ax)
        ax.set_xlabel("share above the MCID, of those measured")
        return ax


def measured_changes(improvement: Any) -> tuple[Floats, int]:
    """Return the finite improvements and how many were missing.

    Raises
    ------
    DataError
        Fewer than 3 people measured.
    """
    values = numbers(improvement)
    changes = values[~np.isnan(values)]
    if changes.size < 3:
        raise DataError(f"{changes.size} people with a usable change; at least 3 are needed.")
    return changes, int(values.size - changes.size)


def true_responder_share(
    improvement: Any, *, sem: Estimate | float, mcid: Threshold | float, sem_df: float | None = None,
    confidence: float = 0.95, before: Any = None, entry: Entry | None = None, seed: int = 0,
) -> TrueShare:  # fmt: skip
    """Estimate the share of people whose true change is above the MCID.

    Parameters
    ----------
    improvement : array-like of float, shape (n,)
        One improvement a person (positive = better); NaN without follow-up.
    sem : Estimate or float
        Standard error of measurement of one score, same test and protocol.
    mcid : Threshold or float
        Person-level MCID; its interval, if it has one, is carried through as normal.
    sem_df : float, optional
        Degrees of freedom of the SEM; taken from an Estimate. Without them the SEM counts as known exactly.
    confidence : float, optional
        Level of the interval.
    before : array-like of float, shape (n,), optional
        First scores of the same people, in the test's unit; needed with `entry`.
    entry : Entry, optional
        The rule by which people were taken in for a poor first score: regression to the mean is then taken out.
    seed : int, optional
        Of the bootstrap that gives the interval with `entry` (2,000 resamples).

    Returns
    -------
    TrueShare

    Raises
    ------
    DataError
        Fewer than 3 people measured, all changes equal, or the first scores do not fit the entry rule.
    RefusedError
        The MCID is for a group or between groups; with `entry`, fewer than 30 people.

    Notes
    -----
    Errors are normal with SD ``√2 SEM``. From 50 people on true change may have any smooth shape, and a spike of
    unchanged people: its log-density is a penalised sum of curves (:func:`~truechange.numerics.density.deconvolved`;
    after [1]_), fitted once for every plausible SEM, with and without a spike, each fit weighed by its evidence; the
    logit of the share in each is normal. Among fewer a shape cannot be told, so that true change is normal with mean m
    and SD τ: τ² is weighed on a grid (likelihood of the observed variance, nearly flat prior), the SEM by its
    chi-square, m given both is normal; in large samples that is ``1 − Φ((MCID − mean) / √(s² − 2 SEM²))``, kept as
    ``plug_in``. Median and interval come from the distribution function of the share.
    Own derivation, checked by simulation (``truechange.validation.simulated("true_share_shapes")``): its interval
    covers the true share where an interval around the observed share, or a normal model of skewed change, does not.
    With an entry rule: mean over people of the chance that a true change of mean E[Δ|x₁]
    exceeds the MCID (:func:`truechange.numerics.selection.taken_in`); percentile bootstrap over people, with the SEM,
    the MCID and everyone's mean and SD drawn anew.

    References
    ----------
    .. [1] Efron B (2016). Biometrika 103(1):1-20.

    Examples
    --------
    >>> import numpy as np
    >>> rng = np.random.default_rng(1)
    >>> change = rng.normal(1, 2, 60) + rng.normal(0, 2, 60)
    >>> found = true_responder_share(change, sem=1.41, mcid=2, sem_df=29)
    >>> found.low < 0.309 < found.high
    True
    """
    check_confidence(confidence)
    limit, error = person_threshold(mcid, "mcid", name="mcid"), read_sem(sem, sem_df)
    if (before is None) != (entry is None):
        raise ChoiceError("before= and entry= go together: the rule speaks of the first scores.")
    changes, away = measured_changes(improvement)
    sd = float(np.std(changes, ddof=1))
    if sd == 0:
        raise DataError("All changes are equal: nothing can be said about how true change varies.")
    observed = proportion(how_many(changes, limit.value), changes.size, confidence)
    facts: dict[str, Any] = {
        "confidence": confidence, "n": changes.size, "df": error.df,
        "observed": replace(observed, method="Wilson score, observed changes"),
    }  # fmt: skip
    if entry is not None:
        return _taken_in(numbers(improvement), numbers(before), entry, error, limit, facts, seed)
    true_variance, n = sd**2 - 2 * error.value**2, changes.size
    plug_in = float(ndtr((changes.mean() - limit.value) / sqrt(true_variance))) if true_variance > 0 else nan
    reliability = true_variance / sd**2
    skew, skewed = true_skew(changes, reliability)
    fit = true_changes(changes, error.value, error.df)
    middle, low, high = share_beyond(fit, limit.value, spread_of(limit), confidence)
    free = isinstance(fit, Density)
    shape = "true change of any shape (spline log-density)" if free else "normal true change"
    return TrueShare(
        value=middle, low=low, high=high, plug_in=plug_in, reliability=reliability, skew=skew,
        method=f"{shape}, measurement error removed; {'weighed by evidence' if free else 'hierarchical'}",
        cautions=(*_cautions(n, away, reliability, skew if skewed else nan, error, limit), *error.cautions),
        sources=("efron2016", "newcombe1998a") if free else ("newcombe1998a",), **facts,
    )  # fmt: skip


FEWEST_TAKEN_IN, RESAMPLES = 30, 2000


def _taken_in(
    change: Floats, before: Floats, entry: Entry, error: Sem, limit: Threshold, facts: dict[str, Any], seed: int
) -> TrueShare:
    """Return the true share of people taken in for a poor first score, regression to the mean removed."""
    if before.size != change.size:
        raise DataError(f"before has {before.size} scores for {change.size} people; one each is needed.")
    whole = np.isfinite(change)
    first, change, away = entry.sign * before[whole], change[whole], int((~whole).sum())
    if first.size < FEWEST_TAKEN_IN or not np.isfinite(first).all():
        raise RefusedError(
            f"With an entry rule {FEWEST_TAKEN_IN} people with both scores are needed; there are "
            f"{int(np.isfinite(first).sum())}."
        )
    se = spread_of(limit)

    def share(found: TakenIn, rng: np.random.Generator | None = None) -> Floats:
        size = len(found.left)
        bar = limit.value + (np.zeros(size) if rng is None else se * rng.normal(size=size))
        spread = np.maximum(np.sqrt(found.left), 1e-9)[:, None]
        return ndtr((found.expected - bar[:, None]) / spread).mean(axis=1)

    found, drawn = resampled_taken_in(
        entry.of_people(whole), first, first + change, error, share, n_boot=RESAMPLES, seed=seed
    )
    low, high = (float(end) for end in percentile_limits(drawn, facts["confidence"]))
    value, varies = float(share(found)[0]), float(found.left[0] + np.var(found.expected[0], ddof=1))
    reliability, failed = varies / float(np.var(change, ddof=1)), float(np.isnan(drawn).mean())
    cautions = _cautions(change.size, away, reliability, nan, error, limit)
    lost = f"{percent(failed)} of the resamples gave no share, so the interval may be too narrow."
    return TrueShare(
        value=value, low=low, high=high, plug_in=value, reliability=reliability,
        method="normal true change, measurement error and regression to the mean removed; bootstrap over people",
        taken_in=sentence_before_cut(entry, float(found.mean[0]), float(found.variance[0])),
        cautions=(*cautions, *error.cautions, *entry.cautions(beyond_cut(entry, first)), *told({lost: failed > 0.01})),
        **facts,
    )  # fmt: skip


def _cautions(people: int, away: int, reliability: float, skew: float, error: Sem, limit: Threshold) -> tuple[str, ...]:
    few, skewed = people < ENOUGH, skew == skew  # NaN where no more skewed than chance makes it
    return (*limit.cautions, *told({
        "True change still holds practice, natural course and placebo; it is not the effect of the programme.": True,
        f"{away} people without a usable follow-up are not in this share.": away,
        "The changes vary no more than measurement error alone would make them: who changed cannot be told apart, "
        "and the share rests on the mean and the prior.": reliability <= 0,
        f"Only {percent(reliability)} of the variance of change is true change; the share is weakly known, and its "
        "shape is not: were it strongly skewed, the share could be off by ten points.": 0 < reliability < SEEN,
        f"With {people} people (fewer than {ENOUGH}) the shape of true change cannot be learned; it is taken "
        "to be normal.": few,
        f"True change looks skewed ({fixed(skew, 1)}), which a normal model cannot follow: the share may be off by ten "
        "points.": few and skewed,
        f"True change looks skewed ({fixed(skew, 1)}): the mean is not what most people had.": skewed and not few,
        SWAPPED: error.value >= limit.value,
        "The SEM is taken as known exactly; the interval is too narrow if it is not.": error.df is None,
        "The MCID is taken as known exactly.": not limit.has_interval,
    }))  # fmt: skip
