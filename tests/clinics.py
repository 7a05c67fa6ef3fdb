"""Small invented clinics with a known truth, written to a folder and read as a clinic's own files are read."""

import tempfile
from pathlib import Path

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
