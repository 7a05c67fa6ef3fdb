"""Small invented clinics with a known truth, written to a folder and read as a clinic's own files are read."""

import tempfile
from pathlib import Path

import numpy as np
import pandas as pd

import truechange as tc

TEST = "chair_stand_30s"


def clinic(assessments: pd.DataFrame, **tables: pd.DataFrame) -> object:
    """Read tables (people, ratings, sessions) as one folder of CSV files."""
    with tempfile.TemporaryDirectory() as folder:
        for name, table in {"assessments": assessments, **tables}.items():
            table.to_csv(Path(folder) / f"{name}.csv", index=False)
        return tc.read(folder)


def scores(people: list[str], before: object, after: object, *, start: str = "2025-01-06", weeks: int = 12, **facts):
    """Return assessments of one test at baseline and, where there is a score, at discharge."""
    first = pd.DataFrame({"person": people, "date": start, "occasion": "baseline", "measure": TEST, "value": before})
    last = first.assign(date=pd.to_datetime(start) + pd.Timedelta(weeks=weeks), occasion="discharge", value=after)
    last = last[last["value"].notna()]
    rows = pd.concat([first, last], ignore_index=True)
    return rows.assign(date=pd.to_datetime(rows["date"]).dt.strftime("%Y-%m-%d"), **facts)


def codes(count: int, letter: str = "P") -> list[str]:
    """Return codes of people: P001, P002 ..."""
    return [f"{letter}{at + 1:03d}" for at in range(count)]


def few_people(programmes: tuple[str, ...] = ("care",), people: int = 14) -> object:
    """Return the records of a few people who gained about 2 stands, in one programme or in several by turns."""
    rng = np.random.default_rng(1)
    ids = [f"P{at:02d}" for at in range(people)]
    before, after = (np.round(rng.normal(11 + shift, 2, people)) for shift in (0, 2))
    table = pd.DataFrame({"person": ids, "programme": [programmes[at % len(programmes)] for at in range(people)]})
    return clinic(scores(ids, before, after, start="2025-01-15"), people=table)


LIMITS = {"chair_stand_30s": 2.0, "timed_up_and_go": 1.0}  # what a registry counts against


def registered(people: int = 400, seed: int = 1, text: bool = True) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return scores of two tests in any order, one in 14 of them lost, and a table of people at three sites."""
    rng = np.random.default_rng(seed)
    ids = [f"P{at:05d}" for at in range(people)] if text else list(range(7, 7 + people))
    table = pd.DataFrame(
        {"person": ids, "site": rng.choice(["N", "S", "O'Hill"], people), "sex": rng.choice(["f", "m"], people)}
    )
    rows = []
    for key in LIMITS:
        first = rng.normal(11, 3, people).round(1)
        for occasion, value in (("baseline", first), ("discharge", first + rng.normal(1, 2, people).round(1))):
            rows.append(pd.DataFrame({"person": ids, "occasion": occasion, "measure": key, "value": value}))
    held = pd.concat(rows, ignore_index=True)
    return held[rng.random(len(held)) < 0.93].sample(frac=1, random_state=2).reset_index(drop=True), table


def damaged(people: int = 400, seed: int = 3) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return a registry with a bit of everything that is left out: other words, strangers, gaps, no site."""
    scores, table = registered(people=people, seed=seed)
    rng = np.random.default_rng(seed)
    table["start_date"] = pd.Timestamp("2024-01-01") + pd.to_timedelta(rng.integers(0, 720, people), unit="D")
    table.loc[rng.choice(people, 12, replace=False), "site"] = None
    table.loc[rng.choice(people, 9, replace=False), "start_date"] = pd.NaT
    parts = np.array_split(rng.permutation(len(scores))[:60], 6)
    for rows, (column, value) in zip(
        parts, [("occasion", "midway"), ("occasion", None), ("measure", "hopping"), ("person", "X"), ("person", None),
                ("value", np.nan)], strict=True,
    ):  # fmt: skip
        scores.loc[rows, column] = value
    return scores, table


def training_log(rows: list[tuple]) -> pd.DataFrame:
    """Return a training log of sit to stand, one row a day."""
    names = ["person", "day", "reps", "load_kg", "seat_height_cm", "pain_before", "pain_after", "soreness_next_day"]
    frame = pd.DataFrame(rows, columns=names)
    days = pd.to_timedelta(frame["day"], unit="D")
    return frame.assign(date=pd.Timestamp("2025-01-06") + days, exercise="sit to stand")


def easy_days(person: str, days: object, seat: float, load: float = 0.0, reps: int = 10, **other: int) -> list[tuple]:
    """Return days of a log with ten confident repetitions, little pain and no soreness unless told otherwise."""
    facts = {"pain_before": 2, "pain_after": 2, "sore": 0} | other
    return [(person, day, reps, load, seat, facts["pain_before"], facts["pain_after"], facts["sore"]) for day in days]
