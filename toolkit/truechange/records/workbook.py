"""Open a workbook safely and give its cells as text; say what is hidden or merged."""

import zipfile
from collections.abc import Iterator
from datetime import date, datetime, time, timedelta
from pathlib import Path
from typing import Any
from warnings import catch_warnings, simplefilter

from truechange.foundation.errors import DataError, listed
from truechange.records.rules import LIMITS

_PROTECTED = b"\xd0\xcf\x11\xe0"  # a workbook with a password, or the old binary kind, is such a container


def load(place: Path, *, values: bool = True) -> Any:
    """Return the openpyxl workbook, with stored values or with formulas.

    Raises
    ------
    DataError
        It is protected, damaged, or unpacks to more than the limit.
    """
    from openpyxl import load_workbook

    with place.open("rb") as stream:
        if stream.read(4) == _PROTECTED:
            raise DataError(
                f"{place.name} is protected by a password or is an old .xls file. Open it and save it as a plain .xlsx."
            )
    try:
        with zipfile.ZipFile(place) as packed:
            size = sum(part.file_size for part in packed.infolist())
            if size > LIMITS["workbook_mb"] << 20:
                raise DataError(
                    f"{place.name} unpacks to {size >> 20} MB, more than {LIMITS['workbook_mb']} MB. "
                    "Delete empty rows and pictures, or save the sheets as CSV: much larger tables are read from CSV."
                )
        with place.open("rb") as stream, catch_warnings():  # by a path, a damaged workbook would stay open
            simplefilter("ignore")  # openpyxl reports what it cannot draw; values are not touched by that
            return load_workbook(stream, data_only=values, keep_links=False)
    except DataError:
        raise
    except Exception as trouble:  # a damaged part can fail anywhere inside the reader
        raise DataError(
            f"{place.name} is damaged or not a workbook ({type(trouble).__name__}). Open it and save it again as .xlsx."
        ) from trouble


def workbook_rows(place: Path) -> Iterator[tuple[str, list[list[str]], list[tuple[str, int, dict[str, Any]]]]]:
    """Yield name, rows of texts, and notes on hidden and merged cells of every sheet with cells."""
    book = load(place)
    sheets = [sheet for sheet in book.worksheets if sheet.max_row and sheet.max_column]
    for sheet in sheets:
        if sheet.max_row * sheet.max_column > LIMITS["workbook_cells"]:
            raise DataError(
                f"{place.name}, sheet {sheet.title}: the used area is {sheet.max_row:,} rows by "
                f"{sheet.max_column:,} columns. Delete the empty rows and columns after the last record, "
                "or save the sheet as CSV."
            )
    for sheet in sheets:
        rows = [[plain_text(value) for value in row] for row in sheet.iter_rows(values_only=True)]
        if any(any(row) for row in rows):
            yield sheet.title, rows, list(_oddities(sheet))


def _oddities(sheet: Any) -> Iterator[tuple[str, int, dict[str, Any]]]:
    if sheet.sheet_state != "visible":
        yield "hidden", 1, {"what": "the sheet is"}
    rows = sorted(number for number, facts in sheet.row_dimensions.items() if facts.hidden)
    if rows:
        yield "hidden", rows[0], {"what": f"rows {listed(rows)} are"}
    columns = sorted(name for name, facts in sheet.column_dimensions.items() if facts.hidden)
    if columns:
        yield "hidden", 1, {"what": f"columns {listed(columns)} are"}
    for area in sheet.merged_cells.ranges:
        yield "merged_cells", area.min_row, {"range": area.coord, "last_row": area.max_row}


def plain_text(value: Any) -> str:
    """Return a cell as text: dates year-month-day, whole numbers whole, yes and no for true and false."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return f"{value:.15g}"
    if isinstance(value, datetime):
        return value.date().isoformat() if value.time() == time() else value.isoformat(" ")
    if isinstance(value, date | time):
        return value.isoformat()
    if isinstance(value, timedelta):
        return str(value)
    return str(value).strip()
