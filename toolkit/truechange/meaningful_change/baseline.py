"""Does the MCID depend on where people start? Asked with a second baseline, so that the answer is not an artefact."""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from truechange.foundation.errors import DataError, RefusedError, check_confidence
from truechange.foundation.estimate import Estimate
from truechange.foundation.numbers import fixed
from truechange.foundation.result import Result
from truechange.foundation.sem import read_sem
from truechange.meaningful_change.people import numbers, rated_people, same_index
from truechange.numerics.binary_models import fit_outcomes
from truechange.numerics.kinds import Counts, Kinds, draw_counts, rows_at_once
from truechange.numerics.resampling import Floats, in_blocks, percentile_limits

LEAST, ENOUGH = 50, 200


@dataclass(frozen=True)
class BaselineDependence(Result):
    """How the MCID changes with the starting level.

    Parameters
    ----------
    slope : Estimate
        Change of the MCID per unit of the second baseline.
    interaction : Estimate
        Coefficient of change x second baseline in the probit curve; near 0 if one slope is enough.
    at : DataFrame
        Indexed by place (1 SD below the mean, mean, 1 SD above): second_baseline, estimate, low, high.
    """

    slope: Estimate
    interaction: Estimate
    at: pd.DataFrame
    cautions: tuple[str, ...] = ()
    sources: tuple[str, ...] = ("terluin2021",)

    def table(self) -> pd.DataFrame:
        """Return the MCID at three starting levels, unrounded."""
        return self.at

    def sentences(self) -> tuple[str, ...]:
        """Say whether the MCID depends on the starting level."""
        seen = self.slope.low > 0 or self.slope.high < 0
        verdict = "depends on" if seen else "is not shown to depend on"
        low, _, high = self.at["estimate"]
        return (
            f"The MCID {verdict} where people start: {self.slope} per unit of the second baseline.",
            f"It is {fixed(low, 1)} for people who start 1 SD below the mean and {fixed(high, 1)} for 1 SD above.",
        )


def baseline_dependence(
    improvement: ArrayLike,
    anchor: ArrayLike,
    second_baseline: ArrayLike | None,
    *,
    sem: "float | Estimate",
    sem_df: float | None = None,
    before: ArrayLike | None = None,
    cut: int = 1,
    n_boot: int = 2000,
    seed: int = 0,
    confidence: float = 0.95,
) -> BaselineDependence:
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
    BaselineDependence

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
    same_index({"improvement": improvement, "anchor": anchor, "second_baseline": second_baseline})
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
    draws = in_blocks(work, n_boot, seed=seed, block=rows_at_once(people.n))
    low, high = percentile_limits(draws, confidence)
    cautions = people.cautions()
    if people.n < ENOUGH:
        cautions.append(f"With {people.n} people a dependence on the baseline is easily missed; {ENOUGH} are wanted.")
    told = [
        Estimate(value=float(v), low=float(a), high=float(b), confidence=confidence, n=people.n, method="bootstrap")
        for v, a, b in zip(found, low, high, strict=True)
    ]
    at = pd.DataFrame(
        {"second_baseline": centre + places, "estimate": found[2:], "low": low[2:], "high": high[2:]},
        index=pd.Index(["1 SD below", "mean", "1 SD above"], name="place"),
    )
    return BaselineDependence(told[0], told[1], at, tuple(cautions))


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
