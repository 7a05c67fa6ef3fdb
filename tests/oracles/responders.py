"""Proportions and responders by independent routes: other libraries, sums of whole numbers, random draws."""

from math import exp, lgamma, log, sqrt

import numpy as np

import truechange as tc
from oracles import Pairs, route


@route("Proportions", by="tc.proportion")
def _exact_limits_by_summing() -> Pairs:
    """Exact limits by summing binomial probabilities until the tail is 2.5%."""
    found: Pairs = {}
    for k, n in ((3, 17), (18, 30)):
        one = tc.proportion(k, n, method="exact")

        def tail(p: float, counts: range, n: int = n) -> float:
            return sum(
                exp(lgamma(n + 1) - lgamma(j + 1) - lgamma(n - j + 1) + j * log(p) + (n - j) * log(1 - p))
                for j in counts
            )

        found[f"{k}/{n} tail above the lower limit"] = (0.025, tail(one.low, range(k, n + 1)), 1e-10)
        found[f"{k}/{n} tail below the upper limit"] = (0.025, tail(one.high, range(k + 1)), 1e-10)
    return found


@route("Proportions", by="tc.compare_responders")
def _fisher_by_listing() -> Pairs:
    """Fisher's p by listing every table with these margins."""
    from math import comb

    found: Pairs = {}
    for k1, n1, k2, n2 in ((18, 30, 9, 28), (3, 8, 7, 9), (0, 12, 5, 11)):
        total = k1 + k2
        ways = {j: comb(n1, j) * comb(n2, total - j) for j in range(max(0, total - n2), min(n1, total) + 1)}
        p = sum(w for w in ways.values() if w <= ways[k1] * (1 + 1e-9)) / sum(ways.values())
        found[f"{k1}/{n1} v {k2}/{n2}"] = (p, tc.compare_responders(k1, n1, k2, n2).p_value, 1e-10)
    return found


@route("Proportions", by="tc.proportion", came="another library")
def _shares_against_statsmodels() -> Pairs:
    """statsmodels: Wilson, Clopper-Pearson and Newcombe limits."""
    from statsmodels.stats.proportion import confint_proportions_2indep, proportion_confint

    found: Pairs = {}
    for k, n in ((1, 29), (18, 30), (30, 30)):
        for ours, theirs in (("wilson", "wilson"), ("exact", "beta")):
            low, high = proportion_confint(k, n, method=theirs)
            one = tc.proportion(k, n, method=ours)
            found[f"{k}/{n} {ours} low"] = (float(low), one.low, 1e-10)
            found[f"{k}/{n} {ours} high"] = (float(high), one.high, 1e-10)
    low, high = confint_proportions_2indep(18, 30, 9, 28, method="newcomb")
    gap = tc.compare_responders(18, 30, 9, 28).difference
    return found | {"difference low": (low, gap.low, 1e-10), "difference high": (high, gap.high, 1e-10)}


@route("Responders", by="tc.count_responders")
def _counting_by_hand() -> Pairs:
    """Counting by hand: improvements at, above and below the threshold, missing follow-up included."""
    found = tc.count_responders([3.0, 2.0, 1.999, -2.0, float("nan"), 5.0], 2).table().iloc[0]
    share = tc.cumulative_change([3.0, 2.0, 1.999, -2.0, float("nan"), 5.0]).at(2)
    return {
        "changed enough": (3, float(found.changed_enough), 0),
        "started": (6, float(found.started), 0),
        "worse enough": (1, float(found.worse_enough), 0),
        "proportion": (0.5, float(found.proportion), 1e-12),
        "highest possible": (4 / 6, float(found.highest_possible), 1e-12),
        "curve at 2": (0.5, float(share["share"].iloc[0]), 1e-12),
    }


@route("Responders", by="tc.responders_from_error")
def _error_only_by_summing() -> Pairs:
    """Expected number and tail by summing binomial probabilities in whole numbers."""
    from math import comb, erfc

    found: Pairs = {}
    for threshold, sem, practice, n, k in ((2, 1.0, 0.0, 30, 6), (2.5, 1.3, 0.4, 80, 15)):
        p = 0.5 * erfc((threshold - practice) / (2 * sem))
        one = tc.responders_from_error(threshold, sem=sem, n=n, practice=practice)
        name = f"threshold {threshold:g}, SEM {sem:g}"
        found[f"{name}: share"] = (p, one.proportion, 1e-12)
        found[f"{name}: expected"] = (n * p, one.expected, 1e-10)
        tail = sum(comb(n, j) * p**j * (1 - p) ** (n - j) for j in range(k, n + 1))
        found[f"{name}: {k} or more"] = (tail, one.tail(k), 1e-10)
    return found


