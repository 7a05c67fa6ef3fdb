"""How fast the reliability kernels are beside general libraries: run by hand, never by pytest.

    python tests/benchmarks/bench_reliability.py

Workload A: 10,000 resamples of people, ICC(A,1), SEM and MDC95 with percentile and BCa limits.
Workload F: 10,000 simulated studies of 30 people x 2 trials with ICC(A,1) and its limits.
Each figure is the median of five fresh processes, one thread; peers run in the same call, the
slow ones on a sample that is scaled up. Seconds are of processor time, so that other work on the
machine matters less. Ratios carry over to other machines, times do not.
"""

import json
import resource
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
from measuring import Row, alone, fresh

sys.path.insert(0, str(Path(__file__).parents[1]))  # for the simulated studies of the tests

B = 10_000


def study(n: int) -> np.ndarray:
    rng = np.random.default_rng(n)
    return rng.normal(12, 3, (n, 1)) + rng.normal(0, 1, (n, 2))


def ours_a(n: int) -> None:
    from truechange.numerics.resampling import bca_levels, quantiles
    from truechange.numerics.variances import (
        icc_values,
        jackknifed_mean_squares,
        mean_squares,
        resampled_mean_squares,
    )

    table = study(n)
    whole, draws, out = (
        (icc_values(ms, "ICC(A,1)"), np.sqrt(ms.within))
        for ms in (mean_squares(table), resampled_mean_squares(table, n_boot=B, seed=1), jackknifed_mean_squares(table))
    )
    for value, drawn, left in zip(whole, draws, out, strict=True):  # the MDC's limits are the SEM's times 2.77
        quantiles(drawn, [0.025, 0.975, *bca_levels(drawn, float(value), left, 0.95)])


def _statistic(first, second, axis):
    n, k = first.shape[axis], 2
    x = np.stack([first, second])
    rows, columns = x.mean(axis=0), x.mean(axis=axis)
    grand = rows.mean(axis=axis)
    p = k * np.sum((rows - np.expand_dims(grand, axis)) ** 2, axis=axis) / (n - 1)
    t = n * np.sum((columns - grand) ** 2, axis=0) / (k - 1)
    w = np.sum((x - rows) ** 2, axis=(0, axis)) / (n * (k - 1))
    e = (w * n * (k - 1) - t * (k - 1)) / ((n - 1) * (k - 1))
    return np.stack([(p - e) / (p + (k - 1) * e + k * (t - e) / n), np.sqrt(w), 2.7718 * np.sqrt(w)])


def scipy_a(n: int) -> None:
    from scipy.stats import bootstrap

    table = study(n)
    rng = np.random.default_rng(1)
    found = bootstrap(table.T, _statistic, paired=True, vectorized=True, n_resamples=B, method="BCa", rng=rng)
    np.percentile(found.bootstrap_distribution, [2.5, 97.5], axis=-1)


def pingouin_a(n: int, repeats: int = 40) -> float:
    import warnings

    import pandas as pd
    import pingouin

    warnings.simplefilter("ignore")
    table, rng = study(n), np.random.default_rng(1)
    rows, columns = np.indices(table.shape)
    start = time.process_time()
    for _ in range(repeats):
        drawn = table[rng.integers(0, n, n)]
        data = pd.DataFrame({"person": rows.ravel(), "trial": columns.ravel(), "value": drawn.ravel()})
        pingouin.intraclass_corr(data, targets="person", raters="trial", ratings="value")
    return (time.process_time() - start) * B / repeats


