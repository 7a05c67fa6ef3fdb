"""How fast the MCID kernels resample, as ratios against general libraries measured in the same run.

Run by hand: ``python tests/benchmarks/bench_mcid.py``. Every measurement has a process of its own; peers that would
take minutes are timed on a few resamples and scaled. Absolute times depend on the machine, ratios hardly.
"""

import json
import resource
import statistics
import sys
import time
from collections.abc import Iterator

import numpy as np
from measuring import Row, alone, fresh

RESAMPLES = 10_000
REPEATS = 3
WORK = {"cut": "ROC cut and area", "predictive": "predictive MCID"}
STUDY_GOAL = 2  # every estimator in half the time of one peer's fit
# work, people, few-valued scores, peer -> goal
GOALS = {("cut", 200, False, "sklearn"): 240, ("cut", 2_000, False, "sklearn"): 35,
         ("cut", 20_000, False, "sklearn"): 12, ("cut", 20_000, True, "sklearn"): 230, ("cut", 200, False, "scipy"): 8,
         ("cut", 2_000, False, "scipy"): 9, ("cut", 20_000, False, "scipy"): 10,
         ("predictive", 200, False, "statsmodels"): 110, ("predictive", 1_000, False, "statsmodels"): 30,
         ("predictive", 5_000, False, "statsmodels"): 14, ("predictive", 5_000, True, "statsmodels"): 200}  # fmt: skip


def people(n, few):
    """Invented changes and whether each person improved."""
    rng = np.random.default_rng(7)
    true = rng.normal(2, 2, n)
    change = true + rng.normal(0, 1.3, n)
    return (np.round(change) if few else change), (true + rng.normal(0, 1.6, n) > 2)


def ours_cut(change, improved):
    from truechange.numerics.resampling import (
        at_once,
        distinct,
        draw_counts,
        gathered,
        in_blocks,
        roc_rows,
        split_counts,
    )

    kinds = distinct(np.column_stack([change, improved]).astype(float))
    x, at = np.unique(kinds.rows[:, 0], return_inverse=True)
    hit = kinds.rows[:, 1] > 0

    def work(rng, size):
        hits, misses = split_counts(draw_counts(rng, size, kinds), hit)
        found = roc_rows(x, gathered(hits, at, x.size), gathered(misses, at, x.size), ("youden",))
        return np.column_stack([found.cuts["youden"].value, found.area])

    return lambda: in_blocks(work, RESAMPLES, seed=1, block=at_once(hit.size)), RESAMPLES


def ours_predictive(change, improved):
    from truechange.numerics.curves import fit_outcomes
    from truechange.numerics.resampling import (
        at_once,
        distinct,
        draw_counts,
        gathered,
        in_blocks,
        scratch,
        split_counts,
    )

    kinds = distinct(np.column_stack([change, improved]).astype(float))
    x, at = np.unique(kinds.rows[:, 0], return_inverse=True)
    hit = kinds.rows[:, 1] > 0

    def split(counts):
        hits, misses = split_counts(counts, hit)
        held = scratch("outcomes", (2, len(counts), x.size))
        held[0], held[1] = gathered(hits, at, x.size), gathered(misses, at, x.size)
        return held[0], held[1]

    full = fit_outcomes(x, *split(kinds.counts[None]), link="logit")
    start = np.array([full.intercept[0], full.slope[0]])

    def work(rng, size):
        hits, misses = split(draw_counts(rng, size, kinds))
        fits = fit_outcomes(x, hits, misses, link="logit", start=start)
        return (np.log(hits.sum(axis=1) / misses.sum(axis=1)) - fits.intercept) / fits.slope

    return lambda: in_blocks(work, RESAMPLES, seed=1, block=at_once(hit.size)), RESAMPLES


def sklearn_cut(change, improved):
    from sklearn.metrics import auc, roc_curve

    rng, few = np.random.default_rng(1), 40

    def loop():
        for _ in range(few):
            drawn = rng.integers(0, change.size, change.size)
            false, true, cuts = roc_curve(improved[drawn], change[drawn])
            cuts[np.argmax(true - false)], auc(false, true)

    return loop, few


