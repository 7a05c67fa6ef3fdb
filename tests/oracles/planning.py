"""A slow search or a simulation beside each formula for sample size."""

from math import sqrt

import numpy as np
from simulation.coverage_settings import rated_change
from simulation.retests import simulated_mean_squares

import truechange as tc
from oracles import Pairs, route
from truechange.numerics.curves import fit_outcomes
from truechange.planning.precision import Model


@route("Sample size", by="tc.plan_change")
def _power_by_simulation() -> Pairs:
    """Power by simulating 40,000 studies of the planned size."""
    from scipy.special import stdtrit

    rng = np.random.default_rng(41)
    found: Pairs = {}
    for effect, power in ((0.5, 0.8), (0.8, 0.9)):
        n = tc.plan_change(effect, 1.0, power=power).need
        mean = rng.normal(effect, 1 / sqrt(n), 40_000)
        sd = np.sqrt(rng.chisquare(n - 1, 40_000) / (n - 1))
        shown = float((np.abs(mean) / (sd / sqrt(n)) >= stdtrit(n - 1, 0.975)).mean())
        found[f"effect {effect:g}, n {n}"] = (shown, power, 0.012)
    return found


@route("Sample size", by="tc.plan_icc")
def _icc_width_by_simulation() -> Pairs:
    """Width of the interval in 4,000 simulated retest studies of the planned size."""
    from truechange.numerics.variances import icc_limits

    found: Pairs = {}
    for icc, trials, width in ((0.8, 2, 0.2), (0.85, 3, 0.15)):
        n = tc.plan_icc(icc, trials=trials, width=width).need
        spread = sqrt(icc / (1 - icc))
        ms = simulated_mean_squares(np.random.default_rng(42), 4000, n=n, k=trials, person_sd=spread, error_sd=1.0)
        low, high = icc_limits(ms, "ICC(1)", 0.95)
        found[f"ICC {icc:g}, {trials} trials, n {n}"] = (width, float(np.mean(high - low)), 0.012)
    return found


@route("Sample size", by="tc.plan_mcid")
def _mcid_spread_by_simulation() -> Pairs:
    """Spread of MCIDs from 2,000 simulated samples of the planned size."""
    found: Pairs = {}
    for improved, anchor in ((0.5, 0.6), (0.3, 0.5)):
        n = tc.plan_mcid(0.8, sd=2.4, improved=improved, anchor_reliability=anchor, reliability=0.7).need
        sem, size = 2.4 * sqrt((1 - 0.7) / 2), 2000
        drawn = rated_change(np.random.default_rng(43), n * size, p=improved, rel_t=anchor, sem=sem, sd=2.4 * sqrt(0.7))
        change, rating = (part.reshape(size, n) for part in drawn)
        x, place = np.unique(change, return_inverse=True)
        cells = place.reshape(size, n) + x.size * np.arange(size)[:, None]
        total, hits = (
            np.bincount(cells.ravel(), weights=w, minlength=size * x.size).reshape(size, x.size)
            for w in (None, rating.ravel())
        )
        fit = fit_outcomes(x.astype(float), hits.astype(float), (total - hits).astype(float), link="probit")
        mean, kept = change.mean(axis=1), 1 - 2 * sem**2 / change.var(axis=1, ddof=1)
        values = mean + kept * (-fit.intercept / fit.slope - mean)
        low, high = np.percentile(values, [2.5, 97.5])
        model = Model(float(change.mean()), float(change.std()), 0.7, improved, anchor)
        found[f"share improved {improved:g}: threshold of the model"] = (2.0, model.mcid, 0.02)
        found[f"share improved {improved:g}, anchor {anchor:g}, n {n}"] = (float(high - low) / 2, 0.8, 0.1)
    return found
