"""Every MCID estimator, one row each: name, formula, whom it may be used on, what it needs, and its source.

The formulas are arithmetic over counts of people: the sample, its resamples and an assumed population alike.
`Layout` holds the distinct kinds of people once. `estimate_rows` takes counts of shape (R, kinds), one row a
sample, and returns one number a row and quantity.
"""

from collections.abc import Callable, Collection
from dataclasses import dataclass
from functools import cached_property
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from truechange.foundation.entry import Entry
from truechange.meaningful_change.ratings import RatedPeople
from truechange.numerics.curves import RUNAWAY, OrderedFits, fit_ordered, fit_outcomes, fit_penalised, parted_middle
from truechange.numerics.resampling import Counts, Floats, Kinds, distinct, gathered, roc_rows, scratch, split_counts
from truechange.numerics.true_change import Moments, before_cut

Rows = dict[str, Floats]
ASSUMED_RELIABILITY = 0.4  # published factor-analysis estimates for ratings of change lie between 0.27 and 0.48
RELIABILITY_RANGE = (0.3, 0.8)


def adjusted_2022(q: Rows, rating_reliability: Floats | float) -> Floats:
    """Return the predictive estimate adjusted for the share improved and the reliability of the rating (at most 1)."""
    factor = 0.8 / np.minimum(rating_reliability, 1.0) - 0.5
    return q["predictive"] - factor * q["sd"] * q["point_biserial"] * q["log_odds"]


def kept_of(q: Rows, change: Floats) -> Floats:
    """Return the true change expected behind an observed one, drawn to the mean by the reliability of the change."""
    return q["mean"] + np.maximum(q["change_reliability"], 0.0) * (change - q["mean"])


class Method(NamedTuple):
    """One estimator of the MCID.

    `formula` takes the quantities of :func:`estimate_rows` by name; `needs` says what they rest on: the people at a
    rating (category), the ROC curve (roc), the fitted curves (curve), the test's SEM (sem), both scores (scores) or
    every rating (ratings) beside it.
    """

    name: str
    words: str
    use: str
    source: str
    formula: Callable[[Rows], Floats]
    needs: str = "curve"
    level: str = "person"


OWN = "own derivation"
OLDER, CHECK = "for comparison with older studies", "a check on the recommended value"
METHODS = {
    method.name: method
    for method in (
        Method("mean_change", "mean change, slightly better", "for the mean of a group, not for one person",
               "jaeschke1989", lambda q: q["mean_little"], "category", "group"),
        Method("mean_difference", "slightly better minus unchanged",
               "for differences between groups, not for one person", "jaeschke1989",
               lambda q: q["mean_little"] - q["mean_same"], "category", "between-group"),
        # cuts of the ROC curve: highest sensitivity + specificity, nearest the corner, lowest with 80% specificity
        Method("roc_youden", "ROC, best sum", OLDER, "youden1950", lambda q: q["cut_youden"], "roc"),
        Method("roc_corner", "ROC, nearest corner", OLDER, "froud2014", lambda q: q["cut_corner"], "roc"),
        Method("roc_spec80", "ROC, 80% specificity", "a specificity rule, not an MCID", "froud2014",
               lambda q: q["cut_spec80"], "roc"),
        # logit P(improved | change D) = C + B D: the change at which the odds are those of the whole sample
        Method("predictive", "predictive model", OLDER, "terluin2015",
               lambda q: (q["log_odds"] - q["logit_intercept"]) / q["rising_logit"]),
        # both adjustments as attributed to their authors in public code; not read in the papers
        Method("predictive_adjusted_2017", "predictive, adjusted 2017",
               "for comparison; right only for a near-perfect rating", "terluin2017",
               lambda q: q["predictive"] - (0.090 + 0.103 * q["point_biserial"]) * q["sd"] * q["log_odds"]),
        Method("predictive_adjusted_2022", "predictive, adjusted 2022", CHECK, "terluin2022",
               lambda q: adjusted_2022(q, q["rating_reliability"])),
        # probit P(improved | D) = Φ(α + β D): the change at which half improved, m + rel_D (−α/β − m); own derivation
        Method("latent_threshold", "latent threshold", CHECK, OWN,
               lambda q: kept_of(q, q["half_observed"]), "sem"),
        # the same with both scores in the probit: (μ₂ − μ₁) − a/β₂ on the scale of the true scores; own derivation
        Method("latent_threshold_two_state", "latent threshold, two states", CHECK, OWN,
               lambda q: q["mean_after"] - q["mean_before"] - q["states_level"] / q["states_after"], "scores"),
        # the same with an ordered probit over all ratings, read at the cut; own derivation
        Method("latent_threshold_ordinal", "latent threshold, all ratings", CHECK, OWN,
               lambda q: q["boundary_at_cut"], "ratings"),
        # mean of the unchanged plus the one-sided 95% point of the normal distribution times their SD
        Method("detectability_limit", "limit of detection", "a limit of detection, not of importance", "devet2007",
               lambda q: q["mean_same"] + 1.6448536269514722 * q["sd_same"], "category"),
    )
}  # fmt: skip
NEEDS = frozenset(method.needs for method in METHODS.values())


