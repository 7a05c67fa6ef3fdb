"""Companions of an MCID: does it depend on the baseline (second baseline), and is it absolute or relative?"""

from __future__ import annotations

from math import nan

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from truechange.foundation.errors import DataError, RefusedError, check_confidence, check_same_index
from truechange.foundation.estimate import Estimate, read_sem
from truechange.foundation.numbers import fixed
from truechange.foundation.result import Part, told
from truechange.meaningful_change.ratings import numbers, rated_people, turned_scores
from truechange.numerics.curves import fit_outcomes
from truechange.numerics.resampling import Counts, Floats, Kinds, at_once, draw_counts, in_blocks, percentile_limits

LEAST, ENOUGH = 50, 200
CLEAR = 2.0  # standard errors between two scales
SCALES = {
    "absolute": "The change in units tells better than the relative change who improved: use units.",
    "relative": "The relative change tells better than the change in units who improved: use the log scale.",
    "undecided": "Units and relative change tell equally well who improved: report both.",
}


def baseline_dependence(
    improvement: ArrayLike, anchor: ArrayLike, second_baseline: ArrayLike | None, *, sem: float | Estimate,
    sem_df: float | None = None, before: ArrayLike | None = None, cut: int = 1, n_boot: int = 2000, seed: int = 0,
    confidence: float = 0.95,
) -> Part:  # fmt: skip
    r"""Estimate how the MCID changes with the starting level, from a baseline that is not part of the change.

    Parameters
    ----------
    improvement, anchor, cut, sem, sem_df, n_boot, seed, confidence
        As in :func:`mcid`.
    second_baseline : array_like, shape (n,)
        Another test of the same person before treatment: a practice trial, an earlier visit, a related test.
    before : array_like, optional
        The baseline inside the improvement, to make sure that the second one differs.

    Returns
    -------
    Part
        ``slope`` (change of the MCID per unit of the second baseline) and ``interaction`` (change x second baseline
        in the probit; near 0 if one slope is enough) as Estimates; ``at``, also its table: the MCID 1 SD below the
        mean, at the mean and 1 SD above, with ``second_baseline, estimate, low, high``.

    Raises
    ------
    RefusedError
        There is no second baseline, or it is the one inside the improvement: sorting people by a score that is part of
        their change moves its error from group to group, and a dependence appears from nothing (Terluin et al. 2021).
    DataError
        Fewer than 50 complete people, or the rating does not follow the change.

    Notes
    -----
    Probit :math:`P = \Phi(\alpha + \beta D + \gamma z)` with z the centred second baseline. Given z the change has
    mean :math:`m + \lambda z`, variance :math:`s_z^2` and reliability :math:`\rho = 1 - 2\,SEM^2/s_z^2`, so the mean
    threshold moves by :math:`(1 - \rho)\lambda - \rho\gamma/\beta` per unit of z (own derivation, checked by
    simulation).
    """
    check_confidence(confidence)
    if second_baseline is None:
        raise RefusedError(
            "Dependence on the baseline needs a second baseline (a practice trial, an earlier visit). Splitting people "
            "by the score that is part of their change makes a dependence out of measurement error."
        )
    check_same_index(improvement=improvement, anchor=anchor, second_baseline=second_baseline)
    z_all = numbers("second_baseline", second_baseline)
    if before is not None and np.array_equal(z_all, numbers("before", before), equal_nan=True):
        raise RefusedError(
            "second_baseline is the score inside the improvement; give a different test of these people."
        )
    change_all = numbers("improvement", improvement)
    if z_all.size != change_all.size:
        raise DataError(f"second_baseline has {z_all.size} values and improvement {change_all.size}: line them up.")
    people = rated_people(np.where(np.isnan(z_all), np.nan, change_all), anchor, cut=cut)
    z = z_all[np.isfinite(z_all) & np.isfinite(change_all) & np.isfinite(numbers("anchor", anchor))]
    if people.n < LEAST:
        raise DataError(f"Only {people.n} complete people; at least {LEAST} are needed to ask about the baseline.")
    error = None if sem is None else read_sem(sem, sem_df)
    sem_value, df = (0.0, None) if error is None else (error.value, error.df)
    spread, centre = float(z.std(ddof=1)), float(z.mean())
    x = np.column_stack([people.change, z - centre])
    places = np.array([-spread, 0.0, spread])

    def quantities(counts: Counts, variance: Floats) -> Floats:
        return _quantities(x, people.improved.astype(float), counts.astype(float), variance, places)

    def work(rng: np.random.Generator, size: int) -> Floats:
        variance = np.full(size, sem_value**2) * (1.0 if df is None else df / rng.chisquare(df, size))
        return quantities(draw_counts(rng, size, everybody), variance)

    everybody = Kinds(x, np.ones(people.n), np.arange(people.n))
    found = quantities(np.ones((1, people.n)), np.array([sem_value**2]))[0]
    if not np.isfinite(found).all():
        raise DataError("The rating does not follow the change, or the change is all error: no MCID, so no dependence.")
    draws = in_blocks(work, n_boot, seed=seed, block=at_once(people.n))
    low, high = percentile_limits(draws, confidence)
    slope, interaction = (
        Estimate(value=float(v), low=float(a), high=float(b), confidence=confidence, n=people.n, method="bootstrap")
        for v, a, b in zip(found[:2], low[:2], high[:2], strict=True)
    )
    at = pd.DataFrame(
        {"second_baseline": centre + places, "estimate": found[2:], "low": low[2:], "high": high[2:]},
        index=pd.Index(["1 SD below", "mean", "1 SD above"], name="place"),
    )
    verdict = "depends on" if slope.low > 0 or slope.high < 0 else "is not shown to depend on"
    low_end, high_end = fixed(found[2], 1), fixed(found[4], 1)
    missed = f"With {people.n} people a dependence on the baseline is easily missed; {ENOUGH} are wanted."
    return Part(
        {"slope": slope, "interaction": interaction, "at": at}, at,
        (f"The MCID {verdict} where people start: {slope} per unit of the second baseline.",
         f"It is {low_end} for people who start 1 SD below the mean and {high_end} for 1 SD above."),
        (*people.cautions(), *told({missed: people.n < ENOUGH})), ("terluin2021",),
    )  # fmt: skip


