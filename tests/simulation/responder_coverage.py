"""Coverage of the true responder share on invented clinics with known truth; writes the stored table.

By hand: ``python tests/simulation/responder_coverage.py toolkit/truechange/validation/results/responder_coverage.csv``.
Every number is drawn here with numpy; nothing of the library makes the data.
"""

import sys

import numpy as np
import pandas as pd
from scipy.special import ndtr

import truechange as tc
from truechange.numerics.resampling import each

MCID, SD_TRUE, RETEST_DF = 2.0, 2.0, 29
CELLS = [
    (n, mean, reliability)
    for n in (15, 40, 150)
    for mean, reliability in ((0.0, 0.5), (1.0, 0.5), (1.0, 0.75), (2.5, 0.5), (2.5, 0.75))
]


def one_cell(n: int, mean: float, reliability: float, repeats: int, seed: int) -> dict[str, float]:
    """Simulate one cell: mean true change, and the share of its observed variance that is true."""
    rng = np.random.default_rng(seed)
    sem = SD_TRUE * np.sqrt((1 / reliability - 1) / 2)
    truth = float(ndtr((mean - MCID) / SD_TRUE))
    inside = naive_inside = 0
    values, naive, widths = [], [], []
    for _ in range(repeats):
        change = rng.normal(mean, SD_TRUE, n) + rng.normal(0, np.sqrt(2) * sem, n)
        estimated_sem = sem * np.sqrt(rng.chisquare(RETEST_DF) / RETEST_DF)
        found = tc.true_responder_share(change, sem=estimated_sem, mcid=MCID, sem_df=RETEST_DF)
        inside += found.low <= truth <= found.high
        naive_inside += found.observed.low <= truth <= found.observed.high
        values.append(found.value)
        naive.append(found.observed.value)
        widths.append(found.high - found.low)
    return {
        "people": n,
        "mean_true_change": mean,
        "reliability_of_change": reliability,
        "true_share": round(truth, 4),
        "estimate_mean": round(float(np.mean(values)), 4),
        "coverage": round(inside / repeats, 4),
        "width": round(float(np.mean(widths)), 4),
        "observed_share_mean": round(float(np.mean(naive)), 4),
        "observed_share_coverage": round(naive_inside / repeats, 4),
        "repeats": repeats,
        "seed": seed,
    }


def coverage_table(repeats: int, cells: list[tuple[int, float, float]] = CELLS, seed: int = 20250109) -> pd.DataFrame:
    """Simulate every cell with its own seed."""
    seeds = range(seed, seed + len(cells))
    return pd.DataFrame(each(one_cell, *zip(*cells, strict=True), [repeats] * len(cells), seeds))


if __name__ == "__main__":
    coverage_table(2000).to_csv(sys.argv[1], index=False, lineterminator="\n")