@dataclass(frozen=True)
class Layout:
    """Distinct kinds of people: columns change, rating and, if known, before, after and a second test before."""

    kinds: Kinds
    cut: int
    entry: Entry | None = None

    @classmethod
    def of(cls, people: RatedPeople, *, collapse: bool = True) -> "Layout":
        """Return the layout of one study; without `collapse` every person stays a kind of their own, in order."""
        columns = [people.change, people.rating.astype(float)]
        if people.before is not None and people.after is not None:
            columns += [people.before, people.after] + ([] if people.second is None else [people.second])
        table = np.column_stack(columns)
        kinds = distinct(table) if collapse else Kinds(table, np.ones(people.n), np.arange(people.n))
        return cls(kinds, people.cut, people.entry)

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
    def states(self) -> tuple[Floats, NDArray[np.intp]]:
        """The distinct pairs of scores, and which of them each kind has; only where the scores are known."""
        return _distinct_at(self.kinds.rows[:, 2:4])

    def by_group(self, counts: Counts, groups: tuple[Floats, NDArray[np.intp]]) -> tuple[Counts, Counts]:
        """Return improved and not improved people in each of the coarser `groups`; valid until the next call."""
        hits, misses = split_counts(counts, self.improved)
        return gathered(hits, groups[1], len(groups[0])), gathered(misses, groups[1], len(groups[0]))


def _distinct_at(values: Floats) -> tuple[Floats, NDArray[np.intp]]:
    found, at = np.unique(values, axis=0, return_inverse=True)
    return found, at.reshape(-1)


def estimate_rows(
    layout: Layout, counts: Counts, error_variance: Floats | None, *, starts: Rows | None = None,
    needs: Collection[str] = NEEDS, screened: Moments | None = None,
) -> Rows:  # fmt: skip
    """Return every quantity for each row of counts.

    Parameters
    ----------
    layout : Layout
        The kinds of people.
    counts : ndarray, shape (R, kinds)
        How many of each kind a sample holds; fractions are allowed.
    error_variance : ndarray, shape (R,), or None
        Variance of one score's error (SEM squared), drawn anew for each resample; None if unknown.
    starts : dict, optional
        What this function returned for the full sample: its fits are where those of its resamples start. Without it a
        single separable sample is fitted with Firth's penalty.
    needs : collection of str, optional
        Compute only the methods that rest on these, see :class:`Method`.
    screened : (mean, variance), optional
        Draws of the first scores of everyone screened, where an entry rule is known.

    Returns
    -------
    dict of str to ndarray, shape (R,)
        NaN where a quantity does not exist in that row; ``"boundaries"`` has shape (R, ratings - 1).
    """
    with np.errstate(all="ignore"):
        x, met = layout.steps[0], set(needs)
        hits, misses = layout.by_group(counts, layout.steps)
        q: Rows = {}
        if "roc" in met:
            curve = roc_rows(x, hits, misses)
            q = {f"cut_{rule}": np.where(curve.area > 0.5, cuts.value, np.nan) for rule, cuts in curve.cuts.items()}
        # as floats, for matrix products
        whole, split = scratch("counts", counts.shape), scratch("outcomes", (2, *hits.shape))
        whole[...], split[0], split[1] = counts, hits, misses
        counts, (hits, misses) = whole, split
        q |= _moments(layout, counts) | _categories(layout, counts)
        for link in ("logit", "probit") if "curve" in met else ("probit",):
            q |= _curve(x, hits, misses, link, starts)
        q |= _from_curves(q)
        if error_variance is None:
            q["rating_reliability"] = np.full(len(counts), ASSUMED_RELIABILITY)
            met -= {"sem", "scores", "ratings"}
        else:
            q |= _reliabilities(q, error_variance)
            lacking = {"scores": layout.kinds.rows.shape[1] < 4, "ratings": layout.levels[0].size < 2}
            met -= {need for need, lacks in lacking.items() if lacks}
            if "scores" in met:
                q |= _two_state(layout, counts, error_variance, (starts or {}).get("states_theta"), screened)
            if "ratings" in met:
                q |= _ordinal(layout, counts, q, starts or {})
        for method in METHODS.values():
            if method.needs in met:
                q[method.name] = method.formula(q)
        if layout.entry is not None and "two_state_reliability" in q:
            q["anchor_reliability"] = q["two_state_reliability"]
        if error_variance is None and "curve" in met:
            q["adjusted_low"], q["adjusted_high"] = (adjusted_2022(q, rel) for rel in RELIABILITY_RANGE)
    return q


