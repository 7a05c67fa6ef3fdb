"""How fast the MCID kernels resample, as ratios against general libraries measured in the same run.

Run by hand: ``python tests/benchmarks/bench_mcid.py``. Every measurement has a process of its own; peers that would
take minutes are timed on a few resamples and scaled. Absolute times depend on the machine, ratios hardly.
"""

import statistics
import subprocess
import sys
import time

import numpy as np

RESAMPLES = 10_000
REPEATS = 5
# work, people, few-valued scores, peer -> goal
GOALS = {
    ("cut", 200, False, "sklearn"): 240,
    ("cut", 2_000, False, "sklearn"): 35,
    ("cut", 20_000, False, "sklearn"): 12,
    ("cut", 20_000, True, "sklearn"): 230,
    ("cut", 200, False, "scipy"): 8,
    ("cut", 2_000, False, "scipy"): 9,
    ("cut", 20_000, False, "scipy"): 10,
    ("predictive", 200, False, "statsmodels"): 110,
    ("predictive", 1_000, False, "statsmodels"): 30,
    ("predictive", 5_000, False, "statsmodels"): 14,
    ("predictive", 5_000, True, "statsmodels"): 200,
}


def people(n, few):
    """Invented changes and whether each person improved."""
    rng = np.random.default_rng(7)
    true = rng.normal(2, 2, n)
    change = true + rng.normal(0, 1.3, n)
    return (np.round(change) if few else change), (true + rng.normal(0, 1.6, n) > 2)


def ours_cut(change, improved):
    from truechange.numerics.counts import distinct, draw_counts, gathered, roc_rows, rows_at_once, split_counts
    from truechange.numerics.resampling import in_blocks

    kinds = distinct(np.column_stack([change, improved]).astype(float))
    x, at = np.unique(kinds.rows[:, 0], return_inverse=True)
    hit = kinds.rows[:, 1] > 0

    def work(rng, size):
        hits, misses = split_counts(draw_counts(rng, size, kinds), hit)
        found = roc_rows(x, gathered(hits, at, x.size), gathered(misses, at, x.size), ("youden",))
        return np.column_stack([found.cuts["youden"].value, found.area])

    return lambda: in_blocks(work, RESAMPLES, seed=1, block=rows_at_once(hit.size)), RESAMPLES


def ours_predictive(change, improved):
    from truechange.numerics.counts import distinct, draw_counts, gathered, rows_at_once, split_counts
    from truechange.numerics.curves import fit_outcomes
    from truechange.numerics.resampling import in_blocks, scratch

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

    return lambda: in_blocks(work, RESAMPLES, seed=1, block=rows_at_once(hit.size)), RESAMPLES


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


def one(name, n, few):
    """Print the median time of one resample, in seconds of processor time."""
    run, resamples = globals()[name](*people(n, few))
    run()
    times = []
    for _ in range(REPEATS):
        begun = time.process_time()
        run()
        times.append((time.process_time() - begun) / resamples)
    print(statistics.median(times))


def measured(name, n, few):
    done = subprocess.run(
        [sys.executable, __file__, name, str(n), str(int(few))], capture_output=True, text=True, check=True
    )
    return float(done.stdout)


def study_seconds(n=200):
    """Whole study, 2,000 resamples, every estimator."""
    import truechange as tc

    rng = np.random.default_rng(3)
    before, true = rng.normal(10, 3, n), rng.normal(1.5, 2, n)
    rating = np.digitize(true + rng.normal(0, 1.6, n), [-2, 2, 5]) - 1
    first, second = before + rng.normal(0, 0.9, n), before + true + rng.normal(0, 0.9, n)
    begun = time.process_time()
    tc.mcid(second - first, rating, sem=0.9, sem_df=49, before=first, after=second)
    return time.process_time() - begun


def main():
    print(
        f"{'work':<12}{'people':>8}  {'scores':<11}{'peer':<13}{'ours, us':>10}{'peer, us':>10}{'ratio':>8}{'goal':>7}"
    )
    for (work, n, few, peer), goal in GOALS.items():
        ours, theirs = measured(f"ours_{work}", n, few), measured(f"{peer}_{work}", n, few)
        kind = "few values" if few else "continuous"
        told = f"{work:<12}{n:>8}  {kind:<11}{peer:<13}{ours * 1e6:>10.1f}{theirs * 1e6:>10.0f}"
        print(f"{told}{theirs / ours:>8.0f}{goal:>7}")
    print(f"whole study, n = 200, 2,000 resamples: {study_seconds():.2f} s (goal: about 1 s)")


if __name__ == "__main__":
    if len(sys.argv) == 4:
        one(sys.argv[1], int(sys.argv[2]), bool(int(sys.argv[3])))
    else:
        main()