def _quantities(x: Floats, improved: Floats, counts: Floats, variance: Floats, places: Floats) -> Floats:
    """Return slope, interaction and the MCID at each place for every row of counts."""
    change, z = x.T
    n = counts.sum(axis=1)
    mean, mean_z = counts @ change / n, counts @ z / n
    var_z = counts @ z**2 / n - mean_z**2
    follow = (counts @ (change * z) / n - mean * mean_z) / var_z
    residual = (counts @ change**2 / n - mean**2 - follow**2 * var_z) * n / (n - 2)
    hits = counts * improved
    misses = counts - hits
    fits = fit_outcomes(x, hits, misses, link="probit")
    crossed = fit_outcomes(np.column_stack([x, change * z]), hits, misses, link="probit")
    beta, gamma = fits.slope.T
    kept = 1 - 2 * variance / residual
    sound = (beta > 0) & (kept > 0)
    slope = np.where(sound, (1 - kept) * follow - kept * gamma / np.where(beta > 0, beta, 1.0), np.nan)
    here = mean - follow * mean_z
    half = -fits.intercept / np.where(beta > 0, beta, 1.0)
    middle = np.where(sound, here + kept * (half - here), np.nan)
    return np.column_stack([slope, crossed.slope[:, 2], *(middle + slope * place for place in places)])


def compare_scales(
    before: ArrayLike, after: ArrayLike, anchor: ArrayLike, *, better: str, cut: int = 1, folds: int = 10, seed: int = 0
) -> Part:
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
    Part
        Its table, also ``scales``, is indexed by scale (absolute, relative, after given before): deviance (per person,
        people left out of the fit), worse_by and its standard error (against the best), calibration (slope, 1 is
        ideal), spread_ratio (SD of change in the top third of scores over the bottom third, 1 is constant), why_not.
        ``better_scale`` is ``"absolute"``, ``"relative"`` or ``"undecided"``; ``geometric_ratio`` and ``mean_ratio``
        are the group's relative change: ratio of geometric means, and mean change over mean baseline, as fractions.

    Raises
    ------
    DataError
        Fewer than 50 complete people, or columns that do not line up.

    Notes
    -----
    Percentages of single people are never averaged: they are unstable for small first scores and lopsided
    (Vickers 2001, BMC Med Res Methodol 1:6). A score of zero or below has no relative change.
    """
    first, second, people = turned_scores(before, after, anchor, better, cut)
    if people.n < LEAST:
        raise DataError(f"Only {people.n} complete people; at least {LEAST} are needed to compare scales.")
    seen = np.isfinite(first) & np.isfinite(second) & np.isfinite(numbers("anchor", anchor))
    first, second, improved = first[seen], second[seen], people.improved.astype(float)
    positive = bool((first > 0).all() and (second > 0).all())
    candidates: dict[str, Floats] = {"absolute": people.change}
    if positive:
        candidates["relative"] = (1.0 if better == "higher" else -1.0) * np.log(second / first)
    candidates["after given before"] = np.column_stack([first, second])
    folded = np.random.default_rng(seed).permutation(people.n) % folds == np.arange(folds)[:, None]
    fits = {name: _left_out(x, improved, folded) for name, x in candidates.items()}
    losses = {name: loss for name, (loss, _) in fits.items()}
    best = min(losses, key=lambda name: float(losses[name].mean()))
    rows: dict[str, tuple[object, ...]] = {}
    for name in ("absolute", "relative", "after given before"):
        if name not in fits:
            rows[name] = (nan, nan, nan, nan, nan, "a score is zero or below: no relative change")
            continue
        apart, change = losses[name] - losses[best], candidates[name]
        error = float(apart.std(ddof=1) / np.sqrt(people.n))
        ratio = nan if change.ndim > 1 else _spread_ratio(change, (first + second) / 2)
        rows[name] = (float(losses[name].mean()), float(apart.mean()), error, fits[name][1], ratio, "")
    columns = ["deviance", "worse_by", "standard_error", "calibration", "spread_ratio", "why_not"]
    frame = pd.DataFrame.from_dict(rows, orient="index", columns=columns).rename_axis("scale")
    mean_ratio = float(np.mean(second - first) / np.mean(first))
    verdict = _verdict(losses) if positive else "absolute"
    geometric = float(np.exp(np.mean(np.log(second / first)))) - 1 if positive else nan
    facts = {"scales": frame, "better_scale": verdict, "geometric_ratio": geometric, "mean_ratio": mean_ratio}
    says = (SCALES[verdict], f"The mean change is {fixed(100 * mean_ratio, 1)}% of the mean first score.")
    return Part(facts, frame, says, tuple(people.cautions()), ("vickers2001b",))


def _left_out(x: Floats, improved: Floats, folded: NDArray[np.bool_]) -> tuple[Floats, float]:
    """Return each person's deviance under the fit without their group, and the calibration slope of those fits."""
    order = np.argsort(x) if x.ndim == 1 else np.arange(len(x))
    x, improved, folded = x[order], improved[order], folded[:, order]
    used = (~folded).astype(float)
    fits = fit_outcomes(x, used * improved, used * (1 - improved), link="logit")
    own = folded.argmax(axis=0)
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