def _curve(x: Floats, hits: Floats, misses: Floats, link: str, starts: Rows | None) -> Rows:
    """Fit one curve to every row; where the groups part, Firth's (one sample) or the steepest curve (resamples)."""
    near = None if starts is None else np.array([starts[f"{link}_{part}"][0] for part in ("intercept", "slope")])
    fits = fit_outcomes(x, hits, misses, link=link, start=near)
    intercept, slope, parted = fits.intercept, fits.slope, np.flatnonzero(fits.failed)
    if parted.size and x.size > 1:
        middle = parted_middle(x, hits[parted], misses[parted])
        slope[parted] = np.where(np.isfinite(middle), RUNAWAY / np.std(x), np.nan)
        intercept[parted] = -middle * slope[parted]
        if starts is None and len(hits) == 1 and np.isfinite(middle[0]):
            slope = np.array([fit_penalised(x, hits[0], misses[0], link=link)[1]])
            intercept = -middle * slope  # half of them improved within the gap, as in the resamples
    rising = np.where(slope > 0, slope, np.nan)
    return {f"{link}_intercept": intercept, f"{link}_slope": slope, f"rising_{link}": rising}


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
    return {"mean_little": found[0], "mean_same": found[2], "sd_same": found[3]}


def _from_curves(q: Rows) -> Rows:
    """Return what the fitted curves give without knowing the test's error; a curve that falls gives nothing."""
    steep = q["rising_probit"]
    signal = (steep * q["sd"]) ** 2
    return {"log_odds": np.log(q["improved"] / (1 - q["improved"])), "half_observed": -q["probit_intercept"] / steep,
            "biserial": np.sqrt(signal / (1 + signal))}  # fmt: skip


def _reliabilities(q: Rows, error_variance: Floats) -> Rows:
    """Return the share of the variance that is true, in the change and in what lies behind the rating."""
    change = np.where(q["sd"] > 0, 1 - 2 * error_variance / q["sd"] ** 2, np.nan)
    kept = np.maximum(change, 0.0)
    rating = np.where(kept > 0, q["biserial"] ** 2 / kept, np.nan)
    return {"change_reliability": change, "anchor_reliability": rating, "rating_reliability": rating}


def normal_threshold(rows: Rows, change_reliability: float, anchor_reliability: float) -> float:
    """Return the mean personal threshold in closed form, under normal true change and rating."""
    reach = rows["sd"][0] * np.sqrt(change_reliability / anchor_reliability)
    return float(rows["mean"][0] - ndtri(rows["improved"][0]) * reach)


class States(NamedTuple):
    """Means, variances and covariance of both scores of everyone, and the mean true scores of those taken in."""

    mean_1: Floats
    mean_2: Floats
    var_1: Floats
    var_2: Floats
    cov: Floats
    true_1: Floats
    true_2: Floats