@route("Responders", by="tc.true_responder_share")
def _true_share_of_known_shapes() -> Pairs:
    """Shares where true change is exponential or has unchanged people: closed forms, 20,000 people drawn."""
    rng = np.random.default_rng(8)
    found: Pairs = {}
    mixed = np.where(rng.random(20_000) < 0.4, 0.0, rng.normal(4, 1, 20_000))
    for name, true, share in (
        ("exponential, mean 2", rng.exponential(2, 20_000), exp(-1)),
        ("40% at 0, the rest N(4, 1)", mixed, 0.6 * 0.97725),
    ):
        one = tc.true_responder_share(true + rng.normal(0, sqrt(2), 20_000), sem=1.0, mcid=2.0)
        found[name] = (share, one.value, 0.025)
    return found


@route("Proportions", by="tc.compare_responders")
def _score_limits_by_search() -> Pairs:
    """Ratios with an empty cell: the score test at each limit, its restricted maximum found by a grid search."""
    found: Pairs = {}
    for k1, n1, k2, n2 in ((0, 12, 5, 14), (9, 9, 6, 11), (0, 6, 3, 4), (5, 20, 0, 18), (1, 3, 0, 4)):
        both = tc.compare_responders(k1, n1, k2, n2)
        ratios = {"risk": both.risk_ratio, "odds": both.odds_ratio}
        for name, one in ratios.items():
            if not one.method.startswith("score"):
                continue
            for side in ("low", "high"):
                ratio = getattr(one, side)
                if 0 < ratio < float("inf"):
                    z = _score_z(k1, n1, k2, n2, ratio, name)
                    found[f"{k1}/{n1} v {k2}/{n2}, {name} ratio {side}, |z|"] = (1.959963985, abs(z), 1e-4)
    return found


def _score_z(k1: int, n1: int, k2: int, n2: int, ratio: float, kind: str) -> float:
    """Return the score statistic at a given ratio, the restricted shares found by refining a grid."""
    low, high = 1e-12, 1 - 1e-12
    for _ in range(12):
        p2 = np.linspace(low, high, 2001)
        p1 = p2 * ratio if kind == "risk" else p2 * ratio / (1 - p2 + p2 * ratio)
        fine = p1 < 1
        p1 = np.where(fine, p1, 0.5)
        fit = k1 * np.log(p1) + (n1 - k1) * np.log1p(-p1) + k2 * np.log(p2) + (n2 - k2) * np.log1p(-p2)
        best = int(np.argmax(np.where(fine, fit, -np.inf)))
        step = p2[1] - p2[0]
        low, high = max(1e-12, p2[best] - 2 * step), min(1 - 1e-12, p2[best] + 2 * step)
    a, b = float(p1[best]), float(p2[best])
    if kind == "risk":
        return (k1 / n1 - ratio * k2 / n2) / sqrt(a * (1 - a) / n1 + ratio**2 * b * (1 - b) / n2)
    return (k1 - n1 * a) * sqrt(1 / (n1 * a * (1 - a)) + 1 / (n2 * b * (1 - b)))


@route("Responders", by="tc.true_responder_share", came="another library")
def _few_people_by_drawing_chi_square() -> Pairs:
    """scipy.stats: seven people, the sample variance weighed by its chi-square density on 6 degrees of freedom."""
    from scipy.special import ndtr
    from scipy.stats import chi2

    change = np.array([-1.0, 0.5, 1.0, 2.0, 3.5, 5.0, 7.0])
    rng, n, s2 = np.random.default_rng(9), 7, change.var(ddof=1)
    tau = np.sqrt(rng.exponential(2 * s2, 400_000))
    variance = tau**2 + 2 * 0.8**2
    weight = chi2.pdf((n - 1) * s2 / variance, n - 1) / variance
    share = ndtr((rng.normal(change.mean(), np.sqrt(variance / n)) - 6.0) / tau)
    order = np.argsort(share)
    at = np.cumsum(weight[order]) / weight.sum()
    low, middle, high = (float(share[order][np.searchsorted(at, level)]) for level in (0.025, 0.5, 0.975))
    one = tc.true_responder_share(change, sem=0.8, mcid=6.0)
    return {"median": (middle, one.value, 0.002), "low": (low, one.low, 0.003), "high": (high, one.high, 0.003)}
