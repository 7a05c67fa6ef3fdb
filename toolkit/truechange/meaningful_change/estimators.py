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
from truechange.numerics.binary_models import RUNAWAY, fit_outcomes, fit_penalised, parted_middle
from truechange.numerics.kinds import Counts, Kinds, distinct, gathered, split_counts
from truechange.numerics.ordered_probit import OrderedFits, fit_ordered
from truechange.numerics.resampling import Floats
from truechange.numerics.roc import roc_rows
from truechange.numerics.workspace import scratch

Rows = dict[str, Floats]
DETECT = 1.6448536269514722  # one-sided 95% point of the normal distribution
ADJUST_2017 = (0.090, 0.103)
ADJUST_2022 = (0.8, 0.5)
ASSUMED_RELIABILITY = 0.4  # published factor-analysis estimates for ratings of change lie between 0.27 and 0.48
RELIABILITY_RANGE = (0.3, 0.8)


@dataclass(frozen=True)
class Layout:
    """Distinct kinds of people: columns change, rating and, if known, before and after."""

    kinds: Kinds
    cut: int

    @classmethod
    def of(cls, people: RatedPeople, *, collapse: bool = True) -> "Layout":
        """Return the layout of one study; without `collapse` every person stays a kind of their own, in order."""
        columns = [people.change, people.rating.astype(float)]
        if people.before is not None and people.after is not None:
            columns += [people.before, people.after]
        table = np.column_stack(columns)
        return cls(distinct(table) if collapse else Kinds(table, np.ones(people.n), np.arange(people.n)), people.cut)

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
        return _distinct_at(self.change)

    @cached_property
    def levels(self) -> tuple[Floats, NDArray[np.intp]]:
        """The distinct ratings, ascending, and which of them each kind has."""
        return _distinct_at(self.rating)

    @cached_property
    def rated_steps(self) -> tuple[Floats, NDArray[np.intp]]:
        """The distinct pairs of change and rating, and which of them each kind has."""
        return _distinct_at(self.kinds.rows[:, :2])

    @cached_property
    def states(self) -> tuple[Floats, NDArray[np.intp]] | None:
        """The distinct pairs of scores, and which of them each kind has; None if the scores are unknown."""
        return _distinct_at(self.kinds.rows[:, 2:]) if self.kinds.rows.shape[1] == 4 else None

    def by_group(self, counts: Counts, groups: tuple[Floats, NDArray[np.intp]]) -> tuple[Counts, Counts]:
        """Return improved and not improved people in each of the coarser `groups`; valid until the next call."""
        hits, misses = split_counts(counts, self.improved)
        return gathered(hits, groups[1], len(groups[0])), gathered(misses, groups[1], len(groups[0]))


def _distinct_at(values: Floats) -> tuple[Floats, NDArray[np.intp]]:
    found, at = np.unique(values, axis=0, return_inverse=True)
    return found, at.reshape(-1)


@dataclass(frozen=True)
class Starts:
    """Full-sample coefficients from which resamples start."""

    logit: Floats
    probit: Floats
    states: Floats
    ordered: OrderedFits


def estimate_rows(
    layout: Layout,
    counts: Counts,
    error_variance: Floats | None,
    *,
    starts: Starts | None = None,
    ordinal: bool = True,
) -> Rows:
    """Return every quantity for each row of counts.

    Parameters
    ----------
    layout : Layout
        The kinds of people.
    counts : ndarray, shape (R, kinds)
        How many of each kind a sample holds; fractions are allowed.
    error_variance : ndarray, shape (R,), or None
        Variance of one score's error (SEM squared), drawn anew for each resample; None if unknown.
    starts : Starts, optional
        Fits of the full sample. Without it a single separable sample is fitted with Firth's penalty.
    ordinal : bool, optional
        Whether to fit the ordered model.

    Returns
    -------
    dict of str to ndarray, shape (R,)
        NaN where a quantity does not exist in that row; ``"boundaries"`` has shape (R, ratings - 1).
    """
    with np.errstate(all="ignore"):
        x = layout.steps[0]
        hits, misses = layout.by_group(counts, layout.steps)
        curve = roc_rows(x, hits, misses)
        rows = {f"roc_{rule}": np.where(curve.area > 0.5, cuts.value, np.nan) for rule, cuts in curve.cuts.items()}
        counts, hits, misses = _doubled(counts, hits, misses)
        rows |= _moments(layout, counts) | _categories(layout, counts)
        for link in ("logit", "probit"):
            rows |= _curve(x, hits, misses, link, starts)
        rows |= _from_curves(rows)
        if error_variance is None:
            rows["predictive_adjusted_2022"] = adjusted_2022(rows, ASSUMED_RELIABILITY)
            rows["adjusted_low"], rows["adjusted_high"] = (adjusted_2022(rows, rel) for rel in RELIABILITY_RANGE)
        else:
            rows |= _corrected(rows, error_variance)
            if layout.states is not None:
                rows |= _two_state(layout, counts, error_variance, getattr(starts, "states", None))
        if ordinal and error_variance is not None and layout.levels[0].size > 1:
            rows |= _ordinal(layout, counts, rows, getattr(starts, "ordered", None))
    return rows