def _states_of(
    layout: Layout, counts: Floats, total: Floats, error_variance: Floats, screened: Moments | None
) -> States:
    """Return the moments behind each row; with an entry rule those of everyone before the cut.

    Selection on the first score leaves the line of the second on the first as it is (Pearson-Lawley): with the slope
    s and the first score's mean μ and variance v of everyone, the second has mean x̄₂ + s(μ − x̄₁) and variance s²v plus
    what is left around the line. The true first scores of those taken in have mean μ + (1 − SEM²/v)(x̄₁ − μ).
    """
    pairs = layout.states[0]
    n, middle = total.sum(axis=1), pairs.mean(axis=0)
    first, second = (pairs - middle).T
    mean_1, mean_2 = total @ first / n, total @ second / n
    var_1 = (total @ first**2 - n * mean_1**2) / (n - 1)
    var_2 = (total @ second**2 - n * mean_2**2) / (n - 1)
    cov = (total @ (first * second) - n * mean_1 * mean_2) / (n - 1)
    if layout.entry is None:
        return States(mean_1 + middle[0], mean_2 + middle[1], var_1, var_2, cov, mean_1 + middle[0], mean_2 + middle[1])
    again = None
    if layout.kinds.rows.shape[1] > 4:
        start, repeat = layout.kinds.rows[:, 2] - middle[0], layout.kinds.rows[:, 4]
        mean = counts @ repeat / n
        again = mean, (counts @ (start * repeat) - n * mean_1 * mean) / n
    seen, seen_2 = mean_1 + middle[0], mean_2 + middle[1]
    mean, var = before_cut(layout.entry, seen, var_1 * (n - 1) / n, error_variance, second=again, screened=screened)
    slope = cov / var_1
    left = (var_2 - slope * cov) * (n - 1) / (n - 2)
    true_1 = mean + (1 - error_variance / var) * (seen - mean)
    return States(mean, seen_2 + slope * (mean - seen), var, slope**2 * var + left, slope * var, true_1, seen_2)


def _two_state(
    layout: Layout, counts: Floats, error_variance: Floats, start: Floats | None, screened: Moments | None
) -> Rows:
    """Return the threshold from both scores; b' S inverse(Sigma) carries the slopes to the true scores."""
    hits, misses = layout.by_group(counts, layout.states)
    near = None if start is None else start[0]
    fits = fit_outcomes(layout.states[0], hits, misses, link="probit", start=near)
    one = _states_of(layout, counts, hits + misses, error_variance, screened)
    true_1, true_2 = one.var_1 - error_variance, one.var_2 - error_variance
    det = true_1 * true_2 - one.cov**2
    b1, b2 = fits.slope.T
    pulled_1, pulled_2 = one.var_1 * b1 + one.cov * b2, one.cov * b1 + one.var_2 * b2
    beta_1 = (true_2 * pulled_1 - one.cov * pulled_2) / det
    beta_2 = (true_1 * pulled_2 - one.cov * pulled_1) / det
    level = fits.intercept + b1 * one.mean_1 + b2 * one.mean_2
    level = level + beta_1 * (one.true_1 - one.mean_1) + beta_2 * (one.true_2 - one.mean_2)
    sound = (true_1 > 0) & (true_2 > 0) & (det > 0) & (beta_2 > 0)
    signal = beta_1**2 * true_1 + 2 * beta_1 * beta_2 * one.cov + beta_2**2 * true_2
    # what the observed scores already explain: beta' Lambda Sigma beta = b' S b
    seen = b1 * pulled_1 + b2 * pulled_2
    found = {"mean_before": one.true_1, "mean_after": one.true_2, "states_level": level, "states_after": beta_2,
             "present_state_bias": 1 + beta_1 / beta_2, "two_state_reliability": signal / (1 + seen)}  # fmt: skip
    found |= {} if layout.entry is None else {"everyone_mean": one.mean_1, "everyone_variance": one.var_1}
    found = {name: np.where(sound, values, np.nan) for name, values in found.items()}
    return found | {"states_theta": np.column_stack([fits.intercept, fits.slope])}


def _ordinal(layout: Layout, counts: Floats, q: Rows, starts: Rows) -> Rows:
    """Return the true change at each boundary between neighbouring ratings, from one ordered probit."""
    (cells, at), levels = layout.rated_steps, layout.levels[0]
    near = OrderedFits(starts["ordered_slope"], starts["ordered_thresholds"]) if "ordered_slope" in starts else None
    fits = fit_ordered(cells[:, 0], np.searchsorted(levels, cells[:, 1]), gathered(counts, at, len(cells)), start=near)
    steep = np.where(fits.slope > 0, fits.slope, np.nan)[:, None]
    columns = {name: q[name][:, None] for name in ("mean", "change_reliability")}
    boundaries = kept_of(columns, fits.thresholds / steep)
    split = int(np.searchsorted(levels, layout.cut))
    at_cut = boundaries[:, split - 1] if 0 < split < levels.size else np.full(len(counts), np.nan)
    return {"boundary_at_cut": at_cut, "boundaries": boundaries, "ordered_slope": fits.slope,
            "ordered_thresholds": fits.thresholds}  # fmt: skip
