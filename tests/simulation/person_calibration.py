"""Is a chance of 85% true in 85 of 100 people? Programmes with known truth, judged by the library's own states.

Run as a script with ``toolkit/truechange/validation/results/person_calibration.csv`` it writes the stored table; seeds
are in it.
"""

import csv
import sys
from pathlib import Path

import numpy as np
from scipy.special import ndtr

from truechange.foundation.distributions import sem_factors
from truechange.individual.posterior import Seen, _change_only, group_states
from truechange.individual.score_error import Programme, ScoreError, score_error

MCID, SD_CHANGE, SD_BEFORE = 2.0, 2.0, 3.0
NEW_PEOPLE = 200  # judged with each programme's numbers; not among the people those came from
BANDS = ((0.8, 0.9), (0.8, 1.01))
COLUMNS = (
    "n", "sem_df", "mean_change", "reliability_of_change", "corr_before_change", "prior", "band_low", "band_high",
    "claims", "claimed", "true", "programmes", "seed",
)  # fmt: skip


def chances(programme: Programme, error: ScoreError, before: np.ndarray, after: np.ndarray) -> dict[str, np.ndarray]:
    """Return P(true change > MCID) of many people under each prior; the states come from the library."""
    found = {"flat": sum(w * ndtr((after - before - MCID) / (f * error.difference)) for f, w in sem_factors(error.df))}
    total = np.zeros(len(before))
    for state in group_states(programme, error):
        # the posterior mean is linear in the two scores: three people give its coefficients
        at = [next(iter(state.parts(Seen(x, y, 1)))) for x, y in ((0.0, 0.0), (1.0, 0.0), (0.0, 1.0))]
        mean = at[0][1] + (at[1][1] - at[0][1]) * before + (at[2][1] - at[0][1]) * after
        total += at[0][0] * ndtr((mean - MCID) / at[0][2])
    found["programme"] = total
    total = np.zeros(len(before))
    for weight, factor, tau2, centre, doubt in _change_only(programme, error, None):
        noise = (factor * error.difference) ** 2
        kept = tau2 / (tau2 + noise)
        sd = np.sqrt(kept * noise + (1 - kept) ** 2 * doubt)
        total += weight * ndtr((centre + kept * (after - before - centre) - MCID) / sd)
    found["programme, change only"] = total
    return found


def calibrate(
    n: int, sem_df: int, mean: float, reliability: float, corr: float, programmes: int, seed: int
) -> list[dict[str, object]]:
    """Return claimed and true shares for one cell of the simulation."""
    rng = np.random.default_rng(seed)
    sem = SD_CHANGE * np.sqrt((1 - reliability) / reliability / 2)

    def people(count: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        start = rng.normal(10, SD_BEFORE, count)
        change = mean + SD_CHANGE * (corr * (start - 10) / SD_BEFORE + np.sqrt(1 - corr**2) * rng.normal(size=count))
        return start + rng.normal(0, sem, count), start + change + rng.normal(0, sem, count), change

    claims: dict[str, list[np.ndarray]] = {}
    truths = []
    for _ in range(programmes):
        before, after, _ = people(n)
        r = float(np.corrcoef(before, after)[0, 1])
        m1, m2, s1, s2 = (float(x) for x in (before.mean(), after.mean(), before.std(ddof=1), after.std(ddof=1)))
        error = score_error(sem * float(np.sqrt(rng.chisquare(sem_df) / sem_df)), sem_df, (0.0, 0.0))
        assert error is not None
        before, after, change = people(NEW_PEOPLE)
        for prior, claimed in chances(Programme(m1, m2, s1, s2, r, n), error, before, after).items():
            claims.setdefault(prior, []).append(claimed)
        truths.append(change > MCID)
    truth = np.concatenate(truths)
    rows = []
    for prior, parts in claims.items():
        claimed = np.concatenate(parts)
        for low, high in BANDS:
            inside = (claimed >= low) & (claimed < high)
            count = int(inside.sum())
            share = float(truth[inside].mean()) if count else float("nan")
            middle = float(claimed[inside].mean()) if count else float("nan")
            cell = (n, sem_df, mean, reliability, corr, prior, low, min(high, 1.0), count)
            rows.append(dict(zip(COLUMNS, (*cell, middle, share, programmes, seed), strict=True)))
    return rows


def main() -> None:
    """Write the table."""
    rows: list[dict[str, object]] = []
    seed = 20240
    for n, sem_df, programmes in ((40, 49, 70), (150, 49, 300), (40, 29, 70), (150, 29, 300), (15, 49, 30)):
        for mean in (0.0, 1.0, 2.5):
            for reliability in (0.5, 0.75):
                seed += 1
                rows += calibrate(n, sem_df, mean, reliability, -0.2, programmes, seed)
                print(n, sem_df, mean, reliability, flush=True)
    with Path(sys.argv[1]).open("w", encoding="utf-8", newline="") as table:
        writer = csv.DictWriter(table, COLUMNS, lineterminator="\n")
        writer.writeheader()
        for row in rows:
            writer.writerow({k: round(v, 4) if isinstance(v, float) else v for k, v in row.items()})


if __name__ == "__main__":
    main()
