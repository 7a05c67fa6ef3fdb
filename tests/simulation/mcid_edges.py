"""The MCID where an assumption of its model is broken: bias, coverage, and whether the study says so.

By hand: ``python tests/simulation/mcid_edges.py toolkit/truechange/validation/results/mcid_edges.csv``. Every person is
drawn here with numpy; nothing of the library makes the data. The true MCID is the mean personal threshold, 2.
"""

import inspect
import re
import sys
import zlib
from dataclasses import replace
from math import sqrt

import numpy as np
import pandas as pd

import truechange as tc

MCID, SD_TRUE, CHANGE_RELIABILITY, ANCHOR_RELIABILITY, DF, STEP = 2.0, 2.0, 0.7, 0.6, 49, 0.25
SEM = SD_TRUE * sqrt((1 / CHANGE_RELIABILITY - 1) / 2)
SD_RATING = SD_TRUE * sqrt(1 / ANCHOR_RELIABILITY - 1)  # personal thresholds
EDGES = (-4.0, 0.0, 2.0)  # of the ratings, from each person's own threshold
SHARED = 0.3  # of the rating's own error that is the test's, where people heard their result first
SAME_DAY = 0.6  # SEM of one day by that of some weeks; 5 chair stands 2.5/4.52, up and go 1.10/2.08 (published.csv)
IMPROVED = (0.3, 0.5, 0.7)
# what is broken, and what a reader must find in the study's words
BROKEN = {"none": "(?!)", "thresholds skewed, a few ask for much": "personal thresholds|bends more than",
          "thresholds skewed, a few ask for little": "personal thresholds|bends more than",
          "true change skewed": "change is skewed|change looks skewed",
          "SEM of the same day": "published errors over weeks", "SEM 30% too small": "error 20% smaller or larger",
          "people told their result first": "their result",
          "error grows with the score": "larger for high scores"}  # fmt: skip


def people(rng: np.random.Generator, n: int, improved: float, broken: str) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Draw both scores and the rating of `n` people of whom a share `improved` rate themselves so."""
    long = rng.gamma(1, 1, n) - 1  # skewness 2, mean 0, SD 1
    z = long if broken == "true change skewed" else rng.normal(0, 1, n)
    lean = {"thresholds skewed, a few ask for much": 1, "thresholds skewed, a few ask for little": -1}.get(broken, 0)
    own = lean * long if lean else rng.normal(0, 1, n)
    start = rng.normal(10, 3, n)
    error = rng.normal(0, SEM, (2, n))
    mean = MCID + _mean_for(improved, broken)
    if broken == "error grows with the score":
        error *= np.stack([start, start + mean + SD_TRUE * z]) / (10 + mean / 2)
    change = mean + SD_TRUE * z
    felt = change - MCID - SD_RATING * own
    if broken == "people told their result first":
        heard = sqrt(SHARED) * SD_RATING / (sqrt(2) * SEM) * (error[1] - error[0])
        felt = change - MCID - sqrt(1 - SHARED) * SD_RATING * own + heard
    first, second = (np.round(score / STEP) * STEP for score in (start + error[0], start + change + error[1]))
    return first, second, np.digitize(felt, EDGES) - 1


def _mean_for(improved: float, broken: str) -> float:
    """Return the mean true change less the MCID at which a share `improved` pass their threshold."""
    rng = np.random.default_rng(1)
    long, z, own = rng.gamma(1, 1, 400_000) - 1, *rng.normal(0, 1, (2, 400_000))
    if broken == "true change skewed":
        z = long
    elif broken.startswith("thresholds"):
        own = long if broken.endswith("much") else -long
    return -float(np.quantile(SD_TRUE * z - SD_RATING * own, 1 - improved))


def one_cell(n: int, improved: float, broken: str, *, repeats: int, n_boot: int, seed: int) -> dict[str, object]:
    """Simulate one cell; the SEM is estimated anew in each study, of the kind that it is said to be of."""
    rng = np.random.default_rng([seed, n, round(1000 * improved), zlib.crc32(broken.encode())])
    factor = {"SEM of the same day": SAME_DAY, "SEM 30% too small": 0.7}.get(broken, 1.0)
    when = "same day" if broken == "SEM of the same day" else "6 weeks"
    asked = {"interval": "6 weeks", "told": broken == "people told their result first"}
    asked = {name: value for name, value in asked.items() if name in inspect.signature(tc.mcid).parameters}
    found, said, given = [], 0, 0
    for study in range(repeats):
        first, second, rating = people(rng, n, improved, broken)
        sem = factor * SEM * sqrt(rng.chisquare(DF) / DF)
        known = tc.Estimate(value=sem, df=DF, origin=replace(tc.Origin.own(n=DF + 1), interval=when))
        one = tc.mcid(second - first, rating, sem=known, before=first, after=second, n_boot=n_boot, seed=study, **asked)
        said += bool(re.search(BROKEN[broken], " ".join((*one.cautions, *one.sentences()))))
        if one.recommended is not None:
            given += 1
            found.append((one.recommended.value, one.recommended.low, one.recommended.high))
    values = np.array(found)
    off, inside = values[:, 0] - MCID, (values[:, 1] <= MCID) & (values[:, 2] >= MCID)
    row: dict[str, object] = {"people": n, "improved": improved, "broken": broken}
    numbers = {
        "bias": off.mean(), "bias_in_sd": off.mean() / SD_TRUE, "sd": off.std(ddof=1), "coverage": inside.mean(),
        "said": said / repeats, "given": given / repeats,
    }  # fmt: skip
    row |= {name: round(float(value), 4) for name, value in numbers.items()}
    return row | {"repeats": repeats, "n_boot": n_boot, "seed": seed}


def edges_table(repeats: int = 60, n_boot: int = 100, n: int = 200, seed: int = 2026) -> pd.DataFrame:
    """Simulate every assumption broken at every share improved."""
    facts = {"repeats": repeats, "n_boot": n_boot, "seed": seed}
    return pd.DataFrame([one_cell(n, improved, broken, **facts) for broken in BROKEN for improved in IMPROVED])


def main(path: str) -> None:
    """Write the table; what was said before the library looked at these assumptions is kept from the stored one."""
    table = edges_table()
    table.insert(7, "said_before", pd.read_csv(path)["said_before"])
    table.to_csv(path, index=False, lineterminator="\n")


if __name__ == "__main__":
    main(sys.argv[1])