def _doubled(counts: Counts, hits: Counts, misses: Counts) -> tuple[Floats, Floats, Floats]:
    """Return the counts as floats, for matrix products."""
    whole, split = scratch("counts", counts.shape), scratch("outcomes", (2, *hits.shape))
    whole[...], split[0], split[1] = counts, hits, misses
    return whole, split[0], split[1]


def _curve(x: Floats, hits: Floats, misses: Floats, link: str, starts: Starts | None) -> Rows:
    """Fit one curve to every row; where the groups part, Firth's (one sample) or the steepest curve (resamples)."""
    fits = fit_outcomes(x, hits, misses, link=link, start=getattr(starts, link, None))
    intercept, slope, parted = fits.intercept, fits.slope, np.flatnonzero(fits.failed)
    if parted.size and x.size > 1:
        middle = parted_middle(x, hits[parted], misses[parted])
        slope[parted] = np.where(np.isfinite(middle), RUNAWAY / np.std(x), np.nan)
        intercept[parted] = -middle * slope[parted]
        if starts is None and len(hits) == 1 and np.isfinite(middle[0]):
            a, b = fit_penalised(x, hits[0], misses[0], link=link)
            intercept, slope = np.array([a]), np.array([b])
    return {f"{link}_intercept": intercept, f"{link}_slope": slope}


def starts_of(layout: Layout, rows: Rows) -> Starts:
    """Return the full-sample coefficients held in `rows` (one row)."""
    nothing = OrderedFits(np.full(1, np.nan), np.full((1, max(1, layout.levels[0].size - 1)), np.nan))
    logit, probit = (np.array([rows[f"{link}_intercept"][0], rows[f"{link}_slope"][0]]) for link in ("logit", "probit"))
    return Starts(
        logit,
        probit,
        states=rows.get("states_theta", np.full((1, 3), np.nan))[0],
        ordered=OrderedFits(rows["ordered_slope"], rows["ordered_thresholds"]) if "ordered_slope" in rows else nothing,
    )


def _moments(layout: Layout, counts: Floats) -> Rows:
    n = counts.sum(axis=1)
    middle = float(layout.change.mean())
    away = layout.change - middle
    mean = counts @ away / n
    sd = np.sqrt(np.maximum(counts @ away**2 - n * mean**2, 0.0) / (n - 1))
    sd = np.where(sd > 1e-9 * (1 + np.abs(away).max()), sd, 0.0)
    hits = counts @ layout.improved.astype(float)
    apart = counts @ (away * layout.improved) / hits - counts @ (away * ~layout.improved) / (n - hits)
    share = hits / n
    point_biserial = apart / sd * np.sqrt(share * (1 - share) * n / (n - 1))
    return {"n": n, "mean": mean + middle, "sd": sd, "improved": share, "point_biserial": point_biserial}


def _categories(layout: Layout, counts: Floats) -> Rows:
    found = []
    for rating in (layout.cut, layout.cut - 1):
        here = (layout.rating == rating).astype(float)
        n = counts @ here
        mean = counts @ (layout.change * here) / n
        square = counts @ (layout.change**2 * here) - n * mean**2
        found += [mean, np.where(n > 1, np.sqrt(np.maximum(square, 0.0) / (n - 1)), np.nan)]
    little, _, same, same_sd = found
    return {"mean_change": little, "mean_difference": little - same, "detectability_limit": same + DETECT * same_sd}


def _from_curves(rows: Rows) -> Rows:
    """Return what the fitted curves give without knowing the test's error."""
    sd, share = rows["sd"], rows["improved"]
    odds = np.log(share / (1 - share))
    slope = np.where(rows["logit_slope"] > 0, rows["logit_slope"], np.nan)
    steep = np.where(rows["probit_slope"] > 0, rows["probit_slope"], np.nan)
    predictive = (odds - rows["logit_intercept"]) / slope
    signal = (steep * sd) ** 2
    return {
        "log_odds": odds,
        "predictive": predictive,
        "predictive_adjusted_2017": predictive - (ADJUST_2017[0] + ADJUST_2017[1] * rows["point_biserial"]) * sd * odds,
        "half_observed": -rows["probit_intercept"] / steep,
        "biserial": np.sqrt(signal / (1 + signal)),
    }


