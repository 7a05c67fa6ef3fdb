"""Units or percent? The scale on which the rating follows the change, asked of people left out of the fit."""

from dataclasses import dataclass
from math import nan

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from truechange.foundation.errors import DataError, check_choice
from truechange.foundation.estimate import Estimate, Threshold
from truechange.foundation.numbers import fixed
from truechange.foundation.result import Result
from truechange.meaningful_change.people import numbers, rated_people, same_index
from truechange.numerics.binary_models import fit_outcomes
from truechange.numerics.resampling import Floats

LEAST = 50
CLEAR = 2.0


@dataclass(frozen=True)
class ScaleComparison(Result):
    """How well the change in units, the relative change, and the second score given the first tell who improved.

    Parameters
    ----------
    scales : DataFrame
        Indexed by scale (absolute, relative, after given before): deviance (per person, people left out of the fit),
        worse_by and its standard error (against the best), calibration (slope, 1 is ideal), spread_ratio (SD of change
        in the top third of scores over the bottom third, 1 is constant), why_not.
    better_scale : str
        ``"absolute"``, ``"relative"`` or ``"undecided"``.
    geometric_ratio, mean_ratio : float
        Group's relative change: ratio of geometric means, and mean change over mean baseline, as fractions.
    """

    scales: pd.DataFrame
    better_scale: str
    geometric_ratio: float
    mean_ratio: float
    cautions: tuple[str, ...] = ()
    sources: tuple[str, ...] = ("vickers2001b",)

    def table(self) -> pd.DataFrame:
        """Return one row a scale, unrounded."""
        return self.scales

    def sentences(self) -> tuple[str, ...]:
        """Say which scale to use, and the group's relative change."""
        verdict = {
            "absolute": "The change in units tells better than the relative change who improved: use units.",
            "relative": "The relative change tells better than the change in units who improved: use the log scale.",
            "undecided": "Units and relative change tell equally well who improved: report both.",
        }[self.better_scale]
        return (verdict, f"The mean change is {fixed(100 * self.mean_ratio, 1)}% of the mean first score.")


def compare_scales(
    before: ArrayLike,
    after: ArrayLike,
    anchor: ArrayLike,
    *,
    better: str,
    cut: int = 1,
    folds: int = 10,
    seed: int = 0,
) -> ScaleComparison:
    """Compare change in units, relative change, and the second score given the first, on people left out of the fit.

    Parameters
    ----------
    before, after : array_like, shape (n,)
        The two scores.
    anchor : array_like of int, shape (n,)
        Rating of change.
    better : {"higher", "lower"}
        Which direction of the score is the better one.
    cut : int, optional
        Lowest rating that counts as improved.
    folds, seed : int, optional
        People are left out in this many random groups.

    Returns
    -------
    ScaleComparison

    Raises
    ------
    DataError
        Fewer than 50 complete people, or columns that do not line up.

    Notes
    -----
    Percentages of single people are never averaged: they are unstable for small first scores and lopsided
    (Vickers 2001, BMC Med Res Methodol 1:6). A score of zero or below has no relative change.
    """
    check_choice("better", better, ("higher", "lower"))
    sign = 1.0 if better == "higher" else -1.0
    same_index({"before": before, "after": after, "anchor": anchor})
    first, second = numbers("before", before), numbers("after", after)
    if first.size != second.size:
        raise DataError(f"before has {first.size} values and after has {second.size}: line them up by person first.")
    people = rated_people(sign * (second - first), anchor, cut=cut, before=first, after=second)
    if people.n < LEAST:
        raise DataError(f"Only {people.n} complete people; at least {LEAST} are needed to compare scales.")
    seen = np.isfinite(first) & np.isfinite(second) & np.isfinite(numbers("anchor", anchor))
    first, second, improved = first[seen], second[seen], people.improved.astype(float)
    positive = bool((first > 0).all() and (second > 0).all())
    middle = (first + second) / 2
    candidates: dict[str, Floats] = {"absolute": people.change}
    if positive:
        candidates["relative"] = sign * np.log(second / first)
    candidates["after given before"] = np.column_stack([first, second])
    held = np.random.default_rng(seed).permutation(people.n) % folds == np.arange(folds)[:, None]
    losses, slopes = {}, {}
    for name, x in candidates.items():
        losses[name], slopes[name] = _left_out(x, improved, held)
    best = min(losses, key=lambda name: float(losses[name].mean()))
    rows = {}
    for name in ("absolute", "relative", "after given before"):
        if name not in losses:
            rows[name] = (nan, nan, nan, nan, nan, "a score is zero or below: no relative change")
            continue
        apart = losses[name] - losses[best]
        error = float(apart.std(ddof=1) / np.sqrt(people.n))
        ratio = nan if candidates[name].ndim > 1 else _spread_ratio(candidates[name], middle)
        rows[name] = (float(losses[name].mean()), float(apart.mean()), error, slopes[name], ratio, "")
    columns = ["deviance", "worse_by", "standard_error", "calibration", "spread_ratio", "why_not"]
    frame = pd.DataFrame.from_dict(rows, orient="index", columns=columns).rename_axis("scale")
    ratio = float(np.exp(np.mean(np.log(second / first)))) - 1 if positive else nan
    verdict = _verdict(losses) if positive else "absolute"
    return ScaleComparison(
        frame, verdict, ratio, float(np.mean(second - first) / np.mean(first)), tuple(people.cautions())
    )


