"""The arithmetic under the methods: ROC, logistic and probit fits, resampling, held against other libraries."""

from math import sqrt
from typing import Any

import numpy as np

import truechange as tc
from oracles import Pairs, route
from truechange.numerics.resampling import bca_limits, percentile_limits
from truechange.numerics.variances import icc_values, jackknifed_mean_squares, mean_squares, resampled_mean_squares
from truechange.validation.cases import load_case


def counted(scores: Any, event: Any) -> tuple[Any, Any, Any]:
    """Return distinct scores, and how many with and without the event have each."""
    values, place = np.unique(np.asarray(scores, dtype=float), return_inverse=True)
    hits = np.bincount(place, weights=np.asarray(event, dtype=float), minlength=values.size)
    return values, hits, np.bincount(place, minlength=values.size) - hits


def _study(scores: Any, event: Any) -> Any:
    return tc.mcid(np.asarray(scores, dtype=float), np.asarray(event).astype(int), n_boot=100)


def _area(scores: Any, event: Any) -> tuple[float, float, float, float]:
    one = _study(scores, event).area
    return one.value, (one.high - one.low) / (2 * 1.959963985), one.low, one.high


@route("MCID: ROC", by="tc.mcid")
def _area_by_pairs() -> Pairs:
    """Area by comparing every pair; DeLong variance from the pairs."""
    rng = np.random.default_rng(8)
    y = rng.integers(0, 2, 60)
    d = np.round(rng.normal(y * 1.2, 1.5))
    wins = (d[y == 1][:, None] > d[y == 0]) + 0.5 * (d[y == 1][:, None] == d[y == 0])
    variance = wins.mean(axis=1).var(ddof=1) / (y == 1).sum() + wins.mean(axis=0).var(ddof=1) / (y == 0).sum()
    value, se, _, _ = _area(d, y)
    return {"area": (float(wins.mean()), value, 1e-12), "standard error": (sqrt(variance), se, 1e-8)}


@route("ICC", by="truechange.numerics.variances")
def _mean_squares_one_by_one() -> Pairs:
    """Resampled and leave-one-out mean squares recomputed one by one."""
    table = np.array(load_case("icc_shrout_fleiss_1979").data["ratings"], dtype=float)
    left_out = icc_values(jackknifed_mean_squares(table), "ICC(A,1)")
    slow = [float(icc_values(mean_squares(np.delete(table, i, axis=0)), "ICC(A,1)")) for i in range(6)]
    found: Pairs = {f"without person {i + 1}": (slow[i], float(left_out[i]), 1e-12) for i in range(6)}
    n_boot = 4000
    fast = icc_values(resampled_mean_squares(table, n_boot=n_boot, seed=1), "ICC(C,1)")
    rng = np.random.default_rng(2)
    plain = icc_values(mean_squares(table[rng.integers(0, 6, (n_boot, 6))]), "ICC(C,1)")
    for level in (25, 50, 75):
        found[f"percentile {level} of the resamples"] = (
            float(np.nanpercentile(plain, level)), float(np.nanpercentile(fast, level)), 0.02)  # fmt: skip
    return found


@route("Resampling", by="truechange.numerics.resampling", came="another library")
def _bootstrap_against_scipy() -> Pairs:
    """scipy.stats: percentile and BCa limits of a mean."""
    from scipy.stats import bootstrap

    data = np.random.default_rng(4).gamma(2, 2, 40)
    draws = data[np.random.default_rng(5).integers(0, 40, (40_000, 40))].mean(axis=1)
    jackknife = (data.sum() - data) / 39
    found: Pairs = {}
    for method, (low, high) in (
        ("percentile", percentile_limits(draws, 0.95)),
        ("BCa", bca_limits(draws, float(data.mean()), jackknife, 0.95)),
    ):
        settings: Any = {"n_resamples": 40_000, "method": method, "rng": 6}
        theirs = bootstrap((data,), np.mean, **settings).confidence_interval
        found[f"{method} low"] = (float(theirs.low), float(low), 0.03)
        found[f"{method} high"] = (float(theirs.high), float(high), 0.03)
    return found
