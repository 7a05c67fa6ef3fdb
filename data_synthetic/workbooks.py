"""Workbooks whose bytes depend on their content alone, and the deliberately messy copy with the list of its faults."""

import re
from collections.abc import Mapping
from datetime import date, timedelta
from io import BytesIO
from pathlib import Path
from typing import Any
from zipfile import ZIP_DEFLATED, ZipFile, ZipInfo

import pandas as pd

Rows = list[list[Any]]
TITLE_ROWS = 2  # a title and an empty row above the header of the assessments
_THEN = (2025, 1, 6, 0, 0, 0)
_STAMP = re.compile(rb"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ")


def write_workbook(path: Path, sheets: Mapping[str, list[list[Any]]]) -> None:
    """Write `sheets` (name to rows of cells) as an xlsx file; same rows, same bytes."""
    from openpyxl import Workbook

    book = Workbook(write_only=True)
    for name, rows in sheets.items():
        sheet = book.create_sheet(name)
        for row in rows:
            sheet.append(row)
    held = BytesIO()
    book.save(held)
    with ZipFile(held) as drawn, ZipFile(path, "w", ZIP_DEFLATED, compresslevel=9) as kept:
        for name in sorted(drawn.namelist()):
            entry = ZipInfo(name, _THEN)
            entry.compress_type = ZIP_DEFLATED
            kept.writestr(entry, _STAMP.sub(b"2025-01-06T00:00:00Z", drawn.read(name)))


def cells(table: pd.DataFrame) -> list[list[Any]]:
    """Return a table as rows of plain cells, header first: dates as dates, missing as empty, whole numbers whole."""
    rows: list[list[Any]] = [list(table.columns)]
    rows += [[_cell(value) for value in record] for record in table.itertuples(index=False)]
    return rows


def _cell(value: Any) -> Any:
    if value is None or value != value or value == "":
        return None
    if isinstance(value, pd.Timestamp):
        return value.date()
    if hasattr(value, "item"):
        value = value.item()
    return int(value) if isinstance(value, float) and value.is_integer() else value


def make_messy(tables: dict[str, pd.DataFrame], people: int = 24) -> tuple[dict[str, Rows], list[dict[str, Any]]]:
    """Spoil a copy of the first `people` programme people.

    Parameters
    ----------
    tables : dict of DataFrame
        The clinic's four tables.
    people : int
        How many to keep; at least 20.

    Returns
    -------
    sheets : dict of list
        Sheet name to rows of cells.
    planted : list of dict
        Every fault: sheet, row (as the spreadsheet counts), column, value, problem.
    """
    folk = tables["people"]
    chosen = folk.loc[folk["programme"] == "leg power", "person"].head(people)
    sheets = {name: cells(table[table["person"].isin(chosen)]) for name, table in tables.items()}
    planted: list[dict[str, Any]] = []
    _spoil_assessments(sheets, planted)
    _spoil_others(sheets, planted)
    return sheets, planted


def _spoil_assessments(sheets: dict[str, Rows], planted: list[dict[str, Any]]) -> None:
    rows = sheets["assessments"]
    header = rows[0]
    at = {name: place for place, name in enumerate(header)}
    taken: set[int] = set()

    def find(key: str, occasion: str) -> int:
        for number, row in enumerate(rows[1:], start=1):
            fits = (row[at["measure"]], row[at["occasion"]], row[at["result"]]) == (key, occasion, "measured")
            if fits and number not in taken:
                taken.add(number)
                return number
        raise LookupError(f"no {key} at {occasion} left to spoil")

    def spoil(key: str, occasion: str, column: str, problem: str, new: Any) -> None:
        number = find(key, occasion)
        old = rows[number][at[column]]
        rows[number][at[column]] = new(old) if callable(new) else new
        planted.append(_fault("assessments", number + 1 + TITLE_ROWS, column, rows[number][at[column]], problem))

    stands, walk, tug = "chair_stand_30s", "walk_40m_fast", "timed_up_and_go"
    spoil(stands, "baseline", "value", "unit typed into the number", lambda old: f"{old} reps")
    spoil(stands, "baseline", "value", "words in a number", lambda old: f"about {old}")
    spoil(stands, "discharge", "value", "above what is possible", 120)
    spoil(stands, "discharge", "value", "unable typed as a value", "unable")
    spoil(stands, "baseline", "seat_height_cm", "unit typed into the number", "44cm")
    spoil(stands, "midway", "person", "space and small letter in an identifier", lambda old: f" {old.lower()}")
    spoil(stands, "midway", "person", "person not in the people sheet", "P999")
    spoil(stands, "baseline", "occasion", "occasion missing", None)
    spoil(tug, "baseline", "value", "decimal comma", lambda old: f"{old:.1f}".replace(".", ","))
    spoil(tug, "baseline", "value", "seconds typed as minutes", lambda old: f"0:{round(old):02d}")
    spoil(tug, "discharge", "value", "negative time", lambda old: -old)
    spoil(tug, "discharge", "value", "minutes typed as a number", lambda old: round(old / 60, 2))
    spoil(walk, "baseline", "measure", "unknown test", "walk_40m_quick")
    spoil(walk, "discharge", "unit", "other unit than the test's", "km/h")
    spoil("sit_to_stand_5", "baseline", "date", "date as text, day first", lambda old: f"{old:%d.%m.%Y}")
    spoil("sit_to_stand_5", "baseline", "date", "date as text, year first", lambda old: f"{old:%Y/%m/%d}")
    spoil("sit_to_stand_5", "baseline", "date", "date as a day number", lambda old: (old - date(1899, 12, 30)).days)
    spoil("sit_to_stand_5", "discharge", "date", "follow-up before baseline", lambda old: old - timedelta(days=200))
    spoil("pain_0_10", "discharge", "date", "date in the future", lambda old: old.replace(year=2052))
    spoil("pain_0_10", "baseline", "value", "value missing", None)
    for key, change, problem in ((stands, 0, "row entered twice"), (walk, 0.3, "two values for one test")):
        number = find(key, "discharge")
        copy = list(rows[number])
        copy[at["value"]] += change
        rows.append(copy)
        planted.append(_fault("assessments", len(rows) + TITLE_ROWS, "value", copy[at["value"]], problem))
    rows.insert(len(rows) - 2, [None] * len(header))
    for fault in planted[-2:]:
        fault["row"] += 1
    sheets["assessments"] = [["Leg-power programme, tests (copy)"], [], *rows]


def _spoil_others(sheets: dict[str, Rows], planted: list[dict[str, Any]]) -> None:
    for sheet, row, column, value, problem in (
        ("people", 3, "sex", "F", "other spelling of a category"),
        ("people", 5, "age", 640, "above what is possible"),
        ("people", 7, "outcome", "done?", "unknown category"),
        ("ratings", 4, "rating", 9, "outside its scale"),
        ("ratings", 6, "rating", "better", "words in a number"),
        ("sessions", 12, "load_kg", "2,5", "decimal comma"),
    ):
        table = sheets[sheet]
        table[row - 1][table[0].index(column)] = value
        planted.append(_fault(sheet, row, column, value, problem))


def _fault(sheet: str, row: int, column: str, value: Any, problem: str) -> dict[str, Any]:
    return {"sheet": sheet, "row": row, "column": column, "value": str(value), "problem": problem}
