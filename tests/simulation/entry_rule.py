"""People taken in for a low score: MCID, true share and one person's chance against a known truth, by source of repair.

By hand: ``python tests/simulation/entry_rule.py toolkit/truechange/validation/results/entry_rule.csv [jobs]``. Every
person is drawn here with numpy; nothing of the library makes the data. Scores are whole numbers, as of a chair stand.
"""

import sys
import zlib
from functools import partial
from math import nan, sqrt
from typing import NamedTuple

import numpy as np
import pandas as pd
from joblib import parallel_config

import truechange as tc
from simulation.person_calibration import chances
from truechange.foundation.estimate import read_sem
from truechange.individual.score_error import Programme, score_error
from truechange.meaningful_change.draws import DRAWN, draw_quantities, limits_of
from truechange.meaningful_change.estimators import Layout, estimate_rows
from truechange.meaningful_change.ratings import rated_people
from truechange.numerics.resampling import each
from truechange.responders import true_share

MEAN, SD, ERROR, CUT, MCID, LEAN = 10.0, 3.0, 1.0, 9.0, 2.0, -0.13
SD_GAIN, SD_RATING, DF = 1.95, 1.6, 49
SEM = sqrt(ERROR**2 + 1 / 12)  # of whole-number scores: the rounding is in it
SD_CHANGE = sqrt(SD_GAIN**2 + (LEAN * 1.7) ** 2)  # of true change among those taken in
GAINS = {0.38: 0.88, 0.60: 2.29, 0.76: 3.44}  # share who rate themselves improved: mean gain that gives it
SOURCES = ("none", "screened", "second", "truncated")
TWO = "latent_threshold_two_state"
NEW_PEOPLE = 200


class Taken(NamedTuple):
    """People taken in: both scores, a second test before, rating, true change; and first scores of all screened."""

    before: np.ndarray
    after: np.ndarray
    again: np.ndarray
    rating: np.ndarray
    change: np.ndarray
    screened: np.ndarray


def taken(rng: np.random.Generator, n: int, gain: float, everyone: str = "normal") -> Taken:
    """Screen people until `n` score 9 or less; their true change leans a little on where they start."""
    count = 6 * n + 100
    true = rng.normal(MEAN, SD, count) if everyone == "normal" else MEAN - 2 * SD + rng.gamma(4, SD / 2, count)
    seen = np.round(true + rng.normal(0, ERROR, count))
    chosen = np.flatnonzero(seen <= CUT)[:n]
    assert chosen.size == n
    start = true[chosen]
    change = gain + LEAN * (start - MEAN) + rng.normal(0, SD_GAIN, n)
    after, again = (np.round(level + rng.normal(0, ERROR, n)) for level in (start + change, start))
    rating = np.digitize(change - MCID + rng.normal(0, SD_RATING, n), [-4.0, 0.0, 2.0]) - 1
    return Taken(seen[chosen], after, again, rating, change, seen[: chosen[-1] + 1])


def rule(source: str, people: Taken) -> tc.Entry | None:
    """Return what is known of the entry rule."""
    all_of_them = people.screened
    known = {
        "none": None,
        "screened": {"mean": all_of_them.mean(), "sd": all_of_them.std(ddof=1), "n": all_of_them.size},
        "second": {"second": people.again},
        "truncated": {},
    }[source]
    return None if known is None else tc.Entry(CUT, **known, step=1.0)