def scipy_cut(change, improved):
    from scipy.stats import bootstrap

    few = 400 if change.size < 5_000 else 40

    def cut_and_area(x, y, axis=-1):
        order = np.argsort(x, axis=axis)
        scores, hit = np.take_along_axis(x, order, axis), np.take_along_axis(y, order, axis).astype(float)
        below_hit, below_miss = np.cumsum(hit, axis=axis), np.cumsum(1 - hit, axis=axis)
        gain = below_miss / below_miss[..., -1:] - below_hit / below_hit[..., -1:]
        best = np.minimum(gain.argmax(axis=axis), x.shape[axis] - 2)[..., None]
        cut = (np.take_along_axis(scores, best, -1) + np.take_along_axis(scores, best + 1, -1))[..., 0] / 2
        return np.stack([cut, np.sum(hit * below_miss, axis=axis) / (below_hit[..., -1] * below_miss[..., -1])])

    def run():
        bootstrap(
            (change, improved), cut_and_area, paired=True, vectorized=True, n_resamples=few,
            batch=max(1, 32_768 // change.size), method="percentile", rng=np.random.default_rng(1),
        )  # fmt: skip

    return run, few


def statsmodels_predictive(change, improved):
    import statsmodels.api as sm

    rng, few = np.random.default_rng(1), 40
    design = sm.add_constant(change)

    def loop():
        for _ in range(few):
            drawn = rng.integers(0, change.size, change.size)
            a, b = sm.Logit(improved[drawn], design[drawn]).fit(disp=0).params
            share = improved[drawn].mean()
            (np.log(share / (1 - share)) - a) / b

    return loop, few


def floor(change, improved):
    """Draw the people and count them, once a resample."""
    from truechange.numerics.resampling import at_once, distinct, draw_counts

    kinds, rng = distinct(np.column_stack([change, improved]).astype(float)), np.random.default_rng(1)
    block = at_once(kinds.counts.size)

    def run():
        for _ in range(RESAMPLES // block):
            draw_counts(rng, block, kinds)

    return run, RESAMPLES // block * block


def one(name, n, few):
    """Print the median time of one resample in seconds of processor time, and the memory it took beyond the data."""
    run, resamples = globals()[name](*people(n, few))
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    run()
    extra = (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) / 1024
    times = []
    for _ in range(REPEATS):
        begun = time.process_time()
        run()
        times.append((time.process_time() - begun) / resamples)
    print(json.dumps({"seconds": statistics.median(times), "extra_mb": extra}))


def study_seconds(n=200):
    """Print how long a whole study takes: 2,000 resamples, every estimator; and as many fits of one logistic line."""
    import truechange as tc

    rng = np.random.default_rng(3)
    before, true = rng.normal(10, 3, n), rng.normal(1.5, 2, n)
    rating = np.digitize(true + rng.normal(0, 1.6, n), [-2, 2, 5]) - 1
    first, second = before + rng.normal(0, 0.9, n), before + true + rng.normal(0, 0.9, n)
    begun = time.process_time()
    tc.mcid(second - first, rating, sem=0.9, sem_df=49, before=first, after=second)
    seconds = time.process_time() - begun
    run, fits = statsmodels_predictive(second - first, rating > 0)
    begun = time.process_time()
    run()
    print(json.dumps({"seconds": seconds, "peer": (time.process_time() - begun) / fits * 2_000}))


def rows() -> Iterator[Row]:
    for (work, n, few, peer), goal in GOALS.items():
        settings = (n, int(few))
        mine, theirs, least = (fresh(__file__, name, *settings, runs=1)
                               for name in (f"ours_{work}", f"{peer}_{work}", "floor"))  # fmt: skip
        what = f"{WORK[work]}, n = {n:,}{', few values' if few else ''}, against {peer}"
        yield Row(what, mine["seconds"], theirs["seconds"], goal, floor=least["seconds"],
                  of="an MCID's resample: people drawn and counted", extra_mb=mine["extra_mb"])  # fmt: skip
    whole = fresh(__file__, "study", runs=3)
    yield Row("whole MCID study, n = 200, against one logit a resample", whole["seconds"], whole["peer"], STUDY_GOAL)


if __name__ == "__main__":
    if len(sys.argv) == 4:
        one(sys.argv[1], int(sys.argv[2]), bool(int(sys.argv[3])))
    elif sys.argv[1:] == ["study"]:
        study_seconds()
    else:
        sys.exit(alone(rows()))