def _corrected(rows: Rows, error_variance: Floats) -> Rows:
    """Return what the test's error adds: both reliabilities, the 2022 adjustment and the latent threshold."""
    reliability = np.where(rows["sd"] > 0, 1 - 2 * error_variance / rows["sd"] ** 2, np.nan)
    kept = np.maximum(reliability, 0.0)
    anchor = np.where(kept > 0, rows["biserial"] ** 2 / kept, np.nan)
    mean = rows["mean"]
    return {
        "change_reliability": reliability,
        "anchor_reliability": anchor,
        "predictive_adjusted_2022": adjusted_2022(rows, anchor),
        "latent_threshold": mean + kept * (rows["half_observed"] - mean),
    }


def adjusted_2022(rows: Rows, anchor_reliability: Floats | float) -> Floats:
    """Return the predictive estimate adjusted for the share improved and the anchor's reliability (at most 1)."""
    factor = ADJUST_2022[0] / np.minimum(anchor_reliability, 1.0) - ADJUST_2022[1]
    return rows["predictive"] - factor * rows["sd"] * rows["point_biserial"] * rows["log_odds"]


def normal_threshold(rows: Rows, change_reliability: float, anchor_reliability: float) -> float:
    """Return the mean personal threshold in closed form, under normal true change and rating."""
    reach = rows["sd"][0] * np.sqrt(change_reliability / anchor_reliability)
    return float(rows["mean"][0] - ndtri(rows["improved"][0]) * reach)


def _two_state(layout: Layout, counts: Floats, error_variance: Floats, start: Floats | None) -> Rows:
    """Return the threshold from both scores; b' S inverse(Sigma) carries the slopes to the true scores."""
    states = layout.states
    if states is None:
        return {}
    pairs = states[0]
    hits, misses = layout.by_group(counts, states)
    total = hits + misses
    fits = fit_outcomes(pairs, hits, misses, link="probit", start=start)
    n = total.sum(axis=1)
    middle = pairs.mean(axis=0)
    first, second = (pairs - middle).T
    mean_1, mean_2 = total @ first / n, total @ second / n
    var_1 = (total @ first**2 - n * mean_1**2) / (n - 1)
    var_2 = (total @ second**2 - n * mean_2**2) / (n - 1)
    cov = (total @ (first * second) - n * mean_1 * mean_2) / (n - 1)
    true_1, true_2 = var_1 - error_variance, var_2 - error_variance
    det = true_1 * true_2 - cov**2
    b1, b2 = fits.slope.T
    pulled_1, pulled_2 = var_1 * b1 + cov * b2, cov * b1 + var_2 * b2
    beta_1, beta_2 = (true_2 * pulled_1 - cov * pulled_2) / det, (true_1 * pulled_2 - cov * pulled_1) / det
    level = fits.intercept + b1 * (mean_1 + middle[0]) + b2 * (mean_2 + middle[1])
    sound = (true_1 > 0) & (true_2 > 0) & (det > 0) & (beta_2 > 0)
    signal = beta_1**2 * true_1 + 2 * beta_1 * beta_2 * cov + beta_2**2 * true_2
    # what the observed scores already explain: beta' Lambda Sigma beta = b' S b
    seen = b1 * pulled_1 + b2 * pulled_2
    found = {
        "latent_threshold_two_state": mean_2 + middle[1] - mean_1 - middle[0] - level / beta_2,
        "present_state_bias": 1 + beta_1 / beta_2,
        "two_state_reliability": signal / (1 + seen),
    }
    found = {name: np.where(sound, values, np.nan) for name, values in found.items()}
    return found | {"states_theta": np.column_stack([fits.intercept, fits.slope])}


def _ordinal(layout: Layout, counts: Floats, rows: Rows, start: OrderedFits | None) -> Rows:
    """Return the true change at each boundary between neighbouring ratings, from one ordered probit."""
    cells, at = layout.rated_steps
    levels = layout.levels[0]
    fits = fit_ordered(cells[:, 0], np.searchsorted(levels, cells[:, 1]), gathered(counts, at, len(cells)), start=start)
    steep = np.where(fits.slope > 0, fits.slope, np.nan)[:, None]
    mean, kept = rows["mean"][:, None], np.maximum(rows["change_reliability"], 0.0)[:, None]
    boundaries = mean + kept * (fits.thresholds / steep - mean)
    split = int(np.searchsorted(levels, layout.cut))
    here = boundaries[:, split - 1] if 0 < split < levels.size else np.full(len(counts), np.nan)
    return {
        "latent_threshold_ordinal": here,
        "boundaries": boundaries,
        "ordered_slope": fits.slope,
        "ordered_thresholds": fits.thresholds,
    }