def floor_a(n: int) -> None:
    """Draw the people alone."""
    rng = np.random.default_rng(1)
    for _ in range(10):
        rng.integers(0, n, (B // 10, n), dtype=np.uint16)


def ours_f() -> None:
    from simulation.retests import simulated_mean_squares

    from truechange.numerics.variances import icc_limits, icc_values

    ms = simulated_mean_squares(np.random.default_rng(1), B, n=30, k=2, person_sd=3, error_sd=1, trial_sd=0.3)
    icc_values(ms, "ICC(A,1)")
    icc_limits(ms, "ICC(A,1)", 0.95)


def scipy_f(repeats: int = 400) -> float:
    """Mean squares drawn at once, then limits study by study with scipy's F quantiles."""
    from scipy.stats import f as fisher

    n, k, rng = 30, 2, np.random.default_rng(1)
    start = time.process_time()
    for _ in range(repeats):
        x = rng.normal(0, 3, (n, 1)) + rng.normal(0, 0.3, (1, k)) + rng.normal(0, 1, (n, k))
        rows, columns, g = x.mean(axis=1), x.mean(axis=0), x.mean()
        p, t = k * np.sum((rows - g) ** 2) / (n - 1), n * np.sum((columns - g) ** 2) / (k - 1)
        e = np.sum((x - rows[:, None] - columns + g) ** 2) / ((n - 1) * (k - 1))
        r = (p - e) / (p + (k - 1) * e + k * (t - e) / n)
        a, b = k * r / (n * (1 - r)), 1 + k * r * (n - 1) / (n * (1 - r))
        v = (a * t + b * e) ** 2 / ((a * t) ** 2 / (k - 1) + (b * e) ** 2 / ((n - 1) * (k - 1)))
        far, near = fisher.ppf(0.975, n - 1, v), fisher.ppf(0.975, v, n - 1)
        n * (p - far * e) / (far * (k * t + (k * n - k - n) * e) + n * p)
        n * (near * p - e) / (k * t + (k * n - k - n) * e + n * near * p)
    return (time.process_time() - start) * B / repeats


WORK = {
    "ours_a": ours_a,
    "scipy_a": scipy_a,
    "pingouin_a": pingouin_a,
    "floor_a": floor_a,
    "ours_f": ours_f,
    "scipy_f": scipy_f,
    "pingouin_f": lambda: pingouin_a(30),
}


def once(name: str, *arguments: int) -> None:
    """Import, then time one piece of work in this fresh process, first touch of memory included."""
    import scipy.stats  # noqa: F401

    import truechange.numerics.variances  # noqa: F401
    from truechange.numerics.resampling import resampled_sums

    resampled_sums(np.ones((3, 1)), n_boot=1, seed=0)  # the libraries of linear algebra are looked for once a process
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    start = time.process_time()
    scaled = WORK[name](*arguments)
    seconds = scaled or time.process_time() - start
    memory = (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) / 1024
    print(json.dumps({"seconds": seconds, "extra_mb": memory}))


def rows() -> Iterator[Row]:
    for n, goal, slow_goal in ((30, 5, 15_000), (100, 7, 10_000), (1000, 9, 1_500)):
        mine, floor = fresh(__file__, "--once", "ours_a", n), fresh(__file__, "--once", "floor_a", n)["seconds"]
        about = {"floor": floor, "of": f"resamples: {B:,} draws of every person", "extra_mb": mine["extra_mb"]}
        for peer, bar, runs in (("scipy", goal, 5), ("pingouin", slow_goal, 3)):
            theirs = fresh(__file__, "--once", f"{peer}_a", n, runs=runs)["seconds"]
            yield Row(f"ICC, SEM, MDC, {B:,} resamples, n = {n}, against {peer}", mine["seconds"], theirs, bar, **about)
    mine = fresh(__file__, "--once", "ours_f")
    for peer, bar in (("scipy", 16), ("pingouin", 1_200)):
        theirs = fresh(__file__, "--once", f"{peer}_f", runs=3)["seconds"]
        yield Row(
            f"{B:,} simulated ICC studies, against {peer}", mine["seconds"], theirs, bar, extra_mb=mine["extra_mb"]
        )


if __name__ == "__main__":
    if "--once" in sys.argv:
        at = sys.argv.index("--once")
        once(sys.argv[at + 1], *map(int, sys.argv[at + 2 :]))
    else:
        sys.exit(alone(rows()))