def _left_out(x: Floats, improved: Floats, held: NDArray[np.bool_]) -> tuple[Floats, float]:
    """Return each person's deviance under the fit without their group, and the calibration slope of those fits."""
    order = np.argsort(x) if x.ndim == 1 else np.arange(len(x))
    x, improved, held = x[order], improved[order], held[:, order]
    used = (~held).astype(float)
    fits = fit_outcomes(x, used * improved, used * (1 - improved), link="logit")
    own = held.argmax(axis=0)
    eta = fits.intercept[own] + (fits.slope[own] * x if x.ndim == 1 else np.sum(fits.slope[own] * x, axis=1))
    back = np.empty_like(order)
    back[order] = np.arange(order.size)
    loss = 2 * np.logaddexp(0.0, np.where(improved > 0, -eta, eta))
    rank = np.argsort(eta)
    slope = fit_outcomes(eta[rank], improved[rank][None], 1 - improved[rank][None], link="logit").slope[0]
    return loss[back], float(slope)


def _spread_ratio(change: Floats, middle: Floats) -> float:
    low, high = np.quantile(middle, [1 / 3, 2 / 3])
    bottom, top = change[middle <= low], change[middle >= high]
    return float(top.std(ddof=1) / bottom.std(ddof=1)) if bottom.size > 2 and bottom.std() > 0 else nan


def _verdict(losses: dict[str, Floats]) -> str:
    apart = losses["absolute"] - losses["relative"]
    error = float(apart.std(ddof=1) / np.sqrt(apart.size))
    if abs(float(apart.mean())) <= CLEAR * error or error == 0:
        return "undecided"
    return "relative" if apart.mean() > 0 else "absolute"


def as_relative(threshold: Threshold, *, better: str) -> Estimate:
    """Return an MCID estimated on the log scale as a relative change (a fraction), with its interval.

    Parameters
    ----------
    threshold : Threshold
        From ``mcid(np.log(after / before), ...)`` or, where lower is better, ``mcid(np.log(before / after), ...)``.
    better : {"higher", "lower"}
        Which direction of the score is the better one.

    Returns
    -------
    Estimate
        ``exp(x) - 1`` where higher is better, ``1 - exp(-x)`` where lower is better.

    Examples
    --------
    >>> found = Threshold(kind="mcid", value=0.20, low=0.10, high=0.30)
    >>> print(as_relative(found, better="higher"))
    0.22 (95% CI 0.11 to 0.35)
    """
    check_choice("better", better, ("higher", "lower"))
    value, low, high = (
        float(np.expm1(v)) if better == "higher" else float(-np.expm1(-v))
        for v in (threshold.value, threshold.low, threshold.high)
    )
    return Estimate(value=value, low=low, high=high, confidence=threshold.confidence, n=threshold.n, method="log scale")
