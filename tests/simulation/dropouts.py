"""Dropouts: mean change, share that changed enough, and MCID, where a quarter do not come back, and not by chance.

By hand: ``python tests/simulation/dropouts.py toolkit/truechange/validation/results/dropouts.csv``. Every person is
drawn here with numpy; nothing of the library makes the data. The truth of a mean and a share is the population's, had
everyone come back; the true MCID is the mean personal threshold, 2.
"""

import sys
import zlib
from functools import cache
from math import sqrt

import numpy as np
import pandas as pd
from scipy.special import expit

import truechange as tc
from truechange.numerics.intervals import mean_limits, wilson_limits
from truechange.programme.missing import ALL, IMPUTED, NONE, missing_follow_up

MCID, SEM, STEP, DF = 2.0, 0.9, 1.0, 49
SD_CHANGE, SLOPE = 1.5, -0.2  # who starts lower gains more
SD_RATING = SD_CHANGE * sqrt(1 / 0.6 - 1)  # personal thresholds
EDGES = (-3.0, 0.0, 1.5)  # of the ratings, from each person's own threshold
LOST, STEEP = 0.25, 1.5  # share lost; log odds of staying by one SD of what decides
LOSSES = ("by chance", "low first scores", "little change", "felt no benefit")


def people(rng: np.random.Generator, n: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Draw both scores of `n` people, and how far each feels beyond the own threshold."""
    start = rng.normal(9, 2, n)
    change = MCID + SLOPE * (start - 9) + sqrt(SD_CHANGE**2 - (2 * SLOPE) ** 2) * rng.normal(0, 1, n)
    felt = change - MCID - SD_RATING * rng.normal(0, 1, n)
    before, after = (np.round((true + rng.normal(0, SEM, n)) / STEP) * STEP for true in (start, start + change))
    return before, after, felt


def lost_of(rng: np.random.Generator, decides: np.ndarray) -> np.ndarray:
    """Draw who is lost: a quarter, the likelier the less `decides`."""
    odds = -STEEP * (decides - decides.mean()) / (decides.std() or 1.0)
    middle = np.linspace(-5, 5, 201)  # the intercept at which the wanted share is lost
    return rng.random(odds.size) < expit(odds + np.interp(LOST, expit(middle[:, None] + odds).mean(axis=1), middle))


def one_study(rng: np.random.Generator, n: int, loss: str, seed: int) -> list[tuple[str, float, float, float, bool]]:
    """Return quantity, value, limits of one study, and whether its words say that people were lost to it."""
    before, after, felt = people(rng, n)
    lost = lost_of(rng, dict(zip(LOSSES, (np.zeros(n), before, after - before, felt), strict=True))[loss])
    rating = np.digitize(felt, EDGES) - 1.0
    after[lost], rating[lost] = np.nan, np.nan
    change = after - before
    answer = missing_follow_up(change, MCID, before[:, None], resolution=STEP, seed=seed)
    rows, measured = answer.rows.set_index("way"), change[~lost]
    k = int(np.sum(measured >= MCID))
    counted = (k / measured.size, *(float(limit) for limit in wilson_limits(k, measured.size)))
    filled = tuple(float(rows.loc[IMPUTED, name]) for name in ("share", "low", "high"))
    bounds = (float(rows.loc[NONE, "share"]), float(rows.loc[ALL, "share"]))
    sem = SEM * sqrt(rng.chisquare(DF) / DF)
    study = tc.mcid(change, rating, sem=sem, sem_df=DF, before=before, after=after, n_boot=100, seed=seed)
    best, told = study.recommended, f"{lost.sum()} of the {n} people due" in " ".join(answer.sentences())
    found = [
        ("mean, only those measured", *mean_limits(measured, 0.95), False),
        ("mean, imputed", answer.mean.value, answer.mean.low, answer.mean.high, told),
        ("share, only those measured", *counted, False), ("share, imputed", *filled, told),
        ("share, between none and all of the missing", sum(bounds) / 2, *bounds, told),
    ]  # fmt: skip
    said = f"{lost.sum()} without a change score" in " ".join(study.cautions)
    return found if best is None else [*found, ("MCID", best.value, best.low, best.high, said)]


@cache
def truth(quantity: str) -> float:
    """Return the population's value."""
    if not quantity.startswith("share"):
        return MCID  # the mean true change is the same number
    before, after, *_ = people(np.random.default_rng(1), 4_000_000)
    return float(np.mean(after - before >= MCID))


def dropouts_table(repeats: int = 200, n: int = 120, seed: int = 2026) -> pd.DataFrame:
    """Simulate every way of being lost."""
    rows = []
    for loss in LOSSES:
        rng = np.random.default_rng([seed, n, zlib.crc32(loss.encode())])
        studies = pd.DataFrame(
            [one for study in range(repeats) for one in one_study(rng, n, loss, study)],
            columns=["quantity", "value", "low", "high", "said"],
        )
        for quantity, cell in studies.groupby("quantity", sort=False):
            true = truth(str(quantity))
            inside = (cell["low"] <= true) & (true <= cell["high"])
            numbers = {"bias": (cell["value"] - true).mean(), "sd": cell["value"].std(), "coverage": inside.mean(),
                       "said": cell["said"].mean(), "given": len(cell) / repeats}  # fmt: skip
            row = {"people": n, "lost": LOST, "who": loss, "quantity": quantity, "truth": true} | numbers
            rows.append({k: round(v, 4) if isinstance(v, float) else v for k, v in row.items()})
    return pd.DataFrame(rows).assign(repeats=repeats, seed=seed)


if __name__ == "__main__":
    dropouts_table().to_csv(sys.argv[1], index=False, lineterminator="\n")
