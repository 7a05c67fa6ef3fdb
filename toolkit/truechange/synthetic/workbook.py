"""Workbooks whose bytes depend on their content alone: fixed dates in the archive and in its properties."""

import re
from collections.abc import Mapping
from io import BytesIO
from pathlib import Path
from typing import Any
from zipfile import ZIP_DEFLATED, ZipFile, ZipInfo

import pandas as pd

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
