"""Is a chance of 85% true in 85 of 100 people? Programmes with known truth, judged by the library's own states.

Run as a script with ``toolkit/truechange/validation/results/person_calibration.csv`` it writes the stored table; seeds
are in it.
"""

import csv
import sys
from dataclasses import replace
from itertools import product
from pathlib import Path

import numpy as np
from scipy.special import ndtr

from truechange.foundation.distributions import sem_factors
from truechange.individual.posterior import Seen, _change_only, from_programme, group_states
from truechange.individual.score_error import Programme, ScoreError, score_error
from truechange.numerics.resampling import each

MCID, SD_CHANGE, SD_BEFORE = 2.0, 2.0, 3.0
NEW_PEOPLE = 200  # judged with each programme's numbers; not among the people those came from
BANDS = ((0.8, 0.9), (0.8, 1.01))
COLUMNS = (
    "n", "sem_df", "mean_change", "reliability_of_change", "corr_before_change", "prior", "band_low", "band_high",
    "claims", "claimed", "true", "programmes", "seed", "shape", "sem_given",
)  # fmt: skip
# true change where it is not normal, in SDs from its mean: of the mixture 40 % did not change (its other part is what
# gives the whole mean 0 and SD 1 when everybody's mean is 1.1 SD)
SHAPES = {
    "normal": lambda rng, n: rng.normal(size=n),
    "skew 2": lambda rng, n: rng.gamma(1, 1, n) - 1,
    "t3": lambda rng, n: rng.standard_t(3, n) / 3**0.5,
    "40% unchanged": lambda rng, n: np.where(rng.random(n) < 0.4, -1.1, rng.normal(0.7333, 0.5675, n)),
}
SHAPED_BANDS = ((0.5, 0.7), *BANDS)


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
    cell = (n, sem_df, mean, reliability, corr)
    return [row for prior, parts in claims.items() for row in _banded(cell, prior, np.concatenate(parts), truth, BANDS,
            (programmes, seed, "normal", 1.0))]  # fmt: skip


def _banded(cell, prior, claimed, truth, bands, facts) -> list[dict[str, object]]:
    """Return one row a band of claims: how many, what they claimed and what was true."""
    rows = []
    for low, high in bands:
        inside = (claimed >= low) & (claimed < high)
        count = int(inside.sum())
        share = float(truth[inside].mean()) if count else float("nan")
        middle = float(claimed[inside].mean()) if count else float("nan")
        row = (*cell, prior, low, min(high, 1.0), count, middle, share, *facts)
        rows.append(dict(zip(COLUMNS, row, strict=True)))
    return rows


def calibrate_shape(
    n: int, shape: str, mean: float, given: float, programmes: int, seed: int, *, new: int = 100
) -> list[dict[str, object]]:
    """Return claimed and true shares where true change has a shape, or the SEM is `given` times the true one.

    Priors: the group's numbers alone (normal), its numbers and the shape of its true change, the scores alone.
    """
    rng, sem, df, corr = np.random.default_rng(seed), 1.0, 49, -0.2

    def people(count: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        start, own = rng.normal(10, SD_BEFORE, count), SHAPES[shape](rng, count)
        linked = corr if shape != "40% unchanged" else 0.0  # the unchanged are unchanged wherever they started
        change = mean + SD_CHANGE * (linked * (start - 10) / SD_BEFORE + np.sqrt(1 - linked**2) * own)
        return start + rng.normal(0, sem, count), start + change + rng.normal(0, sem, count), change

    claims: dict[str, list[float]] = {"flat": [], "programme, numbers only": [], "programme": []}
    truths = []
    for _ in range(programmes):
        before, after, _ = people(n)
        shown = given * sem * float(np.sqrt(rng.chisquare(df) / df))
        error = score_error(shown, df, (0.0, 0.0))
        assert error is not None
        group = Programme.of(before, after, sem=shown, sem_df=df)
        before, after, change = people(new)
        found = chances(replace(group, shape=()), error, before, after)
        claims["flat"] += list(found["flat"])
        claims["programme, numbers only"] += list(found["programme"])
        seen = (Seen(float(x), float(y), 1) for x, y in zip(before, after, strict=True))
        claims["programme"] += [from_programme(one, error, group).above(MCID) for one in seen]
        truths.append(change > MCID)
    truth, cell = np.concatenate(truths), (n, df, mean, round(4 / (4 + 2 * sem**2), 3), corr)
    facts = (programmes, seed, shape, given)
    return [row for prior, claimed in claims.items()
            for row in _banded(cell, prior, np.array(claimed), truth, SHAPED_BANDS, facts)]  # fmt: skip


SHAPED = [(100, shape, 2.2, 1.0) for shape in SHAPES]
SHAPED += [(100, "skew 2", 1.0, 1.0), (100, "t3", 1.0, 1.0), (300, "skew 2", 2.2, 1.0), (300, "normal", 2.2, 0.7)]


def shaped(programmes: int = 25, seed: int = 20300) -> list[dict[str, object]]:
    """Run every cell in which an assumption does not hold."""
    seeds = range(seed, seed + len(SHAPED))
    return [
        row
        for rows in each(calibrate_shape, *zip(*SHAPED, strict=True), [programmes] * len(seeds), seeds)
        for row in rows
    ]


def main() -> None:
    """Write the table."""
    sizes = ((40, 49, 70), (150, 49, 300), (40, 29, 70), (150, 29, 300), (15, 49, 30))
    cells = product(sizes, (0.0, 1.0, 2.5), (0.5, 0.75))
    given = [(n, df, mean, reliability, -0.2, programmes) for (n, df, programmes), mean, reliability in cells]
    found = each(calibrate, *zip(*given, strict=True), range(20241, 20241 + len(given)))
    rows = [row for part in (*found, shaped()) for row in part]
    with Path(sys.argv[1]).open("w", encoding="utf-8", newline="") as table:
        writer = csv.DictWriter(table, COLUMNS, lineterminator="\n")
        writer.writeheader()
        for row in rows:
            writer.writerow({k: round(v, 4) if isinstance(v, float) else v for k, v in row.items()})


if __name__ == "__main__":
    main()
