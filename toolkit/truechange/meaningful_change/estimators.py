"""Every MCID estimator as arithmetic over counts: the sample, its resamples and an assumed population alike.

`Layout` holds the distinct kinds of people once. `estimate_rows` takes counts of
shape (R, kinds), one row a sample, and returns one number a row and quantity.
"""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from truechange.meaningful_change.people import RatedPeople
from truechange.numerics.binary_models import BinaryFits, fit_binary
from truechange.numerics.kinds import Kinds, distinct, gathered
from truechange.numerics.resampling import Floats
from truechange.numerics.roc import auc, roc_cuts

Rows = dict[str, Floats]
Starts = dict[str, Floats]
DETECT = 1.6448536269514722  # one-sided 95% point of the normal distribution
ADJUST_2017 = (0.090, 0.103)
ADJUST_2022 = (0.8, 0.5)


@dataclass(frozen=True)
class Layout:
    """Distinct kinds of people: columns change, rating and, if known, before and after."""

    kinds: Kinds
    cut: int

    @classmethod
    def of(cls, people: RatedPeople) -> "Layout":
        """Return the layout of one study."""
        columns = [people.change, people.rating.astype(float)]
        if people.before is not None and people.after is not None:
            columns += [people.before, people.after]
        return cls(distinct(np.column_stack(columns)), people.cut)

    @cached_property
    def change(self) -> Floats:
        """Change of each kind."""
        return self.kinds.rows[:, 0]

    @cached_property
    def rating(self) -> Floats:
        """Rating of each kind."""
        return self.kinds.rows[:, 1]

    @cached_property
    def improved(self) -> NDArray[np.bool_]:
        """Whether each kind counts as improved."""
        return self.rating >= self.cut

    @cached_property
    def steps(self) -> tuple[Floats, NDArray[np.intp]]:
        """The distinct changes, ascending, and which of them each kind has."""
        values, at = np.unique(self.change, return_inverse=True)
        return values, at.reshape(-1)

    def by_change(self, counts: Floats) -> tuple[Floats, Floats]:
        """Return improved and not improved people at each distinct change, shape (R, steps)."""
        values, at = self.steps
        if values.size == self.change.size:
            return counts * self.improved, counts * ~self.improved
        return gathered(counts * self.improved, at, values.size), gathered(counts * ~self.improved, at, values.size)


def estimate_rows(layout: Layout, counts: Floats, error_variance: Floats | None, starts: Starts | None = None) -> Rows:
    """Return every quantity for each row of counts.

    Parameters
    ----------
    layout : Layout
        The kinds of people.
    counts : ndarray, shape (R, kinds)
        How many of each kind a sample holds; fractions are allowed.
    error_variance : ndarray, shape (R,), or None
        Variance of one test score's error, SEM squared, drawn anew for each resample; None if unknown.
    starts : dict, optional
        Full-sample coefficients of each model, to start the resamples from.

    Returns
    -------
    dict of str to ndarray, shape (R,)
        NaN where a quantity does not exist in that row.
    """
    starts = starts or {}
    with np.errstate(all="ignore"):
        rows = _moments(layout, counts)
        rows |= _categories(layout, counts)
        hits, misses = layout.by_change(counts)
        x = layout.steps[0]
        for rule, cuts in roc_cuts(x, hits, misses).items():
            rows[f"roc_{rule}"] = cuts.value
        rows["auc"] = auc(hits, misses)
        for link in ("logit", "probit"):
            rows |= _named(link, fit_binary(x, hits, hits + misses, link=link, start=starts.get(link)))
        rows |= _model_estimates(rows, error_variance)
    return rows


def _named(link: str, fits: BinaryFits) -> Rows:
    return {f"{link}_intercept": fits.intercept, f"{link}_slope": fits.slope}


def _moments(layout: Layout, counts: Floats) -> Rows:
    n = counts.sum(axis=1)
    mean = counts @ layout.change / n
    middle = float(layout.change.mean())
    spread = counts @ (layout.change - middle) ** 2 - n * (mean - middle) ** 2
    sd = np.sqrt(np.maximum(spread, 0.0) / np.maximum(n - 1, 1e-300))
    hits = counts @ layout.improved.astype(float)
    mean_hit = counts @ (layout.change * layout.improved) / hits
    mean_miss = counts @ (layout.change * ~layout.improved) / (n - hits)
    share = hits / n
    biserial_point = (mean_hit - mean_miss) / sd * np.sqrt(share * (1 - share) * n / (n - 1))
    return {"n": n, "mean": mean, "sd": sd, "improved": share, "point_biserial": biserial_point}


def _categories(layout: Layout, counts: Floats) -> Rows:
    found = {}
    for name, rating in (("little", layout.cut), ("same", layout.cut - 1)):
        here = (layout.rating == rating).astype(float)
        n = counts @ here
        mean = counts @ (layout.change * here) / n
        square = counts @ (layout.change**2 * here) - n * mean**2
        found[name] = mean, np.where(n > 1, np.sqrt(np.maximum(square, 0.0) / (n - 1)), np.nan)
    (little, _), (same, same_sd) = found["little"], found["same"]
    return {"mean_change": little, "mean_difference": little - same, "detectability_limit": same + DETECT * same_sd}


def _model_estimates(rows: Rows, error_variance: Floats | None) -> Rows:
    """Return what follows from the fitted curves: predictive, its adjustments, and the error-corrected threshold."""
    mean, sd, share = rows["mean"], rows["sd"], rows["improved"]
    odds = np.log(share / (1 - share))
    slope = np.where(rows["logit_slope"] > 0, rows["logit_slope"], np.nan)
    predictive = (odds - rows["logit_intercept"]) / slope
    r = rows["point_biserial"]
    steepness = np.where(rows["probit_slope"] > 0, rows["probit_slope"], np.nan)
    half = -rows["probit_intercept"] / steepness
    shared = (steepness * sd) ** 2
    found = {
        "predictive": predictive,
        "predictive_adjusted_2017": predictive - (ADJUST_2017[0] + ADJUST_2017[1] * r) * sd * odds,
        "logit_half": -rows["logit_intercept"] / slope,
        "probit_half": half,
        "biserial": np.sqrt(shared / (1 + shared)),
    }
    if error_variance is None:
        return found
    reliability = 1 - 2 * error_variance / sd**2
    kept = np.maximum(reliability, 0.0)
    anchor = np.where(kept > 0, found["biserial"] ** 2 / kept, np.nan)
    found |= {
        "change_reliability": reliability,
        "anchor_reliability": anchor,
        "predictive_adjusted_2022": adjusted_2022(predictive, anchor, sd, r, odds),
        "latent_threshold": mean + kept * (half - mean),
    }
    return found


def adjusted_2022(
    predictive: Floats, anchor_reliability: Floats | float, sd: Floats, point_biserial: Floats, odds: Floats
) -> Floats:
    """Return the predictive estimate adjusted for the share improved and the anchor's reliability (at most 1)."""
    held = np.minimum(anchor_reliability, 1.0)
    return predictive - (ADJUST_2022[0] / held - ADJUST_2022[1]) * sd * point_biserial * odds


def normal_threshold(
    share: float, mean: float, sd: float, change_reliability: float, anchor_reliability: float
) -> float:
    """Return the mean personal threshold in closed form, under normal true change and rating."""
    return float(mean - ndtri(share) * sd * np.sqrt(change_reliability / anchor_reliability))
