"""Reading a million rows of CSV with every check, against pandas' own read plus one groupby, in one run.

Run by hand: ``python tests/benchmarks/bench_records.py``. Peer: pandas, engine pyarrow, then a mean by test and
occasion. The file is drawn here (250,000 visits of 125,000 people, four tests), clean, so that both read the same.
"""

import statistics
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pandas as pd
from measuring import Row, alone

import truechange as tc

GOAL = 3.0


def draw(path: Path, rows: int = 1_000_000) -> None:
    rng = np.random.default_rng(7)
    people = rows // 8
    tests = np.array(["chair_stand_30s", "timed_up_and_go", "walk_40m_fast", "stair_climb"])
    units = np.array(["stands", "s", "m/s", "s"])
    test, follow_up = np.tile(np.arange(4).repeat(2), people), np.tile([0, 1], people * 4)
    start = np.datetime64("2024-01-01") + rng.integers(0, 200, people).repeat(8)
    score = np.select(
        [test == 0, test == 2],
        [rng.integers(5, 20, people * 8), np.round(rng.uniform(0.7, 2.2, people * 8), 2)],
        np.round(rng.uniform(6, 30, people * 8), 1),
    )
    frame = pd.DataFrame(
        {
            "person": [f"P{number:06d}" for number in np.arange(people).repeat(8)],
            "date": (start + 84 * follow_up).astype(str),
            "occasion": np.array(["baseline", "discharge"])[follow_up],
            "measure": tests[test],
            "value": score,
            "unit": units[test],
            "trial": 1,
            "result": "measured",
            "seat_height_cm": np.where(test < 2, "43", ""),
            "arms_used": np.where(test < 2, "no", ""),
            "walking_aid": "none",
            "steps": np.where(test == 3, "9", ""),
            "step_height_cm": np.where(test == 3, "20", ""),
            "course_m": np.where(test == 2, "40", ""),
            "assessor": rng.choice(["A1", "A2", "A3"], people * 8),
            "note": "",
        }
    )
    frame.to_csv(path, index=False)


def timed(work) -> float:
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


def peer(path: Path) -> None:
    pd.read_csv(path, engine="pyarrow").groupby(["measure", "occasion"])["value"].mean()


def rows(repeats: int = 3) -> Iterator[Row]:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "assessments.csv"
        draw(path)
        records = tc.read(path)
        if len(records.problems) or records.ledger.rows_used != 1_000_000:
            raise SystemExit(f"{records.problems.head()} {records.ledger}")
        peer(path)
        times = [(timed(lambda: peer(path)), timed(lambda: tc.read(path))) for _ in range(repeats)]
    theirs, ours = (statistics.median(column) for column in zip(*times, strict=True))
    yield Row("1e+06 rows of CSV with all checks, against pandas", ours, theirs, GOAL, slower=True,
              floor=theirs, of="reading: the file parsed by pandas' pyarrow engine")  # fmt: skip


if __name__ == "__main__":
    sys.exit(alone(rows()))