def one_cell(
    n: int, improved: float, everyone: str, *, repeats: int, programmes: int, shares: int, n_boot: int, seed: int
) -> pd.DataFrame:
    """Simulate one cell (people taken in, share improved, shape of everyone's true scores), `shares` true shares."""
    rng = np.random.default_rng([seed, n, round(1000 * improved), zlib.crc32(everyone.encode())])
    true_share.RESAMPLES = n_boot  # 2,000 in use; fewer here, to be done in minutes
    truth = float(np.mean(taken(rng, 400_000, GAINS[improved], everyone).change > MCID))
    found: dict[tuple[str, str], list[tuple[float, float, float]]] = {}
    claims: dict[str, list[np.ndarray]] = {}
    for study in range(max(repeats, shares)):
        people = taken(rng, n, GAINS[improved], everyone)
        sem = SEM * sqrt(rng.chisquare(DF) / DF)
        newer = taken(rng, NEW_PEOPLE, GAINS[improved], everyone) if study < programmes else None
        for source in SOURCES:
            entry = rule(source, people)
            draws = n_boot if entry else 0  # without the rule the bias alone is of interest
            if study < repeats:
                found.setdefault(("mcid", source), []).append(_mcid(people, entry, sem, draws, study))
            if study < shares:
                found.setdefault(("true share", source), []).append(_share(people, entry, sem, study))
            if newer is not None:
                claims.setdefault(source, []).append(_claims(people, newer, entry, sem))
    rows = []
    for (quantity, source), values in found.items():
        value, low, high = np.array(values).T
        right = MCID if quantity == "mcid" else truth
        middle = float(np.nanmedian(value))
        rows.append({
            "quantity": quantity, "source": source, "truth": right, "estimate": middle, "bias": middle - right,
            "bias_in_sd": (middle - right) / SD_CHANGE if quantity == "mcid" else nan, "sd": float(np.nanstd(value)),
            "coverage": float(np.mean((low <= right) & (right <= high))) if np.isfinite(low).any() else nan,
            "count": value.size, "given": float(np.mean(np.isfinite(value))),
        })  # fmt: skip
    for source, parts in claims.items():
        claimed, true = np.concatenate([part for part in parts if part.size], axis=1)
        sure = claimed >= 0.8
        stated, came = float(claimed[sure].mean()), float(true[sure].mean())
        rows.append({
            "quantity": "claims of 0.8 or more about one person", "source": source, "truth": came, "estimate": stated,
            "bias": stated - came, "bias_in_sd": nan, "sd": nan, "coverage": nan, "count": int(sure.sum()),
            "given": float(np.mean([part.size > 0 for part in parts])),
        })  # fmt: skip
    cell = {"people": n, "improved": improved, "everyone": everyone}
    return pd.DataFrame([cell | row for row in rows]).assign(n_boot=n_boot, seed=seed)


def _mcid(people: Taken, entry: tc.Entry | None, sem: float, n_boot: int, seed: int) -> tuple[float, float, float]:
    rated = rated_people(
        people.after - people.before, people.rating, before=people.before, after=people.after, entry=entry
    )
    layout = Layout.of(rated)
    rows = estimate_rows(layout, layout.kinds.counts[None], np.array([sem**2]))
    low = high = nan
    if n_boot:
        drawn = draw_quantities(layout, rows, read_sem(sem, DF), n_boot, seed)
        low, high = limits_of(drawn, 0.95)[:, DRAWN.index(TWO)]
    return float(rows[TWO][0]), float(low), float(high)


def _share(people: Taken, entry: tc.Entry | None, sem: float, seed: int) -> tuple[float, float, float]:
    before = {} if entry is None else {"before": people.before, "entry": entry, "seed": seed}
    try:
        found = tc.true_responder_share(people.after - people.before, sem=sem, sem_df=DF, mcid=MCID, **before)
    except tc.RefusedError:
        return nan, nan, nan
    return found.value, found.low, found.high


def _claims(people: Taken, newer: Taken, entry: tc.Entry | None, sem: float) -> np.ndarray:
    """Return chance and truth of new people of the same programme, shape (2, people); empty where it is refused."""
    error = score_error(sem, DF, (0.0, 0.0))
    assert error is not None
    before, after = people.before, people.after
    spreads = (float(scores.std(ddof=1)) for scores in (before, after))
    r = float(np.corrcoef(before, after)[0, 1])
    try:
        entry = tc.settle_entry(entry, before, sem) if entry is not None and entry.second is not None else entry
        group = Programme(float(before.mean()), float(after.mean()), *spreads, r, before.size, entry=entry).everyone
    except tc.RefusedError:
        return np.empty((2, 0))
    chance = chances(group, error, newer.before, newer.after)["programme"]
    return np.stack([chance, newer.change > MCID])


CELLS = [
    *((n, improved, "normal") for n in (120, 300) for improved in GAINS),
    (300, 0.60, "skewed"),
]


def entry_table(
    cells: list[tuple[int, float, str]] = CELLS,
    *,
    repeats: int,
    programmes: int,
    shares: int,
    n_boot: int,
    seed: int = 2026,
) -> pd.DataFrame:
    """Simulate every cell with its own stream."""
    drawn = {"repeats": repeats, "programmes": programmes, "shares": shares, "n_boot": n_boot, "seed": seed}
    return pd.concat(each(partial(one_cell, **drawn), *zip(*cells, strict=True)), ignore_index=True)


if __name__ == "__main__":
    with parallel_config(n_jobs=int((*sys.argv, 1)[2])):
        table = entry_table(repeats=150, programmes=20, shares=600, n_boot=200)
    table.round(4).to_csv(sys.argv[1], index=False, lineterminator="\n")
