"""True responder share where true change is not normal: bias and coverage on invented clinics with known truth.

By hand: ``python tests/simulation/true_share_shapes.py toolkit/truechange/validation/results/true_share_shapes.csv``.
Every number is drawn here with numpy; nothing of the library makes the data. The normal model's plug-in share stands
beside the library's, and its hierarchical interval beside the library's.
"""

import sys
from collections.abc import Callable

import numpy as np
import pandas as pd

import truechange as tc
from truechange.numerics.resampling import each
from truechange.numerics.true_change import share_beyond, true_spread

MCID, MEAN, SD_TRUE, RETEST_DF = 2.0, 2.2, 2.0, 49
Draw = Callable[[np.random.Generator, int], np.ndarray]
# true change with mean 2.2 and SD 2; of the mixture 40 % did not change at all
SHAPES: dict[str, Draw] = {
    "normal": lambda rng, n: rng.normal(MEAN, SD_TRUE, n),
    "skew 1": lambda rng, n: MEAN + SD_TRUE * (rng.gamma(4, 1, n) - 4) / 2,
    "skew 2": lambda rng, n: MEAN + SD_TRUE * (rng.gamma(1, 1, n) - 1),
    "skew -2": lambda rng, n: MEAN - SD_TRUE * (rng.gamma(1, 1, n) - 1),
    "t3": lambda rng, n: MEAN + SD_TRUE * rng.standard_t(3, n) / 3**0.5,
    "40% unchanged": lambda rng, n: np.where(rng.random(n) < 0.4, 0.0, rng.normal(3.667, 1.135, n)),
}
CELLS = [(n, shape, 1.0) for n in (100, 300) for shape in SHAPES]
CELLS += [(n, shape, 2**0.5) for n in (100, 300) for shape in ("normal", "skew 2")]


def one_cell(n: int, shape: str, sem: float, repeats: int, seed: int) -> dict[str, object]:
    """Simulate one cell; the SEM is estimated anew from a retest study with 49 degrees of freedom in each."""
    rng = np.random.default_rng(seed)
    truth = float((SHAPES[shape](np.random.default_rng(1), 4_000_000) > MCID).mean())
    found, normal, observed = [], [], []
    for _ in range(repeats):
        change = SHAPES[shape](rng, n) + rng.normal(0, 2**0.5 * sem, n)
        shown = sem * float(np.sqrt(rng.chisquare(RETEST_DF) / RETEST_DF))
        one = tc.true_responder_share(change, sem=shown, mcid=MCID, sem_df=RETEST_DF)
        found.append((one.value, one.low, one.high))
        normal.append(share_beyond(true_spread(change, shown, RETEST_DF), MCID, 0.0, 0.95))
        observed.append(one.observed.value)
    row: dict[str, object] = {
        "people": n, "shape": shape, "reliability_of_change": round(4 / (4 + 2 * sem**2), 3),
        "true_share": round(truth, 4), "observed_bias": round(float(np.mean(observed)) - truth, 4),
    }  # fmt: skip
    for name, fits in (("", np.array(found)), ("normal_", np.array(normal))):
        off, inside = fits[:, 0] - truth, (fits[:, 1] <= truth) & (truth <= fits[:, 2])
        row |= {
            f"{name}bias": round(float(off.mean()), 4), f"{name}rmse": round(float(np.sqrt((off**2).mean())), 4),
            f"{name}coverage": round(float(inside.mean()), 4),
            f"{name}width": round(float((fits[:, 2] - fits[:, 1]).mean()), 4),
        }  # fmt: skip
    return row | {"repeats": repeats, "seed": seed}


def shapes_table(repeats: int, cells: list[tuple[int, str, float]] = CELLS, seed: int = 20261128) -> pd.DataFrame:
    """Simulate every cell with its own seed."""
    seeds = range(seed, seed + len(cells))
    return pd.DataFrame(each(one_cell, *zip(*cells, strict=True), [repeats] * len(cells), seeds))


if __name__ == "__main__":
    shapes_table(100).to_csv(sys.argv[1], index=False, lineterminator="\n")
